"""Histograms of a Monte Carlo run: how far apart equal builds come out."""

import numpy as np
from bokeh.models import BasicTicker, Quad, Segment

from forktail.ui.palette import LINES
from forktail.ui.plots import Plot, axis_unit, float_source, replace
from forktail.ui.text import csv_text

#: Plot name -> (measure of `mismatch.MEASURES`, axis label, unit).
HISTOGRAMS = {
    "spread_offset": ("offset", "Output at rest", "V"),
    "spread_upper": ("feed_upper", "Upper feedthrough", "V/V"),
    "spread_lower": ("feed_lower", "Lower feedthrough", "V/V"),
    "spread_uneven": ("uneven_upper", "Uneven half cycles", "%"),
}
BINS = 24


class Histogram(Plot):
    """Builds over one measure, with the build looked at as a line."""

    def __init__(self, name, theme="light"):
        super().__init__(name, theme)
        self.measure, self.label, self.unit = HISTOGRAMS[name]
        f = self.figure
        self.bars = float_source(left=[], right=[], top=[])
        bars = self.add(
            Quad,
            left="left",
            right="right",
            top="top",
            bottom=0,
            source=self.bars,
            fill_alpha=0.55,
            line_width=1,
        )
        self.paint(bars.glyph, fill_color=LINES["output"].colour, line_color="panel")
        self.mark = float_source(x=[], y0=[], y1=[])
        mark = self.add(Segment, "x", "y0", "x", "y1", source=self.mark, line_width=3)
        self.paint(mark.glyph, line_color="ink")
        f.yaxis[0].ticker = BasicTicker(desired_num_ticks=3)
        f.xaxis[0].ticker = BasicTicker(desired_num_ticks=3)
        self.set_label("x", self.label)
        self.set_label("y", "Builds")
        self.values = np.array([])

    def show(self, values, now):
        """Draw the builds; `now` is the measure of the build looked at (NaN for none)."""
        good = np.asarray(values)[np.isfinite(values)]
        self.values = good
        scale = 100.0 if self.unit == "%" else 1.0
        good, now = good * scale, now * scale
        if good.size:
            # the middle 99 % and the mark, so that one wild build does not flatten the rest
            low, high = np.percentile(good, [0.5, 99.5])
        else:
            low = high = 0.0
        if np.isfinite(now):
            low, high = min(low, now), max(high, now)
        low, high = min(low, 0.0), max(high, 0.0)
        if not high > low:
            low, high = -1e-3, 1e-3
        factor, unit = axis_unit(low, high, self.unit)
        edges = np.linspace(low, high, BINS + 1)
        counts, _ = np.histogram(np.clip(good, low, high), edges)
        top = max(float(counts.max()), 1.0) * 1.08
        gap = 0.04 * (high - low)
        self.set_range("x", (low - gap) * factor, (high + gap) * factor)
        self.set_range("y", 0.0, top)
        self.set_label("x", f"{self.label} ({unit})")
        replace(self.bars, left=edges[:-1] * factor, right=edges[1:] * factor, top=counts)
        there = np.isfinite(now)
        replace(
            self.mark,
            x=[now * factor] if there else [],
            y0=[0] if there else [],
            y1=[top] if there else [],
        )

    def csv(self):
        """Comma-separated text: one row a build."""
        return csv_text(("build", self.measure), enumerate(self.values, 1), 9)
