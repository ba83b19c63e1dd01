"""What every use answers with: records, curves, figures of merit with their relations.

A page or a command can draw any `UseResult` without knowing which use it came from.
"""

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from forktail.core.cell.law import CellSettings, solve_cell
from forktail.core.checks import QuantityError
from forktail.core.models import TextbookCell
from forktail.core.quantities import format_quantity
from forktail.core.spec import specs_of
from forktail.core.uses.reference import bench
from forktail.core.waves.sound import sound_from_record
from forktail.core.waves.spectrum import LabelledSpectrum

#: Full level of a sound is the full scale of the cell divided by this; what is louder is limited.
LOUD = 10.0


@dataclass(frozen=True)
class Trace:
    """One line of a plot: `x` and `y` of shape (n,), with their units and a label.

    `role` is `result` (from the core), `relation` (the textbook law beside it), `second`
    (another result) or `guide` (a limit or an envelope).
    """

    x: np.ndarray
    y: np.ndarray
    x_unit: str
    y_unit: str
    label: str
    role: str = "result"


@dataclass(frozen=True)
class Curve:
    """A characteristic: several traces over one x axis, and where the scene stands on it.

    `point` is (x, y) or None; `text` is one sentence on how to read it.
    """

    title: str
    x_label: str
    x_unit: str
    y_label: str
    y_unit: str
    traces: tuple
    point: tuple = None
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
        Whether the scene is inside the limit.
    stops : str
        "It stops holding when ..." with the limit in it.
    """

    key: str
    name: str
    value: float
    unit: str
    relation: str = ""
    relation_value: float = None
    limit: float = None
    limit_unit: str = ""
    holds: bool = True
    stops: str = ""

    @property
    def reading(self):
        """The value as shown, such as `14.2 dB`."""
        return show(self.value, self.unit)

    @property
    def relation_reading(self):
        """The value of the relation as shown ("" if there is none)."""
        return "" if self.relation_value is None else show(self.relation_value, self.unit)


@dataclass(frozen=True)
class Listen:
    """What can be heard of a result: a record (V, whole periods of `duration` s), the volts
    that count as full level, and the shift and slowing (see `sound.sound_from_record`) that
    bring it into hearing."""

    record: np.ndarray
    duration: float
    full_scale: float
    shift: float = 0.0
    slow_by: float = 1.0

    def sound(self, seconds=2.0, rate=48000):
        """`sound.sound_from_record` of it: returns Sound, limited in level."""
        return sound_from_record(
            self.record, self.duration, self.full_scale, seconds, rate, self.shift, self.slow_by
        )


@dataclass(frozen=True)
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
    """

    key: str
    title: str
    model: str
    settings: object
    sentence: str
    records: dict
    spectrum: LabelledSpectrum
    curves: tuple
    merits: tuple
    window: str = ""
    listen: Listen = None
    notes: tuple = ()

    def merit(self, key):
        """The figure of merit with this key, or QuantityError that lists them."""
        for m in self.merits:
            if m.key == key:
                return m
        raise QuantityError(
            f"'{key}' is not a figure here; there are {', '.join(m.key for m in self.merits)}."
        )


def departures(solve):
    """The offsets and emitter resistors of a `TextbookCell` that are not zero: name -> value."""
    if not isinstance(solve, TextbookCell):
        return {}
    return {
        name: getattr(solve, name)
        for name in specs_of(solve)
        if name.startswith(("offset", "r_emitter")) and getattr(solve, name) != 0.0
    }


#: By how much a textbook cell may move a figure before its relation is given up: in dB and in
#: degrees for such units, else as a part of the relation.
MOVED = {"dB": 0.2, "deg": 0.5, "part": 0.02}
#: The same of a built cell, whose parts keep their values no better (resistors of 5 %: common
#: practice, no source).
MOVED_BUILT = {"dB": 0.5, "deg": 2.0, "part": 0.05}


