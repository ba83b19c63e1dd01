"""The textbook cell and the three circuits that lead to it: closed form, matched, infinite beta.

Q1..Q4 are the upper four left to right, Q5 and Q6 the lower pair. Q1 and Q2 share Q5's
collector, Q3 and Q4 share Q6's; Q1 and Q3 feed the left load, Q2 and Q4 the right; Q1 and Q4
share the positive base line of v_upper, Q2 and Q3 the negative one.

Source of the laws, unless a function says otherwise: Gray, Hurst, Lewis, Meyer, Analysis and
Design of Analog Integrated Circuits, chapter 3 (the pair) and chapter 10 (the multiplier).
"""

from dataclasses import dataclass, field, fields, replace
from functools import cached_property, lru_cache, partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from forktail.core.cell import pair
from forktail.core.checks import Floats, as_array, as_quantity, broadcast_shape
from forktail.core.notebook import brief, counted, span, table
from forktail.core.quantities import format_quantity, format_temperature
from forktail.core.thermal import T_NOMINAL, thermal_voltage

#: Voltage that each level of a stack (tail source, each pair on top of another) needs below the
#: collectors, V (common practice, no source).
LEVEL_HEADROOM = 1.0
#: Departure from an ideal product at which the linear range is said to end.
LINEAR_ERROR = 0.01


@dataclass(frozen=True, repr=False)
class OperatingPoint:
    """What either model answers: arrays of one common shape S, SI units.

    `i_upper` is (*S, 4) for Q1..Q4, `i_lower` (*S, 2) for Q5 and Q6: collector currents,
    positive into the collector. `v_out` = `v_right` - `v_left`. `gain_upper` and `gain_lower`
    are the slopes of v_out over v_upper and v_lower at the point. `nodes` and `regions`
    (built model only) hold arrays by node and transistor name. `residual` is the largest
    current error over the tail current; a point with `converged` False is no answer.
    """

    v_upper: Floats
    v_lower: Floats
    i_tail: Floats
    r_load: Floats
    temperature: Floats
    thermal_voltage: Floats
    i_upper: Floats
    i_lower: Floats
    i_load: Floats
    v_left: Floats
    v_right: Floats
    v_out: Floats
    gain_upper: Floats
    gain_lower: Floats
    model: str = "textbook"
    nodes: dict[str, Floats] = field(default_factory=dict)
    regions: dict[str, NDArray[np.str_]] = field(default_factory=dict)
    residual: Floats = field(default_factory=partial(np.array, 0.0))
    converged: NDArray[np.bool_] = field(default_factory=partial(np.array, True))
    warnings: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return brief(self, self.model, self._count, f"v_out {span(self.v_out, 'V')}")

    @property
    def _count(self) -> str:
        return counted(np.size(self.v_out), "point")

    def _repr_html_(self) -> str:
        """A table for a notebook: every quantity with its span over the points."""
        rows = [
            (name, what, span(getattr(self, name), unit)) for name, what, unit in _SHOWN_OF_POINT
        ]
        currents = [*np.moveaxis(self.i_upper, -1, 0), *np.moveaxis(self.i_lower, -1, 0)]
        carried = {f"Q{at}": span(current, "A") for at, current in enumerate(currents, 1)}
        for name in dict.fromkeys((*carried, *self.regions)):
            regions = sorted(set(np.ravel(self.regions.get(name, ()))))
            rows.append((name, ", ".join(map(str, regions)), carried.get(name, "")))
        rows += [
            (f"nodes[{name!r}]", name.replace("_", " "), span(volts, "V"))
            for name, volts in self.nodes.items()
        ]
        lost = int(np.size(self.v_out) - np.sum(np.broadcast_to(self.converged, self.v_out.shape)))
        notes = [f"{counted(lost, 'point')} without a solution"] if lost else []
        return table(
            f"Operating point, {self.model} cell, {self._count}", rows,
            ("name", "what it is", "value"), (*notes, *self.warnings),
        )  # fmt: skip


