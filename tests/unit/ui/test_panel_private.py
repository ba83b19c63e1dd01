"""The contract with Panel, Bokeh and tornado: every private name that the app leans on is there.

If this fails after an upgrade, it says which name of which package is gone; all that uses it
stands in `app/forktail/ui/panel_private.py` (and, for the script, in `assets/ui/page.js`).
"""

import ast
import importlib
import inspect
import json
import re
import socket
import sys
from importlib.metadata import version
from pathlib import Path
from types import SimpleNamespace

import pytest
from bokeh.document import Document
from bokeh.server.server import Server
from panel.models.esm import DataEvent
from tornado.httpclient import AsyncHTTPClient
from tornado.ioloop import IOLoop
from tornado.iostream import IOStream, StreamClosedError
from tornado.routing import AnyMatches, Rule
from tornado.web import RequestHandler

from forktail.resources import asset_text
from forktail.ui import panel_private
from forktail.ui.component import Component
from forktail.ui.panel_private import (
    RELIES_ON,
    RELIES_ON_SCRIPT,
    BareComponent,
    bytes_waiting,
    handle_first,
)
from helpers import apart

NAMES = [(package, name) for package, names in RELIES_ON.items() for name in names]


def gone(package, dotted):
    """A sentence if a name is not there any more, else an empty text."""
    owner, name = dotted.rsplit(".", 1)
    module, _, cls = owner.rpartition(".")
    said = f"{package} {version(package)} has no {dotted} any more; see ui/panel_private.py"
    try:
        kind = getattr(importlib.import_module(module), cls)
    except (ImportError, AttributeError):
        return said
    if name in dir(kind):
        return ""
    source = "".join(inspect.getsource(k) for k in kind.__mro__[:-1] if k.__module__ != "builtins")
    return "" if re.search(rf"\bself\.{name}\b(: [^=]+)? = ", source) else said


@pytest.mark.parametrize("package, name", NAMES, ids=[n for _, n in NAMES])
def test_every_private_name_is_there(package, name):
    assert gone(package, name) == ""


def test_the_check_names_what_is_gone():
    said = gone("panel", "panel.custom.JSComponent._get_modal")
    assert "panel 1" in said and "JSComponent._get_modal" in said
    assert "no panel.nowhere.X._y" in gone("panel", "panel.nowhere.X._y")


def test_scripts_of_the_browser_are_there():
    for package, (path, names) in RELIES_ON_SCRIPT.items():
        folder = Path(sys.modules[package].__file__).parent
        served = (folder / path).read_text(encoding="utf-8")
        for name in names:
            assert name in asset_text("ui/page.js"), f"{name} is not used any more"
            assert name in served, f"{package} {version(package)} has no {name} in {path} any more"


def test_the_list_is_what_the_module_uses():
    tree = ast.parse(inspect.getsource(panel_private))
    used = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}
    used |= {n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)}
    used |= {n.id for n in ast.walk(tree) if isinstance(n, ast.Name)}
    private = {n for n in used if re.match("_[a-z]", n)}
    assert private == {name.rsplit(".", 1)[1] for _, name in NAMES}


class Echo(BareComponent):
    """A component that keeps what it hears."""

    script = "ui/markup.js"

    def __init__(self, **params):
        super().__init__(**params)
        self.heard = []

    def handle(self, message):
        self.heard.append(message)


def test_component_goes_to_the_browser_by_address_with_our_sheets_and_leaves_with_its_session():
    document, echo = Document(), Echo(stylesheets=["assets/ui/app.css"])
    echo.join(document, "echo")
    (model,) = echo.models
    assert document.roots == [model] and model.name == "echo"
    assert (model.bundle, model.esm) == ("url", "./assets/ui/markup.js")
    assert [sheet.url for sheet in model.stylesheets] == ["assets/ui/app.css"]
    (ends,) = document.session_destroyed_callbacks
    ends(SimpleNamespace(_document=document))
    assert echo.models == []


def test_message_of_a_browser_is_heard():
    document, echo = Document(), Echo()
    echo.join(document, "echo")
    (model,) = echo.models
    document.callbacks.trigger_event(DataEvent(model, data={"kind": "on"}))
    assert echo.heard == [{"kind": "on"}]


def test_patch_reaches_the_model_and_whoever_comes_later():
    class Words(Component):
        script = "ui/markup.js"

    words = Words()
    words.patch = {"a": 1}
    words.join(Document(), "words")
    (model,) = words.models
    assert json.loads(model.data.wire)[1] == {"a": 1}
    words.patch = {"a": 2}
    assert json.loads(model.data.wire)[1] == {"a": 2}


def test_bytes_that_wait_are_counted():
    async def filled():
        ours, theirs = socket.socketpair()
        stream = IOStream(ours)
        written = stream.write(bytes(2**23))  # more than a socket takes at once
        waiting = bytes_waiting(stream)
        stream.close()
        with pytest.raises(StreamClosedError):
            await written
        theirs.close()
        return waiting, bytes_waiting(stream)

    waiting, after = apart(filled())
    assert 0 < waiting <= 2**23 and after == 0


def test_rule_comes_before_all_handlers():
    class Ours(RequestHandler):
        def get(self):
            self.finish("ours")

    async def asked():
        server = Server({}, io_loop=IOLoop.current(), port=0)
        handle_first(server, Rule(AnyMatches(), Ours))
        server.start()
        try:
            address = f"http://localhost:{server.port}/static/js/bokeh.js"
            return (await AsyncHTTPClient(force_instance=True).fetch(address)).body
        finally:
            server.stop()

    assert apart(asked()) == b"ours"
