"""The uses: registry, settings, common shape of the answer, solvers, refusals."""

import dataclasses
import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forktail.core.built.circuit import Circuit
from forktail.core.cell import pair
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.quantities import UNITS
from forktail.core.quantities import format_quantity as text_of
from forktail.core.spec import SPECS, read_settings, specs_of
from forktail.core.uses import USES, run_use, use_of
from forktail.core.uses import signals as uses_signals
from forktail.core.uses.phase import Squarer
from forktail.core.uses.reference import ONE_DB, bench
from forktail.core.uses.result import as_json
from forktail.core.waves.drives import DRIVE_KINDS, Drive
from forktail.core.waves.spectrum import Line


def finite(*arrays):
    return all(np.all(np.isfinite(a)) for a in arrays)


def close(merit):
    """Whether a figure is near its relation, by any measure of the trade: 1 dB, 13 %, 2 points."""
    law = merit.relation_value
    if law is None or not math.isfinite(law):
        return True
    apart = abs(merit.value - law)
    if merit.unit == "dB":
        return apart <= 1.0 or min(abs(law), abs(merit.value)) >= 200.0
    return apart <= 0.13 * abs(law) or apart <= {"%": 2.0, "deg": 1.0, "V": 1e-6}.get(merit.unit, 0)


@pytest.mark.parametrize("key", USES)
def test_answer_has_what_a_page_needs(key):
    result = run_use(key)
    assert result.key == key and result.title == USES[key].title
    assert result.sentence.endswith(".") and result.window
    assert result.records and result.curves and result.merits
    for trace in result.records.values():
        assert trace.x.shape == trace.y.shape and finite(trace.x, trace.y) and trace.label
        assert np.all(np.diff(trace.x) > 0)
    for curve in result.curves:
        for trace in curve.traces:
            assert trace.x.shape == trace.y.shape and finite(trace.x, trace.y)
        assert curve.point is None or finite(curve.point)
    keys = [m.key for m in result.merits]
    assert len(set(keys)) == len(keys)
    for merit in result.merits:
        assert math.isfinite(merit.value) and merit.name and merit.reading
        assert merit.stops.endswith(".") and "stop" in merit.stops
        if merit.key not in ("release", "attack"):  # they say themselves that they are rough
            assert not merit.holds or close(merit), merit
    assert result.spectrum.lines


@pytest.mark.parametrize("key", USES)
def test_json_is_plain_and_holds_the_same_numbers(key):
    result = run_use(key)
    text = json.dumps(as_json(result, arrays=True), allow_nan=False)
    data = json.loads(text)
    assert data["use"] == key
    assert data["figures"][result.merits[0].key]["value"] == pytest.approx(result.merits[0].value)
    assert len(data["lines"]) == len(result.spectrum.lines)
    assert "records" not in as_json(result)


@pytest.mark.parametrize("key", USES)
def test_without_detail_only_the_curves_are_missing(key):
    full, quick = run_use(key), run_use(key, detail=False)
    assert quick.curves == () and quick.sentence == full.sentence
    assert [m.value for m in quick.merits] == [m.value for m in full.merits]


@pytest.mark.parametrize("key", USES)
def test_what_is_one_quantity_is_declared_once(key):
    # a frequency, an amplitude, a DC that is valid on one page is valid on all
    alike = {"frequency", "amplitude", "phase", "offset"} | {"control", "trim"}
    for name, s in specs_of(USES[key].settings).items():
        assert s.label and s.doc and s.unit in UNITS and s.part == "use"
        words = set(name.split("_"))
        if s.kind == "number" and words & alike and not name.endswith("_error"):
            same = [
                q
                for q in SPECS.values()
                if (q.unit, q.low, q.high, q.low_open) == (s.unit, s.low, s.high, s.low_open)
            ]
            assert same, f"{name} has bounds that nothing else has"


