"""Questions and scenes of the lessons, as the class room can use them."""

import re

from forktail.classroom.scenes import KINDS
from forktail.core.checks import QuantityError
from forktail.lessons import shelf as lessons_shelf
from forktail.lessons.run import Situation, after_state, draw_of, fill, start_state

#: Path of the page on which a kind of scene stands.
PATHS = {kind.make.page: path for path, kind in KINDS.items()}


def plain(source, known):
    """Text of a line of lesson Markdown with its figures put in and its marks taken out."""
    text = re.sub(r"(?<!\\)\{([^{}]*)\}", lambda m: fill(m[1], known), source)
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text).replace("\\{", "{")
    return re.sub(r"\s+", " ", re.sub(r"[*`$]", "", text)).strip()


def lesson_questions():
    """Predictions with choices: list of [lesson id, step id, "lesson: step"]."""
    return [
        [e.lesson.id, s.id, f"{e.lesson.title}: {s.title}"]
        for e in lessons_shelf.library().entries
        if e.lesson
        for s in e.lesson.steps
        if s.predict and s.predict.choices and s.page in PATHS
    ]


def lesson_question(lesson, step, seed=0):
    """A prediction of a lesson as `classroom.Room.ask` takes it, and `start`, its scene.

    Parameters
    ----------
    lesson, step : str
        Ids.
    seed : int or str
        Whose draw of the step is taken.

    Raises
    ------
    QuantityError
        If there is none such or it cannot be solved.
    """
    found = lessons_shelf.library().lesson(lesson)
    index = found.step(step) if found else None
    if index is None or [lesson, step] not in [q[:2] for q in lesson_questions()]:
        raise QuantityError(
            "This step of the lesson has no question with choices to put to a class."
        )
    step = found.steps[index]
    draw = draw_of(step, seed)
    situation = Situation.of(step, draw)
    path = PATHS[step.page]
    right = situation.right_choices()[0]
    before, after = start_state(step, draw), after_state(step, draw)
    why = ""
    if step.predict.change:
        one, two = (KINDS[path].outputs(s) for s in (before, after))
        why = " ".join(
            f"{o.label[:1].upper()}{o.label[1:]} goes from {o.text} to {two[name].text}."
            for name, o in one.items()
            if name == "v_out" and name in two
        )
    return {
        "text": plain(step.predict.question.source, situation.before),
        "choices": [plain(c.text.source, situation.before) for c in step.predict.choices],
        "right": right,
        "why": why,
        "hide": True,
        "lesson": f"{lesson}/{step.id}",
        "start": {"path": path, "query": before.query()},
        "after": {"path": path, "query": after.query()} if step.predict.change else None,
    }


def lesson_scenes():
    """The steps of each lesson on the lesson page: lists as from `state_class.scene_sets`."""
    return [
        {
            "title": f"Lesson: {entry.lesson.title}",
            "scenes": [
                {
                    "title": step.title,
                    "path": "lesson",
                    "query": f"id={entry.lesson.id}&step={step.id}",
                }
                for step in entry.lesson.steps
            ],
        }
        for entry in lessons_shelf.library().entries
        if entry.lesson
    ]
