"""Two uses with one frequency on both inputs: the phase detector and the squarer.

Relations: Gardner, Phaselock Techniques (phase detector); trigonometry (squarer).
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from forktail.core.models import TextbookCell
from forktail.core.quantities import format_quantity as text_of
from forktail.core.spec import checked, choice, number, setting, spec
from forktail.core.uses.reference import (
    CALL,
    ONE_DB,
    answer,
    bench,
    first_departure,
    follows,
    needs,
)
from forktail.core.uses.result import LOUD, Curve, Listen, Merit, Trace, UseResult, show, time_trace
from forktail.core.waves.spectrum import Tone, carrier_suppression, decibel, labelled_spectrum

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


def _detector_wave(shape, turns):
    """Cosine or square wave over an angle in rad, square edges between the samples."""
    wave = np.cos(turns)
    return np.sign(wave) if shape == "square" else wave


def run_phase_detector(settings=None, solve=None, detail=True):
    """Phase detector: mean output against phase, from cosine to triangle as the drive grows.

    Parameters, returns and errors as `uses_gain.run_variable_gain`.
    Merits: output, slope, zero, swing, straightness, lock_range.
    """
    s = checked(settings or PhaseDetector())
    needs(s, "upper_amplitude", "lower_amplitude")
    follows(s, upper_amplitude=1.0, lower_amplitude=1.0)
    solve = solve or TextbookCell()
    b = bench(solve)
    x_u, x_l = s.upper_amplitude / (2.0 * b.v_t), s.lower_amplitude / (2.0 * b.v_t)
    n = 128
    turn = 2.0 * np.pi * (np.arange(n) + 0.5) / n
    upper = s.upper_amplitude * _detector_wave(s.shape, turn)
    lower = s.lower_amplitude * _detector_wave(s.shape, turn)

    # the lower wave is moved by whole samples, so that each phase is exact for square waves too
    shifts = np.arange(-n // 2, n // 2 + 1, 4)
    phases = shifts * (360.0 / n)
    moved = np.stack([np.roll(lower, k) for k in shifts])
    means = np.mean(answer(solve, upper, moved).v_out, axis=1)
    # one sample to either side of 90 degrees, and at 90 with 1 mV of offset on both inputs
    small = 1e-3
    edge_rows = np.stack([np.roll(lower, n // 4 + k) for k in (-1, 1, 0)])
    bias = np.array([[0.0], [0.0], [small]])
    early, late, biased = answer(solve, upper + bias, edge_rows + bias).v_out.mean(axis=1)
    slope = float(early - late) * n / (4.0 * np.pi)
    # the falling zero: between the last positive and the first negative value over 0 .. 180
    half = phases >= 0.0
    p, m = phases[half], means[half]
    cross = np.flatnonzero((m[:-1] > 0.0) & (m[1:] <= 0.0))
    zero = math.nan
    if cross.size:
        k = cross[0]
        zero = float(p[k] + (p[k + 1] - p[k]) * m[k] / (m[k] - m[k + 1]))
    swing = float(np.ptp(means)) / 2.0
    middle = float(means.max() + means.min()) / 2.0

    # one long record at the phase that is set
    fine = 1024
    cycles = 4
    t = np.arange(fine) * (cycles / s.frequency / fine)
    turns = 2.0 * np.pi * cycles * (np.arange(fine) + 0.5) / fine
    v_upper = s.upper_amplitude * _detector_wave(s.shape, turns)
    v_lower = s.lower_amplitude * _detector_wave(s.shape, turns - math.radians(s.phase))
    v_out = answer(solve, v_upper, v_lower).v_out
    mean = float(v_out.mean())
    spectrum = labelled_spectrum(v_out, cycles / s.frequency, [Tone("f", "upper", cycles)])

    # switched hard, an upper pair carries the whole tail current at times
    hard_start = max(b.hard_start(side, 1.0) for side in ("upper", "lower"))
    soft_end = _detector_soft_end(solve, b)
    smaller, larger = sorted((s.upper_amplitude, s.lower_amplitude))
    if s.shape == "square":
        hard, height = True, b.full_scale * math.tanh(x_u) * math.tanh(x_l)
        edge, holds = 0.0, True
        stops = (
            "It stops holding when the edges of the square waves are no longer steep "
            "against the phase that is measured."
        )
    else:
        hard = smaller >= math.sqrt(soft_end * hard_start)
        height = b.full_scale if hard else b.full_scale * x_u * x_l / 2.0
        edge = hard_start if hard else soft_end
        holds = smaller >= hard_start if hard else larger <= soft_end
        stops = (
            f"It stops holding when either drive is under {text_of(edge, 'V')} peak: the "
            "triangle then rounds off towards a cosine (limit at 1 dB)."
            if hard
            else f"It stops holding when either drive passes {text_of(edge, 'V')} peak: the "
            "cosine then straightens towards a triangle (limit at 1 dB)."
        )
    if hard:
        law = height * (1.0 - 2.0 * abs(s.phase) / 180.0)
        slope_law, shape = 2.0 * height / np.pi, "triangle"
        rule = "I R (1 - 2 |phase| / 180)"
        slope_rule = "2 I R / pi"
        if s.shape == "square":
            rule = rule.replace("I R", "I R tanh(A_u/2VT) tanh(A_l/2VT)")
            slope_rule = "2/pi x I R tanh(A_u/2VT) tanh(A_l/2VT)"
    else:
        law = height * math.cos(math.radians(s.phase))
        slope_law, shape = height, "cosine"
        rule = "I R A_u A_l / (8 VT^2) x cos(phase)"
        slope_rule = "I R A_u A_l / (8 VT^2)"
    shape_law = 0.0 if hard else 100.0 * (1.0 - math.sin(math.pi / 4) / (math.pi / 4))
    rise = float(np.interp(45.0, phases, means) - np.interp(90.0, phases, means))
    line = slope * math.pi / 4.0
    bent = 100.0 * (1.0 - rise / line) if line > 0 else math.nan
    lock = swing * s.oscillator_pull
    moved_by = (
        math.degrees(abs(float(biased) - 0.5 * float(early + late)) / slope)
        if slope > 0
        else math.nan
    )
    merits = (
        Merit(
            "output", "Mean output at the phase set", mean, "V", rule, law, edge, "V", holds, stops
        ),
        Merit(
            "slope",
            "Slope at 90 degrees, falling",
            slope,
            "V/rad",
            slope_rule,
            slope_law,
            edge,
            "V",
            holds,
            stops,
        ),
        Merit(
            "zero",
            "Phase of zero output",
            zero,
            "deg",
            "90 degrees",
            90.0,
            small,
            "V",
            abs(zero - 90.0) <= 1.0,
            "It stops holding when both inputs have an offset, for their product adds to the "
            f"mean: {text_of(small, 'V')} on each moves it by "
            f"{'less than 0.01' if moved_by < 0.01 else f'{moved_by:.2g}'} degrees here.",
        ),
        Merit(
            "swing",
            "Largest mean output",
            swing,
            "V",
            "I R" if hard else "I R A_u A_l / (8 VT^2)",
            height,
            edge,
            "V",
            holds,
            stops,
        ),
        Merit(
            "straightness",
            "Short of a straight line at 45 degrees from zero",
            bent,
            "%",
            f"{shape_law:.0f} % for a {shape}",
            shape_law,
            edge,
            "V",
            holds,
            stops,
        ),
        Merit(
            "lock_range",
            "Hint: a loop can hold to either side",
            lock,
            "Hz",
            "slope x pi/2 x pull for a triangle" if hard else "slope x pull for a cosine",
            height * s.oscillator_pull,
            90.0,
            "deg",
            holds,
            "It is a hint: it stops holding when the filter of the loop lets less than the "
            "full mean through, and lock is lost when the phase leaves its zero by more than "
            "90 degrees.",
        ),
    )
    sentence = (
        f"At {s.phase:+.4g} degrees the mean output is {text_of(mean, 'V')}; the "
        f"characteristic is {'close to' if holds else 'on its way to'} a {shape}, zero "
        f"at {zero:.1f} degrees, {text_of(abs(slope), 'V/rad')} steep there."
    )
    curves = ()
    if detail:
        curves = _detector_curves(s, solve, b, phases, means, height, hard, mean, middle)
    return UseResult(
        "phase_detector",
        "Phase detector",
        b.model,
        s,
        sentence,
        {
            "upper": time_trace(t, v_upper, "upper input"),
            "lower": time_trace(t, v_lower, "lower input"),
            "output": time_trace(t, v_out, "output"),
            "mean": time_trace(t, np.full(fine, mean), "mean output", role="second"),
        },
        spectrum,
        curves,
        merits,
        f"{cycles} cycles of {text_of(s.frequency, 'Hz')}, {fine} samples.",
    )


def _detector_soft_end(solve, b):
    """Drive of both inputs up to which the mean follows their product to 1 dB for each, V peak.

    With resistors it is measured, for then the lower drive also sets the range of the upper pairs.
    """
    if b.plain("upper") and b.plain("lower"):
        return b.soft_end("upper", ONE_DB)
    drive = np.geomspace(0.05 * b.v_t, 2.0 * b.hard_start("lower"), 24)
    wave = drive[:, None] * np.cos(2.0 * np.pi * (np.arange(16) + 0.5) / 16)
    means = answer(solve, wave, wave).v_out.mean(axis=1)
    return first_departure(drive, means / drive**2, 1.0 - (1.0 - ONE_DB) ** 2)


def _detector_curves(s, solve, b, phases, means, height, hard, mean, middle):
    shape = (1.0 - 2.0 * np.abs(phases) / 180.0) if hard else np.cos(np.radians(phases))
    curves = [
        Curve(
            "Mean output against phase",
            "phase",
            "deg",
            "mean output",
            "V",
            (
                Trace(phases, means, "deg", "V", "mean output"),
                Trace(
                    phases,
                    middle + height * shape,
                    "deg",
                    "V",
                    "triangle" if hard else "cosine",
                    "relation",
                ),
            ),
            (s.phase, mean),
            "Zero at 90 degrees; small drive gives a cosine, hard drive a triangle.",
        )
    ]
    if s.shape == "sine":
        drive = np.geomspace(5e-3, 1.0, 21)
        n = 96
        turn = 2.0 * np.pi * (np.arange(n) + 0.5) / n
        step = n // 32
        wave = np.cos(turn)
        low = drive[:, None] * np.roll(wave, n // 4 - step)
        high = drive[:, None] * np.roll(wave, n // 4 + step)
        up = drive[:, None] * wave
        both = answer(solve, np.stack([up, up]), np.stack([low, high])).v_out.mean(axis=-1)
        slope = (both[0] - both[1]) / (4.0 * np.pi * step / n)
        curves.append(
            Curve(
                "Slope against drive",
                "both drives, peak",
                "V",
                "slope",
                "V/rad",
                (
                    Trace(drive, slope, "V", "V/rad", "slope at 90 degrees"),
                    Trace(
                        drive,
                        np.minimum(b.full_scale * drive**2 / (8.0 * b.v_t**2), b.full_scale),
                        "V",
                        "V/rad",
                        "small drive",
                        "relation",
                    ),
                    Trace(
                        drive,
                        np.full(drive.shape, 2.0 * b.full_scale / np.pi),
                        "V",
                        "V/rad",
                        "2 I R/pi",
                        "relation",
                    ),
                ),
                (
                    math.sqrt(s.upper_amplitude * s.lower_amplitude),
                    float(
                        np.interp(math.sqrt(s.upper_amplitude * s.lower_amplitude), drive, slope)
                    ),
                ),
                "Past hard drive the slope no longer depends on the level of the echo.",
            )
        )
    return tuple(curves)


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


@lru_cache(maxsize=1)
def _fourth_limit():
    """Peak over 2 VT at which the fourth harmonic of tanh^2 is a tenth off x^2/6."""
    angle = 2.0 * np.pi * (np.arange(128) + 0.5) / 128
    x = np.linspace(0.05, 3.0, 600)
    wave = np.tanh(x[:, None] * np.cos(angle)) ** 2
    second, fourth = (np.abs(wave @ np.cos(k * angle)) for k in (2, 4))
    return float(x[np.argmax(np.abs(fourth / second * 6.0 / x**2 - 1.0) > 0.1)])


def _square_end(solve, b):
    """Amplitude at which the second harmonic is a tenth off the square, V peak."""
    if b.plain("upper") and b.plain("lower"):
        # tanh^2 is short of the square of its argument by 2/3 x^2, at the second harmonic
        return 2.0 * b.v_t * math.sqrt(0.15)
    drive = np.geomspace(0.05 * b.v_t, 2.0 * b.hard_start("lower"), 24)
    angle = 2.0 * np.pi * (np.arange(16) + 0.5) / 16
    wave = drive[:, None] * np.cos(angle)
    second = answer(solve, wave, wave).v_out @ np.cos(2.0 * angle)
    return first_departure(drive, second / drive**2, 0.1)


def run_squarer(settings=None, solve=None, detail=True):
    """Squarer and frequency doubler: level of 2 f, fundamental left over, DC.

    Parameters, returns and errors as `uses_gain.run_variable_gain`.
    Merits: second, residual, dc, fourth, purity.
    """
    s = checked(settings or Squarer())
    needs(s, "amplitude")
    follows(s, amplitude=1.0, offset_upper=0.1, offset_lower=0.1)
    solve = solve or TextbookCell()
    b = bench(solve)
    n, cycles = 1024, 4
    duration = cycles / s.frequency
    t = np.arange(n) * (duration / n)
    turn = 2.0 * np.pi * cycles * np.arange(n) / n
    v_upper = s.offset_upper + s.amplitude * np.cos(turn)
    v_lower = s.offset_lower + s.amplitude * np.cos(turn - math.radians(s.phase))
    v_out = answer(solve, v_upper, v_lower).v_out
    spectrum = labelled_spectrum(v_out, duration, [Tone("f", "upper", cycles)])
    peak = spectrum.spectrum.peak
    second, first, fourth = (float(peak[cycles * k]) for k in (2, 1, 4))
    dc = float(v_out.mean())
    scale = b.full_scale / (4.0 * b.v_t**2)
    second_law = scale * s.amplitude**2 / 2.0
    # each offset lets the other input through, and the two add with their phase
    left = abs(s.offset_upper * np.exp(-1j * math.radians(s.phase)) + s.offset_lower)
    ratio_law = 2.0 * left / s.amplitude
    residual = carrier_suppression(spectrum.spectrum, cycles, [2 * cycles])
    residual_law = float(decibel(1.0 / ratio_law)) if ratio_law > 1e-12 else 240.0
    dc_law = scale * (
        s.amplitude**2 / 2.0 * math.cos(math.radians(s.phase)) + s.offset_upper * s.offset_lower
    )
    square_end = _square_end(solve, b)
    fourth_end = 2.0 * b.v_t * _fourth_limit()
    inside = s.amplitude <= square_end
    others = math.sqrt(float(np.sum(peak[cycles::cycles] ** 2)) - second**2)
    need = s.amplitude / 200.0
    bend = (
        f"the amplitude passes {text_of(square_end, 'V')} peak, where the bend of the pairs "
        "moves it by a tenth"
    )
    merits = (
        Merit(
            "second",
            "Level at twice the frequency",
            second,
            "V",
            "I R A^2 / (8 VT^2)",
            second_law,
            square_end,
            "V",
            inside,
            f"It stops holding when {bend}.",
        ),
        Merit(
            "residual",
            "Second harmonic over the fundamental left",
            residual,
            "dB",
            "20 log10 (A / (2 |sum of both offsets|))",
            residual_law,
            square_end,
            "V",
            inside,
            f"It stops holding when {bend}, or when the pairs have offsets of their own: 40 dB "
            f"needs a sum under {text_of(need, 'V')}.",
        ),
        Merit(
            "dc",
            "DC at the output",
            dc,
            "V",
            "I R A^2 cos(phase) / (8 VT^2)",
            dc_law,
            square_end,
            "V",
            inside,
            f"It stops holding when {bend}.",
        ),
        Merit(
            "fourth",
            "Fourth harmonic over the second",
            100.0 * fourth / second if second > 0 else 0.0,
            "%",
            "(A/VT)^2 / 24",
            100.0 * (s.amplitude / b.v_t) ** 2 / 24.0 if s.phase == 0.0 else None,
            fourth_end,
            "V",
            s.amplitude <= fourth_end and s.phase == 0.0,
            f"It stops holding when the amplitude passes {text_of(fourth_end, 'V')} peak, where "
            "it is a tenth off, or the phase is not 0.",
        ),
        Merit(
            "purity",
            "All other lines over the second harmonic",
            100.0 * others / second if second > 0 else 0.0,
            "%",
            "2 |sum of both offsets| / A",
            100.0 * ratio_law,
            square_end,
            "V",
            inside and first >= fourth,
            "It stops holding when the fourth harmonic is the larger part.",
        ),
    )
    sentence = (
        f"{text_of(s.frequency, 'Hz', 4)} becomes {text_of(2 * s.frequency, 'Hz', 4)} at "
        f"{text_of(second, 'V')} peak; the fundamental is left "
        f"{show(abs(residual), 'dB')} {'below' if residual >= 0 else 'above'} it, and "
        f"{text_of(dc, 'V')} of DC comes with it."
    )
    curves = _squarer_curves(s, solve, b, second) if detail else ()
    return UseResult(
        "squarer",
        "Squarer, frequency doubler",
        b.model,
        s,
        sentence,
        {
            "upper": time_trace(t, v_upper, "upper input"),
            "lower": time_trace(t, v_lower, "lower input", role="second"),
            "output": time_trace(t, v_out, "output"),
        },
        spectrum,
        curves,
        merits,
        f"{cycles} cycles of {text_of(s.frequency, 'Hz')}, {n} samples.",
        Listen(v_out, duration, b.full_scale / LOUD, slow_by=20.0),
    )


def _squarer_curves(s, solve, b, second):
    angle = 2.0 * np.pi * (np.arange(64) + 0.5) / 64
    shifted = np.cos(angle - math.radians(s.phase))
    drive = np.geomspace(1e-3, 1.0, 31)
    out = answer(
        solve,
        s.offset_upper + drive[:, None] * np.cos(angle),
        s.offset_lower + drive[:, None] * shifted,
    ).v_out
    levels = [2.0 * np.abs(out @ np.exp(-1j * k * angle)) / 64 for k in (1, 2, 4)]

    def db(v):
        return np.maximum(decibel(v), -120.0)

    trim = np.linspace(-4e-3, 4e-3, 33)
    out = answer(
        solve,
        s.offset_upper + s.amplitude * np.cos(angle),
        s.offset_lower + trim[:, None] + s.amplitude * shifted,
    ).v_out
    one, two = (2.0 * np.abs(out @ np.exp(-1j * k * angle)) / 64 for k in (1, 2))
    residual = np.minimum(decibel(two / np.maximum(one, 1e-15)), 100.0)
    return (
        Curve(
            "Lines against amplitude",
            "both inputs, peak",
            "V",
            "line",
            "dB",
            (
                Trace(drive, db(levels[1]), "V", "dB", "2 f"),
                Trace(drive, db(levels[0]), "V", "dB", "f left over", "second"),
                Trace(drive, db(levels[2]), "V", "dB", "4 f", "second"),
                Trace(
                    drive,
                    db(b.full_scale * drive**2 / (8.0 * b.v_t**2)),
                    "V",
                    "dB",
                    "I R A^2/(8 VT^2)",
                    "relation",
                ),
            ),
            (s.amplitude, float(db(second))),
            "dB over 1 V peak; past the bend the square flattens and the fourth harmonic grows.",
        ),
        Curve(
            "Fundamental left against trim",
            "trim on the lower input",
            "V",
            "2 f over f",
            "dB",
            (Trace(trim, residual, "V", "dB", "2 f over f"),),
            (0.0, float(np.interp(0.0, trim, residual))),
            "One trim nulls the sum of both offsets; drawn up to 100 dB.",
        ),
    )
