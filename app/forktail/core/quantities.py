"""Engineering values: read `10mV`, `2.2k`, `2k2`, `4u7`, `0.1uF`, `-5e-3`, and write them."""

import math
import re
from decimal import Decimal
from functools import lru_cache

from forktail.core.checks import QuantityError

PREFIXES = {
    "f": 1e-15,
    "p": 1e-12,
    "n": 1e-9,
    "u": 1e-6,
    "m": 1e-3,
    "": 1.0,
    "k": 1e3,
    "K": 1e3,
    "M": 1e6,
    "G": 1e9,
}
_SHOWN = [
    (1e9, "G"),
    (1e6, "M"),
    (1e3, "k"),
    (1.0, ""),
    (1e-3, "m"),
    (1e-6, "\u00b5"),
    (1e-9, "n"),
    (1e-12, "p"),
    (1e-15, "f"),
]

#: Unit as used inside -> (spellings accepted, what it measures, an example)
UNITS = {
    "V": (("V", "volt", "volts"), "a voltage", "10mV"),
    "A": (("A", "amp", "amps"), "a current", "1.5mA"),
    "ohm": (("ohm", "ohms", "Ohm", "\u03a9", "\u2126", "R"), "a resistance", "2k2"),
    "F": (("F",), "a capacitance", "0.1uF"),
    "H": (("H",), "an inductance", "10uH"),
    "Hz": (("Hz",), "a frequency", "45kHz"),
    "s": (("s", "sec"), "a time", "20ms"),
    "W": (("W",), "a power", "250mW"),
    "K": (("K",), "a temperature", "298K"),
    "K/W": (("K/W",), "a thermal resistance", "250K/W"),
    "deg": (("deg", "\u00b0"), "an angle", "90deg"),
    "S": (("S", "siemens"), "a conductance", "1e-13"),
    "dB": (("dB",), "a level", "-3dB"),
    "%": (("%",), "a percentage", "5%"),
    "fraction": ((), "a percentage", "5%"),  # 0.05 inside, read and written as per cent
    "": ((), "a plain number", "100"),
}
#: Units whose sign on the screen is another.
_SIGNS = {"ohm": "\u03a9", "deg": "\u00b0", "V/sqrt(Hz)": "V/\u221aHz"}
_SPELLING = {s: unit for unit, (spellings, _, _) in UNITS.items() for s in spellings}
_CELSIUS = ("degC", "\u00b0C", "C", "deg C", "celsius")

_NUMBER = re.compile(r"([+-]?)(\d+(?:\.\d*)?|\.\d+)(?:[eE]([+-]?\d{1,3}))?")
# 1,000 is one thousand to some readers and one to others
_THOUSANDS = re.compile(r"[+\-\u2212]?[1-9]\d{0,2},\d{3}(?![\d.])")
# a letter in the place of the decimal point, after IEC 60062: 2k2, 4u7, R47, 4R7
_LETTER_POINT = re.compile(r"([+-]?)(\d*)([RpnumkKMGV])(\d+)(.*)")


def tidied(text: str) -> str:
    """Text of a value with plain signs: minus, micro, spaces, a decimal comma as a point."""
    text = text.strip().replace("\u2212", "-").replace("\u00b5", "u").replace("\u03bc", "u")
    text = text.replace("\u00a0", " ").replace("\u202f", " ")
    if text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    return text


def split_suffix(suffix: str, unit: str) -> tuple[float, str | None] | None:
    """Return (factor, unit spelled) of `mV`, `k`, `ohm` ... or None."""
    suffix = suffix.strip()
    if suffix == "":
        return 1.0, None
    if suffix in _SPELLING:  # a whole unit, such as F, wins over a prefix ...
        if not (suffix in PREFIXES and unit != _SPELLING[suffix]):
            return 1.0, _SPELLING[suffix]
    if suffix in PREFIXES:  # ... except that 2.2K is 2200 ohm where ohms are wanted
        return PREFIXES[suffix], None
    if suffix[0] in PREFIXES and suffix[1:].strip() in _SPELLING:
        return PREFIXES[suffix[0]], _SPELLING[suffix[1:].strip()]
    return None


