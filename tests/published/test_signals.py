"""Drives, corners and spectra against numbers from outside and independent libraries."""

import numpy as np
import pytest
import scipy.integrate
import scipy.signal

from forktail.core import path
from forktail.core.waves import drives as signals
from forktail.core.waves import spectrum
from forktail.core.waves.drives import Drive


def one_cycle(drive, n=4096):
    period = 1.0 / drive.frequency
    t = (np.arange(n) + 0.5) * period / n
    return signals.sample(drive, t), period


@pytest.mark.parametrize("n, part", [(1, 1.2732), (3, 0.4244), (5, 0.2546), (7, 0.1819)])
def test_square_wave_lines(n, part):
    # 4/(pi n), odd lines only: Fourier series of a square wave (Lee, The Design of CMOS
    # Radio-Frequency Integrated Circuits, as used for the switching mixer)
    v, period = one_cycle(Drive(kind="square", amplitude=1.0))
    s = spectrum.coherent_spectrum(v, period)
    assert s.peak[n] == pytest.approx(part, abs=6e-5)
    assert s.peak[n + 1] < 1e-12


@pytest.mark.parametrize("n, part", [(1, 0.8106), (3, 0.0901), (5, 0.0324)])
def test_triangle_wave_lines(n, part):
    # 8/(pi n)^2: Fourier series of a triangle wave (any handbook; from memory)
    v, period = one_cycle(Drive(kind="triangle", amplitude=1.0))
    assert spectrum.coherent_spectrum(v, period).peak[n] == pytest.approx(part, abs=6e-5)


def test_square_lines_hold_in_a_window_shared_with_another_tone():
    # the same 4/(pi n), with samples that do not sit evenly on the cycles
    window, (upper, _) = signals.window_for(
        Drive(kind="square", amplitude=1.0, frequency=45e3), Drive(frequency=43e3)
    )
    s = spectrum.coherent_spectrum(signals.sample(upper, window.time), window.duration)
    for n in (1, 3, 5):
        assert s.peak[45 * n] == pytest.approx(4.0 / (np.pi * n), rel=1e-3)


def test_corners():
    # 1/(2 pi R C), -3.01 dB, 45 degrees: any circuits text
    corner = path.corner_frequency(10e3, 100e-9)
    assert corner == pytest.approx(159.154943, rel=1e-8)
    for response, angle in ((path.coupling_response, 45.0), (path.load_response, -45.0)):
        h = response(corner, corner)
        assert 20 * np.log10(abs(h)) == pytest.approx(-3.0103, abs=1e-4)
        assert np.degrees(np.angle(h)) == pytest.approx(angle, abs=1e-9)


def test_corners_against_an_analog_filter_library():
    f = np.geomspace(1.0, 1e6, 50)
    for order_type, ours in (
        ("highpass", path.coupling_response),
        ("lowpass", path.load_response),
    ):
        b, a = scipy.signal.butter(1, 2 * np.pi * 5e3, order_type, analog=True)
        _, h = scipy.signal.freqs(b, a, 2 * np.pi * f)
        np.testing.assert_allclose(ours(f, 5e3), h, rtol=1e-9)


def test_corner_on_a_record_is_exact_against_the_differential_equation():
    # C dv/dt = (vin - v)/R integrated by scipy until the start has died away
    f, corner = 45e3, 30e3
    window = signals.coherent_window((f,), min_samples=1024)

    def wave(t):
        return 1.0 * np.sin(2 * np.pi * f * t) + 0.3 * np.cos(6 * np.pi * f * t)

    ours = path.loaded(wave(window.time), window.duration / window.samples, corner)
    w = 2 * np.pi * corner
    sol = scipy.integrate.solve_ivp(
        lambda t, v: w * (wave(t) - v), (0, 8 / f), [0.0], rtol=1e-9, atol=1e-12, dense_output=True
    )
    np.testing.assert_allclose(sol.sol(window.time + 7 / f)[0], ours, atol=1e-6)


def test_spectrum_against_scipy_and_parseval():
    # scipy.signal.periodogram (scaling "spectrum": mean square per line) and Parseval's theorem
    rng = np.random.default_rng(3)
    v = rng.normal(size=1024)
    v -= v @ ((-1.0) ** np.arange(1024)) / 1024 * (-1.0) ** np.arange(1024)  # nothing at fs/2
    s = spectrum.coherent_spectrum(v, 1e-3)
    f, power = scipy.signal.periodogram(
        v, fs=1024e3, window="boxcar", detrend=False, scaling="spectrum"
    )
    np.testing.assert_allclose(s.frequency, f[:-1])
    np.testing.assert_allclose(s.peak[1:] ** 2 / 2.0, power[1:-1], atol=1e-15)
    assert s.peak[0] ** 2 == pytest.approx(power[0])
    assert s.power() == pytest.approx(float(np.mean(v**2)), rel=1e-12)


def test_coherent_tones_are_one_line_each():
    # levels of coherent tones, numpy.fft as reference
    window, drives = signals.window_for(Drive(amplitude=0.5), Drive(amplitude=0.25, frequency=43e3))
    v = sum(signals.sample(d, window.time) for d in drives)
    s = spectrum.coherent_spectrum(v, window.duration)
    reference = np.abs(np.fft.rfft(v)) * 2 / len(v)
    np.testing.assert_allclose(s.peak[1:], reference[1:-1], atol=1e-15)
    assert s.peak[window.cycles[0]] == pytest.approx(0.5, rel=1e-12)
    assert s.peak[window.cycles[1]] == pytest.approx(0.25, rel=1e-12)
    others = np.delete(s.peak, [*window.cycles])
    assert others.max() < 1e-12


def test_sweep_of_a_call_has_the_frequency_it_claims():
    # instantaneous frequency from the analytic signal of scipy.signal.hilbert
    call = signals.CALLS["falling"]
    rate, quiet = 2e6, 1e-3
    t, v = signals.call_samples(call, 1.0, rate, quiet)
    phase = np.unwrap(np.angle(scipy.signal.hilbert(v)))
    f = np.gradient(phase) * rate / (2 * np.pi)
    inside = (t - quiet > 0.2 * call.duration) & (t - quiet < 0.8 * call.duration)
    claimed = signals.call_frequency(call, t - quiet)
    np.testing.assert_allclose(f[inside], claimed[inside], rtol=5e-3)
