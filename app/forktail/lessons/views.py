"""Views of the lesson scenes beyond the Steer page; see `lesson_scenes` for what a class offers."""

import math
from html import escape

from forktail.core.uses import USES
from forktail.lessons.grammar import show as text_of
from forktail.lessons.kinds import figures, kind_of
from forktail.lessons.place import place
from forktail.pages.build.schematic import BuiltSchematic
from forktail.pages.build.schematic import draw as draw_board
from forktail.pages.build.schematic import values as board_values
from forktail.pages.build.transfer_curves import TransferCurve
from forktail.pages.build.words import BuiltSentence
from forktail.pages.compare.plots import Overlay, Residual
from forktail.pages.signals.spectrum import SpectrumPlot
from forktail.pages.signals.trajectory import TrajectoryMap
from forktail.pages.signals.waveforms import Waveforms
from forktail.pages.signals.words import FiguresView, SignalWords
from forktail.pages.uses.diagram import DiagramView
from forktail.pages.uses.diagram import draw as draw_use
from forktail.pages.uses.diagram import values as use_values
from forktail.pages.uses.plots import CurvePlot, TimePlot
from forktail.pages.uses.plots import SpectrumPlot as UseSpectrum
from forktail.pages.uses.words import WordsView
from forktail.ui.component import STYLE
from forktail.ui.markup import MarkupView
from forktail.ui.plots import axis_unit
from forktail.ui.static_chart import chart
from forktail.ui.static_svg import still
from forktail.ui.text import keep_together

CARD_STYLES = [STYLE, "assets/pages/lesson/style.css"]

#: Labels of figures on a card that are neither settings nor figures of merit.
LABELS = {
    "carrier_level": "Carrier line",
    "sideband_level": "Each sideband",
    "tone_level": "Tone coming through",
    "out_peak": "Output, peak",
    "level_difference": "Difference line",
    "level_sum": "Sum line",
    "level_oscillator": "Oscillator coming through",
    "level_signal": "Call coming through",
    "v_out": "Output",
    "v_left": "Left collector",
    "v_right": "Right collector",
    "i_tail": "Tail current",
    "rest_tail": "Tail current at rest",
    "lowest": "Least headroom, Q1 to Q6",
    "rest_out": "Output at rest",
    "feed_upper": "Upper input through, V/V",
    "feed_lower": "Lower input through, V/V",
    "supply_current": "Supply current",
    "heat": "Heat in all",
    "textbook_out": "Textbook output",
    "drop_left": "Across the left load",
    "gain_upper": "Gain, upper input",
    "gain_lower": "Gain, lower input",
    "saturated": "Transistors saturated",
    "node_left": "Left collector at rest",
    "node_level_upper": "Upper level",
    "node_level_lower": "Lower level",
    "node_tail": "Tail node",
    "node_emitter_q7": "Emitter of Q7",
    "full_scale": "Tail current times load",
    **{f"headroom_q{k}": f"Headroom of Q{k}" for k in range(1, 8)},
    "gain_ratio": "Product, captured over predicted",
    "offset": "Output stands off by",
    "rest_rms": "Captured less predicted, rms",
    "fit_rms": "Captured less best fit, rms",
    "out_rms": "Captured output, rms",
    "predicted_rms": "Predicted output, rms",
    "delay": "Captured later by",
}
#: Figures of a card where a step does not say.
DEFAULTS = {
    "built": "v_out node_left rest_tail lowest",
    "capture": "gain_ratio feed_upper feed_lower offset rest_rms",
    "am": "depth carrier_level sideband_level",
    "dsb": "suppression carrier_level sideband_level",
    "mixer": "conversion_gain level_difference level_sum",
    "phase_detector": "output slope zero",
    "variable_gain": "gain out_peak",
    "gain_control_loop": "held attack release overshoot",
    "ssb": "rejection wanted image",
    "squarer": "second residual dc",
}


def label_of(state, name, merits=()):
    """What a figure is called on a card."""
    for merit in merits:
        if merit.key == name:
            return merit.name
    if name in LABELS:
        return LABELS[name]
    spec = state.param[name] if name in state.fields() else None
    return spec.label if spec is not None and spec.label else name.replace("_", " ")


def card_rows(state, merits=()):
    """Rows of a card: (name, label, value, textbook value or "")."""
    known = figures(kind_of(state.page), state)
    by_key = {m.key: m for m in merits}
    rows = []
    for name in (state.readings or DEFAULTS.get(state.page, "")).split():
        merit = by_key.get(name)
        if name not in known:
            value = "no answer"
        else:
            value = merit.reading if merit else text_of(known[name])
        law = merit.relation_reading if merit and name in known else ""
        rows.append((name, label_of(state, name, merits), value, law))
    return rows


