"""Lessons: reading, faults with file and line, proofs, judging, and the lessons themselves."""

import re
import shutil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.core.checks import QuantityError
from forktail.lessons import check as lessons_check
from forktail.lessons import shelf as lessons_shelf
from forktail.lessons.check import check_lesson, check_library, check_text
from forktail.lessons.handout import handout
from forktail.lessons.library import read_library, term_id
from forktail.lessons.markdown import Rendering, live_values
from forktail.lessons.page import LessonPage
from forktail.lessons.quantity import figure
from forktail.lessons.reader import read_lesson
from forktail.lessons.run import (
    Situation,
    draw_of,
    fill,
    judge_choice,
    judge_number,
    start_state,
    task_holds,
)
from forktail.lessons.search import MAX_TRIES, Search
from forktail.lessons.source import Text
from forktail.resources import lessons_dir
from forktail.ui.static_svg import still

LIBRARY = read_library(lessons_dir())
LESSONS = [e.lesson for e in LIBRARY.entries]
IDS = [e.folder for e in LIBRARY.entries]

TOML = """\
id = "try"
title = "A trial"
minutes = 5
goals = ["See"]

[[step]]
id = "ask"
title = "Ask"
start = { stage = "pair", v_upper = "0V", i_tail = "2mA" }
unlock = ["v_upper"]

[[step.draw]]
i_tail = "1mA"

[[step.draw]]
i_tail = "2mA"

[step.predict]
question = "What now?"
change = { v_upper = "20mV" }

[[step.predict.choice]]
text = "More"
when = "i_q1 > before.i_q1"

[[step.predict.choice]]
text = "Less"
when = "i_q1 < before.i_q1"
hint = "The higher base wins."

[[step]]
id = "count"
title = "Count"
start = { stage = "pair", v_upper = "20mV", i_tail = "2mA" }
unlock = ["v_upper"]

[step.predict]
question = "How much?"
change = { v_upper = "= -v_upper" }
number = "v_out"
unit = "mV"
tolerance = "5 %"
hint = "Think of the sign."

[[step.predict.wrong]]
when = "about(answer, -right, 5 %)"
hint = "Turned round."

[[step]]
id = "do"
title = "Do"
start = { stage = "cell", v_upper = "30mV", v_lower = "30mV" }
unlock = ["v_upper", "v_lower"]

[step.task]
goal = "Null it."
condition = "abs(v_out) < 1 mV and abs(v_upper) > 20 mV"
hint = "Which input is left?"
"""
MD = """\
# ask

Text with {i_tail} and {now.i_q1}.

# ask explain

From {before.i_q1} to {i_q1}.

# count

A [pair](glossary:differential-pair).

# count explain

{v_out:+}

# do

Do it.
"""


@pytest.fixture
def folder(tmp_path):
    """Writes a lesson folder: (toml, md) -> path."""

    def write(toml=TOML, md=MD, name="01-try"):
        path = tmp_path / "lessons" / name
        path.mkdir(parents=True, exist_ok=True)
        (path / "lesson.toml").write_text(toml)
        (path / "text.md").write_text(md)
        shutil.copy(lessons_dir() / "glossary.md", path.parent)
        return path

    return write


def faults_of(path, notes=False):
    found = check_library(read_library(path.parent, "lessons"))
    return [f for f in found if notes or not f.note]


def lesson_of(path):
    lesson, faults = read_lesson(path)
    assert faults == []
    return lesson


def test_a_sound_lesson_has_no_fault(folder):
    assert faults_of(folder()) == []


def _replaced(old, new, where="toml"):
    assert old in (TOML if where == "toml" else MD)
    toml, md = (
        (TOML.replace(old, new, 1), MD) if where == "toml" else (TOML, MD.replace(old, new, 1))
    )
    text = TOML if where == "toml" else MD
    return toml, md, text[: text.index(old)].count("\n") + 1


