"""Looks for a way to the goal of a task, over the core only."""

import itertools
import random

from forktail.core.checks import QuantityError
from forktail.lessons.run import draw_of, start_state
from forktail.lessons.scenes.kinds import figures
from forktail.ui.state import Quantity

#: Scenes tried at most in the search of one task (a slow kind of scene: a tenth of it).
MAX_TRIES = 1500


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
