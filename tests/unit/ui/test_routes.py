"""Pages add themselves: an address, a place in the navigation, and a look if they have one."""

import re

import pytest

from forktail.server.app import load_pages
from forktail.ui import shell

#: Addresses that links of the present version hold.
KNOWN = {"/", "/signals", "/uses", "/build", "/compare", "/lessons", "/lesson", "/class"}


def test_every_address_of_a_link_is_served():
    assert set(load_pages()) == KNOWN


def test_the_navigation_is_in_order_and_marks_the_page():
    load_pages()
    text = shell.navigation("/uses")
    labels = re.findall(r">([^<]+)</a>", text)
    assert labels == ["Steer", "Signals", "Uses", "Build", "Lessons", "Class"]
    assert re.findall(r'href="([^"]+)" aria-current=page', text) == ["uses"]
    assert 'href="./"' in text and 'href="/' not in text  # relative: behind a proxy with a folder


def test_a_new_page_is_one_decorated_function(monkeypatch):
    load_pages()
    monkeypatch.setattr(shell, "ROUTES", dict(shell.ROUTES))

    @shell.route("/loading", "Loading", 2.5)
    def loading():
        """Nothing to build here."""

    assert shell.ROUTES["/loading"].make is loading
    labels = re.findall(r">([^<]+)</a>", shell.navigation("/loading"))
    assert labels.index("Loading") == labels.index("Signals") + 1


@pytest.mark.parametrize("key, has", [("steer", True), ("loading", False)])
def test_a_page_without_a_style_sheet_asks_for_none(key, has):
    text = shell.frame(key, "<p>Body</p>", "/")
    assert (f"assets/pages/{key}/style.css" in text) == has
    assert "[[" not in text
