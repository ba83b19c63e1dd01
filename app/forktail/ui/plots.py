"""What all plots share: a figure in the app's look, axis units, and repainting with a theme."""

import json
from functools import cache

import numpy as np
from bokeh.core.properties import Float
from bokeh.document.events import MessageSentEvent
from bokeh.document.json import MessageSent
from bokeh.model import DataModel
from bokeh.models import ColumnDataSource, CustomJS, Range1d
from bokeh.plotting import figure

from forktail.ui.palette import LINES, THEMES

FONT = "Atkinson Hyperlegible Next, Atkinson Hyperlegible, Segoe UI, sans-serif"

#: Once a plot is laid out: it is a stop of the Tab key only if it has a point that keys move.
_TAB_STOP = """
const view = Bokeh.index.find_one(cb_obj)
if (view?.canvas?.events_el) view.canvas.events_el.tabIndex = -1
if (view && cb_obj.tags.includes("drag") && view.el.tabIndex < 0) {
  const name = view.el.closest("figure")?.getAttribute("aria-label") ?? cb_obj.name
  view.el.tabIndex = 0
  view.el.setAttribute("role", "application")
  view.el.setAttribute("aria-label", `${name}. Arrow keys move it, with Shift in larger steps.`)
}
"""

#: The browser tells how large the page's type is, which only it knows.
_TELL_TYPE = """
const px = parseFloat(getComputedStyle(document.documentElement).fontSize)
if (told.px !== px) told.px = px
"""
#: One left margin, wide enough for the labels whatever the size of type.
_SAME_MARGIN = """
const px = parseFloat(getComputedStyle(document.documentElement).fontSize)
const wide = Math.round(5 * px)
if (cb_obj.min_border_left !== wide) cb_obj.min_border_left = wide
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
#: Name of the message of a `ColumnsEvent`.
COLUMNS = "forktail-columns"


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
        f.js_on_change("inner_width", CustomJS(code=_TAB_STOP))
        # the page shows through: filled borders leave a half-painted pixel on a change of theme
        f.background_fill_color = f.border_fill_color = None
        self.paint(f, outline_line_color="rule")

    def add(self, kind, *places, source, level="glyph", meaning="", **style):
        """Add a glyph of a Bokeh class: `add(Line, "x", "y", source=..., meaning="output")`.

        `meaning` is a key of `LINES`. The figure's own methods make four more glyphs, for
        selections that no plot here has.
        """
        glyph = kind(**dict(zip(_places(kind), places)), **style)
        if meaning:
            self.look(glyph, meaning)
        return self.figure.add_glyph(source, glyph, level=level)

    def paint(self, model, **keys):
        """Set properties of a model from theme colours, now and whenever the theme changes."""
        self._themed.append((model, keys))
        model.update(**{p: THEMES[self.theme][key] for p, key in keys.items()})

    def repaint(self, model, **keys):
        """Change the theme colours that a painted model follows."""
        self._themed = [(m, k) for m, k in self._themed if m is not model]
        self.paint(model, **keys)

    def look(self, glyph, meaning):
        """Give the stroke of a glyph the look of a meaning (`LINES`), now and in other themes."""
        stroke = LINES[meaning]
        glyph.update(
            line_width=stroke.width, line_dash=list(stroke.dash), line_alpha=stroke.opacity
        )
        self.repaint(glyph, line_color=stroke.colour)

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

    def stack(self):
        """Start and end at the same places as the plots above and below."""
        self.figure.min_border_left, self.figure.min_border_right = 75, 12
        self.figure.js_on_change("inner_width", CustomJS(code=_SAME_MARGIN))

    def send_drags(self, handle):
        """Report moves of a point as `drag` messages: by pointer or by key (see `page.js`).

        `handle` is the renderer of the point, or of a cursor, which has no height.
        """
        handle.name = "handle"
        # up and down, a finger scrolls the page
        self.figure.update(tags=["drag"], styles={"touch-action": "pan-y"})

    def set_range(self, which, low, high):
        """Set the x or y range if it changed."""
        held = self.figure.x_range if which == "x" else self.figure.y_range
        if (held.start, held.end) != (low, high):
            held.update(start=low, end=high)

    def set_label(self, which, text):
        """Set the x or y axis label if it changed; a word at its begin gets a capital."""
        text = text[:1].upper() + text[1:] if text[1:2].islower() else text
        axis = self.figure.xaxis[0] if which == "x" else self.figure.yaxis[0]
        if axis.axis_label != text:
            axis.axis_label = text


class ColumnsEvent(MessageSentEvent):
    """New columns of plots, on their way to a browser in one piece.

    Bokeh's own way sends each column as a separate change and two websocket frames, after each of
    which the browser lays out every glyph of its source again. Held events become one here: a
    text with the names, and the float32 numbers of all columns behind one another in one buffer.
    `assets/ui/page.js` puts them into the sources, each source at once.

    `msg_data` is a dict of (source, columns), by the id of the source.
    """

    kind = "ForktailColumns"

    def combine(self, event):
        """Take the columns of a later event of the same document."""
        if not isinstance(event, ColumnsEvent) or event.document is not self.document:
            return False
        for key, (source, columns) in event.msg_data.items():
            _, held = self.msg_data.setdefault(key, (source, {}))
            held.update(columns)
        return True

    def to_serializable(self, serializer):
        """What is written: a message as `document.on_message` takes it in the browser."""
        names, numbers, at = [], [], 0
        for key, (_, columns) in self.msg_data.items():
            told = {}
            for name, column in columns.items():
                if isinstance(column, np.ndarray):
                    told[name] = {"at": at, "n": column.size}
                    numbers.append(column.tobytes())
                    at += column.nbytes
                else:
                    told[name] = column
            names.append([key, told])
        data = [json.dumps(names, separators=(",", ":"), ensure_ascii=False), b"".join(numbers)]
        return MessageSent(
            kind=MessageSentEvent.kind, msg_type=COLUMNS, msg_data=serializer.encode(data)
        )


def _column(values):
    """A float32 array, or a list: of texts, or of numbers so few that a text is shorter."""
    if isinstance(values, list) and values and isinstance(values[0], str):
        return values
    values = np.asarray(values, dtype=np.float32)
    few = values.size <= FEW and values.ndim == 1 and np.isfinite(values).all()
    return values.tolist() if few else values


def replace(source, **columns):
    """Put columns into a source, numbers as float32; only those that differ from what it holds are
    sent: with all other plots' in one message (`ColumnsEvent`).
    """
    new = {n: _column(c) for n, c in columns.items()}
    held = source.data
    changed = {n: c for n, c in new.items() if not _same(held.get(n), c)}
    if not changed:
        return
    if set(held) != set(new) or any(len(held[n]) != len(c) for n, c in new.items()):
        changed = new
    document = source.document
    if document is None:
        source.data = new
        return
    # the model keeps what a browser that opens now is given; the one that is there gets the message
    dict.update(held, changed)
    document.callbacks.trigger_on_change(
        ColumnsEvent(document, COLUMNS, {source.id: (source, changed)})
    )


def _same(held, column):
    if isinstance(column, list) and isinstance(held, list):
        return held == column
    return held is not None and len(held) == len(column) and np.array_equal(held, column)


def float_source(**columns):
    """Data source of float32 columns; of texts where a list of texts is given."""
    return ColumnDataSource({n: _column(c) for n, c in columns.items()})
