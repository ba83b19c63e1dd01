"""Readings of a meter held against a few hypotheses, each worked out again as a normal law."""

import math
from dataclasses import replace
from html import escape

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from forktail.circuits import shipped
from forktail.core.bench.plan import points_of
from forktail.core.built import network, sensitivity
from forktail.core.capture import readings
from forktail.core.capture.boards import Board, Spread, movable
from forktail.core.capture.hypotheses import suspects
from forktail.core.capture.readings import Reading, as_plain, compare_readings, read_readings
from forktail.core.checks import QuantityError
from forktail.core.quantities import format_quantity

MIXER = shipped()["bat-call-mixer"][0]
SPREAD = Spread()
POINTS = {node: (name, where) for name, node, where in points_of(MIXER)}
FEW = ("healthy", "open:Q1.base", "open:c_coupling_upper", "factor:r_load_left",
       "factor:c_coupling_upper", "missing:r_emitter_lower")  # fmt: skip


@pytest.fixture(scope="module")
def every():
    return {s.key: s for s in suspects(MIXER, "generator")}


@pytest.fixture(autouse=True)
def few(monkeypatch, every):
    """Only a few hypotheses, so that a comparison takes a moment."""
    monkeypatch.setattr(readings, "suspects", lambda plan, at: tuple(every[key] for key in FEW))


def nodes_of(board):
    circuit, scale = board.solved
    return sensitivity.slopes_of(circuit, [0.0], [0.0], scale, ()).nodes


def volts(board, only=None):
    """What a meter reads on a board."""
    read, plain = network.readings(board.circuit), network.solve_bias(board.circuit).nodes
    moved = nodes_of(board)
    nodes = [n for n in POINTS if only is None or n in only]
    return {n: float(moved[n][0]) + read[n] - float(plain[n]) for n in nodes}


def read(board, only=None):
    return tuple(Reading(n.upper(), n, v) for n, v in volts(board, only).items())


def slopes(board, names, nodes):
    """Differences of boards that moved a little: node -> slopes over the names."""
    out = {}
    for name in names:
        h = 1e-3 * (20.0 if name == "temperature" else 1.0)
        less, more = (
            nodes_of(Board(board.circuit, (*board.moves, (name, sign * h)))) for sign in (-1, 1)
        )
        out[name] = {n: float(more[n][0] - less[n][0]) / (2 * h) for n in nodes}
    return {n: np.array([out[name][n] for name in names]) for n in nodes}


NAMES = [n for n in movable(MIXER, "generator") if n in sensitivity.quantities(MIXER)]
SIZES = np.array([SPREAD.of(MIXER, n) for n in NAMES])


def test_every_reading_has_a_band_of_boards_and_of_the_meter():
    given = read(Board(MIXER))
    found = compare_readings(given, MIXER, name="board 7")
    own = slopes(Board(MIXER), NAMES, POINTS)
    assert found.healthy and found.belief > 0.8 and found.name == "board 7"
    for point, reading in zip(found.points, given):
        assert (point.node, point.measured) == (reading.node, reading.volts)
        assert (point.name, point.where) == POINTS[point.node]
        assert point.predicted == pytest.approx(reading.volts) and point.inside
        # 0.5 % and 5 mV, spread evenly, and 2 mV of the solution
        meter = math.hypot(0.005 * point.predicted, 0.005) / math.sqrt(3) + 0.002
        doubt = math.hypot(meter, *(own[point.node] * SIZES))
        assert point.high - point.predicted == pytest.approx(2 * doubt, rel=2e-3), point.name
        assert point.predicted - point.low == pytest.approx(2 * doubt, rel=2e-3)
    # without a drive no capacitor shows, open or of another value; parts that moved are not listed
    assert found.unseen == ("C3 open",) and found.tried == len(FEW)
    plain = as_plain(found)
    assert plain["readings"][0] == {
        "point": found.points[0].name, "node": "supply", "where": found.points[0].where,
        "measured": 12.0, "predicted": 12.0, "low": found.points[0].low,
        "high": found.points[0].high, "inside": True,
    }  # fmt: skip
    assert plain["circuit"] == MIXER.title and plain["unseen"] == ["C3 open"]
    assert (plain["verdict"], plain["tried"]) == (found.verdict, len(FEW))


