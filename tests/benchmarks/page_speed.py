"""Every page, use, model and shipped circuit against a bare Bokeh app, side by side.

Both servers run at once, each in a process of its own, and are measured in turns of a few events in
the same Chromium, so that what else loads the machine meets both.
"""

import asyncio
import importlib.util
import os
import re
import socket
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from urllib.request import urlopen

from playwright.sync_api import sync_playwright

from forktail.circuits import shipped
from forktail.core.uses import USES

from . import profiles, room_load

HERE = Path(__file__).resolve().parent
#: Events in a turn of ours and of the bare app, and turns of each row; before them some that do not
#: count.
EVENTS, BARE_EVENTS, TURNS, WARM = 15, 10, 4, 8
#: Visits of each page that count, and before them.
VISITS, FIRST_VISITS = 5, 1
#: Most seconds until what a row moves is there: a search over all causes comes before.
PATIENCE = 180
#: Seconds until the sessions of closed pages have ended and were collected.
ENDED = 60

#: Most of the reference: event to painted frame, server CPU an event, page ready.
TARGETS = {"textbook": (0.7, 3.0), "built": (1.0, 6.0)}
READY_TARGET = 1.25


@dataclass(frozen=True)
class Row:
    """What is moved: a slider (the setting behind it) of a page opened by a link.

    `there` is a selector of what has to be there before.
    """

    name: str
    path: str
    slider: str
    model: str = "textbook"
    there: str = "main"


#: Setting that is moved in a use.
_MOVED = {
    "variable_gain": "control",
    "gain_control_loop": "level",
    "am": "tone_amplitude",
    "dsb": "tone_amplitude",
    "ssb": "tone_amplitude",
    "mixer": "oscillator_amplitude",
    "phase_detector": "phase",
    "squarer": "amplitude",
}


def rows():
    """All rows, in the order of the pages."""
    out = [
        Row("Steer", "", "v_upper"),
        Row("Signals, textbook", "signals", "upper_amplitude"),
    ]
    out += [
        Row(
            f"Signals, built, {key}",
            f"signals?model=built&circuit={key}",
            "upper_amplitude",
            "built",
        )
        for key in shipped()
    ]
    for model in TARGETS:
        out += [
            Row(
                f"Uses, {model}, {key.replace('_', ' ')}",
                f"uses?use={key}&model={model}",
                f"{key}__{_MOVED[key]}",
                model,
            )
            for key in USES
        ]
    out += [
        Row(
            f"Uses, built, mixer, {key}",
            f"uses?use=mixer&model=built&circuit={key}",
            "mixer__oscillator_amplitude",
            "built",
        )
        for key in shipped()
    ]
    out += [Row(f"Build, {key}", f"build?shipped={key}", "v_upper", "built") for key in shipped()]
    return [
        *out,
        Row("Compare", "compare?example=yes", "span", "built", "main[data-open=yes]"),
        Row("Lesson, one pair", "lesson?id=one-pair&step=recap", "v_upper"),
        Row("Lesson, mixer", "lesson?id=down-to-hearing&step=meet", "signal_amplitude"),
    ]


#: Pages whose opening is measured: name -> path.
PAGES = {
    "Steer": "",
    "Signals": "signals",
    "Uses": "uses",
    "Build": "build",
    "Compare": "compare",
    "Lessons": "lessons",
    "Lesson": "lesson?id=one-pair",
}

