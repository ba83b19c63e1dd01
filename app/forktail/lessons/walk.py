"""A learner's way through one lesson: where they are, what they answered, what they may see.

Nothing here knows a browser: the page moves the scenes and sends the words.
"""

from dataclasses import dataclass

from forktail.core.checks import QuantityError
from forktail.lessons.progress import DONE, Progress
from forktail.lessons.run import (
    Situation,
    after_texts,
    draw_of,
    judge_choice,
    judge_number,
)
from forktail.lessons.scenes.kinds import figures
from forktail.lessons.source import Text

#: Wrong answers after which an answer can be shown.
TRIES = 2


@dataclass(frozen=True)
class Said:
    """What the learner is told: whether it is right, in words, with a hint if it is not.

    `shown` says that the answer was shown rather than given.
    """

    right: bool
    text: str
    hint: Text = Text()
    shown: bool = False


class Walk:
    """One learner in one lesson.

    `phase` of a step is `read`, `ask` (the question is open, the controls are locked), `moving`
    (answered, the scene is on its way), `done` (answered), `task` or `met`.

    Attributes
    ----------
    states : dict of page -> PageState, one a kind of scene.
    at : index of the step. `tries`, `hinted`, `answer`, `said` (Said or None): there.
    situation : Situation of the step.
    met : figures of the scene in which a task was met, or None.
    holds : whether the condition of a task holds now.
    moved : whether the learner has moved something since the scene came to rest.
    showing : whether the goal of a task is being shown rather than met.
    """

    def __init__(self, lesson):
        self.lesson = lesson
        self.states = {s.page: s.kind.make_state() for s in lesson.steps}
        self.begin(None, "0")
        self.enter(0)

    def begin(self, record, seed):
        """Take up the progress that a browser keeps, and the seed that draws its figures."""
        self.progress, self.seed = Progress(record), seed

    @property
    def step(self):
        """The present step."""
        return self.lesson.steps[self.at]

    @property
    def state(self):
        """The state of the present scene."""
        return self.states[self.step.page]

    # ---- what the learner may do and see

    def unlocked(self):
        """Names of the settings that can be moved now."""
        return () if self.phase in ("ask", "moving") else self.step.unlock

    def covered(self):
        """Views that are covered now, because they would give the answer."""
        return self.step.cover if self.phase == "ask" else ()

    def may_be_shown(self):
        """Whether the answer, or a way to the goal, can be asked for."""
        if self.phase == "ask":
            return self.tries >= TRIES
        return self.phase == "task" and self.hinted

    # ---- going to a step

    def enter(self, at):
        """Go to a step; what the learner has done there before is kept."""
        self.at = at
        step, done = self.step, self.progress.of(self.step)
        result = done.get("result")
        self.tries, self.answer, self.said = self.progress.tries(step), None, None
        self.hinted = self.holds = self.moved = self.showing = False
        self.met = None
        self.situation = Situation.of(step, draw_of(step, self.seed))
        if step.predict:
            self._enter_question(done)
        elif step.task:
            self.phase = "met" if result in DONE else "task"
            self.hinted = result == "tried"
            self.said = _past(done) if result in DONE else None
        else:
            self.phase = "read"
        self.state.apply_texts(self._texts(done))
        if self.phase == "met":  # met before: the way there is free to be walked again
            self.met = self.figures()

    def _enter_question(self, done):
        self.phase = "ask"
        if done.get("result") in DONE:
            self.phase, self.said = "done", _past(done)
            self.answer = self.situation.answer_text()
        elif self.tries:  # a wrong try outlives a page that loads again
            try:
                self._judge(done.get("answer"))
            except QuantityError:  # what the browser kept is no answer
                self.answer = None

    def _texts(self, done):
        """The settings to begin with."""
        if self.phase == "done":
            return self.home()
        kept = done.get("set") if self.phase in ("met", "task") else None
        texts = {n: str(t)[:40] for n, t in kept.items()} if isinstance(kept, dict) else {}
        texts = {n: t for n, t in texts.items() if n in self.step.unlock}
        sound = not self.step.kind.make_state().apply_texts(texts)
        return {**self.home(), **(texts if sound else {})}

    def home(self):
        """Settings that Reset goes back to: the start, or what the announced change leads to."""
        if self.phase in ("moving", "done"):
            return after_texts(self.step, self.situation.draw)
        return {**self.step.start, **self.situation.draw}

    def again(self):
        """Forget what was done in this step and begin it again."""
        self.progress.forget(self.step)
        self.enter(self.at)

    def look_around(self):
        """Note that a step without a question has been read."""
        if self.phase == "read":
            self.progress.note(self.step, "read", 0)

    # ---- a prediction

    def reply(self, answer):
        """Judge an answer: the index of a choice, or a typed number. A bad one costs no try.

        Returns
        -------
        bool
            Whether it is right.

        Raises
        ------
        QuantityError
            If it cannot be read.
        """
        right = self._judge(answer)
        self.tries += 1
        if right:
            text = "Right." if self.tries == 1 else f"Right, on try {self.tries}."
            self.said, self.phase = Said(True, text), "moving"
        else:
            self.progress.note(self.step, "tried", self.tries, answer=self.answer)
        return right

    def _judge(self, answer):
        if self.step.predict.choices:
            verdict = judge_choice(self.situation, answer)
        else:
            answer = "" if answer is None else str(answer)[:60]
            self.answer = answer
            verdict = judge_number(self.situation, answer)
        self.answer = answer
        if not verdict.right:
            self.said = Said(False, "Not quite.", verdict.hint)
        return verdict.right

    def give_up(self):
        """Let the answer be shown."""
        self.answer = self.situation.answer_text()
        text = (
            "The right choice is marked above."
            if self.step.predict.choices
            else f"The answer is {self.answer}."
        )
        self.said, self.phase = Said(True, text, shown=True), "moving"

    def arrive(self):
        """The scene has moved to where the announced change leads."""
        self.phase, self.moved = "done", False
        result = "shown" if self.said.shown else "right"
        self.progress.note(self.step, result, self.tries)

    # ---- a task

    def hint(self):
        """Give the hint of the task."""
        self.tries, self.hinted = self.tries + 1, True
        self.progress.note(self.step, "tried", self.tries, set=self._set())

    def keep(self):
        """Keep where the controls of an open task are, for a page that loads again."""
        if self.phase == "task" and not self.showing:
            result = self.progress.of(self.step).get("result", "open")
            self.progress.note(self.step, result, self.tries, set=self._set())

    def _set(self):
        """The unlocked settings as texts."""
        texts = self.state.texts(changed_only=False)
        return {n: texts[n] for n in self.step.unlock}

    def watch(self, known):
        """Look whether the condition of the task holds; returns whether that has changed."""
        before = self.holds
        self.holds = self.step.task.condition.holds(known)
        return self.holds != before

    def meet(self):
        """The task is met, if its condition still holds; returns whether it is."""
        known = self.figures()
        if self.phase != "task" or not self.step.task.condition.holds(known):
            return False
        self.phase, self.met = "met", known
        text = "This is one way to do it." if self.showing else "Done. The numbers agree."
        self.said = Said(True, text, shown=self.showing)
        result = "shown" if self.showing else "met"
        self.progress.note(self.step, result, self.tries, set=self._set())
        return True

    def figures(self):
        """What is computed from the scene as it is."""
        return figures(self.step.kind, self.state)


def _past(done):
    """What is said of a step that was done before."""
    if done.get("result") == "shown":
        return Said(True, "You had this shown. Try it again whenever you like.", shown=True)
    tries = done.get("tries")
    often = f" It took {tries} tries." if isinstance(tries, int) and tries > 1 else ""
    return Said(True, f"You have done this step.{often}")
