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
    parts = { "resistor 1 kΩ, 1 %" = 2 }
                                     # what the bench step takes; the lists of all lessons add up

    [[step]]                         # one table a step, in order
    id = "share"                     # unique in the lesson; keep it: progress hangs on it
    title = "Who gets the current?"
    role = "breaks"                  # optional: "breaks" (where it breaks), "bench" (bench
                                     #   tie-in) or "recap"; shown above the title, so do not
                                     #   repeat it there
    page = "steer"                   # kind of scene, default "steer" (see scenes/kinds.py)
    show = ["schematic", "map"]      # views beside the text; for steer: schematic, waves, sentence,
                                     #   map, across, up, numbers; default schematic and sentence
    cover = ["map"]                  # views covered until the question is answered; left out:
                                     #   those that show what other settings would give
    start = { stage = "pair", v_upper = "0V", i_tail = "2mA" }
                                     # settings as in a link; what is not named is at its default
    unlock = ["v_upper"]             # controls that the learner gets (names of settings)
    goal = 1                         # which of the goals its question or task checks

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
`grammar.py`. Names: every setting of the page, and what is computed from it (for steer see
`steer_figures` in scenes/figures.py). In `when`, `number` and the explain text plain names are the
scene after the change and `before.NAME` is the scene before it.

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
- A block between lines `::: moved` and `:::` waits until the learner has moved something: what is
  said about "now" belongs there. `::: screen` and `::: paper` blocks are for one of the two only;
  the worksheet has neither sliders nor anything that moves.
- `$ v_out = I_tail R_load tanh(v_upper / 2 V_T) $` is a formula in the notation of
  `formula.py` (`$$ ... $$` on a separate line).
- `[tail current](glossary:tail-current)` links a term of `lessons/glossary.md`, where each
  level-two heading is a term; `[assumptions](assumptions:)` links that page.

A lesson is expected to have two predictions or more, a task, and one step each with the role
breaks, bench and recap; the check says what is missing as a note.

Other scenes
------------
`page` may also be `signals` (inputs, collectors, difference, spectrum, map, figures, sentence),
the name of a use, such as `mixer`, `dsb` or `phase_detector` (spectrum, curve, time, diagram,
card, noise, sentence; settings by their own names, those of the cell as cell_NAME), `built` (the
board part by part: schematic, over_upper, over_lower, card, sentence) or `capture` (a capture over
its prediction: overlay, residual, card, meter). `readings = "name name"` in `start` says which
figures the card shows. What is computed: see scenes/figures.py.

`register(SceneKind(...))` in scenes/figures.py opens another page to lessons; its views stand
under the same key in scenes/views.py. The text of a lesson need not change for that.
"""

import re
from dataclasses import dataclass, field, replace

from forktail.lessons.grammar import Expression
from forktail.lessons.quantity import Figure
from forktail.lessons.scenes.kinds import kind_of
from forktail.lessons.source import Fault, Text

#: Ids of the lessons that are made of questions of the others (see `rounds.py`).
CHECK, REVIEW = "final-check", "review"
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
    """One step of a lesson.

    `print` changes when its question or task does; `goal` counts from 1, 0 for none.
    """

    id: str
    title: str
    role: str
    page: str
    show: tuple
    cover: tuple
    start: dict
    draws: tuple
    unlock: tuple
    text: Text
    explain: Text
    derivation: Text
    predict: Prediction
    task: Task
    print: str
    goal: int
    line: int

    @property
    def kind(self):
        """The `SceneKind` of its scene."""
        return kind_of(self.page)


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
    parts: dict = field(default_factory=dict)

    def checks(self, goal):
        """Ids of the steps that check a goal, which counts from 1."""
        return [s.id for s in self.steps if s.goal == goal]

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

    def with_more(self, more):
        """This library with the lessons, terms and assumptions of another behind its own.

        A lesson whose id is taken becomes an entry with that fault; a term that both explain is
        explained as the other does.
        """
        taken = {e.lesson.id: e.folder for e in self.entries if e.lesson}
        entries = []
        for entry in more.entries:
            if entry.lesson and entry.lesson.id in taken:
                what = f"the id '{entry.lesson.id}' is that of the lesson {taken[entry.lesson.id]}."
                fault = Fault(entry.lesson.file, 1, what, "Give yours another id.")
                entry = replace(entry, lesson=None, faults=(*entry.faults, fault))
            entries.append(entry)
        both = f"{self.assumptions.source}\n\n{more.assumptions.source}".strip()
        return Library(
            (*self.entries, *entries),
            {**self.glossary, **more.glossary},
            replace(self.assumptions, source=both),
            (*self.faults, *more.faults),
        )

    def lesson(self, key):
        """Lesson with this id, or None."""
        return next((e.lesson for e in self.entries if e.lesson and e.lesson.id == key), None)
