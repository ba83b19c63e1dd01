"""The invented capture: what it is said to hold, and the shipped file."""

from dataclasses import replace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.capture import invented
from forktail.core.capture.invented import WRONG, invented_capture, invented_drive
from forktail.core.capture.read import read_capture
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell
from forktail.core.path import run_path
from forktail.resources import assets_dir

MIXER = shipped()["bat-call-mixer"][0]
ASSET = assets_dir() / "captures/bat-call-mixer-board-invented.csv"


def test_shipped_file_is_what_its_generator_makes():
    text = ASSET.read_text(encoding="utf-8")
    assert text == invented_capture(circuit=MIXER, wrong=WRONG)
    assert text.startswith("# Invented data: no circuit was measured.")


def test_drives_are_an_oscillator_and_a_falling_call():
    t = np.arange(-1000, 6000) * 0.5e-6
    upper, lower = invented_drive(t)
    np.testing.assert_allclose(upper, 0.04 * np.sin(2 * np.pi * 50e3 * t), atol=1e-15)
    assert not lower[t <= 0.0].any() and np.max(np.abs(lower[t >= 1.5e-3])) < 1e-12
    inside = (t > 0.0) & (t < 1.5e-3)
    # 60 kHz falling by 18 kHz in 1.5 ms, under a rounded envelope of 25 mV
    turn = np.cumsum(60e3 - 18e3 * (t[inside] - 0.25e-6) / 1.5e-3) * 0.5e-6
    wanted = 0.025 * np.sin(np.pi * t[inside] / 1.5e-3) ** 2 * np.sin(2 * np.pi * turn)
    np.testing.assert_allclose(lower[inside], wanted, atol=1e-5)


@pytest.mark.parametrize("at, wrong", [("base lines", None), ("generator", {"r_load_left": 1e3})])
def test_without_noise_it_is_what_the_path_gives_with_errors_of_the_channels(at, wrong):
    text = invented_capture(400, delimiter=";", decimal=",", circuit=MIXER, wrong=wrong, at=at,
                            noise=0.0)  # fmt: skip
    capture = read_capture(text)
    step = 1.5e-3 / 400
    assert len(capture.time) == 400 and capture.time[1] == pytest.approx(step, rel=1e-3)
    t = np.arange(-1600, 408) * step
    board = replace(MIXER, **(wrong or {}))
    loads = run_path(BuiltCell(board), *invented_drive(t), step, at=at, periodic=False).loads
    keep = slice(1600, 2000)
    u, low = (w[keep] for w in invented_drive(t))
    np.testing.assert_allclose(capture.v_upper, 1.008 * u + 0.4e-3, atol=1e-6)
    np.testing.assert_allclose(capture.v_lower, 0.994 * low - 0.1e-3, atol=1e-6)
    np.testing.assert_allclose(capture.v_left, 1.011 * loads.v_left[keep] + 12e-3, atol=2e-4)
    np.testing.assert_allclose(capture.v_right, 0.992 * loads.v_right[keep] - 8e-3, atol=2e-4)


def test_noise_is_in_steps_of_eight_bits_and_the_same_for_a_seed():
    text = invented_capture(500, seed=3)
    assert text == invented_capture(500, seed=3) != invented_capture(500, seed=4)
    seen, quiet = read_capture(text), read_capture(invented_capture(500, noise=0.0))
    bits = dict(zip(("v_upper", "v_lower", "v_left", "v_right"), invented.STEPS))
    for name, bit in bits.items():
        wave = getattr(seen, name)
        steps = wave / bit
        np.testing.assert_allclose(steps, np.round(steps), atol=0.01)
        # 0.6 of a step, and the rounding to one
        off = np.std(wave - getattr(quiet, name)) / bit
        assert off == pytest.approx(np.hypot(0.6, 1 / np.sqrt(12)), rel=0.1), name


def test_too_few_rows_are_refused():
    assert len(read_capture(invented_capture(16)).time) == 16
    with pytest.raises(QuantityError, match="rows is 15"):
        invented_capture(15)
