"""What the fits see of a capture: one period of it where it repeats, else one stretch.

All rows of a wave that repeats are folded onto one period of equal steps. That takes the noise
down, and the steady state of every pole is then exact: nothing starts and nothing settles. Waves
that do not repeat (a call that falls in frequency) give a stretch of equal steps.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.capture.columns import Capture
from forktail.core.capture.fit import (
    Solution,
    find_rails,
    least_squares,
    noise_of,
    only_noise,
    step_of,
)
from forktail.core.checks import Bools, Floats, Ints, QuantityError
from forktail.core.quantities import format_quantity

#: Samples of a folded period and of a stretch: at most these, at least the others.
MOST, LEAST = 1024, 256
#: Samples a cycle of the fastest input: wanted, and fewest.
WANTED, FEWEST = 32, 10
#: The same for a first look, and fewest samples that it takes.
SPARSE, FEW = 8, 48
#: A line of an input is one from this many times the noise on.
STANDS_OUT = 3.5
#: Most lines of a wave, and most rows that they are fitted to.
LINES, FITTED = 48, 4096
#: Both inputs may drift apart by this much over the rows that are folded, cycles.
DRIFT = 0.004
#: Most rows that are looked at; of more, the middle.
MOST_ROWS = 2**18
#: A folded input may leave this share of itself beside its noise, or it does not repeat.
REPEATS = 0.03
#: With more cycles than this from row to row, neighbouring rows tell nothing of the noise.
COARSE = 0.125
#: Waves by channel, V, and which of their samples count.
Waves = dict[str, Floats]
Masks = dict[str, Bools]
_INPUTS = {"upper": "v_upper", "lower": "v_lower"}


@dataclass(frozen=True)
class Sine:
    """A sine in a record: frequency in Hz, `cos` and `sin` parts in V, mean and rest in V rms.

    `doubt` is the standard deviation of the frequency, Hz.
    """

    frequency: float
    cos: float
    sin: float
    mean: float
    rest: float
    doubt: float

    @property
    def peak(self) -> float:
        """V."""
        return math.hypot(self.cos, self.sin)

    def value(self, time: Floats) -> Floats:
        """V at times in s."""
        turn = 2.0 * math.pi * self.frequency * time
        return self.mean + self.cos * np.cos(turn) + self.sin * np.sin(turn)


@dataclass(frozen=True)
class Record:
    """One period or one stretch of a capture; arrays of shape (m,), SI.

    Attributes
    ----------
    time : s, in the time of the capture.
    step : s.
    periodic : whether it is one whole period of a wave that goes on.
    inputs : dict of "upper", "lower" to V, their means taken off; zeros where an input rests.
    off : tuple of the inputs that rest.
    means : dict of input to the mean of the channel as captured, V; NaN where there is none.
    steps : dict of input to the step of its scope channel, V (0 where none shows).
    outputs : dict of "left", "right" or "out" to V.
    sigma : dict of output to the standard deviation of each sample; inf where it is not used.
    levels : dict of output to the step of its scope channel, V.
    noise : dict of output to the noise of one row, V rms.
    cut : dict of channel (`v_upper` ...) to the share of its rows that are at a rail.
    rows : rows that went in.
    fastest : Hz, of the fastest input; 0 where both rest.
    """

    time: Floats
    step: float
    periodic: bool
    inputs: Waves
    off: tuple[str, ...]
    means: dict[str, float]
    steps: dict[str, float]
    outputs: Waves
    sigma: Waves
    levels: dict[str, float]
    noise: dict[str, float]
    cut: dict[str, float]
    rows: int
    fastest: float
    notes: tuple[str, ...] = field(default=())

    @property
    def driven(self) -> tuple[str, ...]:
        """The inputs that move."""
        return tuple(side for side in _INPUTS if side not in self.off)

    def phase(self, time: ArrayLike) -> Floats:
        """Place of times of the capture in the record, in samples."""
        at = (np.asarray(time) - self.time[0]) / self.step
        return np.mod(at, len(self.time)) if self.periodic else at

    def thinned(self) -> "Record":
        """Every n-th sample, down to `SPARSE` a cycle of the fastest input."""
        m = len(self.time)
        by = min(1.0 / (SPARSE * self.fastest * self.step) if self.fastest else 1.0, m / FEW)
        every = max(1, int(by + 1e-9))
        while self.periodic and m % every:
            every -= 1

        def some(waves: Waves) -> Waves:
            return {name: wave[::every] for name, wave in waves.items()}

        return replace(
            self, time=self.time[::every], step=self.step * every, inputs=some(self.inputs),
            outputs=some(self.outputs), sigma=some(self.sigma),
        )  # fmt: skip

    def spread(self, wave: ArrayLike, time: ArrayLike) -> Floats:
        """A wave of this record at any times of the capture; NaN where it does not reach.

        Parameters
        ----------
        wave : array_like, shape (m,)
        time : array_like, shape (n,), s
        """
        wave = np.asarray(wave, float)
        at, m = self.phase(time), len(wave)
        if m == 1:
            return np.full(np.shape(time), float(wave[0]))
        if self.periodic:
            fine = max(1, -(-8192 // m))
            lines = np.fft.rfft(wave)
            wave = np.fft.irfft(lines, fine * m) * fine
            return np.interp(at * fine, np.arange(fine * m + 1), np.append(wave, wave[0]))
        return np.interp(at, np.arange(m), wave, left=math.nan, right=math.nan)


def find_sine(time: Floats, wave: Floats, use: Bools | None = None) -> Sine | None:
    """The strongest sine of a record by least squares, its frequency too.

    Parameters
    ----------
    time, wave : array_like, shape (n,)
        s, rising; V.
    use : array_like of bool, optional
        Samples that count.

    Returns
    -------
    Sine or None
        None where there is less than half a cycle, or no sine to be found.
    """
    use = np.ones(len(time), bool) if use is None else use
    t, y = time[use], wave[use]
    n = len(y)
    span = t[-1] - t[0]
    even = np.interp(np.linspace(t[0], t[-1], n), t, y)
    window = np.hanning(n)
    lines = np.abs(np.fft.rfft((even - even.mean()) * window, 8 * n))
    lines[:4] = 0.0
    k = int(np.argmax(lines))
    f = k / 8.0 / (span * n / (n - 1))
    if not f > 0.0:
        return None
    centre = 0.5 * (t[0] + t[-1])
    found: Solution | None = None
    for _ in range(12):
        turn = 2.0 * math.pi * f * (t - centre)
        c, s = np.cos(turn), np.sin(turn)
        columns = [c, s, np.ones(n)]
        if found is not None:
            a, b = found.x[:2]
            columns.append(2.0 * math.pi * (t - centre) * (b * c - a * s) * f)
        found = least_squares(np.column_stack(columns), y)
        if len(found.x) == 4:
            step = float(np.clip(found.x[3], -0.1, 0.1))
            f *= 1.0 + step
            if abs(step) < 1e-12:
                break
    if found is None or f * span < 0.5:
        return None
    a, b = found.x[:2]
    back = 2.0 * math.pi * f * centre
    rest = float(np.sqrt(np.mean(found.residual**2)))
    return Sine(
        f,
        float(a * math.cos(back) - b * math.sin(back)),
        float(a * math.sin(back) + b * math.cos(back)),
        float(found.x[2]),
        rest,
        f * rest * math.sqrt(found.covariance[3, 3]),
    )


def find_period(sines: Sequence[Sine], span: float) -> tuple[float, float] | None:
    """Shortest time after which all sines are back where they were.

    Parameters
    ----------
    sines : sequence of Sine
        One or two.
    span : float
        s that there is.

    Returns
    -------
    (period, drift) or None
        s; and how far the two drift apart in one period, cycles of the faster one.
    """
    slow, fast = min(sines, key=_hertz), max(sines, key=_hertz)
    if len(sines) == 1:
        return 1.0 / fast.frequency, 0.0
    for cycles in range(1, 65):
        slowly = cycles / slow.frequency
        turns = round(slowly * fast.frequency)
        if slowly > span * 1.002 or turns > MOST / FEWEST:
            return None
        quickly = turns / fast.frequency
        # each period with its doubt: of few cycles a frequency is not known well
        doubts = [
            max(t * s.doubt / s.frequency, 1e-7 * t) for t, s in ((slowly, slow), (quickly, fast))
        ]
        apart = abs(quickly - slowly)
        if turns and apart <= max(DRIFT / fast.frequency, 3.0 * math.hypot(*doubts)):
            weights = [1.0 / d**2 for d in doubts]
            period = (slowly * weights[0] + quickly * weights[1]) / sum(weights)
            # what may be doubt of the slower one is no drift that is seen
            return period, max(0.0, apart - 3.0 * math.hypot(*doubts)) * fast.frequency
    return None


def _hertz(sine: Sine) -> float:
    return sine.frequency


def align(capture: Capture, keep_means: bool = False) -> Record:
    """Bring a capture into the form that the fits use.

    Parameters
    ----------
    capture : Capture
        Without `v_upper` or `v_lower` that input rests.
    keep_means : bool
        Keep the means of the inputs. Every input of the cell is coupled by capacitors, so a mean
        says more of the scope than of the drive.

    Returns
    -------
    Record

    Raises
    ------
    QuantityError
        For a wave sampled too rarely.
    """
    rows = _middle(capture)
    time = capture.time[rows]
    notes, cut, waves = [], {}, {}
    off, means, steps = [], {}, {}
    sines: dict[str, Sine] = {}
    for side, channel in _INPUTS.items():
        wave = getattr(capture, channel)
        if wave is None:
            off.append(side)
            means[side], steps[side] = math.nan, 0.0
            waves[side] = np.zeros(len(time))
            continue
        wave = wave[rows]
        steps[side] = step_of(wave)
        means[side] = float(wave.mean())
        if np.ptp(wave) == 0.0 or only_noise(wave):
            off.append(side)
            waves[side] = np.zeros(len(time))
            continue
        use = np.ones(len(time), bool)
        rails = find_rails(wave)
        if rails.clipped_low or rails.clipped_high:
            use = ~(rails.at_low | rails.at_high)
            cut[channel] = rails.share
        s = find_sine(time, wave, use) if use.sum() >= 16 else None
        if s is not None:
            sines[side] = s
            if channel in cut and s.rest < 0.05 * s.peak:
                wave = np.where(use, wave, s.value(time))
                means[side] = s.mean
                notes.append(
                    f"{channel} is cut off on the screen; the missing part was filled in as a sine."
                )
        waves[side] = wave if keep_means else wave - means[side]
    outputs, good = {}, {}
    for name, wave in _outputs(capture).items():
        outputs[name] = wave[rows]
        good[name] = np.ones(len(time), bool)
        rails = find_rails(outputs[name])
        if rails.clipped_low or rails.clipped_high:
            good[name] = ~(rails.at_low | rails.at_high)
            cut[f"v_{name}"] = rails.share
    driven = [side for side in _INPUTS if side not in off]
    common = dict(off=tuple(off), means=means, steps=steps, cut=cut, notes=tuple(notes))
    if not driven:
        return _at_rest(time, outputs, good, common)
    folded = None
    if all(side in sines for side in driven):
        folded = _folded(time, waves, outputs, good, driven, sines, common)
    return folded or _stretch(capture, time, waves, outputs, good, driven, common)


def _outputs(capture: Capture) -> Waves:
    if capture.v_left is not None and capture.v_right is not None:
        return {"left": capture.v_left, "right": capture.v_right}
    for name in ("left", "right"):
        if capture.single_ended and getattr(capture, f"v_{name}") is not None:
            return {name: getattr(capture, f"v_{name}")}
    return {"out": capture.v_out}


def _middle(capture: Capture) -> slice:
    n = len(capture.time)
    start = max(0, (n - MOST_ROWS) // 2)
    return slice(start, start + MOST_ROWS)


def _sigma(noise: float, level: float, count: ArrayLike) -> Floats:
    """Standard deviation of a mean of `count` rows whose noise is `noise`, recorded in steps.

    Steps that noise does not blur stay however many rows are averaged; blur takes their share
    down as exp(-2 (pi noise/step)^2) (dither; any text on quantisation).
    """
    plain = level / math.sqrt(12.0)
    blur = math.sqrt(max(noise**2 - plain**2, 0.0))
    stays = plain * math.exp(-2.0 * (math.pi * blur / level) ** 2) if level > 0.0 else 0.0
    with np.errstate(divide="ignore"):
        return np.sqrt(max(noise, plain) ** 2 / np.asarray(count, float) + stays**2)


def _at_rest(time: Floats, outputs: Waves, good: Masks, common: dict[str, Any]) -> Record:
    """Both inputs rest: one sample, the means."""
    means, sigma, levels, noise = {}, {}, {}, {}
    for name, wave in outputs.items():
        used = wave[good[name]]
        levels[name] = step_of(wave)
        noise[name] = float(used.std()) if used.size else math.nan
        means[name] = np.array([used.mean() if used.size else 0.0])
        sigma[name] = np.atleast_1d(_sigma(noise[name], levels[name], max(used.size, 1)))
        if not used.size:
            sigma[name] = np.array([math.inf])
    return Record(
        time=time[:1], step=float(time[-1] - time[0]) or 1.0, periodic=True,
        inputs={"upper": np.zeros(1), "lower": np.zeros(1)}, outputs=means, sigma=sigma,
        levels=levels, noise=noise, rows=len(time), fastest=0.0, **common,
    )  # fmt: skip


def _fold(
    values: Floats, use: Bools, place: Ints, offset: Floats, m: int
) -> tuple[Floats, Ints, float]:
    """Mean of the rows at each of m places of a period, each row moved to its place.

    Returns
    -------
    wave, count : numpy.ndarray (m,)
    noise : float
    """
    at, phase = place[use], (place + offset)[use]
    count = np.bincount(at, minlength=m)
    full = count > 0
    free = max(len(at) - int(full.sum()), 1)
    known = np.flatnonzero(full)
    model, rest, values = np.zeros(m), values[use], values[use]
    for _ in range(3):
        left = np.bincount(at, rest, minlength=m) / np.maximum(count, 1)
        noise = math.sqrt(float(np.sum((rest - left[at]) ** 2)) / free)
        wave = np.where(full, model + left, model)
        if not model.any():
            wave = np.interp(np.arange(m), known, wave[known], period=m)
        strong = _strong_lines(wave, noise / math.sqrt(max(count.mean(), 1.0)))
        model, at_rows = _fit_lines(strong, phase, values, m)
        rest = values - at_rows
    left = np.bincount(at, rest, minlength=m) / np.maximum(count, 1)
    noise = math.sqrt(float(np.sum((rest - left[at]) ** 2)) / free)
    return model + left, count, noise


def _strong_lines(wave: Floats, noise: float) -> Ints:
    """Lines of a period that stand out of its noise, the strongest `LINES` at most; 0 is the mean.

    Lines of white noise pass with a probability of exp(-STANDS_OUT^2).
    """
    size = np.abs(np.fft.rfft(wave))
    size[[0, -1]] = 0.0
    strong = np.flatnonzero(size > STANDS_OUT * noise * math.sqrt(len(wave)))
    return strong[np.argsort(-size[strong])][:LINES]


def _fit_lines(lines: Ints, phase: Floats, values: Floats, m: int) -> tuple[Floats, Floats]:
    """Lines fitted to rows where they lie: (the wave at m places, the wave at the rows)."""
    rows = len(phase)
    # every n-th row would meet the same few places of a period again and again
    some = (
        np.arange(rows) if rows <= FITTED else np.random.default_rng(0).integers(rows, size=FITTED)
    )

    def columns(at: Floats) -> Floats:
        turn = 2.0 * math.pi / m * np.outer(at, lines)
        return np.hstack([np.ones((len(at), 1)), np.cos(turn), np.sin(turn)])

    found = least_squares(columns(phase[some]), values[some]).x
    fine = columns(np.arange(8 * m) / 8.0) @ found
    return fine[::8], np.interp(
        8.0 * phase, np.arange(8 * m + 1), np.append(fine, fine[0]), period=8 * m
    )


def _lines_of(wave: Floats, noise: float) -> Floats:
    """A period without the noise of the scope: its mean, and the lines that stand out of it.

    Noise of an input would be predicted as a signal, and stay in the difference.
    """
    lines = np.fft.rfft(wave)
    kept = np.zeros(len(lines), bool)
    kept[0] = True
    kept[_strong_lines(wave, noise)] = True
    return np.fft.irfft(np.where(kept, lines, 0.0), len(wave))


def _beside_a_rail(place: Ints, cut: Bools, m: int) -> Bools:
    """Places of a period where any row is cut off, and their neighbours.

    Rows there that are not cut off are those that noise took inwards, so their mean is not fair.
    """
    there = np.bincount(place[cut], minlength=m) > 0
    return there | np.roll(there, 1) | np.roll(there, -1)


def _places(time: Floats, period: float, m: int) -> tuple[Ints, Floats]:
    """Nearest of m places of a period for each time, and how far off it the time is, in places."""
    at = (time - time[0]) / period * m
    place = np.round(at).astype(int)
    return place % m, at - place


def _folded(
    time: Floats,
    waves: Waves,
    outputs: Waves,
    good: Masks,
    driven: Sequence[str],
    sines: Mapping[str, Sine],
    common: dict[str, Any],
) -> Record | None:
    """One period, or None where the inputs do not repeat."""
    frequencies = [sines[side].frequency for side in driven]
    span = time[-1] - time[0]
    found = find_period([sines[side] for side in driven], span)
    if found is None:
        return None
    period, drift = found
    rounds = span / period
    if drift > 0.0 and drift * rounds > DRIFT:
        # a shorter stretch, in which the two do not drift apart
        rounds = max(1.0, DRIFT / drift)
        keep = (time >= time[0] + 0.5 * (span - rounds * period)) & (
            time <= time[0] + 0.5 * (span + rounds * period)
        )
    else:
        keep = np.ones(len(time), bool)
    rows = int(keep.sum())
    turns = max(1.0, period * max(frequencies))
    m = int(min(MOST, max(LEAST, math.ceil(WANTED * turns - 0.5)), 0.8 * rows))
    m -= m % 2
    each = int(period / float(np.median(np.diff(time))) + 0.5)
    if each >= FEWEST * turns:
        m = min(m, each - each % 2)  # more places than rows in a period would only meet holes
    if rounds < 0.999 or m < FEWEST * turns:
        return None
    place, offset = _places(time, period, m)
    inputs = {}
    coarse = max(frequencies) * float(np.median(np.diff(time))) > COARSE
    for side, wave in waves.items():
        if side not in driven:
            inputs[side] = np.zeros(m)
            continue
        folded, count, scatter = _fold(wave, keep, place, offset, m)
        # what one row leaves beside noise must be small, or the wave does not repeat
        hiss = 1.5 * noise_of(wave[keep])
        if coarse:
            hiss = min(hiss, 0.3 * folded.std())
        if scatter > REPEATS * folded.std() + hiss + common["steps"][side]:
            return None
        folded -= folded.mean() if abs(wave.mean()) < 1e-12 else 0.0
        inputs[side] = _lines_of(folded, scatter / math.sqrt(max(count.mean(), 1.0)))
    means, sigma, levels, noise = {}, {}, {}, {}
    for name, wave in outputs.items():
        use = keep & good[name]
        levels[name] = step_of(wave)
        if use.sum() < 16:
            means[name], noise[name] = np.zeros(m), math.nan
            sigma[name] = np.full(m, math.inf)
            continue
        means[name], count, noise[name] = _fold(wave, use, place, offset, m)
        count = np.where(_beside_a_rail(place, keep & ~good[name], m), 0, count)
        if rows < 1.3 * m:  # hardly two rows at one place: their scatter says little
            noise[name] = max(noise[name], noise_of(wave[keep]))
        sigma[name] = np.where(
            count > 0, _sigma(noise[name], levels[name], np.maximum(count, 1)), math.inf
        )
    return Record(
        time=time[0] + np.arange(m) * (period / m), step=period / m, periodic=True,
        inputs=inputs, outputs=means, sigma=sigma, levels=levels, noise=noise, rows=rows,
        fastest=max(frequencies), **common,
    )  # fmt: skip


def _seconds(time: float) -> str:
    return format_quantity(time, "s")


def _fastest(wave: Floats, step: float) -> float:
    """Frequency below which a wave has all but a hundredth of its power, Hz."""
    power = np.abs(np.fft.rfft((wave - wave.mean()) * np.hanning(len(wave)))) ** 2
    total = np.cumsum(power)
    k = int(np.searchsorted(total, 0.99 * total[-1]))
    return k / (len(wave) * step)


def _stretch(
    capture: Capture,
    time: Floats,
    waves: Waves,
    outputs: Waves,
    good: Masks,
    driven: Sequence[str],
    common: dict[str, Any],
) -> Record:
    """A stretch of equal steps."""
    step = float(np.median(np.diff(time)))
    notes = list(common.pop("notes"))
    if not capture.uniform:
        even = np.arange(time[0], time[-1] + 0.5 * step, step)[:MOST_ROWS]
        waves = {k: np.interp(even, time, w) for k, w in waves.items()}
        outputs = {k: np.interp(even, time, w) for k, w in outputs.items()}
        good = {k: np.interp(even, time, w.astype(float)) > 0.99 for k, w in good.items()}
        time = even
    fastest = max(_fastest(waves[side], step) for side in driven)
    a_cycle = 1.0 / (fastest * step) if fastest > 0.0 else math.inf
    if a_cycle < 4.0:
        raise QuantityError(
            f"{capture.name}: a cycle of the input has only {a_cycle:.1f} samples; give at "
            f"least {FEWEST}, so a step of {_seconds(1.0 / (FEWEST * fastest))} or less."
        )
    stride = int(max(1, min(a_cycle / FEWEST, -(-len(time) // MOST))))
    count = min(MOST, len(time) // stride)
    start = (len(time) - count * stride) // 2
    cut = slice(start, start + count * stride, stride)
    if count * stride < 0.95 * len(time):
        notes.append(
            f"The waves do not repeat, so {count * stride} of {len(time)} rows, from the middle, "
            "were searched for causes."
        )
    sigma, levels, noise = {}, {}, {}
    for name, wave in outputs.items():
        levels[name] = step_of(wave)
        noise[name] = max(noise_of(wave), levels[name] / math.sqrt(12.0), 1e-7)
        sigma[name] = np.where(good[name][cut], noise[name], math.inf)
    return Record(
        time=time[cut], step=step * stride, periodic=False,
        inputs={k: w[cut] for k, w in waves.items()},
        outputs={k: w[cut] for k, w in outputs.items()},
        sigma=sigma, levels=levels, noise=noise, rows=count * stride, fastest=fastest,
        notes=tuple(notes), **common,
    )  # fmt: skip
