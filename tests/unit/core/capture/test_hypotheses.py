"""Hypotheses, how they are made, joined and believed, and a search among a few of them."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.capture import hypotheses, scope
from forktail.core.capture.boards import Board, Spread, predict
from forktail.core.capture.hypotheses import (
    AREA,
    CAPACITOR,
    GROUP,
    MISSING,
    PART,
    SINGLE,
    SUPPLY,
    TEMPERATURE,
    WIDE,
    Found,
    Searcher,
    Suspect,
    as_sound,
    found_of,
    ranked,
    suspects,
)
from forktail.core.capture.scope import Setup
from forktail.core.capture.trial import Outcome
from records import record

MIXER = shipped()["bat-call-mixer"][0]
AT = "base lines"


@pytest.fixture(scope="module")
def every():
    return {s.key: s for s in suspects(MIXER, AT)}


def outcome(log_evidence=0.0, **moved):
    board = Board(MIXER)
    return Outcome(board, moved, {}, {}, {}, 0.0, log_evidence, {})


# ---------------------------------------------------------------- one hypothesis


def test_every_single_hypothesis_with_its_odds(every):
    assert next(iter(every)) == "healthy" and every["healthy"] == Suspect("healthy", MIXER)
    odds = {
        "open:r_load_left": SINGLE, "swapped:levels": SINGLE, "reversed:Q7": SINGLE,
        "factor:r_load_left": PART, "factor:r_load": GROUP, "factor:r_emitter_lower": GROUP,
        "factor:c_load": CAPACITOR, "factor:c_load_left": CAPACITOR / 3, "area:Q1": AREA,
        "factor:beta_forward": AREA, "factor:v_supply": SUPPLY, "temperature": TEMPERATURE,
        "missing:r_emitter_lower": MISSING,
    }  # fmt: skip
    for key, share in odds.items():
        assert every[key].log_prior == pytest.approx(math.log(share)), key
    wide = {
        "factor:r_load_left": {"r_load_left": WIDE["part"]},
        "factor:r_load": {("r_load_left", "r_load_right"): WIDE["part"]},
        "factor:r_bias_upper": {("r_bias_upper_pos", "r_bias_upper_neg"): WIDE["part"]},
        "factor:c_load": {("c_left", "c_right"): WIDE["capacitor"]},
        "factor:c_load_right": {"c_right": WIDE["capacitor"]},
        "area:Q3": {"Q3": WIDE["area"]}, "temperature": {"temperature": WIDE["temperature"]},
        "factor:v_supply": {"v_supply": WIDE["supply"]}, "open:r_load_left": {},
        "factor:beta_forward": {"beta_forward": WIDE["part"]},
    }  # fmt: skip
    for key, moves in wide.items():
        assert every[key].wide == moves, key
    assert every["open:r_load_left"].circuit.faults == ("open:r_load_left",)
    bare = every["missing:r_emitter_lower"].circuit
    assert (bare.r_emitter_lower, bare.r_emitter_upper) == (0.0, MIXER.r_emitter_upper)


def test_what_does_not_show_or_is_not_there_is_no_hypothesis(every):
    gone = {"open:drive_upper", "open:c_coupling_upper", "factor:c_coupling_upper",
            "factor:i_tail", "factor:r_emitter_upper", "missing:r_emitter_upper"}  # fmt: skip
    assert not gone & set(every)
    more = {s.key for s in suspects(MIXER, "generator")}
    assert {"open:c_coupling_upper", "factor:c_coupling_upper", "factor:c_coupling_lower"} <= more
    stiff = replace(MIXER, tail_kind="ideal", i_tail=1e-3, r_emitter_upper=0.5, c_load=0.0)
    other = {s.key for s in suspects(stiff, AT)}
    assert {"factor:i_tail", "factor:r_emitter_upper", "missing:r_emitter_upper"} <= other
    assert "factor:c_load" not in other and "factor:c_load_left" not in other


def test_two_at_once_are_one_board(every):
    one, two = every["open:r_load_left"], every["factor:r_load_right"]
    pair = one.with_another(two)
    assert pair.key == "open:r_load_left and factor:r_load_right" and pair.both == (one, two)
    assert pair.circuit.faults == ("open:r_load_left",) and pair.wide == two.wide
    assert pair.log_prior == one.log_prior + two.log_prior
    three = every["missing:r_emitter_lower"]
    bare = every["short:Q1.base-emitter"].with_another(three)
    assert bare.circuit.r_emitter_lower == 0.0
    assert bare.circuit.faults == ("short:Q1.base-emitter",)
    assert three.with_another(every["area:Q1"]).circuit == three.circuit


@pytest.mark.parametrize(
    "one, other",
    [
        ("factor:r_load_left", "factor:r_load_left"),  # the same part
        ("temperature", "factor:r_load_left"),  # all transistors and a part: no pair of faults
        ("open:Q1.base", "short:Q1.base-emitter"),  # one transistor
        ("open:r_load_left", "factor:r_load_left"),  # a part that is not there any more
        ("missing:r_emitter_lower", "factor:r_emitter_q5"),
        ("open:r_load_left", "short:r_load_left"),
    ],
)
def test_two_that_shut_each_other_out_are_no_pair(one, other, every):
    pair = every[one].with_another(every[other])
    if one.startswith("open:r_load") and other.startswith("factor"):
        assert pair is None or pair.circuit.faults == ("open:r_load_left",)
    else:
        assert pair is None


def test_a_search_for_a_far_part_starts_within_twice_its_spread(every):
    starts = list(every["factor:r_load"].starts())
    assert {parts for parts, _ in starts} == {("r_load_left", "r_load_right")}
    assert [by for _, by in starts] == pytest.approx([-2.0, 2.0, -1.0, 1.0, -0.4, 0.4])
    assert [by for _, by in every["area:Q3"].starts()][:2] == pytest.approx([-1.4, 1.4])
    for key in ("temperature", "factor:v_supply", "open:r_load_left"):
        assert not list(every[key].starts())
    part = every["factor:r_load"]
    ((both, by), (_, again)) = part.start_at({("r_load_left", "r_load_right"): (0.4, 0.1)})
    assert (both, by, again) == ("r_load_left", 0.4, 0.4)
    ((_, far),) = every["area:Q3"].start_at({"Q3": (-9.0, 0.1)})
    assert far == pytest.approx(-1.4)


def test_what_is_found_says_how_far_it_is_off(every):
    setup = Setup(AT, log_prior=-1.0)
    found = found_of(every["factor:r_load_left"], setup, outcome(5.0, r_load_left=(-0.4, 0.02)))
    assert found.factor == pytest.approx(math.exp(-0.4)) and found.doubt == 0.02
    assert found.log_odds == pytest.approx(5.0 - 1.0 + math.log(PART))
    assert found.key == "factor:r_load_left:0.67" and found.parts == (found,)
    warm = found_of(every["temperature"], setup, outcome(temperature=(12.0, 3.0)))
    assert (warm.factor, warm.key) == (12.0, "temperature:12")
    open_ = found_of(every["open:r_load_left"], setup, outcome())
    assert open_.key == "open:r_load_left" and math.isnan(open_.factor)
    pair = every["open:r_load_left"].with_another(every["factor:r_load_right"])
    both = found_of(pair, setup, outcome(r_load_right=(0.7, 0.1)), 0.3)
    assert both.key == "open:r_load_left and factor:r_load_right:2.01"
    assert [p.belief for p in both.parts] == [0.3, 0.3]


def test_a_part_within_three_tolerances_speaks_for_the_healthy_board(every):
    spread, setup = Spread(), Setup(AT)
    sigma = spread.of(MIXER, "r_load_left")
    for by, key in ((2.9, "healthy"), (-2.9, "healthy"), (3.1, "factor:r_load_left")):
        moved = outcome(r_load_left=(by * sigma, 0.01))
        found = as_sound(found_of(every["factor:r_load_left"], setup, moved), MIXER, spread)
        assert found.suspect.key == key
        assert math.isnan(found.factor) is (key == "healthy")
    key = ("r_load_left", "r_load_right")
    near = Outcome(Board(MIXER), {key: (2.9 * sigma, 0.1)}, {}, {}, {}, 0.0, 0.0, {})
    assert as_sound(found_of(every["factor:r_load"], setup, near), MIXER, spread).key == "healthy"
    pair = every["open:r_load_left"].with_another(every["factor:r_load_right"])
    both = found_of(pair, setup, outcome(r_load_right=(0.0, 0.1)))
    assert as_sound(both, MIXER, spread) is both


def test_beliefs_are_shares_of_the_odds(every):
    """Of one key all setups count together; what is none of them counts as one more."""

    def found(key, share):
        return Found(every[key], Setup(AT), outcome(), math.log(share))

    given = [found("healthy", 2.0), found("area:Q1", 3.0), found("healthy", 4.0)]
    search = ranked(given, math.log(1.0), 120, 32)
    assert [f.suspect.key for f in search.found] == ["healthy", "area:Q1"]
    assert [f.belief for f in search.found] == pytest.approx([0.6, 0.3])
    assert search.other == pytest.approx(0.1) and (search.tried, search.samples) == (120, 32)
    assert search.found[0].log_odds == math.log(4.0)
    far = ranked([found("healthy", 1e-300)], 2000.0, 1, 1)  # no number overflows
    assert far.other == 1.0 and far.found[0].belief == 0.0
    assert ranked([], 0.0, 1, 1).other == 1.0


# ---------------------------------------------------------------- a search among a few


def seen_of(board, at=AT, noise=1e-3, **more):
    return record(32, predict(board, record(), at).values, noise, **more)


def searched(seen, at=AT, **more):
    told = []
    search = Searcher(seen, MIXER, Spread(), at, lambda *step: told.append(step)).run(**more)
    return search, told


def test_a_healthy_board_is_found_healthy(few):
    search, told = searched(seen_of(Board(MIXER)))
    first = search.found[0]
    assert first.key == "healthy" and first.belief > 0.9 and search.other < 0.01
    assert sum(f.belief for f in search.found) + search.other == pytest.approx(1.0)
    assert [f.belief for f in search.found] == sorted(f.belief for f in search.found)[::-1]
    assert first.setup == Setup(AT) and search.samples == 32
    # two setups of the inputs at two places, and two faults; nothing suggests a pair
    assert search.tried == 2 * 2 + 2
    shares = [share for share, _ in told]
    assert shares == sorted(shares) and 0.0 < shares[0] and shares[-1] < 1.0
    assert [t for _, t in told][0] == "the scope" and "two faults at once" not in dict(
        told
    ).values()


def test_a_part_far_off_is_found(few):
    search, _ = searched(seen_of(Board(MIXER, (("r_load_left", math.log(0.15)),))))
    first = search.found[0]
    assert first.suspect.key == "factor:r_load_left" and first.belief > 0.8
    assert first.factor == pytest.approx(0.15, rel=0.03) and search.other < 0.1


def test_a_mistake_of_the_scope_is_no_fault(few):
    plain = seen_of(Board(MIXER))
    ten = replace(plain, inputs=plain.inputs | {"upper": 10.0 * plain.inputs["upper"]})
    search, _ = searched(ten)
    assert search.found[0].key == "healthy"
    assert search.found[0].setup.shown == (("upper", 10.0),)


def test_exchanged_inputs_are_seen_before_any_fault_is_tried():
    plain = seen_of(Board(MIXER))
    given = {s: plain.inputs[o] for s, o in (("upper", "lower"), ("lower", "upper"))}
    looks = Searcher(replace(plain, inputs=given), MIXER, Spread(), AT).look()
    best = max(looks, key=lambda x: x.rough_odds())
    assert best.setup == Setup(AT, exchanged=("inputs",), log_prior=scope.ODDS)
    assert best.outcome.chi2 < best.fair.values.size
    # one solution serves all setups of equal inputs: ten of them at each of two places
    assert len({x.inputs for x in looks}) == 20 and len(looks) == 40
    far = [x for x in looks if x.rough is not None and x.outcome is None]
    assert far and all(x.rough.chi2 >= 40.0 * x.loose.values.size for x in far)


def test_the_place_that_was_not_named_is_believed_a_hundredth(few):
    seen = seen_of(Board(MIXER), "generator")
    looks = [
        max(Searcher(seen, MIXER, Spread(), at).look(), key=lambda x: x.rough_odds())
        for at in (None, AT)
    ]
    assert [x.setup.at for x in looks] == ["generator", "generator"]
    plain, said = (x.setup.log_prior for x in looks)
    assert (plain, said) == (0.0, math.log(0.01))
    still = replace(
        record(1, {"left": np.array([10.706]), "right": np.array([10.706])}),
        inputs={"upper": np.zeros(1), "lower": np.zeros(1)}, off=("upper", "lower"),
    )  # fmt: skip
    assert {x.setup.at for x in Searcher(still, MIXER, Spread()).look()} == {AT}


def test_two_faults_at_once_are_tried_where_no_single_one_will_do(few, every):
    broken = every["open:Q1.base"].with_another(every["factor:r_load_left"])
    board = Board(broken.circuit, (("r_load_left", math.log(0.5)),))
    search, told = searched(seen_of(board))
    first = search.found[0]
    assert set(first.suspect.key.split(" and ")) == {"open:Q1.base", "factor:r_load_left"}
    assert first.factor == pytest.approx(0.5, rel=0.05)
    assert "two faults at once" in [t for _, t in told]


def test_what_nothing_explains_is_something_else(few):
    odd = record(outputs={"left": np.full(32, 3.0), "right": np.full(32, 11.2)})
    search, _ = searched(odd)
    assert search.other > 0.9


def test_inputs_that_no_generator_gives_are_not_solved(few):
    far = record()
    far = replace(far, inputs={s: 1e4 * w for s, w in far.inputs.items()})
    search, _ = searched(far)
    assert search.found == () and search.other == 1.0 and search.samples == 32
    # a swing of four times the supply is the most that is tried
    assert scope.FACTORS == (10.0, 0.1) and hypotheses.TOO_FAR == 4.0
