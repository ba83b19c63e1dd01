"""The cell in use: its quantities at rest, and how far the laws of a pair reach with them."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from forktail.core.cell import pair
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.spec import spec, specs_of
from forktail.core.waves.spectrum import hard_drive_limit, small_drive_limit

#: The frequency of a bat call, as most uses set it.
CALL = spec("frequency", slider=(20e3, 110e3), step=1e3, even="steps", part="use")


@dataclass(frozen=True)
class Bench:
    """The quantities of a cell that the textbook relations need, read off its answer at rest.

    `i_tail` A, `r_load` ohm, `temperature` K, `v_t` V, `full_scale` = i_tail r_load V,
    `gain` = gm r_load = full_scale/(2 v_t), `model`; `r_emitter_upper` and `r_emitter_lower`
    ohm, as far as the solver tells them.
    """

    i_tail: float
    r_load: float
    temperature: float
    v_t: float
    full_scale: float
    gain: float
    model: str
    r_emitter_upper: float = 0.0
    r_emitter_lower: float = 0.0

    def emitter_drop(self, side, share=0.5):
        """Voltage over one emitter resistor of a pair that is fully steered, V.

        An upper pair carries `share` of the tail current: a half at balance.
        """
        upper = side == "upper"
        return self.i_tail * (share * self.r_emitter_upper if upper else self.r_emitter_lower)

    def plain(self, side):
        """Whether the laws in gm and kT/q hold to 1 % in spite of the emitter resistors."""
        return self.emitter_drop(side) <= 0.02 * self.v_t

    def linear(self, side, error=0.01):
        """Input at which a pair is short of its tangent by `error`, V (`pair.linear_range`)."""
        drop = self.emitter_drop(side)
        return float(pair.linear_range(error, drop, self.temperature, 1.0))

    def stretch(self, side, error=0.01):
        """How many times emitter resistors widen that range; 1 without them."""
        return self.linear(side, error) / float(
            pair.linear_range(error, temperature=self.temperature)
        )

    def soft_end(self, side, shortfall):
        """Peak of a sine up to which the small-drive law holds, V.

        The limit without resistors, widened as the linear range is: exact for small shortfalls
        and drops, and up to an eighth too large for drops of many volts.
        """
        return 2.0 * self.v_t * small_drive_limit(shortfall) * self.stretch(side, shortfall)

    def hard_start(self, side, share=0.5):
        """Peak of a sine from which a pair switches hard, to 1 dB, V.

        What the junctions need and, added to it, 1.31 times the drop in a resistor: a sine
        clipped at 1/1.31 of its peak has a fundamental 1 dB under that of a square wave. The sum
        is within 1 % of the exact value.
        """
        return 2.0 * self.v_t * hard_drive_limit(ONE_DB) + 1.31 * self.emitter_drop(side, share)


#: One decibel as a part of the whole.
ONE_DB = 1.0 - 10.0**-0.05


def bench(solve):
    """Read tail current, load and thermal voltage off a solver: returns Bench.

    Raises
    ------
    QuantityError
        If the cell carries no current or has no load: no use works then.
    """
    return _kept(solve) if isinstance(solve, (TextbookCell, BuiltCell)) else _bench(solve)


def _bench(solve):
    point = answer(solve, 0.0, 0.0)
    i, r, kelvin, v_t = (
        float(np.ravel(a)[0])
        for a in (point.i_tail, point.r_load, point.temperature, point.thermal_voltage)
    )
    if not i * r > 0.0:
        raise QuantityError(
            f"the cell has a tail current of {i:g} A and a load of {r:g} ohm; "
            "allowed is above 0 for both, or there is no gain to speak of."
        )
    resistors = (float(getattr(solve, f"r_emitter_{side}", 0.0)) for side in ("upper", "lower"))
    return Bench(i, r, kelvin, v_t, i * r, i * r / (2.0 * v_t), point.model, *resistors)


#: Equal cells are at rest alike; a solver that somebody brings is asked every time.
_kept = lru_cache(maxsize=128)(_bench)


def answer(solve, v_upper, v_lower):
    """Solve, and refuse an answer that did not converge.

    Raises
    ------
    QuantityError
        If the solver reports samples without a solution.
    """
    point = solve(v_upper, v_lower)
    converged = np.asarray(point.converged)
    if not converged.all():
        missed = int(np.sum(~converged))
        raise QuantityError(
            f"the cell has no solution at {missed} of {converged.size} samples; "
            "allowed are drives for which every sample has one: try a smaller drive."
        )
    return point


def first_departure(x, y, part):
    """The first x at which y is off its first value by `part` of it; the last x if it never is.

    Between samples by the square of x, with which a gain begins to bend.

    Parameters
    ----------
    x, y : numpy.ndarray, shape (n,)
    part : float
    """
    off, allowed = np.abs(y - y[0]), part * abs(y[0])
    past = np.flatnonzero(off > allowed)
    if not past.size:
        return float(x[-1])
    k = past[0]
    return float(np.sqrt(np.interp(allowed, off[k - 1 : k + 1], x[k - 1 : k + 1] ** 2)))


def needs(settings, *names):
    """Raise the sentence for the first of these settings that is 0: there is nothing to measure.

    Raises
    ------
    QuantityError
    """
    for name in names:
        if not getattr(settings, name) > 0.0:
            s = specs_of(settings)[name]
            raise QuantityError(
                f"{s.title} is {s.show(getattr(settings, name))}; this use needs more than that, "
                "or there is nothing to measure."
            )


def follows(settings, **most):
    """Raise the sentence for the first setting that is larger than the use can follow.

    Raises
    ------
    QuantityError
    """
    for name, high in most.items():
        if abs(getattr(settings, name)) > high:
            s = specs_of(settings)[name]
            raise QuantityError(
                f"{s.title} is {s.show(getattr(settings, name))}; this use follows up to "
                f"{s.show(high)}."
            )
