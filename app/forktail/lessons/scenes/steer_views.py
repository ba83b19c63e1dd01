"""Views of the Steer page in a lesson."""

from forktail.lessons.scenes.base import SceneViews
from forktail.pages.steer.schematic import SchematicView, draw, values
from forktail.pages.steer.words import SentenceView, TableView
from forktail.ui.output_map import OutputMap
from forktail.ui.sections import Section
from forktail.ui.static_svg import still


class SteerViews(SceneViews):
    """The views of the Steer page."""

    PLACES = {
        "schematic": ("Where the tail current goes", "main"),
        "map": ("Output as colour", "square"),
        "across": ("Output over the input", "strip"),
        "up": ("Over the other quantity", "strip"),
        "sentence": ("", "words"),
        "numbers": ("", "words"),
    }

    DRAWINGS = {"schematic": "schematic"}

    def __init__(self, names):
        super().__init__("steer", names, self.PLACES)
        makers = {
            "schematic": SchematicView,
            "sentence": SentenceView,
            "numbers": TableView,
            "map": OutputMap,
            "across": lambda: Section("across", across=4),
            "up": lambda: Section("up", across=4),
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
        if "map" in names:
            self.views["map"].show(state)
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
                self.views[which].show(
                    "i_tail",
                    tail,
                    gain,
                    (state.i_tail, float(scene.point.gain_upper)),
                    "Gain",
                    "V/V",
                    0.0,
                    1.05 * max(float(gain.max()), 1e-6),
                )
            else:
                self.views[which].show(
                    name, x, along, (state.map_value(name), out), "Output", "V", -full, full
                )

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
    def picture(state):
        """The schematic as an SVG that stands by itself."""
        scene = state.scene()
        return still(draw(scene.stage), values(scene))
