"""Worksheet of a lesson with blanks, and its key on pages of its own: one HTML file that prints."""

from html import escape

from forktail.lessons.check import Search
from forktail.lessons.format import ROLES
from forktail.lessons.grammar import show
from forktail.lessons.kinds import figures
from forktail.lessons.markdown import Rendering
from forktail.lessons.run import Situation, after_texts, draw_of, start_state
from forktail.lessons.scene_views import VIEWS
from forktail.resources import asset_text

_LETTERS = "ABCDEF"


def _tolerance(item):
    return f"{100.0 * item.value:g}\u00a0%" if item.unit == "%" else show(item)


def _picture(step, texts):
    state = step.kind.make_state()
    state.apply_texts(texts)
    drawn = VIEWS[step.page].picture(state) if step.page in VIEWS else ""
    return f'<figure class="picture">{drawn}</figure>' if drawn else ""


def _readings(step, texts):
    """What the step shows in words and tables beside its plots, for kinds that have such."""
    views = VIEWS.get(step.page)
    if not hasattr(views, "readings"):
        return ""
    state = step.kind.make_state()
    state.apply_texts(texts)
    return views.readings(state, step.show)


def _value(state, name):
    """A setting as it is shown: with its unit, or the words of a choice."""
    spec, value = state.param[name], getattr(state, name)
    if hasattr(spec, "show"):
        return spec.show(value)
    return next(
        (t for t, key in (getattr(spec, "names", None) or {}).items() if key == value), str(value)
    )


def _blank(spec, name):
    """Blank to write a setting into; the words of a choice stand below it."""
    words = "; ".join(getattr(spec, "names", None) or ())
    below = f'<p class="settings">one of: {escape(words)}</p>' if words else ""
    return f'<p class="blank">{escape(spec.label or name)}: <span></span></p>{below}'


def _settings(step, texts):
    """The settings of a step that its text and its unlocked controls speak of."""
    state = step.kind.make_state()
    state.apply_texts(texts)
    rows = []
    for name in dict.fromkeys((*texts, *step.unlock)):
        spec = state.param[name] if name in state.fields() else None
        if hasattr(spec, "show"):
            rows.append(f"{escape(spec.label)}: <b>{escape(spec.show(getattr(state, name)))}</b>")
    line = " \u00b7 ".join(rows)
    return f'<p class="settings">{line}</p>' if rows else ""


def _sheet_step(number, step, draw):
    situation = Situation.of(step, draw)
    page = Rendering(situation.before, still=situation.before)
    role = f'<span class="role">{ROLES[step.role]}</span>' if step.role else ""
    texts = {**step.start, **draw}
    out = [
        f'<section class="step"><h2>{role}{number} {escape(step.title)}</h2>',
        f'<div class="text">{page.block(step.text)}</div>',
    ]
    if step.predict or step.task:
        out.append(_picture(step, texts))
        out.append(_settings(step, texts))
        out.append(_readings(step, texts))
    if step.predict:
        out.append(f'<p class="question">{page.line(step.predict.question)}</p>')
        for letter, choice in zip(_LETTERS, step.predict.choices):
            out.append(
                f'<p class="choice"><span class="box"></span>{letter}&ensp;'
                f"{page.line(choice.text)}</p>"
            )
        if not step.predict.choices:
            out.append(f'<p class="blank">Answer: <span></span> {escape(step.predict.unit)}</p>')
        out.append('<p class="lines">Because:<span></span><span></span></p>')
    if step.task:
        out.append(f'<p class="question">{page.line(step.task.goal)}</p>')
        names = step.kind.make_state().param
        out += [_blank(names[n], n) for n in step.unlock]
    out.append("</section>")
    return "".join(out)


def _key_step(number, step, draw):
    situation = Situation.of(step, draw)
    known = situation.after
    out = [f'<section class="step"><h2>{number} {escape(step.title)}</h2>']
    texts = {**step.start, **draw}
    if step.predict:
        texts = after_texts(step, draw)
        answer = situation.answer_text()
        if step.predict.choices:
            line = Rendering(situation.before, still=situation.before)
            text = f"{_LETTERS[answer]}&ensp;{line.line(step.predict.choices[answer].text)}"
        else:
            text = f"{escape(answer)} (within {escape(_tolerance(step.predict.tolerance))})"
        out.append(f'<p class="answer">{text}</p>')
    if step.task:
        found = Search(step, draw).found or {}
        state = start_state(step, draw)
        state.apply_texts({**texts, **found})
        known = figures(step.kind, state)
        shown = [
            f"{escape(state.param[n].label or n)} {escape(_value(state, n))}" for n in step.unlock
        ]
        out.append(f'<p class="answer">For instance: {", ".join(shown)}</p>')
        texts |= found
    page = Rendering(known, still=known)
    out.append(_picture(step, texts))
    out.append(_readings(step, texts))
    if step.explain:
        out.append(f'<div class="text">{page.block(step.explain)}</div>')
    if step.derivation:
        out.append(f'<div class="text derivation">{page.block(step.derivation)}</div>')
    out.append("</section>")
    return "".join(out)


def handout(lesson, glossary=None, seed="0"):
    """HTML of the worksheet and the key of a lesson.

    Parameters
    ----------
    lesson : Lesson
    glossary : dict, optional
        Kept for terms; links print as plain text.
    seed : int or str
        Draws the figures of steps that have draws, as for a learner with this seed.

    Returns
    -------
    str
        A whole document without any reference to another file or host. Pictures and figures come
        from the core. It prints on A4 and Letter.
    """
    sheet, key = [], []
    for number, step in enumerate(lesson.steps, 1):
        draw = draw_of(step, seed)
        sheet.append(_sheet_step(number, step, draw))
        if step.predict or step.task:
            key.append(_key_step(number, step, draw))
    goals = "".join(f"<li>{escape(g)}</li>" for g in lesson.goals)
    title = escape(lesson.title)
    foot = (
        '<p class="foot">Forktail \u00b7 every figure and picture is computed from the scene '
        "it stands beside.</p>"
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f"<title>{title} \u00b7 worksheet</title>"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<link rel="icon" href="data:,">'
        f"<style>{asset_text('pages/lesson/handout.css')}</style></head><body>"
        f'<main class="sheet"><header><h1>{title}</h1><p class="name">Name <span></span> Date '
        f'<span></span></p></header><p class="minutes">About {lesson.minutes} minutes. '
        f"When you are through, you can:</p><ul>{goals}</ul>{''.join(sheet)}{foot}</main>"
        f'<main class="key"><header><h1>Key: {title}</h1></header>{"".join(key)}{foot}</main>'
        "</body></html>"
    )
