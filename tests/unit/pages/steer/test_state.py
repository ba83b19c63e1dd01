"""State of a page: entries, links and files bring back the same floats, and say what fails."""

import tomllib

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from forktail.core.cell import law as cell
from forktail.core.checks import QuantityError
from forktail.core.files import MAX_SIZE
from forktail.pages.steer.state import (
    COMMON_CONTROLS,
    PART_CONTROLS,
    PRESETS,
    STAGE_CONTROLS,
    STAGES,
    SteerState,
)
from forktail.ui.state import MAX_QUERY, Quantity
from helpers import allowed

SPECS = {n: p for n, p in SteerState.param.objects().items() if isinstance(p, Quantity)}


states = st.builds(
    lambda stage, hold, numbers: SteerState(stage=stage, hold_scale=hold, **numbers),
    st.sampled_from(sorted(STAGES)),
    st.booleans(),
    st.fixed_dictionaries({}, optional={n: allowed(p.spec) for n, p in SPECS.items()}),
)


def numbers(state):
    return {n: getattr(state, n) for n in state.fields()}


@pytest.mark.parametrize("name", SPECS)
def test_exact_text_reads_back_to_the_same_float(name):
    spec = SPECS[name]

    @given(allowed(spec.spec))
    def round_trip(value):
        text = spec.exact(value)
        assert spec.read(text) == value
        assert text.isascii() and " " not in text

    round_trip()


@pytest.mark.parametrize("name", SPECS)
def test_slider_steps_round_trip_and_read_short(name):
    spec = SPECS[name]
    for index in range(spec.steps() + 1):
        value = spec.at_step(index)
        assert spec.position(value) == index
        assert len(spec.exact(value)) <= 10, spec.exact(value)  # no float dust in links
    low, high = spec.bounds
    assert spec.position(low) == 0 and spec.position(high) == spec.steps()
    assert low <= spec.slider[0] < spec.slider[1] <= high


@pytest.mark.parametrize("name", SPECS)
def test_entry_out_of_bounds_says_name_value_and_range(name):
    spec = SPECS[name]
    for bad in (spec.bounds[0] - 1e-3, spec.bounds[1] * 1.01):
        text = repr(bad) + ("K" if spec.unit == "K" else "")
        with pytest.raises(QuantityError) as error:
            spec.read(text)
        message = str(error.value)
        assert spec.label in message and text in message and "it must be" in message
        if spec.unit != "K":
            assert spec.unit in message
    for edge in spec.bounds:
        assert spec.read(spec.exact(edge)) == edge


@given(states)
def test_link_restores_the_scene(state):
    query = state.query()
    assert query.isascii() and len(query) < MAX_QUERY
    back = SteerState()
    assert back.apply_query("?" + query) == []
    assert numbers(back) == numbers(state)
    assert back.query() == query


@given(states)
def test_file_restores_the_scene(state):
    text = state.to_file()
    assert tomllib.loads(text)["scene"]["page"] == "steer"
    back = SteerState(v_upper=0.05, stage="pair", hold_scale=True)
    assert back.apply_file(text) == []
    assert numbers(back) == numbers(state)
    assert back.to_file() == text


def test_default_scene_has_an_empty_link():
    assert SteerState().query() == ""
    assert SteerState(v_upper=0.012).query() == "v_upper=12mV"


def test_link_sets_what_it_does_not_name_to_default():
    state = SteerState(v_lower=0.07, stage="pair")
    assert state.apply_query("v_upper=12mV") == []
    assert state.v_upper == 0.012 and state.v_lower == 0.02 and state.stage == "cell"


