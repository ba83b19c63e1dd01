"""Plots of the Uses page: time records in lanes, the labelled spectrum, characteristics.

Each has a fixed pool of glyphs, so that an event sends columns and never a new figure.
"""

import math
import re

import numpy as np
from bokeh.core.properties import value
from bokeh.models import (
    BasicTicker,
    CustomJS,
    FixedTicker,
    HoverTool,
    Legend,
    LegendItem,
    Line,
    Scatter,
    Segment,
    Text,
)

from forktail.core.quantities import format_fixed, format_quantity
from forktail.ui.palette import LINES, MARKS, THEMES, dash_name
from forktail.ui.plots import FONT, Plot, axis_unit, float_source, replace
from forktail.ui.text import csv_columns

#: Most points of one line that are sent before the browser tells the width of the plot.
MOST_POINTS = 900
#: Names below one another where two columns would be cut off.
_COLUMNS = """
const px = parseFloat(getComputedStyle(document.documentElement).fontSize)
const columns = cb_obj.inner_width < 19 * px ? 1 : 2
if (legend.ncols !== columns) legend.ncols = columns
"""
LEGEND = dict(
    orientation="horizontal",
    ncols=2,
    location="top_left",
    border_line_color=None,
    background_fill_color=None,
    label_text_font=FONT,
    label_text_font_size="0.8rem",
    padding=0,
    margin=2,
    spacing=8,
    label_height=14,
    glyph_height=16,
)
_OUTPUT = (("output", "output"),)
_ENVELOPE = (*_OUTPUT, ("envelope", "second"), ("envelope_below", "second"))
#: Lanes from the top, for each use and time view: the records that share one, and the keys of
#: `LINES` that say what they are.
LANES = {
    "variable_gain": ((("input", "upper"),), _OUTPUT),
    "gain_control_loop": (
        (("signal", "upper"),),
        (("level", "output"), ("detected", "second"), ("wanted", "guide")),
        (("control", "lower"),),
    ),
    "gain_control_loop settled": (
        (("settled_input", "upper"),),
        (("settled_output", "output"),),
        (("settled_ripple", "second"),),
    ),
    "am": ((("modulating", "lower"),), _ENVELOPE),
    "dsb": ((("modulating", "lower"),), _ENVELOPE),
    "ssb": (
        (("tone", "lower"), ("tone_shifted", "second lower")),
        (("first", "output"), ("second", "second")),
        _OUTPUT,
    ),
    "mixer": ((("oscillator", "upper"),), (("signal", "lower"),), (*_OUTPUT, ("wanted", "second"))),
    "mixer call": ((("call", "lower"),), _OUTPUT, (("heard", "output"),)),
    "phase_detector": ((("upper", "upper"), ("lower", "lower")), (*_OUTPUT, ("mean", "second"))),
    "squarer": ((("upper", "upper"), ("lower", "lower")), _OUTPUT),
}
_NOT_LABELLED = ("envelope_below",)
_LANE_POOL, _TRACE_POOL = 3, 5

#: Role of a `Trace` of a curve, as often as it comes -> keys of `LINES`.
ROLES = {
    "result": ("output", "second", "third"),
    "relation": ("relation", "other relation"),
    "guide": ("guide", "other guide"),
}


_SIGNS = (
    (r"\bpi\b", "\u03c0"),
    (r" x ", " \u00d7 "),
    (r"\^2\b", "\u00b2"),
    (r"sqrt\(", "\u221a("),
    (r"log10", "log\u2081\u2080"),
)


def formula(text):
    """A relation as it is printed: pi, powers and roots as signs."""
    for pattern, sign in _SIGNS:
        text = re.sub(pattern, sign, text)
    return text


def thin(x, y, most=MOST_POINTS):
    """Fewer points with the same look: the least and the largest of each stretch, in order.

    Parameters
    ----------
    x, y : numpy.ndarray, shape (n,)
    most : int

    Returns
    -------
    x, y : numpy.ndarray, shape (at most about `most`,)
    """
    n = len(x)
    if n <= most:
        return x, y
    size = math.ceil(2 * n / most)
    whole = n // size * size
    rows = y[:whole].reshape(-1, size)
    start = np.arange(rows.shape[0]) * size
    both = np.sort(np.stack([start + rows.argmin(axis=1), start + rows.argmax(axis=1)]), axis=0)
    keep = np.unique(np.concatenate([[0], both.T.ravel(), np.arange(whole, n), [n - 1]]))
    return x[keep], y[keep]


