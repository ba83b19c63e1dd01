"""Bench plan: its numbers against laws of the trade, hand calculation and the solver."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.core.bench.plan import PlanQuestion, bench_plan, supply_currents
from forktail.core.built import mismatch, network
from forktail.core.built.circuit import Circuit, single_faults
from forktail.core.checks import QuantityError
from forktail.pages.plan.state import question_of_query

MIXER = Circuit(r_emitter_lower=100.0, r_source_lower=600.0, r_termination_lower=math.inf)


@pytest.fixture(scope="module")
def plan():
    return bench_plan(PlanQuestion(MIXER, builds=60))


def by_node(plan):
    return {p.node: p for p in plan.points}


def test_supply_current_is_what_leaves_the_supply_node(plan):
    """Kirchhoff's current law at the supply node, summed by the solver over all its parts."""
    one = supply_currents(MIXER, {})
    assert one[0] == pytest.approx(network.supply_current(MIXER), rel=1e-9)
    assert plan.supply_current.low < one[0] < plan.supply_current.high
    assert plan.supply_limit >= 1.5 * plan.supply_current.high
    assert plan.supply_limit < 4 * plan.supply_current.high


def test_levels_before_any_transistor_are_the_bare_divider(plan):
    """Voltage divider of the string with nothing drawn from its taps."""
    checks = {c.node: c.band for c in plan.steps[0].checks}
    total = MIXER.r_string_top + MIXER.r_string_middle + MIXER.r_string_bottom
    upper = 12.0 * (MIXER.r_string_middle + MIXER.r_string_bottom) / total
    lower = 12.0 * MIXER.r_string_bottom / total
    tail = 12.0 * MIXER.r_tail_base_bottom / (MIXER.r_tail_base_bottom + MIXER.r_tail_base_top)
    for node, wanted in (
        ("level_upper", upper),
        ("base_upper_neg", upper),
        ("level_lower", lower),
        ("base_lower_pos", lower),
        ("tail_base", tail),
    ):
        assert checks[node].nominal == pytest.approx(wanted, rel=0.01)
        assert checks[node].low < wanted < checks[node].high


def test_links_in_place_of_q1_and_q4_carry_half_the_tail_each(plan):
    checks = {c.node: c.band for c in plan.steps[1].checks}
    half = 0.5 * float(network.solve_bias(MIXER).i_tail)
    for side in ("left", "right"):
        assert checks[side].nominal == pytest.approx(12.0 - MIXER.r_load_left * half, rel=5e-3)
        assert checks[f"common_{side}"].nominal == pytest.approx(checks[side].nominal, abs=5e-3)


def test_bands_hold_the_circuit_and_close_without_tolerance(plan):
    rest = network.solve_bias(MIXER).nodes
    for p in plan.points:
        assert p.band.nominal == pytest.approx(float(rest[p.node]), abs=1e-9)
        assert p.band.low <= p.band.nominal <= p.band.high
    exact = bench_plan(PlanQuestion(MIXER, mismatch.Tolerances(0.0, 0.0, 0.0), builds=10))
    for p in exact.points:
        assert p.band.high - p.band.low == pytest.approx(0.0, abs=1e-6)
    assert all(math.isnan(t.part_ohms) for t in exact.trims)


def test_wider_parts_make_wider_bands(plan):
    loose = bench_plan(PlanQuestion(MIXER, mismatch.Tolerances(2e-3, 0.05, 0.2), builds=60))
    for node in ("level_upper", "tail", "left"):
        wide, narrow = (by_node(p)[node].band for p in (loose, plan))
        assert wide.high - wide.low > 2 * (narrow.high - narrow.low)


def test_output_alone_is_measured_not_extrapolated(plan):
    # 100 mV switches the upper pairs, so feedthrough bends off its slope at rest
    slope = np.percentile(
        np.abs([plan.spreads["feed_upper"].low, plan.spreads["feed_upper"].high]), 95
    )
    assert 0.0 < plan.alone_upper < 2 * 0.1 * slope


def test_every_single_fault_is_told_once(plan):
    keys = [c.key for s in plan.symptoms for c in s.cases]
    assert sorted(keys) == sorted(f.key for f in single_faults(MIXER))


def symptom(plan, key):
    return next(s for s in plan.symptoms if key in [c.key for c in s.cases])


