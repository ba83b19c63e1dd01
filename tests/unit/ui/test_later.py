"""Long work off the loop: only the newest question is answered, on the loop."""

import time

from forktail.ui.later import Later


class Loop:
    """Stands in for a document: collects callbacks, and runs them when told."""

    def __init__(self):
        self.timers, self.ticks, self.callbacks = [], [], []

    def add_timeout_callback(self, function, wait):
        self.timers.append(function)
        return function

    def remove_timeout_callback(self, function):
        if function not in self.timers:
            raise ValueError("it has fired")
        self.timers.remove(function)

    def add_next_tick_callback(self, function):
        self.ticks.append(function)

    def fire(self):
        timers, self.timers = self.timers, []
        for function in timers:
            function()

    def until(self, true, patience=20.0):
        end = time.monotonic() + patience
        while not true() and time.monotonic() < end:
            ticks, self.ticks = self.ticks, []
            for function in ticks:
                function()
            time.sleep(0.005)
        assert true()


def make(loop, work, monkeypatch):
    from contextlib import nullcontext

    monkeypatch.setattr("forktail.ui.later.hold", lambda document: nullcontext())
    answers, parts = [], []
    later = Later(loop, work, lambda a, e: answers.append((a, e)), parts.append)
    return later, answers, parts


def test_only_the_newest_question_is_worked_on(monkeypatch):
    loop, asked = Loop(), []

    def work(n, stale, say):
        asked.append(n)
        return n * n

    later, answers, _ = make(loop, work, monkeypatch)
    for n in range(5):
        later.ask(n)
    assert later.busy
    loop.fire()
    loop.until(lambda: answers)
    assert asked == [4] and answers == [(16, None)] and not later.busy


def test_a_cancelled_run_ends_early_and_is_not_heard(monkeypatch):
    loop, left = Loop(), []

    def work(stale, say):
        for n in range(10_000):
            if stale():
                left.append(n)
                return None
            say(n)
            time.sleep(0.001)
        return "done"

    later, answers, parts = make(loop, work, monkeypatch)
    later.ask()
    loop.fire()
    loop.until(lambda: len(parts) > 3)
    later.cancel()
    heard = len(parts)
    loop.until(lambda: left)
    loop.until(lambda: not loop.ticks)
    assert answers == [] and len(parts) == heard and left[0] < 10_000 and not later.busy


def test_an_error_reaches_the_page(monkeypatch):
    loop = Loop()

    def work(stale, say):
        raise ValueError("no such part")

    later, answers, _ = make(loop, work, monkeypatch)
    later.ask()
    loop.fire()
    loop.until(lambda: answers)
    assert answers[0][0] is None and str(answers[0][1]) == "no such part"


def test_without_a_document_the_answer_comes_at_once(monkeypatch):
    later, answers, _ = make(None, lambda n, stale, say: n + 1, monkeypatch)
    later.ask(1)
    assert answers == [(2, None)]


def test_an_answer_waits_until_the_session_counts_as_connected(monkeypatch):
    # what Panel holds before that is dropped: Build would say "checking" for ever
    loop, waiting = Loop(), []
    later, answers, _ = make(loop, lambda n, stale, say: n, monkeypatch)
    monkeypatch.setattr("forktail.ui.later.pn.state.onload", waiting.append)
    later.ask(7)
    loop.fire()
    loop.until(lambda: waiting)
    assert answers == []
    waiting.pop()()
    assert answers == [(7, None)]
