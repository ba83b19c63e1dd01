"""Least squares with priors, the four-term fit, delay between two records, rails of a channel.

Everything takes plain arrays on one time axis, SI units. Least squares and its uncertainties:
JCGM 100:2008 (GUM) for what a standard uncertainty is; linear least squares as in any text.
Where samples of the residual hang together the usual formula is too small, so the uncertainty
is the larger of it and one from sums over blocks of neighbouring samples (the sandwich form
with non-overlapping blocks; White 1980 and Carlstein 1986, from memory).
"""

import math
from collections.abc import Callable, ValuesView
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from forktail.core.checks import Bools, Floats, Ints, QuantityError, as_quantity
from forktail.core.path import delayed
from forktail.core.quantities import format_quantity

#: What a record becomes on its way through a circuit.
Memory = Callable[[Floats], Floats]
#: Fewest samples that a fit is asked of.
MIN_SAMPLES = 16
#: More samples than this are thinned for the steps that repeat (delay, tanh fit).
THINNED = 65536
#: Columns of the four-term fit, each scaled to length 1, may be this close to each other.
LARGEST_CONDITION = 300.0


@dataclass(frozen=True)
class Term:
    """One fitted number, its standard uncertainty (same unit; 0 where it was held)."""

    value: float
    uncertainty: float
    unit: str = ""

    def text(self, ascii_only: bool = False) -> str:
        """`1.40 mV, uncertainty 12 uV`."""
        return (
            f"{format_quantity(self.value, self.unit, ascii_only=ascii_only)}, uncertainty "
            f"{format_quantity(self.uncertainty, self.unit, 2, ascii_only)}"
        )


@dataclass(frozen=True)
class ProductFit:
    """v_out = gain v_upper v_lower + feed_upper v_upper + feed_lower v_lower + offset.

    `gain` in 1/V, both feedthroughs plain numbers, `offset` in V. `residual_rms` is what the fit
    leaves, `noise_rms` the part of it without memory from sample to sample, V. `correlation` is
    that of neighbouring residuals: above about 0.2 the fit misses something that is not noise.
    `condition` tells how near the inputs are to not being told apart (1 is best).
    """

    gain: Term
    feed_upper: Term
    feed_lower: Term
    offset: Term
    residual_rms: float
    noise_rms: float
    correlation: float
    condition: float
    samples: int

    def value(self, v_upper: Floats, v_lower: Floats) -> Floats:
        """Output of the fit, V, of the broadcast shape."""
        return (
            self.gain.value * v_upper * v_lower
            + self.feed_upper.value * v_upper
            + self.feed_lower.value * v_lower
            + self.offset.value
        )


@dataclass(frozen=True)
class Delay:
    """How much later the measured record is than the reference.

    `seconds` with its standard `uncertainty`; `samples` the same in steps; `scale` measured over
    reference after shifting (negative: inverted); `correlation` of the two, -1 to 1;
    `repeats_after` s, the shift that would fit nearly as well (NaN if none).
    """

    seconds: float
    uncertainty: float
    samples: float
    scale: float
    correlation: float
    repeats_after: float


@dataclass(frozen=True)
class Rails:
    """Whether a channel stops at a level. `low` and `high` V; `at_low` and `at_high` say which
    samples are there (bool arrays), `clipped_low` and `clipped_high` whether that is a rail;
    `share` is the fraction of all samples that are at a rail."""

    low: float
    high: float
    clipped_low: bool
    clipped_high: bool
    share: float
    at_low: Bools
    at_high: Bools


@dataclass(frozen=True)
class Solution:
    """What `least_squares` found.

    Attributes
    ----------
    x : numpy.ndarray (m,), the parameters.
    covariance : numpy.ndarray (m, m), of them, from `sigma` and the priors alone.
    residual : numpy.ndarray (n,), what is left of the values.
    chi2 : float, squares of residuals and of parameters, each over its standard deviation.
    log_evidence : float, logarithm of how likely the values are whatever the parameters, up to
        a constant that depends on the values and on `sigma` only. Parameters without a prior
        count as equally likely everywhere, so compare only fits that have the same of those.
    """

    x: Floats
    covariance: Floats
    residual: Floats
    chi2: float
    log_evidence: float


