"""Views of the board in a lesson."""

import math

from forktail.lessons.scenes.base import SceneViews
from forktail.lessons.scenes.card import Card, card_lines
from forktail.lessons.scenes.states import round_up
from forktail.pages.build.schematic import BuiltSchematic
from forktail.pages.build.schematic import draw as draw_board
from forktail.pages.build.schematic import values as board_values
from forktail.pages.build.transfer_curves import TransferCurve
from forktail.pages.build.words import BuiltSentence
from forktail.ui.static_svg import still


def _largest(values):
    finite = [abs(float(v)) for v in values if math.isfinite(v)]
    return max(finite, default=1e-3)


class BuiltViews(SceneViews):
    """The board part by part."""

    PLACES = {
        "schematic": ("The board", "main"),
        "over_upper": ("Output over the upper input", "strip"),
        "over_lower": ("Output over the lower input", "strip"),
        "card": ("Readings of this scene", "card"),
        "sentence": ("", "words"),
    }

    DRAWINGS = {"schematic": "built"}
    WIDE = True

    def __init__(self, names):
        super().__init__("built", names, self.PLACES)
        makers = {
            "schematic": BuiltSchematic,
            "over_upper": lambda: TransferCurve("over_upper", "v_upper"),
            "over_lower": lambda: TransferCurve("over_lower", "v_lower"),
            "card": Card,
            "sentence": BuiltSentence,
        }
        self.keep({n: makers[n]() for n in self.names})

    def show(self, state, names):
        """Draw the named views of the board."""
        scene = state.scene()
        if "schematic" in names:
            self.views["schematic"].show(scene, state.gone())
        if "sentence" in names:
            self.views["sentence"].show(scene)
        for name in ("over_upper", "over_lower"):
            if name in names:
                self._show_curve(name, state, float(scene.built.v_out))
        if "card" in names:
            self.views["card"].show(state)

    def _show_curve(self, name, state, out):
        axis = name.replace("over", "v")
        x, built, ideal = state.curve(axis)
        full = round_up(max(_largest(y) for y in (built, ideal) if y is not None))
        at = getattr(state, axis), out if math.isfinite(out) else None
        self.views[name].show(x, built, ideal, at, full)

    def dragged(self, state, name, x, y):
        """The input under a point of a curve."""
        if name not in ("over_upper", "over_lower"):
            return {}
        axis = name.replace("over", "v")
        low, high = state.param[axis].bounds
        return {axis: float(f"{min(max(x / self.views[name].factor, low), high):.3g}")}

    @staticmethod
    def picture(state, names):
        """The schematic as an SVG that stands by itself."""
        scene = state.scene()
        return still(draw_board(scene.circuit), board_values(scene, state.gone()))

    @staticmethod
    def readings(state, names):
        """The card for print, where the step shows it."""
        return {"card": card_lines(state)} if "card" in names else {}
