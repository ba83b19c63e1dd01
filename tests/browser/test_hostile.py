"""Somebody else's text never runs; what is too much, too slow or from elsewhere is refused."""

import json
import re
import socket
import struct
from urllib.error import HTTPError
from urllib.parse import quote
from urllib.request import Request, urlopen

import pytest
from tornado.httpclient import HTTPClientError, HTTPRequest
from tornado.websocket import WebSocketClosedError, websocket_connect

from conftest import BEEN, PATIENCE, READY, Server, Watch
from forktail.server import safety as serve_safety
from helpers import apart

#: Each sets a mark if a browser takes it for more than text.
SCRIPTS = (
    "<script>window.ran=1</script>",
    '"><img src=x onerror=window.ran=1>',
    "<svg onload=window.ran=1>",
    "javascript:window.ran=1",
)
HOSTILE = "".join(SCRIPTS)
CODE = "bats-at-dusk"


@pytest.fixture(scope="module")
def hostile_server(tmp_path_factory):
    """A server with a lesson full of scripts."""
    folder = tmp_path_factory.mktemp("hostile")
    lesson = folder / "lessons" / "01-odd"
    lesson.mkdir(parents=True)
    text = json.dumps(HOSTILE)
    (lesson / "lesson.toml").write_text(
        f'id = "odd"\ntitle = {text}\nminutes = 1\ngoals = [{text}]\n\n[[step]]\nid = "one"\n'
        f'title = {text}\nstart = {{ stage = "pair" }}\nunlock = ["v_upper"]\n'
    )
    (lesson / "text.md").write_text(
        f"# one\n\n{HOSTILE}\n\n[go]({SCRIPTS[3]})\n\n![x]({SCRIPTS[3]})\n\n{{v_out}}\n"
    )
    running = Server(folder / "log.txt", "--room-code", CODE, "--lessons", str(lesson.parent))
    yield running
    running.stop()


