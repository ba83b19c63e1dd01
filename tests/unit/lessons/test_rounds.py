"""The final check and the review: questions of all lessons, with new values each time."""

import random

import pytest

from forktail.core.quantities import parse_quantity
from forktail.lessons import rounds
from forktail.lessons.check import check_step
from forktail.lessons.library import read_library
from forktail.lessons.listing import listing, lost
from forktail.lessons.page import LessonPage
from forktail.resources import lessons_dir

LIBRARY = read_library(lessons_dir())


def step_of(name):
    lesson, _, step = name.partition(".")
    found = LIBRARY.lesson(lesson)
    return found.steps[found.step(step)]


@pytest.fixture(scope="module")
def checks():
    return [rounds.final_check(LIBRARY, seed) for seed in ("1", "2")]


def test_a_check_asks_twelve_questions_of_as_many_lessons_and_each_has_one_answer(checks):
    for check in checks:
        asked = check.steps[:-1]
        assert len(asked) == len(check.goals) == 12
        assert len({s.id.partition(".")[0] for s in asked}) == 12
        for n, step in enumerate(asked, 1):
            assert step.predict and check.checks(n) == [step.id]
            assert check_step(step, "", LIBRARY.glossary) == []


def test_another_check_has_other_questions_and_other_values(checks):
    one, two = ({s.id: s.draws for s in c.steps[:-1]} for c in checks)
    assert one.keys() != two.keys()
    both = one.keys() & two.keys()
    assert both and sum(one[k] != two[k] for k in both) >= len(both) - 2
    assert rounds.final_check(LIBRARY, "1") == checks[0]  # a page that loads again asks the same
    authored = [d for s in checks[0].steps[:-1] for d in step_of(s.id).draws]
    new = [d for s in checks[0].steps[:-1] for d in s.draws if d not in authored]
    assert len(new) >= 6


def test_what_belongs_together_in_the_draws_does_so_in_between():
    step = step_of("carrier.drift")  # the trim cancels the stray voltage
    drawn = [rounds.fresh_draw(step, random.Random(n), LIBRARY.glossary) for n in range(5)]
    for draw in drawn:
        assert parse_quantity(draw["trim"], "V") == -parse_quantity(draw["offset"], "V")
    assert any(d not in step.draws for d in drawn)
    step = step_of("read-a-capture.first")  # boards lie on no scale
    assert rounds.fresh_draw(step, random.Random(1), LIBRARY.glossary) in step.draws


def test_a_review_asks_what_is_still_there():
    names = ["one-pair.output", "one-pair.gone", "no-lesson.output", "one-pair.meet"]
    made = rounds.review(LIBRARY, [*names, "equal-tails.balance", "one-pair.output"], "7")
    assert [s.id for s in made.steps] == ["one-pair.output", "equal-tails.balance", "result"]
    assert made.steps[1].task and rounds.review(LIBRARY, names[1:], "7") is None
    assert "nothing to ask" in lost(LIBRARY, "review")["said"]


def test_a_round_is_walked_like_a_lesson_and_keeps_results_for_its_values_alone(checks):
    page = LessonPage(checks[0], LIBRARY, "id=final-check&seed=1")
    hello = {"kind": "hello", "record": {}, "seed": "3", "still": True}
    page.panel.handle(hello)
    assert page.panel.spec["link"] == "id=final-check&seed=1"
    number = checks[0].step(next(s.id for s in checks[0].steps if s.predict and s.predict.choices))
    page.panel.handle({"kind": "go", "at": number})
    page.panel.handle({"kind": "answer", "choice": page.walk.situation.right_choices()[0]})
    record = {"steps": dict(page.walk.progress.steps)}
    step = page.walk.step
    assert record["steps"][step.id]["result"] == "right"
    assert page.walk.progress.of(checks[0].steps[number])
    again = LessonPage(rounds.final_check(LIBRARY, "9"), LIBRARY, "id=final-check&seed=9")
    again.panel.handle({**hello, "record": record})
    assert not any(again.walk.progress.of(s) for s in again.walk.lesson.steps if s.predict)


@pytest.mark.parametrize("entry", LIBRARY.entries, ids=[e.folder for e in LIBRARY.entries])
def test_every_goal_is_checked_and_every_question_checks_one(entry):
    lesson = entry.lesson
    for number, _ in enumerate(lesson.goals, 1):
        assert lesson.checks(number), f"{lesson.id}: goal {number}"
    assert all(s.goal for s in lesson.steps if s.predict or s.task)


def test_the_list_says_which_steps_check_each_goal():
    row = listing(LIBRARY)["lessons"][0]
    assert row["goals"][1] == [
        LIBRARY.entries[0].lesson.goals[1],
        ["equal-steps", "three-quarters"],
    ]
    assert "output" in row["asked"] and "meet" not in row["asked"]
    assert listing(LIBRARY)["check"] == 12
