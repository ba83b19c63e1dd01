"""Refusals that need more than one browser to provoke."""

import json
from types import SimpleNamespace

import pytest
from bokeh.document import Document
from panel.io.state import set_curdoc

from forktail.pages.steer.page import steer
from forktail.server import safety as serve_safety
from forktail.server.app import load_pages
from forktail.server.safety import MAX_SESSIONS, Guard, drop_backlogs


def asked(path, query="", host="localhost:5006"):
    uri = path + (f"?{query}" if query else "")
    return SimpleNamespace(path=path, uri=uri, host=host, protocol="http")


def guard(sessions=0):
    server = SimpleNamespace(get_sessions=lambda: [None] * sessions)
    return Guard(server, load_pages(), ["localhost:5006", "127.0.0.1:5006"])


def test_pages_pass_until_there_are_too_many():
    assert guard().match(asked("/")) is None
    assert guard(MAX_SESSIONS - 1).match(asked("/signals")) is None
    for path in load_pages():
        refusal = guard(MAX_SESSIONS).match(asked(path))["target_kwargs"]
        assert refusal["status"] == 503 and refusal["again"]
        assert str(MAX_SESSIONS) in refusal["sentence"]


def test_socket_of_a_page_that_was_let_in_still_passes_but_not_a_flood_of_sockets():
    for path in ("/ws", "/signals/ws", "/build/autoload.js"):
        assert guard(MAX_SESSIONS).match(asked(path)) is None
        assert guard(2 * MAX_SESSIONS).match(asked(path))["target_kwargs"]["status"] == 503


def test_static_files_and_the_room_are_always_served():
    for path in ("/assets/ui/app.css", "/static/js/bokeh.min.js", "/join", "/room", "/plan"):
        assert guard(2 * MAX_SESSIONS).match(asked(path, host="elsewhere")) is None


@pytest.mark.parametrize("host", ["elsewhere.example", "localhost:80", "localhost.evil:5006", ""])
def test_other_names_are_refused(host):
    assert guard().match(asked("/", host=host))["target_kwargs"]["status"] == 403


def test_page_that_does_not_read_is_cut_off():
    closed = []

    def connection(name, waiting):
        buffer = None if waiting is None else bytes(waiting)  # None: what Tornado leaves
        stream = SimpleNamespace(_write_buffer=buffer, close=lambda: closed.append(name))
        return SimpleNamespace(ws_connection=SimpleNamespace(stream=stream))

    gone = SimpleNamespace(ws_connection=None)
    sockets = [
        connection("slow", 11),
        connection("fine", 10),
        connection("closed", None),
        gone,
    ]
    drop_backlogs(sockets, most=10)
    assert closed == ["slow"]


def test_nonce_is_fresh_and_on_every_script():
    chunk = b'<script src="a.js"></script><script>1</script><scripted>'
    seen = set()
    for _ in range(2):
        headers = {"Content-Type": "text/html", "Content-Length": str(len(chunk)), "Etag": "x"}
        transform = serve_safety.SafeHeaders(asked("/signals/"))
        transform.is_page = True
        _, headers, out = transform.transform_first_chunk(200, headers, chunk, True)
        nonce = headers["Content-Security-Policy"].split("'nonce-")[1].split("'")[0]
        assert out.count(f'<script nonce="{nonce}"'.encode()) == 2 and b"<scripted>" in out
        assert headers["Content-Length"] == str(len(out)) and "Etag" not in headers
        seen.add(nonce)
    assert len(seen) == 2


def test_session_made_for_a_socket_alone_names_no_other_host():
    """With several workers a session may be made where no page was written."""
    doc = Document()
    with set_curdoc(doc):
        steer()
    text = json.dumps(doc.to_json(), default=str)
    assert "assets/ui/app.css" in text and "://" not in text.replace("http://www.w3.org", "")