@pytest.mark.parametrize(
    "key, off, output",
    [
        # what a technician would say before solving anything
        (
            "open:r_string_top",
            {"level_upper": -1, "level_lower": -1, "left": 1, "right": 1},
            "none",
        ),
        ("open:drive_upper", {}, "none"),
        ("swapped:pair_lower", {}, "inverted"),
        ("swapped:pair_left", {}, "upper"),
        ("open:Q7.base", {"emitter_q7": -1, "left": 1, "right": 1}, "none"),
        ("short:r_load_left", {"left": 1}, "weak"),
        ("open:Q5.emitter", {"common_left": 1}, "upper"),
    ],
)
def test_symptoms_of_faults_that_are_known_by_heart(plan, key, off, output):
    found = symptom(plan, key)
    assert found.output == output
    seen = dict(found.off)
    assert {n: seen.get(n) for n in off} == off
    if not off:
        assert found.off == ()


def test_a_shorted_load_leaves_half_the_product(plan):
    """Only the other collector moves: half of the difference."""
    (case,) = [c for s in plan.symptoms for c in s.cases if c.key == "short:r_load_left"]
    assert case.response.product / plan.healthy.product == pytest.approx(0.5, abs=0.01)


def test_ratings_hold_when_a_part_fails(plan):
    parts = {r: p for p in plan.parts for r in p.references}
    # R1 shorted puts the supply on the upper bypass
    assert parts["C1"].rating >= 1.5 * 12.0
    heat = network.dissipation(MIXER)
    for ref, name in (("R1", "r_string_top"), ("R11", "r_tail_base_top")):
        assert parts[ref].rating >= 2 * float(heat[name])
    assert plan.transistor["v_ceo"] == pytest.approx(18.0)
    assert parts["R8"].tolerance == pytest.approx(plan.tolerances.resistor)
    assert parts["Q7"].quantity == 7


def test_trims_reach_what_they_must_and_null(plan):
    for t in plan.trims:
        assert (
            t.part_reach >= max(abs(t.band.low), abs(t.band.high)) * (1 - 1e-9)
            or t.part_ohms == 250e3
        )
        assert t.after < 1e-3 * t.before


def test_plan_is_of_preferred_values_and_says_what_moved():
    odd = replace(MIXER, r_load_left=2300.0, r_load_right=2300.0)
    p = bench_plan(PlanQuestion(odd, builds=10))
    assert p.circuit.r_load_left in (2200.0, 2400.0)
    assert {r.name for r in p.rounding} == {"r_load_left", "r_load_right"}
    left = by_node(p)["left"].band.nominal
    assert left == pytest.approx(float(network.solve_bias(p.circuit).nodes["left"]))


def test_faults_of_the_entered_circuit_are_mended():
    p = bench_plan(PlanQuestion(replace(MIXER, faults=("open:r_load_left",)), builds=10))
    assert p.left_out == ("open:r_load_left",) and p.circuit.faults == ()


def test_equal_questions_make_equal_plans():
    question, problems = question_of_query("builds=20&seed=3")
    assert problems == []
    one, two = bench_plan(question), bench_plan(question)
    assert one.points == two.points and one.trims == two.trims and one.symptoms == two.symptoms
    other = bench_plan(replace(question, seed=4))
    assert other.points != one.points


@pytest.mark.parametrize(
    "arguments, words",
    [
        ({"drive_upper": 0.0}, ("Upper peak drive", "above")),
        ({"drive_lower": -1.0}, ("Lower peak drive", "0 V to 10 V")),
        ({"drive_lower": math.nan}, ("Lower peak drive", "finite")),
        ({"builds": 0}, ("Builds", "10 to 5000")),
        ({"series": "E7"}, ("Series", "E24")),
    ],
)
def test_what_cannot_be_planned_is_said(arguments, words):
    with pytest.raises(QuantityError) as error:
        bench_plan(PlanQuestion(MIXER, **arguments))
    assert all(w in str(error.value) for w in words)


def test_link_without_a_drive_is_refused():
    with pytest.raises(QuantityError, match="drive above 0 V"):
        question_of_query("drive_upper=0V")


def test_progress_rises_to_one():
    heard = []
    bench_plan(PlanQuestion(MIXER, builds=10), lambda share, text: heard.append((share, text)))
    shares = [s for s, _ in heard]
    assert shares == sorted(shares) and shares[-1] == 1.0 and all(text for _, text in heard)