@pytest.mark.parametrize(
    "query, parts",
    [
        ("v_upper=5apples", ["Upper input", "5apples", "10mV"]),
        ("v_upper=99V", ["Upper input", "99V", "-10 V to 10 V"]),
        ("v_upper=5mA", ["Upper input", "a current", "a voltage"]),
        ("v_uper=5mV", ["'v_uper' is not a setting", "did you mean 'v_upper'?"]),
        ("colour=red", ["'colour' is not a setting of this page"]),
        ("stage=five", ["Stage", "'five' is not known", "pair, shared, crossed, cell"]),
        ("hold_scale=maybe", ["Keep the colour scale", "'maybe' is neither yes nor no"]),
        ("temperature=-400", ["Temperature", "-400", "not above zero kelvin"]),
        ("temperature=900", ["Temperature", "900", "-73.15 degC to 176.85 degC"]),
        ("v_upper=", ["Upper input", "not a value"]),
        ("x" * 300 + "=1", ["\u2026", "is not a setting"]),
    ],
)
def test_broken_part_of_a_link_is_named_and_the_rest_is_kept(query, parts):
    state = SteerState()
    problems = state.apply_query(query + "&v_lower=33mV")
    assert len(problems) == 1
    assert all(part in problems[0] for part in parts), problems[0]
    assert len(problems[0]) < 300
    assert state.v_lower == 0.033
    assert state.v_upper == 0.02 and state.stage == "cell"


def test_link_too_long_or_with_too_many_parts_is_refused_whole():
    state = SteerState()
    (said,) = state.apply_query("v_upper=1mV&" + "a" * MAX_QUERY)
    assert str(MAX_QUERY) in said and "default" in said
    (said,) = state.apply_query("&".join(f"a{k}=1" for k in range(200)))
    assert "100" in said
    assert state.query() == ""


@pytest.mark.parametrize(
    "text, part",
    [
        ("not [ toml", "not TOML"),
        ("", "no [scene] table"),
        ("scene = 3", "no [scene] table"),
        ('[scene]\npage = "signals"', "page 'signals'"),
        ("x" * (MAX_SIZE + 1), str(MAX_SIZE)),
    ],
)
def test_bad_file_changes_nothing(text, part):
    state = SteerState(v_upper=0.055, stage="crossed")
    before = numbers(state)
    with pytest.raises(QuantityError) as error:
        state.apply_file(text)
    assert part in str(error.value)
    assert numbers(state) == before


def test_file_with_one_bad_part_keeps_the_good_ones():
    state = SteerState()
    problems = state.apply_file('[scene]\nv_upper = "7mV"\nv_lower = "7 kg"\ni_tail = 1e-3\n')
    assert len(problems) == 1 and "7 kg" in problems[0] and "Lower input" in problems[0]
    assert state.v_upper == 0.007 and state.v_lower == 0.02 and state.i_tail == 1e-3


@given(
    st.dictionaries(
        st.text(max_size=8) | st.sampled_from(sorted(SPECS)),
        st.text(max_size=12)
        | st.integers()
        | st.floats()
        | st.none()
        | st.booleans()
        | st.lists(st.integers(), max_size=2),
        max_size=6,
    )
)
def test_any_mapping_is_applied_or_explained(texts):
    state = SteerState()
    problems = state.apply_texts(texts)
    assert all(isinstance(p, str) and p for p in problems)
    state.scene()


def test_reset_restores_every_default():
    state = SteerState(stage="shared", v_upper=0.09, r_load=5e3, hold_scale=True)
    state.reset()
    assert state.query() == ""


