"""The time plots of the Signals page: four plots over one time axis, with one cursor.

All four share their data, their time range and the cursor, so an event sends each number once;
the cursor lies on the overlay canvas and moves without a waveform being sent or repainted.
"""

import numpy as np
from bokeh.core.properties import value
from bokeh.models import (
    BasicTicker,
    Legend,
    LegendItem,
    Line,
    Range1d,
    Scatter,
    VSpan,
    VStrip,
)

from forktail.core.quantities import format_quantity
from forktail.ui.palette import LINES
from forktail.ui.plots import FONT, Plot, axis_unit, float_source, replace
from forktail.ui.text import csv_columns

#: Points drawn of one waveform, at most.
POINTS = 1000
#: Stretches with the lower input negative that are shaded, at most: more would be a blur.
MOST_STRETCHES = 16

MARKED = "phase inverted"

#: Plot -> (axis label, traces); a trace is (column, legend, key of `LINES`).
TRACES = {
    "inputs": ("Inputs", (("upper", "upper input", "upper"), ("lower", "lower input", "lower"))),
    "collectors": (
        "Collectors",
        (("left", "left collector", "left"), ("right", "right collector", "right")),
    ),
    "difference": (
        "Output",
        (
            ("beside", "textbook cell", "textbook"),
            ("out", "right \u2212 left", "output"),
            ("product", "ideal product", "relation"),
        ),
    ),
    "error": ("Error", (("error", "difference less ideal product", "difference"),)),
}
#: Column of the sources -> column of the file, V.
CSV_NAMES = {
    "upper": "v_upper_V",
    "lower": "v_lower_V",
    "left": "v_left_V",
    "right": "v_right_V",
    "out": "v_out_V",
    "product": "ideal_product_V",
    "beside": "textbook_v_out_V",
    "error": "error_V",
}


