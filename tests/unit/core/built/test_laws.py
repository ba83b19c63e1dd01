"""The built cell against scipy.optimize.root, and its figures against laws of the book."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.core.built import network
from forktail.core.built.network import Circuit, solve_bias, solve_built
from network_reference import NAMES, collector_currents, solve_one

NODE_OF = {
    "up": "base_upper_pos",
    "un": "base_upper_neg",
    "lp": "base_lower_pos",
    "ln": "base_lower_neg",
    "lu": "level_upper",
    "ll": "level_lower",
    "p5": "common_left",
    "p6": "common_right",
    "tail": "tail",
    "left": "left",
    "right": "right",
}

IDEAL = Circuit(
    tail_kind="ideal",
    r_source_upper=0.0,
    r_source_lower=0.0,
    beta_forward=math.inf,
    v_early=math.inf,
    g_leak=1e-16,
)


def random_circuit(rng):
    def between(low, high):
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    return Circuit(
        v_supply=rng.uniform(9, 18),
        r_string_top=between(3e3, 1e4),
        r_string_middle=between(1.5e3, 4e3),
        r_string_bottom=between(2e3, 5e3),
        r_bias_upper_pos=between(500, 2e4),
        r_bias_upper_neg=between(500, 2e4),
        r_bias_lower_pos=between(500, 2e4),
        r_bias_lower_neg=between(500, 2e4),
        upper_mode=str(rng.choice(["single", "balanced"])),
        lower_mode=str(rng.choice(["single", "balanced"])),
        r_source_upper=float(rng.choice([0, 50, 600])),
        r_source_lower=between(10, 1e3),
        r_termination_upper=float(rng.choice([51, math.inf])),
        r_emitter_upper=float(rng.choice([0, 47, 220])),
        r_emitter_lower=float(rng.choice([0, 100, 470])),
        r_load_left=between(300, 2e4),
        r_load_right=between(300, 2e4),
        tail_kind=str(rng.choice(["ideal", "resistor", "transistor"])),
        i_tail=between(1e-5, 5e-3),
        r_tail=between(500, 1e4),
        r_tail_emitter=between(300, 3e3),
        i_s=between(1e-16, 1e-13),
        beta_forward=between(20, 1000),
        beta_reverse=between(0.5, 20),
        v_early=float(rng.choice([20, 80, math.inf])),
        area=tuple(np.exp(rng.normal(0, 0.1, 7))),
        temperature=rng.uniform(250, 370),
    )


def test_against_scipy_root_on_random_circuits():
    """Same equations written again in `network_reference`; scipy.optimize.root per point.

    Where root itself finds no root from its one start, the circuit does not count; at least 200
    have to.
    """
    rng = np.random.default_rng(20260)
    compared, saturated = 0, 0
    for k in range(230):
        c = random_circuit(rng)
        u, low = rng.uniform(-0.2, 0.2, 2) if k % 4 else rng.uniform(-1, 1, 2)
        held, bias_error = solve_one(c)
        if bias_error > 1e-13:
            continue
        v, signal_error = solve_one(c, held, u, low)
        if signal_error > 1e-13:
            continue
        bias, p = solve_bias(c), solve_built(c, u, low)
        assert bias.converged and p.converged
        tail = max(abs(float(p.i_tail)), 1e-5)
        ours = np.concatenate([p.i_upper, p.i_lower])
        assert np.max(np.abs(ours - collector_currents(c, v))) < 1e-9 * tail, k
        for key, name in NODE_OF.items():
            # a floating common node is set by leakage alone, so it is known less well
            assert bias.nodes[name] == pytest.approx(held[key], abs=1e-5), (k, name)
            assert p.nodes[name] == pytest.approx(v[key], abs=1e-4), (k, name)
        compared += 1
        saturated += any(str(r) == "saturated" for r in p.regions.values())
    assert compared >= 200
    assert 20 < saturated < compared - 20
    assert set(NODE_OF) < set(NAMES)


def test_gain_is_gm_times_load():
    """Gray, Hurst, Lewis, Meyer, chapter 3: gm = I/2VT; fully steered, gain = gm R."""
    f = network.figures(IDEAL)
    v_t = 1.380649e-23 * 298.15 / 1.602176634e-19
    gm = IDEAL.i_tail / (2 * v_t)
    assert f.gain_upper == pytest.approx(gm * IDEAL.r_load_left, rel=1e-3)
    assert f.gain_lower == pytest.approx(gm * IDEAL.r_load_left, rel=1e-3)
    # chapter 10: v_out = I R tanh tanh, whose slope of slopes at zero is I R/(2VT)^2
    assert f.product_gain == pytest.approx(
        IDEAL.i_tail * IDEAL.r_load_left / (4 * v_t**2), rel=1e-4
    )
    assert f.swing == pytest.approx(2 * IDEAL.i_tail * IDEAL.r_load_left, rel=2e-3)


def test_product_gain_falls_with_temperature():
    """gm goes as 1/T with a fixed tail, so the product gain as 1/T^2: -2/T per kelvin."""
    assert network.figures(IDEAL).drift == pytest.approx(-2 / 298.15, rel=1e-3)


def test_corners():
    """1/(2 pi R C) with R seen by the capacitor (any circuits text)."""
    c = replace(IDEAL, r_source_upper=50.0, r_termination_upper=50.0)
    found = network.corners(c)
    assert found["load_pole"] == pytest.approx(
        1 / (2 * math.pi * c.r_load_left * c.c_load), rel=1e-6
    )
    # without base current the coupling capacitor sees source || termination plus bias resistor
    assert found["coupling_upper"] == pytest.approx(
        1 / (2 * math.pi * (25.0 + c.r_bias_upper_pos) * c.c_coupling_upper), rel=1e-6
    )
    assert found["ground_upper"] == pytest.approx(
        1 / (2 * math.pi * c.r_bias_upper_neg * c.c_ground_upper), rel=1e-6
    )
    # with base current: r_pi of Q5 (beta/gm, gm at half the tail) in series with Q6's, which
    # ends on the signal ground of the other line; Gray et al., chapter 3
    c = replace(c, beta_forward=100.0)
    r_pi = 100.0 / (c.i_tail * 100 / 101 / 2 / float(solve_bias(c).thermal_voltage))
    seen = 1 / (1 / c.r_bias_lower_pos + 1 / (2 * r_pi))
    assert network.corners(c)["coupling_lower"] == pytest.approx(
        1 / (2 * math.pi * (0.0 + seen) * c.c_coupling_lower), rel=2e-2
    )
