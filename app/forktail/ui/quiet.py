"""Work that waits until nobody uses the server: it would hold up every page of the process.

A full garbage collection and a page made ahead take tenths of a second each, all of which somebody
who moves a slider meanwhile would wait.
"""

import asyncio
import time

#: Seconds without a message of any browser after which a process counts as quiet.
QUIET = 1.5
_heard = [-QUIET]


def heard():
    """A browser has sent something."""
    _heard[0] = time.monotonic()


def when_quiet(work, most=60.0):
    """Do something once the process has been quiet, counted from now.

    Parameters
    ----------
    work : callable
        Without arguments; it runs on the event loop of the caller.
    most : float
        s, after which it is done in any case.

    Returns
    -------
    callable
        Calls it off.

    Raises
    ------
    RuntimeError
        If no event loop is running.
    """
    loop, begun = asyncio.get_running_loop(), time.monotonic()
    timer = None

    def look():
        nonlocal timer
        now = time.monotonic()
        rest = min(max(begun, _heard[0]) + QUIET, begun + most) - now
        if rest <= 0.0:
            work()
        else:
            timer = loop.call_later(rest, look)

    timer = loop.call_later(QUIET, look)
    return lambda: timer.cancel()
