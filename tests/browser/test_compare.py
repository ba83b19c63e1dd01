"""The Compare page as a builder uses it: example, own file, wrong file, mapping, exports."""

import csv
import re
from statistics import fmean

import pytest
from playwright.sync_api import expect

from conftest import choose_export
from forktail.resources import assets_dir

ASSET = assets_dir() / "captures/bat-call-mixer-board-invented.csv"
#: Patience for a comparison, which is solved in a process of its own, ms.
SOLVED = 60_000


def choose(page, *files):
    page.locator('input[aria-label="Capture file"]').set_input_files([str(f) for f in files])


def status(page):
    return page.locator(".drop-status")


@pytest.fixture
def example(open_page):
    page = open_page("compare")
    page.get_by_role("button", name="Open the invented example").click()
    page.wait_for_selector(".causes", timeout=SOLVED)
    return page


def test_example_names_its_causes_and_draws(example):
    page = example
    said = page.locator(".verdict .sentence").inner_text()
    assert said.startswith("Not as predicted. Likeliest cause: R9 about 1.5")
    first = page.locator(".causes .cause").nth(1)
    assert first.locator("b").inner_text().startswith("R9 about 1.5")
    assert first.locator("input").is_checked()
    assert page.locator("#plot-overlay canvas").first.is_visible()
    page.wait_for_url("**/compare?*example=yes*")
    product = page.locator("table.errors tr", has_text="Product over both inputs").inner_text()
    assert "outside" in product
    with page.expect_download() as download:
        choose_export(page, "errors", "csv")
    rows = list(csv.DictReader(download.value.path().read_text().splitlines()))
    # the product of one load instead of two: the mean of 1.5 and 2.2 kohm over 2.2 kohm
    ratio = float(rows[0]["measured"]) / float(rows[0]["predicted"])
    assert ratio == pytest.approx((1.5 + 2.2) / 4.4, abs=0.04)
    with page.expect_download() as download:
        choose_export(page, "overlay", "svg")
    assert b"<svg" in download.value.path().read_bytes()


def lines_of(page, plot):
    """What each line of a plot shows, in the order of drawing: lists of V or mV."""
    return page.evaluate(
        """(name) => {
          const figure = [...Bokeh.documents[0].all_models].find((m) => m.name === name);
          return figure.renderers.slice(1).map((r) => [...r.data_source.data.y]);
        }""",
        plot,
    )


def apart(one, other):
    """Mean distance of two lines where both are drawn."""
    return fmean(abs(a - b) for a, b in zip(one, other) if a == a and b == b)


def test_a_chosen_cause_lies_over_the_capture_and_opens_in_build(example, tmp_path):
    page = example
    measured, planned, fitted = lines_of(page, "overlay")
    assert apart(fitted, measured) < 10.0 and apart(planned, measured) > 150.0  # mV
    page.locator(".causes .cause input").first.check()  # the circuit as planned
    page.wait_for_function(
        """() => {
          const figure = [...Bokeh.documents[0].all_models].find((m) => m.name === "overlay");
          const [, planned, fitted] = figure.renderers.slice(1).map((r) => r.data_source.data.y);
          return planned.every((v, k) => !(Math.abs(v - fitted[k]) > 1e-3));
        }"""
    )
    with page.expect_download() as download:
        page.get_by_role("link", name="as a file").first.click()
    found = tmp_path / download.value.suggested_filename
    download.value.save_as(found)
    page.get_by_role("link", name="on Build").first.click()
    page.wait_for_url("**/build?*r_load_right=1.*")
    load = page.locator('.parts [data-entry="r_load_right"]')
    expect(load).to_have_value(re.compile(r"1\.[45]\d* k"))
    linked = load.input_value()
    load.fill("4.7k")
    load.press("Enter")
    expect(load).to_have_value(re.compile("4.7 k"))
    page.locator("input[type=file]").set_input_files(found)
    expect(load).to_have_value(linked)


