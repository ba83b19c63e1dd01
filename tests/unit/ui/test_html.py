"""Markup as text: whatever stands in it comes out as it went in, and nothing more."""

import json
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.ui import svg
from forktail.ui.html import attributes, button, element, table
from forktail.ui.static_chart import chart
from forktail.ui.static_svg import still

NASTY = "<img src=x onerror=alert(1)> & \"'{{ 7 * 7 }}"
#: Texts that XML can hold at all.
TEXTS = st.text(st.characters(min_codepoint=32, max_codepoint=0x2FFF), max_size=30)


class Reader(HTMLParser):
    """Elements as a browser's parser sees them: (name, attributes), and all text."""

    def __init__(self, markup):
        super().__init__()
        self.found, self.text = [], ""
        self.feed(markup)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text += data


@given(TEXTS, TEXTS)
def test_what_is_written_is_read(text, value):
    read = Reader(element("p", text, class_=value, data_id="a", hidden=True, title=None))
    assert read.found == [("p", {"class": value, "data-id": "a", "hidden": None})]
    assert read.text == text
    node = ElementTree.fromstring(element("text", text, x=1.5, data_name=value))
    assert (node.text or "") == text and node.attrib == {"x": "1.5", "data-name": value}


def test_void_elements_have_no_end_and_others_have():
    assert element("input", type="text", disabled=False) == '<input type="text">'
    assert element("td") == "<td></td>" and attributes(a=0) == ' a="0"'


def test_request_of_a_button_is_whole_whatever_stands_in_it():
    read = Reader(button(NASTY, disabled=True, data_id="go", kind="preset", name=NASTY))
    ((name, found),) = read.found
    assert name == "button" and read.text == NASTY and "disabled" in found
    assert json.loads(found["data-request"]) == {"kind": "preset", "name": NASTY}


@pytest.mark.parametrize(
    "markup",
    [
        table((NASTY, "b"), [(NASTY, NASTY, "")], NASTY),
        svg.text(1, 2, NASTY, data_id="x"),
        chart(NASTY, np.linspace(0, 1, 20), [(NASTY, np.zeros(20), "output")]),
        still('<svg><text data-id="a" class="t"></text></svg>', {"a": {"#": NASTY}}),
        still('<g><path data-id="a" class="t"/></g>', {"a": {"class": NASTY}}),
    ],
    ids=["table", "text", "chart", "still text", "still attribute"],
)
def test_text_of_others_stays_a_text(markup):
    read = Reader(markup)
    assert "img" not in [name for name, _ in read.found]
    shown = read.text + " ".join(str(v) for _, found in read.found for v in found.values())
    assert NASTY in shown


def test_a_patch_is_written_into_the_drawing():
    markup = svg.text(1, 2, "", data_id="a") + '<path class="w" data-id="b" d="M0 0"/>'
    out = still(markup, {"a": {"#": "5 < 6"}, "b": {"class": "wide", "d": None}})
    assert '<text x="1" y="2" class="t-m" text-anchor="middle">5 &lt; 6</text>' in out
    assert out.endswith('<path class="wide"/>') and "data-id" not in out


def test_pages_escape_at_one_place():
    import forktail.pages

    for path in Path(forktail.pages.__path__[0]).rglob("*.py"):
        if path.parent.name != "compare":  # being rebuilt
            assert "from html import" not in path.read_text(encoding="utf-8"), path
