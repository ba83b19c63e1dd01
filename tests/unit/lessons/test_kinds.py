"""Scenes of lessons beyond the Steer page: what they compute, and that every view draws it."""

import math
import re

import pytest

from forktail.core.thermal import T_NOMINAL, thermal_voltage
from forktail.lessons.library import read_library
from forktail.lessons.scenes.kinds import KINDS, figures, kind_of
from forktail.lessons.scenes.states import BOARDS
from forktail.lessons.scenes.views import VIEWS
from forktail.resources import lessons_dir

LIBRARY = read_library(lessons_dir())


def scene(page, **texts):
    """Names of a scene with these settings."""
    kind = kind_of(page)
    state = kind.make_state()
    assert state.apply_texts(texts) == []
    return {n: f.value if hasattr(f, "value") else f for n, f in figures(kind, state).items()}


def test_every_kind_has_views_and_every_view_has_a_place():
    assert set(VIEWS) == set(KINDS)
    for key, kind in KINDS.items():
        views = VIEWS[key](kind.views)
        views.show(kind.make_state(), kind.views)
        body = views.body()
        assert re.findall(r'data-view="(\w+)"', body) and set(
            re.findall(r'data-view="(\w+)"', body)
        ) == set(kind.views)
        for root in views.roots:
            assert root in body
        assert VIEWS[key].picture(kind.make_state(), kind.views).startswith("<svg")


def test_kinds_can_share_a_page_without_sharing_a_name():
    roots = [r for key, kind in KINDS.items() for r in VIEWS[key](kind.views).roots]
    assert len(roots) == len(set(roots))


@pytest.mark.parametrize("page", [k for k in KINDS if k not in ("steer", "signals")])
def test_a_card_says_what_the_figures_say(page):
    state = KINDS[page].make_state()
    views = VIEWS[page](("card",))
    views.show(state, ("card",))
    card = views.views["card"]
    shown = [v["#"] for k, v in card.patch.items() if k.startswith("card-")]
    assert shown and "no answer" not in shown


def test_readings_of_a_step_are_figures_of_its_scene():
    for entry in LIBRARY.entries:
        for step in entry.lesson.steps if entry.lesson else ():
            names = step.start.get("readings", "").split()
            assert set(names) <= set(scene(step.page, **step.start)), (entry.folder, step.id)


def test_lower_offset_lets_the_upper_input_through_as_a_trim_of_that_size_would():
    # Gray, Hurst, Lewis, Meyer, chapter 10: an offset is a small input of its own pair
    board, turned = scene("built", offset_lower="2mV"), scene("built", trim_lower="2mV")
    assert board["feed_upper"] == pytest.approx(turned["feed_upper"], rel=0.01)
    assert abs(board["feed_lower"]) < 1e-6
    # to first order, with emitter resistors in the lower pair: gm_u R x I_tail-share of 2 mV
    half = 0.5 * board["rest_tail"]
    v_t = thermal_voltage(T_NOMINAL)
    steered = 2e-3 / (2 * (v_t / half + 100.0 + 2200 / 200))  # seen at the emitter
    assert board["feed_upper"] == pytest.approx(2 * steered * 2200 / (2 * v_t), rel=0.1)
    nulled = scene("built", offset_lower="2mV", trim_lower="-2mV")
    assert abs(nulled["feed_upper"]) < 0.002 * board["feed_upper"]


def test_offset_of_a_board_grows_with_absolute_temperature():
    # the areas stay, and with them VT ln A: Gray, Hurst, Lewis, Meyer, chapter 3
    warm = scene("built", offset_lower="3mV", trim_lower="-3mV", temperature="60degC")
    bare = scene("built", offset_lower="3mV", temperature="60degC")
    grown = float(thermal_voltage(333.15) / thermal_voltage(T_NOMINAL))
    assert warm["feed_upper"] / bare["feed_upper"] == pytest.approx(1 - 1 / grown, rel=0.02)


