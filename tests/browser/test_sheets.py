"""The help behind `?`, and the scene as a picture with caption, link and QR code."""

from xml.etree import ElementTree

import pytest
from PIL import Image
from playwright.sync_api import expect

SVG = "{http://www.w3.org/2000/svg}"


def rows(page):
    return page.locator("dialog.help tr").all_inner_texts()


def test_help_lists_the_keys_that_the_page_has_and_starts_the_first_minute(open_page):
    page = open_page()
    page.wait_for_function("() => document.querySelector('script[src$=\"history.js\"]')")
    page.locator("#q-v_upper-entry").focus()
    page.keyboard.press("?")  # a sign that is typed is no call for help
    assert page.locator("dialog.help").count() == 0
    page.keyboard.press("Escape")
    page.locator("#q-v_upper").focus()
    page.keyboard.press("?")
    expect(page.locator("dialog.help")).to_be_visible()
    said = "\n".join(rows(page))
    for words in ("Ctrl + Z", "Redo", "move its point", "On a slider", "choice", "This help"):
        assert words in said, said
    assert "presentation" not in said and "scenes of the class" not in said
    page.keyboard.press("Escape")
    expect(page.locator("dialog.help")).to_have_count(0)
    page.locator("#forktail-help").click()
    page.get_by_role("button", name="Show me the first minute").click()
    expect(page.locator(".minute")).to_contain_text("1 of 3")
    page.goto(page.url.split("?")[0] + "lessons")
    page.locator("#forktail-help").click()
    said = "\n".join(rows(page))
    assert "Undo" not in said and "slider" not in said  # the list of lessons has neither


@pytest.mark.parametrize("path", ["?v_upper=-31mV&stage=pair", "signals"])
def test_the_scene_as_a_picture_with_caption_link_and_code(open_page, path):
    page = open_page(path)
    page.locator(".sentence").filter(has_text="V").first.wait_for()
    page.get_by_role("button", name="Picture", exact=True).click()
    sheet = page.get_by_role("dialog", name="The scene as a picture")
    expect(sheet).to_be_visible()
    sheet.get_by_label("Caption").fill("Steered & <seen> on the bench")
    with page.expect_download() as caught:
        sheet.get_by_role("button", name="Save SVG").click()
    tree = ElementTree.parse(caught.value.path()).getroot()
    texts = [n.text or "" for n in tree.findall(f"{SVG}text")]
    assert texts[0] == "Steered & <seen> on the bench"
    assert "".join(texts[1:]) == page.url
    inner = tree.findall(f"{SVG}svg")
    assert [n.get("class") for n in inner][-1] == "qr" and len(inner) == 2
    assert inner[1].find(f".//{SVG}path").get("d")
    with page.expect_download() as caught:
        sheet.get_by_role("button", name="Save PNG").click()
    with Image.open(caught.value.path()) as picture:
        assert picture.size == (2400, 2 * int(tree.get("height")))
        colours = picture.convert("RGB").getcolors(1 << 24)
    assert len(colours) > 50  # the drawing is in it, not its ground alone
    sheet.get_by_role("button", name="Close").click()
    expect(sheet).to_have_count(0)
