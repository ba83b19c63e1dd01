"""State and drawing data of the Signals page: one run an event, links, cursor, thinning, labels."""

import itertools
import math
import re

import numpy as np
import pytest
from bokeh.models import Line
from hypothesis import given, settings
from hypothesis import strategies as st

from forktail.core.spec import round_values
from forktail.core.spec import spec as spec_of
from forktail.core.uses import run_use
from forktail.core.waves.drives import DRIVE_KINDS
from forktail.core.waves.sound import SOUND_PEAK
from forktail.pages.signals import state as page_state
from forktail.pages.signals.spectrum import place_labels, short_label
from forktail.pages.signals.state import MODELS, PRESETS, SPANS, SignalsState
from forktail.pages.signals.waveforms import POINTS, Waveforms, round_up, thinned
from forktail.ui.state import Quantity, param_of
from helpers import allowed

SPECS = {n: p.spec for n, p in SignalsState.param.objects().items() if isinstance(p, Quantity)}
quantities = st.fixed_dictionaries({}, optional={n: allowed(s) for n, s in SPECS.items()})
kinds = st.sampled_from(sorted(DRIVE_KINDS))


def with_values(upper="sine", lower="sine", span="window", numbers=None):
    return SignalsState(upper_kind=upper, lower_kind=lower, span=span, **(numbers or {}))


# ---------------------------------------------------------------- links, files, entries


@given(kinds, kinds, st.sampled_from(sorted(SPANS)), quantities)
def test_link_and_file_bring_back_the_same_scene(upper, lower, span, numbers):
    state = with_values(upper, lower, span, numbers)
    for restore in (
        lambda s: s.apply_query(state.query()),
        lambda s: s.apply_file(state.to_file()),
    ):
        other = SignalsState()
        assert restore(other) == []
        assert {n: getattr(other, n) for n in other.fields()} == {
            n: getattr(state, n) for n in state.fields()
        }


@settings(max_examples=25)
@given(kinds, kinds, st.sampled_from(sorted(SPANS)), quantities)
def test_any_settings_give_a_scene_or_say_why_not(upper, lower, span, numbers):
    scene = with_values(upper, lower, span, numbers).scene()
    if scene.problem:
        told = ("must be", "give", "without both")  # what would be right, or what is missing
        assert scene.problem[0].isupper() and any(words in scene.problem for words in told)
    assert np.all(np.isfinite(scene.run.point.v_out))
    assert 0.0 <= scene.start <= scene.cursor <= scene.end
    assert scene.end <= scene.run.window.duration * (1 + 1e-12)
    assert np.isfinite(scene.at(scene.run.point.v_out))


@given(
    st.sampled_from(["upper", "lower"]),
    kinds,
    kinds,
    st.fixed_dictionaries(
        {},
        optional={
            f"lower_{n}": allowed(SPECS[f"lower_{n}"])
            for n in ("frequency", "second_frequency", "repeat_frequency")
        },
    ),
)
def test_choosing_a_kind_says_what_it_moves(side, before, after, numbers):
    state = SignalsState(**{f"{side}_kind": before}, **numbers)
    old = {n: getattr(state, n) for n in state.fields()}
    said = state.choose_kind(side, after)
    moved = [n for n in old if getattr(state, n) != old[n] and n != f"{side}_kind"]
    assert len(said) == len(moved) and all(n.startswith(side) for n in moved)
    state.drive(side).checked()  # what was chosen by hand can be run


@pytest.mark.parametrize("name", PRESETS)
def test_every_preset_runs_and_has_a_link(name):
    state = SignalsState()
    state.apply_preset(name)
    scene = state.scene()
    assert scene.problem == "" and scene.run.spectrum is not None
    other = SignalsState()
    assert other.apply_query(state.query()) == []
    assert other.texts() == state.texts()


def test_a_scene_that_cannot_run_keeps_the_last_one():
    state = SignalsState()
    good = state.scene()
    state.param.update(lower_kind="call", lower_frequency=4e3)
    bad = state.scene()
    assert bad.run is good.run and "20.0 kHz" in bad.problem
    state.param.update(lower_frequency=60e3, lower_second_frequency=40e3)
    assert state.scene().problem == "" and state.scene().run is not good.run