def test_full_drive_takes_a_collector_down_by_the_whole_tail():
    board = scene("built", v_upper="0.2V", v_lower="0.2V", r_emitter_lower="0")
    drop = 12.0 - board["v_left"]
    assert drop == pytest.approx(board["i_tail"] * 2200, rel=0.02)
    assert scene("built", r_load="9k", v_upper="0.1V", v_lower="0.1V")["saturated"] == 2


def test_a_use_reads_its_own_lines():
    am = scene("am", offset="4mV", tone_amplitude="2mV")
    assert am["sideband_level"] / am["carrier_level"] == pytest.approx(am["depth"] / 2, rel=1e-3)
    assert am["depth"] == pytest.approx(0.5, rel=0.01)
    mixer = scene("mixer", second_amplitude="0V", oscillator_amplitude="0.4V")
    # hard switching: 2/pi gm R; Lee, The Design of CMOS Radio-Frequency Integrated Circuits
    gm_r = 1.0 / thermal_voltage(T_NOMINAL)
    assert mixer["level_difference"] == pytest.approx(2e-3 * 2 / math.pi * gm_r, rel=0.02)
    assert "depth" not in scene("am", offset="0V")


def test_signals_name_the_leak():
    run = scene("signals", offset_lower="2mV", lower_amplitude="10mV")
    assert run["level_upper"] / run["level_sum"] == pytest.approx(2 * 2 / 10, rel=0.02)
    assert run["level_lower"] == 0.0


@pytest.mark.parametrize(
    "board, name, size",
    [("lower_offset", "feed_upper", 3e-3), ("upper_offset", "feed_lower", 3e-3)],
)
def test_a_capture_names_the_pair_that_is_off_balance(board, name, size):
    found = scene("capture", board=board)
    # at the drives, which a generator and the bias resistors see through: within a third
    assert found[name] / found["product_gain"] == pytest.approx(size, rel=0.33)
    others = {"feed_upper", "feed_lower"} - {name}
    assert all(abs(found[n]) < 0.03 * abs(found[name]) for n in others)


def test_a_capture_of_each_board_lies_on_its_own_prediction_only():
    for board in BOARDS:
        for prediction in BOARDS:
            left = scene("capture", board=board, prediction=prediction)["rest_rms"]
            assert (left < 1.5e-3) == (board == prediction), (board, prediction)


def test_gross_faults_read_as_they_should():
    assert scene("capture", board="output_turned")["gain_ratio"] == pytest.approx(-1, abs=0.01)
    assert abs(scene("capture", board="lower_open")["gain_ratio"]) < 0.01
    turned = scene("capture", board="pair_reversed")
    assert abs(turned["gain_ratio"]) < 0.01 and turned["feed_upper"] > 20
    # loads of 2.2 k with 1 nF lag by up to RC; five times the capacitance lags by more
    assert scene("capture", board="slow_load")["delay"] > 0.5e-6
    low = scene("capture", board="supply_low")
    assert low["meter_supply"] == pytest.approx(6.0, abs=0.01)
    assert low["design_supply"] == pytest.approx(12.0, abs=0.01)


def test_a_bad_setting_is_refused_in_words():
    state = kind_of("built").make_state()
    said = state.apply_texts({"r_load": "2 V", "fault": "gremlins"})
    assert len(said) == 2 and any("Load resistors" in s for s in said)


def test_a_worksheet_prints_what_the_question_asks_to_read():
    state = kind_of("capture").make_state()
    state.apply_texts({"board": "supply_low"})
    said = VIEWS["capture"].readings(state, ("overlay", "card", "meter"))
    assert dict(said["card"])["Product, captured over predicted"] == "0.536"
    assert said["meter"][0] == ("Supply", "6.000\u00a0V", "12.00\u00a0V")
    assert "meter" not in VIEWS["capture"].readings(state, ("card",))
