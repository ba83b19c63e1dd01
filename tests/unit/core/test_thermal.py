"""Thermal voltage and the law of the saturation current: shapes, limits, errors."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given

from forktail.core import thermal
from forktail.core.checks import QuantityError
from helpers import finite, kelvins, thermal_voltage_decimal


@given(kelvins)
def test_thermal_voltage_is_exact_to_rounding(temperature):
    got = Decimal(float(thermal.thermal_voltage(temperature)))
    assert abs(got / thermal_voltage_decimal(temperature) - 1) < Decimal("4e-16")


@given(kelvins, finite(0.1, 10.0))
def test_thermal_voltage_is_proportional_to_temperature(temperature, factor):
    assert thermal.thermal_voltage(factor * temperature) == pytest.approx(
        factor * thermal.thermal_voltage(temperature), rel=1e-14
    )


def test_shapes_are_kept():
    assert np.shape(thermal.thermal_voltage(300.0)) == ()
    assert thermal.thermal_voltage(np.full((2, 3), 300.0)).shape == (2, 3)
    assert thermal.saturation_current(np.full((2, 1), 1e-15), np.full(3, 300.0)).shape == (2, 3)
    np.testing.assert_allclose(thermal.kelvin([0.0, 25.0]), [273.15, 298.15])


@pytest.mark.parametrize(
    "bad, shown",
    [(0.0, "0 K"), (-1.0, "-1 K"), (np.nan, "nan"), (np.inf, "inf"), ([300.0, 0.0], "position 1")],
)
def test_zero_kelvin_and_below_is_refused(bad, shown):
    for law in (thermal.thermal_voltage, lambda t: thermal.saturation_current(1e-15, t)):
        with pytest.raises(QuantityError) as error:
            law(bad)
        assert "temperature" in str(error.value) and shown in str(error.value)
        assert "above 0 K" in str(error.value)


def test_saturation_current_must_be_positive():
    with pytest.raises(QuantityError, match="i_s is 0 A; it must be above 0 A"):
        thermal.saturation_current(0.0, 300.0)


@given(finite(1e-18, 1e-12), kelvins)
def test_saturation_current_rises_with_temperature_and_scales_with_area(i_s, temperature):
    here = thermal.saturation_current(i_s, temperature)
    assert thermal.saturation_current(i_s, temperature + 1.0) > here
    assert thermal.saturation_current(2.0 * i_s, temperature) == pytest.approx(2.0 * here)
    assert thermal.saturation_current(i_s, thermal.T_NOMINAL) == pytest.approx(i_s, rel=1e-12)
