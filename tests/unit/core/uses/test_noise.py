"""Noise in the uses: figures, their relations, what makes it."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import constants, integrate

from forktail.circuits import shipped
from forktail.core.built.circuit import Circuit
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.path import Path
from forktail.core.uses import run_use
from forktail.core.uses.noise import cycle_of, line_resistance
from forktail.core.uses.result import as_json
from helpers import near

MIXER = shipped()["bat-call-mixer"][0]
VT = constants.k * 298.15 / constants.e
NOISE = ("noise_output", "noise_input", "noise_rms", "faintest", "noise_range", "noise_figure")


def figures(key, settings=None, solve=None, **more):
    result = run_use(key, settings or {}, solve, detail=False, **more)
    return {m.key: m for m in result.merits if m.key in NOISE}, result


@pytest.mark.parametrize("peak", ["20mV", "0.15V", "1V"])
def test_textbook_mixer_has_the_same_noise_however_it_is_switched(peak):
    # what the upper pairs have while they change over, the lower pair lacks: 2 q I R^2 + 8 k T R
    found, result = figures("mixer", {"oscillator_amplitude": peak})
    law = math.sqrt(2 * constants.e * 2e-3 * 1e3**2 + 8 * constants.k * 298.15 * 1e3)
    assert found["noise_output"].value == near(law, rel=1e-9)
    assert found["noise_rms"].value == near(law * math.sqrt(4e3), rel=1e-9)
    x = float(peak.rstrip("mV")) * (1e-3 if "m" in peak else 1) / (2 * VT)
    over = integrate.quad(lambda a: 1 / np.cosh(x * np.cos(a)) ** 2, 0, np.pi, limit=400)[0] / np.pi
    upper = 100 * 2 * constants.e * 2e-3 * 1e6 * over / law**2
    assert dict(result.noise)["upper pairs, Q1 to Q4"] == near(upper, rel=1e-6)
    assert sum(dict(result.noise).values()) == near(100.0, abs=0.2)


def test_figures_follow_from_density_and_gain():
    found, result = figures("mixer", {"signal_amplitude": "0.1mV", "second_amplitude": "0V"})
    gain = result.merit("conversion_gain").value  # of a faint signal already
    density = found["noise_input"].value
    assert density == near(found["noise_output"].value / gain, rel=1e-4)
    # ten times the power of the noise in the band: A^2/2 = 10 e^2 B
    faintest = found["faintest"].value
    assert faintest**2 / 2 == near(10 * density**2 * 4e3, rel=1e-9)
    apart = 20 * math.log10(result.merit("compression").value / faintest)
    assert found["noise_range"].value == near(apart, rel=1e-9)
    assert "noise_figure" not in found


def test_a_wider_band_has_more_noise_and_the_same_density():
    narrow, wide = (figures("mixer", {"noise_band": b})[0] for b in ("1kHz", "4kHz"))
    assert wide["noise_rms"].value == near(2 * narrow["noise_rms"].value, rel=1e-9)
    assert wide["faintest"].value == near(2 * narrow["faintest"].value, rel=1e-9)
    assert wide["noise_output"].value == narrow["noise_output"].value
    assert "4.00 kHz" in wide["noise_rms"].name


@pytest.mark.parametrize("key", ["mixer", "variable_gain"])
def test_figures_of_a_faint_signal_do_not_hang_on_the_signal(key):
    name = "signal_amplitude" if key == "mixer" else "amplitude"
    soft, loud = (figures(key, {name: a}, MIXER)[0] for a in ("0.5mV", "8mV"))
    assert [m.value for m in soft.values()] == near([m.value for m in loud.values()])


def test_shipped_mixer_against_the_estimate():
    # an estimate made apart from this program: 7.6 nV/sqrt(Hz), upper pairs 27 % of it
    found, result = figures("mixer", {"oscillator_amplitude": "100mV"}, MIXER)
    assert found["noise_input"].value == near(7.6e-9, rel=0.01)
    assert found["noise_input"].reading.endswith("nV/\u221aHz")
    assert dict(result.noise)["upper pairs, Q1 to Q4"] == near(27, abs=0.5)
    assert found["noise_output"].holds and found["noise_figure"].holds


def test_noise_figure_of_the_shipped_mixer():
    # total over what 600 ohm at 290 K give in one band: their noise in both is 35 % at 25 degC
    found, result = figures("mixer", {"oscillator_amplitude": "100mV"}, MIXER)
    density = found["noise_input"].value
    source = 4 * constants.k * 290 * 600
    share = dict(result.noise)["source of the lower input"] / 100
    factor = density**2 * (1 + share * (290 / 298.15 - 1)) / source
    assert found["noise_figure"].value == near(10 * math.log10(factor), abs=1e-6)
    assert 6.0 < found["noise_figure"].value < 9.0


def test_noise_figure_counts_the_termination_against_the_source():
    # 50 ohm with 51 ohm across it: half the voltage, so the figure is over 3 dB higher
    c = replace(MIXER, r_source_lower=50.0)
    alone = figures("mixer", {}, c)[0]["noise_figure"].value
    ended = figures("mixer", {}, replace(c, r_termination_lower=51.0))[0]["noise_figure"].value
    assert ended > alone + 3.0


def test_without_a_gain_nothing_is_seen_from_the_input():
    found, _ = figures("variable_gain", {"control": "0V"})
    assert found["noise_output"].value > 0
    for key in ("noise_input", "faintest"):
        assert math.isnan(found[key].value) and found[key].reading == "\u2013"
    data = as_json(run_use("variable_gain", {"control": "0V"}))
    assert data["figures"]["faintest"]["value"] is None and json.dumps(data)
    assert data["noise"]


@pytest.mark.parametrize("control", ["5mV", "30mV", "-60mV"])
def test_noise_of_the_variable_gain_is_that_of_its_law(control):
    # upper pairs at balance are as noisy as their currents, which add up to the tail current
    found, _ = figures("variable_gain", {"control": control})
    law = math.sqrt(2 * constants.e * 2e-3 * 1e3**2 + 8 * constants.k * 298.15 * 1e3)
    assert found["noise_output"].value == near(law, rel=1e-9)
    assert all(m.holds for m in found.values())
    # the pair is 1 dB short 9.0 dB under 4 VT, at any control: both upper pairs bend alike
    most = found["faintest"].value * 10 ** (found["noise_range"].value / 20)
    assert most == near(4 * VT * 10 ** (-9.0 / 20), rel=0.01)


def test_emitter_resistors_are_told_and_lower_the_gain_more_than_the_noise():
    plain = figures("mixer")[0]["noise_input"].value
    found, result = figures("mixer", {}, TextbookCell(r_emitter_lower=100.0))
    assert found["noise_input"].value > 1.5 * plain
    assert dict(result.noise)["emitter resistors"] > 10
    assert found["noise_input"].holds and "emitter resistors" in found["noise_input"].relation


def test_the_load_pole_takes_noise_and_is_named():
    path = Path(load_pole=73e3)
    result = run_use("variable_gain", {}, TextbookCell(), path=path)
    down = 1 / math.sqrt(1 + (45 / 73) ** 2)
    free = run_use("variable_gain", {}, TextbookCell()).merit("noise_output").value
    merit = result.merit("noise_output")
    assert merit.value == near(free * down, rel=1e-9)
    assert not merit.holds and "load pole" in merit.because
    # gain and noise fall together, so what is seen from the input stays
    assert result.merit("noise_input").holds
    low = run_use("mixer", {"noise_band": "200kHz"}, TextbookCell(), path=path)
    assert not low.merit("noise_rms").holds


def test_resistance_of_the_base_lines():
    c = Circuit(r_source_lower=600.0, r_termination_lower=math.inf)
    ohms, left = line_resistance(c, "lower")
    assert (ohms, left) == near((600 * 2200 / 2800, 2200 / 2800))
    both = line_resistance(replace(c, lower_mode="balanced"), "lower")
    assert both == near((2 * 300 * 2200 / 2500, 2200 / 2500))


def test_a_cycle_passes_each_voltage_twice():
    u = cycle_of(0.1, VT)
    assert u.size > 40 and len(np.unique(u)) == u.size // 2
    assert np.mean(u**2) == near(0.1**2 / 2, rel=1e-12)


def test_noise_is_asked_of_the_circuit_as_it_is_driven():
    at_lines = figures("mixer", {}, BuiltCell(MIXER, stiff=True))[0]
    assert "noise_figure" not in at_lines
    assert at_lines["noise_input"].value < figures("mixer", {}, MIXER)[0]["noise_input"].value
