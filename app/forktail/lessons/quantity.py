"""Quantities of lessons: a value with its dimension, read from a text and shown as one."""

import re
from dataclasses import dataclass

from forktail.core.checks import QuantityError
from forktail.core.quantities import UNITS, format_quantity, format_temperature, parse_quantity

#: Exponents of V, A, s, K, dB, deg: what a unit is made of.
DIMENSIONS = {
    "": (0, 0, 0, 0, 0, 0),
    "%": (0, 0, 0, 0, 0, 0),
    "V": (1, 0, 0, 0, 0, 0),
    "A": (0, 1, 0, 0, 0, 0),
    "ohm": (1, -1, 0, 0, 0, 0),
    "S": (-1, 1, 0, 0, 0, 0),
    "W": (1, 1, 0, 0, 0, 0),
    "s": (0, 0, 1, 0, 0, 0),
    "Hz": (0, 0, -1, 0, 0, 0),
    "F": (-1, 1, 1, 0, 0, 0),
    "H": (1, -1, 1, 0, 0, 0),
    "V/sqrt(Hz)": (1, 0, 0.5, 0, 0, 0),
    "K": (0, 0, 0, 1, 0, 0),
    "dB": (0, 0, 0, 0, 1, 0),
    "deg": (0, 0, 0, 0, 0, 1),
    "%/K": (0, 0, 0, -1, 0, 0),
    "K/W": (-1, -1, 0, 1, 0, 0),
}
_NAMES = {}
for _unit, _dimension in DIMENSIONS.items():
    _NAMES.setdefault(_dimension, _unit)
PLAIN = DIMENSIONS[""]


@dataclass(frozen=True)
class Figure:
    """A quantity: SI value and dimension; `unit` is the one to show it in."""

    value: float
    dimension: tuple = PLAIN
    unit: str = ""


def figure(value, unit=""):
    """A `Figure` of a value in `unit` (that of a spec, or a key of `DIMENSIONS`); per cent become
    a fraction."""
    value = float(value)
    if unit == "fraction":
        return Figure(value, PLAIN, "%")
    return Figure(value / 100.0 if unit[:1] == "%" else value, DIMENSIONS[unit], unit)


def unit_of(dimension):
    """Name of a dimension, such as `V`, or None for one that has none."""
    return _NAMES.get(dimension)


def say_unit(dimension):
    """Words for messages."""
    unit = unit_of(dimension)
    if unit == "":
        return "a plain number"
    if unit is None:
        return "a mixture of units"
    return UNITS[unit][1] if unit in UNITS else f"a quantity in {unit}"


def show(item, digits=3, sign=False, percent=False):
    """Text of a `Figure` (or of a text or truth value) for people."""
    if isinstance(item, bool):
        return "yes" if item else "no"
    if isinstance(item, str):
        return item
    value = item.value
    if percent or item.unit == "%":
        text = format_quantity(100.0 * value, "%", digits).replace(" %", "\u00a0%")
    elif item.dimension == DIMENSIONS["K"] and item.unit == "K":
        text = format_temperature(value)
    else:
        unit = unit_of(item.dimension)
        if unit is None:
            raise QuantityError(
                "a figure to show has a mixture of units; give it one unit, "
                "such as V or A, or a ratio."
            )
        text = format_quantity(100.0 * value if unit == "%/K" else value, unit, digits)
    if sign and value > 0:
        text = "+" + text
    return text.replace(" ", "\u00a0")


def literal(text):
    """Read a number with or without a unit, such as `1 mV`, `2k2ohm`, `5 %`, `25 degC`.

    Raises
    ------
    QuantityError
        If it is none.
    """
    text = text.strip()
    if re.search(r"deg ?C$|\u00b0C$", text):
        return Figure(
            parse_quantity(re.sub(r"(deg ?|\u00b0)C$", "", text), "", "value") + 273.15,
            DIMENSIONS["K"],
            "K",
        )
    tail = re.search(r"([A-Za-z\u00b5\u03a9%\u00b0]*)$", text)[1]
    if tail == "K" or not tail:  # 300 K is a temperature; 2.2k is two thousand two hundred
        unit = "K" if tail else ""
    elif tail.endswith("S") and len(tail) <= 2:
        return Figure(parse_quantity(text[:-1], "", "value"), DIMENSIONS["S"], "S")
    else:
        spellings = sorted(
            ((s, u) for u in UNITS for s in UNITS[u][0] if s not in ("R",)),
            key=lambda p: -len(p[0]),
        )
        unit = next((u for s, u in spellings if tail.endswith(s)), "")
    return figure(parse_quantity(text, unit, "value"), unit)


def base_unit(unit):
    """Key of `DIMENSIONS` behind a unit with prefix (`mV` -> `V`), or None."""
    if unit in DIMENSIONS:
        return unit
    if unit[:1] in "fpnum\u00b5kMG" and unit[1:] in DIMENSIONS and unit[1:] not in ("", "%", "dB"):
        return unit[1:]
    return {"\u03a9": "ohm", "k\u03a9": "ohm", "M\u03a9": "ohm", "\u00b0": "deg"}.get(unit)
