"""What the fits see of a capture: one period folded, or a stretch; what rests, what is cut off."""

import math

import numpy as np
import pytest

from forktail.core.capture.align import align, find_period, find_sine
from forktail.core.capture.read import Capture
from forktail.core.checks import QuantityError
from records import record

SPAN = 0.5e-3


def capture(rows=4000, upper=50e3, lower=45e3, noise=0.0, seed=1, **more):
    rng = np.random.default_rng(seed)
    t = np.arange(rows) * (SPAN / rows)
    u = 0.1 * np.sin(2 * np.pi * upper * t + 0.4)
    low = 0.02 * np.sin(2 * np.pi * lower * t - 1.0)
    out = 3.0 * u * low / 0.02
    waves = {
        "v_upper": u + 0.3,
        "v_lower": low,
        "v_left": 10.7 - out / 2,
        "v_right": 10.7 + out / 2,
    }
    waves = {n: w + noise * rng.normal(size=rows) for n, w in waves.items()} | more
    return Capture(time=t, v_out=waves["v_right"] - waves["v_left"], **waves)


def test_a_thinned_record_keeps_whole_periods_and_eight_samples_a_cycle():
    whole = record(320, fastest=10.0, step=1.0 / 320.0)
    thin = whole.thinned()
    assert len(thin.time) == 80 and thin.step == pytest.approx(4.0 / 320.0)
    assert np.array_equal(thin.outputs["left"], whole.outputs["left"][::4])
    assert np.array_equal(thin.inputs["upper"], whole.inputs["upper"][::4])
    assert len(record(90, fastest=10.0, step=1.0 / 320.0).thinned().time) == 90  # few as they are
    assert len(record(322, fastest=10.0, step=1.0 / 320.0).thinned().time) == 161


def test_two_sines_are_folded_onto_their_common_period():
    record = align(capture(noise=1e-3))
    assert record.periodic and record.step * len(record.time) == pytest.approx(1 / 5e3, rel=1e-4)
    t = record.time
    assert record.inputs["upper"] == pytest.approx(
        0.1 * np.sin(2 * np.pi * 50e3 * t + 0.4), abs=2e-3
    )
    # folded, the noise of a place is that of a row over the root of its rows
    product = np.sin(2 * np.pi * 50e3 * t + 0.4) * np.sin(2 * np.pi * 45e3 * t - 1.0)
    assert record.outputs["right"] == pytest.approx(10.7 + 0.15 * product, abs=3e-3)
    assert record.noise["right"] == pytest.approx(1e-3, rel=0.15)
    assert np.median(record.sigma["right"]) < 0.6e-3
    assert record.means["upper"] == pytest.approx(0.3, abs=1e-3)


def test_frequencies_and_periods():
    t = np.arange(3000) * 1e-6
    sine = find_sine(t, 0.02 * np.sin(2 * np.pi * 12345.0 * t + 1.0) + 5.0)
    assert sine.frequency == pytest.approx(12345.0, rel=1e-9)
    assert sine.peak == pytest.approx(0.02, rel=1e-9) and sine.mean == pytest.approx(5.0)
    other = find_sine(t, np.sin(2 * np.pi * 1371.666666 * t))
    assert find_period([sine, other], 3e-3)[0] == pytest.approx(9 / 12345.0, rel=1e-6)
    assert find_period([sine], 3e-3)[0] == pytest.approx(1 / 12345.0, rel=1e-9)
    assert find_period([sine, other], 0.1e-3) is None


def test_a_falling_call_is_a_stretch_of_equal_steps():
    t = np.arange(4000) * (SPAN / 4000)
    call = 0.02 * np.sin(2 * np.pi * (60e3 * t - 2e7 * t**2))
    record = align(capture(v_lower=call))
    assert not record.periodic and 256 <= len(record.time) <= 1024
    assert np.ptp(np.diff(record.time)) < 1e-12
    assert record.rows == 4000 and record.notes == ()


