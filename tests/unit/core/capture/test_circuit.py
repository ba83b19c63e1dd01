"""Capture against a built circuit: injected errors are found again."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.core.built import network
from forktail.core.built.file import read_circuit
from forktail.core.capture.circuit import (
    compare_capture,
    fill_inputs,
    invented_board_capture,
    memory_of,
    predictor,
)
from forktail.core.capture.compare import read_capture
from forktail.core.capture.read import Capture
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell
from forktail.core.path import run_path
from forktail.resources import assets_dir

MIXER = read_circuit((assets_dir() / "circuits/bat-call-mixer.toml").read_text(encoding="utf-8"))
ASSET = assets_dir() / "captures/bat-call-mixer-board-invented.csv"


@pytest.fixture(scope="module")
def example():
    return compare_capture(read_capture(ASSET.read_bytes(), "example"), MIXER)


def test_shipped_file_is_what_its_generator_makes():
    text = ASSET.read_text(encoding="utf-8")
    assert text == invented_board_capture(MIXER)
    assert text.startswith("# Invented data: no circuit was measured.")


def test_example_finds_what_was_put_in(example):
    # loads 7 % low; their pole moves up with them, so a little less than 7 % is seen at 100 kHz
    assert -0.07 < example.scale_error.value < -0.05
    assert example.causes[0].key == "offset_lower"
    assert {"offset_output", "scale"} <= {c.key for c in example.causes[:4]}
    assert example.unexplained < 0.1
    assert example.noise_rms == pytest.approx(0.6e-3, rel=0.1)
    assert example.offset.value == pytest.approx(6e-3, rel=0.1)


def test_trim_of_the_lower_input_is_found_as_its_offset():
    """The solver's own trims are offsets of the inputs, so they must come back as such."""
    quiet = {
        "load_left": 1.0,
        "load_right": 1.0,
        "offset_upper": 0.0,
        "offset_lower": 0.0,
        "offset_output": 0.0,
        "noise": 1e-4,
    }
    plain = compare_capture(read_capture(invented_board_capture(MIXER, **quiet)), MIXER)
    assert plain.offset_lower.value == pytest.approx(0.0, abs=2e-5)
    assert plain.scale_error.value == pytest.approx(0.0, abs=2e-3)
    found = compare_capture(
        read_capture(invented_board_capture(MIXER, **{**quiet, "offset_output": 3e-3})), MIXER
    )
    assert found.offset.value == pytest.approx(3e-3, abs=5e-5)
    trimmed = replace(MIXER, trim_lower=1e-3)
    found = compare_capture(read_capture(invented_board_capture(trimmed, **quiet)), MIXER)
    # what the capacitors hold stands at the bases; v_lower is divided on its way there
    driven = network.solve_built(MIXER, 0.0, 0.01).nodes
    reaches = float(driven["base_lower_pos"] - driven["base_lower_neg"]) / 0.01
    rest = network.solve_bias(trimmed).nodes
    stands = float(rest["base_lower_pos"] - rest["base_lower_neg"])
    assert 0.5e-3 < stands < 1e-3
    assert found.offset_lower.value * reaches == pytest.approx(stands, rel=0.02)


def test_four_terms_know_the_load_pole(example):
    """Behind the pole the four terms leave little, and their gain is that of the circuit."""
    assert example.product.residual_rms < 0.1 * example.output_rms
    slope = network.product_gain(MIXER)
    # 40 mV bends the upper pairs, so the gain over the drive lies below that at rest
    assert 0.7 * slope < example.product_predicted.gain.value < slope


def test_load_pole_of_a_sine():
    """Amplitude 1/sqrt(1 + (f/fp)^2) and phase -atan(f/fp) of one pole: any circuits text."""
    step, f = 1e-7, 50e3
    pole = network.corners(MIXER)["load_pole"]
    t = np.arange(4000) * step
    wave = np.sin(2 * np.pi * f * t)
    late = memory_of(MIXER, step)(wave)
    good = np.isfinite(late)
    line = np.mean(2j * late[good][:3800] * np.exp(-2j * np.pi * f * t[good][:3800]))
    assert abs(line) == pytest.approx(1 / math.hypot(1, f / pole), rel=1e-3)
    assert np.angle(line) == pytest.approx(-math.atan(f / pole), abs=1e-3)


def test_prediction_without_capacitance_is_the_solution():
    bare = replace(MIXER, c_load=0.0)
    u, low = np.linspace(-0.02, 0.02, 50), np.linspace(0.01, -0.01, 50)
    assert memory_of(bare, 1e-6) is None
    assert predictor(bare, math.nan, "generator")(u, low).v_out == pytest.approx(
        network.solve_built(bare, u, low).v_out, abs=1e-12
    )


