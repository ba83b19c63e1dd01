"""The spectrum: a stem for each line, shape and colour by origin, labels that keep clear."""

import re

import numpy as np
from bokeh.core.properties import value
from bokeh.models import BasicTicker, Scatter, Segment, Text

from forktail.ui.palette import MARKS, THEMES
from forktail.ui.plots import FONT, Plot, axis_unit, float_source, replace
from forktail.ui.text import csv_text

#: Lowest level drawn, dB under the largest line, and head-room for labels, dB.
FLOOR_DB, HEAD_DB = -100.0, 34.0
#: Lines above this level count as main lines, dB.
MAIN_DB = -40.0
#: At most so many labels are tried, the largest lines first.
MOST_LABELS = 9
_CHAR, _HIGH = 6.4, 15.0  # room of a label, px at usual type: width of one sign, height


def short_label(line):
    """Label of a line for the plot: its origin where one word says it, else `3u \u2212 l`."""
    words = (
        ("dc",) if len(line.orders) > 2 else ("sum", "difference", "upper leak", "lower leak", "dc")
    )
    if line.origin in words:
        return MARKS[line.origin].words
    if not line.orders:
        return line.label
    return re.sub(r"f_(u|l)(?:pper|ower)(2|_tone|_repeat)?", _short_name, line.label).replace(
        " ", ""
    )


def _short_name(match):
    return match[1] + {"2": "2", "_tone": "m", "_repeat": "r"}.get(match[2], "")


def place_labels(points, texts, width, height):
    """Find room for labels.

    Parameters
    ----------
    points : list of (float, float)
        Pixels of each marker from the lower left of the frame, the most important first.
    texts : list of str
        As long as `points`, or shorter: the rest, and empty ones, are obstacles only.
    width, height : float
        Pixels of the frame.

    Returns
    -------
    list of (index, x, y)
        Centres of the labels that found room, pixels.
    """
    # stems and markers are in the way of every label
    boxes = [(x - 2, x + 2, -1.0, y) for x, y in points]
    boxes += [(x - 7, x + 7, y - 7, y + 7) for x, y in points]
    placed = []
    for k, text in enumerate(texts):
        if not text:
            continue
        x, y = points[k]
        half = 0.5 * _CHAR * len(text) + 3
        for rise in (15, 30, 46, 62):
            found = None
            for shift in (0.0, half + 6, -half - 6, 0.5 * half, -0.5 * half):
                at = min(max(x + shift, half + 1), width - half - 1)
                low, high = y + rise - _HIGH / 2, y + rise + _HIGH / 2
                if high > height - 1:
                    continue
                box = (at - half, at + half, low, high)
                if not any(
                    box[0] < b[1] and box[1] > b[0] and box[2] < b[3] and box[3] > b[2]
                    for b in boxes
                ):
                    found = box
                    break
            if found:
                placed.append((k, 0.5 * (found[0] + found[1]), y + rise))
                boxes.append(found)
                boxes.append((x - 2, x + 2, y, low))  # its leader
                break
    return placed


