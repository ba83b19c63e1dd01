"""Heat of the lower pair: against two transistors with temperatures of their own, by scipy."""

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.constants
import scipy.optimize

from forktail.circuits import shipped
from forktail.core.built import network
from forktail.core.built.circuit import Circuit
from forktail.core.built.file import read_circuit, write_circuit
from forktail.core.built.heat import pair_heat
from forktail.core.checks import QuantityError

MIXER = shipped()["bat-call-mixer"][0]
K_Q = scipy.constants.k / scipy.constants.e


def pair_by_scipy(v_in, tail, across, ohms, thermal_resistance, air=298.15):
    """Temperatures of two transistors that share a tail, K: each with its own law of IS and VT."""

    def saturation(t):
        return 1e-14 * (t / 298.15) ** 3 * math.exp(1.12 / (K_Q * 298.15) * (1.0 - 298.15 / t))

    def current(v_be, kelvin):
        # v_be = VT ln(i/IS) + ohms i
        def short(i):
            return K_Q * kelvin * math.log(i / saturation(kelvin)) + ohms * i - v_be

        return scipy.optimize.brentq(short, 1e-20, 1.0, xtol=1e-18)

    def errors(x):
        v_e, *warm = x
        i = [current(s * v_in - v_e, air + w) for s, w in zip((0.5, -0.5), warm)]
        heat = [thermal_resistance * c * v for c, v in zip(i, across)]
        return [(sum(i) - tail) / tail, heat[0] - warm[0], heat[1] - warm[1]]

    found = scipy.optimize.fsolve(errors, [-0.65, 0.3, 0.3], xtol=1e-12)
    return found[1] - found[2]


@pytest.mark.parametrize("v_in, ohms", [(10e-3, 0.0), (50e-3, 0.0), (50e-3, 100.0)])
def test_the_difference_is_that_of_two_transistors_with_temperatures_of_their_own(v_in, ohms):
    # stiff lines, and neither base current nor Early effect, so that the two say the same
    stiff = {f"r_{what}_lower": r for what, r in (("source", 0.0), ("termination", math.inf))}
    c = Circuit(
        tail_kind="ideal",
        i_tail=1.2e-3,
        beta_forward=1e6,
        v_early=1e6,
        r_emitter_lower=ohms,
        **stiff,
    )
    point = network.solve_built(c, 0.0, v_in)
    across = [
        float(point.nodes[top] - point.nodes[emitter])
        for top, emitter in (("common_left", "emitter_q5"), ("common_right", "emitter_q6"))
    ]
    by_scipy = pair_by_scipy(v_in, 1.2e-3, across, ohms, 250.0)
    assert pair_heat(c, 0.0, v_in).difference == pytest.approx(by_scipy, rel=0.01)


def test_the_shipped_mixer_at_50_mv_is_a_sixth_of_a_kelvin_apart():
    found = pair_heat(MIXER, 0.0, 50e-3)
    assert found.difference == pytest.approx(0.166, abs=0.002)
    # a base-emitter voltage falls by about 2 mV a kelvin (common practice, no source)
    assert found.offset == pytest.approx(2e-3 * found.difference, rel=0.1)
    other = pair_heat(MIXER, 0.0, -50e-3)
    assert other.difference == pytest.approx(-found.difference, rel=0.02)
    assert abs(pair_heat(MIXER).difference) < 1e-9
    power = network.inspect(MIXER, 0.0, 50e-3).power
    for q, rise in found.rises.items():
        assert rise == pytest.approx(250.0 * float(power[q]), rel=0.01), q


def test_either_sign_of_the_input_settles_alike():
    c = Circuit(upper_mode="balanced", lower_mode="balanced")
    one, other = (pair_heat(c, 0.0, v) for v in (20e-3, -20e-3))
    assert one.difference == pytest.approx(-other.difference, rel=1e-7) and one.difference > 0.2
    assert one.offset == pytest.approx(-other.offset, rel=1e-7)
    assert one.v_lower == 20e-3


def test_the_loop_is_the_part_that_heat_adds_to_a_slow_input():
    c = Circuit(tail_kind="ideal", i_tail=1e-3, r_source_lower=0.0, r_termination_lower=math.inf)
    found = pair_heat(c, 0.0, 1e-4)
    # offset = loop (v + offset)
    assert found.offset == pytest.approx(found.loop * (1e-4 + found.offset), rel=0.03)
    assert pair_heat(replace(c, thermal_resistance=0.0), 0.0, 0.05).difference == 0.0
    twice = pair_heat(replace(c, thermal_resistance=500.0), 0.0, 1e-4)
    assert twice.loop == pytest.approx(2.0 * found.loop)


def test_a_pair_that_heats_itself_to_one_side_and_one_without_current_have_no_answer():
    hot = pair_heat(replace(Circuit(), thermal_resistance=1e4, i_s=1e-14), 0.0, 0.05)
    assert hot.loop > 1.0
    assert math.isnan(hot.difference) or abs(hot.difference) > 10.0
    dead = pair_heat(replace(Circuit(), v_supply=0.0))
    assert math.isnan(dead.difference) and math.isnan(dead.offset) and math.isnan(dead.loop)
    assert set(dead.rises) == {f"Q{k}" for k in range(1, 8)}
    for name, inputs in (("v_upper", (math.nan, 0.0)), ("v_lower", (0.0, "1 mA"))):
        with pytest.raises(QuantityError, match=name):
            pair_heat(MIXER, *inputs)


def test_a_file_carries_the_thermal_resistance():
    c = replace(MIXER, thermal_resistance=180.0)
    assert 'thermal = "180 K/W"' in write_circuit(c) and read_circuit(write_circuit(c)) == c
    assert np.isclose(read_circuit("").thermal_resistance, 250.0)