@pytest.mark.parametrize("key", USES)
def test_every_control_changes_something(key):
    # a control that does nothing would be a lie
    base = run_use(key)
    for name, s in specs_of(USES[key].settings).items():
        if s.kind == "choice":
            other = next(c for c in s.keys if c != s.default)
        elif s.kind == "flag":
            other = not s.default
        elif s.unit == "Hz" and s.even == "steps":
            other = s.default + 5 * s.step
        else:
            other = s.slider[1] if s.default < s.slider[1] else s.slider[0]
        moved = run_use(key, dataclasses.replace(base.settings, **{name: other}))
        same = all(
            a.value == b.value and a.limit == b.limit and a.name == b.name
            for a, b in zip(base.merits, moved.merits)
        )
        lines = [ln.frequency for ln in base.spectrum.lines] == [
            ln.frequency for ln in moved.spectrum.lines
        ]
        assert not (same and lines), f"{key}: {name} does nothing"


#: What a use says where it cannot run at a value that the quantity allows.
REFUSALS = ("ratio of at most", "this use needs more", "switch so hard", "half the carrier")


@pytest.mark.parametrize("key", USES)
@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_any_settings_within_bounds_give_an_answer_or_one_sentence(key, data):
    values = {}
    for name, s in specs_of(USES[key].settings).items():
        if s.kind == "choice":
            values[name] = data.draw(st.sampled_from(sorted(s.keys)), name)
        elif s.kind == "flag":
            values[name] = data.draw(st.booleans(), name)
        else:
            ends = [*s.slider, s.high, 0.0 if s.low <= 0.0 <= s.high and not s.low_open else s.high]
            inside = st.one_of(st.floats(*s.slider), st.sampled_from(ends[:2]))
            values[name] = data.draw(st.one_of(inside, inside, inside, st.sampled_from(ends)), name)
    try:
        result = run_use(key, USES[key].settings(**values))
    except QuantityError as refusal:
        assert any(words in str(refusal) for words in REFUSALS) and str(refusal).endswith(".")
        return
    assert result.sentence
    json.dumps(as_json(result), allow_nan=False)


def test_a_squarer_held_at_its_limits_by_dc_has_no_lines_and_says_so():
    run = run_use("squarer", Squarer(offset_upper=10.0, offset_lower=10.0))
    assert [run.merit(k).value for k in ("second", "fourth", "purity")] == [0.0, 0.0, 0.0]
    assert run.merit("dc").value == pytest.approx(2e-3 * 1e3, rel=1e-9)  # the whole tail in a load
    assert run.sentence.startswith("Nothing is left at 45.00 kHz")


@pytest.mark.parametrize(
    "key, heard",
    [
        ("variable_gain", 2250.0),
        ("am", 2000.0),
        ("dsb", None),
        ("ssb", 6000.0),
        ("mixer", None),
        ("squarer", 2250.0),
    ],
)
def test_what_can_be_heard(key, heard):
    played = run_use(key, detail=False).listen.sound(1.0)
    assert not played.silent and np.max(np.abs(played.samples)) <= played.peak
    if heard:
        line = np.abs(np.fft.rfft(played.samples))
        assert np.argmax(line) == pytest.approx(heard, abs=2)


def test_typed_entries():
    s = read_settings(
        USES["mixer"].settings,
        {"signal_amplitude": "5mV", "oscillator_frequency": "44.5kHz", "wanted": "up"},
    )
    assert (s.signal_amplitude, s.oscillator_frequency, s.wanted) == (5e-3, 44.5e3, "up")
    assert run_use("mixer", {"wanted": "up"}).settings.wanted == "up"


@pytest.mark.parametrize(
    "entries, words",
    [
        ({"loudness": "3"}, "'loudness' is not a setting here; there are signal_frequency"),
        ({"signal_amplitude": "5kHz"}, "is a frequency"),
        ({"signal_amplitude": "50"}, "out of range"),
        ({"wanted": "sideways"}, "it must be one of down, up"),
        ({"signal_frequency": "fast"}, "not a value"),
    ],
)
def test_bad_entries_get_one_sentence(entries, words):
    with pytest.raises(QuantityError, match="signal|wanted|loudness") as caught:
        run_use("mixer", entries)
    assert words in str(caught.value)


