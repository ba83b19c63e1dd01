"""The preview of a lesson: every hint and answer of what a learner may meet."""

import html
import math
import re

from forktail.lessons.library import read_library
from forktail.lessons.preview import of_link, preview
from forktail.resources import lessons_dir

LIBRARY = read_library(lessons_dir())


def words(text):
    return html.unescape(re.sub(r"<[^>]+>", "", text.partition("</style>")[2])).replace(
        "\u00a0", " "
    )


def test_every_hint_and_the_right_answers_are_there():
    lesson = LIBRARY.lesson("one-pair")
    said = words(preview(lesson, "3"))
    for step in lesson.steps:
        hints = [step.task.hint] if step.task else []
        if step.predict:
            hints = [c.hint for c in step.predict.choices] + [w.hint for w in step.predict.wrong]
        for hint in filter(None, hints):
            plain = re.split(r"[{*\[$]", hint.source)[0].strip()
            assert plain in said, (step.id, plain)
    asked = sum(1 for s in lesson.steps if s.predict or s.task)
    assert said.count("\u2713") == asked  # one right answer each
    assert "For instance: Upper input" in said and "checks: Estimate the split" in said
    assert "{" not in said


def test_the_answer_of_each_draw_is_listed():
    said = words(preview(LIBRARY.lesson("one-pair")))
    # tanh is odd, so the answer is minus 2 mA times 1 kohm times tanh(v / 2VT), kT/q at 25 degC
    # from the SI Brochure
    for volts in (15.0, 20.0, 25.0):
        answer = 2e3 * math.tanh(volts / 2 / 25.6926)
        row = re.search(rf"Upper input {volts} mV\s*\u2212(\d+)", said)
        assert row and abs(float(row[1]) - answer) < 1.0, (volts, row)


def test_what_is_not_there_is_told_with_what_is():
    text, there = of_link(LIBRARY, "<b>", "0")
    assert not there and "There is no lesson" in text and "<b>" not in text
    assert "preview?id=one-pair" in text