#: Watches the models through which a server sends what is to be painted, counts what is painted,
#: and moves a slider: `benchMove(slider, positions)` gives the ms of each event from the input to
#: the second frame after a view took the new value, or null where nothing came in a second.
DRIVER = """() => {
  const b = window.bench = { done: null, marked: false, paints: {}, paintMs: 0, patchMs: 0 };
  const mark = () => {
    if (!b.done || b.marked) return;
    b.marked = true;
    requestAnimationFrame(() => requestAnimationFrame(() => b.done(performance.now())));
  };
  for (const m of Bokeh.documents[0].all_models) {
    if (m.type === "ColumnDataSource") m.properties.data.change.connect(mark);
    if (m.data?.properties?.wire) m.data.properties.wire.change.connect(mark);
  }
  const timed = (owner, name, take) => {
    const was = owner[name];
    owner[name] = function (...given) {
      const start = performance.now();
      try { return was.apply(this, given); } finally { take(performance.now() - start); }
    };
  };
  const stack = [...Bokeh.index.roots];
  while (stack.length) {
    const view = stack.pop();
    if (view.model.type === "Figure") timed(view, "paint", (ms) => {
      b.paints[view.model.name] = (b.paints[view.model.name] || 0) + 1; b.paintMs += ms; });
    stack.push(...(view.child_views || []));
  }
  timed(Bokeh.documents[0], "apply_json_patch", (ms) => { b.patchMs += ms; });
  const find = (slider) => {
    if (!slider) return { from: 5, to: 95, move: (v) => { model.value = Math.round(v); } };
    const row = forktailDom.deep(`[id="q-${slider}"]`).parentElement;
    const input = row.querySelector("input[type=range]");
    return { from: 0.2 * input.max, to: 0.8 * input.max, move: (v) => {
      input.value = Math.round(v);
      input.dispatchEvent(new Event("input", { bubbles: true, composed: true })); } };
  };
  const model = [...Bokeh.documents[0].all_models].find((m) => m.type === "Slider");
  const rest = (ms) => new Promise((done) => setTimeout(done, ms));
  window.benchMove = async (slider, first, count) => {
    const { from, to, move } = find(slider), out = [];
    for (let k = first; k < first + count; ++k) {
      await rest((k * 7) % 13);  // not in step with the frames
      const start = performance.now();
      const painted = await new Promise((done) => {
        b.done = done; b.marked = false;
        setTimeout(() => done(null), 1000);
        const place = (k * 0.6180339887) % 1;  // steps of a drag in both directions
        move(from + (to - from) * (0.5 + 0.45 * Math.sin(k / 9) + 0.05 * place));
      });
      b.done = null;
      out.push(painted === null ? null : painted - start);
    }
    return out;
  };
}"""


