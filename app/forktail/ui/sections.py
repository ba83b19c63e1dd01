"""Section lines through the point of the map, and gain against tail current in stage 1."""

from bokeh.models import BasicTicker, Line, Scatter, Segment

from forktail.ui.output_map import AXIS_LABELS
from forktail.ui.plots import Plot, axis_unit, float_source, replace
from forktail.ui.text import csv_columns


class Section(Plot):
    """A small plot: one curve, the point of the scene on it, zero lines.

    `across` is how many numbers there is room for below it.
    """

    def __init__(self, name, theme="light", across=2):
        super().__init__(name, theme)
        f = self.figure
        self.zero = float_source(x0=[0, 0], y0=[0, 0], x1=[0, 0], y1=[0, 0])
        self.add(Segment, "x0", "y0", "x1", "y1", source=self.zero, meaning="zero")
        self.curve = float_source(x=[], y=[])
        self.add(Line, "x", "y", source=self.curve, meaning="output")
        self.point = float_source(x=[], y=[])
        mark = self.add(
            Scatter, "x", "y", source=self.point, size=13, line_width=2.5, level="overlay"
        )
        self.paint(mark.glyph, line_color="panel", fill_color="ink")
        f.xaxis[0].ticker = BasicTicker(desired_num_ticks=across)
        f.yaxis[0].ticker = BasicTicker(desired_num_ticks=4)
        self.data = (("x", "y"), (), ())

    def show(self, x_name, x, y, at, y_label, y_unit, y_low, y_high):
        """Draw a curve.

        Parameters
        ----------
        x_name : str
            Key of `AXIS_LABELS`.
        x, y : numpy.ndarray, shape (n,)
            SI.
        at : (float, float)
            The point, SI.
        y_label, y_unit : str
        y_low, y_high : float
            Range, SI.
        """
        label, unit = AXIS_LABELS[x_name]
        fx, ux = axis_unit(x[0], x[-1], unit)
        fy, uy = axis_unit(y_low, y_high, y_unit)
        self.set_range("x", x[0] * fx, x[-1] * fx)
        self.set_range("y", y_low * fy, y_high * fy)
        self.set_label("x", f"{label} ({ux})")
        self.set_label("y", f"{y_label} ({uy})")
        replace(self.curve, x=x * fx, y=y * fy)
        replace(self.point, x=[at[0] * fx], y=[at[1] * fy])
        replace(
            self.zero,
            x0=[x[0] * fx, 0],
            y0=[0, y_low * fy],
            x1=[x[-1] * fx, 0],
            y1=[0, y_high * fy],
        )
        self.data = ((f"{x_name}_{unit}", f"{y_label.lower()}_{y_unit}".replace(" ", "_")), x, y)

    def csv(self):
        """Comma-separated text of the curve."""
        names, x, y = self.data
        return csv_columns(names, (x, y))
