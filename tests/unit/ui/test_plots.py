"""Columns of plots: what a browser is sent puts its sources where a fresh page would have them."""

import json

import numpy as np
import pytest
from bokeh.core.serialization import Serializer
from bokeh.document import Document
from bokeh.document.events import DocumentPatchedEvent

from forktail.ui.plots import COLUMNS, float_source, replace


class Browser:
    """What `assets/ui/page.js` does with the messages of a document, typed again."""

    def __init__(self, document, *sources):
        self.held = {s.id: {n: np.asarray(c) for n, c in s.data.items()} for s in sources}
        self.messages, self.numbers = 0, 0
        document.callbacks.on_change(self.take)

    def take(self, event):
        assert isinstance(event, DocumentPatchedEvent)
        sent = event.to_serializable(Serializer(deferred=False))
        assert (sent["kind"], sent["msg_type"]) == ("MessageSent", COLUMNS)
        text, numbers = event_parts(event)
        self.messages += 1
        for key, columns in json.loads(text):
            for name, column in columns.items():
                if isinstance(column, dict):
                    self.numbers += column["n"]
                    column = np.frombuffer(numbers, np.float32, column["n"], column["at"])
                self.held[key][name] = np.asarray(column)


def event_parts(event):
    """Text and numbers before they are encoded."""

    class Plain:
        def encode(self, data):
            return data

    return event.to_serializable(Plain())["msg_data"]


@pytest.fixture
def watched():
    sources = [float_source(x=[], y=[], z=[]), float_source(x=[], text=[])]
    document = Document()
    for source in sources:
        document.add_root(source)
    return document, sources, Browser(document, *sources)


def same(browser, source):
    """Whether the browser has what the model has, to the bit."""
    held = browser.held[source.id]
    return set(held) == set(source.data) and all(
        np.array_equal(held[n], np.asarray(c), equal_nan=held[n].dtype.kind == "f")
        for n, c in source.data.items()
    )


def test_browser_has_what_a_page_opened_now_would_have(watched):
    document, (first, second), browser = watched
    x = np.linspace(0.0, 1.0, 300)
    for scale in (1.0, 2.0, 3.0):
        replace(first, x=x, y=np.sin(scale * x), z=np.where(x > 0.5, np.nan, x))
        replace(second, x=[scale, 2.0], text=["one", f"\u03a9 {scale}"])
        assert same(browser, first) and same(browser, second)
    replace(first, x=x[:40], y=x[:40], z=x[:40])  # all columns get the new length together
    replace(second, x=[], text=[])
    assert same(browser, first) and same(browser, second)
    fresh = float_source(x=x[:40], y=x[:40], z=x[:40])
    assert all(np.array_equal(fresh.data[n], first.data[n]) for n in "xyz")


def test_held_changes_leave_in_one_message_with_the_newest_of_each_column(watched):
    document, (first, second), browser = watched
    x = np.linspace(0.0, 1.0, 300)
    document.hold("combine")
    replace(first, x=x, y=x, z=x)
    replace(second, x=[1.0], text=["a"])
    replace(first, x=x, y=2 * x, z=x)
    document.unhold()
    assert browser.messages == 1 and browser.numbers == 900
    assert same(browser, first) and same(browser, second)


def test_only_columns_that_differ_are_sent(watched):
    document, (first, _), browser = watched
    x = np.linspace(0.0, 1.0, 300)
    replace(first, x=x, y=x, z=x)
    browser.numbers = browser.messages = 0
    replace(first, x=x, y=2 * x, z=x)
    assert browser.numbers == 300
    replace(first, x=x, y=2 * x, z=x)
    assert browser.messages == 1
