"""Set Forktail up in its own virtual environment (.venv) and run it.

Needs Python 3.11+ and nothing else; arguments go to the command `forktail`.
"""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"


def environment_python(extra=""):
    """Path of the Python of .venv, made and filled if it is not up to date.

    `extra` names an optional group of pyproject.toml, such as `test`.
    """
    if sys.version_info < (3, 11):  # noqa: UP036 - an older one may well start this script
        sys.exit(f"Forktail needs Python 3.11 or newer; this is {sys.version.split()[0]}.")
    python = ENVIRONMENT / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    stamp = ENVIRONMENT / f"forktail-{extra or 'app'}.stamp"
    wanted = hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + str(ROOT).encode())
    wanted = wanted.hexdigest()
    if python.exists() and stamp.exists() and stamp.read_text() == wanted:
        return python
    print("Setting up .venv (once; it takes a minute or two) ...", file=sys.stderr, flush=True)
    try:
        if not python.exists():
            subprocess.run([sys.executable, "-m", "venv", str(ENVIRONMENT)], check=True)
        what = f"{ROOT}[{extra}]" if extra else str(ROOT)
        subprocess.run(
            [
                str(python),
                "-m",
                "pip",
                "install",
                "--quiet",
                "--disable-pip-version-check",
                "--editable",
                what,
            ],
            check=True,
        )
    except subprocess.CalledProcessError as error:
        sys.exit(
            f"The set-up stopped at: {' '.join(map(str, error.cmd))}\n"
            "Its message is above. On Debian and Ubuntu the virtual environment needs the "
            "package python3-venv; the rest needs a network to the Python package index."
        )
    stamp.write_text(wanted)
    return python


def main():
    """Run `forktail` with the arguments of this script; returns its exit status."""
    try:
        return subprocess.call([str(environment_python()), "-m", "forktail", *sys.argv[1:]])
    except KeyboardInterrupt:
        return 0


if __name__ == "__main__":
    sys.exit(main())
