"""The built cell a second time, with its capacitors: one period of its steady state.

Nothing here comes from the solver under test. Kirchhoff's law at each node, the transistor in
Ebers-Moll transport form with Early effect (Gray, Hurst, Lewis, Meyer, chapter 1), and every
capacitor as what it is: coupling, signal grounds, bypasses and loads. Generators are an open
voltage behind a resistance, with the termination across them.

The capacitor voltages u are the states. Given u, the rest is algebra at each instant: nodes tied
together by capacitors form one supernode, so its node equations stay small. Over one period

    C du/dt = i(u, t),    u(T) = u(0),

with du/dt taken from the Fourier series of u, which is exact for every line below a quarter of
the number of samples. Newton's method solves all samples at once; its linear steps run along the
period by the trapezoidal rule and close it by the state after one round (any text on numerical
integration; the closing is known as shooting). Where junctions would overshoot they are limited
logarithmically (common practice, no source).
"""

from dataclasses import dataclass, field

import numpy as np

from network_reference import junction

#: A broken joint and a solder bridge, ohm, unless a board draws others.
OPEN, SHORT = 1e9, 1.0
#: A hand-held meter on its voltage ranges, ohm (common practice, no source).
METER = 10e6
#: No current into a node changes by more than this in the last step, A. (A node that only leaks
#: hold has no voltage to speak of, and may wander.)
SETTLED = 1e-12


class NoSolution(Exception):
    """Newton's method did not settle."""


@dataclass
class Parts:
    """Every part of one board as it is, SI units.

    `ohms`: name -> ohm, emitter resistors as `r_emitter_q1` ...; without one, emitter and rail
    are one node. `farads`: name -> F, the loads as `c_load_left` and `c_load_right`, the bypass
    of the tail's base as `c_bypass_tail`. `area`, `beta`, `early`: one a transistor, Q1 first.
    `swaps`: pairs of transistors whose bases are exchanged. `turned`: those with collector and
    emitter exchanged. `opened`: (transistor, pin). `bridged`: (transistor, pin, pin). `opened`
    and `shorted` parts are in `lost` and `shorted`. `emf`: V, in series with the bias resistors
    `upper_pos` ...
    """

    v_supply: float
    temperature: float
    i_s: float
    beta_reverse: float
    g_leak: float
    modes: dict  # "upper", "lower" -> "single" or "balanced"
    tail: str  # "resistor" or "transistor"
    ohms: dict
    farads: dict
    area: list
    beta: list
    early: list
    emf: dict = field(default_factory=dict)
    lost: set = field(default_factory=set)
    shorted: set = field(default_factory=set)
    swaps: set = field(default_factory=set)
    turned: set = field(default_factory=set)
    opened: set = field(default_factory=set)
    bridged: set = field(default_factory=set)
    levels_swapped: bool = False
    open_ohms: float = OPEN
    short_ohms: float = SHORT


_PLACES = {  # collector, base, emitter rail
    "Q1": ("left", "base_upper_pos", "common_left"),
    "Q2": ("right", "base_upper_neg", "common_left"),
    "Q3": ("left", "base_upper_neg", "common_right"),
    "Q4": ("right", "base_upper_pos", "common_right"),
    "Q5": ("common_left", "base_lower_pos", "tail"),
    "Q6": ("common_right", "base_lower_neg", "tail"),
}


