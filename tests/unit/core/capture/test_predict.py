"""What a board would show, and its slopes against boards whose parts were moved a little."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.built.circuit import COLDEST, HOTTEST, Circuit
from forktail.core.built.mismatch import Tolerances
from forktail.core.capture.boards import (
    Board,
    Spread,
    as_planned,
    as_probed,
    hidden,
    movable,
    moved_by,
    parts_of_group,
    predict,
    predict_all,
    solve_rest,
    unit_of,
)
from forktail.core.models import BuiltCell
from forktail.core.path import path_of, run_path
from forktail.core.spec import specs_of
from records import record

MIXER = shipped()["bat-call-mixer"][0]  # 51 ohm over its upper generator, 600 ohm in the lower one
H = 1e-3
PLACES = ("base lines", "generator")


@pytest.mark.parametrize("at", PLACES)
def test_slopes_are_differences_of_boards_that_moved(at):
    seen, names = record(), movable(MIXER, at)
    found = predict(Board(MIXER), seen, at, names)
    for name in names:
        step = H * (20.0 if name == "temperature" else 1.0)
        less, more = (predict(Board(MIXER, ((name, s * step),)), seen, at) for s in (-1, 1))
        for side in ("left", "right"):
            slope = (more.values[side] - less.values[side]) / (2 * step)
            column = found.columns[name].get(side, 0.0) + np.zeros(32)
            size = max(np.max(np.abs(slope)), 1e-4)
            assert column == pytest.approx(slope, abs=2e-3 * size), (name, side)
        for node in ("base_upper_pos", "base_lower_pos"):
            slope = (more.rest[node] - less.rest[node]) / (2 * step)
            column = found.columns[name].get(node, 0.0)
            assert column == pytest.approx(slope, rel=2e-3, abs=1e-6), (name, node)


@pytest.mark.parametrize("at", PLACES)
def test_many_boards_are_predicted_as_each_of_them(at):
    moves = ((), (("r_load_left", 0.5),), (("Q1", -0.3), ("r_bias_lower_pos", 0.2)),
             (("c_left", 1.0),), (("v_supply", 0.1),), (("r_tail_base_bottom", -0.5),))  # fmt: skip
    boards, seen = [Board(MIXER, m) for m in moves], record()
    for board, found in zip(boards, predict_all(boards, seen, at)):
        own = predict(board, seen, at)
        for side in ("left", "right"):
            assert found.values[side] == pytest.approx(own.values[side], abs=2e-6)
        assert found.rest == pytest.approx(own.rest, abs=1e-6) and found.ok == own.ok == 1.0


def test_a_bias_resistor_that_is_off_moves_the_corner_of_its_coupling():
    circuit = replace(MIXER, c_coupling_lower=4.7e-9)
    f = np.array([200.0, 2e3, 20e3])
    far = (("r_bias_lower_pos", math.log(0.1)), ("c_coupling_lower", 0.5))
    found = Board(circuit, far).path("generator").lower.response(f)
    other = replace(
        circuit,
        r_bias_lower_pos=0.1 * circuit.r_bias_lower_pos,
        c_coupling_lower=circuit.c_coupling_lower * math.exp(0.5),
    )
    expected = path_of(other).lower.response(f)
    np.testing.assert_allclose(found, expected, atol=0.03)
    assert np.abs(expected - path_of(circuit).lower.response(f)).max() > 0.1
    near = Board(circuit, (("r_bias_lower_pos", 0.1),)).path("generator").lower
    assert near.corner == pytest.approx(
        path_of(replace(circuit, r_bias_lower_pos=circuit.r_bias_lower_pos * math.exp(0.1)))
        .lower.corner,
        rel=0.02,
    )  # fmt: skip


@pytest.mark.parametrize("at", PLACES)
def test_what_a_scope_does_to_an_input_is_a_slope_too(at):
    """A channel that shows too much had less there; one that shows late had it before."""
    seen = record(128)
    found = predict(Board(MIXER), seen, at, ("r_load_left",)).columns
    assert set(found) == {"r_load_left"} | {
        f"{what}_{side}" for what in ("input_gain", "skew") for side in ("upper", "lower")
    }
    turn, g, late = 2 * np.pi * np.arange(128) / 128, 1e-3, 1e-9
    plain = predict(Board(MIXER), seen, at).values
    waves = {
        "upper": lambda t: 0.05 * np.sin(2 * t), "lower": lambda t: 0.015 * np.sin(t + 1.0),
    }  # fmt: skip
    for side, wave in waves.items():
        less = replace(seen, inputs=seen.inputs | {side: wave(turn) * (1 - g)})
        before = replace(
            seen, inputs=seen.inputs | {side: wave(turn + 2 * np.pi * late / (128 * seen.step))}
        )
        for name, given, h in ((f"input_gain_{side}", less, g), (f"skew_{side}", before, late)):
            moved = predict(Board(MIXER), given, at).values
            for out in ("left", "right"):
                slope = (moved[out] - plain[out]) / h
                size = np.max(np.abs(slope))
                assert found[name][out] == pytest.approx(slope, abs=0.01 * size), (name, out)
    still = predict(Board(MIXER), replace(seen, off=("lower",)), at, ("r_load_left",)).columns
    assert set(still) == {"r_load_left", "input_gain_upper", "skew_upper"}
    assert predict(Board(MIXER), seen, at).columns == {}


def test_a_sound_board_is_what_the_path_gives():
    seen = record()
    for at in PLACES:
        found = predict(Board(MIXER), seen, at, nodes=("tail", "left"))
        circuit = MIXER
        if at == "generator":  # probed behind its source, the termination is no load any more
            circuit = replace(MIXER, r_source_upper=0.0, r_termination_upper=math.inf)
        passed = run_path(BuiltCell(circuit), *seen.inputs.values(), seen.step, at=at)
        for side in ("left", "right"):
            wave = getattr(passed.loads, f"v_{side}")
            np.testing.assert_allclose(found.values[side], wave, atol=2e-6)
        assert found.ok == 1.0 and set(found.rest) == {"tail", "left"}
        assert found.rest["left"] == pytest.approx(passed.cell.v_left.mean(), abs=1e-6)
        assert found.doubt == {"left": 0.0, "right": 0.0} and found.level_doubt == 0.0


def test_a_stretch_has_slopes_where_the_poles_have_settled():
    seen = record(400, periodic=False)
    found = predict(Board(MIXER), seen, "base lines", ("c_left", "r_load_left"))
    late = found.columns["c_left"]["left"]
    end = slice(-60, -10)
    assert np.isnan(late[0]) and np.isfinite(late[end]).all() and found.ok < 1.0
    less, more = (
        predict(Board(MIXER, (("c_left", s * H),)), seen, "base lines").values["left"]
        for s in (-1, 1)
    )
    slope = (more - less)[end] / (2 * H)
    assert late[end] == pytest.approx(slope, abs=0.05 * np.max(np.abs(slope)))


# ---------------------------------------------------------------- boards


def test_how_far_healthy_boards_are_apart():
    spread, even = Spread(Tolerances(resistor=0.01, beta=0.3, v_be=1e-3)), 1 / math.sqrt(3)
    wanted = {
        "r_load_left": 0.01 * even, "c_coupling_upper": 0.2 * even, "r_source_lower": 0.03,
        "c_left": math.hypot(0.2 * even, 10e-12 / 1e-9), "beta_forward": 0.3, "i_s": 0.25,
        "v_early": 0.2, "v_supply": 0.006, "temperature": 5.0, "i_tail": 0.02,
        "Q3": 1e-3 / 0.025692579121085843 + 1e-4,  # VT at 25 degrees Celsius
    }  # fmt: skip
    assert {n: spread.of(MIXER, n) for n in wanted} == pytest.approx(wanted)
    exact = Spread(Tolerances(resistor=0.0))
    assert exact.of(MIXER, "r_load_left") == 1e-4
    assert exact.of(replace(MIXER, c_load=0.0), "c_right") == pytest.approx(10.0, rel=0.01)


def test_what_can_move_is_what_shows():
    names = set(movable(MIXER, "base lines"))
    assert movable(MIXER, "generator")[-4:] == (
        "c_left", "c_right", "c_coupling_upper", "c_coupling_lower",
    )  # fmt: skip
    assert not names & {"v_upper", "v_lower", "trim_upper", "c_coupling_upper", "r_source_lower"}
    assert "r_source_lower" in movable(MIXER, "generator")
    stiff = replace(MIXER, beta_forward=math.inf, v_early=math.inf, c_load=0.0)
    gone = {"beta_forward", "v_early", "c_left", "c_right"}
    assert names - set(movable(stiff, "base lines")) >= gone


def test_what_lies_before_the_probe_is_in_the_inputs():
    at = dict.fromkeys(PLACES)
    for key, said in (
        ("open:drive_upper", (True, True)), ("open:r_termination_upper", (True, True)),
        ("open:c_coupling_upper", (True, False)), ("open:drive_lower", (True, False)),
        ("open:c_coupling_lower", (True, False)), ("short:c_coupling_upper", (False, False)),
        ("open:r_load_left", (False, False)), ("open:Q1.base", (False, False)),
    ):  # fmt: skip
        assert tuple(hidden(MIXER, key, place) for place in at) == said, key
    broken = replace(MIXER, faults=("open:drive_upper", "open:r_load_left"))
    seen = as_probed(broken, "generator")
    assert seen.faults == ("open:r_load_left",)
    assert (seen.r_source_upper, seen.r_termination_upper) == (0.0, math.inf)
    assert seen.r_source_lower == MIXER.r_source_lower
    same, said = as_planned(MIXER)
    assert same is MIXER and said == []
    planned, (sentence,) = as_planned(broken)
    assert planned.faults == () and "were left out" in sentence


def test_fields_move_within_their_bounds_and_parts_by_factors():
    moves = (
        ("temperature", 20.0), ("v_supply", math.log(1.1)), ("beta_forward", -80.0),
        ("r_load_left", math.log(0.5)), ("Q2", 0.1), ("c_left", 0.3), ("r_source_lower", 1.0),
    )  # fmt: skip
    circuit, scale = Board(MIXER, moves).solved
    assert circuit.temperature == pytest.approx(MIXER.temperature + 20.0)
    assert circuit.v_supply == pytest.approx(1.1 * 12)
    assert circuit.beta_forward == specs_of(Circuit)["beta_forward"].low  # as far as is allowed
    assert circuit.r_source_lower == pytest.approx(600 * math.e)
    assert scale == pytest.approx({"r_load_left": 0.5, "Q2": math.exp(0.1)})
    for by, end in ((500.0, HOTTEST), (-500.0, COLDEST)):
        assert Board(MIXER, (("temperature", by),)).solved[0].temperature == end
    assert Board(MIXER).solved == (MIXER, {})


def test_a_board_is_another_one_from_twice_or_half_a_value_on():
    for by, far in ((0.69, False), (0.7, True), (-0.71, True)):
        assert Board(MIXER, (("r_load_left", by),)).far is far
    assert not Board(MIXER, (("temperature", 30.0),)).far
    assert Board(replace(MIXER, faults=("open:r_load_left",))).far and not Board(MIXER).far


def test_corners_and_poles_move_with_their_parts():
    plain = path_of(MIXER)
    moves = (
        ("c_coupling_lower", math.log(2.0)), ("c_left", math.log(1.5)), ("r_load_left", 0.1),
        ("r_load_right", -0.2),
    )  # fmt: skip
    path = Board(MIXER, moves).path("generator")
    corner = Board(MIXER).path("generator").lower.corner
    assert corner > 0.0 and path.lower.corner == pytest.approx(corner / 2.0)
    assert path.upper == Board(MIXER).path("generator").upper
    left, right = path.poles
    assert left == pytest.approx(plain.load_pole / 1.5 / math.exp(0.1))
    assert right == pytest.approx(plain.load_pole * math.exp(0.2))
    shorted = Board(replace(MIXER, faults=("short:c_coupling_lower",))).path("generator")
    assert shorted.lower.corner == 0.0 and shorted.upper.corner > 0.0
    # an open load leaves its capacitor to what else hangs there
    unloaded = replace(MIXER, faults=("open:r_load_left",))
    poles = Board(unloaded).path("base lines").poles
    assert poles[0] > 20 * plain.load_pole and poles[1] == pytest.approx(plain.load_pole, rel=0.02)


def test_a_solution_may_be_off_where_a_transistor_saturates():
    """8 % of the own wave, 0.8 % of the larger one, and 0.3 of what the pole takes off."""
    seen = record()
    sound = predict(Board(MIXER, (("r_load_left", 1.0),)), seen, "base lines")
    assert sound.doubt == {"left": 0.0, "right": 0.0}
    assert sound.level_doubt == pytest.approx(0.003 * 12)
    at_generator = predict(Board(MIXER, (("r_load_left", 1.0),)), seen, "generator")
    size = {n: w.std() for n, w in at_generator.values.items()}
    for side in size:
        want = 0.01 * size[side] + 0.001 * max(size.values())
        assert at_generator.doubt[side] == pytest.approx(want)
    board = Board(MIXER, (("r_load_left", math.log(8.0)),))
    low = predict(board, seen, "base lines")
    assert low.values["left"].min() < 5.0 and low.level_doubt == pytest.approx(0.02 * 12)
    size = {n: w.std() for n, w in low.values.items()}
    assert low.doubt["right"] > 0.08 * size["right"] + 0.008 * max(size.values())
    # a load without capacitance has nothing that a pole takes off
    bare = replace(MIXER, r_load_left=17.6e3, c_load=0.0)
    some = predict(Board(bare, (("r_load_right", 0.7),)), seen, "base lines")
    size = {n: w.std() for n, w in some.values.items()}
    for side in size:
        want = 0.08 * size[side] + 0.008 * max(size.values())
        assert some.doubt[side] == pytest.approx(want)
    still = replace(
        record(1), inputs={"upper": np.zeros(1), "lower": np.zeros(1)}, off=("upper", "lower")
    )
    rest = predict(board, still, "base lines")
    assert rest.doubt == {"left": 0.0, "right": 0.0} and rest.level_doubt == 0.0


def test_bases_that_load_their_lines_make_the_coupling_unsure():
    """A current gain of 10: 0.3 mA of emitter current drops some 60 mV in 2.2 kohm of bias."""
    board, seen = Board(MIXER, (("beta_forward", math.log(0.05)),)), record()
    for at, own, most in (("generator", 0.1, 0.01), ("base lines", 0.0, 0.0)):
        found = predict(board, seen, at)
        size = {n: w.std() for n, w in found.values.items()}
        for side in size:
            want = own * size[side] + most * max(size.values())
            assert found.doubt[side] == pytest.approx(want), at


def test_one_line_that_is_loaded_is_enough():
    """Three microamperes in 44 kohm: 0.13 V at one base, 6 mV at the other."""
    board = Board(MIXER, (("r_bias_upper_pos", math.log(20.0)),))
    found = predict(board, record(), "generator")
    size = {n: w.std() for n, w in found.values.items()}
    for side in size:
        assert found.doubt[side] == pytest.approx(0.1 * size[side] + 0.01 * max(size.values()))


def test_the_rest_of_a_board_and_parts_that_one_wrong_value_stands_for():
    assert solve_rest(Board(MIXER), "generator")["left"] == pytest.approx(10.706, abs=0.001)
    moved = solve_rest(Board(MIXER, (("r_load_left", math.log(0.5)),)), "base lines")
    assert 12 - moved["left"] == pytest.approx((12 - 10.7064) / 2, rel=0.01)
    for name, parts in (
        ("r_load", ("r_load_left", "r_load_right")), ("r_emitter_upper", ()),
        ("r_emitter_lower", ("r_emitter_q5", "r_emitter_q6")), ("c_load", ("c_left", "c_right")),
        ("r_bias_upper", ("r_bias_upper_pos", "r_bias_upper_neg")),
        ("r_bias_lower", ("r_bias_lower_pos", "r_bias_lower_neg")), ("Q1", ("Q1",)),
    ):  # fmt: skip
        assert parts_of_group(MIXER, name) == parts
    four = parts_of_group(replace(MIXER, r_emitter_upper=10.0), "r_emitter_upper")
    assert four == tuple(f"r_emitter_q{k}" for k in (1, 2, 3, 4))
    assert (unit_of("temperature"), unit_of("Q1"), unit_of(("a", "b"))) == (25.0, 1.0, 1.0)
    assert moved_by("Q1") == ("Q1",) and moved_by(("a", "b")) == ("a", "b")
