"""`compare` on boards with known faults: how often it is right, and how well it knows.

    python -m tests.benchmarks compare [BOARDS]

The boards are those of `boards_reference`, solved by equations of their own. Each is written as
CSV, read, and compared with the plan that it was built after. An answer counts as right where it
names the true cause, names others beside it that it says cannot be told apart, or names one whose
picture no scope could tell from the true one. "As predicted" is right where the board is sound,
and where another board with every part within its tolerance gives the same picture: then it lies
within its bands, whatever was done to it. Two processes.
"""

import math
import multiprocessing
import sys
import time
from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import boards_reference as reference  # noqa: E402
from forktail.core.built.mismatch import Tolerances  # noqa: E402
from forktail.core.built.network import solve_built  # noqa: E402
from forktail.core.capture.compare import compare_capture  # noqa: E402
from forktail.core.capture.read import read_capture  # noqa: E402
from forktail.core.checks import QuantityError  # noqa: E402

BOARDS = 500
#: Built waveforms that are timed together.
BUILT = 5
#: A belief from here on is a confident one.
CONFIDENT = 0.8
#: Upper ends of the rows of the calibration table.
BELIEFS = (0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 1.0)


@dataclass(frozen=True)
class Answer:
    """What was said of one board. `ranked` holds groups of keys, likeliest first; a healthy
    board is the group `("",)`. `belief` in the first, NaN where none is stated; `tried`
    hypotheses on `samples`; seconds of CPU taken and of one built waveform of those samples."""

    ranked: tuple
    belief: float
    tried: int
    samples: int
    seconds: float
    one: float
    refusal: str = ""


@dataclass(frozen=True)
class Outcome:
    """One board judged. `place` of the true cause: 0 for first, 99 for none."""

    number: int
    key: str
    plan: str
    probed: str
    tolerance: float
    causes: tuple
    scope: tuple
    place: int
    answer: Answer

    @property
    def right(self):
        return self.place == 0


def ask(board):
    """Read the record of a board and compare it with its plan."""
    begin = time.process_time()
    try:
        found = compare_capture(
            read_capture(board.text()),
            board.circuit,
            board.probed,
            Tolerances(resistor=board.tolerance),
        )
    except QuantityError as error:
        return Answer((), math.nan, 0, 0, math.nan, math.nan, str(error))
    seconds = time.process_time() - begin
    ranked, belief = ranking(found)
    samples = found.samples
    # a channel on a base line shows its level too, which is no drive
    drives = [wave[:samples] - wave.mean() for wave in map(board.clean.get, ("v_upper", "v_lower"))]
    begin = time.process_time()
    for _ in range(BUILT):
        solve_built(board.circuit, *drives, False)
    one = (time.process_time() - begin) / BUILT
    return Answer(ranked, belief, found.tried, samples, seconds, one)


def ranking(found):
    """Groups of keys of an answer, likeliest first, and the belief in the first."""
    groups = [((c.key, *c.alike), c.belief) for c in found.causes]
    groups.append((("other",), found.other))
    groups.append((("",), found.sound.belief if found.sound else 0.0))
    groups.sort(key=_belief, reverse=True)
    if found.healthy:  # what is said comes first
        groups.sort(key=_faulty)
    return tuple(keys for keys, _ in groups), found.belief


def _belief(group):
    return group[1]


def _faulty(group):
    return group[0] != ("",)


def _is_true(board, said):
    """Whether a key is a true one, or the picture cannot tell; "" says healthy."""
    if board.healthy:
        # only a mistake of the scope can make a sound board look like another
        mistaken = any(not k.startswith("ac:") for k in board.scope)
        return not said or (mistaken and reference.looks_alike(board, said))
    if any(reference.agrees(true, said) for true in board.causes):
        return True
    return reference.looks_alike(board, said or None) or (
        not said and reference.within_bands(board)
    )


def judge(board, answer):
    """The answer with the place of the true cause in it."""
    place = 99
    for k, group in enumerate(answer.ranked[:3]):
        if any(_is_true(board, said) for said in group):
            place = k
            break
        if k == 0 and group == ("",) and board.causes and reference.within_bands(board):
            place = k
            break
    return Outcome(
        board.number,
        board.key,
        board.drive.name,
        board.probed,
        board.tolerance,
        board.causes,
        board.scope,
        place,
        answer,
    )


def try_board(number):
    """Draw, ask, judge."""
    board = reference.make_board(number)
    return judge(board, ask(board))


