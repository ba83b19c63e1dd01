"""Read a scope capture from delimited text: headings, units, decimal comma, up to a million rows.

No file format of any maker is assumed: the rows of numbers are found by looking (`sniff`, `table`),
what the rows above them say is read (`headings`), columns are given their meaning (`columns`), and
what was taken for granted on the way is said in `notes`. Rows and columns are counted from 1, as an
editor or a spreadsheet shows them.
"""

from forktail.core.capture.columns import MOST_ROWS, Capture, map_columns, thinned
from forktail.core.capture.headings import ROLES
from forktail.core.capture.sniff import MAX_BYTES, MAX_COLUMNS, MAX_HEADINGS
from forktail.core.capture.table import MAX_ROWS, MIN_ROWS, CaptureTable, read_table

__all__ = [
    "MAX_BYTES",
    "MAX_COLUMNS",
    "MAX_HEADINGS",
    "MAX_ROWS",
    "MIN_ROWS",
    "MOST_ROWS",
    "ROLES",
    "Capture",
    "CaptureTable",
    "map_columns",
    "read_capture",
    "read_table",
    "thinned",
]


def read_capture(
    data: str | bytes,
    name: str = "capture",
    roles: dict[str, int | str | None] | None = None,
    factors: dict[str, float] | None = None,
    sample_interval: float | None = None,
) -> Capture:
    """Read a file and map its columns in one go; see `read_table` and `map_columns`.

    Returns
    -------
    Capture

    Raises
    ------
    QuantityError
    """
    return map_columns(read_table(data, name), roles, factors, sample_interval)
