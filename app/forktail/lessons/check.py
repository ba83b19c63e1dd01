"""Checks lessons: texts, links and figures, one right answer a question, a way to every task.

The proofs run the core over every draw of a step, and search the unlocked controls of a task.
"""

import itertools
import random
import re

from forktail.core.checks import QuantityError
from forktail.lessons import format as lessons
from forktail.lessons.formula import to_mathml
from forktail.lessons.kinds import figures
from forktail.lessons.read import Fault
from forktail.lessons.run import Situation, after_state, draw_of, fill, placeholder, start_state
from forktail.ui.state import Quantity

#: Scenes tried at most in the search of one task (a slow kind of scene: a tenth of it).
MAX_TRIES = 1500

_FENCE = re.compile(r"```.*?```|`[^`\n]*`", re.S)
_HOLE = re.compile(r"(?<!\\)\{([^{}\n]*)\}")
_FORMULA = re.compile(r"(?<!\\)\$\$(.+?)\$\$|(?<!\\)\$([^$\n]+?)\$", re.S)
_LINK = re.compile(r"\]\(([^)\s]*)\)")
_TAG = re.compile(r"<(/?[A-Za-z][\w-]*|!--)[^>\n]*>")
_PICTURE = re.compile(r"!\[[^\]]*\]\(")


# ---------------------------------------------------------------- texts


def holes(text):
    """Placeholders of a Markdown text: pairs of (line, inner)."""
    bare = _FENCE.sub(lambda m: re.sub(r"[^\n]", " ", m[0]), text.source)
    for match in _HOLE.finditer(bare):
        yield text.line + bare.count("\n", 0, match.start()), match[1]


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
    faults = []
    bare = _FENCE.sub(lambda m: re.sub(r"[^\n]", " ", m[0]), text.source)

    def fault(at, what, remedy):
        faults.append(Fault(text.file, text.line + bare.count("\n", 0, at), what, remedy))

    for match in _FORMULA.finditer(bare):
        try:
            to_mathml((match[1] or match[2]).strip())
        except QuantityError as error:
            fault(match.start(), str(error), "See the notation in lessons_formula.")
    bare = _FORMULA.sub(lambda m: re.sub(r"[^\n]", " ", m[0]), bare)
    for match in _HOLE.finditer(bare):
        try:
            if known is None:
                placeholder(match[1])
            else:
                fill(match[1], known)
        except QuantityError as error:
            fault(
                match.start(),
                f"the figure '{{{match[1][:60]}}}': {error}",
                "Use a name of the scene, or write \\{ for a brace.",
            )
    for match in _LINK.finditer(bare):
        target = match[1]
        if target.startswith("glossary:"):
            if target[9:] not in glossary:
                fault(
                    match.start(),
                    f"the glossary has no term '{target[9:]}'.",
                    "Add it to glossary.md, or link one that is there.",
                )
        elif not re.match(r"https?://|assumptions:$|lesson:[a-z0-9-]+$", target):
            fault(
                match.start(),
                f"the link '{target[:40]}' leads nowhere.",
                "Link glossary:term, lesson:id, assumptions: or a web address.",
            )
    for match in _PICTURE.finditer(bare):
        fault(
            match.start(),
            "pictures are not shown in lessons.",
            "Let the scene of the step show it.",
        )
    for match in _TAG.finditer(bare):
        fault(
            match.start(),
            f"raw HTML is not rendered: '{match[0][:30]}'.",
            "Use Markdown: **bold**, *italic*, lists, tables.",
        )
    return faults


def _now(known):
    return {**known, **{f"now.{n}": v for n, v in known.items() if "." not in n}}


def _situations(step):
    for draw in step.draws or ({},):
        yield Situation.of(step, draw)


def check_step(step, file, glossary):
    """Faults of one step that can be run: texts over all draws, and its prediction.

    Returns
    -------
    list of Fault
    """
    faults, said = [], set()

    def add(fault):
        if (fault.file, fault.line, fault.text) not in said:
            said.add((fault.file, fault.line, fault.text))
            faults.append(fault)

    try:
        for situation in _situations(step):
            _check_situation(situation, file, glossary, add)
    except QuantityError as error:
        add(
            Fault(
                file, step.predict.line if step.predict else step.line, f"step '{step.id}': {error}"
            )
        )
    _check_unlocked(step, file, add)
    return faults


