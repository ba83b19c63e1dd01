"""The public face: the names that notebooks and scripts import, and what they cost."""

import ast
import doctest
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import forktail
from helpers import readme_example

SOURCE = Path(forktail.__file__)


def python(code):
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)


def test_the_face_is_as_promised():
    assert sorted(forktail.__all__) == sorted(
        "Circuit Drive read_circuit solve_cell solve_built run_signals run_use read_capture "
        "compare_capture".split()
    )
    for name in forktail.__all__:
        assert getattr(forktail, name).__doc__, name
        assert name in dir(forktail)
    with pytest.raises(AttributeError, match="no attribute 'solve_nothing'"):
        forktail.solve_nothing  # noqa: B018


def test_what_type_checkers_see_is_what_is_loaded():
    """The imports for type checkers and those made when a name is asked for say the same."""
    (checked,) = (n for n in ast.parse(SOURCE.read_text()).body if isinstance(n, ast.If))
    seen = {}
    for node in checked.body:
        for alias in node.names:
            seen[alias.name] = getattr(importlib.import_module(node.module), alias.name)
    assert seen == {name: getattr(forktail, name) for name in forktail.__all__}


def test_importing_forktail_loads_nothing_and_its_names_only_the_core():
    code = (
        "import sys, forktail\n"
        "assert 'numpy' not in sys.modules\n"
        "from forktail import *\n"
        "heavy = {'panel', 'bokeh', 'param', 'tornado', 'scipy', 'pandas'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
        "assert callable(solve_cell) and callable(compare_capture)\n"
    )
    assert python(code).stderr == ""


def test_the_notebook_example_of_the_readme():
    """Run line by line as cells: the call of a 45 kHz bat is heard at 2 kHz, from a sound board."""
    names, shown = {}, []
    for line in readme_example():
        try:
            shown.append(eval(line, names))
        except SyntaxError:
            exec(line, names)
    rest, run = shown
    assert len(readme_example()) == 5
    assert bool(rest.converged) and set(map(str, rest.regions.values())) == {"active"}
    strongest = max(run.spectrum.lines, key=lambda line: line.peak)
    assert strongest.origin in ("difference", "sum")
    assert any(abs(line.frequency - 2e3) < 1 and line.peak > 0.1 for line in run.spectrum.lines)
    for answer in shown:
        assert len(repr(answer)) < 200 and answer._repr_html_().startswith("<table>")


WITH_EXAMPLES = sorted(
    path for path in SOURCE.parent.rglob("*.py") if ">>> " in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=[p.stem for p in WITH_EXAMPLES])
def test_examples_in_docstrings(path):
    parts = path.relative_to(SOURCE.parent).with_suffix("").parts
    name = ".".join(("forktail", *parts)).removesuffix(".__init__")
    found = doctest.testmod(importlib.import_module(name), optionflags=doctest.ELLIPSIS)
    assert found.attempted and not found.failed
