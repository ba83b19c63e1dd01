"""How the benchmark `compare` judges an answer, and that it asks one."""

import math
import sys
from dataclasses import replace
from pathlib import Path

import pytest

import boards_reference as boards

sys.path.insert(0, str(Path(__file__).parents[4]))

from tests.benchmarks import compare_boards as benchmark  # noqa: E402

HEALTHY = boards.make_board(3, cause="", key="bat-call-mixer")
FAULTY = boards.make_board(2, cause="factor:r_load_left:1.5", key="beacon-modulator")


def answer(*groups, belief=0.9):
    return benchmark.Answer(tuple(groups), belief, 100, 1000, 2.0, 0.01)


@pytest.mark.parametrize(
    "board, groups, place",
    [
        (HEALTHY, [("",)], 0),
        (HEALTHY, [("open:Q1.base",), ("",)], 1),
        (HEALTHY, [("open:Q1.base",)], 99),
        (FAULTY, [("factor:r_load_left:1.45",)], 0),
        (FAULTY, [("open:Q1.base",), ("open:Q2.base", "factor:r_load_left:1.6")], 1),
        (FAULTY, [("",)], 99),
        (FAULTY, [("open:Q1.base",)] * 3 + [("factor:r_load_left:1.5",)], 99),
        (FAULTY, [], 99),
    ],
)
def test_the_place_of_the_true_cause(board, groups, place):
    assert replace(board, scope=()).healthy is board.healthy
    assert benchmark.judge(replace(board, scope=()), answer(*groups)).place == place


def test_a_mistake_of_the_scope_may_pass_for_what_looks_the_same():
    """Collectors exchanged at the scope, or the bases of the lower pair: one picture."""
    mistaken = replace(HEALTHY, scope=("exchanged:v_left:v_right",))
    assert benchmark.judge(mistaken, answer(("swapped:pair_lower",))).place == 0
    assert benchmark.judge(replace(HEALTHY, scope=()), answer(("swapped:pair_lower",))).place == 99


def test_a_board_within_its_bands_is_as_predicted():
    """5 mV at the lower pair, its transistors may do that too; half as much load again is more."""
    for cause, place in (("short:r_bias_lower_neg", 0), ("factor:r_load_left:1.5", 99)):
        board = boards.make_board(2101, cause=cause, key="beacon-modulator")
        board = replace(board, scope=(), tolerance=0.05)
        assert boards.within_bands(board) is (place == 0)
        assert not boards.looks_alike(board)
        assert benchmark.judge(board, answer(("",))).place == place
        assert benchmark.judge(board, answer(("open:Q1.base",), ("",))).place > 0


def test_rows_count_misses():
    found = [
        benchmark.judge(replace(HEALTHY, scope=()), answer(("",))),
        benchmark.judge(replace(HEALTHY, scope=()), answer(("open:Q1.base",))),
        benchmark.judge(FAULTY, answer(("open:Q1.base",), ("factor:r_load_left:1.5",))),
        benchmark.judge(FAULTY, answer(("open:Q1.base",), belief=0.3)),
    ]
    shares = [ours for _, ours, _, _, _ in benchmark.rows(found)]
    # not first, not in three, healthy not called so, confident and wrong, time
    assert shares == pytest.approx([1.0, 0.5, 0.5, 0.5, 2.0])
    lines = "\n".join(benchmark.report(found))
    assert "factor:r_load_left:1.5: 1 of 2" in lines and "open:Q1.base (0.90)" in lines


def test_a_board_is_asked_about():
    said = benchmark.ask(FAULTY)
    assert said.ranked and not said.refusal
    assert said.tried > 50 and said.samples > 250 and said.seconds > 0.0
    assert math.isnan(said.belief) or 0.0 <= said.belief <= 1.0
