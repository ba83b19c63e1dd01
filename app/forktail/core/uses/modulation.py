"""Three uses that put a tone on a carrier: AM, double sideband, single sideband by phasing.

The carrier goes to the upper input, the modulating tone to the lower one.
Relations: Haykin, Communication Systems; handbook relation for the phasing method.
"""

import math
from dataclasses import dataclass

import numpy as np

from forktail.core.checks import QuantityError
from forktail.core.models import TextbookCell
from forktail.core.quantities import format_quantity as text_of
from forktail.core.spec import checked, choice, number, setting, spec
from forktail.core.uses.reference import CALL, answer, bench, follows, needs
from forktail.core.uses.result import LOUD, Curve, Listen, Merit, Trace, UseResult, show, time_trace
from forktail.core.waves import drives as signals
from forktail.core.waves.spectrum import (
    Tone,
    carrier_suppression,
    complex_envelope,
    decibel,
    labelled_spectrum,
    small_drive_limit,
)

#: What the three uses share.
_CARRIER = spec(
    "amplitude",
    default=8e-3,
    label="Carrier amplitude",
    slider=(1e-3, 0.2),
    part="use",
    doc="Peak voltage of the carrier on the upper input.",
)
_CARRIER_FREQUENCY = CALL.at(label="Carrier frequency")
_TONE = spec(
    "amplitude",
    default=5e-3,
    label="Modulating amplitude",
    slider=(1e-4, 0.05),
    step=1e-4,
    part="use",
    doc="Peak voltage of the tone on the lower input.",
)
_TONE_FREQUENCY = spec(
    "frequency",
    default=2e3,
    label="Modulating frequency",
    slider=(100.0, 10e3),
    step=100.0,
    even="steps",
    part="use",
    doc="Of the tone on the lower input, Hz.",
)


def _carrier_and_tone(s):
    """Window of whole cycles of carrier and tone, both as Tone, and the phase of each, rad."""
    if 2.0 * s.tone_frequency >= s.carrier_frequency:
        raise QuantityError(
            f"The tone is at {text_of(s.tone_frequency, 'Hz')} and the carrier at "
            f"{text_of(s.carrier_frequency, 'Hz')}; wanted is a tone below half the carrier, or "
            "the sidebands run into each other."
        )
    window = signals.coherent_window((s.carrier_frequency, s.tone_frequency), min_cycles=2)
    tones = (
        Tone("f_carrier", "upper", window.cycles_of(s.carrier_frequency)),
        Tone("f_tone", "lower", window.cycles_of(s.tone_frequency)),
    )
    turn = 2.0 * np.pi * np.arange(window.samples) / window.samples
    return window, tones, [t.cycles * turn for t in tones]


def _edges(b):
    """Words for the ends of both linear ranges."""
    carrier, tone = (text_of(b.linear(side), "V") for side in ("upper", "lower"))
    return (
        f"carrier or tone passes {tone}"
        if carrier == tone
        else f"the carrier passes {carrier} or the tone {tone}"
    )


def _torus(carrier_points=16, tone_points=16):
    """Phases of carrier and tone on a grid, and the weights that pick a line from it.

    Averaged over both phases apart, a line is found whatever the two frequencies are.
    """
    c = 2.0 * np.pi * (np.arange(carrier_points) + 0.5) / carrier_points
    m = 2.0 * np.pi * (np.arange(tone_points) + 0.5) / tone_points
    return c[:, None], m[None, :]


def _torus_lines(v_out, c, m):
    """Peak of the carrier line and of one sideband from an output over the torus (..., c, m)."""
    carrier = 2.0 * np.abs(np.mean(v_out * np.exp(-1j * c), axis=(-2, -1)))
    one = [2.0 * np.abs(np.mean(v_out * np.exp(-1j * (c + k * m)), axis=(-2, -1))) for k in (1, -1)]
    return carrier, np.sqrt(0.5 * (one[0] ** 2 + one[1] ** 2))


