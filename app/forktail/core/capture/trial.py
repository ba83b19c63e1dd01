"""One board against one record: what is left once tolerances and the scope have had their say."""

import copy
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built.circuit import Circuit
from forktail.core.capture import scope
from forktail.core.capture.align import STANDS_OUT, Record, Waves
from forktail.core.capture.boards import (
    Board,
    Key,
    Moves,
    Prediction,
    Spread,
    moved_by,
    predict,
    solve_rest,
    unit_of,
)
from forktail.core.capture.fit import Solution, least_squares
from forktail.core.checks import Bools, Floats

#: Quantities that move together, by the key that they share.
Groups = Mapping[Key, tuple[str, ...]]
#: What the solution itself may be off by, as a share of the movement of an output (base
#: resistance, junction charges, slow capacitors), and in how many independent ways.
MODEL, WAYS = 0.006, 24
#: How much of its stated doubt a solution may deserve, each as likely.
DOUBTED = (1.0, 0.3, 0.1)
#: Fewest samples with an answer, as a share.
SOLVED = 0.6
#: A collector that rests this share of the supply away from its mean as captured is ruled out.
FAR_OFF = 0.07
#: Newton steps of a part that moves far, and the longest of them (logarithm, or 20 K).
ROUNDS, LONGEST = 8, 0.9
#: A line may run this far beyond the board that was solved (logarithm, or 25 K).
PINNED = 0.6
#: Rounds in which all that moved is solved again, and the change of log evidence that ends them.
POLISHING, SETTLED = 6, 0.3


@dataclass(frozen=True)
class Outcome:
    """A board fitted to a record.

    Attributes
    ----------
    board : Board
        As solved last, with the parts that moved far.
    moved : dict of quantity to (how far, its standard deviation).
    scope : dict of what the scope does (`gain_left`, `offset_left`, `skew_upper`,
        `input_gain_upper` ...) to the same.
    values : dict of output to V, shape (m,), everything fitted.
    plain : dict of output to V, of the board as solved, without scope and tolerances.
    chi2, log_evidence : float, as `fit.Solution`.
    left : dict of output to V rms, what is left.
    """

    board: Board
    moved: dict[Key, tuple[float, float]]
    scope: dict[str, tuple[float, float]]
    values: Waves
    plain: Waves
    chi2: float
    log_evidence: float
    left: dict[str, float]


