"""What all plots share: a figure in the app's look, axis units, and repainting with a theme."""

from functools import cache

import numpy as np
from bokeh.core.properties import Float
from bokeh.model import DataModel
from bokeh.models import ColumnDataSource, CustomJS, Range1d
from bokeh.plotting import figure

from forktail.ui.palette import THEMES

FONT = "Atkinson Hyperlegible Next, Atkinson Hyperlegible, Segoe UI, sans-serif"

#: Takes a plot out of the Tab order once it is laid out: it has no keys of its own, and what it
#: does by mouse the sliders do by keyboard.
_NO_TAB_STOP = """
const view = Bokeh.index.find_one(cb_obj)
if (view?.canvas?.events_el) view.canvas.events_el.tabIndex = -1
"""

#: The browser tells how large the page's type is, which only it knows.
_TELL_TYPE = """
const px = parseFloat(getComputedStyle(document.documentElement).fontSize)
if (told.px !== px) told.px = px
"""
#: Type size for which the room that a label takes is measured, px.
TYPE_PX = 15.0


class TypeSize(DataModel):
    """Size of the page's type in the browser, px: larger for a projector."""

    px = Float(default=TYPE_PX)


_PREFIXES = ((1e-9, "G"), (1e-6, "M"), (1e-3, "k"), (1.0, ""), (1e3, "m"), (1e6, "\u00b5"))


def axis_unit(low, high, unit):
    """Factor and label that show a range in a readable unit: (1e3, "mV") for 0.1 V."""
    size = max(abs(low), abs(high))
    if unit not in ("V", "A", "ohm", "Hz", "s") or size == 0.0:
        return 1.0, unit
    shown = "\u03a9" if unit == "ohm" else unit
    for factor, prefix in (
        (1e-9, "G"),
        (1e-6, "M"),
        (1e-3, "k"),
        (1.0, ""),
        (1e3, "m"),
        (1e6, "\u00b5"),
    ):
        if size * factor >= 0.999:
            return factor, prefix + shown
    return 1e9, "n" + shown


#: Most numbers of a column that travel as text.
FEW = 8


@cache
def _places(kind):
    """Names of the columns that a glyph class takes, in order."""
    return [parameter.name for parameter, *_ in kind.parameters()]


class Plot:
    """A figure and the list of what follows the theme.

    `name` is also the figure's model name, by which the export buttons find it.
    """

    def __init__(self, name, theme="light"):
        self.name, self.theme = name, theme
        self._themed = []
        self.figure = figure(
            name=name,
            toolbar_location=None,
            tools="",
            sizing_mode="stretch_both",
            min_border=4,
            margin=0,
            x_range=Range1d(0, 1),
            y_range=Range1d(0, 1),
            output_backend="canvas",
        )
        f = self.figure
        f.toolbar.logo = None
        f.center, f.title = [], None  # no grid
        f.min_border_right = 10
        f.min_border_top = 8
        for axis in f.axis:
            axis.axis_label_text_font_style = "normal"
            axis.axis_label_text_font = axis.major_label_text_font = FONT
            axis.axis_label_text_font_size = "0.87rem"
            axis.major_label_text_font_size = "0.8rem"
            axis.minor_tick_line_color = None
            axis.axis_label_standoff = 8
            self.paint(
                axis,
                axis_label_text_color="ink",
                major_label_text_color="soft",
                axis_line_color="rule",
                major_tick_line_color="rule",
            )
        f.js_on_change("inner_width", CustomJS(code=_NO_TAB_STOP))
        # the page shows through: filled borders leave a half-painted pixel on a change of theme
        f.background_fill_color = f.border_fill_color = None
        self.paint(f, outline_line_color="rule")

    def add(self, kind, *places, source, level="glyph", **style):
        """Add a glyph of a Bokeh class: `add(Line, "x", "y", source=..., line_width=2)`.

        The figure's own methods make four more glyphs, for selections that no plot here has.
        """
        glyph = kind(**dict(zip(_places(kind), places)), **style)
        return self.figure.add_glyph(source, glyph, level=level)

    def paint(self, model, **keys):
        """Set properties of a model from theme colours, now and whenever the theme changes."""
        self._themed.append((model, keys))
        model.update(**{p: THEMES[self.theme][key] for p, key in keys.items()})

    def repaint(self, model, **keys):
        """Change the theme colours that a painted model follows."""
        self._themed = [(m, k) for m, k in self._themed if m is not model]
        self.paint(model, **keys)

    def set_theme(self, theme):
        """Repaint in another theme."""
        self.theme = theme
        for model, keys in self._themed:
            model.update(**{p: THEMES[theme][key] for p, key in keys.items()})

    def watch_frame(self, on_frame):
        """Call `on_frame(width, height, scale)` whenever the browser lays the plot out again.

        Width and height of the frame are in pixels; `scale` is 1 for the type size in which the
        room of labels is measured, more where the page's type is larger.
        """
        told, size = TypeSize(), {"px": TYPE_PX}
        tell = CustomJS(args={"told": told}, code=_TELL_TYPE)

        def changed(name, old, new):
            size[name] = new
            if min(size.get("inner_width", 0), size.get("inner_height", 0)) > 20:
                on_frame(
                    size["inner_width"],
                    size["inner_height"],
                    min(max(size["px"] / TYPE_PX, 0.5), 4.0),
                )

        for name in ("inner_width", "inner_height"):
            self.figure.js_on_change(name, tell)
            self.figure.on_change(name, changed)
        told.on_change("px", changed)

    def send_drags(self):
        """Report presses and drags on this plot as `drag` messages (see `page.js`)."""
        self.figure.tags = ["drag"]

    def set_range(self, which, low, high):
        """Set the x or y range if it changed."""
        held = self.figure.x_range if which == "x" else self.figure.y_range
        if (held.start, held.end) != (low, high):
            held.update(start=low, end=high)

    def set_label(self, which, text):
        """Set the x or y axis label if it changed."""
        axis = self.figure.xaxis[0] if which == "x" else self.figure.yaxis[0]
        if axis.axis_label != text:
            axis.axis_label = text


def _column(values):
    """A float32 array; a few numbers as a list, for each array is two websocket frames."""
    values = np.asarray(values, dtype=np.float32)
    return values.tolist() if values.size <= FEW and values.ndim == 1 else values


def replace(source, **columns):
    """Put float32 columns into a source; only those that differ from what it holds are sent."""
    new = {n: _column(c) for n, c in columns.items()}
    held = source.data
    changed = {n: c for n, c in new.items() if not np.array_equal(held.get(n), c)}
    if not changed:
        return
    if set(held) == set(new) and all(len(held[n]) == len(c) for n, c in new.items()):
        held.update(changed)
    else:
        source.data = new


def float_source(**columns):
    """Data source of float32 columns."""
    return ColumnDataSource({n: _column(c) for n, c in columns.items()})
