"""A built wheel carries lessons and assets and works outside the checkout."""

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    out = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [
            sys.executable,
            "-m",
            "build",
            "--wheel",
            "--no-isolation",
            "--outdir",
            str(out),
            str(ROOT),
        ],
        check=True,
        capture_output=True,
    )
    return next(out.glob("*.whl"))


def test_wheel_carries_lessons_and_assets(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    for part in (
        "forktail/py.typed",
        "forktail/_assets/ui/app.css",
        "forktail/_assets/ui/controls.js",
        "forktail/_assets/pages/steer/body.html",
    ):
        assert part in names
    lessons = [
        p.relative_to(ROOT / "lessons") for p in (ROOT / "lessons").rglob("*") if p.is_file()
    ]
    for path in lessons:
        assert f"forktail/_lessons/{path.as_posix()}" in names


def test_installed_wheel_runs_outside_the_checkout(wheel, tmp_path):
    """The wheel is unpacked as pip would, without its dependencies: those are here already."""
    target = tmp_path / "site"
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "install",
            "--quiet",
            "--no-deps",
            "--no-index",
            "--target",
            str(target),
            str(wheel),
        ],
        check=True,
        capture_output=True,
    )
    environment = dict(os.environ, PYTHONPATH=str(target))
    code = (
        "import forktail, forktail.resources as r;"
        "print(forktail.__file__, r.asset_text('ui/app.css')[:3], r.lessons_dir())"
    )
    where = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=environment,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    assert where.startswith(str(target)) and str(target) in where.split()[-1]
    done = subprocess.run(
        [sys.executable, "-m", "forktail", "point", "--upper", "10mV", "--json"],
        cwd=tmp_path,
        env=environment,
        check=True,
        capture_output=True,
        text=True,
    )
    assert json.loads(done.stdout)["v_out"] == 0.0


def test_ci_runs_the_test_command_of_the_readme_word_for_word():
    commands = [
        line
        for line in (ROOT / "README.md").read_text().splitlines()
        if line.startswith("python3 ")
    ]
    assert commands == ["python3 app/run.py", "python3 tests/run.py"]
    assert commands[1] in (ROOT / ".ci/run").read_text().splitlines()


def test_top_level_is_as_the_design_says():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True)
    if listed.returncode:
        pytest.fail("git ls-files failed: the test needs a git checkout")
    tops = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {t for t in tops if not t.startswith(".")} == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "LICENSE",
        "app",
        "lessons",
        "tests",
        "assets",
    }
