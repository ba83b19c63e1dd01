"""The records that a use shows: its drives, and what the cell makes of them."""

import numpy as np
import pytest

from forktail.core.models import TextbookCell
from forktail.core.path import Path
from forktail.core.uses import run_use

V_T = 0.025692579121085843  # exact k and q (SI Brochure, 9th edition, 2019), 298.15 K
FULL = 2e-3 * 1e3


def steer(v):
    return np.tanh(np.asarray(v) / (2 * V_T))


def records(key, settings=None):
    run = run_use(key, settings, TextbookCell(), detail=False)
    return run, {k: t.y for k, t in run.records.items()}, next(iter(run.records.values())).x


def is_wave(y, t, frequency, peak, dc=0.0, degrees=None):
    """Whether a record over whole cycles is one cosine."""
    span = (t[1] - t[0]) * len(t)
    k = round(frequency * span)
    assert k / span == pytest.approx(frequency, rel=1e-3)  # whole cycles
    lines = np.fft.rfft(y) * 2 / len(y)
    assert abs(lines[k]) == pytest.approx(peak, rel=1e-6)
    assert lines[0].real / 2 == pytest.approx(dc, abs=1e-6 * peak)
    if degrees is not None:
        assert np.degrees(np.angle(lines[k] / abs(lines[k]))) == pytest.approx(degrees, abs=0.5)
    lines[[0, k]] = 0
    assert np.max(np.abs(lines)) < 1e-4 * peak


def through(upper, lower):
    return FULL * steer(upper) * steer(lower)


def test_variable_gain():
    run, y, t = records("variable_gain", {"amplitude": 0.02})
    is_wave(y["input"], t, 45e3, 0.02)
    assert len(t) >= 512 and len(t) * (t[1] - t[0]) == pytest.approx(4 / 45e3)
    np.testing.assert_allclose(y["output"], through(y["input"], 0.03), atol=1e-6)
    assert run.records["output"].label == "output" and run.listen.slow_by == 20.0


@pytest.mark.parametrize("key, dc", [("am", 4e-3), ("dsb", 5e-4)])
def test_modulation(key, dc):
    run, y, t = records(key)
    s = run.settings
    is_wave(y["carrier"], t, 45e3, s.carrier_amplitude)
    is_wave(y["modulating"], t, 2e3, s.tone_amplitude, dc)
    np.testing.assert_allclose(y["output"], through(y["carrier"], y["modulating"]), atol=1e-5)
    carrier = np.mean(through(0.008 * np.cos(np.linspace(0, 2 * np.pi, 64, False)), 0.01)
                      * np.cos(np.linspace(0, 2 * np.pi, 64, False))) * 2 / steer(0.01)  # fmt: skip
    envelope = np.abs(carrier * steer(y["modulating"]))
    np.testing.assert_allclose(y["envelope"], envelope, atol=0.01 * np.max(envelope))
    np.testing.assert_array_equal(y["envelope_below"], -y["envelope"])


def test_single_sideband():
    run, y, t = records("ssb", {"tone_phase_error": 0.0, "amplitude_error": 0.0})
    is_wave(y["tone"], t, 2e3, 5e-3)
    is_wave(y["tone_shifted"], t, 2e3, 5e-3)
    lines = np.fft.rfft(y["tone"]), np.fft.rfft(y["tone_shifted"])
    k = int(np.argmax(np.abs(lines[0])))
    assert np.degrees(np.angle(lines[1][k] / lines[0][k])) == pytest.approx(-90.0, abs=1e-6)
    assert np.std(y["first"]) == pytest.approx(np.std(y["second"]), rel=1e-6)
    np.testing.assert_allclose(y["output"], y["first"] - y["second"], atol=1e-12)
    up = np.abs(np.fft.rfft(y["output"])) * 2 / len(t)
    span = (t[1] - t[0]) * len(t)
    assert up[round(47e3 * span)] == pytest.approx(run.merit("wanted").value, rel=1e-6)
    off = records("ssb", {"tone_phase_error": 10.0})[1]
    lines = np.fft.rfft(off["tone"]), np.fft.rfft(off["tone_shifted"])
    assert np.degrees(np.angle(lines[1][k] / lines[0][k])) == pytest.approx(-80.0, abs=1e-6)
    lower = records("ssb", {"sideband": "lower"})[1]
    np.testing.assert_allclose(lower["output"], lower["first"] + lower["second"], atol=1e-12)