#: Rows of the table of an operating point: (name, what it is, unit).
_SHOWN_OF_POINT = (
    ("v_upper", "upper input", "V"),
    ("v_lower", "lower input", "V"),
    ("i_tail", "tail current", "A"),
    ("v_left", "left output", "V"),
    ("v_right", "right output", "V"),
    ("v_out", "output: right less left", "V"),
    ("gain_upper", "slope of v_out over v_upper", ""),
    ("gain_lower", "slope of v_out over v_lower", ""),
    ("temperature", "temperature", "K"),
)


@dataclass(frozen=True)
class CellSettings:
    """What is fixed while the inputs move. SI units; each may be an array that broadcasts.

    Attributes
    ----------
    r_load : ohm, each load. temperature : K. v_supply : V.
    offset_left, offset_right, offset_lower : V, offset voltage of the pair Q1-Q2 (added to
    v_upper), of Q4-Q3 (added to v_upper) and of Q5-Q6 (added to v_lower).
    r_emitter_upper, r_emitter_lower : ohm, in each emitter of the upper pairs, of the lower.
    """

    r_load: Floats | float = 1e3
    temperature: Floats | float = T_NOMINAL
    v_supply: Floats | float = 12.0
    offset_left: Floats | float = 0.0
    offset_right: Floats | float = 0.0
    offset_lower: Floats | float = 0.0
    r_emitter_upper: Floats | float = 0.0
    r_emitter_lower: Floats | float = 0.0

    def checked(self) -> "CellSettings":
        """Return the same settings as float64 arrays, or raise QuantityError."""
        try:
            return _checked_once(self)
        except TypeError:  # arrays have no hash
            return _checked(self)

    def per_ampere(self, i_tail: float) -> "CellSettings":
        """The settings that give, with 1 A, v_out as a fraction of i_tail r_load.

        Parameters
        ----------
        i_tail : float
            A.

        Returns
        -------
        CellSettings
            Loads of 1 ohm, and emitter resistors with the drops that they have at `i_tail`; what
            v_out does not depend on is 0.
        """
        return replace(
            self,
            r_load=1.0,
            v_supply=0.0,
            r_emitter_upper=self.r_emitter_upper * i_tail,
            r_emitter_lower=self.r_emitter_lower * i_tail,
        )

    # for checked settings: what every solution of them asks first

    @cached_property
    def _v_t(self) -> Floats:
        return thermal_voltage(self.temperature)

    @cached_property
    def _closed_form(self) -> bool:
        """Whether one exponential an input is enough for all six transistors."""
        return not (
            np.any(self.r_emitter_upper)
            or np.any(self.r_emitter_lower)
            or np.any(self.offset_left != self.offset_right)
        )

    @cached_property
    def _arrays(self) -> dict[str, Floats]:
        """Those that are more than one number."""
        return {
            f.name: getattr(self, f.name) for f in fields(self) if np.ndim(getattr(self, f.name))
        }

    @cached_property
    def _offset(self) -> bool:
        return bool(np.any(self.offset_left) or np.any(self.offset_lower))


def _checked(settings: CellSettings) -> CellSettings:
    def get(name: str, unit: str, low: float | None = None, **more: bool) -> Floats:
        return as_quantity(name, getattr(settings, name), unit, low, **more)

    return CellSettings(
        r_load=get("r_load", "ohm", 0.0),
        temperature=get("temperature", "K", 0.0, low_open=True),
        v_supply=get("v_supply", "V", 0.0),
        offset_left=get("offset_left", "V"),
        offset_right=get("offset_right", "V"),
        offset_lower=get("offset_lower", "V"),
        r_emitter_upper=get("r_emitter_upper", "ohm", 0.0),
        r_emitter_lower=get("r_emitter_lower", "ohm", 0.0),
    )


_DEFAULT = CellSettings()
#: Views ask many times with the same settings: plain numbers are checked once.
_checked_once = lru_cache(maxsize=256)(_checked)


def _upper_pair(
    v_drive: Floats, i_tail: Floats, s: CellSettings, offset: Floats | float, v_t: Floats
) -> tuple[Floats, Floats]:
    """Split of one upper pair and the two slopes of its current difference."""
    first, second = pair.fractions_at((v_drive + offset) / v_t, i_tail, s.r_emitter_upper, v_t)
    return first, second


