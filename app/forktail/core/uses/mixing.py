"""The mixer: a call brought down to hearing.

The local oscillator goes to the upper input and the call to the lower one. Relations: Fourier
series of a square wave, as in Lee, The Design of CMOS Radio-Frequency Integrated Circuits.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import chebyshev

from forktail.core.checks import QuantityError, as_quantity
from forktail.core.models import TextbookCell
from forktail.core.path import filtered, loaded
from forktail.core.quantities import format_quantity as text_of
from forktail.core.spec import checked, choice, setting, spec
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
from forktail.core.waves import drives as signals
from forktail.core.waves import sound
from forktail.core.waves.spectrum import (
    Tone,
    carrier_suppression,
    conversion_gain,
    decibel,
    labelled_spectrum,
    switching_part,
    third_order_products,
)


@dataclass(frozen=True)
class Mixer:
    """Mixer. Scenario: a 45 kHz bat call brought down to 2 kHz, where it is heard."""

    signal_frequency: float = setting(CALL.at(label="Signal frequency", step=500.0))
    signal_amplitude: float = setting(
        spec(
            "amplitude",
            default=2e-3,
            label="Signal amplitude",
            slider=(1e-4, 0.05),
            step=1e-4,
            part="use",
            doc="Peak voltage of the call on the lower input.",
        )
    )
    second_frequency: float = setting(
        CALL.at(
            default=45.5e3,
            label="Second tone",
            step=500.0,
            doc="A second call close by, for the two-tone test.",
        )
    )
    second_amplitude: float = setting(
        spec(
            "amplitude",
            default=2e-3,
            label="Second tone amplitude",
            slider=(0.0, 0.05),
            step=1e-4,
            part="use",
            doc="Peak voltage of the second call; 0 for none.",
        )
    )
    oscillator_frequency: float = setting(
        CALL.at(default=43e3, label="Local oscillator frequency", slider=(10e3, 150e3), step=500.0)
    )
    oscillator_amplitude: float = setting(
        spec(
            "amplitude",
            default=0.15,
            label="Local oscillator amplitude",
            slider=(1e-3, 0.3),
            part="use",
            doc="Peak voltage on the upper input.",
        )
    )
    wanted: str = setting(
        choice(
            "wanted",
            "down",
            {"down": "down: difference", "up": "up: sum"},
            "Wanted product",
            part="use",
        )
    )


class _Converted:
    """The cell seen from its lower input with the oscillator running.

    The cell has no memory, so for one oscillator all that the signal meets is the static law
    G(v) = mean over the oscillator cycle of 2 cos(angle) v_out: its tones, products and
    compression follow from this one curve, fitted by a Chebyshev polynomial.
    """

    def __init__(self, solve, oscillator, reach, nodes=33, phases=64):
        angle = 2.0 * np.pi * (np.arange(phases) + 0.5) / phases
        x = np.cos(np.pi * (np.arange(nodes) + 0.5) / nodes)
        out = answer(solve, oscillator * np.cos(angle), reach * x[:, None]).v_out
        curve = 2.0 * np.mean(out * np.cos(angle), axis=1)
        self.reach = reach
        self.fit = chebyshev.chebfit(x, curve, nodes - 1)

    def __call__(self, v):
        return chebyshev.chebval(v / self.reach, self.fit)

    def gain(self, amplitude):
        """Gain of one tone to either product, for an array of peak amplitudes in V."""
        angle = 2.0 * np.pi * (np.arange(64) + 0.5) / 64
        out = self(np.asarray(amplitude)[..., None] * np.cos(angle))
        return np.mean(out * np.cos(angle), axis=-1) / amplitude

    def two_tone(self, amplitude):
        """One tone and one 2 f1 - f2 product at the output, V, for two equal tones."""
        a = 2.0 * np.pi * (np.arange(24) + 0.5) / 24
        first, second = np.cos(a)[:, None], np.cos(a)[None, :]
        out = self(np.asarray(amplitude)[..., None, None] * (first + second))
        tone = np.mean(out * first, axis=(-2, -1))
        third = np.mean(out * np.cos(2.0 * a[:, None] - a[None, :]), axis=(-2, -1))
        return np.abs(tone), np.abs(third)


def _compression_point(converted, small_gain, loss=1.0):
    """Input peak at which the gain is `loss` dB down, V, or NaN if it is out of reach."""
    amplitude = np.linspace(0.02, 1.0, 99) * converted.reach
    down = decibel(np.abs(small_gain)) - decibel(np.abs(converted.gain(amplitude)))
    past = np.flatnonzero(down >= loss)
    if not past.size:
        return math.nan
    k = past[0]
    if k == 0:
        return float(amplitude[0])
    return float(np.interp(loss, down[k - 1 : k + 1], amplitude[k - 1 : k + 1]))


def _image_rejection(s, solve, window, k_lo, k_f):
    """Gain of the signal over that of its image, dB: both sent through the cell, one by one."""
    k_image = abs(2 * k_lo - k_f) if s.wanted == "down" else 2 * k_lo + k_f
    turn = 2.0 * np.pi * np.arange(window.samples) / window.samples
    oscillator = s.oscillator_amplitude * np.cos(turn * k_lo)
    sent = s.signal_amplitude * np.cos(np.array([[k_f], [k_image]]) * turn)
    out = answer(solve, oscillator, sent).v_out
    # the output on which both land
    landing = abs(k_lo - k_f) if s.wanted == "down" else k_lo + k_f
    weight = np.exp(-1j * landing * turn)
    signal, image = np.abs(out @ weight)
    if k_image in (0, k_f) or image == 0.0:
        return 0.0  # the signal is its own image, or the image is DC
    return float(decibel(signal / image))


def _oscillator_gain(solve, drive, phases=96):
    """Conversion gain of a small signal, V/V, for an array of oscillator peaks in V."""
    angle = 2.0 * np.pi * (np.arange(phases) + 0.5) / phases
    slopes = answer(solve, drive[:, None] * np.cos(angle), 0.0).gain_lower
    return np.abs(np.mean(slopes * np.cos(angle), axis=1))


def _oscillator_limits(solve, b):
    """Oscillator at which the small-drive law ends, and from which it switches hard, V peak.

    Both to 1 dB of the gain: by the law of one pair, or with resistors in the upper pairs
    measured, for then the signal also moves how far a pair is steered.
    """
    if not b.r_emitter_upper:
        return b.soft_end("upper", ONE_DB), b.hard_start("upper")
    drive = np.geomspace(0.05 * b.v_t, 8.0 * b.hard_start("upper"), 32)
    gain = _oscillator_gain(solve, drive, 48)
    hard = np.interp((1.0 - ONE_DB) * gain[-1], np.maximum.accumulate(gain), drive)
    return first_departure(drive, gain / drive, ONE_DB), float(hard)


def run_mixer(settings=None, solve=None, detail=True):
    """Mixer: conversion gain, products up and down, image, compression, two-tone intercept.

    Parameters, returns and errors as `uses_gain.run_variable_gain`.
    Merits: conversion_gain, conversion_gain_db, hard_limit, other_product, image, compression,
    third_order, intercept, oscillator_leak, signal_leak.
    """
    s = checked(settings or Mixer())
    needs(s, "signal_amplitude", "oscillator_amplitude")
    follows(s, signal_amplitude=0.1, second_amplitude=0.1, oscillator_amplitude=1.0)
    solve = solve or TextbookCell()
    b = bench(solve)
    f, f2, lo = s.signal_frequency, s.second_frequency, s.oscillator_frequency
    two = s.second_amplitude > 0.0 and f2 != f
    window = signals.coherent_window((f, lo, f2) if two else (f, lo))
    used, used_lo = window.used[0], window.used[1]
    tones = [
        Tone("f_oscillator", "upper", window.cycles[1]),
        Tone("f_signal", "lower", window.cycles[0]),
    ]
    if two:
        tones.append(Tone("f_second", "lower", window.cycles[2]))
    turn = 2.0 * np.pi * np.arange(window.samples) / window.samples
    v_upper = s.oscillator_amplitude * np.cos(turn * tones[0].cycles)
    v_lower = s.signal_amplitude * np.cos(turn * tones[1].cycles)
    if two:
        v_lower = v_lower + s.second_amplitude * np.cos(turn * tones[2].cycles)
    v_out = answer(solve, v_upper, v_lower).v_out
    spectrum = labelled_spectrum(v_out, window.duration, tones)
    rest = (0,) * (len(tones) - 2)
    k_lo, k_f = tones[0].cycles, tones[1].cycles
    down, up = spectrum.bin(1, -1, *rest), spectrum.bin(1, 1, *rest)
    wanted, other = (down, up) if s.wanted == "down" else (up, down)
    f_wanted = float(spectrum.spectrum.frequency[wanted])
    gain = conversion_gain(spectrum.spectrum, wanted, s.signal_amplitude)

    # the laws for the drive at hand
    x = s.oscillator_amplitude / (2.0 * b.v_t)
    soft_end, hard_start = _oscillator_limits(solve, b)
    small_law, hard_law = b.gain * x / 2.0, b.gain * 2.0 / np.pi
    hard = s.oscillator_amplitude >= hard_start or (
        s.oscillator_amplitude > soft_end
        and s.oscillator_amplitude - soft_end > hard_start - s.oscillator_amplitude
    )
    law = hard_law if hard else small_law
    signal_end = b.soft_end("lower", ONE_DB)
    small_signal = s.signal_amplitude + (s.second_amplitude if two else 0.0) <= signal_end / 2
    if hard:
        rule, edge = "2/pi x gm R (hard switching)", hard_start
        holds = s.oscillator_amplitude >= hard_start and small_signal
        stops = (
            f"It stops holding when the oscillator is under {text_of(edge, 'V')} peak, "
            "where switching is soft and the gain is 1 dB short"
        )
    else:
        rule, edge = "gm R A / (4 VT) (small drive)", soft_end
        holds = s.oscillator_amplitude <= soft_end and small_signal
        stops = (
            f"It stops holding when the oscillator passes {text_of(edge, 'V')} peak, where "
            "the bend of the upper pairs moves the gain by 1 dB"
        )
    stops += f", or the signal passes {text_of(signal_end / 2, 'V')} in all."

    reach = 3.2 * b.v_t + 1.6 * b.emitter_drop("lower")
    converted = _Converted(solve, s.oscillator_amplitude, reach)
    small_gain = float(converted.gain(np.array(1e-3 * b.v_t)))
    p1 = _compression_point(converted, small_gain)
    probe = np.array(reach / 160.0)
    tone, third = (float(v) for v in converted.two_tone(probe))
    intercept = float(probe) * math.sqrt(tone / third) if third > 0 else math.nan
    image_f = 2.0 * used_lo - used if s.wanted == "down" else 2.0 * used_lo + used
    image_seen = _image_rejection(s, solve, window, k_lo, k_f)

    if two:
        a_mean = math.sqrt(s.signal_amplitude * s.second_amplitude)
        k_2 = tones[2].cycles
        im = third_order_products(
            spectrum.spectrum, k_f, k_2, k_lo if s.wanted == "down" else -k_lo
        )
        im3 = max(level for _, level in im)
        im3_law = (a_mean / b.v_t) ** 2 / 16.0
    else:
        im3, im3_law, a_mean = 0.0, 0.0, s.signal_amplitude
    im_end = 0.67 * b.v_t
    leak = carrier_suppression(spectrum.spectrum, k_lo, [wanted])
    through = carrier_suppression(spectrum.spectrum, k_f, [wanted])
    merits = (
        Merit("conversion_gain", "Conversion gain", gain, "", rule, law, edge, "V", holds, stops),
        Merit(
            "conversion_gain_db",
            "Conversion gain",
            float(decibel(gain)),
            "dB",
            "20 log10 of " + rule,
            float(decibel(law)),
            edge,
            "V",
            holds,
            stops,
        ),
        Merit(
            "hard_limit",
            "Share of the gain of hard switching",
            100.0 * abs(small_gain) / hard_law,
            "%",
            "Fourier part of tanh(x cos a) over 4/pi, x = A/2VT",
            100.0 * switching_part(x) * np.pi / 4.0,
            hard_start,
            "V",
            s.oscillator_amplitude >= hard_start,
            f"Hard switching stops when the oscillator is under {text_of(hard_start, 'V')}.",
        ),
        Merit(
            "other_product",
            "The other product over the wanted one",
            float(decibel(spectrum.spectrum.peak[other] / spectrum.spectrum.peak[wanted]))
            if spectrum.spectrum.peak[wanted] > 0
            else 0.0,
            "dB",
            "0 dB: sum and difference are equal",
            0.0,
            f_wanted,
            "Hz",
            True,
            "It stops holding when a load pole lies between them, that is between "
            f"{text_of(min(f_wanted, float(spectrum.spectrum.frequency[other])), 'Hz')} and "
            f"{text_of(max(f_wanted, float(spectrum.spectrum.frequency[other])), 'Hz')}.",
        ),
        Merit(
            "image",
            f"Image rejection, image at {text_of(image_f, 'Hz', 4)}",
            image_seen,
            "dB",
            "0 dB: one cell cannot tell the two apart",
            0.0,
            image_f,
            "Hz",
            small_signal,
            "It stops holding when a filter ahead of the cell, or a second cell by phasing, "
            f"weakens {text_of(image_f, 'Hz', 4)}.",
        ),
        Merit(
            "compression",
            "Input at 1 dB compression, peak",
            p1,
            "V",
            "intercept less 9.6 dB: 4 VT x 0.33",
            4.0 * b.v_t * 10.0 ** (-9.64 / 20.0),
            1.32 * b.v_t,
            "V",
            True,
            "It stops holding when terms above the third count; they do here, so the true "
            "point lies higher.",
        ),
        Merit(
            "third_order",
            "Two-tone product, over the tones",
            100.0 * im3,
            "%",
            "(A/VT)^2 / 16",
            100.0 * im3_law,
            im_end,
            "V",
            two and a_mean <= im_end,
            f"It stops holding when each tone passes about {text_of(im_end, 'V')} peak, where "
            "the next term of the series takes a tenth"
            + ("." if two else "; now the second tone is off."),
        ),
        Merit(
            "intercept",
            "Input intercept of third order, peak",
            intercept,
            "V",
            "4 VT",
            4.0 * b.v_t,
            im_end,
            "V",
            True,
            "It is a point of the straight lines, drawn on from small signals; it stops "
            f"holding when emitter resistors widen the lower pair (tones up to "
            f"{text_of(im_end, 'V')} follow the lines).",
        ),
        Merit(
            "oscillator_leak",
            "Wanted product over oscillator leak",
            leak,
            "dB",
            "no leak from a matched cell",
            None,
            None,
            "",
            leak > 40.0,
            "It stops holding when the lower pair has an offset: it unbalances the two upper "
            "pairs.",
        ),
        Merit(
            "signal_leak",
            "Wanted product over signal leak",
            through,
            "dB",
            "no leak from a matched cell",
            None,
            None,
            "",
            through > 40.0,
            "It stops holding when the upper pairs have an offset.",
        ),
    )
    sentence = (
        f"The {text_of(used, 'Hz', 4)} signal is brought {s.wanted} to "
        f"{text_of(f_wanted, 'Hz', 4)} with a gain of {gain:.3g} "
        f"({show(merits[1].value, 'dB')}); {text_of(100 * abs(small_gain) / hard_law, '%')}"
        " of what hard switching gives."
    )
    curves = _mixer_curves(s, solve, b, converted, abs(small_gain), gain) if detail else ()
    t = window.time
    return UseResult(
        "mixer",
        "Mixer",
        b.model,
        s,
        sentence,
        {
            "oscillator": time_trace(t, v_upper, "local oscillator"),
            "signal": time_trace(t, v_lower, "signal"),
            "output": time_trace(t, v_out, "output"),
            "wanted": time_trace(
                t,
                filtered(
                    v_out,
                    window.duration / window.samples,
                    lambda f: (np.abs(f - f_wanted) < 0.25 * min(used, used_lo)) * 1.0,
                ),
                "wanted product alone",
                role="second",
            ),
        },
        spectrum,
        curves,
        merits,
        window.text,
        Listen(
            v_out,
            window.duration,
            b.full_scale / LOUD,
            shift=0.0 if f_wanted < sound.HEARING[1] else f_wanted - 2e3,
        ),
    )


def _mixer_curves(s, solve, b, converted, small_gain, gain):
    drive = np.geomspace(1e-3, 1.0, 31)
    measured = _oscillator_gain(solve, drive)
    level = np.geomspace(0.003125, 0.5, 25) * converted.reach
    tone, third = converted.two_tone(level)

    def db(v):
        return np.maximum(decibel(v / 1.0), -160.0)

    compressed = np.abs(converted.gain(2.0 * level))
    return (
        Curve(
            "Conversion gain against oscillator",
            "oscillator, peak",
            "V",
            "conversion gain",
            "dB",
            (
                Trace(drive, decibel(measured), "V", "dB", "conversion gain"),
                Trace(
                    drive,
                    decibel(b.gain * drive / (4.0 * b.v_t)),
                    "V",
                    "dB",
                    "gm R A/(4 VT)",
                    "relation",
                ),
                Trace(
                    drive,
                    np.full(drive.shape, decibel(b.gain * 2.0 / np.pi)),
                    "V",
                    "dB",
                    "2/pi x gm R",
                    "relation",
                ),
            ),
            (s.oscillator_amplitude, float(decibel(gain))),
            "A soft oscillator gives gain in proportion; a hard one gives all there is.",
        ),
        Curve(
            "Tones and third-order products",
            "each of two tones, peak",
            "V",
            "output",
            "dB",
            (
                Trace(level, db(tone), "V", "dB", "each tone"),
                Trace(level, db(third), "V", "dB", "2 f1 \u2212 f2"),
                Trace(level, db(small_gain * level), "V", "dB", "1 dB per dB", "relation"),
                Trace(
                    level,
                    db(small_gain * level * (level / b.v_t) ** 2 / 16.0),
                    "V",
                    "dB",
                    "3 dB per dB",
                    "relation",
                ),
            ),
            None,
            "The straight lines meet at the intercept, 4 VT peak; dB over 1 V peak.",
        ),
        Curve(
            "Compression",
            "signal, peak",
            "V",
            "gain lost",
            "dB",
            (
                Trace(
                    2.0 * level, decibel(small_gain) - decibel(compressed), "V", "dB", "gain lost"
                ),
            ),
            None,
            "The signal that loses 1 dB is the compression point.",
        ),
    )


def hear_call(call="flat_end", settings=None, solve=None, corner=6e3, repeats=8, interval=0.12):
    """An INVENTED bat call through the mixer and a low-pass: what the listener gets.

    Parameters
    ----------
    call : str or signals.BatCall
        A key of `signals.CALLS` or a call.
    settings : Mixer, optional
        Oscillator and signal amplitude are taken from it.
    solve : callable, optional
    corner : float
        Hz, of the load pole that removes what lies above hearing; it is applied twice.
    repeats, interval : int, float
        How often the call is heard, and s from one to the next.

    Returns
    -------
    records : dict of str to Trace
        call, oscillator, output, heard (V over s).
    played : sound.Sound
        At its true pace.

    Raises
    ------
    QuantityError
        For values out of range, or an unknown call.
    """
    s = checked(settings or Mixer())
    solve = solve or TextbookCell()
    if isinstance(call, str):
        if call not in signals.CALLS:
            raise QuantityError(f"call is '{call}'; there are {', '.join(signals.CALLS)}.")
        call = signals.CALLS[call]
    corner = float(as_quantity("corner", corner, "Hz", 100.0, 50e3))
    rate = 500e3
    b = bench(solve)
    t, v = signals.call_samples(call, s.signal_amplitude, rate)
    oscillator = s.oscillator_amplitude * np.cos(2.0 * np.pi * s.oscillator_frequency * t)
    out = answer(solve, oscillator, v).v_out
    out = out - out.mean()
    duration = len(t) / rate
    heard = loaded(loaded(out, 1.0 / rate, corner), 1.0 / rate, corner)
    full = max(b.gain * s.signal_amplitude, 1e-6)
    repeats = int(as_quantity("repeats", repeats, "", 1, 20))
    interval = float(as_quantity("interval", interval, "s", duration, 1.0))
    padded = np.append(heard, np.zeros(max(0, round(interval * rate) - len(heard))))
    heard_once = sound.sound_from_samples(padded, rate, full)
    played = replace(
        heard_once,
        samples=np.tile(heard_once.samples, repeats),
        text="An invented call, brought down by the cell itself. " + heard_once.text,
    )
    return (
        {
            "call": time_trace(t, v, "call (invented)"),
            "oscillator": time_trace(t, oscillator, "local oscillator"),
            "output": time_trace(t, out, "output"),
            "heard": time_trace(t, heard, "after the low-pass"),
        },
        played,
    )
