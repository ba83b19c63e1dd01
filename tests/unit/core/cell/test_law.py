"""The textbook cell and its three forerunners: properties over the whole working range."""

import dataclasses

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given
from hypothesis import strategies as st

from forktail.core.cell import law as cell
from forktail.core.cell import pair
from forktail.core.cell.law import (
    CellSettings,
    branch_currents,
    solve_cell,
    solve_crossed,
    solve_pair,
    solve_shared_loads,
    validity,
)
from forktail.core.checks import QuantityError
from helpers import (
    VT_25,
    finite,
    kelvins,
    live_tails,
    loads,
    offsets,
    resistors,
    small_volts,
    tails,
    volts,
)

matched = st.builds(
    CellSettings,
    r_load=loads,
    temperature=kelvins,
    r_emitter_upper=resistors,
    r_emitter_lower=resistors,
)
settings_any = st.builds(
    CellSettings,
    r_load=loads,
    temperature=kelvins,
    v_supply=finite(1.0, 60.0),
    offset_left=offsets,
    offset_right=offsets,
    offset_lower=offsets,
    r_emitter_upper=resistors,
    r_emitter_lower=resistors,
)


def close(a, b, full):
    assert np.max(np.abs(np.asarray(a) - np.asarray(b))) <= 1e-12 * full


def scenes(v_upper, v_lower, i_tail, i_second, settings):
    """The four circuits at one set of inputs, with the tail current each has in all."""
    return [
        (solve_pair(v_upper, i_tail, settings), i_tail),
        (solve_shared_loads(v_upper, v_lower, i_tail, i_second, settings), i_tail + i_second),
        (solve_crossed(v_upper, i_tail, i_second, settings), i_tail + i_second),
        (solve_cell(v_upper, v_lower, i_tail, settings), i_tail),
    ]


@given(volts, volts, live_tails, matched)
def test_output_is_odd_in_each_input(v_upper, v_lower, i_tail, settings):
    full = i_tail * settings.r_load
    out = solve_cell(v_upper, v_lower, i_tail, settings).v_out
    close(solve_cell(-v_upper, v_lower, i_tail, settings).v_out, -out, full)
    close(solve_cell(v_upper, -v_lower, i_tail, settings).v_out, -out, full)
    close(solve_cell(-v_upper, -v_lower, i_tail, settings).v_out, out, full)


@given(volts, volts, tails, tails, settings_any)
def test_branch_currents_sum_to_the_tails_and_the_loads(v_upper, v_lower, i_tail, other, s):
    for point, total in scenes(v_upper, v_lower, i_tail, other, s):
        assert np.all(point.i_upper >= 0.0)
        assert point.i_upper.sum() == pytest.approx(total, rel=1e-14, abs=0)
        assert point.i_lower.sum() == pytest.approx(total, rel=1e-14, abs=0)
        # Q1 and Q2 share Q5's collector, Q3 and Q4 share Q6's
        assert point.i_upper[:2].sum() == pytest.approx(point.i_lower[0], rel=1e-14, abs=0)
        assert point.i_upper[2:].sum() == pytest.approx(point.i_lower[1], rel=1e-14, abs=0)
        # Q1 and Q3 feed the left load, Q2 and Q4 the right
        q1, q2, q3, q4 = point.i_upper
        assert point.i_load[0] == pytest.approx(q1 + q3, rel=1e-15)
        assert point.i_load[1] == pytest.approx(q2 + q4, rel=1e-15)


@given(volts, volts, tails, tails, settings_any)
def test_collectors_hang_below_the_supply_by_the_load_drops(v_upper, v_lower, i_tail, other, s):
    for point, total in scenes(v_upper, v_lower, i_tail, other, s):
        full = total * s.r_load
        close(point.v_left, s.v_supply - s.r_load * point.i_load[0], full + s.v_supply)
        close(point.v_right, s.v_supply - s.r_load * point.i_load[1], full + s.v_supply)
        close(point.v_out, point.v_right - point.v_left, 2 * (full + s.v_supply))
        assert abs(point.v_out) <= full * (1 + 1e-14)


@given(small_volts, st.lists(volts, min_size=2, max_size=10, unique=True), live_tails, matched)
def test_output_is_monotone_in_each_input(fixed, values, i_tail, settings):
    values = np.sort(values)
    slack = 1e-14 * i_tail * settings.r_load
    for out in (
        solve_cell(values, fixed, i_tail, settings).v_out,
        solve_cell(fixed, values, i_tail, settings).v_out,
    ):
        assert np.all(np.sign(fixed) * np.diff(out) >= -slack)