@pytest.mark.parametrize("stage, name", [(s, n) for s in PRESETS for n in PRESETS[s]])
def test_every_preset_loads_without_complaint_and_shows_what_it_says(stage, name):
    settings = {"stage": stage, **PRESETS[stage][name]}
    probe = SteerState()
    assert probe.apply_texts(settings) == []
    state = SteerState(stage=stage, v_upper=0.077, r_load=9e3)
    state.apply_preset(name)
    assert numbers(state) == numbers(probe)
    shown = sum((tuple(c) for c in state.controls()), ())
    assert set(PRESETS[stage][name]) <= set(shown)  # a preset sets nothing that is hidden
    out, full = float(state.scene().point.v_out), state.full_scale()
    told = {
        "Balanced pair": out == 0,
        "No tail current, no gain": out == 0,
        "Hard switched": abs(out) > 0.9 * full,
        "Equal tails cancel": abs(out) < 1e-12,
        "Both inputs at zero": abs(out) < 1e-12,
        "Left tail larger": out > 0,
        "Right tail larger, inverted": out < 0,
        "Small signal, same signs": out > 0,
        "Small signal, opposite signs": out < 0,
        "Offset of one pair": out != 0,
        "Lower feedthrough: upper offset": abs(out) > 0.01,
        "Upper feedthrough: lower offset": abs(out) > 0.01,
        "Contributions that oppose": abs(out) < 1e-12,
        "Two equal contributions": out > 0,
        "Load too large for the supply": not all(x.holds for x in state.scene().limits),
    }
    assert told.get(name, True), out


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_shows_only_quantities_that_matter(stage):
    # each control of a stage changes its scene: none does nothing
    assert set(STAGE_CONTROLS) == set(STAGES) == set(PART_CONTROLS) == set(PRESETS)
    base = SteerState(stage=stage, v_second=0.011, v_lower=0.017, offset_left=1e-3)
    for name in (*STAGE_CONTROLS[stage], *COMMON_CONTROLS, *PART_CONTROLS[stage]):
        moved = SteerState(
            **{**numbers(base), name: SPECS[name].slider[0] * 0.3 + SPECS[name].slider[1] * 0.7}
        )
        a, b = base.scene().point, moved.scene().point
        assert any(
            np.any(getattr(a, f) != getattr(b, f)) for f in ("v_out", "v_left", "v_right")
        ), name


@given(states)
def test_scene_is_what_the_core_says(state):
    scene = state.scene()
    s = state.settings()
    expected = {
        "pair": lambda: cell.solve_pair(state.v_upper, state.i_tail, s),
        "shared": lambda: cell.solve_shared_loads(
            state.v_upper, state.v_second, state.i_tail_left, state.i_tail_right, s
        ),
        "crossed": lambda: cell.solve_crossed(
            state.v_upper, state.i_tail_left, state.i_tail_right, s
        ),
        "cell": lambda: cell.solve_cell(state.v_upper, state.v_lower, state.i_tail, s),
    }[state.stage]()
    assert scene.point.v_out == expected.v_out and scene.stage == state.stage
    for name in cell.CellSettings.__dataclass_fields__:
        assert getattr(s, name) == getattr(state, name)
    assert abs(scene.point.v_out) <= state.full_scale() * (1 + 1e-12)


@given(states)
@example(SteerState(stage="crossed", i_tail_left=1e-7, i_tail_right=0.0, v_upper=-0.1))
@example(SteerState(stage="crossed", i_tail_left=1.6e-19, i_tail_right=0.0, v_upper=-0.1))
@example(SteerState(stage="crossed", i_tail_left=0.0, i_tail_right=0.0))
def test_map_passes_through_the_point(state):
    # the map and both sections at the point's own coordinates give the scene's output
    out, scale = float(state.scene().point.v_out), max(state.full_scale(), state.map_scale())
    x, y, z = state.map_grid(7)
    assert z.shape == (7, 7) and np.all(np.abs(z) <= 1 + 1e-12)
    for axis, values in zip(state.map_axes(), (x, y)):
        low, high = state.map_range(axis)
        assert low <= state.map_value(axis) <= high or axis == "tail_difference"
        assert (values[0], values[-1]) == (low, high)
    for axis, values, along in state.sections(9):
        at = state.map_value(axis)
        if axis == "tail_difference":
            total = state.i_tail_left + state.i_tail_right
            one = state.solve(i_tail_left=0.5 * (total + at), i_tail_right=0.5 * (total - at))
            assert float(one.v_out) == pytest.approx(out, abs=1e-9 * scale + 1e-15)
        near = np.interp(at, values, along)
        jump = np.max(np.abs(np.diff(along)))
        assert abs(near - out) <= jump + 1e-9 * scale