def test_unknown_use_and_wrong_settings():
    with pytest.raises(QuantityError, match="there are variable_gain"):
        use_of("toaster")
    with pytest.raises(QuantityError, match="it must be Mixer"):
        run_use("mixer", USES["dsb"].settings())
    with pytest.raises(QuantityError, match="'tone' is not a figure"):
        run_use("mixer").merit("tone")
    with pytest.raises(QuantityError, match="Amplitude on both inputs: '99V' is out of range"):
        run_use("squarer", USES["squarer"].settings(amplitude=99.0))


def test_a_dead_cell_is_refused():
    def dead(u, lower):
        return dataclasses.replace(TextbookCell()(u, lower), i_tail=np.array(0.0))

    with pytest.raises(QuantityError, match="tail current of 0"):
        run_use("mixer", solve=dead)


def test_an_answer_that_did_not_converge_is_refused():
    def stuck(u, lower):
        point = TextbookCell()(u, lower)
        good = np.ones(np.shape(point.v_out), dtype=bool)
        if good.size > 4:
            good.flat[2:4] = False
        return dataclasses.replace(point, converged=good)

    with pytest.raises(QuantityError, match="no solution at 2 of"):
        run_use("dsb", solve=stuck)
    run = uses_signals.run_signals(Drive(), Drive(frequency=43e3), stuck)
    assert run.spectrum is None and np.isnan(run.point.v_out[2]) and finite(run.fitted)
    assert "no solution at 2 of" in run.notes[0]


def test_the_solver_is_what_is_solved():
    half = TextbookCell(i_tail=1e-3)
    assert run_use("mixer", solve=half).merit("conversion_gain").value == pytest.approx(
        run_use("mixer").merit("conversion_gain").value / 2
    )
    b = bench(TextbookCell(temperature=330.0))
    assert b.temperature == 330.0 and b.full_scale == pytest.approx(2.0)
    assert b.gain == pytest.approx(float(TextbookCell(temperature=330.0)(0.0, 5.0).gain_upper))


def test_emitter_resistors_stretch_the_intercept():
    plain = run_use("mixer").merit("intercept").value
    wide = run_use("mixer", solve=TextbookCell(r_emitter_lower=100.0)).merit("intercept").value
    assert wide > 2 * plain


def test_weak_signal_leaves_the_gain_control_loop_at_its_limit():
    run = run_use("gain_control_loop", {"level": "0.2mV"}, detail=False)
    assert not run.merit("release").holds and "runs out of gain" in run.sentence
    assert run.records["control"].y[0] == pytest.approx(0.15)


def test_mismatch_shows_in_the_leaks():
    lower = run_use("mixer", solve=TextbookCell(offset_lower=1e-3))
    assert lower.merit("oscillator_leak").value < 20 < lower.merit("signal_leak").value
    upper = run_use("mixer", solve=TextbookCell(offset_left=1e-3, offset_right=1e-3))
    assert upper.merit("signal_leak").value < 60 < upper.merit("oscillator_leak").value


# ---------------------------------------------------------------- cells off the textbook


@pytest.mark.parametrize(
    "key, figure, cell, named",
    [
        ("variable_gain", "gain", {"offset_lower": 3e-3}, ["offset of the lower pair, 3.00 mV"]),
        (
            "variable_gain",
            "gain",
            {"offset_left": 8e-3, "offset_right": 8e-3},
            # the left pair carries most of the current, so its offset makes most of it
            ["offset of the left upper pair, 8.00 mV"],
        ),
        ("dsb", "suppression", {"offset_lower": 3e-3}, ["offset of the lower pair, 3.00 mV"]),
        ("dsb", "suppression", {"offset_left": 3e-3}, ["offset of the left upper pair, 3.00 mV"]),
        ("squarer", "residual", {"offset_lower": 3e-3}, ["offset of the lower pair, 3.00 mV"]),
        ("am", "depth", {"offset_lower": 3e-3}, ["offset of the lower pair, 3.00 mV"]),
        (
            "mixer",
            "oscillator_leak",
            {"offset_lower": 5e-3},
            ["comes from the offset of the lower"],
        ),
    ],
)
def test_what_spoils_a_relation_is_named(key, figure, cell, named):
    matched = run_use(key).merit(figure)
    assert matched.holds and not matched.because
    merit = run_use(key, solve=TextbookCell(**cell)).merit(figure)
    assert not merit.holds and all(words in merit.because for words in named)
    quick = run_use(key, solve=TextbookCell(**cell), detail=False).merit(figure)
    assert not quick.holds and quick.because == "", "causes are told once the scene rests"


