"""A capture against a circuit: read, align, try every hypothesis, say what is found.

Alignment is in `align`, boards and what they would show in `boards`, what a scope does in `scope`,
the fit of one board in `trial`, the search in `hypotheses`, the words in `explain`.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from forktail.core.built.circuit import Circuit, resistor_parts
from forktail.core.built.mismatch import Tolerances
from forktail.core.capture.align import Record, Waves, align
from forktail.core.capture.boards import (
    NO_REST,
    Board,
    Prediction,
    Spread,
    as_planned,
    movable,
    moved_by,
    predict,
    solve_rest,
)
from forktail.core.capture.columns import Capture
from forktail.core.capture.explain import (
    Cause,
    causes_of,
    percent,
    scope_lines,
    telling,
    verdict_of,
)
from forktail.core.capture.figures import Figure, figures_of, slope_caution
from forktail.core.capture.hypotheses import Found, Search, Searcher
from forktail.core.capture.scope import Setup, recognised
from forktail.core.capture.trial import Trial
from forktail.core.checks import Bools, Floats, QuantityError
from forktail.core.models import BuiltCell
from forktail.core.notebook import brief, counted, table
from forktail.core.path import PLACES, run_path

#: Most rows that are drawn and written; of a longer capture the middle.
MOST_SHOWN = 2**14


@dataclass(frozen=True, repr=False)
class Comparison:
    """A capture held against a circuit. SI units; arrays of shape (n,).

    Attributes
    ----------
    name : str
    time, measured, predicted, fitted, residual : arrays
        s and V. `measured` is the output with the scope set right, `predicted` that of the
        circuit as planned, `fitted` that of the likeliest hypothesis with tolerances and the
        errors of the scope (that of the plan where none is believed); `residual` is measured less
        predicted. NaN where there is none.
    outputs : tuple of (name, measured, predicted) of each captured output.
    v_upper, v_lower : arrays, V, inputs that the prediction used.
    used : array of bool, rows that are held against the prediction.
    healthy : whether the board is as predicted.
    belief : of what the verdict says, 0 to 1.
    verdict : str, one sentence.
    causes : tuple of explain.Cause, likeliest first.
    telling : str, the measurement that tells the first ones apart.
    other : belief that it is none of the hypotheses.
    sound : hypotheses.Found, the healthy board; None where it was out of the question.
    scope : tuple of str, what the scope does.
    figures : tuple of figures.Figure.
    probed : where the inputs were probed, as found; `named` as told, or None.
    setup : scope.Setup, by which the record was set right.
    samples, tried : samples solved, and hypotheses.
    noise : V rms, of one row of the output.
    warnings, notes : tuples of str.
    """

    name: str
    circuit: Circuit
    time: Floats
    measured: Floats
    predicted: Floats
    fitted: Floats
    residual: Floats
    outputs: tuple[tuple[str, Floats, Floats], ...]
    v_upper: Floats
    v_lower: Floats
    used: Bools
    healthy: bool
    belief: float
    verdict: str
    causes: tuple[Cause, ...]
    telling: str
    other: float
    scope: tuple[str, ...]
    figures: tuple[Figure, ...]
    probed: str
    named: str | None
    samples: int
    tried: int
    noise: float
    residual_rms: float
    output_rms: float
    record: Record = field(compare=False)
    setup: Setup = field(compare=False)
    sound: Found | None = field(default=None, compare=False)
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return brief(self, self.name, counted(self.time.size, "sample"), self.verdict)

    def _repr_html_(self) -> str:
        """A table for a notebook: the verdict, the causes, the scope."""
        rows = [(c.title, f"{c.belief:.2f}") for c in self.causes]
        return table(self.verdict, rows, ("cause", "belief"), (*self.scope, *self.warnings))

    @property
    def sound_share(self) -> str:
        """The belief in a healthy board in words: `96 %`."""
        return percent(self.sound.belief if self.sound else 0.0)

    def figure(self, key: str) -> Figure | None:
        """The figure of this key, or None."""
        return next((f for f in self.figures if f.key == key), None)

    def wave(self, cause: int | None = None) -> Floats:
        """The output as a hypothesis fits it, V on `time`.

        `cause` is its place, from 0; None for the healthy board: every part within its tolerance
        where that is the verdict, else as planned, for tolerances would have to be strained.
        """
        if cause is not None:
            found = self.causes[cause].found
        elif self.healthy and self.sound:
            found = self.sound
        else:
            return self.predicted
        values = _as_shown(found.outcome.values, found.setup, self.setup)
        return _shown(self.record, _levelled(values, self.setup), self.time)


def compare_capture(
    capture: Capture,
    circuit: Circuit,
    probed: str | None = None,
    tolerances: Tolerances | None = None,
    keep_means: bool = False,
    tell: Callable[[float, str], object] | None = None,
) -> Comparison:
    """Hold a capture against what a circuit should show, and find what is wrong.

    Parameters
    ----------
    capture : Capture
        An input that was not captured counts as switched off.
    circuit : Circuit
        As planned; faults in it are left out.
    probed : str, optional
        Where the inputs were probed, one of `path.PLACES`: "generator" (across its termination
        while the board runs; without one, before its source) or "base lines" (plus line less
        minus line). Told from the capture if left out.
    tolerances : mismatch.Tolerances, optional
        Of the parts of the board.
    keep_means : bool
        Keep the means of the inputs, which the coupling capacitors hold back.
    tell : callable, optional
        Called with (share done, what is under way).

    Returns
    -------
    Comparison

    Raises
    ------
    QuantityError
        For another place, a circuit without a solution at rest, a wave sampled too rarely, or a
        capture with no sample that can be used.
    """
    tell = tell or _silent
    if probed is not None and probed not in PLACES:
        raise QuantityError(f"probed is {probed!r}; it must be one of {', '.join(PLACES)}.")
    plan, warnings = as_planned(circuit)
    if solve_rest(Board(plan), "generator") is None:
        raise QuantityError(NO_REST)
    tell(0.02, "aligning")
    record = align(capture, keep_means)
    if not any(np.isfinite(s).sum() >= min(16, s.size) for s in record.sigma.values()):
        raise QuantityError(
            f"{capture.name}: no sample of the output is on the screen; choose more volts "
            "per division or move the trace, then capture again."
        )
    spread = Spread(tolerances or Tolerances())
    search = Searcher(record, plan, spread, probed, tell).run()
    if not search.found:
        raise QuantityError(
            f"{capture.name}: there is no prediction for these inputs (they span "
            f"{_spans(record)}); check the factors of the probes."
        )
    return _answer(capture, plan, record, search, spread, probed, warnings, tell)


def _silent(share: float, text: str) -> None:
    """Nobody listens."""


def _spans(record: Record) -> str:
    return " and ".join(f"{np.ptp(w):.3g} V" for w in record.inputs.values())


def _answer(
    capture: Capture,
    plan: Circuit,
    record: Record,
    search: Search,
    spread: Spread,
    probed: str | None,
    warnings: list[str],
    tell: Callable[[float, str], object],
) -> Comparison:
    """Put a search into figures and words."""
    causes = causes_of(plan, search, spread)
    healthy, belief, verdict = verdict_of(search, causes)
    sound = next((f for f in search.found if f.suspect.key == "healthy"), None)
    lost = not healthy and (not causes or search.other > causes[0].belief)
    if lost:  # nothing to be believed in, nor any mistake of the scope
        likeliest = search.found[0]
        setup = recognised(record, plan, likeliest.setup.at)
    else:
        likeliest = sound if sound and healthy else causes[0].found
        setup = likeliest.setup
    right = setup.correct(record)
    names = movable(plan, setup.at)
    prediction = predict(Board(plan), right, setup.at, names)
    trial = Trial(right, setup, plan, spread)
    tell(0.97, "what tells causes apart")
    apart = "" if healthy or lost else telling(plan, causes[0], right, setup.at, spread)
    figures = figures_of(trial, likeliest.outcome, prediction, names)
    rows = _rows(capture)
    time = capture.time[rows]
    measured = _levelled({n: _row_wave(capture, setup, n)[rows] for n in trial.outputs}, setup)
    predicted = _levelled(_planned(plan, right, setup, prediction, time, capture, rows), setup)
    output, expected = _difference(measured), _difference(predicted)
    fitted = expected
    if not lost:
        fitted = _shown(right, _levelled(dict(likeliest.outcome.values), setup), time)
    used = np.isfinite(expected) & np.isfinite(output)
    rest = output - expected
    caution = slope_caution(plan, right)
    warnings += [caution] if caution else []
    warnings += _cautions(right, setup) + _frozen(capture, record)
    return Comparison(
        name=capture.name,
        circuit=plan,
        time=time,
        measured=output,
        predicted=expected,
        fitted=fitted,
        residual=rest,
        outputs=tuple((n, measured[n], predicted[n]) for n in measured),
        v_upper=right.spread(right.inputs["upper"], time),
        v_lower=right.spread(right.inputs["lower"], time),
        used=used,
        healthy=healthy,
        belief=belief,
        verdict=verdict,
        causes=causes,
        telling=apart,
        other=search.other,
        scope=scope_lines(setup, None if lost else likeliest.outcome, record, probed),
        figures=figures,
        probed=setup.at,
        named=probed,
        samples=search.samples,
        tried=search.tried,
        noise=math.sqrt(sum(v**2 for v in right.noise.values() if math.isfinite(v))),
        residual_rms=float(np.sqrt(np.mean(rest[used] ** 2))) if used.any() else math.nan,
        output_rms=float(np.std(output[used])) if used.any() else math.nan,
        record=right,
        setup=setup,
        sound=sound,
        warnings=tuple(warnings),
        notes=(*capture.notes, *record.notes),
    )


def _rows(capture: Capture) -> slice:
    """Rows that are shown: all of them, or the middle."""
    n = len(capture.time)
    start = max(0, (n - MOST_SHOWN) // 2)
    return slice(start, start + MOST_SHOWN)


def _row_wave(capture: Capture, setup: Setup, name: str) -> Floats:
    """An output as captured, with the scope set right."""
    source = name
    if "outputs" in setup.exchanged and name in ("left", "right"):
        source = {"left": "right", "right": "left"}[name]
    wave = capture.v_out if source == "out" else getattr(capture, f"v_{source}")
    return wave / setup.factor(source)


def _levelled(waves: Waves, setup: Setup) -> Waves:
    """Waves of AC-coupled channels without their means."""
    return {
        n: w - np.nanmean(w) if n in setup.coupled and np.isfinite(w).any() else w
        for n, w in waves.items()
    }


def _difference(waves: Waves) -> Floats:
    """Right less left where both are there; else what there is."""
    if "left" in waves and "right" in waves:
        return waves["right"] - waves["left"]
    return next(iter(waves.values()))


def _planned(
    plan: Circuit,
    record: Record,
    setup: Setup,
    prediction: Prediction,
    time: Floats,
    capture: Capture,
    rows: slice,
) -> Waves:
    """What the circuit as planned shows, at the rows of the capture."""
    names = record.outputs
    if record.periodic:
        values = dict(prediction.values)
        values["out"] = values["right"] - values["left"]
        return {n: record.spread(values[n], time) for n in names}
    waves = {}
    for side in ("upper", "lower"):
        source = {"upper": "lower", "lower": "upper"}[side] if "inputs" in setup.exchanged else side
        wave = getattr(capture, f"v_{source}")
        if side in record.off or wave is None:
            waves[side] = np.zeros(len(time))
        else:
            waves[side] = (wave[rows] - wave.mean()) / setup.factor(source)
    step = float(np.median(np.diff(time))) if capture.uniform else math.nan
    cell = BuiltCell(plan)
    passed = run_path(cell, waves["upper"], waves["lower"], step, at=setup.at, periodic=False)
    point = passed.loads
    found = {"left": point.v_left, "right": point.v_right, "out": point.v_out}
    return {n: found[n] for n in names}


def _shown(record: Record, values: Waves, time: Floats) -> Floats:
    """A fit of the record at the rows of the capture: the output."""
    return _difference({n: record.spread(w, time) for n, w in values.items()})


def _as_shown(values: Waves, theirs: Setup, ours: Setup) -> Waves:
    """Outputs of a record set right by one setup, as another one would set them right."""
    other = {"left": "right", "right": "left"}
    out = {}
    for name, wave in values.items():
        channel = other.get(name, name) if "outputs" in theirs.exchanged else name
        to = other.get(channel, channel) if "outputs" in ours.exchanged else channel
        out[to] = wave * (theirs.factor(channel) / ours.factor(channel))
    return out


def _cautions(record: Record, setup: Setup) -> list[str]:
    out = []
    for side in record.off:
        where = "" if setup.at == "generator" else (
            ". If it should be driven, nothing arrives: check its generator and its coupling "
            "capacitor"
        )  # fmt: skip
        out.append(f"The {side} input is at rest, so the comparison rests on the other "
                   f"drive alone{where}.")  # fmt: skip
    if set(record.off) == {"upper", "lower"}:
        out = ["Both inputs are at rest: only the levels of the collectors are compared."]
    return out


def _frozen(capture: Capture, record: Record) -> list[str]:
    """Channels without even noise: a board that does nothing looks like a trace off the screen."""
    names = {"left": "left collector", "right": "right collector", "out": "output"}
    still = [n for n in record.outputs if np.ptp(getattr(capture, f"v_{n}")) == 0.0]
    return [
        f"The channel of the {names[n]} has the same value in every row, with no noise: check that "
        "its trace was on the screen."
        for n in still
        if record.driven
    ]


def found_circuit(comparison: Comparison, place: int | None = None) -> Circuit:
    """The board as found, as a circuit: that of a cause, or of the plan where it is healthy.

    Parameters
    ----------
    comparison : Comparison
    place : int, optional
        Of the cause, from 0.

    Returns
    -------
    Circuit
        Values and faults of that hypothesis. One emitter resistor that differs from its
        neighbours becomes the mean of its pairs: a circuit has one value for each pair.
    """
    plan = comparison.circuit
    if place is None:
        return plan
    found = comparison.causes[place].found
    board = found.outcome.board
    moves = {n: by for n, by in board.moves if _moved_far(found, n)}
    circuit, scale = Board(found.suspect.circuit, tuple(moves.items())).solved
    fields, area = {}, list(circuit.area)
    for name, factor in scale.items():
        if name.startswith("Q"):
            area[int(name[1]) - 1] *= factor
        elif name.startswith("r_emitter_q"):
            side = "upper" if int(name[-1]) < 5 else "lower"
            share = sum(n.startswith("r_emitter_q") for n in scale)
            whole = 4 if side == "upper" else 2
            ohms = getattr(circuit, f"r_emitter_{side}")
            mean = 1.0 + (factor - 1.0) * (share / whole if share == whole else 1.0 / whole)
            fields[f"r_emitter_{side}"] = ohms * mean
        elif name in resistor_parts(circuit) or name == "i_tail":
            fields[name] = getattr(circuit, name) * factor
    for side in ("left", "right"):
        if f"c_{side}" in moves:
            fields["c_load"] = circuit.c_load * math.exp(moves[f"c_{side}"])
    for side in ("upper", "lower"):
        if f"c_coupling_{side}" in moves:
            name = f"c_coupling_{side}"
            fields[name] = getattr(circuit, name) * math.exp(moves[name])
    fields = {n: float(f"{v:.4g}") for n, v in fields.items()}
    return replace(circuit, **fields, area=tuple(area))


def _moved_far(found: Found, name: str) -> bool:
    return any(name in moved_by(key) for key in found.suspect.wide)


def as_plain(comparison: Comparison) -> dict[str, Any]:
    """A comparison as plain numbers, texts, lists and dictionaries, its arrays left out."""
    c = comparison

    def cause(x: Cause) -> dict[str, Any]:
        return {
            "key": x.key, "title": x.title, "belief": x.belief, "own_belief": x.own,
            "alike": list(x.alike), "factor": _number(x.found.factor),
            "evidence": x.evidence, "advice": x.advice,
        }  # fmt: skip

    return {
        "name": c.name,
        "verdict": c.verdict,
        "healthy": c.healthy,
        "belief": c.belief,
        "probed": c.probed,
        "causes": [cause(x) for x in c.causes],
        "other": c.other,
        "telling": c.telling,
        "scope": list(c.scope),
        "figures": {
            f.key: {
                "measured": _number(f.measured), "predicted": _number(f.predicted),
                "low": _number(f.low), "high": _number(f.high), "unit": f.unit,
                "inside": bool(f.inside),
            }
            for f in c.figures
        },
        "noise_rms": _number(c.noise),
        "residual_rms": _number(c.residual_rms),
        "output_rms": _number(c.output_rms),
        "samples_solved": c.samples,
        "tried": c.tried,
        "warnings": list(c.warnings),
        "notes": list(c.notes),
    }  # fmt: skip


def _number(v: float) -> float | None:
    return float(v) if math.isfinite(v) else None
