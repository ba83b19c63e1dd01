"""Drives, windows, corners, calls and sound: behaviour, edges, refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forktail.core.checks import QuantityError
from forktail.core.waves import drives as signals
from forktail.core.waves import sound
from forktail.core.waves.drives import DRIVE_KINDS, Drive


@pytest.mark.parametrize("kind", DRIVE_KINDS)
def test_every_kind_repeats_over_its_window_and_stays_in_bounds(kind):
    drive = Drive(kind=kind, amplitude=0.02, offset=0.003)
    window, (used,) = signals.window_for(drive)
    v = signals.sample(used, window.time)
    assert v.shape == (window.samples,)
    np.testing.assert_allclose(signals.sample(used, window.time + window.duration), v, atol=1e-9)
    most = {"two_tone": 0.03, "am": 0.03}.get(kind, 0.02)
    assert np.max(np.abs(v - 0.003)) <= most + 1e-12
    if kind != "dc":
        assert np.ptp(v) > 0.02


def test_dc_is_its_offset():
    np.testing.assert_array_equal(
        signals.sample(Drive(kind="dc", offset=-0.01), [0.0, 1.0]), [-0.01, -0.01]
    )


def test_phase_and_start_of_each_wave():
    def at(**k):
        return float(signals.sample(Drive(amplitude=1.0, frequency=1e3, **k), [0.0])[0])

    assert at() == 0.0
    assert at(phase=90.0) == pytest.approx(1.0)
    assert at(kind="triangle") == pytest.approx(0.0)
    assert at(kind="triangle", phase=90.0) == pytest.approx(1.0)
    assert at(kind="square") == 0.0
    assert at(kind="square", phase=1.0) == 1.0
    assert at(kind="square", phase=181.0) == -1.0
    quarter = signals.sample(Drive(kind="triangle", amplitude=1.0, frequency=1e3), [0.125e-3])
    assert quarter[0] == pytest.approx(0.5)


def test_burst_is_silent_between():
    drive = Drive(kind="burst", repeat_frequency=1e3, on_fraction=0.25, amplitude=1.0)
    t = np.linspace(0, 1e-3, 4001)[:-1]
    v = signals.sample(drive, t)
    assert np.all(v[t > 0.2501e-3] == 0.0)
    assert np.max(v[t < 0.25e-3]) > 0.99


@pytest.mark.parametrize(
    "change, words",
    [
        ({"kind": "noise"}, "Drive: 'noise' is not known"),
        ({"amplitude": -1.0}, "Amplitude: '-1V' is out of range; it must be 0 V to 10 V"),
        ({"amplitude": float("nan")}, "Amplitude: 'nan' is not a finite number"),
        ({"frequency": 0.0}, "Frequency: '0Hz' is out of range"),
        ({"kind": "burst", "repeat_frequency": 50e3}, "the repetition is 50.0 kHz"),
        ({"kind": "burst", "on_fraction": 0.0}, "On-time: '0%' is out of range"),
        ({"kind": "call", "frequency": 150e3}, "the call sweeps"),
        ({"depth": 3.0}, "Depth: '300%' is out of range; it must be 0 % to 200 %"),
        ({"amplitude": "loud"}, "not a number"),
    ],
)
def test_bad_drives_get_one_sentence(change, words):
    with pytest.raises(QuantityError, match="it must be|not ") as caught:
        signals.sample(Drive(**change), [0.0])
    assert words in str(caught.value)


# ---------------------------------------------------------------- windows


def test_exact_window_says_what_it_holds():
    window = signals.coherent_window((45e3, 43e3))
    assert window.exact and window.cycles == (45, 43)
    assert window.duration == pytest.approx(1e-3)
    assert "45 of 45.0 kHz" in window.text and str(window.samples) in window.text
    assert window.cycles_of(43e3) == 43
    with pytest.raises(QuantityError, match="44000"):
        window.cycles_of(44e3)


def test_window_without_a_short_common_period_moves_and_says_so():
    asked = (45013.7, 43001.3)
    window = signals.coherent_window(asked)
    assert not window.exact
    assert "no short common period" in window.text
    assert window.used[0] == pytest.approx(asked[0], rel=1e-12)  # the highest one is kept
    assert window.used[1] != asked[1]
    assert window.used[1] == pytest.approx(asked[1], rel=1e-4)
    _, (a, b) = signals.window_for(Drive(frequency=asked[0]), Drive(frequency=asked[1]))
    assert (a.frequency, b.frequency) == window.used


def test_close_tones_are_kept_apart():
    window = signals.coherent_window((45e3, 45010.0))
    assert window.cycles[0] == window.cycles[1] - 1


def test_tones_too_far_apart_are_refused_with_the_reason():
    with pytest.raises(QuantityError, match="ratio of at most"):
        signals.coherent_window((45e3, 1.0))


def test_equal_tones_and_dc_alone():
    assert signals.coherent_window((45e3, 45e3)).cycles == (1, 1)
    window, _ = signals.window_for(Drive(kind="dc"), Drive(kind="dc"))
    assert window.cycles == () and window.duration == 1e-3


def test_more_cycles_on_request():
    assert signals.coherent_window((45e3,), min_cycles=4).cycles == (4,)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(100.0, 2e5), min_size=1, max_size=3))
def test_any_window_holds_whole_cycles(tones):
    try:
        window = signals.coherent_window(tones)
    except QuantityError:
        assert max(tones) / min(tones) > 500
        return
    assert window.samples & (window.samples - 1) == 0 and 1024 <= window.samples <= 16384
    for cycles, used, asked in zip(window.cycles, window.used, window.requested):
        assert cycles >= 1
        assert used * window.duration == pytest.approx(cycles, rel=1e-9)
        assert window.samples / cycles >= 7.9
        if window.exact:
            assert used == asked
    # distinct tones stay distinct
    assert len(set(window.cycles)) == len(set(window.requested))


# ---------------------------------------------------------------- calls and sound


def test_invented_calls_say_so_and_stay_in_their_band():
    assert "INVENTED" in signals.BatCall.__doc__ and "INVENTED" in signals.call_samples.__doc__
    for call in signals.CALLS.values():
        t, v = signals.call_samples(call, 0.5)
        assert v[0] == 0.0 and v[-1] == 0.0 and 0.4 < np.max(np.abs(v)) <= 0.5
        f = signals.call_frequency(call, np.linspace(0, call.duration, 50))
        assert f.min() >= 20e3 and f.max() <= 110e3
    with pytest.raises(QuantityError, match="f_start is 5000"):
        signals.call_samples(signals.BatCall(f_start=5e3))


def tone(frequency, amplitude=1.0, n=4096, duration=10e-3):
    return amplitude * np.cos(2 * np.pi * frequency * np.arange(n) * duration / n), duration


def loudest(played):
    line = np.abs(np.fft.rfft(played.samples))
    return np.argmax(line) * played.rate / len(played.samples)


def test_sound_keeps_an_audible_tone_and_drops_an_inaudible_one():
    heard = sound.sound_from_record(*tone(2e3), full_scale=1.0)
    assert heard.samples.dtype == np.float32 and len(heard.samples) == 96000
    assert loudest(heard) == pytest.approx(2e3, abs=1)
    assert not heard.silent and "as it is" in heard.text
    silent = sound.sound_from_record(*tone(45e3), full_scale=1.0)
    assert silent.silent and "Nothing audible" in silent.text


def test_shifted_and_slowed_sound_says_so():
    down = sound.sound_from_record(*tone(45e3), full_scale=1.0, shift=43e3)
    assert loudest(down) == pytest.approx(2e3, abs=1) and "moved down by 43.00 kHz" in down.text
    slow = sound.sound_from_record(*tone(45e3), full_scale=1.0, slow_by=20.0)
    assert loudest(slow) == pytest.approx(2250, abs=1) and "divided by 20" in slow.text
    t, v = signals.call_samples(signals.CALLS["steady"])
    once = sound.sound_from_samples(v, 500e3, 1.0, slow_by=10.0)
    assert 4.4e3 < loudest(once) < 4.7e3 and "10 times slower" in once.text
    assert len(once.samples) == pytest.approx(10 * len(v) / 500e3 * once.rate, abs=1)


def test_louder_stays_louder_until_the_limit():
    one = sound.sound_from_record(*tone(2e3, 0.2), full_scale=1.0)
    two = sound.sound_from_record(*tone(2e3, 0.4), full_scale=1.0)
    loud = sound.sound_from_record(*tone(2e3, 50.0), full_scale=1.0)
    peak = [float(np.max(np.abs(s.samples))) for s in (one, two, loud)]
    assert peak[1] == pytest.approx(2 * peak[0], rel=1e-3)
    assert loud.limited and not two.limited and peak[2] <= loud.peak


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=50), st.floats(1e-3, 0.5))
def test_no_sample_passes_the_limit(values, peak):
    out, limited = sound.limit_level(values, peak)
    assert out.dtype == np.float32
    assert np.max(np.abs(out)) <= np.float32(peak)
    assert limited == (np.max(np.abs(values)) > peak)


def test_limiting_scales_and_does_not_clip():
    v = np.sin(np.linspace(0, 20, 500)) * 3.0
    out, limited = sound.limit_level(v, 0.25)
    assert limited
    np.testing.assert_allclose(out, v * (0.25 / np.max(np.abs(v))), rtol=1e-6, atol=1e-8)


def test_sound_limits_are_kept():
    for bad in ({"seconds": 60.0}, {"rate": 100}, {"peak": 1.0}, {"slow_by": 0.1}):
        with pytest.raises(QuantityError):
            sound.sound_from_record(*tone(2e3), full_scale=1.0, **bad)
    with pytest.raises(QuantityError, match="the limit is 20 s"):
        sound.sound_from_samples(np.zeros(500_000), 500e3, 1.0, slow_by=100.0)


# ---------------------------------------------------------------- noise in a sound


def white(level):
    return lambda hertz: np.full(hertz.shape, level)


@pytest.mark.parametrize("slow_by", [1.0, 10.0])
def test_hiss_has_the_power_of_its_density_between_the_ends_of_hearing(slow_by):
    # slowed ten times, ten times the band is heard in the same width
    noise = sound.hiss(white(2e-6), 2.0, 48000, 0.0, slow_by)
    law = 2e-6 * np.sqrt((16e3 - 20.0) * slow_by)
    assert np.sqrt(np.mean(noise**2)) == pytest.approx(law, rel=0.02)
    lines = np.abs(np.fft.rfft(noise)) ** 2
    f = np.fft.rfftfreq(noise.size, 1 / 48000)
    assert lines[(f < 20) | (f > 16e3)].max() < 1e-18 * lines.max()
    low, high = (np.mean(lines[(f > a) & (f < b)]) for a, b in ((20, 8e3), (8e3, 16e3)))
    assert low / high == pytest.approx(1.0, abs=0.05)


def test_hiss_is_the_density_where_it_came_from():
    # what is heard at f was at 34 kHz + f, so a density that ends there ends here
    asked = []

    def density(hertz):
        asked.append((hertz.min(), hertz.max()))
        return np.where(hertz < 40e3, 1e-6, 0.0)

    noise = sound.hiss(density, 1.0, 48000, 34e3, 1.0)
    lines, f = np.abs(np.fft.rfft(noise)), np.fft.rfftfreq(noise.size, 1 / 48000)
    assert asked[0] == pytest.approx((34020.0, 50e3))
    assert lines[f > 6001].max() < 1e-9 * lines.max()


def test_a_faint_tone_with_noise_is_turned_up_to_the_limit_and_no_further():
    n = np.arange(48000)
    record = 1e-6 * np.sin(2 * np.pi * 2000 * n / 48000)
    plain = sound.sound_from_record(record, 1.0, 2.0)
    assert plain.silent
    noisy = sound.sound_from_record(record, 1.0, 2.0, noise=white(1e-9))
    assert not noisy.silent
    assert np.max(np.abs(noisy.samples)) == pytest.approx(sound.SOUND_PEAK, rel=0.01)
    # 1 nV/sqrt(Hz) over 16 kHz is 126 nV rms, 15 dB under a tone of 0.71 uV rms
    assert "126 nV rms in hearing, 15 dB under the rest; turned up by 12" in noisy.text
    lines = np.abs(np.fft.rfft(noisy.samples * np.hanning(noisy.samples.size)))
    assert np.argmax(lines) * 48000 / noisy.samples.size == pytest.approx(2000, abs=1)
    again = sound.sound_from_record(record, 1.0, 2.0, noise=white(1e-9))
    assert np.array_equal(again.samples, noisy.samples)


def test_a_loud_tone_keeps_its_level_and_its_limit():
    record = 3.0 * np.sin(2 * np.pi * 1000 * np.arange(4800) / 4800 * 0.1)
    noisy = sound.sound_from_record(record, 0.1, 2.0, noise=white(1e-9))
    assert noisy.limited and np.max(np.abs(noisy.samples)) <= sound.SOUND_PEAK
    assert "turned up" not in noisy.text and "under the rest" in noisy.text


def test_a_slowed_record_takes_noise_too():
    v = 1e-6 * np.sin(2 * np.pi * 45e3 * np.arange(20000) / 500e3)
    noisy = sound.sound_from_samples(v, 500e3, 1.0, slow_by=10.0, noise=white(1e-9))
    assert "played 10 times slower" in noisy.text and "398 nV rms" in noisy.text
    assert np.max(np.abs(noisy.samples)) <= sound.SOUND_PEAK
