"""Long work in a separate process, so that no slider of any session waits for it.

A million rows are parsed, or a hundred faults solved, without the event loop losing its turn: a
thread would hold the interpreter for as long as numpy parses. Processes are started afresh (not
forked: the server has threads), import the core alone, and end with their work.
"""

import multiprocessing
import threading
import time

from forktail.core.checks import QuantityError

#: Processes at a time; more questions wait their turn.
AT_ONCE = 2
#: Seconds after which work is given up.
LONGEST = 180.0

_TURNS = threading.BoundedSemaphore(AT_ONCE)


def _child(pipe, function, arguments):
    try:
        try:
            answer = "done", function(*arguments, lambda *part: pipe.send(("progress", part)))
        except QuantityError as error:
            answer = "refused", str(error)
        except MemoryError:
            answer = "refused", "there is not enough memory for this on this machine."
        pipe.send(answer)
    except (BrokenPipeError, ConnectionResetError):  # nobody waits any more
        pass


def run_apart(function, *arguments, progress=None, stale=None, longest=LONGEST):
    """Call `function(*arguments, tell)` in another process and return its answer.

    Meant to be called from a thread; `function` is one of a module, arguments and answer can be
    pickled.

    Parameters
    ----------
    progress : callable, optional
        Gets what the function hands to `tell`.
    stale : callable, optional
        True once nobody waits for the answer: the process is ended.
    longest : float
        s, without the wait for a turn.

    Returns
    -------
    object
        The answer, or None if it became stale.

    Raises
    ------
    QuantityError
        As the function raised it, if it took too long, or if it ended without an answer.
    """
    stale = stale or (lambda: False)
    while not _TURNS.acquire(timeout=0.1):
        if stale():
            return None
    try:
        return _run(function, arguments, progress or (lambda *part: None), stale, longest)
    finally:
        _TURNS.release()


def _run(function, arguments, progress, stale, longest):
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_child, args=(theirs, function, arguments), daemon=True)
    process.start()
    theirs.close()
    until = time.monotonic() + longest
    try:
        while not stale():
            if time.monotonic() > until:
                raise QuantityError(f"This took longer than {longest:.0f} s and was given up.")
            if not ours.poll(0.05):
                continue
            kind, answer = ours.recv()
            if kind == "progress":
                progress(*answer)
            elif kind == "done":
                return answer
            else:
                raise QuantityError(answer)
        return None
    except EOFError:
        raise QuantityError(
            "The calculation ended without an answer; it may have needed more memory than there is."
        ) from None
    finally:
        process.terminate()  # an answer that has come through is whole
        process.join()
        ours.close()
