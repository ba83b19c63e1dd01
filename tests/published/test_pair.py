"""One differential pair against published laws and tables; source beside each check.

GHLM: Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated Circuits.
"""

from decimal import Decimal

import numpy as np
import pytest
from scipy import optimize

from forktail.core.cell import pair
from helpers import VT_25, tanh_decimal

TAIL = 2e-3
DRIVES = [-0.3, -0.1, -0.02, -1e-3, 0.0, 1e-6, 0.005, 0.018, 0.05, 0.12, 0.3]

#: tanh x: Abramowitz & Stegun, Table 4.15 (hyperbolic functions), values from memory,
#: confirmed below by NIST DLMF 4.28 in 60-digit arithmetic.
TANH_TABLE = {
    0.1: 0.09966799,
    0.2: 0.19737532,
    0.5: 0.46211716,
    1.0: 0.76159416,
    1.5: 0.90514825,
    2.0: 0.96402758,
    3.0: 0.99505475,
}


def difference(v, tail=TAIL, r_emitter=0.0):
    i = pair.split(v, tail, 298.15, r_emitter)
    return i[..., 0] - i[..., 1]


@pytest.mark.parametrize("v", DRIVES)
def test_ratio_of_the_currents(v):
    # GHLM ch. 3: I1/I2 = exp(vd/VT)
    i1, i2 = pair.split(v, TAIL)
    assert i1 / i2 == pytest.approx(np.exp(v / VT_25), rel=1e-13)


@pytest.mark.parametrize("v", DRIVES)
def test_difference_of_the_currents(v):
    # GHLM ch. 3: I1 - I2 = I tanh(vd/2VT)
    assert difference(v) == pytest.approx(TAIL * np.tanh(v / (2 * VT_25)), rel=1e-12, abs=1e-18)


@pytest.mark.parametrize("x, tabled", TANH_TABLE.items())
def test_transfer_against_the_table_of_tanh(x, tabled):
    # Abramowitz & Stegun, Table 4.15; reference value by NIST DLMF 4.28 in decimal arithmetic
    got = difference(2 * VT_25 * x) / TAIL
    assert got == pytest.approx(tabled, abs=5.1e-9)
    assert got == pytest.approx(float(tanh_decimal(Decimal(x))), rel=1e-14)


@pytest.mark.parametrize("x", [0.001, 0.01, 0.05, 0.1, 0.2])
def test_transfer_against_the_series_of_tanh(x):
    # NIST DLMF 4.33.3: tanh x = x - x^3/3 + 2 x^5/15 - 17 x^7/315 + ...
    series = x - x**3 / 3 + 2 * x**5 / 15 - 17 * x**7 / 315
    rest = 62 * x**9 / 2835  # size of the next term, from memory
    assert difference(2 * VT_25 * x) / TAIL == pytest.approx(series, rel=1e-13, abs=1.01 * rest)


def test_transconductance_of_one_side():
    # GHLM ch. 3: gm = IC/VT with IC = I_tail/2; common practice: about 40 mS for each mA
    assert pair.transconductance(2e-3) == pytest.approx(1e-3 / VT_25, rel=1e-14)
    assert pair.transconductance(2e-3) == pytest.approx(39e-3, rel=0.01)


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


def test_hard_switched_beyond_about_four_thermal_voltages():
    # common practice, no source: past about 4 VT (100 mV) nearly all of the tail is switched
    assert difference(4 * VT_25) > 0.96 * TAIL
