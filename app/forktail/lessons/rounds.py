"""Rounds of questions from all lessons: the final check, and the review of what was missed.

A round is a `Lesson` like any other, made for one learner: its steps are questions of the lessons
with new values, and its goals are these questions. So it is walked, drawn and kept as a lesson is.
"""

import random
from dataclasses import replace

from forktail.core.checks import QuantityError
from forktail.lessons.check import check_step
from forktail.lessons.format import CHECK, REVIEW, Lesson
from forktail.lessons.source import Text
from forktail.ui.state import Quantity

#: Questions of a round at most.
MOST = 12
#: How often new values are drawn before those of the author are taken.
_TRIES = 4

_READ = (
    "Read the list again before you leave: what is not marked *right at once* comes back in the "
    "review, after 1, 3, 7 and 21 days. A wrong answer starts that count again."
)


def questions(library):
    """What a final check draws from: for each lesson, its predictions whose figures are drawn."""
    lessons = [e.lesson for e in library.entries if e.lesson]
    return [[(x, s) for s in x.steps if s.predict and s.draws] for x in lessons]


def final_check(library, seed):
    """A round of 12 questions over all lessons, as a `Lesson`; None if there are none.

    Parameters
    ----------
    library : Library
    seed : str
        Another seed draws other questions, and other values for them. Only predictions whose
        figures can be drawn are asked, and no lesson twice before each had its turn.
    """
    rng = random.Random(f"{CHECK}/{seed}")
    piles, picked = questions(library), []
    for pile in piles:
        rng.shuffle(pile)
    while any(piles) and len(picked) < MOST:
        turn = [n for n, pile in enumerate(piles) if pile]
        room = MOST - len(picked)
        turn = rng.sample(turn, room) if len(turn) > room else turn
        picked += [piles[n].pop() for n in turn]
    order = {e.lesson.id: n for n, e in enumerate(library.entries) if e.lesson}
    picked.sort(key=lambda pair: order[pair[0].id])
    return _lesson(CHECK, "Final check", picked, library, rng, seed)


def review(library, names, seed):
    """A round of the questions `names` (each `lesson.step`) that are still there; None if none."""
    rng = random.Random(f"{REVIEW}/{seed}")
    picked = []
    for name in dict.fromkeys(names):
        lesson_id, _, step_id = name.partition(".")
        lesson = library.lesson(lesson_id)
        at = lesson and lesson.step(step_id)
        if at is not None and (lesson.steps[at].predict or lesson.steps[at].task):
            picked.append((lesson, lesson.steps[at]))
    return _lesson(REVIEW, "Review", picked[:MOST], library, rng, seed)


def _lesson(key, title, picked, library, rng, seed):
    if not picked:
        return None
    steps = [_asked(lesson, step, n, library, rng, seed) for n, (lesson, step) in enumerate(picked)]
    end = replace(
        steps[-1],
        id="result",
        title="Result",
        role="recap",
        show=(),
        cover=(),
        unlock=(),
        text=Text(_READ),
        explain=Text(),
        derivation=Text(),
        predict=None,
        task=None,
        goal=0,
    )
    goals = tuple(f"{step.title} ({lesson.title})" for lesson, step in picked)
    return Lesson(key, title, 2 * len(steps), goals, (), (*steps, end), "")


def _asked(lesson, step, number, library, rng, seed):
    """A question as a step of a round: with its lesson named, and values of this round alone."""
    source = f"*From the lesson [{lesson.title}](lesson:{lesson.id}).*\n\n{step.text.source}"
    draw = fresh_draw(step, rng, library.glossary)
    return replace(
        step,
        id=f"{lesson.id}.{step.id}",
        role="",
        text=replace(step.text, source=source),
        draws=(draw,) if draw else (),
        print=f"{step.print}-{seed}",
        goal=number + 1,
    )


def fresh_draw(step, rng, glossary):
    """New values for a step, between two of its draws where these lie on one side of zero.

    What belongs together in the draws (a trim and the offset that it cancels, two frequencies and
    their distance) does so in between. They are used only if the question still has one right
    answer; otherwise one of the draws is taken.
    """
    if not step.draws:
        return {}
    if step.predict:
        for _ in range(_TRIES):
            mixed = _between(step, rng.choice(step.draws), rng.choice(step.draws), rng)
            if mixed and not check_step(replace(step, draws=(mixed,)), "", glossary):
                return mixed
    return rng.choice(step.draws)


def _between(step, one, other, rng):
    """A draw between two others with two digits, None if it cannot be."""
    state, share, out = step.kind.make_state(), rng.uniform(0.2, 0.8), {}
    if one == other or one.keys() != other.keys():
        return None
    for name, text in one.items():
        param = state.param[name]
        if not isinstance(param, Quantity):
            if text != other[name]:
                return None
            out[name] = text
            continue
        try:
            a, b = (param.spec.read(t) for t in (text, other[name]))
        except QuantityError:
            return None
        if a * b <= 0.0 and a != b:
            return None
        out[name] = text if a == b else param.exact(float(f"{a + (b - a) * share:.2g}"))
    return out
