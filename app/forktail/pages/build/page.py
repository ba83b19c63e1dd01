"""The Build page: parts, schematic, findings and side panels over one `BuildState`."""

import math

import numpy as np
import panel as pn

from forktail.core.checks import QuantityError
from forktail.core.uses.words.noise import LEFT_OUT
from forktail.pages.build.circuit_texts import FIELDS, area_of
from forktail.pages.build.findings import FindingsView
from forktail.pages.build.law import BuiltLaw
from forktail.pages.build.mismatch_panel import RunPanel, SpreadTable, TrimPanel, spread_csv
from forktail.pages.build.mismatch_plots import HISTOGRAMS, Histogram
from forktail.pages.build.noise_panel import NoisePanel
from forktail.pages.build.parts_table import PartsTable
from forktail.pages.build.schematic import BuiltSchematic
from forktail.pages.build.state import (
    TABS,
    TRIMS,
    BuildState,
    assess,
    compare,
    noise_card,
    run_builds,
)
from forktail.pages.build.transfer_curves import TransferCurve
from forktail.pages.build.what_if import FaultsView, ValuesView
from forktail.pages.build.words import BuiltSentence, FiguresView, NumbersTable, ValuesTable
from forktail.ui.controls import Controls, group, row
from forktail.ui.html import STYLES, button, request
from forktail.ui.later import Later
from forktail.ui.markup import MarkupView
from forktail.ui.shares import SharesView
from forktail.ui.shell import Page, page, query_of_session, route

#: Builds solved between two looks at the progress.
CHUNK = 25


def _solve_builds(batch, stale, say):
    """Work of a Monte Carlo run: reports each chunk, leaves early when nobody waits for it."""
    spread = None
    for spread in run_builds(batch, CHUNK):
        if stale():
            return None
        say(spread)
    return spread


def _assess(driven, stale, say):
    return driven, assess(driven)


def _what_if(change, stale, say):
    return compare(change)


def _noise(question, stale, say):
    return noise_card(question)


class Toolbar(MarkupView):
    """What acts on the whole: at rest, how far off the shipped circuit, where to go on."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self.rebuild(
            f'<div class="line toolbar">{button("At rest", kind="rest")}'
            '<span class="soft" data-id="off"></span></div>'
            '<div class="line toolbar"><a class="act" data-id="plan" target="_blank" '
            'rel="noopener">Bench plan</a><a class="act" data-id="compare">Compare a '
            "capture</a></div>",
            {},
        )

    def show(self, state):
        """Show what is off the shipped circuit."""
        off, query = len(state.off_base()), state.query()
        whose = f" from {state.base().title}" if state.own_title() else ""
        tail = f"?{query}" if query else ""
        self.update(
            {
                "plan": {"href": f"plan{tail}"},
                "compare": {"href": f"compare{tail}"},
                "off": {
                    "#": "as shipped"
                    if not off
                    else f"{off} value{'' if off == 1 else 's'} changed{whose} \u2022"
                },
            }
        )


class Tabs(MarkupView):
    """Buttons that choose the side panel; the page's main element follows."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self.rebuild(
            '<div class="side-tabs" role="group" aria-label="Side panel">'
            + "".join(
                f'<button type="button" data-id="tab-{key}" {request(kind="tab", value=key)}>'
                f"{text}</button>"
                for key, text in TABS.items()
            )
            + "</div>",
            {},
        )

    def show(self, tab, model):
        """Mark the chosen panel."""
        out = {f"tab-{key}": {"aria-pressed": "true" if key == tab else "false"} for key in TABS}
        out["main"] = {"data-tab": tab, "data-model": model}
        self.update(out)


