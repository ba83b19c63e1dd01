"""The types of the core and of the public face hold."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_mypy_finds_nothing():
    """What is checked, and how strictly, stands in pyproject.toml; later runs read mypy's cache."""
    done = subprocess.run([sys.executable, "-m", "mypy"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
