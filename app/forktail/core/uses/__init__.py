"""Every use of the cell by its key: title, settings, and the steps that run it.

`variable_gain`, `gain_control_loop`, `am`, `dsb`, `ssb`, `mixer`, `phase_detector`, `squarer`.
Each runs on any solver `solve(v_upper, v_lower) -> OperatingPoint`; the textbook cell is the
default. A built cell is run with its path: source, coupling corners and load pole count. All
examples belong to an invented workshop for bat-call receivers.

A use is measured (numbers), related (the textbook laws and where they end), said (words), shown
(records, spectrum, sound) and, if asked for, drawn as curves.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Any

from forktail.core.built.circuit import Circuit
from forktail.core.checks import QuantityError
from forktail.core.models import Solver, solver_of
from forktail.core.path import Path
from forktail.core.spec import checked, read_settings
from forktail.core.uses import causes, gain, mixing, modulation, phase, words
from forktail.core.uses.reference import Bench, bench
from forktail.core.uses.result import Curve, Figure, Merit, Shown, UseResult, agrees
from forktail.core.uses.words import gain as words_gain
from forktail.core.uses.words import mixing as words_mixing
from forktail.core.uses.words import modulation as words_modulation
from forktail.core.uses.words import noise as words_noise
from forktail.core.uses.words import phase as words_phase


@dataclass(frozen=True)
class Use:
    """One use.

    Attributes
    ----------
    key, title, summary : str
        `summary` is one sentence on what it is for.
    settings : type
        Dataclass of specs.
    measure : callable
        (settings, Bench) -> numbers of a run, with `figures` (key -> Figure).
    relate : callable
        (settings, Bench, run) -> its laws, with `relations` (key -> Relation).
    say : callable
        (settings, Bench, run, laws) -> words.Said.
    show : callable
        (settings, Bench, run) -> result.Shown.
    curves : callable
        (settings, Bench, run) -> tuple of Curve without words.
    records : dict of str to str
        Labels of the records.
    dc : tuple of (str, str)
        Settings that are DC on an input, and which one.
    """

    key: str
    title: str
    summary: str
    settings: type
    measure: Callable[[Any, Bench], Any]
    relate: Callable[[Any, Bench, Any], Any]
    say: Callable[[Any, Bench, Any, Any], words.Said]
    show: Callable[[Any, Bench, Any], Shown]
    curves: Callable[[Any, Bench, Any], tuple[Curve, ...]]
    records: Mapping[str, str]
    dc: tuple[tuple[str, str], ...] = ()


USES = {
    u.key: u
    for u in (
        Use(
            "variable_gain",
            "Variable gain",
            "A control voltage on the lower input sets how much, and with which sign, the signal "
            "on the upper input is amplified.",
            gain.VariableGain,
            gain.measure_gain,
            gain.relate_gain,
            words_gain.gain,
            gain.show_gain,
            gain.curves_gain,
            words_gain.GAIN_RECORDS,
            (("control", "lower"),),
        ),
        Use(
            "gain_control_loop",
            "Gain control loop",
            "A detector and an integrator move the control voltage so that the output keeps its "
            "level when a bat comes closer.",
            gain.GainControlLoop,
            gain.measure_loop,
            gain.relate_loop,
            words_gain.loop,
            gain.show_loop,
            gain.curves_loop,
            words_gain.LOOP_RECORDS,
            (("control_limit", "lower"),),
        ),
        Use(
            "am",
            "Amplitude modulation",
            "A tone on a DC level makes the carrier swell and shrink: the roost beacon.",
            modulation.AmplitudeModulation,
            modulation.measure_am,
            modulation.relate_am,
            words_modulation.am,
            modulation.show_am,
            modulation.curves_am,
            words_modulation.RECORDS,
            (("offset", "lower"),),
        ),
        Use(
            "dsb",
            "Double sideband",
            "Without DC on the modulating input the carrier vanishes and the sidebands stay.",
            modulation.DoubleSideband,
            modulation.measure_dsb,
            modulation.relate_dsb,
            words_modulation.dsb,
            modulation.show_dsb,
            modulation.curves_dsb,
            words_modulation.RECORDS,
            (("offset", "lower"), ("trim", "lower")),
        ),
        Use(
            "ssb",
            "Single sideband by phasing",
            "Two cells a quarter cycle apart cancel one of the two sidebands.",
            modulation.SingleSideband,
            modulation.measure_ssb,
            modulation.relate_ssb,
            words_modulation.ssb,
            modulation.show_ssb,
            modulation.curves_ssb,
            words_modulation.SSB_RECORDS,
        ),
        Use(
            "mixer",
            "Mixer",
            "A 45 kHz bat call meets a 43 kHz oscillator and is heard at 2 kHz.",
            mixing.Mixer,
            mixing.measure_mixer,
            mixing.relate_mixer,
            words_mixing.mixer,
            mixing.show_mixer,
            mixing.curves_mixer,
            words_mixing.RECORDS,
        ),
        Use(
            "phase_detector",
            "Phase detector",
            "The mean output tells the phase between two inputs of one frequency: the "
            "range-finder.",
            phase.PhaseDetector,
            phase.measure_detector,
            phase.relate_detector,
            words_phase.detector,
            phase.show_detector,
            phase.curves_detector,
            words_phase.DETECTOR_RECORDS,
        ),
        Use(
            "squarer",
            "Squarer, frequency doubler",
            "The same wave on both inputs comes out at twice its frequency.",
            phase.Squarer,
            phase.measure_squarer,
            phase.relate_squarer,
            words_phase.squarer,
            phase.show_squarer,
            phase.curves_squarer,
            words_phase.SQUARER_RECORDS,
            (("offset_upper", "upper"), ("offset_lower", "lower")),
        ),
    )
}


def use_of(key: str) -> Use:
    """The Use with this key, or QuantityError that lists the keys."""
    if key not in USES:
        raise QuantityError(f"use is {key!r}; there are {', '.join(USES)}.")
    return USES[key]


def run_use(
    key: str,
    settings: Any = None,
    solve: Solver | Circuit | None = None,
    detail: bool = True,
    path: Path | None = None,
) -> UseResult:
    """Run one use.

    Parameters
    ----------
    key : str
        A key of `USES`.
    settings : dataclass or mapping, optional
        The settings of this use, or typed entries (see `spec.read_settings`).
    solve : Circuit or callable, optional
        (v_upper, v_lower) -> OperatingPoint; the built cell of a circuit, the textbook cell if
        left out.
    detail : bool
        Whether the characteristic curves are computed, and what causes a figure to be off.
    path : path.Path, optional
        What lies before and behind the cell; that of the solver if left out.

    Returns
    -------
    UseResult

    Raises
    ------
    QuantityError
        For an unknown use, settings that cannot be used, or a cell without an answer.
    """
    use = use_of(key)
    if isinstance(settings, Mapping):
        settings = read_settings(use.settings, settings)
    elif settings is not None and not isinstance(settings, use.settings):
        raise QuantityError(
            f"settings are {type(settings).__name__}; it must be {use.settings.__name__} for {key}."
        )
    s = checked(settings or use.settings())
    b = bench(solver_of(solve), path)
    run = use.measure(s, b)
    laws = use.relate(s, b, run)
    said = use.say(s, b, run, laws)
    merits = _merits(run, laws, said, b)
    curves: tuple[Curve, ...] = ()
    if detail:
        merits = _with_causes(use, s, b, run, laws, merits)
        curves = tuple(_told(c, said.curves[c.key]) for c in use.curves(s, b, run))
    shown = use.show(s, b, run)
    records = {k: replace(t, label=use.records[k]) for k, t in shown.records.items()}
    return UseResult(
        key, use.title, b.model, s, said.sentence, records, shown.spectrum, curves, merits,
        shown.window or said.window, shown.listen, (*said.notes, *words.dc_notes(s, b, use.dc)),
        words_noise.parts(run.noise) if hasattr(run, "noise") else (),
    )  # fmt: skip


def _merits(run: Any, laws: Any, said: words.Said, b: Bench) -> tuple[Merit, ...]:
    out = []
    for key, figure in run.figures.items():
        relation, told = laws.relations[key], said.figures[key]
        out.append(
            Merit(
                key, told.name, figure.value, figure.unit, told.relation, relation.value,
                relation.limit, relation.limit_unit,
                bool(relation.inside and agrees(figure, relation, b.model)), told.stops,
            )
        )  # fmt: skip
    return tuple(out)


def _with_causes(
    use: Use, s: Any, b: Bench, run: Any, laws: Any, merits: tuple[Merit, ...]
) -> tuple[Merit, ...]:
    """The merits, with the part that causes it named where one does not hold."""

    def distances(run: Any, laws: Any) -> dict[str, float]:
        out = {}
        for key, figure in run.figures.items():
            law = laws.relations[key].value
            found = figure.value - (law if law is not None and math.isfinite(law) else 0.0)
            if math.isfinite(found):
                out[key] = found
        return out

    def judge(ideal: Bench) -> dict[str, float]:
        other = use.measure(s, ideal)
        return distances(other, use.relate(s, ideal, other))

    failing = {m.key for m in merits if not m.holds}
    off = {k: d for k, d in distances(run, laws).items() if k in failing}
    parts = causes.shares(off, judge, b) if off else {}

    def told(merit: Merit) -> Merit:
        if merit.holds:
            return merit
        relation = laws.relations[merit.key]
        close = agrees(Figure(merit.value, merit.unit), relation, b.model)
        return replace(
            merit,
            because=words.because(merit, close, relation.inside, parts.get(merit.key, ()), b),
        )

    return tuple(map(told, merits))


def _told(curve: Curve, said: words.CurveWords) -> Curve:
    return replace(
        curve,
        title=said.title,
        x_label=said.x_label,
        y_label=said.y_label,
        text=said.text,
        traces=tuple(
            t if t.label else replace(t, label=n) for t, n in zip_longest(curve.traces, said.labels)
        ),
    )
