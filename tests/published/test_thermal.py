"""Thermal voltage and the temperature laws against published values; source beside each."""

import numpy as np
import pytest
from scipy import constants

from forktail.core import thermal
from forktail.core.cell import pair


def test_constants_are_the_exact_ones():
    # SI Brochure, 9th edition (2019), defining constants; CODATA as carried by scipy.constants
    assert thermal.BOLTZMANN == constants.k == 1.380649e-23
    assert thermal.ELEMENTARY_CHARGE == constants.e == 1.602176634e-19
    assert thermal.ZERO_CELSIUS == constants.zero_Celsius


@pytest.mark.parametrize("kelvin, millivolts", [(298.15, 25.693), (300.0, 25.852)])
def test_thermal_voltage(kelvin, millivolts):
    # kT/q from the exact k and q: SI Brochure, 9th edition (2019)
    assert thermal.thermal_voltage(kelvin) * 1e3 == pytest.approx(millivolts, abs=5e-4)
    assert thermal.thermal_voltage(kelvin) == pytest.approx(
        constants.k * kelvin / constants.e, rel=1e-15
    )


def test_sixty_millivolts_a_decade():
    # (kT/q) ln 10 = 59.16 mV at 25 degC: Gray, Hurst, Lewis, Meyer, ch. 1 (from memory);
    # common practice says "60 mV a decade"
    i = pair.split(0.05916, 1e-3, 298.15)
    assert i[0] / i[1] == pytest.approx(10.0, rel=1e-4)


def test_base_emitter_voltage_falls_two_millivolts_a_kelvin():
    # common practice, no source: about -2 mV/K at a constant collector current
    def v_be(kelvin):
        return thermal.thermal_voltage(kelvin) * np.log(
            1e-3 / thermal.saturation_current(1e-14, kelvin)
        )

    slope = (v_be(308.15) - v_be(298.15)) / 10.0
    assert -2.5e-3 < slope < -1.5e-3


def test_saturation_current_doubles_every_few_kelvin():
    # common practice, no source: IS doubles for about each 5 K near room temperature
    ratio = thermal.saturation_current(1e-14, 303.15) / 1e-14
    assert 1.8 < ratio < 2.6
