"""The rows of numbers of a capture, in SI units, before its columns are given their meaning."""

import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forktail.core.capture.headings import guess_roles, names_and_units, time_base
from forktail.core.capture.sniff import (
    MAX_HEADINGS,
    Layout,
    decode,
    find_layout,
    find_start,
    is_comment,
    numbers_columns,
    places_beside,
    split_row,
)
from forktail.core.checks import Floats, Ints, QuantityError

#: Most rows of numbers.
MAX_ROWS = 2**20
#: Fewest rows of numbers.
MIN_ROWS = 16
#: How a recorder writes a sample that it does not have.
MISSING = ("", "-", "--", "---", "nan", "null", "n/a")


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
        Sensible guess: key of `headings.ROLES` -> column position from 0. `index` may appear too.
    sample_interval, start : float
        s, from the headings, or NaN.
    headings : tuple of str
        Rows above the numbers, as they stand.
    first_row : int
        Row in the file of the first numbers, from 1.
    numbers : tuple of int
        Number in the file of each column, from 1.
    delimiter, decimal : str
    row_numbers : numpy.ndarray or None
        Rows in the file, where other rows make them other than first_row + position.
    sample_numbers : numpy.ndarray or None
        Number of each row among all samples from 0, where some are missing.
    notes, guesses : tuple of str
        What was left out, and what was guessed of `roles`, in sentences.
    """

    data: Floats
    names: tuple[str, ...]
    units: tuple[str, ...]
    roles: dict[str, int]
    sample_interval: float
    headings: tuple[str, ...]
    first_row: int
    delimiter: str
    decimal: str
    numbers: tuple[int, ...] = ()
    row_numbers: Ints | None = None
    sample_numbers: Ints | None = None
    start: float = math.nan
    name: str = "capture"
    notes: tuple[str, ...] = ()
    guesses: tuple[str, ...] = ()

    def file_row(self, position: int) -> int:
        """Row in the file (from 1) of the numbers at `position` (from 0)."""
        if self.row_numbers is None:
            return self.first_row + int(position)
        return int(self.row_numbers[position])

    def number(self, position: int) -> int:
        """Number in the file (from 1) of the column at `position` (from 0)."""
        return self.numbers[position] if self.numbers else position + 1

    def position(self, number: int, where: str) -> int:
        """Position (from 0) of a column by its number in the file (from 1).

        Raises
        ------
        QuantityError
            If there is no such column of numbers.
        """
        numbers = [self.number(k) for k in range(self.data.shape[1])]
        if number not in numbers:
            has = f"1 to {len(numbers)}" if numbers[-1] == len(numbers) else _listed(numbers)
            raise QuantityError(
                f"{where}: there is no column {number} of numbers; the file has columns {has}."
            )
        return numbers.index(number)

    def column_label(self, position: int) -> str:
        """`column 2 (upper)`, counted from 1 as in the file."""
        return _label(self.number(position), self.names[position])


def _listed(numbers: Sequence[int]) -> str:
    return ", ".join(map(str, numbers))


def _label(number: int, name: str) -> str:
    return f"column {number}" + (f" ({name})" if name else "")


def read_table(data: str | bytes, name: str = "capture") -> CaptureTable:
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
    text = decode(data, name)
    lines = text.count("\n")
    if lines > MAX_ROWS + MAX_HEADINGS:
        raise QuantityError(
            f"{name} has {lines} rows; the limit is {MAX_ROWS}. Export a "
            "shorter stretch, or every n-th sample."
        )
    layout = find_layout(text, name)
    headings, offset = find_start(text, layout, name)
    body = text[offset:]
    names, found, row_of_names = names_and_units(headings, layout)
    _check_decimal_sign(headings, body[:4000], layout, name)
    _check_headings(headings, layout, names, row_of_names, name)
    reader = _Rows(layout, names, len(headings) + 1, places_beside(layout, headings), name)
    reader.read(body)
    values = reader.values
    if len(values) > MAX_ROWS:
        raise QuantityError(f"{name} has {len(values)} rows; the limit is {MAX_ROWS}.")
    if len(values) < MIN_ROWS:
        raise QuantityError(
            f"{name}: row {reader.last_row}, column 1: the numbers end after {len(values)} rows; "
            f"at least {MIN_ROWS} are needed."
        )
    factors = np.array([u[0] if u else 1.0 for u in found])
    said = [layout.cells(line) for line in headings] + reader.beside
    interval, start = time_base(said, layout)
    units = tuple(u[1] if u else "" for u in found)
    numbers = tuple(c + 1 for c in layout.columns)
    roles, guesses = guess_roles(values, names, units, numbers)
    return CaptureTable(
        data=values * factors if np.any(factors != 1.0) else values,
        names=names,
        units=units,
        roles=roles,
        sample_interval=interval,
        start=start,
        headings=tuple(headings),
        first_row=reader.first_row,
        delimiter=layout.delimiter,
        decimal=layout.decimal,
        numbers=numbers,
        row_numbers=reader.row_numbers,
        sample_numbers=reader.sample_numbers,
        name=name,
        notes=reader.notes,
        guesses=guesses,
    )


class _Rows:
    """Reads the rows from the first one of numbers on, at once where they are plain.

    Leaves `values` (rows, columns), `row_numbers` and `sample_numbers` (None where rows follow
    each other), `beside` (what is written beside the numbers in the first rows) and `notes`.
    """

    def __init__(
        self, layout: Layout, names: Sequence[str], first_row: int, places: set[int], name: str
    ) -> None:
        self.layout, self.names, self.first_row = layout, names, first_row
        self.places, self.name = places, name
        self.row_numbers: Ints | None = None
        self.sample_numbers: Ints | None = None
        self.values: Floats
        self.beside: list[list[str]] = []
        self.notes: tuple[str, ...] = ()

    @property
    def last_row(self) -> int:
        """Row in the file of the last numbers."""
        if self.row_numbers is None:
            return self.first_row + len(self.values) - 1
        return int(self.row_numbers[-1])

    def read(self, body: str) -> None:
        """Read all rows; raises the one sentence that names the first bad row and column."""
        if not (self.layout.whole and self._at_once(body)):
            self._one_by_one(body)

    def _at_once(self, body: str) -> bool:
        layout, width = self.layout, len(self.layout.columns)
        plain = body if body.endswith("\n") else body + "\n"
        if '"' in plain:
            if layout.delimiter == layout.decimal:
                return False
            plain = plain.replace('"', "")
        if layout.delimiter != " ":
            first = plain[: plain.index("\n")]
            spare = len(first) - len(first.rstrip(layout.delimiter))
            if spare:
                plain = plain.replace(layout.delimiter * spare + "\n", "\n")
        if layout.decimal == "," and layout.delimiter != ",":
            plain = plain.replace(",", ".")
        delimiter = None if layout.delimiter == " " else layout.delimiter
        try:
            values = np.loadtxt(io.StringIO(plain), delimiter=delimiter, comments=None, ndmin=2)
        except ValueError:
            return False
        if values.shape[1] != width or not np.isfinite(values).all():
            return False
        self.values = values
        if plain.count("\n") != len(values):  # blank rows between them
            rows = [k for k, line in enumerate(plain.split("\n")) if line.strip()]
            self.row_numbers = self.first_row + np.array(rows)
        return True

    def _one_by_one(self, body: str) -> None:
        layout, columns = self.layout, self.layout.columns
        comma = layout.decimal == ","
        rows, numbers, samples, gaps, count = [], [], [], [], 0
        for k, line in enumerate(body.split("\n")):
            if is_comment(line):
                continue
            cells = split_row(line, layout.delimiter)
            if not any(cells):  # what a spreadsheet leaves below the numbers
                continue
            where = self.first_row + k
            values = [_value(cells[c], comma) for c in columns if c < len(cells)]
            if None in values:
                at = values.index(None)
                cell = cells[columns[at]]
                if cell.lower() not in MISSING:
                    raise QuantityError(_bad_cell(self._where(where, at), cell, layout.decimal))
                gaps.append((where, at))
            if len(values) < len(columns):
                raise self._missing(where, cells)
            spare = layout.beside(cells) if len(cells) > len(columns) else {}
            if not spare.keys() <= self.places:
                raise self._too_many(where, cells)
            if spare and len(self.beside) < MAX_HEADINGS:
                self.beside.append([spare.get(c, "") for c in range(len(cells))])
            if None not in values:
                rows.append(values)
                numbers.append(where)
                samples.append(count)
            count += 1
        self._leave_out(gaps, len(rows))
        self.values = np.array(rows, dtype=float).reshape(-1, len(columns))
        self.row_numbers = np.array(numbers)
        self.sample_numbers = np.array(samples) if gaps else None

    def _leave_out(self, gaps: Sequence[tuple[int, int]], left: int) -> None:
        """Samples that are not in the file: a few are said, too many are refused."""
        if not gaps:
            return
        where = self._where(*gaps[0])
        if len(gaps) > 0.1 * left:
            raise QuantityError(
                f"{where} is empty, and so are cells in {len(gaps)} of {left + len(gaps)} rows; "
                f"give a number such as {_example(self.layout.decimal)} in every row."
            )
        where = where.removeprefix(f"{self.name}: ")
        self.notes = (
            f"A sample is missing in {where}; this row was left out."
            if len(gaps) == 1
            else f"Samples are missing in {len(gaps)} rows, the first in {where}; these rows were "
            "left out.",
        )

    def _where(self, row: int, at: int) -> str:
        label = _label(self.layout.columns[at] + 1, self.names[at])
        return f"{self.name}: row {row}, {label}"

    def _missing(self, row: int, cells: Sequence[str]) -> QuantityError:
        at = next(k for k, c in enumerate(self.layout.columns) if c >= len(cells))
        return QuantityError(
            f"{self._where(row, at)} is missing; the row has "
            f"{len(cells)} value{'s' * (len(cells) != 1)}, not "
            f"{self.layout.columns[-1] + 1} as in the rows around it."
        )

    def _too_many(self, row: int, cells: Sequence[str]) -> QuantityError:
        wanted = self.layout.columns[-1] + 1
        return QuantityError(
            f"{self.name}: row {row}, column {wanted + 1} is one too many; the row has "
            f"{len(cells)} values, not {wanted} as in the rows around it."
        )


def _value(cell: str, comma: bool) -> float | None:
    """Finite number in a cell, or None."""
    try:
        value = float(cell.replace(",", ".") if comma else cell)
    except ValueError:
        return None
    return value if math.isfinite(value) and "_" not in cell else None


def _example(decimal: str) -> str:
    return "0,0125" if decimal == "," else "0.0125"


def _bad_cell(where: str, cell: str, decimal: str) -> str:
    example = _example(decimal)
    if cell == "":
        return f"{where} is empty; give a number such as {example}."
    shown = cell if len(cell) <= 24 else cell[:24] + "..."
    if cell.lower().lstrip("+-") in ("nan", "inf", "infinity") or re.fullmatch(
        r"[+-]?\d+(?:[.,]\d*)?[eE]\+?\d{3,}", cell
    ):
        return f"{where}: '{shown}' is not a finite number; give a number such as {example}."
    return f"{where}: '{shown}' is not a number; give a number such as {example}."


def _check_headings(
    headings: Sequence[str],
    layout: Layout,
    names: Sequence[str],
    row_of_names: int | None,
    name: str,
) -> None:
    """A damaged row on top of the numbers must not pass for a heading."""
    width = layout.columns[-1] + 1
    bad = None
    for row in range(len(headings) - 1, -1, -1):
        if row == row_of_names:
            break
        cells = layout.cells(headings[row])
        if not any(cells) or numbers_columns(cells):
            continue
        if len(cells) < 2 or not layout.is_number(cells[0]):
            break
        bad = (row, cells)
    if bad is None:
        return
    row, cells = bad
    for c, column in zip(layout.columns, names):
        if c < len(cells) and not layout.is_number(cells[c]):
            where = f"{name}: row {row + 1}, {_label(c + 1, column)}"
            raise QuantityError(_bad_cell(where, cells[c], layout.decimal))
    missing = len(cells) < width
    at = f"column {width + 1}"
    if missing:
        at = next(_label(c + 1, n) for c, n in zip(layout.columns, names) if c >= len(cells))
    raise QuantityError(
        f"{name}: row {row + 1}, {at} is {'missing' if missing else 'one too many'}; the row has "
        f"{len(cells)} values, not {width} as in the rows below it."
    )


def _check_decimal_sign(headings: Sequence[str], body: str, layout: Layout, name: str) -> None:
    """Commas between the numbers and inside them give about twice as many cells as headings."""
    if layout.delimiter != ",":
        return
    width = len(layout.columns)
    for row in range(len(headings) - 1, -1, -1):
        cells = layout.cells(headings[row])
        if layout.is_number(cells[0]):
            continue
        # a whole number in a row has no comma, so the row above may be short
        short_row = row + 1 < len(headings)
        above = len(cells) if short_row else width / 2
        if not (len(cells) >= 2 and width / 2 <= len(cells) == above < width):
            return
        rows = [r for r in body.split("\n")[:-1] if r.strip()]
        if any(layout.is_number(c) for c in cells) or any("." in r for r in rows):
            return
        raise QuantityError(
            f"{name}: row {row + 2}, column {len(cells) + 1}: {width} values are under "
            f"{len(cells)} headings, so the comma seems to be both decimal sign and "
            "delimiter; put a semicolon or a tab between the numbers."
        )