def parse_quantity(
    text: str | float,
    unit: str = "",
    name: str = "value",
    low: float | None = None,
    high: float | None = None,
) -> float:
    """Read an engineering value and check its unit.

    Parameters
    ----------
    text : str or float
        `10mV`, `2.2k`, `2k2`, `4u7`, `0.1uF`, `-5e-3`, `0,5 V`; a number passes as it is.
    unit : str
        A key of `UNITS`. A text without a unit is taken to be in it.
    name : str
        What is being read; used in messages.
    low, high : float, optional
        Inclusive bounds in `unit`.

    Returns
    -------
    float
        In SI units (per cent stays per cent, degrees stay degrees). Of a `fraction` a text is in
        per cent, `40%` or `40`, and gives 0.4; a number passes as it is.

    Raises
    ------
    QuantityError
        If it cannot be read, has another unit, or is out of bounds.

    Notes
    -----
    A letter instead of the decimal point is after IEC 60062.
    """
    _, measures, example = UNITS[unit]
    written = "%" if unit == "fraction" else unit
    wanted = f"give {measures}{f' in {written}' if written else ''}, such as {example}"
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        value = float(text)
    else:
        text = " ".join(str(text).split())
        value = _read(text, written, name, wanted, 0.01 if unit == "fraction" else 1.0)
    if not math.isfinite(value):
        raise QuantityError(f"{name}: '{text}' is not a finite number; {wanted}.")
    if low is not None and value < low or high is not None and value > high:
        bounds = " to ".join(
            format_quantity(b, unit, ascii_only=True) if b is not None else "any"
            for b in (low, high)
        )
        raise QuantityError(f"{name}: '{text}' is out of range; it must be {bounds}.")
    return value


def _read(text: str, unit: str, name: str, wanted: str, scale: float) -> float:
    tidy = tidied(text)
    if len(tidy) > 40:
        raise QuantityError(f"{name}: '{tidy[:20]}...' is too long for a value; {wanted}.")
    if _THOUSANDS.match(text.strip()):
        raise QuantityError(
            f"{name}: '{text}' can mean a thousand or a decimal comma; write it without the comma "
            f"or with a point. {wanted[0].upper()}{wanted[1:]}."
        )
    match = _LETTER_POINT.fullmatch(tidy)
    if match and (match[2] or match[3] == "R"):
        sign, whole, letter, decimals, rest = match.groups()
        factor = 1.0 if letter in "RV" else PREFIXES[letter]
        implied = {"R": "ohm", "V": "V"}.get(letter)
        parts = split_suffix(rest, unit)
        if parts and parts[0] == 1.0:
            found = implied or parts[1]
            if found in (None, unit):
                return _scaled(f"{sign}{whole or '0'}.{decimals}", factor * scale)
            raise QuantityError(f"{name}: '{text}' is {UNITS[found][1]}; {wanted}.")
    match = _NUMBER.match(tidy)
    if not match:
        raise QuantityError(f"{name}: '{text}' is not a value; {wanted}.")
    parts = split_suffix(tidy[match.end() :], unit)
    if parts is None:
        raise QuantityError(
            f"{name}: '{text}' ends in '{tidy[match.end() :].strip()}', "
            f"which is not a known prefix and unit; {wanted}."
        )
    factor, found = parts
    if found is not None and found != unit:
        raise QuantityError(f"{name}: '{text}' is {UNITS[found][1]}; {wanted}.")
    return _scaled(match[0], factor * scale)


def _scaled(number: str, factor: float) -> float:
    """The float nearest to number times a power of ten, so that 100 nF is exactly 1e-7 F."""
    return float(Decimal(number).scaleb(round(math.log10(factor))))