def thinned(x, columns, most=POINTS):
    """Thin records for drawing: where there are too many samples, the lowest and highest of each
    stretch are kept, so that no peak is lost.

    Parameters
    ----------
    x : numpy.ndarray, shape (n,)
    columns : dict of str to numpy.ndarray, shape (n,)
    most : int

    Returns
    -------
    x, columns
        The same, of at most about `most` points.
    """
    n = len(x)
    if n <= most * 1.25:
        return x, columns
    width = -(-2 * n // most)
    count = n // width
    used = count * width
    out = {}
    for name, y in columns.items():
        blocks = y[:used].reshape(count, width)
        low, high = np.nanmin(blocks, axis=1), np.nanmax(blocks, axis=1)
        rising = np.argmin(blocks, axis=1) < np.argmax(blocks, axis=1)
        pair = np.where(rising[:, None], np.stack([low, high], 1), np.stack([high, low], 1))
        out[name] = np.append(pair.ravel(), y[-1])
    starts = x[:used].reshape(count, width)[:, 0]
    step = (x[1] - x[0]) * width / 2.0
    return np.append(np.stack([starts, starts + step], 1).ravel(), x[-1]), out


def round_up(size):
    """The next of 1, 1.5, 2, 3, 5, 7 times a power of ten: a range that rarely moves."""
    if not size > 0.0:
        return 1e-3
    power = 10.0 ** np.floor(np.log10(size))
    return float(power * next(m for m in (1, 1.5, 2, 3, 5, 7, 10) if m * power >= size * 0.9999))


class TimePlot(Plot):
    """One of the time plots."""

    def __init__(self, name, x_range, sources, bands, cursor, readings, theme="light"):
        self.label, traces = TRACES[name]
        super().__init__(name, theme)
        f = self.figure
        f.x_range = x_range
        self.stack()
        self.factor = 1.0
        f.xaxis[0].ticker = BasicTicker(desired_num_ticks=8)
        f.yaxis[0].ticker = BasicTicker(desired_num_ticks=3)
        if name in ("inputs", "difference"):
            shade = self.add(
                VStrip,
                x0="x0",
                x1="x1",
                source=bands,
                line_color=None,
                fill_alpha=0.5,
                level="underlay",
            )
            self.paint(shade.glyph, fill_color="rule")
        self.look(f.hspan(y=[0], level="underlay").glyph, "zero")
        self.lines, items = {}, {}
        # a thin line lies on a thick one, so that equal waves are both seen
        for column, text, meaning in sorted(traces, key=lambda t: -LINES[t[2]].width):
            line = self.add(Line, "x", column, source=sources[column], meaning=meaning)
            self.lines[column] = line
            items[column] = LegendItem(label=text, renderers=[line])
            mark = self.add(
                Scatter, "t", column, source=readings, size=11, line_width=2, level="overlay"
            )
            self.paint(mark.glyph, line_color="panel", fill_color=LINES[meaning].colour)
            self.lines[f"{column} mark"] = mark
        items = [items[column] for column, *_ in traces]
        if name in ("inputs", "difference"):
            items.append(LegendItem(label=value(MARKED), renderers=[shade]))
        self.legend = Legend(
            items=items,
            orientation="horizontal",
            location="left",
            padding=0,
            margin=0,
            spacing=8,
            label_text_font=FONT,
            label_text_font_size="0.8rem",
            glyph_width=16,
            glyph_height=14,
            label_height=14,
            label_standoff=4,
            border_line_color=None,
            background_fill_alpha=0.0,
        )
        self.paint(self.legend, label_text_color="ink")
        f.add_layout(self.legend, "above")
        bar = self.add(VSpan, x="t", source=cursor, meaning="cursor", level="overlay")
        self.send_drags(bar)

    def fit(self, low, high):
        """Set the range, V, and return the factor of the axis."""
        self.factor, unit = axis_unit(low, high, "V")
        self.set_range("y", low * self.factor, high * self.factor)
        self.set_label("y", f"{self.label} ({unit})")
        return self.factor


class Waveforms:
    """The four time plots."""

    def __init__(self, theme="light"):
        empty = dict(x=[], upper=[], lower=[])
        self.given = float_source(**empty)
        self.result = float_source(x=[], left=[], right=[], out=[], product=[], error=[], beside=[])
        self.bands = float_source(x0=[], x1=[])
        self.cursor = float_source(t=[0])
        self.readings = float_source(t=[0], **{c: [0] for c in CSV_NAMES})
        self.x_range = Range1d(0, 1)
        sources = {c: self.given if c in empty else self.result for c in CSV_NAMES}
        self.plots = {
            name: TimePlot(
                name, self.x_range, sources, self.bands, self.cursor, self.readings, theme
            )
            for name in TRACES
        }
        for name, plot in self.plots.items():
            if name != "error":
                plot.figure.xaxis[0].axis_label = None
        self.time_factor = 1.0
        self._drawn = None

    def show(self, scene):
        """Draw a `SignalScene`; only what changed is sent."""
        if scene.still is not self._drawn:
            self._drawn = scene.still
            self._draw(scene)
        self._move(scene)

    def _draw(self, scene):
        run = scene.run
        factor, unit = axis_unit(scene.start, scene.end, "s")
        self.time_factor = factor
        low, high = scene.start * factor, scene.end * factor
        if (self.x_range.start, self.x_range.end) != (low, high):
            self.x_range.update(start=low, end=high)
        self.plots["error"].set_label("x", f"Time ({unit})")
        data = self._records(scene)
        # the record repeats, so the first sample also closes it
        time = np.append(run.time, run.window.duration)
        first = max(int(np.searchsorted(time, scene.start, "right")) - 1, 0)
        last = min(int(np.searchsorted(time, scene.end, "left")) + 1, len(time))
        shown = {c: np.append(v, v[0])[first:last] for c, v in data.items()}
        self._fit(shown, run)
        scaled = {c: v * self._factor(c) for c, v in shown.items()}
        x, thin = thinned(time[first:last] * factor, scaled)
        replace(self.given, x=x, **{c: thin[c] for c in ("upper", "lower")})
        replace(self.result, x=x, **{c: v for c, v in thin.items() if c not in ("upper", "lower")})
        beside = scene.beside is not None
        plot = self.plots["difference"]
        if plot.lines["beside"].visible != beside:
            for name in ("beside", "beside mark"):
                plot.lines[name].visible = beside
            plot.legend.items[0].visible = beside
        self._shade(scene)

    def _records(self, scene):
        run = scene.run
        return {
            "upper": run.v_upper,
            "lower": run.v_lower,
            "left": run.point.v_left,
            "right": run.point.v_right,
            "out": run.point.v_out,
            "product": scene.product,
            "error": scene.error,
            "beside": run.point.v_out if scene.beside is None else scene.beside,
        }

    def _factor(self, column):
        for name, (_, traces) in TRACES.items():
            if any(t[0] == column for t in traces):
                return self.plots[name].factor
        return 1.0

    def _fit(self, shown, run):
        def top(*names):
            return max(
                (float(np.nanmax(np.abs(shown[n]), initial=0.0)) for n in names), default=0.0
            )

        size = round_up(1.05 * top("upper", "lower"))
        self.plots["inputs"].fit(-size, size)
        out = max(top("out", "beside"), 1e-6 * run.full_scale)
        # a product by the slope at rest may be far larger: it leaves the plot and says so
        size = round_up(1.05 * max(out, min(top("product"), 1.6 * out)))
        self.plots["difference"].fit(-size, size)
        size = round_up(1.05 * max(min(top("error"), 2 * out), 1e-6 * run.full_scale))
        self.plots["error"].fit(-size, size)
        both = np.concatenate([shown["left"], shown["right"]])
        low, high = float(np.nanmin(both)), float(np.nanmax(both))
        room = round_up(max(0.55 * (high - low), 1e-4 * run.full_scale))
        step = room / 5.0
        middle = step * round(0.5 * (low + high) / step)
        self.plots["collectors"].fit(middle - 1.15 * room, middle + 1.15 * room)

    def _shade(self, scene):
        factor = self.time_factor
        inside = [
            (max(a, scene.start), min(b, scene.end))
            for a, b in scene.inverted
            if b > scene.start and a < scene.end
        ]
        shown = inside if len(inside) <= MOST_STRETCHES else []
        replace(self.bands, x0=[a * factor for a, _ in shown], x1=[b * factor for _, b in shown])
        label = MARKED
        if inside and not shown:
            label = f"{2 * len(inside)} phase inversions, too many to mark"
        for name in ("inputs", "difference"):
            item = self.plots[name].legend.items[-1]
            item.update(label=value(label), visible=bool(inside))

    def _move(self, scene):
        replace(self.cursor, t=[scene.cursor * self.time_factor])
        values = {c: [scene.at(v) * self._factor(c)] for c, v in self._records(scene).items()}
        replace(self.readings, t=[scene.cursor * self.time_factor], **values)

    def csv(self, name, scene):
        """Comma-separated text of one plot: every sample of the window, SI units."""
        data = self._records(scene)
        columns = [t[0] for t in TRACES[name][1] if t[0] != "beside" or scene.beside is not None]
        head = ("time_s", *(CSV_NAMES[c] for c in columns))
        return csv_columns(head, (scene.run.time, *(data[c] for c in columns)))


def cursor_values(scene):
    """What the cursor reads: tuple of (key, name, text)."""
    run, point = scene.run, scene.run.point

    def show(v, digits=3):
        return format_quantity(scene.at(v), "V", digits)

    out = [
        ("t", "time", format_quantity(scene.cursor, "s", 4)),
        ("upper", "upper input", show(run.v_upper)),
        ("lower", "lower input", show(run.v_lower)),
        ("left", "left collector", show(point.v_left, 4)),
        ("right", "right collector", show(point.v_right, 4)),
        ("out", "right \u2212 left", show(point.v_out)),
        ("product", "ideal product", show(scene.product)),
        ("error", "error", show(scene.error)),
    ]
    return tuple(out)
