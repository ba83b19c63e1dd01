"""Variable gain with temperature, with hum on the supply, and behind an arctanh stage."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from forktail.circuits import shipped
from forktail.core.built import supply
from forktail.core.built.circuit import Circuit
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.path import Feed, Path, run_path
from forktail.core.thermal import junction_drift, saturation_current, tail_at, thermal_voltage
from forktail.core.uses import run_use

MIXER = shipped()["bat-call-mixer"][0]
V_T = float(thermal_voltage(298.15))


def figures(settings=None, solve=None):
    run = run_use("variable_gain", settings, solve, detail=False)
    return {m.key: m for m in run.merits}


# ---------------------------------------------------------------- temperature


@pytest.mark.parametrize("celsius", [-20.0, 25.0, 70.0])
def test_a_tail_in_proportion_to_temperature_keeps_the_gain(celsius):
    cell = TextbookCell(temperature=celsius + 273.15)
    steady = replace(cell, tail_law="absolute")
    full = {"control": "0.4V", "amplitude": "0.1mV"}
    kept, falls = (figures(full, c) for c in (steady, cell))
    # 2 mA into 1 k at 25 degC: gm R = 38.92
    assert kept["gain"].value == pytest.approx(38.921, rel=1e-4)
    assert falls["gain"].value == pytest.approx(38.921 * 298.15 / cell.temperature, rel=1e-4)
    assert kept["per_kelvin"].value == pytest.approx(0.0, abs=1e-6) and kept["per_kelvin"].holds
    # a difference over 2 K bends by (1 K/T)^2
    assert falls["per_kelvin"].value == pytest.approx(-100.0 / cell.temperature, rel=1e-4)
    assert falls["per_kelvin"].holds


def test_emitter_resistors_take_their_part_of_the_change():
    ohms, i, r = 40.0, 2e-3, 1e3
    cell = TextbookCell(i_tail=i, r_load=r, r_emitter_upper=ohms)

    def gain(t):
        return r / (2.0 * thermal_voltage(t) / i + ohms)

    by_hand = 100.0 * (gain(299.15) - gain(297.15)) / 2.0 / gain(298.15)
    found = figures(None, cell)["per_kelvin"]
    assert found.value == pytest.approx(by_hand, rel=1e-5)
    assert found.relation_value == pytest.approx(by_hand, rel=1e-4)


def test_a_tail_of_parts_is_told_with_its_own_change():
    found = figures(None, MIXER)["per_kelvin"]
    # the tail grows by 0.148 %/K as VBE falls, against 1/T
    law = 100.0 * (supply.tail_law(MIXER).per_kelvin - 1.0 / 298.15)
    assert found.relation_value == pytest.approx(law) == pytest.approx(-0.188, abs=1e-3)
    assert found.value == pytest.approx(law, rel=0.02) and found.holds
    ideal = replace(MIXER, tail_kind="ideal", i_tail=1.2e-3, tail_law="absolute")
    assert figures(None, ideal)["per_kelvin"].value == pytest.approx(0.0, abs=0.01)


def test_at_the_end_of_the_temperatures_the_change_is_taken_to_one_side():
    for kelvin in (200.0, 450.0):
        found = figures(None, TextbookCell(temperature=kelvin))["per_kelvin"]
        assert found.value == pytest.approx(-100.0 / kelvin, rel=0.01)


def test_a_cell_of_somebody_else_has_no_change_to_tell():
    def own(v_upper, v_lower):
        return TextbookCell()(v_upper, v_lower)

    assert math.isnan(figures(None, own)["per_kelvin"].value)


def test_the_ideal_tail_of_a_circuit_follows_its_law():
    c = Circuit(tail_kind="ideal", i_tail=1e-3, tail_law="absolute", temperature=358.15)
    assert float(BuiltCell(c)(0.0, 0.0).i_tail) == pytest.approx(1e-3 * 358.15 / 298.15, rel=1e-6)
    assert tail_at(1e-3, 358.15, "constant") == 1e-3
    assert supply.tail_law(c).per_kelvin == pytest.approx(1.0 / 358.15)


def test_the_drift_of_a_junction_is_the_slope_of_its_law():
    i, i_s, t, h = 0.5e-3, 1e-14, 320.0, 0.01

    def v_be(t):
        return thermal_voltage(t) * np.log(i / saturation_current(i_s, t))

    slope = (v_be(t + h) - v_be(t - h)) / (2.0 * h)
    assert junction_drift(i, i_s, t) == pytest.approx(slope, rel=1e-6)


# ---------------------------------------------------------------- hum


def test_hum_modulates_the_gain_as_the_tail_is_moved():
    found = figures(None, MIXER)["hum"]
    assert found.value == pytest.approx(100.0 * abs(supply.ripple(MIXER, 100.0).tail), rel=1e-9)
    # 12.6 %/V behind a bypass with its corner at 5.76 Hz
    assert found.value == pytest.approx(12.6 * 5.76 / 100.0, rel=0.01) and found.holds
    assert figures()["hum"].value == 0.0 and figures()["hum"].holds
    # with next to no bypass: the gain itself, solved again with the supply set anew
    bare = figures(None, replace(MIXER, c_bypass_tail=1e-12))["hum"]
    ends = [figures({"control": "0.4V"}, replace(MIXER, v_supply=v)) for v in (11.9, 12.1)]
    low, high = (e["largest"].value for e in ends)
    assert 1000.0 * (high - low) / (high + low) == pytest.approx(bare.value, rel=0.02)


def test_behind_a_string_hum_is_told_up_to_where_one_corner_is_enough():
    beacon = shipped()["beacon-modulator"][0]
    found = figures(None, beacon)["hum"]
    assert not found.holds and found.limit == supply.tail_law(beacon).reach < 1.0


# ---------------------------------------------------------------- arctanh


def test_an_arctanh_stage_makes_the_pair_a_straight_line():
    feed, v = Feed(arctanh=V_T), np.linspace(-1.9, 1.9, 39) * V_T
    assert feed.shaped(v) == pytest.approx(2.0 * V_T * np.arctanh(v / (2.0 * V_T)), rel=1e-12)
    cell = TextbookCell()
    out = cell(feed.shaped(v), 0.5).v_out
    assert out == pytest.approx(2.0 * v / (2.0 * V_T), rel=1e-6)  # I R = 2 V, all in one pair
    # past 2 VT the stage has no more to give, and all current is in one transistor
    assert cell(feed.shaped(5.0 * V_T), 0.5).v_out == pytest.approx(2.0, rel=1e-6)
    assert Feed().shaped(v) is not None and np.array_equal(Feed().shaped(v), v)


def test_a_path_shapes_what_comes_from_the_generator_and_nothing_at_the_base_lines():
    wave, path = 0.8 * V_T * np.sin(np.arange(64) * 2.0 * np.pi / 64), Path(Feed(arctanh=V_T))
    at_generator = run_path(TextbookCell(), wave, np.full(64, 0.5), 1e-6, "generator", path)
    assert at_generator.cell.v_out == pytest.approx(wave / V_T, rel=1e-6, abs=1e-9)
    at_lines = run_path(TextbookCell(), wave, np.full(64, 0.5), 1e-6, "base lines", path)
    assert np.array_equal(at_lines.fed[0], wave)


def third(amplitude, shape):
    """Third harmonic over the fundamental of tanh(shape(v)/2VT), by quadrature."""

    def part(k):
        def integrand(a):
            return math.tanh(shape(amplitude * math.cos(a)) / (2.0 * V_T)) * math.cos(k * a)

        return quad(integrand, 0.0, math.pi, limit=400)[0]

    return abs(part(3) / part(1))


def test_the_range_and_what_arctanh_wins_of_it():
    plain = brentq(lambda a: third(a, lambda v: v) - 0.01, 5e-3, 40e-3)

    def stage(v):
        return 2.0 * V_T * math.atanh(min(max(v / (2.0 * V_T), -1 + 1e-12), 1 - 1e-12))

    bent = brentq(lambda a: third(a, stage) - 0.01, 51.4e-3, 60e-3)
    without, given = figures(), figures({"arctanh": "yes"})
    assert without["range"].value == pytest.approx(plain, rel=1e-3)
    assert given["range"].value == pytest.approx(bent, rel=6e-3)
    # VT sqrt(0.48) by the series, and 1.5 % for its next term; 2 VT where the stage ends
    assert without["range"].relation_value == pytest.approx(1.015 * V_T * math.sqrt(0.48), rel=2e-3)
    assert given["range"].relation_value == pytest.approx(2.0 * V_T)
    for found in (without, given):
        assert found["range"].holds and found["range_won"].holds
        assert found["range_won"].value == pytest.approx(20.0 * math.log10(bent / plain), abs=0.06)
        assert found["range_won"].relation_value == pytest.approx(9.08, abs=0.02)


def test_within_the_range_the_stage_leaves_no_third_harmonic_and_past_it_a_clipped_wave():
    inside = figures({"arctanh": "yes", "amplitude": "50mV", "control": "0.4V"})
    assert inside["hd3"].value < 1e-6 and inside["hd3"].holds and inside["gain"].holds
    plain = figures({"amplitude": "50mV", "control": "0.4V"})
    assert plain["hd3"].value > 5.0 and not plain["gain"].holds
    past = figures({"arctanh": "yes", "amplitude": "80mV", "control": "0.4V"})
    assert past["hd3"].value > 5.0 and not past["hd3"].holds
    assert past["hd3"].limit == pytest.approx(2.0 * V_T)


@pytest.mark.parametrize("ohms", [10.0, 60.0])
def test_with_emitter_resistors_the_stage_bends_the_other_way(ohms):
    cell = TextbookCell(r_emitter_upper=ohms)
    settings = {"arctanh": "yes", "amplitude": "4mV", "control": "0.4V"}
    found = figures(settings, cell)["hd3"]
    # x + x^3/3 = d y + y^3/3 of a pair with all the current, d = 1 + I RE/2VT
    d = 1.0 + 2e-3 * ohms / (2.0 * V_T)
    by_hand = 100.0 * (4e-3 / V_T) ** 2 / 48.0 * (1.0 - d**-3)
    assert found.relation_value == pytest.approx(by_hand, rel=1e-4)
    assert found.value == pytest.approx(by_hand, rel=0.03) and found.holds
    # it loses what the resistors had won
    assert figures(settings, cell)["range_won"].value < -2.0
    assert figures(settings, cell)["range_won"].holds


def test_the_curve_of_the_stage_is_flat_up_to_its_end_and_no_series_rounds_it_off():
    run = run_use("variable_gain", {"arctanh": "yes"})
    curve = next(c for c in run.curves if c.key == "third")
    found, law = curve.traces
    inside = found.x < 2.0 * V_T
    assert np.max(found.y[inside]) < 1e-3 and np.max(np.abs(law.y)) < 1e-9
    assert found.y[-1] > 20.0 and "clipped" in curve.text