@given(volts, volts, live_tails, settings_any)
def test_gains_have_the_sign_of_the_other_drive(v_upper, v_lower, i_tail, s):
    s = dataclasses.replace(s, offset_left=0.0, offset_right=0.0, offset_lower=0.0)
    point = solve_cell(v_upper, v_lower, i_tail, s)
    floor = 1e-12 * i_tail * s.r_load
    assert point.gain_upper * np.sign(v_lower) >= -floor
    assert point.gain_lower * np.sign(v_upper) >= -floor


@given(small_volts, small_volts, live_tails, live_tails, settings_any)
def test_gains_are_the_slopes_of_the_output(v_upper, v_lower, i_tail, other, s):
    h = 1e-5
    solvers = [
        lambda u, w: solve_pair(u, i_tail, s),
        lambda u, w: solve_shared_loads(u, w, i_tail, other, s),
        lambda u, w: solve_crossed(u, i_tail, other, s),
        lambda u, w: solve_cell(u, w, i_tail, s),
    ]
    for solve in solvers:
        point = solve(v_upper, v_lower)
        full = float(point.i_tail * s.r_load)
        steps = ((h, 0.0, point.gain_upper), (0.0, h, point.gain_lower))
        for du, dw, gain in steps:
            slope = (
                solve(v_upper + du, v_lower + dw).v_out - solve(v_upper - du, v_lower - dw).v_out
            ) / (2 * h)
            # h^2 of curvature and rounding of full/h bound what a difference can show
            assert gain == pytest.approx(slope, rel=1e-5, abs=1e-6 * full / VT_25)


@given(small_volts, small_volts, live_tails)
def test_closed_form_of_the_matched_cell(v_upper, v_lower, i_tail):
    point = solve_cell(v_upper, v_lower, i_tail)
    close(
        point.v_out,
        i_tail * 1e3 * np.tanh(v_upper / (2 * VT_25)) * np.tanh(v_lower / (2 * VT_25)),
        i_tail * 1e3,
    )


@given(small_volts, small_volts, live_tails, settings_any)
def test_cell_is_crossed_pairs_with_the_tails_of_the_lower_pair(v_upper, v_lower, i_tail, s):
    whole = solve_cell(v_upper, v_lower, i_tail, s)
    hand = solve_crossed(v_upper, whole.i_lower[0], whole.i_lower[1], s)
    np.testing.assert_allclose(hand.i_upper, whole.i_upper, rtol=1e-12)
    close(hand.v_out, whole.v_out, i_tail * s.r_load)


@given(small_volts, small_volts, live_tails, live_tails, settings_any)
def test_upper_offsets_add_to_the_input_of_their_own_pair(v_upper, w, i_left, i_right, s):
    moved = dataclasses.replace(s, offset_left=0.0, offset_right=0.0)
    with_offsets = solve_shared_loads(v_upper, w, i_left, i_right, s)
    by_hand = solve_shared_loads(
        v_upper + s.offset_left, w + s.offset_right, i_left, i_right, moved
    )
    np.testing.assert_array_equal(with_offsets.i_upper, by_hand.i_upper)
    lower = solve_cell(v_upper, w, i_left, s)
    by_hand = solve_cell(
        v_upper, w + s.offset_lower, i_left, dataclasses.replace(s, offset_lower=0.0)
    )
    np.testing.assert_array_equal(lower.i_lower, by_hand.i_lower)


@pytest.mark.parametrize("r_emitter", [0.0, 100.0])
def test_no_warning_at_ten_volts_and_beyond(r_emitter):
    v = np.array([-1e4, -10.0, -1.0, 0.0, 1.0, 10.0, 1e4])
    s = CellSettings(r_emitter_upper=r_emitter, r_emitter_lower=r_emitter)
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        point = solve_cell(v[:, None], v, 2e-3, s)
    for field in ("i_upper", "i_lower", "v_out", "v_left", "gain_upper", "gain_lower"):
        assert np.all(np.isfinite(getattr(point, field)))
    close(point.v_out, 2.0 * np.sign(v)[:, None] * np.sign(v), 2.0)


