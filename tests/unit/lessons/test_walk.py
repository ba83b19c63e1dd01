"""A learner's way through a lesson: what is covered, what is kept, what is said."""

import pytest

from forktail.core.checks import QuantityError
from forktail.lessons.library import read_library
from forktail.lessons.page import LessonPage
from forktail.lessons.progress import Progress
from forktail.lessons.scenes.kinds import KINDS, kind_of
from forktail.lessons.scenes.views import VIEWS
from forktail.lessons.walk import Walk
from forktail.resources import lessons_dir

LIBRARY = read_library(lessons_dir())
LESSONS = [e.lesson for e in LIBRARY.entries]


def page_of(lesson, at, record=None):
    page = LessonPage(lesson, LIBRARY)
    page.panel.handle({"kind": "hello", "record": record or {}, "seed": "3", "still": True})
    page.panel.handle({"kind": "go", "at": at})
    return page


def first(wanted):
    """The first step of the lessons that fits: (lesson, index)."""
    return next((x, n) for x in LESSONS for n, s in enumerate(x.steps) if wanted(s))


def asks_choice(step):
    return step.predict and step.predict.choices and step.page == "steer" and step.cover


def test_a_curve_that_gives_the_answer_is_not_drawn_before_it_is_given():
    lesson, at = first(asks_choice)
    step = lesson.steps[at]
    page = page_of(lesson, at)
    assert page.panel.spec["covered"] == list(step.cover)
    drawn = []
    page.views["steer"].show = lambda state, names: drawn.append(names)
    page.refresh()
    assert drawn == [tuple(n for n in step.show if n not in step.cover)]
    right = page.walk.situation.right_choices()[0]
    page.panel.handle({"kind": "answer", "choice": right})
    assert page.panel.spec["covered"] == [] and drawn[-1] == step.show


@pytest.mark.parametrize("lesson", LESSONS, ids=[x.id for x in LESSONS])
def test_no_question_stands_beside_what_other_settings_would_give(lesson):
    for step in lesson.steps:
        if step.predict:
            assert set(step.kind.ahead) & set(step.show) <= set(step.cover), step.id


def test_a_wrong_try_outlives_a_page_that_loads_again():
    lesson, at = first(asks_choice)
    page = page_of(lesson, at)
    (right,) = page.walk.situation.right_choices()
    wrong = 0 if right else 1
    page.panel.handle({"kind": "answer", "choice": wrong})
    kept = dict(page.panel.patch["record"])
    assert kept["result"] == "tried" and kept["tries"] == 1
    again = page_of(lesson, at, {"steps": {kept.pop("step"): kept}})
    assert again.walk.phase == "ask" and again.walk.tries == 1
    assert again.panel.spec["ask"]["picked"] == wrong
    assert again.panel.spec["verdict"]["hint"]


def test_the_controls_of_an_open_task_outlive_a_page_that_loads_again():
    lesson = next(x for x in LESSONS if x.id == "one-pair")
    at = lesson.step("three-quarters")
    walk = page_of(lesson, at).walk
    walk.state.v_upper = 12e-3
    walk.keep()
    (news,) = walk.progress.take_news()
    assert (news["result"], news["set"]) == ("open", {"v_upper": "12mV"})
    walk.hint()
    (news,) = walk.progress.take_news()
    again = page_of(lesson, at, {"steps": {news.pop("step"): news}}).walk
    assert again.phase == "task" and again.hinted and again.state.v_upper == 12e-3
    again.state.apply_texts(again.home())  # Reset still leads to the start
    assert again.state.v_upper == 0.0
    again.state.v_upper = 28.2e-3
    again.meet()
    again.keep()  # met: nothing is kept over it
    assert again.progress.of(again.step)["result"] == "met"


def test_what_a_browser_kept_is_never_trusted():
    lesson, at = first(asks_choice)
    step = lesson.steps[at]
    for odd in (None, [], 99, "x", {"a": 1}):
        entry = {"result": "tried", "tries": odd, "answer": odd, "print": step.print}
        assert page_of(lesson, at, {"steps": {step.id: entry}}).walk.phase == "ask"
    assert Progress({"steps": {step.id: {**entry, "result": "gold"}}}).of(step) == {}


def test_a_better_result_is_never_written_over():
    step = LESSONS[0].steps[1]
    progress = Progress()
    progress.note(step, "tried", 1)
    progress.note(step, "right", 2)
    progress.note(step, "shown", 3)
    assert [n["result"] for n in progress.take_news()] == ["tried", "right"]
    assert progress.of(step)["result"] == "right" and progress.take_news() == []


def test_moving_something_is_told_once():
    lesson, at = first(lambda s: not s.predict and not s.task and "v_upper" in s.unlock)
    page = page_of(lesson, at)
    assert page.panel.spec["moved"] is False
    page.state.v_upper = 0.0123
    assert page.panel.patch["moved"] is True
    page.panel.patch = {}
    page.state.v_upper = 0.0124
    assert "moved" not in page.panel.patch


def test_the_announced_move_is_not_a_move_of_the_learner():
    lesson, at = first(asks_choice)
    page = page_of(lesson, at)
    page.panel.handle({"kind": "answer", "choice": page.walk.situation.right_choices()[0]})
    assert page.walk.phase == "done" and page.panel.spec["moved"] is False


def test_an_answer_that_cannot_be_read_costs_no_try():
    lesson, at = first(lambda s: s.predict and not s.predict.choices)
    walk = Walk(lesson)
    walk.enter(at)
    with pytest.raises(QuantityError):
        walk.reply("a lot")
    assert walk.tries == 0 and walk.progress.take_news() == []


@pytest.mark.parametrize(
    "kind, name, setting",
    [
        ("steer", "map", "v_upper"),
        ("signals", "inputs", "cursor"),
        ("signals", "map", "cursor"),
        ("built", "over_upper", "v_upper"),
        ("built", "over_lower", "v_lower"),
    ],
)
def test_a_drag_on_a_plot_of_a_lesson_reaches_its_setting(kind, name, setting):
    """A plot reports itself by the name of its root, which is not that of its view."""
    views, state = VIEWS[kind](KINDS[kind].views), kind_of(kind).make_state()
    views.show(state, KINDS[kind].views)
    message = {"view": views.views[name].figure.name, "x": 7.0, "y": 3.0}
    assert setting in views.drag(state, message)
    assert views.drag(state, {**message, "view": "elsewhere"}) == {}