@pytest.mark.parametrize(
    "where, old, new, said",
    [
        ("toml", "minutes = 5", 'minutes = "five"', "whole minutes"),
        ("toml", 'id = "try"', 'id = "Try it"', "small letters"),
        ("toml", 'title = "Ask"', 'titel = "Ask"', "'titel' is not known"),
        ("toml", 'v_upper = "0V", i_tail', 'v_uper = "0V", i_tail', "did you mean 'v_upper'"),
        (
            "toml",
            'v_upper = "20mV" }\n\n[[step.predict.choice',
            'v_upper = "20mA" }\n\n[[step.predict.choice',
            "20mA",
        ),
        ("toml", 'unlock = ["v_upper"]', 'unlock = ["v_lower"]', "this stage does not have"),
        ("toml", 'unlock = ["v_upper"]', 'unlock = ["volume"]', "'volume' is not a setting"),
        ("toml", 'when = "i_q1 > before.i_q1"', 'when = "i_q1 > "', "cannot be read"),
        ("toml", 'when = "i_q1 > before.i_q1"', 'when = "i_q1 > 1 mV"', "a current and a voltage"),
        ("toml", 'when = "i_q1 < before.i_q1"', 'when = "i_q1 > 0"', "2 right choices"),
        ("toml", 'when = "i_q1 > before.i_q1"', 'when = "i_q1 > 1 A"', "has no hint"),
        ("toml", 'when = "i_q1 > before.i_q1"', 'when = "i_q1 > 1 mA"', "with i_tail 1mA"),
        ("toml", 'hint = "The higher base wins."', "", "has no hint"),
        ("toml", 'unit = "mV"', 'unit = "mA"', "'unit' is mA"),
        ("toml", 'unit = "mV"', 'unit = "furlong"', "'furlong' is not known"),
        ("toml", 'tolerance = "5 %"', 'tolerance = "much"', "tolerance 'much'"),
        ("toml", 'tolerance = "5 %"', 'tolerance = "5 mA"', "'tolerance' is a current"),
        ("toml", "about(answer, -right, 5 %)", "about(answer, right, 5 %)", "holds for the right"),
        ("toml", '"= -v_upper"', '"= -i_tail"', "wants a voltage"),
        ("toml", "abs(v_out) < 1 mV and", "abs(v_out) < 9 V and", "met before anything"),
        ("toml", "abs(v_out) < 1 mV and", "abs(v_out) > 9 V and", "no way to meet"),
        ("toml", 'title = "Do"', 'title = "Do"\npage = "kitchen"', "'kitchen' is not a scene"),
        ("toml", 'title = "Do"', 'title = "Do"\nshow = ["oven"]', "'oven' is not a view"),
        ("toml", 'title = "Do"', 'title = "Do"\nrole = "chief"', "'chief' is not known"),
        ("toml", 'id = "do"', 'id = "ask"', "used twice"),
        ("toml", 'goals = ["See"]', 'goals = ["See"', "not TOML"),
        ("md", "{now.i_q1}", "{now.i_q9}", "'now.i_q9' is not a quantity"),
        ("md", "{i_tail}", "{i_tail:wide}", "after the colon you can write"),
        ("md", "glossary:differential-pair", "glossary:flux", "no term 'flux'"),
        ("md", "Do it.", "Do <b>it</b>.", "raw HTML"),
        ("md", "Do it.", "![x](y.png)", "pictures"),
        ("md", "Do it.", "[x](javascript:alert)", "leads nowhere"),
        ("md", "Do it.", "$ a + $", "lacks something"),
        ("md", "Do it.", "[x](lesson:none)", "no lesson has the id 'none'"),
        ("md", "# do", "# does", "belongs to no step"),
        ("md", "# do", "# ask", "appears twice"),
    ],
)
def test_each_fault_is_named_with_its_file_and_line(folder, where, old, new, said):
    toml, md, line = _replaced(old, new, where)
    found = faults_of(folder(toml, md))
    match = [f for f in found if said in f.text + f.remedy]
    assert match, [str(f) for f in found]
    fault = match[0]
    assert fault.file == f"lessons/01-try/{'lesson.toml' if where == 'toml' else 'text.md'}"
    near = {
        "2 right choices",
        "with i_tail 1mA",
        "'unit' is mA",
        "'tolerance' is a current",
        "wants a voltage",
        "this stage does not have",
        "not TOML",
        "'kitchen' is not a scene",
        "no lesson has the id 'none'",
        "has no hint",
    }
    # a fault of a whole question or step stands at its head, all others at their own line
    assert abs(fault.line - line) <= (12 if said in near else 1), (fault.line, line)


