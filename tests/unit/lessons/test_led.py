"""A lesson that a presenter leads: the presenter's draw, whatever comes first."""

import pytest

from forktail.lessons import shelf
from forktail.lessons.page import LessonPage

FOLLOW = {
    "kind": "follow",
    "query": "id=one-pair&step=higher-base",
    "inner": "seed=881770132&stage=pair&v_upper=0V&i_tail=1.6mA",
}
HELLO = {"kind": "hello", "seed": "5", "step": "meet", "still": True}


@pytest.mark.parametrize("led_first", [True, False])
def test_scene_and_draw_are_those_of_the_presenter_whatever_comes_first(led_first):
    library = shelf.library()
    page = LessonPage(library.lesson("one-pair"), library)
    messages = [(page.panel, HELLO), (page.controls, FOLLOW)]
    for view, message in reversed(messages) if led_first else messages:
        view.handle(dict(message))
    assert page.walk.step.id == "higher-base" and page.walk.seed == "881770132"
    assert page.state.i_tail == 1.6e-3
    assert "seed=881770132" in page.controls.patch.get("inner", page.controls.difference()["inner"])


def test_without_a_presenter_place_and_draw_are_the_learners():
    library = shelf.library()
    page = LessonPage(library.lesson("one-pair"), library)
    page.panel.handle(dict(HELLO))
    assert (page.walk.step.id, page.walk.seed) == ("meet", "5")
