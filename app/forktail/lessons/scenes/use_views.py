"""Views of one use in a lesson."""

from forktail.core.quantities import format_fixed
from forktail.core.uses import USES
from forktail.lessons.scenes.base import SceneViews
from forktail.lessons.scenes.card import Card, card_lines
from forktail.pages.uses.diagram import DiagramView
from forktail.pages.uses.diagram import draw as draw_use
from forktail.pages.uses.diagram import values as use_values
from forktail.pages.uses.plots import CurvePlot, SpectrumPlot, TimePlot
from forktail.pages.uses.words import WordsView
from forktail.ui.shares import SharesView
from forktail.ui.static_svg import still


class UseViews(SceneViews):
    """The views of the Uses page for one use."""

    PLACES = {
        "spectrum": ("Lines of the output", "strip"),
        "curve": ("Characteristic", "strip"),
        "time": ("Waveforms", "strip"),
        "diagram": ("How the cell is used", "strip"),
        "card": ("Readings of this scene", "card"),
        "noise": ("What makes the noise", "card"),
        "sentence": ("", "words"),
    }

    DRAWINGS = {"diagram": "diagram"}

    def __init__(self, use, names):
        super().__init__(use, names, self.PLACES)
        makers = {
            "spectrum": SpectrumPlot,
            "curve": CurvePlot,
            "time": TimePlot,
            "diagram": lambda: DiagramView(sizing_mode="stretch_both"),
            "card": Card,
            "noise": lambda: SharesView("What makes the noise at the output", ""),
            "sentence": WordsView,
        }
        self.keep({n: makers[n]() for n in self.names})
        if "diagram" in self.views:  # it fills the height that the step leaves it
            view = self.views["diagram"]
            view.stylesheets = [*view.stylesheets, "assets/pages/lesson/style.css"]

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
        if "noise" in names:
            self.views["noise"].show(scene.result.noise)
        if "card" in names:
            self.views["card"].show(state, scene.result.merits)

    @staticmethod
    def picture(state, names):
        """Block diagram with the values of the scene."""
        scene = state.scene()
        if scene.result is None:
            return ""
        return still(draw_use(scene.use, scene.result.title), use_values(scene))

    @staticmethod
    def readings(state, names):
        """The card and what makes the noise for print, where the step shows them."""
        result = state.scene().result
        if not result:
            return {}
        lines = card_lines(state, result.merits) if "card" in names else []
        if "noise" in names:
            lines += [
                (f"Noise: {name}", format_fixed(share, 1, "%")) for name, share in result.noise
            ]
        return {"card": lines} if lines else {}


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
