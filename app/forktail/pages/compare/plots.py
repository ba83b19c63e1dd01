"""Capture on prediction, and what is left, over one stretch of time."""

import numpy as np
from bokeh.models import BasicTicker, Line, Segment

from forktail.ui.plots import Plot, axis_unit, float_source, replace
from forktail.ui.static_chart import thinned
from forktail.ui.text import csv_columns

#: Most points drawn of one line.
DRAWN = 1600


def stretch(time, start, span):
    """Slice of the samples from `start` per cent over `span` per cent of the record."""
    n = len(time)
    first = int(n * start / 100.0)
    return slice(
        min(first, n - 2),
        max(min(n, first + int(np.ceil(n * span / 100.0))), min(first, n - 2) + 2),
    )


class TimePlot(Plot):
    """Lines over time, in V and s, thinned to what a screen shows."""

    def __init__(self, name, lines, theme="light"):
        super().__init__(name, theme)
        self.stack()
        self.zero = float_source(x0=[0], y0=[0], x1=[0], y1=[0])
        self.add(Segment, "x0", "y0", "x1", "y1", source=self.zero, meaning="zero")
        self.sources = {}
        for key, meaning in lines:
            self.sources[key] = float_source(x=[], y=[])
            self.add(Line, "x", "y", source=self.sources[key], meaning=meaning)
        self.figure.yaxis[0].ticker = BasicTicker(desired_num_ticks=5)

    def show(self, time, lines, cut, label):
        """Draw.

        Parameters
        ----------
        time : numpy.ndarray, shape (n,), s
        lines : dict of key to numpy.ndarray, shape (n,), V
        cut : slice
        label : str
        """
        t = time[cut]
        parts = {k: y[cut] for k, y in lines.items()}
        finite = [y[np.isfinite(y)] for y in parts.values()]
        low = min((float(y.min()) for y in finite if y.size), default=-1e-3)
        high = max((float(y.max()) for y in finite if y.size), default=1e-3)
        pad = 0.06 * (high - low) or 1e-6
        low, high = low - pad, high + pad
        fx, ux = axis_unit(t[0], t[-1], "s")
        fy, uy = axis_unit(low, high, "V")
        self.set_range("x", t[0] * fx, t[-1] * fx)
        self.set_range("y", low * fy, high * fy)
        self.set_label("x", f"Time ({ux})")
        self.set_label("y", f"{label} ({uy})")
        replace(self.zero, x0=[t[0] * fx], y0=[0], x1=[t[-1] * fx], y1=[0])
        for key, y in parts.items():
            x, v = thinned(t, y, DRAWN)
            replace(self.sources[key], x=x * fx, y=v * fy)


class Overlay(TimePlot):
    """Output as captured over the prediction, and the wave of a cause over it."""

    def __init__(self, theme="light"):
        super().__init__(
            "overlay",
            # the capture is broad and pale, so that what lies on it is seen
            (("measured", "captured"), ("predicted", "predicted"), ("fitted", "cause")),
            theme,
        )

    def draw(self, comparison, cut):
        """Draw a comparison."""
        c = comparison
        self.show(
            c.time,
            {"predicted": c.predicted, "fitted": c.fitted, "measured": c.measured},
            cut,
            "Output",
        )


class Residual(TimePlot):
    """Captured less predicted, and captured less the wave of a cause."""

    def __init__(self, theme="light"):
        lines = (("residual", "difference"), ("fit", "cause difference"))
        super().__init__("residual", lines, theme)

    def draw(self, comparison, cut):
        """Draw a comparison."""
        c = comparison
        self.show(c.time, {"residual": c.residual, "fit": c.measured - c.fitted}, cut, "Difference")


def overlay_csv(comparison):
    """Comma-separated text of all compared samples, SI."""
    c = comparison
    columns = (c.time, c.measured, c.predicted, c.fitted, c.residual, c.v_upper, c.v_lower)
    names = ("captured", "predicted", "fitted", "residual", "v_upper", "v_lower")
    return csv_columns(("time_s", *(f"{n}_V" for n in names)), columns)