def browser_set_up():
    """Module `tests/browser/conftest.py`, which knows how to start the server and Chromium."""
    spec = importlib.util.spec_from_file_location(
        "browser_set_up", HERE.parent / "browser" / "conftest.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class Bare:
    """The bare app in a process of its own."""

    def __init__(self):
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.process = subprocess.Popen(
            [sys.executable, str(HERE / "bare_app.py"), str(port)], stderr=subprocess.DEVNULL
        )
        self.url = f"http://localhost:{port}/"
        for _ in range(300):
            try:
                urlopen(self.url, timeout=5).close()
                return
            except OSError:
                time.sleep(0.1)
        raise RuntimeError("the bare app did not come up")

    def stop(self):
        """End the process."""
        self.process.terminate()
        self.process.wait()


def cpu_seconds(pid):
    """User and system time of a process so far, s (Linux: /proc)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident(pid):
    """Resident memory of a process, MB (Linux: /proc)."""
    text = Path(f"/proc/{pid}/status").read_text()
    return int(re.search(r"VmRSS:\s+(\d+)", text)[1]) / 1024


def percentile(values, part):
    """Value below which `part` of the values lie."""
    return sorted(values)[min(int(part * len(values)), len(values) - 1)]


# ---------------------------------------------------------------- opening a page


def visit(browser, set_up, url, rest):
    """One first visit: navigation to document idle, ms; and its bytes."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    context.add_init_script(set_up.BEEN)
    page = context.new_page()
    start = time.perf_counter()
    page.goto(url)
    page.wait_for_function(set_up.READY)
    taken = 1e3 * (time.perf_counter() - start)
    size = page.evaluate(
        "() => performance.getEntriesByType('resource').concat("
        "performance.getEntriesByType('navigation'))"
        ".reduce((sum, e) => sum + (e.encodedBodySize || 0), 0)"
    )
    page.wait_for_timeout(rest)  # as between visits: what comes later does not meet the next
    context.close()
    return taken, size


def opened(browser, set_up, base, bare, paths):
    """Yield rows of page ready: each page after a visit of the bare app, round by round."""
    times, sizes = {name: [] for name in paths}, {}
    reference = {name: [] for name in paths}
    for n in range(FIRST_VISITS + VISITS):
        for name, path in paths.items():
            bare_taken, bare_size = visit(browser, set_up, bare, 200)
            taken, sizes[name] = visit(browser, set_up, base + path, 1800)
            if n >= FIRST_VISITS:
                times[name].append(taken)
                reference[name].append(bare_taken)
    all_bare = [t for part in reference.values() for t in part]
    for name in paths:
        yield (
            f"page ready, warm server, median: {name}",
            percentile(times[name], 0.5) / 1e3,
            percentile(all_bare, 0.5) / 1e3,
            "s",
            READY_TARGET,
        )
        yield f"bytes of a first visit: {name}", sizes[name], bare_size, "B", None


# ---------------------------------------------------------------- events


class Traffic:
    """Bytes of websocket messages from the server while it is on."""

    def __init__(self, page):
        self.bytes, self.on = 0, False
        page.on("websocket", lambda ws: ws.on("framereceived", self._count))

    def _count(self, payload):
        if self.on:
            self.bytes += len(payload)


class Moved:
    """A page whose slider is moved, turn by turn."""

    def __init__(self, browser, set_up, url, pid, slider="", there="body"):
        self.page, self.pid, self.slider = browser.new_page(), pid, slider
        self.page.set_viewport_size({"width": 1440, "height": 900})
        self.traffic = Traffic(self.page)
        self.page.goto(url)
        self.page.wait_for_function(set_up.READY)
        self.page.locator(there).wait_for(state="attached", timeout=1e3 * PATIENCE)
        if slider:
            self.page.wait_for_function(
                "(id) => window.forktailDom?.deep(`[id='q-${id}']`)", arg=slider
            )
        self.page.wait_for_timeout(600)
        self.page.evaluate(DRIVER)
        self.devtools = self.page.context.new_cdp_session(self.page)
        self.devtools.send("Performance.enable")
        self.at = 0
        self.forget()

    def forget(self):
        """Count from here."""
        self.latencies, self.cpu, self.traffic.bytes = [], 0.0, 0

    def turn(self, count, counts=True):
        """Some events."""
        before, self.traffic.on = cpu_seconds(self.pid), counts
        self.page.bring_to_front()
        taken = self.page.evaluate(
            "([slider, first, count]) => benchMove(slider, first, count)",
            [self.slider, self.at, count],
        )
        self.traffic.on = False
        self.at += count
        if counts:
            self.latencies += [t for t in taken if t is not None]
            self.cpu += cpu_seconds(self.pid) - before

    def browser_times(self):
        """Seconds that the browser has spent so far, by kind, and how often it has painted."""
        found = {
            m["name"]: m["value"] for m in self.devtools.send("Performance.getMetrics")["metrics"]
        }
        b = self.page.evaluate("() => ({...bench, done: null})")
        return {
            "all": found["TaskDuration"],
            "script": found["ScriptDuration"],
            "style and layout": found["RecalcStyleDuration"] + found["LayoutDuration"],
            "patches, with what they start": b["patchMs"] / 1e3,
            "plots": b["paintMs"] / 1e3,
        }, b["paints"]


def moved(browser, set_up, ours, theirs, row, profile):
    """Yield the rows of one `Row` beside the bare app's `Moved`; `profile` prints where the time
    went."""
    mine = Moved(browser, set_up, ours.url + row.path, ours.process.pid, row.slider, row.there)
    theirs.forget()
    for each in (mine, theirs):
        each.turn(WARM, counts=False)
    spent = [mine.browser_times()]
    for _ in range(TURNS):
        with profiles.taken(ours.process.pid if profile else None):
            mine.turn(EVENTS)
        theirs.turn(BARE_EVENTS)
    spent.append(mine.browser_times())
    mine.page.close()
    if not mine.latencies:
        raise RuntimeError(f"{row.name}: no event was painted")
    paint, work = TARGETS[row.model]
    for part, target in ((0.5, None), (0.95, paint)):
        yield (
            f"{row.name}: event to painted frame, p{100 * part:.0f}",
            percentile(mine.latencies, part) / 1e3,
            percentile(theirs.latencies, part) / 1e3,
            "s",
            target,
        )
    total, bare_total = EVENTS * TURNS, BARE_EVENTS * TURNS
    yield f"{row.name}: server CPU an event", mine.cpu / total, theirs.cpu / bare_total, "s", work
    yield (
        f"{row.name}: bytes an event",
        mine.traffic.bytes / total,
        theirs.traffic.bytes / bare_total,
        "B",
        None,
    )
    if profile:
        (before, painted), (after, painted_after) = spent
        times = {k: (after[k] - before[k]) / total for k in after}
        paints = {k: (v - painted.get(k, 0)) / total for k, v in painted_after.items()}
        print(profiles.report(ours.profile, total, times, paints), file=sys.stderr, flush=True)


def run(only="", profile=False):
    """Yield rows (what, ours, reference, unit, target ratio or value).

    `only` is a part of the names wanted, such as `Signals, built` or `page ready`; `profile` prints
    for each row of events where server and browser spent their time.
    """
    set_up = browser_set_up()
    folder = Path(tempfile.mkdtemp())
    if profile:
        set_up.Server.program = ["-m", "tests.benchmarks.profiles", str(folder / "profile")]
    ours = set_up.Server(folder / "log.txt")
    ours.profile = folder / "profile"
    bare = Bare()
    wanted = only.lower()
    pages = {n: p for n, p in PAGES.items() if wanted in f"page ready {n}".lower()}
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path=set_up.chromium_path(), args=set_up.FLAGS
            )
            chosen = [row for row in rows() if wanted in row.name.lower()]
            if chosen:
                theirs = Moved(browser, set_up, bare.url, bare.process.pid)
                for row in chosen:
                    yield from moved(browser, set_up, ours, theirs, row, profile)
                theirs.page.close()
            if pages and not profile:
                yield from opened(browser, set_up, ours.url, bare.url, pages)
    finally:
        ours.stop()
        bare.stop()