def outcomes(boards=BOARDS, processes=2):
    """Outcomes of boards 0 to `boards` less one, in order."""
    context = multiprocessing.get_context("spawn")
    with context.Pool(processes) as pool:
        return pool.map(try_board, range(boards), chunksize=4)


def _share(some, of):
    return sum(some) / len(of) if of else math.nan


def rows(found):
    """Rows of the table of budgets, and the figures of DESIGN.md as misses."""
    faulty = [o for o in found if o.causes]
    healthy = [o for o in found if not o.causes]
    wrong = [o for o in found if not o.right and o.answer.belief >= CONFIDENT]
    ratios = [
        o.answer.seconds / (o.answer.tried * o.answer.one) for o in found if o.answer.tried > 0
    ]
    n = len(faulty)
    yield (
        f"compare, {n} faulty boards: cause not first",
        _share((o.place > 0 for o in faulty), faulty),
        1.0,
        "",
        0.15,
    )
    yield (
        "compare: cause not in first three",
        _share((o.place > 2 for o in faulty), faulty),
        1.0,
        "",
        0.03,
    )
    yield (
        f"compare, {len(healthy)} healthy boards: not called healthy",
        _share((o.place > 0 for o in healthy), healthy),
        1.0,
        "",
        0.02,
    )
    yield f"compare: wrong with a belief from {CONFIDENT:g}", len(wrong) / len(found), 1.0, "", 0.02
    yield (
        "compare: time over hypotheses x one built waveform",
        float(np.median(ratios or [math.nan])),
        1.0,
        "",
        1.5,
    )


def report(found):
    """Lines for a reader: by kind, calibration, the worst."""
    out = []
    groups = defaultdict(list)
    for o in found:
        kind = o.causes[0].partition(":")[0] if o.causes else "healthy"
        groups["cause", kind].append(o)
        groups["plan", o.plan].append(o)
        groups["circuit", o.key].append(o)
        groups["probed at", o.probed].append(o)
        groups["tolerance", f"{100 * o.tolerance:g} %"].append(o)
        mistakes = [k for k in o.scope if not k.startswith("ac:v_")]
        groups["scope", mistakes[0].partition(":")[0] if mistakes else "nothing"].append(o)
    out.append("by               |                        | boards | first | first three | refused")
    for (what, name), some in sorted(groups.items()):
        first = _share((o.right for o in some), some)
        three = _share((o.place < 3 for o in some), some)
        refused = sum(bool(o.answer.refusal) for o in some)
        out.append(
            f"{what:<16} | {name:<22} | {len(some):6d} | {first:5.0%} | {three:11.0%} |"
            f" {refused:7d}"
        )
    out += ["", "belief in the first | boards | mean belief | right"]
    low = 0.0
    for high in BELIEFS:
        some = [o for o in found if low < o.answer.belief <= high]
        if some:
            mean = np.mean([o.answer.belief for o in some])
            out.append(
                f"{low:8.2f} to {high:.2f}    | {len(some):6d} | {mean:11.2f} |"
                f" {_share((o.right for o in some), some):5.0%}"
            )
        low = high
    missed = Counter(c for o in found if o.place > 2 for c in o.causes or ("healthy",))
    total = Counter(c for o in found for c in o.causes or ("healthy",))
    out += ["", "most often missed (not in the first three)"]
    out += [f"  {cause}: {n} of {total[cause]}" for cause, n in missed.most_common(12)]
    out += ["", "confident and wrong, or refused"]
    for o in found:
        if (not o.right and o.answer.belief >= CONFIDENT) or o.answer.refusal:
            said = (
                o.answer.refusal or f"{o.answer.ranked[0][0] or 'healthy'} ({o.answer.belief:.2f})"
            )
            out.append(
                f"  {o.number}: {o.key}, {o.plan}, {o.probed}: "
                f"{', '.join(o.causes) or 'healthy'}; {', '.join(o.scope)} -> {said}"
            )
    return out


def run(boards=BOARDS):
    """Yield the rows; the details go to the screen behind them."""
    found = outcomes(boards)
    yield from rows(found)
    print("\n" + "\n".join(report(found)) + "\n")


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else BOARDS
    all_of_them = outcomes(count)
    for what, ours, _, _, target in rows(all_of_them):
        print(f"{what}: {ours:.3g} (target at most {target:g})")
    print("\n" + "\n".join(report(all_of_them)))