def least_squares(
    columns: ArrayLike,
    values: ArrayLike,
    sigma: ArrayLike | None = None,
    prior: ArrayLike | None = None,
    centre: ArrayLike | None = None,
) -> Solution:
    """Weighted linear least squares, each parameter with its own normal prior.

    Every fit of this package is one of these.

    Parameters
    ----------
    columns : array_like, shape (n, m)
    values : array_like, shape (n,)
    sigma : array_like, shape (n,), optional
        Standard deviation of each value, above 0; inf leaves it out. 1 without it.
    prior : array_like, shape (m,), optional
        Standard deviation of each parameter; inf where nothing is known, as without it.
    centre : array_like, shape (m,), optional
        Where the priors are centred; 0 without it.

    Returns
    -------
    Solution

    Notes
    -----
    Normal equations in columns of equal size, refined once with the residual. The evidence is
    that of the linear model with normal priors (any text on Bayesian linear regression).
    """
    columns, values = np.asarray(columns, float), np.asarray(values, float)
    n, m = columns.shape
    weight = np.ones(n) if sigma is None else 1.0 / np.asarray(sigma, float)
    prior = np.full(m, math.inf) if prior is None else np.asarray(prior, float)
    centre = np.zeros(m) if centre is None else np.asarray(centre, float)
    a, y = columns * weight[:, None], values * weight
    free = np.isinf(prior)
    size = np.sqrt(np.einsum("ij,ij->j", a, a)) if free.any() else np.ones(m)
    unit = np.where(free, 1.0 / np.where(size > 0.0, size, 1.0), prior)
    b = a * unit
    y = y - a @ centre
    normal = b.T @ b + np.diag(np.where(free, 1e-14, 1.0))
    inverse = np.linalg.inv(normal)
    held = np.where(free, 0.0, 1.0)
    x = inverse @ (b.T @ y)
    x = x + inverse @ (b.T @ (y - b @ x) - held * x)
    left = y - b @ x
    chi2 = float(left @ left + x @ (held * x))
    _, log_det = np.linalg.slogdet(normal)
    return Solution(
        centre + x * unit,
        inverse * np.outer(unit, unit),
        values - columns @ (centre + x * unit),
        chi2,
        -0.5 * (chi2 + float(log_det)),
    )


def _same_length(**arrays: ArrayLike) -> ValuesView[Floats]:
    checked = {k: np.atleast_1d(as_quantity(k, v, "V")) for k, v in arrays.items()}
    sizes = {k: v.shape for k, v in checked.items()}
    if len(set(sizes.values())) != 1 or any(len(s) != 1 for s in sizes.values()):
        listed = ", ".join(f"{k} {s}" for k, s in sizes.items())
        raise QuantityError(
            f"the records do not fit together: {listed}; give one dimension and one common length."
        )
    if next(iter(sizes.values()))[0] < MIN_SAMPLES:
        raise QuantityError(
            f"the capture has {next(iter(sizes.values()))[0]} usable samples; a fit needs at "
            f"least {MIN_SAMPLES}."
        )
    return checked.values()


def noise_of(values: ArrayLike) -> float:
    """Standard deviation of the noise that neighbouring samples do not share.

    Parameters
    ----------
    values : array_like, shape (n,)
        Best a residual; a wave itself needs some 20 samples a cycle.

    Returns
    -------
    float
        Same unit.

    Notes
    -----
    Root mean square of third differences over sqrt(20): a slow wave drops out, white noise
    does not. The median is used so that a few edges do not count.
    """
    d = np.diff(np.asarray(values, dtype=float), 3)
    if d.size == 0:
        return 0.0
    # 0.6745 turns the median of |x| into the standard deviation of a normal x
    typical = float(np.median(np.abs(d))) / 0.6745
    return min(typical, float(np.sqrt(np.mean(d * d)))) / math.sqrt(20.0)


def _correlation(residual: Floats) -> float:
    r = residual - residual.mean()
    power = float(r @ r)
    return float(r[1:] @ r[:-1]) / power if power > 0 else 0.0


