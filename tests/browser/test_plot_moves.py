"""The points of plots: a finger scrolls the page and moves a point only on purpose; keys move it.

Touches go through Chromium's own input (DevTools protocol), so that it scrolls where a phone would.
"""

import pytest

_HANDLE = """(name) => {
  const found = [];
  const look = (view) => {
    if (view.model.type === "Figure" && view.model.name === name) found.push(view);
    (view.child_views || []).forEach(look);
  };
  [...Bokeh.index.roots].forEach(look);
  const view = found[0], box = view.canvas.el.getBoundingClientRect();
  const held = view.model.renderers.find((r) => r.name === "handle");
  const data = held.data_source.data, x = data[held.glyph.x.field][0];
  const y = held.glyph.y ? data[held.glyph.y.field][0] : null;
  const {left, right, top, bottom} = view.frame.bbox;
  return {x, y, at: [box.x + view.frame.x_scale.compute(x),
                     box.y + (y === null ? (top + bottom) / 2 : view.frame.y_scale.compute(y))],
          frame: [box.x + left, box.y + top, box.x + right, box.y + bottom],
          rests: view.el.tabIndex};
}"""

#: Resolves once the page has not scrolled for ten frames.
_AT_REST = """() => new Promise((done) => {
  let last = -1, still = 0;
  const look = () => {
    still = scrollY === last ? still + 1 : 0;
    last = scrollY;
    if (still > 10) done(); else requestAnimationFrame(look);
  };
  look();
})"""

#: Resolves once the handle of a plot has not moved for 0.7 s of frames.
_SETTLED = f"""(name) => new Promise((done) => {{
  let last = "", still = 0;
  const look = () => {{
    const now = JSON.stringify(({_HANDLE})(name));
    still = now === last ? still + 1 : 0;
    last = now;
    if (still > 40) done(); else requestAnimationFrame(look);
  }};
  look();
}})"""


class Finger:
    """One finger on a page with touch."""

    def __init__(self, page):
        self.page, self.send = page, page.context.new_cdp_session(page).send

    def swipe(self, start, by, steps=10):
        """Press at `start`, move by (x, y) px, lift; returns how far the page scrolled, px."""
        before = self.page.evaluate("scrollY")
        points = [[start[k] + by[k] * n / steps for k in (0, 1)] for n in range(steps + 1)]
        for n, (x, y) in enumerate(points):
            kind = "touchMove" if n else "touchStart"
            self.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
        self.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        self.page.evaluate(_AT_REST)
        return self.page.evaluate("scrollY") - before


def into_sight(page, plot):
    """Scroll a plot to the middle of the window and return its handle."""
    page.locator(f"#plot-{plot}").evaluate("(n) => n.scrollIntoView({block: 'center'})")
    page.wait_for_function(f"(n) => ({_HANDLE})(n).rests === 0", arg=plot)
    return page.evaluate(_HANDLE, plot)


def moved(page, plot, held):
    """Wait until the handle of a plot is elsewhere and stays there."""
    page.wait_for_function(
        f"([n, x, y]) => {{ const h = ({_HANDLE})(n); return h.x !== x || h.y !== y; }}",
        arg=[plot, held["x"], held["y"]],
    )
    page.evaluate(_SETTLED, plot)
    return page.evaluate(_HANDLE, plot)


@pytest.mark.parametrize(
    "path, plot, both",
    [("", "map", True), ("signals", "inputs", False), ("build", "over_upper", False)],
)
def test_a_finger_scrolls_and_moves_a_point_only_on_purpose(open_page, path, plot, both):
    page = open_page(path, 390, 844, is_mobile=True, has_touch=True)
    finger = Finger(page)
    held = into_sight(page, plot)
    left, top, right, bottom = held["frame"]
    far = [right - 25 if held["at"][0] < 0.6 * right else left + 25, 0.5 * (top + bottom) - 40]
    scene = page.url

    assert abs(finger.swipe(far, (0, 150))) > 40, "the page does not scroll from the plot"
    now = page.evaluate(_HANDLE, plot)
    assert (now["x"], now["y"]) == (held["x"], held["y"]) and page.url == scene

    held = into_sight(page, plot)  # from the point, up or down or sideways
    way = 1 if held["at"][0] < 0.5 * (left + right) else -1
    scrolled = finger.swipe(held["at"], (60 * way, -40 if both else 6))
    now = moved(page, plot, held)
    assert scrolled == 0
    assert (now["at"][0] - held["at"][0]) * way > 40
    assert not both or held["at"][1] - now["at"][1] > 25

    held = into_sight(page, plot)  # a clear move sideways from elsewhere takes it along
    way = 1 if held["at"][0] < 0.5 * (left + right) else -1
    y = held["frame"][3] - 12
    x = left + 15 if way > 0 else right - 15
    finger.swipe((x, y), (70 * way, 2))
    now = moved(page, plot, held)
    assert abs(now["at"][0] - held["at"][0]) < 75

    if path == "build":  # a part of the board opens its value
        page.locator("#plot-built").evaluate("(n) => n.scrollIntoView()")
        page.locator("[data-id=part-R4] .resistor").tap()
        page.wait_for_function(
            """() => {
              let node = document.activeElement;
              while (node?.shadowRoot?.activeElement) node = node.shadowRoot.activeElement;
              const box = node.getBoundingClientRect();
              const inside = box.top > 0 && box.bottom < innerHeight;
              return node.dataset.entry === "r_bias_upper_pos" && inside;
            }"""
        )

    page.locator(f"#plot-{plot} .bk-Figure").focus()
    page.keyboard.press("Shift+ArrowLeft")
    keyed = moved(page, plot, now)
    assert keyed["x"] < now["x"]
    if both:
        page.keyboard.press("ArrowUp")
        assert moved(page, plot, keyed)["y"] > keyed["y"]


def test_a_slider_lets_the_page_scroll(open_page):
    page = open_page("", 390, 844, is_mobile=True, has_touch=True)
    slider = page.locator("#q-v_lower")
    slider.evaluate("(n) => n.scrollIntoView({block: 'center'})")
    box, value = slider.bounding_box(), slider.input_value()
    finger, y = Finger(page), box["y"] + 0.5 * box["height"]
    start = (box["x"] + 0.2 * box["width"], y)
    assert abs(finger.swipe(start, (0, 150))) > 40
    assert slider.input_value() == value and "v_lower" not in page.url

    slider.evaluate("(n) => n.scrollIntoView({block: 'center'})")
    box = slider.bounding_box()
    middle = (box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    assert finger.swipe(middle, (80, 5)) == 0
    page.wait_for_function("() => location.search.includes('v_lower')")
    assert int(slider.input_value()) > int(value)
    across = slider.input_value()
    page.touchscreen.tap(*start[:1], middle[1])
    page.wait_for_function("() => /v_lower=-/.test(location.search)")
    assert int(slider.input_value()) < int(across)


def test_what_a_plot_can_be_saved_as_is_behind_one_button(open_page):
    page = open_page("")
    menu = page.locator("#plot-map details.exports")
    menu.locator("summary").click()
    assert menu.locator("button").all_inner_texts() == [
        "Numbers (CSV)",
        "Picture (PNG)",
        "Drawing (SVG)",
    ]
    page.keyboard.press("Escape")
    assert menu.get_attribute("open") is None
    menu.locator("summary").click()
    page.locator("#q-v_upper").focus()
    assert menu.get_attribute("open") is None
