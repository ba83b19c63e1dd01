"""Numbers and claims that the texts of the lessons write out, held against the core.

Most figures of a lesson are computed where they stand. What is left in words is held here, so that
a text cannot go on saying what the equations no longer give. Sources: Gray, Hurst, Lewis, Meyer,
chapters 3 and 10; NIST DLMF 4.33 for tanh; kT/q from the SI Brochure.
"""

import math
import re

import pytest

from forktail.core.built import network
from forktail.lessons.scenes.kinds import figures, kind_of
from forktail.lessons.scenes.states import board_circuit
from forktail.lessons.scenes.views import VIEWS
from forktail.resources import lessons_dir


def scene(page, **texts):
    """Names of a scene with these settings: name -> number or text."""
    kind = kind_of(page)
    state = kind.make_state()
    assert state.apply_texts(texts) == []
    return {n: f.value if hasattr(f, "value") else f for n, f in figures(kind, state).items()}


def told(lesson):
    """All words of a lesson, in one line."""
    (folder,) = lessons_dir().glob(f"*-{lesson}")
    text = (folder / "text.md").read_text() + (folder / "lesson.toml").read_text()
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize(
    "volts, ratio", [("18mV", 2.0), ("36mV", 4.0), ("60mV", 10.0), ("28.2mV", 3.0)]
)
def test_the_numbers_to_carry_in_the_head(volts, ratio):
    pair = scene("steer", stage="pair", v_upper=volts)
    assert pair["i_q1"] / pair["i_q2"] == pytest.approx(ratio, rel=0.04)


def test_how_far_a_pair_is_straight():
    at = {v: scene("steer", stage="pair", v_upper=v) for v in ("1mV", "9mV", "30mV")}
    small = at["1mV"]["v_out"] / 1e-3
    assert 1 - at["9mV"]["v_out"] / 9e-3 / small == pytest.approx(0.01, abs=0.001)
    assert 1 - at["30mV"]["v_out"] / 30e-3 / small == pytest.approx(0.10, abs=0.01)
    # "rises by a tenth or less" from 80 to 160 mV
    flat = [scene("steer", stage="pair", v_upper=v)["v_out"] for v in ("80mV", "160mV")]
    assert 0.02 < flat[1] / flat[0] - 1 < 0.1


def test_tails_that_agree_to_one_per_cent_suppress_forty_decibels():
    one = scene("steer", stage="crossed", v_upper="60mV", i_tail_right="0.99mA")
    alone = one["r_load"] * (one["i_q1"] - one["i_q2"])
    assert 20 * math.log10(one["v_out"] / alone) == pytest.approx(-40, abs=0.2)


def test_four_readings_that_add_up_to_zero_and_still_hold_a_leak():
    readings = {
        (u, v): scene("steer", v_upper=f"{20 * u}mV", v_lower=f"{20 * v}mV", offset_lower="2mV")[
            "v_out"
        ]
        for u in (1, -1)
        for v in (1, -1)
    }
    assert sum(readings.values()) == pytest.approx(0.0, abs=1e-9)
    leak_upper = sum(u * r for (u, _), r in readings.items()) / 4
    leak_lower = sum(v * r for (_, v), r in readings.items()) / 4
    alone = scene("steer", v_upper="20mV", v_lower="0V", offset_lower="2mV")["v_out"]
    # the offset tips the lower pair from 20 mV, where its curve is less steep than at zero
    assert 0.7 * alone < leak_upper < alone and abs(leak_lower) < 1e-9


def test_dc_at_rest_has_two_causes_and_neither_lets_a_carrier_through():
    one_pair = scene("built", offset_left="2mV")
    both = scene("built", offset_left="2mV", offset_right="2mV")
    loads = scene("built", load_mismatch="1%")
    assert one_pair["rest_out"] > 0.04 and one_pair["feed_lower"] > 0.1
    assert abs(both["rest_out"]) < 1e-4 and both["feed_lower"] > 0.3
    assert loads["rest_out"] > 0.01 and abs(loads["feed_lower"]) < 1e-3
    nulled = scene("built", offset_left="2mV", trim_balance="-0.0385")
    assert abs(nulled["rest_out"]) < 2e-3
    assert "one upper pair against the other | DC at rest" in told("real-parts")


def test_two_millivolts_are_an_area_ratio_and_drift_with_it():
    v_t = scene("steer")["thermal_voltage"]
    assert math.exp(2e-3 / v_t) == pytest.approx(1.08, abs=0.005)
    # V_T ln A grows with absolute temperature: 2 mV between 25 and 60 degC
    assert 2e-3 * 35 / 298 == pytest.approx(0.23e-3, abs=0.01e-3)
    wide = -20 * math.log10(math.tanh(20e-3 * 35 / 298 / (2 * v_t)))
    assert 20 < wide < 30  # "about 20 dB are usable", with a margin


def test_a_transistor_saturates_half_a_volt_below_its_base():
    for loads in ("6k", "7k"):
        board = scene("built", r_load=loads, v_upper="0.1V", v_lower="0.1V", r_emitter_lower="0")
        point = network.solve_bias(board_circuit())
        base = float(point.nodes["level_upper"]) + 0.05
        edge = base - (board["v_left"] - board["headroom_q1"])
        assert edge == pytest.approx(0.5, abs=0.1)


def test_base_currents_of_two_levels_make_one_per_cent():
    assert 1 - (200 / 201) ** 2 == pytest.approx(0.01, abs=0.0005)


