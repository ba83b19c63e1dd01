"""Undo and redo: one step a drag, on every page, and never past what is the learner's own."""

import pytest
from playwright.sync_api import expect
from steer_driver import Steer


@pytest.fixture
def undo(open_page):
    """Function (path) -> page, once its undo is there."""

    def open_one(path=""):
        page = open_page(path)
        page.wait_for_function("() => document.querySelector('script[src$=\"history.js\"]')")
        return page

    return open_one


def state_of(page, name):
    return page.locator(f"#forktail-{name}").get_attribute("aria-disabled") == "false"


def test_a_drag_is_one_step_and_keys_buttons_and_fields_agree(undo):
    steer = Steer(undo())
    page = steer.page
    assert not state_of(page, "undo") and not state_of(page, "redo")
    page.keyboard.press("Control+z")  # nothing to take back: nothing happens
    steer.shows()
    steer.drag_slider("v_upper", 0.6, 0.2)
    page.mouse.up()
    dragged = steer.until(lambda s: s.v_upper == pytest.approx(-0.06, abs=6e-3), "dragged")
    steer.stage("pair")
    steer.until(lambda s: s.stage == "pair", "pair")
    steer.type("v_upper", "31mV")
    steer.shows(stage="pair", v_upper=0.031)
    page.keyboard.press("Control+z")  # the entry has the focus, but nothing is being typed in it
    steer.shows(stage="pair", v_upper=dragged.v_upper)
    page.locator("#forktail-undo").click()
    steer.shows(v_upper=dragged.v_upper)
    page.locator("#forktail-undo").click()
    steer.shows()
    assert not state_of(page, "undo")
    page.keyboard.press("Control+Shift+z")
    steer.shows(v_upper=dragged.v_upper)
    page.locator("#forktail-redo").click()
    steer.shows(stage="pair", v_upper=dragged.v_upper)
    steer.entry("v_upper").fill("77")
    page.keyboard.press("Control+z")  # of the text that is being typed
    still = steer.url_state()
    assert (still.v_upper, still.stage) == (dragged.v_upper, "pair")
    steer.entry("v_upper").press("Escape")
    # a run of arrow keys is one step, and a new step ends what could be done again
    steer.slider("i_tail").focus()
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    steer.until(lambda s: s.i_tail > 2e-3, "more tail")
    assert not state_of(page, "redo")
    page.keyboard.press("Control+z")
    steer.shows(stage="pair", v_upper=dragged.v_upper)
    # what is only looked at is no step
    page.locator("#q-hold_scale").check()
    steer.until(lambda s: s.hold_scale, "scale held")
    page.keyboard.press("Control+z")
    steer.shows(hold_scale=True, v_upper=dragged.v_upper)


def test_a_scene_that_a_presenter_shows_is_not_the_learners_to_take_back(undo):
    steer = Steer(undo())
    steer.type("v_upper", "31mV")
    steer.shows(v_upper=0.031)
    steer.page.evaluate(
        "() => dispatchEvent(new CustomEvent('forktail-follow', {detail: {query: 'v_upper=5mV'}}))"
    )
    steer.shows(v_upper=0.005)
    assert not state_of(steer.page, "undo")


def test_a_lesson_takes_back_within_a_step(undo):
    page = undo("lesson?id=one-pair&step=three-quarters")
    page.get_by_role("slider", name="Upper input").wait_for()
    entry = page.locator("#q-v_upper-entry")
    start = entry.input_value()
    entry.fill("3mV")
    entry.press("Enter")
    expect(entry).to_have_value("3.00 mV")
    assert state_of(page, "undo")
    page.keyboard.press("Control+z")
    expect(entry).to_have_value(start)
    page.keyboard.press("Control+y")
    expect(entry).to_have_value("3.00 mV")
    page.get_by_role("button", name="Skip for now").click()
    page.wait_for_function("() => !location.search.includes('three-quarters')")
    expect(page.locator("#forktail-undo")).to_have_attribute("aria-disabled", "true")


def test_build_takes_a_part_back_and_leaves_the_panel(undo):
    page = undo("build")
    field = page.locator('.parts [data-entry="r_load_left"]')
    before = field.input_value()
    field.fill("2k7")
    field.press("Enter")
    expect(field).to_have_value("2.7 k\u03a9")
    page.get_by_role("button", name="Values", exact=True).click()
    expect(page.locator("main")).to_have_attribute("data-tab", "values")
    page.locator("#forktail-undo").click()
    expect(field).to_have_value(before)
    expect(page.locator("main")).to_have_attribute("data-tab", "values")
