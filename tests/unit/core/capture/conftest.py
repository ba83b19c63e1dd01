"""A search among a few hypotheses, for tests of what is made of it."""

import pytest

from helpers import search_among


@pytest.fixture
def few(monkeypatch):
    """A search that knows two faults and one mistake of the scope, so that it takes a moment."""
    search_among(monkeypatch, ("healthy", "open:Q1.base", "factor:r_load_left"), 2)
