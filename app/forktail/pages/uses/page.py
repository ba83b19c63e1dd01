"""The Uses page: one use at a time, its result, figures of merit and sound."""

import time

import panel as pn
from panel.io.document import hold

from forktail.core.uses.words.noise import LEFT_OUT
from forktail.pages.uses.diagram import DiagramView
from forktail.pages.uses.plots import CurvePlot, SpectrumPlot, TimePlot
from forktail.pages.uses.state import (
    CELL_MAIN,
    CELL_PARTS,
    OWN_CIRCUIT,
    PRESETS,
    UsesState,
    stored_circuits,
)
from forktail.pages.uses.words import (
    CurveTabs,
    MeritsView,
    NumbersView,
    PlotTabs,
    UseTabs,
    WordsView,
    band_options,
    numbers_csv,
    time_options,
)
from forktail.ui.ahead import Ahead
from forktail.ui.controls import Controls, group, row
from forktail.ui.listen import Listen
from forktail.ui.shares import SharesView
from forktail.ui.shell import Page, page, query_of_session, route

#: A result that takes longer, s, is computed without its curves while a slider moves.
SLOW = 0.03
#: A scene that has not changed for so long, ms, rests: tables, curves and sound follow.
REST = 220


class UsesPage(Page):
    """One session of the Uses page."""

    def __init__(self):
        self.state = UsesState()
        self.tabs, self.diagram = UseTabs(), DiagramView()
        self.merits, self.words, self.numbers = MeritsView(), WordsView(), NumbersView()
        self.shares = SharesView("What makes the noise at the output", LEFT_OUT)
        self.time, self.spectrum, self.curve = TimePlot(), SpectrumPlot(), CurvePlot()
        self.time_tabs = PlotTabs("time", time_options)
        self.band_tabs = PlotTabs("band", band_options)
        self.curve_tabs = CurveTabs()
        self.plots = (self.time, self.spectrum, self.curve)
        self.listen = Listen(self._sound, self._choose_sound)
        self.controls = Controls(
            self.state,
            self._groups,
            presets=lambda: PRESETS[self.state.use],
            play=self._play,
            handlers={"pick": self._pick, "csv": self._csv, "theme": self.set_theme},
        )
        self._shape, self._good = self._controls_shape(), None
        self._cost, self._waiting, self._heard = 0.0, None, ""

    # ---- controls

    def _controls_shape(self):
        return self.state.use, self.state.model, tuple(self.state.param.circuit.objects)

    def _groups(self):
        def make(names):
            return [row(self.state, n) for n in names]

        names = self.state.settings_names()
        if self.state.use == "mixer":
            names = [*names, "call"]
        cell = [row(self.state, "model")]
        if self.state.model == "built":
            if len(stored_circuits()) > 1 or self.state.circuit == OWN_CIRCUIT:
                cell.append(row(self.state, "circuit"))
            return [group("Signals", make(names)), group("Cell", cell)]
        return [
            group("Signals", make(names)),
            group("Cell", cell + make(f"cell__{n}" for n in CELL_MAIN)),
            group(
                "Temperature, offsets, resistors",
                make(f"cell__{n}" for n in CELL_PARTS),
                fold=True,
                open=False,
            ),
        ]

    def _play(self):
        choices = self.state.settings_names()
        return [n for n in choices if hasattr(self.state.param[n], "slider")]

    def _pick(self, message):
        state = self.state
        if "use" in message:
            self._heard = ""
            state.choose_use(str(message["use"]))
        for name in ("time", "band", "curve"):
            if message.get(name) in state.param[name].objects:
                state.param.update(**{name: message[name]})
        figure = str(message.get("figure", ""))
        if figure and self._good and figure in [m.key for m in self._good.result.merits]:
            state.figure = figure

    # ---- drawing

    def refresh(self):
        """Run the use once and hand the result to every view."""
        if self._shape != self._controls_shape():
            self._shape = self._controls_shape()
            self.controls.rebuild()
            self._cost = 0.0
        follow = self._good is not None and pn.state.curdoc is not None
        detail = not (follow and self._cost > SLOW)
        start = time.perf_counter()
        scene = self.state.scene(detail)
        if detail:
            self._cost = time.perf_counter() - start
        self._draw(scene)
        if follow:
            self._rest_later(scene)
        else:
            self._rest(scene)

    def _draw(self, scene):
        self.tabs.show(scene, bool(self.state.sound_options(scene.result)))
        self.words.show(scene)
        if scene.result is None:
            return
        self._good = scene
        self.merits.show(scene)
        self.diagram.show(scene)
        self.time.show(scene)
        self.spectrum.show(scene)
        self.time_tabs.show(scene)
        self.band_tabs.show(scene)
        self._draw_curve(scene)

    def _draw_curve(self, scene):
        self.curve_tabs.show(scene)
        if not scene.detail:
            self.curve.hide_point()
            return
        curves = scene.result.curves
        self.curve.show(curves[min(scene.curve, len(curves)) - 1] if curves else None)

    # ---- what waits until the scene rests

    def _rest_later(self, scene):
        document = pn.state.curdoc
        if self._waiting is not None:
            document.remove_timeout_callback(self._waiting)
        self._waiting = document.add_timeout_callback(lambda: self._rested(document, scene), REST)

    def _rested(self, document, scene):
        self._waiting = None
        with hold(document):
            self._finish(scene)

    def _finish(self, scene):
        if scene.result is not None and not scene.detail:
            scene = self.state.scene(True)
            if scene.result is not None:
                self._good = scene
                self.merits.show(scene)
                self._draw_curve(scene)
        self._rest(scene)

    def _rest(self, scene):
        if scene.result is None:
            return
        self.numbers.show(scene)
        self.shares.show(scene.result.noise)
        options = self.state.sound_options(scene.result)
        keys = [k for k, _ in options]
        if self._heard not in keys:
            self._heard = keys[0] if keys else ""
        self.listen.offer(options, self._heard)
        self.listen.refresh()

    # ---- sound and files

    def _sound(self, key):
        return self.state.sound(key, self._good.result if self._good else None)

    def _choose_sound(self, key):
        self._heard = key
        self._rest(self._good)

    def _csv(self, message):
        plot = message.get("plot")
        if self._good is None:
            return
        if plot == "numbers":
            text = numbers_csv(self._good.result)
        elif plot in ("time", "spectrum", "curve"):
            text = getattr(self, plot).csv()
        else:
            return
        self.controls.download(f"forktail-{self.state.use}-{plot}.csv", text, "text/csv")


AHEAD = Ahead(UsesPage)


@route("/uses", "Uses", 3)
def uses():
    """Build the page for a new session."""
    session = AHEAD.take()
    session.start(query_of_session())
    page(
        "uses",
        "Uses",
        {
            "controls": session.controls,
            "tabs": session.tabs,
            "diagram": session.diagram,
            "merits": session.merits,
            "shares": session.shares,
            "words": session.words,
            "numbers": session.numbers,
            "listen": session.listen,
            "time_tabs": session.time_tabs,
            "band_tabs": session.band_tabs,
            "curve_tabs": session.curve_tabs,
            "time": session.time,
            "spectrum": session.spectrum,
            "curve": session.curve,
        },
    )
