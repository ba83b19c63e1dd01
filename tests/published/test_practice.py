"""Facts of the trade about current steering: common practice, no source, each held as a test."""

import numpy as np
import pytest

from forktail.core.cell.law import (
    CellSettings,
    solve_cell,
    solve_crossed,
    solve_pair,
    solve_shared_loads,
)
from helpers import VT_25

V = np.linspace(-0.15, 0.15, 31)
SAMPLES = 4096
#: Cycles in the window: carrier and modulating wave of an invented bat-call bench set-up.
CARRIER, MODULATING = 450, 30
PHASE = 2 * np.pi * np.arange(SAMPLES) / SAMPLES


def lines(wave):
    """Peak amplitude of each line of a coherent window."""
    return 2 * np.abs(np.fft.rfft(wave)) / SAMPLES


# common practice, no source: no tail current, no gain
def test_no_tail_current_no_gain():
    for point in (
        solve_pair(V, 0.0),
        solve_cell(V[:, None], V, 0.0),
        solve_crossed(V, 0.0, 0.0),
        solve_shared_loads(V, V, 0.0, 0.0),
    ):
        assert not np.any(point.gain_upper) and not np.any(point.gain_lower)
        assert not np.any(point.v_out) and not np.any(point.i_upper)


# common practice, no source: the gain of a pair is proportional to its tail current
@pytest.mark.parametrize("factor", [0.1, 0.5, 2.0, 10.0])
def test_gain_of_a_pair_is_proportional_to_its_tail(factor):
    one = solve_pair(V, 1e-3)
    other = solve_pair(V, factor * 1e-3)
    np.testing.assert_allclose(other.gain_upper, factor * one.gain_upper, rtol=1e-13)
    assert one.gain_upper.max() > 19.0  # gm R of 1 mA and 1 k, so the check is not 0 = 0


# common practice, no source: two pairs into shared loads add
def test_two_pairs_into_shared_loads_add():
    second = V[::-1] * 0.6 + 0.004
    both = solve_shared_loads(V, second, 1.3e-3, 0.4e-3)
    alone = solve_pair(V, 1.3e-3).v_out + solve_pair(second, 0.4e-3).v_out
    np.testing.assert_allclose(both.v_out, alone, atol=1e-14)
    assert np.ptp(both.v_out) > 0.5


# common practice, no source: cross-coupled with equal tails the output is zero whatever the input
@pytest.mark.parametrize("tail", [1e-6, 1e-3, 20e-3])
def test_equal_tails_cancel_at_any_input(tail):
    point = solve_crossed(np.linspace(-10, 10, 401), tail, tail)
    assert np.max(np.abs(point.v_out)) <= 1e-15 * tail * 1e3
    assert np.ptp(point.i_upper[:, 0]) > 0.99 * tail  # while each pair swings fully


# common practice, no source: unequal tails give gain proportional to their difference, either sign
@pytest.mark.parametrize("share", [-1.0, -0.5, -0.1, 0.1, 0.5, 1.0])
def test_unequal_tails_give_gain_by_their_difference(share):
    total = 2e-3
    point = solve_crossed(V, 0.5 * total * (1 + share), 0.5 * total * (1 - share))
    pair = solve_pair(V, total)
    np.testing.assert_allclose(point.gain_upper, share * pair.gain_upper, rtol=1e-12)
    assert np.sign(point.gain_upper[15]) == np.sign(share)


# common practice, no source: either input at zero makes the output zero
def test_either_input_at_zero_makes_the_output_zero():
    assert np.max(np.abs(solve_cell(V, 0.0, 2e-3).v_out)) < 1e-15
    assert np.max(np.abs(solve_cell(0.0, V, 2e-3).v_out)) < 1e-15
    assert solve_cell(0.02, 0.02, 2e-3).v_out > 0.2


# common practice, no source: the two collectors move oppositely
def test_the_two_collectors_move_oppositely():
    point = solve_cell(V, 0.02, 2e-3)
    left, right = np.diff(point.v_left), np.diff(point.v_right)
    np.testing.assert_allclose(left, -right, atol=1e-13)
    assert np.all(left < 0) and np.all(right > 0)


# common practice, no source: output in phase for one sign of the lower input, inverted for the
# other
def test_sign_of_the_lower_input_sets_the_phase():
    drive = 0.01 * np.sin(CARRIER * PHASE)
    for lower, phase in ((0.02, 1.0), (-0.02, -1.0)):
        out = solve_cell(drive, lower, 2e-3).v_out
        assert np.corrcoef(drive, out)[0, 1] * phase > 0.99


# common practice, no source: mismatch makes the two half cycles unequal
@pytest.mark.parametrize("which", ["offset_left", "offset_right", "offset_lower"])
def test_mismatch_makes_the_half_cycles_unequal(which):
    drive = 0.04 * np.sin(MODULATING * PHASE)
    held = np.full(SAMPLES, 0.03)
    upper, lower = (held, drive) if which == "offset_lower" else (drive, held)

    def halves(settings):
        out = solve_cell(upper, lower, 2e-3, settings).v_out
        return out[drive > 1e-6].mean(), -out[drive < -1e-6].mean()

    matched = halves(CellSettings())
    assert matched[0] == pytest.approx(matched[1], rel=1e-12)
    plus, minus = halves(CellSettings(**{which: 3e-3}))
    assert abs(plus - minus) > 0.02 * matched[0]


# common practice, no source: a DC offset on the modulating input restores the carrier
def test_offset_on_the_modulating_input_restores_the_carrier():
    carrier = 0.1 * np.sin(CARRIER * PHASE)
    wave = 0.004 * np.sin(MODULATING * PHASE)
    suppressed = lines(solve_cell(carrier, wave, 2e-3).v_out)
    sidebands = suppressed[[CARRIER - MODULATING, CARRIER + MODULATING]]
    assert sidebands.min() > 0.05
    assert suppressed[CARRIER] < 1e-12 * sidebands.min()
    restored = lines(solve_cell(carrier, wave + 0.008, 2e-3).v_out)
    # modulation index 0.5: each sideband is a quarter of the carrier, to the bend of tanh
    assert restored[CARRIER] > 3 * restored[CARRIER + MODULATING]
    np.testing.assert_allclose(
        restored[[CARRIER - MODULATING, CARRIER + MODULATING]] / restored[CARRIER],
        0.25,
        rtol=(0.012 / (2 * VT_25)) ** 2,
    )
    # an offset voltage of the lower pair does the same without being asked to
    leaked = lines(solve_cell(carrier, wave, 2e-3, CellSettings(offset_lower=0.008)).v_out)
    np.testing.assert_allclose(leaked, restored, atol=1e-13)


# common practice, no source: an offset on the carrier input lets the modulating wave through
def test_offset_of_the_upper_pairs_lets_the_modulating_wave_through():
    carrier = 0.02 * np.sin(CARRIER * PHASE)
    wave = 0.01 * np.sin(MODULATING * PHASE)
    clean = lines(solve_cell(carrier, wave, 2e-3).v_out)
    offset = CellSettings(offset_left=2e-3, offset_right=2e-3)
    leaky = lines(solve_cell(carrier, wave, 2e-3, offset).v_out)
    assert clean[MODULATING] < 1e-12 and leaky[MODULATING] > 0.005