class Trial:
    """A record as one setup has it, ready for boards to be held against it.

    Parameters
    ----------
    record : align.Record
        Corrected by the setup.
    setup : scope.Setup
    circuit : Circuit
    spread : boards.Spread
    slack : float
        Share of the movement of each output that may be left whatever the cause; `MODEL` for a
        fair trial, more for a first look.
    level : float
        V that the mean of each output may be off by whatever the cause.
    """

    def __init__(
        self,
        record: Record,
        setup: scope.Setup,
        circuit: Circuit,
        spread: Spread,
        slack: float = MODEL,
        level: float = 0.0,
    ) -> None:
        self.record, self.setup, self.circuit, self.spread = record, setup, circuit, spread
        self.outputs = tuple(record.outputs)
        values: list[ArrayLike] = []
        sigma: list[ArrayLike] = []
        self._sizes: list[float] = []
        self._basis: list[tuple[Floats, Floats]] = []
        for name in self.outputs:
            wave = record.outputs[name]
            doubt = np.hypot(record.sigma[name], 1e-6 * float(np.max(np.abs(wave))) + 1e-12)
            good = np.isfinite(doubt)
            self._sizes.append(float(wave[good].std()) if good.any() else 0.0)
            self._basis.append(_ways(wave, doubt))
            values.append(wave)
            sigma.append(doubt)
        self.levels = self._levels()
        for _, value, deviation in self.levels:
            values.append([value])
            sigma.append([deviation])
        self.values = np.concatenate(values)
        self.sigma = np.concatenate(sigma)
        self._slack, self._level = slack, level

    def allowing(self, slack: float, level: float = 0.0) -> "Trial":
        """The same trial, in which more or less may be left: see `slack` and `level`."""
        other = copy.copy(self)
        other._slack, other._level = slack, level
        return other

    def whitened(self, columns: Floats, doubts: Sequence[float]) -> Floats:
        """Columns in units of what may be left, so that an ordinary fit weighs them rightly.

        What may be left is noise, and in `WAYS` ways the error of the solution.

        Parameters
        ----------
        columns : array, shape (n, k)
            0 in rows that are not used.
        doubts : sequence of float
            Error of the solution for each output, V rms.
        """
        out = columns / self.sigma[:, None]
        m = len(self.record.time)
        for k, ((ways, size), doubt) in enumerate(zip(self._basis, doubts)):
            own = out[k * m : (k + 1) * m]
            share = 1.0 - 1.0 / np.sqrt(1.0 + (doubt * size) ** 2)
            own -= ways @ (share[:, None] * (ways.T @ own))
        return out

    def cost(self, doubts: Sequence[float]) -> float:
        """Log evidence that doubts cost: what they let pass, they do not foretell."""
        return -0.5 * sum(
            float(np.sum(np.log1p((d * size) ** 2))) for (_, size), d in zip(self._basis, doubts)
        )

    def doubts(self, prediction: Prediction) -> list[float]:
        """Error of a solution for each output, V rms."""
        both = math.hypot(*prediction.doubt.values())
        own = [prediction.doubt.get(name, both) for name in self.outputs]
        return [math.hypot(self._slack * size, d) for size, d in zip(self._sizes, own)]

    def _levels(self) -> list[tuple[str, float, float]]:
        """DC levels of base lines that an input channel shows: (node, V, standard deviation)."""
        out: list[tuple[str, float, float]] = []
        if self.setup.at != "base lines":
            return out
        for side in ("upper", "lower"):
            mean = self.record.means[side]
            if getattr(self.circuit, f"{side}_mode") != "single" or not math.isfinite(mean):
                continue
            if abs(mean) > scope.LINE * self.circuit.v_supply:
                out.append((f"base_{side}_pos", mean, 0.02 + 0.012 * abs(mean)))
        return out

    def stack(self, of_outputs: Mapping[str, Any], of_nodes: Mapping[str, Any]) -> Floats:
        """One vector from a part for each output and one for each level."""
        m, n = len(self.record.time), len(self.outputs)
        out = np.empty(self.values.size)
        for k, name in enumerate(self.outputs):
            if name == "out":
                part = np.subtract(of_outputs.get("right", 0.0), of_outputs.get("left", 0.0))
            else:
                part = of_outputs.get(name, 0.0)
            out[k * m : (k + 1) * m] = part
        out[n * m :] = [of_nodes.get(node, 0.0) for node, _, _ in self.levels]
        return out

    def seen(self, prediction: Prediction) -> Floats:
        """What the scope would show of a prediction, without its errors."""
        return self.stack(prediction.values, prediction.rest)

    def scope_columns(
        self, prediction: Prediction, seen: Floats | None = None
    ) -> list[tuple[str, Floats, float]]:
        """What the scope does: list of (name, column, standard deviation).

        `seen` is what the board shows, where that is more than the prediction.
        """
        seen = self.seen(prediction) if seen is None else seen
        record, m = self.record, len(self.record.time)
        out = []
        for k, name in enumerate(self.outputs):
            own = slice(k * m, (k + 1) * m)
            wave, coupled = seen[own], name in self.setup.coupled
            level = float(np.nanmean(wave))
            offset = math.hypot(
                scope.offset_of(record, name, level), prediction.level_doubt, self._level
            )
            offset = self.circuit.v_supply if coupled else offset
            parts: list[tuple[str, Any, float]] = [
                (f"gain_{name}", wave - level if coupled else wave, scope.GAIN),
                (f"offset_{name}", 1.0, offset),
            ]
            if name == "right" and m > 2:
                parts.append(("skew_right", -np.gradient(wave, record.step), scope.SKEW))
            for key, part, sigma in parts:
                column = np.zeros(self.values.size)
                column[own] = part
                out.append((key, column, sigma))
        for side in record.driven:
            for name, sigma in (("input_gain", scope.GAIN), ("skew", scope.SKEW)):
                key = f"{name}_{side}"
                if key in prediction.columns:
                    out.append((key, self.stack(prediction.columns[key], {}), sigma))
        return out

    def can_be(self, board: Board) -> bool:
        """Whether the collectors of a faulty board rest anywhere near their means as captured.

        Its bias alone is solved, a fifth of the work, and most faults are out by volts.
        """
        rest = solve_rest(board, self.setup.at)
        if rest is None:
            return True
        for name in self.outputs:
            good = np.isfinite(self.record.sigma[name])
            if name not in rest or name in self.setup.coupled or not good.any():
                continue
            wave = self.record.outputs[name][good]
            room = FAR_OFF * self.circuit.v_supply + 0.6 * float(np.ptp(wave))
            if abs(float(wave.mean()) - rest[name]) > room:
                return False
        return True

    def predict(self, board: Board, names: Sequence[str] = ()) -> Prediction:
        """`boards.predict` for this record."""
        return predict(board, self.record, self.setup.at, names)

    def first_look(self, prediction: Prediction, names: Sequence[str]) -> None:
        """Prepare `glance`: the columns of a prediction, for the scope and the tolerances.

        Parameters
        ----------
        prediction : Prediction
            Of the sound board, with the slopes of `names`.
        names : sequence of str
        """
        columns = []
        for name in names:
            if name in prediction.columns:
                own = prediction.columns[name]
                columns.append(self.stack(own, own) * self.spread.of(self.circuit, name))
        self._inputs = {k: v for k, v in prediction.columns.items() if k[:5] in ("input", "skew_")}
        self._columns = np.column_stack(columns)

    def glance(self, prediction: Prediction) -> float:
        """Log evidence of a prediction under the slopes of another one, see `first_look`.

        Returns
        -------
        float
            -inf where there is no solution for most samples.
        """
        seen = self.seen(prediction)
        known = np.isfinite(self.sigma)
        use = known & np.isfinite(seen)
        if use.sum() < 0.25 * known.sum():
            return -math.inf
        own = replace(prediction, columns=self._inputs)
        scope_columns = [c * s for _, c, s in self.scope_columns(own, np.where(use, seen, 0.0))]
        left = np.where(use, self.values - seen, 0.0)
        a = np.column_stack([left, *scope_columns, self._columns])
        doubts = self.doubts(prediction)
        a = self.whitened(np.where(use[:, None] & np.isfinite(a), a, 0.0), doubts)
        found = least_squares(a[:, 1:], a[:, 0], None, np.ones(a.shape[1] - 1))
        return found.log_evidence + self.cost(doubts) - 4.5 * int((known & ~use).sum())

    def fit(
        self,
        board: Board,
        names: Sequence[str],
        wide: Mapping[Key, float] | None = None,
        prediction: Prediction | None = None,
        rounds: int = ROUNDS,
    ) -> Outcome | None:
        """Fit tolerances, scope, and the quantities that may move far.

        Parameters
        ----------
        board : Board
            Where to start.
        names : sequence of str
            Quantities that move within their tolerance.
        wide : dict of str to float, optional
            Quantities that may move far, with their standard deviations. Several that share one
            number (a tuple of names as the key) move together.
        prediction : Prediction, optional
            Of the board itself with the slopes of all these names: then there is one linear fit.
        rounds : int
            Most Newton steps of what may move far.

        Returns
        -------
        Outcome or None
            None where the board has no solution, or not for most samples.
        """
        wide = wide or {}
        groups = {key: moved_by(key) for key in wide}
        start = dict(board.moves)
        at = {key: start.get(groups[key][0], 0.0) for key in wide}
        best = self._once(board, names, groups, wide, at, prediction)
        if prediction is not None or best is None or not wide:
            return best
        base, step = at, 1.0
        for _ in range(rounds):
            ahead = {key: best.moved[key][0] - base[key] for key in wide}
            if max(abs(d) / unit_of(k) for k, d in ahead.items()) < 0.02:
                break
            at = {
                key: base[key]
                + step * float(np.clip(d, -LONGEST * unit_of(key), LONGEST * unit_of(key)))
                for key, d in ahead.items()
            }
            found = self._once(replace(board, moves=_moves(groups, at)), names, groups, wide, at)
            if found is not None and found.log_evidence > best.log_evidence:
                best, base, step = found, at, 1.0
            else:
                step *= 0.35
                if step < 0.1:
                    break
        return self._pinned(best, names, groups, wide, base)

    def polish(
        self,
        outcome: Outcome,
        names: Sequence[str],
        wide: Mapping[Key, float] | None = None,
        least: float = -math.inf,
    ) -> Outcome:
        """Fit again around all that an outcome moved, so that no product of two is left out.

        Parameters
        ----------
        outcome : Outcome
        names, wide : as `fit`.
        least : float
            Log evidence that is still of interest: one that settles below is left at that.

        Returns
        -------
        Outcome
            The best one met.
        """
        wide = wide or {}
        groups = {key: moved_by(key) for key in wide}
        start = dict(outcome.board.moves)
        best, share = outcome, 1.0
        at = {key: start.get(own[0], 0.0) for key, own in groups.items()}
        for _ in range(POLISHING):
            ahead = {
                k: by + (1.0 - share) * (at.get(k, 0.0) - by) for k, (by, _) in best.moved.items()
            }
            own = {key: moved_by(key) for key in ahead}
            board = replace(outcome.board, moves=_moves(own, ahead))
            found = self._once(board, names, groups, wide, ahead)
            gained = -math.inf if found is None else found.log_evidence - best.log_evidence
            if found is not None and gained > 0.0:
                best, at, share = found, ahead, 1.0
            else:
                share *= 0.4
            # each round wins less than the one before it
            hopeless = best.log_evidence + max(gained, 0.0) < least
            if abs(gained) < SETTLED or share < 0.1 or hopeless:
                break
        return self._pinned(best, names, groups, wide, at) if wide else best

    def _pinned(
        self,
        outcome: Outcome,
        names: Sequence[str],
        groups: Groups,
        wide: Mapping[Key, float],
        at: Mapping[Key, float],
    ) -> Outcome:
        """The outcome, or where its line runs far beyond the board that was solved, one that stays.

        A part far off may hardly show, so that the line through it leads back to a sound board,
        which was never solved. Its evidence is then that of the place, not of the line.
        """
        if all(abs(outcome.moved[k][0] - at.get(k, 0.0)) < PINNED * unit_of(k) for k in wide):
            return outcome
        near = {k: 0.5 * PINNED * unit_of(k) for k in wide}
        found = self._once(outcome.board, names, groups, near, at, pinned=True)
        if found is None:
            return outcome
        odds = sum(
            math.log(near[k] / wide[k]) - 0.5 * (at.get(k, 0.0) / wide[k]) ** 2 for k in wide
        )
        return replace(found, log_evidence=found.log_evidence + odds)

    def _once(
        self,
        board: Board,
        names: Sequence[str],
        groups: Groups,
        wide: Mapping[Key, float],
        at: Mapping[Key, float],
        prediction: Prediction | None = None,
        pinned: bool = False,
    ) -> Outcome | None:
        """One linear fit around a board, whose quantities have moved by `at` already.

        Pinned, those that may move far stay about there.
        """
        inside = tuple(n for n in names if not any(n in g for g in groups.values()))
        every = (*inside, *(n for g in groups.values() for n in g))
        if prediction is None:
            prediction = self.predict(board, every)
        if prediction.ok < SOLVED and not self.record.periodic or prediction.ok < 0.3:
            return None
        of_board: list[
            tuple[Key, Floats, float, float]
        ] = []  # (key, column, standard deviation, centre)
        for name in inside:
            if name in prediction.columns:
                own = prediction.columns[name]
                sigma = self.spread.of(self.circuit, name)
                of_board.append((name, self.stack(own, own), sigma, -at.get(name, 0.0)))
        for key, group in groups.items():
            column = np.zeros(self.values.size)
            for name in group:
                own = prediction.columns.get(name, {})
                column = column + self.stack(own, own)
            of_board.append((key, column, wide[key], 0.0 if pinned else -at[key]))
        sizes = DOUBTED if any(prediction.doubt.values()) else (1.0,)
        tries = [self._fitted(prediction.doubted(by), of_board) for by in sizes]
        likeliest = max(tries, key=lambda t: -math.inf if t is None else t.evidence)
        if likeliest is None:
            return None
        evidence = [t.evidence - likeliest.evidence for t in tries if t is not None]
        evidence_of_all = likeliest.evidence + math.log(sum(map(math.exp, evidence)) / len(sizes))
        found, keys, use, seen, fitted = (
            likeliest.found, likeliest.keys, likeliest.use, likeliest.seen, likeliest.fitted,
        )  # fmt: skip
        spread = np.sqrt(np.diag(found.covariance))
        got = {k: (float(x), float(s)) for k, x, s in zip(keys, found.x, spread)}
        moved = {part[0] for part in of_board}
        got |= {k: (at.get(k, 0.0) + x, s) for k, (x, s) in got.items() if k in moved}
        # what has no answer is as unlikely as a datum three standard deviations off
        lost = int((~use & np.isfinite(self.sigma)).sum())
        m = len(self.record.time)
        rest = self.values - fitted
        cuts = {n: slice(k * m, (k + 1) * m) for k, n in enumerate(self.outputs)}
        return Outcome(
            board=board,
            moved={k: v for k, v in got.items() if k in moved},
            scope={k: v for k, v in got.items() if k not in moved},
            values={n: np.where(use[cut], fitted[cut], np.nan) for n, cut in cuts.items()},
            plain={n: seen[cut] for n, cut in cuts.items()},
            chi2=found.chi2 + 9.0 * lost,
            log_evidence=evidence_of_all - 4.5 * lost,
            left={
                n: float(np.sqrt(np.mean(rest[cut][use[cut]] ** 2))) if use[cut].any() else math.nan
                for n, cut in cuts.items()
            },
        )

    def _fitted(
        self, prediction: Prediction, of_board: Sequence[tuple[Key, Floats, float, float]]
    ) -> "_Fitted | None":
        """One linear fit of the scope, and of columns of the board."""
        seen = self.seen(prediction)
        shown = seen
        doubts = self.doubts(prediction)
        for _ in range(2):  # the scope acts on what the board shows, tolerances included
            of_scope = [(*part, 0.0) for part in self.scope_columns(prediction, shown)]
            keys, parts, prior, centre = zip(*of_scope, *of_board)
            columns = np.column_stack(parts)
            known = np.isfinite(self.sigma)
            use = np.isfinite(seen) & np.isfinite(columns).all(axis=1) & known
            if use.sum() < 0.25 * known.sum():
                return None
            left = np.where(use, self.values - seen, 0.0)
            columns = np.where(use[:, None], columns, 0.0)
            a = self.whitened(np.column_stack([left, columns]), doubts)
            found = least_squares(a[:, 1:], a[:, 0], None, prior, centre)
            shown = seen + columns[:, len(of_scope) :] @ found.x[len(of_scope) :]
        evidence = found.log_evidence + self.cost(doubts)
        return _Fitted(found, keys, use, seen, seen + columns @ found.x, evidence)


