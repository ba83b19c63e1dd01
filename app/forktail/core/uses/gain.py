"""Two uses that set a gain: the variable gain and the loop that controls it.

The signal goes to the upper input, the control voltage to the lower one.
"""

import math
from dataclasses import dataclass

import numpy as np

from forktail.core.models import TextbookCell
from forktail.core.quantities import format_quantity as text_of
from forktail.core.spec import checked, number, setting, spec
from forktail.core.uses.reference import CALL, answer, bench, first_departure, follows, needs
from forktail.core.uses.result import LOUD, Curve, Listen, Merit, Trace, UseResult, show, time_trace
from forktail.core.waves import drives as signals
from forktail.core.waves.spectrum import (
    Tone,
    decibel,
    harmonic_levels,
    labelled_spectrum,
    small_drive_limit,
)

#: The change of gain that is taken as still usable when the control drifts, dB.
DRIFT_DB = 1.0
#: A loop has settled when its output stays within this part of its final value.
SETTLED = 0.05


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


def _null_control(solve):
    """Control voltage at which the gain is zero: secant steps on gain_upper(0, v)."""
    v0, v1 = -1e-3, 1e-3
    g0, g1 = (float(answer(solve, 0.0, v).gain_upper) for v in (v0, v1))
    for _ in range(12):
        if g1 == g0 or abs(v1 - v0) < 1e-12:
            break
        v0, v1, g0 = v1, float(np.clip(v1 - g1 * (v1 - v0) / (g1 - g0), -0.5, 0.5)), g1
        g1 = float(answer(solve, 0.0, v1).gain_upper)
    return v1 if abs(v1) > 1e-12 else 0.0  # under a picovolt there is only rounding


def _straight_to(solve, b, control, part=0.01):
    """Signal, V peak, at which the gain is off by `part`: by law, or with resistors measured.

    With emitter resistors the range of a pair grows with its current, and the two upper pairs
    share the current as the control wants: their difference bends by no law of one pair.
    """
    if not b.r_emitter_upper:
        return b.soft_end("upper", part)
    amplitude = np.geomspace(0.05 * b.v_t, 2.0 * b.hard_start("upper", 1.0), 32)
    wave = np.cos(2.0 * np.pi * (np.arange(16) + 0.5) / 16)
    out = answer(solve, amplitude[:, None] * wave, control).v_out
    return first_departure(amplitude, out @ wave / amplitude, part)


