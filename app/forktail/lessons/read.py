"""Reads the files of a lesson folder: TOML and Markdown parts, each with its line."""

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from forktail.core.checks import QuantityError, visible

MAX_FILE = 200_000

_TABLE = re.compile(r"\s*(\[\[?)\s*([\w.\-\s\"']+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"\s*(?:\"([^\"]+)\"|'([^']+)'|([\w\-]+))\s*=")


@dataclass(frozen=True, order=True)
class Fault:
    """One fault of a lesson: where it is, what is wrong, what would be right.

    `note` marks advice, which does not keep a lesson from being used.
    """

    file: str
    line: int
    text: str
    remedy: str = ""
    note: bool = False

    def __str__(self):
        kind = "note: " if self.note else ""
        remedy = f" {self.remedy}" if self.remedy else ""
        return visible(f"{self.file}:{self.line}: {kind}{self.text}{remedy}")


@dataclass(frozen=True)
class Text:
    """A Markdown text and where it begins."""

    source: str = ""
    file: str = ""
    line: int = 1

    def __bool__(self):
        return bool(self.source.strip())


def read_file(path):
    """Text of a file; QuantityError says why it cannot be read."""
    try:
        if path.stat().st_size > MAX_FILE:
            raise QuantityError(f"the file holds more than {MAX_FILE} bytes.")
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise QuantityError("the file is not UTF-8 text.") from None
    except OSError as error:
        raise QuantityError(f"the file cannot be read ({error.strerror}).") from None


class Lines:
    """Where each key of a TOML text stands: `tomllib` itself does not say.

    A place is a tuple such as ("step", 2, "predict", "choice", 0, "when"). What stands inside an
    inline table has the line of the table.
    """

    def __init__(self, text):
        self.places, counts = {(): 1}, {}
        table, inside, depth = (), None, 0
        for number, line in enumerate(text.splitlines(), 1):
            if inside:  # in a text of several lines
                if inside in line:
                    inside = None
                continue
            if depth > 0:  # in an array of several lines
                depth += self._brackets(line)
                continue
            if match := _TABLE.match(line):
                table = self._open(match, counts)
                self.places.setdefault(table, number)
                continue
            if match := _KEY.match(line):
                key = next(filter(None, match.groups()))
                self.places.setdefault((*table, key), number)
                rest = line[match.end() :]
                for quote in ('"""', "'''"):
                    if rest.count(quote) == 1:
                        inside = quote
                if not inside:
                    depth = self._brackets(rest)

    @staticmethod
    def _brackets(line):
        bare = re.sub(r"\"(?:[^\"\\]|\\.)*\"|'[^']*'|#.*", "", line)
        return bare.count("[") - bare.count("]")

    @staticmethod
    def _open(match, counts):
        names = [n.strip().strip("\"'") for n in match[2].split(".")]
        path = ()
        for k, name in enumerate(names):
            path += (name,)
            if match[1] == "[[" and k == len(names) - 1:
                counts[path] = counts.get(path, -1) + 1
                for other in [c for c in counts if len(c) > len(path) and c[: len(path)] == path]:
                    del counts[other]
            if path in counts:
                path += (counts[path],)
        return path

    def of(self, *place):
        """Line of a place, or of the nearest thing around it."""
        while place not in self.places:
            place = place[:-1]
        return self.places[place]


def read_toml(path, name):
    """Read a TOML file.

    Returns
    -------
    table : dict or None
    lines : Lines
    faults : list of Fault
    """
    try:
        text = read_file(path)
        return tomllib.loads(text), Lines(text), []
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        what = str(error).split(" (at")[0]
        return (
            None,
            Lines(""),
            [
                Fault(
                    name,
                    int(found[1]) if found else 1,
                    f"this is not TOML: {what}.",
                    "Texts stand in quotes, lists in square brackets, a step begins "
                    'with "[[step]]".',
                )
            ],
        )
    except QuantityError as error:
        return None, Lines(""), [Fault(name, 1, str(error), "Give the folder a lesson.toml.")]


def read_parts(path: Path, name):
    """Split a Markdown file at its level-one headings (`# share explain`).

    Returns
    -------
    parts : dict of str to Text
        By heading, in lower case with single spaces.
    faults : list of Fault
    """
    if not path.exists():
        return {}, []
    try:
        source = read_file(path)
    except QuantityError as error:
        return {}, [Fault(name, 1, str(error))]
    parts, faults, key, start, held, fence = {}, [], None, 1, [], False

    def close():
        body = "\n".join(held)
        if key is not None:
            parts[key] = Text(body, name, start)
        elif body.strip():
            faults.append(
                Fault(
                    name,
                    1,
                    "there is text before the first heading.",
                    "Begin with '# ' and the id of a step.",
                )
            )

    for number, line in enumerate(source.splitlines(), 1):
        fence ^= line.startswith("```")
        if line.startswith("# ") and not fence:
            close()
            key, held, start = " ".join(line[2:].split()).lower(), [], number + 1
            if key in parts:
                faults.append(
                    Fault(
                        name,
                        number,
                        f"the heading '{key}' stands here twice.",
                        "Keep one of the two.",
                    )
                )
        else:
            held.append(line)
    close()
    return parts, faults
