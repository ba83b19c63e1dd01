"""Read a scope capture from delimited text: headings, units, decimal comma, up to a million rows.

No file format of any maker is assumed: the rows of numbers are found by looking, and what was
taken from the headings is said in `notes`. Rows and columns are counted from 1, as an editor
or a spreadsheet shows them.
"""

import csv
import io
import math
import re
from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np

from forktail.core.checks import QuantityError
from forktail.core.quantities import format_quantity, split_suffix, tidied

#: Largest file, bytes.
MAX_BYTES = 128 * 2**20
#: Most rows of numbers.
MAX_ROWS = 2**20
#: Most columns, used or not.
MAX_COLUMNS = 16
#: Most rows of headings before the first row of numbers.
MAX_HEADINGS = 500
#: Fewest rows of numbers.
MIN_ROWS = 16

#: What a column may hold. v_out may be given, or both collectors, or one collector.
ROLES = ("time", "v_upper", "v_lower", "v_left", "v_right", "v_out")

_WORDS = {
    "time": ("time", "t", "zeit", "temps", "tiempo", "tempo", "seconds"),
    "index": ("index", "sample", "samples", "point", "points", "no", "nr", "n", "#", "row"),
    "v_upper": ("upper", "up", "vupper", "vu", "quad", "oscillator", "carrier"),
    "v_lower": ("lower", "low", "vlower", "vl", "pair", "call", "signal", "modulation"),
    "v_left": ("left", "vleft", "collector left"),
    "v_right": ("right", "vright", "collector right"),
    "v_out": ("out", "output", "vout", "difference", "diff", "product"),
}
_LONG_UNITS = {
    "S": (1.0, "s"),
    "second": (1.0, "s"),
    "seconds": (1.0, "s"),
    "secs": (1.0, "s"),
    "millisecond": (1e-3, "s"),
    "milliseconds": (1e-3, "s"),
    "msec": (1e-3, "s"),
    "microsecond": (1e-6, "s"),
    "microseconds": (1e-6, "s"),
    "usec": (1e-6, "s"),
    "nanosecond": (1e-9, "s"),
    "nanoseconds": (1e-9, "s"),
    "nsec": (1e-9, "s"),
    "volt": (1.0, "V"),
    "volts": (1.0, "V"),
    "millivolt": (1e-3, "V"),
    "millivolts": (1e-3, "V"),
    "microvolt": (1e-6, "V"),
    "microvolts": (1e-6, "V"),
    "kilovolt": (1e3, "V"),
}
_DELIMITER_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "spaces"}
# tried in this order; the first of equals wins
_DIALECTS = (
    ("\t", "."),
    (";", "."),
    (",", "."),
    (" ", "."),
    ("\t", ","),
    (";", ","),
    (" ", ","),
    (",", ","),
)
_NUMBER = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?"),
}
_COMMENT = ("#", "%", "//")
_INTERVAL = re.compile(
    r"(?:sampl\w*|time|horizontal|x)[ _-]*(?:interval|increment|step|period|delta)|"
    r"^increment|^interval|^dt\b|^delta[ _-]?t\b|^\u0394t\b",
    re.I,
)
_RATE = re.compile(r"sampl\w*[ _-]*(?:rate|frequency)|^fs\b", re.I)


@dataclass(frozen=True)
class CaptureTable:
    """The rows of numbers of one file, in SI units, before columns are given their meaning.

    Attributes
    ----------
    data : numpy.ndarray, shape (rows, columns)
        In `units`; a prefix such as mV is already taken in.
    names, units : tuple of str
        One a column; the unit is `s`, `V`, another base unit, or empty where none was given.
    roles : dict
        Sensible guess: key of `ROLES` -> column position from 0. `index` may appear too.
    sample_interval : float
        s, from the headings, or NaN.
    headings : tuple of str
        Rows above the numbers, as they stand.
    first_row : int
        Row in the file of the first numbers, from 1.
    delimiter, decimal : str
    row_numbers : numpy.ndarray or None
        Rows in the file, where blank rows make them other than first_row + position.
    notes : tuple of str
        What was guessed, in sentences.
    """

    data: np.ndarray
    names: tuple
    units: tuple
    roles: dict
    sample_interval: float
    headings: tuple
    first_row: int
    delimiter: str
    decimal: str
    row_numbers: np.ndarray = None
    name: str = "capture"
    notes: tuple = ()

    def file_row(self, position):
        """Row in the file (from 1) of the numbers at `position` (from 0)."""
        if self.row_numbers is None:
            return self.first_row + int(position)
        return int(self.row_numbers[position])

    def column_label(self, position):
        """`column 2 (upper)`, counted from 1."""
        return _label(position, self.names)


