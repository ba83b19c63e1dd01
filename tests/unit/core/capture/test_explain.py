"""What is said of a search: titles, advice, verdict, what tells apart, the scope."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.capture import explain
from forktail.core.capture.boards import Board, Spread
from forktail.core.capture.explain import (
    causes_of,
    in_a_sentence,
    percent,
    scope_lines,
    telling,
    title_of,
    verdict_of,
)
from forktail.core.capture.hypotheses import Search, Suspect, found_of, suspects
from forktail.core.capture.scope import Setup
from forktail.core.capture.trial import Outcome
from records import record

MIXER = replace(shipped()["bat-call-mixer"][0], r_emitter_upper=10.0)
EVERY = {s.key: s for s in suspects(MIXER, "generator")}
SPREAD = Spread()


def found(key, by=0.5, log_evidence=0.0, belief=0.0, **more):
    suspect = EVERY[key]
    moved = {k: (20.0 if k == "temperature" else by, 0.1) for k in suspect.wide}
    given = {"values": {}, "plain": {}, "scope": {}, "left": {}} | more
    board = Board(suspect.circuit, tuple((k, by) for k in suspect.wide if isinstance(k, str)))
    outcome = Outcome(
        board, moved | given.pop("moved", {}), given["scope"], given["values"], given["plain"],
        0.0, log_evidence, given["left"],
    )  # fmt: skip
    return found_of(suspect, Setup(), outcome, belief)


def search_of(*all_found, other=0.0):
    return Search(tuple(all_found), other, 10, 32)


def causes(*all_found, other=0.0, said=lambda one, healthy: ""):
    return causes_of(MIXER, search_of(*all_found, other=other), SPREAD, said)


# e^0.5 = 1.65 times the values of the shipped mixer
@pytest.mark.parametrize(
    "key, title, advice",
    [
        ("open:Q1.base", "Q1 base open", "check the joints of Q1 and measure their continuity."),
        ("short:r_load_left", "R8 shorted", "look for solder bridges and measure across R8."),
        ("reversed:Q1", "Q1 reversed", "Compare the pins of Q1 with its data sheet."),
        ("swapped:pair_left", "Bases of Q1 and Q2 swapped", "Trace the wires of these bases"),
        ("factor:r_load_right", "R9 about 3.6 k\u03a9 instead of 2.2 k\u03a9",
         "With the supply off, read the marking of R9 and measure across it."),
        ("factor:r_load", "R8 and R9 about 3.6 k\u03a9 instead of 2.2 k\u03a9",
         "the marking of R8 and R9 and measure across each."),
        ("factor:r_emitter_q5", "R19 about 160 \u03a9 instead of 100 \u03a9", "marking of R19"),
        ("factor:r_emitter_q4", "R18 about 16 \u03a9 instead of 10 \u03a9", "marking of R18"),
        ("factor:r_emitter_lower", "R19 and R20 about 160 \u03a9 instead of 100 \u03a9", "R19 and"),
        ("factor:r_bias_upper", "R4 and R5 about 3.6 k\u03a9 instead of 2.2 k\u03a9", "R4 and R5"),
        ("factor:r_bias_lower", "R6 and R7 about 3.6 k\u03a9 instead of 2.2 k\u03a9", "R6 and R7"),
        ("factor:r_emitter_upper",
         "R15 and R16 and R17 and R18 about 16 \u03a9 instead of 10 \u03a9", "R15 and"),
        ("factor:c_load", "C7 and C8 about 1.6 nF instead of 1.0 nF", "a probe set to x1 adds"),
        ("factor:c_load_left", "C7 about 1.6 nF instead of 1.0 nF", "Read the marking of C7;"),
        ("factor:c_load_right", "C8 about 1.6 nF instead of 1.0 nF", "Read the marking of C8;"),
        ("factor:c_coupling_upper", "C3 about 160 nF instead of 100 nF", "Read the marking of C3"),
        ("factor:c_coupling_lower", "C5 about 77 nF instead of 47 nF", "Read the marking of C5;"),
        # kT/q ln 1.65 = 12.8 mV (kT/q at 25 degrees Celsius)
        ("area:Q3", "Q3 off by 12.8 mV of base-emitter voltage (area 1.6 times)", "one at a time"),
        ("factor:beta_forward", "Current gain 1.6 times what was assumed", "one at a time"),
        ("factor:v_supply", "Supply at 19.8 V instead of 12 V", "Read the supply at the board"),
        ("temperature", "Transistors at 45.0 \u00b0C instead of 25.0 \u00b0C", "parts may be hot"),
        ("missing:r_emitter_lower", "All lower emitter resistors missing or bridged",
         "Look for links or solder across the emitter resistors."),
    ],
)  # fmt: skip
def test_titles_and_advice(key, title, advice):
    (cause,) = causes(found(key, belief=1.0))
    assert cause.title == title and advice in cause.advice


def test_a_tail_that_is_set_is_called_by_its_name():
    ideal = replace(MIXER, tail_kind="ideal", i_tail=1e-3)
    (tail,) = (s for s in suspects(ideal, "generator") if s.key == "factor:i_tail")
    one = found_of(
        tail, Setup(), Outcome(Board(ideal), {"i_tail": (0.5, 0.1)}, *[{}] * 3, 0, 0, {})
    )
    assert title_of(ideal, one) == "Tail current 1.6 times what was planned"
    odd = found_of(
        Suspect("factor:r_load_left", replace(MIXER), {"r_load_left": 1.0}), Setup(),
        Outcome(Board(MIXER), {"r_load_left": (0.0, 0.1)}, {}, {}, {}, 0.0, 0.0, {}),
    )  # fmt: skip
    value = title_of(replace(MIXER, r_load_left=2215.0), odd)
    assert value.endswith("instead of 2.21 k\u03a9") or value.endswith("instead of 2.22 k\u03a9")


def test_two_faults_are_said_one_after_the_other():
    pair = EVERY["open:Q1.base"].with_another(EVERY["factor:r_load_left"])
    both = found_of(
        pair, Setup(), Outcome(Board(MIXER), {"r_load_left": (0.5, 0.1)}, {}, {}, {}, 0, 0, {}), 1.0
    )
    assert title_of(MIXER, both) == "Q1 base open, and R8 about 3.6 k\u03a9 instead of 2.2 k\u03a9"
    (cause,) = causes(both)
    assert "joints of Q1" in cause.advice and "marking of R8" in cause.advice


def test_a_title_amid_a_sentence():
    assert in_a_sentence("R8 open") == "R8 open" and in_a_sentence("Q1 base open")[0] == "Q"
    assert in_a_sentence("Current gain 2 times") == "current gain 2 times"
    assert in_a_sentence("Supply at 5 V") == "supply at 5 V"
    assert in_a_sentence("Capacitor") == "capacitor" and in_a_sentence("C3 about") == "C3 about"


def test_a_belief_in_words_claims_no_more_than_it_knows():
    said = {0.0: "under 1 %", 0.009: "under 1 %", 0.01: "1 %", 0.5: "50 %", 0.99: "99 %",
            0.991: "over 99 %", 1.0: "over 99 %"}  # fmt: skip
    assert {x: percent(x) for x in said} == said


# ---------------------------------------------------------------- causes and verdict


def test_causes_that_the_evidence_does_not_tell_apart_are_one():
    def some(key, evidence, belief):
        return found(key, log_evidence=evidence, belief=belief)

    given = (
        some("open:Q1.base", 10.0, 0.5), some("open:Q2.base", 7.1, 0.1),
        some("area:Q1", 6.9, 0.2), some("healthy", 5.0, 0.1), some("area:Q2", 12.0, 0.05),
        some("area:Q3", -9.0, 0.004),
    )  # fmt: skip
    told = causes(*given, other=0.046, said=lambda one, healthy: healthy.key)
    first, second = told
    assert [k[:7] for k in first.alike] == ["open:Q2", "area:Q2"]  # within 3 of 10
    assert first.belief == pytest.approx(0.65) and first.own == 0.5
    assert first.titles[:2] == ("Q1 base open", "Q2 base open") and first.share == "65 %"
    assert second.belief == 0.2 and second.alike == ()
    assert {c.evidence for c in told} == {"healthy"}
    # one that is hardly believed is told only where there is nothing else
    low = some("area:Q3", -9.0, 0.004)
    assert len(causes(low, other=0.996)) == 1
    sound = some("healthy", 5.0, 0.9)
    assert causes(sound, low) == ()
    many = [some(k, 10.0 * n, 0.01) for n, k in enumerate(list(EVERY)[1:12])]
    assert len(causes(*many)) == 8
    none = some("area:Q3", 10.0, 1e-9)
    assert causes(none, other=1.0) == ()


def test_a_cause_is_named_where_it_is_three_times_as_likely():
    def verdict(healthy, faulty, other, **more):
        sound, odd = found("healthy", belief=healthy), found("open:Q1.base", belief=faulty)
        search = search_of(*sorted((sound, odd), key=lambda f: -f.belief), other=other)
        return verdict_of(search, causes(*search.found), **more)

    assert verdict(0.6, 0.3, 0.1) == (True, 0.6, (
        "As predicted: the board is within the bands of its tolerances and of the scope "
        "(belief 60 %)."
    ))  # fmt: skip
    assert "of the meter (" in verdict(0.6, 0.3, 0.1, instrument="meter")[2]
    assert verdict(0.2, 0.62, 0.1) == (
        False, 0.62, "Not as predicted. Likeliest cause: Q1 base open (belief 62 %).",
    )  # fmt: skip
    assert verdict(0.3, 0.6, 0.1) == (True, 0.3, (
        "As predicted: the board is within the bands of its tolerances and of the scope "
        "(belief 30 %). A fault could hide within them: Q1 base open (belief 60 %)."
    ))  # fmt: skip
    assert verdict(0.3, 0.3, 0.4) == (False, 0.4, (
        "Not as predicted, and none of the causes tried explains it (belief 40 % that it is "
        "something else)."
    ))  # fmt: skip
    assert verdict(0.4, 0.2, 0.4)[0] is True and verdict(0.4, 0.4, 0.2)[0] is True
    two = search_of(found("open:Q1.base", belief=0.5), found("open:Q2.base", belief=0.4))
    said = verdict_of(two, causes(*two.found))
    assert said[2].endswith("Q1 base open, or Q2 base open (belief 90 %).")
    three = search_of(*(found(f"open:Q{k}.base", belief=0.3) for k in (1, 2, 3)))
    said = verdict_of(three, causes(*three.found))
    assert said[2].endswith("Q1 base open, or one of 2 that look alike (belief 90 %).")
    assert verdict_of(search_of(other=0.0), ())[0] is True


def evidence(one, healthy=None):
    given = [one] if healthy is None else [one, healthy]
    return causes_of(MIXER, search_of(*given), SPREAD)[0].evidence


def test_the_evidence_is_what_is_left_with_it():
    wave = np.zeros(4)
    left = {"left": 0.02, "right": 0.05}
    one = found("open:Q1.base", belief=0.9, values={"left": wave, "right": wave}, left=left)
    text = "With it 50.0 mV rms of the right collector remains unexplained"
    assert evidence(one) == (
        f"{text}; a board with every part within its tolerance cannot show this."
    )

    def sound(right, **moved):
        return found("healthy", belief=0.01, left={"left": 1.0, "right": right}, moved=moved)

    near = {"Q1": (0.01, 0.1)}
    assert evidence(one, sound(0.08, **near)) == (
        f"{text}; with every part within its tolerance 80.0 mV would be."
    )
    assert evidence(one, sound(0.07, **near)) == (
        f"{text}, no less than with every part within its tolerance."
    )
    far = {"Q1": (0.01, 0.1), "v_supply": (-4 * SPREAD.of(MIXER, "v_supply"), 0.1)}
    assert evidence(one, sound(0.05, **far)) == (
        f"{text}; a healthy board would need the supply 4 standard deviations off."
    )
    some = {"Q1": (1.6 * SPREAD.of(MIXER, "Q1"), 0.1)}
    assert evidence(one, sound(0.05, **some)).endswith("need Q1 2 standard deviations off.")
    load = {"r_load_left": (3.2 * SPREAD.of(MIXER, "r_load_left"), 0.1)}
    assert evidence(one, sound(0.05, **load)).endswith("need R8 3 standard deviations off.")
    lost = replace(one, outcome=replace(one.outcome, left={"left": 0.03, "right": math.nan}))
    assert evidence(lost).startswith("With it 30.0 mV rms of the left collector")
    rest = {"left": np.array([11.0]), "right": np.array([10.0])}
    still = found("open:Q1.base", belief=0.9, values=rest, plain=rest)
    assert evidence(still) == (
        "With it the mean of the left collector is 11.0 V and the mean of the right collector is "
        "10.0 V."
    )


# ---------------------------------------------------------------- what tells them apart


def two(one, other, share=0.4):
    return causes(found(one, belief=0.5), found(other, belief=share))[0]


def test_the_node_that_tells_two_apart_is_named_with_both_readings():
    seen = record()
    alone = causes(found("open:r_load_left", belief=1.0))
    assert telling(MIXER, alone[0], seen, "base lines", SPREAD) == ""
    said = telling(
        MIXER, two("open:r_string_middle", "open:r_string_bottom"), seen, "base lines", SPREAD
    )
    assert said.startswith("This capture cannot tell them apart. With both drives off, read the ")
    assert " speaks for R2 open, " in said and said.endswith(" for R3 open.")


def test_one_drive_alone_or_the_parts_themselves_tell_what_no_node_tells():
    seen = record()
    swapped = two("swapped:pair_left", "swapped:pair_right")
    said = telling(MIXER, swapped, seen, "base lines", SPREAD)
    # exchanged bases do not show at rest, and either one inverts half of the output
    assert said == (
        "This capture cannot tell them apart, and neither does a test point or one drive alone: "
        "with the supply off, measure the parts themselves."
    )
    sound = replace(swapped, others=((found("healthy", belief=0.4), "Board as predicted"),))
    said = telling(MIXER, sound, seen, "base lines", SPREAD)
    assert said.startswith(
        "This capture cannot tell them apart. Switch the lower drive off and look at the output: "
    )
    assert " peak to peak speaks for bases of Q1 and Q2 swapped, " in said
    assert said.endswith(" for board as predicted.")
    one = replace(seen, off=("lower",))
    assert telling(MIXER, sound, one, "base lines", SPREAD).endswith("the parts themselves.")


# ---------------------------------------------------------------- the scope


def lines(setup=None, scope=None, named="base lines", cut=None):
    outcome = None if scope is None else Outcome(Board(MIXER), {}, scope, {}, {}, 0.0, 0.0, {})
    return scope_lines(setup or Setup(), outcome, record(cut=cut or {}), named)


def test_what_the_scope_does_is_said_a_line_each():
    assert lines() == () and lines(Setup("generator"), named="generator") == ()
    assert lines(Setup("generator"), named="base lines") == (
        "The amplitudes do not fit inputs probed at the base lines; they fit the generator.",
    )
    assert lines(Setup(shown=(("upper", -10.0), ("left", 0.1), ("out", -1.0)))) == (
        "The channel of the upper input is inverted, or its wires are swapped.",
        "The channel of the upper input reads 10 times too high: compare the switch of the probe "
        "with the setting of the channel.",
        "The channel of the left collector reads 10 times too low: compare the switch of the "
        "probe with the setting of the channel.",
        "The channel of the output is inverted, or its wires are swapped.",
    )
    assert lines(Setup(exchanged=("inputs", "outputs"))) == (
        "The channels of the two collectors are swapped.",
        "The channels of the two inputs are swapped.",
    )
    (coupled,) = lines(Setup(coupled=("right",)))
    assert coupled.startswith("The channel of the right collector is AC-coupled")
    (cut,) = lines(cut={"v_lower": 0.127})
    assert cut.startswith("13 % of the samples of the lower input are at the edge of the screen")


def test_the_place_that_nobody_named_is_said():
    (told,) = lines(Setup("generator"), scope={}, named=None)
    assert told == "Told from the capture: its inputs were probed at the generator."
    assert lines(scope={}) == lines(named=None) == ()


def test_small_errors_are_one_line_and_large_ones_a_line_each():
    errors = {
        "input_gain_upper": (0.0124, 0.01), "gain_left": (-0.03, 0.01), "offset_left": (2e-3, 0.1),
        "offset_right": (5.0, 1.0), "skew_upper": (1e-9, 1e-9), "gain_right": (0.05, 0.01),
    }  # fmt: skip
    small, large = lines(scope=errors)
    assert small == (
        "Attributed to the scope, within the usual accuracy of such instruments: "
        "gain of upper input +1.2 %, left collector \u22123.0 %; offset of left collector 2.00 mV."
    )
    assert large == (
        "The channel of the right collector reads 5 % too high, more than such instruments usually "
        "do: compare its probe and its setting with another channel."
    )
    (little,) = lines(scope={"gain_left": (-0.05, 0.01)})
    assert "reads 5 % too low" in little
    assert lines(scope={}) == ()
    assert explain.LARGEST_GAIN == pytest.approx(0.0375)
