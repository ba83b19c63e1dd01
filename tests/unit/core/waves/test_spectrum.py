"""Coherent spectra: labels, levels, refusals."""

import numpy as np
import pytest
import scipy.integrate
from hypothesis import given, settings
from hypothesis import strategies as st

from forktail.core.checks import QuantityError
from forktail.core.waves import spectrum as sp

N = 2048
TURN = 2 * np.pi * np.arange(N) / N
UPPER, LOWER = sp.Tone("f_upper", "upper", 45), sp.Tone("f_lower", "lower", 43)


def labelled(record, tones=(UPPER, LOWER), **k):
    return sp.labelled_spectrum(record, 1e-3, tones, **k)


@pytest.mark.parametrize(
    "line, origin, label",
    [
        (2, "difference", "f_upper \u2212 f_lower"),
        (88, "sum", "f_upper + f_lower"),
        (45, "upper leak", "f_upper"),
        (43, "lower leak", "f_lower"),
        (90, "harmonic", "2 f_upper"),
        (129, "harmonic", "3 f_lower"),
        (92, "product", "3 f_upper \u2212 f_lower"),
        (84, "product", "3 f_lower \u2212 f_upper"),
        (0, "dc", "DC"),
        (700, "product", "higher order"),
    ],
)
def test_origin_of_a_line(line, origin, label):
    found = labelled(0.2 * np.cos(line * TURN)).lines
    assert len(found) == 1
    assert (found[0].origin, found[0].label) == (origin, label)
    assert found[0].frequency == pytest.approx(line * 1e3)
    assert found[0].peak == pytest.approx(0.2)
    assert found[0].db == pytest.approx(0.0)
    if found[0].orders:
        assert sum(o * t.cycles for o, t in zip(found[0].orders, (UPPER, LOWER))) == line


def test_two_tones_give_third_order_labels():
    tones = (UPPER, sp.Tone("f_1", "lower", 30), sp.Tone("f_2", "lower", 33))
    found = labelled(np.cos((45 - (2 * 30 - 33)) * TURN), tones).lines[0]
    assert found.origin == "third-order" and found.orders == (1, -2, 1)
    found = labelled(np.cos((2 * 33 - 30) * TURN), tones[1:]).lines[0]
    assert found.origin == "third-order" and found.label == "2 f_2 \u2212 f_1"


def test_lines_that_fall_together_are_all_named():
    tones = (sp.Tone("f_upper", "upper", 2), sp.Tone("f_lower", "lower", 1))
    found = labelled(np.cos(1 * TURN), tones).lines[0]
    assert found.label == "f_upper \u2212 f_lower"
    assert "f_lower" in found.also


def test_levels_by_order():
    s = labelled(0.3 * np.cos(88 * TURN) + 0.1 * np.sin(2 * TURN))
    assert s.level(1, 1) == pytest.approx(0.3)
    assert s.level(1, -1) == pytest.approx(0.1)
    assert s.level(-1, 1) == pytest.approx(0.1)
    with pytest.raises(QuantityError, match="one for each of 2 tones"):
        s.level(1)
    with pytest.raises(QuantityError, match="half the sample rate"):
        s.level(20, 20)


def test_silence_has_no_lines_and_no_warnings():
    s = labelled(np.zeros(N))
    assert s.lines == () and s.spectrum.power() == 0.0


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-10, 10), min_size=8, max_size=40))
def test_parseval_for_any_record(values):
    v = np.repeat(values, 2)  # nothing at half the sample rate is not needed: it is left out
    n = len(v)
    nyquist = v @ ((-1.0) ** np.arange(n)) / n
    s = sp.coherent_spectrum(v, 1e-3)
    assert s.power() + nyquist**2 == pytest.approx(s.mean_square, rel=1e-9, abs=1e-12)