# ---------------------------------------------------------------- AM


@dataclass(frozen=True)
class AmplitudeModulation:
    """AM. Scenario: a beacon that a roost receiver listens for, tone on a 45 kHz carrier."""

    carrier_amplitude: float = setting(_CARRIER)
    carrier_frequency: float = setting(_CARRIER_FREQUENCY)
    tone_amplitude: float = setting(_TONE.at(default=2e-3, slider=(0.0, 0.05)))
    tone_frequency: float = setting(_TONE_FREQUENCY)
    offset: float = setting(
        spec(
            "dc",
            default=4e-3,
            label="DC on the modulating input",
            slider=(-0.05, 0.05),
            step=1e-4,
            part="use",
            doc="It lets the carrier through; without it there are sidebands only.",
        )
    )


def _am_depth(spectrum):
    lines = [spectrum.level(1, k) for k in (0, 1, -1)]
    return lines, (lines[1] + lines[2]) / lines[0] if lines[0] > 0 else math.inf


def run_am(settings=None, solve=None, detail=True):
    """Amplitude modulation: depth, over-modulation, sideband power.

    Parameters, returns and errors as `uses_gain.run_variable_gain`.
    Merits: depth, sideband, sideband_share, total_power, envelope_distortion, edge.
    """
    s = checked(settings or AmplitudeModulation())
    needs(s, "carrier_amplitude")
    follows(s, carrier_amplitude=1.0, tone_amplitude=0.2, offset=0.1)
    solve = solve or TextbookCell()
    b = bench(solve)
    window, tones, (carrier_phase, tone_phase) = _carrier_and_tone(s)
    kc, km = (t.cycles for t in tones)
    t = window.time
    v_upper = s.carrier_amplitude * np.cos(carrier_phase)
    v_lower = s.offset + s.tone_amplitude * np.cos(tone_phase)
    v_out = answer(solve, v_upper, v_lower).v_out
    spectrum = labelled_spectrum(v_out, window.duration, tones)
    (carrier, up, down), depth = _am_depth(spectrum)
    present = carrier > 1e-9 * b.full_scale
    # under a picovolt of DC there is none
    law = s.tone_amplitude / abs(s.offset) if abs(s.offset) > 1e-12 else math.inf
    linear = b.linear("lower")
    swing = abs(s.offset) + s.tone_amplitude
    straight = swing <= linear
    over = depth > 1.0

    def power(k):
        return spectrum.level(1, k) ** 2

    order = 3 if 3 * km < kc else 1
    sidebands = sum(power(k) for k in range(-order, order + 1) if k)
    share = sidebands / (sidebands + carrier**2) if sidebands + carrier > 0 else 0.0
    share_law = (law**2 / 2 / (1 + law**2 / 2)) if math.isfinite(law) else 1.0
    total = (sidebands + carrier**2) / carrier**2 if present else math.inf
    envelope = np.abs(complex_envelope(v_out, kc, min(kc - 1, 8 * km)))
    wave = np.abs(np.fft.rfft(envelope))
    multiples = [n * km for n in range(2, 8) if n * km < len(wave)]
    bent = (
        math.sqrt(sum(wave[n] ** 2 for n in multiples)) / wave[km]
        if s.tone_amplitude > 0 and wave[km] > 1e-9 * wave.max()
        else 0.0
    )
    why = (
        f"when the modulating input passes {text_of(linear, 'V')} (DC and peak together), "
        "where the lower pair bends by 1 %"
    )
    # the tone amplitude at which the trough of the envelope reaches zero
    edge = abs(s.offset)

    def pct(x):
        return 100.0 * x

    merits = (
        Merit(
            "depth",
            "Modulation depth",
            pct(depth),
            "%",
            "tone amplitude / DC",
            pct(law),
            linear,
            "V",
            straight,
            f"It stops holding {why}.",
        ),
        Merit(
            "sideband",
            "One sideband over the carrier",
            float(decibel(0.5 * (up + down) / carrier)) if present else 240.0,
            "dB",
            "20 log10 (m / 2)",
            float(decibel(law / 2.0)) if law else -240.0,
            linear,
            "V",
            straight,
            f"It stops holding {why}.",
        ),
        Merit(
            "sideband_share",
            "Part of the power in the sidebands",
            pct(share),
            "%",
            "(m^2/2) / (1 + m^2/2)",
            pct(share_law),
            linear,
            "V",
            straight,
            f"It stops holding {why}.",
        ),
        Merit(
            "total_power",
            "Total power over carrier power",
            total,
            "",
            "1 + m^2/2",
            1.0 + law**2 / 2.0,
            linear,
            "V",
            straight,
            f"It stops holding {why}.",
        ),
        Merit(
            "envelope_distortion",
            "Distortion of the envelope",
            pct(bent),
            "%",
            "none up to a depth of 100 %",
            0.0,
            edge,
            "V",
            not over and straight,
            f"It stops holding when the tone passes {text_of(edge, 'V')} peak: the carrier "
            "turns over in the trough and an envelope detector folds it up; or "
            f"{why}.",
        ),
        Merit(
            "edge",
            "Tone at which modulation reaches 100 %",
            edge,
            "V",
            "the DC on the input",
            abs(s.offset),
            linear,
            "V",
            2 * edge <= linear,
            f"It stops holding when twice the DC passes {text_of(linear, 'V')}; an offset of "
            "the lower pair adds to the DC.",
        ),
    )
    if not present:
        sentence = (
            "There is no DC on the modulating input, so no carrier comes out: this is "
            "double sideband, not AM."
        )
    elif over:
        sentence = (
            f"Over-modulated: a depth of {text_of(pct(depth), '%')} turns the carrier "
            "over in each trough, so an envelope detector hears "
            f"{text_of(pct(bent), '%')} distortion."
        )
    else:
        sentence = (
            f"The carrier of {text_of(carrier, 'V')} is modulated to a depth of "
            f"{text_of(pct(depth), '%')}; each sideband stands "
            f"{show(abs(merits[1].value), 'dB')} below it and both hold "
            f"{text_of(pct(share), '%')} of the power."
        )
    curves = _am_curves(s, solve, depth) if detail else ()
    return UseResult(
        "am",
        "Amplitude modulation",
        b.model,
        s,
        sentence,
        {
            "carrier": time_trace(t, v_upper, "carrier"),
            "modulating": time_trace(t, v_lower, "modulating input"),
            "output": time_trace(t, v_out, "output"),
            "envelope": time_trace(t, envelope, "envelope", role="second"),
            "envelope_below": time_trace(t, -envelope, "envelope, mirrored", role="second"),
        },
        spectrum,
        curves,
        merits,
        window.text,
        Listen(envelope - envelope.mean(), window.duration, b.full_scale / LOUD),
    )