def test_every_field_has_the_common_shape():
    s = CellSettings(r_load=np.full((2, 1, 1), 1e3), temperature=np.full((3, 1), 300.0))
    for point in (
        solve_cell(np.zeros(4), 0.01, 1e-3, s),
        solve_crossed(np.zeros(4), 1e-3, 2e-3, s),
        solve_shared_loads(np.zeros(4), 0.0, 1e-3, 2e-3, s),
        solve_pair(np.zeros(4), 1e-3, s),
    ):
        for field in (
            "v_upper",
            "v_lower",
            "i_tail",
            "r_load",
            "temperature",
            "thermal_voltage",
            "v_left",
            "v_right",
            "v_out",
            "gain_upper",
            "gain_lower",
        ):
            assert getattr(point, field).shape == (2, 3, 4), field
        assert point.i_upper.shape == (2, 3, 4, 4)
        assert point.i_lower.shape == point.i_load.shape == (2, 3, 4, 2)
    assert solve_cell(0.0, 0.0, 1e-3).v_out.shape == ()
    assert solve_cell(np.zeros(0), 0.0, 1e-3).i_upper.shape == (0, 4)


@given(
    st.lists(small_volts, min_size=1, max_size=4),
    st.lists(small_volts, min_size=1, max_size=4),
    live_tails,
    settings_any,
)
def test_arrays_give_what_single_points_give(uppers, lowers, i_tail, s):
    grid = solve_cell(np.array(uppers)[:, None], np.array(lowers), i_tail, s)
    for j, u in enumerate(uppers):
        for k, w in enumerate(lowers):
            one = solve_cell(u, w, i_tail, s)
            np.testing.assert_allclose(grid.i_upper[j, k], one.i_upper, rtol=1e-12)
            close(grid.v_out[j, k], one.v_out, i_tail * s.r_load)


@given(live_tails, settings_any)
def test_map_is_the_output_over_full_scale(i_tail, s):
    u, w = np.linspace(-0.1, 0.1, 5), np.linspace(-0.05, 0.05, 3)
    z = cell.output_map(u, w, s, i_tail)
    assert z.shape == (3, 5)
    close(z * i_tail * s.r_load, solve_cell(u, w[:, None], i_tail, s).v_out, i_tail * s.r_load)
    if not (s.r_emitter_upper or s.r_emitter_lower):
        np.testing.assert_allclose(z, cell.output_map(u, w, s, 1e-3), atol=1e-13)


@pytest.mark.parametrize(
    "change, parts",
    [
        (dict(i_tail=-2e-3), ["i_tail", "-0.002 A", "at least 0 A"]),
        (dict(v_upper=np.nan), ["v_upper", "nan", "a finite number of V"]),
        (dict(v_lower=[0.0, np.inf]), ["v_lower", "inf", "position 1", "a finite number of V"]),
        (dict(v_upper="20mV"), ["v_upper", "'20mV'", "not a number"]),
        (dict(v_upper=np.zeros(2), v_lower=np.zeros(3)), ["v_upper (2,)", "v_lower (3,)"]),
        (dict(r_load=-1.0), ["r_load", "-1 ohm", "at least 0 ohm"]),
        (dict(temperature=0.0), ["temperature", "0 K", "above 0 K"]),
        (dict(v_supply=-12.0), ["v_supply", "-12 V", "at least 0 V"]),
        (dict(offset_left=np.nan), ["offset_left", "nan"]),
        (dict(offset_right=np.nan), ["offset_right", "nan"]),
        (dict(offset_lower=np.inf), ["offset_lower", "inf"]),
        (dict(r_emitter_upper=-1.0), ["r_emitter_upper", "-1 ohm", "at least 0 ohm"]),
        (dict(r_emitter_lower=-1.0), ["r_emitter_lower", "-1 ohm", "at least 0 ohm"]),
        (dict(v_upper=np.zeros(2), r_load=np.full(3, 1e3)), ["v_upper (2,)", "r_load (3,)"]),
    ],
)
def test_bad_argument_is_named_with_value_and_range(change, parts):
    names = [f.name for f in dataclasses.fields(CellSettings)]
    inputs = {"v_upper": 0.0, "v_lower": 0.0, "i_tail": 2e-3}
    inputs.update({n: v for n, v in change.items() if n not in names})
    settings = CellSettings(**{n: v for n, v in change.items() if n in names})
    with pytest.raises(QuantityError) as error:
        solve_cell(**inputs, settings=settings)
    assert all(part in str(error.value) for part in parts), str(error.value)


