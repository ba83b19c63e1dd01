"""How the rows of a capture are written: text of any coding, delimiter, decimal sign, columns.

No file format of any maker is assumed: what most rows have in common is found by looking. Rows and
columns are counted from 1 in messages, as an editor or a spreadsheet shows them.
"""

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from forktail.core.checks import QuantityError

#: Largest file, bytes.
MAX_BYTES = 128 * 2**20
#: Most columns of numbers.
MAX_COLUMNS = 16
#: Most rows of headings before the first row of numbers.
MAX_HEADINGS = 500

#: What a row begins with that is no row of numbers.
COMMENT = ("#", "%", "//")
#: Decimal sign -> pattern of a number.
NUMBER = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?"),
}
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
#: Characters that the layout is told from, at the beginning; a third of it amid and at the end.
PIECE = 60_000


@dataclass(frozen=True)
class Layout:
    """How rows are written: delimiter, decimal sign, and which cells hold the numbers.

    `columns` are positions of cells from 0; the others are empty in most rows.
    """

    delimiter: str
    decimal: str
    columns: tuple[int, ...]

    @property
    def whole(self) -> bool:
        """Whether the numbers fill the row from its first cell on."""
        return self.columns == tuple(range(len(self.columns)))

    def is_number(self, cell: str) -> bool:
        """Whether a cell is written as a number."""
        return bool(NUMBER[self.decimal].fullmatch(cell))

    def cells(self, line: str) -> list[str]:
        """Cells of one row, stripped."""
        return split_row(line, self.delimiter)

    def has_numbers(self, cells: Sequence[str]) -> bool:
        """Whether every column of numbers holds one in this row."""
        return len(cells) > self.columns[-1] and all(self.is_number(cells[c]) for c in self.columns)

    def beside(self, cells: Sequence[str]) -> dict[int, str]:
        """Cells of a row outside of the columns of numbers, position -> text, not empty."""
        return {c: cell for c, cell in enumerate(cells) if cell and c not in self.columns}


def decode(data: str | bytes, name: str) -> str:
    """Text of a file with plain line ends, signs and spaces.

    Parameters
    ----------
    data : str or bytes
        UTF-8, UTF-16 with a mark, or an 8-bit code page.
    name : str

    Raises
    ------
    QuantityError
        For a file that is too big, or no text.
    """
    if not isinstance(data, str):
        data = bytes(data)
    if len(data) > MAX_BYTES:
        raise QuantityError(
            f"{name} is {len(data) / 2**20:.0f} MiB; the limit is {MAX_BYTES // 2**20} MiB. "
            "Export fewer rows, or fewer channels."
        )
    text = (data if isinstance(data, str) else _text(data, name)).removeprefix("\ufeff")
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    for odd, plain in (("\u2212", "-"), ("\u00a0", " "), ("\u202f", " ")):
        if odd in text:
            text = text.replace(odd, plain)
    return text


def _text(data: bytes, name: str) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    if data[:2] == b"PK" or b"\0" in data[:4096]:
        raise QuantityError(
            f"{name}: row 1, column 1: this is not text (a workbook, an archive or a picture?); "
            "give text with one row a sample, such as a CSV export."
        )
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def split_row(line: str, delimiter: str) -> list[str]:
    """Cells of one row, stripped."""
    if delimiter == " ":
        return line.replace('"', " ").split()
    if '"' in line:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    else:
        cells = line.split(delimiter)
    return [c.strip() for c in cells]


def is_comment(line: str) -> bool:
    """Whether a row is blank or a comment."""
    bare = line.strip()
    return not bare or bare.startswith(COMMENT)


