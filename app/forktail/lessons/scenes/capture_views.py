"""Views of a capture in a lesson: over its prediction, what is left, and a voltmeter's readings."""

from forktail.lessons.quantity import show as text_of
from forktail.lessons.scenes.base import SceneViews
from forktail.lessons.scenes.card import CARD_STYLES, Card, card_lines
from forktail.lessons.scenes.kinds import figures, kind_of
from forktail.pages.compare.plots import Overlay, Residual
from forktail.ui.markup import MarkupView
from forktail.ui.static_chart import chart

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
            off = off and state.marks
            values |= {
                f"here-{n}": {"#": here + (" !" if off else "")},
                f"there-{n}": {"#": there},
                f"row-{n}": {"class": "off" if off else None},
            }
        self.update(values)


class CaptureViews(SceneViews):
    """A capture over its prediction, what is left, and what a fit and a voltmeter say."""

    PLACES = {
        "overlay": ("Output: captured, over predicted (dashed); best fit (thin)", "strip"),
        "residual": (
            "What is left: captured minus predicted (bold), minus best fit (thin)",
            "strip",
        ),
        "card": ("Readings of this scene", "card"),
        "meter": ("Voltmeter readings", "card"),
    }

    def __init__(self, names):
        super().__init__("capture", names, self.PLACES)
        makers = {"overlay": Overlay, "residual": Residual, "card": Card, "meter": Meter}
        self.keep({n: makers[n]() for n in self.names})

    def has_csv(self, name):
        """Whether a view can be saved as comma-separated text."""
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

    def text(self, name, state):
        """There is none: the capture is invented."""
        return ""

    @staticmethod
    def picture(state, names):
        """Capture over prediction, for print."""
        scene = state.scene()
        return chart(
            "output",
            scene.time,
            [("captured", scene.measured, "captured"), ("predicted", scene.predicted, "predicted")],
        )

    @staticmethod
    def readings(state, names):
        """Card and meter for print, where the step shows them."""
        out = {"card": card_lines(state)} if "card" in names else {}
        if "meter" in names:
            out["meter"] = [row[1:4] for row in meter_rows(state)]
        return out
