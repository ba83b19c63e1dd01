"""Reads the folder of one lesson, and gathers its faults with their lines."""

import hashlib
import json
from pathlib import Path

from forktail.core.checks import QuantityError, shortened
from forktail.lessons.format import (
    CHECK,
    ID,
    MAX_CHOICES,
    MAX_DRAWS,
    MAX_STEPS,
    PARTS,
    REVIEW,
    ROLES,
    Choice,
    Lesson,
    Prediction,
    Step,
    Task,
    Wrong,
)
from forktail.lessons.grammar import Expression
from forktail.lessons.quantity import base_unit, literal
from forktail.lessons.scenes.kinds import kind_of
from forktail.lessons.source import Fault, Text, read_parts, read_toml


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


class _Table:
    """One table of lesson.toml at its place; what is wrong in it becomes a fault of the reader."""

    def __init__(self, reader, values, *place):
        self.reader, self.values, self.place = reader, values, place

    def line(self, *keys):
        """Line of a key, or of the table itself."""
        return self.reader.lines.of(*self.place, *keys)

    def fault(self, text, remedy="", *keys):
        self.reader.faults.append(Fault(self.reader.toml, self.line(*keys), text, remedy))

    def known(self, *allowed):
        """Name the keys that are not allowed here."""
        for key in self.values:
            if key not in allowed:
                self.fault(f"'{key}' is not known here.", f"Use one of {', '.join(allowed)}.", key)

    def get(self, key, kind, wanted, default=None, must=False):
        """A value, checked for its type."""
        value = self.values.get(key)
        if value is None:
            if must:
                self.fault(f"'{key}' is missing.", f"Give it {wanted}.")
            return default
        good = isinstance(value, kind) and not (kind is int and isinstance(value, bool))
        if not good or (must and not value):
            self.fault(f"'{key}' is {shortened(value)}.", f"Write {wanted}.", key)
            return default
        return value

    def text(self, key, must=True):
        """A one-line Markdown text."""
        value = self.get(key, str, "a text in quotes", "", must)
        return Text(value, self.reader.toml, self.line(key))

    def id(self, example):
        key = self.get("id", str, f'a short id such as "{example}"', "", True)
        if key and not ID.fullmatch(key):
            self.fault(
                f"the id '{shortened(key)}' may hold only small letters, digits and hyphens.",
                f"Write it like {example}.",
                "id",
            )
        return key

    def strings(self, key, must=False):
        value = self.get(key, list, 'a list of texts, such as ["..."]', [], must)
        if not all(isinstance(v, str) for v in value):
            self.fault(f"'{key}' holds something that is not a text.", "Put each in quotes.", key)
            return ()
        return tuple(value)

    def settings(self, key):
        """A table of settings: all values become texts."""
        value = self.get(key, dict, 'a table of settings, such as { v_upper = "10mV" }', {})
        return {str(n): _setting(v) for n, v in value.items()}

    def expression(self, key, must=True):
        wanted = 'a condition such as "abs(v_out) < 1 mV"'
        value = self.get(key, str, wanted, None, must)
        if value is None:
            return None
        try:
            return Expression(value)
        except QuantityError as error:
            self.fault(f"'{key}' cannot be read: {error}", "", key)
            return None

    def rows(self, key, wanted, must=False):
        """The tables of a list, each with its place; what is no table is left out."""
        rows = self.get(key, list, f"{wanted}, each after a line [[{self._path(key)}]]", [], must)
        return [
            _Table(self.reader, row, *self.place, key, n)
            for n, row in enumerate(rows)
            if isinstance(row, dict)
        ]

    def table(self, key):
        """A table in this one, or None if there is none."""
        value = self.values.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            head = f"Begin it with a line [{self._path(key)}]."
            self.fault(f"'{key}' is not a table.", head, key)
            return None
        return _Table(self.reader, value, *self.place, key)

    def _path(self, key):
        return ".".join([*(p for p in self.place if isinstance(p, str)), key])