@pytest.fixture
def visit(browser, hostile_server):
    """Function path -> page; at the end, no script has run and none was even tried."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    context.set_default_timeout(PATIENCE)
    context.add_init_script(BEEN)
    pages = []

    def open_one(path, ready=True):
        page = context.new_page()
        pages.append((page, Watch(page, hostile_server.url)))
        page.goto(hostile_server.url + path)
        if ready:
            page.wait_for_function(READY)
            page.wait_for_timeout(300)
        return page

    yield open_one
    for page, watch in pages:
        assert page.evaluate("() => window.ran") is None, page.url
        # nothing had to be blocked: it never became markup
        assert not [p for p in watch.problems if "Content Security" in p], watch.problems
    context.close()
    assert "Traceback" not in hostile_server.log()


@pytest.mark.parametrize("path", ["", "signals", "build", "lesson"])
def test_script_in_a_link_is_text(visit, path):
    value = quote(HOSTILE)
    query = f"stage={value}&v_upper={value}&{value}=1&circuit={value}&title={value}&id={value}"
    visit(f"{path}?{query}")


def test_script_in_a_lesson_is_text(visit):
    visit("lessons").get_by_text("window.ran=1").first.wait_for()
    page = visit("lesson?id=odd")
    page.get_by_text("window.ran=1").first.wait_for()
    assert page.locator("a[href^=javascript]").count() == 0


def test_script_in_files_is_text(visit, tmp_path):
    page = visit("")
    text = "[scene]\npage = " + json.dumps(HOSTILE) + "\n"
    bad = tmp_path / "bad.toml"
    bad.write_text(text)
    page.locator("input[type=file]").first.set_input_files(bad)
    page.get_by_text("window.ran=1").first.wait_for()
    compare = visit("compare")
    capture = tmp_path / f"{quote(SCRIPTS[1], safe='')}.csv"
    capture.write_text(f"{SCRIPTS[0]},{SCRIPTS[2]},c\n1,2,3\n{SCRIPTS[1]},2,3\n2,3,4\n")
    compare.locator("input[accept*=csv]").set_input_files(capture)
    compare.locator(".drop-status.bad").wait_for()


def test_script_in_the_room_is_text(visit):
    page = visit("class")
    page.fill("#desk-code", CODE)
    page.press("#desk-code", "Enter")
    page.wait_for_selector("#desk-qr svg")
    learner = visit("join", ready=False)
    page.evaluate(
        """(text) => {
      const R = window.forktailRoom, scene = {path: "", query: `v_upper=${text}`};
      R.send({kind: "prepare", scenes: [{title: text, ...scene}]});
      R.send({kind: "show", scene: {...scene, inner: text}});
      R.send({kind: "point", spot: {at: text, x: 1, y: 1}});
      R.send({kind: "code", address: text});
    }""",
        HOSTILE,
    )
    page.get_by_text("window.ran=1").first.wait_for()
    learner.wait_for_url(re.compile("v_upper"))
    learner.wait_for_function(READY)


def test_an_injected_script_is_stopped_by_the_policy(browser, hostile_server):
    """The second wall: were markup to slip through, the browser would not run it."""
    context = browser.new_context()
    page = context.new_page()
    page.goto(hostile_server.url)
    page.wait_for_function(READY)
    blocked = page.evaluate("""() => new Promise((done) => {
      document.addEventListener("securitypolicyviolation", (e) => done(e.effectiveDirective));
      const box = document.createElement("div");
      box.innerHTML = '<img src="data:," onerror="window.ran=1">';
      document.body.append(box);
      setTimeout(() => done("nothing was blocked"), 3000);
    })""")
    assert blocked.startswith("script-src") and page.evaluate("() => window.ran") is None
    context.close()


@pytest.mark.parametrize(
    "path", ["", "join", "plan?x=1", "assets/ui/app.css", "no-such-page", "static/js/bokeh.min.js"]
)
def test_every_answer_carries_the_headers(hostile_server, path):
    try:
        answer = urlopen(hostile_server.url + path, timeout=30)
    except HTTPError as refusal:
        answer = refusal
    for name, value in serve_safety.HEADERS.items():
        assert answer.headers.get_all(name) == [value]
    policy = answer.headers["Content-Security-Policy"]
    for part in ("default-src 'none'", "frame-ancestors 'none'", "base-uri 'none'"):
        assert part in policy
    scripts = re.search("script-src [^;]*", policy)[0]
    assert "'unsafe-inline'" not in scripts and ("nonce" in scripts) == (path == "")


def refused(request):
    """Status and text of a refusal."""
    with pytest.raises(HTTPError) as caught:
        urlopen(request, timeout=30)
    text = caught.value.read().decode()
    return caught.value.code, re.search(r'role="alert">(.*?)<', text)[1]


def test_link_that_is_too_long_and_foreign_name_are_refused_with_a_sentence(hostile_server):
    status, text = refused(hostile_server.url + "signals?x=" + "a" * 20_000)
    assert status == 414 and "characters long" in text
    status, text = refused(Request(hostile_server.url, headers={"Host": "elsewhere.example"}))
    assert status == 403 and "does not answer to the name" in text and "127.0.0.1" in text


def test_websocket_from_elsewhere_is_refused(hostile_server):
    async def dial(path):
        url = hostile_server.url.replace("http", "ws") + path
        await websocket_connect(
            HTTPRequest(url, headers={"Origin": "http://elsewhere.example"}),
            subprotocols=["bokeh", "x"],
        )

    for path in ("ws", "signals/ws", "room"):
        with pytest.raises(HTTPClientError) as caught:
            apart(dial(path))
        assert caught.value.code == 403


def test_message_that_is_too_large_ends_the_connection_only(hostile_server):
    async def shout():
        line = await websocket_connect(hostile_server.url.replace("http", "ws") + "room")
        try:
            await line.write_message("x" * (serve_safety.MAX_MESSAGE + 1))
        except WebSocketClosedError:
            pass  # the server reads the length first, and may hang up before all is written
        while await line.read_message() is not None:
            pass
        return line.close_code

    assert apart(shout()) in (1009, None)
    with urlopen(hostile_server.url + "join", timeout=30) as answer:
        assert answer.status == 200


def test_slow_and_endless_requests_do_not_hold_the_server(hostile_server):
    host, port = re.search(r"//([^:]+):(\d+)", hostile_server.url).groups()
    lines = [socket.create_connection((host, int(port)), timeout=30) for _ in range(20)]
    for line in lines:
        line.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n")  # and never an end
    big = socket.create_connection((host, int(port)), timeout=30)
    big.sendall(b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 99999999\r\n\r\n")
    assert big.recv(100).startswith(b"HTTP/1.1 400") or big.recv(1) == b""
    with urlopen(hostile_server.url + "join", timeout=30) as answer:
        assert answer.status == 200
    for line in (*lines, big):
        line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        line.close()
