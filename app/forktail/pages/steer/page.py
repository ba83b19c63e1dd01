"""The Steer page: schematic, sentence, map and sections over one `SteerState`."""

from forktail.pages.steer.law import StageLaw
from forktail.pages.steer.schematic import SchematicView
from forktail.pages.steer.state import PRESETS, SteerState
from forktail.pages.steer.words import SentenceView, TableView
from forktail.ui.ahead import Ahead
from forktail.ui.controls import Controls, group, row
from forktail.ui.output_map import OutputMap
from forktail.ui.sections import Section
from forktail.ui.shell import Page, page, query_of_session, route


class SteerPage(Page):
    """One session of the Steer page."""

    def __init__(self):
        self.state = SteerState()
        self.schematic, self.sentence, self.table = SchematicView(), SentenceView(), TableView()
        self.law = StageLaw()
        self.map, self.across, self.up = OutputMap(), Section("across"), Section("up")
        self.plots = (self.map, self.across, self.up)
        self.controls = Controls(
            self.state,
            self._groups,
            presets=lambda: PRESETS[self.state.stage],
            play=lambda: self.state.controls()[0],
            handlers={"drag": self._drag, "csv": self._csv, "theme": self.set_theme},
        )

    def _groups(self):
        def make(names):
            return [row(self.state, n) for n in names]

        main, common, parts = self.state.controls()
        return [
            group("", [row(self.state, "stage", "tabs")]),
            group("Drive", make(main)),
            group("Circuit", make(common) + [row(self.state, "hold_scale")]),
            group("Offsets and emitter resistors", make(parts), fold=True, open=False),
        ]

    def refresh(self):
        """Solve once and hand the result to every view."""
        scene = self.state.scene()
        self.controls.follow()
        self.schematic.show(scene)
        self.law.show(scene)
        self.sentence.show(scene)
        self.table.show(scene)
        self.map.show(self.state)
        self._sections(scene)

    def _sections(self, scene):
        full = 1.05 * max(self.state.map_scale(), 1e-6)
        out = float(scene.point.v_out)
        (x_name, x, along_x), (y_name, y, along_y) = self.state.sections()
        self.across.show(
            x_name, x, along_x, (self.state.map_value(x_name), out), "Output", "V", -full, full
        )
        if scene.stage == "pair":
            tail, gain = self.state.gain_against_tail()
            self.up.show(
                "i_tail",
                tail,
                gain,
                (self.state.i_tail, float(scene.point.gain_upper)),
                "Gain",
                "V/V",
                0.0,
                1.05 * max(float(gain.max()), 1e-6),
            )
        else:
            self.up.show(
                y_name, y, along_y, (self.state.map_value(y_name), out), "Output", "V", -full, full
            )

    def _drag(self, message):
        if message.get("view") != "map":
            return
        across, up = (float(message[k]) / f for k, f in zip("xy", self.map.factors))
        self.state.set_from_map(across, up)

    def _csv(self, message):
        plot = message.get("plot")
        if plot == "map":
            text = self.map.csv(self.state)
        elif plot in ("across", "up"):
            text = getattr(self, plot).csv()
        else:
            text = self.table.csv(self.state.scene())
        self.controls.download(f"forktail-{plot}.csv", text, "text/csv")


AHEAD = Ahead(SteerPage)


@route("/", "Steer", 1)
def steer():
    """Build the page for a new session."""
    session = AHEAD.take()
    session.start(query_of_session())
    page(
        "steer",
        "Steer",
        {
            "controls": session.controls,
            "schematic": session.schematic,
            "law": session.law,
            "sentence": session.sentence,
            "table": session.table,
            "map": session.map,
            "across": session.across,
            "up": session.up,
        },
        current="/",
    )