class Board:
    """The network of one board: resistors, capacitors, transistors and known voltages.

    Known nodes are ground, the supply and the open voltages of the generators. `nodes` maps the
    name of a node to its row in every array of voltages. `meter` names a node that a meter of
    `METER` hangs at.
    """

    def __init__(self, parts, meter=""):
        self.parts = parts
        self.known = {"ground": 0, "supply": 1}
        self.nodes = dict(self.known)
        self.sources = []  # (row, side, share of its open voltage)
        self.resistors, self.capacitors, self.devices = [], [], []
        self._draw()
        if meter:
            self._wire(meter, "ground", METER)
        self._assemble()

    # drawing

    def _row(self, name):
        return self.nodes.setdefault(name, len(self.nodes))

    def _known(self, name, side, share):
        self.known[name] = self._row(name)
        self.sources.append((self.nodes[name], side, share))

    def _resistor(self, name, a, b, emf=0.0):
        p = self.parts
        ohms = p.ohms[name]
        if name in p.lost:
            ohms = p.open_ohms
        elif name in p.shorted:
            ohms = min(p.short_ohms, ohms)
        self._wire(a, b, ohms, emf)

    def _wire(self, a, b, ohms, emf=0.0):
        self.resistors.append((self._row(a), self._row(b), 1.0 / ohms, emf))

    def _capacitor(self, name, a, b):
        p = self.parts
        if name in p.shorted:
            self._wire(a, b, p.short_ohms)
        elif name not in p.lost and p.farads[name] > 0.0:
            self.capacitors.append((name, self._row(a), self._row(b), p.farads[name]))
        else:
            self._row(a), self._row(b)

    def _draw(self):
        p = self.parts
        # the generators first, so that the known nodes have the first rows
        for side in ("upper", "lower"):
            if p.modes[side] == "single":
                self._known(f"open_{side}_pos", side, 1.0)
            else:
                self._known(f"open_{side}_pos", side, 0.5)
                self._known(f"open_{side}_neg", side, -0.5)
        self._resistor("r_string_top", "supply", "level_upper")
        self._resistor("r_string_middle", "level_upper", "level_lower")
        self._resistor("r_string_bottom", "level_lower", "ground")
        self._capacitor("c_bypass_upper", "level_upper", "ground")
        self._capacitor("c_bypass_lower", "level_lower", "ground")
        for side, other in (("upper", "lower"), ("lower", "upper")):
            level = f"level_{other if p.levels_swapped else side}"
            for pole in ("pos", "neg"):
                emf = p.emf.get(f"{side}_{pole}", 0.0)
                self._resistor(f"r_bias_{side}_{pole}", level, f"base_{side}_{pole}", emf)
            self._generator(side)
        for load in ("left", "right"):
            self._resistor(f"r_load_{load}", "supply", load)
            self._capacitor(f"c_load_{load}", load, "ground")
        bases = {q: base for q, (_, base, _) in _PLACES.items()}
        for a, b in p.swaps:
            bases[a], bases[b] = bases[b], bases[a]
        for q, (collector, _, rail) in _PLACES.items():
            emitter = rail
            if f"r_emitter_{q.lower()}" in p.ohms:
                emitter = f"emitter_{q.lower()}"
                self._resistor(f"r_emitter_{q.lower()}", emitter, rail)
            self._transistor(q, collector, bases[q], emitter)
        if p.tail == "resistor":
            self._resistor("r_tail", "tail", "ground")
        else:
            self._resistor("r_tail_base_top", "supply", "tail_base")
            self._resistor("r_tail_base_bottom", "tail_base", "ground")
            self._capacitor("c_bypass_tail", "tail_base", "ground")
            self._resistor("r_tail_emitter", "emitter_q7", "ground")
            self._transistor("Q7", "tail", "tail_base", "emitter_q7")

    def _generator(self, side):
        p = self.parts
        single = p.modes[side] == "single"
        source = p.ohms[f"r_source_{side}"] * (1.0 if single else 0.5)
        if f"drive_{side}" in p.lost:
            source = p.open_ohms
        for pole in ("pos",) if single else ("pos", "neg"):
            self._wire(f"open_{side}_{pole}", f"drive_{side}_{pole}", max(source, 1e-3))
            cap = f"c_coupling_{side}" + ("" if single else f"_{pole}")
            self._capacitor(cap, f"drive_{side}_{pole}", f"base_{side}_{pole}")
        if single:
            self._capacitor(f"c_ground_{side}", f"base_{side}_neg", "ground")
        if f"r_termination_{side}" in p.ohms:
            far = "ground" if single else f"drive_{side}_neg"
            self._resistor(f"r_termination_{side}", f"drive_{side}_pos", far)

    def _transistor(self, q, collector, base, emitter):
        p = self.parts
        pins = {"collector": collector, "base": base, "emitter": emitter}
        for pin in pins:
            if (q, pin) in p.opened:
                self._wire(pins[pin], f"{q}.{pin}", p.open_ohms)
                pins[pin] = f"{q}.{pin}"
        for one, two in (("base", "emitter"), ("base", "collector"), ("collector", "emitter")):
            if (q, one, two) in p.bridged:
                self._wire(pins[one], pins[two], p.short_ohms)
        if q in p.turned:
            pins["collector"], pins["emitter"] = pins["emitter"], pins["collector"]
        self.devices.append((int(q[1]) - 1, *(self._row(pins[x]) for x in pins)))

    # matrices

    def _assemble(self):
        p, known = self.parts, len(self.known)
        assert sorted(self.known.values()) == list(range(known))
        size = len(self.nodes)
        full, self.constant = np.zeros((size, size)), np.zeros(size)
        for a, b, g, emf in self.resistors:
            for here, there, sign in ((a, b, 1.0), (b, a, -1.0)):
                full[here, here] += g
                full[here, there] -= g
                self.constant[here] += sign * g * emf
        self.linear, self.constant = full[known:], self.constant[known:]
        k = len(self.devices)
        inject = np.zeros((size, 2 * k))  # of (ic, ib) out of each node into the transistor
        reach = np.zeros((2 * k, size))  # (vbe, vbc) from node voltages
        for d, (_, c, b, e) in enumerate(self.devices):
            inject[c, d] += 1.0
            inject[b, k + d] += 1.0
            inject[e, d] -= 1.0
            inject[e, k + d] -= 1.0
            reach[d, b] += 1.0
            reach[d, e] -= 1.0
            reach[k + d, b] += 1.0
            reach[k + d, c] -= 1.0
        self.inject, self.reach = inject[known:], reach
        which = [d[0] for d in self.devices]
        self.v_t, i_s = junction(p.i_s, p.temperature)
        self.i_s = i_s * np.array(p.area)[which]
        self.beta, self.early = np.array(p.beta)[which], np.array(p.early)[which]
        m = len(self.capacitors)
        self.farads = np.array([c[3] for c in self.capacitors])
        across = np.zeros((m, size))
        for j, (_, a, b, _) in enumerate(self.capacitors):
            across[j, a] += 1.0
            across[j, b] -= 1.0
        self.across = across
        spread, lift, carry = self._supernodes(size, m)
        # node equations summed over each supernode, and the currents into the capacitors
        into = -np.linalg.pinv(across[:, known:].T) if m else np.zeros((0, size - known))
        rows = np.concatenate([spread[known:].T, into])
        self.waves = _Equations(self, rows, np.concatenate([spread, lift], axis=1), carry)
        eye = np.eye(size)
        self.still = _Equations(self, np.eye(size - known), eye[:, known:], eye[:, :known])

    def _supernodes(self, size, m):
        """Voltages = spread @ w + lift @ u + carry @ (known voltages)."""
        known = len(self.known)
        home = {row: (row, np.zeros(m)) for row in range(size)}  # representative, offset
        for j, (name, a, b, _) in enumerate(self.capacitors):
            (rep_a, off_a), (rep_b, off_b) = home[a], home[b]
            if rep_a == rep_b:
                raise NoSolution(f"{name} closes a loop of capacitors")
            stay, go = (rep_a, rep_b) if rep_a < rep_b else (rep_b, rep_a)
            unit = np.eye(m)[j]
            # v_a - v_b = u_j, with v_a = v_rep + off_a and so on
            shift = (off_a - off_b - unit) if go == rep_b else (off_b - off_a + unit)
            for row, (rep, off) in home.items():
                if rep == go:
                    home[row] = (stay, off + shift)
        heads = sorted({rep for rep, _ in home.values()} - set(range(known)))
        spread, lift = np.zeros((size, len(heads))), np.zeros((size, m))
        carry = np.zeros((size, known))
        for row, (rep, off) in home.items():
            lift[row] = off
            if rep < known:
                carry[row, rep] = 1.0
            else:
                spread[row, heads.index(rep)] = 1.0
        return spread, lift, carry

    # the transistors

    def device(self, v):
        """(ic, ib) and their derivatives; `v` (samples, 2k) is (vbe, vbc)."""
        p, k = self.parts, len(self.devices)
        vbe, vbc = v[:, :k], v[:, k:]
        f = self.i_s * np.exp(np.minimum(vbe / self.v_t, 200.0))
        r = self.i_s * np.exp(np.minimum(vbc / self.v_t, 200.0))
        early = 1.0 - vbc / self.early
        ic = (f - r) * early - (r - self.i_s) / p.beta_reverse - p.g_leak * vbc
        ib = (f - self.i_s) / self.beta + (r - self.i_s) / p.beta_reverse + p.g_leak * (vbe + vbc)
        gf, gr = f / self.v_t, r / self.v_t
        back = gr / p.beta_reverse + p.g_leak
        slopes = (
            gf * early,
            -gr * early - (f - r) / self.early - back,
            gf / self.beta + p.g_leak,
            back,
        )
        return np.concatenate([ic, ib], axis=1), np.concatenate(slopes, axis=1)

    def _limited(self, new, old):
        """Junction voltages that are not carried away by the exponential."""
        knee = self.v_t * np.log(self.v_t / (np.sqrt(2.0) * np.tile(self.i_s, 2)))
        far = (new > knee) & (np.abs(new - old) > 2.0 * self.v_t)
        if not far.any():
            return new, False
        step = 1.0 + (new - old) / self.v_t
        up = np.where(step > 0.0, old + self.v_t * np.log(np.maximum(step, 1e-9)), knee)
        fresh = self.v_t * np.log(np.maximum(new / self.v_t, 1e-9))
        return np.where(far, np.where(old > 0.0, up, fresh), new), True

    def known_voltages(self, upper, lower):
        """Rows of the known nodes for open voltages of the generators, (samples, known)."""
        upper, lower = np.atleast_1d(upper), np.atleast_1d(lower)
        out = np.zeros((upper.size, len(self.known)))
        out[:, 1] = self.parts.v_supply
        for row, side, share in self.sources:
            out[:, row] = share * (upper if side == "upper" else lower)
        return out

    # solutions

    def rest(self):
        """Node voltages with both generators at zero and the capacitors open, (nodes,)."""
        fixed, k = self.known_voltages(0.0, 0.0), len(self.devices)
        leaks = (0.0,)
        for _ in (0, 1):
            vj = np.concatenate([np.full((1, k), 0.6), np.full((1, k), -1.0)], axis=1)
            for leak in leaks:
                x, settled = None, False
                for _ in range(200):
                    matrix, constant = self.still.at(vj, fixed)
                    matrix[0] += leak * np.eye(matrix.shape[1])
                    old, x = x, -np.linalg.solve(matrix, constant[..., None])[..., 0]
                    vj, limited = self._limited(self.still.junctions(x, fixed), vj)
                    settled = old is not None and not limited and _far(matrix, x, old) < SETTLED
                    if settled:
                        break
            if settled:
                return self.still.voltages(x, fixed)[0]
            leaks = (*10.0 ** np.arange(-2.0, -14.0, -0.5), 0.0)
        raise NoSolution("no state of rest")

    def instant(self, u, fixed, vj):
        """Algebra at given capacitor voltages: node voltages and currents into the capacitors.

        `u` (samples, m), `fixed` (samples, known), `vj` (samples, 2k) a start.
        """
        eq, w = self.waves, None
        n = eq.matrix.shape[0] - len(self.capacitors)
        for _ in range(200):
            matrix, constant = eq.at(vj, fixed)
            rhs = constant[:, :n] + np.einsum("sij,sj->si", matrix[:, :n, n:], u)
            old, w = w, -np.linalg.solve(matrix[:, :n, :n], rhs[..., None])[..., 0]
            x = np.concatenate([w, u], axis=1)
            vj, limited = self._limited(eq.junctions(x, fixed), vj)
            if old is not None and not limited and _far(matrix[:, :n, :n], w, old) < SETTLED:
                currents = np.einsum("sij,sj->si", matrix[:, n:], x) + constant[:, n:]
                return eq.voltages(x, fixed), currents
        raise NoSolution("no solution at an instant")

    def periodic(self, upper, lower, period):
        """One period of the steady state.

        Parameters
        ----------
        upper, lower : array, shape (samples,)
            V, open voltages of the generators on equal steps over one period.
        period : float
            s.

        Returns
        -------
        array, shape (samples, nodes)
            V.
        """
        rest = self.rest()
        n = len(upper)
        v = np.tile(rest, (n, 1))
        try:
            return self._steady(upper, lower, period, v, 60)
        except NoSolution:
            done, stride = 0.0, 0.25
            while done < 1.0:
                share = min(1.0, done + stride)
                try:
                    v = self._steady(share * upper, share * lower, period, v, 40)
                    done, stride = share, 1.5 * stride
                except NoSolution:
                    stride *= 0.3
                    if stride < 2e-3:
                        raise
            return v

    def _steady(self, upper, lower, period, v, rounds):
        samples, h = len(upper), period / len(upper)
        fixed, eq = self.known_voltages(upper, lower), self.waves
        u, vj = v @ self.across.T, v @ self.reach.T
        n, slope, x = eq.matrix.shape[0] - u.shape[1], _slope(samples, h), None
        across = self.farads / h * np.eye(u.shape[1])
        for _ in range(rounds):
            matrix, constant = eq.at(vj, fixed)
            inside, outside = matrix[:, :n, :n], matrix[:, :n, n:]
            f = constant + np.einsum("sij,sj->si", matrix[:, :, n:], u)
            try:
                w = -np.linalg.solve(inside, np.concatenate([f[:, :n, None], outside], axis=2))
            except np.linalg.LinAlgError:
                raise NoSolution("singular") from None
            # currents into the capacitors: flow + conduct @ du
            moved = matrix[:, n:, :n] @ w
            flow, conduct = f[:, n:] + moved[..., 0], matrix[:, n:, n:] + moved[..., 1:]
            wanted = np.fft.irfft(slope[:, None] * np.fft.rfft(u, axis=0), samples, axis=0)
            left = flow - self.farads * wanted
            drive = 0.5 * (left + np.roll(left, 1, axis=0))
            du = _round_trip(across - 0.5 * conduct, across + 0.5 * conduct, drive)
            u = u + du
            old, x = (
                x,
                np.concatenate([w[..., 0] + np.einsum("sij,sj->si", w[..., 1:], du), u], axis=1),
            )
            if not np.isfinite(x).all():
                raise NoSolution("not finite")
            vj, limited = self._limited(eq.junctions(x, fixed), vj)
            if old is not None and not limited and _far(matrix, x, old) < SETTLED:
                return eq.voltages(x, fixed)
        raise NoSolution(f"not settled after {rounds} rounds")


