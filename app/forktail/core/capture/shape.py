"""Fit of the predicted shape itself: scale, both input offsets and output offset.

The four-term and the tanh-limited form know no emitter resistors and no load pole. Here the
prediction is solved again with offset inputs, so that what remains is noise wherever the circuit
is what the prediction takes it for.
"""

from dataclasses import dataclass

import numpy as np

from forktail.core.capture.fit import Term, correlation, covariance, noise_of
from forktail.core.checks import QuantityError

#: Most samples, from the middle, that the prediction is solved for again in each step.
SHAPED = 2048
_ROUNDS = 8


@dataclass(frozen=True)
class ShapeFit:
    """v_out = scale P(v_upper + offset_upper, v_lower + offset_lower) + offset, P as predicted.

    `scale` a plain number, offsets in V. The other fields as in `fit.ProductFit`.
    `fitted` is the whole fit, V, of the shape of the inputs.
    """

    scale: Term
    offset_upper: Term
    offset_lower: Term
    offset: Term
    residual_rms: float
    noise_rms: float
    correlation: float
    converged: bool
    samples: int
    fitted: np.ndarray


def fit_shape(predict, v_upper, v_lower, v_out, used, v_t, offset_known=True):
    """Gauss-Newton fit with slopes from differences of predictions.

    Parameters
    ----------
    predict : callable
        `predict(v_upper, v_lower)` -> output in V, NaN where there is none, for records on equal
        steps.
    v_upper, v_lower, v_out : array_like, shape (n,)
        V.
    used : array_like of bool, shape (n,)
        Samples that count.
    v_t : float
        Thermal voltage, V: the size of a step for the slopes is a fraction of it.
    offset_known : bool
        Whether the output offset means anything (False for one collector alone); it is fitted
        all the same.

    Returns
    -------
    ShapeFit

    Raises
    ------
    QuantityError
        If the records do not tell the four numbers apart.
    """
    n = len(v_out)
    start = max((n - SHAPED) // 2, 0)
    cut = slice(start, start + min(n, SHAPED))
    u, low, y, good = (np.asarray(a)[cut] for a in (v_upper, v_lower, v_out, used))
    h = 0.02 * v_t
    p, converged = np.array([1.0, 0.0, 0.0, 0.0]), False
    for _ in range(_ROUNDS):
        base = predict(u + p[1], low + p[2])
        slopes = [
            p[0] * (predict(u + p[1] + h * a, low + p[2] + h * b) - base) / h
            for a, b in ((1, 0), (0, 1))
        ]
        use = good & np.isfinite(base) & np.isfinite(slopes[0]) & np.isfinite(slopes[1])
        columns = np.column_stack([base, *slopes, np.ones(len(y))])[use]
        if len(columns) < 64:
            raise QuantityError("too few samples are left for a fit of the predicted shape.")
        size = np.sqrt(np.mean(columns**2, axis=0))
        if not size.min() > 0.0:
            raise QuantityError("the prediction does not move with both inputs.")
        columns = columns / size
        normal = columns.T @ columns
        if np.linalg.cond(normal) > 1e10:
            raise QuantityError("scale and offsets cannot be told apart in this capture.")
        residual = y[use] - p[0] * base[use] - p[3]
        step = np.linalg.solve(normal, columns.T @ residual) / size
        step[1:3] = np.clip(step[1:3], -v_t, v_t)
        p = p + step
        spread = np.sqrt(np.diag(covariance(columns, residual, np.linalg.inv(normal)))) / size
        if np.all(np.abs(step) < 0.02 * spread + 1e-9):
            converged = True
            break
    both = predict(np.asarray(v_upper) + p[1], np.asarray(v_lower) + p[2])
    fitted = p[0] * both + p[3]
    left = (np.asarray(v_out) - fitted)[np.asarray(used) & np.isfinite(fitted)]
    terms = [Term(float(v), float(s), unit) for v, s, unit in zip(p, spread, ("", "V", "V", "V"))]
    if not offset_known:
        terms[3] = Term(float("nan"), float("nan"), "V")
    return ShapeFit(
        *terms,
        residual_rms=float(np.sqrt(np.mean(left**2))),
        noise_rms=noise_of(left),
        correlation=correlation(left),
        converged=converged and bool(np.isfinite(left).all()),
        samples=int(use.sum()),
        fitted=fitted,
    )


def offset_curves(predict, v_upper, v_lower, predicted, fit):
    """What each input offset of a fit adds to the prediction.

    Parameters
    ----------
    predict, v_upper, v_lower : as `fit_shape`
    predicted : numpy.ndarray, shape (n,)
        V, without offsets.
    fit : ShapeFit

    Returns
    -------
    dict
        "offset_upper" and "offset_lower" to arrays (n,), V.
    """
    return {
        "offset_upper": predict(v_upper + fit.offset_upper.value, v_lower) - predicted,
        "offset_lower": predict(v_upper, v_lower + fit.offset_lower.value) - predicted,
    }
