"""The Signals page: waveforms, trajectory, spectrum and sound over one `SignalsState`."""

import panel as pn

from forktail.core.checks import QuantityError
from forktail.pages.signals.spectrum import SpectrumPlot
from forktail.pages.signals.state import HEARD, PRESETS, SignalsState
from forktail.pages.signals.trajectory import TrajectoryMap
from forktail.pages.signals.waveforms import Waveforms
from forktail.pages.signals.words import CursorReading, FiguresView, LinesTable, SignalWords
from forktail.ui.ahead import Ahead
from forktail.ui.controls import Controls, group, row
from forktail.ui.listen import Listen
from forktail.ui.shell import Page, page, query_of_session, route

#: How long the scene must rest before a sound that is playing is made again, ms.
SOUND_REST = 400
#: Name within a drive -> what the row says; the full name is its label for screen readers.
_SHORT = {
    "kind": "Wave",
    "amplitude": "Amplitude",
    "frequency": "Frequency",
    "phase": "Phase",
    "offset": "DC",
    "second_amplitude": "Amplitude 2",
    "second_frequency": "Frequency 2",
    "repeat_frequency": "Repeats",
    "on_fraction": "On for",
    "depth": "Depth",
}
_CELL = ("i_tail", "tail_law", "r_load", "temperature", "v_supply", "r_emitter_lower")
_OFFSETS = ("offset_left", "offset_right", "offset_lower")


