"""Noise of the textbook cell in closed form: collector shot noise, loads and emitter resistors.

One pair with collector currents I1 and I2 and a resistor RE in each emitter has emitter
resistances re = VT/I. Shot noise 2 q I of each collector is a voltage 2 k T re behind its emitter,
and RE adds 4 k T RE (Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated Circuits,
chapter 11). Both voltages stand across re1 + re2 + 2 RE, so the difference I1 - I2 has

    8 k T (re1 + re2 + 4 RE) / (re1 + re2 + 2 RE)^2,

which is 2 q I (1 - x^2) of a pair without resistors that carries I split to I (1 +- x)/2: a pair
that is switched over makes no noise. What the lower pair has reaches the output as the
upper pairs pass it on.
"""

import numpy as np

from forktail.core.cell.law import OperatingPoint
from forktail.core.checks import Floats
from forktail.core.thermal import BOLTZMANN


def cell_noise(
    point: OperatingPoint, r_emitter_upper: float = 0.0, r_emitter_lower: float = 0.0
) -> dict[str, Floats]:
    """Noise of the output difference at operating points of matched pairs.

    Parameters
    ----------
    point : OperatingPoint
        Its collector currents, loads and temperature are taken.
    r_emitter_upper, r_emitter_lower : float
        ohm, in each emitter.

    Returns
    -------
    dict of str to numpy.ndarray
        V^2/Hz (one-sided) of the shape of `point.v_out`: shot noise of the `upper` and of the
        `lower` transistors, thermal noise of the `emitters` and of the `loads`.
    """
    i1, i2, i3, i4 = np.moveaxis(np.maximum(point.i_upper, 0.0), -1, 0)
    i5, i6 = np.moveaxis(np.maximum(point.i_lower, 0.0), -1, 0)
    v_t, four_kt = point.thermal_voltage, 4.0 * BOLTZMANN * point.temperature
    left = _pair(i1, i2, r_emitter_upper, v_t)
    right = _pair(i3, i4, r_emitter_upper, v_t)
    lower = _pair(i5, i6, r_emitter_lower, v_t)
    # half of a difference of the lower currents goes through each upper pair
    passed = (0.5 * (left[2] - right[2])) ** 2
    to_volts = four_kt * point.r_load**2
    shape = np.shape(point.v_out)
    found = {
        "upper": to_volts * (left[0] + right[0]),
        "lower": to_volts * passed * lower[0],
        "emitters": to_volts * (left[1] + right[1] + passed * lower[1]),
        "loads": 2.0 * four_kt * point.r_load,
    }
    return {family: np.broadcast_to(power, shape) for family, power in found.items()}


def _pair(one: Floats, two: Floats, ohms: float, v_t: Floats) -> tuple[Floats, Floats, Floats]:
    """Of a pair: shot and thermal noise of I1 - I2 over 4kT, S, and its slope over the tail.

    With its tail I and f the product of both shares, re1 + re2 is VT/(I f): nothing divides by the
    current of one side, which may be 0.
    """
    tail = one + two
    shares = [i / np.where(tail > 0.0, tail, 1.0) for i in (one, two)]
    f = shares[0] * shares[1]
    d = 1.0 + 2.0 * ohms * tail * f / v_t
    shot = 2.0 * tail * f / (v_t * d**2)
    return shot, 4.0 * ohms * tail * f / v_t * shot, (shares[0] - shares[1]) / d
