"""How far a value lies apart over many builds of one circuit."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

#: Share of the builds that a printed band holds, and the same as percentiles.
COVERAGE = 0.98
_TAILS = (50.0 * (1.0 - COVERAGE), 50.0, 50.0 * (1.0 + COVERAGE))


@dataclass(frozen=True)
class Band:
    """A value with its band: `low`, `nominal`, `high`, one unit."""

    low: float
    nominal: float
    high: float


def band_of(values: ArrayLike) -> Band:
    """Band of `COVERAGE` of the finite values, with their median."""
    v = np.asarray(values, dtype=float)
    v = v[np.isfinite(v)]
    if v.size == 0:
        return Band(math.nan, math.nan, math.nan)
    return Band(*(float(x) for x in np.percentile(v, _TAILS)))


def size_of(values: ArrayLike) -> float:
    """Size that 95 % of the finite values stay under."""
    v = np.abs(np.asarray(values, dtype=float))
    v = v[np.isfinite(v)]
    return float(np.percentile(v, 95.0)) if v.size else math.nan
