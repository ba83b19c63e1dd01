"""The Compare page: a capture against the prediction of a circuit."""

import functools
from dataclasses import replace

import panel as pn

from forktail.core.checks import QuantityError
from forktail.pages.build.state import shipped
from forktail.pages.compare.drop import CaptureDrop
from forktail.pages.compare.meter import MeterAnswer, MeterTable
from forktail.pages.compare.plots import Overlay, Residual, overlay_csv, stretch
from forktail.pages.compare.state import (
    COLUMNS,
    EXAMPLE,
    EXAMPLE_CIRCUIT,
    CompareState,
    answer,
    example_bytes,
    read_job,
    readings_job,
)
from forktail.pages.compare.words import STYLES, FigureTable, VerdictView, table_csv
from forktail.ui.controls import Controls, group, row
from forktail.ui.jobs import run_apart
from forktail.ui.later import Later
from forktail.ui.markup import MarkupView
from forktail.ui.shell import Page, page, query_of_session, route


def _read(question, stale, say):
    name, data = question
    return name, run_apart(read_job, data, name, progress=lambda *part: say(part), stale=stale)


def _compare(question, stale, say):
    table, asked = question
    return run_apart(answer, table, asked, progress=lambda *part: say(part), stale=stale)


def _read_meter(question, stale, say):
    return run_apart(readings_job, *question, stale=stale)


