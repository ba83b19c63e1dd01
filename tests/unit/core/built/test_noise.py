"""Noise of the built cell: transfers, cycles, the path, and a noisy network stepped in time."""

import math
from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import constants

from forktail.circuits import shipped
from forktail.core.built import nodal
from forktail.core.built.circuit import Circuit, break_part
from forktail.core.built.network import solve_built, solved_signal
from forktail.core.built.noise import FAMILIES, families, solve_noise
from forktail.core.cell.noise import cell_noise
from forktail.core.checks import QuantityError
from forktail.core.models import TextbookCell
from forktail.core.path import IDEAL, Feed, Path, noise_behind
from helpers import near
from network_reference import NAMES, equations, pin_currents, solve_one

MIXER = shipped()["bat-call-mixer"][0]
#: No base currents, no Early effect, no source: what the closed form describes.
MATCHED = Circuit(
    tail_kind="ideal", i_tail=1e-3, beta_forward=math.inf, beta_reverse=math.inf,
    v_early=math.inf, r_source_upper=0.0, r_source_lower=0.0, r_termination_upper=math.inf,
    r_termination_lower=math.inf, r_load_left=1e3, r_load_right=1e3, g_leak=1e-16,
)  # fmt: skip


def cycle(n, peak):
    return peak * np.cos(2 * np.pi * np.arange(n) / n)


def power(circuit, upper=0.0, lower=0.0, path=IDEAL, frequency=2e3, period=math.inf):
    """Density of all parts together, V^2/Hz."""
    return sum(noise_behind(solve_noise(circuit, upper, lower), path, frequency, period).values())


@pytest.mark.parametrize("count", [5, 80])
def test_the_transposed_solution_is_that_of_each_current_alone(count):
    # both ways of elimination: few samples are solved densely
    rng = np.random.default_rng(4)
    signal, _, _ = solved_signal(MIXER, *rng.uniform(-0.1, 0.1, (2, count)))
    net, values, v = signal.net, signal.values, signal.v
    ends = rng.normal(size=(2, len(net.names)))
    ends[:, net.n :] = 0.0
    seen = nodal.transfers(net, values, v, ends)
    nodes = nodal.resistance(net, values, v, np.eye(len(net.names))[: net.n])
    assert seen[: net.n] == near(np.einsum("on,npl->pol", ends, nodes), rel=1e-9)
    assert not seen[net.n :].any()


@pytest.mark.parametrize("upper, lower", [(0.0, 0.0), (47.0, 0.0), (0.0, 100.0), (47.0, 100.0)])
def test_matched_pairs_have_the_closed_form(upper, lower):
    c = replace(MATCHED, r_emitter_upper=upper, r_emitter_lower=lower)
    u, v = np.random.default_rng(2).uniform(-0.1, 0.1, (2, 6))
    point = TextbookCell(
        c.i_tail, c.r_load_left, r_emitter_upper=upper, r_emitter_lower=lower
    )(u, v)  # fmt: skip
    law = cell_noise(point, upper, lower)
    found = families(noise_behind(solve_noise(c, u, v), IDEAL, 1e3))
    assert found["lower"] > 1e-18 and found["upper"] > 1e-17
    for family, values in law.items():
        assert found[family] == near(np.mean(values), rel=1e-10), family
    assert sum(found.values()) == near(sum(found[k] for k in law), rel=1e-10)


def test_every_part_has_a_family():
    parts = noise_behind(solve_noise(MIXER, cycle(16, 0.05)), IDEAL, 2e3)
    assert sum(families(parts).values()) == near(sum(parts.values()), rel=1e-14)
    assert set(families(parts)) == set(FAMILIES)
    assert {"Q1", "Q7", "r_bias_lower_pos", "r_source_lower", "r_termination_upper"} <= set(parts)


def test_a_cycle_is_the_mean_of_its_instants():
    u = cycle(12, 0.08)
    instants = [power(MIXER, x, 0.003) for x in u]
    assert power(MIXER, u, 0.003) == near(np.mean(instants), rel=1e-10)


def test_transfers_to_the_output_are_the_slopes_of_the_cell():
    c = replace(MIXER, r_source_upper=200.0)
    point = solve_built(c, 0.02, 0.01)
    noise = noise_behind(solve_noise(c, 0.02, 0.01), IDEAL, 1e3)
    kt4 = 4 * constants.k * c.temperature
    assert noise["r_source_lower"] == near(kt4 * 600 * point.gain_lower**2, rel=1e-9)
    # source and termination share as the parallel of both
    both = noise["r_source_upper"] + noise["r_termination_upper"]
    assert both == near(kt4 * (200 * 51 / 251) * point.gain_upper**2, rel=1e-9)
    assert noise["r_source_upper"] / both == near(51 / 251, rel=1e-9)


def test_a_balanced_drive_has_the_noise_of_its_whole_source():
    c = replace(MIXER, lower_mode="balanced")
    found = noise_behind(solve_noise(c, 0.05), IDEAL, 1e3)["r_source_lower"]
    slope = float(solve_built(c, 0.05, 0.0).gain_lower)
    assert found == near(4 * constants.k * c.temperature * 600 * slope**2, rel=1e-3)