class SpectrumPlot(Plot):
    """Lines of the output by frequency."""

    def __init__(self, theme="light"):
        super().__init__("spectrum", theme)
        f = self.figure
        f.min_border_left = 60
        f.xaxis[0].ticker = BasicTicker(desired_num_ticks=7)
        f.yaxis[0].ticker = BasicTicker(desired_num_ticks=5)
        self.stems = float_source(x=[], y0=[], y1=[])
        self.add(Segment, "x", "y0", "x", "y1", source=self.stems, meaning="stem")
        self.leaders = float_source(x0=[], y0=[], x1=[], y1=[])
        self.add(Segment, "x0", "y0", "x1", "y1", source=self.leaders, meaning="zero")
        self.heads = float_source(x=[], y=[], marker=[], colour=[])
        self.add(
            Scatter,
            "x",
            "y",
            marker="marker",
            line_color="colour",
            fill_color="colour",
            size=9,
            line_width=1.8,
            source=self.heads,
        )
        self.labels = float_source(x=[], y=[], text=[])
        text = self.add(
            Text,
            "x",
            "y",
            "text",
            source=self.labels,
            text_align="center",
            text_baseline="middle",
            text_font_size="0.8rem",
            text_font=value(FONT),
        )
        self.paint(text.glyph, text_color="ink")
        self._drawn = self._lines = None
        self.size = (420, 210)  # of the frame, px at usual type, until the browser tells
        self.watch_frame(self.fit)

    def fit(self, width, height, scale):
        size = (width / scale, height / scale)
        if size != self.size:
            self.size = size
            if self._lines is not None:
                self._label()

    def set_theme(self, theme):
        """Repaint, the markers too."""
        super().set_theme(theme)
        if self._lines is not None:
            self._mark()

    def show(self, scene, levels, reach):
        """Draw the spectrum of a `SignalScene` in `dB` or `V`, over the `reach` asked for."""
        drawn = (scene.run, levels, reach)
        if drawn == self._drawn:
            return
        self._drawn = drawn
        spectrum = scene.run.spectrum
        lines = list(spectrum.lines) if spectrum else []
        decibels = levels == "dB"
        top = self._reach(scene.run, lines, reach)
        factor, unit = axis_unit(0.0, top, "Hz")
        self.set_range("x", -0.02 * top * factor, top * factor)
        self.set_label("x", f"Frequency ({unit})")
        largest = max((ln.peak for ln in lines), default=0.0)
        if decibels:
            up = 1.0
            self.set_range("y", FLOOR_DB, HEAD_DB)
            self.set_label("y", "Level (dB)")
        else:
            up, unit = axis_unit(0.0, largest, "V")
            self.set_range("y", 0.0, 1.34 * largest * up or 1.0)
            self.set_label("y", f"Level ({unit} peak)")
        shown = [ln for ln in lines if ln.frequency <= top and ln.db > FLOOR_DB]
        shown.sort(key=lambda ln: -ln.peak)
        self._lines = [
            (ln, ln.frequency * factor, ln.db if decibels else ln.peak * up) for ln in shown
        ]
        floor = FLOOR_DB if decibels else 0.0
        x = [p[1] for p in self._lines]
        replace(self.stems, x=x, y0=[floor] * len(x), y1=[p[2] for p in self._lines])
        self._mark()
        self._label()

    @staticmethod
    def _reach(run, lines, reach):
        if reach == "hearing":
            return 20e3
        used = run.window.used
        main = [ln.frequency for ln in lines if ln.db >= (MAIN_DB if reach == "main" else FLOOR_DB)]
        top = 1.06 * max(main, default=max(used, default=1e3))
        if reach == "main":  # a square wave has main lines without end: stop at the third ones
            top = min(top, 3.4 * max(used, default=top))
        step = 10.0 ** np.floor(np.log10(top)) / 4.0
        return float(step * np.ceil(top / step))

    def _mark(self):
        colours = THEMES[self.theme]
        replace(
            self.heads,
            x=[p[1] for p in self._lines],
            y=[p[2] for p in self._lines],
            marker=[MARKS[p[0].origin].marker for p in self._lines],
            colour=[colours[MARKS[p[0].origin].colour] for p in self._lines],
        )

    def _label(self):
        width, height = self.size
        x_range, y_range = self.figure.x_range, self.figure.y_range
        per_x = width / (x_range.end - x_range.start)
        per_y = height / (y_range.end - y_range.start)
        points = [
            ((x - x_range.start) * per_x, (y - y_range.start) * per_y) for _, x, y in self._lines
        ]
        # the lines of a whole band share one text: it is written once, at the largest
        texts = [short_label(p[0]) for p in self._lines]
        texts = [t if t not in texts[:k] else "" for k, t in enumerate(texts)]
        named = [k for k, t in enumerate(texts) if t]
        texts = texts[: named[MOST_LABELS - 1] + 1] if len(named) > MOST_LABELS else texts
        placed = place_labels(points, texts, width, height)
        at = [(x_range.start + x / per_x, y_range.start + y / per_y) for _, x, y in placed]
        replace(
            self.labels,
            x=[p[0] for p in at],
            y=[p[1] for p in at],
            text=[texts[k] for k, _, _ in placed],
        )
        far = [
            (k, x, y)
            for k, x, y in placed
            if y - points[k][1] > 20 or abs(x - points[k][0]) > 0.5 * _CHAR * len(texts[k])
        ]
        replace(
            self.leaders,
            x0=[x_range.start + points[k][0] / per_x for k, _, _ in far],
            y0=[y_range.start + (points[k][1] + 7) / per_y for k, _, _ in far],
            x1=[x_range.start + x / per_x for _, x, _ in far],
            y1=[y_range.start + (y - 8) / per_y for _, _, y in far],
        )

    @staticmethod
    def csv(scene):
        """Comma-separated text of the named lines, SI units."""
        head = ("frequency_Hz", "level_V_peak", "level_dB", "origin", "label", "orders")
        lines = scene.run.spectrum.lines if scene.run.spectrum else ()
        rows = (
            (ln.frequency, ln.peak, ln.db, ln.origin, ln.label, " ".join(map(str, ln.orders)))
            for ln in lines
        )
        return csv_text(head, rows, 9)
