"""Two drives of any kind through the cell: waveforms, ideal product, spectrum, figures."""

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from forktail.core.built.circuit import Circuit
from forktail.core.cell.law import OperatingPoint
from forktail.core.checks import Floats, as_quantity
from forktail.core.models import Solver, solver_of
from forktail.core.notebook import brief, counted, table
from forktail.core.path import Path, path_for, run_path
from forktail.core.quantities import format_fixed
from forktail.core.quantities import format_quantity as text_of
from forktail.core.uses.reference import Bench, bench
from forktail.core.uses.result import Figure, Merit, Relation, agrees
from forktail.core.uses.steady import terms
from forktail.core.uses.words import divided, divisor
from forktail.core.waves import drives
from forktail.core.waves.spectrum import (
    FLOOR_DB,
    LabelledSpectrum,
    Line,
    Tone,
    carrier_suppression,
    complex_envelope,
    decibel,
    harmonic_levels,
    labelled_spectrum,
    level_ratio,
    third_order_products,
)

#: Lines of a spectrum in the table of a notebook.
SHOWN_LINES = 6


@dataclass(frozen=True, eq=False, repr=False)
class SignalRun:
    """Everything that two drives give. Arrays are of shape (n,), n = window.samples.

    One run equals another only if it is the very same.

    Attributes
    ----------
    window : drives.Window
    upper, lower : drives.Drive
        As used: with the frequencies of the window.
    time : s. v_upper, v_lower : V at the cell, after the coupling corners.
    base_lines : tuple of (upper, lower)
        V, between the two base lines of each input.
    point : OperatingPoint
        With v_left, v_right and v_out after the load pole.
    fitted : V, both inputs multiplied, with the scale that comes closest to v_out.
    error : V, v_out less `fitted`.
    flips : s, the times at which the lower input changes sign and the output inverts.
    spectrum : LabelledSpectrum, or None if some sample has no solution.
    merits : tuple of Merit
    sentence : str
    notes : tuple of str
    full_scale : V, i_tail r_load.
    solve : the cell that answered.
    """

    window: drives.Window
    upper: drives.Drive
    lower: drives.Drive
    time: Floats
    v_upper: Floats
    v_lower: Floats
    base_lines: tuple[Floats, ...]
    point: OperatingPoint
    fitted: Floats
    error: Floats
    flips: Floats
    spectrum: LabelledSpectrum | None
    merits: tuple[Merit, ...]
    sentence: str
    notes: tuple[str, ...]
    full_scale: float
    solve: Callable

    @cached_property
    def product(self) -> Floats:
        """The ideal product, V: the slope of the cell at rest times both inputs."""
        return product_slope(self.solve) * self.v_upper * self.v_lower

    @property
    def _lines(self) -> list[Line]:
        return _strong(self.spectrum) if self.spectrum else []

    def __repr__(self) -> str:
        strongest = [line_in_words(line) for line in self._lines[:1]]
        return brief(
            self,
            f"{self.upper!r} by {self.lower!r}",
            self.point.model,
            counted(self.window.samples, "sample"),
            *(f"the largest line is {words}" for words in strongest),
        )

    def _repr_html_(self) -> str:
        """A table for a notebook: both drives, the strongest lines and the figures."""
        rows = [(side, getattr(self, side).describe(), "") for side in ("upper", "lower")]
        rows += [
            (line.label, f"line at {text_of(line.frequency, 'Hz', 4)}", text_of(line.peak, "V"))
            for line in self._lines[:SHOWN_LINES]
        ]
        rows += [(merit.key, merit.name, merit.reading) for merit in self.merits]
        return table(
            f"Signals, {self.point.model} cell, {counted(self.window.samples, 'sample')}", rows,
            ("name", "what it is", "value"), (self.sentence, *self.notes),
        )  # fmt: skip


def product_slope(solve: Solver) -> float:
    """v_out over v_upper x v_lower for small inputs, 1/V: i_tail r_load/(4 VT^2) when matched."""
    step = bench(solve).v_t / 100.0
    gains = solve(np.zeros(2), np.array([-step, step])).gain_upper
    return float(gains[1] - gains[0]) / (2.0 * step)


