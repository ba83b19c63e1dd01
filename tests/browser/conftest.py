"""Real Chromium against the real server: started once, a fresh context for each test.

`open_page` gives a page that is watched: a console error or warning, an uncaught error, an HTTP
status of 400 or more, a request to another host, or a traceback on the server fails the test.
"""

import os
import re
import shutil
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from urllib.error import URLError
from urllib.parse import urlsplit
from urllib.request import urlopen

import pytest
from playwright.sync_api import Error, expect, sync_playwright

HERE = Path(__file__).parent
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
READY = "() => window.Bokeh && Bokeh.documents.length && Bokeh.documents[0].is_idle"
#: The browser of a test has been here before: the first minute is shown once, and has its own test.
BEEN = "try { localStorage.setItem('forktail-been', '1'); } catch { /* no page yet */ }"
#: Most milliseconds that anything may take before a test fails; it bounds, it does not measure.
PATIENCE = 60_000
expect.set_options(timeout=PATIENCE)


def choose_export(page, plot, kind):
    """Save a plot as `kind` from its menu."""
    page.locator(f"details.exports:has([data-plot={plot}]) > summary").click()
    page.locator(f"[data-plot={plot}][data-export={kind}]").click()


def pytest_collection_modifyitems(items):
    """Mark every test of this folder, so that `-m "not browser"` leaves them out."""
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.browser)


class Server:
    """The app in a process of its own."""

    program = ("-m", "forktail")

    def __init__(self, log_path, *arguments):
        self.log_path = log_path
        with open(log_path, "wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, *self.program, "serve", "--no-open", "--port", "0", *arguments],
                stdout=log,
                stderr=log,
            )
        self.url = self._wait()

    def log(self):
        """All that the server has written."""
        return self.log_path.read_text(encoding="utf-8", errors="replace")

    def _wait(self):
        until = time.monotonic() + 60
        while time.monotonic() < until:
            said = re.search(r"http://\S+/", self.log())
            if self.process.poll() is not None:
                break
            if said:
                try:
                    with urlopen(said[0], timeout=30):
                        return said[0]
                except (URLError, ConnectionError):
                    pass
            time.sleep(0.05)
        self.stop()
        pytest.fail(f"the server did not come up; it wrote:\n{self.log()}", pytrace=False)

    def stop(self):
        """End the process."""
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()


@pytest.fixture(scope="session")
def server(tmp_path_factory):
    """The running app; `server.url` ends in a slash."""
    running = Server(tmp_path_factory.mktemp("server") / "log.txt")
    yield running
    running.stop()


def chromium_path():
    """Program of Chromium; fails, never skips, where there is none."""
    names = ("chromium", "chromium-browser", "google-chrome")
    found = os.environ.get("FORKTAIL_CHROMIUM") or next(
        filter(None, map(shutil.which, names)), None
    )
    if not found or not Path(found).exists():
        pytest.fail(
            f"The browser tests need Chromium; {found or 'no program'} was found. Install "
            "it (Debian: apt-get install chromium) or name its program in "
            "FORKTAIL_CHROMIUM.",
            pytrace=False,
        )
    return found


@pytest.fixture(scope="session")
def browser():
    """One headless Chromium for all tests."""
    path = chromium_path()
    with sync_playwright() as playwright:
        try:
            running = playwright.chromium.launch(executable_path=path, args=FLAGS)
        except Error as error:
            pytest.fail(f"Chromium at {path} did not start: {error}", pytrace=False)
        yield running
        running.close()


class Watch:
    """Collects what must not happen on a page."""

    def __init__(self, page, url):
        self.host, self.problems = urlsplit(url).netloc, []
        page.on("console", self._console)
        page.on("pageerror", lambda error: self.problems.append(f"uncaught: {error}"))
        page.on("response", self._response)
        page.on("request", lambda request: self._address(request.url))
        page.on("websocket", lambda socket: self._address(socket.url))

    def _console(self, message):
        if message.type in ("error", "warning"):
            self.problems.append(f"console {message.type}: {message.text}")

    def _response(self, response):
        if response.status >= 400:
            self.problems.append(f"{response.status} for {response.url}")

    def _address(self, url):
        parts = urlsplit(url)
        if parts.scheme in ("http", "https", "ws", "wss") and parts.netloc != self.host:
            self.problems.append(f"request to another host: {url}")


@contextmanager
def watched_pages(browser, server):
    """Function (path, width, height, ready, first, **context options) -> page.

    Each has its own context; `first` is a browser that has never been here.

    At the end no page may have met a problem (`Watch`), nor the server have written an error.
    """
    contexts, watches, before = [], [], len(server.log())

    def open_one(path="", width=1440, height=900, ready=True, first=False, **options):
        context = browser.new_context(
            viewport={"width": width, "height": height}, accept_downloads=True, **options
        )
        if not first:
            context.add_init_script(BEEN)
        context.set_default_timeout(PATIENCE)
        contexts.append(context)
        page = context.new_page()
        watches.append(Watch(page, server.url))
        page.goto(server.url + path.lstrip("/"))
        if ready:
            page.wait_for_function(READY)
        return page

    yield open_one
    for context in contexts:
        context.close()
    problems = [problem for watch in watches for problem in watch.problems]
    written = server.log()[before:]
    if "Traceback" in written or "ERROR" in written:
        problems.append(f"the server wrote:\n{written}")
    assert not problems, "\n".join(problems)


@pytest.fixture
def open_page(browser, server):
    """Function (path, width, height, **context options) -> watched page, ready and idle."""
    with watched_pages(browser, server) as open_one:
        yield open_one
