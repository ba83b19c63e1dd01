"""What the headings of a capture say: names, units and roles of columns, and the time base."""

import math
import re
from collections.abc import Iterator, Sequence

import numpy as np

from forktail.core.capture.sniff import COMMENT, Layout
from forktail.core.checks import Floats
from forktail.core.quantities import split_suffix, tidied

#: Factor and base unit.
Unit = tuple[float, str]
#: What a column may hold. v_out may be given, or both collectors, or one collector.
ROLES = ("time", "v_upper", "v_lower", "v_left", "v_right", "v_out")

_WORDS = {
    "time": ("time", "t", "zeit", "temps", "tiempo", "tempo", "seconds"),
    "index": ("index", "sample", "samples", "sequence", "point", "points")
    + ("no", "nr", "n", "#", "row"),
    "v_upper": ("upper", "up", "vupper", "vu", "quad", "oscillator", "carrier"),
    "v_lower": ("lower", "low", "vlower", "vl", "pair", "call", "signal", "modulation"),
    "v_left": ("left", "vleft"),
    "v_right": ("right", "vright"),
    "v_out": ("out", "output", "vout", "difference", "diff", "product"),
}
_LONG_UNITS = {
    word: unit
    for words, unit in (
        (("S", "second", "seconds", "secs"), (1.0, "s")),
        (("millisecond", "milliseconds"), (1e-3, "s")),
        (("microsecond", "microseconds"), (1e-6, "s")),
        (("nanosecond", "nanoseconds"), (1e-9, "s")),
        (("kilovolt", "kilovolts"), (1e3, "V")),
        (("volt", "volts"), (1.0, "V")),
        (("millivolt", "millivolts"), (1e-3, "V")),
        (("microvolt", "microvolts"), (1e-6, "V")),
    )
    for word in words
}
_INTERVAL = re.compile(
    r"(?:sampl\w*|time|horizontal|x)[ _-]*(?:interval|increment|step|period|delta)|"
    r"^increment|^interval|^dt\b|^delta[ _-]?t\b|^\u0394t\b",
    re.I,
)
_RATE = re.compile(r"sampl\w*[ _-]*(?:rate|frequency)|^fs\b", re.I)
_START = re.compile(r"^start|(?:horizontal|x)[ _-]*(?:start|origin|zero)", re.I)
_VERTICAL = re.compile(r"(?:vertical|y)\b", re.I)
_VALUE = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_NAME_UNIT = re.compile(r"(.*?)\s*(?:\(([^()]*)\)|\[([^\[\]]*)\]|/\s*([^/\s]+)|\bin\s+(\S+))\s*")
_NAME_TAIL = re.compile(r"(.+?)[ _]((?:[pnum\u00b5]?(?:s|V))|sec|volts?)")


def role_of(name: str) -> str | None:
    """Role that a column of this name seems to have: one of `ROLES`, `index`, or None."""
    tidy = re.sub(r"[^a-z0-9#]+", " ", name.lower()).strip()
    joined = tidy.replace(" ", "")
    for role, words in _WORDS.items():
        if joined in words or tidy in words:
            return role
    for role, words in _WORDS.items():
        if any(w in tidy.split() for w in words if len(w) > 2):
            return role
    return None


def unit_of(text: str) -> Unit | None:
    """(factor, base unit) of `mV`, `us`, `volts` ..., or None."""
    text = tidied(text)
    if text in _LONG_UNITS:
        return _LONG_UNITS[text]
    if len(text) > 2 and text.lower() in _LONG_UNITS:
        return _LONG_UNITS[text.lower()]
    found = split_suffix(text, "V")
    return (found[0], found[1]) if found and found[1] is not None else None


def _name_and_unit(cell: str) -> tuple[str, Unit | None]:
    match = _NAME_UNIT.fullmatch(cell)
    if match:
        unit = unit_of(next((g for g in match.groups()[1:] if g is not None), ""))
        if unit:
            return match[1].strip(), unit
    match = _NAME_TAIL.fullmatch(cell)
    if match:
        return match[1].strip(), unit_of(match[2])
    return cell, None


def _heading_cells(line: str, layout: Layout) -> list[str] | None:
    """Cells of a heading row above the columns of numbers, or None if they do not fit."""
    for mark in COMMENT:
        line = line.removeprefix(mark)
    width = len(layout.columns)
    if layout.delimiter == " ":
        # a name may carry its unit behind a space: keep `time (s)` together
        for pattern in (r"[^\s(\[]+\s*[(\[][^)\]]*[)\]]|\S+", r"\S+(?: \S+)*"):
            cells = re.findall(pattern, line.strip())
            if len(cells) == width:
                return cells
        return None
    cells = layout.cells(line)
    if len(cells) <= layout.columns[-1]:
        return None
    return [cells[c] for c in layout.columns]


def names_and_units(
    headings: Sequence[str], layout: Layout
) -> tuple[tuple[str, ...], list[Unit | None], int | None]:
    """Names of the columns and their units, from the rows above the numbers.

    Parameters
    ----------
    headings : list of str
    layout : sniff.Layout

    Returns
    -------
    names : tuple of str
    units : list of (factor, base unit) or None
    row : int or None
        Of the names, in `headings`.
    """
    width = len(layout.columns)
    names: list[str] | None = None
    units: list[Unit | None] = [None] * width
    row_of_names = None
    for row in range(len(headings) - 1, -1, -1):
        cells = _heading_cells(headings[row], layout)
        if cells is None or not any(cells) or layout.is_number(cells[0]):
            continue
        bare = [c.strip("()[] ") for c in cells]
        found = [unit_of(c) for c in bare]
        counts = [c in ("", "-", "1") or role_of(c) == "index" for c in bare]
        # `t, V` could be either; names such as `t` are not units, `s` and `V` are
        if any(found) and not any(units) and all(f or n for f, n in zip(found, counts)):
            units = found
            continue
        names, row_of_names = cells, row
        break
    if names is None:
        return ("",) * width, units, None
    split = [_name_and_unit(c) for c in names]
    units = [own or below for (_, own), below in zip(split, units)]
    return tuple(n for n, _ in split), units, row_of_names


