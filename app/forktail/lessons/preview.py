"""A lesson on one page, for who teaches or writes it: every hint, every answer, every draw."""

from forktail.core.checks import QuantityError
from forktail.lessons.format import ROLES
from forktail.lessons.handout import LETTERS, scene_of, setting_of, solved
from forktail.lessons.markdown import Rendering
from forktail.lessons.run import Situation, after_texts, draw_of
from forktail.resources import asset_text
from forktail.ui.templates import render


def preview(lesson, seed="0"):
    """HTML of all that a lesson can say to a learner with this seed, as a whole document.

    Parameters
    ----------
    lesson : Lesson
    seed : str
        Draws the figures of steps that have draws; the answers of the other draws are listed.
    """
    return _document(lesson, seed=str(seed), steps=[_step(lesson, s, seed) for s in lesson.steps])


def of_link(library, wanted, seed):
    """HTML for a link, and whether there is such a lesson."""
    lesson = library.lesson(wanted)
    said = f"There is no lesson '{wanted[:40]}'." if wanted else "Choose a lesson."
    if lesson is not None:
        try:
            return preview(lesson, seed), True
        except QuantityError as error:  # a slow scene is tried here for the first time
            said = str(error)
    ids = [(e.lesson.id, e.lesson.title) for e in library.entries if e.lesson]
    return _document(None, said=said, ids=ids), False


def _document(lesson, **values):
    style, more = (asset_text(f"pages/lesson/{n}.css") for n in ("handout", "preview"))
    return render("pages/lesson/preview.html", lesson=lesson, style=style, more=more, **values)


def _step(lesson, step, seed):
    situation = Situation.of(step, draw_of(step, seed))
    early = Rendering(situation.before, still=situation.before)
    out = {
        "id": step.id,
        "title": step.title,
        "role": ROLES.get(step.role, ""),
        "goal": lesson.goals[step.goal - 1] if step.goal else "",
        "text": early.block(step.text),
        "scene": scene_of(step, {**step.start, **situation.draw}, step.show, settings=True),
        "covered": ", ".join(step.cover),
        "unlock": ", ".join(step.kind.make_state().param[n].label or n for n in step.unlock),
        "question": "",
        "answers": [],
        "hint": "",
        "draws": [],
        "after": None,
    }
    known, texts = situation.after, None
    if step.predict:
        texts = after_texts(step, situation.draw)
        out |= _asked(step, situation, early)
    elif step.task:
        known, texts, settings = solved(step, situation.draw)
        out |= {
            "question": early.line(step.task.goal),
            "hint": early.line(step.task.hint),
            "answers": [(True, "", f"For instance: {settings}", "")],
            "draws": [(_named(step, d), solved(step, d)[2]) for d in step.draws],
        }
    if texts is not None:
        out["after"] = scene_of(step, texts, step.show)
    late = Rendering(known, still=known)
    for part in ("explain", "derivation"):
        out[part] = late.block(getattr(step, part)) if getattr(step, part) else ""
    return out


def _asked(step, situation, early):
    """The question with all its answers: (right, letter, HTML or text, hint)."""
    predict, right = step.predict, situation.answer_text()
    if predict.choices:
        rows = [
            (n == right, LETTERS[n], early.line(c.text), "" if n == right else early.line(c.hint))
            for n, c in enumerate(predict.choices)
        ]
    else:
        rows = [(True, "", right, "")]
        rows += [(False, "", f"if {w.when.text}", early.line(w.hint)) for w in predict.wrong]
    return {
        "question": early.line(predict.question),
        "answers": rows,
        "hint": early.line(predict.hint) if predict.hint else "",
        "draws": [(_named(step, d), _answer(step, d)) for d in step.draws],
    }


def _answer(step, draw):
    answer = Situation.of(step, draw).answer_text()
    return LETTERS[answer] if step.predict.choices else answer


def _named(step, draw):
    """A draw in words."""
    state = step.kind.make_state()
    state.apply_texts(draw)
    return ", ".join(f"{state.param[n].label or n} {setting_of(state, n)}" for n in draw)