def test_an_offset_too_small_to_matter_spoils_nothing():
    run = run_use("variable_gain", solve=TextbookCell(offset_lower=1e-4), detail=False)
    assert run.merit("gain").holds
    # a quarter of a millivolt is much beside half a millivolt of DC, and little beside 20 mV
    cell = TextbookCell(offset_lower=2.5e-4)
    assert not run_use("dsb", solve=cell, detail=False).merit("suppression").holds
    small = run_use("dsb", {"offset": "20mV"}, TextbookCell(offset_lower=2e-5), detail=False)
    matched = run_use("dsb", {"offset": "20mV"}, detail=False)
    assert small.merit("suppression").holds == matched.merit("suppression").holds


@pytest.mark.parametrize(
    "cell",
    [
        {"offset_lower": 3e-3},
        {"offset_left": 5e-3, "offset_right": 5e-3},
        {"offset_left": 3e-3},
        {"r_emitter_upper": 50.0},
        {"r_emitter_lower": 50.0},
        {"r_emitter_upper": 200.0, "r_emitter_lower": 200.0},
    ],
)
@pytest.mark.parametrize("key", USES)
def test_what_holds_agrees_with_its_relation_in_every_cell(key, cell):
    for merit in run_use(key, solve=TextbookCell(**cell), detail=False).merits:
        # the drift that is set bounds the null; a loop rings and creeps as it likes
        if merit.key not in ("release", "attack", "null"):
            assert not merit.holds or close(merit), merit


def test_linear_limits_count_the_emitter_resistors():
    cell = TextbookCell(r_emitter_lower=100.0)
    wide = float(pair.linear_range(0.01, 2e-3, cell.temperature, 100.0))
    for key, figure in (("am", "depth"), ("dsb", "suppression"), ("ssb", "wanted")):
        merit = run_use(key, solve=cell, detail=False).merit(figure)
        assert merit.limit == pytest.approx(wide) and text_of(wide, "V") in merit.stops
    # past the range of a pair without resistors and within the true one
    assert 0.03 > 2 * float(pair.linear_range(0.01, 2e-3, cell.temperature))
    am = run_use("am", {"offset": "20mV", "tone_amplitude": "10mV"}, cell, detail=False)
    assert am.merit("depth").holds and am.merit("depth").value == pytest.approx(50.0, rel=0.01)
    upper = float(pair.linear_range(0.01, 1e-3, cell.temperature, 100.0))
    ssb = run_use("ssb", solve=TextbookCell(r_emitter_upper=100.0), detail=False)
    assert f"the carrier passes {text_of(upper, 'V')} or" in ssb.merit("image").stops
    control = run_use("variable_gain", solve=cell, detail=False).merit("control_range")
    assert control.value == pytest.approx(wide, rel=0.01)
    assert control.relation_value == pytest.approx(wide)


@pytest.mark.parametrize("r_emitter", [0.0, 20.0, 100.0])
def test_signal_of_the_variable_gain_bends_where_its_limit_says(r_emitter):
    cell = TextbookCell(r_emitter_upper=r_emitter)
    limit = run_use("variable_gain", solve=cell, detail=False).merit("gain").limit
    small, edge = (
        run_use("variable_gain", {"amplitude": a}, cell, detail=False).merit("gain").value
        for a in (1e-5, limit)
    )
    assert abs(edge / small - 1.0) == pytest.approx(0.01, rel=0.05)


