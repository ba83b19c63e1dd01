"""The four-quadrant map: one quantity across, one up, colour for the output voltage.

The picture is normalised to full scale; a change of tail current sends the scale only. The
point lies on the overlay canvas, so moving it repaints neither picture nor contours.
"""

import numpy as np
from bokeh.core.properties import value
from bokeh.models import (
    BasicTicker,
    ColorBar,
    ColumnDataSource,
    FixedTicker,
    Image,
    LinearColorMapper,
    MultiLine,
    Scatter,
    Segment,
    Text,
)
from bokeh.plotting.contour import contour_data

from forktail.core.quantities import format_quantity
from forktail.ui.palette import diverging
from forktail.ui.plots import FONT, Plot, axis_unit, float_source, replace
from forktail.ui.text import csv_columns

LEVELS = (-0.9, -0.7, -0.5, -0.3, -0.1, 0.0, 0.1, 0.3, 0.5, 0.7, 0.9)
AXIS_LABELS = {
    "v_upper": ("Upper input", "V"),
    "v_lower": ("Lower input", "V"),
    "v_second": ("Second input", "V"),
    "i_tail": ("Tail current", "A"),
    "tail_difference": ("Left tail \u2212 right tail", "A"),
}


class OutputMap(Plot):
    """Map of the output over both inputs, with the point of the scene on it."""

    def __init__(self, theme="light"):
        super().__init__("map", theme)
        f = self.figure
        self._picture = self._held = self._scale = None
        self.factors = (1.0, 1.0)
        self.mapper = LinearColorMapper(palette=diverging(theme), low=-1, high=1)
        self.picture = ColumnDataSource(
            dict(image=[np.zeros((2, 2), np.float32)], x=[0], y=[0], dw=[1], dh=[1])
        )
        self.add(
            Image,
            "image",
            x="x",
            y="y",
            dw="dw",
            dh="dh",
            source=self.picture,
            color_mapper=self.mapper,
            level="image",
        )
        self.lines = ColumnDataSource(dict(xs=[], ys=[], width=[]))
        contours = self.add(
            MultiLine,
            "xs",
            "ys",
            source=self.lines,
            line_alpha=0.42,
            line_width="width",
            level="glyph",
        )
        self.paint(contours.glyph, line_color="ink")
        self.signs = ColumnDataSource(dict(x=[], y=[], text=[]))
        signs = self.add(
            Text,
            "x",
            "y",
            "text",
            source=self.signs,
            text_align="center",
            text_baseline="middle",
            text_font_size="2rem",
            text_font=value(FONT),
            text_alpha=0.55,
        )
        self.paint(signs.glyph, text_color="ink")
        self.labels = ColumnDataSource(dict(x=[], y=[], text=[]))
        # above what a subclass draws, on a pale ground
        labels = self.add(
            Text,
            "x",
            "y",
            "text",
            source=self.labels,
            text_align="center",
            text_baseline="middle",
            text_font_size="0.75rem",
            text_font=value(FONT),
            level="annotation",
            background_fill_alpha=0.6,
            padding=2,
            border_radius=3,
        )
        self.paint(labels.glyph, text_color="ink", background_fill_color="panel")
        self.of_output = (contours, signs, labels)
        self.point = float_source(x=[0], y=[0])
        self.cross = float_source(x0=[0, 0], y0=[0, 0], x1=[0, 0], y1=[0, 0])
        places = ("x0", "y0", "x1", "y1")
        self.add(Segment, *places, source=self.cross, meaning="cursor", level="overlay")
        mark = self.add(
            Scatter, "x", "y", source=self.point, size=19, line_width=3, level="overlay"
        )
        self.paint(mark.glyph, line_color="panel", fill_color="ink")
        self.bar_ticks = FixedTicker(ticks=[-1, -0.5, 0, 0.5, 1])
        self.bar = ColorBar(
            color_mapper=self.mapper,
            ticker=self.bar_ticks,
            width=12,
            padding=4,
            major_label_text_font=FONT,
            major_label_text_font_size="0.8rem",
            major_tick_line_color=None,
            bar_line_color=None,
        )
        self.paint(self.bar, major_label_text_color="soft", background_fill_color="panel")
        f.add_layout(self.bar, "right")
        f.xaxis[0].ticker = BasicTicker(desired_num_ticks=6)
        self.send_drags(mark)

    def set_theme(self, theme):
        """Repaint, the diverging palette too."""
        super().set_theme(theme)
        self.mapper.palette = diverging(theme)

    def show(self, state):
        """Draw the map of a `SteerState`; only what its inputs changed is sent."""
        picture = state.map_grid()
        if picture is not self._picture:  # a state gives the same one for equal numbers
            self._picture, self._scale = picture, None
            self._draw(state, *picture)
        scale = state.map_scale()
        if not state.hold_scale or self._held is None:
            self._held = scale
        if self._scale != (scale, self._held):
            self._scale = (scale, self._held)
            self._draw_scale(scale)
        x_axis, y_axis = state.map_axes()
        self._move(
            state.map_value(x_axis) * self.factors[0], state.map_value(y_axis) * self.factors[1]
        )

    def _draw(self, state, x, y, z):
        ends = []
        for axis, values, which in zip(state.map_axes(), (x, y), "xy"):
            label, unit = AXIS_LABELS[axis]
            factor, shown = axis_unit(values[0], values[-1], unit)
            ends.append((factor, values[0] * factor, values[-1] * factor))
            self.set_range(which, values[0] * factor, values[-1] * factor)
            self.set_label(which, f"{label} ({shown})")
        self.factors = (ends[0][0], ends[1][0])
        xs, ys = x * self.factors[0], y * self.factors[1]
        # half a cell beyond the first and last sample, so that samples lie at pixel centres
        dx, dy = (xs[1] - xs[0]) / 2, (ys[1] - ys[0]) / 2
        self.picture.data = dict(
            image=[z.astype(np.float32)],
            x=[xs[0] - dx],
            y=[ys[0] - dy],
            dw=[xs[-1] - xs[0] + 2 * dx],
            dh=[ys[-1] - ys[0] + 2 * dy],
        )
        self.contours(xs, ys, z)
        self._quadrants(xs, ys, z)

    def contours(self, xs, ys, z):
        """Draw lines of equal output."""
        levels = [v for v in LEVELS if z.min() < v < z.max()]
        lines, widths, self.spots = {"xs": [], "ys": []}, [], []
        if levels:
            data = contour_data(xs, ys, z, levels, want_fill=False, want_line=True).line_data
            for level, group_x, group_y in zip(levels, data.xs, data.ys):
                breaks = np.flatnonzero(np.isnan(group_x))
                pieces = zip(np.split(group_x, breaks), np.split(group_y, breaks))
                for px, py in pieces:
                    good = ~np.isnan(px)
                    px, py = px[good], py[good]
                    if px.size < 2:
                        continue
                    lines["xs"].append(px.astype(np.float32))
                    lines["ys"].append(py.astype(np.float32))
                    widths.append(2.0 if level == 0.0 else 1.0)
                    if level and abs(level) in (0.3, 0.7) and px.size > 8:
                        k = self._free_place(px, py, xs, ys)
                        self.spots.append((px[k], py[k], level))
        self.lines.data = {**lines, "width": widths}

    @staticmethod
    def _sign_places(xs, ys):
        """Index pairs (across, up) of the samples where the signs stand."""
        across, up = ((n // 8, n - 1 - n // 8) for n in (len(xs), len(ys)))
        return [(i, j) for i in across for j in up]

    def _free_place(self, px, py, xs, ys):
        """Sample of a contour, the middle if it can be, whose label leaves the signs clear."""
        wide, high = 0.15 * (xs[-1] - xs[0]), 0.06 * (ys[-1] - ys[0])
        signs = [(xs[i], ys[j]) for i, j in self._sign_places(xs, ys)]
        for part in (0.5, 0.44, 0.56, 0.38, 0.62, 0.32, 0.68, 0.26, 0.74):
            k = int(part * px.size)
            if all(abs(px[k] - x) > wide or abs(py[k] - y) > high for x, y in signs):
                return k
        return px.size // 2

    def _quadrants(self, xs, ys, z):
        spots = [(xs[i], ys[j], z[j, i]) for i, j in self._sign_places(xs, ys)]
        replace(
            self.signs,
            x=[s[0] for s in spots],
            y=[s[1] for s in spots],
            text=["+" if s[2] > 1e-3 else "\u2212" if s[2] < -1e-3 else "0" for s in spots],
        )

    def _draw_scale(self, scale):
        held = self._held or scale
        # where nothing comes out at all: one pale ground, no lines, no signs
        high = held / scale if scale else 1e6
        for renderer in self.of_output:
            renderer.visible = bool(scale)
        self.mapper.update(low=-high, high=high)
        ticks = [-high, -0.5 * high, 0.0, 0.5 * high, high] if held else [0.0]
        self.bar_ticks.ticks = ticks
        self.bar.major_label_overrides = {
            t: format_quantity(round(t / high, 2) * held, "V", 2) for t in ticks
        }
        replace(
            self.labels,
            x=[s[0] for s in self.spots],
            y=[s[1] for s in self.spots],
            text=[format_quantity(s[2] * scale, "V", 2) for s in self.spots],
        )

    def _move(self, x, y):
        x_range, y_range = self.figure.x_range, self.figure.y_range
        replace(self.point, x=[x], y=[y])
        replace(
            self.cross,
            x0=[x_range.start, x],
            y0=[y, y_range.start],
            x1=[x_range.end, x],
            y1=[y, y_range.end],
        )

    def csv(self, state):
        """Comma-separated text of the map: one row a grid point."""
        x, y, z = state.map_grid()
        names = [f"{a}_{AXIS_LABELS[a][1]}" for a in state.map_axes()]
        across, up = (g.ravel() for g in np.meshgrid(x, y))
        return csv_columns((*names, "v_out_V"), (across, up, z.ravel() * state.map_scale()))