def _drawn(situation):
    draw = situation.draw
    return f" (with {', '.join(f'{n} {v}' for n, v in draw.items())})" if draw else ""


def _check_situation(situation, file, glossary, add):
    step = situation.step
    before, after = _now(situation.before), _now(situation.after)
    early = [step.text]
    late = [step.explain, step.derivation]
    if step.predict:
        early += [step.predict.question, step.predict.hint]
        early += [t for c in step.predict.choices for t in (c.text, c.hint)]
        early += [w.hint for w in step.predict.wrong]
    if step.task:
        early += [step.task.goal, step.task.hint]
    for texts, known in ((early, before), (late, after)):
        for text in texts:
            for fault in check_text(text, glossary, known) if text else ():
                add(fault)
    if not step.predict:
        return
    drawn = _drawn(situation)
    if step.predict.choices:
        right = []
        for n, choice in enumerate(step.predict.choices):
            try:
                holds = choice.when.holds(situation.after)
            except QuantityError as error:
                add(Fault(file, choice.line, f"'when': {error}"))
                return
            if holds:
                right.append(n)
            elif not choice.hint:
                add(
                    Fault(
                        file,
                        choice.line,
                        f"choice {n + 1} is wrong{drawn} and has no hint.",
                        'Give it hint = "..." that names the misconception.',
                    )
                )
        if len(right) != 1:
            which = ", ".join(f"{n + 1}" for n in right) or "none"
            add(
                Fault(
                    file,
                    step.predict.line,
                    f"step '{step.id}' has {len(right)} right choices{drawn}: {which}.",
                    "Change the conditions so that exactly one holds after the change.",
                )
            )
        return
    right = situation.right_number()
    room = situation.room(right)
    if room == 0.0:
        add(
            Fault(
                file,
                step.predict.line,
                f"the right answer is zero{drawn}, and a tolerance in "
                "per cent of zero leaves no room.",
                'Give an absolute tolerance, such as "1 mV".',
            )
        )
    known = {**situation.after, "answer": right, "right": right}
    for wrong in step.predict.wrong:
        if wrong.when.holds(known):
            add(
                Fault(
                    file,
                    wrong.line,
                    f"this condition for a wrong number holds for the right one{drawn}.",
                    "Narrow it.",
                )
            )


def _check_unlocked(step, file, add):
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
            add(
                Fault(
                    file,
                    step.line,
                    f"step '{step.id}' unlocks '{name}', which this stage does not have.",
                    f"It has {', '.join(shown)}.",
                )
            )


# ---------------------------------------------------------------- tasks


