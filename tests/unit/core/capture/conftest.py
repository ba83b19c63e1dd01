"""A search among a few hypotheses, for tests of what is made of it."""

import pytest

FEW = ("healthy", "open:Q1.base", "factor:r_load_left")


@pytest.fixture
def few(monkeypatch):
    """A search that knows two faults and one mistake of the scope, so that it takes a moment."""
    # here, so that a module with a fault is found by its tests and not by pytest's start
    from forktail.core.capture import hypotheses, scope

    every, setups = hypotheses.suspects, scope.setups
    monkeypatch.setattr(
        hypotheses, "suspects", lambda *given: tuple(s for s in every(*given) if s.key in FEW)
    )
    monkeypatch.setattr(scope, "setups", lambda *given: setups(*given)[:2])
