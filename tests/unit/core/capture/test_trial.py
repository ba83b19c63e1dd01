"""The fit of one board to one record, against the same model written out as a normal law."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from forktail.circuits import shipped
from forktail.core.capture import scope
from forktail.core.capture.boards import Board, Spread, movable, predict
from forktail.core.capture.scope import Setup
from forktail.core.capture.trial import MODEL, Trial
from records import record

MIXER = shipped()["bat-call-mixer"][0]
AT = "base lines"
M = 32
NAMES = movable(MIXER, AT)
SPREAD = Spread()


@pytest.fixture(scope="module")
def plan():
    return predict(Board(MIXER), record(M), AT, NAMES)


def shown(board, noise=1e-4, **more):
    """A record of what a board gives, without errors of a scope."""
    return record(M, predict(board, record(M), AT).values, noise, **more)


def trial_of(seen, setup=None, **more):
    return Trial(seen, setup or Setup(AT), MIXER, SPREAD, **more)


def covariance(trial, prediction, names=NAMES):
    """Of all values: noise, what the solution may be off by, the scope, the tolerances."""
    whole = np.diag(trial.sigma**2)
    for k, (name, doubt) in enumerate(zip(trial.outputs, trial.doubts(prediction))):
        wave = trial.record.outputs[name]
        lines = np.abs(np.fft.rfft(wave - wave.mean()))
        strong = 1 + np.argsort(-lines[1:])[:12]
        noise = math.sqrt(float(np.sum(trial.sigma[k * M : (k + 1) * M] ** 2)))
        strong = strong[lines[strong] > 3.5 * noise]
        turn = 2 * np.pi * np.outer(np.arange(M), strong) / M
        ways = np.hstack([np.cos(turn), np.sin(turn)]) * doubt / math.sqrt(len(strong))
        own = slice(k * M, (k + 1) * M)
        whole[own, own] += ways @ ways.T
    for _, column, sigma in trial.scope_columns(prediction):
        whole += np.outer(column, column) * sigma**2
    for name in names:
        own = prediction.columns[name]
        column = trial.stack(own, own) * SPREAD.of(MIXER, name)
        whole += np.outer(column, column)
    return whole


def evidence(trial, prediction):
    """Up to the same constant: the density of the values, over that of noise alone at nought."""
    left = trial.values - trial.seen(prediction)
    law = multivariate_normal(np.zeros(left.size), covariance(trial, prediction))
    return law.logpdf(left) + np.sum(np.log(trial.sigma)) + 0.5 * left.size * math.log(2 * math.pi)


@pytest.mark.parametrize("moves", [(), (("r_load_left", 0.01), ("Q1", 0.05))])
def test_a_first_look_is_the_density_of_the_values(plan, moves):
    trial = trial_of(shown(Board(MIXER, moves)))
    trial.first_look(plan, NAMES)
    wanted = evidence(trial, plan)
    assert trial.glance(plan) == pytest.approx(wanted, rel=1e-6, abs=1e-3)
    fitted = trial.fit(Board(MIXER), NAMES, prediction=plan)
    # the fit lets the scope act on the board with its tolerances, which is little here
    assert fitted.log_evidence == pytest.approx(wanted, abs=1.0)


def test_doubts_are_shares_of_the_movement_and_those_of_the_solution(plan):
    seen = shown(Board(MIXER))
    size = {n: w.std() for n, w in seen.outputs.items()}
    assert trial_of(seen).doubts(plan) == pytest.approx([MODEL * s for s in size.values()])
    loose = trial_of(seen).allowing(0.04)
    assert loose.doubts(plan) == pytest.approx([0.04 * s for s in size.values()])
    unsure = replace(plan, doubt={"left": 0.3, "right": 0.4})
    assert loose.doubts(unsure)[1] == pytest.approx(math.hypot(0.04 * size["right"], 0.4))
    out = {"out": plan.values["right"] - plan.values["left"]}
    (one,) = trial_of(record(M, out)).doubts(unsure)
    assert one == pytest.approx(math.hypot(MODEL * out["out"].std(), 0.5))


def test_columns_of_the_scope(plan):
    """Gain and offset of each channel, delay of the second against the first, and the inputs."""
    trial = trial_of(shown(Board(MIXER)), level=0.2)
    found = {k: (c, s) for k, c, s in trial.scope_columns(replace(plan, level_doubt=0.1))}
    assert list(found) == [
        "gain_left", "offset_left", "gain_right", "offset_right", "skew_right",
        "input_gain_upper", "skew_upper", "input_gain_lower", "skew_lower",
    ]  # fmt: skip
    left, right = plan.values["left"], plan.values["right"]
    nought = np.zeros(M)
    np.testing.assert_array_equal(found["gain_left"][0], [*left, *nought])
    np.testing.assert_array_equal(found["offset_right"][0], [*nought, *np.ones(M)])
    slope = np.gradient(right, trial.record.step)
    np.testing.assert_allclose(found["skew_right"][0], [*nought, *-slope])
    assert found["gain_left"][1] == found["input_gain_upper"][1] == scope.GAIN
    assert found["skew_right"][1] == found["skew_lower"][1] == scope.SKEW
    offset = scope.offset_of(trial.record, "left", left.mean())
    assert found["offset_left"][1] == pytest.approx(math.hypot(offset, 0.1, 0.2))
    coupled = trial_of(shown(Board(MIXER)), Setup(AT, coupled=("left",)))
    found = {k: (c, s) for k, c, s in coupled.scope_columns(plan)}
    np.testing.assert_allclose(found["gain_left"][0][:M], left - left.mean())
    assert found["offset_left"][1] == MIXER.v_supply


def test_a_base_line_that_an_input_shows_is_held_against_its_level(plan):
    seen = shown(Board(MIXER), means={"upper": 5.6, "lower": 0.47})
    ((node, level, doubt),) = trial_of(seen).levels
    assert (node, level) == ("base_upper_pos", 5.6) and doubt == pytest.approx(0.02 + 0.012 * 5.6)
    assert trial_of(seen).seen(plan)[-1] == plan.rest["base_upper_pos"]
    assert trial_of(seen).values[-1] == 5.6 and trial_of(seen).sigma[-1] == doubt
    assert trial_of(seen, Setup("generator")).levels == []
    turned = Trial(seen, Setup(AT), replace(MIXER, upper_mode="balanced"), SPREAD)
    assert turned.levels == []
    both = shown(Board(MIXER), means={"upper": math.nan, "lower": -3.0})
    assert [x[0] for x in trial_of(both).levels] == ["base_lower_pos"]


@pytest.mark.parametrize("moves", [(("r_load_left", -0.4),), (("r_load_left", 0.9),)])
def test_a_part_far_off_is_found(moves):
    """The load at 0.67 of its value and at 2.5 times: within what the gain of a channel leaves."""
    trial = trial_of(shown(Board(MIXER, moves)))
    found = trial.fit(Board(MIXER), NAMES, {"r_load_left": 1.0})
    polished = trial.polish(found, NAMES, {"r_load_left": 1.0})
    by, doubt = polished.moved["r_load_left"]
    assert by == pytest.approx(moves[0][1], abs=0.03) and 1e-3 < doubt < 0.03
    assert polished.log_evidence >= found.log_evidence
    assert max(polished.left.values()) < 0.02
    assert polished.chi2 < 4.0 and set(polished.scope) >= {"gain_left", "skew_upper"}
    sound = trial.fit(Board(MIXER), NAMES)
    assert sound.log_evidence < polished.log_evidence - 20.0


def test_two_loads_that_move_as_one_have_one_number():
    both = ("r_load_left", "r_load_right")
    trial = trial_of(shown(Board(MIXER, tuple((n, 0.4) for n in both))))
    found = trial.fit(Board(MIXER), NAMES, {both: 1.0})
    assert found.moved[both][0] == pytest.approx(0.4, abs=0.03)
    assert {n for n, _ in found.board.moves} == set(both)
    assert len({by for _, by in found.board.moves}) == 1
    assert "r_load_left" not in found.moved


def test_tolerances_are_told_with_how_sure_they_are():
    trial = trial_of(shown(Board(MIXER, (("Q1", 0.08),)), noise=1e-5))
    found = trial.fit(Board(MIXER), NAMES)
    by, doubt = found.moved["Q1"]
    assert doubt < SPREAD.of(MIXER, "Q1")  # one pair against the other: seen in Q1 to Q4
    told = sum(s * found.moved[q][0] for q, s in (("Q1", 1), ("Q2", -1), ("Q3", -1), ("Q4", 1)))
    assert abs(by) > doubt / 10 and told > 0.02


def test_noise_is_no_error_of_a_solution(plan):
    """A trace that does not move: its strongest lines are noise, and no doubt explains them."""
    rng = np.random.default_rng(1)
    still = {n: 10.7 + rng.normal(0.0, 1e-3, M) for n in ("left", "right")}
    flat = replace(plan, values={n: np.full(M, 10.7) for n in still})
    trial = trial_of(record(M, still, 1e-3))
    doubtful = replace(flat, doubt={"left": 0.01, "right": 0.01})
    sure, loose = (trial.fit(Board(MIXER), NAMES, prediction=p) for p in (flat, doubtful))
    assert loose.chi2 == pytest.approx(sure.chi2, rel=0.02)


def test_a_doubt_that_is_not_needed_costs_little(plan):
    """What a faulty board may be off by is an upper figure: where it is right, it is believed."""
    trial = trial_of(shown(Board(MIXER)))
    sure, doubtful = (
        trial.fit(Board(MIXER), NAMES, prediction=replace(plan, doubt={"left": d, "right": d}))
        for d in (0.0, 3e-3)
    )
    whole = trial.cost(trial.doubts(replace(plan, doubt={"left": 3e-3, "right": 3e-3})))
    lost = sure.log_evidence - doubtful.log_evidence
    assert 0.0 < lost < 0.5 * (trial.cost(trial.doubts(plan)) - whole)


def test_samples_without_an_answer_cost_as_three_standard_deviations(plan):
    trial = trial_of(shown(Board(MIXER)))
    whole = trial.fit(Board(MIXER), NAMES, prediction=plan)
    values = {n: np.where(np.arange(M) < 2, np.nan, w) for n, w in plan.values.items()}
    gap = trial.fit(Board(MIXER), NAMES, prediction=replace(plan, values=values))
    # of the right channel one more, whose slope is not known
    assert gap.chi2 - whole.chi2 == pytest.approx(9.0 * 5, abs=1.0)
    assert whole.log_evidence - gap.log_evidence == pytest.approx(4.5 * 5, abs=4.0)
    assert np.isnan(gap.values["left"][:2]).all() and np.isfinite(gap.values["left"][2:]).all()
    trial.first_look(plan, NAMES)
    lost = trial.glance(plan) - trial.glance(replace(plan, values=values))
    assert lost == pytest.approx(4.5 * 4, abs=8.0)
    values = {n: np.where(np.arange(M) < 0.8 * M, np.nan, w) for n, w in plan.values.items()}
    none = replace(plan, values=values)
    assert trial.glance(none) == -math.inf
    assert trial.fit(Board(MIXER), NAMES, prediction=none) is None


def test_a_period_needs_three_tenths_of_its_answers_and_a_stretch_six(plan):
    seen = shown(Board(MIXER))
    for periodic, least in ((True, 0.3), (False, 0.6)):
        trial = trial_of(replace(seen, periodic=periodic))
        for ok, there in ((least + 0.01, True), (least - 0.01, False)):
            found = trial.fit(Board(MIXER), NAMES, prediction=replace(plan, ok=ok))
            assert (found is not None) is there


def test_a_collector_that_rests_far_from_its_mean_rules_a_board_out():
    seen = shown(Board(MIXER))
    trial, broken = trial_of(seen), replace(MIXER, faults=("open:r_load_left",))
    assert trial.can_be(Board(MIXER)) and not trial.can_be(Board(broken))
    coupled = trial_of(seen, Setup(AT, coupled=("left", "right")))
    assert coupled.can_be(Board(broken))
    # 7 % of the supply and 0.6 of the swing are allowed
    room = 0.07 * 12 + 0.6 * np.ptp(seen.outputs["left"])
    for more, there in ((0.98, True), (1.02, False)):
        outputs = {**seen.outputs, "left": seen.outputs["left"] + more * room}
        off = outputs["left"].mean() - predict(Board(MIXER), seen, AT).values["left"].mean()
        assert off == pytest.approx(more * room)
        moved = trial_of(replace(seen, outputs=outputs)).can_be(Board(MIXER))
        assert moved is there


def test_what_is_cut_off_does_not_count(plan):
    seen = shown(Board(MIXER))
    sigma = {n: np.where(np.arange(M) < 5, math.inf, s) for n, s in seen.sigma.items()}
    outputs = {n: np.where(np.arange(M) < 5, 99.0, w) for n, w in seen.outputs.items()}
    trial = trial_of(replace(seen, sigma=sigma, outputs=outputs))
    found = trial.fit(Board(MIXER), NAMES, prediction=plan)
    assert found.chi2 < 1.0 and max(found.left.values()) < 1e-3
    assert trial.can_be(Board(MIXER))
