"""What every use answers with: records, curves, figures of merit with their relations.

A page or a command can draw any `UseResult` without knowing which use it came from.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.checks import Floats, QuantityError
from forktail.core.notebook import brief, table
from forktail.core.quantities import format_quantity
from forktail.core.spec import specs_of
from forktail.core.waves.sound import Density, Sound, sound_from_record
from forktail.core.waves.spectrum import LabelledSpectrum

#: Full level of a sound is the full scale of the cell divided by this; what is louder is limited.
LOUD = 10.0

# ---------------------------------------------------------------- numbers of one run


@dataclass(frozen=True)
class Figure:
    """One figure of merit as measured on the cell: `value` in `unit` (dB, deg, %, or SI)."""

    value: float
    unit: str = ""


@dataclass(frozen=True)
class Relation:
    """What a textbook law gives for a figure, and where it ends.

    Attributes
    ----------
    value : float or None
        In the unit of the figure; None where there is no law for the scene.
    within : float
        How far the figure may lie from the law while it holds, in its unit; NaN asks for
        `CLOSE` of the model.
    limit, limit_unit : float or None, str
        The computed limit at which the law ends.
    inside : bool
        Whether the scene is inside that limit.
    """

    value: float | None = None
    within: float = math.nan
    limit: float | None = None
    limit_unit: str = ""
    inside: bool = True


#: How close a figure must come to its relation where the relation itself says nothing else: in
#: dB and degrees, per cent points for a law of 0, else as a part of the relation. A built cell
#: keeps its values no better than its parts (resistors of 5 %: common practice, no source).
CLOSE = {
    "textbook": {"dB": 0.2, "deg": 0.5, "%": 0.5, "part": 0.02},
    "built": {"dB": 0.5, "deg": 2.0, "%": 1.0, "part": 0.05},
}


def allowed(figure: Figure, relation: Relation, model: str) -> float:
    """How far a figure may lie from its relation while that holds, in its unit."""
    close = CLOSE[model]
    if figure.unit in ("dB", "deg"):
        least = close[figure.unit]
    elif relation.value:
        least = close["part"] * abs(relation.value)
    else:
        least = close["%"] if figure.unit == "%" else 0.0
    return least if math.isnan(relation.within) else max(relation.within, least)


def agrees(figure: Figure, relation: Relation, model: str) -> bool:
    """Whether a figure is as close to its relation as that claims; True if there is no law."""
    law, value = relation.value, figure.value
    if law is None or law == value or not math.isfinite(law):
        return True
    if figure.unit == "dB" and min(abs(law), abs(value)) >= 200.0 and law * value > 0.0:
        return True  # both are beyond all measure
    return math.isfinite(value) and abs(value - law) <= allowed(figure, relation, model)


# ---------------------------------------------------------------- the answer


@dataclass(frozen=True)
class Trace:
    """One line of a plot: `x` and `y` of shape (n,), with their units and a label.

    `role` is `result` (from the core), `relation` (the textbook law beside it), `second`
    (another result) or `guide` (a limit or an envelope).
    """

    x: Floats
    y: Floats
    x_unit: str
    y_unit: str
    role: str = "result"
    label: str = ""


@dataclass(frozen=True)
class Curve:
    """A characteristic: several traces over one x axis, and where the scene is on it.

    `point` is (x, y) or None; `text` is one sentence on how to read it.
    """

    key: str
    x_unit: str
    y_unit: str
    traces: tuple[Trace, ...]
    point: tuple[float, float] | None = None
    title: str = ""
    x_label: str = ""
    y_label: str = ""
    text: str = ""


@dataclass(frozen=True)
class Merit:
    """One figure of merit with the textbook relation beside it.

    Attributes
    ----------
    key, name : str
    value : float
        From the core, in `unit` (dB, deg, %, or SI).
    unit : str
    relation : str
        The textbook relation in words and symbols ("" if there is none).
    relation_value : float or None
        What it gives for this scene, in `unit`.
    limit : float or None
        The computed limit, in `limit_unit`, at which the relation stops holding.
    limit_unit : str
    holds : bool
        Whether the scene is inside the limit, and the figure as close as the relation claims.
    stops : str
        "It stops holding when ..." with the limit in it.
    because : str
        Why it does not hold here: which part causes it ("" where it holds, or not asked for).
    """

    key: str
    name: str
    value: float
    unit: str
    relation: str = ""
    relation_value: float | None = None
    limit: float | None = None
    limit_unit: str = ""
    holds: bool = True
    stops: str = ""
    because: str = ""

    @property
    def reading(self) -> str:
        """The value as shown, such as `14.2 dB`."""
        return show(self.value, self.unit)

    @property
    def relation_reading(self) -> str:
        """The value of the relation as shown ("" if there is none)."""
        return "" if self.relation_value is None else show(self.relation_value, self.unit)


@dataclass(frozen=True)
class Listen:
    """What can be heard of a result: a record (V, whole periods of `duration` s), the volts
    that count as full level, the shift and slowing (see `sound.sound_from_record`) that
    bring it into hearing, and the density of its noise, if that is known."""

    record: Floats
    duration: float
    full_scale: float
    shift: float = 0.0
    slow_by: float = 1.0
    noise: Density | None = None

    def sound(self, seconds: float = 2.0, rate: float = 48000, noisy: bool = False) -> Sound:
        """The Sound of it, limited in level; `noisy` with its noise (`sound.sound_from_record`)."""
        return sound_from_record(
            self.record, self.duration, self.full_scale, seconds, rate, self.shift, self.slow_by,
            noise=self.noise if noisy else None,
        )  # fmt: skip


@dataclass(frozen=True)
class Shown:
    """What a run is drawn and heard from: records by key, spectrum, window in words, sound."""

    records: dict[str, Trace]
    spectrum: LabelledSpectrum | None
    window: str = ""
    listen: Listen | None = None


@dataclass(frozen=True, repr=False)
class UseResult:
    """Everything that one use shows.

    Attributes
    ----------
    key, title, model : str
    settings : dataclass of specs
    sentence : str
        What is happening now, from the numbers.
    records : dict of str to Trace
        Time records by name, x in s.
    spectrum : LabelledSpectrum or None
    curves : tuple of Curve
        Empty if detail was not asked for.
    merits : tuple of Merit
    window : str
        How the window was chosen, in words.
    listen : Listen or None
    notes : tuple of str
        Warnings and what is invented.
    noise : tuple of (str, float)
        Which parts make the noise, and how many per cent of its power, the largest first; empty
        where no noise is told.
    """

    key: str
    title: str
    model: str
    settings: Any
    sentence: str
    records: Mapping[str, Trace]
    spectrum: LabelledSpectrum | None
    curves: tuple[Curve, ...]
    merits: tuple[Merit, ...]
    window: str = ""
    listen: Listen | None = None
    notes: tuple[str, ...] = ()
    noise: tuple[tuple[str, float], ...] = ()

    def __repr__(self) -> str:
        return brief(self, self.key, self.model, *(f"{m.key} {m.reading}" for m in self.merits[:3]))

    def _repr_html_(self) -> str:
        """A table for a notebook: every figure of merit with its textbook value."""
        rows = [
            (m.key, m.name, m.reading, m.relation_reading, "yes" if m.holds else "no")
            for m in self.merits
        ]
        head = ("name", "what it is", "value", "textbook relation", "holds")
        notes = (self.sentence, *(m.stops for m in self.merits if not m.holds), *self.notes)
        return table(f"{self.title}, {self.model} cell", rows, head, notes)

    def merit(self, key: str) -> Merit:
        """The figure of merit with this key, or QuantityError that lists them."""
        for m in self.merits:
            if m.key == key:
                return m
        raise QuantityError(
            f"'{key}' is not a figure here; there are {', '.join(m.key for m in self.merits)}."
        )


def show(value: float, unit: str) -> str:
    """A figure as text; levels at the floor of +-200 dB and beyond say so."""
    if math.isnan(value):
        return "\u2013"  # there is nothing to measure
    if math.isinf(value):
        return "no limit" if value > 0 else "none"
    if unit == "dB":
        if value >= 200.0:
            return "beyond 200 dB"
        if value <= -200.0:
            return "under \u2212200 dB"
    # what is left of a zero after rounding is shown as the zero it is
    if abs(value) < {"dB": 5e-3, "%": 1e-9, "%/K": 1e-6, "deg": 1e-9}.get(unit, 1e-15):
        value = 0.0
    return format_quantity(value, unit)


def dense(low: float, high: float, around: Sequence[float], count: int = 81) -> Floats:
    """Points of a curve from `low` to `high`: even, and ever closer to each place of `around`.

    There a level in dB has its pole: even points miss its tip by as many dB as chance has it, and
    draw its flanks as straight lines. The closest are 1e-7 of the whole away, which is 80 dB
    below what a tenth of a per cent leaves.

    Parameters
    ----------
    low, high : float
    around : sequence of float
        In the unit of both; those outside are left out.
    count : int
        Even points.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Rising, `low` and `high` included.
    """
    steps = (high - low) * np.geomspace(1e-7, 0.5, 28)
    points = [np.linspace(low, high, count)]
    for place in around:
        if low <= place <= high:
            points += [place - steps, np.array([place]), place + steps]
    x = np.unique(np.concatenate(points))
    return x[(x >= low) & (x <= high)]


def time_trace(x: ArrayLike, y: ArrayLike, role: str = "result", y_unit: str = "V") -> Trace:
    """A time record as a Trace (x in s)."""
    return Trace(np.asarray(x, dtype=float), np.asarray(y, dtype=float), "s", y_unit, role)


def _plain(x: Any) -> Any:
    if isinstance(x, (str, bool)) or x is None:
        return x
    x = float(x)
    return x if math.isfinite(x) else None


def _trace_data(t: Trace) -> dict[str, Any]:
    return {
        "x": [_plain(v) for v in t.x],
        "y": [_plain(v) for v in t.y],
        "x_unit": t.x_unit,
        "y_unit": t.y_unit,
        "label": t.label,
        "role": t.role,
    }


def as_json(result: UseResult, arrays: bool = False) -> dict[str, Any]:
    """Plain data of a result, ready for `json.dumps`.

    Parameters
    ----------
    result : UseResult
    arrays : bool
        Whether records and curves are included.

    Returns
    -------
    dict
        Keys use, title, model, settings, sentence, window, figures, lines, notes, noise, and with
        `arrays` records and curves. What is not finite is None.
    """
    data = {
        "use": result.key,
        "title": result.title,
        "model": result.model,
        "settings": {n: _plain(getattr(result.settings, n)) for n in specs_of(result.settings)},
        "sentence": result.sentence,
        "window": result.window,
        "figures": {
            m.key: {
                "name": m.name,
                "value": _plain(m.value),
                "unit": m.unit,
                "relation": m.relation,
                "relation_value": _plain(m.relation_value),
                "limit": _plain(m.limit),
                "limit_unit": m.limit_unit,
                "holds": bool(m.holds),
                "stops": m.stops,
                "because": m.because,
            }
            for m in result.merits
        },
        "lines": []
        if result.spectrum is None
        else [
            {
                "frequency": ln.frequency,
                "peak": ln.peak,
                "db": ln.db,
                "origin": ln.origin,
                "label": ln.label,
                "orders": list(ln.orders),
                "also": list(ln.also),
            }
            for ln in result.spectrum.lines
        ],
        "notes": list(result.notes),
        "noise": {name: _plain(percent) for name, percent in result.noise},
    }
    if arrays:
        data["records"] = {k: _trace_data(t) for k, t in result.records.items()}
        data["curves"] = [
            {
                "title": c.title,
                "x_label": c.x_label,
                "x_unit": c.x_unit,
                "y_label": c.y_label,
                "y_unit": c.y_unit,
                "text": c.text,
                "point": list(map(_plain, c.point)) if c.point else None,
                "traces": [_trace_data(t) for t in c.traces],
            }
            for c in result.curves
        ]
    return data
