"""Worksheet of a lesson with blanks, and its key on separate pages: one HTML file that prints."""

from forktail.lessons.format import ROLES
from forktail.lessons.markdown import Rendering
from forktail.lessons.quantity import show
from forktail.lessons.run import Situation, after_texts, draw_of, start_state
from forktail.lessons.scenes.kinds import figures
from forktail.lessons.scenes.views import VIEWS
from forktail.lessons.search import Search
from forktail.resources import asset_text
from forktail.ui.state import Quantity
from forktail.ui.templates import render

#: What the choices of a question are called on paper.
LETTERS = "ABCDEF"


def handout(lesson, seed="0"):
    """HTML of the worksheet and the key of a lesson.

    Parameters
    ----------
    lesson : Lesson
    seed : int or str
        Draws the figures of steps that have draws, as for a learner with this seed.

    Returns
    -------
    str
        A whole document without any reference to another file or host. Pictures and figures come
        from the core. It prints on A4 and Letter.
    """
    sheet, key, board = [], [], 0
    for number, step in enumerate(lesson.steps, 1):
        draw, head = draw_of(step, seed), {"number": number, "title": step.title}
        # a board to be read takes a page's width: what comes later refers to the first
        wide = VIEWS[step.page].WIDE
        sheet.append({**head, **_sheet_step(step, draw, board if wide else 0)})
        if wide and not board and sheet[-1]["scene"]["picture"]:
            board = number
        if step.predict or step.task:
            key.append({**head, **_key_step(step, draw, board if wide else 0)})
    return render(
        "pages/lesson/handout.html",
        title=lesson.title,
        minutes=lesson.minutes,
        goals=lesson.goals,
        parts=lesson.parts,
        style=asset_text("pages/lesson/handout.css"),
        sheet=sheet,
        key=key,
    )


def _sheet_step(step, draw, drawn_in):
    situation = Situation.of(step, draw)
    page = Rendering(situation.before, still=situation.before, paper=True)
    asked = step.predict or step.task
    shown = asked or VIEWS[step.page].WIDE and not drawn_in
    out = {
        "role": ROLES.get(step.role, ""),
        "text": page.block(step.text),
        "scene": _sheet_scene(step, {**step.start, **draw}, drawn_in) if shown else _NOTHING,
        "question": "",
        "choices": [],
        "blanks": [],
        "why": bool(step.predict),
        "readings": page.readings(step.text) if step.role == "bench" else [],
    }
    if step.predict:
        out["question"] = page.line(step.predict.question)
        out["choices"] = [
            (letter, page.line(c.text)) for letter, c in zip(LETTERS, step.predict.choices)
        ]
        if not step.predict.choices:
            out["blanks"] = [("Answer", step.predict.unit, "")]
    elif step.task:
        out["question"] = page.line(step.task.goal)
        specs = step.kind.make_state().param
        out["blanks"] = [_blank(specs[n], n) for n in step.unlock]
    return out


def _key_step(step, draw, drawn_in):
    situation = Situation.of(step, draw)
    if step.predict:
        known, texts = situation.after, after_texts(step, draw)
        right = _right_answer(step.predict, situation)
    else:
        known, texts, settings = solved(step, draw)
        right = {"answer": f"For instance: {settings}"}
    page = Rendering(known, still=known, paper=True)
    return {
        "letter": "",
        **right,
        "scene": scene_of(step, texts, step.show, drawn_in=drawn_in),
        "explain": page.block(step.explain) if step.explain else "",
        "derivation": page.block(step.derivation) if step.derivation else "",
    }


def solved(step, draw):
    """A way to the goal of a task: what is known there, its settings as texts, and in words."""
    texts = {**step.start, **draw, **(Search(step, draw).found or {})}
    state = start_state(step, draw)
    state.apply_texts(texts)
    words = ", ".join(f"{state.param[n].label or n} {setting_of(state, n)}" for n in step.unlock)
    return figures(step.kind, state), texts, words


def _right_answer(predict, situation):
    """`letter` and `choice` (HTML) of the right choice, or `answer`, a number in words."""
    answer = situation.answer_text()
    if predict.choices:
        line = Rendering(situation.before, still=situation.before, paper=True)
        return {"letter": LETTERS[answer], "choice": line.line(predict.choices[answer].text)}
    item = predict.tolerance
    within = f"{100.0 * item.value:g}\u00a0%" if item.unit == "%" else show(item)
    return {"answer": f"{answer} (within {within})"}


#: The scene of a step that is only read.
_NOTHING = {"any": False, "wide": False, "picture": ""}


def _sheet_scene(step, texts, drawn_in):
    """The scene as it is before the answer: nothing that is covered till then."""
    names = [n for n in step.show if n not in step.cover]
    return scene_of(step, texts, names, settings=True, drawn_in=drawn_in)


def scene_of(step, texts, names, settings=False, drawn_in=0):
    """Picture, settings and readings of a scene, for the template.

    Of a scene that is `drawn_in` a step before, its number instead of the picture.
    """
    state = step.kind.make_state()
    state.apply_texts(texts)
    views = VIEWS[step.page]
    out = {
        "picture": "" if drawn_in else views.picture(state, names),
        "settings": _settings(step, texts, state) if settings else [],
        "card": [],
        "meter": [],
        "wide": views.WIDE and not drawn_in,
        "as_in": drawn_in,
        **views.readings(state, names),
    }
    return {**out, "any": any(out[k] for k in ("picture", "settings", "card", "meter"))}


def _settings(step, texts, state):
    """The numbers that the text of a step and its unlocked controls speak of: (label, value)."""
    names = [n for n in dict.fromkeys((*texts, *step.unlock)) if n in state.fields()]
    return [
        (state.param[n].label, setting_of(state, n))
        for n in names
        if isinstance(state.param[n], Quantity) and state.param[n].spec.part != "view"
    ]


def setting_of(state, name):
    """A setting as it is shown: with its unit, or the words of a choice."""
    return state.param[name].show(getattr(state, name))


def _blank(spec, name):
    """Blank to write a setting into: (label, unit, words to choose from)."""
    words = "; ".join(title for _, title in spec.spec.choices)
    return spec.label or name, "", words
