"""The questions of a room: the one that is put now, and what is left of those before."""

from forktail.classroom.question import (
    MAX_CHOICES,
    MAX_TEXT,
    Question,
    results_csv,
)
from forktail.classroom.stage import read_scene
from forktail.core.checks import QuantityError

MAX_HISTORY, MAX_SEATS = 100, 2000
_PUT = ("room", "desk", "tally", "snapshot")


class Asking:
    """Puts, closes and shows questions. Methods of the presenter return what they changed."""

    def __init__(self, paths):
        self.paths = tuple(paths)
        self.question, self.history, self.asked = None, [], 0

    # learners

    def answer(self, seat, question, asking, choice):
        """Take a learner's answer to the present question; it counts once and stays."""
        now = self.question
        if now is None or now.id != question or len(now.rounds) != asking:
            raise QuantityError("That question is over.")
        if len(now.rounds[-1]) >= MAX_SEATS:
            raise QuantityError(
                f"The room has {MAX_SEATS} answers, its limit; no more can be accepted."
            )
        now.answer(seat, choice)

    def given(self, seat):
        """What a seat has answered to the present question, for its own browser."""
        if self.question is None:
            return {"question": 0, "answers": []}
        return {
            "question": self.question.id,
            "answers": [given.get(seat) for given in self.question.rounds],
        }

    # the presenter

    def ask(self, question):
        """Put a question.

        Parameters
        ----------
        question : dict
            `text`, `choices`, `right`, `why`, `after`, `hide`, `lesson`; and `instead`, the id of
            the open question that it replaces.
        """
        now = self.question
        if now is not None and now.phase == "open" and question.get("instead") != now.id:
            raise QuantityError(
                f"Question {now.id} is still open. Close it first, or say that the new one "
                "takes its place."
            )
        choices = tuple(str(c)[:MAX_TEXT] for c in question["choices"])
        if not 2 <= len(choices) <= MAX_CHOICES or question["right"] not in range(len(choices)):
            raise QuantityError(f"A question has 2 to {MAX_CHOICES} choices, one of them right.")
        after = read_scene(question.get("after"), self.paths)
        self._put_away()
        self.asked += 1
        self.question = Question(
            self.asked,
            str(question["text"])[:MAX_TEXT],
            choices,
            int(question["right"]),
            str(question.get("why", ""))[:MAX_TEXT],
            after,
            bool(question.get("hide", True)),
            lesson=str(question.get("lesson", ""))[:MAX_TEXT],
        )
        return _PUT

    def close(self):
        """Take no more answers."""
        self._now().phase = "closed"
        return ("room", "desk", "snapshot")

    def reveal(self):
        """Show the right answer and the counts to everybody; takes no more answers."""
        self._now().phase = "revealed"
        return ("room", "desk", "snapshot")

    def again(self):
        """Ask the same question once more, after discussion."""
        self._now().again()
        return _PUT

    def done(self):
        """Put the question away; its counts stay for the results."""
        self._now()
        self._put_away()
        return _PUT

    def results(self):
        """Anonymous results of all questions that are closed, as comma-separated text."""
        rows = list(self.history)
        if self.question is not None and self.question.phase != "open":
            rows += self.question.rows()
        return results_csv(rows)

    def _now(self):
        if self.question is None:
            raise QuantityError("No question is open at the moment.")
        return self.question

    def _put_away(self):
        # only counts outlive a question, not who answered what
        if self.question is not None and any(self.question.rounds):
            self.history += [list(row) for row in self.question.rows()]
            del self.history[: -MAX_HISTORY * MAX_CHOICES]
        self.question = None

    def snapshot(self):
        """Plain data from which `restore` makes this again."""
        return {
            "asked": self.asked,
            "history": self.history,
            "question": self.question.to_dict() if self.question else None,
        }

    @classmethod
    def restore(cls, data, paths):
        """The questions of a snapshot; ValueError if it cannot be read."""
        made = cls(paths)
        made.history = [
            [str(c)[:MAX_TEXT] if isinstance(c, str) else int(c) for c in row]
            for row in data.get("history") or []
        ][-MAX_HISTORY * MAX_CHOICES :]
        if any(len(row) != 8 for row in made.history):
            raise ValueError
        if data.get("question"):
            made.question = Question.from_dict(data["question"])
            made.question.after = read_scene(made.question.after, paths)
        made.asked = max(int(data.get("asked", 0)), made.question.id if made.question else 0)
        return made