def test_an_input_that_only_hisses_rests():
    rng = np.random.default_rng(2)
    record = align(capture(v_lower=2e-4 * rng.normal(size=4000)))
    assert record.off == ("lower",) and not record.inputs["lower"].any()
    assert record.driven == ("upper",)
    still = align(capture(v_lower=np.zeros(4000), v_upper=None))
    assert still.off == ("upper", "lower") and len(still.time) == 1
    assert still.outputs["left"][0] == pytest.approx(10.7, abs=0.01)
    np.testing.assert_array_equal(still.spread([3.0], np.arange(4.0)), np.full(4, 3.0))


def test_a_screen_that_cuts_off():
    whole = capture(noise=2e-4)
    upper = np.clip(whole.v_upper, 0.23, 0.37)
    left = np.clip(whole.v_left, 10.6, 99.0)
    record = align(capture(v_upper=upper, v_left=left))
    assert set(record.cut) == {"v_upper", "v_left"}
    # a sine that is cut off is known all the same
    wanted = 0.1 * np.sin(2 * np.pi * 50e3 * record.time + 0.4)
    assert record.inputs["upper"] == pytest.approx(wanted, abs=3e-3)
    (note,) = record.notes
    assert note.startswith("v_upper is cut off on the screen") and align(whole).notes == ()
    # nothing counts where the output is cut off, nor at the places beside it
    lost = np.isinf(record.sigma["left"])
    call = np.sin(2 * np.pi * 45e3 * record.time - 1.0)
    true = 10.7 - 0.15 * np.sin(2 * np.pi * 50e3 * record.time + 0.4) * call
    cut = true < 10.6 - 2e-3
    assert cut.any() and lost[cut | np.roll(cut, 1) | np.roll(cut, -1)].all()
    assert not lost[true > 10.65].any()


def test_steps_of_eight_bits_do_not_average_away():
    bit = 0.05
    coarse = capture(v_left=bit * np.round(capture().v_left / bit))
    record = align(coarse)
    assert record.levels["left"] == pytest.approx(bit)
    assert np.median(record.sigma["left"]) > 0.5 * bit / math.sqrt(12.0)


def test_a_wave_is_brought_back_to_the_rows():
    record = align(capture())
    again = record.spread(record.inputs["upper"], capture().time)
    assert again == pytest.approx(capture().v_upper - 0.3, abs=2e-4)


def test_too_few_samples_a_cycle():
    t = np.arange(400) * 8e-6
    chirp = np.sin(2 * np.pi * (0.30 * np.arange(400) + 1e-4 * np.arange(400) ** 2))
    with pytest.raises(QuantityError, match="a cycle of the input has only"):
        align(Capture(time=t, v_out=chirp, v_upper=chirp, v_lower=np.roll(chirp, 3)))


def test_one_collector_alone_or_the_difference_is_what_there_is():
    whole = capture()
    one = Capture(time=whole.time, v_out=whole.v_out, v_left=whole.v_left, single_ended=True,
                  v_upper=whole.v_upper, v_lower=whole.v_lower)  # fmt: skip
    assert list(align(one).outputs) == ["left"]
    other = Capture(time=whole.time, v_out=whole.v_out, v_right=whole.v_right, single_ended=True)
    assert list(align(other).outputs) == ["right"]
    out = align(Capture(time=whole.time, v_out=whole.v_out, v_upper=whole.v_upper))
    assert list(out.outputs) == ["out"] and out.off == ("lower",) and math.isnan(out.means["lower"])


@pytest.mark.parametrize("blur", [0.25, 0.6])
def test_the_doubt_of_steps_is_what_noise_does_not_blur(blur):
    """Of d/sqrt(12) a share exp(-2 (pi noise/d)^2) stays: dither, any text on quantisation."""
    bit, rng = 0.05, np.random.default_rng(3)
    v = bit * np.round((10.0 + blur * bit * rng.normal(size=4000)) / bit)
    found = align(Capture(time=np.arange(4000) * 1e-6, v_out=v))
    plain, noise = bit / math.sqrt(12.0), v.std()
    stays = math.exp(-2 * (math.pi / bit) ** 2 * max(noise**2 - plain**2, 0.0))
    want = math.hypot(max(noise, plain) / math.sqrt(4000), plain * stays)
    assert found.sigma["out"][0] == pytest.approx(want, rel=1e-3)
    assert found.outputs["out"][0] == pytest.approx(v.mean())
    assert found.noise["out"] == pytest.approx(noise)
    assert found.levels["out"] == pytest.approx(bit)
    assert (found.rows, found.fastest, found.periodic) == (4000, 0.0, True)


