"""Readings of a meter at rest: boards solved by other equations, the meter among their parts."""

import json
import xml.etree.ElementTree as xml
from dataclasses import replace

import numpy as np
import pytest

import boards_reference as boards
import network_reference
from forktail.circuits import shipped
from forktail.core.bench.plan import points_of
from forktail.core.built.circuit import single_faults
from forktail.core.capture.compare import found_circuit
from forktail.core.capture.readings import (
    Reading,
    as_plain,
    compare_readings,
    read_readings,
)
from forktail.core.checks import QuantityError
from periodic_reference import Board

MIXER = shipped()["bat-call-mixer"][0]
POINTS = points_of(MIXER)
#: Node -> its name in `network_reference`.
SHORT = {
    "supply": "supply", "level_upper": "lu", "level_lower": "ll", "base_upper_pos": "up",
    "base_upper_neg": "un", "base_lower_pos": "lp", "base_lower_neg": "ln", "left": "left",
    "right": "right", "common_left": "p5", "common_right": "p6", "tail": "tail",
    "tail_base": "b7", "emitter_q7": "e7",
}  # fmt: skip


def read(cause="", seed=1, only=None):
    """Readings of a scattered mixer board with a meter of 10 Mohm, off by up to 0.5 % and 5 mV."""
    rng = np.random.default_rng(seed)
    parts = boards.scattered(boards.parts_of(MIXER), rng)
    if cause:
        parts = boards.broken(parts, cause)
    gain, out = 1.0 + 0.005 * rng.uniform(-1, 1), []
    for name, node, _ in POINTS:
        error = 0.005 * rng.uniform(-1, 1)
        if only is None or name in only:
            board = Board(parts, meter=node)
            volts = float(board.rest()[board.nodes[node]])
            out.append(Reading(name, node, round(gain * volts + error, 3)))
    return tuple(out)


def keys(found):
    return found.causes[0].key, *found.causes[0].alike


@pytest.fixture(scope="module")
def healthy():
    return compare_readings(read(), MIXER)


@pytest.fixture(scope="module")
def faulty():
    return compare_readings(read("factor:r_load_left:0.68"), MIXER, name="board 7")


def test_predictions_are_those_of_independent_equations(healthy):
    wanted, error = network_reference.solve_one(MIXER)
    wanted["supply"] = MIXER.v_supply
    assert error < 1e-12
    for point in healthy.points:
        # a meter of 10 Mohm pulls up to 2 mV
        assert point.predicted == pytest.approx(wanted[SHORT[point.node]], abs=3e-3), point


def test_a_healthy_board_is_as_predicted(healthy):
    assert healthy.healthy and healthy.belief > 0.8
    assert healthy.verdict.startswith("As predicted: the board is within the bands of its")
    assert "of the meter" in healthy.verdict
    assert all(p.inside for p in healthy.points) and len(healthy.points) == 14
    # without a drive no capacitor, and no exchange of like parts, shows at any node
    assert {"C3 open", "C5 open"} <= set(healthy.unseen)


def test_a_load_off_its_value_is_named_with_it(faulty):
    first = faulty.causes[0]
    assert not faulty.healthy and boards.agrees("factor:r_load_left:0.68", first.key)
    assert first.title == "R8 about 1.5 k\u03a9 instead of 2.2 k\u03a9" and first.belief > 0.9
    assert "TP13 (left output: collectors of Q1 and Q3) reads 11." in first.evidence
    assert [p.name for p in faulty.points if not p.inside] == ["TP13"]
    assert found_circuit(faulty, 0).r_load_left == pytest.approx(0.68 * 2200, rel=0.05)


def test_nodes_that_hang_in_the_air_are_held_against_what_the_meter_pulls():
    """With Q7 shorted no transistor conducts; a meter reads leakage and itself."""
    found = compare_readings(read("short:Q7.base-emitter"), MIXER)
    assert found.causes[0].key == "short:Q7.base-emitter" and found.causes[0].belief > 0.9