def parse_temperature(text: str | float, name: str = "temperature") -> float:
    """Read a temperature; a bare number and `25C` are degrees Celsius, `298K` is kelvin.

    Returns
    -------
    float
        K, above 0.

    Raises
    ------
    QuantityError
        If it cannot be read or is not above zero kelvin.
    """
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        text = repr(float(text))
    text = " ".join(str(text).split())
    tidy = tidied(text)
    number = _NUMBER.match(tidy)
    rest = tidy[number.end() :].strip() if number else ""
    if not number or (rest and rest not in _CELSIUS and rest not in ("K", "mK")):
        raise QuantityError(
            f"{name}: '{text}' is not a temperature; give degrees Celsius such as 25 "
            "or 25C, or kelvin such as 298K."
        )
    value = float(number[0])
    kelvin = value * (1e-3 if rest == "mK" else 1.0) if rest.endswith("K") else value + 273.15
    if not (math.isfinite(kelvin) and kelvin > 0):
        raise QuantityError(
            f"{name}: '{text}' is not above zero kelvin; it must be above -273.15 degrees Celsius."
        )
    return kelvin


def format_quantity(value: float, unit: str = "", digits: int = 3, ascii_only: bool = False) -> str:
    """Write a value with a prefix: 0.00152 A becomes `1.52 mA`.

    Parameters
    ----------
    value : float
        SI.
    unit : str
        Unit as used inside (`ohm` is shown as the Greek capital unless `ascii_only`).
    digits : int
        Significant digits.
    ascii_only : bool
        Plain minus, `u` and `ohm`, for commands and files.

    Returns
    -------
    str
        `not a number` for NaN; the text can be read back by `parse_quantity`.
    """
    return _written(float(value), unit, digits, ascii_only)


@lru_cache(maxsize=8192)
def _written(value: float, unit: str, digits: int, ascii_only: bool) -> str:
    if math.isnan(value):
        return "not a number"
    if unit == "fraction":
        value, unit = 100.0 * value, "%"
    shown = unit if ascii_only else _SIGNS.get(unit, unit)
    gap = "" if unit == "deg" else " "
    if math.isinf(value):
        text = "inf"
    elif value == 0.0:
        text, prefix = "0", ""
    elif unit in ("dB", "%", "%/K", "deg", "K", "K/W", ""):
        text, prefix = _round(value, digits), ""
    else:
        size = abs(float(f"{value:.{digits - 1}e}"))
        factor, prefix = next(((f, p) for f, p in _SHOWN if size >= f * 0.999999999), _SHOWN[-1])
        text = _round(value / factor, digits)
    if math.isinf(value):
        text, prefix = ("-inf" if value < 0 else "inf"), ""
    if ascii_only:
        prefix = prefix.replace("\u00b5", "u")
    else:
        text = text.replace("-", "\u2212")
    return f"{text}{gap if shown or prefix else ''}{prefix}{shown}"


def format_signed(value: float, unit: str, digits: int = 3) -> str:
    """As `format_quantity`, but plus is said as clearly as minus: `+20.0 mV`."""
    text = format_quantity(value, unit, digits)
    return f"+{text}" if value > 0 else text


def format_fixed(value: float, decimals: int, unit: str = "", sign: bool = False) -> str:
    """Write a value with so many decimals, never a minus zero: `69 %`, `\u221231.4 dB`, `0.371`.

    Parameters
    ----------
    value : float
        In the unit itself: there is no prefix.
    decimals : int
    unit : str
        Behind a blank, `%` too; none for a plain number.
    sign : bool
        Whether a value above zero shows a plus.
    """
    text = f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "\u2212")
    if sign and round(value, decimals) > 0.0:
        text = f"+{text}"
    return f"{text} {unit}" if unit else text


def _round(value: float, digits: int) -> str:
    text = f"{value:.{digits - 1}e}"
    rounded = float(text)
    exponent = int(text.split("e")[1])
    if exponent >= 6 or exponent < -5:
        return f"{rounded:g}"
    return f"{rounded:.{max(0, digits - 1 - exponent)}f}"


def format_temperature(kelvin: float, digits: int = 3, ascii_only: bool = False) -> str:
    """Write kelvin as degrees Celsius: 298.15 becomes `25.0 °C`."""
    celsius = float(kelvin) - 273.15
    text = f"{celsius:.1f}"
    if text == "-0.0":
        text = "0.0"
    if ascii_only:
        return f"{text} degC"
    return f"{text.replace('-', chr(0x2212))} \u00b0C"
