"""Pictures of the real pages, in every look, and what a look at them would find.

    python -m tests.pictures FOLDER [NAME...]   every page (or those named) in every look
    python -m tests.pictures readme             the pictures of the README

Each picture comes with a line for each text that is cut off or runs into another, found by the
boxes that Chromium lays out (HTML and SVG; what Bokeh paints on its canvas has no boxes).
"""

import argparse
import importlib.util
import tempfile
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "assets" / "pictures"
#: File name -> page and its state, as a link says it.
PICTURES = {
    "steer": "?v_upper=25mV&v_lower=20mV",
    "signals": "signals",
    "uses": "uses?use=mixer",
    "build": "build",
    "compare": "compare?example=yes",
    "lesson": "lesson?id=four-quadrants",
}
#: The same for every page and every state that looks different.
PAGES = {
    **PICTURES,
    **{f"steer-{s}": f"?stage={s}" for s in ("pair", "shared", "crossed")},
    "steer-far": "?v_upper=-99.9mV&v_lower=-100mV&i_tail=4mA",
    "steer-built": "?model=built&v_upper=25mV&v_lower=20mV",
    "signals-built": "signals?model=built",
    **{
        f"uses-{use}": f"uses?use={use}"
        for use in ("variable_gain", "gain_loop", "am", "dsb", "ssb", "phase", "squarer")
    },
    "uses-mixer-built": "uses?use=mixer&model=built",
    "build-figures": "build?tab=figures",
    "build-noise": "build?tab=noise",
    "build-faults": "build?tab=faults",
    "build-mismatch": "build?tab=mismatch",
    "plan": "plan",
    "compare-empty": "compare",
    "lessons": "lessons",
    "lesson-board": "lesson?id=the-board",
    "lesson-carrier": "lesson?id=carrier",
    "lesson-noise": "lesson?id=faintest-call",
    "preview": "preview?id=carrier",
    "class": "class",
    "not-found": "nothing-here",
}
#: Name -> width, height of the window.
SIZES = {
    "laptop": (1440, 900),
    "projector": (1920, 1080),
    "phone": (390, 844),
    "sideways": (844, 390),
    "small": (1024, 768),
    "zoomed": (720, 450),  # 1440 x 900 at 200 %
}
#: Of these, what is worked by a finger.
TOUCHED = ("phone", "sideways")
SCHEMES = ("light", "dark")

#: Texts that are cut off or run into each other, as sentences.
SIDE_BY_SIDE = r"""() => {
  const found = [], texts = [];
  const above = (node) => {
    const all = [];
    for (let e = node; e; e = e.parentElement ?? e.getRootNode().host) all.push(e);
    return all;
  };
  // a bar or a menu that lies over the page on purpose covers what is under it
  const layer = (node) => above(node).find((e) => {
    const style = getComputedStyle(e);
    if (/fixed|sticky/.test(style.position)) return true;
    return style.position === "absolute" && +style.zIndex > 0;
  });
  const shown = (node) => {
    for (const e of above(node)) {
      const style = getComputedStyle(e);
      if (style.visibility === "hidden" || style.display === "none" || +style.opacity < 0.1)
        return false;
      // for screen readers alone, or folded away
      if (style.clip !== "auto" || style.clipPath !== "none") return false;
      if (e.matches("details:not([open]) > :not(summary)")) return false;
    }
    return true;
  };
  const clipped = (node, box) => {
    let {left, right, top, bottom} = box;
    for (const e of above(node)) {
      const style = getComputedStyle(e);
      if (style.overflowX === "visible" && style.overflowY === "visible") continue;
      const own = e.getBoundingClientRect();
      left = Math.max(left, own.left); right = Math.min(right, own.right);
      top = Math.max(top, own.top); bottom = Math.min(bottom, own.bottom);
    }
    return {left, right, top, bottom};
  };
  const walk = (scope) => {
    for (const node of scope.querySelectorAll("*")) {
      if (node.shadowRoot) walk(node.shadowRoot);
      const svg = node instanceof SVGTextElement && node.tagName === "text";
      const leaf = !(node instanceof SVGElement) && [...node.childNodes].some(
        (n) => n.nodeType === 3 && n.textContent.trim());
      if (!svg && !leaf) continue;
      if (/^(STYLE|SCRIPT|TITLE|OPTION|NOSCRIPT|TEXTAREA)$/i.test(node.tagName)) continue;
      const said = node.textContent.trim().replace(/\s+/g, " ").slice(0, 60);
      if (!said || !shown(node)) continue;
      let boxes;
      if (svg) boxes = [node.getBoundingClientRect()];
      else {
        const range = document.createRange();
        const own = [...node.childNodes].filter((n) => n.nodeType === 3 && n.textContent.trim());
        boxes = own.flatMap((n) => {
          range.selectNodeContents(n);
          return [...range.getClientRects()];
        });
      }
      for (const box of boxes) {
        if (box.width < 2 || box.height < 2 || box.right < 0 || box.bottom + scrollY < 0) continue;
        const c = clipped(node, box);
        if (c.right - c.left < 1 || c.bottom - c.top < 1) continue;
        const scrolls = above(node).some((e) => {
          const s = getComputedStyle(e);
          return /auto|scroll/.test(s.overflowX + s.overflowY) || s.textOverflow === "ellipsis";
        });
        if (!scrolls && (c.right - c.left < box.width - 2 || c.bottom - c.top < box.height - 4))
          found.push(`cut off: "${said}"`);
        const beyond = box.right > document.documentElement.clientWidth + 1 || box.left < -1;
        if (!scrolls && beyond) found.push(`beyond the window: "${said}"`);
        texts.push({node, said, svg, root: node.ownerSVGElement ?? node.getRootNode(),
          // letters fill about two thirds of the height of a line
          left: c.left + 1, right: c.right - 1,
          top: c.top + 0.2 * box.height, bottom: c.bottom - 0.2 * box.height});
      }
    }
  };
  walk(document);
  for (let i = 0; i < texts.length; i++)
    for (let j = i + 1; j < texts.length; j++) {
      const a = texts[i], b = texts[j];
      if (a.node === b.node || a.node.contains(b.node) || b.node.contains(a.node)) continue;
      const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (across <= 1 || down <= 1) continue;
      if (layer(a.node) !== layer(b.node)) continue;
      found.push(`run together: "${a.said}" and "${b.said}"`);
    }
  return [...new Set(found)];
}"""