class Search:
    """Looks for settings of the unlocked controls that meet a task, over the core only.

    `found` are the settings (texts), or None; `tried` how many scenes were solved; `met_at_start`
    whether the condition holds before anything is moved.
    """

    def __init__(self, step, draw=None, most=None):
        self.step, self.kind = step, step.kind
        draw = draw_of(step, 0) if draw is None else draw
        self.most = most or (MAX_TRIES if self.kind.quick else MAX_TRIES // 10)
        self.state = start_state(step, draw)
        self.tried, self.cache = 0, {}
        self.axes = [self._axis(n) for n in step.unlock]
        self.origin = tuple(getattr(self.state, n) for n in step.unlock)
        self.met_at_start = self._miss(self.origin) == 0.0
        self.found = None
        where = self._search()
        if where is not None:
            self.state.param.update(**dict(zip(step.unlock, where)))
            self.found = {
                n: t for n, t in self.state.texts(changed_only=False).items() if n in step.unlock
            }

    def _axis(self, name):
        spec = self.state.param[name]
        if isinstance(spec, Quantity):
            return [spec.at_step(k) for k in range(spec.steps() + 1)]
        return list(getattr(spec, "objects", None) or (False, True))

    def _miss(self, where):
        if where not in self.cache:
            self.tried += 1
            self.state.param.update(**dict(zip(self.step.unlock, where)))
            try:
                self.cache[where] = self.step.task.condition.miss(figures(self.kind, self.state))
            except QuantityError:
                self.cache[where] = float("inf")  # such as a division by zero on the way
        return self.cache[where]

    def _search(self):
        for start in self._starts():
            where = self._descend(start)
            if self._miss(where) == 0.0:
                return where
            if self.tried >= self.most:
                return None
        return None

    def _starts(self):
        if self.step.task.solution:
            made = self.kind.make_state()
            made.apply_texts({**self.step.start, **self.step.task.solution})
            yield tuple(getattr(made, n) for n in self.step.unlock)
        yield self.origin
        for count in (3, 5):  # coarse grids first: the middle and the ends say most
            picks = [
                [a[round(k * (len(a) - 1) / (count - 1))] for k in range(count)] for a in self.axes
            ]
            grid = list(itertools.islice(itertools.product(*picks), 150))
            yield from sorted(grid, key=self._miss)[:6]
        chance = random.Random(1)
        while True:
            yield tuple(chance.choice(a) for a in self.axes)

    def _descend(self, where):
        """Walk downhill along the controls, with steps from a quarter of the range to one."""
        best = self._miss(where)
        for share in (4, 12, 36, 100, 10_000):
            moved = True
            while moved and best > 0.0 and self.tried < self.most:
                moved = False
                for n, axis in enumerate(self.axes):
                    near = min(range(len(axis)), key=lambda k: self._apart(axis[k], where[n]))
                    by = max(1, (len(axis) - 1) // share)
                    for k in (near - by, near + by):
                        if 0 <= k < len(axis):
                            there = (*where[:n], axis[k], *where[n + 1 :])
                            if self._miss(there) < best:
                                where, best, moved = there, self._miss(there), True
        return where

    @staticmethod
    def _apart(a, b):
        return abs(a - b) if isinstance(a, (int, float)) else float(a != b)


def check_task(step, file):
    """Faults of a task: whether it can be met from its start, for every draw."""
    faults = []
    for draw in step.draws or ({},):
        drawn = f" (with {', '.join(f'{n} {v}' for n, v in draw.items())})" if draw else ""
        try:
            start = start_state(step, draw)
            step.task.condition.holds(figures(step.kind, start))
            search = Search(step, draw)
        except QuantityError as error:
            return [Fault(file, step.task.line, f"'condition': {error}")]
        if search.met_at_start:
            faults.append(
                Fault(
                    file,
                    step.task.line,
                    f"the task of step '{step.id}' is met before anything is moved{drawn}.",
                    "Change the start or the condition.",
                )
            )
        elif search.found is None:
            faults.append(
                Fault(
                    file,
                    step.task.line,
                    f"no way to meet the task of step '{step.id}' was found"
                    f"{drawn} in {search.tried} scenes.",
                    "Unlock what it needs, loosen the condition to what slider steps can reach, or "
                    "give a solution = {...}.",
                )
            )
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
    for key in lesson.requires:
        if key not in ids:
            faults.append(
                Fault(
                    lesson.file,
                    1,
                    f"'requires' names '{key}', and no lesson has that id.",
                    f"There are {', '.join(sorted(ids))}.",
                )
            )
    for step in lesson.steps:
        for text in (step.text, step.explain):
            for match in re.finditer(r"\]\(lesson:([a-z0-9-]+)\)", text.source):
                if match[1] not in ids:
                    line = text.line + text.source.count("\n", 0, match.start())
                    faults.append(
                        Fault(
                            text.file,
                            line,
                            f"no lesson has the id '{match[1]}'.",
                            "Link one that is there.",
                        )
                    )
    return faults + _notes(lesson)


def _notes(lesson):
    notes = []

    def note(line, text, remedy):
        notes.append(Fault(lesson.file, line, text, remedy, note=True))

    steps = lesson.steps
    if sum(1 for s in steps if s.predict) < 2:
        note(1, "the lesson has fewer than two predictions.", "Let the learner commit first.")
    if not any(s.task for s in steps):
        note(1, "the lesson has no task.", "Let the learner bring something about.")
    for role, name in lessons.ROLES.items():
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


def check_library(library, proofs=True):
    """All faults and notes of a library, sorted by file and line.

    Returns
    -------
    list of Fault
    """
    faults = check_glossary(library)
    ids = {e.lesson.id for e in library.entries if e.lesson}
    for entry in library.entries:
        faults += entry.faults
        if entry.lesson:
            faults += check_lesson(entry.lesson, library.glossary, ids, proofs)
    if not library.entries and not library.faults:
        faults.append(
            Fault(
                "lessons",
                1,
                "the folder holds no lesson.",
                "Make a folder with a lesson.toml and a text.md.",
            )
        )
    return sorted(set(faults))
