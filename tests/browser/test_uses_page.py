"""The Uses page used as its user does: every use, and its figures against the core."""

import itertools
import json

import pytest

from conftest import choose_export
from forktail.core.uses import USES, run_use
from forktail.pages.uses.state import SHORT_TITLES, UsesState

#: Text of the first match, shadow roots included, or null.
_TEXT = """(selector) => {
  const walk = (scope) => {
    const found = scope.querySelector(selector);
    if (found) return found;
    for (const node of scope.querySelectorAll("*")) {
      const inner = node.shadowRoot && walk(node.shadowRoot);
      if (inner) return inner;
    }
    return null;
  };
  return walk(document)?.textContent.replaceAll("\\u00a0", " ") ?? null;
}"""


class Uses:
    """The page and what it says."""

    def __init__(self, page):
        self.page = page
        page.wait_for_function(f"(s) => ({_TEXT})(s)", arg="[data-id=top-value]")

    def text(self, name):
        return self.page.evaluate(_TEXT, f"[data-id={name}]")

    def until(self, name, text):
        """Wait until a part says `text`."""
        self.page.wait_for_function(
            f"([s, t]) => ({_TEXT})(s)?.includes(t)", arg=[f"[data-id={name}]", text]
        )

    def reads(self, name, text):
        """Wait until a part says `text` and nothing else: a scene may differ in one figure."""
        self.page.wait_for_function(
            f"([s, t]) => ({_TEXT})(s) === t", arg=[f"[data-id={name}]", text]
        )

    def choose(self, use):
        self.page.get_by_role("button", name=SHORT_TITLES[use], exact=True).click()

    def enter(self, name, text):
        entry = self.page.locator(f"#q-{name}-entry")
        entry.fill(text)
        entry.press("Enter")

    def shows(self, result):
        self.until("sentence", result.sentence)
        self.until("top-name", result.merits[0].name)
        self.reads("top-value", result.merits[0].reading)
        for merit in result.merits:
            self.reads(f"value-{merit.key}", merit.reading)


@pytest.fixture
def uses(open_page):
    return lambda query="", **options: Uses(open_page(f"uses{query}", **options))


def inside(page, selector, height):
    """Whether an element lies inside the first screen."""
    box = page.locator(selector).first.bounding_box()
    return box and box["y"] >= 0 and box["y"] + box["height"] <= height and box["width"] > 200


def test_every_use_shows_what_the_core_says_on_the_first_screen(uses):
    seen = uses()
    for use in USES:
        seen.choose(use)
        seen.shows(run_use(use))
        main = seen.page.locator("main")
        assert main.get_attribute("data-use") == use
        plots = ["#plot-time", "#plot-spectrum", "#plot-curve", "#plot-diagram"]
        assert all(inside(seen.page, p, 900) for p in plots)
        tops = {p: seen.page.locator(p).bounding_box() for p in plots[:3]}
        widest = max(tops, key=lambda p: tops[p]["width"])
        assert tops[widest]["y"] == min(b["y"] for b in tops.values()), "the main plot is on top"
        assert inside(seen.page, ".merit-top", 900)
        assert seen.page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (
            "nothing sticks out"
        )


def test_a_slider_an_entry_and_a_wrong_entry(uses):
    seen = uses("?use=dsb")
    seen.page.locator("#q-dsb__trim").focus()
    for _ in range(3):
        seen.page.keyboard.press("ArrowLeft")
    state = UsesState()
    state.use = "dsb"
    spec = state.param["dsb__trim"]
    state.dsb__trim = spec.at_step(spec.position(0.0) - 3)
    seen.shows(state.scene().result)
    seen.enter("dsb__trim", "-0,5 mV")
    seen.until("top-value", "beyond 200 dB")
    seen.page.wait_for_url("**/uses?use=dsb&trim=-500uV")
    seen.enter("dsb__trim", "5 Hz")
    error = seen.page.locator(".entry-error:visible")
    error.wait_for()
    assert "frequency" in error.inner_text() and seen.text("top-value") == "beyond 200 dB"


