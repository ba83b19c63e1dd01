"""Figures of merit of the uses against their laws, typed again or worked out by scipy.

Numbers from outside the project are in tests/published/test_uses.py.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.integrate
import scipy.interpolate
import scipy.optimize

from forktail.core.checks import QuantityError
from forktail.core.models import TextbookCell
from forktail.core.uses import mixing as uses_mixing
from forktail.core.uses import run_use
from forktail.core.uses import signals as uses_signals
from forktail.core.uses.gain import GainControlLoop, VariableGain
from forktail.core.uses.mixing import Mixer
from forktail.core.uses.modulation import (
    AmplitudeModulation,
    DoubleSideband,
    SingleSideband,
    best_trim,
)
from forktail.core.uses.phase import PhaseDetector, Squarer
from forktail.core.waves.drives import Drive

V_T = 0.025692579121085843  # exact k and q (SI Brochure, 9th edition, 2019), 298.15 K
I_TAIL, R_LOAD = 2e-3, 1e3
FULL = I_TAIL * R_LOAD
GAIN = FULL / (2 * V_T)  # gm R, gm = IC/VT, IC = I/2: Gray, Hurst, Lewis, Meyer, chapter 3


def value(key, settings=None, merit=None, solve=None):
    return run_use(key, settings, solve, detail=False).merit(merit).value


# ---------------------------------------------------------------- variable gain


@pytest.mark.parametrize("control", [-0.1, -0.02, 0.005, 0.06])
def test_gain_follows_tanh_of_the_control(control):
    # gm R tanh(v/2VT): Gray et al., chapter 10
    s = VariableGain(amplitude=1e-5, control=control)
    assert value("variable_gain", s, "gain") == pytest.approx(
        GAIN * math.tanh(control / (2 * V_T)), rel=1e-5
    )


@pytest.mark.parametrize("amplitude", [1e-3, 4e-3])
def test_third_harmonic_of_a_pair(amplitude):
    # HD3 = (A/VT)^2/48 for small drive: series of tanh; Gray et al.
    s = VariableGain(amplitude=amplitude)
    assert value("variable_gain", s, "hd3") == pytest.approx(
        100 * (amplitude / V_T) ** 2 / 48, rel=0.01
    )


@pytest.mark.parametrize("drift", [1e-4, 1e-3])
def test_usable_range_ends_where_the_drift_moves_the_gain_by_a_decibel(drift):
    # tanh law of the gain (Gray et al., ch. 10), solved with scipy
    v = scipy.optimize.brentq(
        lambda v: 20 * math.log10(v / (v - drift)) - 1.0, 2 * drift, 100 * drift
    )
    merit = run_use("variable_gain", VariableGain(drift=drift), detail=False).merit("usable_range")
    assert merit.limit == pytest.approx(v, rel=1e-9)
    assert merit.value == pytest.approx(-20 * math.log10(math.tanh(v / (2 * V_T))), abs=1e-3)


# ---------------------------------------------------------------- gain control loop


def test_loop_against_a_simulation_at_the_rate_of_the_carrier():
    # every sample of the carrier is rectified, smoothed and integrated, with no averaging;
    # v_out from the tanh law (Gray et al., chapter 10), written here apart from the core
    s = GainControlLoop(integrator_time=2e-3, detector_time=1e-4)
    result = run_use("gain_control_loop", s, detail=False)
    t = result.records["control"].x
    control = result.records["control"].y
    level = result.records["signal"].y
    per_cycle = 32
    dt = 1 / (s.frequency * per_cycle)
    steps = int(t[-1] * 0.6 / dt)
    amplitude = level[np.minimum(np.searchsorted(t, np.arange(steps) * dt), len(t) - 1)].tolist()
    wave = [math.sin(2 * math.pi * (k + 0.5) / per_cycle) for k in range(per_cycle)]
    det, c = s.wanted, float(control[0])
    relax = 1 - math.exp(-dt / s.detector_time)
    traced = np.empty(steps)
    for n in range(steps):
        out = (
            FULL
            * math.tanh(amplitude[n] * wave[n % per_cycle] / (2 * V_T))
            * math.tanh(c / (2 * V_T))
        )
        det += (abs(out) * math.pi / 2 - det) * relax
        c = min(max(c + dt / s.integrator_time * (s.wanted - det), 0.0), s.control_limit)
        traced[n] = c
    ours = np.interp(np.arange(steps) * dt, t, control)
    assert np.max(np.abs(traced - ours)) < 0.02 * np.ptp(control)


def test_loop_ripple_is_that_of_a_rectified_sine():
    # |sin| = 2/pi - (4/pi) sum cos(2 n wt)/(4 n^2 - 1): Fourier series, any handbook;
    # its largest part through one pole and one integrator
    s = GainControlLoop()
    result = run_use("gain_control_loop", s, detail=False).merit("ripple")
    w = 4 * math.pi * s.frequency
    assert result.relation_value == pytest.approx(
        4 / 3 * s.wanted / (w * s.integrator_time * math.hypot(1, w * s.detector_time)), rel=2e-3
    )
    assert result.value == pytest.approx(result.relation_value, rel=0.02)


def test_loop_damping_at_the_edge_of_ringing():
    # s^2 T t + s T + D = 0 has equal roots at T = 4 D t: second-order system, any control text
    slow = run_use("gain_control_loop", GainControlLoop(step=1.0), detail=False)
    edge = slow.merit("attack").limit
    assert slow.merit("damping").value > 1 and slow.merit("overshoot").value < 0.01
    ringing = run_use(
        "gain_control_loop", GainControlLoop(step=1.0, integrator_time=edge / 20), detail=False
    )
    zeta, overshoot = (ringing.merit(k).value for k in ("damping", "overshoot"))
    assert zeta == pytest.approx(1 / math.sqrt(20), rel=0.02)
    # overshoot of the level after a step at the input: the transfer function from a change of
    # input level to the detected level is s T/(s^2 T t + s T + D); its undershoot over the step
    wn = math.sqrt(20 / (4 * 1e-4**2))
    t = np.linspace(0, 20 * 1e-4, 20001)
    wd = wn * math.sqrt(1 - zeta**2)
    swing = np.exp(-zeta * wn * t) * np.sin(wd * t) / (wd * 1e-4)
    expected = 100 * (10 ** (1 / 20) - 1) * -swing.min()
    assert overshoot == pytest.approx(expected, rel=0.15)


# ---------------------------------------------------------------- AM, DSB, SSB


@pytest.mark.parametrize("depth", [0.2, 0.5, 1.0])
def test_am_sidebands_and_powers(depth):
    # sideband m/2 of the carrier, total power 1 + m^2/2, share of sidebands
    # (m^2/2)/(1 + m^2/2): Haykin, Communication Systems
    s = AmplitudeModulation(offset=1e-3, tone_amplitude=depth * 1e-3, carrier_amplitude=5e-3)
    run = run_use("am", s, detail=False)
    assert run.merit("depth").value == pytest.approx(100 * depth, rel=1e-3)
    assert run.merit("sideband").value == pytest.approx(20 * math.log10(depth / 2), abs=0.01)
    assert run.merit("total_power").value == pytest.approx(1 + depth**2 / 2, rel=1e-3)
    assert run.merit("sideband_share").value == pytest.approx(
        100 * (depth**2 / 2) / (1 + depth**2 / 2), rel=2e-3
    )


def test_envelope_follows_tanh_of_the_modulating_input():
    # the envelope is the Fourier part of the carrier times I R |tanh(v/2VT)|: Gray et al., ch. 10
    s = AmplitudeModulation(
        offset=20e-3, tone_amplitude=30e-3, carrier_amplitude=30e-3, tone_frequency=1e3
    )
    run = run_use("am", s, detail=False)
    part = (
        scipy.integrate.quad(
            lambda a: math.tanh(30e-3 * math.cos(a) / (2 * V_T)) * math.cos(a), 0, math.pi
        )[0]
        * 2
        / math.pi
    )
    law = FULL * part * np.abs(np.tanh(run.records["modulating"].y / (2 * V_T)))
    np.testing.assert_allclose(run.records["envelope"].y, law, atol=2e-3 * law.max())


def test_over_modulation_bends_the_envelope():
    # |1 + m cos| for m > 1 folds over; its second harmonic by scipy quadrature
    m = 1.5
    s = AmplitudeModulation(offset=5e-4, tone_amplitude=m * 5e-4, carrier_amplitude=2e-3)
    parts = [
        scipy.integrate.quad(
            lambda a, k=k: abs(1 + m * math.cos(a)) * math.cos(k * a),
            0,
            math.pi,
            points=[math.acos(-1 / m)],
        )[0]
        for k in range(1, 8)
    ]
    expected = 100 * math.sqrt(sum(p**2 for p in parts[1:])) / parts[0]
    assert value("am", s, "envelope_distortion") == pytest.approx(expected, rel=0.03)
    assert value("am", replace(s, tone_amplitude=4e-4), "envelope_distortion") < 0.1


def test_carrier_suppression_against_the_product_of_the_two_inputs():
    # (A cos + d) times a carrier: sidebands A/2, carrier d (trigonometry)
    s = DoubleSideband(offset=2e-4, tone_amplitude=1e-3)
    assert value("dsb", s, "suppression") == pytest.approx(20 * math.log10(2.5), abs=0.01)


def test_the_trim_nulls_offset_and_mismatch():
    # the best trim by an independent minimiser over the carrier line
    cell = TextbookCell(offset_lower=7e-4, offset_left=3e-4)
    s = DoubleSideband()

    def carrier(trim):
        run = run_use("dsb", replace(s, trim=float(trim)), cell, detail=False)
        return run.spectrum.level(1, 0)

    found = scipy.optimize.minimize_scalar(
        carrier, bounds=(-3e-3, 1e-3), method="bounded", options={"xatol": 1e-8}
    )
    assert best_trim(s, cell) == pytest.approx(found.x, abs=1e-7)
    assert carrier(best_trim(s, cell)) < 1e-4 * carrier(0.0)


@pytest.mark.parametrize("side", ["upper", "lower"])
@pytest.mark.parametrize("phase, amplitude", [(1.0, 0.0), (0.0, 2.0), (3.0, -1.0), (-5.0, 4.0)])
def test_image_rejection_by_phasing(side, phase, amplitude):
    # 10 log10((1+2a cos p+a^2)/(1-2a cos p+a^2)): handbook relation
    a, p = 1 + amplitude / 100, math.radians(phase)
    law = 10 * math.log10((1 + 2 * a * math.cos(p) + a * a) / (1 - 2 * a * math.cos(p) + a * a))
    for which in ("tone_phase_error", "carrier_phase_error"):
        s = SingleSideband(
            sideband=side,
            amplitude_error=amplitude,
            **{"tone_phase_error": 0.0, "carrier_phase_error": 0.0, which: phase},
        )
        assert value("ssb", s, "rejection") == pytest.approx(law, abs=1e-6)


@pytest.mark.parametrize("side", ["upper", "lower"])
def test_two_phase_errors_add_in_one_sideband_and_subtract_in_the_other(side):
    # cos cos -+ a sin(.. + alpha) sin(.. + beta) written out (trigonometry)
    a, alpha, beta = 1.03, math.radians(4.0), math.radians(1.5)
    add, less = alpha + beta, alpha - beta
    wanted, image = (add, less) if side == "upper" else (less, add)
    law = 20 * math.log10(abs(1 + a * np.exp(1j * wanted)) / abs(1 - a * np.exp(1j * image)))
    s = SingleSideband(
        sideband=side, amplitude_error=3.0, carrier_phase_error=4.0, tone_phase_error=1.5
    )
    merit = run_use("ssb", s, detail=False).merit("rejection")
    assert merit.value == pytest.approx(law, abs=1e-6)
    assert merit.relation_value == pytest.approx(law, abs=1e-9)


def test_forty_decibels_of_rejection_need_a_degree_and_two_per_cent():
    # the usual rule, from memory: 40 dB asks for about 1 degree or 2 %
    s = SingleSideband(tone_phase_error=1.146, amplitude_error=0.0)
    assert value("ssb", s, "rejection") == pytest.approx(40.0, abs=0.01)
    s = SingleSideband(tone_phase_error=0.0, amplitude_error=2.0)
    assert value("ssb", s, "rejection") == pytest.approx(40.09, abs=0.01)


# ---------------------------------------------------------------- mixer


def test_hard_switched_conversion_gain():
    # 2/pi x gm R: Fourier series of a square wave; Lee
    s = Mixer(oscillator_amplitude=1.0, signal_amplitude=1e-4, second_amplitude=0.0)
    assert value("mixer", s, "conversion_gain") == pytest.approx(2 / math.pi * GAIN, rel=2e-3)


def test_small_oscillator_conversion_gain():
    # tanh(A cos/2VT) = A cos/2VT: gm R A/(4 VT) (series of tanh, NIST DLMF 4.33)
    s = Mixer(oscillator_amplitude=1e-3, signal_amplitude=1e-4, second_amplitude=0.0)
    assert value("mixer", s, "conversion_gain") == pytest.approx(GAIN * 1e-3 / (4 * V_T), rel=1e-3)


@pytest.mark.parametrize("oscillator", [0.03, 0.1])
def test_conversion_gain_between_the_two_by_quadrature(oscillator):
    # Fourier part of tanh(x cos), scipy quadrature as reference
    part = (
        scipy.integrate.quad(
            lambda a: math.tanh(oscillator * math.cos(a) / (2 * V_T)) * math.cos(a), 0, math.pi
        )[0]
        * 2
        / math.pi
    )
    s = Mixer(oscillator_amplitude=oscillator, signal_amplitude=1e-5, second_amplitude=0.0)
    assert value("mixer", s, "conversion_gain") == pytest.approx(GAIN * part / 2, rel=1e-5)


def test_two_tone_product_and_intercept():
    # IM3 = (A/VT)^2/16, input intercept 4 VT peak: series of tanh; Gray et al.
    a = 2e-3
    s = Mixer(signal_amplitude=a, second_amplitude=a)
    run = run_use("mixer", s, detail=False)
    assert run.merit("third_order").value == pytest.approx(100 * (a / V_T) ** 2 / 16, rel=0.01)
    assert run.merit("intercept").value == pytest.approx(4 * V_T, rel=1e-3)


def test_compression_point_by_quadrature():
    # the input at which the Fourier part of tanh(x cos) is 1 dB short of x, by scipy
    def excess(x):
        part = (
            scipy.integrate.quad(lambda a: math.tanh(x * math.cos(a)) * math.cos(a), 0, math.pi)[0]
            * 2
            / math.pi
        )
        return part / x - 10 ** (-1 / 20)

    x = scipy.optimize.brentq(excess, 0.1, 3)
    assert value("mixer", Mixer(), "compression") == pytest.approx(2 * V_T * x, rel=1e-3)


def test_sum_and_difference_are_equal_and_the_image_is_received_alike():
    # product of two cosines (trigonometry); one mixer cannot tell the image (common practice)
    run = run_use("mixer", Mixer(), detail=False)
    assert run.merit("other_product").value == pytest.approx(0.0, abs=1e-9)
    assert run.merit("image").value == pytest.approx(0.0, abs=1e-9)


def test_invented_call_is_heard_at_the_difference_frequency():
    # a steady 45 .. 46 kHz tone against 43 kHz: heard between 2 and 3 kHz
    records, played = uses_mixing.hear_call("steady")
    heard = records["heard"]
    line = np.abs(np.fft.rfft(heard.y))
    f = np.fft.rfftfreq(len(heard.y), heard.x[1])
    assert 2e3 <= f[np.argmax(line)] <= 3e3
    assert not played.silent and np.abs(played.samples).max() <= played.peak
    for corner in (99.0, 51e3):
        with pytest.raises(QuantityError, match="corner"):
            uses_mixing.hear_call("steady", corner=corner)
    with pytest.raises(QuantityError, match="^interval"):
        uses_mixing.hear_call("steady", interval=1.1)
    with pytest.raises(QuantityError, match="nothing to measure|above 0"):
        uses_mixing.hear_call("steady", Mixer(oscillator_amplitude=0.0))


@pytest.mark.parametrize(
    "key, entries, merit, law",
    [
        # the relation shown beside each figure is the published one
        ("variable_gain", {"control": 0.02}, "gain", GAIN * math.tanh(0.02 / (2 * V_T))),
        ("variable_gain", {"amplitude": 5e-3}, "hd3", 100 * (5e-3 / V_T) ** 2 / 48),
        ("mixer", {"oscillator_amplitude": 0.5}, "conversion_gain", 2 / math.pi * GAIN),
        ("mixer", {"oscillator_amplitude": 0.01}, "conversion_gain", GAIN * 0.01 / (4 * V_T)),
        ("mixer", {}, "third_order", 100 * (2e-3 / V_T) ** 2 / 16),
        ("mixer", {}, "intercept", 4 * V_T),
        ("am", {"tone_amplitude": 2e-3, "offset": 4e-3}, "sideband", 20 * math.log10(0.25)),
        ("am", {"tone_amplitude": 2e-3, "offset": 4e-3}, "total_power", 1.125),
        (
            "phase_detector",
            {"upper_amplitude": 0.5, "lower_amplitude": 0.5},
            "slope",
            2 * FULL / math.pi,
        ),
        (
            "phase_detector",
            {"upper_amplitude": 0.01, "lower_amplitude": 0.02},
            "slope",
            FULL * 2e-4 / (8 * V_T**2),
        ),
        ("squarer", {"amplitude": 0.01}, "second", FULL * 1e-4 / (8 * V_T**2)),
    ],
)
def test_relation_beside_the_figure(key, entries, merit, law):
    # sources as in the checks of each use, in this file
    assert run_use(key, entries, detail=False).merit(merit).relation_value == pytest.approx(law)


# ---------------------------------------------------------------- phase detector


@pytest.mark.parametrize("phase", [-150.0, -90.0, 0.0, 45.0, 120.0])
def test_small_drive_gives_a_cosine(phase):
    # I R A_u A_l cos(phase)/(8 VT^2): product of two cosines, averaged
    s = PhaseDetector(upper_amplitude=1e-3, lower_amplitude=1e-3, phase=phase)
    law = FULL * 1e-6 / (8 * V_T**2) * math.cos(math.radians(phase))
    assert value("phase_detector", s, "output") == pytest.approx(law, rel=2e-3, abs=1e-9)


@pytest.mark.parametrize("phase", [-135.0, -45.0, 30.0, 90.0, 150.0])
def test_hard_drive_gives_a_triangle(phase):
    # triangle over +-180 degrees, zero at 90: Gardner, Phaselock Techniques
    s = PhaseDetector(upper_amplitude=1.0, lower_amplitude=1.0, phase=phase)
    assert value("phase_detector", s, "output") == pytest.approx(
        FULL * (1 - 2 * abs(phase) / 180), abs=0.01 * FULL
    )


def test_slopes_of_the_phase_detector():
    # 2 I R/pi V/rad when hard driven: Gardner; I R A_u A_l/(8 VT^2) for small drive
    hard = PhaseDetector(upper_amplitude=1.0, lower_amplitude=1.0)
    assert value("phase_detector", hard, "slope") == pytest.approx(2 * FULL / math.pi, rel=2e-3)
    square = replace(hard, shape="square")
    assert value("phase_detector", square, "slope") == pytest.approx(2 * FULL / math.pi, rel=1e-6)
    soft = PhaseDetector(upper_amplitude=1e-3, lower_amplitude=2e-3)
    assert value("phase_detector", soft, "slope") == pytest.approx(
        FULL * 2e-6 / (8 * V_T**2), rel=3e-3
    )
    for s in (hard, square, soft):
        assert value("phase_detector", s, "zero") == pytest.approx(90.0, abs=1e-6)


def test_mean_output_against_scipy_quadrature():
    # neither small nor hard: the mean of tanh x tanh over a cycle
    a, phase = 0.05, 40.0
    law = scipy.integrate.quad(
        lambda u: (
            math.tanh(a * math.cos(u) / (2 * V_T))
            * math.tanh(a * math.cos(u - math.radians(phase)) / (2 * V_T))
        ),
        0,
        2 * math.pi,
    )[0]
    s = PhaseDetector(upper_amplitude=a, lower_amplitude=a, phase=phase)
    assert value("phase_detector", s, "output") == pytest.approx(
        FULL * law / (2 * math.pi), rel=1e-7
    )


# ---------------------------------------------------------------- squarer, free signals


def test_squarer_gives_half_the_square_at_twice_the_frequency():
    # cos^2 = (1 + cos 2a)/2 (trigonometry), scaled by I R/(4 VT^2)
    s = Squarer(amplitude=1e-3, offset_upper=0.0, offset_lower=0.0)
    law = FULL * 1e-6 / (8 * V_T**2)
    assert value("squarer", s, "second") == pytest.approx(law, rel=2e-3)
    assert value("squarer", s, "dc") == pytest.approx(law, rel=2e-3)
    assert value("squarer", s, "residual") > 200
    assert abs(value("squarer", replace(s, phase=90.0), "dc")) < 1e-9


def test_offsets_leave_the_fundamental():
    # (A cos + a)(A cos + b): fundamental A (a + b), second A^2/2 (trigonometry)
    s = Squarer(amplitude=1e-3, offset_upper=1e-5, offset_lower=4e-5)
    assert value("squarer", s, "residual") == pytest.approx(20 * math.log10(10.0), abs=0.01)
    s = replace(s, offset_lower=-1e-5)
    assert value("squarer", s, "residual") > 150


def test_free_signals_give_sum_and_difference_of_the_product():
    # cos a cos b = (cos(a - b) + cos(a + b))/2 (trigonometry), scaled by I R/(4 VT^2)
    run = uses_signals.run_signals(Drive(amplitude=1e-3), Drive(amplitude=1e-3, frequency=43e3))
    law = FULL / (4 * V_T**2) * 1e-6 / 2
    origins = {ln.origin: ln for ln in run.spectrum.lines if ln.db > -60}
    assert set(origins) == {"sum", "difference"}
    assert origins["sum"].frequency == pytest.approx(88e3)
    assert origins["difference"].frequency == pytest.approx(2e3)
    for line in origins.values():
        assert line.peak == pytest.approx(law, rel=1e-3)


# ---------------------------------------------------------------- where the laws end
#
# The pair steers tanh(v/2VT) of its tail (Gray, Hurst, Lewis, Meyer, chapter 3). A sine of x VT
# makes the odd harmonics below, and a tenth or 1 dB of departure is found by root search.

TURN = 2 * np.pi * (np.arange(400) + 0.5) / 400


def harmonic(n, x):
    return 2 * np.mean(np.tanh(x / 2 * np.cos(TURN)) * np.cos(n * TURN))


def two_tones(x):
    """Third-order product over the tone of two equal tones, each of x VT."""
    a, b = TURN[:, None], TURN[None, ::5]
    wave = np.tanh(x / 2 * (np.cos(a) + np.cos(b)))
    return np.mean(wave * np.cos(2 * a - b)) / np.mean(wave * np.cos(a))


#: tanh z = z - z^3/3 (NIST DLMF 4.33.3): what is left beside 1 of each law as the drive grows.
BENT = {
    "fundamental": lambda x: harmonic(1, x) / (x / 2),
    "third": lambda x: abs(harmonic(3, x)) / harmonic(1, x) / (x**2 / 48),
    "two tones": lambda x: abs(two_tones(x)) / (x**2 / 16),
    "switched": lambda x: harmonic(1, x) / (4 / math.pi),
}
DECIBEL = 10 ** (-1 / 20)


@pytest.mark.parametrize(
    "key, figure, bent, left",
    [
        ("variable_gain", "gain", "fundamental", 0.99),
        ("variable_gain", "hd3", "third", 0.9),
        ("mixer", "third_order", "two tones", 0.9),
        ("mixer", "compression", "two tones", 0.9),
        ("mixer", "intercept", "two tones", 0.9),
        ("mixer", "hard_limit", "switched", DECIBEL),
    ],
)
def test_a_limit_is_where_its_law_is_off_by_what_is_said(key, figure, bent, left):
    x = scipy.optimize.brentq(lambda x: BENT[bent](x) - left, 0.05, 20.0)
    assert run_use(key, detail=False).merit(figure).limit == pytest.approx(x * V_T, rel=2e-3)


def test_the_third_harmonic_holds_up_to_its_limit_and_not_beyond():
    end = run_use("variable_gain", detail=False).merit("hd3").limit
    for factor, holds in ((0.99, True), (1.01, False)):
        run = run_use("variable_gain", VariableGain(amplitude=factor * end), detail=False)
        assert run.merit("hd3").holds is holds


def test_compression_is_told_as_a_decibel_and_the_gain_holds_for_half_of_it():
    x = scipy.optimize.brentq(lambda x: BENT["fundamental"](x) - DECIBEL, 0.05, 20.0)
    told = run_use("mixer", detail=False).merit("compression")
    assert told.relation_value == pytest.approx(x * V_T, rel=2e-3)
    for factor, holds in ((0.49, True), (0.51, False)):
        s = Mixer(signal_amplitude=factor * x * V_T, second_amplitude=0.0, oscillator_amplitude=0.5)
        assert run_use("mixer", s, detail=False).merit("conversion_gain").holds is holds
    one = 0.245 * x * V_T  # both tones count
    for second, holds in ((one, True), (1.1 * one, False)):
        s = Mixer(signal_amplitude=one, second_amplitude=second, oscillator_amplitude=0.5)
        assert run_use("mixer", s, detail=False).merit("conversion_gain").holds is holds


def test_limits_with_resistors_that_are_next_to_nothing_are_those_without():
    # two ways in the core: the law of one pair, and the whole cell where resistors share unevenly
    without, almost = (
        run_use("variable_gain", solve=TextbookCell(r_emitter_upper=r), detail=False)
        for r in (0.0, 1e-3)
    )
    for figure in ("gain", "hd3", "control_range"):
        assert almost.merit(figure).limit == pytest.approx(without.merit(figure).limit, rel=0.02)


def resisting(ohms):
    """What a pair with resistors steers of a full tail of 2 mA, at inputs in VT.

    v = VT ln(I1/I2) + RE (I1 - I2): Gray, Hurst, Lewis, Meyer, chapter 3.
    """
    u = np.linspace(-40.0, 40.0, 4001)
    share = np.tanh(u / 2)
    inputs = u + 2e-3 * ohms / V_T * share
    between = scipy.interpolate.CubicSpline(inputs, share)
    return lambda x: between(np.clip(x, inputs[0], inputs[-1]))


def first_off(x, y, part):
    """The first x at which y is off its first value by a part of it."""
    k = np.flatnonzero(np.abs(y / y[0] - 1) > part)[0]
    return np.interp(part, np.abs(y / y[0] - 1)[k - 1 : k + 1], x[k - 1 : k + 1])


@pytest.mark.parametrize("ohms", [20.0, 150.0])
def test_limits_of_pairs_with_resistors(ohms):
    lower, k = resisting(ohms), 2e-3 * ohms / V_T
    cell = TextbookCell(r_emitter_lower=ohms)
    x = np.geomspace(0.05, 4 * (2 + k), 300)
    wave = lower(x[:, None] * np.cos(TURN))
    first, third = (2 * np.mean(wave * np.cos(n * TURN), axis=1) for n in (1, 3))
    a, b = TURN[::8, None], TURN[None, ::8]
    both = lower(x[:, None, None] * (np.cos(a) + np.cos(b)))
    tone, product = (np.mean(both * f, axis=(1, 2)) for f in (np.cos(a), np.cos(2 * a - b)))
    mixer = {m.key: m for m in run_use("mixer", solve=cell, detail=False).merits}
    tones = V_T * first_off(x, product / tone / x**2, 0.1)
    for key in ("third_order", "intercept", "compression"):
        assert mixer[key].limit == pytest.approx(tones, rel=0.02)
    decibel = V_T * first_off(x, first / x, 1 - DECIBEL)
    assert mixer["compression"].relation_value == pytest.approx(decibel, rel=0.02)
    series = V_T * first_off(x, third / first / x**2, 0.1)
    dsb = run_use("dsb", {"tone_amplitude": 1e-3}, cell, detail=False)
    assert dsb.merit("third_order").limit == pytest.approx(series, rel=0.02)
    # an upper pair carries half the tail, and moves the small signal of the lower pair
    cell = TextbookCell(r_emitter_upper=ohms)
    hard = run_use("mixer", {"oscillator_amplitude": 5.0}, cell, detail=False)
    peak = np.geomspace(0.5, 60 * (1 + k), 400)
    # by how much I1 - I2 changes with the tail, at a fixed input
    more, less = resisting(0.5 * ohms * 1.001), resisting(0.5 * ohms * 0.999)
    angle = peak[:, None] * np.cos(TURN)
    moved = (1.001 * more(angle) - 0.999 * less(angle)) / 0.002
    part = 2 * np.mean(moved * np.cos(TURN), axis=1)
    end = V_T * np.interp(DECIBEL * 4 / np.pi, part, peak)
    assert hard.merit("hard_limit").limit == pytest.approx(end, rel=0.02)
