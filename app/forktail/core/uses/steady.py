"""The steady state of a cell that answers without memory: all its lines from one small table.

The upper input carries DC and one tone, the lower one DC and up to two. Over the phase of the
upper tone the output is a cosine series, over the lower voltage a Chebyshev series; both converge
geometrically, so a few solutions hold the output to rounding. Every line follows from them
whatever the frequencies are: nothing is sampled in time, so nothing is folded down.

How many terms: tanh(x cos a), x = peak/2VT, has its nearest singularity where x cos a = j pi/2,
at an imaginary angle asinh(pi/2x); its coefficients fall by that much from term to term (any text
on spectral methods).
"""

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import NoReturn

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.checks import Floats, Ints, QuantityError
from forktail.core.quantities import format_quantity
from forktail.core.uses.reference import Bench, once
from forktail.core.waves.lines import Lines
from forktail.core.waves.spectrum import Tone

#: Nepers between the largest term and the first one left out: 120 dB.
_DOWN = 14.0
#: Largest part of the whole that the last terms may have before there are taken more.
_TAIL = 3e-6
#: Most solutions of one table.
MOST = {"textbook": 400_000, "built": 60_000}


def terms(peak: float, v_t: float) -> int:
    """Highest term that counts for a sine of `peak` V."""
    return 6 + math.ceil(_DOWN / math.asinh(math.pi * v_t / peak)) if peak > 0.0 else 0


def _cosines(values: Floats) -> Floats:
    """Cosine series of values at pi k/n, k = 0..n, along the last axis."""
    n = values.shape[-1] - 1
    if n == 0:
        return values
    series = np.fft.rfft(np.concatenate([values, values[..., -2:0:-1]], axis=-1)).real / n
    series[..., [0, -1]] *= 0.5
    return series


def _nodes(n: int) -> Floats:
    return np.cos(np.pi * np.arange(n + 1) / n) if n else np.zeros(1)


def cosine_values(
    function: Callable[[Floats], Floats], reach: float, v_t: float, most: int = 4096
) -> Floats:
    """Chebyshev coefficients, `most` at the most, over +-`reach` V of a function that bends as a
    pair does."""
    n = min(terms(reach, v_t), most)
    return _cosines(function(reach * _nodes(n)))


def roomy(reach: float) -> float:
    """A range that holds `reach` V, of few sizes, so that equal ranges are solved once."""
    return 2.0 ** (math.ceil(3.0 * math.log2(reach)) / 3.0)


def _refuse(count: int, what: str, upper: float, lower: float) -> NoReturn:
    raise QuantityError(
        f"Drives of {format_quantity(upper, 'V')} on the upper and {format_quantity(lower, 'V')} "
        f"on the lower input switch so hard that one answer would take {count} {what}, more than "
        "this use takes: lower one of them."
    )


def _tails(c: Floats) -> tuple[float, ...]:
    """Largest part of the whole that the last terms have, over the upper phase and the voltage."""
    size = np.abs(c)
    whole = max(float(size.max()), 1e-300)
    return tuple(
        float(last.max() / whole) if n > 1 else 0.0
        for n, last in zip(size.shape, (size[-2:], size[:, -2:]))
    )


@once(48)
def _solved(b: Bench, dc: float, peak: float, centre: float, reach: float) -> tuple[Floats, float]:
    """Coefficients of a table, what is rounding 0, and the largest of their tails."""
    sizes = [terms(peak, b.v_t), terms(reach, b.v_t)]
    while True:
        count = (sizes[0] + 1) * (sizes[1] + 1)
        if count > MOST[b.model]:
            _refuse(count, "solutions of the cell", peak, abs(centre) + reach)
        u, v = dc + peak * _nodes(sizes[0]), centre + reach * _nodes(sizes[1])
        c = _cosines(_cosines(b.answer(u[:, None], v[None, :])).T).T
        tails = _tails(c)
        more = [n * 2 if n and t > _TAIL else n for n, t in zip(sizes, tails)]
        if more == sizes or (more[0] + 1) * (more[1] + 1) > MOST[b.model]:
            break
        sizes = more  # a transistor that saturates bends more sharply than a pair
    c[np.abs(c) < b.rounding] = 0.0
    return c, max(tails)


