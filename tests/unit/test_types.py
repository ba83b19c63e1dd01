"""The types of the core and of the public face hold, and reach a script that uses the face."""

import subprocess
import sys
from pathlib import Path

from helpers import readme_example

ROOT = Path(__file__).resolve().parents[2]


def test_mypy_finds_nothing_and_follows_the_example_of_the_readme(tmp_path):
    """What is checked, and how strictly, is in pyproject.toml; later runs read mypy's cache."""
    script = tmp_path / "script.py"
    strict = "# mypy: disallow-untyped-calls, disallow-any-unimported, warn-return-any"
    asked = "reveal_type(run_signals); reveal_type(solve_built(board).v_out)"
    script.write_text("\n".join([strict, *readme_example(), asked]))
    command = [sys.executable, "-m", "mypy", "app/forktail/__init__.py", "app/forktail/core"]
    done = subprocess.run([*command, str(script)], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "-> forktail.core.uses.signals.SignalRun" in done.stdout
    assert "float64" in done.stdout
