"""What may be wrong with a board, each hypothesis solved for the capture itself and ranked.

The belief in a hypothesis is its normalised posterior: how likely the capture is under it, once
tolerances and scope have had their say, times how likely such a thing is before any capture. The
odds before are of our own making (common practice, no source): a board on the bench is healthy as
often as not, an open joint or a bridge is as likely at one place as at the next, and a wrong part
is off by any factor, small ones first.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from operator import itemgetter
from typing import Any

import numpy as np

from forktail.core.built.circuit import (
    Circuit,
    break_part,
    resistor_parts,
    single_faults,
    transistor_names,
)
from forktail.core.capture import scope
from forktail.core.capture.align import Record
from forktail.core.capture.boards import (
    Board,
    Key,
    Moves,
    Prediction,
    Spread,
    hidden,
    movable,
    moved_by,
    parts_of_group,
    predict,
    predict_all,
)
from forktail.core.capture.trial import Trial
from forktail.core.checks import QuantityError

#: Odds before any capture, against 1 for a healthy board.
SINGLE, PART, AREA, CAPACITOR, TEMPERATURE, SUPPLY, MISSING, GROUP = (
    0.006, 0.012, 0.006, 0.012, 0.03, 0.04, 0.03, 0.01,
)  # fmt: skip
#: Odds of something that is none of the hypotheses.
OTHER = 0.02
#: Odds of the place that was not named, where one was named.
NOT_NAMED = math.log(0.01)
#: No generator swings an input over more than this many times the supply.
TOO_FAR = 4.0
#: How far a wrong part is off: standard deviation of the logarithm, K for the temperature.
WIDE = {"part": 1.0, "area": 0.7, "capacitor": 1.5, "temperature": 30.0, "supply": 0.25}
#: Share of the movement that a first look lets pass; how many boards are looked at closely, and how
#: far their log odds may lie below the best at first look, and before the last step.
GLANCE, CLOSELY, LOOSELY, POLISHED = 0.04, 16, 60.0, 30.0
#: Log odds for each value below which a first look says that nothing fits; boards that are then
#: tried with every mistake of the scope.
FITS, AGAIN = 2.0, 3
#: What settling may win beside `POLISHED` (tolerances that act on a far off part), and the least
#: that is worth it.
UNSETTLED, SETTLING = 600.0, 1.0
#: Where a part that may be far off is looked for, in standard deviations.
STARTS = (-2.0, 2.0, -1.0, 1.0, -0.4, 0.4)
#: A part that is off by less than this many standard deviations of its tolerance is no fault.
NEAR = 3.0
#: Single faults that are tried together with the best `PARTNERS`, where none explains the capture.
PAIRED, PARTNERS = 5, 30
#: Parts off their value that are looked at twice, and most steps of each.
REFINED, GLANCED = 12, 3
#: A setup of the scope is worth a search of its own from this gain in log odds on.
NEARER = 20.0
#: Share of the work until every single fault is tried; the rest is for pairs.
SEARCHED = 0.75
#: What an unknown cause may leave of the movement of each output, and of the supply in its mean.
UNKNOWN = 0.08
#: How far a wave that nothing explains may lie anywhere, over the supply.
ANY_WAVE = 0.1
#: A fit that leaves no more than this many times its noise has nothing else beside it.
NOISE_ALONE = 1.15


@dataclass(frozen=True)
class Suspect:
    """One hypothesis before it is solved.

    `key` as the faults of the plan (`open:r_load_left`), `factor:PART`, `area:Q3`, `temperature`,
    `missing:r_emitter_lower`, or "healthy"; `wide` maps quantities that move far to their
    standard deviation; `log_prior` is the logarithm of its odds; `both` are the two that a pair
    of faults is made of.
    """

    key: str
    circuit: Circuit
    wide: dict[Key, float] = field(default_factory=dict)
    log_prior: float = 0.0
    both: "tuple[Suspect, ...]" = ()

    def with_another(self, other: "Suspect") -> "Suspect | None":
        """This one and another at once; None where the two are one part, or shut each other out."""
        mine = {f.partition(":")[2].partition(".")[0] for f in self.circuit.faults}
        if self.wide.keys() & other.wide.keys() or self.key.startswith("temperature"):
            return None
        changed: dict[str, Any] = {
            f"r_emitter_{s}": 0.0
            for s in ("upper", "lower")
            if getattr(other.circuit, f"r_emitter_{s}") == 0.0
        }
        try:
            circuit = replace(self.circuit, **changed)
            for fault in other.circuit.faults:
                if fault.partition(":")[2].partition(".")[0] in mine:
                    return None
                circuit = break_part(circuit, fault)
        except QuantityError:
            return None
        wide = {**self.wide, **other.wide}
        parts = [p for key in wide for p in moved_by(key)]
        if any(p.startswith("r_") and p not in resistor_parts(circuit) for p in parts):
            return None
        return Suspect(
            f"{self.key} and {other.key}",
            circuit,
            wide,
            self.log_prior + other.log_prior,
            (self, other),
        )

    def starts(self) -> Iterator[tuple[tuple[str, ...], float]]:
        """Where a part may be found that is too far off for a first step: (parts, logarithm)."""
        for key, sigma in self.wide.items():
            if key != "temperature" and sigma >= WIDE["area"]:
                yield from ((moved_by(key), by * sigma) for by in STARTS)

    def start_at(self, moved: Mapping[Key, tuple[float, float]]) -> Moves:
        """The start that a first step leads to."""
        out = []
        for key, sigma in self.wide.items():
            by = float(np.clip(moved[key][0], -2.0 * sigma, 2.0 * sigma))
            out += [(part, by) for part in moved_by(key)]
        return tuple(out)


@dataclass(frozen=True)
class Found:
    """A hypothesis held against a capture.

    `log_odds` is evidence and prior together; `belief` 0 to 1 among all that were tried. `outcome`
    is the fit, `setup` the scope as it fits best, `factor` how far the part is off (NaN where
    nothing moves; K for the temperature), `doubt` the standard deviation of its logarithm (K).
    """

    suspect: Suspect
    setup: scope.Setup
    outcome: Any
    log_odds: float
    belief: float = 0.0
    factor: float = math.nan
    doubt: float = math.nan

    @property
    def parts(self) -> "tuple[Found, ...]":
        """One `Found` for each of the two of a pair; itself where it is one."""
        if not self.suspect.both:
            return (self,)
        return tuple(
            found_of(one, self.setup, self.outcome, self.belief) for one in self.suspect.both
        )

    @property
    def key(self) -> str:
        """Key with the factor found: `factor:r_load_left:0.68`."""
        if self.suspect.both:
            return " and ".join(part.key for part in self.parts)
        k = self.suspect.key
        if math.isnan(self.factor):
            return k
        return f"{k}:{self.factor:.3g}"


def suspects(circuit: Circuit, at: str) -> tuple[Suspect, ...]:
    """Every single hypothesis for a circuit probed at a place, the healthy board first.

    Parameters
    ----------
    circuit : Circuit
        As planned, without faults.
    at : str
        Place of `path.PLACES`.

    Returns
    -------
    tuple of Suspect
    """
    names = movable(circuit, at)
    out = [Suspect("healthy", circuit)]
    for fault in single_faults(circuit):
        if not hidden(circuit, fault.key, at):
            out.append(Suspect(fault.key, break_part(circuit, fault), log_prior=math.log(SINGLE)))

    def moved(key: str, parts: tuple[str, ...], kind: str, odds: float) -> None:
        parts = tuple(p for p in parts if p in names)
        if parts:
            wide = {parts if len(parts) > 1 else parts[0]: WIDE[kind]}
            out.append(Suspect(key, circuit, wide, math.log(odds)))

    for part in resistor_parts(circuit):
        moved(f"factor:{part}", (part,), "part", PART)
    for group in ("r_load", "r_emitter_upper", "r_emitter_lower", "r_bias_upper", "r_bias_lower"):
        parts = parts_of_group(circuit, group)
        if len(parts) > 1:
            moved(f"factor:{group}", parts, "part", GROUP)
    moved("factor:c_load", ("c_left", "c_right"), "capacitor", CAPACITOR)
    for side in ("left", "right"):
        moved(f"factor:c_load_{side}", (f"c_{side}",), "capacitor", CAPACITOR / 3.0)
    for side in ("upper", "lower"):
        moved(f"factor:c_coupling_{side}", (f"c_coupling_{side}",), "capacitor", CAPACITOR)
    for q in transistor_names(circuit):
        moved(f"area:{q}", (q,), "area", AREA)
    moved("factor:i_tail", ("i_tail",), "part", PART)
    moved("factor:beta_forward", ("beta_forward",), "part", AREA)
    moved("factor:v_supply", ("v_supply",), "supply", SUPPLY)
    moved("temperature", ("temperature",), "temperature", TEMPERATURE)
    for side in ("upper", "lower"):
        if getattr(circuit, f"r_emitter_{side}") > 0.0:
            none: dict[str, Any] = {f"r_emitter_{side}": 0.0}
            bare = replace(circuit, **none)
            out.append(Suspect(f"missing:r_emitter_{side}", bare, log_prior=math.log(MISSING)))
    return tuple(out)


@dataclass(frozen=True)
class Search:
    """All that a search found: `found` by belief; `other` the belief that it is none of them;
    `tried` how many hypotheses, on `samples` samples each."""

    found: tuple[Found, ...]
    other: float
    tried: int
    samples: int


#: Log odds at first look, of what, seen how, and from which moves on.
Glance = tuple[float, Suspect, "_Look", Moves]


class Searcher:
    """The search over one record.

    Parameters
    ----------
    record : align.Record
    circuit : Circuit
        As planned.
    spread : boards.Spread
    at : str or None
        Where it was probed, None if nobody said.
    tell : callable, optional
        Called with (share done, what is under way).
    """

    def __init__(
        self,
        record: Record,
        circuit: Circuit,
        spread: Spread,
        at: str | None = None,
        tell: Callable[[float, str], object] | None = None,
    ) -> None:
        self.record, self.spread, self.named = record, spread, at
        self.circuit = replace(circuit, faults=())
        self.tell = tell or (lambda share, text: None)
        self._from, self._to = 0.02, 0.15
        self.tried = 0

    # ---- the scope

    def look(self) -> "list[_Look]":
        """Hold the healthy board against every setup of the scope that is worth trying."""
        places = ("generator", "base lines") if self.record.driven else ("base lines",)
        tried = []
        for at in places:
            names = movable(self.circuit, at)
            odds = NOT_NAMED if self.named and at != self.named else 0.0
            plain = scope.recognised(self.record, self.circuit, at)
            plain = replace(plain, log_prior=plain.log_prior + odds)
            for group in scope.setups(self.record, plain):
                first = group[0].correct(self.record)
                if max(np.ptp(w) for w in first.inputs.values()) > TOO_FAR * self.circuit.v_supply:
                    continue
                prediction = predict(Board(self.circuit), first.thinned(), at, names)
                self.tried += 1
                whole: dict[str, Prediction] = {}
                for setup in group:
                    tried.append(self._held(setup, prediction, names, whole))
        return tried

    def _held(
        self,
        setup: scope.Setup,
        prediction: Prediction,
        names: tuple[str, ...],
        whole: dict[str, Prediction],
    ) -> "_Look":
        record = setup.correct(self.record)
        fair = Trial(record, setup, self.circuit, self.spread)
        loose = Trial(record.thinned(), setup, self.circuit, self.spread, GLANCE)
        rough = loose.fit(Board(self.circuit), names, prediction=prediction)
        look = _Look(setup, fair, loose, prediction, names, whole, rough, None)
        if rough is not None and rough.chi2 < 40.0 * loose.values.size:
            look.outcome = fair.fit(Board(self.circuit), names, prediction=look.whole)
        return look

    # ---- the boards

    def run(self) -> Search:
        """Solve and rank every hypothesis.

        Returns
        -------
        Search
        """
        looks = [x for x in self.look() if x.rough is not None]
        self._say(1.0, "the scope")
        if not looks:
            return Search((), 1.0, self.tried, len(self.record.time))
        healthy = Suspect("healthy", self.circuit)
        fair = [x for x in looks if x.outcome is not None]
        if not fair:  # far off, but it is what the others are held against
            likeliest = max(looks, key=_Look.rough_odds)
            likeliest.outcome = likeliest.fair.fit(
                Board(self.circuit), likeliest.names, prediction=likeliest.whole
            )
            fair = [likeliest] if likeliest.outcome is not None else []
        best = max((x.fair_odds() for x in fair), default=0.0)
        for x in fair:
            if x.fair_odds() > best - POLISHED:
                x.outcome = x.fair.polish(x.outcome, x.names)
        found = [found_of(healthy, x.setup, x.outcome) for x in fair]
        mains = self._mains(looks)
        other = max(self._other(main) for main in mains)
        alike = [[x for x in looks if x.inputs == main.inputs] for main in mains]
        each = []
        for main, some in zip(mains, alike):
            self._from, self._to = self._to, self._to + (SEARCHED - 0.15) / len(mains)
            each.append(self._boards(main, some))
        found += [f for some, _ in each for f in some]
        found.sort(key=_log_odds, reverse=True)
        by_setup = {x.setup: x for x in looks}
        if found and not self._explained(found[0], by_setup[found[0].setup]):
            found += self._mistaken(found[:AGAIN], looks)
            found.sort(key=_log_odds, reverse=True)
        other = max([other, *(self._and_more(f, by_setup[f.setup]) for f in found[:2])])
        if not found or found[0].log_odds < other:
            _, singles = each[0]
            self._from, self._to = SEARCHED, 0.97
            pairs = sorted(self._pairs(mains[0], alike[0], singles), key=_log_odds, reverse=True)
            other = max([other, *(self._and_more(f, by_setup[f.setup]) for f in pairs[:1])])
            found += pairs
        found = [as_sound(f, self.circuit, self.spread) for f in found]
        return ranked(found, other, self.tried, len(self.record.time))

    def _say(self, share: float, text: str) -> None:
        """Say how much is done, `share` of the piece that is under way."""
        self.tell(self._from + (self._to - self._from) * share, text)

    def _mains(self, looks: "list[_Look]") -> "list[_Look]":
        """Looks at which every board is solved: the plain one, and others that come nearer."""
        plain = [x for x in looks if x.setup.log_prior == 0.0]
        mains = [max(plain or looks, key=_Look.rough_odds)]
        near = max(looks, key=_Look.rough_odds)
        if near.inputs != mains[0].inputs and near.rough_odds() > mains[0].rough_odds() + NEARER:
            mains.append(near)
        fair = [x for x in looks if x.outcome is not None]
        if fair:
            best = max(fair, key=_Look.fair_odds)
            new = best.inputs not in [x.inputs for x in mains]
            if best.outcome.chi2 < 4.0 * best.fair.values.size and new:
                mains.append(best)
        return mains

    def _boards(self, main: "_Look", alike: "list[_Look]") -> tuple[list[Found], list[Glance]]:
        """Hypotheses at the setup that fits best, and at those that differ in the outputs only."""
        for x in alike:
            x.loose.first_look(x.prediction, x.names)
        every = suspects(self.circuit, main.setup.at)[1:]
        glances = []
        moved = [(s, start) for s in every if s.wide for start in self._starts(s, main)]
        boards = [Board(suspect.circuit, start) for suspect, start in moved]
        record, at = main.loose.record, main.setup.at
        for (suspect, start), seen in zip(moved, predict_all(boards, record, at)):
            glances += [(x.glance(seen, suspect), suspect, x, start) for x in alike]
        glances = best_of(glances)
        for k, suspect in enumerate(every):
            self._say(0.6 * k / len(every), "each single fault")
            self.tried += 1
            if not suspect.wide:
                glances += self._glance(suspect, main, alike)
        return self._closely(glances, main), glances

    def _explained(self, found: Found, look: "_Look") -> bool:
        """Whether a hypothesis leaves no more than noise."""
        return found.outcome.chi2 < NOISE_ALONE * look.fair.values.size

    def _mistaken(self, found: Sequence[Found], looks: "list[_Look]") -> list[Found]:
        """The likeliest boards again, each with the mistake of the scope that suits it best.

        A mistake need not show while the board is taken for a sound one.
        """
        out = []
        for f in found:
            board, seen = f.outcome.board, {}
            glances = []
            for x in looks:
                if x.setup.at != f.setup.at:
                    continue
                if x.inputs not in seen:
                    seen[x.inputs] = predict(board, x.loose.record, x.setup.at)
                x.loose.first_look(x.prediction, x.names)
                glances.append((x.glance(seen[x.inputs], f.suspect), x))
            _, look = max(glances, key=itemgetter(0))
            if look.setup == f.setup:
                continue
            outcome = look.fair.fit(board, look.names, f.suspect.wide)
            if outcome is not None:
                outcome = look.fair.polish(outcome, look.names, f.suspect.wide)
                out.append(found_of(f.suspect, look.setup, outcome))
        return out

    def _pairs(self, main: "_Look", alike: "list[_Look]", singles: list[Glance]) -> list[Found]:
        """Two faults at once: the best few, each with those that come next."""
        glances = []
        for k, (_, one, _, base) in enumerate(singles[:PAIRED]):
            for _, other, _, _ in singles[k + 1 : PARTNERS]:
                pair = one.with_another(other)
                if pair is not None:
                    self.tried += 1
                    glances += self._glance(pair, main, alike, base)
            self._say(0.12 * (k + 1), "two faults at once")
        return self._closely(glances, main)

    def _closely(self, glances: list[Glance], main: "_Look") -> list[Found]:
        """The likeliest at first look, solved with all that moves: list of Found."""
        if not glances:
            return []
        glances.sort(key=itemgetter(0), reverse=True)
        coarse = [k for k, g in enumerate(glances) if g[1].wide][:REFINED]
        for k in coarse:
            glances[k] = self._refined(glances[k], main)
        glances.sort(key=itemgetter(0), reverse=True)
        # where nothing fits at first look, a first look says little
        room = LOOSELY + max(0.0, -glances[0][0] - FITS * main.loose.values.size)
        close = [g for g in glances[:CLOSELY] if g[0] > glances[0][0] - room]
        found = []
        for k, (_, suspect, look, start) in enumerate(close):
            self._say(0.6 + 0.4 * k / len(close), "the likeliest ones closely")
            board = Board(suspect.circuit, start)
            outcome = look.fair.fit(board, look.names, suspect.wide)
            if outcome is not None:
                found.append((suspect, look, outcome))
        # the likeliest first: what lies far below a settled one need not settle itself
        found.sort(key=lambda f: -(f[2].log_evidence + f[1].odds(f[0])))
        out, best = [], -math.inf
        size = main.fair.values.size
        lowest = min((f[2].chi2 for f in found), default=0.0)
        lowest = lowest if lowest < NOISE_ALONE * size else 0.0
        for suspect, look, outcome in found:
            odds = look.odds(suspect)
            least = best - POLISHED - odds
            # where one leaves but noise, settling wins no more than what another leaves beyond it
            wins = min(0.5 * (outcome.chi2 - lowest), UNSETTLED)
            if wins > SETTLING and outcome.log_evidence > least - wins:
                outcome = look.fair.polish(outcome, look.names, suspect.wide, least)
            best = max(best, outcome.log_evidence + odds)
            out.append(found_of(suspect, look.setup, outcome))
        return out

    def _starts(self, suspect: Suspect, main: "_Look") -> Iterator[Moves]:
        """Where parts far off are looked for: here and there, and where a line leads."""
        for parts, by in suspect.starts():
            yield tuple((n, by) for n in parts)
        rough = main.loose.fit(
            Board(suspect.circuit), main.names, suspect.wide, prediction=main.prediction
        )
        if rough is not None:
            yield suspect.start_at(rough.moved)

    def _glance(
        self, suspect: Suspect, main: "_Look", alike: "list[_Look]", base: Moves = ()
    ) -> list[Glance]:
        """First look at one hypothesis: list of (log odds, Suspect, look, start).

        `base` are moves of the first one of a pair.
        """
        starts: list[Moves] = [()]
        if suspect.both:
            _, other = suspect.both
            starts = [
                base + tuple((n, by) for n in parts)
                for parts, by in other.starts()
                if abs(by) == max(other.wide.values())
            ] or [base]
        out: list[Glance] = []
        for start in starts:
            board = Board(suspect.circuit, start)
            if main.fair.can_be(board):
                seen = predict(board, main.loose.record, main.setup.at)
                out += [(x.glance(seen, suspect), suspect, x, start) for x in alike]
        return best_of(out)

    def _refined(self, glance: Glance, main: "_Look") -> Glance:
        """A few steps of a part, tolerances with it: the starts of a first look are coarse."""
        _, suspect, x, start = glance
        board = Board(suspect.circuit, start)
        moved = x.loose.fit(board, x.names, suspect.wide, rounds=GLANCED)
        if moved is None:
            return glance
        start = suspect.start_at(moved.moved)
        seen = predict(Board(suspect.circuit, start), main.loose.record, main.setup.at)
        return max(glance, (x.glance(seen, suspect), suspect, x, start), key=itemgetter(0))

    # ---- belief

    def _other(self, main: "_Look") -> float:
        """Log odds of a cause that is none of these: a sound board off by a lot, or any wave."""
        off = self._off_by_a_lot(main, Board(self.circuit), main.whole)
        return max(off, self._any_wave(main))

    def _any_wave(self, look: "_Look") -> float:
        """Log odds of a wave of any shape: what fits worse than this explains nothing."""
        sigma = look.fair.sigma[np.isfinite(look.fair.sigma)]
        reach = ANY_WAVE * self.circuit.v_supply
        cost = 0.5 * float(np.sum(np.log1p((reach / sigma) ** 2)))
        return math.log(OTHER) + look.setup.log_prior - cost

    def _and_more(self, found: Found, look: "_Look") -> float:
        """Log odds of a hypothesis and something else beside it."""
        if self._explained(found, look):
            return -math.inf
        board = found.outcome.board
        prediction = look.fair.predict(board, look.names)
        return self._off_by_a_lot(look, board, prediction) + found.suspect.log_prior

    def _off_by_a_lot(self, look: "_Look", board: Board, prediction: Prediction) -> float:
        wide = look.fair.allowing(UNKNOWN, UNKNOWN * self.circuit.v_supply)
        outcome = wide.fit(board, look.names, prediction=prediction)
        if outcome is None:
            return -math.inf
        return outcome.log_evidence + math.log(OTHER) + look.setup.log_prior


def best_of(glances: Sequence[Glance]) -> list[Glance]:
    """The likeliest start and setup of each hypothesis."""
    best: dict[str, Glance] = {}
    for glance in glances:
        key = glance[1].key
        if key not in best or glance[0] > best[key][0]:
            best[key] = glance
    return list(best.values())


def _log_odds(found: Found) -> float:
    return found.log_odds


@dataclass
class _Look:
    """The sound board at one setup: `loose`, `prediction` and `rough` are of a thinned record."""

    setup: scope.Setup
    fair: Trial
    loose: Trial
    prediction: Prediction
    names: tuple[str, ...]
    kept: dict[str, Prediction]
    rough: Any
    outcome: Any

    @property
    def whole(self) -> Prediction:
        """The prediction for every sample; one for all setups with the same inputs."""
        if "whole" not in self.kept:
            self.kept["whole"] = self.fair.predict(Board(self.fair.circuit), self.names)
        return self.kept["whole"]

    @property
    def inputs(self) -> tuple[str, float, float, bool]:
        """What decides the solution: the place, and what was done to the inputs."""
        s = self.setup
        return s.at, s.factor("upper"), s.factor("lower"), "inputs" in s.exchanged

    def rough_odds(self) -> float:
        return self.rough.log_evidence + self.setup.log_prior

    def fair_odds(self) -> float:
        return self.outcome.log_evidence + self.setup.log_prior

    def glance(self, seen: Prediction, suspect: Suspect) -> float:
        """Log odds of what a hypothesis would show, at first look."""
        return self.loose.glance(seen) + self.odds(suspect)

    def odds(self, suspect: Suspect) -> float:
        return self.setup.log_prior + suspect.log_prior


def found_of(suspect: Suspect, setup: scope.Setup, outcome: Any, belief: float = 0.0) -> Found:
    """A `Found` for an outcome, with how far its part is off."""
    factor = doubt = math.nan
    if len(suspect.wide) == 1:
        (key,) = suspect.wide
        by, doubt = outcome.moved[key]
        factor = by if key == "temperature" else math.exp(by)
    log_odds = outcome.log_evidence + suspect.log_prior + setup.log_prior
    return Found(suspect, setup, outcome, log_odds, belief, factor, doubt)


def as_sound(found: Found, circuit: Circuit, spread: Spread) -> Found:
    """A part that is found within its tolerance speaks for the healthy board."""
    if found.suspect.both:
        return found
    for key in found.suspect.wide:
        parts = moved_by(key)
        near = sum(spread.of(circuit, p) ** 2 for p in parts) / len(parts)
        if abs(found.outcome.moved[key][0]) < NEAR * math.sqrt(near):
            return replace(found, suspect=Suspect("healthy", circuit), factor=math.nan)
    return found


def ranked(found: Sequence[Found], other: float, tried: int, samples: int) -> Search:
    """Beliefs from log odds.

    Parameters
    ----------
    found : sequence of Found
        Several of one key count together, as the likeliest of them.
    other : float
        Log odds that it is none of them.
    tried, samples : int, as `Search` has them.

    Returns
    -------
    Search
    """
    top = max([other, *(f.log_odds for f in found)])
    best: dict[str, Found] = {}
    weight: dict[str, float] = {}
    for f in found:
        key = f.suspect.key
        weight[key] = weight.get(key, 0.0) + math.exp(f.log_odds - top)
        if key not in best or f.log_odds > best[key].log_odds:
            best[key] = f
    whole = sum(weight.values()) + math.exp(other - top)
    believed = [replace(f, belief=weight[key] / whole) for key, f in best.items()]
    believed.sort(key=_belief, reverse=True)
    return Search(tuple(believed), math.exp(other - top) / whole, tried, samples)


def _belief(found: Found) -> float:
    return found.belief
