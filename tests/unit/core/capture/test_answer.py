"""What a comparison hands on: waves, rows, cautions, the board as found."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.capture import compare, hypotheses
from forktail.core.capture.boards import Board, predict
from forktail.core.capture.compare import as_plain, compare_capture, found_circuit
from forktail.core.capture.hypotheses import Suspect, found_of, suspects
from forktail.core.capture.read import Capture
from forktail.core.capture.scope import Setup
from forktail.core.capture.trial import Outcome
from forktail.core.checks import QuantityError
from records import PERIOD, record

MIXER = shipped()["bat-call-mixer"][0]
AT = "base lines"
ROWS, ROUNDS = 600, 8


def capture(board=None, factor=None, noise=2e-4, rows=ROWS, at=AT, **more):
    """Eight periods of the small record, as a board gives them, with noise in every channel."""
    rng = np.random.default_rng(4)
    fine = record(64)
    values = predict(board or Board(MIXER), fine, at).values
    t = np.arange(rows) * (ROUNDS * PERIOD / ROWS)
    turn = 2 * np.pi * t / PERIOD
    waves = {"v_upper": 0.05 * np.sin(2 * turn), "v_lower": 0.015 * np.sin(turn + 1.0)}
    waves |= {f"v_{s}": fine.spread(w, t) for s, w in values.items()}
    waves = {n: (factor or {}).get(n, 1.0) * w for n, w in waves.items()}
    waves = {n: w + noise * rng.normal(size=rows) for n, w in waves.items()} | more
    return Capture(time=t, v_out=waves["v_right"] - waves["v_left"], **waves, name="board 3")


def test_a_healthy_board_with_its_waves_row_by_row(few):
    told = []
    seen = capture()
    found = compare_capture(seen, MIXER, AT, tell=lambda *step: told.append(step))
    assert found.healthy and found.verdict.startswith("As predicted")
    np.testing.assert_array_equal(found.time, seen.time)
    np.testing.assert_array_equal(found.measured, seen.v_out)
    assert np.std(found.predicted - seen.v_out) < 0.02 * np.std(seen.v_out)
    np.testing.assert_array_equal(found.residual, found.measured - found.predicted)
    assert found.residual_rms == pytest.approx(math.sqrt(np.mean(found.residual**2)))
    assert found.output_rms == pytest.approx(np.std(seen.v_out))
    assert [n for n, *_ in found.outputs] == ["left", "right"]
    for name, measured, predicted in found.outputs:
        np.testing.assert_array_equal(measured, getattr(seen, f"v_{name}"))
        assert np.max(np.abs(predicted - measured)) < 0.02
    assert np.std(found.v_upper - seen.v_upper) < 1e-3 * 0.5 and found.used.all()
    assert np.std(found.v_lower - seen.v_lower) < 1e-3 * 0.5
    assert found.noise == pytest.approx(math.hypot(2e-4, 2e-4), rel=0.2)
    np.testing.assert_allclose(found.wave(), found.fitted)
    assert found.probed == found.named == AT and found.sound_share.endswith("%")
    assert (found.name, found.circuit, found.telling) == ("board 3", MIXER, "")
    assert found.figure("product").inside and found.figure("nothing") is None
    # both drives are beyond half of kT/q, which is 12.8 mV
    assert any("both drives are beyond half of kT/q" in w for w in found.warnings)
    shares = [s for s, _ in told]
    assert told[0] == (0.02, "aligning") and shares == sorted(shares)


def test_a_fault_with_a_mistake_of_the_scope_is_shown_with_the_scope_set_right(few):
    board = Board(MIXER, (("r_load_left", math.log(0.6)),))
    seen = capture(board, {"v_left": 10.0})
    found = compare_capture(seen, MIXER, AT)
    assert not found.healthy and found.causes[0].found.suspect.key == "factor:r_load_left"
    assert found.scope[0].startswith("The channel of the left collector reads 10 times too high")
    right = seen.v_right - seen.v_left / 10.0
    np.testing.assert_allclose(found.measured, right, atol=1e-12)
    assert np.std(found.fitted - right) < 0.02 * np.std(right) < np.std(found.residual)
    np.testing.assert_allclose(found.wave(0), found.fitted)
    assert found.wave() is found.predicted  # not healthy: the plan as it is
    plain = as_plain(found)
    for key in ("name", "verdict", "healthy", "belief", "probed", "other", "telling", "tried"):
        assert plain[key] == getattr(found, key), key
    for key in ("residual_rms", "output_rms"):
        assert plain[key] == getattr(found, key)
    assert (plain["noise_rms"], plain["samples_solved"]) == (found.noise, found.samples)
    for key in ("scope", "warnings", "notes"):
        assert plain[key] == list(getattr(found, key)), key
    assert plain["figures"] == {
        f.key: {"measured": f.measured, "predicted": f.predicted, "low": f.low, "high": f.high,
                "unit": f.unit, "inside": f.inside}
        for f in found.figures
    }  # fmt: skip
    assert plain["causes"] == [
        {"key": c.key, "title": c.title, "belief": c.belief, "own_belief": c.own,
         "alike": list(c.alike), "factor": None if math.isnan(c.found.factor) else c.found.factor,
         "evidence": c.evidence, "advice": c.advice}
        for c in found.causes
    ]  # fmt: skip
    assert len(plain) == 17
    table = found._repr_html_()
    for text in ("cause", "belief", found.verdict, found.causes[0].title, *found.scope):
        assert text in table
    assert found_circuit(found, 0).r_load_left == pytest.approx(0.6 * 2200, rel=0.03)


def test_exchanged_collectors_are_put_right(few):
    board = Board(MIXER, (("r_load_left", math.log(0.6)),))
    seen = capture(board)
    given = replace(seen, v_left=seen.v_right, v_right=seen.v_left, v_out=-seen.v_out)
    found = compare_capture(given, MIXER, AT)
    assert found.setup.exchanged == ("outputs",)
    assert found.causes[0].found.suspect.key == "factor:r_load_left"
    np.testing.assert_array_equal(found.measured, seen.v_out)
    for name, measured, _ in found.outputs:
        np.testing.assert_array_equal(measured, getattr(seen, f"v_{name}"))
    # each cause is drawn over the capture as it is shown, whatever it says of the channels
    for k, cause in enumerate(found.causes):
        off = np.std(found.wave(k) - found.measured)
        assert off < 2.0 * math.hypot(*cause.found.outcome.left.values()) + found.noise, cause.key


def test_at_the_generator_an_input_at_rest_is_only_told(few):
    seen = capture(at="generator", v_lower=np.zeros(ROWS))
    found = compare_capture(seen, MIXER, "generator")
    assert found.probed == "generator"
    assert "The lower input is at rest, so the comparison rests on the other drive alone." in (
        found.warnings
    )


def test_a_channel_without_its_level_is_compared_without_it(few):
    seen = capture(factor={"v_left": 1.0})
    coupled = {n: getattr(seen, n) - getattr(seen, n).mean() for n in ("v_left", "v_right")}
    found = compare_capture(replace(seen, **coupled), MIXER, AT)
    assert found.setup.coupled == ("left", "right")
    for name, measured, predicted in found.outputs:
        assert np.mean(measured) == pytest.approx(0.0, abs=1e-12)
        assert np.max(np.abs(measured - predicted)) < 0.02, name


def test_waves_that_do_not_repeat_are_predicted_at_every_row(few, monkeypatch):
    """A call that falls from 60 kHz is solved as it stands, the whole of it for the drawing."""
    sound = Suspect("healthy", MIXER)
    monkeypatch.setattr(hypotheses, "suspects", lambda circuit, at: (sound,))
    t = np.arange(ROWS) * (ROUNDS * PERIOD / ROWS)
    low = 0.015 * np.sin(2 * np.pi * (60e3 * t - 2e7 * t**2))
    upper = 0.05 * np.sin(2 * np.pi * 50e3 * t)
    still = {"v_left": np.full(ROWS, 10.7), "v_right": np.full(ROWS, 10.7)}
    noise = 1e-4 * np.random.default_rng(1).normal(size=(2, ROWS))
    still = {n: w + e for (n, w), e in zip(still.items(), noise)}
    seen = capture(v_upper=2.0 * upper, v_lower=low, **still)
    found = compare_capture(seen, MIXER, AT)
    assert not found.record.periodic and len(found.predicted) == ROWS
    factor = found.setup.factor("upper")
    passed = compare.run_path(
        compare.BuiltCell(MIXER), (seen.v_upper - seen.v_upper.mean()) / factor,
        seen.v_lower - seen.v_lower.mean(), t[1], at=AT, periodic=False,
    ).loads.v_out  # fmt: skip
    assert found.predicted == pytest.approx(passed, abs=1e-9, nan_ok=True)
    assert not found.used[0] and found.used[ROWS // 2]


def test_of_a_long_capture_the_middle_is_shown(few, monkeypatch):
    monkeypatch.setattr(compare, "MOST_SHOWN", 200)
    found = compare_capture(capture(), MIXER, AT)
    np.testing.assert_array_equal(found.time, capture().time[200:400])
    assert len(found.measured) == len(found.predicted) == len(found.fitted) == 200


def test_what_is_at_rest_or_frozen_is_said(few):
    still = {"v_lower": np.zeros(ROWS)}
    frozen = np.full(ROWS, 10.7)
    found = compare_capture(capture(**still, v_left=frozen), MIXER, AT)
    said = "\n".join(found.warnings)
    assert (
        "The lower input is at rest, so the comparison rests on the other drive alone. If it"
        in said
    )
    assert "The channel of the left collector has the same value in every row" in said


def test_a_place_that_there_is_not_is_refused():
    with pytest.raises(QuantityError, match="probed is 'here'; it must be one of"):
        compare_capture(capture(), MIXER, "here")


# ---------------------------------------------------------------- the board as found


def board_of(key, **moves):
    (suspect,) = (s for s in suspects(PLAN, "generator") if s.key == key)
    moved = {k: (0.5, 0.1) for k in suspect.wide}
    board = Board(suspect.circuit, tuple(moves.items()))
    outcome = Outcome(board, moved, {}, {}, {}, 0.0, 0.0, {})
    cause = SimpleNamespace(found=found_of(suspect, Setup(), outcome))
    return found_circuit(SimpleNamespace(circuit=PLAN, causes=(cause,)), 0)


PLAN = replace(MIXER, r_emitter_upper=20.0)
HALF = math.log(0.5)


@pytest.mark.parametrize(
    "key, moves, changed",
    [
        ("open:Q1.base", {}, {"faults": ("open:Q1.base",)}),
        # what moved within its tolerance is left as planned
        ("factor:r_load_left", {"r_load_left": HALF, "Q1": 0.1}, {"r_load_left": 1100.0}),
        ("factor:r_load", {"r_load_left": HALF, "r_load_right": HALF},
         {"r_load_left": 1100.0, "r_load_right": 1100.0}),
        ("area:Q3", {"Q3": HALF}, {"area": (1.0, 1.0, 0.5, 1.0, 1.0, 1.0, 1.0)}),
        # one of two emitter resistors at half its value: three quarters on the mean
        ("factor:r_emitter_q6", {"r_emitter_q6": HALF}, {"r_emitter_lower": 75.0}),
        ("factor:r_emitter_q2", {"r_emitter_q2": HALF}, {"r_emitter_upper": 17.5}),
        ("factor:r_emitter_lower", {"r_emitter_q5": HALF, "r_emitter_q6": HALF},
         {"r_emitter_lower": 50.0}),
        ("factor:c_load_left", {"c_left": HALF}, {"c_load": 0.5e-9}),
        ("factor:c_load_right", {"c_right": HALF}, {"c_load": 0.5e-9}),
        ("factor:c_coupling_upper", {"c_coupling_upper": HALF}, {"c_coupling_upper": 50e-9}),
        ("factor:c_coupling_lower", {"c_coupling_lower": HALF}, {"c_coupling_lower": 23.5e-9}),
        ("factor:v_supply", {"v_supply": math.log(0.75)}, {"v_supply": 9.0}),
        ("temperature", {"temperature": 20.0}, {"temperature": 318.15}),
        ("factor:r_load_right", {"r_load_right": math.log(0.123456)}, {"r_load_right": 271.6}),
    ],
)  # fmt: skip
def test_the_board_as_found_has_the_values_of_its_hypothesis(key, moves, changed):
    circuit = board_of(key, **moves)
    for name, value in changed.items():
        given = getattr(circuit, name)
        assert given == value if name == "faults" else given == pytest.approx(value, rel=1e-9), name
    assert replace(circuit, **{n: getattr(PLAN, n) for n in changed}) == PLAN
    assert found_circuit(SimpleNamespace(circuit=PLAN)) is PLAN


def test_a_tail_that_is_set_is_found_too():
    ideal = replace(MIXER, tail_kind="ideal", i_tail=1e-3)
    (suspect,) = (s for s in suspects(ideal, AT) if s.key == "factor:i_tail")
    moved = {"i_tail": (HALF, 0.1)}
    outcome = Outcome(Board(ideal, (("i_tail", HALF),)), moved, {}, {}, {}, 0.0, 0.0, {})
    cause = SimpleNamespace(found=found_of(suspect, Setup(), outcome))
    found = found_circuit(SimpleNamespace(circuit=ideal, causes=(cause,)), 0)
    assert found.i_tail == pytest.approx(0.5e-3)