def browser_set_up():
    """Module `tests/browser/conftest.py`, which knows how to start the server and Chromium."""
    spec = importlib.util.spec_from_file_location(
        "browser_set_up", ROOT / "tests" / "browser" / "conftest.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@contextmanager
def _pages():
    """Function (path, size, scheme) -> a page of the running app, settled."""
    set_up = browser_set_up()
    server = set_up.Server(Path(tempfile.mkdtemp()) / "log.txt")
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path=set_up.chromium_path(), args=set_up.FLAGS
            )

            def opened(path, size, scheme):
                width, height = SIZES[size]
                touch = size in TOUCHED
                context = browser.new_context(
                    viewport={"width": width, "height": height},
                    color_scheme=scheme,
                    is_mobile=touch,
                    has_touch=touch,
                )
                context.add_init_script(set_up.BEEN)
                page = context.new_page()
                page.goto(server.url + path)
                if not path.startswith(("nothing", "plan", "preview")):
                    page.wait_for_function(set_up.READY)
                if "example" in path:  # it searches for seconds
                    page.wait_for_selector("main[data-open=yes]", timeout=120_000)
                page.wait_for_timeout(1500)  # fonts and the first full result
                return page

            yield opened
    finally:
        server.stop()


def main():
    """Take what was asked for; says the path of each picture and what is wrong on it."""
    parser = argparse.ArgumentParser(prog="python -m tests.pictures", description=__doc__)
    parser.add_argument("folder", help="where the pictures go, or 'readme'")
    parser.add_argument("names", nargs="*", help=f"of {', '.join(PAGES)}")
    asked = parser.parse_args()
    readme = asked.folder == "readme"
    folder = README if readme else Path(asked.folder)
    folder.mkdir(parents=True, exist_ok=True)
    looks = [("laptop", "light")] if readme else [(s, c) for s in SIZES for c in SCHEMES]
    with _pages() as opened:
        for name in asked.names or (PICTURES if readme else PAGES):
            for size, scheme in looks:
                page = opened(PAGES[name], size, scheme)
                file = folder / (f"{name}.png" if readme else f"{name}-{size}-{scheme}.png")
                if size == "phone" and not readme:  # all of it; a full-page shot drops the touch
                    tall = page.evaluate("document.documentElement.scrollHeight")
                    page.set_viewport_size({"width": SIZES[size][0], "height": min(tall, 6000)})
                    page.wait_for_timeout(300)
                page.screenshot(path=file)
                print(file, flush=True)
                for problem in page.evaluate(SIDE_BY_SIDE):
                    print(f"  {problem}", flush=True)
                page.context.close()


if __name__ == "__main__":
    main()
