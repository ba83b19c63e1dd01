"""Wrong builds: every single fault is solved, and the gross ones do what a bench would show."""

import math

import numpy as np
import pytest

from forktail.core.built import network
from forktail.core.built.network import Circuit, break_part, single_faults, solve_bias, solve_built
from forktail.core.checks import QuantityError

INPUTS = np.array(
    [[0.0, 0.02, -0.1, 1.0, -10.0, 10.0, 1.0], [0.0, -0.02, 0.1, 1.0, 10.0, 0.0, -10.0]]
)
CIRCUITS = {
    "transistor": Circuit(),
    "ideal": Circuit(tail_kind="ideal", upper_mode="balanced", r_emitter_lower=100.0),
    "resistor": Circuit(tail_kind="resistor", lower_mode="balanced", r_emitter_upper=33.0),
}


@pytest.mark.parametrize("kind", CIRCUITS)
def test_every_single_fault_has_an_answer(kind):
    circuit = CIRCUITS[kind]
    healthy = solve_built(circuit, 0.02, 0.02).v_out
    faults = single_faults(circuit)
    assert len({f.key for f in faults}) == len(faults) >= 80
    changed = 0
    for fault in faults:
        broken = break_part(circuit, fault)
        bias, p = solve_bias(broken), solve_built(broken, *INPUTS)
        assert bias.converged and p.converged.all(), fault.key
        assert p.residual.max() < 1e-9
        assert np.isfinite(p.v_out).all()
        before, after = solve_bias(circuit), bias
        moved = max(abs(float(before.nodes[n] - after.nodes[n])) for n in before.nodes)
        shifted = abs(float(solve_built(broken, 0.02, 0.02).v_out - healthy))
        changed += moved > 1e-3 or shifted > 1e-3
    assert changed >= len(faults) - 2, f"{changed} of {len(faults)} faults show"


def test_open_load_pulls_its_output_down():
    p = solve_bias(break_part(Circuit(), "open:r_load_left"))
    assert p.v_left < p.nodes["base_upper_pos"]
    assert str(p.regions["Q1"]) == str(p.regions["Q3"]) == "saturated"


def test_swapped_levels_saturate_the_lower_pair():
    p = solve_bias(break_part(Circuit(), "swapped:levels"))
    assert p.nodes["base_upper_pos"] < p.nodes["base_lower_pos"]
    assert str(p.regions["Q5"]) == str(p.regions["Q6"]) == "saturated"


def test_reversed_pairs():
    """Not crossed, the upper pairs ignore the lower input; a reversed lower pair turns the sign."""
    circuit = Circuit()
    v = solve_built(circuit, 0.02, [0.02, -0.02]).v_out
    assert v[0] > 0 > v[1]
    uncrossed = solve_built(break_part(circuit, "swapped:pair_right"), 0.02, [0.02, -0.02]).v_out
    assert uncrossed[0] == pytest.approx(uncrossed[1], rel=0.02)
    turned = solve_built(break_part(circuit, "swapped:pair_lower"), 0.02, [0.02, -0.02]).v_out
    np.testing.assert_allclose(turned, v[::-1], rtol=0.02)


def test_shorted_coupling_capacitor_pulls_the_base_down():
    p = solve_bias(break_part(Circuit(), "short:c_coupling_lower"))
    assert p.nodes["base_lower_pos"] < 0.1
    assert str(p.regions["Q5"]) == "cut off"


def test_a_transistor_in_backwards_spoils_the_output():
    healthy = solve_built(Circuit(), 0.05, 0.05)
    p = solve_built(break_part(Circuit(), "reversed:Q5"), 0.05, 0.05)
    assert str(p.regions["Q5"]) == "reverse"
    assert p.v_out < 0.5 * healthy.v_out


def test_faults_are_checked_and_add_up():
    with pytest.raises(QuantityError, match="open:r_tail"):
        break_part(Circuit(), "open:r_tail")
    both = break_part(break_part(Circuit(), "open:r_load_left"), "open:r_load_right")
    assert both.faults == ("open:r_load_left", "open:r_load_right")
    assert solve_bias(both).converged


@pytest.mark.parametrize(
    "key",
    [
        "open:Q5.base",
        "swapped:levels",
        "short:r_load_left",
        "short:c_coupling_upper",
        "open:r_tail_emitter",
    ],
)
def test_figures_of_a_wrong_build_are_numbers_or_nan_and_raise_nothing(key):
    f = network.figures(break_part(Circuit(), key))
    assert f.bias.converged
    assert np.isfinite(f.swing) and np.isfinite(f.supply_current)
    healthy = network.figures(Circuit())
    assert not abs(f.product_gain) > healthy.product_gain


def test_a_node_that_nothing_holds_floats_and_a_meter_pulls_it():
    """10 Mohm takes half a microampere from 5 V: common practice, no source.

    The common emitters of two dead transistors give it at VBE = VT ln(I/IS), by hand.
    """
    sound = Circuit(r_emitter_lower=100.0, v_early=math.inf)
    assert network.floating(sound) == frozenset()
    rest = solve_bias(sound).nodes
    for name, volts in network.readings(sound).items():
        assert volts == pytest.approx(float(rest[name]), rel=2e-3)
    dead = break_part(sound, "short:Q7.base-emitter")
    assert {"common_left", "common_right", "tail"} <= network.floating(dead)
    read = network.readings(dead)["common_left"]
    base = float(solve_bias(dead).nodes["base_upper_pos"])
    current = read / network.METER
    v_be = 0.02569 * math.log(0.5 * current / dead.i_s)  # kT/q at 25 degC; two emitters share it
    assert base - read == pytest.approx(v_be, abs=2e-3)
    assert abs(float(solve_bias(dead).nodes["common_left"]) - read) > 0.3


def test_a_base_line_that_hangs_on_a_broken_joint_reads_nothing():
    broken = break_part(Circuit(), "open:r_bias_upper_pos")
    assert float(solve_bias(broken).nodes["base_upper_pos"]) > 5.0
    assert network.readings(broken)["base_upper_pos"] < 0.1  # 10 Mohm against 1 Gohm


def test_extreme_values_are_solved():
    for change in (
        {"v_supply": 0.0},
        {"v_supply": 100.0},
        {"r_load_left": 0.0},
        {"i_s": 1e-18},
        {"temperature": 200.0},
        {"temperature": 450.0},
        {"beta_forward": 0.5},
        {"r_source_upper": 1e9},
        {"trim_upper": 1.0},
        {"r_string_bottom": 0.1},
        {"r_emitter_lower": 1e6},
    ):
        c = Circuit(**change)
        p = solve_built(c, [0.0, 0.1, -1.0], [0.0, -0.1, 1.0])
        assert solve_bias(c).converged and p.converged.all(), change