class _Equations:
    """Node equations in chosen rows and unknowns x: matrix @ x + constant, device by device.

    Node voltages are columns @ x + carry @ fixed.
    """

    def __init__(self, board, rows, columns, carry):
        self.board, self.columns, self.carry = board, columns, carry
        self.matrix = rows @ board.linear @ columns
        self.fixed = rows @ board.linear @ carry
        self.constant = rows @ board.constant
        self.inject = rows @ board.inject
        self.reach, self.reach_fixed = board.reach @ columns, board.reach @ carry
        k = len(board.devices)
        self.pattern = np.array(
            [
                np.outer(self.inject[:, i * k + d], self.reach[j * k + d]).ravel()
                for i in (0, 1)
                for j in (0, 1)
                for d in range(k)
            ]
        )

    def voltages(self, x, fixed):
        return x @ self.columns.T + fixed @ self.carry.T

    def junctions(self, x, fixed):
        return x @ self.reach.T + fixed @ self.reach_fixed.T

    def at(self, vj, fixed):
        """Matrix (samples, n, n) and constant (samples, n), linearised at junction voltages."""
        k = vj.shape[1] // 2
        current, d = self.board.device(vj)
        matrix = (d @ self.pattern).reshape(len(vj), *self.matrix.shape) + self.matrix
        d = d.reshape(-1, 4, k)
        back = fixed @ self.reach_fixed.T - vj
        rest = current.copy()
        rest[:, :k] += d[:, 0] * back[:, :k] + d[:, 1] * back[:, k:]
        rest[:, k:] += d[:, 2] * back[:, :k] + d[:, 3] * back[:, k:]
        return matrix, rest @ self.inject.T + fixed @ self.fixed.T + self.constant


