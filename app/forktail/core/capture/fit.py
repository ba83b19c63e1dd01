"""Delay between two records, the four-term and the tanh-limited fit, rails of a channel.

Everything takes plain arrays on one time axis, SI units. Least squares and its uncertainties:
JCGM 100:2008 (GUM) for what a standard uncertainty is; linear least squares as in any text.
Where samples of the residual hang together the usual formula is too small, so the uncertainty
is the larger of it and one from sums over blocks of neighbouring samples (the sandwich form
with non-overlapping blocks; White 1980 and Carlstein 1986, from memory).
"""

import math
from dataclasses import dataclass

import numpy as np

from forktail.core.checks import QuantityError, as_quantity
from forktail.core.path import delayed
from forktail.core.quantities import format_quantity
from forktail.core.thermal import T_NOMINAL, thermal_voltage

#: Fewest samples that a fit is asked of.
MIN_SAMPLES = 16
#: More samples than this are thinned for the steps that repeat (delay, tanh fit).
THINNED = 65536
#: Columns of the four-term fit, each scaled to length 1, may be this close to each other.
LARGEST_CONDITION = 300.0
#: A thermal voltage known worse than this is not told from the scale, and is held.
HOLD_ABOVE = 0.2


@dataclass(frozen=True)
class Term:
    """One fitted number, its standard uncertainty (same unit; 0 where it was held)."""

    value: float
    uncertainty: float
    unit: str = ""

    def text(self, ascii_only=False):
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

    def value(self, v_upper, v_lower):
        """Output of the fit, V, of the broadcast shape."""
        return (
            self.gain.value * v_upper * v_lower
            + self.feed_upper.value * v_upper
            + self.feed_lower.value * v_lower
            + self.offset.value
        )


