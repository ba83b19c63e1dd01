"""Spread of many builds and the trims that null it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.core.built import mismatch, network
from forktail.core.built.circuit import Circuit
from forktail.core.built.mismatch import Tolerances, monte_carlo, null_trims, solve_trims
from forktail.core.checks import QuantityError

V_T = 0.0256926  # kT/q at 298.15 K: exact k and q, SI Brochure, 9th edition
C = Circuit()
PLAIN = Circuit(
    tail_kind="ideal",
    r_source_upper=0.0,
    r_source_lower=0.0,
    beta_forward=math.inf,
    v_early=math.inf,
    g_leak=1e-16,
)


def last(iterator):
    return list(iterator)[-1]


def test_chunks_show_progress_and_do_not_change_the_builds():
    steps = list(monte_carlo(C, builds=50, seed=3, chunk=20))
    assert [(s.done, s.total) for s in steps] == [(20, 50), (40, 50), (50, 50)]
    whole = last(monte_carlo(C, builds=50, seed=3, chunk=50))
    for name, values in whole.values.items():
        np.testing.assert_allclose(steps[-1].values[name], values, rtol=1e-6, atol=1e-9)
    other = last(monte_carlo(C, builds=50, seed=4, chunk=50))
    assert not np.allclose(other.values["offset"], whole.values["offset"])
    assert whole.unsolved == 0


def test_it_can_be_left_early():
    run = monte_carlo(C, builds=100_000, chunk=10)
    assert next(run).done == 10
    run.close()


def test_no_tolerance_no_spread():
    s = last(monte_carlo(C, Tolerances(0.0, 0.0, 0.0), builds=5))
    for name in ("offset", "feed_upper", "feed_lower"):
        assert np.max(np.abs(s.values[name])) < 1e-6
    assert np.ptp(s.values["product_gain"]) < 1e-6


def test_spread_follows_from_the_areas():
    """Offset of a pair: VT ln of the area ratio, so sigma = sqrt(2) v_be (Gray et al., ch. 3)."""
    s = last(
        monte_carlo(
            PLAIN,
            Tolerances(v_be=1e-3, resistor=0.0),
            builds=1500,
            seed=5,
            drive_upper=1e-3,
            drive_lower=1e-3,
        )
    )
    sigma = s.summary("offset_lower")["sigma"]
    assert sigma == pytest.approx(math.sqrt(2) * 1e-3, rel=0.08)
    # two upper pairs share the upper input, so their mean counts: 1/sqrt(2) of one pair's
    assert s.summary("offset_upper")["sigma"] == pytest.approx(1e-3, rel=0.08)


def test_offsets_are_told_by_the_gain_at_balance_whatever_the_drives():
    """The offset of the lower pair is VT ln A (Gray, Hurst, Lewis, Meyer, chapter 3)."""
    for drive in (1e-3, 0.02, 0.1):
        values, _ = mismatch.measure(PLAIN, {"Q5": [1.05]}, drive, drive)
        assert values["offset_lower"][0] == pytest.approx(V_T * math.log(1.05), rel=2e-3)
        assert values["offset_upper"][0] == pytest.approx(0.0, abs=1e-7)


def test_mismatch_makes_half_cycles_unequal():
    """Common practice, no source."""
    even, _ = mismatch.measure(PLAIN, {"Q5": [1.0]})
    uneven, _ = mismatch.measure(PLAIN, {"Q5": [1.1]})
    assert abs(even["uneven_lower"][0]) < 1e-8
    # textbook: the halves are tanh((b + o)/2VT) and tanh((b - o)/2VT), o = VT ln 1.1
    o, b = V_T * math.log(1.1), 0.02
    plus, minus = math.tanh((b + o) / (2 * V_T)), math.tanh((b - o) / (2 * V_T))
    assert uneven["uneven_lower"][0] == pytest.approx((plus - minus) / (plus + minus), rel=1e-4)


def test_bands_hold_the_nominal_and_widen_with_tolerance():
    bias = network.solve_bias(C)
    narrow = last(monte_carlo(C, Tolerances(0.0, 0.01, 0.0), builds=200)).bands()
    wide = last(monte_carlo(C, Tolerances(0.0, 0.05, 0.0), builds=200)).bands()
    assert set(narrow) == set(bias.nodes)
    for name, (low, middle, high) in narrow.items():
        assert low <= middle <= high
        assert low - 0.02 <= float(bias.nodes[name]) <= high + 0.02
    for name in ("left", "level_upper", "tail"):
        assert wide[name][2] - wide[name][0] > 3 * (narrow[name][2] - narrow[name][0])


def test_trims_null_every_build():
    scale = mismatch.draw(C, Tolerances(), 40, 7)
    settings, before, after = solve_trims(C, scale)
    for name in ("offset", "feed_upper", "feed_lower"):
        assert np.max(np.abs(before[name])) > 1e-3
        assert np.max(np.abs(after[name])) < 1e-5 * np.max(np.abs(before[name]))
    assert set(settings) == {"trim_upper", "trim_lower", "trim_balance"}
    # said again by an independent solve
    p = network.solve_many(C, {**scale, **settings}, [0.0], [0.0])
    np.testing.assert_allclose(p.v_out[:, 0], after["offset"], atol=1e-9)


def test_one_trim_leaves_the_others():
    bad = replace(C, area=(1, 1, 1, 1, 1.1, 1, 1))
    settings, trimmed = null_trims(bad, ("trim_lower",))
    assert set(settings) == {"trim_lower"}
    # trimmed, both sides carry equal currents, so the trim is the offset itself, turned round
    assert settings["trim_lower"] == pytest.approx(-V_T * math.log(1.1), rel=2e-3)
    assert abs(network.solve_bias(trimmed).gain_upper) < 1e-6


def test_exact_trim_of_the_plain_cell():
    bad = replace(PLAIN, area=(1, 1, 1, 1, 1.1, 1, 1))
    settings, _ = null_trims(bad, ("trim_lower",))
    assert settings["trim_lower"] == pytest.approx(-V_T * math.log(1.1), rel=1e-5)


@pytest.mark.parametrize(
    "call, word",
    [
        (lambda: monte_carlo(C, builds=0), "builds"),
        (lambda: monte_carlo(C, chunk=0), "chunk"),
        (lambda: monte_carlo(C, drive_upper=0.0), "drive_upper"),
        (lambda: Tolerances(v_be=-1.0), "v_be"),
        (lambda: Tolerances(resistor=2.0), "resistor"),
        (lambda: solve_trims(C, {}, ("trim_moon",)), "trim_moon"),
    ],
)
def test_bad_arguments_are_refused(call, word):
    with pytest.raises(QuantityError, match=word):
        call()