def test_few_readings_name_the_one_that_tells_next():
    few = ("TP1", "TP3", "TP13", "TP14")
    found = compare_readings(read("factor:r_string_middle:1.5", only=few), MIXER)
    said = keys(found)
    assert any(boards.agrees("factor:r_string_middle:1.5", key) for key in said) and len(said) > 1
    assert found.telling.startswith("Read TP2 (upper tap of the string (R1, R2)) next: ")
    more = compare_readings(read("factor:r_string_middle:1.5", only=(*few, "TP2")), MIXER)
    assert boards.agrees("factor:r_string_middle:1.5", more.causes[0].key)
    assert more.causes[0].belief > 0.9 and not more.causes[0].alike


def test_what_nothing_explains_is_said():
    odd = (Reading("TP1", "supply", 12.0), Reading("TP2", "level_upper", 3.0))
    odd += (Reading("TP3", "level_lower", 5.5), Reading("TP13", "left", 7.0))
    found = compare_readings(odd, MIXER)
    assert not found.healthy and found.other > 0.5 and "none of the causes" in found.verdict


def test_answers_are_plain_and_short(faulty):
    plain = json.loads(json.dumps(as_plain(faulty)))
    assert plain["causes"][0]["belief"] == faulty.causes[0].belief and plain["tried"] > 90
    assert repr(faulty).startswith("<RestComparison: board 7, 14 readings, Not as predicted.")
    tree = xml.fromstring(f"<div>{faulty._repr_html_()}</div>")
    assert tree.findtext("table/caption") == faulty.verdict
    assert len(tree.findall("table/tbody/tr")) == 14


def test_faults_of_the_circuit_are_left_out():
    broken = replace(MIXER, faults=(single_faults(MIXER)[0].key,))
    found = compare_readings(read(only=("TP2", "TP3")), broken)
    assert found.healthy and any("as planned" in w for w in found.warnings)


@pytest.mark.parametrize(
    "text",
    [
        "TP3, 4.62 V\nTP13, 10.7",
        "# board 7\npoint,volts\nTP3,4.62\nTP13,10.7\n",
        "point;U (mV)\r\nTP3;4620\r\nTP13;10700\r\n",
        "\ufeffTP 3;4,62 V\ntp13;10,7 V",
        "level_lower = 4.62\nleft = 10.7  # by hand",
        "TP3\t4620mV\nTP13\t10.7V",
        "TP3: 4.62 V\n\nTP13: 10.7 V",
        '"TP3","4.62"\n"TP13","10.7"',
        "TP3 4.62 V\nLeft 10.7 V",
    ],
)
def test_readings_are_read_as_they_are_written(text):
    found = read_readings(text, MIXER)
    assert [(r.node, r.volts) for r in found] == [("level_lower", 4.62), ("left", 10.7)]


@pytest.mark.parametrize(
    "text, said",
    [
        ("", "holds no reading"),
        ("TP3, 4.62\nTP3, 4.7", "line 2: TP3 was given before, as TP3"),
        ("TP99, 4.62", "line 1: 'TP99' is not a test point of this circuit; it has TP1"),
        ("TP3, 4.6 kohm", "line 1, TP3"),
        ("TP3, 4.62\nTP4, high", "line 2, TP4"),
        ("TP3, 5000 V", "line 1, TP3"),
        ("TP1, 12\njust words", "line 2"),
        ("TP1, 12\nalone", "'alone' is not a reading; write a test point and its voltage"),
        ("x" * 70000, "at most 65536"),
    ],
)
def test_what_is_no_reading_is_said(text, said):
    with pytest.raises(QuantityError) as refused:
        read_readings(text, MIXER, "board.csv")
    assert said in str(refused.value) and str(refused.value).startswith("board.csv")
    assert "\n" not in str(refused.value)


def test_a_balance_without_readings_is_refused():
    with pytest.raises(QuantityError, match="there is no reading to compare"):
        compare_readings((), MIXER)
