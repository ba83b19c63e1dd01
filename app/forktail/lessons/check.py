"""Checks lessons: texts, links and figures, one right answer a question, a way to every task.

The proofs run the core over every draw of a step, and search the unlocked controls of a task.
"""

import re
from dataclasses import replace

from forktail.core.checks import QuantityError
from forktail.lessons.format import ROLES
from forktail.lessons.formula import to_mathml
from forktail.lessons.markdown import BLOCKS, open_blocks
from forktail.lessons.run import (
    Situation,
    after_state,
    draw_of,
    fill,
    named,
    placeholder,
    start_state,
)
from forktail.lessons.scenes.kinds import figures
from forktail.lessons.search import Search
from forktail.lessons.source import Fault

_FENCE = re.compile(r"```.*?```|`[^`\n]*`", re.S)
_HOLE = re.compile(r"(?<!\\)\{([^{}\n]*)\}")
_FORMULA = re.compile(r"(?<!\\)\$\$(.+?)\$\$|(?<!\\)\$([^$\n]+?)\$", re.S)
_LINK = re.compile(r"\]\(([^)\s]*)\)")
_TAG = re.compile(r"<(/?[A-Za-z][\w-]*|!--)[^>\n]*>")
_PICTURE = re.compile(r"!\[[^\]]*\]\(")
_LESSON_LINK = re.compile(r"\]\(lesson:([a-z0-9-]+)\)")


# ---------------------------------------------------------------- texts


def _blank(match):
    """What is looked at no more: spaces, so that the lines keep their numbers."""
    return re.sub(r"[^\n]", " ", match[0])


def check_text(text, glossary, known=None):
    """Faults of one Markdown text.

    Parameters
    ----------
    text : Text
    glossary : dict
        Ids of the terms.
    known : mapping, optional
        Names for its placeholders; without it, only their writing is checked.

    Returns
    -------
    list of Fault
    """
    whole = _FENCE.sub(_blank, text.source)
    bare = _FORMULA.sub(_blank, whole)
    found = [
        *_bad_formulas(whole),
        *_bad_figures(bare, known),
        *_bad_links(bare, glossary),
        *_bad_markup(bare),
    ]
    return [
        Fault(text.file, text.line + whole.count("\n", 0, at), what, remedy)
        for at, what, remedy in found
    ]


def _bad_formulas(bare):
    for match in _FORMULA.finditer(bare):
        try:
            to_mathml((match[1] or match[2]).strip())
        except QuantityError as error:
            yield match.start(), str(error), "The notation is described in lessons/formula.py."


def _bad_figures(bare, known):
    for match in _HOLE.finditer(bare):
        try:
            placeholder(match[1]) if known is None else fill(match[1], known)
        except QuantityError as error:
            what = f"the figure '{{{match[1][:60]}}}': {error}"
            yield match.start(), what, "Use a name of the scene, or write \\{ for a brace."


def _bad_links(bare, glossary):
    for match in _LINK.finditer(bare):
        target = match[1]
        if target.startswith("glossary:"):
            if target[9:] not in glossary:
                what = f"the glossary has no term '{target[9:]}'."
                yield match.start(), what, "Add it to glossary.md, or link one that is there."
        elif not re.match(r"https?://|assumptions:$|lesson:[a-z0-9-]+$", target):
            what = f"the link '{target[:40]}' leads nowhere."
            wanted = "Link glossary:term, lesson:id, assumptions: or a web address."
            yield match.start(), what, wanted


def _bad_markup(bare):
    for match in _PICTURE.finditer(bare):
        what = "pictures are not shown in lessons."
        yield match.start(), what, "Let the scene of the step show it."
    for at in open_blocks(bare):
        what = "this line belongs to no block."
        yield at, what, f"Write '::: {BLOCKS[0]}' before a block and ':::' after it."
    for match in _TAG.finditer(bare):
        what = f"raw HTML is not rendered: '{match[0][:30]}'."
        yield match.start(), what, "Use Markdown: **bold**, *italic*, lists, tables."


# ---------------------------------------------------------------- steps


