"""Where a server spends the time of an event: `python -m tests.benchmarks page --profile`.

As a program, `python -m tests.benchmarks.profiles FILE serve ...` is the command `forktail` under
cProfile, switched on and off by SIGUSR1; switched off, it writes to FILE, to which the next stretch
is added while it is there.
"""

import cProfile
import os
import pstats
import signal
import sys
import time
from contextlib import contextmanager
from pathlib import Path

#: Kind of work -> parts of the paths of the modules that do it, the first that fits.
KINDS = {
    "arithmetic": ("/forktail/core/", "/numpy/"),
    "views and words": ("/forktail/", "/param/"),
    "Panel": ("/panel/",),
    "serialising and patches (Bokeh)": ("/bokeh/", "/json/"),
    "network": ("/tornado/", "/asyncio/", "selectors.py", "/ssl.py"),
}
#: Functions whose calls are counted.
COUNTED = ("solve_lanes", "newton", "solve_cell", "labelled_spectrum", "update", "replace")
#: Functions named in a report, the costliest first.
NAMED = 14


@contextmanager
def taken(pid):
    """Profile the server `pid` meanwhile; nothing for None."""
    if pid is not None:
        os.kill(pid, signal.SIGUSR1)
    yield
    if pid is not None:
        os.kill(pid, signal.SIGUSR1)
        time.sleep(0.3)  # until it has written


def kind_of(path):
    """The kind of work of a module."""
    return next((k for k, parts in KINDS.items() if any(p in path for p in parts)), "other")


def split(stats):
    """Seconds by kind and by function: what C code takes counts for its caller."""
    kinds, functions = {}, {}

    def add(where, seconds):
        path, _, name = where
        kinds[kind_of(path)] = kinds.get(kind_of(path), 0.0) + seconds
        key = f"{'/'.join(path.split('/')[-3:])} {name}"
        functions[key] = functions.get(key, 0.0) + seconds

    for where, (_, _, own, _, callers) in stats.items():
        if "poll" in where[2] and "select" in where[2]:
            continue  # the server waits
        if where[0] != "~":
            add(where, own)
            continue
        for caller, (_, _, part, _) in callers.items():
            add(caller, part)
    return kinds, functions


def report(path, events, browser, paints):
    """Text: server time an event by kind and function, calls, and times of the browser."""
    loaded = pstats.Stats(str(path))
    Path(path).unlink()
    kinds, functions = split(loaded.stats)
    calls = {}
    for (_, _, name), (_, count, *_) in loaded.stats.items():
        if name in COUNTED:
            calls[name] = calls.get(name, 0) + count
    lines = ["", "  server, ms an event under the profiler (which slows it down):"]
    for kind, seconds in sorted(kinds.items(), key=lambda item: -item[1]):
        lines.append(f"    {1e3 * seconds / events:7.2f}  {kind}")
    for name, seconds in sorted(functions.items(), key=lambda item: -item[1])[:NAMED]:
        lines.append(f"      {1e3 * seconds / events:7.2f}  {name}")
    lines.append(
        "  calls an event: " + ", ".join(f"{k} {n / events:.3g}" for k, n in sorted(calls.items()))
    )
    lines.append("  browser, ms an event:")
    lines += [f"    {1e3 * seconds:7.2f}  {kind}" for kind, seconds in browser.items()]
    lines.append(
        "  plots painted an event: "
        + (", ".join(f"{k} {n:.2g}" for k, n in paints.items() if n) or "none")
    )
    return "\n".join(lines)


def main(arguments):
    """Run the command under a profiler that a signal switches."""
    from forktail.cli import main as command

    file, *rest = arguments
    running = []

    def switch(number, frame):
        if not running:
            running.append(cProfile.Profile(time.thread_time))  # of this thread: not what waits
            running[0].enable()
            return
        profile = running.pop()
        profile.disable()
        found = pstats.Stats(profile)
        if Path(file).exists():
            found.add(file)
        found.dump_stats(file)

    signal.signal(signal.SIGUSR1, switch)
    return command(rest)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
