"""What arrives between the base lines of an input, every capacitor counted: small signals.

At its bias point the cell is a net of conductances; seen from the nodes on which capacitors hang
it is their matrix of resistances (`nodal.resistance`). To that come the capacitors, and what lies
before the coupling: half of the source resistance in each line of a balanced generator, whose
middle is grounded, and the termination across both (nodal analysis, any circuits text). In a sound
cell one coupling corner says as much; with a broken bias resistor, or one of two coupling
capacitors, it does not.
"""

import math
from collections.abc import Iterable
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built import network, nodal
from forktail.core.built.circuit import Circuit
from forktail.core.checks import Complexes, Floats

#: What stands for a short, S.
SHORT = 1e4
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
        self.known, self._at, self._seen = _cell(circuit)

    @cached_property
    def static(self) -> float:
        """The factor with every capacitor a short, but for those of the loads, which are left out:
        what a solution makes of the drive in which capacitors hold their voltage."""
        held = ((node, SHORT, end) for node, _, end in nodal.capacitors(self.circuit)
                if node not in ("left", "right"))  # fmt: skip
        return float(self._between(1, held)[0].real)

    def __call__(self, frequency: ArrayLike) -> Complexes:
        """Complex factor at frequencies, Hz, shape (n,)."""
        f = np.asarray(frequency, dtype=float)
        capacitors = (
            (node, 2j * np.pi * f * min(farads, 1.0), end)
            for node, farads, end in nodal.capacitors(self.circuit)
        )
        return self._between(f.size, capacitors)

    def _between(self, n: int, hanging: Iterable[tuple[str, Complexes | float, str]]) -> Complexes:
        """The factor with these admittances in the capacitors' places, shape (n,)."""
        c, places = self.circuit, len(self._seen)
        drives = [f"drive_{s}_{pole}" for s in _SIDES for pole in self._lines(s)]
        at = {**self._at, **{name: places + k for k, name in enumerate(drives)}}
        size = places + len(drives)
        y = np.zeros((n, size, size), dtype=complex)
        pushed = np.zeros(size)

        def branch(one: str, other: str, admittance: Complexes | float) -> None:
            ends = [at[node] for node in (one, other) if node in at]
            for end in ends:
                y[:, end, end] += admittance
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
        for node, admittance, end in hanging:
            branch(node, end, admittance)
        # the cell's own nodes: v = -Z i, with i what leaves them into the branches
        matrix = y.copy()
        matrix[:, :places] = self._seen @ y[:, :places]
        matrix[:, range(places), range(places)] += 1.0
        v = np.linalg.solve(matrix, np.broadcast_to(pushed[:, None], (n, size, 1)))[..., 0]
        read: Complexes = np.zeros(n, dtype=complex)
        if math.isinf(getattr(c, f"r_termination_{self.side}")):
            read += 1.0
        else:
            for sign, pole in zip((1.0, -1.0), self._lines(self.side)):
                read += sign * v[:, at[f"drive_{self.side}_{pole}"]]
        pos, neg = (at.get(f"base_{self.side}_{pole}") for pole in _POLES)
        between: Complexes = np.zeros(n, dtype=complex)
        for sign, row in ((1.0, pos), (-1.0, neg)):
            if row is not None:
                between += sign * v[:, row]
        return np.asarray(between / read)

    def _lines(self, side: str) -> tuple[str, ...]:
        return _POLES if getattr(self.circuit, f"{side}_mode") == "balanced" else ("pos",)


@lru_cache(maxsize=256)
def base_response(circuit: Circuit, side: str) -> BaseResponse:
    """The `BaseResponse` of a circuit, kept."""
    return BaseResponse(circuit, side)


@lru_cache(maxsize=256)
def _cell(circuit: Circuit) -> tuple[bool, dict[str, int], Floats]:
    """Whether there is a solution at rest, the nodes on which capacitors hang by row, and the
    resistances seen from them, ohm."""
    bias = network.solved_bias(circuit)
    nodes = [
        *(f"base_{s}_{pole}" for s in _SIDES for pole in _POLES),
        *("left", "right", "level_upper", "level_lower", "tail_base"),
    ]
    at = bias.net.index
    rows = {n: at[n] for n in nodes if n in at and at[n] < bias.net.n}
    places = list(dict.fromkeys(rows.values()))
    patterns = np.zeros((len(places), len(bias.net.names)))
    patterns[np.arange(len(places)), places] = 1.0
    seen = nodal.resistance(bias.net, bias.values, bias.v, patterns)
    return bool(bias.ok[0]), {n: places.index(row) for n, row in rows.items()}, seen[places, :, 0]