def _am_curves(s, solve, depth):
    c, m = _torus()
    amplitudes = np.linspace(0.0, max(2.0 * abs(s.offset), 2.0 * s.tone_amplitude, 1e-3), 25)
    out = answer(
        solve, s.carrier_amplitude * np.cos(c), s.offset + amplitudes[:, None, None] * np.cos(m)
    ).v_out
    carrier, one = _torus_lines(out, c, m)
    scale = 100.0 / abs(s.offset) if s.offset else 0.0
    seen = carrier > 1e-9 * max(float(np.max(carrier)), float(np.max(one)), 1e-12)
    if not seen.any():
        return ()
    return (
        Curve(
            "Depth against modulating amplitude",
            "modulating amplitude, peak",
            "V",
            "depth",
            "%",
            (
                Trace(amplitudes[seen], 200.0 * one[seen] / carrier[seen], "V", "%", "depth"),
                Trace(amplitudes, amplitudes * scale, "V", "%", "amplitude / DC", "relation"),
                Trace(
                    amplitudes[[0, -1]],
                    np.array([100.0, 100.0]),
                    "V",
                    "%",
                    "over-modulation",
                    "guide",
                ),
            ),
            (s.tone_amplitude, 100.0 * depth),
            "Above 100 % the carrier turns over in the trough.",
        ),
    )


