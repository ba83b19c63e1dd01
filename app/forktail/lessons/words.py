"""What the panel of a lesson shows of the present step: plain texts, and HTML from Markdown."""

from dataclasses import dataclass, field

from forktail.lessons.format import ROLES
from forktail.lessons.markdown import Rendering


@dataclass
class Shown:
    """`spec` for the panel; `live` and `known` are what its live figures are made from."""

    spec: dict
    live: dict = field(default_factory=dict)
    known: dict = field(default_factory=dict)


def shown(walk, library, focus=""):
    """The present step of a walk.

    Parameters
    ----------
    walk : Walk
    library : Library
        For the glossary and the lesson that follows.
    focus : str
        What the browser puts the focus on: `title`, `verdict`, `hint`, `explain` or "".

    Returns
    -------
    Shown
        The answer is in it only when it has been given.
    """
    step = walk.step
    early = Rendering(walk.situation.before, "a")
    late = Rendering(walk.met if walk.met is not None else walk.situation.after, "b")
    spec = {
        "lesson": walk.lesson.id,
        "title": walk.lesson.title,
        "at": walk.at,
        "steps": [[t.id, t.title, t.print] for t in walk.lesson.steps],
        "goals": goals_of(walk.lesson),
        "role": ROLES.get(step.role, ""),
        "heading": step.title,
        "phase": walk.phase,
        "kind": step.page,
        "views": list(step.show),
        "covered": list(walk.covered()),
        "unlocks": len(step.unlock),
        "tries": walk.tries,
        "moved": walk.moved,
        "text": early.block(step.text),
        "verdict": _verdict(walk.said, early),
        "focus": focus,
        "seed": str(walk.seed),
        "print": step.print,
        "next": _next(walk, library),
    }
    if step.predict:
        spec["ask"] = _ask(walk, early)
    if step.task:
        spec["task"] = _task(walk, early)
    if walk.phase in ("done", "met", "read"):
        for part in ("explain", "derivation"):
            text = getattr(step, part)
            spec[part] = late.block(text) if text else ""
    spec["terms"] = _terms(early.terms | late.terms, library.glossary)
    known = late.known if late.live else {**late.known, **early.known}
    return Shown(spec, {**early.live, **late.live}, known)


def goals_of(lesson):
    """Each goal with the ids of the steps that check it."""
    return [[text, lesson.checks(n)] for n, text in enumerate(lesson.goals, 1)]


def _verdict(said, rendering):
    return said and {
        "right": said.right,
        "shown": said.shown,
        "text": said.text,
        "hint": rendering.line(said.hint) if said.hint else "",
    }


def _ask(walk, rendering):
    predict, answer = walk.step.predict, walk.answer
    return {
        "question": rendering.line(predict.question),
        "choices": [rendering.line(c.text) for c in predict.choices],
        "unit": predict.unit,
        "picked": answer if predict.choices else None,
        "typed": "" if predict.choices or answer is None else str(answer),
        "showable": walk.phase == "ask" and walk.may_be_shown(),
    }


def _task(walk, rendering):
    task = walk.step.task
    return {
        "goal": rendering.line(task.goal),
        "holds": walk.holds,
        "hint": rendering.line(task.hint) if walk.hinted else "",
        "showable": walk.may_be_shown(),
    }


def _terms(keys, glossary):
    out, plain = {}, Rendering({})
    for key in keys & glossary.keys():
        term, text = glossary[key]
        out[key] = {"term": term, "html": plain.block(text)}
    return out


def _next(walk, library):
    """The lesson that follows, for the last step; empty after the last lesson."""
    if walk.at + 1 < len(walk.lesson.steps):
        return None
    lessons = [e.lesson for e in library.entries if e.lesson]
    ids = [x.id for x in lessons]
    place = ids.index(walk.lesson.id) + 1 if walk.lesson.id in ids else len(ids)
    if place < len(lessons):
        return {"id": lessons[place].id, "title": lessons[place].title}
    return {"id": "", "title": ""}