def _far(matrix, new, old):
    return np.max(np.abs(np.einsum("sij,sj->si", matrix, new - old)), initial=0.0)


def _slope(n, h):
    """Factor of each line for a derivative in time.

    Exact for lines below a quarter of the sample rate; above, where a resolved wave holds nothing,
    that of the trapezoidal rule, without which Newton's method would only creep there.
    """
    turn = np.pi * np.fft.rfftfreq(n)
    slope = 2.0 * np.where(turn < 0.25 * np.pi, turn, np.tan(np.minimum(turn, 0.499 * np.pi)))
    return 1j * np.where(turn < 0.499 * np.pi, slope, 0.0) / h


def _round_trip(here, before, drive):
    """Solve here_k s_k = before_(k-1) s_(k-1) + drive_k round a closed ring."""
    n, m = drive.shape
    step = np.linalg.solve(here, np.concatenate([np.roll(before, 1, 0), drive[..., None]], axis=2))
    step, push = step[..., :m], step[..., m]
    state = np.zeros((n, m, m + 1))
    now = np.concatenate([np.eye(m), np.zeros((m, 1))], axis=1)
    state[0] = now
    for k in range(1, n):
        now = step[k] @ now
        now[:, m] += push[k]
        state[k] = now
    last = step[0] @ now
    last[:, m] += push[0]
    try:
        first = np.linalg.solve(np.eye(m) - last[:, :m], last[:, m])
    except np.linalg.LinAlgError as error:
        raise NoSolution("the round trip cannot be closed") from error
    return state[..., :m] @ first + state[..., m]