def test_a_link_a_preset_a_figure_and_reset(uses):
    seen = uses("?use=mixer&signal_frequency=41kHz&second_amplitude=0V&figure=image")
    seen.until("top-name", "Image rejection, image at 45.00 kHz")
    seen.page.locator("select[aria-label^=Presets]").select_option(
        "Oscillator leaks: offset of the lower pair"
    )
    seen.until("top-name", "Wanted product over oscillator leak")
    seen.until("top-chip", "past its limit")
    seen.page.get_by_role("button", name="Conversion gain", exact=True).first.click()
    seen.until("top-name", "Conversion gain")
    seen.page.get_by_role("button", name="Reset").click()
    seen.shows(run_use("mixer"))


def test_files_of_plots_drawing_numbers_and_scene(uses, tmp_path):
    seen = uses("?use=am&offset=3mV")
    page = seen.page

    def caught(click):
        with page.expect_download() as download:
            click()
        path = tmp_path / download.value.suggested_filename
        download.value.save_as(path)
        return path

    def saved(plot, kind):
        return caught(lambda: choose_export(page, plot, kind))

    result = run_use("am", {"offset": "3mV"})
    for plot in ("time", "spectrum", "curve"):
        path = saved(plot, "csv")
        assert path.name == f"forktail-am-{plot}.csv"
        assert len(path.read_text().split("\n")) > 20
    first = saved("spectrum", "csv").read_text()
    assert float(first.split("\n")[46].split(",")[1]) == pytest.approx(
        result.spectrum.spectrum.peak[45], rel=1e-6
    ), "the carrier at 45 kHz"
    assert saved("time", "png").read_bytes()[:4] == b"\x89PNG"
    assert "<svg" in saved("diagram", "svg").read_text()
    scene = caught(page.get_by_role("button", name="Save", exact=True).click)
    assert 'offset = "3mV"' in scene.read_text()
    seen.choose("squarer")
    seen.until("top-name", "Level at twice")
    page.locator("input[type=file]").set_input_files(scene)
    seen.shows(result)


def test_listening_is_off_until_asked_for_and_limited(uses):
    seen = uses("?use=mixer")
    page = seen.page
    page.evaluate("""() => {
      window.heard = [];
      const start = AudioBufferSourceNode.prototype.start;
      AudioBufferSourceNode.prototype.start = function (...a) {
        window.heard.push(Math.max(...this.buffer.getChannelData(0).map(Math.abs)));
        return start.apply(this, a);
      };
    }""")
    assert "volume down" in page.locator(".listen-caution").inner_text()
    seen.enter("mixer__signal_amplitude", "3mV")
    seen.until("sentence", "45.00 kHz")
    assert page.evaluate("window.heard.length") == 0
    page.get_by_role("button", name="Listen", exact=True).click()
    page.wait_for_function("window.heard.length === 1")
    assert 0.0 < page.evaluate("window.heard[0]") <= 0.25
    assert "An invented call" in page.locator(".listen-text").inner_text()
    page.get_by_role("button", name="Stop", exact=True).click()
    page.get_by_role("button", name="Listen", exact=True).wait_for()
    seen.choose("phase_detector")
    page.locator(".hear").wait_for(state="hidden")