def test_the_load_pole_takes_noise_as_it_takes_a_wave():
    pole, f = 73e3, 60e3
    down = 1 / (1 + (f / pole) ** 2)
    u = cycle(16, 0.05)
    assert power(MIXER, u, path=Path(load_pole=pole), frequency=f) == near(
        down * power(MIXER, u, frequency=f), rel=1e-12
    )


def test_unequal_load_poles_each_take_their_side():
    # of the loads alone each pole takes its own; what is common to both no longer cancels
    noise = solve_noise(MATCHED)
    f, poles = 50e3, (20e3, 80e3)
    found = noise_behind(noise, Path(load_pole=40e3, poles=poles), f)
    for name, pole in zip(("r_load_left", "r_load_right"), poles):
        law = 4 * constants.k * MATCHED.temperature * 1e3 / (1 + (f / pole) ** 2)
        assert found[name] == near(law, rel=1e-9)
    resistor = replace(MATCHED, tail_kind="resistor")
    even = noise_behind(solve_noise(resistor), Path(load_pole=40e3), f)["r_tail"]
    odd = noise_behind(solve_noise(resistor), Path(load_pole=40e3, poles=poles), f)["r_tail"]
    assert odd > 1e6 * even


def test_a_coupling_corner_stops_what_the_drive_folds_down_from_below_it():
    # output at 2 kHz, cell switched at 43 kHz: the source is heard from 41 and 45 kHz
    u, period = cycle(32, 0.1), 1 / 43e3
    noise = solve_noise(MIXER, u)
    open_, low, high = (
        noise_behind(noise, Path(lower=Feed(corner)), 2e3, period)["r_source_lower"]
        for corner in (0.0, 1e3, 43e3)
    )
    assert low == near(open_, rel=2e-3)
    sides = [1 / (1 + (43 / f) ** 2) for f in (41, 45)]
    assert high / open_ == near(np.mean(sides), rel=0.1)
    # at rest nothing is folded: one frequency, one factor
    still = solve_noise(MIXER, 0.05)
    ratio = [noise_behind(still, Path(lower=Feed(c)), 2e3)["r_source_lower"] for c in (0.0, 2e3)]
    assert ratio[1] / ratio[0] == near(0.5, rel=1e-12)


def test_a_drive_that_is_not_connected_has_no_generator_noise():
    c = replace(MIXER, r_termination_lower=1e3)
    gone = noise_behind(solve_noise(break_part(c, "open:drive_lower"), 0.05), IDEAL, 1e3)
    assert "r_source_lower" not in gone and gone["r_termination_lower"] > 0.0
    loose = noise_behind(solve_noise(break_part(c, "open:r_termination_lower"), 0.05), IDEAL, 1e3)
    slope = float(solve_built(break_part(c, "open:r_termination_lower"), 0.05, 0.0).gain_lower)
    slope /= 1600 / 1000  # the input is what the generator gives with its termination in place
    law = 4 * constants.k * c.temperature * 600 * slope**2
    assert "r_termination_lower" not in loose
    assert loose["r_source_lower"] == near(law, rel=1e-6)


def test_a_saturated_transistor_has_the_thermal_noise_of_its_resistance():
    # without current from collector to emitter both transports still have shot noise:
    # 2 q (I + I) = 4 k T g, g = I/VT (Nyquist's theorem for a junction in balance)
    net = nodal.build_net(MATCHED, True)
    v = np.zeros((len(net.names), 1))
    v[net.index["base_upper_pos"]] = 0.6
    shot = nodal.shot_currents(net, nodal.nominal(net, MATCHED), v)
    current = net.i_s[0, 0] * math.exp(0.6 / net.v_t)
    assert shot[0, 0, 0] == near(2 * current, rel=1e-12)
    assert 2 * constants.e * shot[0, 0, 0] == near(
        4 * constants.k * MATCHED.temperature * current / net.v_t, rel=1e-6
    )


@pytest.mark.parametrize("beta_reverse", [0.5, 4.0])
def test_a_network_in_balance_obeys_nyquist_whatever_is_in_it(monkeypatch, beta_reverse):
    # Nyquist (1928): without current any network has 4 k T times the resistance that is seen.
    # Junctions of 1 uA at rest conduct as much as the resistors, so shot noise must be as large
    c = Circuit(
        tail_kind="resistor", i_s=1e-6, beta_forward=2.0, beta_reverse=beta_reverse,
        v_early=math.inf, g_leak=1e-16, r_load_left=60e3, r_load_right=90e3, r_tail=40e3,
        r_emitter_upper=5e3, r_emitter_lower=9e3, r_source_upper=7e3, r_source_lower=20e3,
    )  # fmt: skip
    net = nodal.build_net(c, True)
    values, v = nodal.nominal(net, c), np.zeros((len(net.names), 1))
    still = SimpleNamespace(net=net, values=values, v=v, ok=np.ones(1, dtype=bool))
    monkeypatch.setattr("forktail.core.built.network.solved_signal", lambda *_: (still, still, ()))
    across = np.zeros((1, len(net.names)))
    across[0, net.index["right"]], across[0, net.index["left"]] = 1.0, -1.0
    seen = float(across[0] @ nodal.resistance(net, values, v, across)[:, 0, 0])
    parts = noise_behind(solve_noise(c), IDEAL, 1e3)
    assert sum(parts.values()) == near(4 * constants.k * c.temperature * seen, rel=1e-9)
    assert sum(p for k, p in parts.items() if k[0] == "Q") > 0.3 * sum(parts.values())


