"""Take the pictures of the README from the real pages: `.venv/bin/python tests/pictures.py`."""

import importlib.util
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).resolve().parent.parent
OUT = ROOT / "assets" / "pictures"
#: File name -> page and its state, as a link says it.
PICTURES = {
    "steer": "?v_upper=25mV&v_lower=20mV",
    "signals": "signals",
    "uses": "uses?use=mixer",
    "build": "build",
    "compare": "compare?example=yes",
    "lesson": "lesson?id=four-quadrants",
}


def _browser_set_up():
    """Module `tests/browser/conftest.py`, which knows how to start the server and Chromium."""
    spec = importlib.util.spec_from_file_location(
        "browser_set_up", ROOT / "tests" / "browser" / "conftest.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def main():
    """Start the app, open each page at 1440 x 900 and save what Chromium paints."""
    set_up = _browser_set_up()
    OUT.mkdir(exist_ok=True)
    server = set_up.Server(Path(tempfile.mkdtemp()) / "log.txt")
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path=set_up.chromium_path(), args=set_up.FLAGS
            )
            for name, path in PICTURES.items():
                page = browser.new_page(viewport={"width": 1440, "height": 900})
                page.goto(server.url + path)
                page.wait_for_function(set_up.READY)
                if name == "compare":  # it searches for seconds
                    page.wait_for_selector("main[data-open=yes]", timeout=60_000)
                page.wait_for_timeout(1500)  # fonts and the first full result
                page.screenshot(path=OUT / f"{name}.png")
                page.close()
                print(OUT / f"{name}.png")
    finally:
        server.stop()


if __name__ == "__main__":
    main()