def test_built_model_answers_and_a_drag_ends_on_the_last_value(uses):
    seen = uses("?use=squarer")
    seen.page.locator("#q-model").select_option("built")
    seen.until("note0", "built cell")
    box = seen.page.locator("#q-squarer__amplitude").bounding_box()
    y = box["y"] + box["height"] / 2
    seen.page.mouse.move(box["x"] + 0.3 * box["width"], y)
    seen.page.mouse.down()
    for k in range(12):
        seen.page.mouse.move(box["x"] + (0.3 - 0.02 * k) * box["width"], y)
    seen.page.mouse.up()
    state = UsesState()
    state.param.update(use="squarer", model="built")
    spec = state.param["squarer__amplitude"]
    state.squarer__amplitude = spec.at_step(
        int(seen.page.locator("#q-squarer__amplitude").input_value())
    )
    seen.shows(state.scene(detail=False).result)
    # once it rests, the curve is there again with the scene as a point on it
    seen.page.wait_for_function("""() => {
      const stack = [...Bokeh.index.roots];
      while (stack.length) {
        const view = stack.pop();
        stack.push(...(view.child_views || []));
        if (view.model.name === "curve" && view.model.renderers) {
          const point = view.model.renderers.find((r) => r.glyph.type === "Scatter");
          return point.data_source.data.x.length === 1;
        }
      }
      return false;
    }""")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_phone_and_theme(uses, scheme):
    seen = uses("?use=variable_gain", width=390, height=844, color_scheme=scheme)
    page = seen.page
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    order = [
        page.locator(s).first.bounding_box()["y"]
        for s in (
            ".use-tabs",
            "#plot-curve",
            ".sentence",
            ".merit-top",
            "#q-variable_gain__control",
            "#plot-time",
            "#plot-diagram",
        )
    ]
    assert order == sorted(order), "stacked: uses, main plot, words, figures, controls, the rest"
    ink = page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--ink')")
    assert ink.strip() == {"light": "#22262b", "dark": "#e9e6de"}[scheme]


@pytest.mark.parametrize("size", [(1440, 900), (1920, 1080), (390, 844)])
def test_names_in_the_plots_grow_with_the_page_and_keep_apart(uses, size):
    page = uses("?use=mixer", width=size[0], height=size[1]).page
    page.wait_for_timeout(600)  # the names are placed once the browser has told its sizes
    plots = page.evaluate("""() => {
      const stack = [...Bokeh.index.roots], found = [];
      const pen = document.createElement("canvas").getContext("2d");
      const root = parseFloat(getComputedStyle(document.documentElement).fontSize);
      while (stack.length) {
        const view = stack.pop();
        stack.push(...(view.child_views || []));
        if (!["spectrum", "time"].includes(view.model.name)) continue;
        const boxes = [];
        for (const part of view.model.renderers) {
          const rows = part.data_source?.data;
          if (!rows?.text?.length) continue;
          const {text_font_size: type, text_font_style: style} = part.glyph;
          const px = parseFloat(type.value) * root;
          pen.font = `${style.value} ${px}px "Atkinson Hyperlegible Next"`;
          rows.text.forEach((text, k) => {
            const wide = pen.measureText(text).width, x = view.frame.x_scale.compute(rows.x[k]);
            const left = rows.shift ? x + rows.shift[k] : x - wide / 2;
            boxes.push([left, left + wide, view.frame.y_scale.compute(rows.y[k]), px, text]);
          });
        }
        found.push(boxes);
      }
      return found;
    }""")
    assert len(plots) == 2 and min(map(len, plots)) >= 2
    for boxes in plots:
        low, high = (15, 16) if size[0] > 1700 else (11, 12)
        assert all(low <= px <= high for *_, px, _ in boxes)
        for (left, right, y, px, _), other in itertools.combinations(boxes, 2):
            apart = right <= other[0] or other[1] <= left or abs(y - other[2]) >= 0.9 * px
            assert apart, (boxes, other)


def test_numbers_table_holds_every_figure(uses):
    seen = uses("?use=ssb")
    seen.page.locator(".numbers summary").click()
    result = run_use("ssb")
    rows = json.loads(
        seen.page.evaluate("""() => JSON.stringify(
      (function walk(scope, out = []) {
        for (const n of scope.querySelectorAll("*")) {
          if (n.matches(".number-tables tr"))
            out.push([...n.children].map((c) => c.textContent));
          if (n.shadowRoot) walk(n.shadowRoot, out);
        }
        return out;
      })(document))""")
    )
    for merit in result.merits:
        assert any(r[0] == merit.name and r[1] == merit.reading for r in rows)