@given(states, st.floats(-30, 30), st.floats(-30, 30))
@example(SteerState(v_upper=10.0, v_lower=-9.9), 24.0, -24.0)
@example(SteerState(stage="pair", i_tail=0.1), 0.0, 0.156)
@example(SteerState(stage="crossed", i_tail_left=0.1, i_tail_right=0.1), 0.0, 0.2)
@example(SteerState(stage="crossed", i_tail_left=0.08, i_tail_right=0.1), 0.0, -0.18)
def test_map_point_can_be_dragged_anywhere(state, across, up):
    for x, y in ((across, up), (across / 300, up / 300), (across / 3e4, up / 3e4)):
        total = state.i_tail_left + state.i_tail_right
        state.set_from_map(x, y)
        for axis in state.map_axes():
            low, high = state.map_range(axis)
            assert low <= state.map_value(axis) <= high * (1 + 1e-12)
        if state.stage == "crossed":
            assert state.i_tail_left + state.i_tail_right == pytest.approx(total, rel=1e-12)


def test_map_point_lands_where_it_was_dropped():
    state = SteerState()
    state.set_from_map(0.0314, -0.0427)
    assert (state.v_upper, state.v_lower) == (0.0314, -0.0427)
    state = SteerState(stage="crossed")
    state.set_from_map(0.01, 0.5e-3)
    assert state.i_tail_left == pytest.approx(1.25e-3) and state.v_upper == 0.01
    assert state.i_tail_right == pytest.approx(0.75e-3)


@given(states)
def test_what_only_scales_the_output_leaves_the_picture_of_the_map(state):
    # a change of load or supply changes the scale only, so the picture is not sent again
    other = SteerState(**{**numbers(state), "r_load": 2e3, "v_supply": 20.0})
    assert other.map_grid(6) is state.map_grid(6)


def test_tail_slider_scales_the_map_and_leaves_its_picture():
    one, two = SteerState(), SteerState(i_tail=1e-3)
    assert one.map_grid(9) is two.map_grid(9) and one.map_scale() == 2 * two.map_scale()
    one.r_emitter_lower = two.r_emitter_lower = 100.0
    assert one.map_grid(9) is not two.map_grid(9)
    # with half the tail and twice the resistors every drop is as it was
    two.r_emitter_lower = 200.0
    assert one.map_grid(9) is two.map_grid(9)


@given(states, st.integers(0, 6), st.integers(0, 6))
def test_picture_times_scale_is_what_the_core_says(state, i, j):
    x, y, z = state.map_grid(7)
    left, right = state.i_tail_left, state.i_tail_right
    if state.stage == "crossed":
        total = (left + right) or 1e-6
        at = dict(i_tail_left=0.5 * (total + y[j]), i_tail_right=0.5 * (total - y[j]))
    else:
        at = {state.map_axes()[1]: y[j]}
    if "i_tail_right" in at and not left + right:
        at = dict(i_tail_left=0.0, i_tail_right=0.0)
    want = float(state.solve(v_upper=x[i], **at).v_out)
    assert z[j, i] * state.map_scale() == pytest.approx(want, abs=1e-9 * state.map_scale())


def test_gain_against_tail_is_a_line_through_zero():
    tail, gain = SteerState(stage="pair", v_upper=0.0).gain_against_tail()
    assert gain[0] == 0.0
    np.testing.assert_allclose(gain[1:] / tail[1:], gain[-1] / tail[-1], rtol=1e-12)


@pytest.mark.parametrize("stage", STAGES)
def test_headroom_counts_the_levels_of_the_stage(stage):
    # tail source and one pair, and in the full cell a second level of pairs: 1 V each
    limit = next(x for x in SteerState(stage=stage).scene().limits if x.name == "headroom")
    assert limit.limit == pytest.approx(12.0 - (3.0 if stage == "cell" else 2.0))