@pytest.mark.parametrize("name", ["i_tail_left", "i_tail_right"])
def test_bad_tail_of_two_pairs_is_named(name):
    for solve in (solve_crossed, lambda u, **t: solve_shared_loads(u, u, **t)):
        with pytest.raises(QuantityError, match=f"{name} is -0.001 A; it must be at least 0 A"):
            solve(0.0, **{"i_tail_left": 1e-3, "i_tail_right": 1e-3, name: -1e-3})
    with pytest.raises(QuantityError, match="v_second is nan"):
        solve_shared_loads(0.0, np.nan, 1e-3, 1e-3)


def limits(point, settings=None):
    return {limit.name: limit for limit in validity(point, settings)}


def test_validity_says_when_an_input_leaves_the_linear_range():
    inside = limits(solve_cell(0.005, 0.005, 2e-3))
    assert all(limit.holds for limit in inside.values())
    outside = limits(solve_cell(0.005, -0.02, 2e-3))
    assert outside["linear_v_upper"].holds and not outside["linear_v_lower"].holds
    assert "20.0 mV" in outside["linear_v_lower"].text
    assert "tanh bends" in outside["linear_v_lower"].text


def test_validity_counts_the_emitter_resistors():
    s = CellSettings(r_emitter_lower=100.0)
    assert limits(solve_cell(0.0, 0.06, 2e-3, s), s)["linear_v_lower"].holds
    assert not limits(solve_cell(0.0, 0.06, 2e-3))["linear_v_lower"].holds


def test_validity_compares_the_load_drop_with_the_supply():
    for r_load, holds in ((4.4e3, True), (4.6e3, False)):  # 2 mA against 12 V less 3 V
        s = CellSettings(r_load=r_load)
        limit = limits(solve_cell(0.02, 0.02, 2e-3, s), s)["headroom"]
        assert limit.holds is holds
        assert limit.value == pytest.approx(2e-3 * r_load) and limit.limit == pytest.approx(9.0)
        assert ("saturate" in limit.text) is not holds
        # what is left is said with what it is left above: 12 V less 3 V
        assert "12.0 V leaves" in limit.text and "9.00 V" in limit.text
        assert "above 3 levels of transistors at 1 V each" in limit.text


@pytest.mark.parametrize(
    "solve, inputs, levels",
    [
        (solve_pair, (0.06, 2e-3), 2),
        (solve_shared_loads, (0.06, 0.06, 1e-3, 1e-3), 2),
        (solve_crossed, (0.06, 1e-3, 1e-3), 2),
        (solve_cell, (0.06, 0.06, 2e-3), 3),
    ],
)
def test_validity_counts_the_levels_that_stand_on_each_other(solve, inputs, levels):
    # about 1 V each: common practice, no source; 2 mA in 4.8 kohm leaves 2.4 V of 12 V
    s = CellSettings(r_load=4.8e3)
    limit = {m.name: m for m in validity(solve(*inputs, s), s, levels)}["headroom"]
    assert limit.limit == pytest.approx(12.0 - levels) and limit.holds is (levels == 2)


def test_validity_warns_of_heat_and_takes_the_worst_of_arrays():
    hot = CellSettings(temperature=273.15 + 130.0)
    assert not limits(solve_cell(0.0, 0.0, 2e-3, hot), hot)["temperature"].holds
    swept = limits(solve_cell(np.array([0.0, 0.001, -0.05]), 0.001, 2e-3))
    assert not swept["linear_v_upper"].holds
    assert swept["linear_v_upper"].value == pytest.approx(0.05)


def test_linear_range_is_where_tanh_is_one_per_cent_short_of_its_tangent():
    x = scipy.optimize.brentq(lambda x: np.tanh(x) / x - 0.99, 0.01, 1.0)  # NIST DLMF 4.33.3
    found = limits(solve_cell(0.0, 0.0, 2e-3))
    for name in ("linear_v_upper", "linear_v_lower"):
        assert found[name].limit == pytest.approx(2 * VT_25 * x, rel=1e-6)
        assert found[name].unit == "V" and found[name].value == 0.0
    for factor, holds in ((0.999, True), (1.001, False)):
        v = factor * 2 * VT_25 * x
        assert limits(solve_cell(v, 0.0, 2e-3))["linear_v_upper"].holds is holds
        assert limits(solve_cell(0.0, -v, 2e-3))["linear_v_lower"].holds is holds


