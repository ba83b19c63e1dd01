"""Views of the Signals page in a lesson."""

from forktail.lessons.scenes.base import SceneViews
from forktail.pages.signals.spectrum import SpectrumPlot
from forktail.pages.signals.trajectory import TrajectoryMap
from forktail.pages.signals.waveforms import Waveforms
from forktail.pages.signals.words import FiguresView, SignalWords
from forktail.ui.component import STYLE
from forktail.ui.plots import axis_unit
from forktail.ui.static_chart import chart


class SignalViews(SceneViews):
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
        self.keep({n: makers[n](n) for n in self.names})

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

    def dragged(self, state, name, x, y):
        """The time under a plot, or the place on the map."""
        moved = type(state)()
        moved.apply_texts(state.texts())
        if name in self.waves.plots:
            moved.set_cursor(x / self.waves.time_factor)
        elif name == "map":
            moved.set_cursor_from_map(*(v / f for v, f in zip((x, y), self.views["map"].factors)))
        return {"cursor": moved.cursor}

    def text(self, name, state):
        """Comma-separated text of a view."""
        scene = state.scene()
        if name in self.waves.plots:
            return self.waves.csv(name, scene)
        return SpectrumPlot.csv(scene) if name == "spectrum" else self.views["map"].csv(scene)

    @staticmethod
    def picture(state, names):
        """The output over time, for print."""
        run = state.scene().run
        return chart("output", run.time, [("", run.point.v_out, "output")])