def test_missing_files_and_texts(folder):
    path = folder(TOML, "# ask\n\nHello\n")
    assert any("has no text" in f.text for f in faults_of(path))
    (path / "lesson.toml").unlink()
    assert any("cannot be read" in f.text for f in faults_of(path))
    (path / "lesson.toml").write_bytes(b"\xff\xfe")
    assert any("UTF-8" in f.text for f in faults_of(path))


def test_a_lesson_without_the_usual_parts_gets_notes_only(folder):
    notes = [f for f in faults_of(folder(), notes=True) if f.note]
    assert {"breaks", "bench", "recap"} <= {w for f in notes for w in f.text.split()}


@given(st.text(max_size=400))
def test_any_toml_text_gives_faults_never_a_traceback(text):
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "x"
        path.mkdir()
        (path / "lesson.toml").write_text(text, encoding="utf-8", errors="replace", newline="")
        lesson, faults = read_lesson(path)
        assert faults


# ---- judging


def situation(folder, step, draw=None):
    lesson = lesson_of(folder())
    found = lesson.steps[lesson.step(step)]
    return Situation.of(found, draw_of(found, 0) if draw is None else draw)


def test_choices_are_judged_by_the_core(folder):
    asked = situation(folder, "ask")
    assert asked.right_choices() == [0]
    assert judge_choice(asked, 0).right
    wrong = judge_choice(asked, 1)
    assert not wrong.right and wrong.hint.source == "The higher base wins."
    for bad in (2, -1, None, "0", True):
        with pytest.raises(QuantityError):
            judge_choice(asked, bad)


def test_numbers_are_judged_with_unit_and_tolerance(folder):
    asked = situation(folder, "count", {})
    right = asked.right_number().value  # -I R tanh(v/2VT), Gray, Hurst, Lewis, Meyer, ch. 3
    assert right == pytest.approx(-2.0 * 0.3710, rel=2e-3)
    for text in (f"{right!r} V", f"{right * 1e3:.1f} mV", f"\u2212{-right * 1.04 * 1e3:.0f}mV"):
        assert judge_number(asked, text).right, text
    assert judge_number(asked, f"{-right!r} V").hint.source == "Turned round."
    assert judge_number(asked, "1 mV").hint.source == "Think of the sign."
    for text, said in (
        ("-742", "no unit"),
        ("5 mA", "current"),
        ("", "Type a value"),
        ("x" * 99, "too long"),
    ):
        with pytest.raises(QuantityError, match=said):
            judge_number(asked, text)


def test_draws_differ_between_learners_and_stay_for_one(folder):
    step = lesson_of(folder()).steps[0]
    assert draw_of(step, 7) == draw_of(step, 7)
    assert {draw_of(step, n)["i_tail"] for n in range(20)} == {"1mA", "2mA"}


def test_a_search_finds_a_way_that_the_core_confirms(folder):
    lesson = lesson_of(folder())
    step = lesson.steps[2]
    search = Search(step)
    state = start_state(step, {})
    assert not task_holds(step, state)
    assert state.apply_texts({**step.start, **search.found}) == []
    assert task_holds(step, state)
    assert search.tried < MAX_TRIES


# ---- texts


