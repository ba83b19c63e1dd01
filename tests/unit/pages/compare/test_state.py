"""State of the Compare page: columns, links from the Build page, questions, long work apart."""

from dataclasses import replace
from html import escape

import numpy as np
import pytest

from forktail.core.capture.read import read_table
from forktail.core.checks import QuantityError
from forktail.pages.build.state import BuildState, shipped
from forktail.pages.compare.meter import MeterAnswer
from forktail.pages.compare.page import ComparePage
from forktail.pages.compare.plots import overlay_csv, stretch
from forktail.pages.compare.state import CompareState, answer, example_bytes, read_job, readings_job
from forktail.pages.compare.words import VerdictView, table, table_csv
from forktail.ui.jobs import run_apart


@pytest.fixture(scope="module")
def example_table():
    return read_table(example_bytes(), "example")


@pytest.fixture
def state(example_table):
    out = CompareState()
    out.take(example_table)
    return out


@pytest.fixture(scope="module")
def comparison(example_table):
    out = CompareState()
    out.take(example_table)
    return answer(example_table, out.question())[0]


def test_guess_fills_the_columns(state):
    assert [
        getattr(state, f"column_{c}") for c in ("time", "upper", "lower", "left", "right", "out")
    ] == ["1", "2", "3", "4", "5", "none"]
    assert [title for _, title in state.param.column_upper.spec.choices] == [
        "none",
        "1: time (s)",
        "2: upper (V)",
        "3: lower (V)",
        "4: left (V)",
        "5: right (V)",
    ]
    assert dict(state.question().roles) == {
        "time": 0,
        "v_upper": 1,
        "v_lower": 2,
        "v_left": 3,
        "v_right": 4,
    }
    assert state.question().upper is None and state.question().lower is None


def test_a_missing_input_asks_for_its_drive(state):
    state.column_upper = "none"
    assert state.missing() == ["upper"]
    assert state.question().upper == (state.peak_upper, state.frequency_upper)
    assert state.question().lower is None


def test_probes_become_factors(state):
    state.param.update(probe_upper="times 10", probe_out="inverted")
    assert dict(state.question().factors) == {
        "v_upper": 10.0,
        "v_lower": 1.0,
        "v_left": -1.0,
        "v_right": -1.0,
    }


def test_counted_rows_stand_for_time():
    text = "sample,upper,lower,out\n" + "\n".join(
        f"{k},{0.01 * (k % 7):.3f},{0.01 * (k % 5):.3f},{0.001 * k:.4f}" for k in range(40)
    )
    state = CompareState()
    state.take(read_table(text, "counted"))
    assert state.column_time == "1" and "index" in dict(state.question().roles)


def test_link_of_the_build_page_is_understood():
    build = BuildState()
    build.apply_texts({"circuit": "volume-cell"})
    build.edit("r_load_left", "3k")
    build.param.update(tab="faults", seed=7, v_upper=0.01)
    state = CompareState()
    assert state.apply_query(build.query()) == []
    assert state.shipped == "volume-cell" and state.circuit == build.circuit
    back = BuildState()
    assert back.apply_query(state.build_query()) == []
    assert back.circuit == build.circuit


def test_link_round_trip(state):
    state.param.update(
        no_mean=False,
        probe_upper="divided by 10",
        start=20.0,
        span=30.0,
        example=True,
        probed="generator",
    )
    state.choose_shipped("beacon-modulator")
    other = CompareState()
    assert other.apply_query(state.query()) == []
    for name in (
        "no_mean",
        "probe_upper",
        "start",
        "span",
        "example",
        "shipped",
        "circuit",
        "probed",
    ):
        assert getattr(other, name) == getattr(state, name)


@pytest.mark.parametrize(
    "query, words",
    [
        ("span=500%25", "out of range"),
        ("probe_upper=11", "Upper input is"),
        ("colour=1", "colour"),
        ("r_load_left=-3", "Left load"),
        ("circuit=none", "not shipped"),
    ],
)
def test_what_a_link_has_wrong_is_said(query, words):
    problems = CompareState().apply_query(query)
    assert len(problems) == 1 and words in problems[0]


def test_file_round_trip_keeps_the_capture(state):
    state.circuit = shipped()["volume-cell"][0]
    text = state.to_file()
    other = CompareState()
    other.take(state.table)
    assert other.apply_file(text) == []
    assert other.circuit == state.circuit and other.table is state.table


def test_bad_file_changes_nothing(state):
    before = state.circuit
    with pytest.raises(QuantityError, match="line 2"):
        state.apply_file("[loads]\nleft = '5 V'\n")
    assert state.circuit == before and state.column_left == "4"


def test_reset_gives_the_guess_back(state):
    state.param.update(column_left="none", no_mean=False, span=10.0, probed="generator")
    state.reset()
    assert (state.column_left, state.no_mean, state.span) == ("4", True, 100.0)
    assert state.probed == "capture"


def test_means_are_taken_off_inputs_with_bias(state, example_table, comparison):
    """A scope on DC shows the base line's own 5.6 V; what the drive does is the same."""
    raised = example_table.data.copy()
    raised[:, 1] += 5.6
    found, _ = answer(replace(example_table, data=raised), state.question())
    assert found.v_upper == pytest.approx(comparison.v_upper, abs=1e-6, nan_ok=True)
    state.param.update(column_left="none", column_right="none")
    with pytest.raises(QuantityError, match="no column is the output"):
        answer(example_table, state.question())


