"""`python -m tests.benchmarks [core built page memory long room fuzz compare]`: every budget.

Each row holds ours, the reference taken in the same run, the ratio and the target. Nothing here
fails: the machine decides the figures, and the closing word is met or not met. `compare 200` tries
200 boards in place of 500. `page --only "Signals, built"` takes the rows with that in their name,
and `--profile` says where server and browser spent the time of their events.
"""

import argparse
import os
import platform
import sys

from tests.robustness import __main__ as robustness

from . import built_speed, compare_boards, core_speed, long_use, page_speed, room_load


def _built():
    for name, ours, loop, _, residual in built_speed.run():
        yield (
            f"built waveform, 1024 samples, {name} (residual {residual:.0e})",
            ours,
            loop,
            "s",
            0.01,
        )
    for name, ours, wave in built_speed.noise():
        yield name, ours, wave, "s", 10.0


def _fuzz():
    """The 10,000 cases of `tests/robustness`: (target, failed or not, 1)."""
    for name, answers, refusals, slowest, failure in robustness.run():
        told = failure or f"{answers} answers, {refusals} refusals, slowest {slowest:.1f} s"
        yield f"fuzz, {name}: {told}", float(bool(failure)), 1.0, "", 0.0


PARTS = {
    "core": core_speed.run,
    "built": _built,
    "page": page_speed.run,
    "memory": page_speed.memory,
    "room": room_load.run,
    "long": long_use.run,
    "fuzz": _fuzz,
    "compare": compare_boards.run,
}


def text(value, unit):
    """A figure for the table."""
    if unit == "s":
        return f"{1e3 * value:.3g} ms"
    return f"{value / 1e3:.3g} kB" if unit == "B" else f"{value:.3g} {unit}"


def main(arguments):
    """Run the parts and print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("parts", nargs="*", help=", ".join(PARTS))
    parser.add_argument("--only", default="", help="part of the names of the rows of `page`")
    parser.add_argument("--profile", action="store_true")
    given = parser.parse_args(arguments)
    counts = [int(n) for n in given.parts if n.isdigit()]
    options = {"page": (given.only, given.profile), "compare": tuple(counts[:1])}
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}\n")
    print("| what | ours | reference | ratio | target | |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name in [n for n in given.parts if not n.isdigit()] or PARTS:
        for what, ours, reference, unit, target in PARTS[name](*options.get(name, ())):
            ratio = ours / reference
            word = "" if target is None else "met" if ratio <= target else "not met"
            print(
                f"| {what} | {text(ours, unit)} | {text(reference, unit)} | {ratio:.3g} | "
                f"{'' if target is None else f'<= {target:g}'} | {word} |",
                flush=True,
            )


if __name__ == "__main__":
    main(sys.argv[1:])