@dataclass(frozen=True)
class TanhFit:
    """v_out = full_scale tanh((v_upper+offset_upper)/2v_t) tanh((v_lower+offset_lower)/2v_t)
    + offset.

    All terms in V. `held` names those that the capture cannot tell (drive too small or too
    large) and that were kept at the given value. `converged` False is no answer.
    """

    full_scale: Term
    offset_upper: Term
    offset_lower: Term
    v_t: Term
    offset: Term
    residual_rms: float
    noise_rms: float
    held: tuple
    iterations: int
    converged: bool
    samples: int

    def value(self, v_upper, v_lower):
        """Output of the fit, V, of the broadcast shape."""
        w = 0.5 / self.v_t.value
        return self.offset.value + self.full_scale.value * (
            np.tanh(w * (v_upper + self.offset_upper.value))
            * np.tanh(w * (v_lower + self.offset_lower.value))
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
    samples stand there (bool arrays), `clipped_low` and `clipped_high` whether that is a rail;
    `share` is the fraction of all samples that stand at a rail."""

    low: float
    high: float
    clipped_low: bool
    clipped_high: bool
    share: float
    at_low: np.ndarray
    at_high: np.ndarray


def _same_length(**arrays):
    checked = {k: np.atleast_1d(as_quantity(k, v, "V")) for k, v in arrays.items()}
    sizes = {k: v.shape for k, v in checked.items()}
    if len(set(sizes.values())) != 1 or any(len(s) != 1 for s in sizes.values()):
        listed = ", ".join(f"{k} {s}" for k, s in sizes.items())
        raise QuantityError(
            f"the records do not fit together: {listed}; allowed is one "
            "dimension and one common length."
        )
    if next(iter(sizes.values()))[0] < MIN_SAMPLES:
        raise QuantityError(
            f"the capture has {next(iter(sizes.values()))[0]} usable samples; wanted is at "
            f"least {MIN_SAMPLES} for a fit."
        )
    return checked.values()


def noise_of(values):
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


def correlation(residual):
    """Correlation of each sample of a residual with the next; 0 for noise without memory."""
    r = residual - residual.mean()
    power = float(r @ r)
    return float(r[1:] @ r[:-1]) / power if power > 0 else 0.0


def covariance(columns, residual, inverse):
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


def _only_noise(wave):
    """Whether a record that moves holds no wave: neither slow nor gathered in few lines."""
    if float(wave.std()) >= 3.0 * noise_of(wave) or abs(correlation(wave)) >= 0.5:
        return False
    power = np.sort(np.abs(np.fft.rfft(wave - wave.mean())) ** 2)
    # of white noise the strongest eighth of the lines holds (1 + ln 8)/8 = 38 % of the power
    return float(power[-(len(power) // 8) :].sum()) < 0.5 * float(power.sum())


def _check_excitation(v_upper, v_lower, condition):
    for name, wave in (("upper", v_upper), ("lower", v_lower)):
        if float(wave.max() - wave.min()) == 0.0 or _only_noise(wave):
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


def _remember(memory, *records):
    """Records after the memory of the circuit, if it has any."""
    return records if memory is None else tuple(memory(r) for r in records)


def fit_product(v_upper, v_lower, v_out, memory=None, use=None):
    """Least-squares fit of v_out = k v_upper v_lower + a v_upper + b v_lower + c.

    Parameters
    ----------
    v_upper, v_lower, v_out : array_like, shape (n,)
        V.
    memory : callable, optional
        What a record on equal steps becomes on its way through the circuit, such as behind a
        load pole: takes and gives (n,), NaN where it has not settled; it must leave a constant
        as it is. The fit is then that of memory(k v_upper v_lower + ...).
    use : array_like of bool, shape (n,), optional
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
    q, r = np.linalg.qr(columns)
    singular = np.linalg.svd(r, compute_uv=False)
    condition = float(singular[0] / max(singular[-1], 1e-300))
    _check_excitation(v_upper, v_lower, condition)
    found = np.linalg.solve(r, q.T @ v_out)
    residual = v_out - columns @ found
    r_inverse = np.linalg.inv(r)
    spread = np.sqrt(np.diag(covariance(columns, residual, r_inverse @ r_inverse.T)))
    terms = [
        Term(float(f / s), float(u / s), unit)
        for f, s, u, unit in zip(found, size, spread, ("1/V", "", "", "V"))
    ]
    return ProductFit(
        *terms,
        residual_rms=float(np.sqrt(np.mean(residual**2))),
        noise_rms=noise_of(residual),
        correlation=correlation(residual),
        condition=condition,
        samples=len(v_out),
    )


def _tanh_model(p, v_upper, v_lower, memory=None, rows=None):
    """Value and Jacobian over (full_scale, offset_upper, offset_lower, w, offset), w = 1/2VT.

    With a memory both are those behind it, at `rows` (a slice or positions) only.
    """
    scale, o_u, o_l, w, offset = p
    t_u, t_l = np.tanh(w * (v_upper + o_u)), np.tanh(w * (v_lower + o_l))
    s_u, s_l = 1.0 - t_u * t_u, 1.0 - t_l * t_l
    jacobian = np.empty((len(v_upper), 5))
    jacobian[:, 0] = t_u * t_l
    jacobian[:, 1] = scale * w * s_u * t_l
    jacobian[:, 2] = scale * w * t_u * s_l
    jacobian[:, 3] = scale * (s_u * (v_upper + o_u) * t_l + t_u * s_l * (v_lower + o_l))
    jacobian[:, 4] = 1.0
    if memory is not None:
        for k in range(4):
            jacobian[:, k] = memory(jacobian[:, k])
    if rows is not None:
        jacobian = jacobian[rows]
    return offset + scale * jacobian[:, 0], jacobian


def _gauss_newton(p, free, v_upper, v_lower, v_out, memory=None, rows=None):
    """Damped Gauss-Newton over the parameters in `free`; returns (p, iterations, converged)."""
    value, jacobian = _tanh_model(p, v_upper, v_lower, memory, rows)
    residual = v_out - value
    cost, damping = float(residual @ residual), 1e-6
    # a step that leaves these bounds has lost its way: offsets beyond the drive, VT under 1 mV
    far = 1.0 + 10.0 * max(float(np.max(np.abs(v_upper))), float(np.max(np.abs(v_lower))))
    exact = 1e-22 * float(v_out @ v_out)
    for iteration in range(1, 61):
        if cost <= exact:
            return p, iteration, True
        j = jacobian[:, free]
        normal, slope = j.T @ j, j.T @ residual
        size = np.sqrt(np.diag(normal))
        size[size < 1e-100] = 1.0
        scaled = normal / np.outer(size, size)
        while True:
            # with its diagonal at 1 + damping and a share more, this is never singular
            step = (
                np.linalg.solve(scaled + (damping + 1e-13) * np.eye(len(free)), slope / size) / size
            )
            trial = p.copy()
            trial[free] += step
            if 0 < trial[3] < 500.0 and np.max(np.abs(trial[1:3])) < far:
                value, trial_jacobian = _tanh_model(trial, v_upper, v_lower, memory, rows)
                trial_residual = v_out - value
                trial_cost = float(trial_residual @ trial_residual)
                if trial_cost <= cost:
                    break
            damping *= 10.0
            if damping > 1e10:
                # no step lowers the cost: at the bottom, as far as rounding lets us see
                return (
                    p,
                    iteration,
                    float(np.max(np.abs(slope) / size)) <= (1e-6 * math.sqrt(cost) + 1e-300),
                )
        gain = cost - trial_cost
        p, jacobian, residual, cost = trial, trial_jacobian, trial_residual, trial_cost
        damping = max(damping * 0.1, 1e-12)
        small = size * np.abs(step)
        if gain <= 1e-14 * cost or np.max(small) <= 1e-10 * math.sqrt(cost) + 1e-300:
            return p, iteration, True
    return p, 60, False


def fit_tanh(v_upper, v_lower, v_out, full_scale, v_t=None, memory=None, use=None):
    """Fit the tanh-limited form, starting from the four-term fit.

    Parameters
    ----------
    v_upper, v_lower, v_out : array_like, shape (n,)
        V.
    full_scale : float
        Expected i_tail r_load, V, above zero: where to start.
    v_t : float, optional
        Expected thermal voltage, V; that of 25 degC without it. Kept if the drive is too small
        to tell it from the scale.
    memory, use : optional
        As `fit_product`.

    Returns
    -------
    TanhFit

    Raises
    ------
    QuantityError
        As `fit_product`.

    Notes
    -----
    Law: Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated Circuits, ch. 10.
    """
    full_scale = float(as_quantity("full_scale", full_scale, "V", low=0.0, low_open=True))
    v_t = (
        float(thermal_voltage(T_NOMINAL))
        if v_t is None
        else float(as_quantity("v_t", v_t, "V", low=0.0, low_open=True))
    )
    v_upper, v_lower, v_out = _same_length(v_upper=v_upper, v_lower=v_lower, v_out=v_out)
    start = fit_product(v_upper, v_lower, v_out, memory, use)
    rows = None
    if use is None and memory is None:
        stride = -(-len(v_out) // (2 * THINNED))
        up, low, y = v_upper[::stride], v_lower[::stride], v_out[::stride]
    else:  # a memory needs every sample, so only its answer is thinned
        good = np.isfinite(_remember(memory, v_upper * v_lower)[0])
        rows = np.flatnonzero(good if use is None else good & use)
        rows = rows[:: -(-len(rows) // (2 * THINNED))]
        up, low, y = v_upper, v_lower, v_out[rows]
    k = start.gain.value
    sign = -1.0 if k < 0 else 1.0
    o_u = np.clip(start.feed_lower.value / k, -2 * v_t, 2 * v_t) if k else 0.0
    o_l = np.clip(start.feed_upper.value / k, -2 * v_t, 2 * v_t) if k else 0.0
    given = np.array([sign * full_scale, o_u, o_l, 0.5 / v_t, 0.0])
    names = ("full_scale", "offset_upper", "offset_lower", "v_t", "offset")
    held_sets = ((), ("v_t",), ("v_t", "offset_upper", "offset_lower"))
    for held in held_sets:
        free = np.array([i for i, n in enumerate(names) if n not in held])
        p, iterations, converged = _gauss_newton(given.copy(), free, up, low, y, memory, rows)
        value, jacobian = _tanh_model(p, up, low, memory, rows)
        residual = y - value
        j = jacobian[:, free]
        size = np.sqrt(np.mean(j**2, axis=0))
        if np.any(size == 0):
            continue
        j = j / size
        normal = j.T @ j
        if np.linalg.cond(normal) > 1e12:
            continue
        variance = np.diag(covariance(j, residual, np.linalg.inv(normal)))
        spread = np.zeros(5)
        spread[free] = np.sqrt(variance) / size
        if converged and (3 not in free or spread[3] < HOLD_ABOVE * p[3]):
            break
    thermal = 0.5 / p[3]
    return TanhFit(
        Term(float(p[0]), float(spread[0]), "V"),
        Term(float(p[1]), float(spread[1]), "V"),
        Term(float(p[2]), float(spread[2]), "V"),
        Term(float(thermal), float(thermal * spread[3] / p[3]), "V"),
        Term(float(p[4]), float(spread[4]), "V"),
        residual_rms=float(np.sqrt(np.mean(residual**2))),
        noise_rms=noise_of(residual),
        held=held,
        iterations=iterations,
        converged=bool(converged),
        samples=len(y),
    )


def find_delay(reference, measured, sample_interval, largest=None):
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
            "one of the two records does not move, so it cannot be aligned; "
            "wanted is a wave in both."
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


def _choose_lag(r, m, rho, lags):
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


def _refine(r, m, shift, scale, stride=1, rounds=12):
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
        found, *_ = np.linalg.lstsq(columns, m[use], rcond=None)
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
    spread = covariance(scaled, residual, np.linalg.pinv(scaled.T @ scaled))
    uncertainty = (
        float(np.sqrt(spread[2, 2]) / size[2] / abs(scale)) if size[2] and scale else float("nan")
    )
    a, b = moved[use] - moved[use].mean(), m[use] - m[use].mean()
    top = math.sqrt(float(a @ a) * float(b @ b))
    left = float(residual @ residual) / len(residual)
    return shift, scale, uncertainty, float(a @ b) / top if top else 0.0, left


def step_of(values):
    """Step between the levels of a coarsely recorded channel, or 0 where none shows.

    Parameters
    ----------
    values : array_like, shape (n,)

    Returns
    -------
    float
        Same unit; 0 for more than a level for every four samples, or levels not evenly spaced.
    """
    levels = np.unique(np.asarray(values, dtype=float)[:THINNED])
    if len(levels) < 3 or 4 * len(levels) > min(len(values), THINNED):
        return 0.0
    apart = np.diff(levels)
    step = float(apart.min())
    return step if float(np.median(apart)) <= 1.01 * step else 0.0


def find_rails(values):
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
            count >= max(6, 0.003 * len(values)) and runs >= count / 4 and count > 6.0 * beside
        )
    share = float((at_low & clipped[0] | at_high & clipped[1]).mean())
    if share > 0.85:
        clipped, share = [False, False], 0.0
    return Rails(
        low, high, clipped[0], clipped[1], share, at_low & clipped[0], at_high & clipped[1]
    )