@dataclass(frozen=True)
class Capture:
    """One capture on one time axis, SI units, each array of shape (n,); None where not given.

    `v_out` is v_right - v_left where both collectors were captured. With `single_ended` it
    stands for one collector, doubled, its mean taken off, so its offset is not known.
    `time` is strictly rising, s; `uniform` says whether its steps are equal.
    """

    time: np.ndarray
    v_out: np.ndarray
    v_upper: np.ndarray = None
    v_lower: np.ndarray = None
    v_left: np.ndarray = None
    v_right: np.ndarray = None
    sample_interval: float = float("nan")
    uniform: bool = True
    single_ended: bool = False
    name: str = "capture"
    notes: tuple = field(default=())


def _label(position, names):
    name = names[position] if position < len(names) else ""
    return f"column {position + 1}" + (f" ({name})" if name else "")


def _decode(data, name):
    if isinstance(data, str):
        if len(data) > MAX_BYTES:
            raise QuantityError(_too_big(name, len(data)))
        return data.removeprefix("\ufeff")
    data = bytes(data)
    if len(data) > MAX_BYTES:
        raise QuantityError(_too_big(name, len(data)))
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace").removeprefix("\ufeff")
    if data[:2] == b"PK" or b"\0" in data[:4096]:
        raise QuantityError(
            f"{name}: row 1, column 1: this is not text (a workbook, an archive or a picture?); "
            "wanted is text with one row a sample, such as a CSV export."
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _too_big(name, size):
    return (
        f"{name} is {size / 2**20:.0f} MiB; allowed is at most {MAX_BYTES // 2**20} MiB. "
        "Export fewer rows, or fewer channels."
    )


def _split(line, delimiter):
    """Cells of one row, stripped."""
    if delimiter == " ":
        return line.replace('"', " ").split()
    if '"' in line:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    else:
        cells = line.split(delimiter)
    return [c.strip() for c in cells]


def _numeric_width(line, delimiter, decimal):
    """How many numbers a row holds if it holds nothing else (one empty end is let pass)."""
    cells = _split(line, delimiter)
    if len(cells) > 1 and cells[-1] == "":
        cells = cells[:-1]
    number = _NUMBER[decimal]
    return len(cells) if cells and all(number.fullmatch(c) for c in cells) else 0


def _sample_lines(text):
    """Rows from the beginning, the middle and the end, without blank ones."""
    size = 60_000
    pieces = [text[:size]]
    if len(text) > 3 * size:
        middle = len(text) // 2
        pieces += [text[middle : middle + size // 3], text[-size // 3 :]]
    elif len(text) > size:
        pieces.append(text[size:])
    lines = []
    for k, piece in enumerate(pieces):
        rows = piece.split("\n")
        # a cut row at the join of two pieces is no evidence
        rows = rows[(1 if k else 0) : (-1 if len(pieces) > 1 and k < len(pieces) - 1 else None)]
        lines += [r for r in rows if r.strip() and not r.startswith(_COMMENT)][:400]
    return lines


def _dialect(text, name):
    """Return (delimiter, decimal, columns) that make most rows pure numbers."""
    lines = _sample_lines(text)
    if not lines:
        raise QuantityError(
            f"{name}: row 1, column 1: the file is empty; wanted is one row a sample, such as "
            "0.000001, 0.0125, -0.003, 0.21."
        )
    best, chosen = (0, 0, 0), None
    for delimiter, decimal in _DIALECTS:
        if (delimiter, decimal) == (",", ",") and '"' not in text[:60_000]:
            continue
        widths = Counter(w for w in (_numeric_width(r, delimiter, decimal) for r in lines) if w)
        if not widths:
            continue
        width, count = max(widths.items(), key=lambda item: (item[1], item[0]))
        # several columns are likelier than one, and a rule that fits more rows is likelier
        score = (count if width > 1 else 0, count, width)
        if score > best:
            best, chosen = score, (delimiter, decimal, width)
    if chosen is None:
        where = next(i for i, r in enumerate(text.split("\n"), 1) if r.strip())
        raise QuantityError(
            f"{name}: row {where}, column 1: no row holds only numbers; wanted is one row a "
            "sample with a comma, semicolon, tab or spaces between the numbers."
        )
    if chosen[2] > MAX_COLUMNS:
        raise QuantityError(
            f"{name} has {chosen[2]} columns; allowed is at most {MAX_COLUMNS}. "
            "Export time and up to four channels."
        )
    return chosen


def _find_start(text, delimiter, decimal, width, name):
    """Return (headings, offset of the first row of numbers, its row from 1)."""
    offset, headings = 0, []
    while offset < len(text):
        end = text.find("\n", offset)
        end = len(text) if end < 0 else end
        line = text[offset:end]
        if line.strip() and _numeric_width(line, delimiter, decimal) == width:
            return headings, offset
        headings.append(line)
        if len(headings) > MAX_HEADINGS:
            raise QuantityError(
                f"{name}: row {MAX_HEADINGS + 1}, column 1: no row of {width} numbers up to "
                f"here; allowed is at most {MAX_HEADINGS} rows of headings."
            )
        offset = end + 1
    raise QuantityError(f"{name}: row 1, column 1: no row of {width} numbers was found.")


def _unit(text):
    """(factor, base unit) of `mV`, `us`, `volts` ..., or None."""
    text = tidied(text.strip())
    if not text:
        return None
    if text in _LONG_UNITS:
        return _LONG_UNITS[text]
    if text.lower() in _LONG_UNITS and len(text) > 2:
        return _LONG_UNITS[text.lower()]
    for wanted in ("V", "s"):
        found = split_suffix(text, wanted)
        if found and found[1] is not None:
            return found
    return None


_NAME_UNIT = re.compile(r"(.*?)\s*(?:\(([^()]*)\)|\[([^\[\]]*)\]|/\s*([^/\s]+)|\bin\s+(\S+))\s*")
_NAME_TAIL = re.compile(r"(.+?)[ _]((?:[pnum\u00b5]?(?:s|V))|sec|volts?)")


def _name_and_unit(cell):
    match = _NAME_UNIT.fullmatch(cell)
    if match:
        unit = _unit(next((g for g in match.groups()[1:] if g is not None), ""))
        if unit:
            return match[1].strip(), unit
    match = _NAME_TAIL.fullmatch(cell)
    if match:
        return match[1].strip(), _unit(match[2])
    return cell, None


def _heading_cells(line, delimiter, width):
    """Cells of a heading row if there is one for each column, else None."""
    for mark in _COMMENT:
        line = line.removeprefix(mark)
    if delimiter == " ":
        # a name may carry its unit behind a space: keep `time (s)` together
        for pattern in (r"[^\s(\[]+\s*[(\[][^)\]]*[)\]]|\S+", r"\S+(?: \S+)*"):
            cells = re.findall(pattern, line.strip())
            if len(cells) == width:
                return cells
        return None
    cells = _split(line, delimiter)
    while len(cells) > width and cells[-1] == "":
        cells.pop()
    return cells if len(cells) == width else None


def _read_headings(headings, delimiter, decimal, width):
    """Return names and (factor, base) or None of each column, and the row of names."""
    number = _NUMBER[decimal]
    names, units, names_row = None, [None] * width, None
    for row in range(len(headings) - 1, -1, -1):
        cells = _heading_cells(headings[row], delimiter, width)
        if cells is None or not any(cells) or number.fullmatch(cells[0]):
            continue
        bare = [c.strip("()[] ") for c in cells]
        found = [_unit(c) for c in bare]
        is_units = all(f or not c or c in ("-", "1") for f, c in zip(found, bare)) and any(found)
        # `t, V` could be either; names such as `t` are not units, `s` and `V` are
        if is_units and not any(units):
            units = found
            continue
        if sum(bool(number.fullmatch(c)) for c in cells) == 0 or names is None:
            names, names_row = cells, row
        break
    if names is None:
        return ("",) * width, units, None
    split = [_name_and_unit(c) for c in names]
    units = [own or below for (_, own), below in zip(split, units)]
    return tuple(n for n, _ in split), units, names_row


def _interval_of(headings, delimiter):
    """Sample interval in s that a heading states, or NaN."""
    for line in headings:
        cells = [
            c
            for part in (_split(line, delimiter) if delimiter != " " else [line])
            for c in (
                re.split(r"[:=]", part)
                if not part.startswith("#")
                else re.split(r"[:=]", part.lstrip("# "))
            )
            if c.strip()
        ]
        for k, key in enumerate(cells):
            key = key.strip()
            is_rate = bool(_RATE.search(key))
            if not (is_rate or _INTERVAL.search(key)) or re.match(r"(?:vertical|y)\b", key, re.I):
                continue
            value = _stated(key, cells[k + 1 : k + 3], "Hz" if is_rate else "s")
            if value and math.isfinite(value) and value > 0:
                return 1.0 / value if is_rate else value
    return float("nan")


def _stated(key, cells, base):
    """Value of `interval (us) | 0.5`, `interval | 0.5 | us` or `interval | 0.5us`."""
    text = tidied(cells[0].strip()) if cells else ""
    if not cells:
        match = re.search(r"[\s(]([-+\d.,eE]+\s*\S*)$", key)
        text = tidied(match[1]) if match else ""
    match = _NUMBER["."].match(text)
    if not match:
        return None
    rest = text[match.end() :].strip()
    value = float(match[0])
    inside = re.search(r"[(\[]([^)\]]*)[)\]]", key)
    for unit in (rest, cells[1].strip() if len(cells) > 1 else "", inside[1] if inside else ""):
        factor = _factor(unit, base)
        if factor:
            return value * factor
    return value if not rest else None


def _factor(text, base):
    text = tidied(text)
    if not text:
        return None
    if base == "s":
        found = _unit(text)
        return found[0] if found and found[1] == "s" else None
    # rates are written Hz or samples a second
    match = re.fullmatch(r"([kMG]?)(?:Hz|S/s|Sa/s|samples/s)", text)
    return {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}[match[1]] if match else None


def _careful(body, first_row, delimiter, decimal, width, names, name):
    """Read row by row; raise the one sentence that names the first bad row and column."""
    rows, numbers = [], []
    for k, line in enumerate(body.split("\n")):
        if not line.strip() or line.lstrip().startswith(_COMMENT):
            continue
        where = first_row + k
        cells = _split(line, delimiter)
        if len(cells) == width + 1 and cells[-1] == "":
            cells.pop()
        values = []
        for c, cell in enumerate(cells[:width]):
            try:
                value = float(cell.replace(",", ".") if decimal == "," else cell)
                good = math.isfinite(value) and "_" not in cell
            except ValueError:
                good = False
            if not good:
                raise QuantityError(_bad_cell(name, where, c, names, cell, decimal))
            values.append(value)
        if len(cells) < width:
            raise QuantityError(
                f"{name}: row {where}, {_label(len(cells), names)} is missing; the row has "
                f"{len(cells)} value{'s' * (len(cells) != 1)}, wanted is {width} as in the rows "
                "around it."
            )
        if len(cells) > width:
            raise QuantityError(
                f"{name}: row {where}, column {width + 1} is one too many; the row has "
                f"{len(cells)} values, wanted is {width} as in the rows around it."
            )
        rows.append(values)
        numbers.append(where)
    return np.array(rows, dtype=float).reshape(-1, width), np.array(numbers)


def _bad_cell(name, row, column, names, cell, decimal):
    example = "0,0125" if decimal == "," else "0.0125"
    where = f"{name}: row {row}, {_label(column, names)}"
    if cell == "":
        return f"{where} is empty; wanted is a number such as {example}."
    shown = cell if len(cell) <= 24 else cell[:24] + "..."
    if cell.lower().lstrip("+-") in ("nan", "inf", "infinity") or re.fullmatch(
        r"[+-]?\d+(?:[.,]\d*)?[eE]\+?\d{3,}", cell
    ):
        return f"{where}: '{shown}' is not a finite number; wanted is a number such as {example}."
    return f"{where}: '{shown}' is not a number; wanted is a number such as {example}."


def _check_headings(headings, delimiter, decimal, width, names, names_row, name):
    """A damaged row on top of the numbers must not pass for a heading."""
    number = _NUMBER[decimal]
    bad = None
    for row in range(len(headings) - 1, -1, -1):
        if row == names_row:
            break
        cells = _split(headings[row], delimiter)
        if not headings[row].strip():
            continue
        if len(cells) < 2 or not number.fullmatch(cells[0]):
            break
        bad = (row, cells)
    if bad is None:
        return
    row, cells = bad
    for c, cell in enumerate(cells[:width]):
        if not number.fullmatch(cell):
            raise QuantityError(_bad_cell(name, row + 1, c, names, cell, decimal))
    missing = len(cells) < width
    at = _label(len(cells), names) if missing else f"column {width + 1}"
    raise QuantityError(
        f"{name}: row {row + 1}, {at} is {'missing' if missing else 'one too many'}; the row has "
        f"{len(cells)} values, wanted is {width} as in the rows below it."
    )


def read_table(data, name="capture"):
    """Read the rows of numbers of a capture.

    Parameters
    ----------
    data : str or bytes
        Delimited text (comma, semicolon, tab or spaces; decimal point or comma; UTF-8, UTF-16
        with a mark, or an 8-bit code page), any headings, one row a sample.
    name : str
        What to call it in messages, such as the name of the file.

    Returns
    -------
    CaptureTable
        With a guess of what each column is.

    Raises
    ------
    QuantityError
        One sentence that names row and column and what would be right, or the limit that was
        passed.
    """
    text = _decode(data, name)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    for odd, plain in (("\u2212", "-"), ("\u00a0", " "), ("\u202f", " ")):
        if odd in text:
            text = text.replace(odd, plain)
    if text.count("\n") > MAX_ROWS + MAX_HEADINGS:
        raise QuantityError(
            f"{name} has {text.count(chr(10))} rows; allowed is at most {MAX_ROWS}. Export a "
            "shorter stretch, or every n-th sample."
        )
    delimiter, decimal, width = _dialect(text, name)
    headings, offset = _find_start(text, delimiter, decimal, width, name)
    names, units, names_row = _read_headings(headings, delimiter, decimal, width)
    _check_decimal_sign(headings, text[offset : offset + 4000], delimiter, width, name)
    _check_headings(headings, delimiter, decimal, width, names, names_row, name)
    body, first_row = text[offset:], len(headings) + 1
    values, row_numbers = _numbers(body, first_row, delimiter, decimal, width, names, name)
    if len(values) > MAX_ROWS:
        raise QuantityError(f"{name} has {len(values)} rows; allowed is at most {MAX_ROWS}.")
    if len(values) < MIN_ROWS:
        last = first_row + len(values) - 1 if row_numbers is None else int(row_numbers[-1])
        raise QuantityError(
            f"{name}: row {last}, column 1: the numbers end after {len(values)} rows; "
            f"wanted is at least {MIN_ROWS}."
        )
    factors = np.array([u[0] if u else 1.0 for u in units])
    if np.any(factors != 1.0):
        values = values * factors
    table = CaptureTable(
        data=values,
        names=names,
        units=tuple(u[1] if u else "" for u in units),
        roles={},
        sample_interval=_interval_of(headings, delimiter),
        headings=tuple(headings),
        first_row=first_row,
        delimiter=delimiter,
        decimal=decimal,
        row_numbers=row_numbers,
        name=name,
    )
    roles, notes = _guess_roles(table)
    return replace(table, roles=roles, notes=notes)


def _check_decimal_sign(headings, body, delimiter, width, name):
    """Commas between the numbers and inside them give about twice as many cells as headings."""
    if delimiter != ",":
        return
    number = _NUMBER["."]
    for row in range(len(headings) - 1, -1, -1):
        cells = _split(headings[row], ",")
        if number.fullmatch(cells[0]):
            continue
        # a whole number in a row has no comma, so the row above may be short
        short_row = row + 1 < len(headings)
        above = len(cells) if short_row else width / 2
        if not (len(cells) >= 2 and width / 2 <= len(cells) == above < width):
            return
        rows = [r for r in body.split("\n")[:-1] if r.strip()]
        if any(number.fullmatch(c) for c in cells) or any("." in r for r in rows):
            return
        raise QuantityError(
            f"{name}: row {row + 2}, column {len(cells) + 1}: {width} values stand under "
            f"{len(cells)} headings, so the comma seems to be decimal sign and delimiter at "
            "once; wanted is a semicolon or a tab between the numbers."
        )


def _numbers(body, first_row, delimiter, decimal, width, names, name):
    plain = body
    if delimiter != " " and (f"{delimiter}\n" in body[:4000] or body.endswith(delimiter)):
        plain = body.replace(f"{delimiter}\n", "\n")
        plain = plain.removesuffix(delimiter)
    if decimal == "," and delimiter != ",":
        plain = plain.replace(",", ".")
    try:
        if '"' in plain[:4000]:
            raise ValueError
        values = np.loadtxt(
            io.StringIO(plain),
            delimiter=None if delimiter == " " else delimiter,
            comments=None,
            ndmin=2,
        )
        good = values.shape[1] == width and bool(np.isfinite(values).all())
    except ValueError:
        good = False
    if not good:
        values, row_numbers = _careful(body, first_row, delimiter, decimal, width, names, name)
        return values, row_numbers
    rows = body.count("\n") + (not body.endswith("\n"))
    if rows == len(values) or not body.rstrip("\n").count("\n") + 1 > len(values):
        return values, None
    numbers = [first_row + k for k, line in enumerate(body.split("\n")) if line.strip()]
    return values, np.array(numbers)


def _role_of(name):
    tidy = re.sub(r"[^a-z0-9#]+", " ", name.lower()).strip()
    joined = tidy.replace(" ", "")
    for role, words in _WORDS.items():
        if joined in words or tidy in words:
            return role
    for role, words in _WORDS.items():
        if any(w in tidy.split() for w in words if len(w) > 2):
            return role
    return None


def _guess_roles(table):
    """Return (roles, notes): by name first, then by place."""
    width = table.data.shape[1]
    roles, notes = {}, []
    for k, name in enumerate(table.names):
        role = _role_of(name)
        if role in ("time", "index") or (role and table.units[k] in ("V", "")):
            roles.setdefault(role, k)
    if "time" not in roles and "index" not in roles:
        by_unit = [k for k in range(width) if table.units[k] == "s"]
        rising = (
            width > 1
            and bool(np.all(np.diff(table.data[:, 0]) >= 0))
            and bool(table.data[-1, 0] > table.data[0, 0])
        )
        if by_unit:
            roles["time"] = by_unit[0]
        elif rising and 0 not in roles.values():
            roles["time"] = 0
            notes.append(
                "No heading says which column is the time: column 1 rises from row to "
                "row and was taken."
            )
    if not any(r.startswith("v_") for r in roles):
        free = [k for k in range(width) if k not in roles.values()]
        order = {1: ("v_out",), 2: ("v_upper", "v_lower"), 3: ("v_upper", "v_lower", "v_out")}
        names = order.get(len(free), ("v_upper", "v_lower", "v_left", "v_right"))
        if len(free) == 2:
            names = ("v_left", "v_right")
        roles.update(zip(names, free))
        notes.append(
            "No heading names a signal: the columns were taken in the order "
            + ", ".join(n for n, _ in zip(names, free))
            + ". Check this."
        )
    return roles, tuple(notes)


def _position(table, role, wanted):
    width = table.data.shape[1]
    if isinstance(wanted, str):
        matches = [k for k, n in enumerate(table.names) if n == wanted]
        if len(matches) != 1:
            raise QuantityError(
                f"{table.name}: {role} is column '{wanted}', which "
                f"{'is not there' if not matches else 'is there more than once'}; allowed is "
                f"one of {', '.join(n or str(k + 1) for k, n in enumerate(table.names))}."
            )
        return matches[0]
    if isinstance(wanted, bool) or int(wanted) != wanted or not 0 <= wanted < width:
        raise QuantityError(
            f"{table.name}: {role} is column position {wanted!r}; allowed is 0 to {width - 1}."
        )
    return int(wanted)


def map_columns(table, roles=None, factors=None, sample_interval=None):
    """Give the columns their meaning and check the time axis.

    Parameters
    ----------
    table : CaptureTable
    roles : dict, optional
        Key of `ROLES` -> column position from 0, or its name. It replaces the guess as a whole;
        None as a value leaves a role out.
    factors : dict, optional
        Role -> factor that the column is multiplied by, such as 10 for a probe that divides by
        ten, or -1.
    sample_interval : float, optional
        s between rows; it replaces a time column.

    Returns
    -------
    Capture

    Raises
    ------
    QuantityError
        For a column that is not there, used twice or of another unit, a time that does not
        rise (with its row), or no output at all.
    """
    chosen = {r: _position(table, r, c) for r, c in (roles or table.roles).items() if c is not None}
    for role in chosen:
        if role not in ROLES and role != "index":
            raise QuantityError(f"{table.name}: role {role!r}; allowed is {', '.join(ROLES)}.")
    used = Counter(chosen.values())
    twice = next((c for c, n in used.items() if n > 1), None)
    if twice is not None:
        both = " and ".join(r for r, c in chosen.items() if c == twice)
        raise QuantityError(
            f"{table.name}: {table.column_label(twice)} is used for {both}; "
            "each needs a column of its own."
        )
    notes = list(table.notes)
    channels = {}
    for role, column in chosen.items():
        if role in ("time", "index"):
            continue
        unit = table.units[column]
        if unit not in ("V", ""):
            raise QuantityError(
                f"{table.name}: {table.column_label(column)} is in {unit}; "
                f"{role} needs a voltage in V."
            )
        factor = float((factors or {}).get(role, 1.0))
        if not (math.isfinite(factor) and factor != 0.0):
            raise QuantityError(
                f"{table.name}: the factor of {role} is {factor:g}; allowed is "
                "any finite number but 0."
            )
        channels[role] = table.data[:, column] * factor
    v_out, single = _output(channels, notes, table.name)
    bare = [
        r
        for r in ROLES
        if r in chosen
        and not table.units[chosen[r]]
        and not (r == "time" and sample_interval is not None)
    ]
    time, interval, uniform = _time_axis(table, chosen, sample_interval, notes)
    if bare:
        notes.append(f"No unit is given for {', '.join(bare)}: s and V were taken.")
    return Capture(
        time=time,
        v_out=v_out,
        v_upper=channels.get("v_upper"),
        v_lower=channels.get("v_lower"),
        v_left=channels.get("v_left"),
        v_right=channels.get("v_right"),
        sample_interval=interval,
        uniform=uniform,
        single_ended=single,
        name=table.name,
        notes=tuple(notes),
    )


def _output(channels, notes, name):
    left, right = channels.get("v_left"), channels.get("v_right")
    if left is not None and right is not None:
        if "v_out" in channels:
            notes.append(
                "Both collectors and the output were given: the output is the right "
                "collector less the left one."
            )
        return right - left, False
    if "v_out" in channels:
        return channels["v_out"], False
    if left is None and right is None:
        raise QuantityError(
            f"{name}: no column is the output; wanted is v_out, or v_left and "
            "v_right, or one of these two."
        )
    notes.append(
        "Only one collector was given: the output was taken as twice its movement, "
        "and its offset is not known."
    )
    one = right if right is not None else -left
    return 2.0 * (one - one.mean()), True


def _time_axis(table, chosen, sample_interval, notes):
    n = len(table.data)
    interval = table.sample_interval if sample_interval is None else float(sample_interval)
    if sample_interval is not None and not (math.isfinite(interval) and interval > 0):
        raise QuantityError(
            f"{table.name}: sample_interval is {interval:g} s; allowed is above 0 s."
        )
    column = chosen.get("time", chosen.get("index"))
    if column is not None and sample_interval is None:
        unit = table.units[column]
        if unit not in ("s", ""):
            raise QuantityError(
                f"{table.name}: {table.column_label(column)} is in {unit}; time needs s."
            )
        counts = "time" not in chosen or (
            unit == "" and math.isfinite(interval) and _is_count(table.data[:, column])
        )
        if not counts:
            return _checked_time(table, column, notes)
    if not math.isfinite(interval):
        where = "" if column is None else f" ({table.column_label(column)} only counts)"
        raise QuantityError(
            f"{table.name}: no time column and no sample interval{where}; "
            "wanted is a time in s, or the interval between rows."
        )
    start = 0.0
    if column is not None:
        position = table.data[:, column]
        _rising(table, column, position)
        start = position[0]
        if _is_count(position):
            position = None
        else:
            return position * interval, interval * float(np.median(np.diff(position))), False
    notes.append(f"Time was counted in steps of {format_quantity(interval, 's', 4)}.")
    return (start + np.arange(n)) * interval, interval, True


def _is_count(values):
    return bool(np.all(np.diff(values) == 1.0))


def _rising(table, column, time):
    step = np.diff(time)
    if np.all(step > 0):
        return
    k = int(np.argmax(step <= 0)) + 1
    said = "repeats" if step[k - 1] == 0 else "is before"
    raise QuantityError(
        f"{table.name}: row {table.file_row(k)}, {table.column_label(column)}: {time[k]:.10g} "
        f"{said} {time[k - 1]:.10g} of the row above; time must rise from row to row."
    )


def _checked_time(table, column, notes):
    time = table.data[:, column]
    step = np.diff(time)
    if np.sum(step == 0) >= 3 and np.all(step >= 0) and time[-1] > time[0]:
        # too few digits: repeats are spread evenly, so each stamp is within its last digit
        place = np.arange(len(time), dtype=float)
        slope, start = np.polyfit(place, time, 1)
        line = start + slope * place
        if np.max(np.abs(time - line)) <= 0.75 * np.min(step[step > 0]):
            notes.append(
                "The time column is written with too few digits, so some rows repeat; "
                f"equal steps of {format_quantity(slope, 's', 4)} were used."
            )
            return line, float(slope), True
    _rising(table, column, time)
    interval = float((time[-1] - time[0]) / (len(time) - 1))
    uniform = bool(np.max(np.abs(step - interval)) <= 0.02 * interval)
    if not uniform:
        notes.append(
            "The steps of time are not equal: they run from "
            f"{format_quantity(step.min(), 's')} to {format_quantity(step.max(), 's')}."
        )
    return time, interval, uniform


def read_capture(data, name="capture", roles=None, factors=None, sample_interval=None):
    """Read a file and map its columns in one go; see `read_table` and `map_columns`.

    Returns
    -------
    Capture

    Raises
    ------
    QuantityError
    """
    return map_columns(read_table(data, name), roles, factors, sample_interval)
