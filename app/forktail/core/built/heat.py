"""Self-heating of the lower pair: unequal currents make unequal heat, and heat an offset.

A junction is warmer than the air by its heat times its thermal resistance. The warmer of two
transistors needs less base-emitter voltage for its current (`thermal.junction_drift`), so that
the pair has an offset that follows its own slow input (Gray, Hurst, Lewis, Meyer, Analysis and
Design of Analog Integrated Circuits, chapter 3: offset of a pair and its drift; the thermal
resistance: any text on power transistors). A drive at ultrasonic frequencies is gone before the
junctions follow: what counts is DC, a control voltage, or a trim.
"""

import math
from dataclasses import dataclass

import numpy as np

from forktail.core.built import network
from forktail.core.built.circuit import Circuit, transistor_names
from forktail.core.checks import as_quantity
from forktail.core.thermal import junction_drift

#: Rounds in which heat and currents settle on each other, and what may still move, K.
_ROUNDS, _SETTLED = 60, 1e-9


@dataclass(frozen=True)
class PairHeat:
    """What heat does to the lower pair.

    Attributes
    ----------
    v_lower : V, at which the lower input is held until all is warm.
    rises : K by transistor, over the air.
    difference : K, Q5 over Q6.
    offset : V, what that adds to the lower input.
    loop : part of a slow lower input that heat adds to it; the closed form of a matched pair.
    """

    v_lower: float
    rises: dict[str, float]
    difference: float
    offset: float
    loop: float


def pair_heat(circuit: Circuit, v_upper: float = 0.0, v_lower: float = 0.0) -> PairHeat:
    """Heat of the lower pair with both inputs held.

    Heat and currents are solved on each other: the two transistors of the pair depart from the
    temperature of the circuit by half of their difference each.

    Parameters
    ----------
    circuit : Circuit
    v_upper, v_lower : float
        V.

    Returns
    -------
    PairHeat
        NaN where there is no solution, or where the pair heats itself to one side without end.

    Raises
    ------
    QuantityError
        If an input is not finite.
    """
    u, low = (
        np.atleast_1d(as_quantity(n, v, "V"))
        for n, v in (("v_upper", v_upper), ("v_lower", v_lower))
    )
    rest = network.solve_bias(circuit)
    tail, v_t = float(rest.i_tail), float(rest.thermal_voltage)
    if not tail > 0.0:
        lost = dict.fromkeys(transistor_names(circuit), math.nan)
        return PairHeat(float(low[0]), lost, *(math.nan,) * 3)
    drift = float(junction_drift(0.5 * tail, circuit.i_s, circuit.temperature))
    difference, rises = 0.0, {}
    for _ in range(_ROUNDS):
        warmer = np.array([math.exp(-0.5 * drift * difference / v_t)])
        signal, bias, _ = network.solved_builds(circuit, {"Q5": warmer, "Q6": 1.0 / warmer}, u, low)
        if not (signal.ok.all() and bias.ok.all()):
            difference = math.nan
            break
        rises = {
            q: circuit.thermal_resistance * signal.power(q)[0] for q in transistor_names(circuit)
        }
        before, difference = difference, float(rises["Q5"] - rises["Q6"])
        if abs(difference - before) < _SETTLED:
            break
    else:
        difference = math.nan
    if not math.isfinite(difference):
        rises = dict.fromkeys(transistor_names(circuit), math.nan)
    across = float(rest.nodes["common_left"] - rest.nodes["tail"])
    d = 1.0 + 0.5 * tail * circuit.r_emitter_lower / v_t
    loop = -drift * circuit.thermal_resistance * across * tail / (2.0 * v_t * d)
    rises = {q: float(k) for q, k in rises.items()}
    return PairHeat(float(low[0]), rises, difference, -drift * difference, loop)
