"""The Signals page used as its user does; what it shows is checked against the closed form."""

import csv
import io
import math
import re
from urllib.parse import parse_qsl, urlsplit

import numpy as np
import pytest
from PIL import Image

from conftest import choose_export
from forktail.core.quantities import parse_quantity
from forktail.pages.signals.page import SignalsPage
from forktail.pages.signals.state import PRESETS

#: Thermal voltage at 25 degC, V, from the exact k and q (SI Brochure, 9th edition).
V_T = 1.380649e-23 * 298.15 / 1.602176634e-19
FULL_SCALE = 2e-3 * 1e3

#: Counts how often a column changes, by column name; notes what goes to the sound card.
WATCH_COLUMNS = """() => {
  window.changed = {};
  for (const model of Bokeh.documents[0].all_models) {
    if (model.type !== "ColumnDataSource") continue;
    model.properties.data.change.connect(() => {
      for (const name of Object.keys(model.data))
        window.changed[name] = (window.changed[name] || 0) + 1;
    });
  }
}"""
SOUND_CARD = """() => {
window.heard = [];
const start = AudioBufferSourceNode.prototype.start, stop = AudioBufferSourceNode.prototype.stop;
AudioBufferSourceNode.prototype.start = function (...rest) {
  const data = this.buffer.getChannelData(0);
  let peak = 0;
  for (const v of data) peak = Math.max(peak, Math.abs(v));
  this.entry = {peak, seconds: this.buffer.duration, stopped: false};
  window.heard.push(this.entry);
  return start.apply(this, rest);
};
AudioBufferSourceNode.prototype.stop = function (...rest) {
  this.entry.stopped = true; return stop.apply(this, rest);
};
}"""


WAVES = """() => [...Bokeh.documents[0].all_models]
  .filter((m) => m.type === "ColumnDataSource" && m.data.x && (m.data.out || m.data.upper))
  .reduce((all, m) => ({...all, ...Object.fromEntries(
    Object.entries(m.data).map(([name, column]) => [name, [...column]]))}), {})"""
READINGS = """(list) => Object.fromEntries(
  [...list.querySelectorAll("[data-id]")].map((n) => [n.dataset.id, n.textContent]))"""


def readings(page):
    """Values at the cursor by key, SI, all of one moment."""
    texts = page.locator(".readings").evaluate(READINGS)
    return {k: parse_quantity(t, "s" if k == "t" else "V") for k, t in texts.items()}


def reading(page, key):
    """One value at the cursor, SI."""
    return readings(page)[key]


def wait_for(page, key, test):
    """Wait until the reading passes `test` and all of them have come to rest; return it."""
    last = None
    for _ in range(60):
        now = readings(page)
        if now == last and test(now[key]):
            return now[key]
        last = now
        page.wait_for_timeout(200)
    pytest.fail(f"{key} stays at {now[key]}")


def settings(page):
    """What the link of the page says."""
    page.wait_for_timeout(600)
    return dict(parse_qsl(urlsplit(page.url).query))


def drag(page, selector, start, end):
    """Press inside an element and drag, places as fractions of its width and height."""
    box = page.locator(selector).bounding_box()

    def place(at):
        return (
            box["x"] + at[0] * box["width"],
            box["y"] + at[1] * box["height"],
        )

    page.mouse.move(*place(start))
    page.mouse.down()
    page.mouse.move(*place(end), steps=12)
    page.mouse.up()


def follows_the_closed_form(page):
    """v_out = I R tanh(v_upper/2VT) tanh(v_lower/2VT) (Gray, Hurst, Lewis, Meyer, chapter 10)."""
    at = readings(page)
    out = FULL_SCALE * math.tanh(at["upper"] / (2 * V_T)) * math.tanh(at["lower"] / (2 * V_T))
    assert at["out"] == pytest.approx(out, rel=0.02, abs=2e-3)
    # to the last of four digits of either collector, 10 mV
    assert at["right"] - at["left"] == pytest.approx(at["out"], abs=0.011)


def test_what_matters_is_seen_without_scrolling(open_page):
    page = open_page("signals")
    follows_the_closed_form(page)
    for selector in (
        "#q-upper_amplitude",
        "#q-lower_frequency",
        "#q-lower_offset",
        "#q-cursor",
        "#plot-inputs",
        "#plot-difference",
        "#plot-spectrum",
        "#plot-map",
        ".sentence",
        ".listen-row",
    ):
        box = page.locator(selector).bounding_box()
        assert box["y"] >= 0 and box["y"] + box["height"] <= 900, selector
    assert "36.0" in page.locator(".sentence").inner_text()


