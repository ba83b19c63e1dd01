"""One board as it may be: the circuit with a fault, with parts that moved; what it would show.

A quantity that can move has a name: those of `built.sensitivity.quantities`, and `c_left` and
`c_right` (what hangs at each output), `c_coupling_upper`, `c_coupling_lower`. They move by the
logarithm of their factor, the temperature by kelvin.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any, cast

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built import network, nodal, sensitivity
from forktail.core.built.circuit import COLDEST, HOTTEST, Circuit, resistor_parts
from forktail.core.built.mismatch import Tolerances
from forktail.core.built.response import base_response
from forktail.core.capture.align import Record, Waves
from forktail.core.checks import Bools, Complexes, Floats
from forktail.core.models import BuiltCell, Solver
from forktail.core.path import (
    Feed,
    Passed,
    Path,
    coupling_response,
    filtered,
    load_response,
    loaded,
    path_of,
    run_path,
)
from forktail.core.spec import specs_of
from forktail.core.thermal import thermal_voltage

#: A quantity, or several that move as one number.
Key = str | tuple[str, ...]
#: Quantities that moved, with how far.
Moves = tuple[tuple[str, float], ...]
#: Slopes by quantity, then by output (an array) or by node at rest (a number).
Columns = dict[str, dict[str, Any]]
#: A collector this far below a base line of its transistors conducts backwards, V.
SATURATED = -0.4
#: Base currents that drop this much in a bias resistor load the line, V; a part has moved far
#: from here on, in its logarithm.
LOADED, FAR = 0.05, 0.7
#: A bias resistor this far off (logarithm) has the coupling of its input worked out again.
OFF = 0.1
#: Quantities that move in the fields of the circuit, not as factors on parts.
_FIELDS = ("v_supply", "v_early", "i_s", "beta_forward")
_CAPACITORS = ("c_left", "c_right", "c_coupling_upper", "c_coupling_lower")
_SIDES = ("upper", "lower")


@dataclass(frozen=True)
class Spread:
    """How far healthy boards and benches lie apart: standard deviations.

    Common practice, no source: resistors of 1 %, capacitors of 10 to 20 %, small transistors of
    one batch, a bench supply, a room.

    Attributes
    ----------
    tolerances : mismatch.Tolerances
        Resistors, base-emitter voltages of one batch, current gain.
    capacitor : tolerance of capacitors, a fraction; values are spread evenly within it.
    stray : F, that probe and wiring may add to an output or not.
    supply : of its logarithm.
    temperature : K.
    i_s, v_early : of their logarithms, from batch to batch.
    source : of the logarithm of a generator's resistance.
    """

    tolerances: Tolerances = Tolerances()
    capacitor: float = 0.2
    stray: float = 10e-12
    supply: float = 0.006
    temperature: float = 5.0
    i_s: float = 0.25
    v_early: float = 0.2
    source: float = 0.03

    def of(self, circuit: Circuit, name: str) -> float:
        """Standard deviation of one quantity of a circuit."""
        even = 1.0 / math.sqrt(3.0)
        if name in ("c_left", "c_right"):
            return math.hypot(self.capacitor * even, self.stray / max(circuit.c_load, 1e-12))
        if name in _CAPACITORS:
            return self.capacitor * even
        if name.startswith("r_source_"):
            return self.source
        if name.startswith("r_"):
            return max(self.tolerances.resistor * even, 1e-4)
        if name.startswith("Q"):
            return self.tolerances.v_be / float(thermal_voltage(circuit.temperature)) + 1e-4
        return {
            "beta_forward": self.tolerances.beta,
            "i_s": self.i_s,
            "v_early": self.v_early,
            "v_supply": self.supply,
            "temperature": self.temperature,
            "i_tail": 0.02,
        }[name]


def movable(circuit: Circuit, at: str) -> tuple[str, ...]:
    """Quantities of a circuit that can move and show, probed `at` a place of `path.PLACES`."""
    left_out = {"v_upper", "v_lower", "trim_upper", "trim_lower"}
    names = [n for n in sensitivity.quantities(as_probed(circuit, at)) if n not in left_out]
    infinite = [n for n in ("beta_forward", "v_early") if math.isinf(getattr(circuit, n))]
    if circuit.c_load > 0.0:
        names += ["c_left", "c_right"]
    if at == "generator":
        names += ["c_coupling_upper", "c_coupling_lower"]
    return tuple(n for n in names if n not in infinite)


def hidden(circuit: Circuit, key: str, at: str) -> bool:
    """Whether a fault lies before the place that was probed, so that the inputs show it."""
    kind, _, part = key.partition(":")
    if kind != "open" or not part.startswith(("drive_", "r_termination_", "c_coupling_")):
        return False
    if at == "base lines":
        return True
    side = "upper" if "upper" in part else "lower"
    ended = math.isfinite(getattr(circuit, f"r_termination_{side}"))
    return ended and not part.startswith("c_coupling_")


@lru_cache(maxsize=512)
def as_probed(circuit: Circuit, at: str) -> Circuit:
    """The circuit from the place that was probed onwards.

    A generator is probed across its termination while the board runs; so what comes before it is
    in the inputs themselves. Without a termination it is probed before its source resistor.
    """
    if at == "generator":
        fields: dict[str, Any] = {}
        for side in _SIDES:
            if math.isfinite(getattr(circuit, f"r_termination_{side}")):
                fields |= {f"r_source_{side}": 0.0, f"r_termination_{side}": math.inf}
        before = tuple(f for f in circuit.faults if not hidden(circuit, f, at))
        circuit = replace(circuit, faults=before, **fields)
    return BuiltCell(circuit).at(at).driven


#: Why there is nothing to compare with, where `solve_rest` finds nothing.
NO_REST = (
    "No solution balances every current of this circuit at rest, so there is no prediction to "
    "compare with."
)


def as_planned(circuit: Circuit) -> tuple[Circuit, list[str]]:
    """The circuit without its faults, and what is to be said of that: (Circuit, list of str)."""
    if not circuit.faults:
        return circuit, []
    said = "The faults set in the circuit were left out: it is compared as planned."
    return replace(circuit, faults=()), [said]


def moved_by(key: Key) -> tuple[str, ...]:
    """Quantities that move as one number: those of a tuple, or the one itself."""
    return key if isinstance(key, tuple) else (key,)


def unit_of(key: Key) -> float:
    """What counts as one step of a quantity: 1 in its logarithm, 25 K."""
    return 25.0 if key == "temperature" else 1.0


def _field(circuit: Circuit, name: str, by: float) -> float:
    """A value of the circuit that moved, within its bounds."""
    bounds = specs_of(Circuit)[name]
    return float(np.clip(getattr(circuit, name) * math.exp(min(by, 50.0)), bounds.low, bounds.high))


@dataclass(frozen=True)
class Board:
    """A circuit (its faults in it) with quantities that moved: tuple of (name, by how much)."""

    circuit: Circuit
    moves: Moves = ()

    @cached_property
    def _moved(self) -> dict[str, float]:
        return dict(self.moves)

    @cached_property
    def solved(self) -> tuple[Circuit, dict[str, float]]:
        """The circuit with what moves as a field of it, and factors on parts for the solver."""
        c = self.circuit
        fields: dict[str, Any] = {}
        scale: dict[str, float] = {}
        for name, by in self.moves:
            if name == "temperature":
                fields[name] = float(np.clip(c.temperature + by, COLDEST, HOTTEST))
            elif name in _FIELDS or name.startswith("r_source_"):
                fields[name] = _field(c, name, by)
            elif name not in _CAPACITORS:
                scale[name] = math.exp(by)
        return (replace(c, **fields) if fields else c), scale

    @property
    def far(self) -> bool:
        """Whether it is another board than was planned: a fault, or a part far off its value."""
        moved = any(abs(by) >= FAR and n != "temperature" for n, by in self.moves)
        return bool(self.circuit.faults) or moved

    def _coupled(self, side: str) -> Feed:
        """The way from the generator to the base lines of one input."""
        c = self.circuit
        fields: dict[str, Any] = {}
        off = any(n.startswith("r_bias_") and abs(by) > OFF for n, by in self.moves)
        for name, by in self.moves if off or c.faults else ():
            if name.startswith(("r_bias_", "c_coupling_")):
                fields[name] = _field(c, name, by)
        corner = _path_at(c, "generator").feed(side).corner
        slower = self._moved.get(f"c_coupling_{side}", 0.0)
        slower += sum(
            share * self._moved.get(name, 0.0)
            for name, share in _seen_by(as_probed(c, "generator"), side).items()
        )
        corner *= math.exp(-slower)
        if (off or c.faults) and not any(f.startswith("short:c_") for f in c.faults):
            feed = _Linear(corner, circuit=replace(c, **fields) if fields else c, side=side)
            if feed.known:
                return feed
        return Feed(corner)

    def path(self, at: str) -> Path:
        """Coupling corners and poles of the board as it is."""
        m = self._moved
        path = _path_at(self.circuit, at)
        upper, lower = (
            self._coupled(side) if at == "generator" else path.feed(side) for side in _SIDES
        )
        poles = []
        for side, pole in zip(("left", "right"), path.both_poles):
            by = m.get(f"r_load_{side}", 0.0) + m.get(f"c_{side}", 0.0)
            poles.append(pole * math.exp(-by))
        return Path(upper, lower, load_pole=path.load_pole, poles=tuple(poles))


@dataclass(frozen=True)
class _Linear(Feed):
    """Coupling of a board on which one corner does not say it all, see `built.response`."""

    circuit: Circuit = Circuit()
    side: str = "upper"

    @property
    def known(self) -> bool:
        off = f"open:drive_{self.side}" in self.circuit.faults
        return not off and base_response(self.circuit, self.side).known and self._static != 0.0

    @property
    def _static(self) -> float:
        """What the solution makes of the drive by itself."""
        return base_response(as_probed(self.circuit, "generator"), self.side).static

    def response(self, frequency: ArrayLike) -> Complexes:
        return base_response(self.circuit, self.side)(frequency) / self._static

    def coupled(self, wave: ArrayLike, step: float, periodic: bool = True) -> Floats:
        return filtered(wave, step, self.response)


@lru_cache(maxsize=1024)
def _path_at(circuit: Circuit, at: str) -> Path:
    """The path from a place of a circuit onwards; a fault changes what a capacitor sees."""
    here, sound = as_probed(circuit, at), replace(circuit, faults=())
    if not circuit.faults:
        return path_of(here)
    # what a `_Linear` feed says, no corner needs to
    held = at == "generator" and any(f.startswith("short:c_") for f in circuit.faults)
    path = path_of(here if held else as_probed(sound, at))
    feeds = [
        Feed(0.0) if any(f.startswith(f"short:c_coupling_{s}") for f in circuit.faults) else feed
        for s, feed in zip(_SIDES, (path.upper, path.lower))
    ]
    poles = (f if f > 0.0 else math.inf for f in network.output_poles(here))
    upper, lower = feeds
    return Path(upper, lower, load_pole=path.load_pole, poles=tuple(poles))


@dataclass
class _Answer:
    """What `path.run_path` asks of a solution."""

    v_left: Floats
    v_right: Floats
    v_out: Floats
    converged: Bools
    nodes: Waves


class _Solver:
    """A board as a solver for `run_path`, which keeps the slopes of its last answer."""

    def __init__(self, board: Board, at: str, names: Sequence[str]) -> None:
        circuit, self.scale = board.solved
        self.circuit, self.names = as_probed(circuit, at), names
        # a sound cell holds its capacitors where they rest, within microvolts
        self.settle = board.far

    def __call__(self, v_upper: ArrayLike, v_lower: ArrayLike) -> _Answer:
        self.found = s = sensitivity.slopes_of(
            self.circuit, v_upper, v_lower, self.scale, self.names, settle=self.settle
        )
        left, right = s.nodes["left"], s.nodes["right"]
        return _Answer(left, right, right - left, s.ok, s.nodes)


@dataclass(frozen=True)
class Prediction:
    """What a board would show, and how that moves with its parts.

    Attributes
    ----------
    values : dict of "left", "right" to V, shape (m,), behind the load poles, NaN where there is no
        answer.
    columns : dict of name to dict of "left", "right", and of nodes at rest, to the slope. Beside
        the quantities of the board: `input_gain_upper`, `skew_upper` (s, the channel shows late)
        and their like for what the scope does to an input.
    rest : dict of node name to V, the mean over the record.
    ok : share of the samples with an answer.
    doubt : dict of "left", "right" to V rms, what the solution itself may be off by beside what
        any is; `level_doubt`, V, the same for the mean. Nought for a sound board.
    """

    values: Waves
    columns: Columns
    rest: dict[str, float]
    ok: float
    doubt: dict[str, float]
    level_doubt: float = 0.0

    def doubted(self, by: float) -> "Prediction":
        """The same with this share of its doubts."""
        doubt = {name: by * v for name, v in self.doubt.items()}
        return replace(self, doubt=doubt, level_doubt=by * self.level_doubt)


#: Nodes whose mean over a record is kept.
RESTING = ("base_upper_pos", "base_lower_pos")


def predict(
    board: Board, record: Record, at: str, names: Sequence[str] = (), nodes: Sequence[str] = RESTING
) -> Prediction:
    """Solve a board for a record.

    Parameters
    ----------
    board : Board
    record : align.Record
        Its inputs as probed `at` a place of `path.PLACES`.
    at : str
    names : sequence of str
        Quantities of `movable` whose slopes are wanted; with any, those of the scope come too.
    nodes : sequence of str
        Of `network.NODES`, whose means are wanted.

    Returns
    -------
    Prediction
    """
    known = sensitivity.quantities(as_probed(board.solved[0], at))
    inside = tuple(n for n in names if n in known)
    scope = tuple(f"v_{side}" for side in record.driven) if names else ()
    solver = _Solver(board, at, (*inside, *scope))
    path = board.path(at)
    passed = _sent(solver, record, at, path)
    found = solver.found
    out = _prediction(board, record, at, passed, found.nodes, nodes)
    if not names:
        return out
    columns = _columns(solver.circuit, found, passed, path, record, at, names, inside, out.rest)
    return replace(out, columns=columns)


def predict_all(boards: Sequence[Board], record: Record, at: str) -> list[Prediction]:
    """`predict`, without slopes, for many boards: those of one circuit are solved in one go.

    Their capacitors hold what they hold at rest, which a far off bias resistor may change.
    """
    paths = [board.path(at) for board in boards]
    asked = [_Asked() for _ in boards]
    for one, path in zip(asked, paths):
        _sent(one, record, at, path)
    together: dict[Circuit, list[int]] = {}
    for k, board in enumerate(boards):
        together.setdefault(as_probed(board.solved[0], at), []).append(k)
    out: dict[int, Prediction] = {}
    for circuit, some in together.items():
        scales = [boards[k].solved[1] for k in some]
        # a build for each board, also where only a capacitor moved
        moved = {name: 1.0 for s in scales for name in s} or {"r_load_left": 1.0}
        scale = {n: [s.get(n, one) for s in scales] for n, one in moved.items()}
        upper, lower = (np.stack([asked[k].fed[i] for k in some]) for i in (0, 1))
        point = network.solve_many(circuit, scale, upper, lower, gains=False)
        for row, k in enumerate(some):
            nodes = {name: v[row] for name, v in point.nodes.items()}
            left, right = point.v_left[row], point.v_right[row]
            answer = _Answer(left, right, right - left, point.converged[row], nodes)
            passed = _sent(lambda *_, answer=answer: answer, record, at, paths[k])
            out[k] = _prediction(boards[k], record, at, passed, nodes, RESTING)
    return [out[k] for k in range(len(boards))]


class _Asked:
    """Keeps what a path feeds to its cell, and answers nothing."""

    def __call__(self, v_upper: Floats, v_lower: Floats) -> _Answer:
        self.fed = v_upper, v_lower
        none = np.full(np.shape(v_upper), np.nan)
        return _Answer(none, none, none, np.zeros(none.shape, dtype=bool), {})


def _sent(solver: Callable[..., _Answer], record: Record, at: str, path: Path) -> Passed:
    return run_path(
        cast(Solver, solver),
        record.inputs["upper"],
        record.inputs["lower"],
        record.step,
        at=at,
        path=path,
        periodic=record.periodic,
    )


def _prediction(
    board: Board, record: Record, at: str, passed: Passed, nodes: Waves, kept: Sequence[str]
) -> Prediction:
    values = {"left": passed.loads.v_left, "right": passed.loads.v_right}
    rest = {n: float(np.mean(nodes[n])) for n in kept if n in nodes}
    ok = float(np.mean(passed.settled)) if len(record.time) else 0.0
    return Prediction(values, {}, rest, ok, *_doubts(board, at, passed, nodes, record))


def _doubts(
    board: Board, at: str, passed: Passed, nodes: Waves, record: Record
) -> tuple[dict[str, float], float]:
    """What the solution of a faulty board may be off by: (V rms by output, V for the means).

    The path takes coupling and loads as they are at rest. Where a collector saturates, or bases
    load their line, what a capacitor sees changes within each cycle; where a base is bridged to
    its collector, the capacitors of a base line and of an output divide a wave between them. The
    shares were found against `periodic_reference` of the tests, which follows the capacitors.
    """
    at_rest = np.size(passed.cell.v_left) == 1  # then no capacitor matters
    if at_rest or not board.far:
        return {"left": 0.0, "right": 0.0}, 0.0
    size = {s: _size(getattr(passed.loads, f"v_{s}")) for s in ("left", "right")}
    lines = np.maximum(nodes["base_upper_pos"], nodes["base_upper_neg"])
    saturated = any(bool(np.any(nodes[s] - lines < SATURATED)) for s in size)
    share = 0.08 if saturated else 0.0
    if at == "generator" and _heaviest(nodes) > LOADED:
        share = 0.1
    elif at == "generator":
        share += 0.01
    out = {}
    for side in size:
        out[side] = share * size[side] + 0.1 * share * max(size.values())
        if saturated:
            held = getattr(passed.cell, f"v_{side}") - getattr(passed.loads, f"v_{side}")
            out[side] += 0.3 * _size(held)
        tied = _bridged(board.circuit, at).get(side, 0.0)
        if tied:
            wave = record.outputs[side if side in record.outputs else "out"]
            out[side] += tied * _size(wave)
    return out, (0.02 if saturated else 0.003) * board.circuit.v_supply


#: Outputs whose movement a bridge at a base leaves to the capacitors, and how much of it.
_TIED = {
    "Q1.base-collector": {"left": 0.3}, "Q4.base-collector": {"right": 0.3},
    "Q2.base-collector": {"right": 1.0}, "Q3.base-collector": {"left": 1.0},
    "Q5.base-collector": {"left": 1.0, "right": 1.0},
    "Q6.base-collector": {"left": 1.0, "right": 1.0},
    "Q1.base-emitter": {"right": 0.6}, "Q4.base-emitter": {"left": 0.6},
    "Q2.base-emitter": {"left": 0.6}, "Q3.base-emitter": {"right": 0.6},
}  # fmt: skip


def _bridged(circuit: Circuit, at: str) -> dict[str, float]:
    """Outputs of which little is foretold but their level: share of their movement."""
    out: dict[str, float] = {}
    for fault in circuit.faults:
        place = fault.removeprefix("short:")
        if at == "generator" or place in ("Q2.base-collector", "Q3.base-collector"):
            out |= _TIED.get(place, {})
    return out


def _size(wave: Floats) -> float:
    """V rms of the movement where there is an answer; 0 where there is none."""
    known = wave[np.isfinite(wave)]
    return float(known.std()) if known.size else 0.0


def _heaviest(nodes: Waves) -> float:
    """Most that base currents drop in a bias resistor, V."""
    drops = [
        nodes[f"level_{side}"] - nodes[f"base_{side}_{pole}"]
        for side in _SIDES
        for pole in ("pos", "neg")
    ]
    return max(abs(float(d[np.isfinite(d)].mean())) if np.isfinite(d).any() else 0.0 for d in drops)


def solve_rest(board: Board, at: str) -> dict[str, float] | None:
    """Node voltages of a board at rest, V by name; None where there is no solution."""
    circuit, scale = board.solved
    return network.bias_nodes(as_probed(circuit, at), scale)


def _columns(
    circuit: Circuit,
    found: sensitivity.Slopes,
    passed: Passed,
    path: Path,
    record: Record,
    at: str,
    names: Sequence[str],
    inside: Sequence[str],
    rest: Mapping[str, float],
) -> Columns:
    """Slopes behind the loads, of the board and of what the scope does to the inputs."""
    step, periodic = record.step, record.periodic
    poles = dict(zip(("left", "right"), path.poles))
    raw = {side: found.slopes[side] for side in poles}
    late = {side: loaded(_finite(raw[side]), step, pole, periodic) for side, pole in poles.items()}
    resting = {n: found.slopes[n].mean(axis=1) for n in rest}
    out = {}
    for k, name in enumerate(found.names):
        if name in inside:
            out[name] = {side: late[side][k] for side in poles}
            out[name] |= {n: float(resting[n][k]) for n in rest}
    for side, pole in poles.items():
        # a load or its capacitance moves the pole: d/dln(tau) of 1/(1 + s tau)
        slower = _slower(getattr(passed.cell, f"v_{side}"), step, pole, periodic)
        for name in (f"r_load_{side}", f"c_{side}"):
            if name in names and slower is not None:
                own = out.setdefault(name, {})
                own[side] = own.get(side, 0.0) + slower
    for k, side in enumerate(_SIDES):
        if side not in record.driven:
            continue
        row = found.names.index(f"v_{side}")
        wave = passed.fed[k]

        def seen(change: Floats, row: int = row) -> dict[str, Any]:
            return {
                out_side: loaded(_finite(raw[out_side][row] * change), step, pole, periodic)
                for out_side, pole in poles.items()
            }

        out[f"input_gain_{side}"] = seen(-wave)
        out[f"skew_{side}"] = seen(_slope(wave, step, periodic))
        coupling = f"c_coupling_{side}"
        if coupling in names:
            corner = path.feed(side).corner
            tighter = seen(_tighter(record.inputs[side], step, corner, periodic))
            out[coupling] = tighter
            for name, share in _seen_by(circuit, side).items():
                if name in out:
                    for out_side, wave in tighter.items():
                        out[name][out_side] = out[name][out_side] + share * wave
    return out


def _seen_by(circuit: Circuit, side: str) -> dict[str, float]:
    """Share of each bias resistor in what the coupling capacitors of an input see, about."""
    r_drive, _ = nodal.drive_resistance(circuit, side)
    poles = ("pos",) if getattr(circuit, f"{side}_mode") == "single" else ("pos", "neg")
    ohms = {f"r_bias_{side}_{pole}": getattr(circuit, f"r_bias_{side}_{pole}") for pole in poles}
    return {name: r / (r_drive + sum(ohms.values())) for name, r in ohms.items()}


def _finite(wave: Floats) -> Floats:
    return np.where(np.isfinite(wave), wave, 0.0)


def _slope(wave: Floats, step: float, periodic: bool) -> Floats:
    """V/s."""
    if len(wave) < 3:
        return np.zeros(len(wave))
    if periodic:
        return (np.roll(wave, -1) - np.roll(wave, 1)) / (2.0 * step)
    return np.gradient(_finite(wave), step)


def _slower(wave: Floats, step: float, pole: float, periodic: bool) -> Floats | None:
    """Change of a wave behind a load pole for a change of the logarithm of its time constant."""
    if not math.isfinite(pole) or len(wave) < 2:
        return None

    def response(f: Floats) -> Complexes:
        return load_response(f, pole) * (load_response(f, pole) - 1.0)

    out = filtered(_finite(wave), step, response)
    return (
        out
        if periodic
        else np.where(np.isfinite(loaded(_finite(wave), step, pole, False)), out, np.nan)
    )


def _tighter(wave: Floats, step: float, corner: float, periodic: bool) -> Floats:
    """Change of a wave behind a coupling for a change of the logarithm of its capacitance."""
    if corner <= 0.0:
        return np.zeros(len(wave))

    def response(f: Floats) -> Complexes:
        high = coupling_response(f, corner)
        return high * (1.0 - high)

    return filtered(wave, step, response)


def parts_of_group(circuit: Circuit, name: str) -> tuple[str, ...]:
    """Parts that one wrong value stands for: both loads, all emitter resistors; else itself."""
    present = resistor_parts(circuit)
    groups = {
        "r_load": ("r_load_left", "r_load_right"),
        "r_emitter_upper": tuple(f"r_emitter_q{k}" for k in range(1, 5)),
        "r_emitter_lower": ("r_emitter_q5", "r_emitter_q6"),
        "r_bias_upper": ("r_bias_upper_pos", "r_bias_upper_neg"),
        "r_bias_lower": ("r_bias_lower_pos", "r_bias_lower_neg"),
        "c_load": ("c_left", "c_right"),
    }
    if name not in groups:
        return (name,)
    return tuple(p for p in groups[name] if p in present or p in _CAPACITORS)