KNOWN = {"v_out": figure(0.25, "V"), "share": figure(68.5, "%")}


def test_raw_html_and_scripts_are_shown_not_run():
    text = Text(
        "<script>alert(1)</script> <img src=x onerror=y> **bold**\n\n<div>x</div>\n\n"
        "[a](javascript:alert(1)) [b](data:text/html,x) ![c](http://other/x.png)"
    )
    html = Rendering(KNOWN).block(text)
    assert re.findall(r"<(?!/?(?:p|strong|a)\b)[^>]*>", html) == []
    assert "javascript" not in "".join(re.findall(r'href="([^"]*)"', html))
    assert "<strong>bold</strong>" in html


@given(st.text(st.characters(codec="utf-8"), max_size=200))
def test_no_text_makes_an_active_element(source):
    html = Rendering(KNOWN).block(Text(source)) + Rendering(KNOWN).line(Text(source))
    tags = {t.lower() for t in re.findall(r"<([A-Za-z][\w-]*)", html)}
    assert not tags & {"script", "img", "iframe", "svg", "style", "object", "form", "input"}
    for attribute in re.findall(r"<[^>]*?\s(on\w+|src)=", html):
        pytest.fail(f"{attribute} in {html}")


def test_figures_of_the_scene():
    assert fill("v_out", KNOWN) == "250\u00a0mV"
    assert fill("v_out:+ 2", KNOWN) == "+250\u00a0mV"
    assert fill("v_out * 2:2", KNOWN) == "500\u00a0mV"
    assert fill("20 mV", KNOWN) == "20\u00a0mV"
    rendering = Rendering(KNOWN)
    html = rendering.block(Text(r"now {now.v_out} then {v_out} and \{v_out}, `{v_out}`"))
    assert html.count("250") == 2 and html.count("{v_out}") == 2
    (key,) = rendering.live
    assert live_values(rendering.live, KNOWN, {"v_out": figure(1, "V")}) == {key: "1.00\u00a0V"}
    assert "data-id" not in Rendering(KNOWN, still=KNOWN).block(Text("{now.v_out}"))


def test_blocks_are_for_the_screen_for_paper_or_wait_for_a_move():
    text = Text(
        "Always.\n\n::: screen\nDrag.\n:::\n\n::: paper\nWrite.\n:::\n\n"
        "::: moved\nNow {v_out}.\n:::\n"
    )
    screen, paper = Rendering(KNOWN).block(text), Rendering(KNOWN, paper=True).block(text)
    assert "Drag" in screen and "Write" not in screen and ":::" not in screen + paper
    assert re.search(r'<div class="moved">\s*<p>Now', screen)
    assert "Write" in paper and "Drag" not in paper and "Now" not in paper and "Always" in paper
    assert check_text(text, {}, KNOWN) == []
    odd = Text("One.\n\n::: later\nTwo.\n:::\n\n::: moved\nThree.", "x.md", 10)
    assert [f.line for f in check_text(odd, {}, KNOWN)] == [12, 14, 16]


def test_links_formulas_and_tables():
    rendering = Rendering({})
    html = rendering.block(
        Text("[t](glossary:tail-current) [l](lesson:one-pair) $ a/b $\n\n| a |\n|---|\n| 1 |\n")
    )
    assert 'href="lessons?read=glossary#tail-current" data-term="tail-current"' in html
    assert 'href="lesson?id=one-pair"' in html and "<mfrac>" in html and "<table>" in html
    assert rendering.terms == {"tail-current"}
    assert term_id("Tail current") == "tail-current"


def test_check_text_finds_the_line():
    text = Text("one\n\ntwo {nope}\n\n`{fine}` <br>", "x.md", 10)
    found = {(f.line, f.text.split(":")[0]) for f in check_text(text, {}, KNOWN)}
    assert found == {(12, "the figure '{nope}'"), (14, "raw HTML is not rendered")}


# ---- the lessons of the app


