"""The text side of a lesson: one component for steps, questions, verdicts and progress."""

import param

from forktail.core.checks import QuantityError
from forktail.ui.component import Component
from forktail.ui.controls import Controls
from forktail.ui.messages import checked


class LessonPanel(Component):
    """Shows `spec` (the whole step) and applies `patch`; messages go to `handlers` by kind.

    `spec` holds HTML made by `markdown.py`, with raw HTML off, and plain texts.
    """

    spec = param.Dict(default={}, doc="What the panel shows.")

    script = "pages/lesson/lesson.js"
    sheets = ("assets/pages/lesson/style.css",)

    def __init__(self, handlers, **params):
        super().__init__(**params)
        self.handlers = handlers
        self._live = {}

    def show(self, spec, live):
        """Show a step; `live` are its live figures."""
        self._live = dict(live)
        self.spec = {**spec, "live": dict(live)}

    def update(self, live, **more):
        """Send the live figures that changed, and whatever else is given."""
        changed = {k: v for k, v in live.items() if self._live.get(k) != v}
        self._live.update(changed)
        if changed or more:
            self.patch = {"live": changed, **more}

    def handle(self, message):
        """Take a message of the browser."""
        try:
            message = checked(message)
            if message["kind"] in self.handlers:
                self.handlers[message["kind"]](message)
        except QuantityError as error:
            self.update({}, refused=str(error))


class LessonList(Component):
    """The list of lessons with progress from the learner's browser."""

    spec = param.Dict(default={}, doc="Lessons, faults and texts to read.")

    script = "pages/lessons/lessons.js"
    sheets = ("assets/pages/lessons/style.css",)


class LessonControls(Controls):
    """Controls of a scene inside a lesson: unlocked rows and Reset only, no link."""

    sheets = ("assets/pages/lesson/style.css",)

    def __init__(self, *args, **params):
        self.seed, self._fresh = "0", False
        super().__init__(*args, **params)

    def draw_with(self, seed):
        """Whose draws the scenes come from: a room that follows is told."""
        self.seed = seed
        self.announce()

    def difference(self):
        """As for a page, with the scene as what lies inside the lesson."""
        patch = super().difference()
        if "query" in patch:  # for a class room that follows: whose draw it is, and the scene
            patch["inner"] = f"seed={self.seed}&{patch.pop('query')}"
            patch["fresh"], self._fresh = self._fresh, False
        return patch

    def rebuild(self, notice=()):
        """Send the specification, with the one tool that a lesson keeps.

        Undo does not go back behind it: other settings are free, or the scene has been moved.
        """
        self.announce()
        self._fresh = True
        super().rebuild(notice)
        self.spec = {**self.spec, "tools": ["reset"] if self.names else []}