class Card(MarkupView):
    """A few figures of the scene, each with its textbook value where there is one."""

    def __init__(self, **params):
        super().__init__(stylesheets=CARD_STYLES, **params)
        self._names = None

    def show(self, state, merits=()):
        """Show the readings that a state asks for."""
        rows = card_rows(state, merits)
        values = {"spoken": {"#": "; ".join(f"{label} {text}" for _, label, text, _ in rows)}}
        for name, _, text, law in rows:
            values[f"card-{name}"] = {"#": text}
            values[f"law-{name}"] = {"#": f"textbook {law}" if law else ""}
        names = tuple((name, label) for name, label, *_ in rows)
        if names == self._names:
            self.update(values)
            return
        self._names = names
        body = "".join(
            f'<div><dt>{escape(keep_together(label))}</dt><dd><b data-id="card-{name}"></b> '
            f'<span class="law" data-id="law-{name}"></span></dd></div>'
            for name, label in names
        )
        self.rebuild(
            f'<dl class="card-rows">{body}</dl><p class="aside" role="status" '
            'aria-live="polite" data-polite data-id="spoken"></p>',
            values,
        )


def card_text(state, merits=()):
    """The card as HTML for print."""
    return (
        '<p class="settings">'
        + " \u00b7 ".join(
            f"{escape(label)}: <b>{escape(value)}</b>"
            for _, label, value, _ in card_rows(state, merits)
        )
        + "</p>"
    )


class _Views:
    """What the classes below share: views by name, and their roots under names of their own."""

    def __init__(self, kind, names, places):
        self.kind, self.places = kind, places
        self.names = tuple(n for n in places if n in names)
        self.views = {}

    def _keep(self, views):
        self.views = views
        self.roots = {self.root(n): v for n, v in views.items()}
        self.plots = tuple(v for v in views.values() if hasattr(v, "figure"))
        for name, view in views.items():
            if hasattr(view, "figure"):
                # exports find a plot by its name, and two kinds of scene may share a page
                view.figure.name = self.root(name)

    def root(self, name):
        """Name of a view among the roots of the page."""
        return f"{self.kind}_{name}"

    def body(self):
        """Jinja text of the views."""
        return "".join(
            place(n, *self.places[n], root=self.root(n), exports=self._has_csv(n))
            for n in self.views
        )

    def _has_csv(self, name):
        return True

    def drag(self, state, message):
        """Settings that a drag on a plot asks for."""
        return {}

    def _name(self, root):
        return next(n for n in self.views if self.root(n) == root)


class SignalViews(_Views):
    """The views of the Signals page."""

    PLACES = {
        "inputs": ("Both inputs", "strip"),
        "collectors": ("Each collector against ground", "strip"),
        "difference": ("Output over the ideal product", "strip"),
        "spectrum": ("Spectrum of the output", "strip"),
        "map": ("Path of both inputs over the output", "square"),
        "figures": ("Figures", "card"),
        "sentence": ("", "words"),
    }

    def __init__(self, names):
        super().__init__("signals", names, self.PLACES)
        self.waves = Waveforms()
        makers = {
            **{n: self.waves.plots.get for n in ("inputs", "collectors", "difference")},
            "spectrum": lambda n: SpectrumPlot(),
            "map": lambda n: TrajectoryMap(),
            "figures": lambda n: FiguresView(stylesheets=[STYLE, "assets/pages/signals/style.css"]),
            "sentence": lambda n: SignalWords(
                stylesheets=[STYLE, "assets/pages/signals/style.css"]
            ),
        }
        self._keep({n: makers[n](n) for n in self.names})

    def show(self, state, names):
        """Draw the named views; one run feeds them all."""
        scene = state.scene()
        self.waves.show(scene)
        shown = [n for n in ("collectors", "difference", "inputs") if n in names]
        for n in shown:
            unit = axis_unit(scene.start, scene.end, "s")[1]
            self.waves.plots[n].set_label("x", f"Time ({unit})" if n == shown[0] else "")
        if "spectrum" in names:
            self.views["spectrum"].show(scene, state.levels, state.reach)
        if "map" in names:
            self.views["map"].show_path(state, scene)
        for name in ("figures", "sentence"):
            if name in names:
                self.views[name].show(scene)

    def drag(self, state, message):
        """The time under a plot, or the place on the map."""
        moved = type(state)()
        moved.apply_texts(state.texts())
        x, y = float(message["x"]), float(message["y"])
        if message.get("view") in self.waves.plots:
            moved.set_cursor(x / self.waves.time_factor)
        elif message.get("view") == "map" and "map" in self.views:
            moved.set_cursor_from_map(*(v / f for v, f in zip((x, y), self.views["map"].factors)))
        return {"cursor": moved.cursor}

    def csv(self, root, state):
        """Comma-separated text of a view."""
        name, scene = self._name(root), state.scene()
        if name in self.waves.plots:
            return self.waves.csv(name, scene)
        if name == "spectrum":
            return SpectrumPlot.csv(scene)
        return self.views["map"].csv(scene)

    @staticmethod
    def picture(state):
        """The output over time, for print."""
        run = state.scene().run
        return chart("output", run.time, [("", run.point.v_out, "out")])


