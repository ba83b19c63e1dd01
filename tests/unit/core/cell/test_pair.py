"""One pair: properties that hold for every input, and an independent solve to 60 digits."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import optimize

from forktail.core.cell import pair
from forktail.core.checks import QuantityError
from forktail.core.thermal import thermal_voltage
from helpers import (
    finite,
    kelvins,
    live_tails,
    offsets,
    resistors,
    small_volts,
    split_decimal,
    tails,
    volts,
)


def difference(v, i_tail, temperature, r_emitter=0.0, offset=0.0):
    i = pair.split(v, i_tail, temperature, r_emitter, offset)
    return i[..., 0] - i[..., 1]


@settings(max_examples=150)
@given(volts, kelvins, tails, resistors)
def test_split_solves_the_implicit_law_to_1e_12_relative(v, temperature, i_tail, r_emitter):
    got = pair.split_fractions(v, temperature, i_tail, r_emitter)
    exact = split_decimal(v, temperature, i_tail, r_emitter)
    for side, reference in zip(got, exact):
        if reference > Decimal("1e-290"):  # beyond, the exponent is held on purpose
            assert abs(Decimal(float(side)) / reference - 1) < Decimal("1e-12")


@given(finite(-2.0, 2.0), live_tails, finite(1.0, 10e3))
def test_split_agrees_with_a_bracketing_root_search(v, i_tail, r_emitter):
    v_t = float(thermal_voltage(298.15))
    drop = i_tail * r_emitter

    def excess(y):  # y = (I1 - I2)/I; well scaled: both terms in volts
        return 2.0 * v_t * np.arctanh(y) + drop * y - v

    edge = 1.0 - 1e-15
    assume(excess(-edge) < 0 < excess(edge))
    y = optimize.brentq(excess, -edge, edge, xtol=1e-15, rtol=8.9e-16)
    first, second = pair.split_fractions(v, 298.15, i_tail, r_emitter)
    assert first - second == pytest.approx(y, rel=1e-9, abs=1e-12)


@given(volts, tails, kelvins, resistors, offsets)
def test_currents_sum_to_the_tail_and_are_never_negative(v, i_tail, temperature, r_e, offset):
    i = pair.split(v, i_tail, temperature, r_e, offset)
    assert i.shape == (2,)
    assert np.all(i >= 0.0) and np.all(i <= i_tail)
    assert i.sum() == pytest.approx(i_tail, rel=4e-16, abs=0)


@given(volts, live_tails, kelvins, resistors)
def test_swapping_the_input_swaps_the_sides(v, i_tail, temperature, r_e):
    here, there = (pair.split(u, i_tail, temperature, r_e) for u in (v, -v))
    np.testing.assert_allclose(here, there[::-1], rtol=1e-12)


@given(st.lists(volts, min_size=2, max_size=12, unique=True), live_tails, kelvins, resistors)
def test_first_side_rises_with_the_input(values, i_tail, temperature, r_e):
    first = pair.split(np.sort(values), i_tail, temperature, r_e)[:, 0]
    assert np.all(np.diff(first) >= 0.0)


@given(finite(-0.1, 0.1), finite(1e-4, 0.05), live_tails, resistors)
def test_first_side_rises_strictly_where_the_pair_is_active(v, more, i_tail, r_e):
    assert difference(v + more, i_tail, 298.15, r_e) > difference(v, i_tail, 298.15, r_e)


@given(small_volts, live_tails, kelvins, resistors, offsets)
def test_offset_adds_to_the_input(v, i_tail, temperature, r_e, offset):
    np.testing.assert_array_equal(
        pair.split(v, i_tail, temperature, r_e, offset),
        pair.split(v + offset, i_tail, temperature, r_e),
    )


@given(small_volts, live_tails, kelvins, resistors, offsets)
def test_transconductance_is_the_slope_of_the_difference(v, i_tail, temperature, r_e, offset):
    h = 1e-5
    slope = (
        difference(v + h, i_tail, temperature, r_e, offset)
        - difference(v - h, i_tail, temperature, r_e, offset)
    ) / (2 * h)
    got = pair.transconductance(i_tail, temperature, v, r_e, offset)
    # the third derivative leaves h^2/6 of the largest curvature
    assert got == pytest.approx(slope, rel=1e-5, abs=1e-9 * i_tail)


@given(small_volts, live_tails, kelvins, resistors)
def test_slope_over_tail_is_the_slope_of_the_difference(v, i_tail, temperature, r_e):
    h = 1e-4 * i_tail
    slope = (
        difference(v, i_tail + h, temperature, r_e) - difference(v, i_tail - h, temperature, r_e)
    ) / (2 * h)
    v_t = thermal_voltage(temperature)
    fractions = pair.split_fractions(v, temperature, i_tail, r_e)
    got = pair.slope_over_tail(*fractions, i_tail, r_e, v_t)
    assert got == pytest.approx(slope, rel=1e-6, abs=1e-9)


@given(live_tails, kelvins, st.one_of(st.just(0.0), finite(1.0, 1000.0)), finite(1e-3, 0.5))
def test_linear_range_falls_short_by_the_error_asked(i_tail, temperature, r_e, error):
    v = pair.linear_range(error, i_tail, temperature, r_e)
    tangent = pair.transconductance(i_tail, temperature, 0.0, r_e) * v
    assert difference(v, i_tail, temperature, r_e) == pytest.approx((1 - error) * tangent, rel=1e-6)


def test_no_warning_at_ten_volts_and_far_beyond():
    v = np.array([-1e6, -1e3, -10.0, -1.0, 0.0, 1.0, 10.0, 1e3, 1e6])[:, None]
    r_e = np.array([0.0, 1e-6, 100.0, 1e6])
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        i = pair.split(v, 2e-3, 298.15, r_e)
        g = pair.transconductance(2e-3, 298.15, v, r_e)
    assert np.all(np.isfinite(i)) and np.all(np.isfinite(g))
    np.testing.assert_allclose(i[-1, :, 0], 2e-3)
    np.testing.assert_allclose(i[0, :2, 0], 0.0, atol=1e-300)


def test_shapes_broadcast():
    i = pair.split(np.zeros((4, 1, 1)), np.ones((3, 1)), np.full(2, 300.0), 10.0, 0.001)
    assert i.shape == (4, 3, 2, 2)
    assert pair.split(0.0, 1.0).shape == (2,)
    assert pair.split(np.zeros(0), 1.0).shape == (0, 2)
    one = pair.split(0.02, 1e-3, 300.0, 50.0)
    many = pair.split(np.full((2, 3), 0.02), 1e-3, 300.0, 50.0)
    np.testing.assert_array_equal(many, np.broadcast_to(one, (2, 3, 2)))
    mixed = pair.split(0.02, 1e-3, 300.0, np.array([0.0, 50.0]))
    np.testing.assert_allclose(mixed[0], pair.split(0.02, 1e-3, 300.0), rtol=1e-15)


@pytest.mark.parametrize(
    "arguments, parts",
    [
        (dict(i_tail=-1e-3), ["i_tail", "-0.001 A", "at least 0 A"]),
        (dict(temperature=0.0), ["temperature", "0 K", "above 0 K"]),
        (dict(v_diff=np.nan), ["v_diff", "nan", "a finite number of V"]),
        (dict(v_diff="x"), ["v_diff", "'x'", "not a number"]),
        (dict(r_emitter=-5.0), ["r_emitter", "-5 ohm", "at least 0 ohm"]),
        (dict(offset=np.inf), ["offset", "inf", "a finite number of V"]),
        (dict(v_diff=np.zeros(2), i_tail=np.zeros(3)), ["v_diff (2,)", "i_tail (3,)", "shapes"]),
    ],
)
def test_bad_argument_is_named_with_value_and_range(arguments, parts):
    with pytest.raises(QuantityError) as error:
        pair.split(**{"v_diff": 0.0, "i_tail": 1e-3, **arguments})
    assert all(part in str(error.value) for part in parts), str(error.value)


@pytest.mark.parametrize("error", [0.0, 1.0, -0.1, 1.5, np.nan])
def test_linear_range_refuses_errors_outside_0_to_1(error):
    with pytest.raises(QuantityError, match="error is"):
        pair.linear_range(error)


def test_linear_range_of_many_pairs_is_that_of_each():
    resistors = np.array([0.0, 20.0, 500.0])
    many = pair.linear_range(0.01, 2e-3, 300.0, resistors)
    np.testing.assert_allclose(many, [pair.linear_range(0.01, 2e-3, 300.0, r) for r in resistors])
    assert pair.split([0.01], [2e-3]).shape == (1, 2) and pair.split(0, 2).sum() == 2.0
