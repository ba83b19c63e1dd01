"""How far every node moves when a part does: slopes of the built solution over its parts.

At a solution F(v, p) = 0 a part that moves by dp moves the nodes by -(dF/dv)^-1 dF/dp dp. All
slopes of one circuit cost about as much as its solution again, whatever their number, where
solving a circuit for each part would cost one solution a part. The bias point moves too, and with
it what the capacitors hold, so each slope is that of the whole circuit.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built import network, nodal
from forktail.core.built.circuit import Circuit, resistor_parts, transistor_names
from forktail.core.checks import Bools, Floats, QuantityError
from forktail.core.thermal import IS_EXPONENT, SILICON_GAP

#: Quantities beside resistors, source resistances and transistors. Those of `_PLAIN` move by
#: their unit (K, V), all others by their logarithm.
OTHERS = (
    "beta_forward", "i_s", "v_early", "i_tail", "v_supply", "temperature", "trim_upper",
    "trim_lower", "v_upper", "v_lower",
)  # fmt: skip
_PLAIN = ("temperature", "trim_upper", "trim_lower", "v_upper", "v_lower")
_TRIMS = ("trim_upper", "trim_lower")


@dataclass(frozen=True)
class Slopes:
    """A solution and its slopes.

    Attributes
    ----------
    names : tuple of str, the quantities.
    nodes : dict of node name to numpy.ndarray (lanes,), V.
    slopes : dict of node name to numpy.ndarray (quantities, lanes): V for a change of the
        logarithm of the quantity by 1, or by 1 K or 1 V for temperature, trims and inputs.
    ok : numpy.ndarray of bool (lanes,), whether there is a solution.
    """

    names: tuple[str, ...]
    nodes: dict[str, Floats]
    slopes: dict[str, Floats]
    ok: Bools


def quantities(circuit: Circuit) -> tuple[str, ...]:
    """Names of all quantities that a circuit has slopes over, in a fixed order."""
    sides = [
        f"r_source_{side}" for side in ("upper", "lower")
        if nodal.drive_resistance(circuit, side)[0] > 0.0
    ]  # fmt: skip
    left_out = () if circuit.tail_kind == "ideal" else ("i_tail",)
    return (
        *resistor_parts(circuit), *sides, *transistor_names(circuit),
        *(n for n in OTHERS if n not in left_out),
    )  # fmt: skip


def slopes_of(
    circuit: Circuit,
    v_upper: ArrayLike,
    v_lower: ArrayLike,
    scale: Mapping[str, float] | None = None,
    names: Iterable[str] | None = None,
    settle: bool = False,
) -> Slopes:
    """Solve one build at many inputs, with its slopes.

    Parameters
    ----------
    circuit : Circuit
    v_upper, v_lower : array_like, shape (lanes,)
        V, as `network.solve_built`.
    scale : dict of str to float, optional
        Factors on parts, as `network.solve_many`.
    names : sequence of str, optional
        Of `quantities`; all of them if left out. `r_source_upper` and `r_source_lower` stand for
        the resistance between a drive and its coupling capacitor, at an unchanged open voltage.
    settle : bool
        Whether the inputs are a wave that goes on and charges the coupling capacitors, see
        `network.solved_builds`.

    Returns
    -------
    Slopes
        At the nodes of `network.NODES` that the circuit has.

    Raises
    ------
    QuantityError
        For a name that the circuit does not have.
    """
    known = quantities(circuit)
    names = known if names is None else tuple(names)
    for name in names:
        if name not in known:
            raise QuantityError(f"{name!r} is no quantity here; there are {', '.join(known)}.")
    v_upper, v_lower = np.broadcast_arrays(
        np.atleast_1d(np.asarray(v_upper, float)), np.atleast_1d(np.asarray(v_lower, float))
    )
    signal, bias, _ = network.solved_builds(
        circuit, {k: [v] for k, v in (scale or {}).items()}, v_upper, v_lower, settle
    )
    ok = signal.ok & bias.ok[0]
    held = _slopes(circuit, bias, np.zeros((len(names), len(bias.net.names))), names)[:, :, 0]
    known_slopes = np.zeros((len(names), len(signal.net.names)))
    for row, node in signal.net.known_levels:
        known_slopes[:, row] = held[bias.net.index[node]]
    for row, side, share, base in signal.net.drives:
        if base is not None:
            known_slopes[:, row] = held[bias.net.index[base]]
        driven = ("v_upper", "v_lower")[side]
        if driven in names:
            known_slopes[names.index(driven), row] += share
    moved = _slopes(circuit, signal, known_slopes, names)
    nodes, slopes = {}, {}
    for node in network.NODES:
        if node in signal.net.index:
            row = signal.net.index[node]
            nodes[node], slopes[node] = signal.v[row], moved[row]
        elif node in bias.net.index:
            row = bias.net.index[node]
            nodes[node] = np.repeat(bias.v[row], ok.size)
            slopes[node] = np.repeat(held[row][:, None], ok.size, axis=1)
    return Slopes(names, nodes, slopes, ok)


def _slopes(
    circuit: Circuit, solution: network.Solution, known_slopes: Floats, names: tuple[str, ...]
) -> Floats:
    """Slopes of all nodes (nodes, quantities, lanes); `known_slopes` is completed."""
    net, values, v = solution.net, solution.values, solution.v
    if not names:
        return np.zeros((len(net.names), 0, v.shape[1]))
    vbe = v[net.dev_b] - v[net.dev_e]
    vbc = v[net.dev_b] - v[net.dev_c]
    injected = np.zeros((net.n, len(names), v.shape[1]))
    with np.errstate(all="ignore"):
        junctions = _Junctions(net, values, vbe, vbc, circuit.temperature)
        drop = v[net.res_a] - v[net.res_b] + values.emf
        through = values.g * drop
        for k, name in enumerate(names):
            if name == "v_supply":
                known_slopes[k, net.index["supply"]] = circuit.v_supply
            elif name == "i_tail":
                injected[net.source_row, k] = values.source
            elif name in _TRIMS:
                push = values.g * net.emf[:, [_TRIMS.index(name)]]
                injected[:, k] = net.f_res @ np.broadcast_to(push, through.shape)
            elif name in OTHERS or name.startswith("Q"):
                change = junctions.change(name)
                if change is not None:
                    injected[:, k] = net.f_dev @ change
            else:
                for r in _rows(net, name):
                    injected[:, k] -= np.outer(net.f_res[:, r], through[r])
    return nodal.slopes(net, values, v, known_slopes, injected)


def _rows(net: nodal.Net, name: str) -> list[int]:
    """Rows of the resistors that one quantity stands for."""
    if name.startswith("r_source_"):
        side = name.removeprefix("r_source_")
        wanted = [f"drive_{side}_pos", f"drive_{side}_neg"]
    else:
        wanted = [name]
    return [r for r, part in enumerate(net.resistors) if part in wanted]


class _Junctions:
    """Change of the transistors' currents over their own parameters; see `nodal` for the law."""

    def __init__(
        self, net: nodal.Net, values: nodal.Values, vbe: Floats, vbc: Floats, temperature: float
    ) -> None:
        self.net, self.values, self.vbe, self.vbc = net, values, vbe, vbc
        self.temperature = temperature
        self.forward = values.i_s * np.exp(vbe / net.v_t)
        self.reverse = values.i_s * np.exp(vbc / net.v_t)
        self.real = np.array([[d != "catch"] for d in net.devices])

    def change(self, name: str) -> Floats | None:
        """(dic, dib) stacked (2k, lanes), or None for inputs, which move no law."""
        net, values = self.net, self.values
        zero = np.zeros_like(self.forward)
        on = self.forward - values.i_s
        if name == "beta_forward":
            return np.concatenate([zero, -values.inv_bf * on])
        if name == "v_early":
            return np.concatenate([(self.forward - self.reverse) * self.vbc * net.inv_va, zero])
        if name == "temperature":
            t = self.temperature
            growth = np.where(self.real, (IS_EXPONENT + SILICON_GAP / net.v_t) / t, 0.0)
            return self._scaled(
                growth, growth - self.vbe / (net.v_t * t), growth - self.vbc / (net.v_t * t)
            )
        if name == "i_s":
            return self._scaled(*[np.where(self.real, 1.0, 0.0)] * 3)
        if name in net.devices:
            own = np.array([[1.0 if d == name else 0.0] for d in net.devices])
            return self._scaled(own, own, own)
        return None

    def _scaled(self, i_s: Floats, forward: Floats, reverse: Floats) -> Floats:
        """Currents as IS and both exponentials grow by these shares."""
        net, values = self.net, self.values
        small = values.i_s * i_s
        forward, reverse = self.forward * forward, self.reverse * reverse
        back = net.inv_br * (reverse - small)
        return np.concatenate(
            [
                (forward - reverse) * (1.0 - net.inv_va * self.vbc) - back,
                values.inv_bf * (forward - small) + back,
            ]
        )
