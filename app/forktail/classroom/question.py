"""One prediction round: a question, what was answered in each asking, and how it shifted."""

from dataclasses import dataclass, field

from forktail.core.checks import QuantityError
from forktail.ui.text import csv_text

PHASES = ("open", "closed", "revealed")
MAX_CHOICES, MAX_ROUNDS, MAX_TEXT = 6, 8, 600
LETTERS = "ABCDEF"


@dataclass
class Question:
    """A question put to the room.

    Attributes
    ----------
    id : int
    text : str
    choices : tuple of str
    right : int
        Index of the right choice, computed from the scene by whoever made the question.
    why : str
        What the core computed, said when the answer is shown.
    after : dict or None
        Scene (`path`, `query`) after the change that is asked about.
    lesson : str
        `lesson/step` of the lesson that it is in, "" for none.
    hide : bool
        Whether the presenter sees the counts only once it is closed.
    phase : str
        One of `PHASES`.
    rounds : list of dict
        For each asking: seat -> index of the choice.
    """

    id: int
    text: str
    choices: tuple
    right: int
    why: str = ""
    after: dict = None
    hide: bool = True
    phase: str = "open"
    rounds: list = field(default_factory=lambda: [{}])
    lesson: str = ""

    def answer(self, seat, choice):
        """Take an answer; QuantityError says why it is not taken."""
        if self.phase != "open":
            raise QuantityError("The question is closed; no more answers are accepted.")
        if seat in self.rounds[-1]:
            raise QuantityError("Your answer is already in and cannot be changed.")
        if (
            not isinstance(choice, int)
            or isinstance(choice, bool)
            or not 0 <= choice < len(self.choices)
        ):
            raise QuantityError("Pick one of the choices shown.")
        self.rounds[-1][seat] = choice

    def again(self):
        """Ask again: a new round of answers; the former ones stay for comparison."""
        if self.phase == "open":
            raise QuantityError("Close the question before you ask it again.")
        if len(self.rounds) >= MAX_ROUNDS:
            raise QuantityError(f"The question was asked {MAX_ROUNDS} times; ask a new one.")
        self.rounds.append({})
        self.phase = "open"

    def counts(self):
        """How many picked each choice: one list for each asking."""
        return [
            [sum(c == n for c in given.values()) for n in range(len(self.choices))]
            for given in self.rounds
        ]

    def flow(self, asking):
        """Who came from where: {(choice before or None, choice now): number of seats}.

        Parameters
        ----------
        asking : int
            Index of the round; in the first everybody comes from None.
        """
        before = self.rounds[asking - 1] if asking else {}
        out = {}
        for seat, choice in self.rounds[asking].items():
            key = (before.get(seat), choice)
            out[key] = out.get(key, 0) + 1
        return out

    def shift(self):
        """How the last asking differs from the one before, among those who answered both.

        Returns
        -------
        dict with `both`, `right_before`, `right_now`, `to_right`, `from_right`, or None
        """
        if len(self.rounds) < 2:
            return None
        pairs = {k: n for k, n in self.flow(len(self.rounds) - 1).items() if k[0] is not None}

        def add(test):
            return sum(n for k, n in pairs.items() if test(*k))

        return {
            "both": add(lambda a, b: True),
            "right_before": add(lambda a, b: a == self.right),
            "right_now": add(lambda a, b: b == self.right),
            "to_right": add(lambda a, b: a != self.right and b == self.right),
            "from_right": add(lambda a, b: a == self.right and b != self.right),
        }

    def for_learners(self):
        """What learners get: never the right choice or a count before they are shown."""
        out = {
            "id": self.id,
            "round": len(self.rounds),
            "text": self.text,
            "choices": list(self.choices),
            "phase": self.phase,
            "lesson": self.lesson,
        }
        if self.phase == "revealed":
            out |= {
                "right": self.right,
                "why": self.why,
                "counts": self.counts(),
                "shift": self.shift(),
            }
        return out

    def for_presenter(self):
        """What the presenter gets: counts as they come, unless they were to be hidden."""
        out = self.for_learners()
        hidden = self.hide and self.phase == "open"
        counts = self.counts()
        out |= {
            "hide": self.hide,
            "after": self.after,
            "answered": len(self.rounds[-1]),
            "counts": counts[:-1] if hidden else counts,
        }
        if self.phase != "open":
            out |= {"shift": self.shift()}
        return out

    def rows(self):
        """Anonymous results: one row for each asking, former choice and choice."""
        for asking in range(len(self.rounds)):
            flow = self.flow(asking)
            sources = sorted({a for a, _ in flow} | {None}, key=lambda a: -1 if a is None else a)
            for source in sources:
                for n, choice in enumerate(self.choices):
                    count = flow.get((source, n), 0)
                    if count or source is None:
                        yield [
                            self.id,
                            self.text,
                            asking + 1,
                            "" if source is None else LETTERS[source],
                            LETTERS[n],
                            choice,
                            "yes" if n == self.right else "no",
                            count,
                        ]

    def to_dict(self):
        """Plain data for a snapshot."""
        return {
            "id": self.id,
            "text": self.text,
            "choices": list(self.choices),
            "right": self.right,
            "why": self.why,
            "after": self.after,
            "hide": self.hide,
            "phase": self.phase,
            "rounds": self.rounds,
            "lesson": self.lesson,
        }

    @classmethod
    def from_dict(cls, data):
        """Read a snapshot; QuantityError if it does not hold together."""
        try:
            choices = tuple(str(c)[:MAX_TEXT] for c in data["choices"])
            rounds = [{str(s)[:32]: int(c) for s, c in given.items()} for given in data["rounds"]]
            right = int(data["right"])
            good = (
                2 <= len(choices) <= MAX_CHOICES
                and 0 <= right < len(choices)
                and 1 <= len(rounds) <= MAX_ROUNDS
                and data["phase"] in PHASES
                and all(0 <= c < len(choices) for g in rounds for c in g.values())
            )
            if not good:
                raise ValueError
            return cls(
                int(data["id"]),
                str(data["text"])[:MAX_TEXT],
                choices,
                right,
                str(data["why"])[:MAX_TEXT],
                data["after"],
                bool(data["hide"]),
                data["phase"],
                rounds,
                str(data.get("lesson", ""))[:MAX_TEXT],
            )
        except (KeyError, TypeError, ValueError, AttributeError):
            raise QuantityError("the question kept in this browser cannot be read.") from None


COLUMNS = (
    "question",
    "question_text",
    "asking",
    "choice_before",
    "choice",
    "choice_text",
    "right",
    "answers",
)


def results_csv(rows):
    """Comma-separated text of rows from `Question.rows`."""
    return csv_text(COLUMNS, rows)
