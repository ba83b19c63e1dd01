"""The one way of a signal: generator, coupling, base lines, cell, loads, probe.

Nothing else in the project divides, couples, delays or filters a wave. A wave enters at one of
two places:

- `at="generator"`: what the generator puts on its termination while nothing else hangs on it;
  without a termination that is its open voltage. On its way lie the source resistance, the
  coupling capacitor (a high-pass), the bias resistors and the base currents.
- `at="base lines"`: what is measured between the two base lines of an input.

The cell has no memory (junction charges matter under a degree at 110 kHz), so it answers sample by
sample; what has memory, the coupling capacitor before it and the load capacitance behind it, is a
single pole each. The built solution divides the drive itself, base currents included; the
textbook cell loads nothing, and gets the path that it is given.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built import network
from forktail.core.built.circuit import Circuit
from forktail.core.built.noise import Noise
from forktail.core.cell.law import OperatingPoint
from forktail.core.checks import Bools, Complexes, Floats, QuantityError, as_quantity
from forktail.core.models import BuiltCell, Solver

#: A factor for each frequency in Hz.
Response = Callable[[Any], Complexes]

#: Where a wave can enter.
PLACES = ("generator", "base lines")
#: Time constants after which a single pole has settled to 0.25 %.
SETTLE = 6.0
#: Share of its current that the fuller diode of an arctanh stage has at the most.
_STARVED = 1.0 - 1e-9


# ---------------------------------------------------------------- one pole


def corner_frequency(resistance: ArrayLike, capacitance: ArrayLike) -> Floats:
    """Corner of one resistor and one capacitor, 1/(2 pi R C), Hz.

    Parameters
    ----------
    resistance, capacitance : array_like
        ohm and F, above 0.

    Raises
    ------
    QuantityError
        For values out of range.
    """
    r = as_quantity("resistance", resistance, "ohm", 0.0, low_open=True)
    c = as_quantity("capacitance", capacitance, "F", 0.0, low_open=True)
    return 1.0 / (2.0 * np.pi * r * c)


def coupling_response(frequency: ArrayLike, corner: float) -> Complexes:
    """Response of a coupling capacitor, jf/fc / (1 + jf/fc): a single-pole high-pass.

    Parameters
    ----------
    frequency : array_like
        Hz.
    corner : float
        Hz, at least 0; 0 lets everything pass, DC included.

    Returns
    -------
    numpy.ndarray
        Complex; 1/sqrt(2) (-3.01 dB) and +45 degrees at the corner (any circuits text).
    """
    f = as_quantity("frequency", frequency, "Hz")
    corner = float(as_quantity("corner", corner, "Hz", 0.0))
    if corner == 0.0:
        return np.ones(f.shape, dtype=complex)
    return 1j * f / (corner + 1j * f)


def load_response(frequency: ArrayLike, corner: float) -> Complexes:
    """Response of a load with its capacitance, 1/(1 + jf/fc): a single-pole low-pass.

    Parameters as `coupling_response`, `corner` above 0 (infinity lets everything pass).
    1/sqrt(2) (-3.01 dB) and -45 degrees at the corner (any circuits text).
    """
    f = as_quantity("frequency", frequency, "Hz")
    if np.isscalar(corner) and corner == math.inf:
        return np.ones(f.shape, dtype=complex)
    corner = float(as_quantity("corner", corner, "Hz", 0.0, low_open=True))
    return 1.0 / (1.0 + 1j * f / corner)


def filtered(record: ArrayLike, step: float, response: Response) -> Floats:
    """Apply a response to a periodic record, line by line.

    Exact in steady state for every line below half the sample rate: the record is whole periods
    of a wave that has gone on for ever, so nothing starts and nothing settles.

    Parameters
    ----------
    record : array_like, shape (..., n)
        V, whole periods.
    step : float
        s from sample to sample.
    response : callable
        Frequency in Hz (array) to a complex factor.

    Returns
    -------
    numpy.ndarray, shape (..., n)
    """
    record = as_quantity("record", record, "V")
    n = record.shape[-1]
    return np.fft.irfft(np.fft.rfft(record) * response(np.fft.rfftfreq(n, step)), n)


def loaded(record: ArrayLike, step: float, corner: float | None, periodic: bool = True) -> Floats:
    """A record behind a load pole.

    Parameters
    ----------
    record : array_like, shape (..., n)
        V on equal steps.
    step : float
        s from sample to sample.
    corner : float or None
        Hz; None and infinity let everything pass.
    periodic : bool
        Whether the record is whole periods. One that is not (a capture) has NaN where the pole
        settles: `SETTLE` time constants at the beginning, and the last four samples.

    Returns
    -------
    numpy.ndarray, shape (..., n)
    """
    record = as_quantity("record", record, "V")
    if corner is None or corner == math.inf:
        return record.copy()
    out = filtered(record, step, lambda f: load_response(f, corner))
    return out if periodic else _unsettled(out, step, corner)


def coupled(record: ArrayLike, step: float, corner: float, periodic: bool = True) -> Floats:
    """A record behind a coupling capacitor; as `loaded`, a corner of 0 lets everything pass."""
    record = as_quantity("record", record, "V")
    if corner == 0.0:
        return record.copy()
    out = filtered(record, step, lambda f: coupling_response(f, corner))
    return out if periodic else _unsettled(out, step, corner)


def _unsettled(record: Floats, step: float, corner: float) -> Floats:
    tau = 1.0 / (2.0 * math.pi * corner)
    record[..., : min(record.shape[-1], 4 + math.ceil(SETTLE * tau / step))] = np.nan
    record[..., -4:] = np.nan
    return record


def delayed(values: ArrayLike, samples: float) -> Floats:
    """The record as it would be `samples` steps later, between samples too.

    Parameters
    ----------
    values : array_like, shape (n,)
        Equal steps.
    samples : float
        Steps; negative is earlier.

    Returns
    -------
    numpy.ndarray, shape (n,)
        NaN where the record does not reach.

    Notes
    -----
    Eight-point Lagrange interpolation; about 1e-6 of a wave with 20 samples a cycle.
    """
    values = np.asarray(values, dtype=float)
    whole = math.floor(samples)
    part = samples - whole
    out = np.full(values.shape, np.nan)
    taps = np.arange(-3, 5) if part else np.array([0])
    weights = [math.prod((part - m) / (k - m) for m in taps if m != k) for k in taps]
    first, last = (
        max(0, whole + int(taps[-1])),
        min(len(values), len(values) + whole + int(taps[0])),
    )
    if last > first:
        out[first:last] = sum(
            w * values[first - whole - k : last - whole - k] for w, k in zip(weights, taps)
        )
    return out


# ---------------------------------------------------------------- the path


@dataclass(frozen=True)
class Feed:
    """From one generator to its base lines.

    `corner` Hz, of the coupling capacitor (0: it couples DC too). `gain`, what reaches the base
    lines in the middle of the band over what the generator puts out; 1 where the solution of the
    cell divides the drive itself. `arctanh` V, thermal voltage of an arctanh stage behind them;
    0: there is none.
    """

    corner: float = 0.0
    gain: float = 1.0
    arctanh: float = 0.0

    def shaped(self, wave: ArrayLike) -> Floats:
        """A wave, V, behind the arctanh stage: 2 VT artanh(v/2VT), as two diodes make it that
        share a current; past 2 VT one of them has none left, and the pair is steered fully.

        B. Gilbert, A precise four-quadrant multiplier with subnanosecond response, IEEE Journal
        of Solid-State Circuits SC-3 (1968), 365 (from memory).
        """
        wave = np.asarray(wave, dtype=float)
        if not self.arctanh:
            return wave
        full = 2.0 * self.arctanh
        return full * np.arctanh(np.clip(wave / full, -_STARVED, _STARVED))

    def response(self, frequency: ArrayLike) -> Complexes:
        """Complex factor from generator to base lines at frequencies in Hz."""
        return self.gain * coupling_response(frequency, self.corner)

    def coupled(self, wave: ArrayLike, step: float, periodic: bool = True) -> Floats:
        """A wave from the generator as it is at the base lines; see `coupled`."""
        out = coupled(wave, step, self.corner, periodic)
        return out if self.gain == 1.0 else self.gain * out


@dataclass(frozen=True)
class Path:
    """What lies before and behind the cell.

    `upper` and `lower` are the Feed of each input; `load_pole` Hz, of both loads with their
    capacitance (inf: none); `poles`, that of the left and of the right load where they differ;
    `probe`, how many times more there is at the collectors than a scope with a probe set otherwise
    shows.
    """

    upper: Feed = Feed()
    lower: Feed = Feed()
    load_pole: float = math.inf
    probe: float = 1.0
    poles: tuple[float, ...] = ()

    def feed(self, side: str) -> Feed:
        """The Feed of `upper` or `lower`."""
        return {"upper": self.upper, "lower": self.lower}[side]

    def with_feed(self, side: str, feed: Feed) -> "Path":
        """The same path with another Feed of `upper` or `lower`."""
        return replace(self, upper=feed) if side == "upper" else replace(self, lower=feed)

    def load_response(self, frequency: ArrayLike) -> Complexes:
        """Complex factor of the loads at frequencies in Hz."""
        return load_response(frequency, self.load_pole)

    @property
    def both_poles(self) -> tuple[float, ...]:
        """Pole of the left and of the right load, Hz."""
        return self.poles or (self.load_pole,) * 2


#: Nothing in the way: what the textbook cell has unless it is given a path.
IDEAL = Path()


@lru_cache(maxsize=128)
def path_of(circuit: Circuit) -> Path:
    """The path of a built circuit: its coupling corners and its load pole.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    Path
        With gains of 1: the built solution divides each drive itself. A corner or pole that
        has no value (no solution at rest) counts as not there.
    """
    found = network.corners(circuit)

    def hertz(name: str, without: float) -> float:
        f = found[name]
        return float(f) if math.isfinite(f) and f > 0.0 else without

    pole = hertz("load_pole", math.inf)
    left, right = circuit.r_load_left, circuit.r_load_right
    return Path(
        Feed(hertz("coupling_upper", 0.0)),
        Feed(hertz("coupling_lower", 0.0)),
        pole,
        poles=() if left == right else _poles(pole, left, right),
    )


def _poles(pole: float, left: float, right: float) -> tuple[float, ...]:
    """Poles of unequal loads from that of both in series."""
    both = 0.5 * (left + right)
    return tuple(pole * both / r if r > 0.0 else math.inf for r in (left, right))


def path_for(cell: Solver) -> Path:
    """The path that belongs to a solver: that of its circuit, else `IDEAL`."""
    return path_of(cell.circuit) if isinstance(cell, BuiltCell) else IDEAL


@dataclass(frozen=True)
class Passed:
    """A pair of waves behind every stage of a path. Arrays of shape (n,), V.

    Attributes
    ----------
    at : where the waves entered.
    sent : tuple of (upper, lower), as they entered.
    fed : tuple of (upper, lower), as the solver was given them, behind the coupling.
    base_lines : tuple of (upper, lower), between the two base lines of each input.
    cell : OperatingPoint
        The answer of the cell itself, as fast as its inputs.
    loads : OperatingPoint
        The same with v_left, v_right and v_out behind the load pole.
    probe : tuple of (left, right, out), what a scope shows.
    settled : bool array, where there is an answer that no start of the record spoils.
    """

    at: str
    sent: tuple[Floats, ...]
    fed: tuple[Floats, ...]
    base_lines: tuple[Floats, ...]
    cell: OperatingPoint
    loads: OperatingPoint
    probe: tuple[Floats, ...]
    settled: Bools


def run_path(
    cell: Solver,
    v_upper: ArrayLike,
    v_lower: ArrayLike,
    step: float,
    at: str = "generator",
    path: Path | None = None,
    periodic: bool = True,
) -> Passed:
    """Send two waves through a path and the cell in it.

    Parameters
    ----------
    cell : callable
        (v_upper, v_lower) -> OperatingPoint, such as `models.TextbookCell`, `models.BuiltCell`.
    v_upper, v_lower : array_like, shape (n,)
        V on equal steps.
    step : float
        s from sample to sample; NaN (steps that are not equal) leaves out what has memory.
    at : str
        One of `PLACES`: where the waves enter.
    path : Path, optional
        That of the cell if left out.
    periodic : bool
        Whether the waves are whole periods; see `loaded`.

    Returns
    -------
    Passed
        Samples without a solution are NaN, and then nothing with memory is computed: `loads`
        is `cell`.

    Raises
    ------
    QuantityError
        For another place, or waves that are not finite or do not fit together.
    """
    if at not in PLACES:
        raise QuantityError(f"at is {at!r}; it must be one of {', '.join(PLACES)}.")
    path = path_for(cell) if path is None else path
    sent = tuple(
        as_quantity(name, v, "V") for name, v in (("v_upper", v_upper), ("v_lower", v_lower))
    )
    memory = math.isfinite(step)
    fed = sent
    if at == "generator":
        fed = tuple(
            _fed(v, step, path.feed(side), periodic, memory)
            for side, v in zip(("upper", "lower"), sent)
        )
    elif isinstance(cell, BuiltCell):
        cell = cell.at(at)
    known = np.logical_and(*(np.isfinite(v) for v in fed))
    point = cell(*(np.where(known, v, 0.0) for v in fed))
    good = known & np.broadcast_to(np.asarray(point.converged), known.shape)
    point = _without(point, good)
    loads = point
    if memory and (good.all() or not periodic) and good.any():
        loads = _behind_loads(point, good, step, path, periodic)
    probe = tuple(getattr(loads, n) / path.probe for n in ("v_left", "v_right", "v_out"))
    return Passed(
        at, sent, fed, _base_lines(point, fed), point, loads, probe, np.isfinite(loads.v_out)
    )


def _fed(wave: Floats, step: float, feed: Feed, periodic: bool, memory: bool) -> Floats:
    return feed.shaped(feed.coupled(wave, step, periodic) if memory else feed.gain * wave)


def _without(point: OperatingPoint, good: Bools) -> OperatingPoint:
    """The point with NaN at the collectors where there is no answer."""
    if good.all():
        return point
    left, right, out = (
        np.where(good, v, np.nan) for v in (point.v_left, point.v_right, point.v_out)
    )
    return replace(point, converged=good, v_left=left, v_right=right, v_out=out)


def _behind_loads(
    point: OperatingPoint, good: Bools, step: float, path: Path, periodic: bool
) -> OperatingPoint:
    poles = path.both_poles
    if poles == (math.inf, math.inf):
        return point
    at = np.arange(good.size)

    def late(name: str, pole: float) -> Floats:
        v = np.broadcast_to(getattr(point, name), good.shape)
        whole = v if good.all() else np.interp(at, at[good], v[good])
        out = loaded(whole, step, pole, periodic)
        return np.where(good, out, np.nan)

    left, right = late("v_left", poles[0]), late("v_right", poles[1])
    return replace(point, v_left=left, v_right=right, v_out=right - left)


def _base_lines(point: OperatingPoint, fed: tuple[Floats, ...]) -> tuple[Floats, ...]:
    """Voltages between the base lines: as solved, or as fed to a cell that knows no lines."""
    if "base_upper_pos" not in point.nodes:
        return fed
    known = np.logical_and(*(np.isfinite(v) for v in fed))
    return tuple(
        np.where(known, point.nodes[f"base_{side}_pos"] - point.nodes[f"base_{side}_neg"], np.nan)
        for side in ("upper", "lower")
    )


# ---------------------------------------------------------------- noise


def noise_behind(
    noise: Noise, path: Path, frequency: float, cycle: float = math.inf
) -> dict[str, float]:
    """Noise of each part in the output difference, behind coupling capacitors and load poles.

    Parameters
    ----------
    noise : built.noise.Noise
    path : Path
    frequency : float
        Hz, at the output.
    cycle : float
        s, that the samples of `noise` take: of a drive, noise at `frequency` less every multiple
        of 1/cycle is folded here, each behind the coupling capacitor at its own frequency.

    Returns
    -------
    dict of str to float
        V^2/Hz (one-sided, mean over the cycle) by part; the drives as `r_source_upper`,
        `r_termination_upper` ... .
    """
    left, right = (complex(load_response(frequency, pole)) for pole in path.both_poles)
    weights = np.array([abs(left) ** 2, abs(right) ** 2, -2.0 * (right * left.conjugate()).real])
    out = {part: float(weights @ power) for part, power in noise.powers.items()}
    for drive in noise.drives:
        n = drive.gains.shape[1]
        came = frequency - np.fft.fftfreq(n, 1.0 / n) / cycle
        folded = np.abs(right * drive.gains[1] - left * drive.gains[0]) ** 2
        fed = np.abs(path.feed(drive.side).response(came)) ** 2
        power = drive.density * float(np.sum(folded * fed))
        for kind, share in (("source", drive.own), ("termination", 1.0 - drive.own)):
            if share > 0.0:
                part = f"r_{kind}_{drive.side}"
                out[part] = out.get(part, 0.0) + share * power
    return out