# ---------------------------------------------------------------- DSB


@dataclass(frozen=True)
class DoubleSideband:
    """Double sideband. Scenario: the beacon again, its carrier taken away to save power."""

    carrier_amplitude: float = setting(_CARRIER)
    carrier_frequency: float = setting(_CARRIER_FREQUENCY)
    tone_amplitude: float = setting(_TONE)
    tone_frequency: float = setting(_TONE_FREQUENCY)
    offset: float = setting(
        spec(
            "dc",
            default=5e-4,
            label="DC left on the modulating input",
            slider=(-0.02, 0.02),
            step=1e-5,
            part="use",
            doc="What the builder did not want there.",
        )
    )
    trim: float = setting(
        spec(
            "trim",
            label="Trim voltage",
            slider=(-0.02, 0.02),
            step=1e-5,
            part="use",
            doc="Added to the modulating input to null the carrier.",
        )
    )


def best_trim(settings=None, solve=None):
    """Trim voltage of `DoubleSideband` that gives the least carrier, V.

    The carrier line, taken with its sign against the carrier, passes through zero; secant steps.

    Raises
    ------
    QuantityError
        As `run_dsb`.
    """
    s = checked(settings or DoubleSideband())
    needs(s, "carrier_amplitude", "tone_amplitude")
    follows(s, carrier_amplitude=1.0, tone_amplitude=0.2, offset=0.1, trim=0.1)
    solve = solve or TextbookCell()
    c, m = _torus()
    upper = s.carrier_amplitude * np.cos(c)
    tone = s.tone_amplitude * np.cos(m)

    def signed(trim):
        out = answer(solve, upper, tone + s.offset + trim).v_out
        return float(np.mean(out * np.cos(c)))

    v0, v1 = -s.offset - 1e-3, -s.offset + 1e-3
    f0, f1 = signed(v0), signed(v1)
    for _ in range(10):
        if f1 == f0 or abs(v1 - v0) < 1e-10:
            break
        v0, v1, f0 = v1, v1 - f1 * (v1 - v0) / (f1 - f0), f1
        f1 = signed(v1)
    # under a picovolt there is only rounding
    return -s.offset if abs(v1 + s.offset) < 1e-12 else v1