def test_a_wave_that_repeats_is_not_shifted_by_a_whole_period():
    t = np.arange(6000) * 5e-7
    u, low = 0.02 * np.sin(2 * np.pi * 50e3 * t), 0.01 * np.sin(2 * np.pi * 40e3 * t)
    clean = predictor(MIXER, 5e-7)(u, low).v_out
    v_out = np.where(np.isfinite(clean), clean, 0.0)
    v_out = v_out + np.random.default_rng(1).normal(0, 1e-4, len(t))
    found = compare_capture(Capture(time=t, v_out=v_out, v_upper=u, v_lower=low), MIXER)
    assert abs(found.delay.seconds) < 1e-7
    assert found.fit_rms < 2e-4


def test_too_short_for_the_load_pole():
    slow = replace(MIXER, c_load=1e-6)
    with pytest.raises(QuantityError, match="load pole.*twice as long"):
        compare_capture(read_capture(ASSET.read_bytes(), "example"), slow)


def test_unknown_change_is_named():
    with pytest.raises(QuantityError, match="colour"):
        invented_board_capture(MIXER, colour=1.0)


def sines(seed=2):
    """A capture of two sines with phases of their own: 23 and 20 kHz."""
    t = np.arange(6000) * 5e-7
    u = 0.03 * np.sin(2 * np.pi * 23e3 * t + 1.1)
    low = 0.01 * np.sin(2 * np.pi * 20e3 * t - 0.4)
    clean = predictor(MIXER, 5e-7)(u, low).v_out
    noise = np.random.default_rng(seed).normal(0, 1e-4, len(t))
    return t, u, low, np.where(np.isfinite(clean), clean, 0.0) + noise


@pytest.mark.parametrize("missing", [("v_upper",), ("v_lower",), ("v_upper", "v_lower")])
def test_phase_of_what_was_not_captured_is_found(missing):
    """sin a sin b = (cos(a-b) - cos(a+b))/2: the output tells the phases."""
    t, u, low, v_out = sines()
    inputs = {"v_upper": u, "v_lower": low}
    drives = {"v_upper": (0.03, 23e3), "v_lower": (0.01, 20e3)}
    kept = {n: w for n, w in inputs.items() if n not in missing}
    filled = fill_inputs(
        Capture(time=t, v_out=v_out, **kept), MIXER, **{n: drives[n] for n in missing}
    )
    turned = 1.0
    if len(missing) == 2:  # both upside down is the same product
        turned = np.sign(filled.v_upper @ u)
    for n in inputs:
        assert getattr(filled, n) * turned == pytest.approx(inputs[n], abs=0.03 * drives[n][0])
    assert len(filled.notes) == len(missing) + (len(missing) == 2)


@pytest.mark.parametrize(
    "drives, words",
    [
        ({}, "v_upper is not in the capture"),
        ({"v_upper": (0.03, 3e6)}, "frequency of v_upper"),
        ({"v_upper": (0.03, 31e3)}, "hardly anything"),
        ({"v_upper": (0.0, 23e3)}, "peak of v_upper"),
    ],
)
def test_what_cannot_be_filled_is_said(drives, words):
    t, _, low, v_out = sines()
    with pytest.raises(QuantityError, match=words):
        fill_inputs(Capture(time=t, v_out=v_out, v_lower=low), MIXER, **drives)


def test_equal_frequencies_do_not_tell_their_phases():
    t, _, _, v_out = sines()
    with pytest.raises(QuantityError, match="cannot be told"):
        fill_inputs(Capture(time=t, v_out=v_out), MIXER, (0.03, 20e3), (0.01, 20e3))


# ---------------------------------------------------------------- where it was probed

#: The shipped mixer of the review: 600 ohm into 2.2 k, so the two places differ by a fifth.
WEAK_SOURCE = MIXER


@pytest.mark.parametrize("probed", ["base lines", "generator"])
def test_a_capture_is_predicted_from_where_it_was_probed(probed):
    step, n = 2.5e-7, 4000  # whole periods of both drives
    t = np.arange(n) * step
    drives = 0.08 * np.sin(2 * np.pi * 40e3 * t), 0.01 * np.sin(2 * np.pi * 10e3 * t)
    went = run_path(BuiltCell(WEAK_SOURCE), *drives, step)  # whole periods, in steady state
    at_lines = probed == "base lines"
    upper, lower = (v - v.mean() for v in went.base_lines) if at_lines else drives
    capture = Capture(time=t, v_out=went.loads.v_out, v_upper=upper, v_lower=lower)
    other = "generator" if at_lines else "base lines"
    found = compare_capture(capture, WEAK_SOURCE, probed=probed)
    assert found.residual_rms < 0.015 * found.output_rms
    wrong = compare_capture(capture, WEAK_SOURCE, probed=other)
    assert wrong.residual_rms > 0.1 * wrong.output_rms
    assert any(f"probed at the {probed} much better" in w for w in wrong.warnings)
    told = compare_capture(capture, WEAK_SOURCE)
    assert told.residual_rms == pytest.approx(found.residual_rms)
    assert any(f"taken as probed at the {probed}" in w for w in told.warnings)


def test_another_place_is_refused():
    capture = read_capture(ASSET.read_bytes(), "example")
    with pytest.raises(QuantityError, match="generator and base lines"):
        compare_capture(capture, MIXER, probed="collector")
