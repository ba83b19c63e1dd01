"""What arrives between the base lines of an input, every capacitor counted: small signals.

At its bias point the cell is a net of conductances; seen from the nodes on which capacitors hang
it is their matrix of resistances (`nodal.resistance`). To that come the capacitors, and what lies
before the coupling: half of the source resistance in each line of a balanced generator, whose
middle is grounded, and the termination across both (nodal analysis, any circuits text). In a sound
cell one coupling corner says as much; with a broken bias resistor, or one of two coupling
capacitors, it does not.
"""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built import network, nodal, sensitivity
from forktail.core.built.circuit import Circuit
from forktail.core.checks import Complexes, Floats

_SIDES, _POLES = ("upper", "lower"), ("pos", "neg")


class BaseResponse:
    """Between the base lines of one input, over what is read at its generator.

    Read where a scope would be put while the board runs: across the termination, or before the
    source resistance where there is no termination.

    Parameters
    ----------
    circuit : Circuit
    side : str
        `upper` or `lower`.

    Attributes
    ----------
    known : bool
        Whether there is a solution at rest to be linear about.
    """

    def __init__(self, circuit: Circuit, side: str) -> None:
        self.circuit, self.side = circuit, side
        zero = np.zeros(1)
        _, bias, _ = network.solved_builds(circuit, {}, zero, zero)
        self.known = bool(bias.ok[0])
        nodes = [
            *(f"base_{s}_{pole}" for s in _SIDES for pole in _POLES),
            *("left", "right", "level_upper", "level_lower", "tail_base"),
        ]
        at = bias.net.index
        rows = {n: at[n] for n in nodes if n in at and at[n] < bias.net.n}
        places = list(dict.fromkeys(rows.values()))
        self._at = {name: places.index(row) for name, row in rows.items()}
        patterns = np.zeros((len(places), len(bias.net.names)))
        patterns[np.arange(len(places)), places] = 1.0
        seen = nodal.resistance(bias.net, bias.values, bias.v, patterns)
        self._seen: Floats = seen[places, :, 0]

    def __call__(self, frequency: ArrayLike) -> Complexes:
        """Complex factor at frequencies, Hz, shape (n,)."""
        f = np.asarray(frequency, dtype=float)
        c, places = self.circuit, len(self._seen)
        drives = [f"drive_{s}_{pole}" for s in _SIDES for pole in self._lines(s)]
        at = {**self._at, **{name: places + k for k, name in enumerate(drives)}}
        size = places + len(drives)
        y = np.zeros((f.size, size, size), dtype=complex)
        pushed = np.zeros(size)

        def branch(one: str, other: str, admittance: Complexes | float) -> None:
            ends = [at[n] for n in (one, other) if n in at]
            for n in ends:
                y[:, n, n] += admittance
            if len(ends) == 2:
                y[:, ends[0], ends[1]] -= admittance
                y[:, ends[1], ends[0]] -= admittance

        for s in _SIDES:
            lines = self._lines(s)
            for pole in lines:
                drive = f"drive_{s}_{pole}"
                ohms = max(getattr(c, f"r_source_{s}") / len(lines), 1e-3)
                branch(drive, "ground", 1.0 / ohms)
                if s == self.side:
                    pushed[at[drive]] = (1.0 if pole == "pos" else -1.0) / len(lines) / ohms
            far = "ground" if len(lines) == 1 else f"drive_{s}_neg"
            if f"open:r_termination_{s}" not in c.faults:
                branch(f"drive_{s}_pos", far, 1.0 / getattr(c, f"r_termination_{s}"))
        for node, farads, end in nodal.capacitors(c):
            branch(node, end, 2j * np.pi * f * min(farads, 1.0))
        # the cell's own nodes: v = -Z i, with i what leaves them into the branches
        matrix = y.copy()
        matrix[:, :places] = self._seen @ y[:, :places]
        matrix[:, range(places), range(places)] += 1.0
        v = np.linalg.solve(matrix, np.broadcast_to(pushed[:, None], (f.size, size, 1)))[..., 0]
        read: Complexes = np.zeros(f.size, dtype=complex)
        if math.isinf(getattr(c, f"r_termination_{self.side}")):
            read += 1.0
        else:
            for sign, pole in zip((1.0, -1.0), self._lines(self.side)):
                read += sign * v[:, at[f"drive_{self.side}_{pole}"]]
        pos, neg = (at.get(f"base_{self.side}_{pole}") for pole in _POLES)
        between: Complexes = np.zeros(f.size, dtype=complex)
        for sign, n in ((1.0, pos), (-1.0, neg)):
            if n is not None:
                between += sign * v[:, n]
        return np.asarray(between / read)

    def _lines(self, side: str) -> tuple[str, ...]:
        return _POLES if getattr(self.circuit, f"{side}_mode") == "balanced" else ("pos",)


@lru_cache(maxsize=256)
def base_response(circuit: Circuit, side: str) -> BaseResponse:
    """The `BaseResponse` of a circuit, kept."""
    return BaseResponse(circuit, side)


@lru_cache(maxsize=256)
def base_slope(circuit: Circuit, side: str) -> float:
    """Volts between the base lines for a volt of the drive, as the static solution has it."""
    s = sensitivity.slopes_of(circuit, [0.0], [0.0], names=(f"v_{side}",))
    pos, neg = (s.slopes[f"base_{side}_{pole}"][0, 0] for pole in _POLES)
    return float(pos - neg)
