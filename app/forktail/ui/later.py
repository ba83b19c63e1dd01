"""Work that takes longer than an event may: done off the loop once its question rests."""

from concurrent.futures import ThreadPoolExecutor

import panel as pn
from panel.io.document import hold

#: Shared by all sessions of a process: long work queues up instead of slowing every slider.
_POOL = ThreadPoolExecutor(max_workers=2, thread_name_prefix="forktail-later")


class Later:
    """Answers the newest question; older ones are dropped, waiting or running.

    Parameters
    ----------
    document : bokeh.document.Document or None
        None answers at once, in the caller's thread.
    work : callable
        `work(*question, stale, say)`: runs in another thread. It may leave early once `stale()`
        is true, and may hand over progress with `say(part)`.
    done : callable
        `done(answer, error)`: called on the loop; one of the two is None.
    progress : callable, optional
        `progress(part)`: called on the loop.
    wait : int
        Milliseconds that a question must rest.
    """

    def __init__(self, document, work, done, progress=None, wait=250):
        self.document, self.work, self.done = document, work, done
        self.progress = progress or (lambda part: None)
        self.wait = wait
        self._asked, self._timer, self.busy = 0, None, False

    def cancel(self):
        """Drop the question under way, if any."""
        self._asked += 1
        self.busy = False
        if self._timer is not None:
            try:
                self.document.remove_timeout_callback(self._timer)
            except ValueError:  # it has just fired
                pass
            self._timer = None

    def ask(self, *question):
        """Put a question instead of the one under way."""
        if self.document is None:
            self.done(self.work(*question, lambda: False, self.progress), None)
            return
        self.cancel()
        self.busy = True
        number = self._asked

        def start():
            self._timer = None
            _POOL.submit(self._run, number, question)

        self._timer = self.document.add_timeout_callback(start, self.wait)

    def _run(self, number, question):
        def stale():
            return number != self._asked

        if stale():
            return
        answer = error = None
        try:
            answer = self.work(
                *question, stale, lambda part: self._post(number, self.progress, part)
            )
        except Exception as problem:  # noqa: BLE001 - it is shown to the user
            error = problem
        self._post(number, self._finish, answer, error)

    def _finish(self, answer, error):
        self.busy = False
        self.done(answer, error)

    def _post(self, number, function, *arguments):
        def shown():
            if number == self._asked:
                with hold(self.document):
                    function(*arguments)

        # an answer may be there before the session counts as connected, and what is held until
        # then is dropped
        self.document.add_next_tick_callback(lambda: pn.state.onload(shown))
