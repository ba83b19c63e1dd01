"""What waits for a quiet process waits for the last message, though not for ever."""

import gc

import pytest

from forktail.ui import panel_private, quiet


class Clock:
    """Time and loop of a process in which nothing takes any time."""

    def __init__(self):
        self.now, self.calls = 100.0, []

    def monotonic(self):
        return self.now

    def get_running_loop(self):
        return self

    def call_later(self, delay, call):
        entry = (self.now + delay, call)
        self.calls.append(entry)
        entry_off = self.calls.remove
        return type("Timer", (), {"cancel": lambda _: entry_off(entry)})()

    def run(self, until):
        while self.calls and min(self.calls)[0] <= until:
            self.now, call = entry = min(self.calls, key=lambda e: e[0])
            self.calls.remove(entry)
            call()
        self.now = until


@pytest.fixture
def clock(monkeypatch):
    made = Clock()
    with monkeypatch.context() as changed:
        changed.setattr(quiet, "time", made)
        changed.setattr(quiet, "asyncio", made)
        quiet.heard()
        yield made
    quiet.heard()


def test_it_is_done_after_the_last_message_and_not_before(clock):
    done = []
    quiet.when_quiet(lambda: done.append(clock.now))
    clock.run(101.0)
    quiet.heard()
    clock.run(102.4)
    assert not done
    clock.run(110.0)
    assert done == [pytest.approx(101.0 + quiet.QUIET)]


def test_what_never_gets_quiet_is_done_all_the_same(clock):
    done = []
    quiet.when_quiet(lambda: done.append(clock.now), most=10.0)
    for second in range(101, 120):
        quiet.heard()
        clock.run(float(second))
    assert done == [pytest.approx(110.0)]


def test_it_can_be_called_off(clock):
    done = []
    quiet.when_quiet(lambda: done.append(True))()
    quiet.when_quiet(lambda: done.append(False))
    clock.run(110.0)
    assert done == [False]


def test_panel_collects_through_it_and_at_once_where_no_loop_runs(clock, monkeypatch):
    collected = []
    monkeypatch.setattr(gc, "collect", lambda: collected.append(clock.now))
    collect = panel_private.collect_when_quiet()
    collect()
    assert not collected
    clock.run(110.0)
    assert collected == [100.0 + quiet.QUIET]

    def none():
        raise RuntimeError

    monkeypatch.setattr(clock, "get_running_loop", none)
    collect()
    assert collected[1:] == [110.0]