def run_dsb(settings=None, solve=None, detail=True):
    """Double sideband: carrier suppression against the DC left, and the trim that nulls it.

    Parameters, returns and errors as `uses_gain.run_variable_gain`.
    Merits: suppression, best_trim, after_trim, tone_leak, sideband, third_order.
    """
    s = checked(settings or DoubleSideband())
    needs(s, "carrier_amplitude", "tone_amplitude")
    follows(s, carrier_amplitude=1.0, tone_amplitude=0.2, offset=0.1, trim=0.1)
    solve = solve or TextbookCell()
    b = bench(solve)
    window, tones, (carrier_phase, tone_phase) = _carrier_and_tone(s)
    fc, fm = window.used
    kc, km = (t.cycles for t in tones)
    t = window.time
    v_upper = s.carrier_amplitude * np.cos(carrier_phase)
    tone = s.tone_amplitude * np.cos(tone_phase)
    left = s.offset + s.trim
    v_out = answer(solve, v_upper, tone + left).v_out
    spectrum = labelled_spectrum(v_out, window.duration, tones)
    levels = spectrum.spectrum
    sidebands = (kc + km, kc - km)
    suppression = carrier_suppression(levels, kc, sidebands)
    law = float(decibel(s.tone_amplitude / 2.0 / max(abs(left), 1e-15)))
    linear = b.linear("lower")
    straight = abs(left) + s.tone_amplitude <= linear
    trim = best_trim(s, solve)
    trimmed = answer(solve, v_upper, tone + s.offset + trim).v_out
    after = carrier_suppression(
        labelled_spectrum(trimmed, window.duration, tones).spectrum, kc, sidebands
    )
    one = float(np.sqrt(np.mean(levels.peak[list(sidebands)] ** 2)))
    # one sideband of a hard or soft carrier: half the product of the two Fourier parts
    small = b.full_scale * (s.carrier_amplitude * s.tone_amplitude) / (8.0 * b.v_t**2)
    leak = carrier_suppression(levels, km, sidebands)
    third = max(spectrum.level(1, 3), spectrum.level(1, -3)) / one if one else 0.0
    third_law = (s.tone_amplitude / b.v_t) ** 2 / 48.0
    series_end = 2.0 * b.v_t * small_drive_limit(0.1, 3)
    lost = abs(left) <= s.tone_amplitude / 200.0
    small_carrier = s.carrier_amplitude <= b.linear("upper")
    merits = (
        Merit(
            "suppression",
            "Carrier suppression, sideband over carrier",
            suppression,
            "dB",
            "20 log10 (tone amplitude / (2 |DC left|))",
            law,
            linear,
            "V",
            straight,
            "It stops holding when DC and tone together pass "
            f"{text_of(linear, 'V')}, where the lower pair bends by 1 %, and when the offset "
            f"of the lower pair, here {text_of(-trim - s.offset, 'V')}, adds to the DC.",
        ),
        Merit(
            "best_trim",
            "Trim that nulls the carrier",
            trim,
            "V",
            "minus the DC left over",
            -s.offset,
            -trim - s.offset,
            "V",
            abs(trim + s.offset) <= 1e-5,
            "It stops holding when the lower pair has an offset of its own; it then takes up "
            f"that too, here {text_of(-trim - s.offset, 'V')}.",
        ),
        Merit(
            "after_trim",
            "Carrier suppression after that trim",
            after,
            "dB",
            "nothing but rounding for a matched cell",
            None,
            s.tone_amplitude / 2.0 * 1e-2,
            "V",
            True,
            "40 dB stops holding when the trim drifts by more than "
            f"{text_of(s.tone_amplitude / 200.0, 'V')} (a hundredth of a sideband).",
        ),
        Merit(
            "tone_leak",
            "Modulating tone, sideband over leak",
            leak,
            "dB",
            "nothing but rounding for matched upper pairs",
            None,
            b.v_t * 0.01,
            "V",
            leak > 40.0,
            "It stops holding when the upper pairs are mismatched: an offset "
            "on the upper input lets the tone through, as DC on the lower one does "
            "the carrier.",
        ),
        Merit(
            "sideband",
            "Level of one sideband",
            one,
            "V",
            "I R A_c A_m / (8 VT^2)",
            small,
            linear,
            "V",
            straight and small_carrier,
            f"It stops holding when {_edges(b)}, where tanh "
            "bends by 1 %; a harder carrier then gives more level but no longer in "
            "proportion.",
        ),
        Merit(
            "third_order",
            "Third-order sidebands",
            100.0 * third,
            "%",
            "(A_m/VT)^2 / 48",
            100.0 * third_law,
            series_end,
            "V",
            s.tone_amplitude <= series_end,
            f"It stops holding when the tone passes {text_of(series_end, 'V')}: the next "
            "term of the series then takes a tenth.",
        ),
    )
    if lost and suppression > 60:
        sentence = (
            f"The carrier is nulled: {show(suppression, 'dB')} under a sideband of "
            f"{text_of(one, 'V')}."
        )
    else:
        sentence = (
            f"{text_of(left, 'V')} of DC on the modulating input leaves the carrier "
            f"{show(abs(suppression), 'dB')} {'below' if suppression >= 0 else 'above'} "
            f"each sideband; a trim of {text_of(trim, 'V')} nulls it."
        )
    envelope = complex_envelope(v_out, kc, min(kc - 1, 8 * km))
    curves = _dsb_curves(s, solve, suppression, trim) if detail else ()
    return UseResult(
        "dsb",
        "Double sideband",
        b.model,
        s,
        sentence,
        {
            "carrier": time_trace(t, v_upper, "carrier"),
            "modulating": time_trace(t, tone + left, "modulating input"),
            "output": time_trace(t, v_out, "output"),
            "envelope": time_trace(t, np.abs(envelope), "envelope", role="second"),
            "envelope_below": time_trace(t, -np.abs(envelope), "envelope, mirrored", role="second"),
        },
        spectrum,
        curves,
        merits,
        window.text,
        Listen(v_out, window.duration, b.full_scale / LOUD, shift=max(0.0, fc - 2.0 * fm)),
    )


