"""Figures of the built cell against numbers from outside; source beside each.

The laws themselves, and an independent solution, are in tests/unit/core/built/test_laws.py.
"""

import math

import pytest

from forktail.core.built import network
from forktail.core.built.circuit import Circuit
from helpers import VT_25

IDEAL = Circuit(
    tail_kind="ideal",
    r_source_upper=0.0,
    r_source_lower=0.0,
    beta_forward=math.inf,
    v_early=math.inf,
    g_leak=1e-16,
)


@pytest.mark.parametrize("side", ["upper", "lower"])
def test_range_for_one_per_cent_is_that_of_the_tanh(side):
    # 0.69 VT, by the series of tanh: Gray, Hurst, Lewis, Meyer, ch. 3; the next term takes 1.5 %
    assert network.linear_range(IDEAL, side) == pytest.approx(0.693 * VT_25, rel=0.04)


def test_product_gain_falls_with_temperature():
    # VT grows by 3354 ppm/K at 25 degC and stands squared below: -0.671 %/K; from memory
    assert 100 * network.figures(IDEAL).drift == pytest.approx(-0.671, abs=1e-3)


def test_full_steering_in_numbers():
    # common practice, no source: about 40 mS for each mA, and twice I R from end to end
    found = network.figures(IDEAL)
    assert found.gain_upper == pytest.approx(0.5 * 38.9 * 2.2, rel=2e-3)
    assert found.swing == pytest.approx(2 * 1.0 * 2.2, rel=2e-3)
