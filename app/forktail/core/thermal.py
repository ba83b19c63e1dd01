"""Thermal voltage and the temperature laws of a silicon junction."""

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.checks import Floats, as_quantity

#: Boltzmann constant, J/K. Exact: SI Brochure, 9th edition (2019).
BOLTZMANN = 1.380649e-23
#: Elementary charge, C. Exact: SI Brochure, 9th edition (2019).
ELEMENTARY_CHARGE = 1.602176634e-19
#: Zero of the Celsius scale, K. Exact: SI Brochure, 9th edition (2019).
ZERO_CELSIUS = 273.15
#: Temperature at which part values are stated, K (25 degC; common practice, no source).
T_NOMINAL = 298.15
#: Band gap of silicon used in the law of IS, eV (common practice, from memory).
SILICON_GAP = 1.12
#: Exponent of the law of IS (common practice, from memory).
IS_EXPONENT = 3.0


def kelvin(celsius: ArrayLike) -> Floats:
    """Convert degrees Celsius to kelvin (any shape)."""
    return np.asarray(celsius, dtype=float) + ZERO_CELSIUS


def thermal_voltage(temperature: ArrayLike) -> Floats:
    """Thermal voltage kT/q.

    Parameters
    ----------
    temperature : array_like
        K, above zero, any shape.

    Returns
    -------
    numpy.ndarray
        V, same shape.

    Raises
    ------
    QuantityError
        At or below zero kelvin, or not finite.

    Notes
    -----
    k and q are exact: SI Brochure, 9th edition (2019).
    """
    t = as_quantity("temperature", temperature, "K", low=0.0, low_open=True)
    return (BOLTZMANN / ELEMENTARY_CHARGE) * t


def saturation_current(
    i_s: ArrayLike,
    temperature: ArrayLike,
    gap: float = SILICON_GAP,
    exponent: float = IS_EXPONENT,
) -> Floats:
    """Transport saturation current at `temperature`, from its value at 25 degC.

    IS(T) = IS (T/T0)^exponent exp((gap/VT0) (1 - T0/T)), T0 = 298.15 K.

    Parameters
    ----------
    i_s : array_like
        A at 298.15 K, above zero.
    temperature : array_like
        K, above zero; broadcast against `i_s`.
    gap : float
        eV.
    exponent : float
        Dimensionless.

    Returns
    -------
    numpy.ndarray
        A, broadcast shape.

    Raises
    ------
    QuantityError
        For values out of range.

    Notes
    -----
    Form of the law: Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated
    Circuits, chapters 1 and 4; gap and exponent from memory.
    """
    i_s = as_quantity("i_s", i_s, "A", low=0.0, low_open=True)
    t = as_quantity("temperature", temperature, "K", low=0.0, low_open=True)
    v_t0 = thermal_voltage(T_NOMINAL)
    return i_s * (t / T_NOMINAL) ** exponent * np.exp(gap / v_t0 * (1.0 - T_NOMINAL / t))


def junction_drift(current: ArrayLike, i_s: ArrayLike, temperature: ArrayLike) -> Floats:
    """Change of a base-emitter voltage per kelvin while its current stays, V/K.

    dVBE/dT = (VBE - gap - exponent VT)/T, with VBE = VT ln(I/IS): about -2 mV/K.

    Parameters
    ----------
    current, i_s : array_like
        A, above zero: what the transistor carries, and its saturation current at 298.15 K.
    temperature : array_like
        K, above zero; all broadcast.

    Returns
    -------
    numpy.ndarray
        V/K, broadcast shape.

    Raises
    ------
    QuantityError
        For values out of range.

    Notes
    -----
    The law of `saturation_current`, taken straight: Gray, Hurst, Lewis, Meyer, Analysis and
    Design of Analog Integrated Circuits, chapter 4.
    """
    current = as_quantity("current", current, "A", low=0.0, low_open=True)
    t = as_quantity("temperature", temperature, "K", low=0.0, low_open=True)
    v_t = thermal_voltage(t)
    v_be = v_t * np.log(current / saturation_current(i_s, t))
    return (v_be - SILICON_GAP - IS_EXPONENT * v_t) / t


def tail_at(i_tail: float, temperature: float, law: str) -> float:
    """Ideal tail current at a temperature, A.

    Parameters
    ----------
    i_tail : float
        A, at 298.15 K.
    temperature : float
        K.
    law : str
        "constant", or "absolute": in proportion to the absolute temperature, as the current of two
        unequal junctions across one resistor is (Gray, Hurst, Lewis, Meyer, Analysis and Design of
        Analog Integrated Circuits, chapter 4). gm = I/2VT is then the same at every temperature.
    """
    return i_tail * temperature / T_NOMINAL if law == "absolute" else i_tail