class BackLink(MarkupView):
    """Heading of the page, and the ways back to the circuit."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self.rebuild(
            '<div class="back"><h1>Compare a capture</h1><p data-id="title"></p>'
            '<p><a data-id="build" href="build">Back to Build</a> '
            '<a data-id="plan" href="plan" target="_blank" rel="noopener">Bench plan</a>'
            "</p></div>",
            {},
        )

    def show(self, state):
        """Point the links at the present circuit."""
        query = state.build_query()
        tail = f"?{query}" if query else ""
        self.update(
            {
                "title": {"#": f"with the circuit \u201c{state.circuit.title}\u201d"},
                "build": {"href": f"build{tail}"},
                "plan": {"href": f"plan{tail}"},
            }
        )


class ComparePage(Page):
    """One session of the Compare page."""

    def __init__(self, document=None):
        self.state = CompareState()
        self.back, self.verdict, self.errors = BackLink(), VerdictView(), FigureTable()
        self.overlay, self.residual = Overlay(), Residual()
        self.plots = (self.overlay, self.residual)
        self.drop = CaptureDrop(self._file, self._circuit_file, self._example, self._cancel)
        self.shape = MarkupView(stylesheets=STYLES)
        self.shape.rebuild("<span></span>", {"main": {"data-open": "no"}})
        self.controls = Controls(
            self.state,
            self._groups,
            stylesheets=STYLES,
            handlers={
                "theme": self.set_theme,
                "csv": self._csv,
                "choose": self._choose,
                "edit": self._edit,
                "load": lambda m: self._circuit_file("", str(m.get("text", ""))),
            },
        )
        self.meter, self.meter_answer = MeterTable(), MeterAnswer()
        self._metering = Later(document, _read_meter, self._metered, wait=400)
        self._metered_for = None
        self._said, self._linked = "", False
        self._notes, self._cause = (), -1
        self.comparison, self._asked, self._drawn, self._shape = None, None, None, None
        self._reading = Later(document, _read, self._read_done, self._progress, wait=10)
        self._comparing = Later(document, _compare, self._compared, self._progress)

    def stop(self):
        """The session has ended: drop all work."""
        self._reading.cancel()
        self._comparing.cancel()
        self._metering.cancel()

    # ---- controls

    def _groups(self):
        def rows(*names):
            return [row(self.state, n) for n in names]

        circuit = row(self.state, "shipped")
        circuit["options"] = [[key, c.title or key] for key, (c, _) in shipped().items()]
        groups = [group("", [circuit, *rows("probed")])]
        if self.state.table is None:
            return groups
        groups.append(group("Columns", rows(*(name for name, _ in COLUMNS.values()))))
        missing = self.state.missing()
        if missing:
            groups.append(
                group(
                    "Drive that was not captured",
                    rows(
                        *(
                            name
                            for side in missing
                            for name in (f"peak_{side}", f"frequency_{side}")
                        )
                    ),
                )
            )
        probes = rows("probe_upper", "probe_lower", "probe_out", "no_mean")
        if self.state.column_time == "none" or self.state.interval:
            probes += rows("interval")
        groups.append(group("Probes", probes, fold=True, open=self.state.column_time == "none"))
        groups.append(group("Stretch of time drawn", rows("start", "span")))
        return groups

    def _choose(self, message):
        name, value = message.get("name"), message.get("value")
        if name == "shipped":
            self.state.choose_shipped(value)
        elif name in self.controls.names and value in self.state.param[name].objects:
            self.state.param.update(**{name: value})

    def _circuit_file(self, name, text):
        try:
            problems = self.state.apply_file(text)
        except QuantityError as error:
            self.controls.say([f"{name}: {error}" if name else str(error)])
            return
        if problems:
            self.controls.say(["The file was loaded, with these remarks:", *problems])

    # ---- the capture

    def _file(self, name, data):
        self.state.example = False
        self._open(name, data)

    def _example(self):
        self.state.param.update(
            example=True, shipped=EXAMPLE_CIRCUIT, circuit=shipped()[EXAMPLE_CIRCUIT][0]
        )
        self._open(EXAMPLE, example_bytes())

    def _open(self, name, data):
        self._comparing.cancel()
        self.drop.tell(f"Reading {name}\u2026", share=0.3)
        self._reading.ask((name, data))

    def _cancel(self):
        self._reading.cancel()
        self._comparing.cancel()
        self._asked = None  # any change asks again
        self.drop.refuse("Cancelled." + self._kept())

    def _kept(self):
        return " The previous capture stays open." if self.comparison is not None else ""

    def _progress(self, part):
        share, text = part
        self.drop.tell(f"{text[0].upper()}{text[1:]}\u2026", share=0.3 + 0.7 * share)

    def _read_done(self, found, error):
        if error is not None:
            if not isinstance(error, QuantityError):
                raise error
            self.drop.refuse(f"{error}{self._kept()}")
            return
        name, table = found
        if table is None:
            return
        rows, columns = table.data.shape
        self.drop.tell(f"{name}: {rows} rows, {columns} columns.", share=None)
        self._said = f"{name}: {rows} rows, {columns} columns."
        self._asked = None
        self.state.take(table, whole=not self._linked)
        self._linked = False
        self.redraw()

    def _ask(self):
        """Compare again if anything that matters has changed."""
        if self.state.table is None:
            return
        asked = self.state.question()
        if asked == self._asked:
            return
        self._asked = asked
        self.drop.tell("Comparing\u2026", share=0.3)
        self._comparing.ask((self.state.table, asked))

    def _compared(self, found, error):
        if error is not None:
            if not isinstance(error, QuantityError):
                raise error
            self.drop.tell(self._said, share=None)
            self.verdict.refuse(str(error))
            self.shape.update({"main": {"data-open": "no" if self.comparison is None else "stale"}})
            return
        if found is None:
            return
        comparison, notes = found
        self.comparison = comparison
        self.drop.tell(self._said, share=None)
        self._notes, self._cause = notes, -1 if comparison.healthy else 0
        if not comparison.causes:
            self._cause = -1
        self._show_verdict()
        self.errors.show(comparison)
        self.shape.update({"main": {"data-open": "yes"}})
        self._drawn = None
        self._draw()

    def _show_verdict(self):
        c = self.comparison
        boards = [
            (f"build?{self.state.found_query(c, k)}", self.state.found_file(c, k))
            for k in range(len(c.causes))
        ]
        self.verdict.show(c, self._notes, boards, self._cause)

    def _edit(self, message):
        """A cause was chosen: its wave goes over the capture. Or a reading was typed."""
        name, text = str(message.get("name")), str(message.get("text", ""))
        if name.removeprefix("read-") in {point for point, _, _ in self.state.points()}:
            self._take_reading(name.removeprefix("read-"), text)
            return
        if name != "cause" or self.comparison is None:
            return
        if text.lstrip("-").isdigit() and -1 <= int(text) < len(self.comparison.causes):
            self._cause = int(text)
            self._draw()

    # ---- readings of a meter

    def _take_reading(self, point, text):
        try:
            self.state.set_reading(point, text)
        except QuantityError as error:
            self.meter_answer.refuse(str(error))
            return
        self._metered_for = None  # what was refused before is over
        self.meter.resend(f"in-{point}", "value")
        self.redraw()

    def _ask_meter(self):
        """Compare the readings again if they or the circuit changed."""
        asked = self.state.circuit, self.state.readings
        self.meter.show(self.state.points(), self.state.read())
        if asked == self._metered_for:
            return
        self._metered_for = asked
        self._metering.cancel()
        if not self.state.readings:
            self.meter_answer.clear()
            return
        self.meter_answer.wait()
        self._metering.ask(asked)

    def _metered(self, found, error):
        if error is not None:
            if not isinstance(error, QuantityError):
                raise error
            self.meter_answer.refuse(str(error))
        elif found is not None:
            boards = [
                (f"build?{self.state.found_query(found, k)}", self.state.found_file(found, k))
                for k in range(len(found.causes))
            ]
            self.meter_answer.show(found, boards)

    def _draw(self):
        if self.comparison is None:
            return
        key = self.state.start, self.state.span, self._cause
        if key != self._drawn:
            self._drawn = key
            cut = stretch(self.comparison.time, *key[:2])
            c = self.comparison
            c = replace(c, fitted=c.wave(None if self._cause < 0 else self._cause))
            self.overlay.draw(c, cut)
            self.residual.draw(c, cut)

    # ---- the page

    def refresh(self):
        """Draw the present state, and ask for a comparison if it needs one."""
        self.back.show(self.state)
        shape = (
            self.state.table is None,
            tuple(self.state.missing()),
            self.state.column_time == "none",
            id(self.state.table),
        )
        if shape != self._shape:
            self._shape = shape
            self.controls.rebuild()
        self._ask()
        self._ask_meter()
        self._draw()

    def open_linked(self):
        """Open the example if the link says so."""
        if self.state.example:
            self._linked = True
            self._open(EXAMPLE, example_bytes())

    def _csv(self, message):
        if self.comparison is None:
            self.controls.say(["There is no comparison yet: open a capture first."])
            return
        which = message.get("plot")
        text = table_csv(self.comparison) if which == "errors" else overlay_csv(self.comparison)
        self.controls.download(f"forktail-compare-{which}.csv", text, "text/csv")


@route("/compare")
def compare():
    """Build the page for a new session."""
    document = pn.state.curdoc
    session = ComparePage(document)
    session.start(query_of_session())
    session.open_linked()
    if document is not None:
        pn.state.on_session_destroyed(functools.partial(_ended, session))
    page(
        "compare",
        "Compare a capture",
        {
            "back": session.back,
            "controls": session.controls,
            "drop": session.drop,
            "shape": session.shape,
            "verdict": session.verdict,
            "errors": session.errors,
            "meter": session.meter,
            "meter_answer": session.meter_answer,
            "overlay": session.overlay,
            "residual": session.residual,
        },
        current="/build",
    )


def _ended(session, context):
    session.stop()
