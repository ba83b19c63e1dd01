"""Reach by keyboard and by screen reader: names, roles, order, focus, live words."""

import re

import pytest
from steer_driver import Steer, plain

from forktail.pages.steer import words as readouts
from forktail.pages.steer.state import STAGES, SteerState

_FOCUSED = """() => {
  let node = document.activeElement;
  while (node?.shadowRoot?.activeElement) node = node.shadowRoot.activeElement;
  const style = getComputedStyle(node);
  return {tag: node.tagName.toLowerCase(), id: node.id, type: node.type || "",
    role: node.getAttribute("role") || "", value: node.dataset.value || "",
    text: (node.getAttribute("aria-label") || node.textContent || "").trim(),
    cls: String(node.className), html: node.outerHTML.slice(0, 150),
    outline: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2};
}"""


@pytest.fixture
def steer(open_page):
    """The page in its default scene."""
    return Steer(open_page())


def focused(page):
    return page.evaluate(_FOCUSED)


def walk(page, stops=90):
    """Press Tab from the top of the page until focus leaves it or comes round."""
    page.locator("body").press("Tab")
    seen = [focused(page)]
    while len(seen) < stops:
        page.keyboard.press("Tab")
        here = focused(page)
        if here["tag"] == "body" or here == seen[0]:
            break
        seen.append(here)
    return seen


def test_tab_reaches_everything_once_and_in_order(steer):
    seen = walk(steer.page)
    names = [s["text"] if s["role"] == "radio" else s["id"] or s["text"] for s in seen]
    wanted = [
        "Skip to the page",
        "forktail-theme",
        "4 The full cell",
        "q-v_upper-entry",
        "q-v_upper",
        "q-v_lower-entry",
        "q-v_lower",
        "q-i_tail-entry",
        "q-i_tail",
        "q-r_load",
        "q-temperature",
        "q-v_supply",
        "q-hold_scale",
        "Offsets and emitter resistors",
        "Presets\u2026",
        "Play",
        "What Play moves",
        "Reset",
        "Copy link",
        "Save",
        "Load",
    ]
    places = [names.index(name) for name in wanted]
    assert places == sorted(places), names
    # of the stages only the chosen one is a stop: arrows walk them
    assert [s["text"] for s in seen if s["role"] == "radio"] == ["4 The full cell"]
    exports = [s["text"] for s in seen if s["tag"] == "summary" and s["text"].startswith("Save ")]
    assert len(exports) == 4 and len(set(exports)) == 4  # one menu a picture
    assert any(s["text"] == "Numbers of this scene" for s in seen)
    assert not [s["html"] for s in seen if not s["outline"]]


def test_whole_job_by_keyboard_alone(steer):
    page = steer.page
    keys = page.keyboard

    def tab_to(name):
        for _ in range(60):
            keys.press("Tab")
            here = focused(page)
            if name in (here["id"], here["text"]):
                return
        raise AssertionError(f"Tab does not reach {name}")

    tab_to("4 The full cell")
    keys.press("ArrowUp")
    steer.shows(stage="crossed")
    tab_to("q-v_upper-entry")
    keys.type("31mV")
    keys.press("Enter")
    steer.shows(stage="crossed", v_upper=0.031)
    tab_to("q-i_tail_left")
    keys.press("ArrowRight")
    steer.shows(stage="crossed", v_upper=0.031, i_tail_left=1.025e-3)
    tab_to("Play")
    keys.press("Space")
    page.get_by_role("button", name="Stop").wait_for()
    keys.press("Space")
    page.get_by_role("button", name="Play").wait_for()
    tab_to("Reset")
    keys.press("Enter")
    steer.shows()


def test_arrows_switch_stages_and_focus_stays_with_them(steer):
    page = steer.page
    page.locator("[role=radio][data-value=cell]").focus()
    for key, stage in (
        ("ArrowDown", "pair"),
        ("ArrowRight", "shared"),
        ("ArrowDown", "crossed"),
        ("ArrowLeft", "shared"),
        ("ArrowUp", "pair"),
        ("ArrowUp", "cell"),
    ):
        page.keyboard.press(key)
        steer.until(lambda s, stage=stage: s.stage == stage, stage)
        here = focused(page)
        assert (here["role"], here["value"]) == ("radio", stage)


def test_presets_by_keyboard(steer):
    menu = steer.page.get_by_label("Presets\u2026")
    menu.focus()
    steer.page.keyboard.type("Both")
    steer.page.keyboard.press("Enter")
    steer.shows(v_upper=0.0, v_lower=0.0)