class UseViews(_Views):
    """The views of the Uses page for one use."""

    PLACES = {
        "spectrum": ("Lines of the output", "strip"),
        "curve": ("Characteristic", "strip"),
        "time": ("Waveforms", "strip"),
        "diagram": ("How the cell is used", "strip"),
        "card": ("Readings of this scene", "card"),
        "sentence": ("", "words"),
    }

    def __init__(self, use, names):
        super().__init__(use, names, self.PLACES)
        makers = {
            "spectrum": UseSpectrum,
            "curve": CurvePlot,
            "time": TimePlot,
            "diagram": lambda: DiagramView(sizing_mode="stretch_both"),
            "card": Card,
            "sentence": WordsView,
        }
        self._keep({n: makers[n]() for n in self.names})
        if "diagram" in self.views:  # it fills the height that the step leaves it
            view = self.views["diagram"]
            view.stylesheets = [*view.stylesheets, "assets/pages/lesson/style.css"]

    def _has_csv(self, name):
        return name != "diagram"

    def show(self, state, names):
        """Draw the named views; one run feeds them all, the curve asks for a fuller one."""
        scene = state.scene("curve" in names)
        if "sentence" in names:
            self.views["sentence"].show(scene)
        if scene.result is None:
            return
        for name in ("spectrum", "time", "diagram"):
            if name in names:
                self.views[name].show(scene)
        if "curve" in names:
            curves = scene.result.curves
            self.views["curve"].show(curves[min(scene.curve, len(curves)) - 1] if curves else None)
        if "card" in names:
            self.views["card"].show(state, scene.result.merits)

    def csv(self, root, state):
        """Comma-separated text of a plot."""
        return self.views[self._name(root)].csv()

    @staticmethod
    def picture(state):
        """Block diagram with the values of the scene."""
        scene = state.scene()
        if scene.result is None:
            return ""
        return still(draw_use(scene.use, scene.result.title), use_values(scene))

    @staticmethod
    def readings(state, names):
        """The card for print, where the step shows it."""
        result = state.scene().result
        return card_text(state, result.merits) if result and "card" in names else ""


def use_views(use):
    """Class of views of one use, as `UseViews` with its key."""
    return type(
        f"{use.title().replace('_', '')}Views",
        (UseViews,),
        {
            "__init__": lambda self, names: UseViews.__init__(self, use, names),
            "__doc__": f"Views of the use '{USES[use].title}'.",
        },
    )


