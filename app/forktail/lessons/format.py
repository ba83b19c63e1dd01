"""Lessons: what they are made of, and how a folder of them is read.

The format, for those who write lessons
=======================================

A lesson is a folder `lessons/NN-name/` with two files: `lesson.toml` (what happens) and `text.md`
(what is read). `forktail lessons check` says with file, line and remedy what is not right yet, and
proves that every question has exactly one right choice and that every task can be met. No answer
is ever written down: it is computed from the scene.

lesson.toml
-----------
    id = "one-pair"                  # letters, digits, hyphens; keep it: progress hangs on it
    title = "One pair splits a current"
    minutes = 15
    goals = ["Say which side ...", "..."]
    requires = []                    # ids of lessons to do before (advice, not a lock)

    [[step]]                         # one table a step, in order
    id = "share"                     # unique in the lesson; keep it: progress hangs on it
    title = "Who gets the current?"
    role = "breaks"                  # optional: "breaks" (where it breaks), "bench" (bench
                                     #   tie-in) or "recap"; shown above the title, so do not
                                     #   repeat it there
    page = "steer"                   # kind of scene, default "steer" (see lessons_scenes.KINDS)
    show = ["schematic", "map"]      # views beside the text; for steer: schematic, sentence, map,
                                     #   across, up, numbers; default schematic and sentence
    start = { stage = "pair", v_upper = "0V", i_tail = "2mA" }
                                     # settings as in a link; what is not named is at its default
    unlock = ["v_upper"]             # controls that the learner gets (names of settings)

    [[step.draw]]                    # optional, up to 24: one of them is drawn for each learner
    v_upper = "20mV"                 #   and laid over `start`; every one is checked
    [[step.draw]]
    v_upper = "30mV"

A step has at most one of a prediction or a task; a step with neither is read, and played with.

    [step.predict]                   # asked before the scene moves; controls stay locked till then
    question = "We raise the upper input from 0 to {20 mV}. What happens?"
    change = { v_upper = "20mV" }    # optional: what moves after the answer (the announced change);
                                     #   "= -v_upper" computes it from the scene at the start

    [[step.predict.choice]]          # two to six choices ...
    text = "Q1 takes more than half"
    when = "i_q1 > i_q2"             # ... right when this holds after the change
    hint = "..."                     # for whoever picks it wrongly: names the misconception

    [step.predict]                   # or a number
    question = "What is the output now?"
    number = "v_out"                 # any expression; its value after the change is the answer
    unit = "mV"                      # what to type, with any prefix (mV, mA, ohm, kHz, %, dB; ""
                                     #   for a plain number)
    tolerance = "5 %"                # of the answer, or absolute: "2 mV"
    hint = "..."                     # for any wrong number
    [[step.predict.wrong]]           # optional: known wrong numbers, tried in order before `hint`
    when = "about(answer, -right, 10 %)"
    hint = "Right size, wrong sign: ..."

    [step.task]                      # watched live while the learner moves the unlocked controls
    goal = "Make the output zero with more than 20 mV on the upper input."
    condition = "abs(v_out) < 1 mV and abs(v_upper) > 20 mV"
    hint = "..."
    solution = { v_lower = "0V" }    # optional: tried first by the search, for slow scenes

A condition must not hold at the start of its task. Conditions and expressions: see
`lessons_grammar`. Names: every setting of the page, and what is computed from it (for steer see
`lessons_scenes.steer_figures`). In `when`, `number` and the explain text plain names are the scene
after the change and `before.NAME` is the scene before it.

text.md
-------
Markdown, cut at its level-one headings, which name a step and a part:

    # share                  the text of the step (wanted for each step)
    # share explain          shown after the prediction, or when the task is done
    # share derivation       optional: maths for those who want it, folded away

Texts in lesson.toml (question, choice, hint, goal) are one line of the same Markdown.

- Raw HTML is not rendered and pictures are not linked: the scene is the picture.
- `{v_out}` puts in the figure of the learner's own scene with its unit; `{v_out:2}` two digits;
  `{share_q1:%}` in per cent; `{v_out:+}` with its sign; `{v_out / before.v_out}` any expression;
  `{20 mV}` a value, kept on one line. In the text, question, choices and hints plain names are the
  scene at the start; in the explain part they are the scene after the change and `before.NAME`
  the start. `{now.v_out}` follows the scene live, everywhere. In the explain part of a task plain
  names are the scene in which the learner met it. `\\{` is a brace.
- `$ v_out = I_tail R_load tanh(v_upper / 2 V_T) $` is a formula in the notation of
  `lessons_formula` (`$$ ... $$` on a line of its own).
- `[tail current](glossary:tail-current)` links a term of `lessons/glossary.md`, where each
  level-two heading is a term; `[assumptions](assumptions:)` links that page.

A lesson is expected to have two predictions or more, a task, and one step each with the role
breaks, bench and recap; the check says what is missing as a note.

Other scenes
------------
`page` may also be `signals` (inputs, collectors, difference, spectrum, map, figures, sentence),
the name of a use, such as `mixer`, `dsb` or `phase_detector` (spectrum, curve, time, diagram,
card, sentence; settings by their own names, those of the cell as cell_NAME), `built` (the board
part by part: schematic, over_upper, over_lower, card, sentence) or `capture` (a capture over its
prediction: overlay, residual, card, meter). `readings = "name name"` in `start` says which
figures the card shows. What is computed: see `lessons_figures`.

`lessons_scenes.register(SceneKind(...))` opens another page to lessons; its views are registered
in `views.lesson_scenes` under the same key. The text of a lesson need not change for that.
"""