def round_up(v):
    """The next of 1, 1.5, 2, 3, 5, 7 times a power of ten at or above `v`."""
    if not v > 0.0 or not math.isfinite(v):
        return 1.0
    power = 10.0 ** math.floor(math.log10(v))
    for step in (1.0, 1.5, 2.0, 3.0, 5.0, 7.0, 10.0):
        if v <= step * power * 1.0000001:
            return float(f"{step * power:.3g}")
    return 10.0 * power


class _Lines:
    """A pool of line glyphs with their sources."""

    def __init__(self, plot, count):
        self.plot = plot
        self.sources = [float_source(x=[], y=[]) for _ in range(count)]
        self.lines = [
            plot.add(Line, "x", "y", source=s, line_join="round", meaning="output")
            for s in self.sources
        ]
        self.meanings = ["output"] * count

    def draw(self, k, x, y, meaning):
        replace(self.sources[k], x=x, y=y)
        if self.meanings[k] != meaning:
            self.meanings[k] = meaning
            self.plot.look(self.lines[k].glyph, meaning)

    def clear(self, start):
        for source in self.sources[start:]:
            replace(source, x=[], y=[])


class UsePlot(Plot):
    """What the plots of this page share."""

    def __init__(self, name, theme="light"):
        super().__init__(name, theme)
        self.data = []

    def set_ticks(self, which, ticks, labels):
        """Fixed ticks with texts of our own."""
        axis = self.figure.xaxis[0] if which == "x" else self.figure.yaxis[0]
        ticks = [float(t) for t in ticks]
        if not isinstance(axis.ticker, FixedTicker):
            axis.ticker = FixedTicker(ticks=ticks)
        elif list(axis.ticker.ticks) != ticks:
            axis.ticker.ticks = ticks
        # the whole number is looked up by its integer form in the browser
        named = {int(t) if t == int(t) else t: s for t, s in zip(ticks, labels)}
        if axis.major_label_overrides != named:
            axis.major_label_overrides = named

    def free_ticks(self, which, count):
        """Ticks chosen by the plot itself."""
        axis = self.figure.xaxis[0] if which == "x" else self.figure.yaxis[0]
        if isinstance(axis.ticker, FixedTicker):
            axis.ticker = BasicTicker(desired_num_ticks=count)
            # Bokeh's browser side never forgets the text of a tick: each gets its number back
            axis.major_label_overrides = {
                t: f"{t:g}".replace("-", "\u2212") for t in axis.major_label_overrides
            }

    def csv(self):
        """Comma-separated text of what is drawn, SI units, one pair of columns a line."""
        heads, columns = [], []
        for label, x_unit, y_unit, x, y in self.data:
            name = label.replace(",", ";")
            if not (columns and len(columns[0]) == len(x) and np.array_equal(columns[0], x)):
                heads.append(
                    f"x_{x_unit or '1'}" if not columns else f"x_{x_unit or '1'} of {name}"
                )
                columns.append(np.asarray(x, dtype=float))
            heads.append(f"{name}_{y_unit or '1'}")
            columns.append(np.asarray(y, dtype=float))
        return csv_columns(heads, columns)


