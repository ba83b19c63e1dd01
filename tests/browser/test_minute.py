"""The first minute: begun once by a newcomer, done by hand, by keys and by touch, never again."""

import pytest
from playwright.sync_api import expect
from steer_driver import Steer

#: Presses of Shift and an arrow on the map: a tenth of it each.
QUARTERS = (
    "ArrowRight ArrowUp",
    "ArrowLeft ArrowLeft",
    "ArrowDown ArrowDown",
    "ArrowRight ArrowRight",
)


@pytest.fixture
def newcomer(open_page):
    """Function (path, ...) -> page of a browser that has never been here."""

    def open_one(path="", **options):
        return open_page(path, first=True, **options)

    return open_one


def card(page):
    return page.locator(".minute")


def test_three_moves_by_mouse_and_it_never_comes_again(newcomer):
    page = newcomer()
    steer = Steer(page)
    steer.shows(stage="pair", v_upper=0.0)
    expect(card(page)).to_contain_text("1 of 3")
    assert page.locator("#q-v_upper").get_attribute("data-asks") is not None
    steer.drag_slider("v_upper", 0.5, 0.7)
    expect(card(page)).to_contain_text("the left load gets the wide ribbon")
    page.mouse.up()
    steer.drag_slider("v_upper", 0.7, 0.3)
    page.mouse.up()
    expect(card(page)).to_contain_text("changed its sign")
    expect(page.locator("[data-id=flip-text]")).to_have_text("sign flipped: now \u2212")
    page.get_by_role("button", name="Show the full cell").click()
    steer.shows(v_upper=0.0, v_lower=0.0)
    page.wait_for_timeout(300)  # the map makes room for the card
    for dx, dy, seen in ((40, -40, 1), (-90, 0, 2), (0, 90, 3)):
        steer.drag_map(dx, dy)
        expect(card(page)).to_contain_text(f"Seen: {seen} of 4")
    steer.drag_map(90, 0)
    expect(card(page)).to_contain_text("sign of a product")
    link = card(page).get_by_role("link", name="Lesson 1")
    assert link.get_attribute("href") == "lesson?id=one-pair"
    page.get_by_role("button", name="Look around").click()
    expect(card(page)).to_have_count(0)
    page.goto(page.url.split("?")[0])
    steer = Steer(page)
    steer.shows()
    expect(card(page)).to_have_count(0)


def test_by_keys_alone_and_a_page_that_loads_again_goes_on(newcomer):
    page = newcomer(reduced_motion="reduce")
    steer = Steer(page)
    expect(card(page)).to_contain_text("1 of 3")
    steer.slider("v_upper").focus()
    for _ in range(8):
        page.keyboard.press("ArrowLeft")
    expect(card(page)).to_contain_text("the right load gets the wide ribbon")
    for _ in range(16):
        page.keyboard.press("ArrowRight")
    expect(card(page)).to_contain_text("changed its sign")
    page.keyboard.press("Enter")  # the button has the focus
    steer.shows(v_upper=0.0, v_lower=0.0)
    for n, keys in enumerate(QUARTERS, 1):
        for key in keys.split():
            page.keyboard.press(f"Shift+{key}")
        expect(card(page)).to_contain_text(f"Seen: {n} of 4" if n < 4 else "sign of a product")


def test_escape_skips_it_and_a_scene_in_the_link_never_begins_it(newcomer):
    page = newcomer("?v_upper=5mV")
    steer = Steer(page)
    steer.shows(v_upper=0.005)
    expect(card(page)).to_have_count(0)
    base = page.url.split("?")[0]
    page.goto(base)
    expect(card(page)).to_contain_text("1 of 3")
    page.reload()
    expect(card(page)).to_contain_text("1 of 3")
    page.keyboard.press("Escape")
    expect(card(page)).to_have_count(0)
    page.goto(base)
    steer.shows()
    expect(card(page)).to_have_count(0)


def test_in_a_class_nobody_is_shown_round(newcomer):
    page = newcomer("lessons")
    page.evaluate("sessionStorage.setItem('forktail-room', JSON.stringify({role: 'learner'}))")
    page.goto(page.url.replace("lessons", ""))
    Steer(page).shows()
    expect(card(page)).to_have_count(0)


def test_on_a_phone_the_card_leaves_picture_and_handle_in_sight(newcomer):
    page = newcomer(width=390, height=844, has_touch=True)
    expect(card(page)).to_contain_text("1 of 3")
    page.wait_for_function(
        "() => document.querySelector('.minute').getBoundingClientRect().top > 400"
    )
    boxes = {
        "card": card(page).bounding_box(),
        "slider": page.locator("#q-v_upper").bounding_box(),
        "drawing": page.locator("#plot-schematic").bounding_box(),
    }
    assert boxes["drawing"]["y"] + boxes["drawing"]["height"] <= boxes["slider"]["y"] + 1
    assert boxes["slider"]["y"] + boxes["slider"]["height"] <= boxes["card"]["y"]
    skip = card(page).get_by_role("button", name="Skip").bounding_box()
    assert min(skip["width"], skip["height"]) >= 43.9
    page.touchscreen.tap(
        boxes["slider"]["x"] + 0.75 * boxes["slider"]["width"], boxes["slider"]["y"] + 12
    )
    expect(card(page)).to_contain_text("the left load gets the wide ribbon")
