"""The built cell: conservation laws, limits, temperature, shapes, refusals."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forktail.circuits import shipped
from forktail.core.built import network, nodal
from forktail.core.built.circuit import break_part
from forktail.core.built.network import (
    Circuit,
    output_poles,
    solve_bias,
    solve_built,
    solve_many,
    solved_builds,
)
from forktail.core.cell import law as cell
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell

PLAIN = Circuit(
    tail_kind="ideal",
    r_source_upper=0.0,
    r_source_lower=0.0,
    beta_forward=math.inf,
    v_early=math.inf,
    g_leak=1e-16,
)


def shift(circuit, **drive):
    """Largest departure of v_out from the closed form over a spread of inputs, of full scale."""
    u, low = np.meshgrid(np.linspace(-0.06, 0.06, 7), np.linspace(-0.06, 0.06, 7))
    built = solve_built(circuit, u, low)
    ideal = cell.solve_cell(
        u,
        low,
        circuit.i_tail,
        cell.CellSettings(r_load=circuit.r_load_left, temperature=circuit.temperature),
    )
    return np.max(np.abs(built.v_out - ideal.v_out)) / (circuit.i_tail * circuit.r_load_left)


def test_bias_of_the_default_is_healthy():
    p = solve_bias(Circuit())
    assert p.converged and p.model == "built" and p.v_out.shape == ()
    assert set(map(str, p.regions.values())) == {"active"}
    assert p.warnings == ()
    assert p.v_out == pytest.approx(0.0, abs=1e-9)
    assert set(p.nodes) == set(network.NODES)


def test_exact_limit_is_the_textbook():
    assert shift(PLAIN) < 1e-8


def test_departure_halves_when_beta_doubles():
    errors = [shift(replace(PLAIN, beta_forward=b)) for b in (200.0, 400.0, 800.0, 1600.0)]
    ratios = np.array(errors[:-1]) / errors[1:]
    assert np.all(np.abs(ratios - 2.0) < 0.05), ratios


def test_departure_halves_when_the_early_voltage_doubles():
    errors = [shift(replace(PLAIN, v_early=v)) for v in (400.0, 800.0, 1600.0, 3200.0)]
    ratios = np.array(errors[:-1]) / errors[1:]
    assert np.all(np.abs(ratios - 2.0) < 0.1), ratios


def test_departure_halves_with_the_mismatch():
    errors = []
    for size in (0.08, 0.04, 0.02, 0.01):
        areas = tuple(1.0 + size * s for s in (1, -1, 1, 1, -1, 1, 0))
        errors.append(shift(replace(PLAIN, area=areas)))
    ratios = np.array(errors[:-1]) / errors[1:]
    assert np.all(np.abs(ratios - 2.0) < 0.1), ratios


def test_emitter_resistors_agree_with_the_textbook():
    c = replace(PLAIN, r_emitter_upper=50.0, r_emitter_lower=100.0)
    u, low = np.meshgrid(np.linspace(-0.2, 0.2, 5), np.linspace(-0.2, 0.2, 5))
    built = solve_built(c, u, low)
    ideal = cell.solve_cell(
        u,
        low,
        c.i_tail,
        cell.CellSettings(
            r_load=c.r_load_left,
            temperature=c.temperature,
            r_emitter_upper=50.0,
            r_emitter_lower=100.0,
        ),
    )
    np.testing.assert_allclose(built.v_out, ideal.v_out, atol=1e-7)
    np.testing.assert_allclose(built.gain_upper, ideal.gain_upper, atol=1e-5)
    np.testing.assert_allclose(built.gain_lower, ideal.gain_lower, atol=1e-5)


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"upper_mode": "balanced"},
        {"r_emitter_lower": 120.0, "lower_mode": "balanced"},
        {"tail_kind": "resistor"},
        {"r_source_upper": 0.0},
        {"r_load_left": 9e3},
    ],
)
def test_gains_are_the_slopes(change):
    c, h = replace(Circuit(), **change), 1e-5
    u, low = np.array([0.0, 0.013, -0.05]), np.array([0.01, -0.02, 0.04])
    p = solve_built(c, u, low)
    up = (solve_built(c, u + h, low).v_out - solve_built(c, u - h, low).v_out) / (2 * h)
    lo = (solve_built(c, u, low + h).v_out - solve_built(c, u, low - h).v_out) / (2 * h)
    np.testing.assert_allclose(p.gain_upper, up, rtol=2e-5, atol=2e-5)
    np.testing.assert_allclose(p.gain_lower, lo, rtol=2e-5, atol=2e-5)


circuits = st.builds(
    Circuit,
    v_supply=st.floats(8, 20),
    r_load_left=st.floats(500, 2e4),
    r_load_right=st.floats(500, 2e4),
    r_string_middle=st.floats(1e3, 5e3),
    r_emitter_upper=st.sampled_from([0.0, 33.0]),
    r_emitter_lower=st.sampled_from([0.0, 150.0]),
    tail_kind=st.sampled_from(["ideal", "resistor", "transistor"]),
    i_tail=st.floats(1e-5, 4e-3),
    beta_forward=st.floats(20, 500),
    v_early=st.sampled_from([20.0, 100.0, math.inf]),
    temperature=st.floats(250, 380),
    upper_mode=st.sampled_from(["single", "balanced"]),
    trim_upper=st.floats(-0.01, 0.01),
    trim_balance=st.floats(-0.2, 0.2),
    area=st.tuples(*[st.floats(0.8, 1.25)] * 7),
)


@settings(max_examples=40, deadline=None)
@given(circuits, st.floats(-1, 1), st.floats(-1, 1))
def test_currents_balance_and_power_is_conserved(c, u, low):
    bias = solve_bias(c)
    p = solve_built(c, u, low)
    assert bias.converged and p.converged
    tail = max(abs(float(p.i_tail)), nodal.FLOOR_CURRENT)
    assert p.residual < 1e-9
    # Kirchhoff at the outputs, from the answer alone
    drop_left = (c.v_supply - p.v_left) / (c.r_load_left * (1 + c.trim_balance / 2))
    drop_right = (c.v_supply - p.v_right) / (c.r_load_right * (1 - c.trim_balance / 2))
    assert abs(drop_left - p.i_upper[0] - p.i_upper[2]) < 1e-8 * tail
    assert abs(drop_right - p.i_upper[1] - p.i_upper[3]) < 1e-8 * tail
    # the supply and the trims are the only sources of power at the bias point
    heat = sum(network.dissipation(c).values())
    given_in = c.v_supply * network.supply_current(c)
    trims = abs(c.trim_upper) * 1e-4  # the trim voltages carry base currents, some microamperes
    assert heat == pytest.approx(given_in, rel=1e-9, abs=trims + 1e-12)


def test_power_is_conserved_to_rounding_without_trims():
    for kind in ("ideal", "resistor", "transistor"):
        c = Circuit(tail_kind=kind, r_emitter_upper=22.0, r_emitter_lower=100.0)
        heat = sum(network.dissipation(c).values())
        assert heat == pytest.approx(c.v_supply * network.supply_current(c), rel=1e-11)


def test_antisymmetry_of_a_matched_balanced_cell():
    c = Circuit(upper_mode="balanced", lower_mode="balanced")
    u, low = np.array([0.01, 0.05, 0.3]), np.array([0.02, -0.04, 0.2])
    a, b = solve_built(c, u, low).v_out, solve_built(c, -u, low).v_out
    np.testing.assert_allclose(a, -b, rtol=1e-8)
    np.testing.assert_allclose(a, solve_built(c, -u, -low).v_out, rtol=1e-8)


def test_saturation_is_seen():
    p = solve_built(Circuit(r_load_left=15e3, r_load_right=15e3), 0.2, 0.2)
    assert p.converged and str(p.regions["Q1"]) == "saturated"
    assert any("Q1 is saturated" in w for w in p.warnings)
    assert p.v_left < p.nodes["base_upper_pos"]


def test_starvation_is_solved():
    for i_tail in (0.0, 1e-12, 1e-9):
        p = solve_built(Circuit(tail_kind="ideal", i_tail=i_tail), [0.0, 0.1], 0.1)
        assert p.converged.all()
        assert np.all(np.abs(p.v_out) < 3e-3 * 1e-3)
        assert any("starved" in w for w in p.warnings)


@pytest.mark.parametrize("size", [1.0, 10.0])
def test_cut_off_far_beyond_the_linear_range(size):
    u, low = size * np.array([1, -1, 1, -1, 0]), size * np.array([1, 1, -1, -1, 0])
    p = solve_built(Circuit(), u, low)
    assert p.converged.all()
    first = {q: str(r[0]) for q, r in p.regions.items()}
    assert first["Q2"] == first["Q6"] == "cut off"
    assert np.all(np.sign(p.v_out[[0, 3]]) > 0) or size > 5


def test_ideal_tail_does_not_pull_below_ground():
    c = network.break_part(Circuit(tail_kind="ideal"), "short:r_string_bottom")
    p = solve_bias(c)
    assert p.converged and p.nodes["tail"] > -1.0
    assert p.i_tail < 1e-4


def test_unconverged_is_never_a_number(monkeypatch):
    monkeypatch.setattr(network, "ACCEPT", 0.0)
    p = solve_built(Circuit(), [0.01, 0.02], 0.01)
    assert not p.converged.any()
    for value in (
        p.v_out,
        p.v_left,
        p.i_upper,
        p.i_lower,
        p.i_load,
        p.i_tail,
        p.gain_upper,
        *p.nodes.values(),
    ):
        assert np.all(np.isnan(value))
    assert set(map(str, p.regions["Q1"])) == {"not solved"}
    assert "No solution" in p.warnings[0]


def test_temperature():
    """Base-emitter voltage falls by about 2 mV/K (common practice, no source)."""
    cold, hot = (solve_bias(Circuit(tail_kind="ideal", temperature=t)) for t in (288.15, 308.15))
    vbe = [p.nodes["base_upper_pos"] - p.nodes["common_left"] for p in (cold, hot)]
    assert -2.3e-3 < (vbe[1] - vbe[0]) / 20 < -1.5e-3
    assert hot.thermal_voltage / cold.thermal_voltage == pytest.approx(308.15 / 288.15)


def test_shapes_broadcast_and_order_does_not_matter():
    u, low = np.linspace(-0.1, 0.1, 5)[:, None], np.linspace(-0.05, 0.05, 3)
    p = solve_built(Circuit(), u, low)
    assert p.v_out.shape == (5, 3) and p.i_upper.shape == (5, 3, 4) and p.i_lower.shape == (5, 3, 2)
    one = solve_built(Circuit(), float(u[1, 0]), float(low[2]))
    assert one.v_out == pytest.approx(p.v_out[1, 2], rel=1e-9)
    assert solve_built(Circuit(), np.zeros(0), 0.0).v_out.shape == (0,)


def test_many_builds_equal_one_by_one():
    c = Circuit()
    scale = {
        "Q1": [1.0, 1.1, 0.9],
        "r_load_left": [1.0, 1.02, 0.97],
        "trim_upper": [0.0, 1e-3, -2e-3],
        "r_string_top": [1.0, 0.95, 1.0],
    }
    many = solve_many(c, scale, [0.0, 0.02], [0.01, 0.02])
    assert many.v_out.shape == (3, 2)
    for k in range(3):
        single = replace(
            c,
            area=(scale["Q1"][k], *c.area[1:]),
            r_load_left=c.r_load_left * scale["r_load_left"][k],
            r_string_top=c.r_string_top * scale["r_string_top"][k],
            trim_upper=scale["trim_upper"][k],
        )
        one = solve_built(single, [0.0, 0.02], [0.01, 0.02])
        np.testing.assert_allclose(many.v_out[k], one.v_out, atol=1e-9)
        np.testing.assert_allclose(many.nodes["tail"][k], one.nodes["tail"], atol=1e-9)
    with pytest.raises(QuantityError, match="r_lode"):
        solve_many(c, {"r_lode": [1.0]})


@pytest.mark.parametrize(
    "change, word",
    [
        ({"r_load_left": -1.0}, "r_load_left"),
        ({"beta_forward": 0.0}, "beta_forward"),
        ({"temperature": 20.0}, "temperature"),
        ({"tail_kind": "magic"}, "ideal, resistor"),
        ({"area": (1.0, 2.0)}, "area"),
        ({"v_early": -math.inf}, "v_early"),
        ({"faults": ("open:nothing",)}, "open:nothing"),
        ({"r_load_left": "x"}, "not a number"),
    ],
)
def test_bad_values_are_refused_by_name(change, word):
    with pytest.raises(QuantityError, match=word):
        Circuit(**change)


def test_bad_inputs_are_refused():
    with pytest.raises(QuantityError, match="v_upper"):
        solve_built(Circuit(), math.nan, 0.0)
    with pytest.raises(QuantityError, match="shapes"):
        solve_built(Circuit(), np.zeros(2), np.zeros(3))


def test_headroom_has_the_sign_of_the_region():
    c = Circuit(r_load_left=9e3, r_load_right=9e3)
    u = np.linspace(-0.2, 0.2, 9)
    p, room = solve_built(c, u, 0.1), network.headroom(c, u, 0.1)
    on = p.regions["Q1"] != "cut off"
    assert np.array_equal((p.regions["Q1"] == "saturated")[on], (room["Q1"] < 0)[on])
    assert (p.regions["Q1"] == "saturated").any() and (p.regions["Q1"] == "active").any()


def test_a_charged_cell_holds_its_levels_the_same_in_every_sample():
    """An open load saturates: the bypass of each tap is charged, and holds one voltage."""
    broken = break_part(shipped()["beacon-modulator"][0], "open:r_load_left")
    circuit = BuiltCell(broken).at("base lines").driven
    turn = 2.0 * np.pi * np.arange(512) / 512
    signal, _, _ = solved_builds(
        circuit, {}, 0.1 * np.sin(20 * turn), 0.2 * np.sin(turn), settle=True
    )
    assert signal.ok.all()
    for name in ("level_upper", "level_lower"):
        assert np.ptp(signal.node(name)) == 0.0


def test_output_poles_are_those_of_the_loads_until_a_fault_ties_them():
    circuit = shipped()["bat-call-mixer"][0]
    pole = 1.0 / (2.0 * np.pi * circuit.r_load_left * circuit.c_load)
    # the Early effect shunts each load a little
    assert output_poles(circuit) == pytest.approx((pole, pole), rel=0.05)
    shorted = output_poles(break_part(circuit, "short:r_load_left"))
    assert shorted[0] > 100.0 * pole and shorted[1] == pytest.approx(pole, rel=0.05)
