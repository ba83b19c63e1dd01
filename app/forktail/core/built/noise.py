"""Noise of the built cell: what each part adds at the outputs, mean over a cycle of the drives.

Sources, all of them white and independent:

- shot noise 2 q I of what crosses each junction at random: the instantaneous collector and base
  current (Schottky, 1918; Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated
  Circuits, chapter 11);
- thermal noise 4 k T/R of every resistor, the source resistance and the termination of each drive
  among them (Nyquist, 1928).

At each sample of the drives the network is linear for something so faint. Its transposed solution
(`nodal.transfers`) gives at once what a current anywhere does to either output. A white source
behind a gain that varies over a cycle is, averaged over the cycle, white again: its density times
the mean square of the gain, both at the same instant. That mean holds all sidebands from which
noise is folded down. What passes a coupling capacitor first is not white, so of the drives the
Fourier parts of the gain are kept; `path.noise_behind` puts capacitors and load poles to it.

Left out: flicker noise, which the circuit file does not describe (a kilohertz and less: common
practice, no source), the resistance of the bases, and the divider string and the base divider of
the tail, which their bypasses short. An ideal tail has no noise.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built import network, nodal
from forktail.core.built.circuit import Circuit
from forktail.core.checks import Complexes, Floats, QuantityError
from forktail.core.thermal import BOLTZMANN, ELEMENTARY_CHARGE

#: Temperature of the source resistance in a noise figure, K (Friis, Noise Figures of Radio
#: Receivers, Proceedings of the IRE 32, 1944: 290 K; from memory).
T_SOURCE = 290.0

#: Families of parts, in the order in which they are told: family -> beginnings of part names.
FAMILIES = {
    "source_upper": ("r_source_upper",),
    "source_lower": ("r_source_lower",),
    "lines": ("r_termination_", "r_bias_"),
    "lower": ("Q5", "Q6"),
    "upper": ("Q1", "Q2", "Q3", "Q4"),
    "emitters": ("r_emitter_",),
    "loads": ("r_load_",),
    "tail": ("Q7", "r_tail"),
}


@dataclass(frozen=True)
class DriveNoise:
    """Thermal noise of what drives one base line.

    Attributes
    ----------
    side : str
        `upper` or `lower`.
    density : float
        V^2/Hz, in series with the drive.
    own : float
        The part of `density` that is of the generator; the rest is of its termination.
    gains : complex array, shape (2, n)
        Fourier parts over the cycle, in the order of `numpy.fft.fft`, of the gain from there to
        the left and to the right output.
    """

    side: str
    density: float
    own: float
    gains: Complexes


@dataclass(frozen=True)
class Noise:
    """Noise at the outputs of a cell, before load poles.

    Attributes
    ----------
    powers : dict of str to numpy.ndarray, shape (3,)
        V^2/Hz by part (`Q1`, `r_load_left` ...): mean of left squared, of right squared, and of
        left times right.
    drives : tuple of DriveNoise
    """

    powers: dict[str, Floats]
    drives: tuple[DriveNoise, ...]


def solve_noise(circuit: Circuit, v_upper: ArrayLike = 0.0, v_lower: ArrayLike = 0.0) -> Noise:
    """Noise of a cell over one cycle of its drives, or at rest.

    Parameters
    ----------
    circuit : Circuit
    v_upper, v_lower : array_like, shape (n,) or ()
        V, as `network.solve_built` takes them: equal steps over whole cycles. They broadcast.

    Returns
    -------
    Noise

    Raises
    ------
    QuantityError
        If a sample has no solution.
    """
    pairs = np.stack([np.ravel(v) for v in np.broadcast_arrays(v_upper, v_lower)])
    # a cycle passes most voltages twice, on the way up and down
    pairs, place = np.unique(pairs, axis=1, return_inverse=True)
    place = np.ravel(place)
    signal, bias, _ = network.solved_signal(circuit, *pairs)
    missed = int(np.sum(~(signal.ok & bias.ok)[place]))
    if missed:
        raise QuantityError(
            f"the cell has no solution at {missed} of {place.size} samples, so its noise is "
            "not known; try a smaller drive."
        )
    weights = np.bincount(place) / place.size
    net, values, v = signal.net, signal.values, signal.v
    ends = np.zeros((2, len(net.names)))
    for row, name in enumerate(("left", "right")):
        ends[row, net.index[name]] = 1.0
    seen = nodal.transfers(net, values, v, ends)  # (nodes, left or right, lanes), ohm
    thermal = 4.0 * BOLTZMANN * circuit.temperature
    shot = 2.0 * ELEMENTARY_CHARGE * nodal.shot_currents(net, values, v)
    c, b, e = (seen[pins] for pins in (net.dev_c, net.dev_b, net.dev_e))
    resistors = seen[net.res_a] - seen[net.res_b]
    # (sources, left or right, lanes), and what each source has at each instant, A^2/Hz
    gains = np.concatenate([e - c, e - b, c - b, resistors])
    still = np.broadcast_to(thermal * values.g, (len(net.resistors), weights.size))
    density = np.concatenate([*shot, still]) * weights
    left, right = gains[:, 0], gains[:, 1]
    squares = [
        np.sum(density * a * b, axis=1) for a, b in ((left, left), (right, right), (left, right))
    ]
    powers: dict[str, Floats] = {}
    drives = []
    for source, name in enumerate((*net.devices * 3, *net.resistors)):
        if name.startswith("drive_"):
            side, g = name.split("_")[1], float(values.g[source - 3 * len(net.devices), 0])
            parts = np.fft.fft(g * gains[source][:, place], axis=-1) / place.size
            drives.append(DriveNoise(side, thermal / g, _own(circuit, side), parts))
        elif name.startswith(("Q", "r_")):  # a broken joint, a bridge or an ideal tail is no part
            power = np.array([square[source] for square in squares])
            powers[name] = powers.get(name, 0.0) + power
    return Noise(powers, tuple(drives))


def _own(circuit: Circuit, side: str) -> float:
    """Share of the generator in the thermal noise of a drive: its resistance over the whole, as
    seen from the line."""
    if f"open:drive_{side}" in circuit.faults:
        return 0.0
    if f"open:r_termination_{side}" in circuit.faults:
        return 1.0
    return nodal.source_share(circuit, side)


def families(parts: Mapping[str, float]) -> dict[str, float]:
    """Noise by part (V^2/Hz, as `path.noise_behind` gives it) added up by family of `FAMILIES`."""
    return {
        family: sum(power for part, power in parts.items() if part.startswith(heads))
        for family, heads in FAMILIES.items()
    }