def _upper_slopes(
    fractions: tuple[Floats, Floats], i_tail: Floats, s: CellSettings, v_t: Floats
) -> tuple[Floats, Floats]:
    return (
        pair.slope(*fractions, i_tail, s.r_emitter_upper, v_t),
        pair.slope_over_tail(*fractions, i_tail, s.r_emitter_upper, v_t),
    )


def _answer(
    shape: tuple[int, ...],
    s: CellSettings,
    v_upper: Floats | float,
    v_lower: Floats | float,
    i_tail: Floats,
    rows: Floats,
    gains: tuple[Floats | float, Floats | float],
) -> OperatingPoint:
    """Assemble an OperatingPoint from rows Q1..Q6, which lie one after the other in memory."""
    i_load = rows[:2] + rows[2:4]
    v_load = s.r_load * i_load
    v_collector = s.v_supply - v_load

    def full(a: Floats | float) -> Floats:
        array = np.asarray(a)
        return array if array.shape == shape else np.broadcast_to(array, shape)

    # (branch, *S) to (*S, branch) without a copy: rows are several times faster than columns
    def last(a: Floats) -> Floats:
        return a.transpose(*range(1, a.ndim), 0)

    return OperatingPoint(
        v_upper=full(v_upper),
        v_lower=full(v_lower),
        i_tail=full(i_tail),
        r_load=full(s.r_load),
        temperature=full(s.temperature),
        thermal_voltage=full(s._v_t),
        i_upper=last(rows[:4]),
        i_lower=last(rows[4:]),
        i_load=last(i_load),
        v_left=v_collector[0],
        v_right=v_collector[1],
        v_out=v_load[0] - v_load[1],
        gain_upper=full(gains[0]),
        gain_lower=full(gains[1]),
    )


def _shape(s: CellSettings, **inputs: Floats) -> tuple[int, ...]:
    return broadcast_shape(**inputs, **s._arrays)


#: Below this tail current, A, products of exponentials would leave the range of numbers.
_LEAST_TAIL = 1e-150


def _steer(
    v_upper: Floats, v_lower: Floats, i_tail: Floats, s: CellSettings, shape: tuple[int, ...]
) -> Floats:
    """Rows Q1..Q6 of the full cell with one exponential an input: exp(-v_upper/VT) is how much
    more the second of a pair carries than the first.

    Everything is computed in place, in the rows that are handed out: temporaries of this size cost
    more than the arithmetic. The inputs are checked here, in one pass.
    """
    rows = np.empty((6,) + (shape or (1,)))
    i1, i2, i3, i4, i5, i6 = rows
    ratios = rows[1:3]
    scale = -1.0 / s._v_t
    np.multiply(v_upper + s.offset_left if s._offset else v_upper, scale, out=i2)
    np.multiply(v_lower + s.offset_lower if s._offset else v_lower, scale, out=i3)
    # a length bounds each of its elements and carries NaN along
    flat = ratios.reshape(-1)
    most = 0.25 * pair.EXPONENT_LIMIT  # the product of two, over the least tail, stays in range
    huge = False
    if not flat @ flat < most * most:
        as_quantity("v_upper", v_upper, "V")
        as_quantity("v_lower", v_lower, "V")
        huge = np.abs(flat).max() > most
    if huge or i_tail.min(initial=1.0) < _LEAST_TAIL:
        return _steer_by_law(v_upper, v_lower, i_tail, s, shape)
    np.exp(ratios, out=ratios)
    np.add(i2, 1.0, out=i1)
    np.add(i3, 1.0, out=i4)
    np.multiply(i1, i4, out=i1)
    np.divide(i_tail, i1, out=i1)
    np.multiply(i1, i2, out=i2)
    np.multiply(i1, i3, out=i4)
    np.multiply(i2, i3, out=i3)
    np.add(rows[0:4:2], rows[1:4:2], out=rows[4:])
    return rows if shape else rows[:, 0]