@pytest.mark.parametrize("entry", LIBRARY.entries, ids=IDS)
def test_every_lesson_is_sound_and_complete(entry):
    """Every prediction has exactly one right answer for every draw, every task a way."""
    assert [str(f) for f in entry.faults] == []
    ids = {x.id for x in LESSONS}
    assert [str(f) for f in check_lesson(entry.lesson, LIBRARY.glossary, ids)] == []
    assert 5 <= entry.lesson.minutes <= 40


def test_the_glossary_and_the_assumptions_are_sound():
    assert [str(f) for f in lessons_check.check_glossary(LIBRARY)] == []
    assert len(LIBRARY.glossary) > 20


@pytest.mark.parametrize("lesson", LESSONS, ids=IDS)
def test_worksheets_hold_no_answer_and_keys_do(lesson):
    text = handout(lesson)
    sheet, key = text.split('<main class="key">')
    assert "data-id" not in text and "<script" not in text
    assert not re.search(r"<[^>]* hidden", text)  # no attribute of drawings: it would show
    assert not re.search(r"(?:src|href)=\"(?:https?:)?//", text.replace("http://www.w3.org", ""))
    assert "{" not in re.sub(r"<style>.*?</style>", "", sheet, flags=re.S)
    asked = sum(1 for s in lesson.steps if s.predict or s.task)
    assert key.count('class="answer"') == asked and 'class="answer"' not in sheet
    for step in lesson.steps:
        if step.predict and not step.predict.choices:
            right = Situation.of(step, draw_of(step, 0)).answer_text()
            assert right in key


@pytest.mark.parametrize("lesson", LESSONS, ids=IDS)
def test_worksheets_speak_of_paper(lesson):
    text = re.sub(r"<style>.*?</style>|<svg.*?</svg>", "", handout(lesson), flags=re.S)
    found = re.findall(r"[^.>]*\b(?:drag|slider|plot|click|covered)\w*[^.<]*", text, flags=re.I)
    assert found == []


def test_a_worksheet_draws_nothing_that_is_covered_on_the_screen():
    lesson = next(x for x in LESSONS if any("waves" in s.cover for s in x.steps))
    sheet, key = handout(lesson).split('<main class="key">')
    covered = sum(1 for s in lesson.steps if "waves" in s.cover)
    shown = sum(1 for s in lesson.steps if "waves" in s.show and (s.predict or s.task)) - covered
    assert sheet.count("schematic waves") == shown
    assert key.count("schematic waves") == shown + covered


def test_a_board_is_drawn_once_wide_enough_to_be_read_and_referred_to():
    for lesson in LESSONS:
        sheet, key = handout(lesson).split('<main class="key">')
        boards = [n for n, s in enumerate(lesson.steps, 1) if s.page == "built"]
        assert sheet.count('class="schematic built"') == bool(boards)
        assert 'class="schematic built"' not in key
        later = [n for n in boards[1:] if lesson.steps[n - 1].predict or lesson.steps[n - 1].task]
        assert sheet.count("The board is drawn in step") == len(later)


def test_pictures_are_still_and_complete():
    made = still(
        '<g><text x="1" data-id="a" class="t"></text><path data-id="b"/></g>',
        {"a": {"#": "5 < 6", "class": None}, "b": {"d": "M0 0"}},
    )
    assert made == '<g><text x="1">5 &lt; 6</text><path d="M0 0"/></g>'


# ---- the page, without a browser


def page_of(lesson, library=LIBRARY, record=None):
    page = LessonPage(lesson, library)
    page.panel.handle({"kind": "hello", "record": record or {}, "seed": "3", "still": True})
    return page


