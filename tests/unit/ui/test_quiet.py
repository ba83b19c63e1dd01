"""What waits for a quiet process waits for the last message, though not for ever."""

import asyncio
import gc
import time

import pytest
from panel.io import document as panel_document

from forktail.ui import panel_private, quiet
from helpers import apart


@pytest.fixture
def short(monkeypatch):
    monkeypatch.setattr(quiet, "QUIET", 0.05)


async def until(holds):
    end = time.monotonic() + 30
    while not holds() and time.monotonic() < end:
        await asyncio.sleep(0.005)
    return holds()


def test_it_is_done_after_the_last_message_and_not_before(short):
    async def use():
        done, last = [], 0.0
        quiet.when_quiet(lambda: done.append(time.monotonic()))
        for _ in range(12):
            quiet.heard()
            last = time.monotonic()
            await asyncio.sleep(0.01)
        assert await until(lambda: done)
        return done[0] - last

    assert apart(use()) >= 0.04


def test_what_never_gets_quiet_is_done_all_the_same(short):
    async def use():
        done = []
        quiet.when_quiet(lambda: done.append(True), most=0.1)

        def chatter():
            quiet.heard()
            return done

        return await until(chatter)

    assert apart(use())


def test_it_can_be_called_off(short):
    async def use():
        done = []
        quiet.when_quiet(lambda: done.append(True))()
        quiet.when_quiet(lambda: done.append(False))
        await until(lambda: done)
        return done

    assert apart(use()) == [False]


def test_panel_collects_through_it(short, monkeypatch):
    monkeypatch.setattr(panel_document, "_garbage_collect", None)
    panel_private.collect_when_quiet()
    collected = []
    monkeypatch.setattr(gc, "collect", lambda: collected.append(True))

    async def use():
        panel_document._garbage_collect()
        at_once = list(collected)
        await until(lambda: collected)
        return at_once, collected

    assert apart(use()) == ([], [True])
