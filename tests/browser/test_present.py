"""The picture for a room: large labels, controls in a drawer, and back again."""

import pytest
from playwright.sync_api import expect

from pictures import SIDE_BY_SIDE

#: Heights of the letters of a drawing on the screen, px: its size in the drawing times its scale.
_LETTERS = """(name) => {
  const find = (scope) => { for (const n of scope.querySelectorAll("*")) {
    if (n.matches(name)) return n;
    const inner = n.shadowRoot && find(n.shadowRoot);
    if (inner) return inner;
  } return null; };
  const svg = find(document), scale = svg.getScreenCTM().a;
  const shown = [...svg.querySelectorAll("text")].filter((n) => n.textContent.trim()
    && n.getBoundingClientRect().width > 1);
  return shown.map((n) => parseFloat(getComputedStyle(n).fontSize) * scale);
}"""
_PLOTS = """() => {
  const found = [], stack = [...Bokeh.index.roots];
  while (stack.length) {
    const view = stack.pop();
    stack.push(...(view.child_views || []));
    if (view.model.type === "LinearAxis" && view.parent.el.getBoundingClientRect().width > 10)
      found.push(view.model.major_label_text_font_size);
  }
  return [...new Set(found)];
}"""


def present(page):
    page.locator("#forktail-present").click()
    page.wait_for_selector(".present-bar")
    page.wait_for_function("() => document.documentElement.hasAttribute('data-large')")


@pytest.mark.parametrize(
    "path, drawing",
    [
        ("?v_upper=20mV&v_lower=-30mV", "svg.schematic"),
        ("?stage=shared", "svg.schematic"),
        ("build", "svg.built"),
        ("signals", ""),
        ("uses", ""),
    ],
)
def test_labels_are_large_and_the_page_comes_back_as_it_was(open_page, path, drawing):
    page = open_page(path, 1920, 1080)
    before = page.evaluate(_PLOTS)
    bench = page.locator("main .bench")
    expect(bench).to_be_visible()
    small = min(page.evaluate(_LETTERS, drawing)) if drawing else 0
    present(page)
    expect(bench).to_be_hidden()
    expect(page.locator("header.top")).to_be_hidden()
    if drawing:
        letters = min(page.evaluate(_LETTERS, drawing))
        assert letters >= 24.0 and letters > 1.2 * small, letters
    if before:  # tick labels of plots that are seen
        page.wait_for_function(f"() => ({_PLOTS})().includes('24.0px')")
    assert page.evaluate(SIDE_BY_SIDE) == []
    page.get_by_role("button", name="Controls").click()
    expect(bench).to_be_visible()
    page.keyboard.press("Escape")
    expect(bench).to_be_hidden()
    page.get_by_role("button", name="Leave").click()
    expect(page.locator("header.top")).to_be_visible()
    expect(bench).to_be_visible()
    assert page.evaluate(_PLOTS) == before
    assert page.evaluate("() => document.fullscreenElement") is None