class _Faults:
    """Faults of one step, each said once whatever the draw."""

    def __init__(self, file):
        self.file, self.list, self.said = file, [], set()

    def add(self, line, text, remedy=""):
        self.take(Fault(self.file, line, text, remedy))

    def take(self, fault):
        key = (fault.file, fault.line, fault.text)
        if key not in self.said:
            self.said.add(key)
            self.list.append(fault)


def check_step(step, file, glossary):
    """Faults of one step that can be run: texts over all draws, and its prediction.

    Returns
    -------
    list of Fault
    """
    faults = _Faults(file)
    try:
        for draw in step.draws or ({},):
            situation = Situation.of(step, draw)
            _check_texts(situation, glossary, faults)
            if step.predict and step.predict.choices:
                _check_choices(situation, faults)
            elif step.predict:
                _check_number(situation, faults)
    except QuantityError as error:
        faults.add(step.predict.line if step.predict else step.line, f"step '{step.id}': {error}")
    _check_unlocked(step, faults)
    return faults.list


def _drawn(draw):
    return f" (with {', '.join(f'{n} {v}' for n, v in draw.items())})" if draw else ""


def _check_texts(situation, glossary, faults):
    step = situation.step
    early = [step.text]
    if step.predict:
        early += [step.predict.question, step.predict.hint]
        early += [t for c in step.predict.choices for t in (c.text, c.hint)]
        early += [w.hint for w in step.predict.wrong]
    if step.task:
        early += [step.task.goal, step.task.hint]
    late = [step.explain, step.derivation]
    for texts, known in ((early, situation.before), (late, situation.after)):
        for text in filter(None, texts):
            for fault in check_text(text, glossary, {**known, **named("now", known)}):
                faults.take(fault)


def _check_choices(situation, faults):
    """Exactly one choice holds, and every other has a hint."""
    predict, drawn, right = situation.step.predict, _drawn(situation.draw), []
    for n, choice in enumerate(predict.choices):
        try:
            holds = choice.when.holds(situation.after)
        except QuantityError as error:
            faults.add(choice.line, f"'when': {error}")
            return
        if holds:
            right.append(n)
        elif not choice.hint:
            faults.add(
                choice.line,
                f"choice {n + 1} is wrong{drawn} and has no hint.",
                'Give it hint = "..." that names the misconception.',
            )
    if len(right) != 1:
        which = ", ".join(f"{n + 1}" for n in right) or "none"
        faults.add(
            predict.line,
            f"step '{situation.step.id}' has {len(right)} right choices{drawn}: {which}.",
            "Change the conditions so that exactly one holds after the change.",
        )


def _check_number(situation, faults):
    """The right number has room around it, and no condition for a wrong one holds for it."""
    predict, drawn = situation.step.predict, _drawn(situation.draw)
    right = situation.right_number()
    if situation.room(right) == 0.0:
        faults.add(
            predict.line,
            f"the right answer is zero{drawn}, and a percentage of zero leaves no room.",
            'Give an absolute tolerance, such as "1 mV".',
        )
    known = {**situation.after, "answer": right, "right": right}
    for wrong in predict.wrong:
        if wrong.when.holds(known):
            faults.add(
                wrong.line,
                f"this condition for a wrong number holds for the right one{drawn}.",
                "Narrow it.",
            )


def _check_unlocked(step, faults):
    if "stage" in step.unlock:
        return
    try:
        state = after_state(step, draw_of(step, 0))
    except QuantityError:
        return  # said already
    if not hasattr(state, "controls"):
        return
    shown = [n for names in state.controls() for n in names]
    for name in step.unlock:
        if name not in shown and name in state.fields() and name != "hold_scale":
            faults.add(
                step.line,
                f"step '{step.id}' unlocks '{name}', which this stage does not have.",
                f"It has {', '.join(shown)}.",
            )


