"""What levels say of a scope, which mistakes are tried, and a record with the scope set right."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.capture import scope
from forktail.core.capture.scope import ODDS, Setup, offset_of, recognised, setups
from records import record

MIXER = shipped()["bat-call-mixer"][0]  # 12 V, both inputs single


def collectors(left, right=10.0, ripple=0.0):
    wave = ripple * np.cos(2 * np.pi * np.arange(32) / 32)
    return record(outputs={"left": left + wave, "right": right + wave})


@pytest.mark.parametrize("factor", [-1.0, 10.0, 0.1, -10.0, -0.1])
def test_a_collector_outside_the_supply_shows_the_factor_of_its_channel(factor):
    # 10 V at a supply of 12 V: no other factor brings the level back between the rails
    found = recognised(collectors(10.0 * factor), MIXER, "base lines")
    assert found == Setup("base lines", (("left", factor),))


def test_a_collector_is_taken_to_be_between_a_seventh_of_the_supply_and_the_supply():
    def shown(level):
        return recognised(collectors(level), MIXER, "generator").shown

    assert shown(1.81) == shown(12.7) == ()  # 15 % of 12 V, and 6 % above it
    assert shown(-1.81) == (("left", -1.0),) and shown(127.1) == (("left", 10.0),)
    for level in (-1.79, 127.3, 1e4):  # which no factor explains
        assert shown(level) == ()


def test_a_generator_has_no_level_but_a_base_line_has():
    level = record(means={"upper": 5.6, "lower": 3.1})  # what the taps of this circuit are at
    assert recognised(level, MIXER, "generator").log_prior == 4.0 * ODDS
    assert recognised(level, MIXER, "base lines").log_prior == 0.0
    assert recognised(record(), MIXER, "generator").log_prior == 0.0


def test_a_level_at_nought_is_ac_coupling():
    for left, ripple, coupled in (
        (0.2, 0.0, ("left",)), (0.25, 0.0, ()), (0.25, 1.0, ("left",)), (-0.2, 0.0, ("left",)),
    ):  # fmt: skip
        found = recognised(collectors(left, 10.0, ripple), MIXER, "base lines")
        assert found.coupled == coupled, (left, ripple)
    one = record(outputs={"out": np.zeros(32)})
    assert recognised(one, MIXER, "base lines") == Setup("base lines")  # has no level of its own
    lost = replace(collectors(0.0), sigma={n: np.full(32, math.inf) for n in ("left", "right")})
    assert recognised(lost, MIXER, "base lines") == Setup("base lines")


def test_a_base_line_of_a_single_drive_shows_its_level():
    def shown(mean, at="base lines", circuit=MIXER, side="upper"):
        means = {"upper": math.nan, "lower": math.nan, side: mean}
        return recognised(replace(record(), means=means), circuit, at).shown

    assert shown(5.6) == () and shown(0.4) == ()
    assert shown(-5.6) == (("upper", -1.0),) and shown(56.0) == (("upper", 10.0),)
    assert shown(-30.0, side="lower") == (("lower", -10.0),)
    assert shown(-5.6, "generator") == ()
    assert shown(-5.6, circuit=replace(MIXER, upper_mode="balanced")) == ()
    assert shown(0.49 * -1) == (("upper", -1.0),) and shown(-0.47) == ()  # from 4 % on


def test_factors_multiply_and_one_is_none():
    base = Setup(shown=(("left", 10.0),), log_prior=-1.0)
    more = base.with_shown([("left", -1.0), ("upper", 0.1)], -2.0)
    assert (more.factor("left"), more.factor("upper"), more.factor("right")) == (-10.0, 0.1, 1.0)
    assert more.log_prior == -3.0
    assert base.with_shown([("left", 0.1)], 0.0).shown == ()


def test_a_record_is_set_right():
    m = 32
    outputs = {"left": np.full(m, 20.0), "right": np.linspace(5.0, 6.0, m)}
    means = {"upper": 2.0, "lower": 3.0}
    seen = record(outputs=outputs, means=means, off=("lower",), levels={"left": 0.4, "right": 0.2})
    setup = Setup(shown=(("left", -10.0), ("upper", 2.0)), exchanged=("inputs", "outputs"))
    right = setup.correct(seen)
    np.testing.assert_array_equal(right.inputs["lower"], seen.inputs["upper"] / 2.0)
    np.testing.assert_array_equal(right.inputs["upper"], seen.inputs["lower"])
    assert right.means == {"lower": 1.0, "upper": 3.0} and right.off == ("upper",)
    assert list(right.outputs) == ["left", "right"]  # in this order, whatever was exchanged
    np.testing.assert_array_equal(right.outputs["right"], np.full(m, -2.0))
    np.testing.assert_array_equal(right.outputs["left"], outputs["right"])
    assert right.sigma["right"][0] == pytest.approx(1e-4) and right.sigma["left"][0] == 1e-3
    assert (right.levels["right"], right.noise["right"]) == pytest.approx((0.04, 1e-4))
    assert (right.levels["left"], right.noise["left"]) == (0.2, 1e-3)
    plain = Setup().correct(seen)
    assert plain.off == ("lower",) and plain.means == means


def test_one_mistake_more_is_tried_in_groups_of_equal_inputs():
    plain = Setup("base lines")
    groups = setups(record(), plain)
    inputs = [
        tuple((side, g[0].factor(side)) for side in ("upper", "lower")) + g[0].exchanged
        for g in groups
    ]
    two = {f"{u:g} {v:g}" for (_, u), (_, v) in (i[:2] for i in inputs)}
    assert two == {"1 1", "10 1", "0.1 1", "-1 1", "1 10", "1 0.1", "1 -1", "10 10", "0.1 0.1"}
    assert [i[2:] for i in inputs].count(("inputs",)) == 1 and len(groups) == 10
    for group in groups:
        assert len({(s.factor("upper"), s.factor("lower")) for s in group}) == 1
        plainly, turned = group
        assert turned.exchanged == (*plainly.exchanged, "outputs")
    assert groups[0][0] == plain and groups[1][0].log_prior == ODDS == math.log(0.02)
    assert groups[0][1].log_prior == ODDS and groups[1][1].log_prior == 2 * ODDS
    one = setups(replace(record(), off=("lower",)), plain)
    assert len(one) == 5 and one[-1][0].exchanged == ("inputs",)
    assert one[-1][0].log_prior == ODDS
    (only,) = setups(replace(record(), off=("lower", "upper")), plain)
    assert len(only) == 2


def test_where_no_level_tells_the_factors_of_outputs_are_tried():
    (group,) = setups(record(outputs={"out": np.zeros(4)}, off=("upper", "lower")), Setup())
    assert [dict(s.shown) for s in group] == [{}, {"out": 10.0}, {"out": 0.1}, {"out": -1.0}]
    assert [s.log_prior for s in group] == [0.0, ODDS, ODDS, ODDS]
    still = record(off=("upper", "lower"))
    (both,) = setups(still, Setup(coupled=("left", "right")))
    said = [dict(s.shown) for s in both if s.shown]
    for f in (10.0, 0.1):
        assert {"left": f} in said and {"right": f} in said and {"left": f, "right": f} in said
    assert {"left": -1.0} in said and {"right": -1.0} in said and len(said) == 8
    assert all(s.log_prior == ODDS for s in both[1:])
    (one,) = setups(still, Setup(coupled=("left",)))
    assert [dict(s.shown) for s in one if s.shown] == [
        {"left": 10.0},
        {"left": 0.1},
        {"left": -1.0},
    ]


def test_an_offset_is_a_share_of_the_screen_and_of_the_level():
    # 1 % of 256 steps, or of a screen a quarter larger than the wave; 0.4 % of the level; 1 mV
    wave = np.linspace(9.0, 11.0, 32)
    seen = record(outputs={"left": wave}, levels={"left": 0.0})
    assert offset_of(seen, "left", 10.0) == pytest.approx(0.01 * 2.5 + 0.04 + 1e-3)
    steps = replace(seen, levels={"left": 0.05})
    assert offset_of(steps, "left", -10.0) == pytest.approx(0.01 * 256 * 0.05 + 0.04 + 1e-3)
    lost = replace(seen, sigma={"left": np.full(32, math.inf)})
    assert offset_of(lost, "left", 0.0) == pytest.approx(1e-3)
    assert scope.GAIN == pytest.approx(0.02 / math.sqrt(3), rel=0.1)  # 2 % either way, evenly