def find_layout(text: str, name: str) -> Layout:
    """The layout that makes most rows numbers and nothing else.

    Parameters
    ----------
    text : str
    name : str

    Returns
    -------
    Layout

    Raises
    ------
    QuantityError
        For an empty file, one without a row of numbers, or too many columns.
    """
    lines = _sample_lines(text)
    if not lines:
        raise QuantityError(
            f"{name}: row 1, column 1: the file is empty; give one row a sample, such as "
            "0.000001, 0.0125, -0.003, 0.21."
        )
    quoted = '"' in text[:PIECE]
    best, chosen = (0, 0, 0), None
    for delimiter, decimal in _DIALECTS:
        if (delimiter, decimal) == (",", ",") and not quoted:
            continue
        found = Counter(_pattern(r, delimiter, NUMBER[decimal]) for r in lines)
        found.pop((), None)
        if not found:
            continue
        columns, count = max(found.items(), key=lambda item: (item[1], len(item[0]), item[0]))
        # several columns are likelier than one, and a rule that fits more rows is likelier
        score = (count if len(columns) > 1 else 0, count, len(columns))
        if score > best:
            best, chosen = score, Layout(delimiter, decimal, columns)
    if chosen is None:
        where = next(i for i, r in enumerate(text.split("\n"), 1) if r.strip())
        raise QuantityError(
            f"{name}: row {where}, column 1: no row holds only numbers; give one row a "
            "sample with a comma, semicolon, tab or spaces between the numbers."
        )
    if len(chosen.columns) > MAX_COLUMNS:
        raise QuantityError(
            f"{name} has {len(chosen.columns)} columns; the limit is {MAX_COLUMNS}. "
            "Export time and up to four channels."
        )
    return chosen


def _pattern(line: str, delimiter: str, number: re.Pattern[str]) -> tuple[int, ...]:
    """Positions of the numbers in a row whose other cells are empty; () for another row."""
    columns = []
    for c, cell in enumerate(split_row(line, delimiter)):
        if number.fullmatch(cell):
            columns.append(c)
        elif cell:
            return ()
    return tuple(columns)


def _sample_lines(text: str) -> list[str]:
    """Rows from the beginning, the middle and the end, without blank ones.

    A row that is cut where a piece begins or ends is one of hundreds.
    """
    pieces = [text[:PIECE]]
    if len(text) > PIECE:
        middle = len(text) // 2
        pieces += [text[middle : middle + PIECE // 3], text[-PIECE // 3 :]]
    return [
        row for piece in pieces for row in [r for r in piece.split("\n") if not is_comment(r)][:400]
    ]


def find_start(text: str, layout: Layout, name: str) -> tuple[list[str], int]:
    """Where the numbers begin.

    Parameters
    ----------
    text : str
    layout : Layout
    name : str

    Returns
    -------
    headings : list of str
        Rows above.
    offset : int
        Of the first row of numbers, in characters.

    Raises
    ------
    QuantityError
    """
    offset = 0
    headings: list[str] = []
    while offset < len(text):
        end = text.find("\n", offset)
        end = len(text) if end < 0 else end
        line = text[offset:end]
        cells = layout.cells(line)
        if not is_comment(line) and layout.has_numbers(cells):
            spare = layout.beside(cells)
            below = layout.cells(text[end + 1 : end + 1000].split("\n")[0])
            numbered = numbers_columns(cells) and not all(c.isdecimal() for c in below)
            if not numbered and spare.keys() <= places_beside(layout, headings):
                return headings, offset
        headings.append(line)
        if len(headings) > MAX_HEADINGS:
            raise QuantityError(
                f"{name}: row {MAX_HEADINGS + 1}, column 1: no row of {_numbers(layout)} up to "
                f"here; the limit is {MAX_HEADINGS} rows of headings."
            )
        offset = end + 1
    raise QuantityError(f"{name}: row 1, column 1: no row of {_numbers(layout)} was found.")


def numbers_columns(cells: Sequence[str]) -> bool:
    """Whether a row is `1, 2, 3`, which numbers the columns where others below are no counts."""
    return len(cells) > 1 and cells == [str(k + 1) for k in range(len(cells))]


def _numbers(layout: Layout) -> str:
    n = len(layout.columns)
    return f"{n} number{'s' * (n != 1)}"


def places_beside(layout: Layout, headings: Sequence[str]) -> set[int]:
    """Positions that may hold text beside the numbers: left of their last column, or named above.

    What stands further right and has no name is a row with too many values.
    """
    places = set(range(layout.columns[-1])) - set(layout.columns)
    for line in headings:
        cells = layout.cells(line)
        if len(cells) > layout.columns[-1] and not any(layout.is_number(c) for c in cells):
            places |= set(layout.beside(cells))
    return places