def check_task(step, file):
    """Faults of a task: whether it can be met from its start, for every draw."""
    faults = []
    for draw in step.draws or ({},):
        try:
            start = start_state(step, draw)
            step.task.condition.holds(figures(step.kind, start))
            search = Search(step, draw)
        except QuantityError as error:
            return [Fault(file, step.task.line, f"'condition': {error}")]
        if search.met_at_start:
            what = f"the task of step '{step.id}' is met before anything is moved{_drawn(draw)}."
            faults.append(Fault(file, step.task.line, what, "Change the start or the condition."))
        elif search.found is None:
            what = (
                f"no way to meet the task of step '{step.id}' was found{_drawn(draw)} "
                f"in {search.tried} scenes."
            )
            remedy = (
                "Unlock what it needs, loosen the condition to what slider steps can reach, or "
                "give a solution = {...}."
            )
            faults.append(Fault(file, step.task.line, what, remedy))
    return faults


# ---------------------------------------------------------------- whole lessons


def check_lesson(lesson, glossary, ids=(), proofs=True):
    """Faults and notes of a lesson that could be read.

    Parameters
    ----------
    lesson : Lesson
    glossary : dict
    ids : collection of str
        Ids of all lessons, for `requires`.
    proofs : bool
        Whether slow scenes are solved and tasks searched; without, only what is quick is done.
    """
    faults = []
    for step in lesson.steps:
        if proofs or step.kind.quick:
            faults += check_step(step, lesson.file, glossary)
        if proofs and step.task:
            faults += check_task(step, lesson.file)
    if not proofs:  # a link to a lesson that is not there keeps nobody from this one
        return faults
    return faults + _bad_lesson_links(lesson, ids) + _notes(lesson)


def _bad_lesson_links(lesson, ids):
    faults = [
        Fault(
            lesson.file,
            1,
            f"'requires' names '{key}', and no lesson has that id.",
            f"There are {', '.join(sorted(ids))}.",
        )
        for key in lesson.requires
        if key not in ids
    ]
    for text in (t for s in lesson.steps for t in (s.text, s.explain)):
        for match in _LESSON_LINK.finditer(text.source):
            if match[1] not in ids:
                line = text.line + text.source.count("\n", 0, match.start())
                what = f"no lesson has the id '{match[1]}'."
                faults.append(Fault(text.file, line, what, "Link one that is there."))
    return faults


def _notes(lesson):
    notes, steps = [], lesson.steps

    def note(line, text, remedy):
        notes.append(Fault(lesson.file, line, text, remedy, note=True))

    if sum(1 for s in steps if s.predict) < 2:
        note(1, "the lesson has fewer than two predictions.", "Let the learner commit first.")
    if not any(s.task for s in steps):
        note(1, "the lesson has no task.", "Let the learner bring something about.")
    for number, goal in enumerate(lesson.goals, 1):
        if not lesson.checks(number):
            what = f"no step checks goal {number} ('{goal[:40]}')."
            note(1, what, f"Write goal = {number} in the step that asks for it.")
    for role, name in ROLES.items():
        if not any(s.role == role for s in steps):
            note(1, f"no step has the role {role} ({name.lower()}).", "Add one.")
    for step in steps:
        if step.predict and not step.explain:
            note(
                step.line,
                f"step '{step.id}' has no explain part.",
                f"Add '# {step.id} explain' to text.md, with the numbers of the scene.",
            )
    return notes


def check_glossary(library):
    """Faults in the texts of the glossary and of the assumptions page."""
    faults = list(library.faults)
    for _, text in library.glossary.values():
        faults += check_text(text, library.glossary)
    if library.assumptions:
        faults += check_text(library.assumptions, library.glossary)
    return faults


def check_library(library, proofs=True, beside=None):
    """All faults and notes of a library, sorted by file and line.

    Parameters
    ----------
    library : Library
    proofs : bool
        As `check_lesson`.
    beside : Library, optional
        All that it is served with; its terms may be used, its lessons linked, its ids not taken.

    Returns
    -------
    list of Fault
    """
    beside = beside or library
    faults = check_glossary(replace(library, glossary=beside.glossary))
    ids = {e.lesson.id for e in beside.entries if e.lesson}
    for entry in beside.entries[-len(library.entries) :] if library.entries else ():
        faults += entry.faults
        if entry.lesson:
            faults += check_lesson(entry.lesson, beside.glossary, ids, proofs)
    if not library.entries and not library.faults:
        what = "the folder holds no lesson."
        faults.append(Fault("lessons", 1, what, "Make a folder with a lesson.toml and a text.md."))
    return sorted(set(faults))
