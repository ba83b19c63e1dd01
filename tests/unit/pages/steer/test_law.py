"""The law beside the picture: its factors, what they multiply to, and where each is drawn."""

import math
import re
from dataclasses import replace

import pytest

from forktail.core.cell.factors import term
from forktail.core.checks import QuantityError
from forktail.core.thermal import thermal_voltage
from forktail.pages.build.law import BuiltLaw, left_out
from forktail.pages.build.schematic import draw as draw_built
from forktail.pages.build.state import BuildState
from forktail.pages.steer.law import PIECES, numbers, rest
from forktail.pages.steer.schematic import draw
from forktail.pages.steer.state import STAGES, SteerState
from forktail.ui.law import PRODUCT, written

DRIVEN = dict(v_upper=0.017, v_second=-0.009, v_lower=-0.031, i_tail_left=1.4e-3, i_tail_right=6e-4)


def parts(markup):
    return set(re.findall(r'data-part="([^"]+)"', markup))


@pytest.mark.parametrize("stage", STAGES)
def test_the_factors_multiply_to_the_output_of_the_stage(stage):
    # The law as published: Gray, Hurst, Lewis, Meyer, chapters 3 and 10; the stages were solved
    # branch by branch, not by it.
    scene = SteerState(stage=stage, **DRIVEN).scene()
    found, v_out = numbers(scene)
    assert v_out == pytest.approx(float(scene.point.v_out), rel=1e-9)
    assert found["law-out"] == (v_out, "V")
    assert set(found) == {p[2] for p in PIECES[stage] if not isinstance(p, str)}
    assert rest(scene, v_out) == ""


def test_each_split_is_tanh_of_half_the_input_over_the_thermal_voltage():
    v_t = float(thermal_voltage(298.15))
    one = term(2e-3, 1e3, v_t, 0.02, -0.05)
    assert one.splits == pytest.approx([math.tanh(0.02 / 2 / v_t), math.tanh(-0.05 / 2 / v_t)])
    assert one.v_out == pytest.approx(2.0 * one.splits[0] * one.splits[1])
    with pytest.raises(QuantityError, match="above 0 V"):
        term(2e-3, 1e3, 0.0, 0.02)


@pytest.mark.parametrize("stage", STAGES)
def test_each_factor_is_a_part_of_the_drawing_and_each_part_a_factor(stage):
    assert parts(draw(stage)) == {p[0] for p in PIECES[stage] if not isinstance(p, str)}


def test_what_the_law_leaves_out_is_named_with_what_really_comes_out():
    state = SteerState(stage="cell", offset_left=2e-3, r_emitter_lower=100.0)
    scene = state.scene()
    _, v_out = numbers(scene)
    said = rest(scene, v_out)
    assert "the offset of the left pair and the lower emitter resistors" in said
    assert abs(v_out - float(scene.point.v_out)) > 0.05
    state = SteerState(stage="pair", offset_lower=2e-3)  # the pair has no lower pair
    assert rest(state.scene(), 0.0) == ""


def test_the_built_cell_has_the_same_law_and_says_what_it_leaves_out():
    state, view = BuildState(), BuiltLaw()
    scene = state.scene()
    view.show(scene)
    said = view.sent["law-rest"]["#"]
    assert "base currents and the Early voltage" in said and "lower emitter resistors" in said
    assert {p[0] for p in PRODUCT if not isinstance(p, str)} <= parts(draw_built(state.circuit))
    tail, load = float(scene.textbook.i_tail), float(scene.textbook.r_load)
    v_t = float(scene.textbook.thermal_voltage)
    law = tail * load * math.tanh(scene.v_upper / 2 / v_t) * math.tanh(scene.v_lower / 2 / v_t)
    assert view.sent["law-out"]["#"] == written(law, "V")
    state.edit("faults", "open:r_load_left")
    view.show(state.scene())
    assert "the faults" in view.sent["law-rest"]["#"]


def test_what_a_circuit_does_not_have_is_not_said_to_be_left_out():
    circuit = BuildState().circuit
    assert {"base currents", "the Early voltage"} <= set(left_out(circuit))
    ideal = replace(
        circuit, beta_forward=math.inf, v_early=math.inf, r_emitter_upper=0.0, r_emitter_lower=0.0
    )
    assert left_out(ideal) == []