# ---------------------------------------------------------------- memory


def open_pages(browser, set_up, url, count):
    """Open Steer pages in a context of their own and leave them open: the context."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    context.add_init_script(set_up.BEEN)
    for _ in range(count):
        page = context.new_page()
        page.goto(url)
        page.wait_for_function(set_up.READY)
    return context


def session_memory(browser, set_up, url, pid, sessions=40):
    """Memory that an added session costs while it is open, MB; Steer pages held open together."""
    warm = open_pages(browser, set_up, url, 5)  # what the first sessions leave behind for all
    before = resident(pid)
    more = open_pages(browser, set_up, url, sessions)
    added = (resident(pid) - before) / sessions
    more.close()
    warm.close()
    return added


def kept_memory(url, pid, sessions=200, at_once=20):
    """Memory that is not given back when sessions end, MB a session: `sessions` opened and closed.

    Over the websocket alone, as `room_load` does. Taken between two rounds after the first, as the
    server keeps what it needs for so many at once, and sessions end half a minute after their page.
    """
    rounds = []
    for _ in range(2):
        with ThreadPoolExecutor(1) as apart:  # Playwright holds the loop of this thread
            apart.submit(asyncio.run, room_load.open_and_close(url, sessions, at_once)).result()
        time.sleep(ENDED)
        rounds.append(resident(pid))
    return (rounds[1] - rounds[0]) / sessions


def memory():
    """Yield the rows of memory, MB."""
    set_up = browser_set_up()
    ours = set_up.Server(Path(tempfile.mkdtemp()) / "log.txt")
    pid = ours.process.pid
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path=set_up.chromium_path(), args=set_up.FLAGS
            )
            added = session_memory(browser, set_up, ours.url, pid)
            yield "memory an added session", added, 3.0, "MB", 1.0
            kept = kept_memory(ours.url, pid)
            yield (
                "memory kept by a session after its end (200 opened and closed)",
                kept,
                3.0,
                "MB",
                1.0,
            )
    finally:
        ours.stop()