def _steer_by_law(
    v_upper: Floats, v_lower: Floats, i_tail: Floats, s: CellSettings, shape: tuple[int, ...]
) -> Floats:
    """As `_steer`, for emitter resistors, unlike upper pairs, huge drives and tails near zero."""
    v_t = s._v_t
    lower = pair.fractions_at((v_lower + s.offset_lower) / v_t, i_tail, s.r_emitter_lower, v_t)
    i5, i6 = i_tail * lower[0], i_tail * lower[1]
    left = _upper_pair(v_upper, i5, s, s.offset_left, v_t)
    right = _upper_pair(v_upper, i6, s, s.offset_right, v_t)
    rows = _rows(shape, i5 * left[0], i5 * left[1], i6 * right[1], i6 * right[0])
    np.add(rows[0:4:2], rows[1:4:2], out=rows[4:])  # to the last digit the sums of the branches
    return rows


def _rows(shape: tuple[int, ...], *currents: Floats) -> Floats:
    rows = np.empty((6,) + shape)
    for k, current in enumerate(currents):
        rows[k] = current
    return rows


def _cell_gains(
    v_upper: Floats, v_lower: Floats, i_tail: Floats, rows: Floats, s: CellSettings
) -> tuple[Floats, Floats]:
    """Slopes of v_out over both inputs."""
    v_t = s._v_t
    i5, i6 = rows[4], rows[5]
    lower = pair.fractions_at((v_lower + s.offset_lower) / v_t, i_tail, s.r_emitter_lower, v_t)
    left = _upper_pair(v_upper, i5, s, s.offset_left, v_t)
    right = left if s._closed_form else _upper_pair(v_upper, i6, s, s.offset_right, v_t)
    slope_left, follow_left = _upper_slopes(left, i5, s, v_t)
    slope_right, follow_right = _upper_slopes(right, i6, s, v_t)
    # the lower slope is that of I5 - I6; each tail takes half of it, with opposite signs
    slope_lower = pair.slope(*lower, i_tail, s.r_emitter_lower, v_t)
    return (
        s.r_load * (slope_left - slope_right),
        s.r_load * 0.5 * slope_lower * (follow_left + follow_right),
    )


def branch_currents(
    v_upper: ArrayLike,
    v_lower: ArrayLike,
    i_tail: ArrayLike,
    settings: CellSettings | None = None,
) -> Floats:
    """Collector currents of the full cell, and nothing else: for long waveforms.

    Parameters and errors as `solve_cell`.

    Returns
    -------
    numpy.ndarray, shape (6, *S)
        A, Q1..Q6, one contiguous row each; S is the common broadcast shape.
    """
    return _branch_currents(v_upper, v_lower, i_tail, (settings or _DEFAULT).checked())[0]


def _branch_currents(
    v_upper: ArrayLike, v_lower: ArrayLike, i_tail: ArrayLike, s: CellSettings
) -> tuple[Floats, Floats, Floats, Floats]:
    """The rows, and the inputs as arrays."""
    v_upper = as_array("v_upper", v_upper, "V")
    v_lower = as_array("v_lower", v_lower, "V")
    i_tail = as_quantity("i_tail", i_tail, "A", low=0.0)
    shape = _shape(s, v_upper=v_upper, v_lower=v_lower, i_tail=i_tail)
    if s._closed_form:
        return _steer(v_upper, v_lower, i_tail, s, shape), v_upper, v_lower, i_tail
    v_upper = as_quantity("v_upper", v_upper, "V")
    v_lower = as_quantity("v_lower", v_lower, "V")
    return _steer_by_law(v_upper, v_lower, i_tail, s, shape), v_upper, v_lower, i_tail


def solve_cell(
    v_upper: ArrayLike,
    v_lower: ArrayLike,
    i_tail: ArrayLike,
    settings: CellSettings | None = None,
    gains: bool = True,
) -> OperatingPoint:
    """The full cell: the lower pair steers the tail current between two crossed upper pairs.

    Parameters
    ----------
    v_upper, v_lower : array_like
        Differential inputs, V.
    i_tail : array_like
        Tail current, A, at least 0.
    settings : CellSettings, optional
    gains : bool
        Whether to compute `gain_upper` and `gain_lower` (else NaN).

    Returns
    -------
    OperatingPoint
        Of the common broadcast shape. With zero offsets and emitter resistors
        v_out = i_tail r_load tanh(v_upper/2VT) tanh(v_lower/2VT).

    Raises
    ------
    QuantityError
        For values out of range or shapes that do not broadcast.

    Notes
    -----
    Gray, Hurst, Lewis, Meyer, chapter 10.
    """
    s = (settings or _DEFAULT).checked()
    rows, v_upper, v_lower, i_tail = _branch_currents(v_upper, v_lower, i_tail, s)
    slopes = _cell_gains(v_upper, v_lower, i_tail, rows, s) if gains else (np.nan, np.nan)
    return _answer(rows.shape[1:], s, v_upper, v_lower, i_tail, rows, slopes)


