"""The Build page as a builder uses it: parts, findings, files, faults, mismatch."""

import csv
import io
import re
import tomllib
from xml.etree import ElementTree

import pytest
from playwright.sync_api import expect

from conftest import choose_export

PICTURE = {"png": b"\x89PNG", "svg": b"<"}


@pytest.fixture
def build(open_page):
    """Function (query, width, height, **options) -> Build page with its drawing."""

    def open_one(query="", *size, **options):
        page = open_page(f"build{query}", *size, **options)
        page.wait_for_selector("svg.built")
        return page

    return open_one


def entry(page, name):
    return page.locator(f'.parts [data-entry="{name}"]')


def enter(page, name, text):
    field = entry(page, name)
    field.fill(text)
    field.press("Enter")


def sentence(page):
    return page.locator(".sentence")


def findings(page):
    """The list, once it is up to date."""
    expect(page.locator(".findings [data-id=checking]")).not_to_have_text(
        re.compile("checking"), timeout=45_000
    )
    return page.locator(".findings")


def test_a_saturated_cell_is_found_cured_and_the_cure_undone(build):
    page = build()
    expect(findings(page)).to_contain_text("work as they should")
    enter(page, "r_load_left", "12k")
    enter(page, "r_load_right", "12k")
    expect(page.locator('[data-id="region-Q1"]')).to_have_text("! saturated")
    expect(sentence(page)).to_contain_text("saturated")
    expect(findings(page)).to_contain_text("Q1 is saturated by")
    page.locator(".findings .apply").first.click()
    expect(page.locator('[data-id="region-Q1"]')).to_have_text("active")
    expect(findings(page)).not_to_contain_text("is saturated by")
    page.get_by_role("button", name="Undo").click()
    expect(entry(page, "r_load_left")).to_have_value("12 k\u03a9")
    expect(page).to_have_url(re.compile("r_load_left=12kohm"))


def test_a_bad_entry_keeps_its_text_and_says_why(build):
    page = build()
    before = page.locator('[data-id="v_out"]').text_content()
    enter(page, "r_load_right", "5 V")
    alert = page.locator(".parts .entry-error:visible")
    expect(alert).to_contain_text("Right load: '5 V' is a voltage")
    expect(entry(page, "r_load_right")).to_have_value("5 V")
    assert page.locator('[data-id="v_out"]').text_content() == before
    entry(page, "tail_kind").select_option("resistor")  # another drawing loses nothing
    expect(page.locator('[data-id="part-Q7"]')).to_have_count(0)
    expect(entry(page, "r_load_right")).to_have_value("5 V")
    enter(page, "r_load_right", "2k2")
    expect(alert).to_have_count(0)
    expect(entry(page, "r_load_right")).to_have_value("2.2 k\u03a9")


def test_sliders_rest_and_models(build):
    page = build()
    page.locator("#q-v_upper").focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    expect(page.locator('[data-id="v_upper"]')).to_have_text("+25.0 mV")
    page.get_by_role("button", name="At rest").click()
    expect(page.locator('[data-id="v_upper"]')).to_have_text("0 V")
    expect(sentence(page)).to_contain_text("At rest")
    page.get_by_role("radio", name="Overlay").click()
    expect(page.locator(".panel-curves table")).to_contain_text("difference")
    expect(page.locator(".key-textbook")).to_be_visible()
    page.get_by_role("radio", name="Textbook").click()
    expect(page.locator('[data-id="pill-level_upper"]')).to_be_hidden()
    expect(page.locator('[data-id="pill-left"]')).to_be_visible()