import hashlib
import json
import re
from dataclasses import dataclass, field
from pathlib import Path

from forktail.core.checks import QuantityError
from forktail.lessons import figures as _more_scenes  # noqa: F401  opens the other pages to lessons
from forktail.lessons import kinds as lessons_scenes
from forktail.lessons.grammar import DIMENSIONS, Expression, Figure, literal
from forktail.lessons.read import Fault, Text, read_parts, read_toml

ROLES = {"breaks": "Where it breaks", "bench": "At the bench", "recap": "Recap"}
MAX_STEPS, MAX_DRAWS, MAX_CHOICES = 40, 24, 6
PARTS = ("", "explain", "derivation")
ID = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")


@dataclass(frozen=True)
class Choice:
    """One choice of a prediction: right when `when` holds after the change."""

    text: Text
    when: Expression
    hint: Text
    line: int


@dataclass(frozen=True)
class Wrong:
    """A known wrong number: `when` over the scene, `answer` and `right`."""

    when: Expression
    hint: Text
    line: int


@dataclass(frozen=True)
class Prediction:
    """A question before the scene moves: choices, or a number with unit and tolerance."""

    question: Text
    change: dict
    choices: tuple = ()
    number: Expression = None
    unit: str = ""
    tolerance: Figure = None
    hint: Text = Text()
    wrong: tuple = ()
    line: int = 1


@dataclass(frozen=True)
class Task:
    """A condition to bring about with the unlocked controls."""

    goal: Text
    condition: Expression
    hint: Text
    solution: dict = field(default_factory=dict)
    line: int = 1


@dataclass(frozen=True)
class Step:
    """One step of a lesson. `print` changes when its question or task does."""

    id: str
    title: str
    role: str
    page: str
    show: tuple
    start: dict
    draws: tuple
    unlock: tuple
    text: Text
    explain: Text
    derivation: Text
    predict: Prediction
    task: Task
    print: str
    line: int

    @property
    def kind(self):
        """The `SceneKind` that it stands on."""
        return lessons_scenes.kind_of(self.page)


@dataclass(frozen=True)
class Lesson:
    """A lesson that can be run."""

    id: str
    title: str
    minutes: int
    goals: tuple
    requires: tuple
    steps: tuple
    file: str

    def step(self, key):
        """Index of a step by its id, or None."""
        return next((n for n, s in enumerate(self.steps) if s.id == key), None)


