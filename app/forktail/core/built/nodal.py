"""Node equations of the built cell, and a Newton solver for many samples at once.

A net is compiled once per circuit. Samples ("lanes") run along the last axis of every array, so
each arithmetic step of the elimination is one numpy call for all lanes: the matrices are small
and sparse, and their pattern is the same for every lane.

Transistor model: Ebers-Moll in transport form with forward Early effect (Gray, Hurst, Lewis,
Meyer, Analysis and Design of Analog Integrated Circuits, chapter 1; Ebers and Moll, 1954):

    it = IS (exp(vbe/VT) - exp(vbc/VT)) (1 - vbc/VA)
    ic = it - (IS/BR) (exp(vbc/VT) - 1) - g_leak vbc
    ib = (IS/BF) (exp(vbe/VT) - 1) + (IS/BR) (exp(vbc/VT) - 1) + g_leak (vbe + vbc)

Junction limiting follows the usual logarithmic step (common practice, no source): the equations
are linearised at the limited junction voltage and corrected to the node voltages.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from forktail.core.built.circuit import OPEN, SHORT, Circuit
from forktail.core.checks import Bools, Floats, Ints
from forktail.core.thermal import saturation_current, thermal_voltage

#: Below this resistance two nodes are one.
_WIRE = 1e-6
#: An ideal tail source gives way as its node nears ground: CATCH_IS exp(-v_tail/VT) flows back
#: into the node, A. At 0.4 V that is below 1e-12 A.
CATCH_IS = 1e-6
#: The residual is stated against the tail current; against this current if the tail carries
#: less, A; and against `HEAVY` of the largest transistor current if that is more, as in a wrong
#: build whose junctions carry a hundred times the tail, where rounding alone would show.
FLOOR_CURRENT = 1e-5
HEAVY = 0.01
#: Largest residual that counts as solved, relative to the above.
ACCEPT = 1e-9
#: Lanes worked on together, so that the working arrays stay in the cache.
CHUNK = 1024
#: Stubborn lanes that are solved first when there are many.
FEW = 32
#: Up to this many lanes full pivoting is quicker than elimination in fixed order.
HANDFUL = 12
_EXP_MAX = 250.0
_DONE_STEP = 1e-7

_BASE_OF = {
    "Q1": "base_upper_pos",
    "Q2": "base_upper_neg",
    "Q3": "base_upper_neg",
    "Q4": "base_upper_pos",
    "Q5": "base_lower_pos",
    "Q6": "base_lower_neg",
}
_COLLECTOR_OF = {
    "Q1": "left",
    "Q2": "right",
    "Q3": "left",
    "Q4": "right",
    "Q5": "common_left",
    "Q6": "common_right",
}
_EMITTER_RAIL = {
    "Q1": "common_left",
    "Q2": "common_left",
    "Q3": "common_right",
    "Q4": "common_right",
    "Q5": "tail",
    "Q6": "tail",
}


#: Node, input (0 upper, 1 lower), share of the input, node that its capacitor is charged from.
Drive = tuple[str, int, float, str | None]


@dataclass(frozen=True, eq=False)
class Net:
    """One compiled circuit. Unknown nodes come first, then nodes of known voltage."""

    names: tuple[str, ...]
    n: int
    index: dict[str, int]  # every node name, merged ones too -> row
    resistors: tuple[str, ...]  # part names
    res_a: Ints
    res_b: Ints
    ohms: Floats  # (m, 1)
    emf: Floats  # (m, 2): share of trim_upper and trim_lower in series
    devices: tuple[str, ...]  # names, Q1.. then perhaps "catch"
    dev_c: Ints
    dev_b: Ints
    dev_e: Ints
    i_s: Floats  # (k, 1)
    inv_bf: Floats
    inv_br: Floats
    inv_va: Floats
    leak: Floats
    source_row: int  # row of the ideal tail current, or -1
    v_t: float
    # node row, side, share of the drive, node holding the capacitor
    drives: tuple[tuple[int, int, float, str | None], ...]
    known_levels: tuple[tuple[int, str], ...]  # (node row, name) held at their bias voltage
    plan: "_Elimination"
    f_res: Floats
    f_dev: Floats
    a_res: Floats
    a_dev: Floats


class _Builder:
    def __init__(self) -> None:
        self.order: list[str] = []
        self.parent: dict[str, str] = {}
        self.known: list[str] = []
        self.resistors: list[tuple[str, str, str, float, tuple[float, float]]] = []
        self.devices: list[tuple[str, str, str, str]] = []

    def node(self, name: str, known: bool = False) -> str:
        if name not in self.parent:
            self.parent[name] = name
            self.order.append(name)
        if known:
            self.known.append(name)
        return name

    def find(self, name: str) -> str:
        while self.parent[name] != name:
            name = self.parent[name]
        return name

    def resistor(
        self, part: str, a: str, b: str, ohms: float, emf: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        self.node(a), self.node(b)
        if ohms < _WIRE:
            a, b = self.find(a), self.find(b)
            if a != b:
                a, b = (a, b) if a in self.known else (b, a)
                self.parent[b] = a
            return
        self.resistors.append((part, a, b, ohms, emf))

    def device(self, name: str, c: str, b: str, e: str) -> None:
        for node in (c, b, e):
            self.node(node)
        self.devices.append((name, c, b, e))


def drive_resistance(circuit: Circuit, side: str) -> tuple[float, float]:
    """Thevenin resistance of a drive, ohm, and the factor by which faults change its voltage."""
    source = getattr(circuit, f"r_source_{side}")
    termination = getattr(circuit, f"r_termination_{side}")
    healthy = source if math.isinf(termination) else source * termination / (source + termination)
    if f"open:drive_{side}" in circuit.faults:
        return (OPEN if math.isinf(termination) else termination), 0.0
    if f"open:r_termination_{side}" in circuit.faults:
        return source, (source + termination) / termination
    return healthy, 1.0


def capacitors(circuit: Circuit) -> Iterator[tuple[str, float, str]]:
    """Each capacitor that is in place: (node, F, where its other end is).

    That is "ground", or for a coupling the line of its drive, such as `drive_upper_pos`.
    """
    c = circuit
    for side in ("upper", "lower"):
        yield f"level_{side}", getattr(c, f"c_bypass_{side}"), "ground"
        single = getattr(c, f"{side}_mode") == "single"
        for pole in ("pos",) if single else ("pos", "neg"):
            part = f"c_coupling_{side}" + ("" if single else f"_{pole}")
            if not {f"open:{part}", f"short:{part}"} & set(c.faults):
                farads = getattr(c, f"c_coupling_{side}")
                yield f"base_{side}_{pole}", farads, f"drive_{side}_{pole}"
        ground = f"c_ground_{side}"
        if single and not {f"open:{ground}", f"short:{ground}"} & set(c.faults):
            yield f"base_{side}_neg", getattr(c, ground), "ground"
    yield "left", c.c_load, "ground"
    yield "right", c.c_load, "ground"
    if c.tail_kind == "transistor":
        yield "tail_base", c.c_bypass_tail, "ground"


def source_share(circuit: Circuit, side: str) -> float:
    """What of a generator's open voltage is on its termination while nothing else hangs on it."""
    source, termination = (getattr(circuit, f"r_{k}_{side}") for k in ("source", "termination"))
    return 1.0 if math.isinf(termination) else termination / (source + termination)