class TimePlot(UsePlot):
    """Time records in lanes over one time axis, each lane with its own scale."""

    def __init__(self, theme="light"):
        super().__init__("time", theme)
        self.zero = float_source(x0=[], x1=[], y=[])
        self.add(Segment, "x0", "y", "x1", "y", source=self.zero, meaning="zero")
        self.lines = _Lines(self, _TRACE_POOL)
        self.labels = []
        for key in ("upper", "lower", "accent", "ink"):
            source = float_source(x=[], y=[], text=[], shift=[])
            text = self.add(
                Text,
                "x",
                "y",
                "text",
                source=source,
                x_offset="shift",
                y_offset=2,
                text_baseline="top",
                text_font_size="0.8rem",
                text_font=value(FONT),
                text_font_style="bold",
                level="annotation",
            )
            self.paint(text.glyph, text_color=key)
            self.labels.append((key, source))
        self.set_range("y", 0.0, 1.0)
        self._lanes, self._most, self._type, self._scene = {}, MOST_POINTS, 1.0, None
        self.watch_frame(self.fit)

    def fit(self, width, height, scale):
        """Send about two points a pixel: what can be seen, and no more."""
        most = min(max(2 * int(width), 300), 3000)
        if abs(most - self._most) > 0.25 * self._most or scale != self._type:
            self._most, self._type = most, scale
            if self._scene is not None:
                self.show(self._scene)

    def show(self, scene):
        """Draw the records of a `UsesScene` for its time view."""
        self._scene = scene
        result = scene.result
        records = scene.call if scene.time == "call" and scene.call else result.records
        lanes = LANES.get(f"{scene.use} {scene.time}", LANES[scene.use])
        first = records[lanes[0][0][0]].x
        low, high = 0.0, float(first[-1] + (first[1] - first[0]))
        if scene.time == "start":
            levels = result.spectrum
            fastest = max(t.cycles for t in levels.tones)
            high = min(high, 12.0 * high / fastest)
        factor, unit = axis_unit(low, high, "s")
        self.set_range("x", low * factor, high * factor)
        self.set_label("x", f"Time ({unit})")
        self._draw(scene, records, lanes, low, high, factor)

    def _draw(self, scene, records, lanes, low, high, factor):
        count = len(lanes)
        self.set_range("y", 0.0, float(count))
        self.data, used = [], 0
        ticks, names = [], []
        zero = {"x0": [], "x1": [], "y": []}
        texts = {key: [] for key, _ in self.labels}
        for n, lane in enumerate(lanes):
            traces = [records[k] for k, _ in lane]
            base = count - 1 - n
            bottom, top = self._scale(scene, n, traces)
            place = self._place(base, bottom, top)
            # a fine line lies on a broad one, so that equal waves are both seen
            for (_, meaning), trace in sorted(
                zip(lane, traces), key=lambda pair: -LINES[pair[0][1]].width
            ):
                inside = trace.x <= high
                x, y = thin(trace.x[inside], trace.y[inside], self._most)
                self.lines.draw(used, x * factor, place(y), meaning)
                used += 1
            shift = 6.0
            for (key, meaning), trace in zip(lane, traces):
                self.data.append((trace.label, "s", trace.y_unit, trace.x, trace.y))
                if key in _NOT_LABELLED:
                    continue
                colour, dash = LINES[meaning].colour, dash_name(meaning)
                text = trace.label + (f" ({dash})" if dash and len(lane) > 1 else "")
                texts[colour if colour in texts else "ink"].append(
                    (low * factor, base + 1.0, text, shift)
                )
                shift += (6.7 * len(text) + 14) * self._type
            half = top / 2.0
            places = (-half, half) if count > 2 else (-half, 0.0, half)
            for v in places if bottom < 0 else (0.0, half):
                ticks.append(place(v))
                names.append(format_quantity(v, traces[0].y_unit, 2))
            zero["x0"].append(low * factor)
            zero["x1"].append(high * factor)
            zero["y"].append(place(0.0))
        self.lines.clear(used)
        self.set_ticks("y", ticks, names)
        replace(self.zero, **zero)
        for key, source in self.labels:
            x, y, text, shift = zip(*texts[key]) if texts[key] else [()] * 4
            replace(source, x=x, y=y, text=list(text), shift=shift)

    @staticmethod
    def _place(base, bottom, top):
        """Volts to height in a lane; its upper part is left to its name."""
        return lambda v: base + 0.05 + 0.63 * (v - bottom) / (top - bottom)

    def _scale(self, scene, lane, traces):
        """Low and high end of a lane: round numbers that hold still while a slider moves."""
        low = min(float(t.y.min()) for t in traces)
        high = max(float(t.y.max()) for t in traces)
        size = max(abs(low), abs(high))
        key = (scene.use, scene.time, lane)
        held = self._lanes.get(key)
        top = held[1] if held and 0.35 * held[1] < size <= held[1] else round_up(size)
        if size < 1e-12:
            top = 1e-3
        bottom = -top if low < -1e-9 * top else 0.0
        self._lanes[key] = (bottom, top)
        return bottom, top


