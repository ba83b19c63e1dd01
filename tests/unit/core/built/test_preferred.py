"""Preferred values, ratings and the parts list."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.core.built import preferred as parts
from forktail.core.checks import QuantityError
from forktail.core.quantities import parse_quantity

SERIES = list(parts.SERIES)


@given(st.floats(1e-14, 1e11), st.sampled_from(SERIES))
def test_neighbours_enclose_and_nearest_is_one_of_them(value, series):
    p = parts.preferred(value, series)
    assert p.below <= value * (1 + 2e-9) and p.above >= value * (1 - 2e-9)
    assert p.nearest in (p.below, p.above)
    everything = parts.series_values(series, value / 3, value * 3)
    best = np.min(np.abs(everything / value - 1))
    assert abs(p.error) <= best + 3e-9
    assert not np.any((everything > p.below * (1 + 1e-6)) & (everything < p.above * (1 - 1e-6)))


@given(st.sampled_from(SERIES), st.integers(0, 95), st.integers(-12, 8))
def test_a_preferred_value_rounds_to_itself_exactly(series, index, decade):
    digits = parts.SERIES[series][index % len(parts.SERIES[series])]
    value = float(f"{digits}e{decade}")
    assert parts.nearest_value(value, series) == value
    assert parts.value_below(value, series) == value == parts.value_above(value, series)


def test_rounding_of_known_values():
    assert parts.nearest_value(2300.0, "E24") == 2200.0
    assert parts.nearest_value(2301.0, "E24") == 2400.0
    assert parts.value_above(953.1, "E48") == 1000.0
    assert parts.value_below(99.9, "E6") == 68.0
    assert parts.preferred(2100.0, "E6").error == pytest.approx(2200 / 2100 - 1)
    p = parts.preferred(2000.0, "E12")
    assert (p.below, p.nearest, p.above, p.tolerance) == (1800.0, 1800.0, 2200.0, 0.1)
    assert (p.lowest, p.highest) == pytest.approx((1620.0, 1980.0))
    assert parts.nearest_value([[1.04, 9.7]], "E24").shape == (1, 2)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf, 1e13])
def test_value_that_is_no_part_is_refused(value):
    with pytest.raises(QuantityError, match="value is"):
        parts.nearest_value(value)


def test_unknown_series_is_refused():
    with pytest.raises(QuantityError, match="it must be one of E6, E12, E24, E48, E96"):
        parts.nearest_value(1.0, "E23")


def test_power_rating_keeps_half_in_hand_and_derates_with_heat():
    assert parts.power_rating(0.1) == 0.25
    assert parts.power_rating(0.125) == 0.25
    assert parts.power_rating(0.126) == 0.5
    assert parts.power_rating(0.0) == 0.0625
    # half way from 70 to 155 degC only half the rating is left
    assert parts.power_rating(0.125, ambient=273.15 + 112.5) == 0.5
    with pytest.raises(QuantityError, match="carries nothing"):
        parts.power_rating(0.1, ambient=430.0)
    with pytest.raises(QuantityError, match="largest listed is 10.0 W"):
        parts.power_rating(6.0)


def test_voltage_rating():
    assert parts.voltage_rating(12.0) == 25.0
    assert parts.voltage_rating(-4.2) == 6.3
    assert parts.voltage_rating(12.0, margin=1.0) == 16.0
    with pytest.raises(QuantityError, match="margin"):
        parts.voltage_rating(12.0, margin=0.5)
    with pytest.raises(QuantityError, match="largest listed is 630 V"):
        parts.voltage_rating(500.0)


def test_rows_and_list():
    rows = [
        parts.resistor_row(["R10", "R2"], 2100.0, "E24", dissipation=0.02),
        parts.resistor_row("R3", 2100.0, "E24", dissipation=0.2),
        parts.resistor_row("R1", 100.0, "E96"),
        parts.capacitor_row("C1", 1.1e-7, working=12.0),
        parts.PartRow(("Q1", "Q2"), "NPN transistor"),
    ]
    listed = parts.parts_list(rows)
    assert [r.references for r in listed] == [("Q1", "Q2"), ("C1",), ("R1",), ("R2", "R3", "R10")]
    load = listed[-1]
    assert (load.quantity, load.value, load.rating) == (3, 2000.0, 0.5)
    texts = load.texts(ascii_only=True)
    assert texts["references"] == "R2, R3, R10"
    assert parse_quantity(texts["value"], "ohm") == 2000.0
    assert texts["tolerance"] == "+/-5 %" and texts["rating"] == "500 mW"
    assert texts["rounding"] == "-4.8 %"
    assert listed[0].texts()["value"] == "" and listed[2].texts()["rating"] == ""


def test_bad_rows_say_which_part():
    with pytest.raises(QuantityError, match="R7, a resistance: value is -1"):
        parts.resistor_row("R7", -1.0)
    with pytest.raises(QuantityError, match="at least one name"):
        parts.resistor_row([], 1e3)
    row = parts.resistor_row("R1", 1e3)
    with pytest.raises(QuantityError, match="R1 is used twice"):
        parts.parts_list([row, row])
