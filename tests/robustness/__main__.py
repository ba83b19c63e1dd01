"""All robustness cases: `python -m tests.robustness [CASES]`, 10,000 unless told otherwise."""

import sys
import traceback
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from cases import TARGETS, check  # noqa: E402


def run(cases=10_000, number=20):
    """Run all targets.

    Yields
    ------
    (name, answers, refusals, slowest case in s, text of a failure or "")
    """
    for name, (_, _, share) in TARGETS.items():
        try:
            found, slowest = check(name, max(1, round(cases * share)), number)
        except Exception as problem:  # noqa: BLE001 - it is the result
            problems = getattr(problem, "exceptions", (problem,))
            yield name, 0, 0, 0.0, " / ".join(map(_told, problems))
        else:
            yield name, found["answer"], found["refusal"], slowest, ""


def _told(problem):
    place = "".join(traceback.format_tb(problem.__traceback__)[-1:]).strip()
    notes = " ".join(getattr(problem, "__notes__", ()))
    return f"{type(problem).__name__}: {str(problem)[:400]} {place} {notes[:600]}"


def main(cases=10_000):
    """Print one line a target; returns the exit status."""
    print(f"{'robustness':<24}{'answers':>9}{'refusals':>10}{'slowest':>10}")
    bad = 0
    for name, answers, refusals, slowest, failure in run(cases):
        print(
            f"{name:<24}{answers:>9}{refusals:>10}{slowest:>8.2f} s"
            + (f"  FAILED {failure}" if failure else ""),
            flush=True,
        )
        bad += bool(failure)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
