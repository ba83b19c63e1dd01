"""Noise of a use: what it adds, what it leaves of a faint signal, and which parts make it.

With no signal, only the drive that sets the gain (an oscillator over its cycle, or a control
voltage) moves the cell. A built cell is solved part by part (`built.noise`); any other cell has
what its collector currents and loads make (`cell.noise`). The law beside it is that of matched
pairs without base currents, on an ideal path.

The noise figure is that of one signal band (single-sideband), its source at 290 K (Friis, Noise
Figures of Radio Receivers, Proceedings of the IRE 32, 1944; from memory).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built import nodal
from forktail.core.built.circuit import Circuit
from forktail.core.built.noise import T_SOURCE, families, solve_noise
from forktail.core.cell.noise import cell_noise
from forktail.core.checks import Floats
from forktail.core.models import BuiltCell, Solver
from forktail.core.path import IDEAL, Path, noise_behind
from forktail.core.spec import Spec, spec
from forktail.core.thermal import BOLTZMANN
from forktail.core.uses.reference import Bench, once
from forktail.core.uses.result import Figure, Relation
from forktail.core.uses.steady import terms
from forktail.core.waves.sound import Density
from forktail.core.waves.spectrum import decibel

#: How far a signal stands over the noise where it counts as heard, dB.
HEARD_DB = 10.0
#: The band of a listener.
BAND: Spec = spec(
    "bandwidth",
    "noise_band",
    label="Noise band",
    doc="Band around the wanted output over which noise is added up.",
    part="use",
)


@dataclass(frozen=True)
class NoiseRun:
    """Noise of one scene at one output frequency.

    Attributes
    ----------
    power : float
        V^2/Hz at the output, behind the loads.
    gain : float
        Of a faint signal, from the generator to there.
    shares : dict of str to float
        Family of parts (`built.noise.FAMILIES`) -> its part of the power.
    factor : float
        Noise factor against the source resistance; NaN where there is none.
    """

    power: float
    gain: float
    shares: dict[str, float]
    factor: float

    @property
    def output(self) -> float:
        """Density at the output, V/sqrt(Hz)."""
        return math.sqrt(self.power)

    @property
    def input(self) -> float:
        """Density at the generator that would give it, V/sqrt(Hz); NaN without a gain."""
        return self.output / self.gain if self.gain > 0.0 else math.nan

    def faintest(self, band: float) -> float:
        """Peak of a sine at the generator that is `HEARD_DB` over the noise of a band, V."""
        return self.input * math.sqrt(2.0 * 10.0 ** (HEARD_DB / 10.0) * band)


def cycle_of(peak: float, v_t: float) -> Floats:
    """One cycle of a cosine of `peak` V, with the samples that squares of its answers need.

    These have twice as many terms as the answers, and a mean is right while the samples are more.
    """
    half = terms(peak, v_t)
    up = peak * np.cos(np.pi * (np.arange(half) + 0.5) / half)
    return np.concatenate([up, up[::-1]])


@once(64)
def _powers(
    b: Bench, v_upper: float, peak: float, v_lower: float, frequency: float, cycle: float
) -> dict[str, float]:
    """Noise by part of a built cell, else by family, V^2/Hz, behind the loads."""
    u = v_upper + (cycle_of(peak, b.v_t) if peak else np.zeros(1))
    return powers_of(b.solve, b.path, u, v_lower, frequency, cycle)


def powers_of(
    solve: Solver,
    path: Path,
    v_upper: ArrayLike,
    v_lower: ArrayLike,
    frequency: float,
    cycle: float,
) -> dict[str, float]:
    """Noise of a cell while its inputs move, V^2/Hz behind the loads at a frequency in Hz.

    By part of a built cell, by family of any other. Inputs are of shape (n,) over one `cycle`, s,
    V as they reach the cell.
    """
    if isinstance(solve, BuiltCell):
        return noise_behind(solve_noise(solve.driven, v_upper, v_lower), path, frequency, cycle)
    resistors = (float(getattr(solve, f"r_emitter_{side}", 0.0)) for side in ("upper", "lower"))
    found = cell_noise(solve(v_upper, v_lower), *resistors)
    loads = abs(complex(path.load_response(frequency))) ** 2
    return {family: loads * float(np.mean(power)) for family, power in found.items()}


def density_of(n: "NoiseRun", path: Path, frequency: float) -> Density:
    """Density at any frequency, Hz, from that at one: what the loads leave of it."""
    before = n.output / abs(complex(path.load_response(frequency)))
    return lambda hertz: before * np.abs(path.load_response(hertz))


def measure_noise(
    b: Bench,
    side: str,
    frequency: float,
    gain: float,
    peak: float = 0.0,
    v_lower: float = 0.0,
    cycle: float = math.inf,
    v_upper: float = 0.0,
) -> NoiseRun:
    """Noise at one output frequency, Hz.

    Parameters
    ----------
    b : reference.Bench
    side : str
        Which input the signal is on.
    frequency : float
        Hz, at the output.
    gain : float
        Of a faint signal from the generator to the output.
    peak : float
        V, of an oscillator on the upper input, as it reaches the cell.
    v_lower, v_upper : float
        V, DC on each input.
    cycle : float
        s, of the oscillator.

    Raises
    ------
    QuantityError
        If a sample has no solution.
    """
    parts = _powers(b, v_upper, peak, v_lower, frequency, cycle)
    built = isinstance(b.solve, BuiltCell)
    by_family = families(parts) if built else parts
    power = sum(by_family.values())
    factor = math.nan
    if isinstance(b.solve, BuiltCell):
        c = b.solve.driven
        ohms, share = getattr(c, f"r_source_{side}"), nodal.source_share(c, side)
        if ohms > 0.0 and gain:
            own = parts.get(f"r_source_{side}", 0.0)
            at_290 = power + own * (T_SOURCE / c.temperature - 1.0)
            factor = at_290 / (4.0 * BOLTZMANN * T_SOURCE * ohms * (share * gain) ** 2)
    shares = {k: p / power for k, p in by_family.items() if p > 0.0}
    return NoiseRun(power, abs(gain), shares, factor)


def figures_of(n: NoiseRun, band: float, compression: float) -> dict[str, Figure]:
    """Figures of merit of the noise; `compression` is the peak that loses 1 dB, V."""
    faintest = n.faintest(band)
    found = {
        "noise_output": Figure(n.output, "V/sqrt(Hz)"),
        "noise_input": Figure(n.input, "V/sqrt(Hz)"),
        "noise_rms": Figure(n.output * math.sqrt(band), "V"),
        "faintest": Figure(faintest, "V"),
        "noise_range": Figure(float(decibel(compression / faintest)), "dB"),
    }
    if math.isfinite(n.factor):
        found["noise_figure"] = Figure(10.0 * math.log10(n.factor), "dB")
    return found


# ---------------------------------------------------------------- relations


def line_resistance(circuit: Circuit, side: str) -> tuple[float, float]:
    """What two base lines see outwards in series, drive beside bias, ohm; and how much of the
    drive the bias resistors leave."""
    drive, _ = nodal.drive_resistance(circuit, side)
    halves = {"pos": drive}
    if getattr(circuit, f"{side}_mode") == "balanced":
        halves = {"pos": 0.5 * drive, "neg": 0.5 * drive}
    bias = {pole: getattr(circuit, f"r_bias_{side}_{pole}") for pole in halves}
    left = [bias[pole] / (ohms + bias[pole]) for pole, ohms in halves.items()]
    return sum(k * ohms for k, ohms in zip(left, halves.values())), sum(left) / len(left)


@once(64)
def law(b: Bench, peak: float, v_lower: float, v_upper: float = 0.0) -> float:
    """Power of the noise by the laws of matched pairs, V^2/Hz; arguments as `measure_noise`."""
    u = v_upper + (cycle_of(peak, b.v_t) if peak else np.zeros(1))
    total = sum(powers_of(b.ideal.solve, IDEAL, u, v_lower, 0.0, math.inf).values())
    if isinstance(b.solve, BuiltCell):
        point = b.ideal.solve(u, v_lower)
        for side, slope in (("upper", point.gain_upper), ("lower", point.gain_lower)):
            ohms, _ = line_resistance(b.solve.driven, side)
            total += 4.0 * BOLTZMANN * b.temperature * ohms * float(np.mean(slope**2))
    return total


def relations_of(
    b: Bench,
    n: NoiseRun,
    side: str,
    band: float,
    frequency: float,
    gain_law: float,
    compression_law: float,
    peak: float = 0.0,
    v_lower: float = 0.0,
) -> dict[str, Relation]:
    """Textbook relations of the figures of the noise; arguments as `measure_noise`."""
    ideal = NoiseRun(law(b, peak, v_lower), abs(gain_law), {}, math.nan)
    pole = b.path.load_pole
    inside = frequency + 0.5 * band <= pole

    def relation(value: float) -> Relation:
        known = value if math.isfinite(value) else None
        return Relation(known, limit=pole, limit_unit="Hz", inside=inside)

    faintest = ideal.faintest(band)
    found = {
        "noise_output": relation(ideal.output),
        "noise_input": relation(ideal.input),
        "noise_rms": relation(ideal.output * math.sqrt(band)),
        "faintest": relation(faintest),
        "noise_range": relation(float(decibel(compression_law / faintest))),
    }
    if math.isfinite(n.factor) and isinstance(b.solve, BuiltCell):
        c = b.solve.driven
        ohms, share = getattr(c, f"r_source_{side}"), nodal.source_share(c, side)
        heard = share * line_resistance(c, side)[1]
        own = 4.0 * BOLTZMANN * T_SOURCE * ohms * heard**2
        found["noise_figure"] = relation(float(decibel(ideal.input / math.sqrt(own))))
    return found
