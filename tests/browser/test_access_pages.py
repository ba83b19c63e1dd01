"""Every page for everybody: axe-core in three looks, keyboard, zoom, quiet motion, spoken words.

The rules are those of axe-core (Deque), which the test-only package axe-playwright-python carries;
nothing is fetched.
"""

from importlib import resources

import pytest

from conftest import PATIENCE
from pictures import SIDE_BY_SIDE

AXE = (resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")

#: Address -> whether it is a page of Bokeh's, with a session.
PAGES = {
    "": True,
    "signals": True,
    "uses": True,
    "build?tab=noise": True,
    "compare?example=yes": True,
    "lessons": True,
    "lesson?id=one-pair&step=higher-base": True,
    "lessons?read=parts": True,
    "preview?id=one-pair": False,
    "class": True,
    "join": False,
    "plan": False,
}
#: Where a sentence follows the scene: address -> what changes the scene.
SPOKEN = {
    "": "v_upper",
    "signals": "cursor",
    "uses": "mixer__oscillator_amplitude",
    "build": "v_upper",
}

_FINDINGS = """async () => {
  const found = await axe.run(document, {resultTypes: ["violations"], runOnly: {type: "tag",
    values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}});
  return found.violations.filter((v) => ["serious", "critical"].includes(v.impact)).map((v) =>
    `${v.id}: ${v.help}: ` + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 150)).join(" | "));
}"""
_DEEP = """const deep = (scope) => [...scope.querySelectorAll("*")].flatMap((node) =>
  [node, ...(node.shadowRoot ? deep(node.shadowRoot) : [])]);
const seen = (node) => node.checkVisibility({visibilityProperty: true, opacityProperty: true})
  && node.getClientRects().length > 0;
"""
#: Marks each thing that can be worked, and says how many there are.
_MARK = (
    "() => {"
    + _DEEP
    + """
  const wanted = "button, a[href], input, select, textarea, summary, [tabindex='0']";
  const all = deep(document).filter((n) => n.matches(wanted) && n.tabIndex >= 0 && !n.disabled
    && n.type !== "file" && seen(n) && !n.closest("[inert], .skip"));
  window.toReach = new Set(all);
  return all.length;
}"""
)
_REACHED = """() => {
  let node = document.activeElement;
  while (node?.shadowRoot?.activeElement) node = node.shadowRoot.activeElement;
  window.toReach.delete(node);
  // radio buttons of one group are one stop
  if (node?.type === "radio") [...window.toReach].filter((n) => n.name === node.name).forEach(
    (n) => window.toReach.delete(n));
  return [window.toReach.size, node === document.body];
}"""
_LEFT = "() => [...window.toReach].map((n) => n.outerHTML.slice(0, 150))"
_MOVING = (
    "() => {"
    + _DEEP
    + """
  return deep(document).filter((n) => seen(n)).filter((n) => {
    const style = getComputedStyle(n);
    const long = (text) => text.split(",").some((part) => parseFloat(part) > 0.05);
    return (style.animationName !== "none" && long(style.animationDuration))
      || long(style.transitionDuration);
  }).map((n) => n.outerHTML.slice(0, 120));
}"""
)
_CUT = (
    "() => {"
    + _DEEP
    + """
  const wide = document.scrollingElement.scrollWidth - document.documentElement.clientWidth;
  const lost = deep(document).filter((n) => n.matches("button, input, select, summary, h1, h2")
    && seen(n) && n.type !== "file").filter((n) => {
      // what lies in a row that scrolls by itself can be brought into sight
      for (let up = n; up; up = up.parentElement || up.getRootNode().host)
        if (up.matches(".aside, table") || up !== document.documentElement && up !== document.body
            && ["auto", "scroll"].includes(getComputedStyle(up).overflowX)) return false;
      const box = n.getBoundingClientRect();
      return box.right > document.documentElement.clientWidth + 1 || box.left < -1;
    });
  return [wide, lost.map((n) => n.outerHTML.slice(0, 120))];
}"""
)
#: What a finger has to hit: 44 px, as a platform guideline (from memory) and WCAG 2.1, 2.5.5 ask; a
#: link in a text and a field of a table may be smaller (24 px: WCAG 2.2, 2.5.8).
_SMALL = (
    "() => {"
    + _DEEP
    + """
  const least = (n) => n.closest("table") ? 24 : 44;
  return deep(document).filter((n) => n.matches("button, select, summary, input:not([type=file])")
    && seen(n) && !n.disabled && !n.closest("[inert]") && getComputedStyle(n).opacity > 0.1)
    .map((n) => {
      const box = (n.matches("[type=radio], [type=checkbox]") && n.closest("label") || n)
        .getBoundingClientRect();
      const more = getComputedStyle(n, "::before");
      const grown = more.position === "absolute" ? -2 * parseFloat(more.top || 0) : 0;
      return [box.height + Math.max(grown, 0), least(n), n];
    })
    .filter(([high, wanted]) => high < wanted - 0.6)
    .map(([high, wanted, n]) => `${high | 0} of ${wanted} px: ${n.outerHTML.slice(0, 120)}`);
}"""
)
#: Resolves after ten frames: plots lay themselves out again after the page has.
_LAID_OUT = """() => new Promise((done) => {
  let left = 10;
  const next = () => { if (left--) requestAnimationFrame(next); else done(); };
  next();
})"""
#: Texts of the regions that a screen reader speaks when it is idle.
_SPOKEN = (
    "() => {"
    + _DEEP
    + """
  return deep(document).filter((n) => n.matches("[aria-live=polite], [role=status]")).map(
    (n) => n.textContent.trim()).filter(Boolean);
}"""
)


@pytest.fixture
def look_at(open_page, server):
    """Function: address -> page at rest."""

    def look(path, **options):
        if PAGES[path]:
            page = open_page(path, **options)
            if path.startswith("compare"):  # the controls are laid out anew with the answer
                page.wait_for_selector("main[data-open=yes]", timeout=4 * PATIENCE)
                page.wait_for_timeout(500)
            return page
        page = open_page("lessons", **options)
        page.goto(server.url + path)
        page.wait_for_function("() => document.querySelector('main h1')")
        return page

    return look


@pytest.mark.parametrize("path", PAGES)
def test_no_serious_finding_in_any_look_and_all_by_keyboard(look_at, path):
    page = look_at(path, reduced_motion="reduce")
    page.evaluate(AXE)
    found = [f"light: {text}" for text in page.evaluate(_FINDINGS)]
    found += [f"light: {text}" for text in page.evaluate(SIDE_BY_SIDE)]
    found += [f"moves in spite of reduced motion: {n}" for n in page.evaluate(_MOVING)]
    # a caption alone is no name to Chromium
    spoken = page.context.new_cdp_session(page).send("Accessibility.getFullAXTree")["nodes"]
    found += [
        "a figure without a name"
        for n in spoken
        if not n["ignored"] and n["role"]["value"] == "figure" and not n["name"]["value"].strip()
    ]

    for _ in range(page.evaluate(_MARK) + 20):
        page.keyboard.press("Tab")
        left, round_again = page.evaluate(_REACHED)
        if not left:
            break
    found += [f"not reached by Tab: {n}" for n in page.evaluate(_LEFT)]

    # WCAG 2.2, 1.4.4: text at 200 % is a window of half the size
    page.set_viewport_size({"width": 720, "height": 450})
    wide, lost = page.evaluate(_CUT)
    found += [f"at 200 %: {wide} px too wide"] * (wide > 0) + [f"at 200 %, cut: {n}" for n in lost]
    for width, height in ((720, 450), (844, 390), (1024, 768)):
        page.set_viewport_size({"width": width, "height": height})
        page.evaluate(_LAID_OUT)
        found += [f"{width} x {height}: {text}" for text in page.evaluate(SIDE_BY_SIDE)]

    if page.locator("#forktail-theme").count():
        page.click("#forktail-theme")
    page.set_viewport_size({"width": 1440, "height": 900})
    page.wait_for_timeout(300)
    found += [f"dark: {text}" for text in page.evaluate(_FINDINGS)]
    page.set_viewport_size({"width": 390, "height": 844})
    touch = page.context.new_cdp_session(page)
    touch.send("Emulation.setTouchEmulationEnabled", {"enabled": True})
    page.wait_for_timeout(300)
    if path != "preview?id=one-pair" and path != "plan":  # those are for paper
        found += [f"phone, too small for a finger: {n}" for n in page.evaluate(_SMALL)]
    found += [f"phone: {text}" for text in page.evaluate(_FINDINGS)]
    found += [f"phone: {text}" for text in page.evaluate(SIDE_BY_SIDE)]
    assert not found, "\n".join(found)


def test_texts_that_are_cut_off_or_run_together_are_found(browser):
    page = browser.new_page()
    page.set_content(
        """<p style="position: absolute; left: 10px; top: 10px">one</p>
        <p style="position: absolute; left: 20px; top: 12px">two</p>
        <p style="width: 30px; overflow: hidden; white-space: nowrap; margin-top: 9em">too long</p>
        <p>alone</p>
        <svg width="200" height="60"><text x="5" y="20">left</text><text x="15" y="22">right</text>
        <text x="5" y="50">below</text></svg>"""
    )
    found = page.evaluate(SIDE_BY_SIDE)
    page.close()
    assert sorted(found) == [
        'cut off: "too long"',
        'run together: "left" and "right"',
        'run together: "one" and "two"',
    ]


@pytest.mark.parametrize("path", SPOKEN)
def test_words_for_a_screen_reader_follow_the_scene_politely(open_page, path):
    page = open_page(path)
    page.wait_for_function(f"() => ({_SPOKEN})().length")
    page.wait_for_timeout(900)  # words are spoken once the scene rests
    before = page.evaluate(_SPOKEN)
    assert (
        page.evaluate(
            "() => {" + _DEEP + " return deep(document).filter((n) => n.matches("
            "'[aria-live=assertive]')).length; }"
        )
        == 0
    )
    page.locator(f"#q-{SPOKEN[path]}").focus()
    for _ in range(12):
        page.keyboard.press("ArrowRight")
    page.wait_for_function(f"(before) => ({_SPOKEN})().join() !== before.join()", arg=before)


def test_the_page_of_an_unknown_address_is_sound_too(open_page, server):
    page = open_page("lessons")
    with page.context.expect_page() as opened:
        page.evaluate("(url) => window.open(url)", server.url + "no-such-page")
    lost = opened.value
    lost.wait_for_load_state()
    assert "There is no page at /no-such-page" in lost.inner_text("[role=alert]")
    lost.evaluate(AXE)
    assert lost.evaluate(_FINDINGS) == []
