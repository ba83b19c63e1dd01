"""Views of the scenes of lessons: one class for each kind of `lessons_scenes`, found by its key.

A class takes the names of the views that a lesson shows and offers:

- `roots`: name -> view (a `Plot` is wrapped by the page), named for the body,
- `plots`: the `Plot` objects, for themes and exports,
- `body(place)`: the Jinja text that places them,
- `show(state, names)`: draw those views of the scene; the others rest,
- `drag(state, message)`: settings that a drag on a plot asks for, {} for none,
- `csv(name, state)`: text of an export,
- `picture(state)` (static): SVG of a scene for print, "" if it has none.
"""

from forktail.lessons.place import place
from forktail.lessons.views import VIEWS as OTHERS
from forktail.pages.steer.schematic import SchematicView, draw, values
from forktail.pages.steer.words import SentenceView, TableView
from forktail.ui.output_map import OutputMap
from forktail.ui.sections import Section
from forktail.ui.static_svg import still


class SteerViews:
    """The views of the Steer page."""

    PLACES = {
        "schematic": ("Where the tail current goes", "main"),
        "map": ("Output as colour", "square"),
        "across": ("Output over the input", "strip"),
        "up": ("Over the other quantity", "strip"),
    }

    def __init__(self, names):
        self.names = tuple(names)
        makers = {
            "schematic": SchematicView,
            "sentence": SentenceView,
            "numbers": TableView,
            "map": OutputMap,
            "across": lambda: Section("across", across=4),
            "up": lambda: Section("up", across=4),
        }
        self.roots = {n: makers[n]() for n in makers if n in self.names}
        self.plots = tuple(self.roots[n] for n in ("map", "across", "up") if n in self.roots)

    def body(self):
        """Jinja text of the views."""
        return "".join(place(n, *self.PLACES.get(n, ("", "words"))) for n in self.roots)

    def show(self, state, names):
        """Draw the named views; one solution feeds them all."""
        scene = state.scene()
        for name in ("schematic", "sentence", "numbers"):
            if name in names:
                self.roots[name].show(scene)
        if "map" in names:
            self.roots["map"].show(state)
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
                self.roots[which].show(
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
                self.roots[which].show(
                    name, x, along, (state.map_value(name), out), "Output", "V", -full, full
                )

    def drag(self, state, message):
        """Settings under the point of the map."""
        if message.get("view") != "map" or "map" not in self.roots:
            return {}
        across, up = (float(message[k]) / f for k, f in zip("xy", self.roots["map"].factors))
        moved = type(state)()
        moved.apply_texts(state.texts())
        moved.set_from_map(across, up)
        return {
            n: getattr(moved, n) for n in moved.fields() if getattr(moved, n) != getattr(state, n)
        }

    def csv(self, name, state):
        """Comma-separated text of a view."""
        view = self.roots.get(name)
        if name == "map":
            return view.csv(state)
        if name in ("across", "up"):
            return view.csv()
        return TableView().csv(state.scene())

    @staticmethod
    def picture(state):
        """The schematic as an SVG that stands by itself."""
        scene = state.scene()
        return still(draw(scene.stage), values(scene))


VIEWS = {"steer": SteerViews, **OTHERS}
