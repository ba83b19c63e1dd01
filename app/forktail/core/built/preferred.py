"""Preferred values, ratings with a margin, and the rows of a parts list."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.checks import Floats, QuantityError, as_quantity
from forktail.core.quantities import UNITS, format_quantity

_E24 = (
    10,
    11,
    12,
    13,
    15,
    16,
    18,
    20,
    22,
    24,
    27,
    30,
    33,
    36,
    39,
    43,
    47,
    51,
    56,
    62,
    68,
    75,
    82,
    91,
)
_E96 = tuple(int(round(100 * 10 ** (n / 96))) for n in range(96))

#: Counting digits of one decade by series, IEC 60063:2015: two digits up to E24, whose values
#: from 27 to 47 and 82 are not the rounded geometric series; three digits for E48 and E96,
#: which are the geometric series 10^(n/96) rounded.
SERIES = {"E6": _E24[::4], "E12": _E24[::2], "E24": _E24, "E48": _E96[::2], "E96": _E96}
#: Tolerance that goes with each series (fraction), IEC 60063:2015.
SERIES_TOLERANCE = {"E6": 0.20, "E12": 0.10, "E24": 0.05, "E48": 0.02, "E96": 0.01}

#: Power ratings of leaded and chip resistors, W (common practice, no source).
POWER_RATINGS = (0.0625, 0.1, 0.125, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0)
#: Share of the rating that is used, so that the part stays cool (common practice, no source).
POWER_USED = 0.5
#: A film resistor carries its full rating up to 70 degC and none at 155 degC, with a straight
#: line between, K (common practice, no source).
POWER_FULL_TO, POWER_NONE_AT = 343.15, 428.15
#: Rated voltages of capacitors, V (common practice, no source).
VOLTAGE_RATINGS = (6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0, 100.0, 160.0, 250.0, 400.0, 630.0)
#: Rated voltage over working voltage (common practice, no source).
VOLTAGE_MARGIN = 1.5

#: Values beyond these are a slip of the prefix, not a part.
_SMALLEST, _LARGEST = 1e-15, 1e12


def _digits(series: str) -> tuple[int, ...]:
    if series not in SERIES:
        raise QuantityError(f"series is {series!r}; it must be one of {', '.join(SERIES)}.")
    return SERIES[series]


def _times_power_of_ten(digits: Floats, exponent: ArrayLike) -> Floats:
    """Digits times 10^exponent, rounded once, so that 47 and -10 give exactly 4.7e-9."""
    exponent = np.asarray(exponent)
    up = 10.0 ** np.clip(exponent, 0, 22)
    down = 10.0 ** np.clip(-exponent, 0, 22)
    return np.where(exponent >= 0, digits * up, digits / down)


def _neighbours(value: ArrayLike, series: str) -> tuple[Floats, Floats, Floats]:
    """Preferred values at or below and at or above `value`; an exact one is both."""
    digits = np.array(_digits(series) + (10 * _digits(series)[0],), dtype=float)
    value = as_quantity("value", value, "", low=_SMALLEST, high=_LARGEST)
    decade = np.floor(np.log10(value)).astype(int)
    scale = 1 if digits[0] == 10 else 2
    mantissa = value / 10.0**decade * 10.0**scale
    # one part in 10^9 absorbs the rounding of a value such as 3 * 1.1e3
    high = np.clip(np.searchsorted(digits, mantissa * (1 - 1e-9)), 0, len(digits) - 1)
    low = np.clip(
        np.searchsorted(digits, mantissa * (1 + 1e-9), side="right") - 1, 0, len(digits) - 1
    )
    exponent = decade - scale
    return (
        _times_power_of_ten(digits[low], exponent),
        _times_power_of_ten(digits[high], exponent),
        value,
    )


def series_values(series: str = "E24", low: float = 1.0, high: float = 10.0) -> Floats:
    """Preferred values between `low` and `high`, both included.

    Parameters
    ----------
    series : str
        A key of `SERIES`.
    low, high : float
        Any unit, above zero.

    Returns
    -------
    numpy.ndarray
        Rising.

    Raises
    ------
    QuantityError
        For an unknown series or bounds out of range.

    Notes
    -----
    IEC 60063:2015.
    """
    digits = np.array(_digits(series), dtype=float)
    low = float(as_quantity("low", low, "", low=_SMALLEST, high=_LARGEST))
    high = float(as_quantity("high", high, "", low=low, high=_LARGEST))
    scale = 1 if digits[0] == 10 else 2
    decades = np.arange(np.floor(np.log10(low)) - 1, np.floor(np.log10(high)) + 2, dtype=int)
    values = _times_power_of_ten(digits[None, :], decades[:, None] - scale).ravel()
    return values[(values >= low * (1 - 1e-9)) & (values <= high * (1 + 1e-9))]


def nearest_value(value: ArrayLike, series: str = "E24") -> Floats:
    """Preferred value with the smallest relative error (the lower one of a tie).

    Parameters
    ----------
    value : array_like
        Any unit, 1e-15 to 1e12, any shape.
    series : str
        A key of `SERIES`.

    Returns
    -------
    numpy.ndarray
        Same shape and unit.

    Raises
    ------
    QuantityError
        For an unknown series or a value out of range.

    Notes
    -----
    IEC 60063:2015.
    """
    below, above, value = _neighbours(value, series)
    return np.where(above - value < value - below, above, below)


def value_below(value: ArrayLike, series: str = "E24") -> Floats:
    """Largest preferred value at or below `value`; arguments and errors as `nearest_value`."""
    return _neighbours(value, series)[0]


def value_above(value: ArrayLike, series: str = "E24") -> Floats:
    """Smallest preferred value at or above `value`; arguments and errors as `nearest_value`."""
    return _neighbours(value, series)[1]


@dataclass(frozen=True)
class Preferred:
    """One wanted value and the preferred values around it, all in the unit of `wanted`.

    `error` is nearest / wanted - 1; `tolerance` is the one that goes with the series;
    `lowest` and `highest` are the extremes of a part of that tolerance.
    """

    wanted: float
    series: str
    nearest: float
    below: float
    above: float
    error: float
    tolerance: float
    lowest: float
    highest: float


def preferred(value: float, series: str = "E24") -> Preferred:
    """Round one value to a series and say what the rounding costs.

    Parameters and errors as `nearest_value`, for one number.

    Returns
    -------
    Preferred
    """
    below, above, wanted = (float(v) for v in _neighbours(float(value), series))
    nearest = float(nearest_value(wanted, series))
    tolerance = SERIES_TOLERANCE[series]
    return Preferred(
        wanted,
        series,
        nearest,
        below,
        above,
        nearest / wanted - 1.0,
        tolerance,
        nearest * (1 - tolerance),
        nearest * (1 + tolerance),
    )


def _next_rating(ratings: Sequence[float], needed: float, what: str, unit: str) -> float:
    for rating in ratings:
        if rating >= needed * (1 - 1e-9):
            return rating
    raise QuantityError(
        f"{what} would need a rating of {format_quantity(needed, unit, ascii_only=True)}; "
        f"the largest listed is {format_quantity(ratings[-1], unit, ascii_only=True)}."
    )


def power_rating(dissipation: float, ambient: float = 313.15, used: float = POWER_USED) -> float:
    """Next standard power rating for a resistor, with a margin and the heat around it.

    Parameters
    ----------
    dissipation : float
        W, at least 0.
    ambient : float
        K, around the part (40 degC unless told otherwise: inside a box).
    used : float
        Largest share of the rating that may be used, above 0 to 1.

    Returns
    -------
    float
        W.

    Raises
    ------
    QuantityError
        For values out of range, an ambient too hot for any film resistor, or a dissipation
        beyond the largest listed rating.

    Notes
    -----
    Half the rating and the 70 to 155 degC line are common practice, no source.
    """
    dissipation = float(as_quantity("dissipation", dissipation, "W", low=0.0))
    ambient = float(as_quantity("ambient", ambient, "K", low=0.0, low_open=True))
    used = float(as_quantity("used", used, "", low=0.0, high=1.0, low_open=True))
    if ambient >= POWER_NONE_AT:
        raise QuantityError(
            f"ambient is {ambient:g} K; a film resistor carries nothing from "
            f"{POWER_NONE_AT:g} K up; it must be below that."
        )
    left = min(1.0, (POWER_NONE_AT - ambient) / (POWER_NONE_AT - POWER_FULL_TO))
    return _next_rating(
        POWER_RATINGS,
        dissipation / (used * left),
        f"dissipation of {format_quantity(dissipation, 'W', ascii_only=True)}",
        "W",
    )


def voltage_rating(working: float, margin: float = VOLTAGE_MARGIN) -> float:
    """Next standard rated voltage for a capacitor.

    Parameters
    ----------
    working : float
        Largest voltage across it, V; the sign does not matter.
    margin : float
        Rated over working voltage, at least 1.

    Returns
    -------
    float
        V.

    Raises
    ------
    QuantityError
        For values out of range or beyond the largest listed rating.

    Notes
    -----
    Margin 1.5: common practice, no source.
    """
    working = abs(float(as_quantity("working", working, "V")))
    margin = float(as_quantity("margin", margin, "", low=1.0))
    return _next_rating(
        VOLTAGE_RATINGS,
        working * margin,
        f"working voltage of {format_quantity(working, 'V', ascii_only=True)}",
        "V",
    )


@dataclass(frozen=True)
class PartRow:
    """One row of a parts list.

    `references` are the names on the schematic (R1, R2); `value` is what to fit, in `unit`
    (empty for parts without one); `wanted` what the design asked for, `error` fitted over
    wanted less 1; `tolerance` a fraction or NaN; `rating` in `rating_unit` or NaN.
    """

    references: tuple[str, ...]
    kind: str
    value: float = float("nan")
    unit: str = ""
    tolerance: float = float("nan")
    rating: float = float("nan")
    rating_unit: str = ""
    wanted: float = float("nan")
    error: float = float("nan")
    series: str = ""
    note: str = ""

    @property
    def quantity(self) -> int:
        """How many to take from the drawer."""
        return len(self.references)

    def texts(self, ascii_only: bool = False) -> dict[str, str]:
        """Cells ready to show: quantity, references, kind, value, tolerance, rating, note."""

        def shown(value: float, unit: str) -> str:
            return "" if np.isnan(value) else format_quantity(value, unit, ascii_only=ascii_only)

        sign = "+/-" if ascii_only else "\u00b1"
        return {
            "quantity": str(self.quantity),
            "references": ", ".join(self.references),
            "kind": self.kind,
            "value": shown(self.value, self.unit),
            "tolerance": "" if np.isnan(self.tolerance) else f"{sign}{self.tolerance * 100:g} %",
            "rating": shown(self.rating, self.rating_unit),
            "rounding": ""
            if np.isnan(self.error)
            else format_quantity(self.error * 100, "%", 2, ascii_only),
            "note": self.note,
        }


def _references(references: str | Iterable[str]) -> tuple[str, ...]:
    names = (references,) if isinstance(references, str) else tuple(references)
    if not names or not all(isinstance(n, str) and n.strip() for n in names):
        raise QuantityError(f"references is {references!r}; give at least one name, such as R1.")
    return tuple(sorted(names, key=_natural))


def _natural(name: str) -> list[tuple[int, int, str]]:
    return [(0, int(p), "") if p.isdigit() else (1, 0, p) for p in re.findall(r"\d+|\D+", name)]


def resistor_row(
    references: str | Iterable[str],
    wanted: float,
    series: str = "E24",
    dissipation: float | None = None,
    ambient: float = 313.15,
    note: str = "",
) -> PartRow:
    """Parts-list row of a resistor: preferred value, tolerance, power rating.

    Parameters
    ----------
    references : str or sequence of str
        `R1` or several that are alike.
    wanted : float
        ohm.
    series : str
        A key of `SERIES`.
    dissipation : float, optional
        W, the worst of them; without it the rating stays open (NaN).
    ambient : float
        K, as in `power_rating`.
    note : str

    Returns
    -------
    PartRow

    Raises
    ------
    QuantityError
        As `preferred` and `power_rating`.
    """
    rating = float("nan") if dissipation is None else power_rating(dissipation, ambient)
    return _row(references, "resistor", wanted, "ohm", series, rating, "W", note)


def capacitor_row(
    references: str | Iterable[str],
    wanted: float,
    series: str = "E6",
    working: float | None = None,
    note: str = "",
) -> PartRow:
    """Parts-list row of a capacitor: `wanted` in F, `working` voltage in V; as `resistor_row`."""
    rating = float("nan") if working is None else voltage_rating(working)
    return _row(references, "capacitor", wanted, "F", series, rating, "V", note)


def _row(
    references: str | Iterable[str],
    kind: str,
    wanted: float,
    unit: str,
    series: str,
    rating: float,
    rating_unit: str,
    note: str,
) -> PartRow:
    try:
        choice = preferred(wanted, series)
    except QuantityError as error:
        raise QuantityError(
            f"{', '.join(_references(references))}, {UNITS[unit][1]}: {error}"
        ) from None
    return PartRow(
        _references(references),
        kind,
        choice.nearest,
        unit,
        choice.tolerance,
        rating,
        rating_unit,
        choice.wanted,
        choice.error,
        series,
        note,
    )


def parts_list(rows: Iterable[PartRow]) -> tuple[PartRow, ...]:
    """Merge rows that are the same part, and order them by kind and first reference.

    Parameters
    ----------
    rows : iterable of PartRow

    Returns
    -------
    tuple of PartRow
        Rows alike in kind, value, unit, tolerance and note are one row with the highest
        rating among them, so that one drawer serves all.

    Raises
    ------
    QuantityError
        If a reference is used twice.
    """
    merged: dict[tuple, PartRow] = {}
    seen: set[str] = set()
    for row in rows:
        for name in row.references:
            if name in seen:
                raise QuantityError(
                    f"reference {name} is used twice; each part needs its own name."
                )
            seen.add(name)
        key = (row.kind, repr(row.value), row.unit, repr(row.tolerance), row.rating_unit, row.note)
        if key in merged:
            first = merged[key]
            merged[key] = replace(
                first,
                references=_references(first.references + row.references),
                rating=float(np.fmax(first.rating, row.rating)),
                wanted=first.wanted if first.wanted == row.wanted else float("nan"),
                error=first.error if first.wanted == row.wanted else float("nan"),
            )
        else:
            merged[key] = row
    return tuple(sorted(merged.values(), key=lambda r: (r.kind, _natural(r.references[0]))))
