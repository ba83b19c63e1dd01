"""How many small deliberate faults do the tests find?

    python -m tests.mutation [MODULE ...] [--sample N] [--seed S] [--again]

MODULE is a module or a package below the app, such as `core.cell` or `core.path`. Of each module's
faults N are drawn; for each, the tests that reach it run until one fails. Printed are the share
found and every fault that none found. `equivalent.toml` names those that change nothing that
anybody could see, each with its reason; they are not drawn.
"""

import argparse
import json
import random
import sys
import tomllib
from pathlib import Path

from tests.mutation import trial
from tests.mutation.mutants import mutants_of

#: What is tried if nothing is named: where a wrong figure would go to the bench.
MODULES = ("core.cell", "core.path", "core.spec", "core.uses", "core.capture")


def modules_of(name):
    """The modules of a package, or the one of that name, that hold code."""
    path = trial.PACKAGE.joinpath(*name.split("."))
    if path.is_dir():
        return [f"{name}.{p.stem}" for p in sorted(path.glob("[a-z]*.py"))] + [name]
    if not path.with_suffix(".py").is_file():
        raise SystemExit(f"there is no module {name} below {trial.PACKAGE}")
    return [name]


def tests_of(module):
    """Test files of a module, and the part of their path that is nearest to it.

    They are those of its folder, and for the core those of what all subjects share and the
    published values; what only a test of another subject would find counts as not found.
    """
    parts = module.split(".")
    mirror = trial.ROOT.joinpath("tests", "unit", *parts)
    mirror = mirror if mirror.is_dir() else mirror.parent
    files = [] if mirror.name == "core" else sorted(mirror.rglob("test_*.py"))
    if parts[0] == "core":
        files += sorted((trial.ROOT / "tests" / "unit" / "core").glob("test_*.py"))
        files += sorted((trial.ROOT / "tests" / "published").glob("test_*.py"))
    near = "/".join(["tests", "unit", *parts[:-1]])
    own = f"{near}/test_{parts[-1]}.py"
    return files, own if (trial.ROOT / own).is_file() else f"{near}/"


def equivalents():
    """Faults that cannot be seen, by module: {module: {(function, was, now), ...}}."""
    listed = tomllib.loads((Path(__file__).parent / "equivalent.toml").read_text())
    return {
        module: {(e["in"], e["was"], e["now"]) for e in entries}
        for module, entries in listed.items()
    }


def run(module, chosen, given):
    """Try the faults with the tests given, or with `tests_of`: list of (mutant, how it ended)."""
    files, near = tests_of(module)
    reach = trial.Reach(module, [p.resolve() for p in given.tests] or files, given.keep)
    ended, running, left, told = {}, {}, list(chosen), set()
    while left or running:
        while left and len(running) < given.jobs:
            mutant = left.pop(0)
            tests, usual = reach.tests_for(mutant, near, given.budget)
            if tests:
                running[trial.start(mutant, tests, usual)] = mutant
            else:
                ended[mutant] = "not reached"
        if running:
            child, how = trial.wait()
            ended[running.pop(child)] = how
        for mutant in [m for m in ended if m not in told]:
            told.add(mutant)
            _tell(mutant, ended[mutant], len(told), len(chosen))
    return [(m, ended[m]) for m in chosen]


def _tell(mutant, how, count, of):
    """Say at once what no test found; how far it is goes to standard error."""
    print(f"\r{count} of {of}", end="", file=sys.stderr, flush=True)
    if how != "killed":
        where = trial.file_of(mutant.module).relative_to(trial.ROOT)
        print(f"\n{where}:{mutant.line} in {mutant.function or 'the module'}: {how}")
        print(f"    {mutant.was}\n -> {mutant.now}", flush=True)


def main(arguments=None):
    """Run; exit status 1 if a fault survived."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.mutation", description=__doc__.partition("\n")[0]
    )
    parser.add_argument("modules", nargs="*", default=MODULES, metavar="MODULE")
    parser.add_argument("--sample", type=int, default=60, help="faults a module; 0 for all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, help="runs at a time")
    parser.add_argument("--budget", type=float, default=20.0, help="s of tests for one fault")
    parser.add_argument("--again", action="store_true", help="those that survived the last run")
    parser.add_argument("--tests", type=Path, nargs="+", default=[], help="run only these files")
    parser.add_argument("--keep", type=Path, default=trial.ROOT / ".mutation", help="folder")
    given = parser.parse_args(arguments)

    if not given.tests:
        trial.preload()
    known, rows, survivors = equivalents(), [], []
    last = given.keep / "survivors.json"
    before = {tuple(k) for k in json.loads(last.read_text())} if given.again else None
    for module in dict.fromkeys(m for name in given.modules for m in modules_of(name)):
        every = mutants_of(module, trial.file_of(module).read_bytes())
        listed = known.get(module, set())
        missing = listed - {m.key for m in every}
        if missing:
            raise SystemExit(f"equivalent.toml: {module} has no such fault any more: {missing}")
        left = [m for m in every if m.key not in listed]
        if before is not None:
            left = [m for m in left if (module, *m.key) in before]
        elif given.sample and len(left) > given.sample:
            drawn = random.Random(f"{given.seed} {module}").sample(left, given.sample)
            left = sorted(drawn, key=lambda m: (m.start, m.now))
        if not left:
            continue
        done = run(module, left, given)
        killed = sum(how == "killed" for _, how in done)
        rows.append((module, len(every), len(listed), len(done), killed))
        survivors += [(module, *m.key) for m, how in done if how != "killed"]
    last.parent.mkdir(exist_ok=True)
    last.write_text(json.dumps(survivors))
    print("\n| module | faults | equivalent | tried | found | share |\n|---|---|---|---|---|---|")
    for module, every, listed, tried, killed in rows:
        print(f"| {module} | {every} | {listed} | {tried} | {killed} | {killed / tried:.0%} |")
    tried, killed = (sum(row[k] for row in rows) for k in (3, 4))
    if tried:
        print(f"| all | | | {tried} | {killed} | {killed / tried:.1%} |")
    return int(bool(survivors))


if __name__ == "__main__":
    sys.exit(main())
