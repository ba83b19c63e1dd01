"""Behind a reverse proxy that serves the app in a folder, under another port (common practice)."""

import socket
import threading

import pytest

from conftest import READY, Server, Watch, watched_pages

FOLDER = b"/lab/bats"


class Proxy:
    """Hands each request on without the folder in its path, one a connection, sockets as well."""

    def __init__(self, port):
        self.port = port
        self.ear = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self.ear.getsockname()[1]}{FOLDER.decode()}/"
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self):
        while True:
            try:
                line, _ = self.ear.accept()
            except OSError:  # closed: the test is over
                return
            threading.Thread(target=self._serve, args=(line,), daemon=True).start()

    def _serve(self, line):
        head = b""
        while b"\r\n\r\n" not in head:
            got = line.recv(65536)
            if not got:
                return line.close()
            head += got
        first, rest = head.split(b"\r\n", 1)
        method, path, version = first.split(b" ")
        if not path.startswith(FOLDER + b"/"):
            line.sendall(
                b"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
            )
            return line.close()
        if b"websocket" not in rest.lower():
            rest = rest.replace(b"Connection: keep-alive", b"Connection: close")
        behind = socket.create_connection(("127.0.0.1", self.port))
        behind.sendall(b" ".join((method, path.removeprefix(FOLDER), version)) + b"\r\n" + rest)
        threading.Thread(target=self._pipe, args=(line, behind), daemon=True).start()
        self._pipe(behind, line)

    @staticmethod
    def _pipe(source, sink):
        try:
            while got := source.recv(65536):
                sink.sendall(got)
            sink.shutdown(socket.SHUT_WR)
        except OSError:
            pass  # one side has hung up

    def stop(self):
        """Take no more."""
        self.ear.close()


@pytest.fixture(scope="module")
def proxy(tmp_path_factory):
    """The app in a folder of another host's port; it is told that name, as DEVELOPERS.md says."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BOKEH_ALLOW_WS_ORIGIN", "127.0.0.1")
        running = Server(tmp_path_factory.mktemp("proxy") / "log.txt", "--room-code", "noctule-8")
    front = Proxy(int(running.url.rstrip("/").rpartition(":")[2]))
    front.log = running.log
    yield front
    front.stop()
    running.stop()


@pytest.fixture
def visit(browser, proxy):
    """Function path -> watched page in a context of its own."""
    with watched_pages(browser, proxy) as open_one:
        yield open_one


@pytest.mark.parametrize(
    "path", ["", "signals", "uses", "build", "compare", "lessons", "lesson?id=one-pair", "class"]
)
def test_page_and_all_it_fetches_stay_in_the_folder(visit, proxy, path):
    page = visit(path)
    links = page.evaluate("() => [...document.querySelectorAll('a[href]')].map((a) => a.href)")
    assert len(links) >= 6
    assert [a for a in links if not a.startswith((proxy.url, "blob:", "data:"))] == []
    # the site name leads to the start inside the folder
    page.locator("header a").first.click()
    page.wait_for_function(READY)
    assert page.url.startswith(proxy.url)


def test_bench_plan_asks_the_host_for_nothing_outside_the_folder(visit):
    page = visit("plan?builds=40", ready=False)
    page.get_by_role("heading", level=1).wait_for()
    page.wait_for_load_state("networkidle")  # a browser without an icon asks the root for one


def test_class_goes_round_behind_the_proxy(visit):
    desk = visit("class")
    desk.fill("#desk-code", "noctule-8")
    desk.press("#desk-code", "Enter")
    desk.wait_for_selector("#desk-qr svg")
    learner = visit("join", ready=False)
    learner.get_by_text("You are in.").wait_for()
    desk.get_by_role("link", name="Signals", exact=True).first.click()
    learner.wait_for_url("**/lab/bats/signals*")
    learner.wait_for_function(READY)


def test_refusal_finds_its_looks_and_the_way_back(browser, proxy):
    context = browser.new_context()
    page = context.new_page()
    watch = Watch(page, proxy.url)
    page.goto(proxy.url + "no/such/page")
    assert page.get_by_role("alert").is_visible()
    assert watch.problems[0].startswith("404 for " + proxy.url + "no/such/page")
    assert not [p for p in watch.problems[1:] if "assets" in p]
    assert page.evaluate("() => document.styleSheets.length") == 2
    page.get_by_role("link", name="To the start").click()
    page.wait_for_function(READY)
    # somebody who was never here gets the first minute there
    assert page.url.partition("?")[0].rstrip("/") == proxy.url.rstrip("/")
    context.close()