@dataclass(frozen=True)
class _Fitted:
    """One linear fit: its solution and keys, rows used, what was predicted and what is fitted."""

    found: Solution
    keys: tuple[Any, ...]
    use: Bools
    seen: Floats
    fitted: Floats
    evidence: float


def _ways(wave: Floats, sigma: Floats) -> tuple[Floats, Floats]:
    """The `WAYS` in which the solution of an output may be off, in units of its noise.

    They are the strongest lines of the output itself, each in and out of phase: an error of the
    solution bends what there is.

    Returns
    -------
    ways : array, shape (m, k)
        Orthonormal.
    size : array, shape (k,)
        Over noise, for an error of 1 V rms.
    """
    good = np.isfinite(sigma)
    lines = np.abs(
        np.fft.rfft(np.where(good, wave - wave[good].mean() if good.any() else 0.0, 0.0))
    )
    strong = 1 + np.argsort(-lines[1:])[: WAYS // 2]
    # a line of the noise is no error of a solution, though the strongest of many looks like one
    strong = strong[lines[strong] > STANDS_OUT * math.sqrt(float(np.sum(sigma[good] ** 2)))]
    if not strong.size or not good.any():
        return np.zeros((len(wave), 0)), np.zeros(0)
    turn = 2.0 * np.pi * np.outer(np.arange(len(wave)), strong) / len(wave)
    each = math.sqrt(1.0 / strong.size)
    columns = (
        np.hstack([np.cos(turn), np.sin(turn)]) * each / np.where(good, sigma, math.inf)[:, None]
    )
    ways, size, _ = np.linalg.svd(columns, full_matrices=False)
    return ways, size


def _moves(groups: Groups, at: Mapping[Key, float]) -> Moves:
    return tuple((name, by) for key, by in at.items() for name in groups[key])
