"""One differential pair: how it splits its tail current, its transconductance, its range."""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.checks import Floats, QuantityError, as_quantity, broadcast_shape
from forktail.core.thermal import thermal_voltage

#: Beyond this many thermal voltages the losing side is below 1e-300 of the tail, so the
#: exponent is held there: the numbers stay finite and no overflow is raised.
EXPONENT_LIMIT = 690.0


def _emitter_drop_ratio(i_tail: Floats, r_emitter: Floats | float, v_t: Floats) -> Floats:
    return i_tail * r_emitter / v_t


def _solve_half_angle(u: Floats, k: Floats, iterations: int = 60) -> Floats:
    """Solve 2 x + k tanh(x) = u for x, element by element.

    For u > 0 the left side is increasing and concave, and both starting values below lie
    left of the root, so Newton steps climb to it without overshoot.
    """
    size = np.abs(u)
    x = np.maximum(size / (2.0 + k), 0.5 * (size - k))
    for _ in range(iterations):
        t = np.tanh(x)
        step = (size - 2.0 * x - k * t) / (2.0 + k * (1.0 - t * t))
        x = x + step
        if np.all(step <= 4e-16 * (1.0 + x)):  # below 0 by rounding alone
            break
    return np.copysign(x, u)


def split_fractions(
    v_diff: ArrayLike,
    temperature: ArrayLike = 298.15,
    i_tail: ArrayLike = 0.0,
    r_emitter: ArrayLike = 0.0,
    offset: ArrayLike = 0.0,
) -> tuple[Floats, Floats]:
    """Fractions of the tail current that the two sides of a pair carry.

    Without emitter resistors this is closed form; with them the implicit law
    v_diff + offset = VT ln(I1/I2) + r_emitter (I1 - I2) is solved to rounding.

    Parameters
    ----------
    v_diff : array_like
        Differential input, V: base of the first side minus base of the second.
    temperature : array_like
        K.
    i_tail : array_like
        A, at least 0; used only with `r_emitter`.
    r_emitter : array_like
        Resistor in each emitter, ohm, at least 0.
    offset : array_like
        Offset voltage added to `v_diff`, V.

    Returns
    -------
    first, second : numpy.ndarray
        Dimensionless, broadcast shape; they sum to 1.

    Raises
    ------
    QuantityError
        For values out of range or shapes that do not broadcast.

    Notes
    -----
    Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated Circuits, chapter 3.
    """
    v_diff = as_quantity("v_diff", v_diff, "V")
    offset = as_quantity("offset", offset, "V")
    i_tail = as_quantity("i_tail", i_tail, "A", low=0.0)
    r_emitter = as_quantity("r_emitter", r_emitter, "ohm", low=0.0)
    v_t = thermal_voltage(temperature)
    broadcast_shape(
        v_diff=v_diff, temperature=v_t, i_tail=i_tail, r_emitter=r_emitter, offset=offset
    )
    return fractions_at((v_diff + offset) / v_t, i_tail, r_emitter, v_t)


def fractions_at(
    u: Floats, i_tail: Floats, r_emitter: Floats | float, v_t: Floats
) -> tuple[Floats, Floats]:
    """Both fractions for an input of `u` thermal voltages; arguments already checked."""
    if np.any(r_emitter):
        u, k = np.broadcast_arrays(u, _emitter_drop_ratio(i_tail, r_emitter, v_t))
        u = 2.0 * _solve_half_angle(u, k)
    e = np.exp(-np.clip(u, -EXPONENT_LIMIT, EXPONENT_LIMIT))
    first = 1.0 / (1.0 + e)
    return first, e * first


def split(
    v_diff: ArrayLike,
    i_tail: ArrayLike,
    temperature: ArrayLike = 298.15,
    r_emitter: ArrayLike = 0.0,
    offset: ArrayLike = 0.0,
) -> Floats:
    """Currents of the two sides of a pair.

    Parameters and errors as `split_fractions`; `i_tail` in A.

    Returns
    -------
    numpy.ndarray
        A, shape (..., 2): first side, second side.

    Notes
    -----
    I1/I2 = exp(v_diff/VT), I1 - I2 = I tanh(v_diff/2VT): Gray, Hurst, Lewis, Meyer, ch. 3.
    """
    first, second = split_fractions(v_diff, temperature, i_tail, r_emitter, offset)
    i_tail = np.asarray(i_tail, dtype=float)
    return np.stack(np.broadcast_arrays(i_tail * first, i_tail * second), axis=-1)


