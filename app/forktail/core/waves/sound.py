"""Sound that is safe to play: a record or a call, moved into hearing and limited in level."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from forktail.core.checks import Floats, QuantityError, as_quantity
from forktail.core.quantities import format_fixed, format_quantity

#: Largest sample of any sound, as a fraction of the full scale of the sound card (-12 dB).
SOUND_PEAK = 0.25
#: Density of a noise, V/sqrt(Hz), at frequencies in Hz.
Density = Callable[[Floats], Floats]
#: What is taken as hearing, Hz (common practice, no source).
HEARING = (20.0, 16e3)
HEARING_CAUTION = (
    "Start with the volume down, above all with headphones: the samples are limited, "
    "the amplifier behind them is not."
)


@dataclass(frozen=True)
class Sound:
    """Samples that are safe to hand to a sound card.

    `samples` is float32 within +-`peak` of full scale, `rate` in Hz; `limited` says that the
    level had to be lowered; `silent` that nothing audible is left; `text` says what was done.
    """

    samples: NDArray[np.float32]
    rate: int
    peak: float
    limited: bool
    silent: bool
    text: str


def limit_level(samples: ArrayLike, peak: float = SOUND_PEAK) -> tuple[NDArray[np.float32], bool]:
    """Lower a whole record so that no sample passes `peak`; a quiet one is left as it is.

    The record is scaled, not clipped, so that limiting adds no distortion.

    Parameters
    ----------
    samples : array_like
        Fractions of full scale.
    peak : float
        Above 0, at most 0.5.

    Returns
    -------
    samples : numpy.ndarray of float32
    limited : bool
    """
    samples = as_quantity("samples", samples)
    peak = float(as_quantity("peak", peak, "", 0.0, 0.5, low_open=True))
    top = float(np.max(np.abs(samples), initial=0.0))
    limited = top > peak
    if limited:
        samples = samples * (peak / top)
    # rounding to float32 must not lift a sample above the limit
    return np.clip(samples.astype(np.float32), -np.float32(peak), np.float32(peak)), limited


def _faded(samples: Floats, rate: float, fade: float = 0.02) -> Floats:
    n = min(int(fade * rate), len(samples) // 2)
    if n:
        ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(n) / n)
        samples = samples.copy()
        samples[:n] *= ramp
        samples[-n:] *= ramp[::-1]
    return samples


def hiss(density: Density, seconds: float, rate: float, shift: float, slow_by: float) -> Floats:
    """Gaussian noise of a density as it is heard after a shift and slowing, V, the same each time.

    Between the ends of hearing; a band that is slowed holds all its power in less width.
    """
    count = round(seconds * rate)
    heard = np.arange(count // 2 + 1) * (rate / count)
    audible = (heard >= HEARING[0]) & (heard <= min(HEARING[1], 0.45 * rate))
    size = np.zeros(heard.size)
    came = np.asarray(heard[audible] * slow_by + shift, dtype=float)
    size[audible] = density(came) * np.sqrt(slow_by)
    drawn = np.random.default_rng(1).normal(size=(2, heard.size))
    # each of `count / 2` lines has the power of rate/count Hz
    return np.fft.irfft((drawn[0] + 1j * drawn[1]) * size * np.sqrt(0.25 * count * rate), count)


def _with_noise(volts: Floats, noise: Floats, full_scale: float) -> tuple[Floats, float, str]:
    """A sound with noise in it, the volts that are full level now, and what was done."""
    rms, tones = (float(np.sqrt(np.mean(v**2))) for v in (noise, volts))
    mixed = volts + noise
    text = f" The noise of the cell is in it, {format_quantity(rms, 'V')} rms in hearing"
    if tones > 0.0:
        apart = 20.0 * np.log10(rms / tones)
        word = "over" if apart > 0.0 else "under"
        text += f", {format_fixed(abs(apart), 0, 'dB')} {word} the rest"
    top = float(np.max(np.abs(mixed), initial=0.0))
    if 0.0 < top < full_scale:
        text += f"; turned up by {format_fixed(20.0 * np.log10(full_scale / top), 0, 'dB')}"
        full_scale = top
    return mixed, full_scale, text + "."


def _sound(samples: Floats, rate: float, peak: float, text: str) -> Sound:
    safe, limited = limit_level(_faded(samples, rate), peak)
    silent = float(np.max(np.abs(safe), initial=0.0)) < 1e-5
    if silent:
        text += " Nothing audible is left."
    if limited:
        text += " The level was lowered to the limit."
    return Sound(safe, int(rate), float(peak), limited, silent, text)


def sound_from_record(
    record: ArrayLike,
    duration: float,
    full_scale: float,
    seconds: float = 2.0,
    rate: float = 48000,
    shift: float = 0.0,
    slow_by: float = 1.0,
    peak: float = SOUND_PEAK,
    lines: int = 200,
    noise: Density | None = None,
) -> Sound:
    """Sound of a periodic record: its strongest lines, added up for as long as wanted.

    Parameters
    ----------
    record : array_like, shape (n,)
        V, whole periods.
    duration : float
        s.
    full_scale : float
        V that becomes `peak`: louder stays louder between two records.
    seconds : float
        Length, 0.1 to 10.
    rate : float
        Hz.
    shift : float
        Hz by which every line is moved down (0 leaves them).
    slow_by : float
        Factor by which every frequency is divided, after the shift.
    peak : float
        Limit of the samples, see `limit_level`.
    lines : int
        At most so many lines are kept.
    noise : callable, optional
        Density of the noise that goes with the record, V/sqrt(Hz) at frequencies in Hz. With it
        the whole is turned up to the limit, so that what is faint is heard.

    Returns
    -------
    Sound
        Lines that end outside 20 Hz to 16 kHz are left out, and the text says what was moved.

    Raises
    ------
    QuantityError
        For values out of range.
    """
    record = as_quantity("record", record, "V")
    full_scale = float(as_quantity("full_scale", full_scale, "V", 0.0, low_open=True))
    seconds = float(as_quantity("seconds", seconds, "s", 0.1, 10.0))
    rate = float(as_quantity("rate", rate, "Hz", 8000, 192000))
    shift = float(as_quantity("shift", shift, "Hz", 0.0))
    slow_by = float(as_quantity("slow_by", slow_by, "", 1.0, 1000.0))
    n = len(record)
    phasor = np.fft.rfft(record)[1 : (n + 1) // 2] * (2.0 / n)
    heard = (np.arange(1, len(phasor) + 1) / duration - shift) / slow_by
    audible = (heard >= HEARING[0]) & (heard <= min(HEARING[1], 0.45 * rate))
    level = np.abs(phasor) * audible
    chosen = np.argsort(level)[::-1][:lines]
    background = np.zeros(1)
    if noise is not None:
        background = hiss(noise, seconds, rate, shift, slow_by)
    least = 1e-2 * float(np.std(background)) if noise else 1e-4 * full_scale
    chosen = chosen[level[chosen] > least]
    count = round(seconds * rate)
    total = np.zeros(count)
    turn = 2j * np.pi * np.arange(count) / rate
    for k in chosen:
        total += (phasor[k] * np.exp(turn * heard[k])).real
    text = "Heard as it is, up to 16 kHz."
    if shift or slow_by > 1.0:
        moved = ([f"moved down by {format_quantity(shift, 'Hz', 4)}"] if shift else []) + (
            [f"divided by {slow_by:g}"] if slow_by > 1.0 else []
        )
        text = f"Shifted into hearing: every frequency is {' and then '.join(moved)}."
    if noise is not None:
        total, full_scale, added = _with_noise(total, background, full_scale)
        text += added
    return _sound(total * (peak / full_scale), rate, peak, text)


def sound_from_samples(
    samples: ArrayLike,
    sample_rate: float,
    full_scale: float,
    rate: float = 48000,
    slow_by: float = 1.0,
    peak: float = SOUND_PEAK,
    noise: Density | None = None,
) -> Sound:
    """Sound of a single event, such as one call, brought to the rate of the sound card.

    Parameters
    ----------
    samples : array_like, shape (n,)
        V, at `sample_rate` Hz; it should start and end at rest.
    full_scale, rate, slow_by, peak, noise
        As `sound_from_record`; slowed by 10, a 45 kHz call is heard at 4.5 kHz.

    Returns
    -------
    Sound
        Content that ends above 16 kHz or below 20 Hz is removed.
    """
    v = as_quantity("samples", samples, "V")
    sample_rate = float(as_quantity("sample_rate", sample_rate, "Hz", 0.0, low_open=True))
    full_scale = float(as_quantity("full_scale", full_scale, "V", 0.0, low_open=True))
    rate = float(as_quantity("rate", rate, "Hz", 8000, 192000))
    slow_by = float(as_quantity("slow_by", slow_by, "", 1.0, 1000.0))
    n, length = len(v), max(2, round(len(v) / sample_rate * slow_by * rate))
    if length > 20 * rate:
        raise QuantityError(f"the sound would last {length / rate:.0f} s; the limit is 20 s.")
    phasor = np.fft.rfft(v)
    heard = np.arange(len(phasor)) * sample_rate / n / slow_by
    phasor[(heard < HEARING[0]) | (heard > min(HEARING[1], 0.45 * rate))] = 0.0
    bins = length // 2 + 1
    kept = np.zeros(bins, dtype=complex)
    kept[: min(bins, len(phasor))] = phasor[:bins]
    text = "Heard as it is, up to 16 kHz."
    if slow_by > 1.0:
        text = f"Shifted into hearing: played {slow_by:g} times slower."
    volts = np.fft.irfft(kept, length) * (length / n)
    if noise is not None:
        background = hiss(noise, length / rate, rate, 0.0, slow_by)
        volts, full_scale, added = _with_noise(volts, background, full_scale)
        text += added
    return _sound(volts * (peak / full_scale), rate, peak, text)