@dataclass(frozen=True)
class Entry:
    """One folder of a library: its lesson, or None and the faults that keep it from running."""

    folder: str
    title: str
    lesson: Lesson
    faults: tuple


@dataclass(frozen=True)
class Library:
    """All lessons of a folder, in the order of their folders, with the glossary."""

    entries: tuple
    glossary: dict
    assumptions: Text
    faults: tuple

    def lesson(self, key):
        """Lesson with this id, or None."""
        return next((e.lesson for e in self.entries if e.lesson and e.lesson.id == key), None)


# ---------------------------------------------------------------- reading one lesson


class _Reader:
    """Reads one lesson and gathers its faults."""

    def __init__(self, folder, shown):
        self.folder, self.shown = folder, shown
        self.toml, self.md = f"{shown}/lesson.toml", f"{shown}/text.md"
        self.table, self.lines, self.faults = read_toml(folder / "lesson.toml", self.toml)
        self.parts, faults = read_parts(folder / "text.md", self.md)
        self.faults += faults
        self.used = set()

    def fault(self, place, text, remedy=""):
        self.faults.append(Fault(self.toml, self.lines.of(*place), text, remedy))

    def get(self, table, place, key, kind, wanted, default=None, must=False):
        """A value of a table, checked for its type."""
        value = table.get(key)
        if value is None:
            if must:
                self.fault(place, f"'{key}' is missing.", f"Give it {wanted}.")
            return default
        good = isinstance(value, kind) and not (kind is int and isinstance(value, bool))
        if not good or (must and not value):
            self.fault((*place, key), f"'{key}' is {_short(value)}.", f"Wanted is {wanted}.")
            return default
        return value

    def unknown(self, table, place, allowed):
        for key in table:
            if key not in allowed:
                self.fault(
                    (*place, key), f"'{key}' is not known here.", f"Known are {', '.join(allowed)}."
                )

    def line(self, table, place, key, must=True):
        """A one-line Markdown text of lesson.toml."""
        value = self.get(table, place, key, str, "a text in quotes", "", must)
        return Text(value, self.toml, self.lines.of(*place, key))

    def expression(self, table, place, key, must=True):
        value = self.get(
            table, place, key, str, 'a condition such as "abs(v_out) < 1 mV"', None, must
        )
        if value is None:
            return None
        try:
            return Expression(value)
        except QuantityError as error:
            self.fault((*place, key), f"'{key}' cannot be read: {error}")
            return None

    def texts(self, table, place, key):
        """A table of settings: all values become texts."""
        value = self.get(
            table, place, key, dict, 'a table of settings, such as { v_upper = "10mV" }', {}
        )
        return {str(n): _text(v) for n, v in value.items()}

    def lesson(self):
        table = self.table
        if table is None:
            return None
        self.unknown(table, (), ("id", "title", "minutes", "goals", "requires", "step"))
        key = self.get(table, (), "id", str, 'a short id such as "one-pair"', "", True)
        if key and not ID.fullmatch(key):
            self.fault(
                ("id",),
                f"the id '{_short(key)}' has other signs than small letters, digits and hyphens.",
                "Write it like one-pair.",
            )
        title = self.get(table, (), "title", str, "a title in quotes", "", True)
        minutes = self.get(table, (), "minutes", int, "whole minutes, such as 15", 15, True)
        goals = self.strings(table, (), "goals", must=True)
        requires = self.strings(table, (), "requires")
        rows = self.get(table, (), "step", list, "steps, each after a line [[step]]", [], True)
        if len(rows) > MAX_STEPS:
            self.fault(
                ("step", MAX_STEPS),
                f"there are {len(rows)} steps.",
                f"At most {MAX_STEPS} are allowed: split the lesson.",
            )
            rows = rows[:MAX_STEPS]
        steps = [self.step(row, ("step", n)) for n, row in enumerate(rows) if isinstance(row, dict)]
        seen = set()
        for n, step in enumerate(steps):
            if step.id in seen:
                self.fault(
                    ("step", n, "id"),
                    f"the step id '{step.id}' is used twice.",
                    "Give each step an id of its own.",
                )
            seen.add(step.id)
        for part, text in self.parts.items():
            if part not in self.used:
                self.faults.append(
                    Fault(
                        self.md,
                        text.line - 1,
                        f"the heading '{part}' belongs to no step.",
                        "Write '# ' and the id of a step, alone or with explain or derivation.",
                    )
                )
        return Lesson(key, title, minutes, goals, requires, tuple(steps), self.toml)

    def strings(self, table, place, key, must=False):
        value = self.get(table, place, key, list, 'a list of texts, such as ["..."]', [], must)
        if not all(isinstance(v, str) for v in value):
            self.fault(
                (*place, key),
                f"'{key}' holds something that is no text.",
                "Put each entry in quotes.",
            )
            return ()
        return tuple(value)

    def step(self, row, place):
        self.unknown(
            row,
            place,
            ("id", "title", "role", "page", "show", "start", "draw", "unlock", "predict", "task"),
        )
        key = self.get(row, place, "id", str, 'a short id such as "share"', "", True)
        if key and not ID.fullmatch(key):
            self.fault(
                (*place, "id"),
                f"the id '{_short(key)}' has other signs than small letters, digits and hyphens.",
                "Write it like equal-tails.",
            )
        title = self.get(row, place, "title", str, "a title in quotes", "", True)
        role = self.get(row, place, "role", str, "breaks, bench or recap", "")
        if role and role not in ROLES:
            self.fault(
                (*place, "role"),
                f"the role '{_short(role)}' is not known.",
                f"Known are {', '.join(ROLES)}.",
            )
        texts = {}
        for part in PARTS:
            name = f"{key} {part}".strip()
            texts[part] = self.parts.get(name, Text())
            self.used.add(name)
        if not texts[""]:
            self.fault(
                place,
                f"the step '{key}' has no text.",
                f"Put it under a heading '# {key}' in text.md.",
            )
        page, show = self.page(row, place)
        predict = row.get("predict")
        task = row.get("task")
        if predict is not None and task is not None:
            self.fault(
                (*place, "task"),
                "the step has both a prediction and a task.",
                "Make two steps of it.",
            )
        predict = self.predict(predict, (*place, "predict")) if predict is not None else None
        task = self.task(task, (*place, "task")) if task is not None else None
        digest = json.dumps(
            [row.get("start"), row.get("draw"), row.get("predict"), row.get("task")],
            sort_keys=True,
            default=str,
        )
        step = Step(
            key,
            title,
            role,
            page,
            show,
            self.texts(row, place, "start"),
            self.draws(row, place),
            self.strings(row, place, "unlock"),
            texts[""],
            texts["explain"],
            texts["derivation"],
            predict,
            task,
            hashlib.sha256(digest.encode()).hexdigest()[:8],
            self.lines.of(*place),
        )
        self.settings(step, place)
        return step

    def page(self, row, place):
        page = self.get(row, place, "page", str, 'a kind of scene, such as "steer"', "steer")
        try:
            kind = lessons_scenes.kind_of(page)
        except QuantityError as error:
            self.fault((*place, "page"), str(error))
            return "steer", ("schematic",)
        show = self.strings(row, place, "show") or kind.default
        for name in show:
            if name not in kind.views:
                self.fault(
                    (*place, "show"),
                    f"'{_short(name)}' is not a view of {page}.",
                    f"There are {', '.join(kind.views)}.",
                )
        return page, tuple(n for n in show if n in kind.views)

    def draws(self, row, place):
        rows = self.get(row, place, "draw", list, "tables, each after a line [[step.draw]]", [])
        if len(rows) > MAX_DRAWS:
            self.fault(
                (*place, "draw"),
                f"there are {len(rows)} draws.",
                f"At most {MAX_DRAWS} are allowed.",
            )
        return tuple(
            {str(n): _text(v) for n, v in r.items()}
            for r in rows[:MAX_DRAWS]
            if isinstance(r, dict)
        )

    def predict(self, table, place):
        if not isinstance(table, dict):
            self.fault(place, "'predict' is no table.", "Begin it with a line [step.predict].")
            return None
        self.unknown(
            table,
            place,
            ("question", "change", "choice", "number", "unit", "tolerance", "hint", "wrong"),
        )
        question = self.line(table, place, "question")
        change = self.texts(table, place, "change")
        rows = self.get(
            table, place, "choice", list, "choices, each after a line [[step.predict.choice]]", []
        )
        line = self.lines.of(*place)
        if rows and "number" in table:
            self.fault(
                (*place, "number"),
                "the prediction has both choices and a number.",
                "Keep one of the two.",
            )
        if rows:
            if not 2 <= len(rows) <= MAX_CHOICES:
                self.fault(
                    (*place, "choice", 0),
                    f"there are {len(rows)} choices.",
                    f"Wanted are 2 to {MAX_CHOICES}.",
                )
            choices = tuple(
                self.choice(r, (*place, "choice", n))
                for n, r in enumerate(rows)
                if isinstance(r, dict)
            )
            return Prediction(question, change, tuple(c for c in choices if c), line=line)
        number = self.expression(table, place, "number")
        unit = self.get(table, place, "unit", str, 'a unit such as "mV", or ""', None)
        if unit is None:
            self.fault(place, "'unit' is missing.", 'Give the unit to type, such as "mV".')
            unit = ""
        elif base_unit(unit) is None:
            self.fault(
                (*place, "unit"),
                f"the unit '{_short(unit)}' is not known.",
                'Known are V, A, ohm, Hz, s, F, W, dB, deg, % with any prefix, and "".',
            )
            unit = ""
        tolerance = self.get(table, place, "tolerance", str, 'such as "5 %" or "2 mV"', "5 %", True)
        try:
            size = literal(tolerance)
            if size.value <= 0:
                raise QuantityError("it is not above zero.")
        except QuantityError as error:
            self.fault(
                (*place, "tolerance"),
                f"the tolerance '{_short(tolerance)}' cannot be used: {error}",
                'Write "5 %" or "2 mV".',
            )
            size = literal("5 %")
        wrong = []
        for n, row in enumerate(self.get(table, place, "wrong", list, "tables", [])):
            where = (*place, "wrong", n)
            when, hint = self.expression(row, where, "when"), self.line(row, where, "hint")
            if when:
                wrong.append(Wrong(when, hint, self.lines.of(*where, "when")))
        return Prediction(
            question,
            change,
            (),
            number,
            unit,
            size,
            self.line(table, place, "hint"),
            tuple(wrong),
            line,
        )

    def choice(self, row, place):
        self.unknown(row, place, ("text", "when", "hint"))
        when = self.expression(row, place, "when")
        made = Choice(
            self.line(row, place, "text"),
            when,
            self.line(row, place, "hint", False),
            self.lines.of(*place, "when"),
        )
        return made if when else None

    def task(self, table, place):
        if not isinstance(table, dict):
            self.fault(place, "'task' is no table.", "Begin it with a line [step.task].")
            return None
        self.unknown(table, place, ("goal", "condition", "hint", "solution"))
        condition = self.expression(table, place, "condition")
        task = Task(
            self.line(table, place, "goal"),
            condition,
            self.line(table, place, "hint"),
            self.texts(table, place, "solution"),
            self.lines.of(*place, "condition"),
        )
        return task if condition else None

    def settings(self, step, place):
        """Whether the settings named in a step exist and can be read."""
        state = lessons_scenes.kind_of(step.page).make_state()
        tables = [(("start",), step.start)]
        tables += [(("draw", n), {**step.start, **d}) for n, d in enumerate(step.draws)]
        if step.predict:
            told = {n: t for n, t in step.predict.change.items() if not t.startswith("=")}
            tables.append((("predict", "change"), {**step.start, **told}))
        if step.task:
            tables.append((("task", "solution"), {**step.start, **step.task.solution}))
        said = set()
        for where, texts in tables:
            for problem in state.apply_texts(texts):
                if problem not in said:
                    said.add(problem)
                    self.fault((*place, *where), problem)
        state.apply_texts(step.start)
        for name in step.unlock:
            if name not in state.fields():
                self.fault(
                    (*place, "unlock"),
                    f"'{_short(name)}' is not a setting of the page {step.page}.",
                    f"There are {', '.join(state.fields())}.",
                )
        if step.task and not step.unlock:
            self.fault(
                place, "the task has no unlocked control.", "Name one or more in unlock = [...]."
            )


