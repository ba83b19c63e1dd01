"""Ripple on the supply: against the circuit solved again, and against nodes worked out by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.built import network, supply
from forktail.core.built.circuit import Circuit
from forktail.core.built.file import read_file
from forktail.core.checks import QuantityError

CIRCUITS = {"default": Circuit(), **{k: c for k, (c, _) in shipped().items()}}
MIXER = CIRCUITS["bat-call-mixer"]


@pytest.mark.parametrize("key", CIRCUITS)
def test_a_slow_ripple_is_a_supply_set_anew(key):
    c, step = CIRCUITS[key], 1e-3
    high, low = (network.solve_bias(replace(c, v_supply=c.v_supply + s)) for s in (step, -step))
    again = (high.i_tail - low.i_tail) / (2.0 * step) / network.solve_bias(c).i_tail
    found = supply.ripple(c, 0.0)
    assert found.tail == pytest.approx(float(again), rel=1e-4)
    # uneven loads are no balance: there the outputs move apart
    off = replace(c, trim_balance=0.05)
    high, low = (network.solve_bias(replace(off, v_supply=c.v_supply + s)) for s in (step, -step))
    moved = float(high.v_out - low.v_out) / (2.0 * step)
    assert supply.ripple(off, 0.0).output == pytest.approx(moved, rel=1e-4)
    assert abs(supply.ripple(c, 100.0).output) < 1e-12 < abs(moved)


def test_a_ripple_through_the_bypass_is_what_three_nodes_worked_out_by_hand_give():
    """Q7 with its divider and bypass alone: hybrid-pi, base and emitter nodes."""
    c, f = MIXER, np.array([1.0, 5.0, 100.0, 20e3])
    point = network.solve_bias(c)
    ic, v_t = float(point.i_tail), float(point.thermal_voltage)
    gm, beta = ic / v_t, c.beta_forward
    found = supply.ripple(c, f)
    for hertz, tail in zip(f, found.tail):
        y = (
            1 / c.r_tail_base_top
            + 1 / c.r_tail_base_bottom
            + 2j * math.pi * hertz * c.c_bypass_tail
        )
        g_pi = gm / beta
        nodes = np.array([[y + g_pi, -g_pi], [-g_pi - gm, g_pi + gm + 1 / c.r_tail_emitter]])
        base, emitter = np.linalg.solve(nodes, [1 / c.r_tail_base_top, 0.0])
        # the Early effect, left out by hand, is a few parts in a thousand of the slow ripple
        assert tail == pytest.approx(gm * (base - emitter) / ic, rel=0.005)
    law = supply.tail_law(c)
    assert np.abs(found.tail) == pytest.approx(law.at(f), rel=0.002)


def test_a_capacitor_ten_times_as_large_keeps_ten_times_as_much_hum_off():
    tails = [
        abs(supply.ripple(replace(MIXER, c_bypass_tail=f), supply.HUM).tail)
        for f in (15e-6, 150e-6)
    ]
    assert tails[0] / tails[1] == pytest.approx(10.0, rel=0.01)


def test_unequal_capacitors_of_the_base_lines_let_hum_in_between_them():
    """By hand, four nodes: both taps of the string, then both upper lines, the bases between."""
    c, w = MIXER, 2j * math.pi * supply.HUM
    top, middle, bottom = 1 / c.r_string_top, 1 / c.r_string_middle, 1 / c.r_string_bottom
    bias = 1 / c.r_bias_upper_pos
    drive = 1 / (1 / c.r_source_upper + 1 / c.r_termination_upper)
    pos, neg = 1 / (drive + 1 / (w * c.c_coupling_upper)), w * c.c_ground_upper
    point = network.solve_bias(c)
    # a pair is 2 r_pi from base to base, with a quarter of the tail in each transistor; two pairs
    bases = 0.25 * float(point.i_tail) / c.beta_forward / float(point.thermal_voltage)
    nodes = np.array(
        [
            [top + middle + 2 * bias + w * c.c_bypass_upper, -middle, -bias, -bias],
            [-middle, middle + bottom + w * c.c_bypass_lower, 0.0, 0.0],
            [-bias, 0.0, bias + pos + bases, -bases],
            [-bias, 0.0, -bases, bias + neg + bases],
        ]
    )
    found = np.linalg.solve(nodes, [top, 0.0, 0.0, 0.0])
    by_hand = abs(found[2] - found[3])
    assert abs(supply.ripple(c, supply.HUM).lines[0]) == pytest.approx(by_hand, rel=0.01)
    alike = replace(c, upper_mode="balanced")
    assert abs(supply.ripple(alike, supply.HUM).lines[0]) < 1e-12


def test_faults_and_fixed_nodes_change_what_a_ripple_meets():
    open_ground = replace(MIXER, faults=("open:c_ground_upper",))
    assert abs(supply.ripple(open_ground, 1e3).lines[0]) > abs(supply.ripple(MIXER, 1e3).lines[0])
    assert supply.tail_law(replace(MIXER, tail_kind="ideal")).per_volt == 0.0
    ideal = supply.ripple(replace(MIXER, tail_kind="ideal"), [0.0, 100.0])
    assert np.all(np.abs(ideal.tail) < 1e-9)
    with pytest.raises(QuantityError, match="frequency"):
        supply.ripple(MIXER, -1.0)


@pytest.mark.parametrize("key", CIRCUITS)
def test_the_closed_form_of_a_tail_is_near_the_circuit_solved_again(key):
    c, law = CIRCUITS[key], supply.tail_law(CIRCUITS[key])
    warm, cool = (
        float(network.solve_bias(replace(c, temperature=c.temperature + s)).i_tail)
        for s in (0.5, -0.5)
    )
    assert (warm - cool) / (0.5 * (warm + cool)) == pytest.approx(law.per_kelvin, rel=0.005)
    assert abs(supply.ripple(c, 0.0).tail) == pytest.approx(law.per_volt, rel=0.005)
    if c.tail_kind == "resistor":
        found = network.corners(c)
        keys = ("bypass_upper", "bypass_lower", "coupling_lower", "ground_lower")
        assert law.reach == pytest.approx(0.1 * min(found[k] for k in keys))
    for f in (min(law.corner, law.reach), min(supply.HUM, law.reach)):
        assert abs(supply.ripple(c, f).tail) == pytest.approx(float(law.at(f)), rel=0.05)


def test_a_file_without_the_bypass_says_what_is_taken():
    text = '[tail]\nkind = "transistor"\nemitter = "1k"\nbase_top = "12k"\nbase_bottom = "2k"\n'
    found = read_file(text)
    assert found.circuit.c_bypass_tail == 15e-6
    assert "[tail] bypass is not in the file; 15 uF is used." in found.notes
    assert read_file(text + 'bypass = "47 uF"\n').circuit.c_bypass_tail == 47e-6


def test_the_figures_are_those_ripples():
    f, rest = supply.figures(MIXER), supply.ripple(MIXER, [0.0, 100.0, 20e3])
    off = supply.ripple(MIXER, [100.0, 20e3], 10e-3, 10e-3)
    assert (f.slow, f.hum, f.burst) == pytest.approx(tuple(np.abs(rest.tail)), rel=1e-12)
    # the bench finds about an eighth of the tail a volt, and the bypass takes the burst off
    assert f.slow == pytest.approx(0.126, abs=0.001) and f.burst < f.hum / 150 < f.slow
    assert f.corner == supply.tail_law(MIXER).corner
    levels = [*rest.lines, rest.output, off.output]
    shown = [*f.lines, f.balanced, f.offset_hum]
    for of, at, db in zip(levels, (1, 1, 1, 0), shown):
        assert db == pytest.approx(max(20.0 * math.log10(abs(of[at])), -240.0))
    assert f.balanced < -200.0
    assert f.offset_burst == pytest.approx(20.0 * math.log10(abs(off.output[1])))
    assert f.offset_hum > f.offset_burst > -200.0