class Table:
    """The output over one cycle of the upper tone and a range of the lower voltage.

    v_out = sum over k, m of c[k, m] cos(k phase) T_m(w), w = (v_lower - centre)/reach.

    Parameters
    ----------
    b : reference.Bench
    upper : (dc, peak)
        V, as they reach the cell.
    centre, reach : float
        V, the range of the lower voltage.

    Attributes
    ----------
    c : numpy.ndarray, shape (K + 1, M + 1)
        V; what is rounding is 0.
    floor_db : float
        Lines below it, relative to the largest, are not certain.

    Raises
    ------
    QuantityError
        If the drives are so large that too many solutions would be needed, or a solution is
        missing.
    """

    def __init__(
        self, b: Bench, upper: tuple[float, float], centre: float = 0.0, reach: float = 0.0
    ) -> None:
        self.b, self.centre, self.reach, self.upper = b, centre, reach, abs(upper[1])
        self.c, tail = _solved(b, *upper, centre, reach)
        self.floor_db = max(-120.0, 20.0 * math.log10(max(4.0 * tail, 1e-12)))

    def _chebyshev(self, v: ArrayLike) -> Floats:
        """T_m(w) at lower voltages, shape (..., M + 1)."""
        m = np.arange(self.c.shape[1])
        if self.reach == 0.0:
            return np.ones((*np.shape(v), 1))
        w = np.clip((np.asarray(v) - self.centre) / self.reach, -1.0, 1.0)
        return np.cos(np.arccos(w)[..., None] * m)

    def parts(self, v: ArrayLike, most: int | None = None) -> Floats:
        """Cosine parts over the upper phase at static lower voltages, V.

        Parameters
        ----------
        v : array_like
            V, inside the range.
        most : int, optional
            Highest part.

        Returns
        -------
        numpy.ndarray, shape (..., K + 1)
        """
        c = self.c if most is None else self.c[: most + 1]
        return self._chebyshev(v) @ c.T

    def wave(self, phase: ArrayLike, v: ArrayLike, most: int | None = None) -> Floats:
        """Output while the upper phase, rad, and the lower voltage move; shape (n,)."""
        parts = self.parts(v, most)
        k = np.arange(parts.shape[-1])
        return np.sum(parts * np.cos(np.asarray(phase)[..., None] * k), axis=-1)

    def lines(
        self,
        dc: float,
        tones: Sequence[tuple[float, float]],
        duration: float,
        phase: float = 0.0,
        labels: Sequence[Tone] = (),
    ) -> Lines:
        """Every line, behind the cell and before the loads.

        Parameters
        ----------
        dc : float
            V on the lower input.
        tones : tuple of (peak, phase)
            V and rad, of the lower tones as they reach the cell: none, one or two.
        duration : float
            s.
        phase : float
            rad, of the upper tone.
        labels : tuple of spectrum.Tone
            Upper tone first, then the lower ones.

        Returns
        -------
        Lines
        """
        d = self.over_phases(dc, [a for a, _ in tones])
        orders, place, weight = _all_orders(d.shape)
        angle = orders @ np.array([phase, *(p for _, p in tones)])
        phasor = d.ravel()[place] * weight * np.exp(1j * angle)
        return Lines.of(orders, phasor, labels, duration, 0.1 * self.b.rounding)

    def over_phases(self, dc: float, peaks: Sequence[float]) -> Floats:
        """Cosine coefficients over the phases of all tones, shape (K + 1, ...)."""
        sizes = [terms(a, self.b.v_t) for a in peaks]
        count = self.c.shape[0] * math.prod(n + 1 for n in sizes)
        if count > MOST["textbook"]:
            _refuse(count, "lines", self.upper, max(peaks))
        grids = np.meshgrid(*(a * _nodes(n) for a, n in zip(peaks, sizes)), indexing="ij")
        d = np.moveaxis(self.parts(dc + sum(grids)) if peaks else self.parts(dc), -1, 0)
        for axis in range(1, d.ndim):
            d = np.moveaxis(_cosines(np.moveaxis(d, axis, -1)), -1, axis)
        return d


@lru_cache(maxsize=64)
def _all_orders(shape: tuple[int, ...]) -> tuple[Ints, Ints, Floats]:
    """Orders of the lines of a cosine series: (n, tones); their places in it, and weights.

    cos a cos b = (cos(a + b) + cos(a - b))/2: each further phase halves a term and makes two.
    """
    spans = [np.arange(n) if k == 0 else np.arange(1 - n, n) for k, n in enumerate(shape)]
    orders = np.stack([g.ravel() for g in np.meshgrid(*spans, indexing="ij")], axis=-1)
    # of each +- twin keep the one whose first factor is positive
    first = np.zeros(len(orders), dtype=int)
    for column in orders.T:
        first = np.where(first == 0, np.sign(column), first)
    orders = orders[(first > 0) | ~orders.any(axis=1)]
    place = np.ravel_multi_index(tuple(np.abs(orders).T), shape)
    weight = 0.5 ** np.maximum(np.count_nonzero(orders, axis=1) - 1, 0)
    return orders, place, weight
