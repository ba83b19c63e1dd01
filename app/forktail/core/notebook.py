"""What an answer shows of itself in an interpreter and in a notebook: one line, or a small table.

An answer may hold thousands of samples, so neither ever writes an array out: what many samples
have in common is said as a span from the least to the largest.
"""

from collections.abc import Iterable
from dataclasses import MISSING, fields
from html import escape
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.quantities import format_quantity, format_temperature


def span(values: ArrayLike, unit: str = "", digits: int = 3) -> str:
    """One value as `1.20 V`, many as `−1.20 V to 1.20 V`; samples without an answer do not count.

    Parameters
    ----------
    values : array_like
        SI, any shape.
    unit : str
        A key of `quantities.UNITS`; kelvin are shown as degrees Celsius.
    digits : int
        Significant digits.
    """
    array = np.asarray(values, dtype=float)
    known = array[~np.isnan(array)]
    if not known.size:
        return "no answer" if array.size else "nothing"

    def text(value: float) -> str:
        if unit == "K":
            return format_temperature(value)
        return format_quantity(value, unit, digits)

    least, largest = text(known.min()), text(known.max())
    return least if least == largest else f"{least} to {largest}"


def counted(count: int, thing: str) -> str:
    """`1 sample`, `4096 samples`."""
    return f"{count} {thing}" + ("" if count == 1 else "s")


def brief(answer: object, *facts: str) -> str:
    """`<OperatingPoint: textbook, 4096 points>`: the kind of an answer and what matters of it."""
    return f"<{type(answer).__name__}: {', '.join(filter(None, facts))}>"


def as_call(settings: Any) -> str:
    """The call that makes a dataclass again: `Drive(amplitude=0.02)`, defaults left out."""

    def differs(f: Any) -> bool:
        default = f.default if f.default_factory is MISSING else f.default_factory()
        return default is MISSING or getattr(settings, f.name) != default

    given = (
        f"{f.name}={getattr(settings, f.name)!r}" for f in fields(settings) if f.init and differs(f)
    )
    return f"{type(settings).__name__}({', '.join(given)})"


def table(
    title: str,
    rows: Iterable[tuple[str, ...]],
    head: tuple[str, ...] = (),
    notes: Iterable[str] = (),
) -> str:
    """An HTML table of texts, which are escaped.

    Parameters
    ----------
    title : str
        Its caption.
    rows : iterable of tuple of str
        The first cell of each is the heading of its row.
    head : tuple of str
        Headings of the columns.
    notes : iterable of str
        Sentences below it; empty ones are left out.

    Returns
    -------
    str
    """
    left = ' style="text-align:left"'

    def cells(row: tuple[str, ...], tag: str) -> str:
        return "".join(f"<{tag}{left}>{escape(text)}</{tag}>" for text in row)

    top = f"<thead><tr>{cells(head, 'th')}</tr></thead>" if head else ""
    body = "".join(f"<tr>{cells(row[:1], 'th')}{cells(row[1:], 'td')}</tr>" for row in rows)
    below = "".join(f"<p>{escape(note)}</p>" for note in notes if note)
    return f"<table><caption>{escape(title)}</caption>{top}<tbody>{body}</tbody></table>{below}"