def _short(value, most=50):
    text = str(value)
    return text if len(text) <= most else text[: most - 1] + "\u2026"


def _text(value):
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def base_unit(unit):
    """Key of `DIMENSIONS` behind a unit with prefix (`mV` -> `V`), or None."""
    if unit in DIMENSIONS:
        return unit
    if unit[:1] in "fpnum\u00b5kMG" and unit[1:] in DIMENSIONS and unit[1:] not in ("", "%", "dB"):
        return unit[1:]
    return {"\u03a9": "ohm", "k\u03a9": "ohm", "M\u03a9": "ohm", "\u00b0": "deg"}.get(unit)


def read_lesson(folder, shown=None):
    """Read one lesson folder.

    Parameters
    ----------
    folder : Path
    shown : str, optional
        How the folder is named in faults; its own name otherwise.

    Returns
    -------
    lesson : Lesson or None
        None if the file cannot be read at all.
    faults : list of Fault
    """
    folder = Path(folder)
    reader = _Reader(folder, shown or folder.name)
    return reader.lesson(), reader.faults


def term_id(term):
    """Id of a glossary term as links name it: `Tail current` is `tail-current`."""
    return re.sub(r"[^a-z0-9]+", "-", term.lower()).strip("-")


def read_glossary(path, shown):
    """Terms of a glossary: dict of id to (term, Text), and faults."""
    terms, faults = {}, []
    if not path.exists():
        return terms, faults
    term, start, held = None, 1, []
    lines = path.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate([*lines, "## "], 1):
        if not line.startswith("## "):
            held.append(line)
            continue
        if term:
            if term_id(term) in terms:
                faults.append(
                    Fault(
                        shown,
                        start - 1,
                        f"the term '{term}' stands here twice.",
                        "Keep one of the two.",
                    )
                )
            terms[term_id(term)] = (term, Text("\n".join(held).strip(), shown, start))
        term, start, held = line[3:].strip(), number + 1, []
    return terms, faults


