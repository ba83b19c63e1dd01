"""Drives of the bench plan: set by hand calculation, sent through coupling, cell and loads."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.circuits import shipped
from forktail.core.bench.drives import (
    alone,
    drive,
    frequencies,
    line,
    nice_above,
    nice_below,
)
from forktail.core.built import network
from forktail.core.built.circuit import Circuit

MIXER = Circuit(r_emitter_lower=100.0, r_source_lower=600.0, r_termination_lower=math.inf)


@given(st.floats(1e-9, 1e9))
def test_nice_values_are_1_2_5_and_nearest(value):
    """Preferred 1-2-5 steps as on knobs of the bench: common practice, no source."""
    above, below = nice_above(value), nice_below(value)
    assert below <= value * (1 + 1e-8) and above >= value * (1 - 1e-8)
    for v in (above, below):
        assert f"{v:e}"[:3] in ("1.0", "2.0", "5.0")
    assert above / below < 2.6


def test_generator_setting_follows_the_divider_of_source_and_termination():
    """51 ohm across a 50 ohm source leaves 51/101 of the open-circuit voltage."""
    upper, lower = drive(MIXER, 0.1, 0.01, network.figures(MIXER)).generators
    assert upper.open_circuit * 51.0 / 101.0 == pytest.approx(2 * 0.1)
    assert lower.open_circuit == pytest.approx(2 * 0.01)
    # 600 ohm against the bias resistor and the base: less than without a load
    assert 0.5 * lower.open_circuit < lower.swing < lower.open_circuit


@pytest.mark.parametrize(
    "name", ["bat-call-mixer", "beacon-modulator", "volume-cell", "range-finder-phase-detector"]
)
def test_drives_pass_their_corners_and_the_output_its_pole(name):
    figures = network.figures(shipped()[name][0])
    upper, lower, beat = frequencies(figures)
    for side, f in (("upper", upper), ("lower", lower)):
        corner = np.nanmax([getattr(figures, f"{k}_{side}") for k in ("coupling", "ground")])
        assert f >= 10 * corner * (1 - 1e-9)
    assert (upper - lower if beat else upper + lower) <= figures.load_pole


def test_sum_and_difference_lines_after_the_load_pole():
    """sin a sin b = (cos(a-b) - cos(a+b))/2, each then through 1/(1 + jf/fp)."""
    circuit = replace(MIXER, c_load=1e-9)
    found = drive(circuit, 0.002, 0.002, network.figures(circuit))
    up, low = (g.frequency for g in found.generators)
    w = found.waves

    def bend(f):
        return 1 / math.hypot(1.0, f / w.pole)

    assert line(w, up + low) / line(w, up - low) == pytest.approx(
        bend(up + low) / bend(up - low), rel=0.01
    )
    assert line(w, up - low) > 100 * max(line(w, up), line(w, low))


def test_waves_are_those_behind_coupling_and_loads():
    """Both single poles by hand, (jf/fc)/(1 + jf/fc) and 1/(1 + jf/fp), around the static cell."""
    circuit = replace(MIXER, c_load=1e-9)
    figures = network.figures(circuit)
    found = drive(circuit, 0.002, 0.002, figures)
    up, low = found.generators
    time = found.waves.time
    sent = [g.peak * np.sin(2 * np.pi * g.frequency * time) for g in (up, low)]
    static = network.solve_built(circuit, *sent, gains=False)
    factor = 1.0
    for g in (up, low):
        high_pass = 1.0 / math.hypot(1.0, getattr(figures, f"coupling_{g.side}") / g.frequency)
        assert high_pass < 0.9985  # above its corner, but not all of it comes through
        nodes = [static.nodes[f"base_{g.side}_{pole}"] for pole in ("pos", "neg")]
        before = float(np.ptp(nodes[0] - nodes[1]))
        assert g.swing == pytest.approx(high_pass * before, rel=5e-4)
        factor *= high_pass
    f = up.frequency - low.frequency
    factor /= math.hypot(1.0, f / figures.load_pole)
    turned = np.exp(-2j * np.pi * f * time)
    unloaded = 2.0 * abs(np.mean(static.v_out * turned))
    assert line(found.waves, f) == pytest.approx(factor * unloaded, rel=1e-3)


def test_what_is_left_of_a_drive_alone_is_its_high_pass_and_the_low_pass():
    figures = network.figures(MIXER)
    f = 3.0 * figures.coupling_lower
    wanted = 1.0 / math.hypot(1.0, 1.0 / 3.0) / math.hypot(1.0, f / figures.load_pole)
    assert alone(MIXER, "lower", f) == pytest.approx(wanted, rel=1e-9)