def test_bad_file_is_one_line_and_nothing_is_lost(example, tmp_path):
    page = example
    lines = ASSET.read_text().splitlines()
    lines[99] = lines[99].replace(",", ",oops", 1)
    bad = tmp_path / "bad.csv"
    bad.write_text("\n".join(lines))
    choose(page, bad)
    page.wait_for_selector(".drop-status.bad", timeout=SOLVED)
    said = status(page).inner_text()
    assert "row 100, column 2 (upper)" in said and "stays open" in said
    assert page.locator(".causes .cause").count() >= 2
    # and the page works on
    page.locator("#q-shipped").select_option("beacon-modulator")
    page.get_by_text("with the circuit \u201cBeacon modulator\u201d").wait_for()


def test_own_file_with_decimal_comma_is_sent_in_pieces_and_mapped(open_page, tmp_path):
    page = open_page("compare")
    rows = [r.split(",") for r in ASSET.read_text().splitlines()[4:]]
    own = tmp_path / "own.csv"
    # long enough for more than one piece of 384 KiB
    lines = [
        ";".join((f"{1e3 * (float(t) + 1500 * k):.0f}", low, up, left, right)).replace(".", ",")
        for k in range(4)
        for t, up, low, left, right in rows
    ]
    own.write_text("t;ch1;ch2;ch3;ch4\nns;mV;mV;V;V\n" + "\n".join(lines) + "\n")
    assert own.stat().st_size > 384 * 1024
    choose(page, own)
    page.locator("#q-column_upper").wait_for(timeout=SOLVED)
    page.locator("#q-column_upper").select_option("3")
    page.locator("#q-column_lower").select_option("2")
    page.locator("#q-column_left").select_option("4")
    page.locator("#q-column_right").select_option("5")
    page.locator("#q-column_out").select_option("none")
    page.get_by_text("R9 about 1.5").first.wait_for(timeout=SOLVED)
    assert "12000 rows, 5 columns" in status(page).inner_text()


def test_a_circuit_file_dropped_on_the_zone_is_taken(example):
    page = example
    data = (assets_dir() / "circuits/volume-cell.toml").read_text()
    page.locator(".drop").evaluate(
        """(zone, text) => {
          const data = new DataTransfer();
          data.items.add(new File([text], "mine.toml"));
          zone.dispatchEvent(new DragEvent("drop", {dataTransfer: data, bubbles: true,
                                                    composed: true, cancelable: true}));
        }""",
        data,
    )
    page.get_by_text("with the circuit \u201cVolume cell\u201d").wait_for()


def test_readings_of_a_meter_say_what_is_wrong_and_what_to_read_next(open_page):
    page = open_page("compare")
    page.get_by_text("Readings of a meter at rest").click()

    def type_in(point, text):
        field = page.locator(f'[data-entry="read-{point}"]')
        field.fill(text)
        field.press("Enter")
        return field

    field = type_in("TP13", "high")
    expect(page.locator(".meter-box .bad")).to_contain_text("TP13: 'high' is not a value")
    assert field.input_value() == "high"  # what was typed stays
    type_in("TP13", "11.11")
    expect(field).to_have_value("11.11 V")
    type_in("TP1", "12000 mV")
    said = page.locator(".meter-box .sentence")
    expect(said).to_contain_text("Not as predicted", timeout=SOLVED)
    expect(page.locator(".meter-box .telling")).to_contain_text("Read TP")
    page.wait_for_url("**/compare?*readings=TP1*")
    page.reload()
    page.get_by_text("Readings of a meter at rest").click()
    expect(said).to_contain_text("Not as predicted", timeout=SOLVED)
    expect(page.locator('[data-entry="read-TP1"]')).to_have_value("12 V")


def test_build_link_leads_here_and_back(open_page):
    page = open_page("build?r_load_left=2.3k")
    page.get_by_role("link", name="Compare a capture").click()
    page.get_by_role("heading", name="Compare a capture").wait_for()
    link = page.get_by_role("link", name="Back to Build")
    link.click()
    page.wait_for_url("**/build?*r_load_left=2.3k*")


def test_phone_needs_no_sideways_scroll(open_page):
    page = open_page("compare?example=yes", 390, 844)
    page.wait_for_selector(".causes", timeout=SOLVED)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