def read_library(folder, shown=None):
    """Read every lesson below a folder; a broken one is an entry with its faults.

    Parameters
    ----------
    folder : Path
        With one folder a lesson (each holding a lesson.toml), glossary.md and assumptions.md.
    shown : str, optional
        How the folder is named in faults.

    Returns
    -------
    Library
    """
    folder = Path(folder)
    shown = folder.name if shown is None else shown
    entries, ids = [], {}
    try:
        folders = sorted(
            p
            for p in folder.iterdir()
            if p.is_dir() and ((p / "lesson.toml").exists() or (p / "text.md").exists())
        )
    except OSError as error:
        return Library(
            (), {}, Text(), (Fault(shown, 1, f"the folder cannot be read ({error.strerror})."),)
        )
    for path in folders:
        name = f"{shown}/{path.name}" if shown else path.name
        lesson, faults = read_lesson(path, name)
        if lesson and lesson.id in ids:
            faults.append(
                Fault(
                    lesson.file,
                    1,
                    f"the id '{lesson.id}' is that of {ids[lesson.id]} too.",
                    "Give each lesson an id of its own.",
                )
            )
        elif lesson:
            ids[lesson.id] = path.name
        title = lesson.title if lesson and lesson.title else path.name
        good = lesson if lesson and not faults and lesson.steps else None
        entries.append(Entry(path.name, title, good, tuple(sorted(faults))))
    glossary, faults = read_glossary(folder / "glossary.md", f"{shown}/glossary.md")
    path = folder / "assumptions.md"
    assumptions = Text(
        path.read_text(encoding="utf-8") if path.exists() else "", f"{shown}/assumptions.md", 1
    )
    return Library(tuple(entries), glossary, assumptions, tuple(faults))
