"""What once misled, each held: relations where they do not hold, artefacts, lines misnamed."""

import math

import numpy as np
import pytest

from forktail.core.models import TextbookCell
from forktail.core.uses import run_use
from forktail.core.uses.reference import bench, first_departure, first_reach
from forktail.core.uses.result import CLOSE, Figure, Relation, agrees, allowed, show
from forktail.core.uses.signals import run_signals, unevenness
from forktail.core.waves.drives import Drive

V_T = 0.025692579121085843


# ---------------------------------------------------------------- relations


def test_two_unlike_tones_follow_the_larger_product():
    # was: 0.240 % beside 0.151 %, "holds". a1^2 a2 over the mean of both, 16 VT^2
    merit = run_use("mixer", {"signal_amplitude": "8mV"}, detail=False).merit("third_order")
    law = 100 * 8e-3 * 2e-3 * 8e-3 / 5e-3 / (16 * V_T**2)
    assert merit.relation_value == pytest.approx(law) and merit.holds
    assert merit.value == pytest.approx(law, rel=0.02)
    swapped = run_use(
        "mixer", {"signal_amplitude": "2mV", "second_amplitude": "8mV"}, detail=False
    ).merit("third_order")
    assert swapped.value == pytest.approx(merit.value, rel=1e-6)


def test_the_tip_of_the_triangle_has_a_limit_of_its_own():
    # was: swing 33 % under its relation with both drives at 110 mV, "holds"
    drives = {"upper_amplitude": 0.11, "lower_amplitude": 0.11}
    run = run_use("phase_detector", drives, detail=False)
    assert run.merit("slope").holds and run.merit("slope").limit < 0.11
    for figure in ("swing", "lock_range"):
        merit = run.merit(figure)
        assert merit.value / merit.relation_value == pytest.approx(0.67, abs=0.01)
        assert not merit.holds and merit.limit > 0.25
    # at the limit it is 1 dB short
    edge = run.merit("swing").limit
    there = run_use(
        "phase_detector", {"upper_amplitude": edge, "lower_amplitude": edge}, detail=False
    ).merit("swing")
    assert 20 * math.log10(there.value / there.relation_value) == pytest.approx(-1.0, abs=0.02)


def test_small_drive_of_a_detector_ends_at_one_decibel_with_both_drives_there():
    # was: called 1 dB, and 2 dB
    edge = (
        run_use(
            "phase_detector", {"upper_amplitude": 0.005, "lower_amplitude": 0.005}, detail=False
        )
        .merit("swing")
        .limit
    )
    there = run_use(
        "phase_detector",
        {"upper_amplitude": edge, "lower_amplitude": edge, "phase": 0.0},
        detail=False,
    ).merit("output")
    law = 2.0 * edge**2 / (8 * V_T**2)
    assert 20 * math.log10(there.value / law) == pytest.approx(-1.0, abs=0.02)


def test_over_modulation_is_held_against_an_ideal_product():
    # was: "28.2 %, textbook 0 %", although an ideal product gives 28.4 %
    run = run_use("am", {"offset": "2mV", "tone_amplitude": "3mV"}, detail=False)
    merit = run.merit("envelope_distortion")
    assert merit.relation_value == pytest.approx(28.3, abs=0.1)  # up to the seventh harmonic
    assert merit.value == pytest.approx(28.2, abs=0.2) and merit.holds
    assert run.merit("envelope_depth").value == pytest.approx(100.0, abs=0.5)
    assert run.merit("depth").value == pytest.approx(150.0, abs=0.5)


def test_the_tone_of_full_depth_is_found_on_the_cell():
    # was: the DC itself, compared with itself
    cell = TextbookCell(offset_lower=1e-3)
    merit = run_use("am", {"offset": "3mV"}, cell, detail=False).merit("edge")
    assert merit.value == pytest.approx(4e-3, rel=0.01) and not merit.holds
    assert merit.relation_value == 3e-3


