"""The mixer: a call brought down to hearing.

The local oscillator goes to the upper input and the call to the lower one. Relations: Fourier
series of a square wave, as in Lee, The Design of CMOS Radio-Frequency Integrated Circuits; series
of a pair with emitter resistors, Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog
Integrated Circuits, chapter 3.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike

from forktail.core.checks import Floats, QuantityError, as_quantity
from forktail.core.models import Solver, TextbookCell
from forktail.core.path import coupled, loaded
from forktail.core.spec import checked, choice, setting, spec
from forktail.core.uses.noise import (
    BAND,
    NoiseRun,
    density_of,
    figures_of,
    measure_noise,
    relations_of,
)
from forktail.core.uses.reference import CALL, ONE_DB, Bench, bench, needs, once
from forktail.core.uses.result import (
    LOUD,
    Curve,
    Figure,
    Listen,
    Relation,
    Shown,
    Trace,
    time_trace,
)
from forktail.core.uses.steady import Table, cosine_values, roomy
from forktail.core.uses.words import mixing as words_mixing
from forktail.core.waves import drives, sound
from forktail.core.waves.lines import Lines
from forktail.core.waves.spectrum import Tone, decibel, level_ratio


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
    noise_band: float = setting(BAND)


# ---------------------------------------------------------------- numbers


class Conversion:
    """The cell seen from its lower input with the oscillator running.

    The cell has no memory, so for one oscillator all that the signal meets is the static law
    G(v), the part of the output at the oscillator's frequency while the lower input is at v: its
    tones, products and compression follow from this one curve. Amplitudes in V at the cell; G is
    given by Chebyshev coefficients over +-`reach` V.
    """

    def __init__(self, reach: float, fit: Floats) -> None:
        self.reach, self._fit = reach, fit

    def __call__(self, v: Floats) -> Floats:
        return np.asarray(chebyshev.chebval(v / self.reach, self._fit), dtype=float)

    def gain(self, amplitude: ArrayLike) -> Floats:
        """Gain of one tone to either product, for an array of peak amplitudes."""
        angle = np.pi * (np.arange(32) + 0.5) / 32
        out = self(np.asarray(amplitude)[..., None] * np.cos(angle))
        return np.mean(out * np.cos(angle), axis=-1) / amplitude

    def two_tone(self, amplitude: ArrayLike) -> tuple[Floats, Floats]:
        """One tone and one 2 f1 - f2 product at the output, V, for two equal tones."""
        a = np.pi * (np.arange(12) + 0.5) / 12
        first, second = np.cos(a)[:, None], np.cos(a)[None, :]
        out = self(np.asarray(amplitude)[..., None, None] * (first + second))
        tone = np.mean(out * first, axis=(-2, -1))
        # over half a cycle of each angle the sines of cos(2a - b) drop out
        third = np.mean(out * np.cos(2.0 * a)[:, None] * second, axis=(-2, -1))
        return np.abs(tone), np.abs(third)


@once(64)
def _far(b: Bench, oscillator: float) -> Conversion:
    """The Conversion of a cell as far as its lower pair bends, to 1e-5, oscillator in V there.

    Twelve phases of the oscillator and some sixty voltages are enough for that.
    """
    reach = 3.2 * b.v_t + 1.6 * b.drop("lower")
    half = np.pi * (np.arange(12) + 0.5) / 12

    def part(v: Floats) -> Floats:
        out = b.answer(oscillator * np.cos(half)[:, None], v[None, :])
        return 2.0 * np.mean(out * np.cos(half)[:, None], axis=0)

    return Conversion(reach, cosine_values(part, reach, b.v_t, 64))


def compression(conversion: Conversion, loss: float = 1.0) -> float:
    """Peak at which the gain is `loss` dB down, V, or NaN if that is out of reach."""
    amplitude = np.linspace(0.01, 1.0, 100) * conversion.reach
    gain = decibel(np.abs(conversion.gain(amplitude)))
    down = gain[0] - gain
    past = np.flatnonzero(down >= loss)
    if not past.size:
        return math.nan
    k = past[0]
    # a gain begins to bend with the square of the amplitude
    square = np.interp(loss, down[k - 1 : k + 1], amplitude[k - 1 : k + 1] ** 2)
    return float(np.sqrt(square))


@dataclass(frozen=True)
class MixerRun:
    """What the mixer does, measured.

    `lines` are those behind the loads. `small_gain` V/V, of a faint signal from the cell's own
    input to either product before the loads. `fed` is the complex factor of the signal's feed.
    `noise` is that at the wanted output with the oscillator alone.
    """

    figures: dict[str, Figure]
    window: drives.Window
    lines: Lines
    conversion: Conversion
    far: Conversion
    floor_db: float
    f_wanted: float
    f_other: float
    f_image: float
    small_gain: float
    fed: complex
    two: bool
    noise: NoiseRun


def _share(b: Bench, small_gain: float) -> float:
    """Conversion gain over that of hard switching, 2/pi of the slope, of the same circuit."""
    hard = 2.0 / math.pi * b.hard_gain
    return abs(small_gain) / hard if hard > 0.0 else 0.0


def measure_mixer(s: Mixer, b: Bench) -> MixerRun:
    """Run the mixer: returns MixerRun."""
    needs(s, "signal_amplitude", "oscillator_amplitude")
    two = s.second_amplitude > 0.0 and s.second_frequency != s.signal_frequency
    given = (s.oscillator_frequency, s.signal_frequency, s.second_frequency)[: 2 + two]
    window = drives.coherent_window(given)
    lo, f = window.used[:2]
    names = ("f_oscillator", "f_signal", "f_second")
    sides = ("upper", "lower", "lower")
    tones = tuple(map(Tone, names, sides, window.cycles))
    fed = [complex(b.fed(side, hz)) for side, hz in zip(sides, window.used)]
    peaks = (s.oscillator_amplitude, s.signal_amplitude, s.second_amplitude)
    at_cell = [(a * abs(h), math.atan2(h.imag, h.real)) for a, h in zip(peaks, fed)]
    reach = roomy(max(1.001 * sum(a for a, _ in at_cell[1:]), 0.5 * b.v_t * b.d_lower))
    table = Table(b, (0.0, at_cell[0][0]), 0.0, reach)
    lines = table.lines(0.0, at_cell[1:], window.duration, at_cell[0][1], tones)
    lines = lines.behind(b.path.load_response)
    sign = -1 if s.wanted == "down" else 1
    rest = (0,) * two
    wanted, other = ((1, k, *rest) for k in (sign, -sign))
    places = [lines.place(*orders) for orders in (wanted, other)]
    f_wanted, f_other = (k / window.duration for k in places)

    conversion = Conversion(reach, table.c[1])
    far = _far(b, at_cell[0][0])
    small_gain = float(conversion.gain(np.array(1e-3 * b.v_t)))
    probe = np.array(reach / 8.0)
    tone, third = (float(v) for v in conversion.two_tone(probe))
    f_image = 2.0 * lo + sign * f
    image = _image_rejection(s, b, conversion, f_image, fed[1])
    size = abs(fed[1])
    level = lines.level(*wanted)
    products = [lines.part(1, *(sign * k for k in o)) for o in ((2, -1), (-1, 2))] if two else [0.0]
    mean = 0.5 * (lines.part(*wanted) + lines.part(1, 0, sign)) if two else level
    passed = size * float(abs(b.path.load_response(f_wanted)))
    noise = measure_noise(b, "lower", f_wanted, small_gain * passed, at_cell[0][0], cycle=1.0 / lo)
    most = compression(far) / size
    figures = {
        "conversion_gain": Figure(level / s.signal_amplitude),
        "conversion_gain_db": Figure(float(decibel(level / s.signal_amplitude)), "dB"),
        "hard_limit": Figure(100.0 * _share(b, small_gain), "%"),
        "other_product": Figure(level_ratio(lines.level(*other), level), "dB"),
        "image": Figure(image, "dB"),
        "compression": Figure(most, "V"),
        "third_order": Figure(100.0 * max(products) / mean if mean > 0.0 else 0.0, "%"),
        "intercept": Figure(
            float(probe) * math.sqrt(tone / third) / size if third > 0.0 else math.inf, "V"
        ),
        "oscillator_leak": Figure(level_ratio(level, lines.part(1, 0, *rest)), "dB"),
        "signal_leak": Figure(level_ratio(level, lines.part(0, 1, *rest)), "dB"),
        **figures_of(noise, s.noise_band, most),
    }
    return MixerRun(
        figures=figures,
        window=window,
        lines=lines,
        conversion=conversion,
        far=far,
        floor_db=table.floor_db,
        f_wanted=f_wanted,
        f_other=f_other,
        f_image=abs(f_image),
        small_gain=small_gain,
        fed=fed[1],
        two=two,
        noise=noise,
    )


def _image_rejection(
    s: Mixer, b: Bench, conversion: Conversion, f_image: float, fed: complex
) -> float:
    """Gain of the signal over that of its image, dB: both land on the same output."""
    if f_image == 0.0:
        return 0.0  # the image is DC
    sizes = np.array([abs(fed), abs(complex(b.fed("lower", abs(f_image))))])
    signal, image = np.abs(conversion.gain(s.signal_amplitude * sizes)) * sizes
    return level_ratio(float(signal), float(image))


# ---------------------------------------------------------------- relations


@dataclass(frozen=True)
class MixerLaws:
    """Relations of the mixer by figure, and the limits that its words speak of."""

    relations: dict[str, Relation]
    hard: bool
    soft_end: float
    hard_start: float
    signal_end: float
    tones_end: float


def relate_mixer(s: Mixer, b: Bench, m: MixerRun) -> MixerLaws:
    """Textbook relations of the mixer: returns MixerLaws."""
    soft_end, hard_start = b.oscillator_limits()
    peak = s.oscillator_amplitude
    hard = peak >= hard_start or peak - soft_end > hard_start - peak > 0.0
    hard_law = b.gain / b.d_lower * 2.0 / math.pi
    small_law = b.gain / (b.d_lower * b.d_upper**2) * peak / (4.0 * b.v_t)
    law, edge = (hard_law, hard_start) if hard else (small_law, soft_end)
    signal_end = 0.5 * b.soft_end("lower", ONE_DB)
    small_signal = s.signal_amplitude + (s.second_amplitude if m.two else 0.0) <= signal_end
    driven = peak >= hard_start if hard else peak <= soft_end
    inside = driven and small_signal
    tones_end = b.tones_end()
    q = b.two_tone(hard)
    one, two = s.signal_amplitude, s.second_amplitude
    # the larger product grows as a1^2 a2, and is told over the mean of both tones
    third = 100.0 * q * one * two * max(one, two) / (0.5 * (one + two)) if m.two else 0.0
    relations = {
        "conversion_gain": Relation(law, ONE_DB * law, edge, "V", inside),
        "conversion_gain_db": Relation(float(decibel(law)), 1.0, edge, "V", inside),
        "hard_limit": Relation(100.0 * b.switching(peak), limit=hard_start, limit_unit="V"),
        "other_product": Relation(0.0, limit=b.path.load_pole, limit_unit="Hz"),
        "image": Relation(0.0, limit=m.f_image, limit_unit="Hz", inside=small_signal),
        "compression": Relation(b.soft_end("lower", ONE_DB), limit=tones_end, limit_unit="V"),
        "third_order": Relation(
            third, 0.1 * third, tones_end, "V", m.two and max(one, two) <= tones_end
        ),
        "intercept": Relation(1.0 / math.sqrt(q), limit=tones_end, limit_unit="V"),
        "oscillator_leak": Relation(inside=m.figures["oscillator_leak"].value > 40.0),
        "signal_leak": Relation(inside=m.figures["signal_leak"].value > 40.0),
        **relations_of(
            b, m.noise, "lower", s.noise_band, m.f_wanted, hard_law * b.switching(peak),
            b.soft_end("lower", ONE_DB), peak,
        ),
    }  # fmt: skip
    return MixerLaws(relations, hard, soft_end, hard_start, signal_end, tones_end)


# ---------------------------------------------------------------- what is drawn


def show_mixer(s: Mixer, b: Bench, m: MixerRun) -> Shown:
    """Records, spectrum and sound of the mixer: returns Shown."""
    n, t = m.window.samples, m.window.time
    turn = 2.0 * np.pi * np.arange(n) / n
    lo, *signals = m.window.cycles
    v_lower = sum(
        a * np.cos(turn * k) for a, k in zip((s.signal_amplitude, s.second_amplitude), signals)
    )
    v_out = m.lines.record(n)
    width = 0.25 * min(m.window.used[:2])
    near = np.abs(m.lines.bins / m.window.duration - m.f_wanted) < width
    shift = 0.0 if m.f_wanted < sound.HEARING[1] else m.f_wanted - 2e3
    return Shown(
        {
            "oscillator": time_trace(t, s.oscillator_amplitude * np.cos(turn * lo)),
            "signal": time_trace(t, v_lower),
            "output": time_trace(t, v_out),
            "wanted": time_trace(t, m.lines.only(near).record(n), "second"),
        },
        m.lines.labelled(n, floor_db=m.floor_db),
        m.window.text,
        Listen(
            v_out,
            m.window.duration,
            b.full_scale / LOUD,
            shift=shift,
            noise=density_of(m.noise, b.path, m.f_wanted),
        ),
    )


def curves_mixer(s: Mixer, b: Bench, m: MixerRun) -> tuple[Curve, ...]:
    """Characteristics of the mixer: tuple of Curve."""
    behind = float(abs(b.path.load_response(m.f_wanted)))
    passed = behind * abs(m.fed)
    drive = np.geomspace(1e-3, 1.0, 31)
    fed = abs(complex(b.fed("upper", m.window.used[0])))
    measured = _gain_over_oscillator(b, drive * fed) * passed
    level = np.geomspace(0.003125, 0.5, 25) * m.far.reach
    near = level < 0.4 * m.conversion.reach
    pairs = [c.two_tone(level[k]) for c, k in ((m.conversion, near), (m.far, ~near))]
    tone, third = np.concatenate(pairs, axis=1)
    given = level / abs(m.fed)
    small = abs(m.small_gain) * passed

    def db(v: ArrayLike) -> Floats:
        return np.maximum(decibel(v), -160.0)

    q = b.two_tone(m.figures["hard_limit"].value > 60.0)
    lost = decibel(abs(m.small_gain)) - decibel(np.abs(m.far.gain(2.0 * level)))
    soft = b.gain / (b.d_lower * b.d_upper**2) * drive / (4.0 * b.v_t)
    return (
        Curve(
            "gain", "V", "dB",
            (
                Trace(drive, decibel(measured), "V", "dB"),
                Trace(drive, decibel(soft), "V", "dB", "relation"),
                Trace(
                    drive,
                    np.full(drive.shape, decibel(b.gain / b.d_lower * 2.0 / np.pi)),
                    "V", "dB", "relation",
                ),
            ),
            (s.oscillator_amplitude, m.figures["conversion_gain_db"].value),
        ),
        Curve(
            "two_tone", "V", "dB",
            (
                Trace(given, db(tone * behind), "V", "dB"),
                Trace(given, db(third * behind), "V", "dB"),
                Trace(given, db(small * given), "V", "dB", "relation"),
                Trace(given, db(small * given * q * given**2), "V", "dB", "relation"),
            ),
        ),
        Curve("compression", "V", "dB", (Trace(2.0 * given, lost, "V", "dB"),)),
    )  # fmt: skip


def _gain_over_oscillator(b: Bench, drive: Floats, phases: int = 96) -> Floats:
    """Conversion gain of a faint signal before the loads, for oscillator peaks at the cell, V."""
    reach = float(drive.max())
    slope = cosine_values(b.slope_lower, reach, b.v_t)
    angle = np.pi * (np.arange(phases) + 0.5) / phases
    slopes = chebyshev.chebval(drive[:, None] * np.cos(angle) / reach, slope)
    return np.abs(np.mean(slopes * np.cos(angle), axis=1))


# ---------------------------------------------------------------- a call


def hear_call(
    call: str | drives.BatCall = "flat_end",
    settings: Mixer | None = None,
    solve: Solver | None = None,
    corner: float = 6e3,
    repeats: int = 8,
    interval: float = 0.12,
) -> tuple[dict[str, Trace], sound.Sound]:
    """An INVENTED bat call through the mixer and a low-pass: what the listener gets.

    Parameters
    ----------
    call : str or drives.BatCall
        A key of `drives.CALLS` or a call.
    settings : Mixer, optional
        Oscillator and signal amplitude are taken from it.
    solve : callable, optional
    corner : float
        Hz, of the low-pass of the listener that removes what lies above hearing; it is applied
        twice.
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
    needs(s, "signal_amplitude", "oscillator_amplitude")
    if isinstance(call, str):
        if call not in drives.CALLS:
            raise QuantityError(f"call is '{call}'; there are {', '.join(drives.CALLS)}.")
        call = drives.CALLS[call]
    corner = float(as_quantity("corner", corner, "Hz", 100.0, 50e3))
    b = bench(solve or TextbookCell())
    rate = 500e3
    t, v = drives.call_samples(call, s.signal_amplitude, rate)
    lo = s.oscillator_frequency
    fed = complex(b.fed("upper", lo))
    phase = 2.0 * np.pi * lo * t
    at_cell = coupled(v, 1.0 / rate, b.path.lower.corner) * b.path.lower.gain
    reach = float(np.abs(at_cell).max())
    table = Table(b, (0.0, s.oscillator_amplitude * abs(fed)), 0.0, reach)
    # what lies above half the rate of the record is left out, not folded down
    most = max(1, int((0.5 * rate - drives.CALL_BAND[1]) / lo))
    out = table.wave(phase + np.angle(fed), at_cell, most)
    out = loaded(out - out.mean(), 1.0 / rate, b.path.load_pole)
    duration = len(t) / rate
    heard = loaded(loaded(out, 1.0 / rate, corner), 1.0 / rate, corner)
    full = max(b.gain / b.d_lower * s.signal_amplitude, 1e-6)
    repeats = int(as_quantity("repeats", repeats, "", 1, 20))
    interval = float(as_quantity("interval", interval, "s", duration, 1.0))
    padded = np.append(heard, np.zeros(max(0, round(interval * rate) - len(heard))))
    heard_once = sound.sound_from_samples(padded, rate, full)
    records = {
        "call": v,
        "oscillator": s.oscillator_amplitude * np.cos(phase),
        "output": out,
        "heard": heard,
    }
    return (
        {k: replace(time_trace(t, y), label=words_mixing.RECORDS[k]) for k, y in records.items()},
        replace(
            heard_once,
            samples=np.tile(heard_once.samples, repeats),
            text=words_mixing.CALL + heard_once.text,
        ),
    )
