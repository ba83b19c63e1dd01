"""Views of the Steer page in a lesson."""

import numpy as np
from bokeh.models import Line

from forktail.lessons.scenes import waves
from forktail.lessons.scenes.base import SceneViews
from forktail.pages.steer.schematic import SchematicView, draw, values
from forktail.pages.steer.words import SentenceView, TableView
from forktail.ui.output_map import OutputMap
from forktail.ui.plots import axis_unit, float_source, replace
from forktail.ui.sections import Section
from forktail.ui.static_svg import still


class Compared(Section):
    """A section with the ideal product, dashed, beside the curve."""

    def __init__(self, name, theme="light", across=2):
        super().__init__(name, theme, across)
        self.ideal = float_source(x=[], y=[])
        self.add(Line, "x", "y", source=self.ideal, meaning="relation")

    def compare(self, x, ideal, full):
        """Draw the ideal line as far as it stays inside the plot; None for none."""
        if ideal is None:
            replace(self.ideal, x=[], y=[])
            return
        fx, fy = axis_unit(x[0], x[-1], "V")[0], axis_unit(-full, full, "V")[0]
        inside = np.abs(ideal) <= full
        replace(self.ideal, x=x * fx, y=np.where(inside, ideal * fy, np.nan))


class SteerViews(SceneViews):
    """The views of the Steer page."""

    PLACES = {
        "schematic": ("Where the tail current goes", "main"),
        "waves": ("Input wave and output wave", "wide"),
        "map": ("Blue: more in the left load", "square"),
        "across": ("Output over the input", "strip"),
        "up": ("Over the other control", "strip"),
        "sentence": ("", "words"),
        "numbers": ("", "words"),
    }

    DRAWINGS = {"schematic": "schematic", "waves": "waves"}

    def __init__(self, names):
        super().__init__("steer", names, self.PLACES)
        makers = {
            "schematic": SchematicView,
            "sentence": SentenceView,
            "numbers": TableView,
            "map": OutputMap,
            "waves": waves.WavesView,
            "across": lambda: Compared("across", across=4),
            "up": lambda: Compared("up", across=4),
        }
        self.keep({n: makers[n]() for n in self.names})

    def root(self, name):
        """As on the Steer page."""
        return name

    def show(self, state, names):
        """Draw the named views; one solution feeds them all."""
        scene = state.scene()
        for name in ("schematic", "sentence", "numbers"):
            if name in names:
                self.views[name].show(scene)
        for name in ("map", "waves"):
            if name in names:
                self.views[name].show(state)
        if "across" in names or "up" in names:
            self._sections(state, scene, names)

    def _sections(self, state, scene, names):
        full = 1.05 * max(state.map_scale(), 1e-6)
        out = float(scene.point.v_out)
        for which, (name, x, along) in zip(("across", "up"), state.sections()):
            if which not in names:
                continue
            if which == "up" and scene.stage == "pair":
                tail, gain = state.gain_against_tail()
                at, most = (state.i_tail, float(scene.point.gain_upper)), float(gain.max())
                self.views[which].show(
                    "i_tail", tail, gain, at, "Gain", "V/V", 0.0, 1.05 * max(most, 1e-6)
                )
            else:
                self.views[which].show(
                    name, x, along, (state.map_value(name), out), "Output", "V", -full, full
                )
                self.views[which].compare(x, state.ideal_along(name, x), full)

    def dragged(self, state, name, x, y):
        """Settings under the point of the map."""
        if name != "map":
            return {}
        across, up = (v / f for v, f in zip((x, y), self.views["map"].factors))
        moved = type(state)()
        moved.apply_texts(state.texts())
        moved.set_from_map(across, up)
        return {
            n: getattr(moved, n) for n in moved.fields() if getattr(moved, n) != getattr(state, n)
        }

    def text(self, name, state):
        """Comma-separated text of a view."""
        if name in ("across", "up"):
            return self.views[name].csv()
        return self.views["map"].csv(state) if name == "map" else TableView().csv(state.scene())

    @staticmethod
    def picture(state, names):
        """The schematic as an SVG that stands by itself, and the wave where the step shows it."""
        scene = state.scene()
        out = still(draw(scene.stage), values(scene))
        if "waves" in names:
            out += still(waves.draw(), waves.values(state.wave_through()))
        return out
