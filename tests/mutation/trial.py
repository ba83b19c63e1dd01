"""Runs of the tests in a process of their own: with a fault in one module, or to see which lines
of a module each test reaches.

The parent never imports the package. It loads what the tests need besides, then forks a child a
run, which is quicker by far than a new interpreter; the fault lives in the child's memory alone, so
the tree stays as it is.
"""

import hashlib
import importlib.abc
import importlib.util
import json
import os
import resource
import sys
import time
from importlib.machinery import SourceFileLoader
from pathlib import Path

import coverage
import pytest
from hypothesis import HealthCheck, Phase, settings

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "app" / "forktail"
#: Memory that a test run may ask for, bytes, and how much longer than without a fault it may
#: compute: what takes more is killed, which counts as found.
MOST_MEMORY = 4 * 2**30
TIMES, SECONDS = 5.0, 10.0

# the same examples each time, and no time spent on making a counterexample small
settings.register_profile(
    "mutation",
    derandomize=True,
    database=None,
    deadline=None,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=list(HealthCheck),
)
PYTEST = ["-q", "-p", "no:cacheprovider", "--hypothesis-profile=mutation"]
PYTEST += ["--rootdir", str(ROOT), "-c", str(ROOT / "pyproject.toml")]


def file_of(module):
    """Path of a module below the package, such as `core.cell.law`."""
    path = PACKAGE.joinpath(*module.split("."))
    return path / "__init__.py" if path.is_dir() else path.with_suffix(".py")


def preload():
    """Load what tests import besides the package, so that no child has to."""
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}  # one process, one core
    import numpy  # noqa: F401
    import scipy.integrate  # noqa: F401
    import scipy.optimize  # noqa: F401
    import scipy.signal  # noqa: F401


# ---------------------------------------------------------------- a run with a fault


class _Faulty(importlib.abc.MetaPathFinder, SourceFileLoader):
    """Finder and loader of one module, whose source has a fault."""

    def __init__(self, module, text):
        self.text = text
        self.path_of = file_of(module)
        super().__init__(f"forktail.{module}", str(self.path_of))

    def find_spec(self, fullname, path=None, target=None):
        if fullname != self.name:
            return None
        inside = [str(self.path_of.parent)] if self.path_of.name == "__init__.py" else None
        return importlib.util.spec_from_file_location(
            fullname, self.path_of, loader=self, submodule_search_locations=inside
        )

    def get_code(self, fullname):
        return compile(self.text, str(self.path_of), "exec", dont_inherit=True)


def _id(item):
    """The id of a test with the path of its file, wherever that lies."""
    return os.path.relpath(item.path, ROOT) + "::" + item.nodeid.partition("::")[2]


class _Only:
    """Plugin: of the tests collected, those listed, in the order of the list."""

    def __init__(self, tests):
        self.place = {test: at for at, test in enumerate(tests)}

    def pytest_collection_modifyitems(self, items):
        items[:] = sorted(
            (i for i in items if _id(i) in self.place), key=lambda i: self.place[_id(i)]
        )


def start(mutant, tests, usual):
    """Begin a run of `tests`, which take `usual` s, with a fault: process id."""
    text = mutant.applied(file_of(mutant.module).read_bytes())

    def work():
        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
        limit = int(time.process_time() + SECONDS + TIMES * usual) + 1
        resource.setrlimit(resource.RLIMIT_CPU, (limit, limit))
        sys.meta_path.insert(0, _Faulty(mutant.module, text))
        files = list(dict.fromkeys(test.partition("::")[0] for test in tests))
        return pytest.main(["-x", *PYTEST, *files], plugins=[_Only(tests)])

    return _fork(work)


def _fork(work):
    sys.stdout.flush()
    child = os.fork()
    if child:
        return child
    status = 70
    try:
        os.chdir(ROOT)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        status = int(work())
    finally:
        os._exit(status)


def wait():
    """Wait for the end of any run: (process id, how it ended).

    `survived` when all tests passed, `killed` when one failed, the module could not be imported or
    the run took too long, `broken` when pytest itself could not run.
    """
    child, status = os.waitpid(-1, 0)
    if os.WIFSIGNALED(status):
        return child, "killed"
    code = os.WEXITSTATUS(status)
    return child, {0: "survived", 1: "killed", 2: "killed"}.get(code, "broken")


