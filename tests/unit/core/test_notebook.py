"""What answers show of themselves: one short line, or a small table without markup of others."""

import dataclasses
import xml.etree.ElementTree as xml
from html import escape

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.core.built.circuit import Circuit
from forktail.core.built.network import solve_bias, solve_built
from forktail.core.capture.read import read_capture
from forktail.core.cell.law import solve_cell
from forktail.core.notebook import as_call, brief, counted, span, table
from forktail.core.quantities import format_quantity, parse_quantity
from forktail.core.uses import run_use
from forktail.core.uses.signals import run_signals
from forktail.core.waves.drives import Drive
from helpers import VT_25


@pytest.mark.parametrize(
    "values, unit, said",
    [
        (0.0123, "V", "12.3 mV"),
        ([1e-3, -2e-3], "A", "\u22122.00 mA to 1.00 mA"),
        ([0.5, 0.5], "", "0.500"),
        ([np.nan, 2200.0], "ohm", "2.20 k\u03a9"),
        ([np.nan], "V", "no answer"),
        ([], "V", "nothing"),
        (298.15, "K", "25.0 \u00b0C"),
    ],
)
def test_span(values, unit, said):
    assert span(values, unit) == said


@given(st.lists(st.floats(-10, 10, allow_subnormal=False), min_size=1, max_size=20))
def test_a_span_holds_every_value(values):
    ends = [parse_quantity(end, "V") for end in span(values, "V", digits=9).split(" to ")]
    assert ends[0] - 1e-8 <= min(values) and max(values) <= ends[-1] + 1e-8


def test_counted_and_brief():
    assert (counted(1, "point"), counted(0, "point")) == ("1 point", "0 points")
    assert brief(Circuit(), "six", "", "seven") == "<Circuit: six, seven>"


@given(st.text(), st.text())
def test_a_table_is_well_formed_whatever_its_texts(title, text):
    printed = "".join(c for c in title + text if c.isprintable())  # what XML can carry
    tree = xml.fromstring(
        f"<div>{table(printed, [(printed, printed)], ('a', 'b'), [printed])}</div>"
    )
    assert tree.findtext("table/caption") == printed
    assert [cell.text or "" for cell in tree.findall("table/tbody/tr/*")] == [printed] * 2
    assert (tree.findtext("p") or "") == printed


def cells(answer):
    """Rows of the table that an answer shows in a notebook: {name: (what it is, value)}."""
    tree = xml.fromstring(f"<div>{answer._repr_html_()}</div>")
    rows = [["".join(cell.itertext()) for cell in row] for row in tree.findall("table/tbody/tr")]
    return {row[0]: tuple(row[1:]) for row in rows}


def heads(answer):
    """Headings of the columns of that table."""
    tree = xml.fromstring(f"<div>{answer._repr_html_()}</div>")
    return ["".join(cell.itertext()) for cell in tree.findall("table/thead/tr/th")]


def test_a_circuit_is_told_by_what_is_not_as_usual():
    assert repr(Circuit()) == "Circuit()"
    board = Circuit(r_load_left=3300, tail_kind="resistor", faults="open:r_load_left")
    assert eval(repr(board), {"Circuit": Circuit}) == board
    assert as_call(board) == repr(board)
    assert repr(board).count("=") == 3


def test_a_drive_is_told_by_what_is_not_as_usual():
    drive = Drive("call", amplitude=0.02, frequency=80e3)
    assert repr(drive) == "Drive(kind='call', amplitude=0.02, frequency=80000.0)"


def test_a_circuit_shows_the_parts_that_it_has():
    board = Circuit(
        title="<b>", tail_kind="resistor", faults="open:r_load_left", upper_mode="balanced"
    )
    rows = cells(board)
    assert rows["r_load_right"] == ("Right load", "2.20 k\u03a9")
    assert rows["temperature"][1] == "25.0 \u00b0C"
    assert rows["tail_kind"][1] == "resistor" and "r_tail" in rows
    assert not {"i_tail", "r_tail_emitter", "c_ground_upper"} & set(rows)
    shown = board._repr_html_()
    assert "<b>" not in shown and "&lt;b&gt;" in shown
    assert shown.endswith("<p>The left load resistor is open.</p>")