def sign_changes(t: Floats, v: Floats, duration: float) -> Floats:
    """Times, s, at which a periodic record passes through zero."""
    following = np.roll(v, -1)
    k = np.flatnonzero(((v < 0) & (following >= 0)) | ((v >= 0) & (following < 0)))
    return t[k] + duration / len(v) * v[k] / (v[k] - following[k])


#: Kinds whose positive and negative half cycles are alike.
_EVEN_HALVES = ("dc", "sine", "dc_sine", "square", "triangle")


def _drive_tones(drive: drives.Drive, side: str, window: drives.Window) -> list[Tone]:
    """Tones of a drive; a call has none, it fills a whole band."""
    if drive.kind == "call":
        return []
    second = {"two_tone": f"f_{side}2", "burst": f"f_{side}_repeat", "am": f"f_{side}_tone"}
    names = (f"f_{side}", second.get(drive.kind, ""))
    return [
        Tone(name, side, window.cycles_of(f), shaping=k > 0 and drive.kind != "two_tone")
        for k, (name, f) in enumerate(zip(names, drive.tones))
    ]


def unevenness(v_out: Floats, v_in: Floats) -> float:
    """How much more the output holds while an input is positive than while it is negative.

    (rms of one half - rms of the other)/(sum of both), between -1 and 1; 0 if the input does
    not take both signs or the output is zero. A zero that is only rounding has no sign.
    """
    least = 1e-9 * float(np.max(np.abs(v_in), initial=0.0))
    halves = [v_out[v_in > least], v_out[v_in < -least]]
    if min(map(len, halves)) == 0:
        return 0.0
    more, less = (math.sqrt(float(np.mean(h**2))) for h in halves)
    return (more - less) / (more + less) if more + less > 0 else 0.0


def _samples_for(
    upper: drives.Drive, lower: drives.Drive, v_t: float, most: int
) -> tuple[int, float]:
    """How many samples a cycle of the fastest tone needs for no line to be folded down, and the
    level in dB under which lines are not certain if `most` are fewer."""
    peaks = [max(abs(d.offset) + d.amplitude, 1e-6) for d in (upper, lower)]
    need = 16 + sum(terms(a, v_t) for a in peaks)
    if need <= most:
        return need, -120.0
    # terms fall by 120 dB over as many of them as are counted
    return need, max(-120.0, -120.0 * max(most - 16, 1) / (need - 16))


def _wanted(
    upper: drives.Drive, lower: drives.Drive, tones: Sequence[Tone]
) -> tuple[tuple[int, ...], ...]:
    """Orders of a tone that the DC of the other input is there to let through."""
    found = []
    for side, other in (("upper", lower), ("lower", upper)):
        dc = other.kind == "dc" or (
            other.kind == "dc_sine" and abs(other.offset) >= other.amplitude
        )
        if dc and other.offset:
            found += [tuple(int(t is u) for u in tones) for t in tones if t.side == side]
    return tuple(found)


def _with_corners(
    path: Path,
    coupling_upper: float | None,
    coupling_lower: float | None,
    load_corner: float | None,
) -> Path:
    """The path with those corners, Hz, that are given."""
    for side, corner in (("upper", coupling_upper), ("lower", coupling_lower)):
        if corner is not None:
            corner = float(as_quantity(f"coupling_{side}", corner, "Hz", 0.0))
            path = path.with_feed(side, replace(path.feed(side), corner=corner))
    return path if load_corner is None else replace(path, load_pole=float(load_corner))


