"""Pair and cell against numbers from outside; source beside each.

The laws themselves, typed again, are in tests/unit/core/cell/test_laws.py.
"""

from decimal import Decimal

import pytest

from forktail.core.cell import pair
from forktail.core.cell.law import solve_cell
from helpers import VT_25, tanh_decimal

TAIL = 2e-3

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


def difference(v):
    i = pair.split(v, TAIL)
    return i[..., 0] - i[..., 1]


@pytest.mark.parametrize("x, tabled", TANH_TABLE.items())
def test_transfer_against_the_table_of_tanh(x, tabled):
    # Abramowitz & Stegun, Table 4.15; reference value by NIST DLMF 4.28 in decimal arithmetic
    got = difference(2 * VT_25 * x) / TAIL
    assert got == pytest.approx(tabled, abs=5.1e-9)
    assert got == pytest.approx(float(tanh_decimal(Decimal(x))), rel=1e-14)


def test_output_at_two_thermal_voltages_on_both_inputs():
    # Abramowitz & Stegun, Table 4.15 (from memory): tanh 1 = 0.76159416
    point = solve_cell(2 * VT_25, 2 * VT_25, 1e-3)
    assert point.v_out == pytest.approx(0.76159416**2, abs=2e-8)


def test_transconductance_of_a_milliampere():
    # common practice: about 40 mS for each mA
    assert pair.transconductance(2e-3) == pytest.approx(39e-3, rel=0.01)


def test_hard_switched_beyond_about_four_thermal_voltages():
    # common practice, no source: past about 4 VT (100 mV) nearly all of the tail is switched
    assert difference(4 * VT_25) > 0.96 * TAIL
