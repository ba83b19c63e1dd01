"""Readings of a meter on a board at rest, against its circuit: as predicted, or what is wrong.

The hypotheses are those of a capture (`hypotheses.suspects`). Each is solved at rest and held
against the readings by one linear fit with tolerances and the errors of the meter, so that beliefs
mean the same as there. A meter takes current: what it pulls at a node is in the prediction.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from forktail.core.bench.plan import points_of
from forktail.core.built import network, sensitivity
from forktail.core.built.circuit import Circuit
from forktail.core.built.mismatch import Tolerances
from forktail.core.built.network import NODES
from forktail.core.capture.boards import (
    NO_REST,
    Board,
    Key,
    Spread,
    as_planned,
    movable,
    moved_by,
    unit_of,
)
from forktail.core.capture.explain import (
    ALIKE,
    APART,
    METER_SHARE,
    Cause,
    causes_of,
    in_a_sentence,
    title_of,
    verdict_of,
)
from forktail.core.capture.fit import least_squares
from forktail.core.capture.hypotheses import (
    OTHER,
    Found,
    Search,
    Suspect,
    as_sound,
    found_of,
    ranked,
    suspects,
)
from forktail.core.capture.scope import Setup
from forktail.core.checks import QuantityError, shortened
from forktail.core.notebook import brief, counted, table
from forktail.core.quantities import format_quantity, parse_quantity

#: A hand-held meter is off by `METER_SHARE` of its reading and by this much, V, spread evenly
#: (common practice, no source).
DIGITS = 0.005
#: What the solution itself may be off by, as a share of a voltage, and in V.
MODEL, MODEL_VOLTS = 0.001, 0.002
#: Something else may give any reading about the prediction, within this share of the supply.
ANYWHERE = 0.25
#: What a meter pulls a node is known to this share.
PULLED = 0.3
#: A fit with less chi squared for each reading needs no other start.
GOOD = 2.0
#: Newton steps of a part that moves far; the longest, and one that ends them (logarithm; 25 K).
ROUNDS, LONGEST, CLOSE = 10, 0.9, 0.02
#: Longest file, characters, and most readings in it.
MAX_TEXT, MOST = 65536, 200
#: What a reading may be, V.
LOWEST, HIGHEST = -1000.0, 1000.0

#: V by node as read, slopes by node over quantities, V that the meter pulls each node.
_Solved = tuple[dict[str, float], dict[str, dict[str, float]], dict[str, float]]
_LINE = re.compile(r"""^\s*["']?([^"';,:=\t]+?)["']?\s*[;,:=\t]\s*(.+?)\s*$""")
_SPACED = re.compile(r"^\s*(\S+)\s+(.+?)\s*$")


@dataclass(frozen=True)
class Reading:
    """One reading against ground: `name` as written, `node` of `network.NODES`, `volts`."""

    name: str
    node: str
    volts: float


@dataclass(frozen=True)
class Point:
    """A reading beside its prediction, V: `low` and `high` hold 95 % of healthy boards and of
    meters. `name` is the test point of the bench plan, the node where it has none."""

    name: str
    node: str
    where: str
    measured: float
    predicted: float
    low: float
    high: float

    @property
    def inside(self) -> bool:
        """Whether the reading lies in its band."""
        return self.low <= self.measured <= self.high


@dataclass(frozen=True)
class RestFit:
    """A board fitted to readings: `board` with the parts that moved far; `moved` how far and the
    standard deviation; `values` V by node, everything fitted, `plain` of the board alone; `chi2`
    and `log_evidence` as `fit.Solution`."""

    board: Board
    moved: dict[Key, tuple[float, float]]
    values: dict[str, float]
    plain: dict[str, float]
    chi2: float
    log_evidence: float


@dataclass(frozen=True, repr=False)
class RestComparison:
    """Readings held against a circuit.

    Attributes
    ----------
    name : str
    circuit : Circuit, as planned.
    points : tuple of Point
    healthy, belief, verdict, causes, other : as `compare.Comparison`.
    telling : str, the one further node to measure; empty where none tells more.
    unseen : tuple of str, what no meter at rest can see.
    tried : hypotheses.
    warnings : tuple of str
    """

    name: str
    circuit: Circuit
    points: tuple[Point, ...]
    healthy: bool
    belief: float
    verdict: str
    causes: tuple[Cause, ...]
    other: float
    telling: str
    unseen: tuple[str, ...]
    tried: int
    warnings: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return brief(self, self.name, counted(len(self.points), "reading"), self.verdict)

    def _repr_html_(self) -> str:
        """A table for a notebook: each reading, then what is said of them."""
        rows = [
            (p.name, *(format_quantity(v, "V") for v in (p.measured, p.predicted, p.low, p.high)))
            for p in self.points
        ]
        head = ("point", "measured", "predicted", "from", "to")
        return table(self.verdict, rows, head, filter(None, (self.telling, *self.warnings)))


def read_readings(text: str, circuit: Circuit, name: str = "readings") -> tuple[Reading, ...]:
    """Read test points and volts: one pair a line, such as `TP3, 4.62 V`.

    Parameters
    ----------
    text : str
        Comma, semicolon, tab, colon, equals sign or blank between the two; `#` begins a remark.
        A first line without a number is a heading, whose unit (`mV`) counts for all.
    circuit : Circuit
        Decides which test points there are, see `plan.points_of`; nodes of `network.NODES` will
        do as well.
    name : str
        Of the file, for messages.

    Returns
    -------
    tuple of Reading

    Raises
    ------
    QuantityError
        For a point that the circuit has not, what is no voltage, or nothing to read.
    """
    if len(text) > MAX_TEXT:
        raise QuantityError(
            f"{name} has {len(text)} characters; readings of one board have at most {MAX_TEXT}."
        )
    places = _places(circuit)
    found: dict[str, Reading] = {}
    unit, first = "", True
    for number, line in enumerate(text.splitlines(), 1):
        line = line.partition("#")[0].strip().lstrip("\ufeff")
        if not line:
            continue
        where = f"{name}, line {number}"
        parts = _LINE.match(line) or _SPACED.match(line)
        if first and parts and not re.search(r"\d", parts[2]) and _key(parts[1]) not in places:
            unit = next(iter(re.findall(r"\b[mu\u00b5\u03bc]?V\b", parts[2])), "")
            first = False
            continue
        first = False
        if not parts:
            raise QuantityError(
                f"{where}: {shortened(line)!r} is not a reading; write a test point and its "
                "voltage, such as TP3, 4.62 V."
            )
        point, value = parts[1].strip(), parts[2].strip("\"' \t;,")
        node = places.get(_key(point))
        if node is None:
            names = ", ".join(f"{n} ({where_})" for n, _, where_ in points_of(circuit))
            raise QuantityError(
                f"{where}: {shortened(point)!r} is not a test point of this circuit; it has "
                f"{names}."
            )
        if unit and re.fullmatch(r"[-+\u2212\d.,eE]+", value):
            value += unit
        volts = parse_quantity(value, "V", f"{where}, {point}", LOWEST, HIGHEST)
        if node in found:
            raise QuantityError(
                f"{where}: {point} was given before, as {found[node].name}; give each point once."
            )
        found[node] = Reading(point, node, float(volts))
    if not found:
        raise QuantityError(
            f"{name} holds no reading; write one test point and its voltage per line, such as "
            "TP3, 4.62 V."
        )
    if len(found) > MOST:
        raise QuantityError(f"{name} holds {len(found)} readings; at most {MOST} can be compared.")
    return tuple(found.values())


def _key(name: str) -> str:
    return re.sub(r"[\s_-]+", "", name).casefold()


def _places(circuit: Circuit) -> dict[str, str]:
    """What a point may be called -> node."""
    rest = network.solve_bias(circuit).nodes
    places = {_key(node): node for node in NODES if node in rest}
    return places | {_key(name): node for name, node, _ in points_of(circuit)}


def compare_readings(
    readings: Sequence[Reading],
    circuit: Circuit,
    tolerances: Tolerances | None = None,
    name: str = "readings",
) -> RestComparison:
    """Hold readings at rest against what a circuit should show, and find what is wrong.

    Parameters
    ----------
    readings : sequence of Reading
        At rest: both drives off. Each against ground, with a meter of `network.METER`.
    circuit : Circuit
        As planned; faults in it are left out.
    tolerances : mismatch.Tolerances, optional
        Of the parts of the board.
    name : str

    Returns
    -------
    RestComparison

    Raises
    ------
    QuantityError
        For a circuit without a solution at rest, or no reading.
    """
    if not readings:
        raise QuantityError(f"{name}: there is no reading to compare.")
    plan, warnings = as_planned(circuit)
    bench = _Bench(plan, readings, Spread(tolerances or Tolerances()))
    tried = [(s, bench.best(s)) for s in suspects(plan, "generator")]
    seen = [(s, fit) for s, fit in tried if fit is not None and not bench.hidden(s, fit)]
    unseen = [s for s, fit in tried if fit is not None and bench.hidden(s, fit)]
    search = bench.ranked(seen)
    causes = causes_of(plan, search, bench.spread, bench.evidence)
    healthy, belief, verdict = verdict_of(search, causes, "meter")
    return RestComparison(
        name=name,
        circuit=plan,
        points=bench.points(),
        healthy=healthy,
        belief=belief,
        verdict=verdict,
        causes=causes,
        other=search.other,
        telling=bench.telling(search),
        unseen=tuple(title_of(plan, Found(s, Setup(), None, 0.0)) for s in unseen if not s.wide),
        tried=len(tried),
        warnings=tuple(warnings),
    )


class _Bench:
    """Readings of one board and the circuit that it was built after."""

    def __init__(self, plan: Circuit, readings: Sequence[Reading], spread: Spread) -> None:
        self.plan, self.readings, self.spread = plan, readings, spread
        self.nodes = tuple(r.node for r in readings)
        self.volts = np.array([r.volts for r in readings])
        known = sensitivity.quantities(plan)
        self.names = tuple(n for n in movable(plan, "generator") if n in known)
        self.sigma = np.hypot(DIGITS / math.sqrt(3.0), MODEL_VOLTS + MODEL * np.abs(self.volts))
        sound = self._solve(Board(plan), self.names)
        if sound is None:
            raise QuantityError(NO_REST)
        self.sound = sound

    def _solve(self, board: Board, names: Sequence[str]) -> _Solved | None:
        """(V by node as a meter reads it, slopes by node over the names that there are, and V that
        the meter pulls each node)."""
        circuit, scale = board.solved
        known = sensitivity.quantities(circuit)
        inside = tuple(n for n in names if n in known)
        found = sensitivity.slopes_of(circuit, [0.0], [0.0], scale, inside)
        if not found.ok[0]:
            return None
        read, plain = network.readings(board.circuit), network.solve_bias(board.circuit).nodes
        pulls = {n: read.get(n, math.nan) - float(plain.get(n, math.nan)) for n in found.nodes}
        pulls = {n: v if math.isfinite(v) else 0.0 for n, v in pulls.items()}
        values = {n: float(v[0]) + pulls[n] for n, v in found.nodes.items()}
        slopes = {n: dict(zip(inside, s[:, 0])) for n, s in found.slopes.items()}
        return values, slopes, pulls

    def best(self, suspect: Suspect) -> RestFit | None:
        """The best fit of a hypothesis; None where there is no solution."""
        if not suspect.wide:
            return self._fit(Board(suspect.circuit), {})
        fits = []
        for start in ((), *(tuple((n, by) for n in parts) for parts, by in suspect.starts())):
            found = self._walk(Board(suspect.circuit, start), suspect.wide)
            if found is not None:
                fits.append(found)
                if found.chi2 < GOOD * (len(self.nodes) + 2):
                    break
        return max(fits, key=lambda f: f.log_evidence) if fits else None

    def _walk(self, board: Board, wide: Mapping[Key, float]) -> RestFit | None:
        """Newton steps of a quantity that may move far; None where they do not settle."""
        (key,) = wide
        parts, unit = moved_by(key), unit_of(key)
        at = dict(board.moves).get(parts[0], 0.0)
        for _ in range(ROUNDS):
            found = self._fit(Board(board.circuit, tuple((n, at) for n in parts)), wide)
            if found is None:
                return None
            step = found.moved[key][0] - at
            if abs(step) < CLOSE * unit:
                return found
            at += float(np.clip(step, -LONGEST * unit, LONGEST * unit))
        return None

    def _fit(self, board: Board, wide: Mapping[Key, float]) -> RestFit | None:
        """One linear fit around a board: tolerances, the gain of the meter, what moves far."""
        groups = {key: moved_by(key) for key in wide}
        taken = {n for group in groups.values() for n in group}
        names = tuple(n for n in self.names if n not in taken)
        plain = board == Board(self.plan)
        solved = self.sound if plain else self._solve(board, (*names, *taken))
        if solved is None or any(n not in solved[0] for n in self.nodes):
            return None
        values, slopes, pulls = solved
        at = dict(board.moves)
        keys: list[Key] = ["gain"]
        columns, prior, centre = [values], [METER_SHARE / math.sqrt(3.0)], [0.0]
        for name in names:
            keys.append(name)
            columns.append({n: s.get(name, 0.0) for n, s in slopes.items()})
            prior.append(self.spread.of(self.plan, name))
            centre.append(0.0)
        for key, group in groups.items():
            keys.append(key)
            columns.append({n: sum(s.get(p, 0.0) for p in group) for n, s in slopes.items()})
            prior.append(wide[key])
            centre.append(-at.get(group[0], 0.0))
        matrix = np.array([[c.get(n, 0.0) for c in columns] for n in self.nodes])
        left = self.volts - np.array([values[n] for n in self.nodes])
        # what a meter pulls depends on leakage that nobody knows well
        sigma = np.hypot(self.sigma, PULLED * np.array([pulls[n] for n in self.nodes]))
        found = least_squares(matrix, left, sigma, prior, centre)
        doubt = np.sqrt(np.diag(found.covariance))
        moved = {
            k: (float(x) + (at.get(groups[k][0], 0.0) if k in groups else 0.0), float(d))
            for k, x, d in zip(keys, found.x, doubt)
            if k != "gain"
        }
        fitted = {
            n: v + sum(c.get(n, 0.0) * x for c, x in zip(columns[1:], found.x[1:]))
            for n, v in values.items()
        }
        wider = float(np.sum(np.log(sigma / self.sigma)))
        return RestFit(board, moved, fitted, values, found.chi2, found.log_evidence - wider)

    def hidden(self, suspect: Suspect, fit: RestFit) -> bool:
        """Whether a hypothesis reads at every node as the healthy board does."""
        if suspect.key == "healthy":
            return False
        if suspect.wide:
            (key,) = suspect.wide
            parts, slopes = moved_by(key), self.sound[1]
            far = [sum(s.get(p, 0.0) for p in parts) for s in slopes.values()]
            return max(map(abs, far)) < 1e-3
        sound = self.sound[0]
        return all(abs(v - sound.get(n, v)) < 1e-3 for n, v in fit.plain.items())

    def ranked(self, seen: Sequence[tuple[Suspect, RestFit]]) -> Search:
        """Beliefs: a `hypotheses.Search`, likeliest first."""
        found = [as_sound(found_of(s, Setup(), fit), self.plan, self.spread) for s, fit in seen]
        return ranked(found, self._other(), len(seen), len(self.nodes))

    def _other(self) -> float:
        """Log odds of a cause that is none of these: readings anywhere about the prediction."""
        values = self.sound[0]
        wide = ANYWHERE * self.plan.v_supply
        off = (self.volts - np.array([values[n] for n in self.nodes])) / wide
        return float(-0.5 * off @ off - np.sum(np.log(wide / self.sigma))) + math.log(OTHER)

    def doubt(self, node: str) -> float:
        """Standard deviation of a reading over healthy boards and meters, V."""
        values, slopes, _ = self.sound
        own = [s * self.spread.of(self.plan, n) for n, s in slopes.get(node, {}).items()]
        return float(np.sqrt(np.sum(np.square(own)) + _meter(values[node]) ** 2))

    def points(self) -> tuple[Point, ...]:
        """Every reading beside its prediction."""
        known = {node: (name, where) for name, node, where in points_of(self.plan)}
        out = []
        for r in self.readings:
            name, where = known.get(r.node, (r.node, NODES[r.node]))
            v, doubt = self.sound[0][r.node], self.doubt(r.node)
            out.append(Point(name, r.node, where, r.volts, v, v - 2.0 * doubt, v + 2.0 * doubt))
        return tuple(out)

    def evidence(self, found: Found, healthy: Found | None) -> str:
        """What a hypothesis reads at the point where the healthy board is farthest off."""
        far = [abs(r.volts - self.sound[0][r.node]) / self.doubt(r.node) for r in self.readings]
        point = self.points()[int(np.argmax(far))]
        reads = format_quantity(found.outcome.values[point.node], "V", 4)
        return (
            f"With it {point.name} ({point.where}) reads {reads}; the meter read "
            f"{format_quantity(point.measured, 'V', 4)}, and "
            f"{format_quantity(point.predicted, 'V', 4)} "
            "was planned."
        )

    def telling(self, search: Search) -> str:
        """The one further test point that tells most of the hypotheses that are left apart."""
        left = [f for f in search.found if f.belief > 0.003][:12]
        best = None
        for name, node, where in points_of(self.plan):
            if node in self.nodes or any(node not in f.outcome.values for f in left):
                continue
            values = np.array([self._reads(f, node) for f in left])
            weights = np.array([f.belief for f in left])
            apart = np.abs(values[:, None] - values) > APART * self.doubt(node)
            told = float(weights @ apart @ weights)
            if told > 0.003 and (best is None or told > best[0] + 1e-9):
                one = 0
                other = int(np.argmax(np.where(apart[one], weights, -1.0)))
                if not apart[one].any():
                    one, other = (int(k) for k in np.argwhere(apart)[0])
                best = (
                    told,
                    (
                        f"Read {name} ({where}) next: "
                        f"{format_quantity(values[one], 'V')} speaks for {self._name(left[one])}, "
                        f"{format_quantity(values[other], 'V')} for {self._name(left[other])}."
                    ),
                )
        if best:
            return best[1]
        alike = [f for f in left if left[0].outcome.log_evidence - f.outcome.log_evidence < ALIKE]
        if len(alike) > 1 and left[0].suspect.key != "healthy":
            return (
                "No further test point tells these apart: with the supply off, measure the parts "
                "themselves."
            )
        return ""

    def _reads(self, found: Found, node: str) -> float:
        """V at a node that was not read; of a healthy board as planned."""
        return (self.sound[0] if found.suspect.key == "healthy" else found.outcome.values)[node]

    def _name(self, found: Found) -> str:
        if found.suspect.key == "healthy":
            return "a healthy board"
        return in_a_sentence(title_of(self.plan, found))


def _meter(volts: float) -> float:
    """Standard deviation of a reading, V."""
    return math.hypot(METER_SHARE * volts, DIGITS) / math.sqrt(3.0) + MODEL_VOLTS


def as_plain(found: RestComparison) -> dict[str, Any]:
    """A comparison of readings as plain numbers, texts, lists and dictionaries."""
    return {
        "name": found.name,
        "circuit": found.circuit.title,
        "verdict": found.verdict,
        "healthy": found.healthy,
        "belief": found.belief,
        "telling": found.telling,
        "readings": [
            {
                "point": p.name, "node": p.node, "where": p.where, "measured": p.measured,
                "predicted": p.predicted, "low": p.low, "high": p.high, "inside": bool(p.inside),
            }
            for p in found.points
        ],
        "causes": [
            {
                "key": c.key, "title": c.title, "belief": c.belief, "alike": list(c.alike),
                "evidence": c.evidence, "advice": c.advice,
            }
            for c in found.causes
        ],
        "other": found.other,
        "unseen": list(found.unseen),
        "tried": found.tried,
        "warnings": list(found.warnings),
    }  # fmt: skip