class BuiltViews(_Views):
    """The board part by part."""

    PLACES = {
        "schematic": ("The board", "main"),
        "over_upper": ("Output over the upper input", "strip"),
        "over_lower": ("Output over the lower input", "strip"),
        "card": ("Readings of this scene", "card"),
        "sentence": ("", "words"),
    }

    def __init__(self, names):
        super().__init__("built", names, self.PLACES)
        makers = {
            "schematic": BuiltSchematic,
            "over_upper": lambda: TransferCurve("over_upper", "v_upper"),
            "over_lower": lambda: TransferCurve("over_lower", "v_lower"),
            "card": Card,
            "sentence": BuiltSentence,
        }
        self._keep({n: makers[n]() for n in self.names})

    def _has_csv(self, name):
        return name != "schematic"

    def show(self, state, names):
        """Draw the named views of the board."""
        scene = state.scene()
        for name in ("schematic", "sentence"):
            if name in names:
                self.views[name].show(scene)
        for name in ("over_upper", "over_lower"):
            if name in names:
                axis = name.replace("over", "v")
                x, built, ideal = state.curve(axis)
                out = float(scene.built.v_out)
                peak = max(
                    (
                        abs(float(v))
                        for y in (built, ideal)
                        if y is not None
                        for v in y
                        if math.isfinite(v)
                    ),
                    default=1e-3,
                )
                full = next(
                    m * 10.0**d
                    for d in range(-6, 9)
                    for m in (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
                    if m * 10.0**d >= peak
                )
                self.views[name].show(
                    x,
                    built,
                    ideal,
                    (getattr(state, axis), out if math.isfinite(out) else None),
                    full,
                )
        if "card" in names:
            self.views["card"].show(state)

    def drag(self, state, message):
        """The input under a point of a curve."""
        name = message.get("view")
        if name not in ("over_upper", "over_lower") or name not in self.views:
            return {}
        axis = name.replace("over", "v")
        low, high = state.param[axis].bounds
        x = float(message["x"]) / self.views[name].factor
        return {axis: float(f"{min(max(x, low), high):.3g}")}

    def csv(self, root, state):
        """Comma-separated text of a curve."""
        return self.views[self._name(root)].csv()

    @staticmethod
    def picture(state):
        """The schematic as an SVG that stands by itself."""
        scene = state.scene()
        return still(draw_board(scene.circuit), board_values(scene))

    @staticmethod
    def readings(state, names):
        """The card for print, where the step shows it."""
        return card_text(state) if "card" in names else ""


#: Nodes that a voltmeter is put on, in the order of checking: node -> what it is called.
METER = {
    "supply": "Supply",
    "level_upper": "Upper level",
    "level_lower": "Lower level",
    "left": "Left collector",
    "right": "Right collector",
    "common_left": "Collector of Q5",
    "common_right": "Collector of Q6",
    "tail": "Tail node",
    "emitter_q7": "Emitter of Q7",
}


def meter_rows(state):
    """Rows of the meter: (node, label, this board, as designed, whether they are far apart)."""
    known = figures(kind_of(state.page), state)
    for n, label in METER.items():
        here, there = known.get(f"meter_{n}"), known.get(f"design_{n}")
        if here is not None and there is not None:
            off = abs(here.value - there.value) > 0.05 + 0.02 * abs(there.value)
            yield n, label, text_of(here, 4), text_of(there, 4), off


class Meter(MarkupView):
    """Voltmeter readings of the board at rest beside those of the board as designed."""

    def __init__(self, **params):
        super().__init__(stylesheets=CARD_STYLES, **params)
        body = "".join(
            f'<tr data-id="row-{n}"><th scope="row">{text}</th>'
            f'<td data-id="here-{n}"></td><td data-id="there-{n}"></td></tr>'
            for n, text in METER.items()
        )
        self.rebuild(
            '<table class="meter"><thead><tr><th scope="col">At rest, against ground'
            '</th><th scope="col">this board</th><th scope="col">as designed</th></tr>'
            f"</thead><tbody>{body}</tbody></table>",
            {},
        )

    def show(self, state):
        """Show the readings of a `CaptureState`."""
        values = {}
        for n, _, here, there, off in meter_rows(state):
            values |= {
                f"here-{n}": {"#": here + (" !" if off else "")},
                f"there-{n}": {"#": there},
                f"row-{n}": {"class": "off" if off else None},
            }
        self.update(values)


class CaptureViews(_Views):
    """A capture over its prediction, what is left, and what a fit and a voltmeter say."""

    PLACES = {
        "overlay": ("Output: captured, over predicted (dashed)", "strip"),
        "residual": ("What is left: captured less predicted (bold), less best fit (thin)", "strip"),
        "card": ("Readings of this scene", "card"),
        "meter": ("Voltmeter readings", "card"),
    }

    def __init__(self, names):
        super().__init__("capture", names, self.PLACES)
        makers = {"overlay": Overlay, "residual": Residual, "card": Card, "meter": Meter}
        self._keep({n: makers[n]() for n in self.names})

    def _has_csv(self, name):
        return False

    def show(self, state, names):
        """Draw the named views; one comparison feeds them all."""
        scene = state.scene()
        for name in ("overlay", "residual"):
            if name in names:
                self.views[name].draw(scene, slice(None))
        for name in ("card", "meter"):
            if name in names:
                self.views[name].show(state)

    def csv(self, root, state):
        """There is none: the capture is invented."""
        return ""

    @staticmethod
    def picture(state):
        """Capture over prediction, for print."""
        scene = state.scene()
        return chart(
            "output",
            scene.time,
            [("captured", scene.measured, "left"), ("predicted", scene.predicted, "right")],
        )

    @staticmethod
    def readings(state, names):
        """Card and meter for print, where the step shows them."""
        out = card_text(state) if "card" in names else ""
        if "meter" in names:
            out += (
                '<table class="meter"><tr><th>at rest, against ground</th><th>this board</th>'
                "<th>as designed</th></tr>"
                + "".join(
                    f"<tr><td>{label}</td><td>{here}</td><td>{there}</td></tr>"
                    for _, label, here, there, _ in meter_rows(state)
                )
                + "</table>"
            )
        return out


VIEWS = {
    "signals": SignalViews,
    **{use: use_views(use) for use in USES},
    "built": BuiltViews,
    "capture": CaptureViews,
}