#: Lowest level drawn and the room for names above 0 dB.
FLOOR, HEAD = -100.0, 34.0


def plain_name(label):
    """Name of a line in words: `f_carrier - f_tone` becomes `carrier - tone`."""
    return label.replace("f_", "")


class SpectrumPlot(UsePlot):
    """Lines over frequency in dB below the largest, named by where they come from."""

    def __init__(self, theme="light"):
        super().__init__("spectrum", theme)
        f = self.figure
        empty = ("x", "y", "low", "name", "level", "at", "marker", "colour")
        self.heads = float_source(**{name: [] for name in empty})
        self.add(Segment, "x", "low", "x", "y", source=self.heads, meaning="stem")
        mark = self.add(
            Scatter,
            "x",
            "y",
            source=self.heads,
            marker="marker",
            line_color="colour",
            fill_color="colour",
            size=9,
            line_width=1.8,
        )
        # each item shows the mark of one line of its origin
        self.items = {
            origin: LegendItem(label=value(look.words), renderers=[mark], visible=False)
            for origin, look in MARKS.items()
            if origin != "dc"  # which its name says
        }
        self.names = float_source(x=[], y=[], text=[])
        text = self.add(
            Text,
            "x",
            "y",
            "text",
            source=self.names,
            text_align="center",
            text_baseline="bottom",
            text_font_size="0.77rem",
            text_font=value(FONT),
            y_offset=-6,
        )
        self.paint(text.glyph, text_color="ink")
        self.legend = Legend(items=list(self.items.values()), **LEGEND)
        self.paint(self.legend, label_text_color="soft")
        f.add_layout(self.legend, "above")
        f.add_tools(
            HoverTool(
                renderers=[mark],
                mode="mouse",
                tooltips=[("", "@name"), ("frequency", "@at"), ("level", "@level")],
            )
        )
        self.set_range("y", FLOOR, HEAD)
        self.set_ticks(
            "y",
            (-100, -80, -60, -40, -20, 0),
            [str(v).replace("-", "\u2212") for v in (-100, -80, -60, -40, -20, 0)],
        )
        self.set_label("y", "Level (dB)")
        self._shown = None
        # px at usual type; the browser reports the size, and the names are placed again to fit it
        self._size = (260, 130)
        self.watch_frame(self.fit)

    def show(self, scene):
        """Draw the spectrum of a `UsesScene`."""
        spectrum = scene.result.spectrum
        if spectrum is None:
            return
        low, high = self._stretch(scene, spectrum)
        factor, unit = axis_unit(low, high, "Hz")
        self.set_range("x", low * factor, high * factor)
        self.set_label("x", f"Frequency ({unit})")
        shown = [ln for ln in spectrum.lines if low <= ln.frequency <= high and ln.db > FLOOR]
        self._shown = (shown, low, high, factor)
        self._mark()
        for origin, item in self.items.items():
            at = next((k for k, ln in enumerate(shown) if ln.origin == origin), None)
            if item.visible != (at is not None):
                item.visible = at is not None
            if at is not None and item.index != at:
                item.index = at
        self._place_names()
        s = spectrum.spectrum
        self.data = [
            ("peak", "Hz", "V", s.frequency, s.peak),
            ("level", "Hz", "dB", s.frequency, s.db),
        ]

    def _mark(self):
        shown, _, _, factor = self._shown
        colours = THEMES[self.theme]
        replace(
            self.heads,
            x=[ln.frequency * factor for ln in shown],
            y=[ln.db for ln in shown],
            low=[FLOOR] * len(shown),
            name=[plain_name(ln.label) for ln in shown],
            level=[
                f"{format_quantity(ln.peak, 'V')} ({format_fixed(ln.db, 1, 'dB')})" for ln in shown
            ],
            at=[format_quantity(ln.frequency, "Hz", 5) for ln in shown],
            marker=[MARKS[ln.origin].marker for ln in shown],
            colour=[colours[MARKS[ln.origin].colour] for ln in shown],
        )

    def set_theme(self, theme):
        """Repaint, the marks too."""
        super().set_theme(theme)
        if self._shown is not None:
            self._mark()

    def _stretch(self, scene, spectrum):
        """Frequencies shown: all lines that matter, or the stretch around the wanted ones."""
        cycles = {t.name: t.cycles for t in spectrum.tones}
        df = spectrum.spectrum.spacing
        if scene.band == "near":
            if "f_carrier" in cycles:
                width = 4.6 * cycles["f_tone"] * df
                return cycles["f_carrier"] * df - width, cycles["f_carrier"] * df + width
            if scene.use == "mixer":
                lo, f = cycles["f_oscillator"], cycles["f_signal"]
                wanted = (abs(lo - f) if scene.result.settings.wanted == "down" else lo + f) * df
                width = max(4e3, 0.1 * wanted)
                return max(-0.02 * width, wanted - width), wanted + width
        top = max([ln.frequency for ln in spectrum.lines if ln.db > -80.0] or [df])
        top = max(top, 2.2 * df * max(cycles.values()))
        return -0.02 * top, 1.08 * top

    def fit(self, width, height, scale):
        size = (width / scale, height / scale)
        if max(abs(a - b) for a, b in zip(size, self._size)) > 20:
            self._size = size
            self._place_names()

    def _place_names(self):
        """Name the largest lines, in up to three rows, leaving out what would overlap."""
        if self._shown is None:
            return
        shown, low, high, factor = self._shown
        # in characters of the axis; before the browser tells, that of a narrow plot
        chars = max(self._size[0] / 6.0, 20.0)
        step = 14.0 * (HEAD - FLOOR) / max(self._size[1], 60)
        per_hz = chars / (high - low)
        taken, out = [], {"x": [], "y": [], "text": []}
        for line in sorted(shown, key=lambda ln: -ln.db)[:9]:
            if line.db < -88.0 or line.label == "higher order":
                continue
            text = plain_name(line.label)
            half = (len(text) + 2) / 2.0
            at = (line.frequency - low) * per_hz
            at = min(max(at, half), chars - half)
            # a name far above a short line would no longer seem to belong to it
            for row in range(3 if line.db > -12.0 else 2):
                y = line.db + step * row
                if y + 1.4 * step > HEAD:
                    break
                if all(abs(at - a) >= half + h or abs(y - b) >= 0.95 * step for a, b, h in taken):
                    # stems of other lines may not run through the name
                    if any(
                        o is not line
                        and o.db > y + 1.0
                        and abs((o.frequency - low) * per_hz - at) < half
                        for o in shown
                    ):
                        continue
                    taken.append((at, y, half))
                    out["x"].append((low + at / per_hz) * factor)
                    out["y"].append(y)
                    out["text"].append(text)
                    break
        replace(self.names, **out)

    def csv(self):
        """Comma-separated text of every line of the spectrum."""
        _, _, _, f, peak = self.data[0]
        db = self.data[1][4]
        return csv_columns(("frequency_Hz", "peak_V", "level_dB"), (f, peak, db))