def test_a_sample_without_a_solution_is_refused():
    with pytest.raises(QuantityError, match="no solution at 1 of 1 samples, so its noise"):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("forktail.core.built.network.ACCEPT", 0.0)
            solve_noise(replace(MIXER, v_supply=11.87))


# ---------------------------------------------------------------- stepped in time


@lru_cache(maxsize=1)
def noisy_steps(n=24, peak=0.1):
    """Output of the noisy network over the reference equations, and its sources.

    Returns the answer of v_out to each source at each instant, (n, sources), and the densities
    of the sources there, (n, sources). Nothing of it is the core's.
    """
    c = replace(MIXER, tail_kind="ideal", i_tail=1.2e-3, beta_forward=40.0)
    held, _ = solve_one(c)
    names = [f"{kind}{k}" for k in range(1, 7) for kind in ("ic", "ib")]
    names += ["e5", "e6", "left", "right"]
    kt4 = 4 * constants.k * c.temperature
    answers, densities, x = [], [], None
    for u in cycle(n, peak):
        v, error = solve_one(c, held, u, 0.0, x)
        assert error < 1e-11
        x, at = v, np.array([v[k] for k in NAMES])
        jacobian = np.empty((len(NAMES),) * 2)
        for k in range(len(NAMES)):
            step = np.zeros(len(NAMES))
            step[k] = 1e-6
            ends = [equations(at + s * step, c, held, u, 0.0) for s in (1, -1)]
            jacobian[:, k] = (ends[0] - ends[1]) / 2e-6
        rest = equations(at, c, held, u, 0.0)
        pushes = [(equations(at, c, held, u, 0.0, {k: 1e-6}) - rest) / 1e-6 for k in names]
        pushes.append((equations(at, c, held, u, 1e-6) - rest) / 1e-6)  # the source, in series
        moved = -np.linalg.solve(jacobian, np.array(pushes).T)
        answers.append(moved[NAMES.index("right")] - moved[NAMES.index("left")])
        shot = [2 * constants.e * abs(i) for pair in pin_currents(c, v) for i in pair]
        thermal = [kt4 * r for r in (100.0, 100.0, c.r_load_left, c.r_load_right, 600.0)]
        densities.append(shot + thermal)
    return c, np.array(answers), np.array(densities)


def test_a_noisy_network_stepped_in_time_has_this_noise():
    c, answers, densities = noisy_steps()
    n, lo, cycles = len(answers), 43e3, 6000
    rng = np.random.default_rng(13)
    rate = n * lo
    # samples of white noise of one-sided density S at a rate F have the variance S F/2
    drawn = rng.normal(size=(cycles, *densities.shape)) * np.sqrt(densities * rate / 2)
    record = np.sum(drawn * answers, axis=-1).ravel()
    lines = np.abs(np.fft.rfft(record)) ** 2 * 2 / (rate * record.size)
    f = np.fft.rfftfreq(record.size, 1 / rate)
    heard = (f > 1e3) & (f < 20e3)
    found = float(np.mean(lines[heard]))
    bias = {"r_bias_lower_pos", "r_bias_lower_neg", "r_bias_upper_pos", "r_bias_upper_neg",
            "r_source_upper", "r_termination_upper"}  # fmt: skip
    parts = noise_behind(solve_noise(c, cycle(n, 0.1)), IDEAL, 2e3, 1 / lo)
    law = sum(p for k, p in parts.items() if k not in bias)
    # 2,650 lines: the mean of so many squares strays by 2 %
    assert found == near(law, rel=0.06)
    # and without chance, over the same equations
    assert np.mean(np.sum(densities * answers**2, axis=1)) == near(law, rel=1e-4)


@pytest.mark.parametrize(
    "fault", ["open:Q1.base", "short:Q5.base-collector", "reversed:Q3", "open:r_load_left"]
)
def test_a_wrong_build_has_its_noise_whichever_way_it_is_eliminated(fault):
    # above 64 samples nothing is pivoted, below all is
    c, u = break_part(MIXER, fault), cycle(160, 0.15) + 1e-4 * np.arange(160)
    halves = [power(c, u[k::4], 0.004) for k in range(4)]
    assert power(c, u, 0.004) == near(np.mean(halves), rel=1e-6)
