"""What the supply and the temperature do to the tail current, and what of it comes out.

A ripple of the supply is small: the equations are taken straight about a point at which both
drives are held, with every capacitor in place, and solved at each frequency. Beside it stands the
closed form of a tail: what holds it, V, goes with the supply and the temperature; what it drops is
VBE and I R (Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated Circuits, chapter
4: bias circuits and their sensitivity to the supply and the temperature).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built import network, nodal
from forktail.core.built.circuit import Circuit
from forktail.core.checks import Complexes, Floats, as_quantity
from forktail.core.thermal import junction_drift

#: Hum of a supply behind a full-wave rectifier on 50 Hz mains, Hz (common practice, no source).
HUM = 100.0
#: A burst of the workshop's own transmitter on the supply, Hz (invented for our workshop).
BURST = 20e3
#: Offset on both inputs with which a ripple comes out of a cell that would balance it, V.
OFFSET = 10e-3
#: Step of voltage over which a current is taken straight, V.
_STEP = 1e-6


@dataclass(frozen=True)
class Ripple:
    """What one volt of ripple on the supply does; complex arrays of the shape of `frequency`, Hz.

    `tail`, change of the tail current as a part of it, 1/V; `output`, change of v_out, V/V;
    `lines`, change between the two base lines of the upper and of the lower input, V/V.
    """

    frequency: Floats
    tail: Complexes
    output: Complexes
    lines: tuple[Complexes, ...]


def ripple(
    circuit: Circuit, frequency: ArrayLike, v_upper: float = 0.0, v_lower: float = 0.0
) -> Ripple:
    """Answer of tail and output to a ripple of the supply.

    Parameters
    ----------
    circuit : Circuit
    frequency : array_like
        Hz; 0 is a supply that is set again.
    v_upper, v_lower : float
        V, at which the drives stand.

    Returns
    -------
    Ripple
        NaN where there is no solution at rest or with the drives, or no tail current.

    Raises
    ------
    QuantityError
        If an argument is not finite.
    """
    f = as_quantity("frequency", frequency, "Hz", 0.0)
    u, low = (np.atleast_1d(as_quantity(n, v, "V"))
              for n, v in (("v_upper", v_upper), ("v_lower", v_lower)))  # fmt: skip
    signal, bias, _ = network.solved_builds(circuit, {}, u, low)
    net, values = bias.net, bias.values
    if not (signal.ok.all() and bias.ok.all() and signal.tail[0]):
        lost = np.full(f.shape, complex(math.nan, math.nan))
        return Ripple(f, lost, lost, (lost, lost))
    v = bias.v.copy()
    for name, row in net.index.items():
        if row < net.n and name in signal.net.index:
            v[row] = signal.node(name)
    supply = np.zeros((1, len(net.names)))
    supply[0, net.index["supply"]] = 1.0
    still = nodal.slopes(net, values, v, supply)[:, 0, 0]
    seen = nodal.resistance(net, values, v, np.eye(len(net.names))[: net.n])[: net.n, :, 0]
    # G x = b without capacitors; with them (G + Y) x = b, so x = (1 + Y/G)^-1 x of before
    w = 2j * np.pi * f.ravel()
    extra = np.zeros((w.size, net.n), dtype=complex)
    for node, farads, drive in nodal.capacitors(circuit):
        ohms = 0.0  # of the drive, between the capacitor and ground
        if drive != "ground":
            side = drive.split("_")[1]
            share = 1.0 if getattr(circuit, f"{side}_mode") == "single" else 0.5
            ohms = share * nodal.drive_resistance(circuit, side)[0]
        row = net.index[node]
        if row < net.n:
            extra[:, row] += w * farads / (1.0 + w * farads * ohms)
    moved = np.zeros((len(net.names), w.size), dtype=complex)
    moved[net.n :] = still[net.n :, None]
    matrix = np.eye(net.n) + seen * extra[:, None, :]
    right_side = np.broadcast_to(still[: net.n, None], (w.size, net.n, 1))
    moved[: net.n] = np.linalg.solve(matrix, right_side)[..., 0].T

    def between(one: str, other: str) -> Complexes:
        return (moved[net.index[one]] - moved[net.index[other]]).reshape(f.shape)

    tail = _tail_change(net, values, v, moved) / signal.tail[0]
    lines = tuple(between(f"base_{side}_pos", f"base_{side}_neg") for side in ("upper", "lower"))
    return Ripple(f, tail.reshape(f.shape), between("right", "left"), lines)


def _tail_change(net: nodal.Net, values: nodal.Values, v: Floats, moved: Complexes) -> Complexes:
    """Change of the tail current with small moves of all nodes, A, shape of the last axis."""

    def straight(by: Floats) -> Floats:
        ends = []
        for sign in (1.0, -1.0):
            at = v + sign * _STEP * by
            _, current = nodal.error(net, values, at)
            ends.append(nodal.reference_current(net, values, at, current))
        return (ends[0] - ends[1]) / (2.0 * _STEP)

    return straight(moved.real.astype(float)) + 1j * straight(moved.imag.astype(float))


# ---------------------------------------------------------------- closed form of the tail


@dataclass(frozen=True)
class TailLaw:
    """What holds a tail and how stiffly, in closed form.

    Attributes
    ----------
    share : part of the supply that holds the base over the tail's resistor; 0 for an ideal source.
    stiff : V, I RE + IB RB + VT: the larger, the less the tail moves.
    drift : V/K, of the base-emitter voltage in the way.
    corner : Hz, of the bypass there: faster ripples are kept off the tail.
    reach : Hz, up to which `at` holds: behind the string more than one capacitor keeps them off.
    own : 1/K, of an ideal source in proportion to absolute temperature.
    """

    share: float = 0.0
    stiff: float = math.inf
    drift: float = 0.0
    corner: float = math.inf
    reach: float = math.inf
    own: float = 0.0

    @property
    def per_volt(self) -> float:
        """Slow relative change of the tail current with the supply, 1/V."""
        return self.share / self.stiff

    @property
    def per_kelvin(self) -> float:
        """Relative change of the tail current with the temperature, 1/K."""
        return self.own - self.drift / self.stiff

    def at(self, frequency: ArrayLike) -> Floats:
        """Size of the change of the tail with a ripple at frequencies in Hz, 1/V."""
        f = np.asarray(frequency, dtype=float)
        return self.per_volt / np.hypot(1.0, f / self.corner)


def tail_law(circuit: Circuit) -> TailLaw:
    """The closed form of a circuit's tail.

    V = VBE + I RE + IB RB holds it, so that dI/I = (share dV - dVBE/dT dT)/(I RE + IB RB + VT);
    the Early voltage is left out. Of a resistor tail V is the lower level, behind the bias
    resistors of the lower base lines.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    TailLaw
        NaN where there is no solution at rest, or no tail current.
    """
    c, point = circuit, network.solve_bias(circuit)
    if c.tail_kind == "ideal":
        return TailLaw(own=1.0 / c.temperature if c.tail_law == "absolute" else 0.0)
    tail, v_t = float(point.i_tail), float(point.thermal_voltage)
    if not tail > 0.0:
        return TailLaw(*(math.nan,) * 5)
    based = 1.0 / (c.beta_forward + 1.0)  # base current over emitter current
    if c.tail_kind == "transistor":
        bases, through, r_emitter, bias = 1, tail / (1.0 - based), c.r_tail_emitter, 0.0
        top, bottom, farads = c.r_tail_base_top, c.r_tail_base_bottom, c.c_bypass_tail
    else:  # two bases with half of the current each
        bases, through, r_emitter = 2, 0.5 * tail, 2.0 * c.r_tail + c.r_emitter_lower
        top, bottom = c.r_string_top + c.r_string_middle, c.r_string_bottom
        bias, farads = c.r_bias_lower_pos, c.c_bypass_lower
    fed = top * bottom / (top + bottom)
    bases_draw = bases * based / (based * bias + r_emitter + v_t / through)
    corner = (1.0 / fed + bases_draw) / (2.0 * math.pi * farads)
    slowest = math.inf
    if c.tail_kind == "resistor":
        found = network.corners(c)
        keys = ("bypass_upper", "bypass_lower", "coupling_lower", "ground_lower")
        slowest = 0.1 * min(found[k] for k in keys if math.isfinite(found[k]))
    return TailLaw(
        bottom / (top + bottom),
        through * (r_emitter + based * (bases * fed + bias)) + v_t,
        float(junction_drift(through, c.i_s, c.temperature)),
        corner,
        slowest,
    )


# ---------------------------------------------------------------- what Build shows


@dataclass(frozen=True)
class SupplyFigures:
    """What one volt of ripple on the supply does to a circuit.

    Attributes
    ----------
    slow, hum, burst : change of the tail current as a part of it, 1/V: slow, at `HUM`, at `BURST`.
    corner : Hz, of the bypass of the tail.
    lines : dB, hum between the base lines of the upper and of the lower input over that of the
        supply.
    balanced : dB, hum at the output over that of the supply, both inputs at zero.
    offset_hum, offset_burst : dB, at the output, with `OFFSET` on both inputs.
    """

    slow: float
    hum: float
    burst: float
    corner: float
    lines: tuple[float, ...]
    balanced: float
    offset_hum: float
    offset_burst: float


def figures(circuit: Circuit) -> SupplyFigures:
    """Figures of a circuit's supply: returns SupplyFigures; NaN where there is no solution."""
    rest = ripple(circuit, [0.0, HUM, BURST])
    off = ripple(circuit, [HUM, BURST], OFFSET, OFFSET)

    def level(of: Complexes) -> float:
        return 20.0 * math.log10(max(abs(complex(of)), 1e-12))

    return SupplyFigures(
        slow=float(abs(rest.tail[0])),
        hum=float(abs(rest.tail[1])),
        burst=float(abs(rest.tail[2])),
        corner=tail_law(circuit).corner,
        lines=tuple(level(line[1]) for line in rest.lines),
        balanced=level(rest.output[1]),
        offset_hum=level(off.output[0]),
        offset_burst=level(off.output[1]),
    )
