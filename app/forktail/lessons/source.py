"""Reads the files of a lesson folder: TOML and Markdown parts, each with its line."""

from dataclasses import dataclass
from pathlib import Path

from forktail.core import files
from forktail.core.checks import QuantityError, visible

MAX_FILE = 200_000


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


def read_toml(path, name):
    """Read a TOML file.

    Returns
    -------
    table : dict or None
    lines : core.files.Lines
    faults : list of Fault
    """
    try:
        text = read_file(path)
        return files.read(text), files.Lines(text), []
    except files.NotToml as error:
        remedy = 'Put texts in quotes and lists in square brackets; a step begins with "[[step]]".'
        fault = Fault(name, error.line or 1, f"this is not TOML: {error.what}.", remedy)
        return None, files.Lines(""), [fault]
    except QuantityError as error:
        return None, files.Lines(""), [Fault(name, 1, str(error), "Give the folder a lesson.toml.")]


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
                        f"the heading '{key}' appears twice.",
                        "Keep one of the two.",
                    )
                )
        else:
            held.append(line)
    close()
    return parts, faults