# ---------------------------------------------------------------- which test reaches which line


class _Noted:
    """Plugin: tells coverage which test runs, and how long each took.

    What a fixture of many tests does is noted under the file. Caches are emptied before every
    test, so that a line counts for each that needs it and not for the first alone.
    """

    def __init__(self, cover):
        self.cover = cover
        self.seconds, self.now = {}, ""

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item):
        for name, module in list(sys.modules.items()):
            if name.startswith("forktail"):
                for value in vars(module).values():
                    getattr(value, "cache_clear", int)()
        self.now = _id(item)
        self.cover.switch_context(self.now)
        begun = time.process_time()
        done = yield
        self.seconds[self.now] = time.process_time() - begun
        self.cover.switch_context("")
        return done

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef, request):
        if fixturedef.scope == "function":
            return (yield)
        self.cover.switch_context(os.path.relpath(request.path, ROOT))
        done = yield
        self.cover.switch_context(self.now)
        return done


def _stamp(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


class Reach:
    """Which tests of which files reach a line; measured once for each state of the two files."""

    def __init__(self, module, tests, keep):
        self.module, self.keep = module, keep
        self.file = file_of(module)
        self.seconds = {}
        self.lines = {}
        self.everything = set()
        for path in tests:
            self._take(path, self._known(path) or self._measured(path))

    def _kept(self, path):
        name = os.path.relpath(path, ROOT).replace(os.sep, "+")
        return self.keep / "reach" / f"{name}.json"

    def _known(self, path):
        kept = self._kept(path)
        if not kept.is_file():
            return None
        found = json.loads(kept.read_text())
        fresh = found["stamps"].get(self.module) == _stamp(self.file)
        return found if fresh and found["test"] == _stamp(path) else None

    def _measured(self, path):
        print(f"which lines does {os.path.relpath(path, ROOT)} reach ...", file=sys.stderr)
        kept = self._kept(path)
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.unlink(missing_ok=True)
        child = _fork(lambda: _measure(path, kept))
        os.waitpid(child, 0)
        if not kept.is_file():
            raise SystemExit(f"{path} does not pass: mend that first")
        return json.loads(kept.read_text())

    def _take(self, path, found):
        self.seconds |= found["seconds"]
        lines = found["lines"].get(self.module, {})
        for line, contexts in lines.items():
            for context in contexts:
                tests = (
                    [context]
                    if context in found["seconds"]
                    else [t for t in found["seconds"] if t.startswith(context)]
                )
                if context:
                    self.everything.update(tests)
                    self.lines.setdefault(int(line), set()).update(tests)
                else:  # run on import
                    self.lines.setdefault(int(line), set())

    def tests_for(self, mutant, near, budget):
        """Tests that reach a fault, the nearest file first, up to `budget` s; and their time.

        What runs on import is reached by every test that runs anything of the module.
        """
        found = set()
        for line in range(mutant.line, mutant.last + 1):
            found |= self.lines.get(line, set())
        if not found and any(
            n in self.lines and not self.lines[n] for n in range(mutant.line, mutant.last + 1)
        ):
            found = self.everything

        def order(test):
            return not test.startswith(near), test.partition("::")[0], self.seconds[test]

        chosen, total = [], 0.0
        for test in sorted(found, key=lambda t: (not t.startswith(near), self.seconds[t])):
            if total + self.seconds[test] > budget and chosen:
                break
            chosen.append(test)
            total += self.seconds[test]
        return sorted(chosen, key=order), total


def _measure(path, kept):
    cover = coverage.Coverage(
        data_file=None, source=[str(PACKAGE)], config_file=False, messages=False
    )
    cover.start()
    noted = _Noted(cover)
    code = pytest.main([*PYTEST, str(path)], plugins=[noted])
    cover.stop()
    data = cover.get_data()
    lines, stamps = {}, {}
    for name in data.measured_files():
        where = Path(name).relative_to(PACKAGE).with_suffix("")
        module = ".".join(where.parts).removesuffix(".__init__")
        stamps[module] = _stamp(Path(name))
        lines[module] = {str(k): v for k, v in data.contexts_by_lineno(name).items()}
    if code == 0:
        kept.write_text(
            json.dumps(
                {"test": _stamp(path), "stamps": stamps, "seconds": noted.seconds, "lines": lines}
            )
        )
    return code
