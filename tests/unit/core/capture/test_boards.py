"""The boards that `compare` is tried on, held against the solver and against scipy's integrator.

Two sets of equations, written apart, that agree: either a mistake in one shows here, or both hold.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate

import boards_reference as boards
from forktail.circuits import shipped
from forktail.core.built.circuit import break_part, single_faults
from forktail.core.built.network import solve_bias, solve_built
from forktail.core.capture.read import read_capture
from periodic_reference import Board

KEYS = tuple(shipped())


def held_apart(circuit, parts, upper, lower):
    """Collectors of `periodic_reference`, loads without capacitance, other capacitors at rest."""
    parts.farads |= {"c_load_left": 0.0, "c_load_right": 0.0}
    board = Board(parts)
    shares = {}
    for side in ("upper", "lower"):
        r_t = parts.ohms.get(f"r_termination_{side}", np.inf)
        shares[side] = 1.0 + parts.ohms[f"r_source_{side}"] / r_t
    fixed = board.known_voltages(shares["upper"] * upper, shares["lower"] * lower)
    rest = np.tile(board.rest(), (len(fixed), 1))
    v, _ = board.instant(rest @ board.across.T, fixed, rest @ board.reach.T)
    return rest[0], {name: v[:, row] for name, row in board.nodes.items()}, board


@pytest.mark.parametrize("key", KEYS)
def test_a_healthy_board_agrees_with_the_solver(key):
    circuit = shipped()[key][0]
    rng = np.random.default_rng(7)
    upper, lower = rng.uniform(-0.2, 0.2, (2, 64))
    rest, nodes, board = held_apart(circuit, boards.parts_of(circuit), upper, lower)
    bias, point = solve_bias(circuit), solve_built(circuit, upper, lower, gains=False)
    for name, v in bias.nodes.items():
        if name in board.nodes:
            assert rest[board.nodes[name]] == pytest.approx(float(v), abs=1e-9), name
    for name in ("left", "right", "tail", "common_left", "common_right", "base_lower_pos"):
        assert nodes[name] == pytest.approx(point.nodes[name], abs=3e-6), name
    assert np.ptp(nodes["left"]) > 0.2


@pytest.mark.parametrize("key", KEYS[:2])
def test_a_faulty_board_agrees_with_the_solver(key):
    """Every single fault, apart by less than a millivolt.

    Two things are drawn differently: a bridge of 1 ohm across a capacitor lies in series with the
    source here; and the termination of a balanced drive floats here, as its words have it, so it
    does not carry what both lines draw together. Without that termination both agree.
    """
    circuit = shipped()[key][0]
    if circuit.upper_mode == "balanced":
        circuit = replace(circuit, r_termination_upper=math.inf)
    rng = np.random.default_rng(8)
    upper, lower = rng.uniform(-0.1, 0.1, (2, 4))
    for fault in single_faults(circuit):
        there = solve_built(break_part(circuit, fault), upper, lower, gains=False)
        _, nodes, _ = held_apart(
            circuit, boards.broken(boards.parts_of(circuit), fault.key), upper, lower
        )
        for name in ("left", "right"):
            assert nodes[name] == pytest.approx(there.nodes[name], abs=1e-3), (fault.key, name)


@pytest.mark.parametrize(
    "key, cause", [("bat-call-mixer", None), ("beacon-modulator", "swapped:pair_left")]
)
def test_the_period_is_what_an_integrator_makes_of_it(key, cause):
    """scipy.integrate.solve_ivp from the first sample on: it stays on the curve and comes back."""
    circuit = shipped()[key][0]
    parts = boards.parts_of(circuit)
    if cause:
        parts = boards.broken(parts, cause)
    board, n, period = Board(parts), 512, 1.0 / 20e3
    turn = 2.0 * np.pi * np.arange(n) / n

    def emf(t):
        w = 2.0 * np.pi * np.asarray(t) / period
        return 0.15 * np.sin(2.0 * w), 0.05 * np.sin(w + 1.0)

    v = board.periodic(*emf(period * turn / (2.0 * np.pi)), period)
    vj = [v[:1] @ board.reach.T]

    def slope(t, u):
        nodes, currents = board.instant(u[None], board.known_voltages(*emf(t)), vj[0])
        vj[0] = nodes @ board.reach.T
        return currents[0] / board.farads

    some = np.linspace(0, n, 9)[:-1].astype(int)
    found = integrate.solve_ivp(
        slope,
        (0.0, period),
        v[0] @ board.across.T,
        method="Radau",
        t_eval=[*(some * period / n), period],
        rtol=1e-8,
        atol=1e-9,
    ).y.T
    wanted = v[[*some, 0]] @ board.across.T
    assert np.max(np.abs(found - wanted)) < 3e-6
    loads = [j for j, c in enumerate(board.capacitors) if c[0].startswith("c_load")]
    assert np.ptp(wanted[:, loads], axis=0).min() > 0.02


def test_boards_are_the_same_for_the_same_number_and_say_what_is_true():
    some = [boards.make_board(k) for k in range(6)]
    again = boards.make_board(5)
    assert again.causes == some[5].causes and again.text() == some[5].text()
    assert {b.healthy for b in some} == {True, False}
    for b in some:
        single = {f.key for f in single_faults(b.circuit)}
        for cause in b.causes:
            assert cause.startswith(("factor:", "area:", "missing:", "temp")) or cause in single
        capture = read_capture(b.text())
        assert capture.v_left == pytest.approx(b.channels["v_left"], rel=1e-6)
        assert len(np.unique(b.channels["v_right"])) <= 1024


def test_what_a_scope_does_is_done():
    b = boards.make_board(3, cause="", key="bat-call-mixer")

    def look(*scope):
        return boards.view(b.parts, b.drive, "base lines", scope, b.time, 256)

    clean, plain = look()
    assert all(np.array_equal(clean[c], plain[c]) for c in boards.CHANNELS)
    _, seen = look("probe:outputs:10", "inverted:v_upper", "ac:v_lower")
    assert seen["v_left"] == pytest.approx(10 * clean["v_left"])
    assert seen["v_upper"] == pytest.approx(-clean["v_upper"])
    assert np.ptp(seen["v_lower"] - clean["v_lower"]) < 1e-9 < abs(clean["v_lower"].mean())
    _, seen = look("exchanged:v_left:v_right")
    assert np.array_equal(seen["v_left"], clean["v_right"])
    rng = np.random.default_rng(1)
    cut = boards.recorded(clean, ("clipped:v_left",), b.time, rng)
    top = cut["v_left"] == cut["v_left"].max()
    assert 0.03 < top.mean() < 0.6 and (cut["v_right"] == cut["v_right"].max()).mean() < 0.03
    for c in boards.CHANNELS:  # 2 % and 1.5 % of the screen, and what eight bits leave
        off = cut[c] - clean[c]
        assert abs(np.mean(off[~top])) < 0.03 * abs(clean[c].mean()) + 0.1 * np.ptp(clean[c])


@pytest.mark.parametrize(
    "true, said, same",
    [
        ("open:Q3.base", "open:Q3.base", True),
        ("open:Q3.base", "open:Q4.base", False),
        ("factor:r_load_left:1.5", "factor:r_load_left:1.42", True),
        ("factor:r_load_left:1.5", "factor:r_load_left:0.7", False),
        ("factor:r_load_left:1.5", "factor:r_load_right:1.5", False),
        ("factor:r_load_left:1.5", "open:r_load_left", False),
        ("temperature:45", "temperature:36.5", True),
        ("temperature:45", "temperature:-20", False),
        ("area:Q3:2.5", "area:Q3:2.2", True),
    ],
)
def test_when_a_cause_counts_as_found(true, said, same):
    assert boards.agrees(true, said) is same


def test_a_cause_that_gives_the_same_picture_looks_alike():
    b = boards.make_board(2, cause="factor:r_tail:0.1", key="beacon-modulator")
    assert b.causes == ("factor:r_tail:0.1",) and not b.healthy
    assert boards.looks_alike(b, "factor:r_tail:0.1")
    assert not boards.looks_alike(b, "factor:r_load_left:1.5")
    assert not boards.looks_alike(b, "nonsense")