def test_an_offset_that_no_transistors_make_is_told_in_words_of_the_page():
    scene = SignalsState(model="built", offset_lower=1.0).scene()
    assert scene.problem.startswith("Offset, lower pair: 1.00 V") and "takes up to" in scene.problem


def test_where_drives_enter_is_said():
    assert "at the base lines" in SignalsState().scene().remarks[-1]
    coupled = SignalsState(coupled_lower=True, coupling_lower=2e3, loaded=True).scene()
    assert "2.00 kHz (lower)" in coupled.remarks[-1] and "(upper)" not in coupled.remarks[-1]
    assert "pole at 100 kHz" in coupled.remarks[-1]
    built = SignalsState(model="built").scene().remarks[-1]
    assert "generator" in built and "(upper)" in built and "bias resistors" in built


def test_the_textbook_cell_beside_takes_the_base_lines_and_loads_of_the_built_one():
    # what is left between the two is what the transistors do, not the divider before them
    scene = SignalsState(model="built", upper_amplitude=5e-3, lower_amplitude=5e-3).scene()
    out, beside = scene.run.point.v_out, scene.beside
    assert np.max(np.abs(out - beside)) < 0.05 * np.max(np.abs(out))
    assert np.ptp(scene.run.base_lines[1]) < 0.9 * np.ptp(scene.run.v_lower)


# ---------------------------------------------------------------- one run an event


