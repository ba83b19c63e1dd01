"""Pages made ahead: nobody shares one, and the scene is that of the link, not of the maker."""

import asyncio
import time
from types import SimpleNamespace

from forktail.pages.steer import page as steer
from forktail.ui import quiet
from forktail.ui.ahead import Ahead
from helpers import apart


def made_page():
    """A stand-in that counts what is done to it."""
    page = SimpleNamespace(drawn=0)
    page.refresh = lambda: setattr(page, "drawn", page.drawn + 1)
    page.controls = SimpleNamespace(refresh=lambda: None)
    return page


def test_each_visit_gets_a_page_of_its_own(monkeypatch):
    monkeypatch.setattr(quiet, "QUIET", 0.0)
    pages = Ahead(made_page)

    async def visits():
        first = pages.take()
        await asyncio.sleep(0.02)
        second, third = pages.take(), pages.take()
        return first, second, third

    first, second, third = apart(visits())
    assert len({id(p) for p in (first, second, third)}) == 3
    assert (first.drawn, second.drawn, third.drawn) == (0, 1, 0)  # the second was made ahead


def test_a_class_that_arrives_together_waits_for_no_page_of_others(monkeypatch):
    monkeypatch.setattr(quiet, "QUIET", 1.0)
    made = []
    pages = Ahead(lambda: made.append(1) or made_page())

    async def rush():
        for _ in range(10):
            pages.take()
            await asyncio.sleep(0.005)
        during = len(made)
        until = time.monotonic() + 30
        while len(made) == during and time.monotonic() < until:
            await asyncio.sleep(0.05)
        return during

    assert apart(rush()) == 10 and len(made) == 11


def test_without_a_server_nothing_is_made_ahead():
    pages = Ahead(made_page)
    apart(pages.take)
    assert pages.kept is None


def test_a_page_made_ahead_shows_the_scene_of_the_link():
    """Same document, whether the page was made ahead or for the visit."""
    shown = []
    for prepare in (False, True):
        if prepare:
            steer.AHEAD.prepare()
        session = steer.AHEAD.take()
        session.start("v_upper=33mV&i_tail=1mA")
        shown.append(
            (
                session.schematic.patch,
                session.sentence.patch,
                session.controls.difference()["values"],
                session.across.point.data,
            )
        )
    assert shown[0] == shown[1] and "33" in str(shown[0])
    assert steer.AHEAD.kept is None