def test_where_two_inputs_drift_apart_a_shorter_stretch_is_folded():
    """10 cycles of 50 kHz against 9: four parts in 10^5 off, 0.01 cycles apart in 25 rounds."""
    rows = 20000
    t = np.arange(rows) * (5e-3 / rows)
    u = 0.1 * np.sin(2 * np.pi * 50e3 * t)
    low = 0.02 * np.sin(2 * np.pi * 45e3 * (1 + 4e-5) * t - 1.0)
    out = 10.0 + u * low / 0.02
    record = align(Capture(time=t, v_out=out, v_upper=u, v_lower=low, sample_interval=t[1]))
    assert record.periodic and record.rows == pytest.approx(0.4 * rows, rel=0.02)
    assert record.time[0] == t[0] and record.step * len(record.time) == pytest.approx(
        1 / 5e3, rel=1e-4
    )
    same = align(
        Capture(time=t, v_out=out, v_upper=u, v_lower=0.2 * np.sin(2 * np.pi * 50e3 * t - 1.0))
    )
    assert same.rows == rows  # one frequency does not drift


def test_a_wave_of_many_lines_is_folded_whatever_rows_are_fitted():
    """80 rows a period and 20,000 of them: every fifth row would show 16 places only."""
    t = np.arange(20000) * 0.25e-6
    u = 0.1 * np.sin(2 * np.pi * 50e3 * t)
    noise = np.random.default_rng(1).normal(size=(3, 20000)) * np.array([[1e-4], [1e-4], [5e-3]])
    square = 10.0 + np.tanh(40.0 * u)
    record = align(Capture(time=t, v_out=square + noise[2], v_upper=u + noise[0],
                           v_lower=0.2 * u + noise[1]))  # fmt: skip
    assert record.rows == 20000 and record.noise["out"] == pytest.approx(5e-3, rel=0.05)
    wanted = 10.0 + np.tanh(4.0 * np.sin(2 * np.pi * 50e3 * record.time))
    assert record.outputs["out"] == pytest.approx(wanted, abs=3e-3)


def test_means_are_taken_off_unless_they_are_wanted():
    seen = capture()
    for mean in (0.3, -0.3):
        given = Capture(time=seen.time, v_out=seen.v_out, v_upper=seen.v_upper - 0.3 + mean,
                        v_lower=seen.v_lower)  # fmt: skip
        kept, off = align(given, keep_means=True), align(given)
        assert kept.inputs["upper"].mean() == pytest.approx(mean, abs=1e-4)
        assert off.inputs["upper"].mean() == pytest.approx(0.0, abs=1e-9)
        assert off.means["upper"] == pytest.approx(mean, abs=1e-4)


def test_unequal_steps_are_made_equal_for_a_stretch():
    rng = np.random.default_rng(5)
    even = np.arange(2000) * (SPAN / 2000)
    t = even + 0.2 * even[1] * rng.uniform(-1, 1, 2000)

    def call(t):
        return 0.02 * np.sin(2 * np.pi * (60e3 * t - 2e7 * t**2))

    left = np.where(t < 0.1e-3, 8.0, 10.0 + call(t))
    given = Capture(time=t, v_out=call(t), v_lower=call(t), v_upper=0.1 * call(t), uniform=False,
                    v_left=left, v_right=10.0 + call(t))  # fmt: skip
    record = align(given)
    assert not record.periodic and np.ptp(np.diff(record.time)) < 1e-12
    assert record.inputs["lower"] == pytest.approx(call(record.time), abs=4e-4)
    cut = np.isinf(record.sigma["left"])
    inside = np.abs(record.time - 0.1e-3) > 2 * record.step
    assert np.array_equal(cut[inside], (record.time < 0.1e-3)[inside]) and cut.any()
    assert not np.isinf(record.sigma["right"]).any()