def run_variable_gain(settings=None, solve=None, detail=True):
    """Variable gain: signed gain against control voltage, usable range, distortion.

    Parameters
    ----------
    settings : VariableGain, optional
    solve : callable, optional
        (v_upper, v_lower) -> OperatingPoint; the textbook cell if left out.
    detail : bool
        Whether the characteristic curves are computed.

    Returns
    -------
    UseResult
        Merits: gain, gain_db, opposite, largest, null, control_range, usable_range, hd3.

    Raises
    ------
    QuantityError
        For settings out of bounds, or a cell without an answer.
    """
    s = checked(settings or VariableGain())
    needs(s, "amplitude")
    follows(s, amplitude=0.2, control=1.0)
    solve = solve or TextbookCell()
    b = bench(solve)
    window = signals.coherent_window((s.frequency,), min_cycles=4, min_samples=512)
    t = window.time
    v_in = s.amplitude * np.sin(2.0 * np.pi * s.frequency * t)
    cycles = window.cycles[0]
    v_out = answer(solve, v_in, s.control).v_out
    spectrum = labelled_spectrum(v_out, window.duration, [Tone("f_signal", "upper", cycles)])
    # -j is the phasor of a sine: the part of the output in step with the input
    gain = float((1j * spectrum.spectrum.phasor[cycles]).real / s.amplitude)
    opposite = float(answer(solve, 0.0, -s.control).gain_upper)
    full = 20.0 * b.v_t + b.emitter_drop("lower")
    ends = answer(solve, 0.0, np.array([-full, full])).gain_upper
    largest = float(np.max(np.abs(ends)))
    null = _null_control(solve)
    law = b.gain * math.tanh(s.control / (2.0 * b.v_t))
    small = _straight_to(solve, b, s.control)
    inside = s.amplitude <= small
    # the control at which a drift of s.drift changes the gain by 1 dB
    least = s.drift / (1.0 - 10.0 ** (-DRIFT_DB / 20.0))
    at_least = abs(float(answer(solve, 0.0, null + least).gain_upper))
    grid = null + np.linspace(0.01, 1.0, 100) * max(0.1, 2.0 * b.linear("lower"))
    slope = float(answer(solve, 0.0, null).gain_upper)
    tiny = 1e-5
    slope = (float(answer(solve, 0.0, null + tiny).gain_upper) - slope) / tiny
    measured = answer(solve, 0.0, grid).gain_upper
    short = 1.0 - measured / (slope * (grid - null))
    linear = float(np.interp(0.01, short, grid - null)) if short[-1] > 0.01 else grid[-1] - null
    linear_law = b.linear("lower")
    fullest = 6.0 * b.v_t + b.emitter_drop("lower")
    base = spectrum.spectrum.peak[cycles]
    audible = base > 1e-9 * b.full_scale
    hd3 = float(harmonic_levels(spectrum.spectrum, cycles, 3)[1]) if audible else math.nan
    hd3_law = (s.amplitude / b.v_t) ** 2 / 48.0
    hd3_limit = 2.0 * b.v_t * small_drive_limit(0.1, 3)
    merits = (
        Merit(
            "gain",
            "Gain, with its sign",
            gain,
            "",
            "gm R tanh(v_control / 2VT)",
            law,
            small,
            "V",
            inside,
            f"It stops holding when the signal passes {text_of(small, 'V')} peak, where the "
            "bend of the upper pairs moves the gain by 1 %.",
        ),
        Merit(
            "gain_db",
            "Size of the gain",
            float(decibel(abs(gain))),
            "dB",
            "20 log10 |gm R tanh(v_control / 2VT)|",
            float(decibel(abs(law))),
            small,
            "V",
            inside,
            f"It stops holding when the signal passes {text_of(small, 'V')} peak.",
        ),
        Merit(
            "opposite",
            "Gain with the control turned over",
            opposite,
            "",
            "the same size, the opposite sign",
            -law,
            abs(null),
            "V",
            abs(null) <= 0.01 * max(abs(s.control), 1e-12) or null == 0.0,
            "It stops holding when the control is not large against the offset of the lower "
            f"pair, here {text_of(null, 'V')}.",
        ),
        Merit(
            "largest",
            "Largest gain",
            largest,
            "",
            "gm R = I R / 2VT",
            b.gain,
            fullest,
            "V",
            True,
            f"It is reached when the control passes about {text_of(fullest, 'V')}; it "
            "stops holding when the beta or the Early voltage of the transistors is low.",
        ),
        Merit(
            "null",
            "Control voltage of zero gain",
            null,
            "V",
            "0 V for matched pairs",
            0.0,
            s.drift,
            "V",
            abs(null) <= s.drift,
            "It stops holding when the lower pair is mismatched by more than the drift of "
            f"{text_of(s.drift, 'V')}.",
        ),
        Merit(
            "control_range",
            "Control for gain in proportion, to 1 %",
            linear,
            "V",
            "tanh(v/2VT) 1 % short of v/2VT",
            linear_law,
            linear,
            "V",
            abs(s.control - null) <= linear,
            f"Proportion stops holding when the control is past {text_of(linear, 'V')}, "
            "because the lower pair bends.",
        ),
        Merit(
            "usable_range",
            "Usable range of gain",
            float(decibel(largest / at_least)),
            "dB",
            "largest gain over the gain at which the drift makes 1 dB",
            -float(decibel(math.tanh(least / (2.0 * b.v_t)))),
            least,
            "V",
            abs(s.control - null) >= least,
            f"It stops holding when the control comes within {text_of(least, 'V')} of its "
            f"zero: a drift of {text_of(s.drift, 'V')} then moves the gain by more than 1 dB.",
        ),
        Merit(
            "hd3",
            "Third harmonic",
            100.0 * hd3,
            "%",
            "(A/VT)^2 / 48",
            100.0 * hd3_law,
            hd3_limit,
            "V",
            s.amplitude <= hd3_limit,
            f"It stops holding when the signal passes {text_of(hd3_limit, 'V')} peak: the "
            "next term of the series then takes a tenth.",
        ),
    )
    way = "in phase with" if gain > 0 else "turned over against"
    if audible:
        sentence = (
            f"A control of {text_of(s.control, 'V')} sets a gain of {gain:+.3g} "
            f"({show(merits[1].value, 'dB')}): the output, {text_of(base, 'V')} peak, is "
            f"{way} the input."
        )
    else:
        sentence = (
            f"A control of {text_of(s.control, 'V')} sets no gain: the two upper pairs "
            "get equal currents and cancel."
        )
    curves = _gain_curves(s, solve, b, gain) if detail else ()
    return UseResult(
        "variable_gain",
        "Variable gain",
        b.model,
        s,
        sentence,
        {"input": time_trace(t, v_in, "signal in"), "output": time_trace(t, v_out, "output")},
        spectrum,
        curves,
        merits,
        window.text,
        Listen(v_out, window.duration, b.full_scale / LOUD, slow_by=20.0),
    )