@pytest.mark.parametrize(
    "some",
    [
        dict(r_emitter_upper=[0.0, 80.0]),
        dict(r_emitter_lower=[0.0, 80.0]),
        dict(offset_left=[0.0, 3e-3]),
        dict(offset_right=[2e-3, 0.0]),
        dict(offset_left=[0.0, 3e-3], offset_right=[0.0, 1e-3]),
        dict(offset_lower=[0.0, 3e-3]),
        dict(offset_left=[0.0, 3e-3], offset_right=[0.0, 3e-3]),
        dict(temperature=[250.0, 350.0], r_load=[1e3, 2e3], v_supply=[9.0, 12.0]),
    ],
)
def test_settings_that_differ_from_point_to_point_are_each_solved_as_alone(some):
    many = solve_cell(0.02, -0.01, 2e-3, CellSettings(**{n: np.array(v) for n, v in some.items()}))
    for k in (0, 1):
        one = solve_cell(0.02, -0.01, 2e-3, CellSettings(**{n: v[k] for n, v in some.items()}))
        for name in ("v_left", "v_right", "v_out", "gain_upper", "gain_lower", "temperature"):
            np.testing.assert_allclose(getattr(many, name)[k], getattr(one, name), rtol=1e-9)
        np.testing.assert_allclose(many.i_upper[k], one.i_upper, rtol=1e-12)
        assert one.residual == 0.0 and one.converged


def test_what_a_circuit_has_no_lower_input_for_is_zero():
    v, s = np.array([0.01, -0.03]), CellSettings(r_emitter_upper=20.0)
    for point in (solve_pair(v, 1e-3, s), solve_crossed(v, 1e-3, 2e-3, s)):
        np.testing.assert_array_equal(point.v_lower, [0.0, 0.0])
        np.testing.assert_array_equal(point.gain_lower, [0.0, 0.0])
    shared = solve_shared_loads(v, 0.02, 1e-3, 2e-3, s)
    np.testing.assert_array_equal(shared.v_lower, [0.02, 0.02])
    assert np.all(shared.gain_lower > 0.0)
    np.testing.assert_array_equal(
        cell.output_map(v, [0.01], s), cell.output_map(v, [0.01], s, i_tail=1.0)
    )
    # Q1 and Q2 alone: nothing in the other branches
    np.testing.assert_array_equal(solve_pair(v, 1e-3, s).i_upper[:, 2:], np.zeros((2, 2)))
    np.testing.assert_array_equal(solve_pair(v, 1e-3, s).i_lower, [[1e-3, 0.0]] * 2)
    assert np.all(solve_pair(v, 1e-3, s).i_tail == 1e-3)


def test_limits_of_many_points_are_those_of_the_worst():
    some = CellSettings(
        temperature=np.array([300.0, 340.0]), r_emitter_upper=np.array([10.0, 40.0]),
        r_emitter_lower=np.array([80.0, 20.0]),
    )  # fmt: skip
    worst = CellSettings(temperature=340.0, r_emitter_upper=40.0, r_emitter_lower=80.0)
    many = limits(solve_cell([0.3, 0.01], [-0.01, -0.3], np.array([1e-3, 2e-3]), some), some)
    one = limits(solve_cell(0.3, -0.3, 2e-3, worst), worst)
    for name in ("linear_v_upper", "linear_v_lower"):
        # of an upper pair by the current that it carries, which its lower pair does not quite share
        close = 1e-9 if name == "linear_v_lower" else 0.01
        assert many[name].limit == pytest.approx(one[name].limit, rel=close)
        assert many[name].value == 0.3 and not many[name].holds
        edge = f"{1e3 * many[name].limit:.3g} mV"
        assert f", 300 mV, is past {edge}, where " in many[name].text
    inside = solve_cell(0.01, 0.01, 2e-3, worst)
    assert f" within the range of {edge} where" in limits(inside, worst)["linear_v_lower"].text


