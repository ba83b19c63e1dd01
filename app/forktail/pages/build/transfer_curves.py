"""Transfer curves of the built cell, of the textbook, or of both on one pair of axes."""

import numpy as np
from bokeh.models import BasicTicker, Line, Scatter, Segment

from forktail.ui.output_map import AXIS_LABELS
from forktail.ui.plots import Plot, axis_unit, float_source, replace
from forktail.ui.text import csv_columns


class TransferCurve(Plot):
    """Output over one input: built solid, textbook dotted, the point on it.

    Where there is no solution the line is broken and crosses are drawn on the zero line.
    """

    def __init__(self, name, axis, theme="light"):
        super().__init__(name, theme)
        self.axis = axis
        f = self.figure
        self.zero = float_source(x0=[0, 0], y0=[0, 0], x1=[0, 0], y1=[0, 0])
        self.add(Segment, "x0", "y0", "x1", "y1", source=self.zero, meaning="zero")
        self.textbook, self.built, self.lost, self.point = (
            float_source(x=[], y=[]) for _ in range(4)
        )
        self.add(Line, "x", "y", source=self.built, meaning="output")
        self.add(Line, "x", "y", source=self.textbook, meaning="textbook")
        lost = self.add(Scatter, "x", "y", source=self.lost, marker="x", size=8, line_width=1.6)
        self.paint(lost.glyph, line_color="ink")
        mark = self.add(
            Scatter, "x", "y", source=self.point, size=12, line_width=2.5, level="overlay"
        )
        self.paint(mark.glyph, line_color="panel", fill_color="ink")
        f.xaxis[0].ticker = BasicTicker(desired_num_ticks=2)
        f.yaxis[0].ticker = BasicTicker(desired_num_ticks=4)
        self.data = ((), ())
        self.send_drags(mark)
        self.factor = 1.0

    def show(self, x, built, textbook, at, full):
        """Draw the curves.

        Parameters
        ----------
        x : numpy.ndarray, V
        built, textbook : numpy.ndarray or None, V
        at : (float, float or None)
            The point, V; None where there is no answer.
        full : float
            Half of the range of the output axis, V.
        """
        fx, ux = axis_unit(x[0], x[-1], "V")
        fy, uy = axis_unit(-full, full, "V")
        self.factor = fx
        self.set_range("x", x[0] * fx, x[-1] * fx)
        self.set_range("y", -full * fy, full * fy)
        self.set_label("x", f"{AXIS_LABELS[self.axis][0]} ({ux})")
        self.set_label("y", f"Output ({uy})")
        for source, y in ((self.built, built), (self.textbook, textbook)):
            if y is None:
                replace(source, x=[], y=[])
            else:
                replace(source, x=x * fx, y=y * fy)
        lost = x[~np.isfinite(built)] if built is not None else x[:0]
        replace(self.lost, x=lost * fx, y=0.0 * lost)
        there = at[1] is not None
        replace(self.point, x=[at[0] * fx] if there else [], y=[at[1] * fy] if there else [])
        replace(
            self.zero, x0=[x[0] * fx, 0], y0=[0, -full * fy], x1=[x[-1] * fx, 0], y1=[0, full * fy]
        )
        self.data = (x, built, textbook)

    def csv(self):
        """Comma-separated text: SI units, an empty cell where there is no solution."""
        x, built, textbook = self.data
        names = [f"{self.axis}_V"]
        columns = [x]
        for name, y in (("built", built), ("textbook", textbook)):
            if y is not None:
                names.append(f"v_out_{name}_V")
                columns.append(y)
        if built is not None and textbook is not None:
            names.append("difference_V")
            columns.append(built - textbook)
        return csv_columns(names, columns)
