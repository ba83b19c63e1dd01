"""Questions and scenes for the room: right answers come from the core, for every lesson too."""

from urllib.parse import parse_qsl

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.classroom.code import address_code
from forktail.classroom.lessons import lesson_question, lesson_questions, lesson_scenes, plain
from forktail.classroom.scenes import (
    GROWS,
    KINDS,
    PLAIN,
    SHRINKS,
    SIGNED,
    STAYS,
    TURNS,
    askable,
    question,
    scene_sets,
    verdict,
)
from forktail.core.checks import QuantityError
from forktail.lessons import shelf as lessons_shelf
from forktail.lessons.quantity import figure


@pytest.mark.parametrize(
    "query, name, text, right",
    [
        ("", "i_tail", "4mA", GROWS),
        ("", "i_tail", "1mA", SHRINKS),
        ("v_lower=-20mV", "i_tail", "4mA", GROWS),  # grows in size though the value falls
        ("", "v_lower", "-20mV", TURNS),
        ("", "v_lower", "0V", SHRINKS),
        ("v_lower=0V", "v_lower", "10mV", GROWS),
        ("", "v_supply", "15V", STAYS),
        ("", "temperature", "100degC", SHRINKS),
        ("stage=crossed&i_tail_left=1.5mA&i_tail_right=0.5mA", "i_tail_right", "2mA", TURNS),
    ],
)
def test_what_happens_to_the_output_follows_from_the_law_of_the_cell(query, name, text, right):
    """v_out = i_tail r_load tanh(v_upper/2VT) tanh(v_lower/2VT), Gray, Hurst, Lewis, Meyer,
    Analysis and Design of Analog Integrated Circuits, ch. 10: it grows with the tail, turns with
    an input and shrinks as VT rises."""
    put = question("", query, "v_out", name, text)
    assert put["right"] == right and tuple(put["choices"]) == SIGNED


def test_the_change_restores_the_scene_after_it():
    put = question("", "v_upper=15mV", "v_out", "i_tail", "4 mA", hide=False)
    assert dict(parse_qsl(put["after"]["query"])) == {"v_upper": "15mV", "i_tail": "4mA"}
    assert "from 2.00 mA to 4.00 mA" in put["text"] and not put["hide"]


@given(st.floats(-1, 1, allow_nan=False), st.floats(-1, 1, allow_nan=False))
def test_verdict_is_fair_to_both_directions(a, b):
    turned = {GROWS: SHRINKS, SHRINKS: GROWS, STAYS: STAYS, TURNS: TURNS}
    assert verdict(b, a) == turned[verdict(a, b)]
    assert verdict(-a, -b) == verdict(a, b)


def test_levels_rise_and_fall_instead_of_changing_sign():
    made = {}
    for path in ("signals", "uses"):
        offer = askable(path, "")
        assert offer["quantities"] and offer["outputs"]
        for output, _ in offer["outputs"]:
            name = next(n for n, label, _ in offer["quantities"] if "amplitude" in n)
            made[output] = question(path, "", output, name, "7mV")
    assert tuple(made["carrier_suppression"]["choices"]) == PLAIN
    assert tuple(made["sideband"]["choices"]) == SIGNED


def test_build_is_asked_about_by_its_parts_and_nodes():
    """With ideal current sources the output follows the loads (textbook: Gray et al., ch. 10)."""
    offer = askable("build", "")
    names, outputs = {n for n, *_ in offer["quantities"]}, {n for n, _ in offer["outputs"]}
    assert {"v_upper", "v_lower", "r_load_left", "v_supply", "temperature"} <= names
    assert {"v_out", "gain_upper", "i_tail", "i5", "left", "base_lower_pos"} <= outputs
    put = question("build", "v_upper=10mV&v_lower=10mV", "v_out", "v_lower", "-10mV")
    assert put["right"] == TURNS and dict(parse_qsl(put["after"]["query"]))["v_lower"] == "-10mV"
    put = question("build", "", "i_tail", "r_tail_emitter", "2k")
    assert put["right"] == SHRINKS and put["why"].startswith("The tail current goes from")
    assert "r_tail_emitter=2kohm" in put["after"]["query"]


@pytest.mark.parametrize(
    "arguments, said",
    [
        (("", "", "v_out", "i_tail", "2mA"), "already"),
        (("", "", "v_out", "i_tail", "much"), "much"),
        (("", "", "v_out", "i_tail", "5V"), "A"),
        (("", "", "v_out", "stage", "pair"), "Choose the quantity"),
        (("", "", "nothing", "i_tail", "1mA"), "Choose what is asked"),
        (("compare", "", "v_out", "i_tail", "1mA"), "Steer, Signals, Uses and Build"),
        (("build", "", "v_out", "title", "x"), "Choose the quantity"),
        (("build", "", "v_out", "r_load_left", "2.2k"), "already"),
        (("build", "", "v_out", "r_load_left", "-1k"), "out of range"),
        (("", "v_uper=5mV", "v_out", "i_tail", "1mA"), "did you mean"),
    ],
)
def test_what_cannot_be_asked_is_answered_with_a_sentence(arguments, said):
    with pytest.raises(QuantityError, match=said):
        question(*arguments)


def test_every_prepared_scene_can_be_shown():
    for made in scene_sets():
        assert made["title"] and made["scenes"]
        for scene in made["scenes"]:
            assert KINDS[scene["path"]].make().apply_query(scene["query"]) == []


def test_steps_of_every_lesson_can_be_stepped_through():
    lists = lesson_scenes()
    assert lists
    for made in lists:
        for scene in made["scenes"]:
            wanted = dict(parse_qsl(scene["query"]))
            lesson = lessons_shelf.library().lesson(wanted["id"])
            assert scene["path"] == "lesson" and lesson.step(wanted["step"]) is not None


def test_every_question_of_the_lessons_can_be_put_to_a_class():
    questions = lesson_questions()
    assert questions
    for lesson, step, title in questions:
        put = lesson_question(lesson, step)
        assert 2 <= len(put["choices"]) <= 6 and put["right"] in range(len(put["choices"]))
        for text in (put["text"], *put["choices"]):
            assert text and not set("{}*`[]") & set(text), (title, text)
        assert KINDS[put["start"]["path"]].make().apply_query(put["start"]["query"]) == []


def test_lesson_that_does_not_exist_is_refused():
    with pytest.raises(QuantityError, match="no question"):
        lesson_question("nowhere", "now")


def test_plain_text_of_lesson_markdown():
    known = {"v_out": figure(0.02, "V")}
    assert (
        plain("The *[tail](glossary:tail)* gives {v_out} and {20 mV}.", known).replace(
            "\u00a0", " "
        )
        == "The tail gives 20.0 mV and 20 mV."
    )


def test_code_of_an_address_is_an_svg_that_names_nothing_else():
    svg = address_code("http://192.168.1.20:5006/join")
    assert svg.startswith("<svg") and "script" not in svg and svg.count("http") == 1


@pytest.mark.parametrize(
    "address",
    [
        "",
        "javascript:alert(1)",
        "http://a b/",
        "ftp://x/",
        'http://x/"><script>',
        "http://" + "x" * 300,
    ],
)
def test_what_is_no_address_is_not_drawn(address):
    with pytest.raises(QuantityError):
        address_code(address)
