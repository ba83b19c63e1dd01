"""What a learner's browser keeps of one lesson: step id -> what was done there.

The browser hands it over when the page opens, and takes each new entry. It may hold anything:
it may come from a file, or from another version of the lesson.
"""

#: How much a result is worth: a better one is never written over.
_WORTH = {"open": 0, "read": 0, "tried": 1, "shown": 2, "right": 3, "met": 3}
#: Results after which a step counts as done.
DONE = ("right", "met", "shown")


class Progress:
    """Entries of one lesson. `news` are those that the browser does not have yet."""

    def __init__(self, record=None):
        record = record if isinstance(record, dict) else {}
        steps = record.get("steps")
        self.at = record.get("at")
        self.steps = dict(steps) if isinstance(steps, dict) else {}
        self.news = []

    def of(self, step):
        """Entry of a step, {} if there is none or if the step has asked something else since."""
        entry = self.steps.get(step.id)
        sound = isinstance(entry, dict) and entry.get("print") == step.print
        return entry if sound and entry.get("result") in _WORTH else {}

    def tries(self, step):
        """Tries that a step has cost so far."""
        tries = self.of(step).get("tries")
        return min(max(tries, 0), 99) if isinstance(tries, int) else 0

    def note(self, step, result, tries, **more):
        """Keep a result, unless a better one is kept already."""
        if _WORTH.get(self.of(step).get("result"), -1) > _WORTH[result]:
            return
        entry = {"result": result, "tries": tries, "print": step.print, **more}
        self.steps[step.id] = entry
        self.news.append({"step": step.id, **entry})

    def forget(self, step):
        """Forget a step, so that it can be tried again."""
        self.steps.pop(step.id, None)

    def take_news(self):
        """What the browser is to keep, once."""
        news, self.news = self.news, []
        return news