def test_many_points_stay_one_line_and_a_small_table():
    point = solve_cell(np.linspace(-0.05, 0.05, 4096), 0.02, 2e-3)
    most = 2.0 * np.tanh(0.05 / (2 * VT_25)) * np.tanh(0.02 / (2 * VT_25))
    ends = f"\u2212{1e3 * most:.0f} mV to {1e3 * most:.0f} mV"
    assert repr(point) == f"<OperatingPoint: textbook, 4096 points, v_out {ends}>"
    assert len(point._repr_html_()) < 4000
    rows = cells(point)
    assert rows["v_upper"] == ("upper input", "\u221250.0 mV to 50.0 mV")
    assert rows["i_tail"][-1] == "2.00 mA"
    assert rows["temperature"][-1] == "25.0 \u00b0C"
    what = {n: r[0] for n, r in rows.items() if r[0]}
    assert what == {
        "v_upper": "upper input", "v_lower": "lower input", "i_tail": "tail current",
        "v_left": "left output", "v_right": "right output", "v_out": "output: right less left",
        "gain_upper": "slope of v_out over v_upper", "temperature": "temperature",
        "gain_lower": "slope of v_out over v_lower",
    }  # fmt: skip
    assert heads(point) == ["name", "what it is", "value"]
    units = dict.fromkeys(("v_upper", "v_lower", "v_left", "v_right", "v_out"), "V")
    units |= {"i_tail": "A", "gain_upper": "", "gain_lower": "", "temperature": "K"}
    assert set(rows) == {*units, *(f"Q{k}" for k in range(1, 7))}
    for name, unit in units.items():
        assert rows[name][-1] == span(getattr(point, name), unit) and rows[name][0], name
    currents = np.concatenate([point.i_upper, point.i_lower], axis=-1)
    for k in range(6):
        assert rows[f"Q{k + 1}"][-1] == span(currents[:, k], "A")


def test_a_built_point_shows_every_node_and_region():
    point = solve_bias(Circuit())
    assert repr(point).startswith("<OperatingPoint: built, 1 point, v_out ")
    rows = cells(point)
    assert rows["Q7"][0] == "active"
    for node, volts in point.nodes.items():
        assert rows[f"nodes['{node}']"] == (node.replace("_", " "), span(volts, "V"))
    two = solve_built(Circuit(r_load_left=12e3, r_load_right=12e3), [0.0, 0.1], [0.0, -0.1])
    assert sorted(set(two.regions["Q1"])) == ["active", "saturated"]
    assert cells(two)["Q1"][0] == "active, saturated"
    assert two.warnings and all(f"<p>{w}</p>" in two._repr_html_() for w in two.warnings)
    assert rows["Q1"][-1] == span(point.i_upper[..., 0], "A")


def test_samples_without_a_solution_are_counted():
    point = solve_built(Circuit(), np.array([0.0, 0.01]))
    lost = type(point)(**{**vars(point), "converged": np.array([True, False])})
    assert "1 point without a solution" in lost._repr_html_()


def test_a_signal_run_shows_its_drives_strongest_lines_and_figures():
    board = Circuit(title="<script>")
    run = run_signals(Drive(amplitude=0.04, frequency=43e3), Drive(frequency=45e3), board)
    said = repr(run)
    assert said.startswith("<SignalRun: Drive(amplitude=0.04, frequency=43000.0) by Drive(), built")
    assert len(said) < 200
    rows = cells(run)
    assert rows["upper"][0] == "Sine, 40.0 mV peak at 43.0 kHz"
    difference = next(line for line in run.spectrum.lines if line.origin == "difference")
    assert rows[difference.label] == ("line at 2.000 kHz", format_quantity(difference.peak, "V"))
    for merit in run.merits:
        assert rows[merit.key] == (merit.name, merit.reading)
    assert "<script" not in run._repr_html_()


def test_a_run_without_a_spectrum_is_shown_too():
    run = run_signals(Drive(), Drive("dc"))
    assert "spectrum" not in repr(run)
    lost = dataclasses.replace(run, spectrum=None, merits=())
    assert repr(lost) and set(cells(lost)) == {"upper", "lower"}


def test_a_use_shows_its_figures_beside_the_textbook():
    result = run_use("mixer", solve=Circuit(), detail=False)
    assert repr(result).startswith("<UseResult: mixer, built, ") and len(repr(result)) < 200
    rows = cells(result)
    for merit in result.merits:
        holds = "yes" if merit.holds else "no"
        assert rows[merit.key] == (merit.name, merit.reading, merit.relation_reading, holds)
    assert f"<p>{escape(result.sentence)}</p>" in result._repr_html_()


def test_a_capture_shows_its_channels():
    text = "time,<b>,out\nus,mV,V\n" + "".join(f"{k},{k % 5},0.5\n" for k in range(20))
    capture = read_capture(text, "<i>board", {"time": 0, "v_upper": 1, "v_out": 2})
    assert repr(capture) == "<Capture: <i>board, 20 samples over 19.0 \u00b5s, v_out, v_upper>"
    assert cells(capture) == {"v_out": ("500 mV",), "v_upper": ("0 V to 4.00 mV",)}
    assert "<i>" not in capture._repr_html_()