class _Scale:
    """How one axis of a curve is drawn: as it is in a readable unit, or by decades."""

    def __init__(self, values, unit, log):
        self.log, self.unit = log, unit
        self.low, self.high = float(np.min(values)), float(np.max(values))
        self.factor, self.shown = (1.0, "") if log else axis_unit(self.low, self.high, unit)

    def __call__(self, v):
        if self.log:
            return np.log10(np.maximum(v, 1e-300))
        return np.asarray(v) * self.factor

    def label(self, text):
        unit = "" if self.log else self.shown
        return f"{text} ({unit})" if unit else text

    def ticks(self):
        """Places and texts of decade ticks, with 2 and 5 where there is room."""
        decades = math.log10(self.high / self.low)
        steps = (1, 2, 5) if decades < 1.3 else (1, 3) if decades < 2.6 else (1,)
        out = []
        for k in range(math.floor(math.log10(self.low)) - 1, math.ceil(math.log10(self.high)) + 1):
            for m in steps:
                v = m * 10.0**k
                if self.low * 0.999 <= v <= self.high * 1.001:
                    out.append((math.log10(v), format_quantity(v, self.unit, 1)))
        return out


def _spans_decades(values, ratio):
    return float(np.min(values)) > 0.0 and float(np.max(values) / np.min(values)) > ratio


