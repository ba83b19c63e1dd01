"""The tool that puts faults into the code: which faults it makes, and that it tells found ones."""

import ast
import json
import random
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.mutation import __main__ as tool  # noqa: E402
from tests.mutation.mutants import mutants_of  # noqa: E402
from tests.mutation.trial import PACKAGE, file_of  # noqa: E402


@pytest.mark.parametrize(
    "code, faults",
    [
        ("x = a < b", {("a < b", "a <= b")}),
        ("x = a + b", {("a + b", "a - b")}),
        ("if a and b:\n    pass", {("a and b", "a or b"), ("a and b", "not (a and b)")}),
        ("LIMIT = 0.5", {("0.5", "1.0")}),
        ("KEY = ('r_load', n)", {("('r_load', n)", "(n,)"), ("('r_load', n)", "('r_load',)"),
                                 ("'r_load'", "'not_r_load'")}),
        ("f(a, k=b)", {("f(a, k=b)", "f(a)"), ("f(a, k=b)", "pass")}),
        ("y = max(a, b)", {("max(a, b)", "min(a, b)"), ("max(a, b)", "max(a)")}),
        ("y = not a", {("not a", "a")}),
        ("y += a", {("y += a", "y -= a"), ("y += a", "pass")}),
        ("raise E('Say it.')", {("raise E('Say it.')", "pass")}),
        ("x = {a: b, c: d}", {("{a: b, c: d}", "{c: d}"), ("{a: b, c: d}", "{a: b}")}),
    ],
)  # fmt: skip
def test_faults_of_a_piece_of_code(code, faults):
    assert {(m.was, m.now) for m in mutants_of("any", code.encode())} == faults


@pytest.mark.parametrize(
    "code",
    [
        "def f(a: int) -> float:\n    'What it does, 1 + 1.'",
        "@lru_cache(maxsize=8)\ndef f():\n    return x",
        "once = lru_cache(maxsize=512)(f)",
        "text = f'{a + 1} of {b}'",
        "title = 'Upper input'",
        "import numpy as np",
    ],
)
def test_what_no_test_should_hold_is_left_alone(code):
    assert mutants_of("any", code.encode()) == []


def test_every_fault_is_code_that_differs():
    random.seed(1)
    for path in sorted((PACKAGE / "core" / "waves").rglob("*.py")):
        source = path.read_bytes()
        plain = ast.dump(ast.parse(source))
        found = mutants_of("any", source)
        for m in random.sample(found, min(3, len(found))):
            assert ast.dump(ast.parse(m.applied(source))) != plain, f"{path}: {m}"


def test_a_run_tells_found_faults_from_those_that_no_test_sees(tmp_path):
    """Of two faults, a test looks at what one changes; of the other it only runs the line."""
    tests, kept = tmp_path / "test_one.py", tmp_path / "kept"
    tests.write_text(
        "from forktail.core.thermal import saturation_current, thermal_voltage\n"
        "def test_voltage():\n    assert 0.0258 < thermal_voltage(300.0) < 0.0259\n"
        "def test_current():\n    saturation_current(1e-14, 310.0)\n"
    )
    seen = ("thermal_voltage", "BOLTZMANN / ELEMENTARY_CHARGE", "BOLTZMANN * ELEMENTARY_CHARGE")
    unseen = ("saturation_current", "t / T_NOMINAL", "t * T_NOMINAL")
    kept.mkdir()
    survivors = kept / "survivors.json"
    survivors.write_text(json.dumps([("core.thermal", *fault) for fault in (seen, unseen)]))
    done = subprocess.run(
        [sys.executable, "-m", "tests.mutation", "core.thermal", "--again",
         "--keep", str(kept), "--tests", str(tests)],
        cwd=ROOT, capture_output=True, text=True,
    )  # fmt: skip
    (row,) = (line for line in done.stdout.splitlines() if line.startswith("| core.thermal"))
    assert [int(n) for n in row.split("|")[4:6]] == [2, 1], done.stderr
    assert json.loads(survivors.read_text()) == [["core.thermal", *unseen]]
    assert done.returncode == 1 and "in saturation_current: survived" in done.stdout


def test_modules_and_their_tests():
    assert {"core.cell", "core.cell.law"} <= set(tool.modules_of("core.cell"))
    assert tool.modules_of("core.path") == ["core.path"]
    files, near = tool.tests_of("core.cell.law")
    assert near == "tests/unit/core/cell/test_law.py"
    assert ROOT / "tests/unit/core/cell/test_law.py" in files
    assert {ROOT / "tests/published", ROOT / "tests/unit/core"} <= {p.parent for p in files}
    assert file_of("core.uses").name == "__init__.py"
    with pytest.raises(SystemExit, match="there is no module core.nothing"):
        tool.modules_of("core.nothing")


def test_listed_equivalents_are_faults_of_the_code_as_it_is():
    for module, listed in tool.equivalents().items():
        made = {m.key for m in mutants_of(module, file_of(module).read_bytes())}
        assert listed <= made, f"{module}: {listed - made}"
