"""The path of both inputs over the four-quadrant map, with the cursor on it."""

import numpy as np
from bokeh.models import Line

from forktail.ui.output_map import OutputMap
from forktail.ui.plots import float_source, replace
from forktail.ui.text import csv_columns

#: Points of the path drawn, at most.
POINTS = 2000


class TrajectoryMap(OutputMap):
    """The map of the Steer page with the path that the drives take over it."""

    def __init__(self, theme="light"):
        super().__init__(theme)
        self.path = float_source(x=[], y=[])
        self.add(Line, "x", "y", source=self.path, line_join="round", meaning="path")
        self._path_drawn = None

    def contours(self, xs, ys, z):
        """As on the map, without labels that the edge would cut off."""
        super().contours(xs, ys, z)

        # a label at the very edge would be cut off
        def inner(v, axis):
            return 0.12 < (v - axis[0]) / (axis[-1] - axis[0]) < 0.88

        self.spots = [s for s in self.spots if inner(s[0], xs) and inner(s[1], ys)]

    def show_path(self, state, scene):
        """Draw the map of a `SignalsState`, the path of the time shown and the cursor."""
        self.show(state)
        drawn = (scene.still, self.factors)
        if drawn == self._path_drawn:
            return
        self._path_drawn = drawn
        run = scene.run
        inside = (run.time >= scene.start) & (run.time <= scene.end)
        x, y = run.v_upper[inside] * self.factors[0], run.v_lower[inside] * self.factors[1]
        if inside.all():  # the record repeats: close the path
            x, y = np.append(x, x[0]), np.append(y, y[0])
        step = -(-len(x) // POINTS)
        replace(self.path, x=x[::step], y=y[::step])

    def csv(self, scene):
        """Comma-separated text of the path: every sample of the window, SI units."""
        run = scene.run
        columns = (run.time, run.v_upper, run.v_lower, run.point.v_out)
        return csv_columns(("time_s", "v_upper_V", "v_lower_V", "v_out_V"), columns)