class _Reader:
    """Reads one lesson and gathers its faults."""

    def __init__(self, folder, shown):
        self.toml, self.md = f"{shown}/lesson.toml", f"{shown}/text.md"
        self.root, self.lines, self.faults = read_toml(folder / "lesson.toml", self.toml)
        self.parts, faults = read_parts(folder / "text.md", self.md)
        self.faults += faults
        self.used = set()

    def lesson(self):
        if self.root is None:
            return None
        table = _Table(self, self.root)
        table.known("id", "title", "minutes", "goals", "requires", "parts", "step")
        key = table.id("one-pair")
        if key in (CHECK, REVIEW):
            table.fault(f"the id '{key}' belongs to the app.", "Choose another.", "id")
        title = table.get("title", str, "a title in quotes", "", True)
        minutes = table.get("minutes", int, "whole minutes, such as 15", 15, True)
        goals, requires = table.strings("goals", must=True), table.strings("requires")
        steps = self.steps(table, len(goals))
        self.look_for_strays()
        return Lesson(key, title, minutes, goals, requires, steps, self.toml, self.parts_of(table))

    def parts_of(self, table):
        """What the bench of the lesson takes: name -> how many."""
        wanted = 'a table, such as { "npn transistor" = 2 }'
        parts = table.get("parts", dict, wanted, {})
        for name, count in parts.items():
            if not isinstance(count, int) or isinstance(count, bool) or count < 1:
                table.fault(
                    f"of '{shortened(name)}' there are {count!r}.", "Count from 1.", "parts"
                )
        return parts

    def steps(self, table, goals):
        rows = table.rows("step", "steps", must=True)
        if len(rows) > MAX_STEPS:
            rows[MAX_STEPS].fault(
                f"there are {len(rows)} steps.",
                f"At most {MAX_STEPS} are allowed: split the lesson.",
            )
            rows = rows[:MAX_STEPS]
        steps, seen = [], set()
        for row in rows:
            step = self.step(row, goals)
            if step.id in seen:
                row.fault(f"the step id '{step.id}' is used twice.", "Choose another.", "id")
            seen.add(step.id)
            steps.append(step)
        return tuple(steps)

    def look_for_strays(self):
        """Parts of text.md that belong to no step."""
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

    # ---- one step

    def step(self, row, goals):
        row.known(
            "id", "title", "role", "page", "show", "cover", "start", "draw", "unlock", "goal",
            "predict", "task",
        )  # fmt: skip
        key = row.id("share")
        title = row.get("title", str, "a title in quotes", "", True)
        texts = self.step_texts(row, key)
        page, show = self.views(row)
        predict, task = self.question(row)
        step = Step(
            key,
            title,
            self.role(row),
            page,
            show,
            self.covered(row, page, show, predict),
            row.settings("start"),
            self.draws(row),
            row.strings("unlock"),
            *texts,
            predict,
            task,
            _print(row.values),
            self.goal(row, goals, predict or task),
            row.line(),
        )
        self.check_settings(row, step)
        return step

    def step_texts(self, row, key):
        """The parts of text.md that belong to a step, in the order of `PARTS`."""
        names = [f"{key} {part}".strip() for part in PARTS]
        self.used.update(names)
        texts = [self.parts.get(name, Text()) for name in names]
        if not texts[0]:
            row.fault(
                f"the step '{key}' has no text.",
                f"Put it under a heading '# {key}' in text.md.",
            )
        return texts

    def role(self, row):
        role = row.get("role", str, "breaks, bench or recap", "")
        if role and role not in ROLES:
            there = f"Use one of {', '.join(ROLES)}."
            row.fault(f"the role '{shortened(role)}' is not known.", there, "role")
        return role

    def goal(self, row, goals, asks):
        """Which goal the step checks, 0 if it names none."""
        goal = row.get("goal", int, "the number of a goal, such as 1", 0)
        if goal and not asks:
            what = "only a step with a prediction or a task checks a goal."
            row.fault(what, "Leave it out.", "goal")
        elif goal and not 1 <= goal <= goals:
            row.fault(f"there is no goal {goal}.", f"There are goals 1 to {goals}.", "goal")
        else:
            return goal
        return 0

    def views(self, row):
        """The kind of scene and the views that are shown."""
        page = row.get("page", str, 'a kind of scene, such as "steer"', "steer")
        try:
            kind = kind_of(page)
        except QuantityError as error:
            row.fault(str(error), "", "page")
            return "steer", ("schematic",)
        show = row.strings("show") or kind.default
        for name in show:
            if name not in kind.views:
                row.fault(
                    f"'{shortened(name)}' is not a view of {page}.",
                    f"There are {', '.join(kind.views)}.",
                    "show",
                )
        return page, tuple(n for n in show if n in kind.views)

    def covered(self, row, page, show, predict):
        """Views that are covered until the question is answered."""
        if "cover" not in row.values:
            return tuple(n for n in show if n in kind_of(page).ahead) if predict else ()
        names = row.strings("cover")
        for name in names:
            if name not in show:
                there = f"It shows {', '.join(show)}."
                row.fault(
                    f"the step covers '{shortened(name)}', not one of its views.", there, "cover"
                )
        if predict is None:
            row.fault("only a step with a prediction covers views.", "Leave it out.", "cover")
        return tuple(n for n in names if n in show)

    def draws(self, row):
        rows = row.rows("draw", "tables")
        if len(rows) > MAX_DRAWS:
            row.fault(f"there are {len(rows)} draws.", f"At most {MAX_DRAWS} are allowed.", "draw")
        return tuple({str(n): _setting(v) for n, v in r.values.items()} for r in rows[:MAX_DRAWS])

    # ---- questions and tasks

    def question(self, row):
        """The prediction and the task of a step; at most one of them is not None."""
        predict, task = row.table("predict"), row.table("task")
        if predict and task:
            row.fault("the step has both a prediction and a task.", "Make two steps of it.", "task")
        return predict and self.predict(predict), task and self.task(task)

    def predict(self, table):
        table.known("question", "change", "choice", "number", "unit", "tolerance", "hint", "wrong")
        question, change = table.text("question"), table.settings("change")
        rows = table.rows("choice", "choices")
        if not rows:
            return self.number(table, question, change)
        if "number" in table.values:
            table.fault(
                "the prediction has both choices and a number.", "Keep one of the two.", "number"
            )
        if not 2 <= len(rows) <= MAX_CHOICES:
            rows[0].fault(f"there are {len(rows)} choices.", f"Write 2 to {MAX_CHOICES}.")
        choices = [self.choice(row) for row in rows]
        return Prediction(question, change, tuple(c for c in choices if c), line=table.line())

    def choice(self, row):
        row.known("text", "when", "hint")
        when = row.expression("when")
        made = Choice(row.text("text"), when, row.text("hint", False), row.line("when"))
        return made if when else None

    def number(self, table, question, change):
        return Prediction(
            question,
            change,
            (),
            table.expression("number"),
            self.unit(table),
            self.tolerance(table),
            table.text("hint"),
            tuple(self.wrong(table)),
            table.line(),
        )

    def unit(self, table):
        unit = table.get("unit", str, 'a unit such as "mV", or ""', None)
        if unit is None:
            table.fault("'unit' is missing.", 'Give the unit to type, such as "mV".')
        elif base_unit(unit) is None:
            table.fault(
                f"the unit '{shortened(unit)}' is not known.",
                'Use V, A, ohm, Hz, s, F, W, dB, deg or %, with any prefix, or "".',
                "unit",
            )
        else:
            return unit
        return ""

    def tolerance(self, table):
        text = table.get("tolerance", str, 'such as "5 %" or "2 mV"', "5 %", True)
        try:
            size = literal(text)
            if size.value <= 0:
                raise QuantityError("it is not above zero.")
            return size
        except QuantityError as error:
            table.fault(
                f"the tolerance '{shortened(text)}' cannot be used: {error}",
                'Write "5 %" or "2 mV".',
                "tolerance",
            )
            return literal("5 %")

    def wrong(self, table):
        """Known wrong numbers."""
        for row in table.rows("wrong", "tables"):
            when, hint = row.expression("when"), row.text("hint")
            if when:
                yield Wrong(when, hint, row.line("when"))

    def task(self, table):
        table.known("goal", "condition", "hint", "solution")
        condition = table.expression("condition")
        made = Task(
            table.text("goal"),
            condition,
            table.text("hint"),
            table.settings("solution"),
            table.line("condition"),
        )
        return made if condition else None

    # ---- settings

    def check_settings(self, row, step):
        """Whether the settings named in a step exist and can be read."""
        state = kind_of(step.page).make_state()
        said = set()
        for keys, texts in _settings_of(step):
            for problem in state.apply_texts(texts):
                if problem not in said:
                    said.add(problem)
                    row.fault(problem, "", *keys)
        state.apply_texts(step.start)
        for name in step.unlock:
            if name not in state.fields():
                row.fault(
                    f"'{shortened(name)}' is not a setting of the page {step.page}.",
                    f"There are {', '.join(state.fields())}.",
                    "unlock",
                )
        if step.task and not step.unlock:
            row.fault("the task has no unlocked control.", "Name one or more in unlock = [...].")


def _settings_of(step):
    """Every table of settings in a step, laid over its start: pairs of (keys, texts)."""
    yield ("start",), step.start
    for n, draw in enumerate(step.draws):
        yield ("draw", n), {**step.start, **draw}
    if step.predict:
        told = {n: t for n, t in step.predict.change.items() if not t.startswith("=")}
        yield ("predict", "change"), {**step.start, **told}
    if step.task:
        yield ("task", "solution"), {**step.start, **step.task.solution}


def _print(row):
    """A short digest of what decides the right answer: a change of wording asks nobody again."""
    asked = {key: row.get(key) for key in ("start", "draw")}
    for key in ("predict", "task"):
        asked[key] = _without_words(row.get(key))
    digest = json.dumps(asked, sort_keys=True, default=str)
    return hashlib.sha256(digest.encode()).hexdigest()[:8]


def _without_words(item):
    if isinstance(item, dict):
        words = ("question", "text", "hint", "goal", "solution")
        return {k: _without_words(v) for k, v in item.items() if k not in words}
    return [_without_words(v) for v in item] if isinstance(item, list) else item


def _setting(value):
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