class SignalsPage(Page):
    """One session of the Signals page."""

    def __init__(self):
        self.state = SignalsState()
        self.waves, self.spectrum, self.map = Waveforms(), SpectrumPlot(), TrajectoryMap()
        self.words, self.reading = SignalWords(), CursorReading()
        self.figures, self.table = FiguresView(), LinesTable()
        self.listen = Listen(self._sound, self._hear)
        self.plots = (*self.waves.plots.values(), self.spectrum, self.map)
        self.controls = Controls(
            self.state,
            self._groups,
            presets=lambda: PRESETS,
            play=self._play,
            handlers={
                "drag": self._drag,
                "csv": self._csv,
                "theme": self.set_theme,
                "choose": self._choose,
                "preset": self._preset,
            },
        )
        self._heard, self._due = None, None

    # rows

    def _drive_rows(self, side):
        state = self.state
        names = [f"{side}_kind", *state.drive_controls(side)]
        short = dict(_SHORT)
        if getattr(state, f"{side}_kind") == "call":
            short |= {"frequency": "Sweep from", "second_frequency": "to"}
        if getattr(state, f"{side}_kind") == "am":
            short["repeat_frequency"] = "Modulated"
        return [row(state, n, short=short[n.removeprefix(f"{side}_")]) for n in names]

    def _groups(self):
        state = self.state

        def make(*names):
            return [row(state, n) for n in names]

        built = state.model == "built"
        short = {
            "model": "Cell",
            "circuit": "Circuit",
            "cursor": "Cursor",
            "span": "Shown",
            "start": "From",
        }

        def line(*names):
            return [row(state, n, short=short[n]) for n in names]

        show = ["levels", "reach", "product", "hold_scale"]
        corners = []
        if built:
            show.insert(3, "beside")
        else:
            for flag, name in (
                ("coupled_upper", "coupling_upper"),
                ("coupled_lower", "coupling_lower"),
                ("loaded", "load_corner"),
            ):
                corners += [flag] + ([name] if getattr(state, flag) else [])
        groups = [
            group("", line("model", *(["circuit"] if built else [])), tight=True),
            group("Upper drive", self._drive_rows("upper"), tight=True),
            group("Lower drive", self._drive_rows("lower"), tight=True),
            group(
                "Time",
                line("cursor", "span", *([] if state.span == "window" else ["start"])),
                tight=True,
            ),
            group("Plots", make(*show), fold=True, open=False),
            group("Cell", make(*(["temperature"] if built else _CELL)), fold=True, open=False),
            group("Offsets (mismatch)", make(*_OFFSETS), fold=True, open=False),
        ]
        if corners:
            groups.append(group("Coupling and load pole", make(*corners), fold=True, open=False))
        heard = {"shifted": ["hear_shift"], "slowed": ["hear_slow"]}.get(state.heard, [])
        groups.append(group("Into hearing", make(*heard, "hear_noise")))
        return groups

    def _play(self):
        names = [
            "cursor",
            "upper_phase",
            "lower_phase",
            "upper_frequency",
            "lower_frequency",
            "upper_amplitude",
            "lower_amplitude",
            "lower_offset",
        ]
        shown = self._names()
        return [n for n in names if n in shown]

    def _names(self):
        return [r["name"] for g in self._groups() for r in g["rows"]]

    # drawing

    def refresh(self):
        """Solve once and hand the result to every view."""
        scene = self.state.scene()
        self.controls.follow()
        self.waves.show(scene)
        self.spectrum.show(scene, self.state.levels, self.state.reach)
        self.map.show_path(self.state, scene)
        self.words.show(scene)
        self.reading.show(scene)
        self.figures.show(scene)
        self.table.show(scene)
        self._offer()

    # what the user does

    def _choose(self, message):
        name, key = message.get("name"), message.get("value")
        if name not in self._names() or key not in self.state.param[name].objects:
            return
        if name in ("upper_kind", "lower_kind"):
            self.controls.say(self.state.choose_kind(name.removesuffix("_kind"), key))
        else:
            self.state.param.update(**{name: key})

    def _preset(self, message):
        name = message.get("name")
        if name in PRESETS:
            self.controls.say([])  # what was said of the scene before is done with
            self.state.apply_preset(name)

    def _drag(self, message):
        view = message.get("view")
        x, y = float(message["x"]), float(message["y"])
        if view in self.waves.plots:
            self.state.set_cursor(x / self.waves.time_factor)
        elif view == "map":
            self.state.set_cursor_from_map(x / self.map.factors[0], y / self.map.factors[1])

    def _csv(self, message):
        plot, scene = message.get("plot"), self.state.scene()
        if plot in self.waves.plots:
            text = self.waves.csv(plot, scene)
        elif plot == "map":
            text = self.map.csv(scene)
        elif plot == "spectrum":
            text = self.spectrum.csv(scene)
        else:
            plot, text = "figures", self.table.csv(scene)
        self.controls.download(f"forktail-{plot}.csv", text, "text/csv")

    # sound

    def _offer(self):
        state = self.state
        texts = {
            "as it is": "as it is",
            "shifted": f"shifted down by {state.param.hear_shift.show(state.hear_shift)}",
            "slowed": f"slowed {state.hear_slow:g} times",
        }
        self.listen.offer([(key, texts[key]) for key in HEARD], state.heard)
        heard = state.sound_key()
        if heard != self._heard:
            self._heard = heard
            self._renew()

    def _renew(self):
        """Make the sound again once the scene rests."""
        document = pn.state.curdoc
        if document is None or not self.listen.playing:
            return
        if self._due is not None:
            document.remove_timeout_callback(self._due)

        def rested():
            self._due = None
            self.listen.refresh()

        self._due = document.add_timeout_callback(rested, SOUND_REST)

    def _hear(self, key):
        self.state.heard = key

    def _sound(self, key):
        try:
            return self.state.sound()
        except QuantityError as error:
            self.controls.say([str(error)])
            return None


AHEAD = Ahead(SignalsPage)


@route("/signals", "Signals", 2)
def signals():
    """Build the page for a new session."""
    session = AHEAD.take()
    session.start(query_of_session())
    page(
        "signals",
        "Signals",
        {
            **session.waves.plots,
            "controls": session.controls,
            "words": session.words,
            "reading": session.reading,
            "spectrum": session.spectrum,
            "figures": session.figures,
            "map": session.map,
            "listen": session.listen,
            "table": session.table,
        },
    )
