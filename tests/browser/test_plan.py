"""The bench plan as a builder gets it: from the Build page, on the screen and on paper."""

import re

import pytest

#: Patience for a plan, which is solved while the page waits, ms.
SOLVED = 60_000
#: Width between the margins of the page (12 mm each side) in CSS pixels.
WIDTHS = {"A4": (210 - 24) / 25.4 * 96, "Letter": (215.9 - 24) / 25.4 * 96}


@pytest.fixture(scope="module")
def sheet(browser, server):
    """The plan of the mixer, opened once."""
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    problems = []
    page.on("console", lambda m: m.type in ("error", "warning") and problems.append(m.text))
    page.on("pageerror", lambda e: problems.append(str(e)))
    page.on(
        "request",
        lambda r: problems.append(r.url) if not r.url.startswith((server.url, "data:")) else None,
    )
    page.goto(server.url + "plan?builds=40", timeout=SOLVED)
    page.wait_for_selector("h1", timeout=SOLVED)
    yield page
    page.close()
    assert problems == []


def test_plan_opens_from_the_build_page(open_page):
    page = open_page("build?r_load_left=2.4k&builds=40")
    with page.expect_popup() as opened:
        page.get_by_role("link", name="Bench plan").click()
    plan = opened.value
    plan.wait_for_selector("h1", timeout=SOLVED)
    assert plan.locator("h1").inner_text() == "Bat-call mixer"
    assert not plan.locator(".working").is_visible()
    row = plan.locator("table.parts tr", has_text="R8")
    assert "2.4" in row.inner_text()
    plan.close()


def test_sections_and_numbers(sheet):
    assert sheet.locator("h2").all_inner_texts() == [
        "Circuit",
        "Before you begin",
        "Supply and generators",
        "Parts",
        "Build order and checks",
        "Test points",
        "What the scope should show",
        "Trims",
        "Faults and what they show",
        "What the numbers rest on",
    ]
    assert sheet.locator("table.points tbody tr").count() == 14
    assert sheet.locator("svg.chart").count() == 4
    drawn = sheet.locator(".drawing svg text").all_text_contents()
    assert {"TP2", "TP13", "R8", "2.2 k\u03a9"} <= {" ".join(t.split()) for t in drawn}
    assert "protective earth" in sheet.locator(".caution").inner_text()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_paper_is_clean(sheet, paper):
    sheet.emulate_media(media="print")
    sheet.set_viewport_size({"width": int(WIDTHS[paper]), "height": 1000})
    wide = sheet.evaluate(
        "() => [...document.querySelectorAll('main *')].filter((n) => "
        "n.getBoundingClientRect().right > innerWidth + 1).map((n) => n.outerHTML.slice(0, 80))"
    )
    assert wide == []
    assert not sheet.locator(".tools").is_visible()
    made = sheet.pdf(format=paper)
    sheet.emulate_media(media="screen")
    assert 4 <= len(re.findall(rb"/Type\s*/Page\b", made)) <= 6


def test_phone_scrolls_down_only(sheet):
    sheet.set_viewport_size({"width": 390, "height": 844})
    assert sheet.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_what_cannot_be_planned_is_said(browser, server):
    page = browser.new_page()
    answer = page.goto(server.url + "plan?drive_upper=0V")
    assert answer.status == 400
    assert "a bench plan needs a drive above 0 V" in page.locator("main").inner_text()
    page.close()
