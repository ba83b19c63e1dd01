"""Noise against published laws and worked figures; source beside each check.

GHLM: Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated Circuits, chapter 11.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import constants

from forktail.circuits import shipped
from forktail.core.built.circuit import Circuit
from forktail.core.built.network import solve_built
from forktail.core.built.noise import T_SOURCE, families, solve_noise
from forktail.core.path import IDEAL, noise_behind
from helpers import VT_25, near

#: A lower pair whose current goes straight through the upper ones once these are switched.
PAIR = Circuit(
    tail_kind="ideal", i_tail=2e-3, beta_forward=math.inf, beta_reverse=math.inf,
    v_early=math.inf, r_source_upper=0.0, r_source_lower=0.0, r_termination_upper=math.inf,
    r_termination_lower=math.inf, r_load_left=1e3, r_load_right=1e3,
)  # fmt: skip
SWITCHED = 0.5
KT4 = 4 * constants.k * PAIR.temperature


def parts(circuit, upper=0.0, lower=0.0):
    return noise_behind(solve_noise(circuit, upper, lower), IDEAL, 1e3)


def at_the_input(circuit, kind):
    """Noise of some families over the square of the gain, V^2/Hz, upper pairs switched."""
    gain = float(solve_built(circuit, SWITCHED, 0.0).gain_lower)
    return sum(families(parts(circuit, SWITCHED))[k] for k in kind) / gain**2


@pytest.mark.parametrize("ohms, nanovolts", [(1e3, 4.0), (50.0, 0.9), (10e3, 12.7)])
def test_thermal_noise_of_a_resistor(ohms, nanovolts):
    # Nyquist, Physical Review 32 (1928): 4 k T R; 4 nV/sqrt(Hz) of 1 kohm: GHLM, from memory
    starved = replace(PAIR, i_tail=1e-9, r_load_left=ohms, r_load_right=ohms)
    power = parts(starved)["r_load_left"]
    assert power == near(4 * 1.380649e-23 * 298.15 * ohms, rel=1e-3)
    assert 1e9 * math.sqrt(power) == near(nanovolts, rel=0.02)


def test_fifty_microamperes_are_as_noisy_as_a_kilohm():
    # GHLM: the shot noise of 50 uA DC equals the thermal noise of 1 kohm; from memory (2VT/R)
    c = replace(PAIR, i_tail=2 * 50e-6)  # each load carries half
    found = families(parts(c))
    shot = found["upper"] + found["lower"]
    assert shot / found["loads"] == near(1.0, abs=0.03)


@pytest.mark.parametrize("tail", [0.2e-3, 2e-3])
def test_pair_at_balance(tail):
    # GHLM: a transistor has 4kT (1/2gm) at its input without base resistance, a pair twice that
    c = replace(PAIR, i_tail=tail)
    gm = 0.5 * tail / VT_25
    assert at_the_input(c, ("lower", "upper")) == near(KT4 / gm, rel=1e-4)


def test_emitter_resistors_add_their_own_noise():
    # GHLM: series feedback in the emitter adds 4kT RE at the input, here of two resistors
    c = replace(PAIR, r_emitter_lower=100.0)
    gm = 1e-3 / VT_25
    law = KT4 * (1 / gm + 2 * 100.0)
    assert at_the_input(c, ("lower", "upper", "emitters")) == near(law, rel=1e-4)


def test_source_resistance_is_4ktr_at_the_input():
    # Nyquist (1928)
    c = replace(PAIR, r_source_lower=600.0)
    assert at_the_input(c, ("source_lower",)) == near(KT4 * 600, rel=1e-9)


@pytest.mark.parametrize("beta", [100.0, 400.0])
def test_source_resistance_of_least_noise_figure(beta):
    # GHLM: voltage noise 4kT/(2gm) and current noise 2q IB of a transistor make the figure least
    # at a source of sqrt(beta)/gm, where F = 1 + 1/sqrt(beta); of a pair driven on one side the
    # voltage noise is double: sqrt(2 beta)/gm and 1 + sqrt(2/beta)
    gm = 1e-3 / (constants.k * T_SOURCE / constants.e)
    best = math.sqrt(2 * beta) / gm

    def factor(ohms):
        c = replace(
            PAIR, beta_forward=beta, r_source_lower=ohms, temperature=T_SOURCE,
            r_bias_lower_pos=50e3, r_bias_lower_neg=50e3,
        )  # fmt: skip
        found = parts(c, SWITCHED, 0.0)
        return 1 + (found["Q5"] + found["Q6"]) / found["r_source_lower"]

    less, least, more = (factor(k * best) for k in (0.5, 1.0, 2.0))
    assert least - 1 == near(math.sqrt(2 / beta), rel=0.1)
    assert least < less and least < more


def test_image_noise_of_a_hard_switched_mixer():
    # Fourier series of a square wave: gain 2/pi to either product, noise from all sidebands, so
    # F of the source alone is (pi/2)^2 = 3.92 dB single-sideband; Lee, The Design of CMOS
    # Radio-Frequency Integrated Circuits, from memory
    wave = np.cos(2 * np.pi * (np.arange(64) + 0.5) / 64)
    u = np.copysign(SWITCHED, wave)
    c = replace(PAIR, r_source_lower=600.0)
    gain = np.mean(solve_built(c, u, 0.0).gain_lower * wave)
    figure = parts(c, u)["r_source_lower"] / (KT4 * 600 * gain**2)
    assert 10 * math.log10(figure) == near(3.92, abs=0.01)


@pytest.mark.parametrize("peak, share", [(0.1, 0.27), (0.3, 0.07)])
def test_upper_pairs_are_noisy_while_they_change_over(peak, share):
    # own working-out: 2 q I (1 - x^2), x the share to which they are switched, mean over the cycle;
    # the shares are an estimate for the shipped mixer made apart from this program
    c = shipped()["bat-call-mixer"][0]
    u = peak * np.cos(2 * np.pi * np.arange(128) / 128)
    found = families(parts(c, u))
    assert found["upper"] / sum(found.values()) == near(share, abs=0.01)
    point = solve_built(c, u, 0.0)
    v = point.nodes["base_upper_pos"] - point.nodes["base_upper_neg"]
    x = np.tanh(v / (2 * VT_25))
    current = float(np.mean(point.i_upper.sum(axis=-1)))
    law = 2 * constants.e * current * float(np.mean(1 - x**2)) * c.r_load_left**2
    assert found["upper"] == near(law, rel=0.03)


def test_input_noise_of_the_shipped_mixer():
    # estimate made apart from this program, base resistance left out: 7.6 nV/sqrt(Hz)
    c = shipped()["bat-call-mixer"][0]
    u = 0.1 * np.cos(2 * np.pi * np.arange(64) / 64)
    gains = solve_built(c, u, np.array([[-1e-4], [1e-4]])).v_out
    gain = np.mean((gains[1] - gains[0]) / 2e-4 * np.cos(2 * np.pi * np.arange(64) / 64))
    density = math.sqrt(sum(parts(c, u).values())) / abs(gain)
    assert 1e9 * density == near(7.6, abs=0.1)
    assert 1e6 * density * math.sqrt(4e3) == near(0.48, abs=0.01)
