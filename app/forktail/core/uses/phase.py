"""Two uses with one frequency on both inputs: the phase detector and the squarer.

Relations: Gardner, Phaselock Techniques (phase detector); trigonometry (squarer); series of the
pairs with emitter resistors, Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated
Circuits, chapter 3.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.cell.law import CellSettings, solve_cell
from forktail.core.checks import Floats, Ints
from forktail.core.path import coupled, loaded
from forktail.core.spec import choice, number, setting, spec
from forktail.core.thermal import T_NOMINAL, thermal_voltage
from forktail.core.uses.reference import (
    CALL,
    ONE_DB,
    Bench,
    first_departure,
    first_reach,
    needs,
    once,
    ratio,
)
from forktail.core.uses.result import (
    LOUD,
    Curve,
    Figure,
    Listen,
    Relation,
    Shown,
    Trace,
    dense,
    time_trace,
)
from forktail.core.uses.steady import Table, terms
from forktail.core.waves.lines import Lines
from forktail.core.waves.spectrum import Tone, decibel, level_ratio

#: Cycles and samples that are drawn.
CYCLES, SAMPLES = 4, 1024
#: Offset on both inputs by which the zero of the detector is tried, V.
BIAS = 1e-3

# ---------------------------------------------------------------- where the laws of both end


@dataclass(frozen=True)
class Ends:
    """Drives of both inputs, V peak, at which the laws of two equal sines end.

    `soft` : up to here the mean follows their product to 1 dB. `slope`, `swing` : from here on
    slope and largest mean are those of hard drive to 1 dB. `straight` : from here on the
    characteristic is straight to 2 %. `square`, `fourth` : up to here second and fourth harmonic
    are within a tenth of their series.
    """

    soft: float
    slope: float
    swing: float
    straight: float
    square: float
    fourth: float


def ends(b: Bench) -> Ends:
    """Ends of the laws for the emitter resistors of a Bench, found on the matched cell."""
    k = (ratio(b.drop(side) / b.v_t) for side in ("lower", "upper"))
    return Ends(*(b.v_t * float(v) for v in _ends(*k)))


@lru_cache(maxsize=64)
def _ends(k_lower: float, k_upper: float) -> tuple[float, ...]:
    unit = float(thermal_voltage(T_NOMINAL))
    most = 14.0 * (1.0 + max(k_lower, k_upper))
    drive = np.geomspace(0.05, most, 48)
    n = 128
    turn = 2.0 * np.pi * (np.arange(n) + 0.5) / n
    phases = np.radians([0.0, 45.0, 89.0, 91.0])
    lower = drive[None, :, None] * np.cos(turn - phases[:, None, None])
    settings = CellSettings(
        1.0, T_NOMINAL, r_emitter_upper=2.0 * k_upper * unit, r_emitter_lower=k_lower * unit
    )
    out = solve_cell(
        unit * drive[:, None] * np.cos(turn), unit * lower, 1.0, settings, gains=False
    ).v_out
    swing, at_45, early, late = out.mean(axis=-1)
    slope = (early - late) / math.radians(2.0)
    bent = 1.0 - at_45 / (slope * math.pi / 4.0)
    second, fourth = (2.0 * np.mean(out[0] * np.cos(k * turn), axis=-1) for k in (2, 4))
    return (
        min(first_departure(drive, y / drive**2, ONE_DB) for y in (swing, slope)),
        first_reach(drive, slope, (1.0 - ONE_DB) * 2.0 / np.pi),
        first_reach(drive, swing, 1.0 - ONE_DB),
        first_reach(drive, -bent, -0.02),
        first_departure(drive, second / drive**2, 0.1),
        first_departure(drive, fourth / second / drive**2, 0.1),
    )


def _one_tone(lines: Lines, tone: Tone) -> Lines:
    """Lines of two tones of one frequency as lines of one; all with the same order added up.

    Those up to the fourth harmonic are always there, if with 0 V.
    """
    order = lines.orders.sum(axis=1)
    phasor = np.where(order < 0, lines.phasor.conj(), lines.phasor)
    order = np.abs(order)
    parts = (phasor.real, phasor.imag)
    real, imaginary = (np.bincount(order, part, minlength=5) for part in parts)
    total = real + 1j * imaginary
    total[0] = total[0].real
    return Lines(np.arange(len(total))[:, None], total, (tone,), lines.duration)


# ---------------------------------------------------------------- phase detector


@dataclass(frozen=True)
class PhaseDetector:
    """Phase detector. Scenario: a range-finder compares a 40 kHz echo with what it sent."""

    frequency: float = setting(
        CALL.at(default=40e3, label="Frequency of both inputs", slider=(10e3, 110e3))
    )
    upper_amplitude: float = setting(
        spec(
            "amplitude", default=0.3, label="Amplitude, upper input", slider=(1e-3, 1.0), part="use"
        )
    )
    lower_amplitude: float = setting(
        spec(
            "amplitude", default=0.3, label="Amplitude, lower input", slider=(1e-3, 1.0), part="use"
        )
    )
    phase: float = setting(
        spec("phase", default=60.0, label="Phase between the inputs", step=1.0, part="use")
    )
    shape: str = setting(
        choice(
            "shape",
            "sine",
            {"sine": "sine", "square": "square"},
            "Wave of both inputs",
            part="use",
        )
    )
    oscillator_pull: float = setting(
        number(
            "oscillator_pull",
            1e3,
            "Hz",
            1.0,
            1e5,
            slider=(100.0, 10e3),
            step=100.0,
            label="Pull of a controlled oscillator, per volt",
            part="use",
            doc="For the lock-range hint: how far one volt moves the oscillator that follows.",
        )
    )


class _SineMeans:
    """Mean output against phase for two sines: a cosine series, exact at any phase."""

    def __init__(self, b: Bench, s: PhaseDetector) -> None:
        fed = [complex(b.fed(side, s.frequency)) for side in ("upper", "lower")]
        self.peaks = (s.upper_amplitude * abs(fed[0]), s.lower_amplitude * abs(fed[1]))
        self.turns = tuple(math.atan2(h.imag, h.real) for h in fed)
        self.table = Table(b, (0.0, self.peaks[0]), 0.0, self.peaks[1])
        d = self.table.over_phases(0.0, (self.peaks[1],))
        self._d = 0.5 * np.diagonal(d)
        self._k = np.arange(len(self._d))
        self._rest = float(d[0, 0])

    def __call__(self, degrees: ArrayLike) -> Floats:
        angle = np.radians(degrees) + self.turns[0] - self.turns[1]
        series = np.cos(np.asarray(angle)[..., None] * self._k[1:]) @ self._d[1:]
        return self._rest + series

    def slope(self, degrees: float) -> float:
        """Slope, falling, V/rad."""
        angle = math.radians(degrees) + self.turns[0] - self.turns[1]
        return float(np.sin(angle * self._k) @ (self._k * self._d))

    def lines(self, s: PhaseDetector, tone: Tone) -> Lines:
        """Lines before the loads at the phase that is set."""
        duration = CYCLES / s.frequency
        lower = (self.peaks[1], self.turns[1] - math.radians(s.phase))
        lines = self.table.lines(0.0, (lower,), duration, self.turns[0], (tone, tone))
        return _one_tone(lines, tone)


#: Steps of a cycle in which square waves are followed: a tenth of a degree.
_FINE = 3600


@lru_cache(maxsize=1)
def _halves() -> tuple[Floats, Ints, Floats]:
    """Square wave of size 1, edges between the samples, and six functions that hold what a
    coupling capacitor makes of it: a parabola over each half cycle, by its values at the
    beginning, the middle and the end. (3600,), (6,) places, (6, 3600)."""
    wave = np.where(np.cos(2.0 * np.pi * (np.arange(_FINE) + 0.5) / _FINE) > 0.0, 1.0, -1.0)
    start = 3 * _FINE // 4  # of the positive half
    half = _FINE // 2
    x = np.arange(half) / (half - 1.0)
    shapes = np.stack([(2.0 * x - 1.0) * (x - 1.0), 4.0 * x * (1.0 - x), x * (2.0 * x - 1.0)])
    functions = np.zeros((6, _FINE))
    functions[:3, :half], functions[3:, half:] = shapes, shapes
    places = np.array([0, half // 2, half - 1, half, half + half // 2, _FINE - 1])
    return wave, (places + start) % _FINE, np.roll(functions, start, axis=1)


class _SquareMeans:
    """Mean output against phase for two square waves, in steps of a tenth of a degree.

    Within each half cycle a wave is flat, or sags a little behind a coupling capacitor: so the
    output is known from 36 solutions.
    """

    def __init__(self, b: Bench, s: PhaseDetector) -> None:
        wave, places, self._functions = _halves()
        step = 1.0 / (s.frequency * _FINE)
        self.waves = [
            coupled(a * wave, step, b.path.feed(side).corner) * b.path.feed(side).gain
            for side, a in (("upper", s.upper_amplitude), ("lower", s.lower_amplitude))
        ]
        upper, lower = (w[places] for w in self.waves)
        self._f = b.answer(upper[:, None], lower[None, :])
        g = np.fft.rfft(self._functions)
        cross = np.einsum("ak,ab,bk->k", g, self._f, g.conj())
        self._means = np.fft.irfft(cross, _FINE) / _FINE

    def __call__(self, degrees: ArrayLike) -> Floats:
        place = np.asarray(degrees) * (_FINE / 360.0)
        return np.interp(place, np.arange(_FINE), self._means, period=_FINE)

    def slope(self, degrees: float) -> float:
        """Slope, falling, V/rad."""
        early, late = self(np.array([degrees - 1.0, degrees + 1.0]))
        return float(early - late) / math.radians(2.0)

    def record(self, degrees: float) -> Floats:
        """One cycle of the output before the loads at a phase, (3600,)."""
        late = np.roll(self._functions, round(degrees * _FINE / 360.0), axis=1)
        return np.einsum("an,ab,bn->n", self._functions, self._f, late)


#: Mean output at phases in degrees.
Means = _SineMeans | _SquareMeans


@dataclass(frozen=True)
class DetectorRun:
    """What the phase detector does, measured.

    `means` gives the mean output at phases in degrees. `moved` : degrees by which `bias` V on
    both inputs moves the zero.
    """

    figures: dict[str, Figure]
    means: "Means"
    middle: float
    moved: float
    bias: float = BIAS


def measure_detector(s: PhaseDetector, b: Bench) -> DetectorRun:
    """Run the phase detector: returns DetectorRun."""
    needs(s, "upper_amplitude", "lower_amplitude")
    means = (_SquareMeans if s.shape == "square" else _SineMeans)(b, s)
    slope = means.slope(90.0)
    round_turn = np.linspace(-180.0, 180.0, 361)
    all_means = means(round_turn)
    swing = float(np.ptp(all_means)) / 2.0
    zero = _falling_zero(means)
    rise = float(means(45.0) - means(90.0))
    line = slope * math.pi / 4.0
    biased = _biased_mean(b, s.shape, s.upper_amplitude, s.lower_amplitude)
    figures = {
        "output": Figure(float(means(s.phase)), "V"),
        "slope": Figure(slope, "V/rad"),
        "zero": Figure(zero, "deg"),
        "swing": Figure(swing, "V"),
        "straightness": Figure(100.0 * (1.0 - rise / line) if line > 0.0 else math.nan, "%"),
        "lock_range": Figure(swing * s.oscillator_pull, "Hz"),
    }
    middle = float(all_means.max() + all_means.min()) / 2.0
    moved = math.degrees(abs(biased) / slope) if slope > 0.0 else math.nan
    return DetectorRun(figures, means, middle, moved)


def _falling_zero(means: Means) -> float:
    """Phase between 0 and 180 degrees at which the mean falls through zero, degrees; NaN if
    nowhere."""
    low, high = 0.0, 180.0
    for points in (181, 11, 11, 11):
        grid = np.linspace(low, high, points)
        values = means(grid)
        cross = np.flatnonzero((values[:-1] > 0.0) & (values[1:] <= 0.0))
        if not cross.size:
            return math.nan
        k = cross[0]
        low, high = grid[k], grid[k + 1]
    return float(low + (high - low) * values[k] / (values[k] - values[k + 1]))


@once(64)
def _biased_mean(b: Bench, shape: str, upper: float, lower: float) -> float:
    """What `BIAS` on both inputs adds to the mean of two waves a quarter cycle apart, V."""
    n = 128
    turn = 2.0 * np.pi * (np.arange(n) + 0.5) / n
    waves = np.stack([upper * np.cos(turn), lower * np.sin(turn)])
    if shape == "square":
        waves = np.array([[upper], [lower]]) * np.sign(waves[:, 16::32])
    out = b.answer(waves[0] + [[0.0], [BIAS]], waves[1] + [[0.0], [BIAS]])
    plain, moved = out.mean(axis=1)
    return float(moved - plain)


@dataclass(frozen=True)
class DetectorLaws:
    """Relations of the phase detector by figure, and what its words speak of."""

    relations: dict[str, Relation]
    hard: bool
    close: bool
    ends: Ends


def relate_detector(s: PhaseDetector, b: Bench, m: DetectorRun) -> DetectorLaws:
    """Textbook relations of the phase detector: returns DetectorLaws."""
    found = ends(b)
    square = s.shape == "square"
    smaller, larger = sorted((s.upper_amplitude, s.lower_amplitude))
    hard = square or smaller >= math.sqrt(found.soft * found.slope)
    if square:
        height = abs(float(b.ideal.answer(s.upper_amplitude, s.lower_amplitude)))
    elif hard:
        height = b.full_scale
    else:
        size = s.upper_amplitude * s.lower_amplitude / (8.0 * b.v_t**2)
        height = b.full_scale * size / (b.d_lower * b.d_upper**2)
    # the phase as one between -180 and 180 degrees
    phase = abs((s.phase + 180.0) % 360.0 - 180.0)
    shape = 1.0 - phase / 90.0 if hard else math.cos(math.radians(phase))
    slope = height * (2.0 / math.pi if hard else 1.0)
    bent = 0.0 if hard else 100.0 * (1.0 - math.sin(math.pi / 4.0) / (math.pi / 4.0))
    part = 0.02 if square else ONE_DB

    def relation(value: float, edge: float, within: float | None = None) -> Relation:
        edge = 0.0 if square else edge if hard else found.soft
        inside = square or (smaller >= edge if hard else larger <= edge)
        within = part * abs(value) if within is None else within
        return Relation(value, within, edge, "V", inside)

    zero = m.figures["zero"].value
    relations = {
        "output": relation(height * shape, found.slope, part * abs(height * shape) + 0.01 * height),
        "slope": relation(slope, found.slope),
        "zero": Relation(90.0, 1.0, BIAS, "V", abs(zero - 90.0) <= 1.0),
        "swing": relation(height, found.swing),
        "straightness": relation(bent, found.straight, 2.0),
        "lock_range": relation(height * s.oscillator_pull, found.swing),
    }
    return DetectorLaws(relations, hard, relations["slope"].inside, found)


def show_detector(s: PhaseDetector, b: Bench, m: DetectorRun) -> Shown:
    """Records and spectrum of the phase detector: returns Shown; the window is in the words."""
    n = SAMPLES
    late = math.radians(s.phase)
    if isinstance(m.means, _SquareMeans):
        n = CYCLES * _FINE // 16
        cycle = loaded(m.means.record(s.phase), 1.0 / (s.frequency * _FINE), b.path.load_pole)
        spectrum = _cycle_lines(cycle, s.frequency).labelled(8 * _SHOWN, ((0,),))
        v_out = np.tile(cycle[8::16], CYCLES)
        turn = 2.0 * np.pi * CYCLES * (np.arange(n) + 0.5) / n
        upper, lower = (np.where(np.cos(a) > 0.0, 1.0, -1.0) for a in (turn, turn - late))
    else:
        lines = m.means.lines(s, Tone("f", "upper", CYCLES)).behind(b.path.load_response)
        spectrum = lines.labelled(n, ((0,),), m.means.table.floor_db)
        v_out = lines.record(n)
        turn = 2.0 * np.pi * CYCLES * np.arange(n) / n
        upper, lower = np.cos(turn), np.cos(turn - late)
    t = np.arange(n) * (CYCLES / s.frequency / n)
    mean = np.full(n, m.figures["output"].value)
    return Shown(
        {
            "upper": time_trace(t, s.upper_amplitude * upper),
            "lower": time_trace(t, s.lower_amplitude * lower),
            "output": time_trace(t, v_out),
            "mean": time_trace(t, mean, "second"),
        },
        spectrum,
    )


#: Highest harmonic of square waves that is told: the steps of a cycle do not show there.
_SHOWN = 60


def _cycle_lines(cycle: Floats, frequency: float) -> Lines:
    """Lines of one cycle of a wave, as those of `CYCLES` of them."""
    phasor = np.fft.rfft(cycle)[:_SHOWN] * (2.0 / len(cycle))
    phasor[0] = 0.5 * phasor[0].real
    tone = Tone("f", "upper", CYCLES)
    return Lines(np.arange(_SHOWN)[:, None], phasor, (tone,), CYCLES / frequency)


def curves_detector(s: PhaseDetector, b: Bench, m: DetectorRun) -> tuple[Curve, ...]:
    """Characteristics of the phase detector: tuple of Curve."""
    laws = relate_detector(s, b, m)
    phases = dense(-180.0, 180.0, (-180.0, 0.0, 180.0), 91)
    shape = 1.0 - np.abs(phases) / 90.0 if laws.hard else np.cos(np.radians(phases))
    height = laws.relations["swing"].value or 0.0
    curves = [
        Curve(
            "characteristic", "deg", "V",
            (
                Trace(phases, m.means(phases), "deg", "V"),
                Trace(phases, m.middle + height * shape, "deg", "V", "relation"),
            ),
            ((s.phase + 180.0) % 360.0 - 180.0, m.figures["output"].value),
        )
    ]  # fmt: skip
    if s.shape == "sine":
        curves.append(_slope_curve(s, b))
    return tuple(curves)


def _vertex(x: Floats, y: Floats) -> float:
    """Where the parabola through the least of the values and its neighbours is least."""
    k = int(np.clip(np.argmin(y), 1, len(x) - 2))
    a, b, c = np.polyfit(x[k - 1 : k + 2] - x[k], y[k - 1 : k + 2], 2)
    return float(x[k] - b / (2.0 * a)) if a > 0.0 else float(x[k])


def _slope_curve(s: PhaseDetector, b: Bench) -> Curve:
    drive = np.geomspace(5e-3, 1.0, 21)
    n = 256
    fed = [abs(complex(b.fed(side, s.frequency))) for side in ("upper", "lower")]
    turn = 2.0 * np.pi * (np.arange(n) + 0.5) / n
    step = 2.0 * np.pi / n  # from sample to sample: what is folded down falls out
    early, late = (np.cos(turn - 0.5 * np.pi + k * step) for k in (1, -1))
    lower = drive[:, None] * np.stack([early, late])[:, None] * fed[1]
    both = b.answer(drive[:, None] * np.cos(turn) * fed[0], lower).mean(axis=-1)
    slope = (both[0] - both[1]) / (2.0 * step)
    size = drive**2 / (8.0 * b.v_t**2 * b.d_lower * b.d_upper**2)
    now = math.sqrt(s.upper_amplitude * s.lower_amplitude)
    return Curve(
        "slope", "V", "V/rad",
        (
            Trace(drive, slope, "V", "V/rad"),
            Trace(drive, b.full_scale * np.minimum(size, 1.0), "V", "V/rad", "relation"),
            Trace(
                drive, np.full(drive.shape, 2.0 * b.full_scale / np.pi), "V", "V/rad", "relation"
            ),
        ),
        (now, float(np.interp(now, drive, slope))),
    )  # fmt: skip


# ---------------------------------------------------------------- squarer


@dataclass(frozen=True)
class Squarer:
    """Squarer, frequency doubler. Scenario: a 22.5 kHz clock makes the 45 kHz test call."""

    amplitude: float = setting(
        spec(
            "amplitude",
            default=15e-3,
            label="Amplitude on both inputs",
            slider=(1e-3, 0.2),
            part="use",
        )
    )
    frequency: float = setting(
        CALL.at(default=22.5e3, label="Frequency", slider=(10e3, 110e3), step=500.0)
    )
    phase: float = setting(
        spec(
            "phase",
            label="Phase between the inputs",
            step=1.0,
            part="use",
            doc="At 90 degrees the DC of the output vanishes.",
        )
    )
    offset_upper: float = setting(
        spec(
            "dc",
            default=3e-4,
            label="DC left on the upper input",
            slider=(-0.02, 0.02),
            step=1e-5,
            part="use",
        )
    )
    offset_lower: float = setting(
        spec(
            "dc",
            default=3e-4,
            label="DC left on the lower input",
            slider=(-0.02, 0.02),
            step=1e-5,
            part="use",
        )
    )


@dataclass(frozen=True)
class SquarerRun:
    """What the squarer does, measured. `lines` are those behind the loads."""

    figures: dict[str, Figure]
    lines: Lines
    floor_db: float
    first: float
    fourth: float


def measure_squarer(s: Squarer, b: Bench) -> SquarerRun:
    """Run the squarer: returns SquarerRun."""
    needs(s, "amplitude")
    fed = [complex(b.fed(side, s.frequency)) for side in ("upper", "lower")]
    peaks = [s.amplitude * abs(h) for h in fed]
    turns = [math.atan2(h.imag, h.real) for h in fed]
    table = Table(b, (s.offset_upper, peaks[0]), s.offset_lower, peaks[1])
    tone = Tone("f", "upper", CYCLES)
    lower = (peaks[1], turns[1] - math.radians(s.phase))
    lines = table.lines(s.offset_lower, (lower,), CYCLES / s.frequency, turns[0], (tone, tone))
    lines = _one_tone(lines, tone).behind(b.path.load_response)
    size = np.abs(lines.phasor)
    size = np.where(size < b.rounding, 0.0, size)
    lines = Lines(
        lines.orders, np.where(size > 0.0, lines.phasor, 0.0), lines.tones, lines.duration
    )
    first, second, fourth = (float(size[k]) for k in (1, 2, 4))
    others = math.sqrt(max(float(np.sum(size[1:] ** 2)) - second**2, 0.0))
    figures = {
        "second": Figure(second, "V"),
        "residual": Figure(level_ratio(second, first), "dB"),
        "dc": Figure(float(lines.phasor[0].real), "V"),
        "fourth": Figure(100.0 * fourth / second if second > 0.0 else 0.0, "%"),
        "purity": Figure(100.0 * others / second if second > 0.0 else 0.0, "%"),
    }
    return SquarerRun(figures, lines, table.floor_db, first, fourth)


def fourth_law(b: Bench, amplitude: float) -> float:
    """Fourth harmonic over the second of two equal waves in phase, by the series of the pairs.

    (A/VT)^2/24 without resistors: tanh x = x - x^3/3 (NIST DLMF 4.33.3), squared.
    """
    d, u = b.d_lower, b.d_upper
    # v_out/IR = z w/U^2 + z w^3 (U-1)^2/U^4 - z^3 w (4-3U)/(3U^5), w = z/D - z^3/(3D^4)
    bend = 1.0 / (3.0 * d**4 * u**2) - (u - 1.0) ** 2 / (d**3 * u**4)
    bend += (4.0 - 3.0 * u) / (3.0 * d * u**5)
    return abs(bend) * d * u**2 * (amplitude / (2.0 * b.v_t)) ** 2 / 4.0


@dataclass(frozen=True)
class SquarerLaws:
    """Relations of the squarer by figure, and the ends that its words speak of."""

    relations: dict[str, Relation]
    ends: Ends


def relate_squarer(s: Squarer, b: Bench, m: SquarerRun) -> SquarerLaws:
    """Textbook relations of the squarer: returns SquarerLaws."""
    found = ends(b)
    scale = b.full_scale / (4.0 * b.v_t**2 * b.d_lower * b.d_upper**2)
    second = scale * s.amplitude**2 / 2.0
    turn = math.radians(s.phase)
    # each offset lets the other input through, and the two add with their phase
    left = 2.0 * abs(s.offset_upper * np.exp(-1j * turn) + s.offset_lower) / s.amplitude
    dc = second * math.cos(turn) + scale * s.offset_upper * s.offset_lower
    inside = s.amplitude <= found.square
    together = abs(math.remainder(s.phase, 360.0)) < 1e-9
    fourth = 100.0 * fourth_law(b, s.amplitude) if together else None
    relations = {
        "second": Relation(second, 0.1 * second, found.square, "V", inside),
        "residual": Relation(
            float(decibel(1.0 / left)) if left > 1e-12 else 240.0, 1.0, found.square, "V", inside
        ),
        "dc": Relation(dc, 0.1 * second, found.square, "V", inside),
        "fourth": Relation(
            fourth, 0.1 * (fourth or 0.0), found.fourth, "V",
            together and s.amplitude <= found.fourth,
        ),
        "purity": Relation(
            100.0 * left, 10.0 * left, found.square, "V", inside and m.first >= m.fourth
        ),
    }  # fmt: skip
    return SquarerLaws(relations, found)


def show_squarer(s: Squarer, b: Bench, m: SquarerRun) -> Shown:
    """Records, spectrum and sound of the squarer: returns Shown; the window is in the words."""
    n, duration = SAMPLES, CYCLES / s.frequency
    t = np.arange(n) * (duration / n)
    turn = 2.0 * np.pi * CYCLES * np.arange(n) / n
    v_out = m.lines.record(n)
    lower = s.offset_lower + s.amplitude * np.cos(turn - math.radians(s.phase))
    return Shown(
        {
            "upper": time_trace(t, s.offset_upper + s.amplitude * np.cos(turn)),
            "lower": time_trace(t, lower, "second"),
            "output": time_trace(t, v_out),
        },
        m.lines.labelled(n, ((2,),), m.floor_db),
        listen=Listen(v_out, duration, b.full_scale / LOUD, slow_by=20.0),
    )


def curves_squarer(s: Squarer, b: Bench, m: SquarerRun) -> tuple[Curve, ...]:
    """Characteristics of the squarer: tuple of Curve."""
    fed = [complex(b.fed(side, s.frequency)) for side in ("upper", "lower")]
    late = np.angle(fed[0]), np.angle(fed[1]) - math.radians(s.phase)

    def levels(peak: ArrayLike, trim: ArrayLike, *orders: int) -> list[Floats]:
        """Harmonics at these peaks, V, with these further volts of DC on the lower input."""
        # so many samples that nothing is folded down into what is asked for
        most = terms(float(np.max(peak)) * max(map(abs, fed)), b.v_t)
        n = 2 ** math.ceil(math.log2(2 * most + 8))
        angle = 2.0 * np.pi * (np.arange(n) + 0.5) / n
        upper, lower = (
            np.multiply.outer(peak, abs(h) * np.cos(angle + turn)) for h, turn in zip(fed, late)
        )
        dc = s.offset_lower + np.asarray(trim)[..., None]
        out = b.answer(s.offset_upper + upper, dc + lower)
        loads = np.abs(b.path.load_response(s.frequency * np.array(orders)))
        return [2.0 * np.abs(out @ np.exp(-1j * k * angle)) / n * h for k, h in zip(orders, loads)]

    def db(v: ArrayLike) -> Floats:
        return np.maximum(decibel(v), -120.0)

    drive = np.geomspace(1e-3, 1.0, 25)
    one, two, four = levels(drive, 0.0, 1, 2, 4)
    law = b.full_scale * drive**2 / (8.0 * b.v_t**2 * b.d_lower * b.d_upper**2)
    # the fundamental vanishes at the vertex of its square, or is least there
    tip, reach = 0.0, 4e-3
    for reach in (4e-3, 2e-4, 5e-6):
        near = tip + reach * np.linspace(-1.0, 1.0, 9)
        tip = _vertex(near, levels(s.amplitude, near, 1)[0] ** 2)
    trim = dense(-4e-3, 4e-3, (tip,), 17)
    first, second = levels(s.amplitude, trim, 1, 2)
    residual = np.minimum(decibel(second / np.maximum(first, 1e-15)), 100.0)
    return (
        Curve(
            "lines", "V", "dB",
            (
                Trace(drive, db(two), "V", "dB"),
                Trace(drive, db(one), "V", "dB", "second"),
                Trace(drive, db(four), "V", "dB", "second"),
                Trace(drive, db(law), "V", "dB", "relation"),
            ),
            (s.amplitude, float(db(m.figures["second"].value))),
        ),
        Curve(
            "trim", "V", "dB",
            (Trace(trim, residual, "V", "dB"),),
            (0.0, float(np.interp(0.0, trim, residual))),
        ),
    )  # fmt: skip