def test_where_the_mixer_bends():
    faint = scene("mixer", second_amplitude="0V")
    loud = scene("mixer", second_amplitude="0V", signal_amplitude="60mV")
    assert faint["compression"] == pytest.approx(36.6e-3, rel=0.01)
    down = 20 * math.log10(faint["conversion_gain"] / loud["conversion_gain"])
    assert down == pytest.approx(2.3, abs=0.1)
    assert "a little below {60 mV}" not in told("down-to-hearing")


def test_an_exact_product_folds_over_too():
    # the envelope of an ideal product at 150 % is |1 + 1.5 cos m|
    m = [2 * math.pi * k / 4096 for k in range(4096)]
    envelope = [abs(1 + 1.5 * math.cos(x)) for x in m]
    tones = [2 / 4096 * sum(e * math.cos(n * x) for e, x in zip(envelope, m)) for n in (1, 2, 3, 4)]
    ideal = math.sqrt(sum(t * t for t in tones[1:])) / abs(tones[0])
    cell = scene("am", tone_amplitude="6mV", offset="4mV")["envelope_distortion"]
    assert cell == pytest.approx(ideal, rel=0.03)


def test_offset_times_offset_moves_the_zero_of_a_weak_detector():
    weak = scene(
        "phase_detector", phase="90deg", upper_amplitude="8mV", lower_amplitude="8mV",
        cell_offset_left="3mV", cell_offset_right="3mV", cell_offset_lower="3mV",
    )  # fmt: skip
    assert weak["zero"] == pytest.approx(106, abs=1.5)


def test_a_board_that_is_late_is_told_from_one_that_is_not():
    late, low = (scene("capture", board=b)["delay"] for b in ("slow_load", "supply_low"))
    assert late > 0.3e-6 > low


def test_the_meter_marks_nothing_before_the_answer():
    state = kind_of("capture").make_state()
    state.apply_texts({"board": "supply_low"})
    views = VIEWS["capture"](("meter",))
    views.show(state, ("meter",))
    assert not any("!" in v.get("#", "") for v in views.views["meter"].patch.values())
    state.marks = True
    views.show(state, ("meter",))
    assert views.views["meter"].patch["row-supply"]["class"] == "off"


def test_without_its_bypass_the_tail_follows_the_share_of_its_divider():
    # Gray, Hurst, Lewis, Meyer, chapter 4: the emitter follows the base, less re = VT / I
    still = scene("built", readings="hum_tail hum_upper")
    bare = scene("built", readings="hum_tail hum_upper", off="C9")
    board, current = board_circuit(), still["rest_tail"]
    share = board.r_tail_base_bottom / (board.r_tail_base_top + board.r_tail_base_bottom)
    through = share / (board.r_tail_emitter + 25.69e-3 / current) / current
    assert bare["hum_tail"] == pytest.approx(through, rel=0.03)  # base current and Early voltage
    assert bare["hum_tail"] > 10 * still["hum_tail"]
    lines = scene("built", readings="hum_tail hum_upper", off="C1")["hum_upper"]
    assert lines > 5 * still["hum_upper"]


def test_a_missing_part_reads_as_the_board_lesson_says():
    whole = scene("built")
    levels = {ref: scene("built", off=ref) for ref in ("R1", "R2", "R3")}
    assert levels["R1"]["node_level_upper"] < 0.1 and levels["R3"]["node_level_lower"] > 11
    assert levels["R2"]["node_level_upper"] > 11.5 and levels["R2"]["node_level_lower"] < 0.1
    base = scene("built", off="R4")
    assert base["node_left"] == pytest.approx(whole["node_left"], rel=1e-3)
    assert base["i_q1"] < 1e-6 and abs(base["rest_out"]) < 1e-3
    for ref in ("C1", "C2", "C3", "C4", "C5", "C6", "C9"):  # silent at rest
        seen = scene("built", off=ref)
        for name in ("node_left", "node_level_upper", "node_level_lower", "rest_tail"):
            assert seen[name] == pytest.approx(whole[name], rel=1e-6), (ref, name)


def test_what_the_lesson_on_noise_says_in_words():
    def mixer(**texts):
        return scene("mixer", second_amplitude="0V", **texts)

    soft, hard = mixer(oscillator_amplitude="20mV"), mixer(oscillator_amplitude="150mV")
    # "they make the same noise"; "to three times as much"
    assert hard["noise_rms"] == pytest.approx(soft["noise_rms"], rel=1e-6)
    assert hard["conversion_gain"] / soft["conversion_gain"] == pytest.approx(3.2, abs=0.1)
    # "3 dB for each doubling"
    more = mixer(cell_i_tail="4mA")
    assert 20 * math.log10(hard["faintest"] / more["faintest"]) == pytest.approx(3.0, abs=0.2)
    # "larger loads raise call and noise alike"
    loads = mixer(cell_r_load="2k")
    assert hard["faintest"] / loads["faintest"] == pytest.approx(1.0, abs=0.02)
    # "follows calls of more than 200 mV", "between three and four times as strong"
    resistors = mixer(cell_r_emitter_lower="100ohm")
    assert resistors["compression"] > 0.2
    assert 3 < resistors["faintest"] / hard["faintest"] < 4
    assert "{200 mV}" in told("faintest-call") and "three and four times" in told("faintest-call")
    parts = [hard[f"noise_from_{k}"] for k in ("upper", "lower", "loads", "emitters")]
    assert sum(parts) == pytest.approx(1.0, abs=1e-3) and parts[3] == 0.0