def test_headroom_is_told_of_the_worst_load_and_the_least_supply():
    s = CellSettings(r_load=np.array([1e3, 4e3]), v_supply=np.array([9.0, 12.0]))
    point = solve_cell(0.01, -0.02, np.array([1e-3, 2e-3]), s)
    drop = float(np.max(point.i_load[1] * 4e3))
    found = {limit.name: limit for limit in validity(point, s)}["headroom"]
    assert (found.value, found.limit, found.unit) == (8.0, 6.0, "V")
    assert f"would drop 8.00 V (now {drop:.2f} V), more than the 6.00 V that" in found.text
    assert "a supply of 9.00 V leaves above 3 levels of transistors at 1 V each" in found.text
    # 1 mA in 9 k is just what 12 V leave above three levels of 1 V
    s = CellSettings(r_load=9e3)
    just = limits(solve_cell(0.0, 0.0, 1e-3, s), s)["headroom"]
    assert just.holds and (just.value, just.limit) == (9.0, 9.0)
    assert "in one load it drops 9.00 V; the supply of 12.0 V leaves it 9.00 V above" in just.text
    low = CellSettings(v_supply=2.0)
    assert limits(solve_cell(0.0, 0.0, 1e-3, low), low)["headroom"].limit == 0.0


def test_heat_is_told_above_125_degrees():
    for kelvin, warm in ((273.15 + 125.0, False), (273.15 + 125.1, True)):
        found = limits(solve_cell(0.0, 0.0, 1e-3, CellSettings(temperature=kelvin)))
        assert ("temperature" in found) is warm
    assert found["temperature"].value == kelvin and found["temperature"].limit == 273.15 + 125.0
    assert not found["temperature"].holds and found["temperature"].unit == "K"
    assert found["temperature"].text.startswith("125.1 \u00b0C is hotter")


def test_no_points_pass_no_limit():
    assert validity(solve_cell(np.zeros(0), 0.0, np.zeros(0))) == ()


@given(volts, volts, live_tails, kelvins, offsets, offsets)
def test_branches_agree_with_the_law_of_each_pair(v_upper, v_lower, i_tail, kelvin, upper, lower):
    """One pass with products of exponentials, and pair after pair: the same currents."""
    s = CellSettings(temperature=kelvin, offset_left=upper, offset_right=upper, offset_lower=lower)
    rows = branch_currents([v_upper, 0.0], v_lower, i_tail, s)
    assert rows.shape == (6, 2)
    i_lower = pair.split(v_lower, i_tail, kelvin, offset=lower)
    for k, v in enumerate((v_upper, 0.0)):
        left = pair.split(v, i_lower[0], kelvin, offset=upper)
        right = pair.split(v, i_lower[1], kelvin, offset=upper)
        want = [*left, right[1], right[0], *i_lower]
        np.testing.assert_allclose(rows[:, k], want, rtol=1e-12, atol=1e-14 * i_tail)


def test_branches_stay_finite_far_beyond_any_drive():
    v = np.array([-1e6, -30.0, -9.0, 0.0, 9.0, 30.0, 1e6])
    rows = branch_currents(v[:, None], v, 2e-3)
    assert np.all(np.isfinite(rows)) and np.all(rows >= 0)
    np.testing.assert_allclose(rows[:4].sum(axis=0), 2e-3, rtol=1e-12)
    np.testing.assert_allclose(rows[:, 0, 0], [0, 0, 2e-3, 0, 0, 2e-3], atol=1e-12)


@pytest.mark.parametrize("bad", [np.nan, np.inf, [0.0, -np.inf], "ten"])
def test_branches_refuse_what_is_no_number(bad):
    with pytest.raises(QuantityError, match="v_upper is"):
        branch_currents(bad, 0.01, 2e-3)
    with pytest.raises(QuantityError, match="v_lower is"):
        branch_currents(0.01, bad, 2e-3)


def test_gains_only_when_asked_for():
    point = solve_cell([0.01, 0.02], 0.01, 2e-3, gains=False)
    assert np.all(np.isnan(point.gain_upper)) and point.gain_lower.shape == (2,)
    np.testing.assert_array_equal(point.v_out, solve_cell([0.01, 0.02], 0.01, 2e-3).v_out)


def test_settings_are_checked_by_value_not_by_name():
    """Settings of plain numbers are checked once; arrays, and other numbers, on their own."""
    plain = CellSettings(r_load=500.0)
    assert plain.checked() is CellSettings(r_load=500.0).checked()
    assert CellSettings(r_load=np.array([500.0, 600.0])).checked().r_load[1] == 600.0
    assert CellSettings(r_load=700.0).checked().r_load == 700.0
    with pytest.raises(QuantityError, match="r_load is -1"):
        CellSettings(r_load=-1.0).checked()