def other(spec, value):
    """Another value that a spec allows."""
    if spec.kind == "number":
        return next(v for v in map(spec.at_step, (spec.steps() // 3, 0)) if v != value)
    return next(v for v in (spec.keys if spec.kind == "choice" else (True, False)) if v != value)


def test_only_what_matters_starts_a_new_run():
    state = SignalsState()
    run, looks = state.scene().run, 0
    for name in state.fields():
        spec = state.specs[name].spec
        if spec.part.startswith("view"):
            key = state.key()
            state.param.update(**{name: other(spec, getattr(state, name))})
            assert state.scene().run is run and state.key() == key, name
            looks += 1
    assert looks > 8
    state.upper_amplitude = 0.02
    assert state.scene().run is not run


def test_a_new_control_changes_key_and_run_by_itself():
    # nothing has to be told that there is one more: the specs say what a run depends on
    class More(SignalsState):
        r_emitter_upper = param_of(spec_of("r_emitter", label="Emitter resistors, upper"))
        mark = param_of(spec_of("dc", label="A mark on the plot", part="view"))

    state = More()
    before, run = state.key(), state.scene().run
    state.mark = 0.01
    assert state.key() == before and state.scene().run is run
    state.r_emitter_upper = 100.0
    assert state.key() != before
    assert np.max(state.scene().run.point.v_out) < np.max(run.point.v_out)
    assert state.query() == "r_emitter_upper=100ohm&mark=10mV"


@pytest.mark.parametrize("model", MODELS)
def test_moving_the_cursor_solves_nothing(model, monkeypatch):
    state = SignalsState(model=model)
    scene = state.scene()
    monkeypatch.setattr(page_state, "run_signals", None)
    state.cursor = 42e-6
    assert state.scene().still is scene.still and state.scene().cursor == 42e-6
    state.span = "4"
    assert state.scene().still is not scene.still and state.scene().run is scene.run


def test_sessions_that_ask_the_same_share_one_run():
    one, two = SignalsState(upper_phase=33.0), SignalsState(upper_phase=33.0, span="4")
    assert one.scene().run is two.scene().run and one.map_grid() is two.map_grid()


@pytest.mark.parametrize("model", MODELS)
def test_lower_offset_lets_the_carrier_through(model):
    """DC beside a modulating tone of A volts makes a carrier of 2 DC/A over one sideband.

    Haykin, Communication Systems: each sideband of an AM wave is m/2. The built cell gets its
    offset from an area ratio A, VT ln A (Gray, Hurst, Lewis, Meyer, chapter 3), and its base
    lines carry less than the drive gives.
    """
    settings = dict(model=model, upper_amplitude=0.005, lower_amplitude=0.01)
    run = SignalsState(offset_lower=1e-3, **settings).scene().run
    tone, offset = 0.01, 1e-3
    if model == "built":
        at_bases = run.point.nodes["base_lower_pos"] - run.point.nodes["base_lower_neg"]
        tone, offset = np.ptp(at_bases) / 2, offset + np.mean(at_bases)
    spectrum = run.spectrum
    assert spectrum.level(1, 0) / spectrum.level(1, 1) == pytest.approx(2 * offset / tone, rel=0.03)
    matched = SignalsState(**settings).scene().run.spectrum
    assert matched.level(1, 0) < 1e-3 * matched.level(1, 1)


def test_inverted_stretches_are_where_the_lower_input_is_negative():
    state = SignalsState(lower_phase=50.0, upper_kind="square", lower_frequency=12e3)
    scene = state.scene()
    inside = np.zeros(scene.run.window.samples, bool)
    for low, high in scene.inverted:
        inside |= (scene.run.time > low) & (scene.run.time < high)
    clear = np.abs(scene.run.v_lower) > 1e-9
    assert np.array_equal(inside[clear], scene.run.v_lower[clear] < 0)
    assert 1 < len(scene.inverted) < 10


def test_product_by_slope_differs_and_error_is_the_rest():
    state = SignalsState(upper_amplitude=0.1)
    fitted = state.scene()
    state.product = "slope"
    slope = state.scene()
    assert np.max(slope.product) > 1.5 * np.max(fitted.product)
    for scene in (fitted, slope):
        assert np.allclose(scene.error, scene.run.point.v_out - scene.product)


# ---------------------------------------------------------------- cursor and time


@given(st.sampled_from(sorted(SPANS)), st.floats(-1e-3, 1e-3), st.floats(0.0, 250e-6))
def test_cursor_stays_in_the_time_shown(span, t, start):
    state = SignalsState(span=span, start=start)
    state.scene()
    state.set_cursor(t)
    scene = state.scene()
    assert scene.start <= scene.cursor <= scene.end
    if scene.start <= t <= scene.end - 1e-6:
        assert scene.cursor == pytest.approx(t, abs=2e-3 * (scene.end - scene.start))


def test_cursor_reads_between_samples():
    state = SignalsState(upper_phase=0.0, cursor=100.05e-6)
    scene = state.scene()
    assert scene.at(scene.run.v_upper) == pytest.approx(
        0.06 * np.sin(2 * np.pi * 40e3 * 100.05e-6), abs=2e-5
    )


def test_the_control_of_the_cursor_shows_where_its_line_is():
    # the record repeats: 30 us lie 7.8 us behind the start of a window of 22.2 us
    state = SignalsState(upper_frequency=45e3, lower_frequency=45e3)
    scene = state.scene()
    assert state.cursor == 30e-6 and state.showing("cursor") == scene.cursor < 8e-6
    assert "cursor" not in state.query()
    assert state.showing("upper_phase") == 0.0


def test_slider_of_the_cursor_covers_the_time_shown():
    state = SignalsState(span="4")
    scene = state.scene()
    spec = state.param["cursor"]
    assert (spec.at_step(0), spec.at_step(spec.steps())) == pytest.approx((scene.start, scene.end))
    assert scene.end - scene.start == pytest.approx(4 / 40e3)


def test_press_on_the_map_finds_the_place_of_the_path():
    state = SignalsState()
    run = state.scene().run
    k = 300
    state.set_cursor_from_map(run.v_upper[k], run.v_lower[k])
    scene = state.scene()
    assert scene.at(scene.run.v_upper) == pytest.approx(run.v_upper[k], abs=2e-3)
    assert scene.at(scene.run.v_lower) == pytest.approx(run.v_lower[k], abs=2e-3)
    assert state.map_value("v_upper") == pytest.approx(run.v_upper[k], abs=2e-3)


@pytest.mark.parametrize("model", MODELS)
def test_map_agrees_with_the_run(model):
    state = SignalsState(model=model, offset_left=1e-3)
    run = state.scene().run
    x, y, z = state.map_grid()
    k = int(np.argmax(run.point.v_out))
    i, j = np.argmin(np.abs(x - run.v_upper[k])), np.argmin(np.abs(y - run.v_lower[k]))
    # the load pole of the built cell and the step of the grid leave a little
    assert z[j, i] * state.map_scale() == pytest.approx(run.point.v_out[k], rel=0.06)


def test_the_map_is_drawn_for_the_cell_of_the_page_and_holds_its_path():
    offsets = dict(offset_left=3e-3, offset_right=-2e-3, offset_lower=4e-3)
    state = SignalsState(**offsets, upper_amplitude=0.3, temperature=350.0, r_emitter_lower=50.0)
    run, (x, y, z) = state.scene().run, state.map_grid()
    want = state.textbook()(x[None, ::17], y[::17, None]).v_out
    np.testing.assert_allclose(z[::17, ::17] * state.map_scale(), want, atol=1e-9)
    assert x[0] <= np.min(run.v_upper) and np.max(run.v_upper) <= x[-1] == 0.5
    assert y[0] <= np.min(run.v_lower) and np.max(run.v_lower) <= y[-1] == 0.05


def test_the_built_circuit_has_temperature_and_offsets_of_the_page():
    state = SignalsState(model="built", temperature=350.0, offset_left=2e-3, offset_lower=-1e-3)
    circuit = state.question().cell.circuit
    ratio = [circuit.area[a] / circuit.area[b] for a, b in ((0, 1), (3, 2), (4, 5))]
    v_t = 1.380649e-23 * 350.0 / 1.602176634e-19  # kT/q, the constants of the SI
    assert circuit.temperature == 350.0
    assert ratio == pytest.approx([math.exp(2e-3 / v_t), 1.0, math.exp(-1e-3 / v_t)], rel=1e-9)


# ---------------------------------------------------------------- sound


def test_a_sound_that_plays_is_made_anew_for_what_it_depends_on_alone():
    state = SignalsState(heard="slowed")
    key = state.sound_key()
    state.span, state.cursor = "4", 5e-6
    assert state.sound_key() == key
    for change in ({"hear_slow": 20.0}, {"heard": "shifted"}, {"upper_phase": 10.0}):
        state.param.update(**change)
        assert state.sound_key() != key
        key = state.sound_key()


@pytest.mark.parametrize("heard", ["as it is", "shifted", "slowed"])
def test_sound_is_limited_and_says_what_was_moved(heard):
    state = SignalsState(heard=heard, hear_shift=34e3, hear_slow=10.0, i_tail=2e-2, r_load=1e4)
    sound = state.sound()
    assert np.max(np.abs(sound.samples), initial=0.0) <= SOUND_PEAK
    assert sound.silent == (heard == "as it is")  # 36 and 44 kHz are above hearing
    assert ("Shifted into hearing" in sound.text) == (heard != "as it is")


def test_shifted_sound_holds_the_lines_of_the_output_moved_down():
    state = SignalsState(heard="shifted", hear_shift=34e3)
    sound = state.sound()
    level = np.abs(np.fft.rfft(sound.samples * np.hanning(len(sound.samples))))
    found = np.argmax(level) * sound.rate / len(sound.samples)
    assert min(abs(found - 2e3), abs(found - 10e3)) < 2.0


# ---------------------------------------------------------------- what is drawn


@given(st.integers(10, 40_000), st.integers(0, 2**32 - 1))
@settings(max_examples=40)
def test_thinning_loses_no_peak(n, seed):
    y = np.random.default_rng(seed).normal(size=n)
    x = np.linspace(0.0, 1.0, n)
    tx, thin = thinned(x, {"y": y})
    assert len(tx) == len(thin["y"]) <= 1.25 * POINTS + 2
    assert np.all(np.diff(tx) > 0) and tx[0] == 0.0 and tx[-1] == 1.0
    used = n // -(-2 * n // POINTS) * -(-2 * n // POINTS) if n > 1.25 * POINTS else n
    assert thin["y"].max() >= y[:used].max() and thin["y"].min() <= y[:used].min()


def test_a_thin_line_lies_on_a_thick_one():
    # so that two equal waves are both seen
    for plot in Waveforms().plots.values():
        lines = [r.glyph.line_width for r in plot.figure.renderers if isinstance(r.glyph, Line)]
        assert lines == sorted(lines, reverse=True)


@given(st.floats(1e-9, 1e6))
def test_round_up_is_a_round_number_not_far_above(size):
    found = round_up(size)
    assert size * 0.999 <= found <= 1.7 * size


@given(
    st.lists(st.tuples(st.floats(0, 400), st.floats(0, 180)), min_size=1, max_size=30), st.data()
)
def test_labels_overlap_nothing(points, data):
    texts = data.draw(
        st.lists(st.text("3u+l-", min_size=1, max_size=12), max_size=min(9, len(points)))
    )
    placed = place_labels(points, texts, 400, 220)
    boxes = [
        (x - 3.2 * len(texts[k]), x + 3.2 * len(texts[k]), y - 7.5, y + 7.5) for k, x, y in placed
    ]
    for a, b in itertools.combinations(boxes, 2):
        assert a[1] <= b[0] or b[1] <= a[0] or a[3] <= b[2] or b[3] <= a[2]
    for (low, high, bottom, top), (x, y) in itertools.product(boxes, points):
        assert not (low < x < high and bottom < y)  # no stem or marker behind a text
        assert 0 <= low and high <= 400 and top <= 220


def test_labels_are_placed_when_there_is_room():
    assert [
        k for k, _, _ in place_labels([(100, 50), (300, 50)], ["sum", "difference"], 400, 200)
    ] == [0, 1]


def test_short_labels():
    lines = SignalsState().scene().run.spectrum.lines
    texts = {short_label(line) for line in lines}
    assert {"sum", "difference", "3u\u2212l"} <= texts
    two = SignalsState(lower_kind="two_tone").scene().run.spectrum.lines
    assert {"u+l", "u+l2"} <= {short_label(line) for line in two}


def test_slider_of_a_frequency_moves_overround_values():
    values = round_values(100.0, 200e3)
    ratios = np.diff(np.log(values))
    assert values[0] == 100.0 and values[-1] == 200e3 and 45e3 in values and 43e3 in values
    assert 0.005 < ratios.min() and ratios.max() < 0.026
    spec = SignalsState.param["upper_frequency"]
    assert all(spec.position(spec.at_step(k)) == k for k in range(spec.steps() + 1))


def test_noise_is_heard_only_when_asked_for_and_is_that_of_the_scene():
    # a faint call beside an oscillator: the noise of the mixer, whichever page works it out
    state = SignalsState(
        upper_frequency=43e3, upper_amplitude=0.15, lower_frequency=45e3, lower_amplitude=1e-6
    )
    assert state.sound().silent
    key = state.sound_key()
    state.hear_noise = True
    assert state.sound_key() != key
    noisy = state.sound()
    assert not noisy.silent and np.max(np.abs(noisy.samples)) <= SOUND_PEAK
    density = run_use("mixer", {"oscillator_amplitude": "0.15V"}).merit("noise_output").value
    assert heard_noise(noisy) == pytest.approx(density * np.sqrt(16e3 - 20.0), rel=0.02)


def heard_noise(played):
    """V rms that the text of a sound tells."""
    return 1e-6 * float(re.search(r"it, ([\d.]+) \u00b5V rms", played.text)[1])


def test_noise_of_a_built_scene_falls_with_its_load_pole():
    state = SignalsState(model="built", hear_noise=True, heard="shifted", hear_shift=1e3)
    near = heard_noise(state.sound())
    state.hear_shift = 150e3
    far = heard_noise(state.sound())
    # each over 16 kHz; the pole of the shipped mixer is at 73.4 kHz
    down = 1 / np.sqrt(1 + (158e3 / 73.4e3) ** 2)
    assert far / near == pytest.approx(down, rel=0.05)