def held_against_matched(run, settings, solve, detail=True):
    """Run a use; what spoils a relation is named beside it.

    The relations are those of matched pairs without emitter resistors, so the same use is run on
    such a cell too. Where the given cell takes a figure further from its relation than that, by
    more than `MOVED` or, if it is built, `MOVED_BUILT`, the relation does not hold.

    Parameters
    ----------
    run : callable
        (settings, solve, detail) -> UseResult.
    settings : dataclass or None
    solve : callable or None
    detail : bool

    Returns
    -------
    UseResult

    Raises
    ------
    QuantityError
        As `run`.
    """
    result = run(settings, solve, detail)
    spoilt, moved = departures(solve), MOVED
    if spoilt:
        matched = replace(solve, **dict.fromkeys(spoilt, 0.0))
        because = (
            "the relation is that of matched pairs without emitter resistors; "
            f"set here: {_in_a_sentence(solve, spoilt)}."
        )
    elif result.model == "built":
        b, moved = bench(solve), MOVED_BUILT
        matched = partial(
            solve_cell,
            i_tail=b.i_tail,
            settings=CellSettings(r_load=b.r_load, temperature=b.temperature),
        )
        ohms = {"upper": b.r_emitter_upper, "lower": b.r_emitter_lower}
        has = "".join(
            f"{side} emitter resistors of {format_quantity(r, 'ohm')}, "
            for side, r in ohms.items()
            if r
        )
        because = (
            f"this built cell has {has}finite current gain, loading and bias of its own, "
            "which the relation leaves out."
        )
    else:
        return result
    plain = run(settings, matched, False)

    def told(merit):
        to = "" if spoilt else f" to {_allowed_text(merit, moved)}"
        return replace(
            merit, holds=False, stops=f"{merit.stops} Now it does not hold{to}: {because}"
        )

    return replace(
        result,
        merits=tuple(
            told(m) if m.holds and _taken_away(m, other.value, moved) else m
            for m, other in zip(result.merits, plain.merits)
        ),
    )


def _allowed_text(merit, moved):
    unit = merit.unit if merit.unit in moved else "part"
    return f"{100 * moved[unit]:g} %" if unit == "part" else show(moved[unit], unit)


def _in_a_sentence(solve, names):
    """Settings of a cell as words: `upper emitter resistors 100 ohm and ...`."""
    # "Emitter resistors, upper" is read in a sentence as "upper emitter resistors"
    labels = {
        name: (" ".join(reversed(s.label.lower().split(", "))), s.unit)
        for name, s in specs_of(solve).items()
    }
    *most, last = (f"{labels[n][0]} {format_quantity(v, labels[n][1])}" for n, v in names.items())
    return f"{', '.join(most)} and {last}" if most else last


def _taken_away(merit, matched, moved):
    """Whether a figure is further from its relation than that of a matched cell."""
    law = merit.relation_value
    if law is None or law == 0.0 or not math.isfinite(law):
        return False  # nothing to compare, or a zero that has its own limit
    allowed = moved.get(merit.unit, moved["part"] * abs(law))
    return not abs(merit.value - law) <= abs(matched - law) + allowed


def show(value, unit):
    """A figure as text; levels at the floor of +-200 dB and beyond say so."""
    if math.isinf(value):
        return "no limit" if value > 0 else "none"
    if unit == "dB":
        if value >= 200.0:
            return "beyond 200 dB"
        if value <= -200.0:
            return "under \u2212200 dB"
    # what is left of a zero after rounding is shown as the zero it is
    if abs(value) < {"dB": 5e-4, "%": 1e-9, "deg": 1e-9}.get(unit, 1e-15):
        value = 0.0
    return format_quantity(value, unit)


def time_trace(x, y, label, y_unit="V", role="result"):
    """A time record as a Trace (x in s)."""
    return Trace(x, np.asarray(y, dtype=float), "s", y_unit, label, role)


def as_json(result, arrays=False):
    """Plain data of a result, ready for `json.dumps`.

    Parameters
    ----------
    result : UseResult
    arrays : bool
        Whether records and curves are included.

    Returns
    -------
    dict
        Keys use, title, model, settings, sentence, window, figures, lines, notes, and with
        `arrays` records and curves. What is not finite is None.
    """

    def plain(x):
        if isinstance(x, (str, bool)) or x is None:
            return x
        x = float(x)
        return x if math.isfinite(x) else None

    def trace(t):
        return {
            "x": [plain(v) for v in t.x],
            "y": [plain(v) for v in t.y],
            "x_unit": t.x_unit,
            "y_unit": t.y_unit,
            "label": t.label,
            "role": t.role,
        }

    data = {
        "use": result.key,
        "title": result.title,
        "model": result.model,
        "settings": {
            name: plain(getattr(result.settings, name)) for name in specs_of(result.settings)
        },
        "sentence": result.sentence,
        "window": result.window,
        "figures": {
            m.key: {
                "name": m.name,
                "value": plain(m.value),
                "unit": m.unit,
                "relation": m.relation,
                "relation_value": plain(m.relation_value),
                "limit": plain(m.limit),
                "limit_unit": m.limit_unit,
                "holds": bool(m.holds),
                "stops": m.stops,
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
    }
    if arrays:
        data["records"] = {k: trace(t) for k, t in result.records.items()}
        data["curves"] = [
            {
                "title": c.title,
                "x_label": c.x_label,
                "x_unit": c.x_unit,
                "y_label": c.y_label,
                "y_unit": c.y_unit,
                "text": c.text,
                "point": list(map(plain, c.point)) if c.point else None,
                "traces": [trace(t) for t in c.traces],
            }
            for c in result.curves
        ]
    return data
