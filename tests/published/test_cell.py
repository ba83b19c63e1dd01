"""The cell against its published law; source beside each check.

GHLM: Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated Circuits.
"""

from decimal import Decimal
from itertools import product

import numpy as np
import pytest

from forktail.core.cell.law import CellSettings, solve_cell
from helpers import VT_25, tanh_decimal, thermal_voltage_decimal

DRIVES = [-0.15, -0.0514, -0.01, 1e-5, 0.02, 0.0771, 0.2]


@pytest.mark.parametrize("v_upper, v_lower", list(product(DRIVES, DRIVES)))
def test_output_is_the_product_of_two_tanh(v_upper, v_lower):
    # GHLM ch. 10: v_out = I R tanh(vu/2VT) tanh(vl/2VT); tanh by NIST DLMF 4.28 in decimal
    # arithmetic, k and q exact by the SI Brochure, 9th edition (2019)
    v_t = thermal_voltage_decimal(313.15)
    law = (
        Decimal(2e-3)
        * Decimal(2.2e3)
        * tanh_decimal(Decimal(v_upper) / (2 * v_t))
        * tanh_decimal(Decimal(v_lower) / (2 * v_t))
    )
    point = solve_cell(v_upper, v_lower, 2e-3, CellSettings(r_load=2.2e3, temperature=313.15))
    # v_out is the difference of two drops of about I R/2, so rounding is a part of I R
    assert point.v_out == pytest.approx(float(law), rel=1e-12, abs=4e-15)


def test_output_at_two_thermal_voltages_on_both_inputs():
    # Abramowitz & Stegun, Table 4.15 (from memory): tanh 1 = 0.76159416
    point = solve_cell(2 * VT_25, 2 * VT_25, 1e-3)
    assert point.v_out == pytest.approx(0.76159416**2, abs=2e-8)


@pytest.mark.parametrize("v_upper, v_lower", list(product(DRIVES, DRIVES)))
def test_six_branch_currents(v_upper, v_lower):
    # GHLM ch. 10: each branch is the tail over (1 + e^(-+vu/VT)) (1 + e^(-+vl/VT))
    point = solve_cell(v_upper, v_lower, 2e-3)
    a, b = np.exp(v_upper / VT_25), np.exp(v_lower / VT_25)
    upper_plus, upper_minus = a / (1 + a), 1 / (1 + a)
    i5, i6 = 2e-3 * b / (1 + b), 2e-3 / (1 + b)
    np.testing.assert_allclose(point.i_lower, [i5, i6], rtol=1e-12)
    np.testing.assert_allclose(
        point.i_upper,
        [i5 * upper_plus, i5 * upper_minus, i6 * upper_minus, i6 * upper_plus],
        rtol=1e-12,
    )


@pytest.mark.parametrize("v", [1e-4, 1e-3, 2e-3])
def test_small_signals_are_multiplied(v):
    # GHLM ch. 10: for inputs small beside VT, v_out = I R vu vl/(4 VT^2); the first term left
    # out is of the order (v/2VT)^2/3 a factor (NIST DLMF 4.33.3)
    out = solve_cell(v, 0.7 * v, 2e-3).v_out
    assert out == pytest.approx(
        2e-3 * 1e3 * 0.7 * v**2 / (4 * VT_25**2), rel=(v / (2 * VT_25)) ** 2
    )


def test_gain_from_either_input():
    # derivative of the law above, with d tanh x/dx = 1 - tanh^2 x: NIST DLMF 4.34
    v_upper, v_lower, tail, r = 0.013, -0.031, 2e-3, 1e3
    tu, tl = np.tanh(v_upper / (2 * VT_25)), np.tanh(v_lower / (2 * VT_25))
    point = solve_cell(v_upper, v_lower, tail)
    assert point.gain_upper == pytest.approx(tail * r * (1 - tu**2) * tl / (2 * VT_25), rel=1e-12)
    assert point.gain_lower == pytest.approx(tail * r * (1 - tl**2) * tu / (2 * VT_25), rel=1e-12)


def test_one_input_hard_switched_leaves_a_plain_pair():
    # GHLM ch. 10: with one input fully switched, tanh = +-1 and gm R of a pair remains
    for sign in (1.0, -1.0):
        point = solve_cell(sign * 1.0, 0.0, 2e-3)
        assert point.gain_lower == pytest.approx(sign * (1e-3 / VT_25) * 1e3, rel=1e-12)
