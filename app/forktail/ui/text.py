"""How words and values are written on a page."""

import re

from forktail.core.quantities import format_quantity


def keep_together(text):
    """Put no line break between a number and its unit."""
    return re.sub(r"(?<=\d) (?=[%\w\u00b5\u03a9\u00b0])(?=(?:%|\S{1,3}(?:\W|$)))", "\u00a0", text)


def signed(value, unit, digits=3):
    """A value that always shows its sign, so that plus is said as clearly as minus."""
    text = format_quantity(value, unit, digits)
    return f"+{text}" if value > 0 else text


def tidy(text):
    """A value without the zeros that say nothing: `2.20 kΩ` becomes `2.2 kΩ`."""
    number, gap, unit = text.partition(" ")
    return (number.rstrip("0").rstrip(".") if "." in number else number) + gap + unit
