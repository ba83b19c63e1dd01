"""Moves a scene to new settings in frames, so that the eye can follow."""

import panel as pn

from forktail.ui.state import Quantity

#: Frames of one move, and ms between them.
FRAMES, FRAME_MS = 16, 50


class Motion:
    """At most one move at a time."""

    def __init__(self):
        self._call = None

    def run(self, state, texts, arrive, jump=False):
        """Move a state to the settings `texts`, then call `arrive`; `jump` without frames."""
        self.stop()
        ways = _ways(state, texts)
        if jump or not ways or pn.state.curdoc is None:
            state.apply_texts(texts)
            arrive()
            return
        frame = 0

        def move():
            nonlocal frame
            frame += 1
            if frame >= FRAMES:
                self.stop()
                state.apply_texts(texts)
                arrive()
                return
            t = frame / FRAMES
            t = t * t * (3.0 - 2.0 * t)
            state.param.update(**{n: a + (b - a) * t for n, (a, b) in ways.items()})

        self._call = pn.state.add_periodic_callback(move, period=FRAME_MS)

    def stop(self):
        """End the move under way."""
        if self._call is not None:
            self._call.stop()
            self._call = None


def _ways(state, texts):
    """Quantities that move: name -> (from, to); none if one of them has to jump."""
    goal = type(state)()
    goal.apply_texts(texts)
    ways = {
        n: (getattr(state, n), getattr(goal, n))
        for n in state.fields()
        if isinstance(state.param[n], Quantity) and getattr(state, n) != getattr(goal, n)
    }
    # frequencies on their way have no short common period, so they jump
    return {} if any(state.param[n].unit == "Hz" for n in ways) else ways