def build_net(
    circuit: Circuit,
    signal: bool,
    without: tuple[str, ...] = (),
    meter: tuple[str, float] | None = None,
) -> Net:
    """Compile a circuit.

    Parameters
    ----------
    circuit : circuit.Circuit
    signal : bool
        False: capacitors open, drives absent. True: the taps and the base of Q7 are held at
        their bias voltages and each drive comes through its capacitor.
    without : tuple of str
        Capacitors left out of the signal net (to see the resistance that they see).
    meter : (str, float), optional
        Node on which a meter hangs, and the resistance of the meter to ground, ohm.
    """
    b = _Board(circuit, signal, without)
    b.node("ground", known=True)
    b.node("supply", known=True)
    if meter:
        b.resistor("meter", meter[0], "ground", meter[1])
    b.string()
    drives = [d for k in (0, 1) for d in b.base_lines(k)]
    c = circuit
    b.part("r_load_left", "supply", "left", c.r_load_left * (1 + c.trim_balance / 2))
    b.part("r_load_right", "supply", "right", c.r_load_right * (1 - c.trim_balance / 2))
    b.pairs()
    held = (["level_upper", "level_lower"] if signal else []) + b.tail()
    return _compile(c, b, drives, held)


class _Board(_Builder):
    """A circuit wired up node by node, with its faults built in; see `build_net`."""

    def __init__(self, circuit: Circuit, signal: bool, without: tuple[str, ...]) -> None:
        super().__init__()
        self.circuit, self.signal, self.without = circuit, signal, without
        self.faults = set(circuit.faults)

    def part(
        self,
        name: str,
        node_a: str,
        node_b: str,
        ohms: float,
        emf: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        """A resistor that may be open or shorted."""
        if f"open:{name}" in self.faults:
            ohms = OPEN
        elif f"short:{name}" in self.faults:
            ohms = min(SHORT, ohms)
        self.resistor(name, node_a, node_b, ohms, emf)

    def transistor(self, name: str, collector: str, base: str, emitter: str) -> None:
        """A transistor with loose pins, bridges between them, or reversed."""
        pins = {"collector": collector, "base": base, "emitter": emitter}
        for pin in pins:
            if f"open:{name}.{pin}" in self.faults:
                loose = f"{name}.{pin}"
                self.resistor(f"open {loose}", pins[pin], loose, OPEN)
                pins[pin] = loose
        for one, two in (("base", "emitter"), ("base", "collector"), ("collector", "emitter")):
            if f"short:{name}.{one}-{two}" in self.faults:
                self.resistor(f"short {name}", pins[one], pins[two], SHORT)
        if f"reversed:{name}" in self.faults:
            pins["collector"], pins["emitter"] = pins["emitter"], pins["collector"]
        self.device(name, pins["collector"], pins["base"], pins["emitter"])

    def string(self) -> None:
        """The divider string; for signals its taps are held by their bypasses."""
        if self.signal:
            self.node("level_upper", known=True)
            self.node("level_lower", known=True)
            return
        c = self.circuit
        self.part("r_string_top", "supply", "level_upper", c.r_string_top)
        self.part("r_string_middle", "level_upper", "level_lower", c.r_string_middle)
        self.part("r_string_bottom", "level_lower", "ground", c.r_string_bottom)

    def base_lines(self, k: int) -> Iterator[Drive]:
        """Bias resistors of one input and what drives its lines: yields the drives.

        A drive is (node, input, share of the input, node that its capacitor is charged from).
        """
        side, other = ("upper", "lower") if k == 0 else ("lower", "upper")
        level = f"level_{other if 'swapped:levels' in self.faults else side}"
        for sign, pole in ((0.5, "pos"), (-0.5, "neg")):
            emf = (sign, 0.0) if k == 0 else (0.0, sign)
            name = f"r_bias_{side}_{pole}"
            self.part(name, level, f"base_{side}_{pole}", getattr(self.circuit, name), emf)
        for pole, cap, share, ohms in self._feeds(side):
            base, drive = f"base_{side}_{pole}", f"drive_{side}_{pole}"
            shorted = f"short:{cap}" in self.faults
            if f"open:{cap}" in self.faults or cap in self.without:
                continue
            if shorted:
                ohms = max(ohms, SHORT)
            if self.signal:
                self.node(drive, known=True)
                self.resistor(drive, drive, base, ohms)
                yield drive, k, share, None if shorted else base
            elif shorted:
                self.resistor(drive, base, "ground", ohms)

    def _feeds(self, side: str) -> tuple[tuple[str, str, float, float], ...]:
        """Of both lines: pole, capacitor, share of the input, resistance before it."""
        r_drive, factor = drive_resistance(self.circuit, side)
        if getattr(self.circuit, f"{side}_mode") == "single":
            return (
                ("pos", f"c_coupling_{side}", factor, r_drive),
                ("neg", f"c_ground_{side}", 0.0, 0.0),
            )
        return (
            ("pos", f"c_coupling_{side}_pos", factor / 2, r_drive / 2),
            ("neg", f"c_coupling_{side}_neg", -factor / 2, r_drive / 2),
        )

    def pairs(self) -> None:
        """Q1 to Q6 with their emitter resistors."""
        base_of = dict(_BASE_OF)
        for key, (first, second) in {
            "swapped:pair_left": ("Q1", "Q2"),
            "swapped:pair_right": ("Q3", "Q4"),
            "swapped:pair_lower": ("Q5", "Q6"),
        }.items():
            if key in self.faults:
                base_of[first], base_of[second] = base_of[second], base_of[first]
        c = self.circuit
        for q in ("Q1", "Q2", "Q3", "Q4", "Q5", "Q6"):
            emitter = f"emitter_{q.lower()}"
            ohms = c.r_emitter_lower if q in ("Q5", "Q6") else c.r_emitter_upper
            self.part(f"r_emitter_{q.lower()}", emitter, _EMITTER_RAIL[q], ohms)
            self.transistor(q, _COLLECTOR_OF[q], base_of[q], emitter)

    def tail(self) -> list[str]:
        """The tail: names of its nodes that are held for signals."""
        c = self.circuit
        if c.tail_kind == "resistor":
            self.part("r_tail", "tail", "ground", c.r_tail)
            return []
        if c.tail_kind == "ideal":
            # a transistor of infinite beta, base at ground, whose collector never conducts
            self.node("catch", known=True)
            self.device("catch", "catch", "ground", "tail")
            return []
        if self.signal:
            self.node("tail_base", known=True)
        else:
            self.part("r_tail_base_top", "supply", "tail_base", c.r_tail_base_top)
            self.part("r_tail_base_bottom", "tail_base", "ground", c.r_tail_base_bottom)
        self.part("r_tail_emitter", "emitter_q7", "ground", c.r_tail_emitter)
        self.transistor("Q7", "tail", "tail_base", "emitter_q7")
        return ["tail_base"] if self.signal else []


def _compile(c: Circuit, b: _Board, drives: list[Drive], held: list[str]) -> Net:
    roots = [name for name in b.order if b.find(name) == name]
    names = [r for r in roots if r not in b.known] + [r for r in roots if r in b.known]
    n = sum(r not in b.known for r in roots)
    row = {name: k for k, name in enumerate(names)}
    index = {name: row[b.find(name)] for name in b.order}
    res = [r for r in b.resistors if index[r[1]] != index[r[2]]]
    m, k = len(res), len(b.devices)
    res_a = np.array([index[r[1]] for r in res])
    res_b = np.array([index[r[2]] for r in res])
    pins = np.array([[index[node] for node in d[1:]] for d in b.devices])
    catch = np.array([[d[0] == "catch"] for d in b.devices])
    area = np.array([[1.0 if d[0] == "catch" else c.area[int(d[0][1]) - 1]] for d in b.devices])
    i_s = np.where(catch, CATCH_IS, float(saturation_current(c.i_s, c.temperature)) * area)

    # KCL: current leaving each unknown node, from resistor currents and from (ic, ib)
    f_res, f_dev = np.zeros((n, m)), np.zeros((n, 2 * k))
    cells: dict[tuple[int, int], int] = {}
    a_res_at, a_dev_at = [], []

    def cell(i: int, j: int) -> int:
        return cells.setdefault((i, j), len(cells))

    for i in range(n):
        cell(i, i)
    for r in range(m):
        for here, there, sign in ((res_a[r], res_b[r], 1.0), (res_b[r], res_a[r], -1.0)):
            if here < n:
                f_res[here, r] += sign
                a_res_at.append((cell(here, here), r, 1.0))
                if there < n:
                    a_res_at.append((cell(here, there), r, -1.0))
    for d in range(k):
        collector, base, emitter = pins[d]
        for at, (of_ic, of_ib) in ((collector, (1, 0)), (base, (0, 1)), (emitter, (-1, -1))):
            if at >= n:
                continue
            f_dev[at, d] += of_ic
            f_dev[at, k + d] += of_ib
            # partials are stacked (dic/dvbe, dic/dvbc, dib/dvbe, dib/dvbc)
            for of, block in ((of_ic, 0), (of_ib, 2)):
                for junction, minus in ((0, emitter), (1, collector)):
                    source = (block + junction) * k + d
                    for node, sign in ((base, 1.0), (minus, -1.0)):
                        if of and node < n:
                            a_dev_at.append((cell(at, node), source, of * sign))
    plan = _Elimination(n, cells)
    a_res, a_dev = np.zeros((plan.size, m)), np.zeros((plan.size, 4 * k))
    for at, r, value in a_res_at:
        a_res[at, r] += value
    for at, s, value in a_dev_at:
        a_dev[at, s] += value
    return Net(
        names=tuple(names),
        n=n,
        index=index,
        resistors=tuple(r[0] for r in res),
        res_a=res_a,
        res_b=res_b,
        ohms=np.array([[r[3]] for r in res]),
        emf=np.array([r[4] for r in res]),
        devices=tuple(d[0] for d in b.devices),
        dev_c=pins[:, 0],
        dev_b=pins[:, 1],
        dev_e=pins[:, 2],
        i_s=i_s,
        inv_bf=np.where(catch, 0.0, 1.0 / c.beta_forward),
        inv_br=np.where(catch, 0.0, 1.0 / c.beta_reverse),
        inv_va=np.where(catch, 0.0, 1.0 / c.v_early),
        leak=np.where(catch, 0.0, c.g_leak),
        source_row=index["tail"] if c.tail_kind == "ideal" else -1,
        v_t=float(thermal_voltage(c.temperature)),
        drives=tuple((index[d], side, share, base) for d, side, share, base in drives),
        known_levels=tuple((index[name], name) for name in held),
        plan=plan,
        f_res=f_res,
        f_dev=f_dev,
        a_res=a_res,
        a_dev=a_dev,
    )


#: Row, place of its diagonal; of each row that it is taken from: row, place of the factor, places
#: read and changed; columns and places of what is left in the row itself.
Step = tuple[int, int, list[tuple[int, int, list[tuple[int, int]]]], list[tuple[int, int]]]


class _Elimination:
    """Gaussian elimination on the diagonal in an order fixed once (fewest neighbours first).

    Without pivoting: a lane in which that loses accuracy does not converge here and is solved
    again with full pivoting.
    """

    def __init__(self, n: int, cells: dict[tuple[int, int], int]) -> None:
        self.n = n
        at = dict(cells)
        left = set(range(n))
        self.steps: list[Step] = []
        while left:
            rows = {p: [i for i in left if i != p and (i, p) in at] for p in left}
            cols = {p: [j for j in left if j != p and (p, j) in at] for p in left}
            p = min(left, key=lambda q: (len(rows[q]) * len(cols[q]), q))
            left.remove(p)
            work = []
            for i in rows[p]:
                updates = [(at[p, j], at.setdefault((i, j), len(at))) for j in cols[p]]
                work.append((i, at[i, p], updates))
            self.steps.append((p, at[p, p], work, [(j, at[p, j]) for j in cols[p]]))
        self.size = len(at)
        self.cells = at
        #: Place of (j, i) for the place of each (i, j).
        self.mirrored = np.array([at[j, i] for i, j in at])

    def solve(self, a: Floats, rhs: Floats) -> Floats:
        """Solve in place: `a` (size, lanes) is destroyed, `rhs` (n, ..., lanes) becomes x."""
        scratch = np.empty_like(a[0])
        wide = np.empty_like(rhs[0])
        for p, diagonal, work, _ in self.steps:
            inverse = np.divide(1.0, a[diagonal], out=a[diagonal])
            for i, lower, updates in work:
                factor = np.multiply(a[lower], inverse, out=a[lower])
                for source, target in updates:
                    np.multiply(factor, a[source], out=scratch)
                    np.subtract(a[target], scratch, out=a[target])
                np.multiply(factor, rhs[p], out=wide)
                np.subtract(rhs[i], wide, out=rhs[i])
        for p, diagonal, _, row in reversed(self.steps):
            for j, upper in row:
                np.multiply(a[upper], rhs[j], out=wide)
                np.subtract(rhs[p], wide, out=rhs[p])
            np.multiply(rhs[p], a[diagonal], out=rhs[p])
        return rhs

    def dense(self, a: Floats) -> Floats:
        """The same matrices as (lanes, n, n)."""
        full = np.zeros((a.shape[1], self.n, self.n))
        for (i, j), k in self.cells.items():
            full[:, i, j] = a[k]
        return full


@dataclass
class Values:
    """What may differ from lane to lane: (rows, 1) or (rows, lanes)."""

    g: Floats  # conductances
    emf: Floats  # in series with each resistor, V
    i_s: Floats
    leak: Floats
    inv_bf: Floats
    source: Floats  # ideal tail current, (1,) or (lanes,)

    def take(self, lanes: Ints | slice) -> "Values":
        return Values(
            **{k: v if v.shape[-1] == 1 else v[..., lanes] for k, v in self.__dict__.items()}
        )


def nominal(net: Net, circuit: Circuit) -> Values:
    """Values of the circuit as drawn."""
    trims = np.array([circuit.trim_upper, circuit.trim_lower])
    return Values(
        g=1.0 / net.ohms,
        emf=(net.emf @ trims)[:, None],
        i_s=net.i_s,
        leak=net.leak,
        inv_bf=net.inv_bf,
        source=np.array([circuit.ideal_tail]),
    )


def _device_currents(
    net: Net, values: Values, vbe: Floats, vbc: Floats, partials: bool = True
) -> tuple[Floats, Floats]:
    """(ic, ib) stacked (2k, lanes), and the four partials stacked (4k, lanes) if asked for."""
    inv_vt = 1.0 / net.v_t
    eb = values.i_s * np.exp(np.minimum(vbe * inv_vt, _EXP_MAX))
    ec = values.i_s * np.exp(np.minimum(vbc * inv_vt, _EXP_MAX))
    early = 1.0 - net.inv_va * vbc
    difference = eb - ec
    reverse = net.inv_br * (ec - values.i_s)
    leak_bc = values.leak * vbc
    k = len(net.devices)
    current = np.empty((2 * k, vbe.shape[1]))
    current[:k] = difference * early - reverse - leak_bc
    current[k:] = values.inv_bf * (eb - values.i_s) + reverse + values.leak * vbe + leak_bc
    if not partials:
        return current, np.empty((0, vbe.shape[1]))
    d = np.empty((4 * k, vbe.shape[1]))
    eb *= inv_vt
    ec *= inv_vt
    back = net.inv_br * ec + values.leak
    d[:k] = eb * early
    d[k : 2 * k] = -ec * early - difference * net.inv_va - back
    d[2 * k : 3 * k] = values.inv_bf * eb + values.leak
    d[3 * k :] = back
    return current, d


def _junctions(net: Net, v: Floats) -> tuple[Floats, Floats]:
    base = v[net.dev_b]
    return base - v[net.dev_e], base - v[net.dev_c]


def _limit(new: Floats, old: Floats, v_t: float, v_crit: Floats) -> tuple[Floats, Bools | None]:
    """Logarithmic step above the knee of the exponential; returns (limited, any per lane)."""
    big = (new > v_crit) & (np.abs(new - old) > 2.0 * v_t)
    if not big.any():
        return new, None
    ratio = 1.0 + (new - old) / v_t
    up = np.where(ratio > 0, old + v_t * np.log(np.maximum(ratio, 1e-30)), v_crit)
    fresh = v_t * np.log(np.maximum(new / v_t, 1e-30))
    return np.where(big, np.where(old > 0, up, fresh), new), np.any(big, axis=0)


def _current_error(net: Net, values: Values, v: Floats, current: Floats) -> Floats:
    drop = v[net.res_a] - v[net.res_b] + values.emf
    f = net.f_res @ (values.g * drop) + net.f_dev @ current
    if net.source_row >= 0:
        f[net.source_row] += values.source
    return f


def newton(
    net: Net,
    values: Values,
    v: Floats,
    iterations: int,
    dense: bool = False,
    clamp: float = np.inf,
    hold: float = 0.0,
) -> Bools:
    """Newton steps on all lanes at once; a lane leaves when its step is small.

    Parameters
    ----------
    v : numpy.ndarray, shape (nodes, lanes)
        Start; known rows hold their voltages. Overwritten with the solution.
    dense : bool
        Solve with full pivoting.
    clamp : float
        Largest change of a node voltage in one step, V.
    hold : float
        Conductance, S, that ties each node to where it was a step before, as a capacitor would
        in time; it fades, and is gone for the last steps.

    Returns
    -------
    numpy.ndarray of bool, shape (lanes,)
        Which lanes settled.
    """
    lanes = np.arange(v.shape[1])
    settled = np.zeros(v.shape[1], dtype=bool)
    work, here = v, values
    v_crit = net.v_t * np.log(net.v_t / (math.sqrt(2.0) * values.i_s))
    v_crit_here = v_crit
    vbe_old, vbc_old = _junctions(net, work)
    a_res = net.a_res @ here.g
    diagonal = [net.plan.cells[i, i] for i in range(net.n)]
    with np.errstate(all="ignore"):
        for count in range(iterations):
            vbe, vbc = _junctions(net, work)
            vbe_lim, held_be = _limit(vbe, vbe_old, net.v_t, v_crit_here)
            vbc_lim, held_bc = _limit(vbc, vbc_old, net.v_t, v_crit_here)
            current, d = _device_currents(net, here, vbe_lim, vbc_lim)
            if held_be is not None or held_bc is not None:
                k = len(net.devices)
                over_be, over_bc = vbe - vbe_lim, vbc - vbc_lim
                current[:k] += d[:k] * over_be + d[k : 2 * k] * over_bc
                current[k:] += d[2 * k : 3 * k] * over_be + d[3 * k :] * over_bc
            f = _current_error(net, here, work, current)
            a = net.a_dev @ d
            a += a_res
            held = hold * 0.85**count if count < iterations - 40 else 0.0
            if held:
                a[diagonal] += held
            if dense:
                step = _solve_dense(net.plan.dense(a), f)
            else:
                step = net.plan.solve(a, f)
            size = np.max(np.abs(step), axis=0, initial=0.0)
            if np.isfinite(clamp):
                step = np.clip(step, -clamp, clamp)
            work[: net.n] -= step
            vbe_old, vbc_old = vbe_lim, vbc_lim
            done = (size < _DONE_STEP) & (held == 0.0)
            for limited in (held_be, held_bc):
                if limited is not None:
                    done &= ~limited
            out = done | ~np.isfinite(size)
            settled[lanes[done]] = True
            # copying costs more than a spare step of a few lanes
            if np.count_nonzero(out) > 0.3 * out.size:
                stay = np.flatnonzero(~out)
                if work is not v:
                    v[:, lanes] = work
                if stay.size == 0:
                    return settled
                lanes = lanes[stay]
                work, here = v[:, lanes], values.take(lanes)
                vbe_old, vbc_old = vbe_old[:, stay], vbc_old[:, stay]
                if v_crit.shape[1] > 1:
                    v_crit_here = v_crit[:, lanes]
                if a_res.shape[1] > 1:
                    a_res = a_res[:, stay]
    if work is not v:
        v[:, lanes] = work
    return settled


def _solve_dense(matrix: Floats, f: Floats) -> Floats:
    """Batched solve with rows and columns scaled; a singular lane gives NaN."""
    scale = np.max(np.abs(matrix), axis=2)
    scale[~(scale > 0)] = 1.0
    rhs = (f.T / scale)[..., None]
    matrix = matrix / scale[..., None]
    try:
        return np.ascontiguousarray(np.linalg.solve(matrix, rhs)[..., 0].T)
    except np.linalg.LinAlgError:
        out = np.full_like(f, np.nan)
        for lane in range(f.shape[1]):
            try:
                out[:, lane] = np.linalg.solve(matrix[lane], rhs[lane])[:, 0]
            except np.linalg.LinAlgError:
                pass
        return out


def error(net: Net, values: Values, v: Floats) -> tuple[Floats, Floats]:
    """Largest current error of each lane, A, shape (lanes,), and (ic, ib), shape (2k, lanes)."""
    with np.errstate(all="ignore"):
        current, _ = _device_currents(net, values, *_junctions(net, v), partials=False)
        f = _current_error(net, values, v, current)
        return np.max(np.abs(f), axis=0, initial=0.0), current


def reference_current(net: Net, values: Values, v: Floats, current: Floats) -> Floats:
    """Tail current of each lane, A: what flows from the tail node into the tail part."""
    k = len(net.devices)
    tail = net.index["tail"]
    total = np.zeros(v.shape[1])
    for d, name in enumerate(net.devices):
        if name == "Q7":
            if net.dev_c[d] == tail:
                total += current[d]
            elif net.dev_e[d] == tail:
                total -= current[d] + current[k + d]
        elif name == "catch":
            total -= current[d] + current[k + d]
    for r, name in enumerate(net.resistors):
        if name == "r_tail" or "Q7" in name:
            through = np.broadcast_to(values.g[r], total.shape) * (
                v[net.res_a[r]] - v[net.res_b[r]]
            )
            total += through * ((net.res_a[r] == tail) * 1.0 - (net.res_b[r] == tail))
    if net.source_row >= 0:
        total = total + values.source
    return total


def solve_lanes(
    net: Net,
    values: Values,
    v: Floats,
    second: Floats | None = None,
    iterations: int = 14,
    stepping: bool = True,
) -> tuple[Floats, Floats, Floats]:
    """Solve every lane, with stepping for the stubborn ones.

    Parameters
    ----------
    v : numpy.ndarray, shape (nodes, lanes)
        Start, overwritten.
    second : numpy.ndarray, optional
        Another start for lanes that fail from the first.
    iterations : int
        Newton steps from the first start.
    stepping : bool
        Whether stubborn lanes are worth the effort.

    Returns
    -------
    residual : numpy.ndarray
        Largest current error over the tail current (or `FLOOR_CURRENT`), (lanes,).
    current : numpy.ndarray
        (ic, ib) of each device, (2k, lanes).
    tail : numpy.ndarray
        Tail current, A, (lanes,).
    """
    start = v.copy()
    lanes = np.arange(v.shape[1])
    for begin in range(0, v.shape[1], CHUNK):
        piece = lanes[begin : begin + CHUNK]
        block = np.ascontiguousarray(v[:, piece])
        newton(net, values.take(piece), block, iterations, dense=piece.size <= HANDFUL)
        v[:, piece] = block
    residual, current, tail = _judge(net, values, v)
    bad = np.flatnonzero(~(residual < 0.1 * ACCEPT))
    if second is not None and bad.size:
        for begin in range(0, bad.size, CHUNK):
            piece = bad[begin : begin + CHUNK]
            block = second[:, piece]
            some = values.take(piece)
            newton(net, some, block, 25)
            good = _judge(net, some, block)[0] < 0.1 * ACCEPT
            v[:, piece[good]] = block[:, good]
        residual, current, tail = _judge(net, values, v)
    if not stepping:
        return residual, current, tail
    rescues = (_neighbours, _settling, _supply_stepping, _leak_stepping)
    bad = np.flatnonzero(~(residual < 0.1 * ACCEPT))
    if bad.size > 2 * FEW:
        # solve a few of them the hard way; the rest then have solved neighbours to start from
        rounds = [(r, True) for r in rescues[1:]] + [(r, False) for r in rescues]
    else:
        rounds = [(r, False) for r in rescues]
    for rescue, only_few in rounds:
        bad = np.flatnonzero(~(residual < 0.1 * ACCEPT))
        if bad.size == 0:
            break
        if only_few:
            bad = bad[:: -(-bad.size // FEW)]
        some = values.take(bad)
        trial = rescue(net, some, start[:, bad].copy(), v, bad, residual)
        new_residual, _, _ = _judge(net, some, trial)
        better = new_residual < np.where(np.isfinite(residual[bad]), residual[bad], np.inf)
        v[:, bad[better]] = trial[:, better]
        residual, current, tail = _judge(net, values, v)
    return residual, current, tail


def _judge(net: Net, values: Values, v: Floats) -> tuple[Floats, Floats, Floats]:
    worst, current = error(net, values, v)
    with np.errstate(all="ignore"):
        tail = reference_current(net, values, v, current)
        reference = np.maximum(
            np.maximum(np.abs(tail), FLOOR_CURRENT), HEAVY * np.max(np.abs(current), axis=0)
        )
        return worst / reference, current, tail


def _neighbours(
    net: Net, values: Values, start: Floats, v: Floats, bad: Ints, residual: Floats
) -> Floats:
    """Start from the nearest lane that is solved (samples of a waveform lie side by side)."""
    good = np.flatnonzero(residual < ACCEPT)
    if good.size:
        place = np.clip(np.searchsorted(good, bad), 0, good.size - 1)
        start[: net.n] = v[: net.n, good[place]]
        newton(net, values, start, 40, dense=True, clamp=2.0)
    return start


def _settling(
    net: Net, values: Values, start: Floats, v: Floats, bad: Ints, residual: Floats
) -> Floats:
    """Let the nodes settle as in time, from heavily held to free."""
    newton(net, values, start, 200, dense=True, clamp=1.0, hold=0.1)
    return start


def _leak_stepping(
    net: Net, values: Values, start: Floats, v: Floats, bad: Ints, residual: Floats
) -> Floats:
    """Make every junction leak, solve, and take the leak away decade by decade."""
    leak = values.leak
    for extra in 10.0 ** np.arange(-2.0, -16.0, -1.0):
        values.leak = leak + extra * (leak > 0)
        newton(net, values, start, 60, dense=True, clamp=2.0)
    values.leak = leak
    newton(net, values, start, 60, dense=True, clamp=2.0)
    return start


def _supply_stepping(
    net: Net, values: Values, start: Floats, v: Floats, bad: Ints, residual: Floats
) -> Floats:
    """Raise every source from zero, each lane in steps as long as it can follow."""
    known, source, emf = start[net.n :].copy(), values.source, values.emf
    start[: net.n] = 0.0
    lanes = start.shape[1]
    reached, stride = np.zeros(lanes), np.full(lanes, 0.02)
    for _ in range(150):
        part = np.minimum(reached + stride, 1.0)
        trial = start.copy()
        trial[net.n :] = part * known
        values.source, values.emf = part * source, part * emf
        solved = newton(net, values, trial, 40, dense=True, clamp=2.0)
        solved &= np.isfinite(trial).all(axis=0)
        start[:, solved] = trial[:, solved]
        reached = np.where(solved, part, reached)
        stride = np.where(solved, 1.7 * stride, 0.3 * stride)
        if (reached >= 1.0).all():
            break
    values.source, values.emf = source, emf
    start[net.n :] = known
    newton(net, values, start, 80, dense=True, clamp=2.0)
    return start


def slopes(
    net: Net, values: Values, v: Floats, known_slopes: Floats, injected: Floats | None = None
) -> Floats:
    """Change of every node per change of the known nodes, from the analytic Jacobian.

    Parameters
    ----------
    known_slopes : numpy.ndarray, shape (inputs, nodes)
        Slope of each known node over each input; zero for unknown nodes.
    injected : numpy.ndarray, optional, shape (unknown nodes, inputs, lanes)
        Slope over each input of the current that leaves each unknown node, A, at fixed voltages.

    Returns
    -------
    numpy.ndarray, shape (nodes, inputs, lanes)
    """
    lanes = v.shape[1]
    out = np.empty((len(net.names), known_slopes.shape[0], lanes))
    for begin in range(0, lanes, CHUNK):
        piece = slice(begin, begin + CHUNK)
        some, block = values.take(piece), v[:, piece]
        with np.errstate(all="ignore"):
            _, d = _device_currents(net, some, *_junctions(net, block))
            k = len(net.devices)
            rhs = np.zeros((net.n, known_slopes.shape[0], block.shape[1]))
            for s, slope in enumerate(known_slopes):
                dbe = (slope[net.dev_b] - slope[net.dev_e])[:, None]
                dbc = (slope[net.dev_b] - slope[net.dev_c])[:, None]
                change = np.concatenate(
                    [d[:k] * dbe + d[k : 2 * k] * dbc, d[2 * k : 3 * k] * dbe + d[3 * k :] * dbc]
                )
                drop = (slope[net.res_a] - slope[net.res_b])[:, None]
                rhs[:, s] = -(net.f_dev @ change) - net.f_res @ (some.g * drop)
            if injected is not None:
                rhs -= injected[:, :, piece]
            out[: net.n, :, piece] = _linear(net, some, d, rhs)
    out[net.n :] = known_slopes.T[net.n :, :, None]
    return out


def resistance(net: Net, values: Values, v: Floats, injections: Floats) -> Floats:
    """Node voltages per ampere injected: (nodes, patterns, lanes).

    `injections` (patterns, nodes) says how much of the ampere enters each unknown node.
    """
    with np.errstate(all="ignore"):
        _, d = _device_currents(net, values, *_junctions(net, v))
        rhs = np.repeat(injections.T[: net.n, :, None], v.shape[1], axis=2)
        out = np.zeros((len(net.names), injections.shape[0], v.shape[1]))
        out[: net.n] = _linear(net, values, d, rhs)
    return out


def transfers(net: Net, values: Values, v: Floats, outputs: Floats) -> Floats:
    """What an ampere into each node does to the outputs: (nodes, outputs, lanes), ohm.

    The transposed system has the outputs on its right, so one solution serves every source of
    current wherever it is. `outputs` (outputs, nodes) weighs the node voltages of each output.
    """
    lanes = v.shape[1]
    out = np.zeros((len(net.names), len(outputs), lanes))
    for begin in range(0, lanes, CHUNK):
        piece = slice(begin, begin + CHUNK)
        some, block = values.take(piece), v[:, piece]
        with np.errstate(all="ignore"):
            _, d = _device_currents(net, some, *_junctions(net, block))
            rhs = np.repeat(outputs.T[: net.n, :, None], block.shape[1], axis=2)
            out[: net.n, :, piece] = _linear(net, some, d, rhs, transposed=True)
    return out


def shot_currents(net: Net, values: Values, v: Floats) -> Floats:
    """Currents that cross a junction at random, A, (3, devices, lanes), each at least 0.

    From collector to emitter, from base to emitter, from base to collector. What flows forward and
    what flows back add, although only their difference is a current: so a junction without current
    still has the thermal noise of its conductance.
    """
    with np.errstate(all="ignore"):
        vbe, vbc = _junctions(net, v)
        eb, ec = (values.i_s * np.exp(np.minimum(x / net.v_t, _EXP_MAX)) for x in (vbe, vbc))
        early = np.abs(1.0 - net.inv_va * vbc)
        return np.stack(
            [
                (eb + ec) * early,
                values.inv_bf * (eb + values.i_s),
                net.inv_br * (ec + values.i_s),
            ]
        )


def _linear(net: Net, values: Values, d: Floats, rhs: Floats, transposed: bool = False) -> Floats:
    a = net.a_dev @ d + net.a_res @ values.g
    if transposed:  # its pattern is that of the matrix itself
        a = a[net.plan.mirrored]
    dense = net.plan.dense(a) if a.shape[1] <= 64 else None
    if dense is not None:
        x = [_solve_dense(dense, rhs[:, s]) for s in range(rhs.shape[1])]
        return np.stack(x, axis=1)
    return net.plan.solve(a, rhs)