def test_link_file_and_reset_bring_the_circuit_back(build, tmp_path):
    page = build("?circuit=volume-cell&r_load_left=2.7kohm&v_upper=11mV")
    expect(entry(page, "r_load_left")).to_have_value("2.7 k\u03a9")
    expect(page.locator("#q-v_upper-entry")).to_have_value("11.0 mV")
    expect(page.locator("#q-v_lower-entry")).to_have_value("20.0 mV")  # off no default: shown too
    with page.expect_download() as caught:
        page.get_by_role("button", name="Save", exact=True).click()
    text = caught.value.path().read_text(encoding="utf-8")
    saved = tomllib.loads(text)
    assert saved["loads"]["left"] == "2.7 kohm" and saved["scene"]["circuit"] == "volume-cell"
    page.get_by_role("button", name="Reset").click()
    expect(entry(page, "r_load_left")).to_have_value("3.3 k\u03a9")
    page.evaluate(
        """text => {
      const moved = new DataTransfer();
      moved.items.add(new File([text], "mine.toml"));
      document.body.dispatchEvent(new DragEvent("drop",
        {dataTransfer: moved, bubbles: true, cancelable: true}));
    }""",
        text,
    )
    expect(entry(page, "r_load_left")).to_have_value("2.7 k\u03a9")
    bad = tmp_path / "bad.toml"
    bad.write_text('[loads]\nleft = "5 V"\n', encoding="utf-8")
    page.locator("input[type=file]").set_input_files(bad)
    expect(page.locator(".notice")).to_contain_text("line 2")
    expect(entry(page, "r_load_left")).to_have_value("2.7 k\u03a9")


def test_every_saved_file_holds_what_is_on_the_screen(build):
    page = build("?v_upper=15mV")
    for plot in ("built", "over_upper"):
        for kind, start in PICTURE.items():
            with page.expect_download() as caught:
                choose_export(page, plot, kind)
            data = caught.value.path().read_bytes()
            assert data.startswith(start) and len(data) > 2000
            if kind == "svg":
                ElementTree.fromstring(data)
    with page.expect_download() as caught:
        choose_export(page, "over_upper", "csv")
    rows = list(csv.DictReader(io.StringIO(caught.value.path().read_text())))
    assert len(rows) == 61 and set(rows[0]) == {"v_upper_V", "v_out_built_V"}
    with page.expect_download() as caught:
        choose_export(page, "built", "csv")
    table = {r["quantity"]: r for r in csv.DictReader(io.StringIO(caught.value.path().read_text()))}
    shown = page.locator('[data-id="node-left"]').text_content()
    assert float(table["Left output"]["built"]) == pytest.approx(float(shown.split()[0]), rel=1e-3)


def test_preferred_values_and_a_fault(build):
    page = build("?r_load_left=2.25kohm&tab=values")
    panel = page.locator(".panel-values")
    expect(panel).to_contain_text("2.25 k\u03a9")
    page.locator('[data-entry="series"]').select_option("E96")
    expect(panel).to_contain_text("2.26 k\u03a9")
    panel.get_by_role("button", name=re.compile("^Fit ")).click()
    expect(entry(page, "r_load_left")).to_have_value("2.26 k\u03a9")
    page.get_by_role("button", name="Faults").click()
    page.locator('[data-entry="fault"]').select_option("open:r_load_right")
    said = page.locator(".panel-faults .said")
    expect(said).to_contain_text("Fault: The right load resistor is open. Then the output")
    page.get_by_role("button", name="Build this fault in").click()
    expect(page.locator('[data-id="part-R9"]')).to_have_class("part broken")
    page.get_by_role("button", name="Put right").click()
    expect(page.locator('[data-id="part-R9"]')).to_have_class("part")