@pytest.mark.parametrize(
    "cell", [{}, {"r_emitter_upper": 20.0}, {"r_emitter_upper": 100.0}, {"r_emitter_lower": 100.0}]
)
def test_oscillator_switches_hard_where_its_limit_says(cell):
    cell = TextbookCell(**cell)
    weak = {"signal_amplitude": 1e-5, "second_amplitude": 0.0}

    def gain(oscillator):
        return cell_gain(cell, {**weak, "oscillator_amplitude": oscillator})

    hard = (
        run_use("mixer", {**weak, "oscillator_amplitude": 1.0}, cell, detail=False)
        .merit("hard_limit")
        .limit
    )
    # a fully square carrier has 4/pi of fundamental; the cell fully switched gives the most gain
    most = float(cell(5.0, 0.0).gain_lower) * 2.0 / np.pi
    assert 20.0 * math.log10(most / gain(hard)) == pytest.approx(1.0, abs=0.1)
    soft = (
        run_use("mixer", {**weak, "oscillator_amplitude": 1e-3}, cell, detail=False)
        .merit("conversion_gain")
        .limit
    )
    assert abs(20.0 * math.log10(gain(soft) / gain(1e-3) * 1e-3 / soft)) == pytest.approx(
        1.0, abs=0.13
    )


def cell_gain(cell, entries):
    return run_use("mixer", entries, cell, detail=False).merit("conversion_gain").value


@pytest.mark.parametrize("cell", [{}, {"r_emitter_upper": 100.0}, {"r_emitter_lower": 100.0}])
def test_squarer_bends_where_its_limit_says(cell):
    cell = TextbookCell(**cell)
    limit = run_use("squarer", solve=cell, detail=False).merit("second").limit
    small, edge = (
        run_use(
            "squarer",
            {"amplitude": a, "offset_upper": 0.0, "offset_lower": 0.0},
            cell,
            detail=False,
        )
        .merit("second")
        .value
        / a**2
        for a in (1e-3, limit)
    )
    assert edge / small == pytest.approx(0.9, abs=0.015)


@pytest.mark.parametrize("ohms", [0.0, 10.0, 100.0, 1000.0])
def test_a_pair_with_resistors_is_driven_hard_where_the_bench_says(ohms):
    """The exact pair: its fundamental is 1 dB under a square wave's, and under its tangent."""
    angle = 2.0 * np.pi * (np.arange(512) + 0.5) / 512
    b = bench(TextbookCell(r_emitter_lower=ohms))

    def fundamental(v):
        first, second = pair.split_fractions(v * np.cos(angle), b.temperature, b.i_tail, ohms)
        return 2.0 * np.mean((first - second) * np.cos(angle))

    hard, soft = b.hard_start("lower"), b.soft_end("lower", ONE_DB)
    assert 20 * math.log10(fundamental(hard) * np.pi / 4) == pytest.approx(-1.0, abs=0.05)
    small = fundamental(1e-4) / 1e-4
    assert 20 * math.log10(fundamental(soft) / soft / small) == pytest.approx(-1.0, abs=0.3)


def test_built_cells_tell_their_emitter_resistors():
    b = bench(BuiltCell(Circuit(r_emitter_upper=33.0, r_emitter_lower=68.0)))
    assert (b.r_emitter_upper, b.r_emitter_lower) == (33.0, 68.0)


def test_signals_hold_their_laws_with_emitter_resistors_too():
    cell = TextbookCell(r_emitter_lower=100.0)
    drives = Drive(amplitude=5e-3), Drive(amplitude=5e-3, frequency=43e3)
    for solve in (None, cell):
        run = uses_signals.run_signals(*drives, solve)
        merit = next(m for m in run.merits if m.key == "sideband")
        assert merit.holds and merit.value == pytest.approx(merit.relation_value, rel=1e-3)
    alone = uses_signals.run_signals(Drive(kind="dc", offset=5e-3), drives[1], cell)
    merit = next(m for m in alone.merits if m.key == "distortion")
    assert merit.holds and merit.value == pytest.approx(merit.relation_value, rel=0.02)
    assert "D = 1 + gm RE" in merit.relation
    # resistors in the upper pairs bend by no law of one pair: none is shown
    alone = uses_signals.run_signals(
        drives[0], Drive(kind="dc", offset=5e-3), TextbookCell(r_emitter_upper=100.0)
    )
    merit = next(m for m in alone.merits if m.key == "distortion")
    assert not merit.holds and merit.relation_value is None