def test_phone_stacks_and_never_scrolls_sideways(open_page):
    page = open_page("signals", 390, 844, is_mobile=True, has_touch=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    tops = [
        page.locator(s).bounding_box()["y"]
        for s in (
            ".sentence",
            "#plot-difference",
            "#plot-inputs",
            "#q-upper_amplitude",
            "#plot-spectrum",
            "#plot-map",
        )
    ]
    assert tops == sorted(tops)


def test_cursor_moves_on_all_plots_and_no_waveform_is_sent(open_page):
    page = open_page("signals")
    page.evaluate(WATCH_COLUMNS)
    drag(page, "#plot-error .canvas", (0.3, 0.5), (0.7, 0.5))
    time = wait_for(page, "t", lambda t: t > 140e-6)
    follows_the_closed_form(page)
    assert parse_quantity(settings(page)["cursor"], "s") == pytest.approx(time, rel=1e-3)
    changed = page.evaluate("window.changed")
    # the cursor (t), the readings (t and a value each), the point on the map (x, y, x0 ...)
    assert changed["t"] >= 2 and changed["x0"] >= 1
    assert changed["out"] <= changed["t"] and "marker" not in changed and "xs" not in changed
    lengths = page.evaluate("""() => [...Bokeh.documents[0].all_models]
      .filter((m) => m.type === "ColumnDataSource" && m.data.out && m.data.t)
      .map((m) => m.data.out.length)""")
    assert lengths == [1]
    page.locator("#q-cursor").focus()
    page.keyboard.press("ArrowRight")
    later = wait_for(page, "t", lambda t: t > time)
    assert later - time == pytest.approx(0.5e-6, abs=0.11e-6)
    drag(page, "#plot-map .canvas", (0.3, 0.5), (0.22, 0.4))
    wait_for(page, "upper", lambda v: v < -0.03)
    follows_the_closed_form(page)


def drawn_as_on_a_fresh_page(page):
    """Holds the columns that messages have brought against those of a page opened by the link."""
    fresh = SignalsPage()
    fresh.start(page.evaluate("window.forktailScene.query"))
    direct = {**fresh.waves.given.data, **fresh.waves.result.data}
    drawn = page.evaluate(WAVES)
    assert set(drawn) == set(direct)
    for name, column in direct.items():
        assert np.array_equal(np.array(drawn[name], np.float32), column), name


def test_drives_change_rows_waveforms_and_sentence(open_page):
    page = open_page("signals")
    drag(page, "#q-upper_amplitude", (0.3, 0.5), (0.95, 0.5))
    wait_for(page, "upper", lambda v: v > 0.15)
    follows_the_closed_form(page)
    drawn_as_on_a_fresh_page(page)
    assert page.locator("#q-lower_second_frequency").count() == 0
    page.locator("#q-lower_kind").focus()
    page.locator("#q-lower_kind").select_option("two_tone")
    page.locator("#q-lower_second_frequency").wait_for()
    assert page.evaluate("document.activeElement.shadowRoot.activeElement.id") == "q-lower_kind"
    assert "Third-order products" in page.locator(".figures").inner_text()
    entry = page.locator("#q-lower_frequency-entry")
    entry.fill("4,5 V")
    entry.press("Enter")
    assert "give a frequency" in page.locator(".entry-error:visible").inner_text()
    page.locator("#q-lower_kind").select_option("call")
    page.locator(".notice").wait_for()  # it says that 4 kHz is no bat call and what it took
    assert "is now 80" in page.locator(".notice").inner_text()
    entry = page.locator("#q-lower_frequency-entry")
    entry.fill("10 kHz")
    entry.press("Enter")
    page.locator(".sentence", has_text="These settings cannot be run").wait_for()
    entry.fill("70 kHz")
    entry.press("Enter")
    page.locator(".sentence", has_text="The largest line is").wait_for()


def test_offset_shows_as_a_leak_and_in_the_suppression(open_page):
    page = open_page("signals?offset_lower=2mV&upper_amplitude=5mV&lower_amplitude=10mV")
    assert "upper leak" in page.locator(".key").inner_text()
    shown = page.locator(".figures tr", has_text="Carrier suppression, one sideband").inner_text()
    # one sideband over the carrier: 20 log(A/(2 DC)); Haykin, Communication Systems
    found = float(re.search(r"([\d.]+) dB", shown)[1])
    assert found == pytest.approx(20 * math.log10(10 / (2 * 2)), abs=0.3)


@pytest.mark.parametrize("size", [(1440, 900), (1920, 1080), (390, 844)])
def test_time_plots_have_one_left_margin(open_page, size):
    page = open_page("signals")
    page.set_viewport_size(dict(zip(("width", "height"), size)))
    page.wait_for_function(
        """() => new Set(["inputs", "collectors", "difference", "error"].map(name => {
          const view = [...Bokeh.index.roots].find(v => v.model.name === name)
          return Math.round(view.el.getBoundingClientRect().left + view.frame.bbox.left)
        })).size === 1"""
    )


def test_built_circuit_shows_its_corners_and_the_textbook_beside_it(open_page):
    page = open_page("signals")
    page.locator("#q-model").select_option("built")
    page.locator("#q-circuit").wait_for()
    page.get_by_text("a coupling corner at").wait_for()
    with page.expect_download() as download:
        choose_export(page, "difference", "csv")
    head = download.value.path().read_text(encoding="utf-8").splitlines()[0]
    assert head == "time_s,textbook_v_out_V,v_out_V,ideal_product_V"


def test_exports_link_file_reset_and_play(open_page, tmp_path):
    page = open_page("signals")
    page.locator("select[aria-label^=Presets]").select_option("45 kHz call brought to 2 kHz")
    page.locator(".sentence", has_text="88.0").wait_for()
    with page.expect_download() as download:
        choose_export(page, "spectrum", "csv")
    rows = list(csv.DictReader(io.StringIO(download.value.path().read_text(encoding="utf-8"))))
    lines = {row["origin"]: float(row["frequency_Hz"]) for row in rows[::-1]}
    assert (lines["difference"], lines["sum"]) == (2e3, 88e3)
    for plot in ("inputs", "map"):
        for kind in ("png", "svg"):
            with page.expect_download() as download:
                choose_export(page, plot, kind)
            target = tmp_path / f"{plot}.{kind}"
            download.value.save_as(target)
            if kind == "png":
                assert len(Image.open(target).convert("RGB").getcolors(1 << 24)) > 20
            else:
                assert target.read_text(encoding="utf-8").count("<path") > 5
    with page.expect_download() as download:
        page.get_by_role("button", name="Save", exact=True).click()
    download.value.save_as(tmp_path / "scene.toml")
    link = settings(page)
    assert link["upper_frequency"] == "43kHz" and link["span"] == "16"
    page.get_by_role("button", name="Reset").click()
    page.locator(".sentence", has_text="36.0").wait_for()
    assert settings(page) == {}
    page.locator("input[type=file]").set_input_files(tmp_path / "scene.toml")
    page.locator(".sentence", has_text="88.0").wait_for()
    assert settings(page) == link
    before = reading(page, "t")
    page.get_by_role("button", name="Play", exact=True).click()
    for _ in range(100):
        page.wait_for_timeout(50)
        if abs(reading(page, "t") - before) > 2e-6:
            break
    page.get_by_role("button", name="Stop").click()
    assert abs(reading(page, "t") - before) > 2e-6


def test_sound_is_off_until_asked_limited_and_stops_on_leaving(open_page):
    page = open_page("signals?upper_frequency=43kHz&lower_frequency=45kHz&i_tail=20mA")
    page.evaluate(SOUND_CARD)
    drag(page, "#q-lower_amplitude", (0.2, 0.5), (0.9, 0.5))
    page.wait_for_timeout(700)
    assert page.evaluate("window.heard.length") == 0
    assert "volume down" in page.locator(".listen-caution").inner_text()
    page.get_by_role("button", name="Listen").click()
    page.wait_for_function("window.heard.length > 0")
    assert "as it is" in page.locator(".listen-text").inner_text()
    first = page.evaluate("window.heard[0]")
    assert 0.01 < first["peak"] <= 0.25 and first["seconds"] > 1
    page.locator(".listen-row select").select_option("slowed")
    page.get_by_text("Shifted into hearing").first.wait_for()
    page.wait_for_function("window.heard.length > 1 && window.heard[0].stopped")
    page.evaluate("window.dispatchEvent(new PageTransitionEvent('pagehide'))")
    page.wait_for_function("window.heard.every((h) => h.stopped)")
    assert page.get_by_role("button", name="Listen").get_attribute("aria-pressed") == "false"
    page.wait_for_timeout(500)  # the server has heard of it before the page is closed


def test_every_preset_draws_without_complaint(open_page):
    page = open_page("signals", color_scheme="dark")
    for name in list(PRESETS)[1:]:
        before = page.url
        page.locator("select[aria-label^=Presets]").select_option(name)
        page.wait_for_function("(old) => location.href !== old", arg=before)
        assert "cannot be run" not in page.locator(".sentence").inner_text()
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert sum(map(int, re.findall(r"\d+", ground))) < 150  # the dark ground is dark
