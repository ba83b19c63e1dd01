"""Set everything up and run all tests: own virtual environment, Chromium, ruff, pytest.

Needs Python 3.11+ and nothing else; arguments go to pytest.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "app"))

from run import environment_python  # noqa: E402


def chromium():
    """Path of Chromium: found, or installed where that can be done without asking."""
    names = ("chromium", "chromium-browser", "google-chrome")
    found = os.environ.get("FORKTAIL_CHROMIUM")
    found = found or next(filter(None, map(shutil.which, names)), None)
    if found:
        return found
    if shutil.which("apt-get") and hasattr(os, "geteuid") and os.geteuid() == 0:
        print("Installing Chromium for the browser tests ...", file=sys.stderr, flush=True)
        subprocess.run(["apt-get", "update", "-qq"], check=False, stdout=subprocess.DEVNULL)
        subprocess.run(
            [
                "apt-get",
                "install",
                "-y",
                "-qq",
                "--no-install-recommends",
                "chromium",
                "fonts-dejavu-core",
            ],
            check=False,
            stdout=subprocess.DEVNULL,
        )
        found = shutil.which("chromium")
        if found:
            return found
    sys.exit(
        "The browser tests need Chromium. Install it (Debian: apt-get install chromium; "
        "elsewhere: its own installer) or name its program in FORKTAIL_CHROMIUM, "
        "then run this command again."
    )


def main():
    """Run ruff, then pytest; returns the exit status."""
    python = environment_python("test")
    # one test process more than cores, for browser tests wait as often as they work; each with one
    # thread for its linear algebra
    processes = str((os.cpu_count() or 1) + 1)
    environment = dict(
        os.environ, FORKTAIL_CHROMIUM=chromium(), OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1"
    )
    for ruff in (["check"], ["format", "--check"]):
        if subprocess.call([str(python), "-m", "ruff", *ruff, "."], cwd=ROOT) != 0:
            return 1
    return subprocess.call(
        [str(python), "-m", "pytest", "-n", processes, "--dist", "worksteal", *sys.argv[1:]],
        cwd=ROOT,
        env=environment,
    )


if __name__ == "__main__":
    sys.exit(main())
