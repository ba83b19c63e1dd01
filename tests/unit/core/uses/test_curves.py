"""Every characteristic of every use against the law of the pairs, worked out here again.

A matched pair steers tanh(v/2VT) of its tail, so the cell gives I R tanh(u/2VT) tanh(w/2VT) (Gray,
Hurst, Lewis, Meyer, chapters 3 and 10). What it makes of waves is averaged here over their cycles.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.path import Feed, Path, path_of
from forktail.core.uses import USES, run_use
from forktail.core.uses.mixing import hear_call

V_T = 0.025692579121085843  # exact k and q (SI Brochure, 9th edition, 2019), 298.15 K
FULL = 2e-3 * 1e3
GAIN = FULL / (2 * V_T)
TURN = 2 * np.pi * (np.arange(256) + 0.5) / 256


def steer(v):
    return np.tanh(np.asarray(v) / (2 * V_T))


def harmonic(peak, n=1):
    """Peak of harmonic n of what sines of these peaks steer."""
    wave = steer(np.asarray(peak)[..., None] * np.cos(TURN))
    return 2 * np.mean(wave * np.cos(n * TURN), axis=-1)


def two_tones(peak):
    """Tone and 2 f1 - f2 of what two equal tones of these peaks steer."""
    a, b = TURN[::4, None], TURN[None, ::4]
    wave = steer(np.asarray(peak)[:, None, None] * (np.cos(a) + np.cos(b)))
    return (2 * np.mean(wave * np.cos(k * a - m * b), axis=(1, 2)) for k, m in ((1, 0), (2, 1)))


def db(v):
    with np.errstate(divide="ignore"):
        return 20 * np.log10(np.abs(v))


def variable_gain_db(s, x):
    law = db(GAIN * steer(np.where(x == 0, 1e-12, x)))
    return np.maximum(law, -80), np.maximum(law, -80)


def variable_gain_signed(s, x):
    return GAIN * steer(x), GAIN * steer(x)


def variable_gain_third(s, x):
    return 100 * np.abs(harmonic(x, 3) / harmonic(x)), 100 * (x / V_T) ** 2 / 48


def loop_held(s, x):
    top = steer(s.control_limit)
    detected = np.mean(np.abs(steer(x[:, None] * np.cos(TURN))), axis=1) / np.mean(
        np.abs(np.cos(TURN))
    )
    return np.minimum(FULL * detected * top, s.wanted), x * GAIN * top


def am_depth(s, x):
    wave = steer(s.offset + x[:, None] * np.cos(TURN))
    carrier, one = wave.mean(axis=1), np.mean(wave * np.cos(TURN), axis=1)
    return 200 * one / carrier, 100 * x / s.offset


def dsb_suppression(s, x):
    left = s.offset + x
    wave = steer(left[:, None] + s.tone_amplitude * np.cos(TURN))
    carrier, one = wave.mean(axis=1), np.mean(wave * np.cos(TURN), axis=1)
    both = db(one) - db(carrier), db(s.tone_amplitude / 2) - db(left)
    return tuple(np.minimum(v, 100) for v in both)


def rejection(ratio, degrees):
    """Two equal phasors but for ratio and phase: their sum over their difference, dB."""
    turned = ratio * np.exp(1j * np.radians(degrees))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.minimum(db((1 + turned) / (1 - turned)), 80)


def ssb_phase(s, x):
    ratios = 1 + s.amplitude_error / 100, 1.0, 1.1
    return tuple(rejection(r, x) for r in ratios)


def ssb_amplitude(s, x):
    net = s.tone_phase_error - s.carrier_phase_error
    return tuple(rejection(1 + x / 100, p) for p in (net, 0.0, 5.0))


def mixer_gain(s, x):
    return db(GAIN * harmonic(x) / 2), db(GAIN * x / (4 * V_T)), db(GAIN * 2 / np.pi * x / x)


def mixer_two_tone(s, x):
    part = FULL * harmonic(s.oscillator_amplitude) / 2
    tone, third = two_tones(x)
    small = part / (2 * V_T) * x
    return db(part * tone), db(part * third), db(small), db(small * x**2 / (16 * V_T**2))


def mixer_compression(s, x):
    return (-db(harmonic(x) / (x / (2 * V_T))),)


def mean_product(upper, lower, degrees):
    late = TURN - np.radians(np.asarray(degrees))[..., None]
    return FULL * np.mean(steer(upper * np.cos(TURN)) * steer(lower * np.cos(late)), axis=-1)


def detector_characteristic(s, x):
    triangle = FULL * (1 - np.abs(x) / 90)
    return mean_product(s.upper_amplitude, s.lower_amplitude, x), triangle


def detector_slope(s, x):
    slopes = [mean_product(a, a, 89.9) - mean_product(a, a, 90.1) for a in x]
    small = np.minimum(x**2 / (8 * V_T**2), 1)
    return np.array(slopes) / math.radians(0.2), FULL * small, FULL * 2 / np.pi * x / x


def squared(s, amplitude, trim=0.0):
    """Peaks of harmonics 1, 2 and 4 of the product of two equal waves with their DC."""
    upper = steer(s.offset_upper + np.asarray(amplitude)[..., None] * np.cos(TURN))
    lower = np.asarray(s.offset_lower + trim)[..., None] + np.asarray(amplitude)[
        ..., None
    ] * np.cos(TURN - math.radians(s.phase))
    out = FULL * upper * steer(lower)
    return [2 * np.abs(np.mean(out * np.exp(-1j * k * TURN), axis=-1)) for k in (1, 2, 4)]


def squarer_lines(s, x):
    one, two, four = (np.maximum(db(np.maximum(v, 1e-9)), -120) for v in squared(s, x))
    return two, one, four, db(FULL * x**2 / (8 * V_T**2))


def squarer_trim(s, x):
    one, two, _ = squared(s, np.full(x.shape, s.amplitude), x)
    return (np.minimum(db(two / one), 100),)


EXPECTED = {
    ("variable_gain", "db"): variable_gain_db,
    ("variable_gain", "signed"): variable_gain_signed,
    ("variable_gain", "third"): variable_gain_third,
    ("gain_control_loop", "held"): loop_held,
    ("am", "depth"): am_depth,
    ("dsb", "suppression"): dsb_suppression,
    ("ssb", "phase"): ssb_phase,
    ("ssb", "amplitude"): ssb_amplitude,
    ("mixer", "gain"): mixer_gain,
    ("mixer", "two_tone"): mixer_two_tone,
    ("mixer", "compression"): mixer_compression,
    ("phase_detector", "characteristic"): detector_characteristic,
    ("phase_detector", "slope"): detector_slope,
    ("squarer", "lines"): squarer_lines,
    ("squarer", "trim"): squarer_trim,
}
#: Where the scene is on a curve: settings and figures, by use and curve.
POINTS = {
    ("variable_gain", "db"): ("control", "gain_db"),
    ("variable_gain", "signed"): ("control", "gain"),
    ("am", "depth"): ("tone_amplitude", "depth"),
    ("dsb", "suppression"): ("trim", "suppression"),
    ("ssb", "amplitude"): ("amplitude_error", "rejection"),
    ("mixer", "gain"): ("oscillator_amplitude", "conversion_gain_db"),
    ("phase_detector", "characteristic"): ("phase", "output"),
}


@pytest.fixture(scope="module")
def runs():
    cell = TextbookCell(i_tail=2e-3, r_load=1e3, temperature=298.15)
    return {key: run_use(key, solve=cell) for key in USES}


#: Role of each trace, where it is not one result and one relation: first letters.
ROLES = {
    ("am", "depth"): "rRg", ("ssb", "phase"): "Rgg", ("ssb", "amplitude"): "Rgg",
    ("mixer", "gain"): "rRR", ("mixer", "two_tone"): "rrRR", ("mixer", "compression"): "r",
    ("phase_detector", "slope"): "rRR", ("squarer", "lines"): "rssR", ("squarer", "trim"): "r",
}  # fmt: skip
LETTERS = {"result": "r", "relation": "R", "guide": "g", "second": "s"}


def curve_of(runs, key, name):
    return next(c for c in runs[key].curves if c.key == name)


@pytest.mark.parametrize("key, name", EXPECTED, ids=lambda n: n)
def test_every_trace_is_what_the_pairs_give(runs, key, name):
    curve, s = curve_of(runs, key, name), runs[key].settings
    wanted = EXPECTED[key, name](s, curve.traces[0].x)
    roles = "".join(LETTERS[t.role] for t in curve.traces)
    assert roles == ROLES.get((key, name), "rR")
    assert {(t.x_unit, t.y_unit) for t in curve.traces} == {(curve.x_unit, curve.y_unit)}
    traces = [t for t in curve.traces if len(t.x) > 2]
    assert len(traces) == len(wanted)
    for trace, law in zip(traces, wanted):
        assert len(trace.x) == len(law)
        # levels to a hundredth of a dB where anything is left, all else to a thousandth
        if trace.y_unit == "dB":
            there = law > np.max(law) - 100
            np.testing.assert_allclose(trace.y[there], law[there], atol=0.01, err_msg=trace.label)
        else:
            size = np.max(np.abs(law))
            np.testing.assert_allclose(
                trace.y, law, rtol=1e-3, atol=1e-5 * size, err_msg=trace.label
            )


#: Curves with poles, zeros or tips.
SHARP = [k for k in EXPECTED if k[1] in ("db", "suppression", "trim", "characteristic")] + [
    ("ssb", "phase"),
    ("ssb", "amplitude"),
]


@pytest.mark.parametrize("key, name", SHARP, ids=lambda n: n)
def test_no_chord_leaves_its_curve(runs, key, name):
    """Between its points a curve is where its line is drawn: to 2 % of the height of the plot."""
    curve, s = curve_of(runs, key, name), runs[key].settings
    x = curve.traces[0].x
    between = 0.5 * (x[1:] + x[:-1])
    for trace, law in zip(curve.traces, EXPECTED[key, name](s, between)):
        low, high = np.min(trace.y), np.max(trace.y)
        off = np.abs(0.5 * (trace.y[1:] + trace.y[:-1]) - np.clip(law, low, high))
        assert np.max(off) < 0.02 * (high - low), (trace.label, between[np.argmax(off)])


@pytest.mark.parametrize("key, name", POINTS, ids=lambda n: n)
def test_the_scene_is_on_its_curve(runs, key, name):
    run, curve = runs[key], curve_of(runs, key, name)
    setting, figure = POINTS[key, name]
    assert curve.point == (getattr(run.settings, setting), run.merit(figure).value)
    first = curve.traces[0]
    assert np.interp(curve.point[0], first.x, first.y) == pytest.approx(curve.point[1], rel=0.02)


def test_every_curve_is_held():
    told = {(u, c.key) for u in USES for c in run_use(u).curves}
    assert told == {*EXPECTED, ("gain_control_loop", "fast")}


def test_a_loop_that_is_twice_as_fast_has_twice_the_ripple(runs):
    curve, run = curve_of(runs, "gain_control_loop", "fast"), runs["gain_control_loop"]
    calm, rings = curve.traces
    x, y = np.append(rings.x, calm.x), np.append(rings.y, calm.y)
    np.testing.assert_allclose(x * y, x[0] * y[0], rtol=1e-6)
    assert (calm.role, calm.label, rings.role, rings.label) == ("result", "calm", "guide", "rings")
    assert curve.point == (run.merit("attack").relation_value, run.merit("ripple").value)
    assert curve.point[0] * curve.point[1] == pytest.approx(x[0] * y[0], rel=1e-6)


#: A call that is weakened before the cell, and a wanted product that is weakened behind it.
PATH = Path(upper=Feed(9e3), lower=Feed(30e3), load_pole=4e3)


def high_pass(f, corner):
    return f / math.hypot(f, corner)


def low_pass(f, pole=4e3):
    return 1 / math.hypot(1, f / pole)


def test_curves_of_the_mixer_behind_coupling_and_loads(runs):
    """Single poles (any circuits text) at the call, at the oscillator and at the product."""
    run = run_use("mixer", solve=TextbookCell(), path=PATH)
    curves, plain = {c.key: c for c in run.curves}, {c.key: c for c in runs["mixer"].curves}
    fed, behind, hard = high_pass(45e3, 30e3), low_pass(2e3), high_pass(43e3, 9e3)
    x = curves["gain"].traces[0].x
    law = db(GAIN * harmonic(x * hard) / 2 * fed * behind)
    np.testing.assert_allclose(curves["gain"].traces[0].y, law, atol=0.01)
    given, seen = (curves["two_tone"].traces[k] for k in (2, 0))
    np.testing.assert_allclose(given.x, plain["two_tone"].traces[0].x / fed)
    # told and computed agree while the signal is faint
    np.testing.assert_allclose(given.y[:6], seen.y[:6], atol=0.02)
    tones, products = (curves["two_tone"].traces[k].y for k in (0, 1))
    first, third = two_tones(given.x * fed)
    part = FULL * harmonic(run.settings.oscillator_amplitude * hard) / 2 * behind
    np.testing.assert_allclose(tones, db(part * first), atol=0.01)
    np.testing.assert_allclose(products[3:], db(part * third)[3:], atol=0.02)
    lost = curves["compression"].traces[0]
    np.testing.assert_allclose(lost.x, plain["compression"].traces[0].x / fed)
    one = run_use("mixer", solve=TextbookCell(), detail=False).merit("compression")
    assert run.merit("compression").value == pytest.approx(one.value / fed, rel=2e-3)
    assert run.merit("intercept").value == pytest.approx(
        runs["mixer"].merit("intercept").value / fed, rel=2e-3
    )


def test_curves_of_gain_squarer_and_detector_behind_coupling_and_loads(runs):
    gain = run_use("variable_gain", solve=TextbookCell(), path=PATH)
    passed = high_pass(45e3, 9e3) * low_pass(45e3)
    shown = {c.key: c for c in gain.curves}
    x = shown["signed"].traces[0].x
    law = GAIN * steer(x) * passed
    np.testing.assert_allclose(shown["signed"].traces[0].y, law, rtol=1e-3, atol=1e-9)
    third = shown["third"].traces[0]
    ratio = np.abs(harmonic(third.x, 3) / harmonic(third.x)) * low_pass(135e3) / low_pass(45e3)
    np.testing.assert_allclose(third.y, 100 * ratio, rtol=1e-3)
    both = Path(upper=Feed(9e3), lower=Feed(9e3), load_pole=4e3)
    s = {"offset_upper": 0.0, "offset_lower": 0.0, "frequency": 22.5e3}
    lines = run_use("squarer", s, TextbookCell(), path=both).curves[0]
    x = lines.traces[0].x * high_pass(22.5e3, 9e3)
    wave = FULL * steer(x[:, None] * np.cos(TURN)) ** 2
    for trace, k in ((lines.traces[0], 2), (lines.traces[2], 4)):
        level = 2 * np.abs(np.mean(wave * np.cos(k * TURN), axis=1)) * low_pass(k * 22.5e3)
        there = level > 1e-5
        np.testing.assert_allclose(trace.y[there], db(level[there]), atol=0.01)
    slope = run_use("phase_detector", None, TextbookCell(), path=both).curves[1].traces[0]
    x = slope.x * high_pass(40e3, 9e3)
    law = [(mean_product(a, a, 89.9) - mean_product(a, a, 90.1)) / math.radians(0.2) for a in x]
    np.testing.assert_allclose(slope.y, law, rtol=2e-3)


@pytest.mark.parametrize("key", USES)
def test_the_point_of_a_curve_is_where_the_scene_stands_on_it(key):
    small = dict.fromkeys(("upper_amplitude", "lower_amplitude"), 0.02)
    run = run_use(key, small if key == "phase_detector" else None)
    value = {m.key: m.value for m in run.merits}
    figures = {
        "db": "gain_db", "signed": "gain", "held": "held", "depth": "depth", "phase": "rejection",
        "amplitude": "rejection", "suppression": "suppression", "gain": "conversion_gain_db",
        "characteristic": "output", "slope": "slope", "trim": "residual",
    }  # fmt: skip
    for curve in run.curves:
        x, y = curve.traces[0].x, curve.traces[0].y
        if curve.point is None or curve.key == "fast":
            continue
        assert x[0] <= curve.point[0] <= x[-1]
        assert np.interp(curve.point[0], x, y) == pytest.approx(curve.point[1], rel=0.05)
        if curve.key in figures:
            assert curve.point[1] == pytest.approx(value[figures[curve.key]], rel=0.01)
        else:
            assert curve.key == "lines" and curve.point[1] == pytest.approx(db(value["second"]))


def test_the_loads_take_off_what_a_call_is_moved_up_to():
    circuit = shipped()["bat-call-mixer"][0]
    rate, size = 500e3, []
    slow = replace(circuit, c_load=1.6e-9)
    for c in (circuit, slow):
        out = hear_call("steady", solve=BuiltCell(c), repeats=1)[0]["output"].y
        line = np.abs(np.fft.rfft(out * np.hanning(len(out))))
        f = np.fft.rfftfreq(len(out), 1 / rate)
        size.append([line[(f > a) & (f < b)].max() for a, b in ((1e3, 5e3), (86e3, 91e3))])
    one, two = np.array(size)
    for f, share in zip((2.5e3, 88.5e3), two / one):
        before, after = (1 / math.hypot(1, f / path_of(c).load_pole) for c in (circuit, slow))
        assert share == pytest.approx(after / before, rel=0.03)


def test_a_perfect_phasing_is_drawn_at_80_db():
    s = {"tone_phase_error": 0.0, "carrier_phase_error": 0.0, "amplitude_error": 0.0}
    assert [c.point[1] for c in run_use("ssb", s).curves] == [80.0, 80.0]


def test_a_gain_of_nothing_is_drawn_at_minus_80_db(runs):
    for trace in curve_of(runs, "variable_gain", "db").traces:
        assert np.min(trace.y) == trace.y[trace.x == 0.0] == -80.0
        # 32 dB at most: what is under -80 is no wider than 1e-6 of the reach of a pair
        assert np.ptp(trace.x[trace.y == -80.0]) < 1e-6


def test_a_faint_signal_is_held_back_by_the_loads(runs):
    run = run_use("gain_control_loop", solve=TextbookCell(), path=Path(load_pole=30e3))
    curve, plain = (
        curve_of({"slow": run}, "slow", "held"),
        curve_of(runs, "gain_control_loop", "held"),
    )
    share = curve.traces[0].y[:12] / plain.traces[0].y[:12]
    np.testing.assert_allclose(share, low_pass(45e3, 30e3), rtol=1e-4)