def test_mixer():
    run, y, t = records("mixer", {"second_amplitude": 0.0})
    is_wave(y["oscillator"], t, 43e3, 0.15)
    is_wave(y["signal"], t, 45e3, 2e-3)
    np.testing.assert_allclose(y["output"], through(y["oscillator"], y["signal"]), atol=1e-6)
    is_wave(y["wanted"], t, 2e3, 2e-3 * run.merit("conversion_gain").value)
    two = records("mixer")[1]["signal"]
    assert np.max(two) == pytest.approx(4e-3, rel=1e-3) and run.listen.shift == 0.0
    above = run_use("mixer", {"wanted": "up"}, TextbookCell(), detail=False)
    assert above.listen.shift == pytest.approx(88e3 - 2e3)
    run, y, t = records("mixer", {"second_amplitude": 0.0, "wanted": "up"})
    lines = np.abs(np.fft.rfft(y["wanted"])) * 2 / len(t)
    f = np.fft.rfftfreq(len(t), t[1] - t[0])
    assert f[np.argmax(lines)] == pytest.approx(88e3)
    assert lines.max() == pytest.approx(2e-3 * run.merit("conversion_gain").value)
    assert np.all(lines[np.abs(f - 88e3) > 12e3] < 1e-12)  # what is shown is what is near it


@pytest.mark.parametrize("shape", ["sine", "square"])
def test_phase_detector(shape):
    run, y, t = records("phase_detector", {"shape": shape, "phase": 30.0, "upper_amplitude": 0.2})
    assert len(t) * (t[1] - t[0]) == pytest.approx(4 / 40e3)
    if shape == "sine":
        is_wave(y["upper"], t, 40e3, 0.2, degrees=0.0)
        is_wave(y["lower"], t, 40e3, 0.3, degrees=-30.0)
    else:
        assert set(np.round(y["upper"], 12)) == {-0.2, 0.2}
        assert set(np.round(y["lower"], 12)) == {-0.3, 0.3}
    off = np.abs(y["output"] - through(y["upper"], y["lower"])) > 2e-4 * FULL
    assert np.sum(off) <= (0 if shape == "sine" else 4)  # an edge may be a sample late
    np.testing.assert_array_equal(y["mean"], np.full(len(t), run.merit("output").value))
    assert np.mean(y["output"]) == pytest.approx(run.merit("output").value, rel=0.01)


def test_squarer():
    _, y, t = records("squarer", {"phase": 40.0, "offset_upper": 2e-3, "offset_lower": -1e-3})
    assert len(t) * (t[1] - t[0]) == pytest.approx(4 / 22.5e3)
    is_wave(y["upper"], t, 22.5e3, 0.015, 2e-3, degrees=0.0)
    is_wave(y["lower"], t, 22.5e3, 0.015, -1e-3, degrees=-40.0)
    np.testing.assert_allclose(y["output"], through(y["upper"], y["lower"]), atol=1e-6)


def test_gain_control_loop():
    run, y, t = records("gain_control_loop")
    s = run.settings
    loud = s.level * 10 ** (s.step / 20)
    assert set(np.round(y["signal"], 9)) == {round(s.level, 9), round(loud, 9)}
    np.testing.assert_array_equal(y["wanted"], np.full(len(t), s.wanted))
    # at the end of the louder stretch and of all, the loop holds what is wanted
    last = np.flatnonzero(y["signal"] > 1.01 * s.level)[-1]
    for k in (last, -1):
        assert y["level"][k] == pytest.approx(s.wanted, rel=0.01)
        assert y["detected"][k] == pytest.approx(s.wanted, rel=0.01)
    for k, level in ((last, loud), (-1, s.level)):  # level gm R tanh(c/2VT)
        peak = FULL * steer(level) * steer(y["control"][k])
        assert peak == pytest.approx(s.wanted, rel=0.02)
    cycle = run.records["settled_output"].x
    assert len(cycle) * (cycle[1] - cycle[0]) == pytest.approx(2 / s.frequency)
    is_wave(y["settled_input"], cycle, s.frequency, loud)
    assert np.ptp(y["settled_ripple"]) == pytest.approx(run.merit("ripple").value)
    roles = {k: t.role for k, t in run.records.items() if t.role != "result"}
    assert roles == {"detected": "second", "wanted": "guide"}


def test_what_is_held_is_the_level_behind_the_loads():
    """Rectified and smoothed, a sine reads 2/pi of its peak: the detector makes that up again."""
    path = Path(load_pole=30e3)
    run = run_use("gain_control_loop", {"frequency": 30e3}, TextbookCell(), False, path)
    out = run.records["settled_output"].y
    assert np.pi / 2 * np.mean(np.abs(out)) == pytest.approx(run.settings.wanted, rel=1e-3)
    assert [line.frequency for line in run.spectrum.lines[:2]] == pytest.approx([30e3, 90e3])


def test_hard_switching_is_reached_whatever_resistors_the_upper_pairs_have():
    cell = TextbookCell(r_emitter_upper=500.0)
    run = run_use("mixer", {"oscillator_amplitude": 9.0, "second_amplitude": 0.0}, cell, False)
    assert run.merit("hard_limit").value == pytest.approx(100.0, rel=0.01)
