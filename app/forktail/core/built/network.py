"""The built cell: bias point and signal solution of all its transistors, and figures of merit.

Two solutions share one set of equations (`nodal`):

- The *bias* solution has the capacitors open and the drives absent; base currents drop voltage
  in the bias resistors and load the divider string.
- The *signal* solution holds each capacitor at its bias-point voltage, so the taps and the base
  of the tail transistor are stiff and each drive reaches its base line through its source
  resistance and termination. Slow shifts of the capacitor voltages under a large drive are not
  followed.

`v_upper` and `v_lower` are the differential voltages that each drive would put between its two
base lines after source resistance and termination, with no base current and no loading by the
bias resistors. With large bias resistors and betas they are what the base lines carry.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from forktail.core.built import nodal
from forktail.core.built.circuit import (
    COLDEST,
    HOTTEST,
    Circuit,
    Fault,
    break_part,
    resistor_parts,
    single_faults,
    transistor_names,
)
from forktail.core.built.nodal import ACCEPT, FLOOR_CURRENT
from forktail.core.cell.law import OperatingPoint
from forktail.core.cell.pair import split_fractions
from forktail.core.checks import Floats, QuantityError, as_quantity, broadcast_shape
from forktail.core.quantities import format_quantity

__all__ = [
    "Circuit",
    "Fault",
    "break_part",
    "single_faults",
    "floating",
    "readings",
    "METER",
    "LOOSE",
    "PULLED",
    "solve_bias",
    "solve_built",
    "solve_many",
    "inspect",
    "Inspection",
    "headroom",
    "dissipation",
    "figures",
    "Figures",
    "supply_current",
    "product_gain",
    "full_steer",
    "distortion",
    "linear_range",
    "corners",
    "NODES",
    "EDGE_FRACTION",
]

#: Node names of every answer, with what they are. Emitter nodes equal the common node where
#: there is no emitter resistor; `tail_base` and `emitter_q7` exist with a transistor tail only.
NODES = {
    "supply": "supply",
    "level_upper": "upper tap of the divider string",
    "level_lower": "lower tap of the divider string",
    "base_upper_pos": "bases of Q1 and Q4",
    "base_upper_neg": "bases of Q2 and Q3",
    "base_lower_pos": "base of Q5",
    "base_lower_neg": "base of Q6",
    "left": "left output: collectors of Q1 and Q3",
    "right": "right output: collectors of Q2 and Q4",
    "common_left": "collector of Q5, common to Q1 and Q2",
    "common_right": "collector of Q6, common to Q3 and Q4",
    "tail": "tail node, common to Q5 and Q6",
    **{f"emitter_q{k}": f"emitter of Q{k}" for k in range(1, 7)},
    "tail_base": "base of Q7",
    "emitter_q7": "emitter of Q7",
}

#: A junction counts as conducting once its transport current exceeds this fraction of the tail
#: current; the edge of saturation is where the collector junction does.
EDGE_FRACTION = 1e-3
#: Resistance of a hand-held meter on its voltage ranges, ohm (common practice, no source).
METER = 10e6
#: A node floats if all that ties it to the rest is more than this, ohm: leakage and broken joints.
LOOSE = 10.0 * METER
#: Share of its voltage by which a meter may pull a node before it is worked out and told.
PULLED = 1e-3
REGIONS = ("cut off", "active", "reverse", "saturated", "not solved")
#: Rounds in which drives charge the capacitors, and what they may still move by, V.
_CHARGING, _CHARGED = 12, 2e-4
#: Bases of the signal transistors.
_BASE_LINES = {
    "Q1": "base_upper_pos", "Q2": "base_upper_neg", "Q3": "base_upper_neg",
    "Q4": "base_upper_pos", "Q5": "base_lower_pos", "Q6": "base_lower_neg",
}  # fmt: skip
#: Names that `solve_many` accepts beside resistor parts and transistors.
_EXTRA_SPREAD = ("beta_forward", "i_tail", "trim_upper", "trim_lower", "trim_balance")


class Solution:
    """Solved lanes of one net, with what can be read from them."""

    def __init__(
        self,
        circuit: Circuit,
        net: nodal.Net,
        values: nodal.Values,
        v: Floats,
        known_slopes: Floats | None = None,
        second: Floats | None = None,
        iterations: int = 14,
        stepping: bool = True,
    ) -> None:
        self.circuit, self.net, self.values, self.v = circuit, net, values, v
        self.residual, self.current, self.tail = nodal.solve_lanes(
            net, values, v, second, iterations, stepping
        )
        self.ok = self.residual < ACCEPT
        lost = ~self.ok
        if lost.any():  # never shown, but others may start from it
            self.v[:, lost] = np.nan_to_num(self.v[:, lost], nan=0.0, posinf=0.0, neginf=0.0)
            self.tail = np.where(np.isfinite(self.tail), self.tail, 0.0)
        self.known_slopes = np.zeros((2, len(net.names))) if known_slopes is None else known_slopes

    def node(self, name: str) -> Floats:
        return self.v[self.net.index[name]]

    def device(self, name: str) -> tuple[Floats, Floats]:
        d = self.net.devices.index(name)
        return self.current[d], self.current[len(self.net.devices) + d]

    def through(self, part: str) -> tuple[Floats, Floats]:
        """Current and drop of a resistor from its first to its second node."""
        r = self.net.resistors.index(part)
        drop = self.v[self.net.res_a[r]] - self.v[self.net.res_b[r]] + self.values.emf[r]
        return self.values.g[r] * drop, drop

    def junctions(self, name: str) -> tuple[Floats, Floats]:
        d = self.net.devices.index(name)
        b = self.v[self.net.dev_b[d]]
        return b - self.v[self.net.dev_e[d]], b - self.v[self.net.dev_c[d]]

    def power(self, name: str) -> Floats:
        """Heat of a transistor, W."""
        (ic, ib), (vbe, vbc) = self.device(name), self.junctions(name)
        return ic * (vbe - vbc) + ib * vbe

    def edge(self, name: str) -> Floats:
        """Junction voltage at which a junction of this transistor starts to conduct."""
        i_s = self.values.i_s[self.net.devices.index(name)]
        reference = np.maximum(np.abs(self.tail), FLOOR_CURRENT)
        return self.net.v_t * np.log(EDGE_FRACTION * reference / i_s)

    def region(self, name: str) -> NDArray[np.str_]:
        vbe, vbc = self.junctions(name)
        edge = self.edge(name)
        be, bc = vbe > edge, vbc > edge
        code = np.where(be & bc, 3, np.where(be, 1, np.where(bc, 2, 0)))
        code = np.where(be & bc & (vbc > vbe), 2, code)
        return np.array(REGIONS)[np.where(self.ok, code, 4)]

    @cached_property
    def healthy(self) -> bool:
        """Whether every transistor of every lane is active."""
        return all((self.region(q) == "active").all() for q in transistor_names(self.circuit))

    def headroom(self, name: str) -> Floats:
        return self.edge(name) - self.junctions(name)[1]


def _guess(net: nodal.Net, circuit: Circuit, v: Floats, i_tail: Floats | float) -> None:
    """Fill the unknown nodes as the textbook would have them, from the base and level rows."""
    at, v_t = net.index, net.v_t
    i_s = float(np.mean(net.i_s[:6]))
    supply = v[at["supply"]]
    current = np.clip(i_tail, 1e-9, 100.0)

    def drop(i: Floats) -> Floats:
        return v_t * np.log(np.maximum(i, 1e-13) / i_s)

    def put(name: str, value: Floats) -> None:
        row = at.get(name, net.n)
        if row < net.n:
            v[row] = value

    def pair(pos: str, neg: str, i: Floats, r: float) -> tuple[Floats, Floats, Floats]:
        """Currents of both sides and the voltage of the common point."""
        a, b = v[at[pos]], v[at[neg]]
        first, second = split_fractions(a - b, circuit.temperature, i, r)
        large = np.maximum(first, second) * i
        return first * i, second * i, np.where(a > b, a, b) - drop(large) - r * large

    r_lower, r_upper = circuit.r_emitter_lower, circuit.r_emitter_upper
    i5, i6, tail = pair("base_lower_pos", "base_lower_neg", current, r_lower)
    put("tail", tail)
    put("emitter_q5", tail + r_lower * i5)
    put("emitter_q6", tail + r_lower * i6)
    put("emitter_q7", circuit.r_tail_emitter * current)
    i1, i2, level = pair("base_upper_pos", "base_upper_neg", i5, r_upper)
    put("common_left", level)
    put("emitter_q1", level + r_upper * i1)
    put("emitter_q2", level + r_upper * i2)
    i4, i3, level = pair("base_upper_pos", "base_upper_neg", i6, r_upper)
    put("common_right", level)
    put("emitter_q3", level + r_upper * i3)
    put("emitter_q4", level + r_upper * i4)
    left = i1 + i3
    floor = np.maximum(v[at["base_upper_pos"]], v[at["base_upper_neg"]]) - 0.5
    put("left", np.maximum(supply - circuit.r_load_left * left, floor))
    put("right", np.maximum(supply - circuit.r_load_right * (current - left), floor))
    for name, row in at.items():  # loose pins of faults start where they belong
        if "." in name and row < net.n:
            v[row] = 0.5 * supply


def _expected_tail(circuit: Circuit, lower_level: float) -> float:
    if circuit.tail_kind == "ideal":
        return circuit.ideal_tail
    if circuit.tail_kind == "resistor":
        return np.maximum(lower_level - 0.65, 0.0) / circuit.r_tail
    base = (
        circuit.v_supply
        * circuit.r_tail_base_bottom
        / (circuit.r_tail_base_bottom + circuit.r_tail_base_top)
    )
    return max(base - 0.65, 0.0) / max(circuit.r_tail_emitter, 10.0)


@lru_cache(maxsize=256)
def _net(circuit: Circuit, signal: bool, without: tuple[str, ...] = ()) -> nodal.Net:
    return nodal.build_net(circuit, signal, without)


def _blank(circuit: Circuit, net: nodal.Net, lanes: int) -> Floats:
    v = np.zeros((len(net.names), lanes))
    v[net.index["supply"]] = circuit.v_supply
    if "catch" in net.index:
        v[net.index["catch"]] = 1.0
    return v


def _solve_dc(circuit: Circuit, net: nodal.Net, values: nodal.Values, lanes: int) -> Solution:
    v, at, c = _blank(circuit, net, lanes), net.index, circuit
    total = c.r_string_top + c.r_string_middle + c.r_string_bottom
    lower = c.v_supply * c.r_string_bottom / total
    upper = c.v_supply * (c.r_string_bottom + c.r_string_middle) / total
    if "swapped:levels" in c.faults:
        bases = {"upper": lower, "lower": upper}
    else:
        bases = {"upper": upper, "lower": lower}
    for name, value in (
        ("level_upper", upper),
        ("level_lower", lower),
        *(
            (f"base_{side}_{pole}", bases[side])
            for side in ("upper", "lower")
            for pole in ("pos", "neg")
        ),
    ):
        if at[name] < net.n:
            v[at[name]] = value
    if "tail_base" in at and at["tail_base"] < net.n:
        v[at["tail_base"]] = (
            c.v_supply * c.r_tail_base_bottom / (c.r_tail_base_bottom + c.r_tail_base_top)
        )
    _guess(net, c, v, _expected_tail(c, lower))
    if not c.faults:
        return Solution(c, net, values, v)
    # a wrong build is nearer to the sound one than to the textbook, if not always near
    textbook, v = v, v.copy()
    sound = _bias(replace(c, faults=()))
    for name, row in at.items():
        if row < net.n:
            v[row] = sound.node(_place_of(sound.net, name))
    return Solution(c, net, values, v, second=textbook, iterations=40)


def _place_of(net: nodal.Net, name: str) -> str:
    """The node of a sound net at which a node of a faulty one hangs: pins hang at their places."""
    device, _, pin = name.partition(".")
    if not pin:
        return name
    pins = {"base": net.dev_b, "collector": net.dev_c, "emitter": net.dev_e}[pin]
    return net.names[pins[net.devices.index(device)]]


@lru_cache(maxsize=256)
def _bias(circuit: Circuit) -> Solution:
    """DC solution of a circuit, one lane.

    Behind whole coupling capacitors generators have no part in it: one stands for any other.
    """
    if not any(f.startswith("short:c_coupling") for f in circuit.faults):
        still = replace(
            circuit, r_source_upper=0.0, r_source_lower=0.0, r_termination_upper=math.inf,
            r_termination_lower=math.inf,
            faults=tuple(f for f in circuit.faults if not _of_drive(f)),
        )  # fmt: skip
        if still != circuit:
            return _bias(still)
    net = _net(circuit, False)
    return _solve_dc(circuit, net, nodal.nominal(net, circuit), 1)


def _of_drive(fault: str) -> bool:
    return fault.startswith(("open:drive_", "open:r_termination_"))


@lru_cache(maxsize=64)
def _bias_of_build(circuit: Circuit, scale: tuple[tuple[str, float], ...]) -> Solution:
    """DC solution of one build of a circuit, one lane."""
    if not scale:
        return _bias(circuit)
    net = _net(circuit, False)
    arrays = {name: np.array([factor]) for name, factor in scale}
    return _solve_dc(circuit, net, _spread_values(circuit, net, arrays, 1), 1)


def _held(
    net: nodal.Net, bias: Solution, v: Floats, repeat: int = 1
) -> tuple[Floats, list[tuple[int, int, float, Floats | float]]]:
    """Put the voltages that capacitors hold into the known rows of a signal net."""

    def spread(a: Floats) -> Floats:
        return np.repeat(a, repeat) if a.size > 1 else a

    for row, name in net.known_levels:
        v[row] = spread(bias.node(name))
    slopes = np.zeros((2, len(net.names)))
    rests = []
    for row, side, share, base in net.drives:
        rest = 0.0 if base is None else spread(bias.node(base))
        rests.append((row, side, share, rest))
        slopes[side, row] = share
    return slopes, rests


def _solve_signal(
    circuit: Circuit,
    net: nodal.Net,
    values: nodal.Values,
    bias: Solution,
    v_upper: Floats,
    v_lower: Floats,
    repeat: int = 1,
) -> Solution:
    """Signal solution of lanes; the bias has 1 lane or one for each `repeat` lanes."""
    lanes = v_upper.size
    v = _blank(circuit, net, lanes)
    slopes, rests = _held(net, bias, v, repeat)
    inputs = (v_upper, v_lower)
    for row, side, share, rest in rests:
        v[row] = rest + share * inputs[side]
    for side in (0, 1):  # base lines behind a source resistance start at the open voltage
        for pole in ("pos", "neg"):
            name = f"base_{('upper', 'lower')[side]}_{pole}"
            row = net.index[name]
            if row < net.n:
                rest = bias.node(name)
                share = sum(s for r, k, s, _ in rests if k == side and net.names[r].endswith(pole))
                v[row] = (np.repeat(rest, repeat) if rest.size > 1 else rest) + share * inputs[side]
    tail = bias.tail
    _guess(net, circuit, v, np.repeat(tail, repeat) if tail.size > 1 else tail)
    # with no drive the bias point is the answer; with one, a wrong build stays nearer to its own
    # bias point than to the textbook
    quiet, textbook = (v_upper == 0.0) & (v_lower == 0.0), v
    second = None
    if quiet.any() or not bias.healthy:
        v = textbook.copy()
        for name, row in net.index.items():
            if row < net.n and name in bias.net.index:
                rest = bias.node(name)
                v[row] = np.repeat(rest, repeat) if rest.size > 1 else rest
        second = v
        if circuit.faults:
            second = textbook
        else:
            v = np.where(quiet, v, textbook)
    return Solution(circuit, net, values, v, slopes, second)


def _answer(
    solution: Solution,
    bias: Solution,
    shape: tuple[int, ...],
    v_upper: ArrayLike,
    v_lower: ArrayLike,
    gains: bool = True,
) -> OperatingPoint:
    """Assemble an OperatingPoint; unsolved lanes become NaN."""
    c, net, v = solution.circuit, solution.net, solution.v
    bias_ok = bias.ok if bias.ok.size == 1 else np.repeat(bias.ok, v.shape[1] // bias.ok.size)
    ok = solution.ok & bias_ok
    solution.ok = ok
    blank = np.where(ok, 0.0, np.nan)

    def full(a: ArrayLike) -> Floats:
        return (np.asarray(a) + blank).reshape(shape)

    ic = [full(solution.device(f"Q{k}")[0]) for k in range(1, 7)]
    left, right = solution.node("left"), solution.node("right")
    i_left, i_right = ic[0] + ic[2], ic[1] + ic[3]
    for k, name in enumerate(("r_load_left", "r_load_right")):
        if name in net.resistors:
            i_load = full(solution.through(name)[0])
            i_left, i_right = (i_load, i_right) if k == 0 else (i_left, i_load)
    if gains:
        with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
            s = nodal.slopes(net, solution.values, v, solution.known_slopes)
        gain = s[net.index["right"]] - s[net.index["left"]]
    else:
        gain = np.full((2, v.shape[1]), np.nan)
    nodes = {name: full(solution.node(name)) for name in NODES if name in net.index}
    for name, rest in bias.net.index.items():
        if name not in nodes and name in NODES:
            value = bias.v[rest]
            nodes[name] = full(
                value if value.size == 1 else np.repeat(value, v.shape[1] // value.size)
            )
    regions = {q: solution.region(q).reshape(shape) for q in transistor_names(c)}
    point = OperatingPoint(
        v_upper=np.broadcast_to(v_upper, shape),
        v_lower=np.broadcast_to(v_lower, shape),
        i_tail=full(solution.tail),
        r_load=full(0.5 * (c.r_load_left + c.r_load_right)),
        temperature=np.full(shape, c.temperature),
        thermal_voltage=np.full(shape, net.v_t),
        i_upper=np.stack(ic[:4], axis=-1),
        i_lower=np.stack(ic[4:6], axis=-1),
        i_load=np.stack([i_left, i_right], axis=-1),
        v_left=full(left),
        v_right=full(right),
        v_out=full(right - left),
        gain_upper=full(gain[0]),
        gain_lower=full(gain[1]),
        model="built",
        nodes=nodes,
        regions=regions,
        residual=solution.residual.reshape(shape),
        converged=ok.reshape(shape),
    )
    return replace(point, warnings=_warnings(point))


def _warnings(point: OperatingPoint) -> tuple[str, ...]:
    """One sentence for each thing that is out of the ordinary, with how many samples it holds."""
    total = max(point.converged.size, 1)
    found = []

    def add(count: int, text: str) -> None:
        if count:
            where = "" if total == 1 else f" ({int(count)} of {total} samples)"
            found.append(text + where + ".")

    lost = total - int(np.count_nonzero(point.converged))
    add(lost, "No solution was found to the stated accuracy, so no number is given")
    for name, region in point.regions.items():
        for kind, words in (("saturated", "is saturated"), ("reverse", "conducts in reverse")):
            add(int(np.count_nonzero(region == kind)), f"{name} {words}")
    starved = point.converged & (np.abs(np.nan_to_num(point.i_tail, nan=1.0)) < FLOOR_CURRENT)
    add(
        int(np.count_nonzero(starved)),
        f"The tail carries less than {format_quantity(FLOOR_CURRENT, 'A')}: the cell is starved",
    )
    return tuple(found)


@lru_cache(maxsize=256)
def _tied(circuit: Circuit) -> Floats:
    """Small-signal resistance from each unknown node to the rest at rest, ohm, by row."""
    bias = _bias(circuit)
    ones = np.eye(len(bias.net.names))[: bias.net.n]
    seen = nodal.resistance(bias.net, bias.values, bias.v, ones)[: bias.net.n, :, 0]
    return np.abs(np.diagonal(seen))


def floating(circuit: Circuit) -> frozenset[str]:
    """Nodes (as `NODES`) that nothing holds at rest: what they carry follows from leakage alone."""
    bias = _bias(circuit)
    if not bias.ok[0]:
        return frozenset()
    tied, index = _tied(circuit), bias.net.index
    return frozenset(
        n for n in NODES if index.get(n, bias.net.n) < bias.net.n and tied[index[n]] > LOOSE
    )


@lru_cache(maxsize=256)
def _metered(circuit: Circuit) -> dict[int, float]:
    """Readings of the nodes that a meter pulls: row -> V, NaN where there is no solution."""
    found = {}
    for row in np.flatnonzero(_tied(circuit) > PULLED * METER):
        name = _bias(circuit).net.names[row]
        net = nodal.build_net(circuit, False, meter=(name, METER))
        read = _solve_dc(circuit, net, nodal.nominal(net, circuit), 1)
        found[int(row)] = float(read.node(name)[0]) if read.ok[0] else float("nan")
    return found


def readings(circuit: Circuit) -> dict[str, float]:
    """Node voltages at rest as a meter of `METER` reads them against ground, one at a time.

    Returns
    -------
    dict of str to float
        V by name of the node (as `NODES`); NaN where there is no solution.
    """
    out = {name: float(v) for name, v in solve_bias(circuit).nodes.items()}
    bias = _bias(circuit)
    if bias.ok[0]:
        pulled = _metered(circuit)
        out |= {n: pulled[row] for n, row in bias.net.index.items() if n in out and row in pulled}
    return out


def solve_bias(circuit: Circuit) -> OperatingPoint:
    """Bias point: capacitors open, no drive.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    OperatingPoint
        Shape (), model "built". `gain_upper` and `gain_lower` are the signal slopes at this
        point (the feedthrough of each input). Unconverged: NaN and `converged` False.
    """
    bias = _bias(circuit)
    net = _net(circuit, True)
    zero = np.zeros(1)
    signal = _solve_signal(circuit, net, nodal.nominal(net, circuit), bias, zero, zero)
    signal.residual = np.maximum(signal.residual, bias.residual)
    return _answer(signal, bias, (), zero[0], zero[0])


def solved_bias(circuit: Circuit) -> Solution:
    """The solved lane behind `solve_bias`."""
    return _bias(circuit)


def bias_nodes(
    circuit: Circuit, scale: Mapping[str, float] | None = None
) -> dict[str, float] | None:
    """Node voltages at rest with the capacitors open, V by name; None without a solution.

    The part of `solve_bias` that is quick: no slopes, no regions. `scale` (name -> factor) as
    `solve_many`, of one build.
    """
    bias = _bias_of_build(circuit, tuple((k, float(f)) for k, f in (scale or {}).items()))
    if not bias.ok[0]:
        return None
    return {name: float(bias.node(name)[0]) for name in NODES if name in bias.net.index}


def solved_signal(
    circuit: Circuit, v_upper: ArrayLike, v_lower: ArrayLike
) -> tuple[Solution, Solution, tuple[int, ...]]:
    """The solved lanes behind `solve_built`: signal, bias, and the shape of the inputs."""
    v_upper = as_quantity("v_upper", v_upper, "V")
    v_lower = as_quantity("v_lower", v_lower, "V")
    shape = broadcast_shape(v_upper=v_upper, v_lower=v_lower)
    bias = _bias(circuit)
    net = _net(circuit, True)
    upper, lower = (np.broadcast_to(v, shape).ravel() for v in (v_upper, v_lower))
    signal = _solve_signal(circuit, net, nodal.nominal(net, circuit), bias, upper, lower)
    return signal, bias, shape


def solve_built(
    circuit: Circuit, v_upper: ArrayLike = 0.0, v_lower: ArrayLike = 0.0, gains: bool = True
) -> OperatingPoint:
    """Signal solution of the built cell for any number of samples at once.

    Parameters
    ----------
    circuit : Circuit
    v_upper, v_lower : array_like
        Differential inputs as defined at the top of this module, V; they broadcast.
    gains : bool
        Whether to compute `gain_upper` and `gain_lower` (else NaN).

    Returns
    -------
    OperatingPoint
        Of the broadcast shape, model "built". `nodes` holds the voltage of each of `NODES`,
        `regions` one of "active", "saturated", "cut off", "reverse", "not solved" for each
        transistor. A sample whose currents do not balance to 1e-9 of the tail current (see
        `nodal.FLOOR_CURRENT` for a starved one) has `converged` False and NaN everywhere.

    Raises
    ------
    QuantityError
        If an input is not finite or the shapes do not fit.
    """
    solution, bias, shape = solved_signal(circuit, v_upper, v_lower)
    return _answer(
        solution, bias, shape, np.asarray(v_upper, float), np.asarray(v_lower, float), gains
    )


def _spread_values(
    circuit: Circuit, net: nodal.Net, scale: Mapping[str, Floats], lanes: int
) -> nodal.Values:
    """Values of a net with parts multiplied by `scale` (name -> (lanes,) array)."""
    base = nodal.nominal(net, circuit)

    ohms = np.repeat(net.ohms, lanes, axis=1)
    i_s = np.repeat(net.i_s, lanes, axis=1)
    balance = scale.get("trim_balance")
    for r, name in enumerate(net.resistors):
        if name in scale:
            ohms[r] = ohms[r] * scale[name]
        if balance is not None and name.startswith("r_load_"):
            sign = 0.5 if name.endswith("left") else -0.5
            ohms[r] = ohms[r] * (1 + sign * balance) / (1 + sign * circuit.trim_balance)
    for d, name in enumerate(net.devices):
        if name in scale:
            i_s[d] = i_s[d] * scale[name]
    trims = np.stack(
        [
            np.broadcast_to(scale.get(t, getattr(circuit, t)), lanes)
            for t in ("trim_upper", "trim_lower")
        ]
    )
    inv_bf = base.inv_bf / scale.get("beta_forward", 1.0)
    source = base.source * scale.get("i_tail", 1.0)
    return nodal.Values(
        g=1.0 / ohms, emf=net.emf @ trims, i_s=i_s, leak=base.leak, inv_bf=inv_bf, source=source
    )


def solve_many(
    circuit: Circuit,
    scale: Mapping[str, ArrayLike],
    v_upper: ArrayLike = 0.0,
    v_lower: ArrayLike = 0.0,
    gains: bool = True,
) -> OperatingPoint:
    """Solve many samples of one circuit whose part values differ, each at several inputs.

    Parameters
    ----------
    circuit : Circuit
    scale : dict of str to array_like, shape (builds,)
        Factors on parts: keys of `circuit.resistor_parts`, "Q1".. (area), "beta_forward",
        "i_tail"; and values in V or dimensionless of "trim_upper", "trim_lower",
        "trim_balance" in place of the circuit's own.
    v_upper, v_lower : array_like, shape (inputs,) or (builds, inputs)
        V.
    gains : bool

    Returns
    -------
    OperatingPoint
        Of shape (builds, inputs). Each build has its own bias point.

    Raises
    ------
    QuantityError
        For an unknown key or shapes that do not fit.
    """
    v_upper = np.atleast_1d(as_quantity("v_upper", v_upper, "V"))
    v_lower = np.atleast_1d(as_quantity("v_lower", v_lower, "V"))
    solution, bias, shape = solved_builds(circuit, scale, v_upper, v_lower)
    return _answer(solution, bias, shape, v_upper, v_lower, gains)


def solved_builds(
    circuit: Circuit,
    scale: Mapping[str, ArrayLike],
    v_upper: Floats,
    v_lower: Floats,
    settle: bool = False,
) -> tuple[Solution, Solution, tuple[int, ...]]:
    """The solved lanes behind `solve_many`, for what looks into the equations themselves.

    With `settle` the inputs are a wave that goes on, and the coupling and ground capacitors of a
    single build hold what makes their mean current nought. In a sound cell that is what they
    hold at rest, within microvolts; a base line that hangs on its base current alone is charged
    by the drive, down to where the peaks just conduct.

    Returns
    -------
    signal, bias
        Each with `net`, `values` and `v` as `nodal` has them, and `ok` by lane.
    shape : (builds, inputs)
    """
    known = {*resistor_parts(circuit), *transistor_names(circuit), *_EXTRA_SPREAD}
    for name in scale:
        if name not in known:
            raise QuantityError(f"scale holds {name!r}; it can hold {', '.join(sorted(known))}.")
    arrays = {k: np.atleast_1d(as_quantity(k, a)) for k, a in scale.items()}
    builds = max([a.size for a in arrays.values()], default=1)
    arrays = {k: np.broadcast_to(a, builds) for k, a in arrays.items()}
    inputs = np.broadcast_shapes(v_upper.shape, v_lower.shape)[-1]
    shape = np.broadcast_shapes(v_upper.shape, v_lower.shape, (builds, inputs))
    net = _net(circuit, True)
    if builds == 1:
        bias = _bias_of_build(circuit, tuple((k, float(a[0])) for k, a in arrays.items()))
    else:
        dc_net = _net(circuit, False)
        bias = _solve_dc(circuit, dc_net, _spread_values(circuit, dc_net, arrays, builds), builds)
    repeated = {k: np.repeat(a, inputs) for k, a in arrays.items()}
    values = _spread_values(circuit, net, repeated, builds * inputs)
    upper, lower = (np.broadcast_to(v, shape).ravel() for v in (v_upper, v_lower))
    signal = _solve_signal(circuit, net, values, bias, upper, lower, repeat=inputs)
    if settle and builds == 1 and inputs > 1:
        signal = _settled(circuit, net, values, bias, signal)
    return signal, bias, shape


def _settled(
    circuit: Circuit, net: nodal.Net, values: nodal.Values, bias: Solution, signal: Solution
) -> Solution:
    """The signal solution once the drives have charged the capacitors; one build.

    Broyden's method on the voltage of each capacitor, for its mean current: those of the drives
    and of the signal grounds, and the bypasses of the taps and of the tail's base.
    """
    rows = [(row, base) for row, _, _, base in net.drives if base is not None]
    rows += list(net.known_levels)
    if not rows or not signal.ok.any():
        return signal
    feeds = {row: _feeds(bias, name) for row, name in net.known_levels}
    into = _mean_currents(signal, rows, feeds)
    guess = [
        sum(g for _, g in feeds[row]) + 1e-9 if row in feeds else _conductance(signal, name)
        for row, name in rows
    ]
    inverse = np.diag(1.0 / np.array(guess))
    for _ in range(_CHARGING):
        step = np.clip(inverse @ into, -4.0 * net.v_t, 4.0 * net.v_t)
        if np.max(np.abs(step)) < _CHARGED:
            break
        v = signal.v.copy()
        for (row, _), by in zip(rows, step):
            v[row] += by
        # the second start has the moved rows too: they are known, and a lane keeps what it is given
        moved = Solution(circuit, net, values, v, signal.known_slopes, v.copy(), stepping=False)
        if not moved.ok.any():
            break
        signal, before = moved, into
        into = _mean_currents(signal, rows, feeds)
        fell = before - into
        ahead = inverse @ fell
        size = float(step @ ahead)
        if abs(size) > 1e-30:
            inverse = inverse + np.outer(step - ahead, step @ inverse) / size
    if signal.ok.all():
        return signal
    # what was lost on the way is worth the effort once, at the end
    return Solution(circuit, net, values, signal.v, signal.known_slopes, signal.v.copy())


def _feeds(bias: Solution, name: str) -> list[tuple[str, float]]:
    """Resistors that feed a held level and are no part of the signal net: (other node, S)."""
    net, at = bias.net, bias.net.index[name]
    held = [net.index[n] for n in ("supply", "ground", "level_upper", "level_lower")]
    out = []
    for r, part in enumerate(net.resistors):
        ends = {int(net.res_a[r]), int(net.res_b[r])}
        if part.startswith(("r_string_", "r_tail_base_")) and at in ends:
            (other,) = ends - {at}
            if other in held:
                out.append((net.names[other], float(np.max(bias.values.g[r]))))
    return out


def _mean_currents(
    signal: Solution, rows: list[tuple[int, str]], feeds: Mapping[int, list[tuple[str, float]]]
) -> Floats:
    """Mean current into the capacitor of each drive row and held level, A."""
    out = []
    for row, _ in rows:
        into = float(np.mean(_leaving(signal, signal.net.names[row])[signal.ok]))
        here = float(np.mean(signal.v[row][signal.ok]))
        for other, g in feeds.get(row, ()):
            there = signal.v[signal.net.index[other]] if other in signal.net.index else 0.0
            into += g * (float(np.mean(there)) - here)
        out.append(into)
    return np.array(out)


def _conductance(signal: Solution, base: str) -> float:
    """About what a base line conducts: its bias resistor and the bases that hang on it, S."""
    net, total = signal.net, 1e-9
    for r, part in enumerate(net.resistors):
        if part == f"r_bias_{base.removeprefix('base_')}":
            total += float(np.max(signal.values.g[r]))
    for q, node in _BASE_LINES.items():
        if node == base:
            total += float(np.mean(np.abs(signal.device(q)[1][signal.ok]))) / net.v_t
    return total


def headroom(
    circuit: Circuit, v_upper: ArrayLike = 0.0, v_lower: ArrayLike = 0.0
) -> dict[str, Floats]:
    """Voltage to the edge of saturation of each transistor.

    The edge is where the collector junction carries `EDGE_FRACTION` of the tail current.

    Returns
    -------
    dict of str to numpy.ndarray
        V, of the broadcast shape; negative when saturated, NaN where unsolved.
    """
    return inspect(circuit, v_upper, v_lower).headroom


@dataclass(frozen=True)
class Inspection:
    """One signal solution with what a builder looks at; arrays of the shape of `point.v_out`.

    `headroom` is V to the edge of saturation, `v_be` V, `power` W, each by transistor name.
    """

    point: OperatingPoint
    headroom: dict[str, Floats]
    v_be: dict[str, Floats]
    power: dict[str, Floats]


def inspect(
    circuit: Circuit, v_upper: ArrayLike = 0.0, v_lower: ArrayLike = 0.0, gains: bool = False
) -> Inspection:
    """As `solve_built`, with headroom, base-emitter voltage and dissipation of transistors."""
    solution, bias, shape = solved_signal(circuit, v_upper, v_lower)
    point = _answer(
        solution, bias, shape, np.asarray(v_upper, float), np.asarray(v_lower, float), gains
    )
    blank = np.where(solution.ok, 0.0, np.nan)
    room, v_be, power = {}, {}, {}
    for q in transistor_names(circuit):
        room[q] = (solution.headroom(q) + blank).reshape(shape)
        v_be[q] = (solution.junctions(q)[0] + blank).reshape(shape)
        power[q] = (solution.power(q) + blank).reshape(shape)
    return Inspection(point, room, v_be, power)


def dissipation(
    circuit: Circuit, v_upper: ArrayLike | None = None, v_lower: ArrayLike | None = None
) -> dict[str, Floats]:
    """Power turned into heat in each part.

    Parameters
    ----------
    circuit : Circuit
    v_upper, v_lower : array_like, optional
        V. Without them: the bias point, every part, and the sum equals the supply power.
        With them: transistors, loads, emitter resistors and tail at each sample.

    Returns
    -------
    dict of str to numpy.ndarray
        W; keys as in `circuit.resistor_parts`, "Q1".., and "i_tail" for an ideal source.
    """
    if v_upper is None and v_lower is None:
        solution, ok = _bias(circuit), _bias(circuit).ok
        shape: tuple[int, ...] = ()
    else:
        solution, bias, shape = solved_signal(
            circuit, 0.0 if v_upper is None else v_upper, 0.0 if v_lower is None else v_lower
        )
        ok = solution.ok & bias.ok
    blank = np.where(ok, 0.0, np.nan)
    power = {}
    for part in dict.fromkeys(solution.net.resistors):
        if not part.startswith("r_"):
            continue
        current, drop = solution.through(part)
        power[part] = (current * drop + blank).reshape(shape)
    for q in transistor_names(circuit):
        power[q] = (solution.power(q) + blank).reshape(shape)
    if circuit.tail_kind == "ideal":
        power["i_tail"] = (solution.tail * solution.node("tail") + blank).reshape(shape)
    return power


def supply_current(circuit: Circuit) -> float:
    """Current drawn from the supply at the bias point, A (a float; NaN if unsolved)."""
    bias = _bias(circuit)
    if not bias.ok[0]:
        return float("nan")
    return -float(_leaving(bias, "supply")[0])


def _leaving(solution: Solution, name: str) -> Floats:
    """Current that flows from the circuit into a known node, A: minus what the node supplies."""
    net, row = solution.net, solution.net.index[name]
    total = np.zeros(solution.v.shape[1])
    for r in range(len(net.resistors)):
        drop = solution.v[net.res_a[r]] - solution.v[net.res_b[r]] + solution.values.emf[r]
        total += solution.values.g[r] * drop * ((net.res_b[r] == row) * 1.0 - (net.res_a[r] == row))
    k = len(net.devices)
    for d in range(k):
        ic, ib = solution.current[d], solution.current[k + d]
        for terminal, current in ((net.dev_e, ic + ib), (net.dev_c, -ic), (net.dev_b, -ib)):
            if terminal[d] == row:
                total += current
    return total


@dataclass(frozen=True)
class Figures:
    """Figures of merit of one circuit, SI units; NaN where the circuit does not work.

    Attributes
    ----------
    bias : OperatingPoint at no drive.
    product_gain : 1/V, slope of v_out over v_upper times v_lower at balance.
    gain_upper, gain_lower : V/V, small-signal gain of each input with the other one fully to
        one side.
    range_upper, range_lower : V peak, sine drive that gives 1 % total harmonic distortion, the
        other input held at one thermal voltage.
    swing : V, largest less smallest differential output over full steering.
    output_low, output_high : V, lowest and highest voltage of either output over full steering.
    dissipation : W by part, at the bias point.
    supply_current : A. supply_power : W.
    headroom : V by transistor, at the bias point.
    load_pole : Hz. coupling_upper, coupling_lower : Hz, corner of the coupling capacitor.
    ground_upper, ground_lower : Hz, corner of the signal ground (NaN when balanced).
    bypass_upper, bypass_lower : Hz, corner of each bypass of the string.
    drift : 1/K, relative change of product_gain per kelvin.
    """

    bias: OperatingPoint
    product_gain: float
    gain_upper: float
    gain_lower: float
    range_upper: float
    range_lower: float
    swing: float
    output_low: float
    output_high: float
    dissipation: dict[str, float]
    supply_current: float
    supply_power: float
    headroom: dict[str, float]
    load_pole: float
    coupling_upper: float
    coupling_lower: float
    ground_upper: float
    ground_lower: float
    bypass_upper: float
    bypass_lower: float
    drift: float


def product_gain(circuit: Circuit) -> float:
    """Slope of v_out over the product of both inputs at balance, 1/V.

    A central difference over +-0.1 thermal voltage of v_lower of the analytic slope over
    v_upper, with the cubic term taken out by a second pair of points.
    """
    v_t = _net(circuit, True).v_t
    h = 0.1 * v_t * (1.0 + circuit.r_emitter_lower * _tail_now(circuit) / v_t)
    g = solve_built(circuit, 0.0, h * np.array([1.0, -1.0, 2.0, -2.0])).gain_upper
    return float((8.0 * (g[0] - g[1]) - (g[2] - g[3])) / (12.0 * h))


def _tail_now(circuit: Circuit) -> float:
    tail = _bias(circuit).tail[0]
    return float(abs(tail)) if np.isfinite(tail) else 0.0


def full_steer(circuit: Circuit) -> tuple[float, float]:
    """Input that steers each pair fully to one side, V: (upper, lower)."""
    v_t, tail = _net(circuit, True).v_t, _tail_now(circuit)
    lower = 8.0 * v_t + tail * circuit.r_emitter_lower
    upper = 8.0 * v_t + tail * circuit.r_emitter_upper
    loading = 1.05  # bias resistors and base currents take a little of the drive
    return loading * upper, loading * lower


def distortion(
    circuit: Circuit,
    side: str,
    amplitudes: ArrayLike,
    other: float | None = None,
    samples: int = 64,
) -> Floats:
    """Total harmonic distortion of v_out for a sine on one input.

    Parameters
    ----------
    side : str
        "upper" or "lower": the input that is driven.
    amplitudes : array_like, shape (n,)
        V peak.
    other : float, optional
        Voltage of the other input, V; one thermal voltage if not given.
    samples : int
        Samples of one cycle.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Root of the power of harmonics 2 and up over the fundamental, dimensionless.
    """
    rest = np.asarray(_net(circuit, True).v_t if other is None else other)
    wave = np.sin(2.0 * np.pi * np.arange(samples) / samples)
    drive = np.atleast_1d(amplitudes)[:, None] * wave
    upper, lower = (drive, rest) if side == "upper" else (rest, drive)
    lines = np.abs(np.fft.rfft(solve_built(circuit, upper, lower, gains=False).v_out, axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.sqrt(np.sum(lines[:, 2:] ** 2, axis=1)) / lines[:, 1]


def linear_range(circuit: Circuit, side: str, limit: float = 0.01) -> float:
    """Sine drive of one input at which the distortion reaches `limit`, V peak.

    The other input is held at one thermal voltage. NaN if no such drive is found.
    """
    v_t = _net(circuit, True).v_t
    r_emitter = getattr(circuit, f"r_emitter_{side}")
    # past twice the drop of the tail current in the emitter resistor the pair only switches
    low, high = 0.02 * v_t, 5.0 * v_t + 2.0 * r_emitter * _tail_now(circuit)
    for _ in range(3):
        amplitude = np.geomspace(low, high, 16)
        thd = distortion(circuit, side, amplitude)
        above = thd > limit
        if not above.any() or above[0] or np.isnan(thd).all():
            return float("nan")
        k = int(np.argmax(above))
        low, high = amplitude[k - 1], amplitude[k]
    share = np.log(limit / thd[k - 1]) / np.log(thd[k] / thd[k - 1])
    return float(low * (high / low) ** share)


def _seen(circuit: Circuit, inject: Mapping[str, float], without: tuple[str, ...] = ()) -> float:
    """Small-signal resistance at the bias point: voltage pattern over injected current pattern.

    `inject` is a dict node name -> share of one ampere; the answer weighs node voltages with
    the same shares.
    """
    bias = _bias(circuit)
    if not bias.ok[0]:
        return float("nan")
    net = _net(circuit, True, tuple(without))
    values = nodal.nominal(net, circuit)
    zero = np.zeros(1)
    solution = _solve_signal(circuit, net, values, bias, zero, zero)
    pattern = np.zeros((1, len(net.names)))
    for name, share in inject.items():
        if net.index[name] < net.n:  # a held node takes its share without moving
            pattern[0, net.index[name]] = share
    out = nodal.resistance(net, values, solution.v, pattern)[:, 0, 0]
    return float(sum(out[net.index[name]] * share for name, share in inject.items()))


def _corner(ohms: float, farads: float) -> float:
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(np.divide(1.0, 2.0 * np.pi * ohms * farads))


def corners(circuit: Circuit) -> dict[str, float]:
    """Corner frequencies, Hz: load pole, coupling, signal grounds, bypasses.

    Each is 1/(2 pi R C), R being the small-signal resistance that the capacitor sees at the
    bias point, found from the Jacobian with that capacitor taken out.

    Returns
    -------
    dict of str to float
        Keys load_pole, coupling_upper, coupling_lower, ground_upper, ground_lower,
        bypass_upper, bypass_lower.
    """
    c, found = circuit, {}
    # one ampere in at the left and out at the right drops it in both loads
    r_out = 0.5 * _seen(c, {"left": 1.0, "right": -1.0})
    found["load_pole"] = _corner(r_out, c.c_load)
    for side in ("upper", "lower"):
        pos, neg = f"base_{side}_pos", f"base_{side}_neg"
        r_drive, _ = nodal.drive_resistance(c, side)
        farads = getattr(c, f"c_coupling_{side}")
        if getattr(c, f"{side}_mode") == "single":
            seen = _seen(c, {pos: 1.0}, (f"c_coupling_{side}",))
            found[f"coupling_{side}"] = _corner(r_drive + seen, farads)
            found[f"ground_{side}"] = _corner(
                _seen(c, {neg: 1.0}, (f"c_ground_{side}",)), getattr(c, f"c_ground_{side}")
            )
        else:
            seen = _seen(
                c, {pos: 1.0, neg: -1.0}, (f"c_coupling_{side}_pos", f"c_coupling_{side}_neg")
            )
            found[f"coupling_{side}"] = _corner((r_drive + seen) / 2.0, farads)
            found[f"ground_{side}"] = float("nan")
    string = np.array([c.r_string_top, c.r_string_middle, c.r_string_bottom])
    tap = {
        "upper": 1 / (1 / string[0] + 1 / (string[1] + string[2])),
        "lower": 1 / (1 / string[2] + 1 / (string[0] + string[1])),
    }
    for side, ohms in tap.items():
        found[f"bypass_{side}"] = _corner(ohms, getattr(c, f"c_bypass_{side}"))
    return found


def output_poles(circuit: Circuit) -> tuple[float, float]:
    """Pole of each output with its load capacitance, Hz, with the cell at rest.

    In a sound cell that is the pole of the load; a transistor that saturates, a bridge, or a load
    that is open changes what the capacitance sees.

    Returns
    -------
    (float, float)
        Left, right; NaN where there is no solution at rest.
    """
    left, right = (_corner(_seen(circuit, {s: 1.0}), circuit.c_load) for s in ("left", "right"))
    return left, right


def figures(circuit: Circuit) -> Figures:
    """All figures of merit of a circuit.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    Figures
    """
    bias = solve_bias(circuit)
    upper, lower = full_steer(circuit)
    steer_u = upper * np.array([1, 1, -1, -1])
    steer_l = lower * np.array([1, -1, 1, -1])
    ends = solve_built(circuit, steer_u, steer_l, gains=False)
    outputs = np.concatenate([ends.v_left, ends.v_right])
    gains = solve_built(circuit, [0.0, upper], [lower, 0.0])
    high = min(circuit.temperature + 1.0, HOTTEST)
    low = max(circuit.temperature - 1.0, COLDEST)
    warm, cool = (product_gain(replace(circuit, temperature=t)) for t in (high, low))
    now = product_gain(circuit)
    with np.errstate(invalid="ignore", divide="ignore"):
        drift = float(np.divide(warm - cool, (high - low) * now))
    current = supply_current(circuit)
    power = dissipation(circuit)
    room = headroom(circuit)
    return Figures(
        bias=bias,
        product_gain=now,
        gain_upper=float(gains.gain_upper[0]),
        gain_lower=float(gains.gain_lower[1]),
        range_upper=linear_range(circuit, "upper"),
        range_lower=linear_range(circuit, "lower"),
        swing=float(np.max(ends.v_out) - np.min(ends.v_out)),
        output_low=float(np.min(outputs)),
        output_high=float(np.max(outputs)),
        dissipation={k: float(p) for k, p in power.items()},
        supply_current=current,
        supply_power=current * circuit.v_supply,
        headroom={k: float(h) for k, h in room.items()},
        drift=drift,
        **corners(circuit),
    )
