"""The Steer page against a bare Bokeh app: latency, server work, bytes, readiness, memory.

Both run at once, each in a process of its own, and are measured in turn in the same Chromium.
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
from pathlib import Path
from urllib.request import urlopen

from playwright.sync_api import sync_playwright

from . import room_load

HERE = Path(__file__).resolve().parent
EVENTS = 120
#: Seconds until the sessions of closed pages have ended and were collected.
ENDED = 60

#: Times each input event to the second frame after a view took the new value.
WATCH = """() => {
  const all = [...Bokeh.documents[0].all_models];
  window.bench = {start: null, done: null, busy: false};
  addEventListener("pointermove", () => { bench.start ??= performance.now(); }, true);
  const mark = () => {
    if (bench.start === null || bench.done !== null || bench.busy) return;
    bench.busy = true;
    requestAnimationFrame(() => requestAnimationFrame(() => {
      bench.busy = false; bench.done = performance.now(); }));
  };
  for (const m of all) if (m.type === "ColumnDataSource") m.properties.data.change.connect(mark);
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


def visit(browser, set_up, url):
    """One first visit: navigation to document idle, ms; and its bytes."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
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
    page.wait_for_timeout(1500)  # as between visits: what a page does later does not meet the next
    context.close()
    return taken, size


def ready_times(browser, set_up, urls, repeats=9):
    """Visits of each address in turn, once the servers are warm: times (ms) and bytes of each."""
    found = {url: [] for url in urls}
    for n in range(repeats + 2):
        for url in urls:
            result = visit(browser, set_up, url)
            if n >= 2:
                found[url].append(result)
    return {url: ([t for t, _ in visits], visits[-1][1]) for url, visits in found.items()}


def drag(page, pid, target, spot, travel=60):
    """Drag `target` with real pointer moves: (latencies ms, server s an event, bytes an event)."""
    page.evaluate(WATCH)
    box = page.locator(target).bounding_box()
    x, y = box["x"] + spot[0] * box["width"], box["y"] + spot[1] * box["height"]
    page.mouse.move(x, y)
    page.mouse.down()
    latencies, before = [], cpu_seconds(pid)
    for n in range(EVENTS):
        page.evaluate("() => { bench.start = bench.done = null; }")
        page.mouse.move(x + travel * (n + 1) / EVENTS + 6 * (n % 2), y)
        try:
            page.wait_for_function("() => bench.done !== null", timeout=1000, polling=4)
        except Exception:  # a move of less than a step changes nothing and is not counted
            continue
        latencies.append(page.evaluate("() => bench.done - bench.start"))
    spent = cpu_seconds(pid) - before
    page.mouse.up()
    return latencies[5:], spent / max(len(latencies), 1)


class Traffic:
    """Bytes of websocket messages from the server while it is on."""

    def __init__(self, page):
        self.bytes, self.on = 0, False
        page.on("websocket", lambda ws: ws.on("framereceived", self._count))

    def _count(self, payload):
        if self.on:
            self.bytes += len(payload)


def open_pages(browser, set_up, url, count):
    """Open Steer pages in a context of their own and leave them open: the context."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
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


def run():
    """Yield rows (what, ours, reference, unit, target ratio or value)."""
    set_up = browser_set_up()
    ours = set_up.Server(Path(tempfile.mkdtemp()) / "log.txt")
    bare = Bare()
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path=set_up.chromium_path(), args=set_up.FLAGS
            )
            found = ready_times(browser, set_up, (bare.url, ours.url))
            mine, theirs = found[ours.url], found[bare.url]
            yield (
                "page ready, warm server, median",
                percentile(mine[0], 0.5) / 1e3,
                percentile(theirs[0], 0.5) / 1e3,
                "s",
                1.3,
            )
            yield "bytes of a first visit", mine[1], theirs[1], "B", None

            def measure(url, pid, target, spot):
                page = browser.new_page(viewport={"width": 1440, "height": 900})
                traffic = Traffic(page)
                page.goto(url)
                page.wait_for_function(set_up.READY)
                page.wait_for_timeout(1500)
                traffic.on = True
                latencies, work = drag(page, pid, target, spot)
                page.close()
                return latencies, work, traffic.bytes / max(len(latencies) + 5, 1)

            reference = measure(bare.url, bare.process.pid, ".noUi-handle", (0.5, 0.5))
            slider = measure(ours.url, ours.process.pid, "#q-v_upper", (0.3, 0.5))
            point = measure(ours.url, ours.process.pid, "#plot-map .canvas", (0.4, 0.4))
            for what, result in (("slider", slider), ("map point", point)):
                yield (
                    f"{what} event to painted frame, p50",
                    percentile(result[0], 0.5) / 1e3,
                    percentile(reference[0], 0.5) / 1e3,
                    "s",
                    1.3,
                )
                yield (
                    f"{what} event to painted frame, p95",
                    percentile(result[0], 0.95) / 1e3,
                    percentile(reference[0], 0.95) / 1e3,
                    "s",
                    1.3,
                )
            yield "server CPU a slider event", slider[1], reference[1], "s", 3.0
            yield "bytes from the server a slider event", slider[2], reference[2], "B", None
            yield (
                "memory an added session",
                session_memory(browser, set_up, ours.url, ours.process.pid),
                6.0,
                "MB",
                1.0,
            )
            yield (
                "memory kept by a session after its end (200 opened and closed)",
                kept_memory(ours.url, ours.process.pid),
                6.0,
                "MB",
                1.0,
            )
    finally:
        ours.stop()
        bare.stop()