class BuildPage(Page):
    """One session of the Build page."""

    def __init__(self, document=None):
        self.state = BuildState()
        self.schematic, self.sentence = BuiltSchematic(), BuiltSentence()
        self.law = BuiltLaw()
        self.parts, self.toolbar, self.tabs = PartsTable(), Toolbar(), Tabs()
        self.findings, self.figures = FindingsView(), FiguresView()
        self.side_by_side, self.numbers = ValuesTable(), NumbersTable()
        self.values, self.faults = ValuesView(), FaultsView()
        self.run_panel, self.trims, self.spread = RunPanel(), TrimPanel(), SpreadTable()
        self.noise, self.shares = (
            NoisePanel(),
            SharesView("What makes the noise at the output", LEFT_OUT),
        )
        self.curves = {
            "v_upper": TransferCurve("over_upper", "v_upper"),
            "v_lower": TransferCurve("over_lower", "v_lower"),
        }
        self.histograms = {name: Histogram(name) for name in HISTOGRAMS}
        self.plots = (*self.curves.values(), *self.histograms.values())
        self.controls = Controls(
            self.state,
            self._groups,
            presets=self.state.presets,
            play=lambda: ("v_upper", "v_lower"),
            stylesheets=STYLES,
            handlers={
                "theme": self.set_theme,
                "csv": self._csv,
                "choose": self._choose,
                "edit": self._edit,
                "drag": self._drag,
                "apply": self._apply,
                "repair": self._repair,
                "rest": lambda m: self.state.param.update(v_upper=0.0, v_lower=0.0),
                "tab": lambda m: self._set("tab", m.get("value")),
                "round": lambda m: self.state.set_circuit(self.state.rounded()[0]),
                "break": self._break,
                "run": self._run,
                "cancel": self._cancel,
                "null": self._null,
                "untrim": self._untrim,
                "load": self._load,
                "reset": self._reset,
                "preset": self._preset,
            },
        )
        self._scene = self._assessed = self._spread = self._batch = None
        self._note = ""
        self._seen = {}
        self._assessing = Later(document, _assess, self._assessed_now)
        self._comparing = Later(document, _what_if, self._compared_now, wait=120)
        self._listening = Later(document, _noise, self._noise_now, wait=120)
        self._running = Later(document, _solve_builds, self._run_done, self._run_progress, wait=20)

    def stop(self):
        """The session has ended: drop all work."""
        for later in (self._assessing, self._comparing, self._listening, self._running):
            later.cancel()

    # ---- controls

    def _groups(self):
        def rows(*names):
            return [row(self.state, n) for n in names]

        circuit = row(self.state, "shipped")
        circuit["options"] = self.state.circuit_options()
        return [
            group("", [circuit, row(self.state, "model", "tabs")]),
            group("", rows("v_upper", "v_lower")),
        ]

    def _set(self, name, value):
        if value in self.state.param[name].objects:
            self.state.param.update(**{name: value})

    def _choose(self, message):
        name, value = message.get("name"), message.get("value")
        if name == "shipped":
            self.parts.forget()
            self.state.choose_shipped(value)
        elif name == "model":
            self._set(name, value)

    def _load(self, message):
        problems = self.state.apply_file(str(message.get("text", "")))
        self.parts.forget()
        self.parts.show(self.state)
        if problems:
            self.controls.say(["The file was loaded, with these remarks:", *problems])

    def _reset(self, message):
        self.parts.forget()
        self.state.reset()
        self.redraw()  # also where nothing changed: what could not be read goes

    def _preset(self, message):
        if message.get("name") in self.state.presets():
            self.parts.forget()
            self.state.apply_preset(message["name"])

    def _drag(self, message):
        view, x = message.get("view"), message.get("x")
        if not isinstance(x, (int, float)) or not math.isfinite(x):
            return
        if view in TRIMS:
            spec = TRIMS[view]
            self.trims.accept(view)
            self.state.set_trims({view: spec.at_step(min(max(int(x), 0), spec.steps()))})
            return
        for name, curve in self.curves.items():
            if view == curve.name:
                low, high = self.state.reach(name)
                value = min(max(x / curve.factor, low), high)
                self.state.param.update(**{name: float(f"{value:.3g}")})

    def _panel_of(self, name):
        if name == "unit":
            return self.trims
        if name in self.state.of_part("noise"):
            return self.noise
        return self.run_panel if name in self.state.of_part("run") else self.parts

    def _edit(self, message):
        name, text = str(message.get("name", "")), str(message.get("text", ""))[:2000]
        panel = self._panel_of(name)
        knob = name.removeprefix("knob_") if name.startswith("knob_") else ""
        if knob:  # a trim: of the circuit, or of the build looked at
            name, panel = knob, self.trims
        try:
            if name == "fault":
                if text and text not in {f.key for f in self.state.faults()}:
                    return
                self.state.fault = text
                return
            if name == "series":
                self._set("series", text)
                return
            if knob in TRIMS:
                panel.accept(knob)
                self.state.set_trims({knob: TRIMS[knob].read(text)})
            elif name == "unit" or name in self.state.of_part("drives", "run", "noise"):
                panel.accept(name)
                self.state.read_setting(name, text)
            elif name in FIELDS or area_of(name):
                panel.accept(name)
                self.state.edit(name, text)
            else:
                return
        except QuantityError as error:
            panel.refuse(name, text, str(error))
        self.redraw()  # also where nothing changed: the entry is written again

    # ---- changes of the circuit

    def _apply(self, message):
        if self._assessed is None or self._assessed[0] != self.state.driven():
            self.controls.say(["The list is being worked out again; apply once it is ready."])
            return
        found, n = self._assessed[1].findings, message.get("n")
        if isinstance(n, int) and 0 <= n < len(found):
            self.state.apply_finding(found[n])

    def _repair(self, message):
        rest = tuple(k for k in self.state.circuit.faults if k != message.get("key"))
        self.state.edit("faults", ";".join(rest))

    def _break(self, message):
        if self.state.fault:
            self.state.set_circuit(self.state.with_fault(), fault="")

    def _null(self, message):
        name = message.get("name")
        names = (name,) if name in TRIMS else tuple(TRIMS)
        for n in names:
            self.trims.accept(n)
        self.state.null(names)

    def _untrim(self, message):
        self.state.set_trims(dict.fromkeys(TRIMS, 0.0))

    # ---- the run

    def _run(self, message):
        self._spread, self._note = None, ""
        self._batch = self.state.batch()
        self._running.ask(self._batch)
        self._show_run()

    def _cancel(self, message):
        if self._running.busy:
            self._running.cancel()
            done = self._spread.done if self._spread else 0
            self._note = f"cancelled after {done} of {self.state.builds} builds"
            self._show_run()

    def _run_progress(self, spread):
        # every picture costs more than a chunk: a new one for each tenth of the run
        last = self._spread.done if self._spread else 0
        if spread.done - last >= spread.total / 10 or spread.done == spread.total:
            self._spread = spread
            self._show_run()

    def _run_done(self, spread, error):
        if error is not None:
            self._note = str(error)
        elif spread is not None:
            self._spread = spread
        self._show_run()

    def _follow_run(self):
        """A change while running cancels it; a change afterwards makes its result stale."""
        if self._batch is None or self.state.batch() == self._batch:
            return
        if self._running.busy:
            self._running.cancel()
            self._note = "cancelled, as the circuit or a setting changed"
        else:
            self._note = "the circuit or a setting has changed since: run again"
        self._spread = self._batch = None

    def _show_run(self):
        if self.state.tab != "mismatch":
            return
        self.run_panel.show(self.state, self._spread, self._running.busy, self._note)
        self.spread.show(self._spread)
        now, _ = self.state.judge()
        for histogram in self.histograms.values():
            values = self._spread.values[histogram.measure] if self._spread else np.array([])
            histogram.show(values, now.get(histogram.measure, math.nan))

    # ---- what takes longer

    def _assessed_now(self, answer, error):
        if error is not None:
            self.findings.fail(f"The findings could not be worked out: {error}")
            return
        self._assessed = answer
        self.findings.show(answer[0].circuit, answer[1].findings)
        if self.state.tab == "figures":
            self.figures.show(answer[1])

    def _assess_again(self):
        driven = self.state.driven()
        if self._seen.get("assess") != driven:
            self._seen["assess"] = driven
            self.findings.wait()
            self._assessing.ask(driven)
        elif self._assessed and self._assessed[0] == driven and self.state.tab == "figures":
            self.figures.show(self._assessed[1])

    def _compare_again(self):
        state = self.state
        if state.tab == "values":
            other, self._rounded = state.rounded()
        elif state.tab == "faults":
            if not state.fault:
                self.faults.show(state.circuit, state.faults(), "", None)
                return
            other = state.with_fault()
        else:
            return
        change = state.change(other)
        shown = (change, state.key("view", "series"))
        if self._seen.get("compare") != shown:
            self._seen["compare"] = shown
            self._comparing.ask(change)

    def _compared_now(self, comparison, error):
        if error is not None:
            self.controls.say([f"The comparison could not be worked out: {error}"])
            return
        state = self.state
        if state.tab == "values":
            self.values.show(state.series, self._rounded, comparison)
        elif state.tab == "faults" and state.fault:
            self.faults.show(state.circuit, state.faults(), state.fault, comparison)

    def _noise_again(self):
        if self.state.tab != "noise":
            return
        self.noise.entries(self.state)
        question = self.state.noise_question()
        if self._seen.get("noise") != question:
            self._seen["noise"] = question
            self._listening.ask(question)

    def _noise_now(self, card, error):
        self.noise.show(card, "" if error is None else str(error))
        self.shares.show(card.parts if card else ())

    # ---- drawing

    def refresh(self):
        """Solve once and hand the result to every view that is seen."""
        state = self.state
        options = state.circuit_options()
        if self._seen.setdefault("options", options) != options:
            self._seen["options"] = options
            self.controls.rebuild()
        scene = self._scene = state.scene()
        looked = self.state.fault if self.state.tab == "faults" else ""
        self.schematic.show(scene, looked=looked)
        self.sentence.show(scene)
        self.toolbar.show(state)
        self.tabs.show(state.tab, state.model)
        bad = tuple(self.parts.bad.items())
        listed = (state.circuit, state.key("drives", "view shipped"), bad)
        if self._seen.get("parts") != listed:
            self._seen["parts"] = listed
            self.parts.show(state)
        self.numbers.show(scene)
        if state.tab == "curves":
            self.law.show(scene)
            self._show_curves(scene)
            self.side_by_side.show(scene)
        self._assess_again()
        self._compare_again()
        self._noise_again()
        self._follow_run()
        if state.tab == "mismatch":
            self.trims.show(state, *state.judge())
            self._show_run()

    def _show_curves(self, scene):
        out = float(scene.point.v_out) if scene.point is not None else None
        curves = self.state.curves()
        peak = max(
            [
                float(np.nanmax(np.abs(y)))
                for _, *ys in curves.values()
                for y in ys
                if y is not None and np.isfinite(y).any()
            ]
            + [1e-6]
        )
        # round steps, so that the axis rests while a slider moves a little
        full = next(
            m * 10.0**d
            for d in range(-6, 9)
            for m in (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
            if m * 10.0**d >= peak
        )
        for name, (x, built, ideal) in curves.items():
            self.curves[name].show(x, built, ideal, (getattr(self.state, name), out), full)

    def _csv(self, message):
        plot = message.get("plot")
        known = {c.name: c for c in (*self.curves.values(), *self.histograms.values())}
        if plot in known:
            text = known[plot].csv()
        elif plot == "figures":
            if self._assessed is None:
                return
            text = self.figures.csv(self._assessed[1])
        elif plot == "spread":
            if self._spread is None:
                self.controls.say(["There is no run to save yet."])
                return
            text = spread_csv(self._spread)
        else:
            plot, text = "built", self.numbers.csv(self._scene)
        self.controls.download(f"forktail-{plot}.csv", text, "text/csv")


@route("/build", "Build", 4)
def build():
    """Build the page for a new session."""
    session = BuildPage(pn.state.curdoc)
    session.start(query_of_session())
    session.toolbar.show(session.state)
    if pn.state.curdoc is not None and pn.state.curdoc.session_context is not None:
        pn.state.on_session_destroyed(lambda context: session.stop())
    page(
        "build",
        "Build",
        {
            "controls": session.controls,
            "toolbar": session.toolbar,
            "parts": session.parts,
            "built": session.schematic,
            "sentence": session.sentence,
            "tabs": session.tabs,
            "findings": session.findings,
            "figures": session.figures,
            "law": session.law,
            "side_by_side": session.side_by_side,
            "values": session.values,
            "faults": session.faults,
            "run": session.run_panel,
            "trims": session.trims,
            "spread": session.spread,
            "noise": session.noise,
            "shares": session.shares,
            "numbers": session.numbers,
            **{p.name: p for p in session.plots},
        },
    )