class CurvePlot(UsePlot):
    """A characteristic: result, textbook relation and guides, with the scene as a point."""

    def __init__(self, theme="light"):
        super().__init__("curve", theme)
        f = self.figure
        self.zero = float_source(x0=[], x1=[], y=[])
        self.add(Segment, "x0", "y", "x1", "y", source=self.zero, meaning="zero")
        self.lines = _Lines(self, 4)
        self.point = float_source(x=[], y=[])
        mark = self.add(
            Scatter, "x", "y", source=self.point, size=15, line_width=3, level="overlay"
        )
        self.paint(mark.glyph, line_color="panel", fill_color="ink")
        self.items = [
            LegendItem(label=value(""), renderers=[line], visible=False)
            for line in self.lines.lines
        ]
        self.legend = Legend(items=self.items, **LEGEND)
        self.paint(self.legend, label_text_color="soft")
        f.add_layout(self.legend, "above")
        f.xaxis[0].ticker = BasicTicker(desired_num_ticks=6)
        f.js_on_change("inner_width", CustomJS(args={"legend": self.legend}, code=_COLUMNS))

    def show(self, curve):
        """Draw a `Curve`, or nothing if it is None."""
        if curve is None:
            self.lines.clear(0)
            replace(self.point, x=[], y=[])
            self.data = []
            self._name([])
            return
        traces = curve.traces
        xs = np.concatenate([t.x for t in traces])
        seen = [t for t in traces if t.role in ("result", "second")] or list(traces)
        ys = np.concatenate(
            [t.y[np.isfinite(t.y)] for t in seen] + ([[curve.point[1]]] if curve.point else [])
        )
        ys = np.concatenate([ys] + [t.y for t in traces if t.role == "guide"])
        x_axis = _Scale(xs, curve.x_unit, _spans_decades(xs, 30.0))
        y_axis = _Scale(
            ys,
            curve.y_unit,
            curve.y_unit not in ("dB", "%", "deg", "") and _spans_decades(ys, 300.0),
        )
        self._axis("x", x_axis, curve.x_label, 0.0)
        low, high = self._axis("y", y_axis, curve.y_label, 0.08)
        left, right = self.figure.x_range.start, self.figure.x_range.end
        zero = dict(x0=[], x1=[], y=[])
        if not y_axis.log and low < 0.0 < high:
            zero = dict(x0=[left], x1=[right], y=[0.0])
        replace(self.zero, **zero)
        self.data, names, seen = [], [], dict.fromkeys(ROLES, 0)
        for k, trace in enumerate(traces[:4]):
            role = "result" if trace.role == "second" else trace.role
            style = ROLES[role][seen[role]]
            seen[role] += 1
            x, y = x_axis(trace.x), y_axis(trace.y)
            self.lines.draw(k, x, np.where(np.isfinite(y), y, np.nan), style)
            self.data.append((trace.label, trace.x_unit, trace.y_unit, trace.x, trace.y))
            names.append(formula(trace.label))
        self.lines.clear(len(traces))
        self._name(names)
        if curve.point and all(map(math.isfinite, curve.point)):
            replace(
                self.point, x=[float(x_axis(curve.point[0]))], y=[float(y_axis(curve.point[1]))]
            )
        else:
            replace(self.point, x=[], y=[])

    def hide_point(self):
        """Take the point away while the curve waits to be computed again."""
        replace(self.point, x=[], y=[])

    def _name(self, names):
        for item, name in zip(self.items, [*names, "", "", "", ""]):
            if item.label != value(name):
                item.label = value(name)
            if item.visible != bool(name):
                item.visible = bool(name)

    def _axis(self, which, scale, label, margin):
        low, high = float(scale(scale.low)), float(scale(scale.high))
        if scale.log:
            ticks = scale.ticks()
            self.set_ticks(which, [t for t, _ in ticks], [s for _, s in ticks])
        else:
            self.free_ticks(which, 6)
        pad = margin * ((high - low) or 1.0)
        low, high = low - pad, high + pad
        self.set_range(which, low, high)
        self.set_label(which, scale.label(label))
        return low, high
