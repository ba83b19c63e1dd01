"""Drives, the coherent window that holds them, invented bat calls.

A drive is a recipe; `sample` turns it into volts on any time axis. A window holds whole periods
of every drive, so that its spectrum has lines and no leakage between them.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.checks import Floats, QuantityError, as_quantity
from forktail.core.notebook import as_call
from forktail.core.quantities import format_quantity
from forktail.core.spec import SPECS, checked, choice, number, setting, spec

# sound lives in a module of its own; pages reach drives and sound through this one
from forktail.core.waves.sound import (  # noqa: F401
    HEARING,
    HEARING_CAUTION,
    SOUND_PEAK,
    Sound,
    limit_level,
    sound_from_record,
    sound_from_samples,
)

#: Kind of drive -> (title, the fields of `Drive` that it uses besides `offset`).
DRIVE_KINDS = {
    "dc": ("DC", ()),
    "sine": ("Sine", ("amplitude", "frequency", "phase")),
    "dc_sine": ("DC + sine", ("amplitude", "frequency", "phase")),
    "square": ("Square", ("amplitude", "frequency", "phase")),
    "triangle": ("Triangle", ("amplitude", "frequency", "phase")),
    "two_tone": (
        "Two-tone",
        ("amplitude", "frequency", "phase", "second_amplitude", "second_frequency"),
    ),
    "burst": ("Burst", ("amplitude", "frequency", "phase", "repeat_frequency", "on_fraction")),
    "am": ("Amplitude-modulated", ("amplitude", "frequency", "phase", "repeat_frequency", "depth")),
    "call": (
        "Bat call (invented)",
        ("amplitude", "frequency", "second_frequency", "repeat_frequency", "on_fraction"),
    ),
}
#: Highest frequency that a drive may have, Hz.
MAX_FREQUENCY = SPECS["frequency"].high
#: Text of a frequency, with the digits that it has.
hertz = SPECS["frequency"].show
#: Band of the invented calls, Hz.
CALL_BAND = (20e3, 110e3)


_TITLES = {kind: title for kind, (title, _) in DRIVE_KINDS.items()}


@dataclass(frozen=True, repr=False)
class Drive:
    """What one input is driven with.

    Attributes
    ----------
    kind : str
        A key of `DRIVE_KINDS`, which also says which fields count.
    amplitude, second_amplitude : V peak.
    frequency, second_frequency : Hz. Of a call: where the sweep starts and where it ends.
    phase : degrees, of the first tone; a sine of phase 0 starts at 0 V and rises.
    offset : V, added to every kind; the whole of `dc`.
    repeat_frequency : Hz, repetition of bursts and calls, modulating frequency of `am`.
    on_fraction : part of the repetition period that a burst or a call lasts, above 0 to 1.
    depth : modulation depth of `am`, 0 to 2 (above 1 the wave is over-modulated).
    """

    kind: str = setting(choice("kind", "sine", _TITLES, "Drive"))
    amplitude: float = setting(spec("amplitude"))
    frequency: float = setting(spec("frequency"))
    phase: float = setting(spec("phase"))
    offset: float = setting(spec("dc"))
    second_amplitude: float = setting(spec("amplitude", label="Second amplitude"))
    second_frequency: float = setting(spec("frequency", default=46e3, label="Second frequency"))
    repeat_frequency: float = setting(
        spec("frequency", default=1e3, label="Repetition", slider=(10.0, 20e3))
    )
    on_fraction: float = setting(
        number(
            "on_fraction",
            0.3,
            "fraction",
            0.0,
            1.0,
            low_open=True,
            label="On-time",
            slider=(0.01, 1.0),
            step=0.01,
        )
    )
    depth: float = setting(
        number("depth", 0.5, "fraction", 0.0, 2.0, label="Depth", slider=(0.0, 2.0), step=0.01)
    )  # fmt: skip

    def __repr__(self) -> str:
        return as_call(self)

    def checked(self) -> "Drive":
        """Return the same drive with plain floats, or raise QuantityError."""
        d = checked(self)
        slowest = min(d.frequency, d.second_frequency) if d.kind == "call" else d.frequency
        if d.kind in ("burst", "am", "call") and d.repeat_frequency >= slowest:
            raise QuantityError(
                f"the repetition is {hertz(d.repeat_frequency)}; it must be "
                f"below the tone of {hertz(slowest)} that it shapes."
            )
        if d.kind == "call" and not (
            CALL_BAND[0] <= slowest and max(d.frequency, d.second_frequency) <= CALL_BAND[1]
        ):
            raise QuantityError(
                f"the call sweeps from {hertz(d.frequency)} to "
                f"{hertz(d.second_frequency)}; it must be "
                f"{hertz(CALL_BAND[0])} to {hertz(CALL_BAND[1])}."
            )
        return d

    @property
    def tones(self) -> tuple[float, ...]:
        """Frequencies, Hz, of which a window must hold whole periods."""
        return {
            "dc": (),
            "two_tone": (self.frequency, self.second_frequency),
            "burst": (self.frequency, self.repeat_frequency),
            "am": (self.frequency, self.repeat_frequency),
            "call": (self.repeat_frequency,),
        }.get(self.kind, (self.frequency,))

    @property
    def highest(self) -> float:
        """Highest frequency that the samples must follow, Hz (0 for DC)."""
        if self.kind == "call":
            return max(self.frequency, self.second_frequency)
        return max(self.tones, default=0.0)

    def describe(self) -> str:
        """One phrase: `sine, 10 mV peak at 45 kHz`."""
        title = DRIVE_KINDS[self.kind][0]
        if self.kind == "dc":
            return f"DC, {format_quantity(self.offset, 'V')}"
        text = f"{title}, {format_quantity(self.amplitude, 'V')} peak at "
        text += hertz(self.frequency)
        if self.kind == "two_tone":
            text += (
                f" and {format_quantity(self.second_amplitude, 'V')} at "
                f"{hertz(self.second_frequency)}"
            )
        if self.kind == "call":
            text += f" falling or rising to {hertz(self.second_frequency)}"
        if self.offset:
            text += f", on {format_quantity(self.offset, 'V')} DC"
        return text


def _cycle(frequency: float, t: Floats, phase: float = 0.0) -> Floats:
    """Position within the cycle, 0 to 1, with rounding of t kept from flipping an edge."""
    turns = np.round(frequency * t + phase / 360.0, 9)
    return turns - np.floor(turns)


def sample(drive: Drive, t: ArrayLike) -> Floats:
    """Volts of a drive at the given times.

    Parameters
    ----------
    drive : Drive
    t : array_like
        s, any shape.

    Returns
    -------
    numpy.ndarray
        V, same shape. At the edges of a square wave the value is the mean of both levels.

    Raises
    ------
    QuantityError
        For a drive or times that cannot be used.
    """
    d = drive.checked()
    t = as_quantity("t", t, "s")
    if d.kind == "dc":
        return np.full(t.shape, d.offset)

    def angle(f: float, phase: float = 0.0) -> Floats:
        return 2.0 * np.pi * (f * t + phase / 360.0)

    if d.kind == "square":
        c = _cycle(d.frequency, t, d.phase)
        wave = np.where(c < 0.5, 1.0, -1.0)
        wave[(c == 0.0) | (c == 0.5)] = 0.0
    elif d.kind == "triangle":
        c = _cycle(d.frequency, t, d.phase + 90.0)
        wave = 1.0 - 4.0 * np.abs(c - 0.5)
    elif d.kind == "call":
        c = (d.repeat_frequency * t) % 1.0  # the hump is zero at its edges: no rounding needed
        wave = _sweep(
            c / d.repeat_frequency,
            d.on_fraction / d.repeat_frequency,
            d.frequency,
            d.second_frequency,
            1.0,
        )
    else:
        wave = np.sin(angle(d.frequency, d.phase))
    if d.kind == "burst":
        wave = wave * (_cycle(d.repeat_frequency, t) < d.on_fraction)
    if d.kind == "am":
        wave = wave * (1.0 + d.depth * np.sin(angle(d.repeat_frequency)))
    wave = d.amplitude * wave + d.offset
    if d.kind == "two_tone":
        wave = wave + d.second_amplitude * np.sin(angle(d.second_frequency))
    return wave


# ---------------------------------------------------------------- coherent window

#: A frequency may be moved by this fraction without a longer window being tried.
CLOSE_ENOUGH = 1e-4


@dataclass(frozen=True)
class Window:
    """A stretch of time that holds whole cycles of every tone.

    `duration` in s; `samples` is a power of two; `cycles[k]` whole cycles of tone k, whose
    frequency is `used[k]` Hz where `requested[k]` was asked for. `exact` says that none had to
    be moved. `text` says all of it in words.
    """

    duration: float
    samples: int
    cycles: tuple[int, ...]
    requested: tuple[float, ...]
    used: tuple[float, ...]
    exact: bool
    text: str

    @property
    def time(self) -> Floats:
        """Sample times, s, shape (samples,); the end point belongs to the next period."""
        return np.arange(float(self.samples)) * (self.duration / self.samples)

    @property
    def line_spacing(self) -> float:
        """Distance between spectral lines, Hz."""
        return 1.0 / self.duration

    @property
    def sample_rate(self) -> float:
        """Samples per second, Hz."""
        return self.samples / self.duration

    def cycles_of(self, frequency: float) -> int:
        """Whole cycles of a frequency that was requested or is used.

        Raises
        ------
        QuantityError
            If the window was not made for it.
        """
        for k, cycles in enumerate(self.cycles):
            if frequency in (self.requested[k], self.used[k]):
                return cycles
        raise QuantityError(
            f"frequency is {frequency:g} Hz; the window holds "
            f"{', '.join(f'{f:g} Hz' for f in self.used) or 'no tone'}."
        )


def _power_of_two(n: float) -> int:
    return 1 << max(0, math.ceil(math.log2(n) - 1e-9))


def _common_step(tones: tuple[float, ...]) -> Fraction | None:
    """Greatest common divisor of frequencies given to a thousandth of a hertz, or None."""
    parts = []
    for f in tones:
        part = Fraction(f).limit_denominator(1000)
        if abs(float(part) - f) > 1e-9 * f:
            return None
        parts.append(part)
    common = math.lcm(*(p.denominator for p in parts))
    return Fraction(math.gcd(*(int(p * common) for p in parts)), common)


def _nearest_cycles(
    tones: tuple[float, ...], limit: int
) -> tuple[float, float, tuple[int, ...]] | None:
    """Cycle counts, anchored on the fastest tone, that come closest within `limit` cycles."""
    f = np.array(tones)
    anchor = f.max()
    if f.min() * limit < anchor * (1.0 - 1e-9):
        return None
    first = max(1, math.ceil(anchor / f.min() - 1e-9))
    turns = np.arange(first, limit + 1)
    cycles = np.maximum(1, np.rint(turns[:, None] * (f / anchor))).astype(int)
    # f rises; two tones that fall on the same count are kept one cycle apart
    for k in range(len(f) - 2, -1, -1):
        cycles[:, k] = np.minimum(cycles[:, k], cycles[:, k + 1] - 1)
    error = np.max(np.abs(cycles * (anchor / turns)[:, None] / f - 1.0), axis=1)
    error[cycles[:, 0] < 1] = np.inf
    good = np.flatnonzero(error <= CLOSE_ENOUGH)
    best = good[0] if good.size else int(np.argmin(error))
    if not np.isfinite(error[best]):
        return None
    return float(error[best]), turns[best] / anchor, tuple(int(c) for c in cycles[best])


@lru_cache(maxsize=256)
def _window(
    tones: tuple[float, ...], highest: float, min_cycles: int, min_samples: int, max_samples: int
) -> Window:
    distinct = tuple(sorted(set(tones)))
    listed = " and ".join(hertz(f) for f in distinct)
    step = _common_step(distinct)
    found = None
    if step is not None:
        repeats = max(1, math.ceil(min_cycles * step / Fraction(distinct[0])))
        duration = float(repeats / step)
        if 16 * highest * duration <= max_samples:
            found = duration, tuple(round(f * duration) for f in distinct)
    exact = found is not None
    if not exact:
        tried = []
        for per_cycle in (32, 16, 8):
            room = int(max_samples / per_cycle * distinct[-1] / highest)
            near = _nearest_cycles(distinct, room)
            tried += [near] if near else []
            if near and near[0] <= CLOSE_ENOUGH:
                break
        found = min(tried)[1:] if tried else None
    if found is None:
        raise QuantityError(
            f"the frequencies {listed} need more than {max_samples} samples for one whole "
            f"period of each; give a ratio of at most about {max_samples // 8}."
        )
    duration, cycles = found
    used = {f: f if exact else c / duration for f, c in zip(distinct, cycles)}
    samples = min(
        max(_power_of_two(32 * highest * duration), min_samples), _power_of_two(max_samples)
    )
    counts = " and ".join(f"{c} of {hertz(used[f])}" for f, c in zip(distinct, cycles))
    text = (
        f"The window of {format_quantity(duration, 's', 4)} holds whole cycles: {counts}; "
        f"{samples} samples, lines every {hertz(1 / duration)}."
    )
    if not exact:
        text = (
            f"{listed} have no short common period, so the nearest frequencies that do "
            f"are used: {' and '.join(format_quantity(used[f], 'Hz', 6) for f in distinct)}. "
            + text
        )
    by_tone = dict(zip(distinct, cycles))
    return Window(
        duration,
        samples,
        tuple(by_tone[f] for f in tones),
        tones,
        tuple(used[f] for f in tones),
        exact,
        text,
    )


def coherent_window(
    frequencies: Iterable[float],
    highest: float | None = None,
    min_cycles: int = 1,
    min_samples: int = 1024,
    max_samples: int = 16384,
) -> Window:
    """Choose a window that holds whole periods of every frequency.

    Frequencies with a common period short enough are kept exactly. Otherwise the highest one is
    kept and the others are moved to the nearest that fits (to 1 part in 10 000 where the record
    is long enough); the text of the window says so.

    Parameters
    ----------
    frequencies : sequence of float
        Hz, above 0; empty for DC alone, which gives 1 ms.
    highest : float, optional
        Hz: highest frequency that the samples must follow, if above the listed ones.
    min_cycles : int
        At least so many cycles of the slowest tone, where they fit.
    min_samples, max_samples : int
        The record length is a power of two between these, aiming at 32 samples in the fastest
        cycle and never fewer than 8.

    Returns
    -------
    Window

    Raises
    ------
    QuantityError
        For a frequency out of range, or frequencies too far apart for the record.
    """
    tones = tuple(
        float(as_quantity("frequency", f, "Hz", 0.0, MAX_FREQUENCY, low_open=True))
        for f in frequencies
    )
    top = max(tones, default=0.0)
    if highest is not None:
        top = max(top, float(as_quantity("highest", highest, "Hz", 0.0, MAX_FREQUENCY)))
    if not tones:
        duration = 1e-3
        n = min(max(min_samples, _power_of_two(max(1.0, 32 * top * duration))), max_samples)
        return Window(
            duration, n, (), (), (), True, f"Nothing repeats: a window of 1 ms, {n} samples."
        )
    return _window(tones, top, int(min_cycles), int(min_samples), int(max_samples))


def window_for(
    *drives: Drive, min_cycles: int = 1, min_samples: int = 1024, max_samples: int = 16384
) -> tuple[Window, tuple[Drive, ...]]:
    """A window for drives, and the same drives with the frequencies that it uses.

    Returns
    -------
    window : Window
        Its tones are those of each drive in turn.
    drives : tuple of Drive

    Raises
    ------
    QuantityError
        As `coherent_window`.
    """
    drives = tuple(d.checked() for d in drives)
    tones = [f for d in drives for f in d.tones]
    window = coherent_window(
        tones,
        max((d.highest for d in drives), default=0.0) or None,
        min_cycles,
        min_samples,
        max_samples,
    )
    if window.exact:
        return window, drives
    moved = dict(zip(window.requested, window.used))

    def as_used(drive: Drive) -> Drive:
        names = ("frequency", "second_frequency", "repeat_frequency")
        tones: dict[str, Any] = {
            n: moved[getattr(drive, n)] for n in names if getattr(drive, n) in drive.tones
        }
        return replace(drive, **tones)

    return window, tuple(map(as_used, drives))


# ---------------------------------------------------------------- invented bat calls


@dataclass(frozen=True)
class BatCall:
    """An INVENTED ultrasonic call; it comes from no recording and no species.

    Attributes
    ----------
    title : what the sweep looks like.
    f_start, f_end : Hz, 20 to 110 kHz.
    duration : s.
    bend : exponent of the sweep: 1 falls evenly, above 1 fast at first and flat at the end.
    """

    title: str = "Falling sweep"
    f_start: float = 80e3
    f_end: float = 43e3
    duration: float = 5e-3
    bend: float = 2.0

    def checked(self) -> "BatCall":
        """Return the same call with plain floats, or raise QuantityError."""

        def number(*a: Any, **k: Any) -> float:
            return float(as_quantity(*a, **k))

        return BatCall(
            self.title,
            number("f_start", self.f_start, "Hz", *CALL_BAND),
            number("f_end", self.f_end, "Hz", *CALL_BAND),
            number("duration", self.duration, "s", 1e-4, 0.1),
            number("bend", self.bend, "", 0.2, 10.0),
        )


#: Invented calls for demonstrations.
CALLS = {
    "falling": BatCall(),
    "flat_end": BatCall("Sweep with a flat end", 70e3, 45e3, 8e-3, 5.0),
    "steady": BatCall("Nearly steady tone", 46e3, 45e3, 20e-3, 1.0),
    "steep": BatCall("Short steep sweep", 110e3, 40e3, 2e-3, 1.2),
    "low": BatCall("Low slow sweep", 28e3, 21e3, 14e-3, 1.5),
}


def _sweep(tau: Floats, duration: float, f_start: float, f_end: float, bend: float) -> Floats:
    """Sweep f_end + (f_start - f_end)(1 - tau/duration)^bend under a sin^2 hump; 0 outside."""
    inside = (tau >= 0.0) & (tau < duration)
    x = np.where(inside, tau / duration, 0.0)
    turns = duration * (
        f_end * x + (f_start - f_end) * (1.0 - (1.0 - x) ** (bend + 1.0)) / (bend + 1.0)
    )
    return np.where(inside, np.sin(np.pi * x) ** 2 * np.sin(2.0 * np.pi * turns), 0.0)


def call_frequency(call: BatCall, t: ArrayLike) -> Floats:
    """Frequency of an invented call at times `t` s after its start, Hz (NaN outside)."""
    c = call.checked()
    x = as_quantity("t", t, "s") / c.duration
    with np.errstate(invalid="ignore"):
        f = c.f_end + (c.f_start - c.f_end) * np.clip(1.0 - x, 0.0, 1.0) ** c.bend
    return np.where((x >= 0.0) & (x <= 1.0), f, np.nan)


def call_samples(
    call: BatCall, amplitude: float = 1.0, sample_rate: float = 500e3, silence: float = 1e-3
) -> tuple[Floats, Floats]:
    """Samples of an INVENTED bat call, synthesised here from its recipe.

    Parameters
    ----------
    call : BatCall
    amplitude : float
        V peak.
    sample_rate : float
        Hz, at least 250 kHz so that 110 kHz is followed.
    silence : float
        s before and after the call.

    Returns
    -------
    t, v : numpy.ndarray, shape (n,)
        s and V.

    Raises
    ------
    QuantityError
        For values out of range.
    """
    c = call.checked()
    amplitude = SPECS["amplitude"].check(amplitude)
    rate = float(as_quantity("sample_rate", sample_rate, "Hz", 250e3, 4e6))
    silence = float(as_quantity("silence", silence, "s", 0.0, 0.1))
    t = np.arange(round((c.duration + 2 * silence) * rate)) / rate
    return t, amplitude * _sweep(t - silence, c.duration, c.f_start, c.f_end, c.bend)