@pytest.mark.parametrize(
    "figure, relation, model, held",
    [
        (Figure(1.015), Relation(1.0), "textbook", True),
        (Figure(1.03), Relation(1.0), "textbook", False),
        (Figure(1.03), Relation(1.0), "built", True),
        (Figure(1.03), Relation(1.0, within=0.1), "textbook", True),
        (Figure(-0.3, "dB"), Relation(0.0), "textbook", False),
        (Figure(0.4, "%"), Relation(0.0), "textbook", True),
        (Figure(240.0, "dB"), Relation(205.0), "textbook", True),
        (Figure(math.nan), Relation(1.0), "built", False),
        (Figure(7.0), Relation(), "textbook", True),
        (Figure(7.0), Relation(math.inf), "textbook", True),
    ],
)
def test_what_is_close_to_a_relation(figure, relation, model, held):
    assert agrees(figure, relation, model) is held
    assert allowed(figure, Relation(2.0), model) > 0.0 and set(CLOSE[model]) == {
        "dB", "deg", "%", "part",
    }  # fmt: skip


def test_a_figure_holds_when_condition_and_difference_both_say_so():
    # close to the law, but past its limit
    past = run_use("variable_gain", {"control": "12mV"}, detail=True).merit("control_range")
    assert past.value == pytest.approx(past.relation_value, rel=0.01) and not past.holds
    assert "still close" in past.because
    # inside the limit, but off the law
    off = run_use("am", solve=TextbookCell(offset_lower=2e-3), detail=False).merit("depth")
    assert off.limit > 6e-3 and not off.holds


# ---------------------------------------------------------------- artefacts


@pytest.mark.parametrize("oscillator", ["0.5V", "1V"])
def test_a_hard_oscillator_makes_no_third_order(oscillator):
    # was: 0.267 % at 0.5 V and 0.753 % at 1 V for a true 0.2347 %
    entries = {
        "signal_frequency": "42kHz", "second_frequency": "44kHz", "signal_amplitude": "5mV",
        "second_amplitude": "5mV", "oscillator_frequency": "46.5kHz",
        "oscillator_amplitude": oscillator,
    }  # fmt: skip
    merit = run_use("mixer", entries, detail=False).merit("third_order")
    assert merit.value == pytest.approx(0.2347, abs=2e-4)


def test_every_line_of_a_hard_mixer_is_a_product_that_exists():
    # was: 14 of 60 listed lines do not exist. Matched: odd in the oscillator, odd in the tones
    run = run_use("mixer", {"oscillator_amplitude": "1V"}, detail=False)
    for line in run.spectrum.lines:
        assert line.orders[0] % 2 == 1 and sum(line.orders[1:]) % 2 == 1, line


def test_zeros_of_rounding_have_no_sign():
    # was: unevenness of -0.0489 % for a matched cell, zeros of 1e-17 counted as positive
    turn = 2 * np.pi * np.arange(64) / 64
    v_in = np.sin(turn)
    v_in[[0, 32]] = 1e-17, 1e-17
    assert unevenness(np.abs(np.sin(turn)), v_in) == pytest.approx(0.0, abs=1e-15)
    run = run_signals(Drive(amplitude=5e-3), Drive(amplitude=5e-3, frequency=1e3))
    uneven = next(m for m in run.merits if m.key == "uneven")
    assert abs(uneven.value) < 1e-9 and uneven.reading == show(0.0, "%")
    assert show(-0.003, "dB") == "0 dB" and show(0.02, "dB") != "0 dB"


# ---------------------------------------------------------------- names of lines


def test_a_product_that_falls_on_an_input_is_no_leak():
    # was: "leak 38.2 dB" for a matched cell at 40 and 10 kHz, which is f_upper - 3 f_lower
    run = run_signals(Drive(frequency=40e3), Drive(frequency=10e3))
    (line,) = (ln for ln in run.spectrum.lines if ln.frequency == pytest.approx(10e3))
    assert line.origin == "coincidence" and "f_upper \u2212 3 f_lower" in line.label
    assert "leak" not in [m.key for m in run.merits]
    assert any("cannot be told from the product" in note for note in run.notes)
    apart = run_signals(Drive(frequency=40e3), Drive(frequency=11e3))
    assert "leak" in [m.key for m in apart.merits]
    assert not any("cannot be told" in note for note in apart.notes)