def run_signals(
    upper: drives.Drive,
    lower: drives.Drive,
    solve: Solver | Circuit | None = None,
    coupling_upper: float | None = None,
    coupling_lower: float | None = None,
    load_corner: float | None = None,
    min_cycles: int = 1,
    max_samples: int = 16384,
    path: Path | None = None,
    at: str = "generator",
) -> SignalRun:
    """Send two drives through the path and the cell over one coherent window.

    Parameters
    ----------
    upper, lower : drives.Drive
    solve : Circuit or callable, optional
        (v_upper, v_lower) -> OperatingPoint; the built cell of a circuit, the textbook cell if
        left out.
    coupling_upper, coupling_lower : float, optional
        Hz, corner of the coupling capacitor of each input instead of that of the path; 0 couples
        DC too.
    load_corner : float, optional
        Hz, load pole at both collectors instead of that of the path.
    min_cycles, max_samples : int
        As `drives.coherent_window`.
    path : path.Path, optional
        What lies before and behind the cell; that of the solver if left out: the corners and
        the load pole of a built circuit, nothing for the textbook cell.
    at : str
        Where the drives enter, `generator` or `base lines` (see `path`).

    Returns
    -------
    SignalRun

    Raises
    ------
    QuantityError
        For drives or corners that cannot be used. A sample without a solution raises nothing:
        it is NaN, there is no spectrum, and a note says so.
    """
    solve = solver_of(solve)
    b = bench(solve)
    asked = (upper, lower)
    window, (upper, lower) = drives.window_for(
        *asked, min_cycles=min_cycles, max_samples=max_samples
    )
    fastest = max(window.cycles, default=1)
    need, floor_db = _samples_for(upper, lower, b.v_t, max_samples // fastest)
    if need * fastest > window.samples:  # a hard drive makes lines far up
        window, (upper, lower) = drives.window_for(
            *asked, min_cycles=min_cycles, min_samples=need * fastest, max_samples=max_samples
        )
    t = window.time
    path = _with_corners(path or path_for(solve), coupling_upper, coupling_lower, load_corner)
    waves = [drives.sample(d, t) for d in (upper, lower)]
    passed = run_path(solve, waves[0], waves[1], window.duration / window.samples, at, path)
    (v_upper, v_lower), point = passed.fed, passed.loads
    good = np.broadcast_to(np.asarray(point.converged), v_upper.shape)
    whole = bool(good.all())
    notes = [] if window.exact else [window.text]
    if not whole:
        notes.append(
            f"The cell has no solution at {int(np.sum(~good))} of {good.size} samples: "
            "they are left out, and so are the spectrum and the load pole."
        )
    shape = v_upper * v_lower
    power = float(np.sum(shape[good] ** 2))
    scale = float(np.sum(shape[good] * point.v_out[good])) / power if power > 0 else 0.0
    fitted = scale * shape
    tones = _drive_tones(upper, "upper", window) + _drive_tones(lower, "lower", window)
    spectrum: LabelledSpectrum | None = None
    merits: tuple[Merit, ...] = ()
    sentence = "Some samples have no solution, so there is no spectrum."
    if whole:
        spectrum = labelled_spectrum(
            point.v_out, window.duration, tones, floor_db=floor_db,
            wanted=_wanted(upper, lower, tones),
        )  # fmt: skip
        if any(d.kind == "call" for d in (upper, lower)):
            spectrum = replace(
                spectrum,
                lines=tuple(
                    replace(ln, label="part of the call") if not ln.orders else ln
                    for ln in spectrum.lines
                ),
            )
        merits = _merits(spectrum, upper, lower, tones, b, point.v_out, fitted, v_upper, v_lower)
        notes += _together(spectrum)
        sentence = _sentence(spectrum, upper, lower, b)
    if any(d.kind == "call" for d in (upper, lower)):
        notes.append("The bat call is invented: it is synthesised from a recipe.")
    return SignalRun(
        window,
        upper,
        lower,
        t,
        v_upper,
        v_lower,
        passed.base_lines,
        point,
        fitted,
        point.v_out - fitted,
        sign_changes(t, v_lower, window.duration),
        spectrum,
        merits,
        sentence,
        tuple(notes),
        b.full_scale,
        solve,
    )


def _together(spectrum: LabelledSpectrum) -> list[str]:
    """A sentence where a leak cannot be told from a product that falls on the same frequency."""
    lines = [ln for ln in _strong(spectrum) if ln.origin == "coincidence"]
    if not lines:
        return []
    names = " = ".join(_names_in_words(name) for name in lines[0].label.split(" = "))
    return [
        f"At {text_of(lines[0].frequency, 'Hz', 4)} fall together: {names}. A leak there cannot be "
        "told from the product; move one frequency a little to part them."
    ]


def _strong(spectrum: LabelledSpectrum) -> list[Line]:
    """Named lines above rounding, the largest first."""
    return sorted((ln for ln in spectrum.lines if ln.peak > 0), key=lambda ln: -ln.peak)


def _names_in_words(label: str) -> str:
    names = re.sub(r"(\d) f_", "\\1 \u00d7 f_", label)
    names = re.sub(r"f_(upper|lower)2", r"second \1", names)
    return " ".join(re.sub(r"f_(upper|lower)_?", r"\1 ", names).split())


def line_in_words(line: Line) -> str:
    """`the one at 116.0 kHz (3 x upper - lower)`, with the signs of print."""
    if not line.frequency:
        return "DC"
    names = _names_in_words(line.label)
    if names in ("upper", "lower"):
        names = f"the {names} input alone"
    return f"the one at {drives.hertz(line.frequency)} ({names})"


def _sentence(
    spectrum: LabelledSpectrum, upper: drives.Drive, lower: drives.Drive, b: Bench
) -> str:
    lines = [ln for ln in _strong(spectrum) if ln.peak > 1e-9 * b.full_scale]
    if not lines:
        return "The output is zero: one input at zero makes the product zero."
    pair_lines = [ln for ln in lines if ln.origin in ("sum", "difference")]
    if len(pair_lines) == 2:
        one, two = pair_lines
        text = (
            f"The {one.origin} at {drives.hertz(one.frequency)} comes out at "
            f"{text_of(one.peak, 'V')}, the {two.origin} at "
            f"{drives.hertz(two.frequency)} at {text_of(two.peak, 'V')}"
        )
        rest = [ln for ln in lines if ln not in pair_lines]
    else:
        one = lines[0]
        text = f"The largest line is {line_in_words(one)}, {text_of(one.peak, 'V')}"
        rest = lines[1:]
    if rest:
        below = -rest[0].db
        text += f"; next is {line_in_words(rest[0])}, " + (
            f"{format_fixed(below, 1, 'dB')} below the largest"
            if below >= 0.05
            else "just as large"
        )
    return text + "."


def _comparable(upper: drives.Drive, lower: drives.Drive, tones: Sequence[Tone]) -> bool:
    """Whether halves can be compared: even waves whose frequencies are not simply related."""
    if upper.kind not in _EVEN_HALVES or lower.kind not in _EVEN_HALVES:
        return False
    cycles = [t.cycles for t in tones]
    return len(cycles) < 2 or max(cycles) // math.gcd(*cycles) > 4


#: Each of two tones at which the series of a plain pair is a tenth off, in thermal voltages.
_PLAIN_TONES_END = 0.67


def _divided(under: str, b: Bench, side: str) -> str:
    inside, where = divisor(b, 3) if side == "lower" else ("", "")
    return divided(under, inside) + where


def _merit(
    b: Bench,
    key: str,
    name: str,
    value: float,
    unit: str,
    text: str,
    relation: Relation,
    stops: str,
) -> Merit:
    """A Merit that holds where condition and difference both say so."""
    holds = relation.inside and agrees(Figure(value, unit), relation, b.model)
    return Merit(
        key, name, value, unit, text, relation.value, relation.limit, relation.limit_unit,
        bool(holds), stops,
    )  # fmt: skip


def _single(drive: drives.Drive) -> bool:
    return drive.kind in ("sine", "dc_sine")


def _merits(
    spectrum: LabelledSpectrum,
    upper: drives.Drive,
    lower: drives.Drive,
    tones: Sequence[Tone],
    b: Bench,
    v_out: Floats,
    fitted: Floats,
    v_upper: Floats,
    v_lower: Floats,
) -> tuple[Merit, ...]:
    levels = spectrum.spectrum
    merits = []
    size = float(np.sqrt(np.mean(fitted**2)))
    if size > 1e-12 * b.full_scale:
        rest = 100.0 * float(np.sqrt(np.mean((v_out - fitted) ** 2))) / size
        edge = min(b.soft_end(side, 0.01) for side in ("upper", "lower"))
        merits.append(
            Merit(
                "product_error",
                "Departure from a true product, rms",
                rest,
                "%",
                "none for small inputs",
                0.0,
                edge,
                "V",
                bool(max(np.max(np.abs(v_lower)), np.max(np.abs(v_upper))) <= edge) and rest <= 1.0,
                f"It stops holding when either input passes about {text_of(edge, 'V')}, where tanh "
                "takes 1 % off, or when a pair is mismatched.",
            )
        )
    if _comparable(upper, lower, tones) and np.ptp(v_out) > 1e-9 * b.full_scale:
        sides = {
            side: 100.0 * unevenness(v_out, v)
            for side, v in (("upper", v_upper), ("lower", v_lower))
        }
        side = max(sides, key=lambda k: abs(sides[k]))
        merits.append(
            Merit(
                "uneven",
                f"Unevenness of the half cycles of the {side} input",
                sides[side],
                "%",
                "none for matched pairs and inputs without DC",
                0.0,
                None,
                "",
                abs(sides[side]) <= 1.0,
                "It stops holding when a pair is mismatched or that input "
                "carries DC: one half cycle then gives more than the other.",
            )
        )
    mains: list[Any] = [
        next((t for t in tones if t.side == side), None) for side in ("upper", "lower")
    ]
    if all(mains) and mains[0].cycles != mains[1].cycles:
        merits += _product_merits(spectrum, v_out, upper, lower, tones, mains, b)
    alone = [
        (d, t)
        for d, t, other in ((upper, mains[0], mains[1]), (lower, mains[1], mains[0]))
        if t is not None and other is None
    ]
    if any(d.kind == "call" for d in (upper, lower)):
        alone = []
    if alone:
        drive, tone = alone[0]
        if drive.kind != "two_tone" and levels.peak[tone.cycles] > 1e-9 * b.full_scale:
            ratios = harmonic_levels(levels, tone.cycles)
            edge = b.series_end(tone.side)
            d = b.d_lower if tone.side == "lower" else 1.0
            law = 100.0 * (drive.amplitude / b.v_t) ** 2 / (48.0 * d**3)
            plain = tone.side == "lower" or not b.r_emitter_upper
            merits.append(
                _merit(
                    b,
                    "distortion",
                    "Harmonic distortion",
                    100.0 * math.sqrt(np.nansum(ratios**2)),
                    "%",
                    f"(A/VT)^2{_divided('48', b, tone.side)}, third harmonic of a sine"
                    if _single(drive) and plain
                    else "",
                    Relation(
                        law if _single(drive) and plain else None,
                        0.1 * law,
                        edge,
                        "V",
                        _single(drive) and plain and drive.amplitude <= edge,
                    ),
                    f"It stops holding when the drive is no sine or passes {text_of(edge, 'V')} "
                    "peak, or when the upper pairs have emitter resistors, which bend less.",
                )
            )
    return tuple(merits) + _third_order(spectrum, upper, lower, tones, b)


def _product_merits(
    spectrum: LabelledSpectrum,
    v_out: Floats,
    upper: drives.Drive,
    lower: drives.Drive,
    tones: Sequence[Tone],
    mains: Sequence[Tone],
    b: Bench,
) -> list[Merit]:
    levels = spectrum.spectrum
    up, low = mains
    places = [up.cycles + low.cycles, abs(up.cycles - low.cycles)]
    if places[0] >= len(levels.peak) or levels.peak[places].max() < 1e-9 * b.full_scale:
        return []
    merits = []
    one = float(np.sqrt(np.mean(levels.peak[places] ** 2)))
    if _single(upper) and _single(lower):
        parts = b.switching(upper.amplitude) * 4.0 / math.pi, b.steering(lower.amplitude)
        law = b.full_scale * parts[0] * parts[1] / 2.0
        linear = b.linear("lower")
        # with resistors in the upper pairs the share of a pair moves its slope too
        apart = not b.r_emitter_upper or lower.amplitude <= linear
        merits.append(
            _merit(
                b,
                "sideband",
                "Sum and difference, each",
                one,
                "V",
                "I R b(A_u) b(A_l) / 2, b = Fourier part of what a sine of that peak steers",
                Relation(law, inside=apart and not (upper.offset or lower.offset)),
                "It stops holding when an input carries DC, or when source, coupling or load "
                "corners weaken a line.",
            )
        )
    carrier, name = (up, "upper") if up.cycles > low.cycles else (low, "lower")
    other = lower if name == "upper" else upper
    tone = lower.amplitude if name == "upper" else upper.amplitude
    dc = abs(other.offset)
    one_sideband = carrier_suppression(levels, carrier.cycles, places)
    rule = "20 log10 (A / (2 |DC|)) of the other input"
    kept = [("", "against one sideband", one_sideband, rule, 0.5 * tone)]
    slow = min(up.cycles, low.cycles)
    if 2 * slow < carrier.cycles:  # else the sidebands run into each other
        around = complex_envelope(v_out, carrier.cycles, min(carrier.cycles - 1, 8 * slow))
        peak = level_ratio(float(np.abs(around).max()), levels.peak[carrier.cycles])
        rule = "20 log10 ((A + |DC|) / |DC|) of the other input"
        kept.append(("_peak", "against the peak envelope", peak, rule, tone + dc))
    for ending, against, found, rule, law in kept:
        merits.append(
            Merit(
                f"carrier_suppression{ending}",
                f"Carrier suppression, {against} ({name} input is the carrier)",
                found,
                "dB",
                rule,
                float(decibel(law / dc)) if dc > 1e-12 else None,
                None,
                "",
                found > 40.0,
                "It stops being high when the other input carries DC or its pair has an offset.",
            )
        )
    leak = low if name == "upper" else up
    there = next(
        (ln for ln in spectrum.lines if ln.frequency == levels.frequency[leak.cycles]), None
    )
    if there is not None and "leak" not in there.origin:
        return merits  # what falls on the same frequency is no leak, or cannot be told from one
    # under the floor of the spectrum there may be a product of high order, and no leak either
    over = carrier_suppression(levels, leak.cycles, places) if there else -FLOOR_DB
    merits.append(
        Merit(
            "leak",
            f"Sideband over the {'lower' if name == 'upper' else 'upper'} leak",
            over,
            "dB",
            "no leak from a matched cell without DC",
            None,
            None,
            "",
            over > 40.0,
            "It stops being high when the carrier input carries DC or its pair has an offset.",
        )
    )
    return merits


def _third_order(
    spectrum: LabelledSpectrum,
    upper: drives.Drive,
    lower: drives.Drive,
    tones: Sequence[Tone],
    b: Bench,
) -> tuple[Merit, ...]:
    for drive, side, other in ((upper, "upper", "lower"), (lower, "lower", "upper")):
        if drive.kind != "two_tone":
            continue
        first, second = [t.cycles for t in tones if t.side == side][:2]
        moved = next((t.cycles for t in tones if t.side == other), 0)
        peak = spectrum.spectrum.peak
        if max(
            abs(moved - k) for k in (first, second, 2 * first - second, 2 * second - first)
        ) >= len(peak):
            continue
        if peak[abs(moved - first)] + peak[abs(moved - second)] < 1e-9 * b.full_scale:
            continue
        worst = max(r for _, r in third_order_products(spectrum.spectrum, first, second, moved))
        one, two = drive.amplitude, drive.second_amplitude
        d = b.d_lower if side == "lower" else 1.0
        mean = 0.5 * (one + two)
        law = 100.0 * one * two * max(one, two) / mean / (16.0 * b.v_t**2 * d**3)
        plain = side == "lower" or not b.r_emitter_upper
        edge = b.tones_end() if side == "lower" else _PLAIN_TONES_END * b.v_t
        return (
            _merit(
                b,
                "third_order",
                f"Third-order products of the {side} tones",
                100.0 * worst,
                "%",
                f"larger of a1^2 a2 and a1 a2^2 over mean{_divided('16 VT^2', b, side)}"
                if one != two
                else f"(A/VT)^2{_divided('16', b, side)}",
                Relation(
                    law if plain else None, 0.1 * law, edge, "V", plain and max(one, two) <= edge
                ),
                f"It stops holding when a tone passes about {text_of(edge, 'V')} peak, or when "
                "the upper pairs have emitter resistors, which bend less.",
            ),
        )
    return ()