def test_phasors_rebuild_the_record():
    rng = np.random.default_rng(1)
    v = np.convolve(np.tile(rng.normal(size=256), 2), np.ones(5), "valid")[:256]
    v -= v @ ((-1.0) ** np.arange(256)) / 256 * (-1.0) ** np.arange(256)
    s = sp.coherent_spectrum(v, 1.0)
    t = np.arange(256) / 256
    rebuilt = np.real(s.phasor @ np.exp(2j * np.pi * np.outer(s.frequency, t)))
    np.testing.assert_allclose(rebuilt, v, atol=1e-12)


def test_suppression_distortion_products_and_gain():
    s = sp.coherent_spectrum(
        0.5 * np.cos(88 * TURN) + 0.5 * np.cos(2 * TURN) + 0.05 * np.cos(45 * TURN), 1e-3
    )
    assert sp.carrier_suppression(s, 45, (2, 88)) == pytest.approx(20.0)
    assert sp.carrier_suppression(s, 43, (2, 88)) == pytest.approx(240.0)
    assert sp.conversion_gain(s, 2, 0.01) == pytest.approx(50.0)
    s = sp.coherent_spectrum(
        np.cos(5 * TURN) + 0.03 * np.cos(10 * TURN) + 0.04 * np.cos(15 * TURN), 1e-3
    )
    assert sp.harmonic_distortion(s, 5) == pytest.approx(0.05)
    np.testing.assert_allclose(sp.harmonic_levels(s, 5, 3), [0.03, 0.04], atol=1e-12)
    s = sp.coherent_spectrum(
        np.cos(30 * TURN) + np.cos(33 * TURN) + 0.01 * np.cos(27 * TURN) + 0.02 * np.cos(36 * TURN),
        1e-3,
    )
    (low, a), (high, b) = sp.third_order_products(s, 30, 33)
    assert (low, high) == (27, 36) and (a, b) == pytest.approx((0.01, 0.02))


def test_envelope_of_an_amplitude_modulated_wave():
    wave = (1 + 0.5 * np.cos(2 * TURN)) * np.cos(45 * TURN + 0.3)
    envelope = sp.complex_envelope(wave, 45, 10)
    np.testing.assert_allclose(np.abs(envelope), 1 + 0.5 * np.cos(2 * TURN), atol=1e-12)
    np.testing.assert_allclose(np.angle(envelope), 0.3, atol=1e-12)


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda: sp.coherent_spectrum([1.0, float("nan"), 0, 0, 0], 1.0), "record is nan"),
        (lambda: sp.coherent_spectrum([1.0], 1.0), "at least 4 samples"),
        (lambda: sp.coherent_spectrum(np.ones((2, 8)), 1.0), "one row"),
        (lambda: sp.coherent_spectrum(np.ones(8), 0.0), "duration is 0"),
        (lambda: sp.harmonic_levels(sp.coherent_spectrum(np.zeros(8), 1.0), 1), "fundamental"),
        (
            lambda: sp.label_lines(sp.coherent_spectrum(np.ones(8), 1.0), [UPPER] * 6),
            "the limit is 5",
        ),
    ],
)
def test_bad_input_gets_one_sentence(call, words):
    with pytest.raises(QuantityError, match=words):
        call()


@pytest.mark.parametrize("x", [0.1, 1.0, 3.0, 12.0])
@pytest.mark.parametrize("order", [1, 3])
def test_fourier_parts_of_the_switched_tone(x, order):
    # scipy quadrature as reference; the table of such parts is in Clarke & Hess,
    # Communication Circuits (not at hand, so the integral itself is computed)
    value, _ = scipy.integrate.quad(
        lambda a: np.tanh(x * np.cos(a)) * np.cos(order * a), 0.0, np.pi, limit=400
    )
    assert sp.switching_part(x, order) == pytest.approx(2.0 * value / np.pi, abs=1e-9)


def test_limits_of_the_switched_tone():
    # x for small x (series of tanh, NIST DLMF 4.33); 4/pi for a square wave
    assert sp.switching_part(1e-3) == pytest.approx(1e-3, rel=1e-6)
    assert sp.switching_part(400.0) == pytest.approx(4.0 / np.pi, rel=1e-5)
