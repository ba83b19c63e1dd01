"""A capture compared with its prediction: known faults are put in, found and ranked first."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forktail.core.capture import compare as cap
from forktail.core.cell.law import CellSettings, solve_cell
from forktail.core.checks import QuantityError
from forktail.core.path import delayed, loaded

PERFECT = {"scale": 1.0, "offset_upper": 0.0, "offset_lower": 0.0, "offset_output": 0.0}


def solve(v_upper, v_lower):
    return solve_cell(v_upper, v_lower, 1e-3, CellSettings(r_load=1e3))


def captured(**changes):
    return cap.read_capture(cap.invented_capture(**{**PERFECT, **changes}))


CLEAN = captured()


def normal(seed, rms=1e-3):
    return np.random.default_rng(seed).normal(size=len(CLEAN.time)) * rms


def keys(result):
    return [c.key for c in result.causes]


def test_invented_capture_says_that_it_is_invented_and_comes_out_alike_each_time():
    text = cap.invented_capture()
    assert text == cap.invented_capture()
    assert text.startswith("# Invented data: no circuit was measured.")
    assert 2000 <= text.count("\n") <= 8000


def test_invented_capture_gives_back_what_was_put_in():
    put = cap.INVENTED
    result = cap.compare(cap.read_capture(cap.invented_capture(), "invented"), solve)

    def pull(term, truth):
        return abs(term.value - truth) / term.uncertainty

    assert pull(result.tanh.full_scale, put["scale"]) < 4
    assert pull(result.offset_upper, put["offset_upper"]) < 4
    assert pull(result.offset_lower, put["offset_lower"]) < 4
    assert pull(result.tanh.offset, put["offset_output"]) < 4
    assert pull(result.scale_error, put["scale"] - 1) < 4
    assert result.noise_rms == pytest.approx(put["noise"], rel=0.05)
    assert result.fit_rms == pytest.approx(put["noise"], rel=0.05)
    assert keys(result)[:4] == ["offset_lower", "offset_output", "scale", "offset_upper"]
    assert "1.50 mV at the lower input" in result.causes[0].evidence
    assert "Trim the bias of Q5 against Q6" in result.causes[0].advice
    assert sum(c.score for c in result.causes) + result.unexplained == pytest.approx(1, abs=0.02)
    # v_upper through the lower offset: rms of a v_upper against k v_upper v_lower
    a, k = result.product.feed_upper.value, result.product.gain.value
    product, through = k * result.v_upper * result.v_lower, a * result.v_upper
    level = 10 * math.log10(np.sum(product**2) / np.sum(through**2))
    assert result.suppression_upper == pytest.approx(level, abs=0.01)


def test_a_true_prediction_leaves_nothing_but_noise():
    result = cap.compare(CLEAN, solve)
    assert keys(result) == ["noise"] and result.unexplained < 0.01
    assert result.residual_rms == pytest.approx(1.2e-3, rel=0.05)
    assert abs(result.scale_error.value) < 4 * result.scale_error.uncertainty
    assert abs(result.delay.seconds) < 4 * result.delay.uncertainty
    assert "Nothing to trim" in result.summary and result.warnings == ()


def limited(record, low=-math.inf, high=math.inf):
    return replace(CLEAN, v_out=np.clip(record, low, high) + normal(1), v_left=None, v_right=None)


CASES = {
    "scale": (lambda: captured(scale=0.9), "scale", 0.95),
    "upper offset": (lambda: captured(offset_upper=3e-3), "offset_upper", 0.9),
    "lower offset": (lambda: captured(offset_lower=-2e-3), "offset_lower", 0.95),
    "unequal loads": (lambda: captured(offset_output=0.02), "offset_output", 0.95),
    "hot": (lambda: captured(temperature=340.0), "temperature", 0.95),
    "inverted": (
        lambda: replace(CLEAN, v_out=-CLEAN.v_out, v_left=None, v_right=None),
        "inverted_channel",
        0.99,
    ),
    "swapped": (
        lambda: replace(CLEAN, v_out=-CLEAN.v_out, v_left=CLEAN.v_right, v_right=CLEAN.v_left),
        "swapped_collectors",
        0.99,
    ),
    "clipped output": (
        lambda: replace(CLEAN, v_out=np.clip(CLEAN.v_out, -0.15, 0.12)),
        "clipped_channel",
        0.99,
    ),
    "clipped input": (
        lambda: replace(CLEAN, v_upper=np.clip(CLEAN.v_upper, -0.03, 0.03)),
        "clipped_v_upper",
        0.95,
    ),
    "saturated": (lambda: limited(CLEAN.v_out, high=0.12), "saturation_high", 0.95),
    "saturated low": (lambda: limited(CLEAN.v_out, low=-0.14), "saturation_low", 0.95),
    "saturated both": (lambda: limited(CLEAN.v_out, -0.13, 0.13), "saturation_both", 0.95),
    "late": (lambda: replace(CLEAN, v_out=np.nan_to_num(delayed(CLEAN.v_out, 3.3))), "delay", 0.99),
    "load pole": (
        lambda: replace(
            CLEAN,
            v_out=normal(2)
            + np.nan_to_num(loaded(CLEAN.v_out, CLEAN.sample_interval, 60e3, periodic=False)),
        ),
        "load_pole",
        0.99,
    ),
    "probe on output": (lambda: replace(CLEAN, v_out=CLEAN.v_out * 10), "probe_factor", 0.99),
    "probe on upper": (lambda: replace(CLEAN, v_upper=CLEAN.v_upper / 10), "probe_factor", 0.99),
    "probe on lower": (lambda: replace(CLEAN, v_lower=CLEAN.v_lower * 10), "probe_factor", 0.95),
    "probe on both": (
        lambda: replace(CLEAN, v_lower=CLEAN.v_lower * 10, v_upper=CLEAN.v_upper * 10),
        "probe_factor",
        0.99,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_each_fault_is_named_first_with_most_of_the_mismatch(name):
    make, key, least = CASES[name]
    result = cap.compare(make(), solve)
    first = result.causes[0]
    assert first.key == key and first.score >= least
    assert sum(c.score for c in result.causes[1:] if c.key != "noise") < 0.08
    assert first.title.lower() in result.summary
    assert first.evidence.endswith(".") and first.advice.endswith(".")
    assert all(0 <= c.score <= 1 for c in result.causes) and 0 <= result.unexplained < 0.08


def test_numbers_of_the_faults_are_those_put_in():
    def first(name):
        return cap.compare(CASES[name][0](), solve).causes[0]

    assert first("scale").numbers["scale"] == pytest.approx(0.9, abs=0.005)
    assert first("hot").numbers["temperature"] == pytest.approx(340, abs=3)
    assert first("late").numbers["delay"] == pytest.approx(3.3 * 0.5e-6, abs=5e-9)
    assert first("load pole").numbers["pole"] == pytest.approx(60e3, rel=0.02)
    assert first("saturated").numbers["level"] == pytest.approx(0.12, abs=2e-3)
    assert "v_out 10 times too large" in first("probe on output").evidence
    assert "v_upper 10 times too small" in first("probe on upper").evidence
    assert "v_lower 10 times too large" in first("probe on lower").evidence


def test_two_faults_are_both_named():
    late = captured(scale=0.8)
    late = replace(late, v_out=np.nan_to_num(delayed(late.v_out, 2.5)))
    result = cap.compare(late, solve)
    assert keys(result)[:2] == ["delay", "scale"]
    assert result.delay.samples == pytest.approx(2.5, abs=0.05)
    assert result.scale_error.value == pytest.approx(-0.2, abs=0.015)
    unequal = cap.compare(captured(scale=0.95, offset_output=0.15), solve)
    assert keys(unequal)[:2] == ["offset_output", "scale"] and unequal.causes[1].score < 0.01
    upside = replace(captured(offset_lower=4e-3), v_left=None, v_right=None)
    result = cap.compare(replace(upside, v_out=-upside.v_out), solve)
    assert keys(result)[:2] == ["inverted_channel", "offset_lower"]
    assert result.offset_lower.value == pytest.approx(4e-3, abs=1e-4)


def test_clipped_samples_are_left_out_of_the_fits():
    result = cap.compare(CASES["clipped output"][0](), solve)
    assert not result.used.all()
    assert abs(result.scale_error.value) < 4 * result.scale_error.uncertainty


def test_inputs_may_come_from_the_drive():
    def late_drive(time):
        return cap.invented_drive(time + 7.3e-6)

    neither = cap.compare(replace(CLEAN, v_upper=None, v_lower=None), solve, late_drive)
    one = cap.compare(replace(CLEAN, v_upper=None), solve, late_drive)
    for result in (neither, one):
        assert result.delay_of == "capture behind drive"
        assert result.delay.seconds == pytest.approx(7.3e-6, abs=0.02e-6)
        assert keys(result) == ["noise"]
    with pytest.raises(QuantityError, match="v_upper and v_lower are not in the capture; wanted"):
        cap.compare(replace(CLEAN, v_upper=None, v_lower=None), solve)


def test_exchanged_inputs_are_seen_against_the_drive():
    crossed = replace(CLEAN, v_upper=CLEAN.v_lower, v_lower=CLEAN.v_upper)
    assert "swapped_inputs" in keys(cap.compare(crossed, solve, cap.invented_drive))
    assert "swapped_inputs" not in keys(cap.compare(CLEAN, solve, cap.invented_drive))


def test_one_collector_gives_all_but_the_offset():
    text = cap.invented_capture(offset_output=0.05)
    result = cap.compare(
        cap.read_capture(text, roles={"time": 0, "v_upper": 1, "v_lower": 2, "v_right": 4}), solve
    )
    assert math.isnan(result.offset.value) and "offset_output" not in keys(result)
    assert result.scale_error.value == pytest.approx(-0.07, abs=0.02)


def test_unequal_steps_do_not_spoil_the_comparison():
    time = np.sort(np.random.default_rng(0).uniform(0, 1.5e-3, 3000))
    upper, lower = cap.invented_drive(time)
    uneven = replace(
        CLEAN,
        time=time,
        uniform=False,
        v_upper=upper,
        v_lower=lower,
        v_out=0.95 * solve(upper, lower).v_out + normal(3, 1e-4),
    )
    result = cap.compare(uneven, solve)
    assert result.scale_error.value == pytest.approx(-0.05, abs=1e-3)
    assert keys(result)[0] == "scale"


def test_points_without_an_answer_are_left_out():
    def partial(v_upper, v_lower):
        point = solve(v_upper, v_lower)
        good = np.arange(len(point.v_out)) % 50 != 7
        return replace(point, converged=good, v_out=np.where(good, point.v_out, 99.0))

    result = cap.compare(CLEAN, partial)
    assert any("no answer for 60 of 3000" in w for w in result.warnings)
    assert result.residual_rms < 2e-3 and keys(result) == ["noise"]


def test_a_long_capture_is_shortened_and_says_so():
    result = cap.compare(CLEAN, solve, most=2000)
    assert len(result.time) == 2000
    assert any("Of 3000 samples the 2000 in the middle" in w for w in result.warnings)


def test_a_dead_circuit_and_a_dead_channel_are_told():
    silent = cap.compare(replace(CLEAN, v_out=normal(5)), solve)
    assert any("hardly follows the product" in w for w in silent.warnings)
    flat = cap.compare(replace(CLEAN, v_out=np.zeros(3000), v_left=None, v_right=None), solve)
    assert flat.output_rms == 0.0 and flat.scale_error.value == pytest.approx(-1)
    no_tail = cap.compare(CLEAN, lambda u, v: solve_cell(u, v, 0.0))
    assert math.isnan(no_tail.scale_error.value)
    assert any("holds no product" in w for w in no_tail.warnings)


def test_too_coarse_and_too_few_are_warned_about():
    few = replace(
        CLEAN,
        **{
            k: getattr(CLEAN, k)[::30]
            for k in ("time", "v_out", "v_upper", "v_lower", "v_left", "v_right")
        },
    )
    warnings = cap.compare(few, solve).warnings
    assert any("samples a cycle" in w for w in warnings)
    assert any("Only" in w and "samples could be used" in w for w in warnings)


def test_coarse_steps_of_an_input_are_told():
    coarse = replace(CLEAN, v_lower=np.round(CLEAN.v_lower / 4e-4) * 4e-4)
    warnings = cap.compare(coarse, solve).warnings
    assert any("v_lower is recorded in steps of 400" in w for w in warnings)
    assert not any("v_upper is recorded" in w for w in warnings)


def test_records_that_once_led_the_fit_astray_are_answered():
    # drive of 18 V against 2 mV with a rounded output: the fit runs off, and has to say so
    for seed in (1204, 1206):
        rng = np.random.default_rng(seed)
        time = np.arange(100) * 1e-6
        upper = 10.0**1.25 * np.sin(2 * np.pi * rng.uniform(1e3, 4e5) * time)
        lower = 2.1e-3 * np.sin(2 * np.pi * rng.uniform(1e3, 4e5) * time)
        result = cap.compare(
            cap.Capture(
                time=time,
                v_out=np.round(lower, 1),
                v_upper=upper,
                v_lower=lower,
                sample_interval=1e-6,
            ),
            solve,
        )
        assert result.tanh is None or result.tanh.converged


def test_answer_is_ready_for_json():
    result = cap.compare(CLEAN, solve)
    short = json.loads(json.dumps(cap.as_plain(result), allow_nan=False))
    assert "measured" not in short and short["scale_error"]["unit"] == ""
    full = json.loads(json.dumps(cap.as_plain(result, arrays=True), allow_nan=False))
    assert len(full["measured"]) == 3000
    late = cap.compare(replace(CLEAN, v_out=np.nan_to_num(delayed(CLEAN.v_out, 3.3))), solve)
    assert cap.as_plain(late, arrays=True)["predicted"][0] is None


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 10**6),
    st.integers(16, 300),
    st.floats(-3, 2),
    st.floats(-3, 2),
    st.sampled_from(["noise", "constant", "wave", "steps", "rounded"]),
)
def test_any_record_is_compared_or_refused(seed, rows, size_u, size_v, kind):
    rng = np.random.default_rng(seed)
    time = np.arange(rows) * 1e-6
    upper = 10.0**size_u * np.sin(2 * np.pi * rng.uniform(1e3, 4e5) * time)
    lower = 10.0**size_v * np.sin(2 * np.pi * rng.uniform(1e3, 4e5) * time)
    out = {
        "noise": rng.normal(size=rows),
        "constant": np.full(rows, 3.0),
        "wave": upper,
        "steps": np.sign(upper),
        "rounded": np.round(lower, 1),
    }[kind]
    record = cap.Capture(time=time, v_out=out, v_upper=upper, v_lower=lower, sample_interval=1e-6)
    try:
        result = cap.compare(record, solve)
    except QuantityError as error:
        assert "\n" not in str(error)
        return
    json.dumps(cap.as_plain(result, arrays=True), allow_nan=False)
    assert all(0 <= c.score <= 1 for c in result.causes) and 0 <= result.unexplained <= 1
    assert result.summary.endswith(".")


def test_invented_capture_refuses_what_it_does_not_know():
    with pytest.raises(QuantityError, match="gain is not known; allowed is"):
        cap.invented_capture(gain=2)
    with pytest.raises(QuantityError, match="rows is 3"):
        cap.invented_capture(rows=3)