def test_a_drive_switched_off_is_one_drive_alone(state):
    state.param.update(column_lower="none", peak_lower=0.0)
    assert state.question().lower == (0.0, state.frequency_lower)


def test_the_board_as_found_goes_to_build_and_into_a_file(state, comparison):
    """The example board has 1.5 kohm for its right load of 2.2 kohm."""
    build = BuildState()
    assert build.apply_query(state.found_query(comparison, 0)) == []
    assert build.circuit.r_load_right == pytest.approx(1500, rel=0.02)
    assert replace(build.circuit, r_load_right=2200.0) == state.circuit
    loaded = BuildState()
    assert loaded.apply_file(state.found_file(comparison, 0)) == []
    assert loaded.circuit.r_load_right == build.circuit.r_load_right
    assert loaded.circuit.title == "Bat-call mixer, board as found"
    assert "As found from example: R9 about 1.5" in loaded.circuit.note


def test_readings_of_a_meter_are_kept_and_compared(state):
    """12 V less 0.59 mA through 1.5 k instead of 2.2 k at the left output."""
    state.set_reading("TP13", "11,11")
    state.set_reading("TP1", "12 V")
    state.set_reading("TP14", "10.7")
    state.set_reading("TP3", "99")
    state.set_reading("TP3", " ")
    with pytest.raises(QuantityError, match="TP5: 'x' is not a value"):
        state.set_reading("TP5", "x")
    assert state.readings == "TP1=12 TP13=11.11 TP14=10.7"
    assert state.read() == {"TP1": "12 V", "TP13": "11.11 V", "TP14": "10.7 V"}
    other = CompareState()
    assert other.apply_query(state.query()) == [] and other.readings == state.readings
    found = readings_job(state.circuit, state.readings, lambda *part: None)
    assert found.causes[0].key.startswith("factor:r_load_left:0.6")
    build = BuildState()
    assert build.apply_query(state.found_query(found, 0)) == []
    assert build.circuit.r_load_left == pytest.approx(1500, rel=0.05)
    view = MeterAnswer()
    view.show(found, [("build?a=1&b", "file")] * len(found.causes))
    assert "build?a=1&amp;b" in view.markup and view.markup.count('class="out"') == 1
    odd = CompareState()
    assert odd.apply_query("readings=TP1%3Done") == [] and odd.read() == {"TP1": "one"}
    with pytest.raises(QuantityError, match="line 1, TP1"):
        readings_job(odd.circuit, odd.readings, lambda *part: None)


def test_cancelled_before_any_answer_nothing_stays_open(example_table):
    page = ComparePage()
    page.state.take(example_table)
    page.drop.handle({"kind": "cancel"})
    assert page.drop.patch["text"] == "Cancelled." and page.drop.patch["share"] is None


def test_table_says_each_figure_once_and_csv_is_plain(comparison):
    rows = table(comparison)
    names = [r[0] for r in rows]
    assert len(set(names)) == len(names) and names[0] == "Product over both inputs"
    assert [r[4] for r in rows if r[4]] == ["outside"] + ["inside"] * 5
    lines = table_csv(comparison).splitlines()
    assert len(lines) == len(rows) + 1
    assert lines[0] == "quantity,measured,predicted,low,high,unit"
    assert "nan" not in table_csv(comparison)
    samples = np.genfromtxt(overlay_csv(comparison).splitlines(), delimiter=",", names=True)
    assert samples["captured_V"] == pytest.approx(comparison.measured, abs=1e-9)


def test_the_verdict_shows_each_cause_and_its_board(state, comparison):
    view = VerdictView()
    link = f"build?{state.found_query(comparison, 0)}"
    boards = [(link, state.found_file(comparison, 0))]
    view.show(comparison, ("a < b",), boards, 0)
    said = view.markup
    assert escape(comparison.causes[0].title) in said.replace("\u00a0", " ")
    assert 'value="0" checked' in said and 'value="-1">' in said
    assert escape(link) in said and "a &lt; b" in said


@pytest.mark.parametrize(
    "start, span, wanted",
    [
        (0.0, 100.0, (0, 1000)),
        (50.0, 10.0, (500, 600)),
        (99.0, 100.0, (990, 1000)),
        (99.0, 0.1, (990, 992)),
    ],
)
def test_stretch_of_time(start, span, wanted):
    cut = stretch(np.arange(1000), start, span)
    assert (cut.start, cut.stop) == wanted


def test_work_apart_answers_tells_and_refuses():
    heard = []
    found = run_apart(read_job, example_bytes(), "example", progress=lambda *p: heard.append(p))
    assert found.data.shape == (3000, 5) and heard == [(0.1, "reading example")]
    with pytest.raises(QuantityError, match="row 1, column 1: the file is empty"):
        run_apart(read_job, b"", "nothing")


def test_work_nobody_waits_for_is_ended():
    assert run_apart(read_job, example_bytes(), "example", stale=lambda: True) is None
    with pytest.raises(QuantityError, match="given up"):
        run_apart(read_job, example_bytes(), "example", longest=0.0)
