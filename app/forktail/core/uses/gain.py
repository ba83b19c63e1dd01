"""Two uses that set a gain: the variable gain and the loop that controls it.

The signal goes to the upper input, the control voltage to the lower one. Laws: Gray, Hurst,
Lewis, Meyer, Analysis and Design of Analog Integrated Circuits, chapters 3 and 10; the loop:
any text on control.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike

from forktail.core.built.circuit import COLDEST, HOTTEST
from forktail.core.built.supply import HUM, ripple
from forktail.core.checks import Floats
from forktail.core.path import loaded
from forktail.core.spec import flag, number, setting, spec
from forktail.core.uses.mixing import Conversion, compression
from forktail.core.uses.noise import (
    BAND,
    NoiseRun,
    density_of,
    figures_of,
    measure_noise,
    relations_of,
)
from forktail.core.uses.reference import (
    CALL,
    Bench,
    first_departure,
    first_reach,
    needs,
    once,
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
from forktail.core.uses.steady import Table, cosine_values
from forktail.core.waves import drives
from forktail.core.waves.lines import Lines
from forktail.core.waves.spectrum import (
    LabelledSpectrum,
    Tone,
    decibel,
    harmonic_levels,
    labelled_spectrum,
)

#: The change of gain that is taken as still usable when the control drifts, dB.
DRIFT_DB = 1.0
#: Third harmonic at which the range of the signal is taken to end, a part of the fundamental.
THIRD = 0.01
#: A loop has settled when its output stays within this part of its final value.
SETTLED = 0.05

# ---------------------------------------------------------------- variable gain


@dataclass(frozen=True)
class VariableGain:
    """Variable gain. Scenario: the volume of a bat call ahead of the mixer."""

    amplitude: float = setting(
        spec(
            "amplitude",
            default=2e-3,
            label="Signal amplitude",
            slider=(1e-4, 0.05),
            step=1e-4,
            doc="Peak voltage of the signal on the upper input.",
            part="use",
        )
    )
    frequency: float = setting(CALL.at(label="Signal frequency"))
    control: float = setting(
        spec(
            "dc",
            default=30e-3,
            label="Control voltage",
            slider=(-0.15, 0.15),
            part="use",
            doc="Voltage on the lower input; its sign is the sign of the gain.",
        )
    )
    drift: float = setting(
        number(
            "drift",
            5e-4,
            "V",
            1e-5,
            1e-2,
            label="Drift of the control voltage",
            part="use",
            slider=(1e-5, 1e-2),
            step=1e-5,
            doc="How far the control voltage may wander by itself.",
        )
    )
    arctanh: bool = setting(
        flag(
            "arctanh",
            False,
            "Arctanh stage ahead of the upper pairs",
            "Two diodes that share a current bend the signal the other way beforehand.",
            part="use",
        )
    )
    noise_band: float = setting(BAND)


class Control:
    """Gain of a faint signal on the upper input against the control voltage, before the loads.

    Held by two Chebyshev series: one over four thermal voltages to rounding, one over all that
    the lower pair reaches, to 1e-5.
    """

    def __init__(self, b: Bench) -> None:
        self.near = 4.0 * b.v_t
        self.far = max(0.16, 6.0 * b.v_t + 1.2 * b.drop("lower"))
        self.full = _all_in_one(b)
        self._near = cosine_values(b.slope_upper, self.near, b.v_t)
        self._far = cosine_values(b.slope_upper, self.far, b.v_t, 64)
        self.largest = float(np.max(np.abs(b.slope_upper(np.array([-self.full, self.full])))))
        grid = np.linspace(-1.0, 1.0, 401) * self.near
        self.null = _root(self, grid)
        if math.isnan(self.null):
            self.null = _root(self, np.linspace(-1.0, 1.0, 401) * self.far)

    def __call__(self, v: Floats | float) -> Floats:
        inside = np.abs(v) < self.near
        far = chebyshev.chebval(np.clip(v / self.far, -1.0, 1.0), self._far)
        near = chebyshev.chebval(np.where(inside, v, 0.0) / self.near, self._near)
        return np.where(inside, near, far)

    def straight(self, part: float = 0.01) -> float:
        """Distance of the control from its null at which the gain is `part` off its tangent, V;
        as far as the series reach if it never is."""
        v = np.geomspace(1e-3, 1.0, 240) * (self.far - abs(self.null))
        return first_departure(v, self(self.null + v) / v, part)


@once(64)
def _control(b: Bench) -> Control:
    """Control of a Bench, once."""
    return Control(b)


@once(64)
def _per_kelvin(b: Bench) -> float:
    """Relative change of the largest gain per kelvin, 1/K; NaN of a cell that is not ours."""
    ends = []
    for by in (min(1.0, HOTTEST - b.temperature), max(-1.0, COLDEST - b.temperature)):
        other = b.warmed(by)
        if other is None:
            return math.nan
        both = np.array([-1.0, 1.0]) * _all_in_one(other)
        ends.append((by, float(np.max(np.abs(other.slope_upper(both))))))
    (up, warm), (down, cool) = ends
    return 2.0 * (warm - cool) / (up - down) / (warm + cool)


@once(64)
def _third_range(b: Bench) -> float:
    """Signal of which the third harmonic is 1 %, V peak, with all current in one upper pair."""
    d = 1.0 + b.drop("upper", 1.0) / (2.0 * b.v_t)
    amplitude = np.geomspace(0.2, 3.0 * d**1.5, 48) * b.v_t
    angle = np.pi * (np.arange(48) + 0.5) / 48
    out = b.answer(amplitude[:, None] * np.cos(angle), _all_in_one(b))
    first, third = (np.abs(np.mean(out * np.cos(k * angle), axis=1)) for k in (1, 3))
    return first_reach(amplitude, third / first, THIRD)


def _root(function: Callable[[Floats], Floats], grid: Floats) -> float:
    """Where a function passes through zero on a grid, V, refined by bisection; NaN if nowhere."""
    values = function(grid)
    cross = np.flatnonzero(np.signbit(values[:-1]) != np.signbit(values[1:]))
    if not cross.size:
        return math.nan
    k = cross[np.argmin(np.abs(grid[cross]))]
    low, high = grid[k], grid[k + 1]
    for _ in range(3):  # a straight line through both ends of ever smaller steps
        points = np.linspace(low, high, 9)
        values = function(points)
        k = int(np.flatnonzero(np.signbit(values[:-1]) != np.signbit(values[1:]))[0])
        low, high = points[k], points[k + 1]
    root = low - values[k] * (high - low) / (values[k + 1] - values[k])
    return float(root) if abs(root) > 1e-9 else 0.0  # under a nanovolt there is only rounding


@dataclass(frozen=True)
class GainRun:
    """What the variable gain does, measured. `lines` are those behind the loads; `passed` is the
    factor of feed and loads at the frequency of the signal, `noise` that of the output there."""

    figures: dict[str, Figure]
    window: drives.Window
    lines: Lines
    control: Control
    passed: float
    audible: bool
    floor_db: float
    noise: NoiseRun


@once(64)
def _compression(b: Bench, control: float) -> float:
    """Signal at the cell at which the gain of a control has lost 1 dB, V peak; NaN if none has."""
    reach = 3.2 * b.v_t + 1.6 * b.drop("upper", 1.0)
    fit = cosine_values(lambda u: b.answer(u, control), reach, b.v_t, 64)
    return compression(Conversion(reach, fit))


def measure_gain(s: VariableGain, b: Bench) -> GainRun:
    """Run the variable gain: returns GainRun."""
    needs(s, "amplitude")
    b = b.shaped(s.arctanh)
    window = drives.coherent_window((s.frequency,), min_cycles=4, min_samples=512)
    fed = complex(b.fed("upper", s.frequency))
    table = Table(b, (0.0, s.amplitude * abs(fed)), s.control)
    # -j is the phasor of a sine
    phase = math.atan2(fed.imag, fed.real) - 0.5 * math.pi
    tones = (Tone("f_signal", "upper", window.cycles[0]),)
    lines = table.lines(s.control, (), window.duration, phase, tones)
    lines = lines.behind(b.path.load_response)
    passed = b.through("upper", s.frequency)
    first = lines.part(1)
    # the sign is that of the cell itself: what lags behind the loads is not inverted
    gain = math.copysign(first, table.c[1, 0]) / s.amplitude
    control = _control(b)
    least = least_control(s)
    audible = first > 1e-9 * b.full_scale
    at_least = abs(float(control(control.null + least)))
    small = passed * float(control(s.control)) if audible else 0.0
    noise = measure_noise(b, "upper", s.frequency, small, v_lower=s.control)
    figures = {
        "gain": Figure(gain),
        "gain_db": Figure(float(decibel(abs(gain))), "dB"),
        "opposite": Figure(passed * float(control(-s.control))),
        "largest": Figure(passed * control.largest),
        "null": Figure(control.null, "V"),
        "control_range": Figure(control.straight(), "V"),
        "usable_range": Figure(float(decibel(control.largest / max(at_least, 1e-15))), "dB"),
        "hd3": Figure(100.0 * lines.part(3) / first if audible else math.nan, "%"),
        "range": Figure(_third_range(b), "V"),
        "range_won": Figure(
            float(decibel(_third_range(b.shaped(True)) / _third_range(b.shaped(False)))), "dB"
        ),
        "per_kelvin": Figure(100.0 * _per_kelvin(b.shaped(False)), "%/K"),
        "hum": Figure(100.0 * _moved(b, HUM), "%"),
        **figures_of(noise, s.noise_band, _compression(b, s.control) / abs(fed)),
    }
    return GainRun(figures, window, lines, control, passed, audible, table.floor_db, noise)


@once(64)
def _moved(b: Bench, frequency: float) -> float:
    """Relative change of the tail current for each volt of ripple on the supply, 1/V."""
    return 0.0 if b.built is None else float(abs(ripple(b.built, frequency).tail))


def least_control(s: VariableGain) -> float:
    """Control, V from its null, at which the drift that is set changes the gain by 1 dB."""
    return s.drift / (1.0 - 10.0 ** (-DRIFT_DB / 20.0))


def third_law(b: Bench, amplitude: Floats | float, control: float) -> Any:
    """Third harmonic over the fundamental of the upper pairs, by their series; None at a gain of
    zero.

    (A/VT)^2/[48 (1 + gm RE)^3] of one pair (Gray et al., chapter 3); the two upper pairs carry
    the currents of the lower one, and their cubic parts subtract as their slopes do.
    """
    currents = b.split(control)
    d = 1.0 + currents * b.r_emitter_upper / (2.0 * b.v_t)
    bend = currents / d**4
    if b.path.upper.arctanh:  # its cubic part is that of a pair without resistors, turned over
        bend = bend - currents / d
    slope, cubic = (float(p[0] - p[1]) for p in (currents / d, bend))
    if abs(slope) <= 1e-12 * b.i_tail:
        return None
    return (amplitude / b.v_t) ** 2 / 48.0 * abs(cubic / slope)


def _bends(b: Bench, control: float) -> tuple[float, float]:
    """Signals at which the gain is 1 % off and the third harmonic a tenth off its series, V peak.

    By the law of one pair; with resistors in the upper pairs on the ideal cell, for they carry
    unequal currents and their difference bends by no law of one pair. Behind an arctanh stage
    pairs without resistors do not bend up to 2 VT, where its current is used up.
    """
    if b.path.upper.arctanh and not b.r_emitter_upper:
        return 2.0 * b.v_t, 2.0 * b.v_t
    if not b.r_emitter_upper:
        return b.soft_end("upper", 0.01), b.series_end("upper")
    amplitude = np.geomspace(0.01 * b.v_t, 2.0 * b.hard_start("upper", 1.0), 48)
    quarter = 0.5 * np.pi * (np.arange(24) + 0.5) / 24
    out = b.ideal.answer(amplitude[:, None] * np.cos(quarter), control)
    first, third = (2.0 * np.mean(out * np.cos(k * quarter), axis=1) for k in (1, 3))
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = third / first / amplitude**2
    return (
        first_departure(amplitude, first / amplitude, 0.01),
        first_departure(amplitude, np.nan_to_num(ratio), 0.1),
    )


@dataclass(frozen=True)
class GainLaws:
    """Relations of the variable gain by figure, and the limits that its words speak of."""

    relations: dict[str, Relation]
    straight: float
    series_end: float
    fullest: float
    least: float


def relate_gain(s: VariableGain, b: Bench, m: GainRun) -> GainLaws:
    """Textbook relations of the variable gain: returns GainLaws."""
    b = b.shaped(s.arctanh)
    law = float(b.gain_law(s.control))
    straight, series_end = _bends(b, s.control)
    inside = s.amplitude <= straight
    null = m.figures["null"].value
    most = b.gain / (1.0 + b.i_tail * b.r_emitter_upper / (2.0 * b.v_t))
    fullest = 6.0 * b.v_t + b.drop("lower")
    least = least_control(s)
    away = abs(s.control - null)
    linear = m.figures["control_range"].value
    third = third_law(b, s.amplitude, s.control)
    tail = b.tail_law
    relations = {
        "gain": Relation(law, limit=straight, limit_unit="V", inside=inside),
        "gain_db": Relation(
            float(decibel(abs(law))), limit=straight, limit_unit="V", inside=inside
        ),
        "opposite": Relation(
            -law, limit=abs(null), limit_unit="V", inside=abs(null) <= 0.01 * abs(s.control)
        ),
        "largest": Relation(most, limit=fullest, limit_unit="V"),
        "null": Relation(0.0, s.drift, s.drift, "V", abs(null) <= s.drift),
        "control_range": Relation(
            _straight_law(b), limit=linear, limit_unit="V", inside=away <= linear
        ),
        "usable_range": Relation(
            float(decibel(most / abs(b.gain_law(least)))), limit=least, limit_unit="V",
            inside=away >= least,
        ),
        "hd3": Relation(
            None if third is None else 100.0 * third,
            0.0 if third is None else 10.0 * third,
            series_end, "V", s.amplitude <= series_end,
        ),
        "range": Relation(_range(b), 0.05 * _range(b)),
        "range_won": Relation(
            float(decibel(_range(b.shaped(True)) / _range(b.shaped(False)))), 0.5
        ),
        "per_kelvin": Relation(
            -100.0 * (1.0 / b.temperature - tail.per_kelvin) * most / b.gain, 0.02
        ),
        "hum": Relation(
            100.0 * float(tail.at(HUM)), limit=tail.reach, limit_unit="Hz", inside=HUM <= tail.reach
        ),
        **relations_of(
            b, m.noise, "upper", s.noise_band, s.frequency, law, _compression(b.ideal, s.control),
            v_lower=s.control,
        ),
    }  # fmt: skip
    return GainLaws(relations, straight, series_end, fullest, least)


def _range(b: Bench) -> float:
    """Signal of which the third harmonic is 1 %, V peak, by the law of one pair with all current.

    An arctanh stage reaches 2 VT; with emitter resistors it bends the other way before that.
    """
    if not b.path.upper.arctanh:
        return b.third_reach("upper", 1.0, THIRD)
    each = float(third_law(b, 1.0, _all_in_one(b)) or 0.0)
    return min(math.sqrt(THIRD / each) if each > 0.0 else math.inf, 2.0 * b.v_t)


def _all_in_one(b: Bench) -> float:
    """Control that puts all current into one upper pair, V."""
    return 20.0 * b.v_t + b.drop("lower")


def _straight_law(b: Bench, part: float = 0.01) -> float:
    """Control at which the gain is `part` off its tangent, by the laws of the pairs, V."""
    if not b.r_emitter_upper:
        return b.linear("lower", part)
    v = np.geomspace(0.02, 1.0, 96) * (6.0 * b.v_t + 1.2 * b.drop("lower"))
    return first_departure(v, b.gain_law(v) / v, part)


def show_gain(s: VariableGain, b: Bench, m: GainRun) -> Shown:
    """Records, spectrum and sound of the variable gain: returns Shown."""
    n, t = m.window.samples, m.window.time
    v_in = s.amplitude * np.sin(2.0 * np.pi * m.window.cycles[0] * np.arange(n) / n)
    v_out = m.lines.record(n)
    return Shown(
        {"input": time_trace(t, v_in), "output": time_trace(t, v_out)},
        m.lines.labelled(n, ((1,),), m.floor_db),
        m.window.text,
        Listen(
            v_out,
            m.window.duration,
            b.full_scale / LOUD,
            slow_by=20.0,
            noise=density_of(m.noise, b.path, s.frequency),
        ),
    )


def curves_gain(s: VariableGain, b: Bench, m: GainRun) -> tuple[Curve, ...]:
    """Characteristics of the variable gain: tuple of Curve."""
    b = b.shaped(s.arctanh)
    v = dense(-0.15, 0.15, (0.0, m.control.null))
    measured, law = m.passed * m.control(v), b.gain_law(v)

    def db(g: ArrayLike) -> Floats:
        return np.maximum(decibel(np.abs(g)), -80.0)

    amplitudes = np.geomspace(1e-3, 0.2, 24)
    # at full control, so that the third harmonic does not depend on where the control stands
    full = 4.0 * b.v_t + b.drop("lower")
    angle = np.pi * (np.arange(48) + 0.5) / 48
    waves = amplitudes[:, None] * np.cos(angle)
    # the end of an arctanh stage is a corner, which a series would round off
    fit = None if s.arctanh else cosine_values(lambda u: b.answer(u, full), 0.2, b.v_t)
    out = b.answer(waves, full) if fit is None else chebyshev.chebval(waves / 0.2, fit)
    first, third = (np.abs(np.mean(out * np.cos(k * angle), axis=1)) for k in (1, 3))
    loads = np.abs(b.path.load_response(np.array([1.0, 3.0]) * s.frequency))
    gain = m.figures["gain"].value
    return (
        Curve(
            "db", "V", "dB",
            (Trace(v, db(measured), "V", "dB"), Trace(v, db(law), "V", "dB", "relation")),
            (s.control, float(db(gain))),
        ),
        Curve(
            "signed", "V", "",
            (Trace(v, measured, "V", ""), Trace(v, law, "V", "", "relation")),
            (s.control, gain),
        ),
        Curve(
            "third", "V", "%",
            (
                Trace(amplitudes, 100.0 * third / first * loads[1] / loads[0], "V", "%"),
                Trace(amplitudes, 100.0 * third_law(b, amplitudes, full), "V", "%", "relation"),
            ),
        ),
    )  # fmt: skip


# ---------------------------------------------------------------- gain control loop


@dataclass(frozen=True)
class GainControlLoop:
    """Gain control loop. Scenario: a bat flies past, and the receiver keeps its volume."""

    level: float = setting(
        spec(
            "amplitude",
            default=2e-3,
            label="Signal before the step",
            slider=(1e-4, 0.05),
            step=1e-4,
            doc="Peak voltage of the signal on the upper input.",
            part="use",
        )
    )
    step: float = setting(
        number(
            "step",
            12.0,
            "dB",
            -60.0,
            60.0,
            label="Step of the signal",
            slider=(-20.0, 20.0),
            step=0.5,
            part="use",
            doc="How much the signal grows, and falls again.",
        )
    )
    frequency: float = setting(CALL.at(label="Signal frequency"))
    wanted: float = setting(
        spec(
            "amplitude",
            default=40e-3,
            label="Wanted output level",
            slider=(1e-3, 0.2),
            step=1e-3,
            doc="Peak voltage that the loop holds.",
            part="use",
        )
    )
    integrator_time: float = setting(
        number(
            "integrator_time",
            5e-3,
            "s",
            1e-5,
            0.2,
            label="Integrator time",
            part="use",
            slider=(2e-4, 20e-3),
            step=1e-4,
            doc="The control moves by the error, divided by this time, each second.",
        )
    )
    detector_time: float = setting(
        number(
            "detector_time",
            1e-4,
            "s",
            1e-6,
            1e-2,
            label="Detector time constant",
            part="use",
            slider=(1e-5, 1e-3),
            step=1e-5,
            doc="Of the single pole that smooths the rectified output.",
        )
    )
    control_limit: float = setting(
        spec(
            "dc",
            default=0.15,
            label="Largest control voltage",
            slider=(0.02, 0.3),
            step=5e-3,
            part="use",
            doc="The integrator stops here, and at 0 V.",
        )
    )


class _Level:
    """Detected output against control voltage for one signal level, as a uniform table.

    The detector is a full-wave rectifier behind the loads, scaled to read the peak of a sine.
    """

    POINTS, PHASES = 97, 64

    def __init__(self, b: Bench, amplitude: float, s: GainControlLoop) -> None:
        fed = abs(complex(b.fed("upper", s.frequency)))
        half = 0.5 * s.control_limit
        self.table = Table(b, (0.0, amplitude * fed), half, half)
        self.control = np.linspace(0.0, s.control_limit, self.POINTS)
        phase = 2.0 * np.pi * (np.arange(self.PHASES) + 0.5) / self.PHASES
        parts = self.table.parts(self.control)[:, 1:]
        k = np.arange(1, parts.shape[1] + 1)
        turning = b.path.load_response(k * s.frequency)[:, None] * np.exp(1j * k[:, None] * phase)
        out = (parts @ turning).real
        self.level = np.mean(np.abs(out), axis=1) / np.mean(np.abs(np.cos(phase)))
        self.slope = np.gradient(self.level, self.control)
        self.amplitude = amplitude

    def settled(self, wanted: float) -> float:
        """Control voltage at which the level is `wanted`, held at the ends."""
        rising = np.maximum.accumulate(self.level)
        return float(np.interp(wanted, rising, self.control))

    def slope_at(self, control: float) -> float:
        """Slope of the level over the control."""
        return float(np.interp(control, self.control, self.slope))

    def level_at(self, control: float) -> float:
        """Detected level."""
        return float(np.interp(control, self.control, self.level))


def _track(
    table: _Level,
    wanted: float,
    t_i: float,
    t_d: float,
    limit: float,
    control: float,
    detected: float,
    span: float,
    steps: int,
) -> Floats:
    """Step the loop: the detector relaxes exactly within a step, the integrator adds up."""
    dt = span / steps
    levels = table.level.tolist()
    scale, last = (len(levels) - 1) / limit, len(levels) - 2
    relax, rate = 1.0 - math.exp(-dt / t_d), dt / t_i
    out = np.empty((3, steps))
    for n in range(steps):
        place = control * scale
        k = min(int(place), last)
        level = levels[k] + (place - k) * (levels[k + 1] - levels[k])
        before = detected
        detected += (level - detected) * relax
        control += rate * (wanted - 0.5 * (before + detected))
        control = min(max(control, 0.0), limit)
        out[:, n] = level, detected, control
    return out


def _settling(t: Floats, detected: Floats, final: float) -> float:
    """Time after which the record stays within 5 % of its final value, s."""
    outside = np.flatnonzero(np.abs(detected - final) > SETTLED * abs(final))
    return float(t[outside[-1]]) if outside.size else 0.0


def _ripple(rectified: Floats, f: float, t_i: Floats | float, t_d: float) -> Floats:
    """Ripple of the control over one cycle of the signal, V; t_i may be a column."""
    n = rectified.shape[-1]
    spectrum = np.fft.rfft(rectified)
    w = 2.0 * np.pi * f * np.arange(1, n // 2 + 1)
    shaped = np.zeros(np.shape(t_i)[:-1] + spectrum.shape, dtype=complex)
    shaped[..., 1:] = -spectrum[1:] / (1.0 + 1j * w * t_d) / (1j * w * t_i)
    return np.fft.irfft(shaped, n)


@dataclass(frozen=True)
class LoopRun:
    """What the loop does, measured.

    `t`, `level`, `detected`, `control`, `signal` : the step response, s and V, shape (n,).
    `settled` : V, control before and after the step. `cycle` : one cycle of the settled loop as
    rows input, output, ripple, rectified. `slope` : of the louder level over the control.
    `rings` : s, integrator time under which the loop rings. `held` : whether the weaker signal is
    held. `after`, `back` : s, settling of the step and of the step back. `growth` : by how much
    the louder signal is larger.
    """

    figures: dict[str, Figure]
    t: Floats
    level: Floats
    detected: Floats
    control: Floats
    signal: Floats
    settled: tuple[float, ...]
    cycle: Floats
    spectrum: LabelledSpectrum
    loud_amplitude: float
    final: float
    slope: float
    soft_slope: float
    rings: float
    least: float
    held: bool
    after: float
    back: float
    growth: float
    ripple: float

    @property
    def calm(self) -> bool:
        """Whether the loop does not ring."""
        return self.figures["damping"].value >= 1.0


def measure_loop(s: GainControlLoop, b: Bench) -> LoopRun:
    """Run the loop in time: returns LoopRun.

    Detector (full-wave rectifier and one pole), comparison with the wanted level, integrator,
    and the cell as the variable gain. The level is followed from step to step with the cell
    averaged over a signal cycle; the ripple that the average leaves out is added from the
    rectified output of the settled loop, line by line. The control is kept at or above 0 V:
    below it the gain reverses, the detector cannot tell, and the loop would run away.
    """
    needs(s, "level", "wanted", "control_limit")
    stepped = s.level * 10.0 ** (s.step / 20.0)
    tables = [_Level(b, a, s) for a in (s.level, stepped)]
    settled = tuple(x.settled(s.wanted) for x in tables)
    slopes = [max(x.slope_at(c), 1e-9) for x, c in zip(tables, settled)]
    t_i, t_d = s.integrator_time, s.detector_time
    constants = [min(t_i / g, 50.0 * t_i) for g in slopes]
    spans = [max(8.0 * constants[k], 25.0 * t_d) for k in (1, 0)]
    pre = 0.1 * spans[0]
    control, parts, times = settled[0], [], []
    detected, start = tables[0].level_at(control), 0.0
    for table, span, steps in (
        (tables[0], pre, 50),
        (tables[1], spans[0], 1200),
        (tables[0], spans[1], 1200),
    ):
        part = _track(table, s.wanted, t_i, t_d, s.control_limit, control, detected, span, steps)
        _, detected, control = (float(x) for x in part[:, -1])
        parts.append(part)
        times.append(start + span * np.arange(1, steps + 1) / steps)
        start += span
    t = np.concatenate(times)
    level, detected, control = np.concatenate(parts, axis=1)
    finals = [x.level_at(c) for x, c in zip(tables, settled)]
    after = _settling(times[1] - pre, parts[1][1], finals[1])
    back = _settling(times[2] - pre - spans[0], parts[2][1], finals[0])
    attack, release = (after, back) if s.step >= 0 else (back, after)
    loud, soft = (1, 0) if s.step >= 0 else (0, 1)
    swing = parts[1][1] - finals[1]
    beyond = float(np.max(-swing if s.step >= 0 else swing)) / max(finals[1], 1e-15)
    reachable = float(np.max(tables[0].level / tables[0].amplitude))
    least = s.wanted / max(reachable, 1e-15)
    cycle = _settled_cycle(s, b, tables[loud], settled[loud])
    spectrum = labelled_spectrum(
        cycle[1], 1.0 / s.frequency, [Tone("f_signal", "upper", 1)], wanted=((1,),)
    )
    heard = spectrum.spectrum.peak[1] > 0.0
    ripple = float(np.ptp(cycle[2]))
    figures = {
        "attack": Figure(attack, "s"),
        "release": Figure(release, "s"),
        "damping": Figure(0.5 * math.sqrt(t_i / (t_d * slopes[loud]))),
        "overshoot": Figure(100.0 * max(beyond, 0.0), "%"),
        "held": Figure(finals[1], "V"),
        "least_input": Figure(least, "V"),
        "ripple": Figure(ripple, "V"),
        "hd3": Figure(
            100.0 * float(harmonic_levels(spectrum.spectrum, 1, 3)[1]) if heard else math.nan, "%"
        ),
    }
    return LoopRun(
        figures=figures,
        t=t,
        level=level,
        detected=detected,
        control=control,
        signal=np.where((t > pre) & (t <= pre + spans[0]), stepped, s.level),
        settled=settled,
        cycle=cycle,
        spectrum=spectrum,
        loud_amplitude=tables[loud].amplitude,
        final=finals[loud],
        slope=slopes[loud],
        soft_slope=slopes[soft],
        rings=4.0 * t_d * slopes[loud],
        least=least,
        held=min(s.level, stepped) >= least,
        after=after,
        back=back,
        growth=10.0 ** (abs(s.step) / 20.0),
        ripple=ripple,
    )


def _settled_cycle(
    s: GainControlLoop, b: Bench, level: _Level, control: float, n: int = 256
) -> Floats:
    """One cycle of the settled loop, rows input, output, ripple of the control, rectified; V."""
    phase = 2.0 * np.pi * (np.arange(n) + 0.5) / n - 0.5 * np.pi
    step = 1.0 / (s.frequency * n)
    fed = complex(b.fed("upper", s.frequency))
    at_cell = phase + math.atan2(fed.imag, fed.real)

    def out(v: Floats) -> Floats:
        wave = level.table.wave(at_cell, v)
        return loaded(wave, step, b.path.load_pole)

    wave = out(np.full(n, control))
    rectified = np.abs(wave - wave.mean()) * np.pi / 2.0
    ripple = _ripple(rectified, s.frequency, s.integrator_time, s.detector_time)
    moved = np.clip(control + ripple, 0.0, s.control_limit)
    return np.stack([level.amplitude * np.cos(phase), out(moved), ripple, rectified])


@dataclass(frozen=True)
class LoopLaws:
    """Relations of the loop by figure, and the limits that its words speak of.

    `quick` : s, integrator time under which the ripple adds a tenth of what the bend gives.
    """

    relations: dict[str, Relation]
    quick: float


def _constant(s: GainControlLoop, slope: float) -> float:
    """Time constant of the loop at a slope of level over control, s."""
    return min(s.integrator_time / slope, 50.0 * s.integrator_time)


def relate_loop(s: GainControlLoop, b: Bench, m: LoopRun) -> LoopLaws:
    """Textbook relations of the loop: returns LoopLaws."""
    t_i, t_d = s.integrator_time, s.detector_time
    # time for a first-order loop to shrink the error of the step to 5 %
    grow = _constant(s, m.slope) * math.log(max((m.growth - 1.0) / SETTLED, 1.0))
    fall = _constant(s, m.soft_slope) * math.log(max((1.0 - 1.0 / m.growth) / SETTLED, 1.0))
    w2 = 4.0 * math.pi * s.frequency
    ripple = 4.0 / 3.0 * m.final / (w2 * t_i * math.hypot(1.0, w2 * t_d))
    settled = max(m.settled)
    third = third_law(b, m.loud_amplitude, min(m.settled)) or 0.0
    from_ripple = abs(ripple / 4.0 * m.slope / max(m.final, 1e-12))
    quick = t_i * from_ripple / max(0.1 * third, 1e-15)
    small_step = m.growth <= 10.0 ** (DRIFT_DB / 20.0)
    relations = {
        "attack": Relation(grow, _roughly(grow, small_step), m.rings, "s", m.calm and m.held),
        "release": Relation(fall, _roughly(fall, small_step), m.least, "V", m.held),
        "damping": Relation(
            0.5 * math.sqrt(t_i / (t_d * _slope_law(b, m))), 0.1, 1.0, "", inside=m.calm
        ),
        "overshoot": Relation(0.0 if m.calm else None, 1.0, m.rings, "s", m.calm),
        "held": Relation(s.wanted, limit=m.least, limit_unit="V", inside=m.held),
        "least_input": Relation(
            s.wanted / float(b.gain_law(s.control_limit)), limit=b.full_scale, limit_unit="V",
            inside=s.wanted < 0.5 * b.full_scale,
        ),
        "ripple": Relation(
            ripple, 0.05 * ripple, 0.1 * settled, "V", m.ripple <= 0.1 * max(settled, 1e-12)
        ),
        "hd3": Relation(100.0 * third, 10.0 * third, quick, "s", t_i >= quick),
    }  # fmt: skip
    return LoopLaws(relations, quick)


def _slope_law(b: Bench, m: LoopRun) -> float:
    """Slope of the louder level over the control, by the laws of the pairs."""
    control, h = min(m.settled), 0.01 * b.v_t
    ends = b.gain_law(control + np.array([-h, h]))
    return max(m.loud_amplitude * float(ends[1] - ends[0]) / (2.0 * h), 1e-9)


def _roughly(law: float, small_step: bool) -> float:
    """How close a settling time is to a first-order law: 15 %, and 40 % for a step so large that
    the slope changes on the way."""
    return (0.15 if small_step else 0.4) * law


def show_loop(s: GainControlLoop, b: Bench, m: LoopRun) -> Shown:
    """Records and spectrum of the loop: returns Shown; `window` is left to the words."""
    two = np.tile(m.cycle, 2)
    tt = (np.arange(two.shape[1]) + 0.5) / m.cycle.shape[1] / s.frequency
    return Shown(
        {
            "signal": time_trace(m.t, m.signal),
            "level": time_trace(m.t, m.level),
            "detected": time_trace(m.t, m.detected, "second"),
            "wanted": time_trace(m.t, np.full(m.t.shape, s.wanted), "guide"),
            "control": time_trace(m.t, m.control),
            "settled_input": time_trace(tt, two[0]),
            "settled_output": time_trace(tt, two[1]),
            "settled_ripple": time_trace(tt, two[2]),
        },
        m.spectrum,
    )


def curves_loop(s: GainControlLoop, b: Bench, m: LoopRun) -> tuple[Curve, ...]:
    """Characteristics of the loop: tuple of Curve."""
    t_i = np.geomspace(1e-5, 0.2, 41)
    ripples = np.ptp(_ripple(m.cycle[3], s.frequency, t_i[:, None], s.detector_time), axis=-1)
    error = math.log(max((m.growth - 1.0) / SETTLED, 1.0 + 1e-9))
    times = t_i / m.slope * error
    calm = t_i >= m.rings
    traces = []
    for keep, role, name in ((calm, "result", "calm"), (~calm, "guide", "rings")):
        if keep.any():
            traces.append(Trace(times[keep], ripples[keep], "s", "V", role, name))
    levels = s.level * 10.0 ** (np.linspace(-30.0, 30.0, 41) / 20.0)
    fed = abs(complex(b.fed("upper", s.frequency)))
    reach = min(float(levels[-1]) * fed, 2.0)
    fit = cosine_values(lambda u: b.answer(u, s.control_limit), reach, b.v_t)
    wave = np.cos(2.0 * np.pi * (np.arange(32) + 0.5) / 32)
    out = chebyshev.chebval(np.clip(levels[:, None] * fed * wave / reach, -1.0, 1.0), fit)
    out = loaded(out, 1.0 / (32 * s.frequency), b.path.load_pole)
    out = out - out.mean(axis=1, keepdims=True)
    most = np.mean(np.abs(out), axis=1) / np.mean(np.abs(wave))
    return (
        Curve(
            "fast", "s", "V", tuple(traces), (_constant(s, m.slope) * error, m.ripple)
        ),
        Curve(
            "held", "V", "V",
            (
                Trace(levels, np.minimum(most, s.wanted), "V", "V"),
                Trace(levels, levels * float(b.gain_law(s.control_limit)), "V", "V", "relation"),
            ),
            (s.level, float(min(s.wanted, np.interp(s.level, levels, most)))),
        ),
    )  # fmt: skip