def test_the_answer_is_not_sent_before_it_is_given(folder):
    lesson = lesson_of(folder())
    page = page_of(lesson, read_library(folder().parent))
    assert page.walk.phase == "ask" and "explain" not in page.panel.spec
    assert page.controls.spec["groups"] == [] and page.state.v_upper == 0.0
    page.panel.handle({"kind": "answer", "choice": 1})
    assert not page.panel.spec["verdict"]["right"]
    assert page.panel.spec["verdict"]["hint"] == "The higher base wins."
    assert not page.panel.spec["ask"]["showable"] and page.state.v_upper == 0.0
    page.panel.handle({"kind": "show"})
    assert page.walk.phase == "ask"
    page.panel.handle({"kind": "answer", "choice": 1})
    assert page.panel.spec["ask"]["showable"]
    page.panel.handle({"kind": "show"})
    assert page.walk.phase == "done" and page.state.v_upper == 0.02
    assert page.panel.spec["verdict"]["shown"] and "From" in page.panel.spec["explain"]
    assert page.panel.patch["record"] == {
        "step": "ask",
        "result": "shown",
        "tries": 2,
        "print": lesson.steps[0].print,
    }
    assert page.controls.spec["groups"][0]["rows"][0]["name"] == "v_upper"


def test_a_task_is_watched_and_its_scene_is_kept(folder):
    lesson = lesson_of(folder())
    page = page_of(lesson)
    page.panel.handle({"kind": "go", "at": 2})
    assert page.walk.phase == "task"
    page.state.v_upper = 0.025
    assert page.walk.phase == "task"
    page.state.v_lower = 0.0
    assert page.walk.phase == "met"
    record = dict(page.panel.patch["record"])
    assert record["set"] == {"v_upper": "25mV", "v_lower": "0V"}
    again = page_of(lesson, record={"at": "do", "steps": {record.pop("step"): record}})
    assert again.walk.phase == "met" and again.state.v_upper == 0.025


@pytest.mark.parametrize(
    "record",
    [
        {"at": 5, "steps": []},
        {"at": "do", "steps": {"do": 3}},
        {"steps": {"ask": {"result": []}}},
        {"at": "do", "steps": {"do": {"result": "met", "print": "PRINT", "set": {"v_upper": "x"}}}},
        {"at": "gone", "steps": {"gone": {"result": "right"}}},
        "text",
    ],
)
def test_progress_of_another_time_does_no_harm(folder, record):
    lesson = lesson_of(folder())
    if isinstance(record, dict) and isinstance(record.get("steps"), dict):
        for entry in record["steps"].values():
            if isinstance(entry, dict) and entry.get("print") == "PRINT":
                entry["print"] = lesson.steps[2].print
    page = page_of(lesson, record=record)
    assert page.panel.spec["heading"] in ("Ask", "Do")


@pytest.mark.parametrize("message", [{}, {"choice": 99}, {"choice": "x"}, {"choice": None}])
def test_odd_answers_are_refused_in_words(folder, message):
    page = page_of(lesson_of(folder()))
    page.panel.handle({"kind": "answer", **message})
    assert page.panel.patch["refused"] == "Pick one of the choices first." and page.walk.tries == 0


def test_a_broken_lesson_is_listed_with_its_fault_and_the_others_run(folder, monkeypatch):
    folder()
    path = folder(
        TOML.replace('"try"', '"bad"').replace("before.i_q1", "before.nothing"), MD, "02-bad"
    )
    shelf = lessons_shelf.Shelf()
    monkeypatch.setattr(lessons_shelf, "SHELF", shelf)
    lessons_shelf.use_folder(path.parent)
    shipped = len(read_library(lessons_dir()).entries)
    entries = lessons_shelf.library().entries[shipped:]  # those of the app stay
    assert [e.lesson is not None for e in entries] == [True, False]
    assert "nothing" in entries[1].faults[0].text
    # live: the mended file is read again
    stamp = lessons_shelf.live_stamp()
    (path / "lesson.toml").write_text(TOML.replace('"try"', '"mended"'))
    assert lessons_shelf.live_stamp() != stamp
    assert lessons_shelf.library().lesson("mended") is not None
