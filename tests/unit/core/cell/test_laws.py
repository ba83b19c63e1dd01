"""Pair and cell against their laws, typed again from the book; source beside each check.

GHLM: Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated Circuits.
"""

from decimal import Decimal
from itertools import product

import numpy as np
import pytest
from scipy import optimize

from forktail.core.cell import pair
from forktail.core.cell.law import CellSettings, solve_cell
from helpers import VT_25, tanh_decimal, thermal_voltage_decimal

TAIL = 2e-3
INPUTS = [-0.3, -0.1, -0.02, -1e-3, 0.0, 1e-6, 0.005, 0.018, 0.05, 0.12, 0.3]
DRIVES = [-0.15, -0.0514, -0.01, 1e-5, 0.02, 0.0771, 0.2]


def difference(v, tail=TAIL, r_emitter=0.0):
    i = pair.split(v, tail, 298.15, r_emitter)
    return i[..., 0] - i[..., 1]


@pytest.mark.parametrize("v", INPUTS)
def test_ratio_of_the_currents(v):
    # GHLM ch. 3: I1/I2 = exp(vd/VT)
    i1, i2 = pair.split(v, TAIL)
    assert i1 / i2 == pytest.approx(np.exp(v / VT_25), rel=1e-13)


@pytest.mark.parametrize("v", INPUTS)
def test_difference_of_the_currents(v):
    # GHLM ch. 3: I1 - I2 = I tanh(vd/2VT)
    assert difference(v) == pytest.approx(TAIL * np.tanh(v / (2 * VT_25)), rel=1e-12, abs=1e-18)


@pytest.mark.parametrize("x", [0.001, 0.01, 0.05, 0.1, 0.2])
def test_transfer_against_the_series_of_tanh(x):
    # NIST DLMF 4.33.3: tanh x = x - x^3/3 + 2 x^5/15 - 17 x^7/315 + ...
    series = x - x**3 / 3 + 2 * x**5 / 15 - 17 * x**7 / 315
    rest = 62 * x**9 / 2835  # size of the next term, from memory
    assert difference(2 * VT_25 * x) / TAIL == pytest.approx(series, rel=1e-13, abs=1.01 * rest)


def test_transconductance_of_one_side():
    # GHLM ch. 3: gm = IC/VT with IC = I_tail/2
    assert pair.transconductance(2e-3) == pytest.approx(1e-3 / VT_25, rel=1e-14)


@pytest.mark.parametrize("r_load", [100.0, 1e3, 4.7e3])
def test_differential_gain_is_gm_r(r_load):
    # GHLM ch. 3: differential gain = gm R (also common practice); slope taken numerically
    h = 1e-6
    gain = r_load * (difference(h) - difference(-h)) / (2 * h)
    assert gain == pytest.approx((TAIL / 2) / VT_25 * r_load, rel=1e-9)


@pytest.mark.parametrize("r_emitter", [10.0, 25.7, 100.0, 1e3])
def test_emitter_resistors_lower_the_gain(r_emitter):
    # GHLM ch. 3: gm/(1 + gm RE)
    gm = (TAIL / 2) / VT_25
    assert pair.transconductance(TAIL, r_emitter=r_emitter) == pytest.approx(
        gm / (1 + gm * r_emitter), rel=1e-13
    )


@pytest.mark.parametrize("r_emitter", [10.0, 100.0, 1e3])
@pytest.mark.parametrize("share", [0.6, 0.9, 0.99])
def test_emitter_resistors_widen_the_input_range(r_emitter, share):
    # GHLM ch. 3: the range grows by about I_tail RE; for a share f of the tail by (2f - 1) I RE
    def input_for(r):
        return optimize.brentq(
            lambda v: pair.split_fractions(v, 298.15, TAIL, r)[0] - share, -10.0, 10.0, xtol=1e-14
        )

    grown = input_for(r_emitter) - input_for(0.0)
    assert grown == pytest.approx((2 * share - 1) * TAIL * r_emitter, rel=1e-9)
    if share == 0.99:
        assert grown == pytest.approx(TAIL * r_emitter, rel=0.03)


def test_linear_range_of_the_plain_pair():
    # root of tanh(x)/x = 0.99 by scipy; first term of the series (NIST DLMF 4.33.3): x^2/3 = 0.01
    x = optimize.brentq(lambda x: np.tanh(x) / x - 0.99, 0.01, 1.0, xtol=1e-15)
    assert pair.linear_range(0.01) == pytest.approx(2 * VT_25 * x, rel=1e-10)
    assert pair.linear_range(0.01) == pytest.approx(2 * VT_25 * np.sqrt(0.03), rel=0.01)


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