def _covariance(columns: Floats, residual: Floats, inverse: NDArray[Any]) -> Floats:
    """Covariance of least-squares parameters; see the top of the module."""
    n, m = columns.shape
    white = inverse * (float(residual @ residual) / max(n - m, 1))
    blocks = min(64, n // 16)
    if blocks < 8:
        return white
    edges = np.linspace(0, n, blocks + 1).astype(int)[:-1]
    sums = np.add.reduceat(columns * residual[:, None], edges, axis=0)
    hung = inverse @ (sums.T @ sums) @ inverse * (blocks / (blocks - m))
    return np.where(np.eye(m, dtype=bool), np.maximum(white, hung), hung)


_COLUMN_FAULTS = {
    "upper": "the upper input hardly moves, so its product and its feedthrough cannot be told "
    "from the lower input and the offset; drive it with at least {0} peak to peak.",
    "lower": "the lower input hardly moves, so its product and its feedthrough cannot be told "
    "from the upper input and the offset; drive it with at least {0} peak to peak.",
    "both": "the two inputs are not independent (they move together), so the product and the "
    "feedthroughs cannot be told apart; drive the inputs with different frequencies.",
    "short": "the inputs do not tell the product from the feedthroughs (too short a capture, or "
    "one input made from the other); capture at least one whole cycle of the slower "
    "input, and drive with different frequencies.",
}


def only_noise(wave: Floats) -> bool:
    """Whether a record that moves holds no wave: neither slow nor gathered in few lines."""
    if float(wave.std()) >= 3.0 * noise_of(wave) or abs(_correlation(wave)) >= 0.5:
        return False
    power = np.sort(np.abs(np.fft.rfft(wave - wave.mean())) ** 2)
    # of white noise the strongest eighth of the lines holds (1 + ln 8)/8 = 38 % of the power
    return float(power[-(len(power) // 8) :].sum()) < 0.5 * float(power.sum())


def _check_excitation(v_upper: Floats, v_lower: Floats, condition: float) -> None:
    for name, wave in (("upper", v_upper), ("lower", v_lower)):
        if float(wave.max() - wave.min()) == 0.0 or only_noise(wave):
            need = format_quantity(max(10 * noise_of(wave), 1e-3), "V")
            raise QuantityError(_COLUMN_FAULTS[name].format(need))
    if condition > LARGEST_CONDITION:
        for name, wave in (("upper", v_upper), ("lower", v_lower)):
            if float(wave.std()) < 0.02 * abs(float(wave.mean())):
                need = format_quantity(0.2 * abs(float(wave.mean())), "V")
                raise QuantityError(_COLUMN_FAULTS[name].format(need))
        u, v = v_upper - v_upper.mean(), v_lower - v_lower.mean()
        alike = abs(float(u @ v)) / math.sqrt(float(u @ u) * float(v @ v))
        raise QuantityError(_COLUMN_FAULTS["both" if alike > 0.98 else "short"])


def _remember(memory: Memory | None, *records: Floats) -> tuple[Floats, ...]:
    """Records after the memory of the circuit, if it has any."""
    return records if memory is None else tuple(memory(r) for r in records)


def fit_product(
    v_upper: ArrayLike,
    v_lower: ArrayLike,
    v_out: ArrayLike,
    memory: Memory | None = None,
    use: Bools | None = None,
) -> ProductFit:
    """Least-squares fit of v_out = k v_upper v_lower + a v_upper + b v_lower + c.

    Parameters
    ----------
    v_upper, v_lower, v_out : array_like, shape (n,)
        V.
    memory : callable, optional
        What a record on equal steps becomes on its way through the circuit, such as behind a
        load pole: takes and gives (n,), NaN where it has not settled; it must leave a constant
        as it is. The fit is then that of memory(k v_upper v_lower + ...).
    use : array of bool, shape (n,), optional
        Samples that count.

    Returns
    -------
    ProductFit

    Raises
    ------
    QuantityError
        For records of different length, too few samples, or inputs that do not tell the four
        terms apart (with what to change).

    Notes
    -----
    First terms of the series of tanh(v_upper/2VT) tanh(v_lower/2VT) with offsets; NIST DLMF
    4.33 for the series. Uncertainty: see the top of the module.
    """
    v_upper, v_lower, v_out = _same_length(v_upper=v_upper, v_lower=v_lower, v_out=v_out)
    columns = np.column_stack(
        [*_remember(memory, v_upper * v_lower, v_upper, v_lower), np.ones(len(v_out))]
    )
    if use is not None or memory is not None:
        rows = np.isfinite(columns).all(axis=1)
        if use is not None:
            rows &= use
        v_upper, v_lower, v_out = _same_length(
            v_upper=v_upper[rows], v_lower=v_lower[rows], v_out=v_out[rows]
        )
        columns = columns[rows]
    size = np.sqrt(np.mean(columns**2, axis=0))
    for k, name in ((1, "upper"), (2, "lower")):
        if size[k] == 0.0:
            raise QuantityError(_COLUMN_FAULTS[name].format(format_quantity(1e-3, "V")))
    columns = columns / np.where(size > 0, size, 1.0)
    singular = np.linalg.svd(columns.T @ columns, compute_uv=False)
    condition = math.sqrt(float(singular[0] / max(singular[-1], 1e-300)))
    _check_excitation(v_upper, v_lower, condition)
    found = least_squares(columns, v_out)
    residual = found.residual
    spread = np.sqrt(np.diag(_covariance(columns, residual, found.covariance)))
    gain, feed_upper, feed_lower, offset = (
        Term(float(f / s), float(u / s), unit)
        for f, s, u, unit in zip(found.x, size, spread, ("1/V", "", "", "V"))
    )
    return ProductFit(
        gain,
        feed_upper,
        feed_lower,
        offset,
        residual_rms=float(np.sqrt(np.mean(residual**2))),
        noise_rms=noise_of(residual),
        correlation=_correlation(residual),
        condition=condition,
        samples=len(v_out),
    )


def find_delay(
    reference: ArrayLike, measured: ArrayLike, sample_interval: float, largest: float | None = None
) -> Delay:
    """Delay of `measured` behind `reference` by cross-correlation, refined between samples.

    Parameters
    ----------
    reference, measured : array_like, shape (n,)
        Same unit, equal steps.
    sample_interval : float
        s.
    largest : float, optional
        Largest delay either way, s; a quarter of the record without it.

    Returns
    -------
    Delay
        Of several shifts that fit nearly as well (a repeating wave) the smallest is taken.

    Raises
    ------
    QuantityError
        For records of different length, too few samples, or a record that does not move.

    Notes
    -----
    Cross-correlation through the discrete Fourier transform, then Gauss-Newton on shift, scale
    and offset.
    """
    dt = float(as_quantity("sample_interval", sample_interval, "s", low=0.0, low_open=True))
    r, m = _same_length(reference=reference, measured=measured)
    if len(r) > 2 * THINNED:
        middle = (len(r) - 2 * THINNED) // 2
        r, m = r[middle : middle + 2 * THINNED], m[middle : middle + 2 * THINNED]
    r, m = r - r.mean(), m - m.mean()
    power = math.sqrt(float(r @ r) * float(m @ m))
    if power == 0.0:
        raise QuantityError(
            "one of the two records does not move, so it cannot be aligned; give a wave in both."
        )
    n = len(r)
    limit = n // 4 if largest is None else min(int(largest / dt) + 1, n // 2)
    size = 1 << (2 * n - 1).bit_length()
    cross = np.fft.irfft(np.fft.rfft(m, size) * np.conj(np.fft.rfft(r, size)), size)
    lags = np.arange(-limit, limit + 1)
    rho = cross[lags] / power * (n / (n - np.abs(lags)))
    lag, again = _choose_lag(r, m, rho, lags)
    shift, scale, uncertainty, correlation, _ = _refine(r, m, lag, float(rho[int(lag) + limit]))
    return Delay(shift * dt, uncertainty * dt, shift, scale, correlation, again * dt)


def _choose_lag(r: Floats, m: Floats, rho: Floats, lags: Ints) -> tuple[float, float]:
    """Best of the peaks, and how far off the next as good one is (NaN if there is none)."""
    size = np.abs(rho)
    inner = np.nonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]))[0] + 1
    inner = np.append(inner, int(np.argmax(size)))
    near = np.unique(inner[size[inner] >= 0.95 * size.max()])
    near = near[np.argsort(np.abs(lags[near]), kind="stable")][:8]
    # some of the samples decide which peak; all of them then say where it is
    stride = -(-len(r) // 8192)
    tried = []
    for k in near:
        *_, left = _refine(r, m, float(lags[k]), float(rho[k]), stride, rounds=4)
        # upside down is believed only if it needs a much smaller shift, or fits better
        tried.append(
            (left, abs(int(lags[k])) * (3 if rho[k] < 0 else 1), float(lags[k]), float(rho[k]))
        )
    least = min(t[0] for t in tried)
    alike = [t for t in tried if t[0] <= 1.2 * least + 1e-9 * float(m @ m) / len(m)]
    if not alike:
        return float(lags[int(np.argmax(size))]), float("nan")
    best = min(alike, key=lambda t: t[1])
    others = [abs(t[2] - best[2]) for t in alike if t is not best and (t[3] > 0) == (best[3] > 0)]
    return best[2], min(others, default=float("nan"))


def _refine(
    r: Floats, m: Floats, shift: float, scale: float, stride: int = 1, rounds: int = 12
) -> tuple[float, float, float, float, float]:
    """Gauss-Newton on scale, offset and shift: (shift, scale, uncertainty, correlation, left)."""
    start = shift
    for _ in range(rounds):
        moved = delayed(r, shift)
        use = np.isfinite(moved)
        use[1:-1] &= use[:-2] & use[2:]
        use[[0, -1]] = False
        if stride > 1:
            use &= np.arange(len(use)) % stride == 0
        if use.sum() < MIN_SAMPLES:
            return start, scale, float("nan"), float("nan"), math.inf
        slope = np.gradient(moved)[use]
        columns = np.column_stack([moved[use], np.ones(use.sum()), -slope])
        found = least_squares(columns, m[use]).x
        scale = float(found[0])
        if scale == 0.0:
            break
        step = float(np.clip(found[2] / scale, -0.5, 0.5))
        shift += step
        if abs(shift - start) > 3.0:
            shift = start
            break
        if abs(step) < 1e-9:
            break
    residual = m[use] - columns @ found
    size = np.sqrt(np.mean(columns**2, axis=0))
    scaled = columns / np.where(size > 0, size, 1.0)
    covariance = _covariance(scaled, residual, np.linalg.pinv(scaled.T @ scaled))
    uncertainty = (
        float(np.sqrt(covariance[2, 2]) / size[2] / abs(scale))
        if size[2] and scale
        else float("nan")
    )
    a, b = moved[use] - moved[use].mean(), m[use] - m[use].mean()
    top = math.sqrt(float(a @ a) * float(b @ b))
    left = float(residual @ residual) / len(residual)
    return shift, scale, uncertainty, float(a @ b) / top if top else 0.0, left


def step_of(values: ArrayLike) -> float:
    """Step between the levels of a coarsely recorded channel, or 0 where none shows.

    Parameters
    ----------
    values : array_like, shape (n,)

    Returns
    -------
    float
        Same unit; 0 for more than a level for every four samples, or levels not evenly spaced.
    """
    values = np.asarray(values, dtype=float)
    levels = np.unique(values[:THINNED])
    if len(levels) < 3 or 4 * len(levels) > min(len(values), THINNED):
        return 0.0
    apart = np.diff(levels)
    step = float(apart.min())
    return step if float(np.median(apart)) <= 1.01 * step else 0.0


def find_rails(values: ArrayLike) -> Rails:
    """Say whether a channel was cut off at its lowest or highest level.

    Parameters
    ----------
    values : array_like, shape (n,)
        V.

    Returns
    -------
    Rails

    Notes
    -----
    A rail holds many samples at exactly one level, in runs, with hardly any just short of it;
    the top of a wave thins out, and its noise spreads it. A wave that is at one of its two
    levels nearly all the time is a square wave, not a cut one. Common practice, no source.
    """
    values = np.asarray(values, dtype=float)
    low, high = float(values.min()), float(values.max())
    span = high - low
    if span == 0.0:
        none = np.zeros(len(values), dtype=bool)
        return Rails(low, high, False, False, 0.0, none, none)
    at_low, at_high = values <= low + 1e-9 * span, values >= high - 1e-9 * span
    codes = np.unique(values[:THINNED])
    step = min(float(np.median(np.diff(codes))), 0.01 * span) if len(codes) > 1 else span
    clipped = []
    for at, edge, sign in ((at_low, low, 1.0), (at_high, high, -1.0)):
        count = int(at.sum())
        # three in a row: two alike may straddle the top of a wave sampled in step with it
        runs = int((at[2:] & at[1:-1] & at[:-2]).sum())
        # samples of the next three steps inwards, a step: what a rounded top would pile up
        depth = sign * (values - edge)
        beside = int(((depth > 1e-9 * span) & (depth <= 3.5 * max(step, 2e-3 * span))).sum()) / 3.0
        clipped.append(
            count >= max(6, 0.003 * len(values))
            and runs >= count / 4
            and count > (2.5 if runs >= count / 2 else 6.0) * beside
        )
    share = float((at_low & clipped[0] | at_high & clipped[1]).mean())
    if share > 0.85:
        clipped, share = [False, False], 0.0
    return Rails(
        low, high, clipped[0], clipped[1], share, at_low & clipped[0], at_high & clipped[1]
    )