def test_the_evidence_is_the_density_of_the_readings(every):
    """Errors of meter and solution, the gain of the meter, tolerances: one normal law."""
    bare = every["missing:r_emitter_lower"]
    board = Board(bare.circuit)
    given = [replace(r, volts=r.volts + 0.003 * (-1) ** k) for k, r in enumerate(read(board))]
    found = compare_readings(given, MIXER).causes[0].found
    assert found.suspect.key == "missing:r_emitter_lower"
    at = volts(board)
    names = [n for n in NAMES if n in sensitivity.quantities(bare.circuit)]
    sizes = np.array([SPREAD.of(MIXER, n) for n in names])
    own = slopes(board, names, POINTS)
    pulled = {n: network.readings(board.circuit)[n] - network.solve_bias(board.circuit).nodes[n]
              for n in POINTS}  # fmt: skip
    measured = np.array([r.volts for r in given])
    plain = np.hypot(0.005 / math.sqrt(3), 0.002 + 0.001 * np.abs(measured))
    sigma = np.hypot(plain, 0.3 * np.array([float(pulled[n]) for n in POINTS]))
    columns = np.array([own[n] * sizes for n in POINTS])
    values = np.array([at[n] for n in POINTS])
    whole = np.diag(sigma**2) + columns @ columns.T
    whole += np.outer(values, values) * (0.005 / math.sqrt(3)) ** 2
    law = multivariate_normal(np.zeros(len(values)), whole).logpdf(measured - values)
    wanted = law + np.sum(np.log(plain)) + 0.5 * len(values) * math.log(2 * math.pi)
    assert found.outcome.log_evidence == pytest.approx(wanted, abs=0.01)
    assert found.outcome.plain == pytest.approx(at | found.outcome.plain)
    near = {n: found.outcome.values[n] for n in POINTS}
    assert near == pytest.approx(dict(zip(POINTS, measured)), abs=0.02)


@pytest.mark.parametrize("factor", [0.2, 0.68, 8.0])
def test_a_load_is_found_however_far_it_is_off(factor):
    given = read(Board(MIXER, (("r_load_left", math.log(factor)),)))
    found = compare_readings(given, MIXER)
    first = found.causes[0].found
    assert first.suspect.key == "factor:r_load_left" and not found.healthy
    assert first.factor == pytest.approx(factor, rel=0.05) and first.doubt < 0.2
    (point,) = (p for p in found.points if p.node == "left")
    assert not point.inside
    reads, was, planned = (
        format_quantity(v, "V", 4)
        for v in (first.outcome.values["left"], point.measured, point.predicted)
    )
    assert found.causes[0].evidence == (
        f"With it {point.name} ({point.where}) reads {reads}; the meter read {was}, "
        f"and {planned} was planned."
    )


def test_the_next_point_is_the_one_that_tells():
    """A base that is open and a part of another value look alike at the supply; not beyond."""
    only = ("supply", "level_upper", "base_upper_pos")
    broken = Board(replace(MIXER, faults=("open:Q1.base",)))
    found = compare_readings(read(broken, only), MIXER)
    name = found.telling.removeprefix("Read ").partition(" (")[0]
    (node,) = (n for n, (label, _) in POINTS.items() if label == name)
    assert node not in only and f"{name} ({POINTS[node][1]}) next: " in found.telling
    assert f"<p>{escape(found.telling)}</p>" in found._repr_html_()
    apart = volts(broken)[node] - volts(Board(MIXER))[node]
    assert abs(apart) > 0.1  # what it is to tell
    assert compare_readings(read(broken), MIXER).telling == ""  # all was read


def test_readings_anywhere_are_something_else():
    """A quarter of the supply about each prediction: a wide normal law with odds of one in 50."""
    odd = {"supply": 12.0, "level_upper": 3.0, "level_lower": 5.5, "left": 7.0}
    found = compare_readings([Reading(n, n, v) for n, v in odd.items()], MIXER)
    assert not found.healthy and found.other > 0.99
    assert found.verdict.startswith("Not as predicted, and none of the causes tried explains it")


def test_a_point_without_a_name_in_the_plan_is_called_by_its_node():
    given = (Reading("emitter", "emitter_q1", 4.97), Reading("supply", "supply", 12.0))
    found = compare_readings(given, MIXER)
    assert found.points[0].name == "emitter_q1" and found.points[0].where
    assert found.points[1].name == POINTS["supply"][0]


def test_the_most_that_is_read_and_the_heading(monkeypatch):
    for head, factor in (("point, mV", 1e-3), ("point, V", 1.0), ("point, reading", 1.0)):
        (one,) = read_readings(f"{head}\nTP13, 5", MIXER)
        assert one.volts == pytest.approx(5 * factor)
    (own,) = read_readings("point, mV\nTP13, 5 V", MIXER)
    assert own.volts == 5.0  # a unit beside the number counts
    (signed,) = read_readings("point, mV\nTP13, \u22125,5", MIXER)
    assert signed.volts == pytest.approx(-5.5e-3)
    monkeypatch.setattr(readings, "MOST", 2)
    lines = [f"{name}, 1" for name, _ in POINTS.values()]
    assert len(read_readings("\n".join(lines[:2]), MIXER)) == 2
    with pytest.raises(QuantityError, match="holds 3 readings; at most 2"):
        read_readings("\n".join(lines[:3]), MIXER)
    monkeypatch.setattr(readings, "MAX_TEXT", 10)
    assert read_readings("TP13,  4.6", MIXER)
    with pytest.raises(QuantityError, match="has 11 characters"):
        read_readings("TP13,   4.6", MIXER)