def _dsb_curves(s, solve, suppression, trim):
    c, m = _torus(16, 12)
    span = max(2e-3, 3.0 * abs(s.trim - trim))
    trims = np.sort(np.append(np.linspace(trim - span, trim + span, 40), trim))
    out = answer(
        solve,
        s.carrier_amplitude * np.cos(c),
        (s.offset + trims)[:, None, None] + s.tone_amplitude * np.cos(m),
    ).v_out
    carrier, one = _torus_lines(out, c, m)
    most = 100.0
    seen = np.minimum(decibel(one / np.maximum(carrier, 1e-15)), most)
    left = np.maximum(np.abs(s.offset + trims), 1e-12)
    law = np.minimum(decibel(s.tone_amplitude / 2.0 / left), most)
    return (
        Curve(
            "Carrier suppression against trim",
            "trim voltage",
            "V",
            "suppression",
            "dB",
            (
                Trace(trims, seen, "V", "dB", "suppression"),
                Trace(trims, law, "V", "dB", "tone / (2 |DC|)", "relation"),
            ),
            (s.trim, min(suppression, most)),
            "The peak is the null; it is drawn up to 100 dB.",
        ),
    )


# ---------------------------------------------------------------- SSB


@dataclass(frozen=True)
class SingleSideband:
    """SSB by phasing two cells. Scenario: two beacons that share a narrow band."""

    carrier_amplitude: float = setting(_CARRIER)
    carrier_frequency: float = setting(_CARRIER_FREQUENCY)
    tone_amplitude: float = setting(_TONE)
    tone_frequency: float = setting(_TONE_FREQUENCY)
    sideband: str = setting(
        choice(
            "sideband",
            "upper",
            {"upper": "upper: outputs subtracted", "lower": "lower: outputs added"},
            "Wanted sideband",
            part="use",
        )
    )
    tone_phase_error: float = setting(
        spec(
            "phase",
            default=2.0,
            label="Phase error of the tone shift",
            slider=(-45.0, 45.0),
            step=0.1,
            part="use",
            doc="How far its 90 degrees are off.",
        )
    )
    carrier_phase_error: float = setting(
        spec(
            "phase",
            label="Phase error of the carrier shift",
            slider=(-45.0, 45.0),
            step=0.1,
            part="use",
            doc="How far its 90 degrees are off.",
        )
    )
    amplitude_error: float = setting(
        number(
            "amplitude_error",
            1.0,
            "%",
            -50.0,
            50.0,
            slider=(-50.0, 50.0),
            step=0.1,
            label="Gain difference of the two cells",
            part="use",
            doc="The second cell against the first.",
        )
    )


def image_rejection(amplitude_ratio, phase_error):
    """Image rejection of the phasing method, dB.

    10 log10((1 + 2 a cos p + a^2)/(1 - 2 a cos p + a^2)): handbook relation.

    Parameters
    ----------
    amplitude_ratio : array_like
        a, second path over first, above 0.
    phase_error : array_like
        p, degrees.

    Returns
    -------
    numpy.ndarray
        Held at 240 dB where there is no error.
    """
    a = np.asarray(amplitude_ratio, dtype=float)
    cos = np.cos(np.radians(phase_error))
    wanted, image = (np.sqrt(np.maximum(1.0 + k * 2.0 * a * cos + a * a, 0.0)) for k in (1, -1))
    with np.errstate(divide="ignore"):
        return decibel(wanted / image)