def test_mismatch_run_cancel_and_null(build):
    page = build("?tab=mismatch&unit=5&builds=200")
    page.locator("[data-id=run]").click()
    expect(page.locator("[data-id=count]")).to_have_text("200 of 200 builds", timeout=45_000)
    expect(page.locator("[data-id=s-offset]")).to_contain_text("V")
    offset = page.locator("[data-id=n-offset]")
    before = offset.inner_text()
    page.get_by_role("button", name="Null all three").click()
    expect(offset).not_to_have_text(before)
    assert (
        re.fullmatch(r"(0|\u2212?[\d.]+ [pnf\u00b5])V?", offset.inner_text())
        or offset.inner_text() == "0 V"
    )
    expect(page.locator("[data-id=u-offset]")).to_have_text(before)
    field = page.locator('.run [data-entry="builds"]')
    field.fill("5000")
    field.press("Enter")
    expect(page.locator("[data-id=count]")).to_contain_text("run again")
    page.locator("[data-id=run]").click()
    expect(page.locator("[data-id=cancel]")).to_be_enabled()
    page.locator("[data-id=cancel]").click()
    expect(page.locator("[data-id=count]")).to_contain_text("cancelled after")
    page.locator("[data-id=run]").click()
    enter(page, "r_load_left", "2k1")
    expect(page.locator("[data-id=count]")).to_contain_text("circuit or a setting changed")


@pytest.mark.parametrize("width, height", [(1440, 900), (1920, 1080)])
def test_schematic_parts_and_findings_are_in_view_together(build, width, height):
    page = build("", width, height)
    findings(page)
    for selector in ("svg.built", ".parts-box", ".findings-box", "#q-v_lower", ".sentence"):
        box = page.locator(selector).first.bounding_box()
        assert box["height"] > 15 and box["y"] >= 0, selector
        assert box["y"] + box["height"] <= height and box["x"] + box["width"] <= width, selector
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_phone_stacks_without_sideways_scroll_of_the_page(build):
    page = build("", 390, 844)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    # the whole board and its output are in sight; the values come with the larger one
    board = page.locator("svg.built").bounding_box()
    assert board["x"] >= 0 and board["x"] + board["width"] <= 390
    output = page.locator('svg.built [data-id="v_out"]').bounding_box()
    assert output["x"] >= 0 and output["x"] + output["width"] <= 390 and output["height"] > 12
    value = page.locator('svg.built [data-id="val-R8"]')
    assert value.bounding_box()["height"] == 0
    page.check("#large-board")
    assert value.bounding_box()["height"] > 8
    tops = [
        page.locator(s).first.bounding_box()["y"]
        for s in ("svg.built", ".sentence", "#q-v_upper", ".findings-box", ".parts-box")
    ]
    assert tops == sorted(tops)


def test_no_text_of_the_drawing_runs_over_another(build):
    """Labels, values and node voltages of every shipped circuit stay apart."""
    page = build()
    for key in ("bat-call-mixer", "range-finder-phase-detector", "volume-cell"):
        page.locator("select[data-name=shipped]").select_option(key)
        expect(page).to_have_url(re.compile("build$" if key == "bat-call-mixer" else key))
        clashes = page.locator("svg.built").evaluate("""svg => {
          const texts = [...svg.querySelectorAll("text")].filter(t => t.textContent
            && getComputedStyle(t).display !== "none");
          const boxes = texts.map(t => t.getBoundingClientRect());
          const out = [];
          for (let a = 0; a < boxes.length; a++) for (let b = a + 1; b < boxes.length; b++) {
            const [p, q] = [boxes[a], boxes[b]];
            const wide = Math.min(p.right, q.right) - Math.max(p.left, q.left);
            const high = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
            if (wide > 2 && high > 5) out.push(`${texts[a].textContent} / ${texts[b].textContent}`);
          }
          return out;
        }""")
        assert clashes == []


def test_noise_of_the_point_its_band_and_what_makes_it(build):
    page = build("?tab=noise&v_upper=100mV&v_lower=0V", 390, 844)
    output = page.locator('[data-id="built0"]')
    expect(output).to_contain_text("nV/\u221aHz")
    bars = page.locator(".shares tr")
    expect(bars.first).to_contain_text("source of the lower input")
    field = page.locator('[data-entry="noise_band"]')
    field.fill("1kHz")
    field.press("Enter")
    expect(page.locator('[data-id="name1"]')).to_have_text("At the output in 1.00 kHz, rms")
    before = output.text_content()
    page.get_by_role("button", name="At rest").click()
    expect(bars.first).to_contain_text("upper pairs")
    expect(output).not_to_have_text(before)
