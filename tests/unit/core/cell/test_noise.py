"""Noise of the textbook cell: the closed form against every source put through linear equations."""

import numpy as np
import pytest
from scipy import constants

from forktail.core.cell.law import CellSettings, solve_cell
from forktail.core.cell.noise import cell_noise
from helpers import near

TAIL, LOAD = 2e-3, 1e3


def by_superposition(point, upper, lower):
    """Density by family, V^2/Hz: each source alone through the linear cell, squares added.

    Unknown are the small currents of Q1 to Q6 and the voltages of both common points and the tail.
    A transistor gives j = g (-e) + n from its emitter at e = rail + RE j + u, with the shot noise n
    and the thermal noise u of its resistor in series.
    """
    v_t, kelvin = float(point.thermal_voltage), float(point.temperature)
    currents = [*point.i_upper, *point.i_lower]
    ohms = [upper] * 4 + [lower] * 2
    rails = (6, 6, 7, 7, 8, 8)
    a = np.zeros((9, 9))
    for k, (i, r, rail) in enumerate(zip(currents, ohms, rails)):
        a[k, k], a[k, rail] = 1 + i / v_t * r, i / v_t
    for row, into, out in ((6, (0, 1), 4), (7, (2, 3), 5)):
        a[row, list(into)], a[row, out] = 1.0, -1.0
    a[8, 4] = a[8, 5] = 1.0
    to_output = point.r_load * np.array([1.0, -1.0, 1.0, -1.0, 0, 0, 0, 0, 0])
    gains = np.linalg.solve(a.T, to_output)[:6]
    shot = [2 * constants.e * i * g**2 for i, g in zip(currents, gains)]
    thermal = [
        4 * constants.k * kelvin * r * (i / v_t * g) ** 2 for r, i, g in zip(ohms, currents, gains)
    ]
    return {
        "upper": sum(shot[:4]),
        "lower": sum(shot[4:]),
        "emitters": sum(thermal),
        "loads": 8 * constants.k * kelvin * float(point.r_load),
    }


@pytest.mark.parametrize("upper, lower", [(0.0, 0.0), (47.0, 0.0), (0.0, 100.0), (33.0, 68.0)])
@pytest.mark.parametrize(
    "v_upper, v_lower", [(0.0, 0.0), (0.03, 0.0), (-0.05, 0.02), (0.01, -0.09)]
)
def test_closed_form_is_the_sum_over_every_source(upper, lower, v_upper, v_lower):
    s = CellSettings(LOAD, 320.0, r_emitter_upper=upper, r_emitter_lower=lower)
    point = solve_cell(v_upper, v_lower, TAIL, s)
    found = cell_noise(point, upper, lower)
    law = by_superposition(point, upper, lower)
    assert set(found) == set(law)
    for family, power in law.items():
        # a lower pair in balance is cancelled by upper pairs in balance
        assert float(found[family]) == near(power, rel=1e-9, abs=1e-30), family


def test_a_cell_without_current_has_the_noise_of_its_loads():
    point = solve_cell(np.array([0.0, 0.1]), 0.02, 0.0, CellSettings(LOAD))
    found = cell_noise(point, 100.0, 100.0)
    assert not (found["upper"] + found["lower"] + found["emitters"]).any()
    assert found["loads"] == near([8 * constants.k * 298.15 * LOAD] * 2)
    assert found["loads"].shape == found["upper"].shape == (2,)


def test_a_switched_pair_is_quiet_and_one_in_balance_is_not():
    # 2 q I (1 - x^2) of the upper pairs, 2 q I x^2 of the lower one passed on
    balance, switched = (solve_cell(v, 0.0, TAIL, CellSettings(LOAD)) for v in (0.0, 1.0))
    whole = 2 * constants.e * TAIL * LOAD**2
    one, two = cell_noise(balance), cell_noise(switched)
    assert (float(one["upper"]), float(one["lower"])) == near((whole, 0.0))
    assert (float(two["upper"]), float(two["lower"])) == near((0.0, whole), abs=1e-25)