def run_ssb(settings=None, solve=None, detail=True):
    """Single sideband by phasing two cells: image rejection against phase and amplitude error.

    The first cell gets carrier and tone, the second both a quarter cycle later, each shift with
    its error; `solve` stands for both cells, and the second one's output is scaled by the gain
    difference. The outputs are subtracted for the upper sideband, added for the lower.

    Parameters, returns and errors as `uses_gain.run_variable_gain`.
    Merits: rejection, wanted, image, carrier, allowed_phase, allowed_amplitude.
    """
    s = checked(settings or SingleSideband())
    needs(s, "carrier_amplitude", "tone_amplitude")
    follows(s, carrier_amplitude=1.0, tone_amplitude=0.2)
    solve = solve or TextbookCell()
    b = bench(solve)
    window, tones, (carrier, tone) = _carrier_and_tone(s)
    fc, fm = window.used
    kc, km = (t.cycles for t in tones)
    t = window.time
    sign = -1.0 if s.sideband == "upper" else 1.0
    a = 1.0 + s.amplitude_error / 100.0
    alpha, beta = np.radians([s.carrier_phase_error, s.tone_phase_error])
    point = answer(
        solve,
        s.carrier_amplitude * np.stack([np.cos(carrier), np.sin(carrier + alpha)]),
        s.tone_amplitude * np.stack([np.cos(tone), np.sin(tone + beta)]),
    )
    first, second = point.v_out[0], a * point.v_out[1]
    v_out = first + sign * second
    spectrum = labelled_spectrum(v_out, window.duration, tones)
    up, down = spectrum.level(1, 1), spectrum.level(1, -1)
    wanted, image = (up, down) if s.sideband == "upper" else (down, up)
    rejection = float(decibel(wanted / max(image, 1e-12 * wanted))) if wanted > 0 else 0.0
    # the errors of both shifts add in one sideband and subtract in the other
    w_phase, i_phase = (
        (alpha + beta, alpha - beta) if s.sideband == "upper" else (alpha - beta, alpha + beta)
    )
    w_size = abs(1.0 + a * np.exp(1j * w_phase))
    i_size = abs(1.0 - a * np.exp(1j * i_phase))
    law = float(decibel(w_size / max(i_size, 1e-12)))
    linear = b.linear("lower")
    straight = s.carrier_amplitude <= b.linear("upper") and s.tone_amplitude <= linear
    edges = _edges(b)
    level = b.full_scale * s.carrier_amplitude * s.tone_amplitude / (8.0 * b.v_t**2) * w_size
    clear = min(rejection, 200.0)
    phase_40 = math.degrees(2.0 * math.atan(10.0 ** (-40.0 / 20.0)))
    amplitude_40 = 100.0 * 2.0 / (10.0 ** (40.0 / 20.0) - 1.0)
    net = math.degrees(i_phase)
    left = carrier_suppression(
        spectrum.spectrum, kc, [kc + km if s.sideband == "upper" else kc - km]
    )
    merits = (
        Merit(
            "rejection",
            "Image rejection, wanted over other sideband",
            rejection,
            "dB",
            "10 log10((1 + 2a cos p + a^2) / (1 - 2a cos p + a^2))",
            law,
            None,
            "",
            left > 20.0,
            "It stops holding when the two cells differ in more than gain and phase, for "
            "instance when an offset leaves a carrier, now "
            f"{show(left, 'dB')} below the wanted sideband.",
        ),
        Merit(
            "wanted",
            "Level of the wanted sideband",
            wanted,
            "V",
            "I R A_c A_m / (8 VT^2) from each cell, added",
            level,
            linear,
            "V",
            straight,
            f"It stops holding when {edges}, where tanh bends by 1 %.",
        ),
        Merit(
            "image",
            "Level of the other sideband",
            image,
            "V",
            "the same, subtracted",
            level * i_size / w_size,
            linear,
            "V",
            straight,
            f"It stops holding when {edges}.",
        ),
        Merit(
            "carrier",
            "Carrier suppression",
            left,
            "dB",
            "nothing but rounding for matched cells",
            None,
            None,
            "",
            left > 40.0,
            "It stops holding when either cell has an offset on its lower pair.",
        ),
        Merit(
            "allowed_phase",
            "Phase error that leaves 40 dB",
            phase_40,
            "deg",
            "2 arctan(10^(-40/20)), equal amplitudes",
            None,
            phase_40,
            "deg",
            abs(net) <= phase_40,
            f"40 dB stops holding when the phase error passes {phase_40:.2f} degrees; now it "
            f"is {abs(net):.2f} degrees.",
        ),
        Merit(
            "allowed_amplitude",
            "Gain difference that leaves 40 dB",
            amplitude_40,
            "%",
            "2 / (10^(40/20) - 1), no phase error",
            None,
            amplitude_40,
            "%",
            abs(s.amplitude_error) <= amplitude_40,
            f"40 dB stops holding when the gains differ by more than {amplitude_40:.2f} %; "
            f"now it is {abs(s.amplitude_error):.2f} %.",
        ),
    )
    sentence = (
        f"The {s.sideband} sideband comes out at {text_of(wanted, 'V')}, the other "
        f"{'is gone' if clear >= 200 else f'{clear:.1f} dB below it'}: the two cells "
        f"differ by {abs(net):.3g} degrees and {abs(s.amplitude_error):.3g} %."
    )
    curves = ()
    if detail:
        phase = np.linspace(-20.0, 20.0, 161)

        def grid(x):
            return np.minimum(image_rejection(x, phase), 80.0)

        curves = (
            Curve(
                "Image rejection against phase error",
                "phase error",
                "deg",
                "image rejection",
                "dB",
                (
                    Trace(
                        phase,
                        grid(a),
                        "deg",
                        "dB",
                        f"gain difference {s.amplitude_error:.3g} %",
                        "relation",
                    ),
                    Trace(phase, grid(1.0), "deg", "dB", "equal gains", "guide"),
                    Trace(phase, grid(1.1), "deg", "dB", "gain difference 10 %", "guide"),
                ),
                (net, min(rejection, 80.0)),
                "The curves are the relation, the point is the two cells; drawn up to 80 dB.",
            ),
            _ssb_amplitude_curve(s, net, rejection),
        )
    return UseResult(
        "ssb",
        "Single sideband by phasing",
        b.model,
        s,
        sentence,
        {
            "tone": time_trace(t, s.tone_amplitude * np.cos(tone), "tone, first cell"),
            "tone_shifted": time_trace(
                t, s.tone_amplitude * np.sin(tone + beta), "tone, second cell", role="second"
            ),
            "first": time_trace(t, first, "first cell"),
            "second": time_trace(t, second, "second cell", role="second"),
            "output": time_trace(t, v_out, "sum of both"),
        },
        spectrum,
        curves,
        merits,
        window.text,
        Listen(v_out, window.duration, b.full_scale / LOUD, shift=max(0.0, fc - 2.0 * fm)),
    )


def _ssb_amplitude_curve(s, net, rejection):
    error = np.linspace(-20.0, 20.0, 161)

    def grid(p):
        return np.minimum(image_rejection(1.0 + error / 100.0, p), 80.0)

    return Curve(
        "Image rejection against gain difference",
        "gain difference",
        "%",
        "image rejection",
        "dB",
        (
            Trace(error, grid(net), "%", "dB", f"phase error {abs(net):.3g} degrees", "relation"),
            Trace(error, grid(0.0), "%", "dB", "no phase error", "guide"),
            Trace(error, grid(5.0), "%", "dB", "phase error 5 degrees", "guide"),
        ),
        (s.amplitude_error, min(rejection, 80.0)),
        "Either error alone caps the rejection.",
    )