def test_uses_know_which_of_two_products_makes_a_line():
    # 45 kHz on 9 kHz: carrier - 5 tone is the tone's own place less nothing; no mismatch, no leak
    run = run_use("dsb", {"tone_frequency": "9kHz", "tone_amplitude": "40mV"}, detail=False)
    for line in run.spectrum.lines:
        if line.frequency == pytest.approx(9e3):
            assert "leak" not in line.origin
    assert run.merit("tone_leak").value > 200.0


@pytest.mark.parametrize(
    "key, entries, orders",
    [
        ("variable_gain", {}, (1,)),
        ("gain_control_loop", {}, (1,)),
        ("am", {}, (1, 0)),
        ("squarer", {}, (2,)),
        ("phase_detector", {}, (0,)),
        ("ssb", {}, (1, 1)),
    ],
)
def test_what_a_use_is_there_for_is_wanted(key, entries, orders):
    lines = {ln.orders: ln for ln in run_use(key, entries, detail=False).spectrum.lines}
    assert lines[orders].origin == "wanted"


def test_dc_that_is_set_lets_a_signal_through():
    run = run_signals(Drive(amplitude=2e-3), Drive(kind="dc", offset=20e-3))
    (line,) = (ln for ln in run.spectrum.lines if ln.frequency == pytest.approx(45e3))
    assert line.origin == "wanted"
    am = run_signals(
        Drive(amplitude=2e-3), Drive(kind="dc_sine", amplitude=1e-3, offset=2e-3, frequency=2e3)
    )
    assert {ln.origin for ln in am.spectrum.lines if ln.db > -30} == {
        "wanted", "sum", "difference",
    }  # fmt: skip
    left = run_signals(
        Drive(amplitude=2e-3), Drive(kind="dc_sine", amplitude=4e-3, offset=1e-4, frequency=2e3)
    )
    assert "upper leak" in {ln.origin for ln in left.spectrum.lines}


# ---------------------------------------------------------------- where the laws end


@pytest.mark.parametrize("ohms", [0.0, 30.0, 300.0])
def test_ends_of_the_laws_of_a_pair(ohms):
    """Against the pair itself at the ends, each by its own quadrature."""
    from forktail.core.cell import pair

    b = bench(TextbookCell(r_emitter_lower=ohms))
    turn = 2 * np.pi * (np.arange(2048) + 0.5) / 2048

    def part(peak, n=1):
        first, second = pair.split_fractions(peak * np.cos(turn), 298.15, b.i_tail, ohms)
        return 2 * np.mean((first - second) * np.cos(n * turn))

    def small(n):
        return part(1e-4, n)

    end = b.soft_end("lower", 0.01)
    assert abs(part(end) / end / (part(1e-4) / 1e-4) - 1) == pytest.approx(0.01, rel=0.02)
    assert part(b.hard_start("lower")) == pytest.approx(4 / np.pi * 10**-0.05, rel=2e-3)
    end, start = b.series_end("lower"), 2e-3
    ratio = part(end, 3) / part(end) / end**2 / (part(start, 3) / part(start) / start**2)
    assert abs(ratio - 1) == pytest.approx(0.1, rel=0.05)
    assert b.steering(0.02) == pytest.approx(part(0.02), rel=1e-5)
    assert b.steering(1.0) == pytest.approx(part(1.0), rel=1e-4)


def test_departures_and_reaches():
    x = np.linspace(0.1, 2.0, 40)
    assert first_departure(x, 1 - 0.1 * x**2, 0.1) == pytest.approx(1.0, rel=0.02)
    few = np.array([0.0, 0.5, 1.5, 2.5])  # between samples by the square, so exact here
    assert first_departure(few, 1 - 0.1 * few**2, 0.1) == pytest.approx(1.0)
    assert first_departure(x, np.ones(40), 0.1) == 2.0
    assert first_reach(x, x, 1.23) == pytest.approx(1.23) and first_reach(x, x, 9.0) == 2.0