# ---------------------------------------------------------------- free signals


@pytest.mark.parametrize("kind", DRIVE_KINDS)
@pytest.mark.parametrize("other", DRIVE_KINDS)
def test_any_two_drives(kind, other):
    run = uses_signals.run_signals(
        Drive(kind=kind, amplitude=5e-3, offset=5e-3 if kind == "dc" else 0.0),
        Drive(kind=other, amplitude=5e-3, frequency=43e3, offset=5e-3 if other == "dc" else 0.0),
    )
    n = run.window.samples
    for a in (
        run.time,
        run.v_upper,
        run.v_lower,
        run.point.v_out,
        run.product,
        run.fitted,
        run.error,
    ):
        assert a.shape == (n,) and finite(a)
    np.testing.assert_allclose(run.fitted + run.error, run.point.v_out)
    # the fitted product is the closest: what is left has nothing of it
    assert abs(np.dot(run.error, run.fitted)) <= 1e-9 * max(np.dot(run.fitted, run.fitted), 1e-9)
    assert run.sentence.endswith(".")
    assert all(math.isfinite(m.value) for m in run.merits)
    assert any("invented" in note for note in run.notes) == ("call" in (kind, other))


def test_ideal_product_meets_the_cell_for_small_inputs():
    run = uses_signals.run_signals(Drive(amplitude=1e-4), Drive(amplitude=1e-4, frequency=43e3))
    np.testing.assert_allclose(run.product, run.point.v_out, atol=1e-4 * run.product.max())
    big = uses_signals.run_signals(Drive(amplitude=0.1), Drive(amplitude=0.1, frequency=43e3))
    assert np.max(np.abs(big.product)) > 3 * np.max(np.abs(big.point.v_out))
    assert np.std(big.error) < 0.6 * np.std(big.point.v_out)


def test_corners_act_on_the_waveforms():
    drives = Drive(amplitude=5e-3, offset=2e-3), Drive(amplitude=5e-3, frequency=43e3)
    plain = uses_signals.run_signals(*drives)
    coupled = uses_signals.run_signals(*drives, coupling_upper=100.0)
    assert plain.v_upper.mean() == pytest.approx(2e-3) and abs(coupled.v_upper.mean()) < 1e-15
    slow = uses_signals.run_signals(*drives, load_corner=2e3)
    ratio = slow.spectrum.level(1, 1) / plain.spectrum.level(1, 1)
    assert ratio == pytest.approx(1 / math.hypot(1, 44), rel=1e-6)
    # both collectors keep their DC, and the difference is still theirs
    np.testing.assert_allclose(slow.point.v_right - slow.point.v_left, slow.point.v_out, atol=1e-12)


def test_moved_frequencies_are_told():
    run = uses_signals.run_signals(Drive(frequency=45013.7), Drive(frequency=43001.3))
    assert "no short common period" in run.notes[0] and run.lower.frequency != 43001.3


def test_an_input_at_zero_makes_nothing():
    run = uses_signals.run_signals(Drive(), Drive(kind="dc"))
    assert np.max(np.abs(run.point.v_out)) < 1e-15 and "zero" in run.sentence


@pytest.mark.parametrize(
    "label, frequency, words",
    [
        ("3 f_upper \u2212 f_lower", 116e3, "the one at 116 kHz (3 \u00d7 upper \u2212 lower)"),
        ("f_upper + f_lower2", 89e3, "the one at 89.0 kHz (upper + second lower)"),
        ("f_upper \u2212 f_upper_repeat", 36e3, "the one at 36.0 kHz (upper \u2212 upper repeat)"),
        ("f_upper", 40e3, "the one at 40.0 kHz (the upper input alone)"),
        ("part of the call", 19.5e3, "the one at 19.5 kHz (part of the call)"),
        ("DC", 0.0, "DC"),
    ],
)
def test_a_line_is_told_in_words(label, frequency, words):
    line = Line(frequency, 0.1, 0.0, (), "product", label)
    assert uses_signals.line_in_words(line) == words
