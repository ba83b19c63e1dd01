"""Fits, delay and rails against scipy and against what was put in."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage, signal
from scipy.stats import multivariate_normal

from forktail.core.capture import fit as fit
from forktail.core.checks import QuantityError

DT = 1e-6
TIME = np.arange(4000) * DT


def drive(size=1.0):
    upper = size * 0.05 * np.sin(2 * np.pi * 50e3 * TIME)
    lower = size * 0.03 * np.sin(2 * np.pi * 45e3 * TIME + 0.3)
    return upper, lower


def noise(seed, rms=2e-3, n=4000):
    return np.random.default_rng(seed).normal(size=n) * rms


def values(result, names):
    return np.array([getattr(result, n).value for n in names])


def spreads(result, names):
    return np.array([getattr(result, n).uncertainty for n in names])


PRODUCT = ("gain", "feed_upper", "feed_lower", "offset")


def test_product_fit_is_the_least_squares_solution():
    # reference: numpy.linalg.lstsq on the unscaled columns, covariance s^2 (A'A)^-1
    upper, lower = drive()
    y = 300 * upper * lower + 0.01 * upper - 0.02 * lower + 3e-3 + noise(1)
    columns = np.column_stack([upper * lower, upper, lower, np.ones_like(y)])
    reference, squares, *_ = np.linalg.lstsq(columns, y, rcond=None)
    white = np.sqrt(np.diag(np.linalg.inv(columns.T @ columns)) * squares[0] / (len(y) - 4))
    found = fit.fit_product(upper, lower, y)
    np.testing.assert_allclose(values(found, PRODUCT), reference, rtol=1e-9)
    ratio = spreads(found, PRODUCT) / white
    assert np.all(ratio >= 1 - 1e-9) and np.all(ratio < 1.5)
    assert found.residual_rms == pytest.approx(math.sqrt(squares[0] / len(y)), rel=1e-9)
    assert found.noise_rms == pytest.approx(2e-3, rel=0.1)
    np.testing.assert_allclose(found.value(upper, lower), columns @ reference, atol=1e-12)


def test_stated_uncertainty_covers_what_was_put_in():
    upper, lower = drive()
    clean_product = 300 * upper * lower + 0.01 * upper - 0.02 * lower + 3e-3
    pulls = []
    for seed in range(30):
        p = fit.fit_product(upper, lower, clean_product + noise(seed))
        pulls.append((values(p, PRODUCT) - [300, 0.01, -0.02, 3e-3]) / spreads(p, PRODUCT))
    pulls = np.array(pulls)
    assert np.max(np.abs(pulls)) < 4.5
    # neither too small nor needlessly large: the spread of the pulls is near one
    assert 0.7 < np.sqrt(np.mean(pulls**2)) < 1.15


def test_uncertainty_widens_when_the_noise_hangs_together():
    upper, lower = drive()
    slow = signal.lfilter([1], [1, -0.98], noise(5)) * 0.2
    y = 300 * upper * lower + slow
    found = fit.fit_product(upper, lower, y)
    white = found.residual_rms / math.sqrt(len(y))
    assert found.correlation > 0.9
    # of a first-order chain the mean is (1+r)/(1-r) times less certain: here about 10 in rms
    assert found.offset.uncertainty > 4 * white
    assert abs(found.offset.value) < 4 * found.offset.uncertainty
    assert found.noise_rms < 0.5 * found.residual_rms


@pytest.mark.parametrize(
    "upper, lower, said",
    [
        (lambda u, v: 0 * u + 0.01, lambda u, v: v, "the upper input hardly moves"),
        (lambda u, v: 0 * u, lambda u, v: v, "the upper input hardly moves"),
        (lambda u, v: u, lambda u, v: 0 * v, "the lower input hardly moves"),
        (lambda u, v: 0.01 + noise(1, 1e-4), lambda u, v: v, "the upper input hardly moves"),
        (lambda u, v: u, lambda u, v: -0.5 * u, "move together"),
        (lambda u, v: u, lambda u, v: v * 0.05 + 1, "the lower input hardly moves"),
        (lambda u, v: 0.1 + u, lambda u, v: 1e-3 / (0.1 + u), "too short a capture, or one input"),
        (lambda u, v: u[:9], lambda u, v: v[:9], "has 9 usable samples; a fit needs at least 16"),
    ],
)
def test_inputs_that_do_not_tell_the_terms_apart_are_refused(upper, lower, said):
    u, v = drive()
    u, v = upper(u, v), lower(u, v)
    with pytest.raises(QuantityError, match=said):
        fit.fit_product(u, v, 300 * u * v)


def test_records_that_do_not_fit_together_are_refused():
    u, v = drive()
    with pytest.raises(QuantityError, match="do not fit together: v_upper"):
        fit.fit_product(u, v[:-1], u)
    with pytest.raises(QuantityError, match="v_out is nan V at position 3"):
        fit.fit_product(u, v, np.where(np.arange(len(u)) == 3, np.nan, u))


@settings(max_examples=40, deadline=None)
@given(st.floats(-12, 12), st.sampled_from([1.0, -1.0]), st.floats(0.2, 5), st.integers(0, 9999))
def test_delay_between_samples_is_found(samples, sign, scale, seed):
    # a bat call falling from 60 to 42 kHz times an oscillator: no shift repeats
    def record(t):
        call = np.exp(-(((t - 2e-3) / 6e-4) ** 2)) * np.sin(2 * np.pi * (60e3 * t - 2.25e6 * t**2))
        return call * np.sin(2 * np.pi * 50e3 * t)

    reference = record(TIME)
    measured = sign * scale * record(TIME - samples * DT) + noise(seed, 0.01 * scale) + 0.3
    found = fit.find_delay(reference, measured, DT)
    assert abs(found.seconds - samples * DT) < max(6 * found.uncertainty, 2e-3 * DT)
    assert found.uncertainty < 0.05 * DT
    assert np.sign(found.scale) == sign and abs(found.correlation) > 0.98


def test_delay_uncertainty_is_of_the_right_size():
    upper, lower = drive()
    product = upper * lower / 1.5e-3
    pulls = []
    for seed in range(30):
        d = fit.find_delay(product, product + noise(seed, 0.05), DT)
        pulls.append(d.samples * DT / d.uncertainty)
    assert 0.6 < np.std(pulls) < 1.5


def test_a_repeating_wave_says_what_else_would_fit():
    wave = np.sin(2 * np.pi * 20e3 * TIME)
    d = fit.find_delay(wave, np.roll(wave, 7), DT)
    assert d.samples == pytest.approx(7, abs=0.02)
    assert d.repeats_after == pytest.approx(50e-6, abs=1e-6)


def test_delay_needs_waves():
    with pytest.raises(QuantityError, match="does not move"):
        fit.find_delay(np.ones(100), TIME[:100], DT)
    with pytest.raises(QuantityError, match="sample_interval is 0"):
        fit.find_delay(TIME, TIME, 0.0)


@pytest.mark.parametrize("samples", [0, 0.25, 3, 7.6, -2.4, -11, 3999, 5000])
def test_delayed_against_a_shifted_wave_and_scipy(samples):
    wave = np.sin(2 * np.pi * 40e3 * TIME)
    moved = fit.delayed(wave, samples)
    exact = np.sin(2 * np.pi * 40e3 * (TIME - samples * DT))
    reach = np.isfinite(moved)
    assert reach.sum() >= len(wave) - abs(samples) - 8 and len(moved) == len(wave)
    np.testing.assert_allclose(moved[reach], exact[reach], atol=2e-6)
    spline = ndimage.shift(wave, samples, order=5)  # reference: scipy.ndimage
    middle = slice(40, -40)
    good = reach[middle]
    np.testing.assert_allclose(moved[middle][good], spline[middle][good], atol=2e-4)


def test_noise_is_told_from_a_wave():
    wave = np.sin(2 * np.pi * 5e3 * TIME)
    assert fit.noise_of(wave + noise(1, 0.02)) == pytest.approx(0.02, rel=0.08)
    assert fit.noise_of(wave) < 1e-4
    assert fit.noise_of([1.0, 2.0]) == 0.0


SINE = 0.3 * np.sin(2 * np.pi * 50e3 * np.arange(4000) * 1.013e-7)
STEP = 0.004


@pytest.mark.parametrize(
    "record, low, high",
    [
        (SINE, False, False),
        (np.round(SINE / STEP) * STEP, False, False),
        (np.round((SINE + noise(1, 1e-3, 4000)) / STEP) * STEP, False, False),
        (0.3 * np.sin(2 * np.pi * np.arange(4000) / 40), False, False),
        (np.round(0.3 * np.sin(2 * np.pi * (np.arange(4000) + 0.5) / 40), 3), False, False),
        (np.sign(SINE), False, False),
        (np.tanh(20 * SINE), False, False),
        (np.round(np.tanh(20 * SINE) + noise(2, 0.01, 4000), 2), False, False),
        (np.zeros(4000), False, False),
        (noise(3, 1, 4000), False, False),
        (np.clip(SINE, -0.2, 0.25), True, True),
        (np.clip(SINE, None, 0.28), False, True),
        (np.clip(np.round((SINE + noise(1, 1e-3, 4000)) / STEP) * STEP, -0.2, None), True, False),
    ],
)
def test_rails_are_told_from_rounded_tops(record, low, high):
    rails = fit.find_rails(record)
    assert (rails.clipped_low, rails.clipped_high) == (low, high)
    assert (rails.share > 0) == (low or high)
    assert rails.at_high.any() == high and rails.at_low.any() == low


def test_least_squares_with_priors_is_the_normal_posterior():
    """Mean, covariance and evidence of a linear model with normal priors, from scipy.stats."""
    rng = np.random.default_rng(4)
    a = rng.normal(size=(40, 3)) * [1.0, 20.0, 0.1]
    sigma, prior = rng.uniform(0.5, 2.0, 40), np.array([0.3, 0.02, 5.0])
    centre = np.array([0.1, 0.0, -1.0])
    y = a @ [0.2, 0.01, 2.0] + sigma * rng.normal(size=40)
    found = fit.least_squares(a, y, sigma, prior, centre)
    weight = np.diag(1 / sigma**2)
    covariance = np.linalg.inv(a.T @ weight @ a + np.diag(1 / prior**2))
    mean = covariance @ (a.T @ weight @ y + centre / prior**2)
    np.testing.assert_allclose(found.x, mean, rtol=1e-9)
    np.testing.assert_allclose(found.covariance, covariance, rtol=1e-8)

    def evidence(values):
        noise = np.diag(sigma**2) + a @ np.diag(prior**2) @ a.T
        return multivariate_normal(a @ centre, noise).logpdf(values)

    other = fit.least_squares(a, y + 1.0, sigma, prior, centre)
    assert found.log_evidence - other.log_evidence == pytest.approx(
        evidence(y) - evidence(y + 1.0), rel=1e-8
    )


def test_a_value_of_no_weight_is_left_out():
    a = np.column_stack([np.arange(6.0), np.ones(6)])
    y = 2.0 * a[:, 0] + 1.0
    y[3] = 99.0
    found = fit.least_squares(a, y, [1, 1, 1, np.inf, 1, 1])
    np.testing.assert_allclose(found.x, [2.0, 1.0], atol=1e-10)


def test_a_delay_is_looked_for_no_further_than_is_said():
    rng = np.random.default_rng(7)
    wave = np.cumsum(rng.normal(size=2000))  # does not repeat
    late = np.roll(wave, 40)[40:]
    found = fit.find_delay(wave[40:], late, DT)
    assert found.samples == pytest.approx(40.0, abs=0.1) and found.correlation > 0.99
    near = fit.find_delay(wave[40:], late, DT, largest=10 * DT)
    assert abs(near.samples) <= 15.0  # the edge, and what refining may add


def test_the_doubt_of_a_delay_does_not_hang_on_the_scale():
    wave = np.sin(2 * np.pi * 20e3 * TIME)
    hiss = noise(3, rms=0.01)
    one, two = (fit.find_delay(wave, k * (wave + hiss), DT) for k in (1.0, 4.0))
    assert two.scale == pytest.approx(4.0 * one.scale) and two.seconds == pytest.approx(one.seconds)
    assert two.uncertainty == pytest.approx(one.uncertainty)
    # a sine of slope w: noise over (w sqrt(n/2)), from the least squares of one parameter
    plain = 0.01 / (2 * np.pi * 20e3 * math.sqrt(len(TIME) / 2))
    assert one.uncertainty == pytest.approx(plain, rel=0.5)


@pytest.mark.parametrize("mean", [1.0, -1.0])
def test_an_input_that_hardly_moves_beside_its_mean_is_named(mean):
    upper, lower = drive()
    moving = mean + 0.003 * upper / 0.05
    with pytest.raises(QuantityError, match="upper input hardly moves.*at least 200 mV"):
        fit.fit_product(moving, lower, moving * lower)
    fit.fit_product(mean + 0.03 * upper / 0.05, lower, upper * lower)


def cut(count, n=500, run=3, just_short=0, scale=1.0):
    """n values well inside, `count` of them at the top in runs, and some just short of it."""
    rng = np.random.default_rng(2)
    v = rng.uniform(-0.9, 0.9, n)
    for k in range(count):
        v[10 + k // run * (run + 5) + k % run] = 1.0
    v[-1 - just_short : -1] = 1.0 - 0.004
    return scale * v


@pytest.mark.parametrize(
    "values, clipped",
    [
        (cut(6), True), (cut(5), False),  # six samples at least
        (cut(30, 10000), True), (cut(29, 10000), False),  # and three in a thousand
        (cut(40, run=2), False), (cut(40, run=1), False),  # two in a row may straddle a top
        (cut(12, just_short=5), True), (cut(12, just_short=7), False),  # no rounded top piles up
        (cut(60, run=6, just_short=60), True), (cut(60, run=6, just_short=80), False),
    ],
)  # fmt: skip
def test_a_rail_is_many_samples_at_one_level_in_runs(values, clipped):
    for scale in (1.0, 1e-6, 1e6):
        for sign in (1.0, -1.0):
            found = fit.find_rails(sign * scale * values)
            seen = (found.clipped_low, found.clipped_high)
            assert seen == ((False, clipped) if sign > 0 else (clipped, False))
            share = np.mean(values == values.max()) if clipped else 0.0
            assert found.share == pytest.approx(share)
            at = found.at_high if sign > 0 else found.at_low
            assert np.array_equal(at, (values == values.max()) & clipped)


def test_what_does_not_move_or_has_two_levels_has_no_rail():
    still = fit.find_rails(np.full(50, 2.0))
    assert (still.low, still.high, still.share) == (2.0, 2.0, 0.0)
    assert not (
        still.clipped_low or still.clipped_high or still.at_low.any() or still.at_high.any()
    )
    square = np.repeat([-1.0, 1.0] * 10, 20)
    square[::20] = 0.3  # one sample in twenty amid an edge: 95 % at the levels
    assert fit.find_rails(square).share == 0.0 and not fit.find_rails(square).clipped_high
    cut_off = np.clip(3.0 * np.sin(np.arange(400) * 0.1), -1.0, 1.0)  # 78 %: a wave cut off
    assert fit.find_rails(cut_off).share > 0.7 and fit.find_rails(cut_off).clipped_low


def test_steps_show_in_a_quarter_of_the_samples_at_most_and_are_even():
    levels = 0.1 * np.arange(10)
    assert fit.step_of(np.tile(levels, 4)) == pytest.approx(0.1)
    assert fit.step_of(np.tile(levels, 4)[:-1]) == 0.0  # more than a level for every four
    assert fit.step_of(np.tile([0.0, 0.1], 50)) == 0.0  # two levels are no steps
    assert fit.step_of(np.tile([0.0, 0.1, 0.2], 50)) == pytest.approx(0.1)
    assert fit.step_of(np.tile([0.0, 0.1, 0.25, 0.4], 50)) == 0.0
    holes = np.array([0, 1, 2, 3, 5, 6, 9.0])  # levels that no sample met
    assert fit.step_of(np.tile(holes, 10)) == 1.0
