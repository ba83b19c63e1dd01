"""The cell in use: its quantities at rest, its path, and how far the laws of a pair reach.

The relations beside the figures are those of matched pairs with the emitter resistors of the
cell. What they need is read off the cell at rest; where a law ends is found on the law itself.

Source of the laws: Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated Circuits,
chapter 3 (pair, emitter resistors) and chapter 10 (the cell).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache, wraps
from typing import Any, TypeVar, cast

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built.circuit import Circuit
from forktail.core.built.supply import TailLaw, tail_law
from forktail.core.cell import pair
from forktail.core.cell.law import CellSettings, solve_cell
from forktail.core.checks import Complexes, Floats, QuantityError
from forktail.core.models import BuiltCell, Solver, TextbookCell
from forktail.core.path import Feed, Path, path_for
from forktail.core.quantities import format_quantity
from forktail.core.spec import spec, specs_of
from forktail.core.thermal import T_NOMINAL, thermal_voltage

#: A function of a Bench and plain numbers, whose answers are kept.
Kept = TypeVar("Kept", bound=Callable[..., Any])
#: The frequency of a bat call, as most uses set it.
CALL = spec("frequency", slider=(20e3, 110e3), step=1e3, even="steps", part="use")
#: One decibel as a part of the whole.
ONE_DB = 1.0 - 10.0**-0.05


@dataclass(frozen=True)
class Bench:
    """A cell with its path, and the quantities that the laws of matched pairs need.

    Attributes
    ----------
    solve : callable
        (v_upper, v_lower) -> OperatingPoint.
    path : path.Path
    i_tail, r_load, temperature, v_t : A, ohm (each load), K, V: at rest.
    r_emitter_upper, r_emitter_lower : ohm, as far as the solver tells them.
    model : str
    """

    solve: Solver
    path: Path
    i_tail: float
    r_load: float
    temperature: float
    v_t: float
    model: str
    r_emitter_upper: float = 0.0
    r_emitter_lower: float = 0.0

    @property
    def full_scale(self) -> float:
        """Largest output I R, V."""
        return self.i_tail * self.r_load

    @property
    def gain(self) -> float:
        """gm R = I R / 2VT of the pair without emitter resistors."""
        return self.full_scale / (2.0 * self.v_t)

    @property
    def d_lower(self) -> float:
        """By how much emitter resistors lower the slope of the lower pair: 1 + gm RE."""
        return 1.0 + self.drop("lower") / (2.0 * self.v_t)

    @property
    def d_upper(self) -> float:
        """The same of an upper pair at balance, which carries half the tail current."""
        return 1.0 + self.drop("upper") / (2.0 * self.v_t)

    @cached_property
    def built(self) -> Circuit | None:
        """The circuit of a built cell, else None."""
        return self.solve.circuit if isinstance(self.solve, BuiltCell) else None

    # ---- the cell

    def answer(self, v_upper: ArrayLike, v_lower: ArrayLike) -> Floats:
        """Output difference at static inputs, V, of their broadcast shape.

        Raises
        ------
        QuantityError
            If the solver reports samples without a solution.
        """
        point = self.solve(self.path.upper.shaped(v_upper), v_lower)
        converged = np.asarray(point.converged)
        if not converged.all():
            missed = int(np.sum(~converged))
            raise QuantityError(
                f"the cell has no solution at {missed} of {converged.size} samples; "
                "try a smaller drive."
            )
        return point.v_out

    def slope_upper(self, v_lower: ArrayLike) -> Floats:
        """Slope of the output over the upper input at its balance, 1, shape of `v_lower` (n,)."""
        h = 0.01 * self.v_t
        out = self.answer(np.array([[-h], [h]]), np.atleast_1d(v_lower))
        return (out[1] - out[0]) / (2.0 * h)

    def slope_lower(self, v_upper: ArrayLike) -> Floats:
        """Slope of the output over the lower input at its balance, 1, shape of `v_upper` (n,)."""
        h = 0.01 * self.v_t
        out = self.answer(np.atleast_1d(v_upper), np.array([[-h], [h]]))
        return (out[1] - out[0]) / (2.0 * h)

    @cached_property
    def hard_gain(self) -> float:
        """Slope of the output over the lower input with the upper pairs switched to either side
        in turn, the mean of both, 1: what hard switching has to give."""
        switched = 20.0 * self.v_t + self.drop("upper")
        low, high = self.slope_lower(np.array([-switched, switched]))
        return 0.5 * float(abs(high - low))

    def fed(self, side: str, frequency: ArrayLike) -> Complexes:
        """Complex factor from generator to cell at frequencies in Hz."""
        return self.path.feed(side).response(frequency)

    def through(self, side: str, frequency: float) -> float:
        """Size of the factors of feed and loads together at one frequency, Hz."""
        return float(abs(self.fed(side, frequency) * self.path.load_response(frequency)))

    @property
    def rounding(self) -> float:
        """Below this nothing but rounding is left of an output, V."""
        return (1e-12 if self.model == "built" else 1e-14) * self.full_scale

    # ---- the laws of its pairs

    def drop(self, side: str, share: float = 0.5) -> float:
        """Voltage over one emitter resistor of a pair that is fully steered, V.

        An upper pair carries `share` of the tail current: a half at balance.
        """
        full = {"upper": share * self.r_emitter_upper, "lower": self.r_emitter_lower}
        return self.i_tail * full[side]

    def split(self, v_lower: ArrayLike) -> Floats:
        """Currents of the lower pair by the law, A, shape (..., 2)."""
        return pair.split(v_lower, self.i_tail, self.temperature, self.r_emitter_lower)

    def gain_law(self, v_lower: ArrayLike) -> Floats:
        """Gain of a small signal on the upper input at lower inputs, by the law of both pairs.

        Each upper pair has the gain gm R/(1 + gm RE) at its own current, and the two subtract.
        """
        currents = self.split(v_lower)
        gm = currents / (2.0 * self.v_t)
        return self.r_load * np.diff(gm / (1.0 + gm * self.r_emitter_upper))[..., 0] * -1.0

    def linear(self, side: str, error: float = 0.01) -> float:
        """Input at which a pair is short of its tangent by `error`, V (`pair.linear_range`)."""
        return float(pair.linear_range(error, self.drop(side), self.temperature, 1.0))

    def soft_end(self, side: str, shortfall: float) -> float:
        """Peak of a sine up to which the fundamental of a pair is in proportion, V."""
        return self.v_t * _soft_end(ratio(self.drop(side) / self.v_t), shortfall)

    def hard_start(self, side: str, share: float = 0.5, shortfall: float = ONE_DB) -> float:
        """Peak of a sine from which a pair switches hard, V: its fundamental is that of a square
        wave less `shortfall`."""
        return self.v_t * _hard_start(ratio(self.drop(side, share) / self.v_t), shortfall)

    def series_end(self, side: str) -> float:
        """Peak of a sine at which the third harmonic of a pair is a tenth off its series, V."""
        return self.v_t * _series_end(ratio(self.drop(side) / self.v_t))

    def third_reach(self, side: str, share: float, part: float) -> float:
        """Peak of a sine of which the third harmonic is `part` of the fundamental, V, of a pair
        that carries `share` of the tail current."""
        return self.v_t * _third_reach(ratio(self.drop(side, share) / self.v_t), part)

    def tones_end(self) -> float:
        """Peak of each of two equal tones on the lower pair at which their third-order product
        is a tenth off its series, V."""
        return self.v_t * _tones_end(ratio(self.drop("lower") / self.v_t))

    def oscillator_limits(self) -> tuple[float, float]:
        """Peaks of a sine on the upper input, V: up to the first it is multiplied in proportion,
        from the second on it switches; both to 1 dB of the conversion gain."""
        k = ratio(self.drop("upper") / self.v_t)
        return self.v_t * _conversion_soft_end(k), self.v_t * _conversion_hard_start(k)

    def two_tone(self, hard: bool) -> float:
        """Two-tone product of the lower pair over the tone, by the series of the pairs: this
        times the square of the peak of each tone, 1/V^2; a third of it for the third harmonic.

        1/(16 VT^2 (1 + gm RE)^3): Gray et al., chapter 3. With resistors in the upper pairs and
        a drive there that is not `hard`, the share of the current moves their slope too: the
        same series, carried through both.
        """
        d, u = self.d_lower, self.d_upper
        moved = 0.0 if hard else (u - 1.0) ** 2 / (d * u) ** 2
        return 0.75 * abs(1.0 / (3.0 * d**3) - moved) / (2.0 * self.v_t) ** 2

    def switching(self, peak: float) -> float:
        """Share of hard switching that a sine of this peak, V, on the upper input reaches."""
        k = ratio(self.drop("upper") / self.v_t)
        return float(_conversion(np.array([peak / self.v_t]), k)[0] * math.pi / 4.0)

    def steering(self, peak: float) -> float:
        """Fourier part, at its frequency, of what a sine of this peak, V, steers in the lower
        pair: 4/pi when it switches hard."""
        k = ratio(self.drop("lower") / self.v_t)
        count = 64 if peak < 12.0 * (1.0 + k) * self.v_t else 1024
        quarter = 0.5 * np.pi * (np.arange(count) + 0.5) / count
        wave = _difference(peak / self.v_t * np.cos(quarter), k)
        return 2.0 * float(np.mean(wave * np.cos(quarter)))

    @cached_property
    def ideal(self) -> "Bench":
        """The matched cell with the emitter resistors of this one, on a path without corners: a
        Bench."""
        return bench(
            TextbookCell(
                i_tail=self.i_tail,
                r_load=self.r_load,
                temperature=self.temperature,
                r_emitter_upper=self.r_emitter_upper,
                r_emitter_lower=self.r_emitter_lower,
            ),
            Path(Feed(arctanh=self.path.upper.arctanh)),
        )

    def shaped(self, on: bool) -> "Bench":
        """The same with an arctanh stage ahead of the upper input, or without one: a Bench."""
        feed = replace(self.path.upper, arctanh=self.v_t if on else 0.0)
        return (
            self if feed == self.path.upper else bench(self.solve, replace(self.path, upper=feed))
        )

    def warmed(self, by: float) -> "Bench | None":
        """The same at another temperature, `by` K warmer; None of a cell that is not ours."""
        to = self.temperature + by
        if isinstance(self.solve, TextbookCell):
            return bench(replace(self.solve, temperature=to), self.path)
        if self.built is None or not isinstance(self.solve, BuiltCell):
            return None
        solve = replace(self.solve, circuit=replace(self.built, temperature=to))
        return bench(solve, self.path)

    @cached_property
    def tail_law(self) -> TailLaw:
        """What supply and temperature do to the tail, in closed form."""
        if self.built is not None:
            return tail_law(self.built)
        ptat = isinstance(self.solve, TextbookCell) and self.solve.tail_law == "absolute"
        return TailLaw(own=1.0 / self.temperature if ptat else 0.0)


def ratio(k: float) -> float:
    """A drop over VT, rounded so that the laws of almost equal drops are worked out once."""
    return float(f"{k:.6g}")


def bench(solve: Solver, path: Path | None = None) -> Bench:
    """Read the quantities of a solver at rest: returns Bench.

    Parameters
    ----------
    solve : callable
        (v_upper, v_lower) -> OperatingPoint.
    path : path.Path, optional
        That of the solver if left out.

    Raises
    ------
    QuantityError
        If the cell carries no current or has no load: no use works then.
    """
    return (_kept if isinstance(solve, (TextbookCell, BuiltCell)) else _bench)(solve, path)


def _bench(solve: Solver, path: Path | None) -> Bench:
    point = solve(0.0, 0.0)
    i, r, kelvin, v_t = (
        float(np.ravel(a)[0])
        for a in (point.i_tail, point.r_load, point.temperature, point.thermal_voltage)
    )
    if not np.asarray(point.converged).all():
        raise QuantityError(
            "the cell has no solution at rest; see Build for what is wrong with it."
        )
    if not i * r > 0.0:
        raise QuantityError(
            f"the cell has a tail current of {format_quantity(i, 'A')} and loads of "
            f"{format_quantity(r, 'ohm')}; without both there is no gain to "
            "speak of."
        )
    resistors = (float(getattr(solve, f"r_emitter_{side}", 0.0)) for side in ("upper", "lower"))
    path = path_for(solve) if path is None else path
    return Bench(solve, path, i, r, kelvin, v_t, point.model, *resistors)


#: Equal cells are at rest alike; a solver that somebody brings is asked every time.
_kept = lru_cache(maxsize=128)(_bench)


def once(size: int) -> Callable[[Kept], Kept]:
    """Keep what a function of a Bench and plain numbers gives, for up to `size` calls.

    Of equal cells only: a solver that somebody brings is asked every time.
    """

    def keeping(function: Kept) -> Kept:
        kept = lru_cache(maxsize=size)(function)

        @wraps(function)
        def asked(b: Bench, *args: Any) -> Any:
            own = isinstance(b.solve, (TextbookCell, BuiltCell))
            return (kept if own else function)(b, *args)

        return cast(Kept, asked)

    return keeping


def needs(settings: Any, *names: str) -> None:
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


def first_departure(x: Floats, y: Floats, part: float) -> float:
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


def first_reach(x: Floats, y: Floats, level: float) -> float:
    """The first x at which a rising y is `level`; the last x if it never is."""
    return float(np.interp(level, np.maximum.accumulate(y), x))


# ---------------------------------------------------------------- where the laws end
#
# In thermal voltages, for a pair with k = I RE/VT. Each is found on the law itself, once for a k.

_QUARTER = 0.5 * np.pi * (np.arange(64) + 0.5) / 64


def _difference(v: Floats, k: float, tail: float = 1.0) -> Floats:
    """(I1 - I2)/I of a pair at inputs in VT, with k = I RE/VT at a full tail of which it has
    the part `tail`."""
    unit = float(thermal_voltage(T_NOMINAL))
    first, second = pair.split_fractions(v * unit, T_NOMINAL, tail * k * unit, 1.0)
    return first - second


def _drives(k: float) -> Floats:
    """Peaks over which the ends lie, VT."""
    return np.geomspace(3e-3, 10.0 * (1.0 + k), 128)


@lru_cache(maxsize=128)
def _fourier(k: float) -> tuple[Floats, Floats, Floats]:
    """Peaks, fundamental and third harmonic of a pair driven by a sine; (96,) each."""
    drive = _drives(k)
    wave = _difference(drive[:, None] * np.cos(_QUARTER), k)
    first, third = (2.0 * np.mean(wave * np.cos(n * _QUARTER), axis=1) for n in (1, 3))
    return drive, first, third


@lru_cache(maxsize=512)
def _soft_end(k: float, shortfall: float) -> float:
    drive, first, _ = _fourier(k)
    return first_departure(drive, first / drive, shortfall)


@lru_cache(maxsize=512)
def _hard_start(k: float, shortfall: float) -> float:
    drive, first, _ = _fourier(k)
    return first_reach(drive, first, (1.0 - shortfall) * 4.0 / np.pi)


@lru_cache(maxsize=128)
def _series_end(k: float) -> float:
    drive, first, third = _fourier(k)
    return first_departure(drive, third / first / drive**2, 0.1)


@lru_cache(maxsize=128)
def _third_reach(k: float, part: float) -> float:
    drive, first, third = _fourier(k)
    return first_reach(drive, np.abs(third / first), part)


@lru_cache(maxsize=128)
def _tones_end(k: float) -> float:
    drive = _drives(k)[:96]
    a = np.pi * (np.arange(16) + 0.5) / 16
    one, two = np.cos(a)[:, None], np.cos(a)[None, :]
    out = _difference(drive[:, None, None] * (one + two), k)
    tone = np.mean(out * one, axis=(1, 2))
    # on half a cycle of each angle the sines drop out of cos(2a - b)
    third = np.mean(out * np.cos(2.0 * a)[:, None] * two, axis=(1, 2))
    return first_departure(drive, third / tone / drive**2, 0.1)


def _conversion(peaks: Floats, k: float) -> Floats:
    """Fourier part, over half a cycle's worth of a small signal on the lower pair, of the upper
    pairs driven by sines: 4/pi when they switch hard. Peaks in VT, shape (n,)."""
    count = 64 if peaks.max() < 12.0 * (1.0 + k) else 1024
    quarter = 0.5 * np.pi * (np.arange(count) + 0.5) / count
    settings = CellSettings(1.0, T_NOMINAL, r_emitter_upper=2.0 * k * _UNIT)
    slope = solve_cell(peaks[:, None] * np.cos(quarter) * _UNIT, 0.0, 1.0, settings).gain_lower
    return 2.0 * np.mean(slope * np.cos(quarter), axis=1) * 2.0 * _UNIT


_UNIT = float(thermal_voltage(T_NOMINAL))


@lru_cache(maxsize=128)
def _conversions(k: float) -> tuple[Floats, Floats]:
    drive = _drives(k)
    return drive, _conversion(drive, k)


@lru_cache(maxsize=128)
def _conversion_soft_end(k: float) -> float:
    drive, gain = _conversions(k)
    return first_departure(drive, gain / drive, ONE_DB)


@lru_cache(maxsize=128)
def _conversion_hard_start(k: float) -> float:
    drive, gain = _conversions(k)
    return first_reach(drive, gain, (1.0 - ONE_DB) * 4.0 / np.pi)