def test_skip_link_leads_to_the_page(steer):
    steer.page.locator("body").press("Tab")
    assert focused(steer.page)["text"] == "Skip to the page"
    steer.page.keyboard.press("Enter")
    assert steer.page.url.endswith("#main")


def test_language_title_landmarks_and_one_heading(steer):
    page = steer.page
    assert page.locator("html").get_attribute("lang") == "en"
    assert "Steer" in page.title() and "Forktail" in page.title()
    for role in ("main", "navigation", "banner"):
        assert page.get_by_role(role).count() == 1, role
    assert page.get_by_role("heading", level=1).count() == 1
    current = page.get_by_role("navigation").locator("[aria-current=page]")
    assert current.inner_text() == "Steer"


def test_every_control_has_a_name_of_its_own(steer):
    for stage in STAGES:
        steer.stage(stage)
        steer.until(lambda s, stage=stage: s.stage == stage, stage)
        check_names(steer.page, stage)


def check_names(page, stage):
    """Every control of a stage can be found by role and name."""
    page.locator("details.group").evaluate("n => { n.open = true; }")
    main, common, parts = SteerState(stage=stage).controls()
    for name in (*main, *common, *parts):
        label = SteerState.param[name].label
        assert page.get_by_role("slider", name=label, exact=True).count() == 1, label
        assert page.get_by_role("textbox", name=f"{label}, value with unit").count() == 1
    assert page.get_by_role("slider").count() == len({*main, *common, *parts})
    assert page.get_by_role("radiogroup", name="Stage").get_by_role("radio").count() == 4
    for button in page.get_by_role("button").all():
        assert (button.get_attribute("aria-label") or button.inner_text()).strip()
    for box in page.get_by_role("combobox").all():
        assert box.get_attribute("aria-label")
    assert page.get_by_role("img", name=re.compile("Schematic")).count() == 1


def test_slider_speaks_its_value_with_unit(steer):
    steer.type("v_upper", "12.3mV")
    steer.shows(v_upper=0.0123)
    slider = steer.page.get_by_role("slider", name="Upper input")
    assert plain(slider.get_attribute("aria-valuetext")) == "12.3 mV"


def test_numbers_table_is_in_the_accessibility_tree(steer):
    page = steer.page
    page.get_by_text("Numbers of this scene").focus()
    page.keyboard.press("Enter")
    table = page.get_by_role("table")
    table.wait_for()
    steer.type("v_lower", "-40mV")
    state = steer.shows(v_lower=-0.04)
    rows = readouts.table(state.scene())
    headers = [plain(t) for t in table.get_by_role("rowheader").all_inner_texts()]
    cells = [plain(t) for t in table.get_by_role("cell").all_inner_texts()]
    assert headers == [plain(name) for name, _ in rows]
    assert cells == [plain(value) for _, value in rows]


def test_numbers_table_stays_open_through_a_change_of_stage(steer):
    page = steer.page
    page.get_by_text("Numbers of this scene").click()
    page.get_by_role("table").wait_for()
    steer.stage("pair")
    steer.shows(stage="pair")
    assert page.get_by_role("table").is_visible()


def test_open_group_stays_open_through_a_change_of_stage(steer):
    page = steer.page
    page.locator("details.group > summary").click()
    steer.stage("crossed")
    steer.shows(stage="crossed")
    assert steer.slider("offset_left").is_visible()


def test_scene_is_spoken_once_it_rests(steer):
    status = steer.page.locator(".saying [role=status]")
    assert status.get_attribute("aria-live") == "polite"
    steer.type("v_upper", "-55mV")
    state = steer.shows(v_upper=-0.055)
    status.filter(has_text="to the right load").wait_for(state="attached")
    assert plain(status.text_content()) == plain(readouts.sentence(state.scene()))


def test_message_of_a_bad_entry_is_an_alert(steer):
    steer.type("v_upper", "five")
    steer.page.get_by_role("alert").filter(has_text="'five' is not a value").wait_for()


def test_text_grows_without_loss(open_page):
    # WCAG 2.2, 1.4.10 (reflow): 1280 px at 400 % is 320 px wide
    page = Steer(open_page(width=320, height=640)).page
    assert page.evaluate("document.scrollingElement.scrollWidth") <= 320
    for name in ("v_upper", "v_lower", "i_tail"):
        assert page.locator(f"#q-{name}").bounding_box()["width"] > 100