def guess_roles(
    data: Floats, names: Sequence[str], units: Sequence[str], numbers: Sequence[int]
) -> tuple[dict[str, int], tuple[str, ...]]:
    """What each column may be: by name first, then by unit and place.

    Parameters
    ----------
    data : array, shape (rows, columns)
    names, units : sequences of str
    numbers : sequence of int
        Number of each column in the file, from 1.

    Returns
    -------
    roles : dict
        Key of `ROLES`, or `index`, -> column position from 0.
    notes : tuple of str
    """
    width = data.shape[1]
    roles: dict[str, int] = {}
    notes = []
    for k, name in enumerate(names):
        role = role_of(name)
        if role in ("time", "index") or (role and units[k] in ("V", "")):
            roles.setdefault(role, k)
    if "time" not in roles and "index" not in roles:
        by_unit = [k for k in range(width) if units[k] == "s"]
        first = data[:, 0]
        rising = width > 1 and bool(np.all(np.diff(first) >= 0)) and bool(first[-1] > first[0])
        if by_unit:
            roles["time"] = by_unit[0]
        elif rising and 0 not in roles.values():
            roles["time"] = 0
            notes.append(
                f"No heading says which column is the time: column {numbers[0]} rises from row "
                "to row and was used."
            )
    if not any(r.startswith("v_") for r in roles):
        time = data[:, roles["time"]] if "time" in roles else None
        free = [
            k
            for k in range(width)
            if k not in roles.values()
            and units[k] in ("V", "")
            and not (time is not None and np.array_equal(data[:, k], time))
        ]
        order = {
            1: ("v_out",),
            2: ("v_left", "v_right"),
            3: ("v_upper", "v_lower", "v_out"),
        }.get(len(free), ("v_upper", "v_lower", "v_left", "v_right"))
        roles.update(zip(order, free))
        if free:
            notes.append(
                "No heading names a signal: the columns were taken in the order "
                + ", ".join(n for n, _ in zip(order, free))
                + ". Check this."
            )
    return roles, tuple(notes)


def time_base(rows: Sequence[Sequence[str]], layout: Layout) -> tuple[float, float]:
    """Interval between rows and start of time that the headings state.

    Parameters
    ----------
    rows : list of list of str
        Cells of each heading row, and what is written beside the numbers in the first rows of them.
    layout : sniff.Layout

    Returns
    -------
    interval, start : float
        s; NaN where nothing is said.
    """
    interval = start = math.nan
    for k, row in enumerate(rows):
        below = rows[k + 1] if k + 1 < len(rows) else []
        for key, beside, under in _stated_pairs(row, below, layout):
            if _VERTICAL.match(key):
                continue
            if math.isnan(interval) and _RATE.search(key):
                rate = _first_value(key, (beside, under), "Hz")
                interval = 1.0 / rate if rate and rate > 0.0 else interval
            elif math.isnan(interval) and _INTERVAL.search(key):
                step = _first_value(key, (beside, under), "s")
                interval = step if step and step > 0.0 else interval
            elif math.isnan(start) and _START.search(key):
                begin = _first_value(key, (under,), "s")
                start = math.nan if begin is None else begin
    return interval, start


def _stated_pairs(
    row: Sequence[str], below: Sequence[str], layout: Layout
) -> Iterator[tuple[str, list[str], list[str]]]:
    """(key, cells to its right, cell below it as a list) of each cell that may be a key."""
    parts = []  # a cell `Increment: 500 ns` is a key and a value
    for c, cell in enumerate(row):
        text = cell.lstrip("# ") if cell.startswith("#") else cell
        parts += [(c, p.strip()) for p in re.split(r"[:=]", text) if p.strip()]
    for k, (c, key) in enumerate(parts):
        under = [below[c]] if c not in layout.columns and c < len(below) and below[c] else []
        yield key, [p for _, p in parts[k + 1 : k + 3]], under


def _first_value(key: str, places: Sequence[list[str]], base: str) -> float | None:
    for cells in places:
        value = _stated(key, cells, base)
        if value is not None and math.isfinite(value):
            return value
    return None


def _stated(key: str, cells: Sequence[str], base: str) -> float | None:
    """Value of `interval (us) | 0.5`, `interval | 0.5 | us`, `interval | 0.5us`, `dt 5e-7`."""
    text = tidied(cells[0]) if cells else ""
    if not cells:
        match = re.search(r"[\s(]([-+\d.,eE]+\s*\S*)$", key)
        text = tidied(match[1]) if match else ""
    match = _VALUE.match(text)
    if not match:
        return None
    rest = text[match.end() :].strip()
    inside = re.search(r"[(\[]([^)\]]*)[)\]]", key)
    for unit in (rest, cells[1] if len(cells) > 1 else "", inside[1] if inside else ""):
        factor = _factor(unit, base)
        if factor:
            return float(match[0]) * factor
    return float(match[0]) if not rest else None


def _factor(text: str, base: str) -> float | None:
    if base == "s":
        found = unit_of(text)
        return found[0] if found and found[1] == "s" else None
    # rates are written Hz or samples a second
    match = re.fullmatch(r"([kMG]?)(?:Hz|S/s|Sa/s|samples/s)", tidied(text))
    return {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}[match[1]] if match else None