def solve_crossed(
    v_upper: ArrayLike,
    i_tail_left: ArrayLike,
    i_tail_right: ArrayLike,
    settings: CellSettings | None = None,
) -> OperatingPoint:
    """Two crossed pairs with hand-set tails: v_out follows the difference of the tails.

    Parameters and errors as `solve_cell`, with the two tails in A instead of the lower
    pair; `v_lower` and `gain_lower` of the answer are 0.
    """
    return _two_pairs(v_upper, v_upper, i_tail_left, i_tail_right, settings, crossed=True)


def solve_shared_loads(
    v_upper: ArrayLike,
    v_second: ArrayLike,
    i_tail_left: ArrayLike,
    i_tail_right: ArrayLike,
    settings: CellSettings | None = None,
) -> OperatingPoint:
    """Two pairs, not crossed, into shared loads: their contributions add.

    `v_upper` drives Q1-Q2, `v_second` drives Q3-Q4, both V, the positive side feeding the left
    load. In the answer `v_lower` holds `v_second` and `gain_lower` the slope over it.
    """
    return _two_pairs(v_upper, v_second, i_tail_left, i_tail_right, settings, crossed=False)


def _two_pairs(
    v_first: ArrayLike,
    v_second: ArrayLike,
    i_tail_left: ArrayLike,
    i_tail_right: ArrayLike,
    settings: CellSettings | None,
    crossed: bool,
    tail: str = "i_tail_left",
) -> OperatingPoint:
    """Two pairs with separate tails; `tail` is what the caller calls the first one."""
    s = (settings or _DEFAULT).checked()
    v_first = as_quantity("v_upper", v_first, "V")
    v_second = v_first if crossed else as_quantity("v_second", v_second, "V")
    i_left = as_quantity(tail, i_tail_left, "A", low=0.0)
    i_right = as_quantity("i_tail_right", i_tail_right, "A", low=0.0)
    inputs = {"v_upper": v_first, "v_second": v_second, tail: i_left, "i_tail_right": i_right}
    shape = _shape(s, **inputs)
    left = _upper_pair(v_first, i_left, s, s.offset_left, s._v_t)
    right = _upper_pair(v_second, i_right, s, s.offset_right, s._v_t)
    slope_left = s.r_load * _upper_slopes(left, i_left, s, s._v_t)[0]
    slope_right = s.r_load * _upper_slopes(right, i_right, s, s._v_t)[0]
    third, fourth = reversed(right) if crossed else right
    rows = _rows(
        shape,
        i_left * left[0],
        i_left * left[1],
        i_right * third,
        i_right * fourth,
        i_left,
        i_right,
    )
    gains = (slope_left - slope_right, 0.0) if crossed else (slope_left, slope_right)
    return _answer(shape, s, v_first, 0.0 if crossed else v_second, i_left + i_right, rows, gains)


def solve_pair(
    v_upper: ArrayLike, i_tail: ArrayLike, settings: CellSettings | None = None
) -> OperatingPoint:
    """One pair, Q1 and Q2, with its own two loads; the other branches carry nothing.

    Parameters and errors as `solve_cell`; `v_lower` and `gain_lower` of the answer are 0.
    v_out = i_tail r_load tanh(v_upper/2VT) and gain = gm r_load at balance.
    """
    answer = _two_pairs(v_upper, 0.0, i_tail, 0.0, settings, crossed=False, tail="i_tail")
    return replace(answer, gain_lower=np.zeros_like(answer.gain_lower))