def _gain_curves(s, solve, b, gain):
    v = np.linspace(-0.15, 0.15, 121)
    measured = answer(solve, 0.0, v).gain_upper
    law = b.gain * np.tanh(v / (2.0 * b.v_t))

    def db(g):
        return np.maximum(decibel(np.abs(g)), -80.0)

    amplitudes = np.geomspace(1e-3, 0.2, 24)
    angle = 2.0 * np.pi * (np.arange(64) + 0.5) / 64
    # at full control, so that the third harmonic does not depend on where the control stands
    out = answer(solve, amplitudes[:, None] * np.cos(angle), 0.1).v_out
    first, third = (np.abs(out @ np.exp(-1j * k * angle)) for k in (1, 3))
    return (
        Curve(
            "Gain against control voltage",
            "control voltage",
            "V",
            "gain",
            "dB",
            (
                Trace(v, db(measured), "V", "dB", "gain"),
                Trace(v, db(law), "V", "dB", "gm R |tanh(v/2VT)|", "relation"),
            ),
            (s.control, float(db(gain))),
            "Equal control of either sign gives the same size of gain; at the dip the two "
            "upper pairs cancel.",
        ),
        Curve(
            "Gain with its sign",
            "control voltage",
            "V",
            "gain",
            "",
            (
                Trace(v, measured, "V", "", "gain"),
                Trace(v, law, "V", "", "gm R tanh(v/2VT)", "relation"),
            ),
            (s.control, gain),
            "Through zero the output turns over.",
        ),
        Curve(
            "Third harmonic against signal",
            "signal, peak",
            "V",
            "third harmonic",
            "%",
            (
                Trace(amplitudes, 100.0 * third / first, "V", "%", "third harmonic"),
                Trace(
                    amplitudes,
                    100.0 * (amplitudes / b.v_t) ** 2 / 48.0,
                    "V",
                    "%",
                    "(A/VT)^2 / 48",
                    "relation",
                ),
            ),
            None,
            "The law of the series holds for small signals and promises too much "
            "distortion for large ones.",
        ),
    )


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

    The detector is a full-wave rectifier, scaled to read the peak of a sine.
    """

    POINTS, PHASES = 97, 32

    def __init__(self, solve, amplitude, limit):
        self.control = np.linspace(0.0, limit, self.POINTS)
        wave = np.sin(2.0 * np.pi * (np.arange(self.PHASES) + 0.5) / self.PHASES)
        out = answer(solve, amplitude * wave, self.control[:, None]).v_out
        out = out - np.mean(out, axis=1, keepdims=True)
        self.level = np.mean(np.abs(out), axis=1) / np.mean(np.abs(wave))
        self.slope = np.gradient(self.level, self.control)
        self.amplitude = amplitude

    def settled(self, wanted):
        """Control voltage at which the level is `wanted`, held at the ends."""
        rising = np.maximum.accumulate(self.level)
        return float(np.interp(wanted, rising, self.control))

    def slope_at(self, control):
        return float(np.interp(control, self.control, self.slope))


def _track(table, wanted, t_i, t_d, limit, control, detected, span, steps):
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


def _settling(t, detected, final):
    """Time after which the record stays within 5 % of its final value, s."""
    outside = np.flatnonzero(np.abs(detected - final) > SETTLED * abs(final))
    return float(t[outside[-1]]) if outside.size else 0.0


def _ripple(rectified, f, t_i, t_d):
    """Ripple of the control over one cycle of the signal, V; t_i may be a column."""
    n = rectified.shape[-1]
    spectrum = np.fft.rfft(rectified)
    w = 2.0 * np.pi * f * np.arange(1, n // 2 + 1)
    shaped = np.zeros(np.shape(t_i)[:-1] + spectrum.shape, dtype=complex)
    shaped[..., 1:] = -spectrum[1:] / (1.0 + 1j * w * t_d) / (1j * w * t_i)
    return np.fft.irfft(shaped, n)


def run_gain_control_loop(settings=None, solve=None, detail=True):
    """Gain control loop, simulated in time: a step up and the step back.

    Detector (full-wave rectifier and one pole), comparison with the wanted level, integrator,
    and the cell as the variable gain. The level is followed from step to step with the cell
    averaged over a signal cycle; the ripple that the average leaves out is added from the
    rectified output of the settled loop, line by line. The control is kept at or above 0 V:
    below it the gain turns over, the detector cannot tell, and the loop would run away.

    Parameters, returns and errors as `run_variable_gain`, with GainControlLoop settings.
    Merits: attack, release, damping, overshoot, held, least_input, ripple, hd3.
    """
    s = checked(settings or GainControlLoop())
    needs(s, "level", "wanted", "control_limit")
    follows(s, level=0.2, wanted=2.0, control_limit=0.3)
    solve = solve or TextbookCell()
    b = bench(solve)
    stepped = s.level * 10.0 ** (s.step / 20.0)
    tables = [_Level(solve, a, s.control_limit) for a in (s.level, stepped)]
    settled = [x.settled(s.wanted) for x in tables]
    slopes = [max(x.slope_at(c), 1e-9) for x, c in zip(tables, settled)]
    t_i, t_d = s.integrator_time, s.detector_time
    constants = [min(t_i / g, 50.0 * t_i) for g in slopes]
    spans = [max(8.0 * constants[k], 25.0 * t_d) for k in (1, 0)]
    pre = 0.1 * spans[0]
    control, parts, times = settled[0], [], []
    detected = float(np.interp(control, tables[0].control, tables[0].level))
    start = 0.0
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
    finals = [float(np.interp(c, x.control, x.level)) for x, c in zip(tables, settled)]
    after = _settling(times[1] - pre, parts[1][1], finals[1])
    back = _settling(times[2] - pre - spans[0], parts[2][1], finals[0])
    attack, release = (after, back) if s.step >= 0 else (back, after)
    loud, soft = (1, 0) if s.step >= 0 else (0, 1)
    growth = 10.0 ** (abs(s.step) / 20.0)
    # time for a first-order loop to shrink the error of the step to 5 %
    law = [
        constants[loud] * math.log(max((growth - 1.0) / SETTLED, 1.0)),
        constants[soft] * math.log(max((1.0 - 1.0 / growth) / SETTLED, 1.0)),
    ]
    damping = 0.5 * math.sqrt(t_i / (t_d * slopes[loud]))
    rings = 4.0 * t_d * slopes[loud]
    calm = t_i >= rings
    swing = parts[1][1] - finals[1]
    beyond = float(np.max(-swing if s.step >= 0 else swing)) / finals[1]
    reachable = float(np.max(tables[0].level / tables[0].amplitude))
    least = s.wanted / reachable
    held = min(s.level, stepped) >= least
    # ripple of the settled loop at the louder level
    n = 256
    wave = np.sin(2.0 * np.pi * (np.arange(n) + 0.5) / n)
    v_in = tables[loud].amplitude * wave
    v_out = answer(solve, v_in, settled[loud]).v_out
    rectified = np.abs(v_out - v_out.mean()) * np.pi / 2.0
    ripple = _ripple(rectified, s.frequency, t_i, t_d)
    rippled = answer(solve, v_in, settled[loud] + ripple).v_out
    period = 1.0 / s.frequency
    spectrum = labelled_spectrum(rippled, period, [Tone("f_signal", "upper", 1)])
    heard = spectrum.spectrum.peak[1] > 0.0
    hd3 = float(harmonic_levels(spectrum.spectrum, 1, 3)[1]) if heard else math.nan
    size = float(np.ptp(ripple))
    w2 = 4.0 * np.pi * s.frequency
    size_law = 4.0 / 3.0 * finals[loud] / (w2 * t_i * math.hypot(1.0, w2 * t_d))
    from_ripple = abs(size_law / 4.0 * slopes[loud] / max(finals[loud], 1e-12))
    # the integrator time at which the ripple adds a tenth of what the bend gives
    bend = (tables[loud].amplitude / b.v_t) ** 2 / 48.0
    quick = t_i * from_ripple / (0.1 * bend)
    merits = (
        Merit(
            "attack",
            "Settling when the signal grows, to 5 %",
            attack,
            "s",
            "(T / D) ln(step error / 5 %), D = slope of level over control",
            law[0],
            rings,
            "s",
            calm and held,
            "It stops holding when the integrator time is under 4 D x detector "
            f"time = {text_of(rings, 's')}, where the loop rings, and for steps so large that "
            "the slope changes on the way.",
        ),
        Merit(
            "release",
            "Settling when the signal falls, to 5 %",
            release,
            "s",
            "(T / D) ln(step error / 5 %) at the weaker signal",
            law[1],
            least,
            "V",
            held,
            f"It stops holding when the signal is under {text_of(least, 'V')} peak, where the "
            "control stands at its limit.",
        ),
        Merit(
            "damping",
            "Damping of the loop at the louder signal",
            damping,
            "",
            "half of sqrt(T / (D x detector time)); 1 is the edge of ringing",
            damping,
            1.0,
            "",
            calm,
            f"It stops being calm when the integrator time is under {text_of(rings, 's')}.",
        ),
        Merit(
            "overshoot",
            "Swing beyond the final level",
            100.0 * max(beyond, 0.0),
            "%",
            "none when the damping is 1 or more",
            0.0 if calm else None,
            rings,
            "s",
            calm,
            f"It stops holding when the integrator time is under {text_of(rings, 's')}, or "
            "when a large step drives the loop where its slope is steeper.",
        ),
        Merit(
            "held",
            "Output level after the step",
            finals[1],
            "V",
            "the wanted level",
            s.wanted,
            least,
            "V",
            held,
            f"It stops holding when the signal is under {text_of(least, 'V')} peak: even the "
            "largest control cannot raise it to the wanted level.",
        ),
        Merit(
            "least_input",
            "Weakest signal that is still held",
            least,
            "V",
            "wanted level / (gm R tanh(limit/2VT))",
            s.wanted / (b.gain * math.tanh(s.control_limit / (2.0 * b.v_t))),
            b.full_scale,
            "V",
            s.wanted < 0.5 * b.full_scale,
            "It stops holding when the wanted level comes near the largest output I R = "
            f"{text_of(b.full_scale, 'V')}.",
        ),
        Merit(
            "ripple",
            "Ripple of the control, peak to peak",
            size,
            "V",
            "4/3 level / (2w T sqrt(1 + (2w detector time)^2))",
            size_law,
            0.1 * settled[loud],
            "V",
            size <= 0.1 * max(settled[loud], 1e-12),
            "It stops holding when the ripple is more than a tenth of the control, here "
            f"{text_of(0.1 * settled[loud], 'V')}: it then changes the wave that it is made "
            "of.",
        ),
        Merit(
            "hd3",
            "Third harmonic of the settled output",
            100.0 * hd3,
            "%",
            "from the bend of the upper pairs alone: (A/VT)^2 / 48",
            100.0 * bend,
            quick,
            "s",
            t_i >= quick,
            "It stops holding when the integrator time is under "
            f"{text_of(quick, 's')}: the ripple then adds a tenth or more by moving the gain "
            "twice in each cycle.",
        ),
    )
    if held:
        sentence = (
            f"A step of {s.step:+.3g} dB is brought back to {text_of(finals[1], 'V')} "
            f"in {text_of(after, 's')}, the step back in {text_of(back, 's')}; "
            f"the control moves from {text_of(settled[0], 'V')} to "
            f"{text_of(settled[1], 'V')}."
        )
    else:
        sentence = (
            f"The loop runs out of gain: under {text_of(least, 'V')} of signal the "
            f"control stands at its limit of {text_of(s.control_limit, 'V')} and the "
            f"output stays below {text_of(s.wanted, 'V')}."
        )
    signal = np.where((t > pre) & (t <= pre + spans[0]), stepped, s.level)
    shown = np.concatenate([wave, wave])
    tt = (np.arange(2 * n) + 0.5) / n * period
    curves = ()
    if detail:
        curves = _loop_curves(
            s, solve, b, rectified, slopes[loud], size, growth, rings, constants[loud]
        )
    return UseResult(
        "gain_control_loop",
        "Gain control loop",
        b.model,
        s,
        sentence,
        {
            "signal": time_trace(t, signal, "signal level in"),
            "level": time_trace(t, level, "output level"),
            "detected": time_trace(t, detected, "detector output", role="second"),
            "wanted": time_trace(t, np.full(t.shape, s.wanted), "wanted level", role="guide"),
            "control": time_trace(t, control, "control voltage"),
            "settled_input": time_trace(tt, shown * tables[loud].amplitude, "signal, settled"),
            "settled_output": time_trace(tt, np.tile(rippled, 2), "output, settled"),
            "settled_ripple": time_trace(tt, np.tile(ripple, 2), "ripple of the control"),
        },
        spectrum,
        curves,
        merits,
        f"One cycle of {text_of(s.frequency, 'Hz')}, {n} samples, for the spectrum; the step "
        f"response spans {text_of(float(t[-1]), 's')}.",
    )


def _loop_curves(s, solve, b, rectified, slope, size, growth, rings, constant):
    t_i = np.geomspace(1e-5, 0.2, 41)
    ripples = np.ptp(_ripple(rectified, s.frequency, t_i[:, None], s.detector_time), axis=-1)
    times = t_i / slope * math.log(max((growth - 1.0) / SETTLED, 1.0 + 1e-9))
    calm = t_i >= rings
    now = constant * math.log(max((growth - 1.0) / SETTLED, 1.0 + 1e-9))
    levels = s.level * 10.0 ** (np.linspace(-30.0, 30.0, 41) / 20.0)
    wave = np.sin(2.0 * np.pi * (np.arange(32) + 0.5) / 32)
    out = answer(solve, levels[:, None] * wave, s.control_limit).v_out
    out = out - out.mean(axis=1, keepdims=True)
    most = np.mean(np.abs(out), axis=1) / np.mean(np.abs(wave))
    traces = [Trace(times[calm], ripples[calm], "s", "V", "calm")] if calm.any() else []
    if (~calm).any():
        traces.append(Trace(times[~calm], ripples[~calm], "s", "V", "rings", "guide"))
    return (
        Curve(
            "Fast or smooth",
            "settling time",
            "s",
            "ripple of the control",
            "V",
            tuple(traces),
            (now, size),
            "A shorter integrator time settles sooner and lets more ripple through; past the "
            "edge of ringing it does not settle sooner any more.",
        ),
        Curve(
            "Output held against the signal",
            "signal, peak",
            "V",
            "output level",
            "V",
            (
                Trace(levels, np.minimum(most, s.wanted), "V", "V", "with the loop"),
                Trace(levels, levels * b.gain, "V", "V", "largest gain, no loop", "relation"),
            ),
            (s.level, float(min(s.wanted, np.interp(s.level, levels, most)))),
            "Below the knee the control stands at its limit.",
        ),
    )
