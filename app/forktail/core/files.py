"""The one writer and the one reader of the files that the app saves and loads: TOML.

What is written here is read back to the same values, whatever its texts hold. What a value
means is the matter of its `Spec`; what belongs into which section, of the module of the format
(`built.file` for circuits, the states of the pages for scenes).
"""

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from typing import Any

from forktail.core.checks import QuantityError

#: Longest file that is read, characters.
MAX_SIZE = 200_000

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SURROGATES = re.compile("[\ud800-\udfff]")


class NotToml(QuantityError):
    """A text that is no TOML; `line` (0 if unknown) and `what` say it in parts."""

    def __init__(self, what: str, line: int) -> None:
        where = f"line {line}: {what}" if line else what
        super().__init__(f'The file is not TOML: {where}. Write lines such as: left = "2.2 k"')
        self.what, self.line = what, line


# ---------------------------------------------------------------- writing


def quoted(text: str) -> str:
    """A text in TOML quotes; signs that nobody sees are written as `\\u000a`.

    Half of a surrogate pair is no character and becomes U+FFFD, as in any UTF-8 file.
    """
    text = _SURROGATES.sub("\ufffd", text).replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if _is_plain(c) else _escaped(c) for c in text) + '"'


def _is_plain(c: str) -> bool:
    return c == " " or unicodedata.category(c)[0] not in "CZ"


def _escaped(c: str) -> str:
    return f"\\u{ord(c):04x}" if ord(c) < 0x10000 else f"\\U{ord(c):08x}"


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else quoted(key)


def _value(place: str, value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        plain = f"{value:g}"  # inf and nan are TOML as well
        return plain if "e" not in plain and float(plain) == value else repr(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(place, v) for v in value) + "]"
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(k)} = {_value(place, v)}" for k, v in value.items())
        return "{" + inner + "}"
    raise QuantityError(
        f"{place} is {value!r}, which a file cannot hold; "
        "it can hold texts, numbers, true or false, and lists of them."
    )


def write(sections: Mapping[str, Mapping[str, Any]], comment: str = "") -> str:
    """TOML text of sections.

    Parameters
    ----------
    sections : dict of str to dict
        Section ("" for the top, "drive.upper" for one inside another) -> key -> text, number,
        flag, or a list of them.
    comment : str, optional
        What the first line says, for whoever opens the file.

    Returns
    -------
    str

    Raises
    ------
    QuantityError
        For a value that TOML cannot hold; the message names its place.
    """
    lines = [f"# {comment}"] if comment else []
    for section, entries in sections.items():
        if section:
            name = ".".join(_key(part) for part in section.split("."))
            lines += ["", f"[{name}]"] if lines else [f"[{name}]"]
        for key, value in entries.items():
            place = f"{section}.{key}" if section else key
            lines.append(f"{_key(key)} = {_value(place, value)}")
    return "\n".join(lines) + "\n"


# ---------------------------------------------------------------- reading


def read(text: str) -> dict[str, Any]:
    """Read a TOML text.

    Parameters
    ----------
    text : str

    Returns
    -------
    dict

    Raises
    ------
    QuantityError
        If it is too long; `NotToml` with its line if it is no TOML.
    """
    if len(text) > MAX_SIZE:
        raise QuantityError(f"The file holds {len(text)} characters; at most {MAX_SIZE} are read.")
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:  # ValueError: also a number without end
        said = str(error)
        found = re.search(r" \(at line (\d+), column \d+\)", said)
        if found:
            raise NotToml(said[: found.start()], int(found[1])) from None
        if "at end of document" in said:
            what = said.replace(" (at end of document)", " at the end")
            raise NotToml(what, text.count("\n") + 1) from None
        raise NotToml(said, 0) from None


_TABLE = re.compile(r"\s*(\[\[?)(.+?)\]\]?\s*(?:#.*)?$")
_NAME = r"(?:\"(?:[^\"\\]|\\.)*\"|'[^']*'|[\w\-]+)"
_ENTRY = re.compile(rf"\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*=")
_STRINGS = re.compile(r"\"(?:[^\"\\]|\\.)*\"|'[^']*'|#.*")


def _names(dotted: str) -> list[str]:
    return [n.strip("\"'") for n in re.findall(_NAME, dotted)]


class Lines:
    """Where each key of a TOML text stands: `tomllib` itself does not say.

    A place is a tuple such as ("step", 2, "predict", "choice", 0, "when"). What stands inside an
    inline table has the line of the table.
    """

    def __init__(self, text: str) -> None:
        self.places: dict[tuple, int] = {(): 1}
        counts: dict[tuple, int] = {}
        table: tuple = ()
        inside, depth = "", 0
        for number, line in enumerate(text.removeprefix("\ufeff").split("\n"), 1):
            if inside:  # in a text of several lines
                if inside in line:
                    inside = ""
                continue
            if depth > 0:  # in an array of several lines
                depth += self._brackets(line)
                continue
            if match := _TABLE.match(line):
                table = self._open(match, counts)
                for k in range(1, len(table) + 1):
                    self.places.setdefault(table[:k], number)
                continue
            if match := _ENTRY.match(line):
                names = _names(match[1])
                for k in range(1, len(names) + 1):
                    self.places.setdefault((*table, *names[:k]), number)
                rest = line[match.end() :]
                for quote in ('"""', "'''"):
                    if rest.count(quote) == 1:
                        inside = quote
                if not inside:
                    depth = self._brackets(rest)

    @staticmethod
    def _brackets(line: str) -> int:
        bare = _STRINGS.sub("", line)
        return bare.count("[") - bare.count("]")

    @staticmethod
    def _open(match: re.Match, counts: dict[tuple, int]) -> tuple:
        names = _names(match[2])
        path: tuple = ()
        for k, name in enumerate(names):
            path += (name,)
            if match[1] == "[[" and k == len(names) - 1:
                counts[path] = counts.get(path, -1) + 1
                for other in [c for c in counts if len(c) > len(path) and c[: len(path)] == path]:
                    del counts[other]
            if path in counts:
                path += (counts[path],)
        return path

    def of(self, *place: str | int) -> int:
        """Line of a place, or of the nearest thing around it."""
        while place not in self.places:
            place = place[:-1]
        return self.places[place]