def transconductance(
    i_tail: ArrayLike,
    temperature: ArrayLike = 298.15,
    v_diff: ArrayLike = 0.0,
    r_emitter: ArrayLike = 0.0,
    offset: ArrayLike = 0.0,
) -> Floats:
    """Slope of the difference of the two currents over the differential input.

    At balance this is gm/(1 + gm r_emitter) with gm = IC/VT, IC = i_tail/2.

    Parameters and errors as `split`.

    Returns
    -------
    numpy.ndarray
        S (A/V), broadcast shape.

    Notes
    -----
    Gray, Hurst, Lewis, Meyer, ch. 3; also common practice.
    """
    first, second = split_fractions(v_diff, temperature, i_tail, r_emitter, offset)
    tail, resistor = np.asarray(i_tail, dtype=float), np.asarray(r_emitter, dtype=float)
    return slope(first, second, tail, resistor, thermal_voltage(temperature))


def slope(
    first: Floats, second: Floats, i_tail: Floats, r_emitter: Floats | float, v_t: Floats
) -> Floats:
    """d(I1 - I2)/d(v_diff), S, for given fractions; arguments already checked."""
    sech2 = 4.0 * first * second
    return i_tail * sech2 / (2.0 * v_t + i_tail * r_emitter * sech2)


def slope_over_tail(
    first: Floats, second: Floats, i_tail: Floats, r_emitter: Floats | float, v_t: Floats
) -> Floats:
    """d(I1 - I2)/d(i_tail) at a fixed input: the law by which gain follows tail current."""
    y = first - second
    if not np.any(r_emitter):
        return y
    sech2 = 4.0 * first * second
    k = _emitter_drop_ratio(i_tail, r_emitter, v_t)
    return y * (1.0 - k * sech2 / (2.0 + k * sech2))


def linear_range(
    error: float,
    i_tail: ArrayLike = 0.0,
    temperature: ArrayLike = 298.15,
    r_emitter: ArrayLike = 0.0,
) -> Floats:
    """Input at which the output of a pair falls short of its tangent by `error`.

    Parameters
    ----------
    error : float
        Fraction, above 0 and below 1: 0.01 for one per cent.
    i_tail, temperature, r_emitter : array_like
        A, K, ohm.

    Returns
    -------
    numpy.ndarray
        V (one-sided), broadcast shape.

    Raises
    ------
    QuantityError
        For values out of range.

    Notes
    -----
    Solves tanh(x)(2 + k) = (1 - error)(2 x + k tanh(x)), k = i_tail r_emitter/VT, by
    bisection; tanh as in NIST DLMF 4.28.
    """
    try:  # views ask for the same few on every event
        return _linear_range_once(error, i_tail, temperature, r_emitter)
    except TypeError:  # arrays have no hash
        return _linear_range(error, i_tail, temperature, r_emitter)


def _linear_range(
    error: float, i_tail: ArrayLike, temperature: ArrayLike, r_emitter: ArrayLike
) -> Floats:
    error = float(as_quantity("error", error))
    if not 0.0 < error < 1.0:
        raise QuantityError(f"error is {error:g}; it must be above 0 and below 1.")
    i_tail = as_quantity("i_tail", i_tail, "A", low=0.0)
    r_emitter = as_quantity("r_emitter", r_emitter, "ohm", low=0.0)
    v_t = thermal_voltage(temperature)
    k = _emitter_drop_ratio(i_tail, r_emitter, v_t)
    low = np.zeros(np.shape(k))
    high = np.full(np.shape(k), 1.0)

    def excess(x: Floats) -> Floats:
        return np.tanh(x) * (2.0 + k) - (1.0 - error) * (2.0 * x + k * np.tanh(x))

    while np.any(excess(high) > 0):
        high = np.where(excess(high) > 0, 2.0 * high, high)
    for _ in range(80):
        mid = 0.5 * (low + high)
        good = excess(mid) > 0
        low, high = np.where(good, mid, low), np.where(good, high, mid)
    return v_t * (2.0 * high + k * np.tanh(high))


_linear_range_once: Callable[..., Floats] = lru_cache(maxsize=512)(_linear_range)