def output_map(
    v_upper: ArrayLike,
    v_lower: ArrayLike,
    settings: CellSettings | None = None,
    i_tail: float = 1.0,
) -> Floats:
    """Output of the full cell over a grid, as a fraction of full scale i_tail r_load.

    Parameters
    ----------
    v_upper : array_like, shape (n,)
        V, across.
    v_lower : array_like, shape (m,)
        V, up.
    settings : CellSettings, optional
    i_tail : float
        A; it matters only with emitter resistors.

    Returns
    -------
    numpy.ndarray, shape (m, n)
        Between -1 and 1: multiply by i_tail r_load for volts.
    """
    s = replace(settings or _DEFAULT, r_load=1.0)
    point = solve_cell(
        np.asarray(v_upper)[None, :], np.asarray(v_lower)[:, None], i_tail, s, gains=False
    )
    return point.v_out / i_tail


@dataclass(frozen=True)
class Limit:
    """One place where the closed form stops being true.

    `name` is a short key, `holds` whether the scene is inside, `value` and `limit` in `unit`,
    `text` a sentence.
    """

    name: str
    holds: bool
    value: float
    limit: float
    unit: str
    text: str


def validity(
    point: OperatingPoint, settings: CellSettings | None = None, levels: int = 3
) -> tuple[Limit, ...]:
    """Say where the closed form stops being true for one operating point.

    Parameters
    ----------
    point : OperatingPoint
        Of any shape; the worst element counts.
    settings : CellSettings, optional
        The settings that gave it.
    levels : int
        How many are stacked below the loads: 3 for the full cell (tail source, lower
        pair, upper pairs), 2 for pairs directly on their tail sources.

    Returns
    -------
    tuple of Limit
        Linear range of each input (1 % short of its tangent, tanh series: NIST DLMF 4.33),
        load drop against the supply less 1 V a level (common practice, no source), and
        temperature of a usual plastic part (common practice, no source); none of no elements.
    """
    s = (settings or _DEFAULT).checked()
    if not point.v_out.size:
        return ()
    tail = float(np.max(point.i_tail))
    kelvin = float(np.max(point.temperature))
    limits = []
    for name, label, values, r_emitter, i_pair in (
        (
            "v_upper",
            "upper input",
            point.v_upper,
            s.r_emitter_upper,
            float(np.max(point.i_lower)),
        ),
        ("v_lower", "lower input", point.v_lower, s.r_emitter_lower, tail),
    ):
        size = float(np.max(np.abs(values)))
        r_emitter = float(np.max(r_emitter))
        limit = float(pair.linear_range(LINEAR_ERROR, i_pair, kelvin, r_emitter))
        holds = size <= limit
        shown, edge = format_quantity(size, "V"), format_quantity(limit, "V")
        limits.append(
            Limit(
                f"linear_{name}",
                holds,
                size,
                limit,
                "V",
                f"The {label}, {shown}, is within the range of {edge} where the output follows it "
                "to 1 %."
                if holds
                else f"The {label}, {shown}, is past {edge}, where the output leaves "
                "proportion by 1 %: tanh bends.",
            )
        )
    r_load = np.asarray(s.r_load)
    drop = float(np.max(point.i_load * r_load[..., None]))
    worst = float(np.max(tail * r_load))
    supply = float(np.min(s.v_supply))
    room = max(supply - levels * LEVEL_HEADROOM, 0.0)
    holds = worst <= room
    limits.append(
        Limit(
            "headroom",
            holds,
            worst,
            room,
            "V",
            f"With the whole tail current in one load it drops {format_quantity(worst, 'V')}; the "
            f"supply of {format_quantity(supply, 'V')} leaves it {format_quantity(room, 'V')} "
            f"above {levels} levels of transistors at {LEVEL_HEADROOM:g} V each, so they stay "
            "active."
            if holds
            else "With the whole tail current in one load it would drop "
            f"{format_quantity(worst, 'V')} (now {format_quantity(drop, 'V')}), "
            f"more than the {format_quantity(room, 'V')} that "
            f"a supply of {format_quantity(supply, 'V')} leaves above {levels} levels of "
            f"transistors at {LEVEL_HEADROOM:g} V each: real transistors saturate, and this "
            "prediction no longer holds.",
        )
    )
    top = 273.15 + 125.0
    if kelvin > top:
        limits.append(
            Limit(
                "temperature",
                False,
                kelvin,
                top,
                "K",
                f"{format_temperature(kelvin)} is hotter than most plastic parts allow "
                "(about 125 \u00b0C, common practice).",
            )
        )
    return tuple(limits)
