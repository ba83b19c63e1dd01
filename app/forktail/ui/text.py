"""How words and values are written on a page, in a terminal and in a file of numbers."""

import csv
import io
import itertools
import math
import re

import numpy as np

from forktail.core.quantities import format_fixed

#: Signs of the screen -> what a keyboard has.
_TYPED = {
    "\u2212": "-",
    "\u2013": "-",
    "\u00a0": " ",
    "\u202f": " ",
    "\u00b5": "u",
    "\u03a9": "ohm",
    "\u00b1": "+/-",
    "\u00d7": "x",
    "\u00b2": "^2",
    "\u221a": "sqrt",
    "\u25b2": "^",
    "\u25bc": "v",
    "\u2018": "'",
    "\u2019": "'",
    "\u201c": '"',
    "\u201d": '"',
    "\u2026": "...",
    "\u2192": "->",
}


def keep_together(text):
    """Put no line break between a number and its unit."""
    return re.sub(r"(?<=\d) (?=[%\w\u00b5\u03a9\u00b0])(?=(?:%|\S{1,3}(?:\W|$)))", "\u00a0", text)


def typed(text):
    """A text in signs that every terminal shows and every keyboard has: `-5 uA`, `25.0 degC`.

    Letters of a name that somebody gave stay as they are.
    """
    text = re.sub(r"(?<=\d)\u00b0", " deg", text).replace("\u00b0", "deg")
    text = text.replace("\u221aHz", "sqrt(Hz)")
    return text.translate(str.maketrans(_TYPED))


def minus(text):
    """A number made by formatting, with a minus sign instead of the hyphen."""
    return text.replace("-", "\u2212")


def tidy(text):
    """A value without the zeros that say nothing: `2.20 kΩ` becomes `2.2 kΩ`."""
    number, gap, unit = text.partition(" ")
    return (number.rstrip("0").rstrip(".") if "." in number else number) + gap + unit


def decibels(value):
    """A level with one decimal: `-31.4 dB`; never a minus zero."""
    return format_fixed(value, 1, "dB")


def csv_text(head, rows, digits=None):
    """Comma-separated text (RFC 4180, but with plain line ends).

    Parameters
    ----------
    head : sequence of str
    rows : iterable of sequences
        Numbers and texts. Not-a-number is an empty cell. A text that a spreadsheet would take
        for a formula is kept a text by an apostrophe.
    digits : int, optional
        Significant digits of numbers; all that they have unless given.

    Returns
    -------
    str
    """

    def cell(value):
        if isinstance(value, str):
            return f"'{value}" if value[:1] in ("=", "+", "@", "\t") else value
        if isinstance(value, (float, np.floating)):
            if math.isnan(value):
                return ""
            return repr(float(value)) if digits is None else f"{value:.{digits}g}"
        return value

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([cell(c) for c in row] for row in rows)
    return out.getvalue()


def csv_columns(head, columns, digits=9):
    """Comma-separated text of columns, which may differ in length; see `csv_text`."""
    return csv_text(head, itertools.zip_longest(*columns, fillvalue=""), digits)
