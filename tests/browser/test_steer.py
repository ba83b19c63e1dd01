"""The Steer page used as its user does, every number on it compared with the core."""

import csv
import io
import tomllib
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import expect
from steer_driver import SPECS, Steer, differences, plain

from conftest import choose_export
from forktail.pages.steer.state import PRESETS, STAGES, SteerState
from forktail.ui.palette import THEMES, diverging

ODD = dict(
    v_upper=0.0123456789,
    v_lower=-0.0371,
    i_tail=1.7e-3,
    r_load=1.2e3,
    temperature=310.4,
    offset_left=1.1e-3,
    r_emitter_lower=47.0,
)


@pytest.fixture
def steer(open_page):
    """The page in its default scene."""
    return Steer(open_page())


def test_default_scene_shows_what_the_core_says(steer):
    steer.shows()


def test_dragging_a_slider_moves_ribbons_sentence_and_point(steer):
    before = steer.look()
    steer.drag_slider("v_upper", 0.6, 0.2)
    during = steer.until(lambda s: s.v_upper < -0.05, "v_upper below -50 mV")
    steer.page.mouse.up()
    after = steer.look()
    assert during.v_upper == SPECS["v_upper"].at_step(after["sliders"]["v_upper"][0])
    for k in (1, 2, 3, 4):
        assert after["widths"][f"ribbon{k}"] != before["widths"][f"ribbon{k}"]
        assert after["texts"][f"i{k}"] != before["texts"][f"i{k}"]
    assert after["sentence"] != before["sentence"] and "to the right load" in after["sentence"]
    assert after["plots"]["map"]["point"][0] < -50
    assert after["plots"]["map"]["point"][1] == before["plots"]["map"]["point"][1]


def test_tail_slider_scales_every_ribbon_and_leaves_the_picture(steer):
    before = steer.look()
    steer.drag_slider("i_tail", 0.5, 0.25)
    steer.page.mouse.up()
    state = steer.until(lambda s: 0.8e-3 < s.i_tail < 1.2e-3, "about half of the tail")
    after = steer.look()
    for k in range(1, 5):
        ratio = float(after["widths"][f"ribbon{k}"]) / float(before["widths"][f"ribbon{k}"])
        assert ratio == pytest.approx(state.i_tail / 2e-3, abs=2e-3)
    assert after["plots"]["map"]["point"] == before["plots"]["map"]["point"]


def test_dragging_the_point_of_the_map_moves_both_sliders_and_both_curves(steer):
    before = steer.look()
    plot = before["plots"]["map"]
    steer.drag_map(-120, 90)
    state = steer.until(lambda s: s.v_upper < 0 and s.v_lower < 0, "both inputs negative")
    after = steer.look()
    for name in ("v_upper", "v_lower"):
        assert after["sliders"][name] != before["sliders"][name]
    at = after["plots"]["map"]["at"]
    assert at == pytest.approx([plot["at"][0] - 120, plot["at"][1] + 90], abs=1.5)
    assert state.v_upper * state.v_lower > 0 and "output +" in plain(after["sentence"])
    for name in ("across", "up"):
        assert after["plots"][name]["curve"] != before["plots"][name]["curve"]


def test_dragging_beyond_the_map_holds_the_point_at_its_edge(steer):
    steer.drag_map(-700, -60)
    state = steer.until(lambda s: s.v_upper == -0.1, "upper input at the edge")
    assert state.v_lower > 0.02


def test_clicking_the_map_sets_the_point(steer):
    x, y = steer.look()["plots"]["map"]["at"]
    steer.page.mouse.click(x + 60, y + 40)
    state = steer.until(lambda s: s.v_upper > 0.03, "upper input to the right")
    assert state.v_lower < 0.02


def test_map_of_crossed_pairs_drags_the_two_tails_and_keeps_their_sum(steer):
    steer.stage("crossed")
    steer.shows(stage="crossed")
    steer.drag_map(30, -80)
    state = steer.until(lambda s: s.i_tail_left > 1.1e-3, "left tail larger")
    assert state.i_tail_left + state.i_tail_right == pytest.approx(2e-3, rel=1e-12)
    assert "left tail is larger" in plain(steer.look()["sentence"])


def test_typed_entry_with_units(steer):
    typed = {}
    for name, text, value in (
        ("v_upper", "12mV", 0.012),
        ("i_tail", "1.5 mA", 1.5e-3),
        ("r_load", "2k2", 2.2e3),
        ("v_lower", "\u22127,5 mV", -7.5e-3),
        ("temperature", "310K", 310.0),
        ("v_upper", "1.5", 1.5),
        ("v_supply", "9 V", 9.0),
    ):
        typed[name] = value
        steer.type(name, text)
        steer.shows(**typed)


def test_bad_entry_says_why_and_loses_nothing(steer):
    steer.type("v_upper", "33mV")
    steer.shows(v_upper=0.033)
    row = steer.page.locator(".row", has=steer.entry("v_upper"))
    for text, parts in (
        ("5 apples", ["5 apples", "apples", "10mV"]),
        ("2mA", ["a current", "a voltage"]),
        ("50V", ["out of range", "-10 V to 10 V"]),
    ):
        steer.type("v_upper", text)
        alert = row.get_by_role("alert")
        alert.filter(has_text=parts[0]).wait_for()
        assert all(part in alert.inner_text() for part in ["Upper input", *parts])
        assert steer.entry("v_upper").input_value() == text
        assert steer.entry("v_upper").get_attribute("aria-invalid") is not None
    # other controls go on working, and the bad text still stands
    steer.slider("v_lower").press("ArrowRight")
    steer.page.wait_for_url("**v_lower=21mV")
    assert steer.entry("v_upper").input_value() == "50V"
    steer.entry("v_upper").press("Escape")
    assert plain(steer.entry("v_upper").input_value()) == "33.0 mV"
    assert row.get_by_role("alert").count() == 0
    steer.shows(v_upper=0.033, v_lower=0.021)


def test_good_entry_clears_the_message(steer):
    steer.type("v_upper", "many")
    steer.page.get_by_role("alert").filter(has_text="many").wait_for()
    steer.type("v_upper", "20mV")  # the very value that holds: still a good entry
    steer.page.get_by_role("alert").filter(has_text="many").wait_for(state="detached")
    steer.shows()


def test_arrow_keys_on_slider_and_entry(steer):
    steer.slider("v_upper").focus()
    steer.page.keyboard.press("ArrowRight")
    steer.shows(v_upper=0.021)
    steer.page.keyboard.press("ArrowLeft")
    steer.page.keyboard.press("ArrowLeft")
    steer.shows(v_upper=0.019)
    steer.entry("i_tail").focus()
    steer.page.keyboard.press("ArrowUp")
    steer.shows(v_upper=0.019, i_tail=2.05e-3)
    steer.page.keyboard.press("Shift+ArrowDown")
    steer.shows(v_upper=0.019, i_tail=1.55e-3)
    steer.slider("v_lower").press("Home")
    steer.shows(v_upper=0.019, i_tail=1.55e-3, v_lower=-0.1)


def test_each_stage_shows_its_own_scene_and_controls(steer):
    for stage in STAGES:
        steer.stage(stage)
        steer.until(lambda s, stage=stage: s.stage == stage, stage)
        steer.type("v_upper", f"-3{len(stage)}mV")
        steer.shows(stage=stage, v_upper=-0.03 - 0.001 * len(stage))


def test_every_preset_loads(steer):
    menu = steer.page.get_by_label("Presets\u2026")
    for stage in STAGES:
        steer.stage(stage)
        steer.until(lambda s, stage=stage: s.stage == stage, stage)
        assert menu.locator("option").all_text_contents()[1:] == list(PRESETS[stage])
        for name, settings in PRESETS[stage].items():
            menu.select_option(name)
            wanted = SteerState()
            wanted.apply_texts({"stage": stage, **settings})
            steer.until(lambda s, wanted=wanted: s.query() == wanted.query(), name)


def test_play_moves_the_input_and_stops(steer):
    steer.page.get_by_label("What Play moves").select_option("v_lower")
    steer.page.get_by_role("button", name="Play").click()
    stop = steer.page.get_by_role("button", name="Stop")
    assert stop.get_attribute("aria-pressed") == "true"
    seen = set()
    for _ in range(100):
        seen.add(steer.look()["widths"]["ribbon1"])
        if len(seen) > 4:
            break
        steer.page.wait_for_timeout(60)
    assert len(seen) > 4, "the ribbons do not move"
    stop.click()
    assert steer.page.get_by_role("button", name="Play").get_attribute("aria-pressed") == "false"
    state = steer.until(lambda s: s.v_lower != 0.02, "lower input moved")
    assert state.v_upper == 0.02
    steer.page.wait_for_timeout(300)
    assert differences(steer.look(), state) == []  # at rest again


def test_touching_a_slider_ends_play(steer):
    steer.page.get_by_role("button", name="Play").click()
    # what it shows is compared at rest, below: a moving scene is another one a frame later
    steer.page.wait_for_function("() => location.search.includes('v_upper')")
    steer.slider("i_tail").press("ArrowRight")
    steer.page.get_by_role("button", name="Play").wait_for()
    steer.until(lambda s: s.i_tail == 2.05e-3, "tail a step up")


def test_what_is_typed_and_not_entered_outlives_a_change_of_stage(steer):
    entry = steer.page.locator("#q-v_upper-entry")
    entry.click()
    entry.press_sequentially("31")
    # the scene of a presenter: another stage, and so other rows, while somebody types
    steer.page.evaluate("""() => window.dispatchEvent(new CustomEvent("forktail-follow",
        {detail: {query: "stage=crossed"}}))""")
    steer.page.locator("#q-i_tail_left").wait_for()
    assert entry.input_value() == "31"
    steer.page.keyboard.type("mV")
    steer.page.keyboard.press("Enter")
    steer.shows(stage="crossed", v_upper=0.031)


def test_reset_restores_the_default_scene(steer):
    steer.stage("crossed")
    steer.type("v_upper", "77mV")
    steer.page.get_by_label("Keep the colour scale").check()
    steer.shows(stage="crossed", v_upper=0.077, hold_scale=True)
    steer.page.get_by_role("button", name="Reset").click()
    steer.shows()
    assert not steer.page.get_by_label("Keep the colour scale").is_checked()


@pytest.mark.parametrize(
    "numbers",
    [
        ODD,
        dict(stage="crossed", i_tail_left=1.23e-3, i_tail_right=0.4e-3, v_upper=-0.0421),
        dict(stage="shared", v_second=-0.0333, offset_right=-2.2e-3, v_upper=3.2),
    ],
    ids=lambda n: n.get("stage", "cell") + f" {len(n)}",
)
def test_a_link_restores_the_exact_scene(open_page, numbers):
    state = SteerState(**numbers)
    steer = Steer(open_page("?" + state.query()))
    shown = steer.shows(**numbers)
    assert shown.param.values() == {**state.param.values(), "name": shown.name}


def test_copied_link_opens_the_same_numbers_elsewhere(open_page):
    here = Steer(open_page(permissions=["clipboard-read", "clipboard-write"]))
    here.type("v_upper", "12.3456 mV")
    here.drag_slider("v_lower", 0.6, 0.9)
    here.page.mouse.up()
    here.until(lambda s: s.v_lower > 0.06 and s.v_upper == 0.0123456)
    here.page.get_by_role("button", name="Copy link").click()
    here.page.get_by_role("button", name="Copied").wait_for()
    link = here.page.evaluate("navigator.clipboard.readText()")
    assert link == here.page.url and "v_upper=12.3456mV" in link
    there = Steer(open_page(link.split("/")[-1]))
    there.until(lambda s: s.query() == here.url_state().query())
    for part in ("texts", "widths", "sentence", "table", "entries", "sliders"):
        assert there.look()[part] == here.look()[part]


def test_broken_link_says_which_part_was_not_understood(open_page):
    steer = Steer(open_page("?v_upper=5apples&v_lower=33mV&colour=red&stage=five"))
    notice = plain(steer.page.locator(".notice").inner_text())
    for part in ("Upper input", "5apples", "'colour' is not a setting", "'five' is not known"):
        assert part in notice
    assert "Lower input" not in notice
    steer.shows(v_lower=0.033)
    steer.page.locator(".notice").get_by_role("button", name="Close").click()
    assert not steer.page.locator(".notice").is_visible()


def test_saved_file_loads_in_another_session(open_page, tmp_path):
    here = Steer(open_page("?" + SteerState(**ODD).query()))
    here.shows(**ODD)
    with here.page.expect_download() as download:
        here.page.get_by_role("button", name="Save", exact=True).click()
    assert download.value.suggested_filename == "forktail-steer.toml"
    path = tmp_path / "scene.toml"
    download.value.save_as(path)
    assert tomllib.loads(path.read_text())["scene"]["page"] == "steer"
    there = Steer(open_page("?stage=pair&v_upper=-90mV"))
    with there.page.expect_file_chooser() as chooser:
        there.page.get_by_role("button", name="Load", exact=True).click()
    chooser.value.set_files(path)
    there.shows(**ODD)


def test_bad_file_is_refused_and_nothing_changes(open_page, tmp_path):
    steer = Steer(open_page("?v_upper=44mV"))
    path = tmp_path / "bad.toml"
    notice = steer.page.locator(".notice")
    for text, part in (
        ("no scene here [", "the file is not TOML"),
        ("a = 1", "no [scene] table"),
        ('[scene]\npage = "uses"', "a scene of the page 'uses'"),
    ):
        path.write_text(text)
        steer.page.locator("input[type=file]").set_input_files(path)
        notice.filter(has_text=part).wait_for()
        steer.shows(v_upper=0.044)
    # the same file, mended, can be chosen again
    path.write_text('[scene]\nv_upper = "45mV"\nv_lower = "many"')
    steer.page.locator("input[type=file]").set_input_files(path)
    notice.filter(has_text="Lower input: 'many' is not a value").wait_for()
    steer.shows(v_upper=0.045)


def download(steer, plot, kind):
    """Press an export button; the bytes of the file and its name."""
    with steer.page.expect_download() as got:
        choose_export(steer.page, plot, kind)
    with open(got.value.path(), "rb") as file:
        return got.value.suggested_filename, file.read()


@pytest.mark.parametrize("stage", ["cell", "pair"])
def test_csv_of_every_plot_matches_the_core(open_page, stage):
    numbers = dict(stage=stage, v_upper=0.0137, v_lower=-0.025, i_tail=1.5e-3, r_load=2e3)
    steer = Steer(open_page("?" + SteerState(**numbers).query()))
    state = steer.shows(**numbers)

    def table(plot):
        name, data = download(steer, plot, "csv")
        assert name == f"forktail-{plot}.csv"
        rows = list(csv.reader(io.StringIO(data.decode())))
        return rows[0], rows[1:]

    head, rows = table("schematic")
    values = dict(rows)
    point = state.scene().point
    assert float(values["v_out_V"]) == point.v_out
    assert [float(values[f"i_Q{k}_A"]) for k in range(1, 5)] == list(point.i_upper)

    head, rows = table("map")
    assert head == ["v_upper_V", {"cell": "v_lower_V", "pair": "i_tail_A"}[stage], "v_out_V"]
    grid = np.array(rows, float)
    x, y, z = state.map_grid()
    assert grid.shape == (x.size * y.size, 3)
    np.testing.assert_allclose(grid[:, 2], z.ravel() * state.map_scale(), rtol=1e-7, atol=1e-12)
    np.testing.assert_allclose(grid[: x.size, 0], x, rtol=1e-5)

    curves = [(s[1], s[2]) for s in state.sections()]
    if stage == "pair":
        curves[1] = state.gain_against_tail()
    for plot, (x, y) in zip(("across", "up"), curves):
        head, rows = table(plot)
        data = np.array(rows, float)
        np.testing.assert_allclose(data[:, 0], x, rtol=1e-5, atol=1e-12)
        np.testing.assert_allclose(data[:, 1], y, rtol=1e-7, atol=1e-12)
    assert head[1].startswith("gain" if stage == "pair" else "output_V")


def test_pictures_of_every_plot(steer):
    for plot in ("map", "across", "up", "schematic"):
        check_pictures(steer, plot)


def check_pictures(steer, plot):
    """PNG and SVG of one plot are pictures of it, on paper of their own."""
    name, data = download(steer, plot, "png")
    assert name == f"forktail-{plot}.png" and data.startswith(b"\x89PNG\r\n\x1a\n")
    image = Image.open(io.BytesIO(data)).convert("RGBA")
    assert image.width > 150 and image.height > 100
    colours = image.getcolors(image.width * image.height)
    assert len(colours) > 20  # drawn, not blank
    most = max(colours)[1]
    if plot != "map":
        assert most[:3] == tuple(bytes.fromhex(THEMES["light"]["panel"][1:])) and most[3] == 255
    name, data = download(steer, plot, "svg")
    assert name == f"forktail-{plot}.svg"
    text = data.decode()
    tree = ElementTree.fromstring(text)
    assert tree.tag == "{http://www.w3.org/2000/svg}svg"
    assert len(list(tree.iter())) > 20
    links = [v for node in tree.iter() for k, v in node.attrib.items() if k.endswith("href")]
    assert all(link.startswith(("data:", "#")) for link in links)  # stands alone
    if plot == "schematic":
        ribbons = {
            n.get("data-id"): n
            for n in tree.iter()
            if (n.get("data-id") or "").startswith("ribbon")
        }
        assert len(ribbons) == 4
        for name, width in steer.look()["widths"].items():
            style = dict(part.split(":", 1) for part in ribbons[name].get("style").split(";"))
            assert float(style["stroke-width"].removesuffix("px")) == pytest.approx(float(width))


def test_theme_changes_plots_and_page_and_is_remembered(open_page):
    steer = Steer(open_page(color_scheme="light"))
    page = steer.page

    def check(theme):
        page.wait_for_function("t => document.documentElement.dataset.theme === t", arg=theme)
        for _ in range(100):
            plots = steer.look()["plots"]
            if all(p["ink"] == THEMES[theme]["ink"] for p in plots.values()):
                break
            page.wait_for_timeout(40)
        assert {p["ink"] for p in plots.values()} == {THEMES[theme]["ink"]}
        ends = diverging(theme)
        assert plots["map"]["palette"] == [ends[0], ends[-1]]
        ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
        rgb = bytes.fromhex(THEMES[theme]["paper"][1:])
        assert ground == f"rgb({rgb[0]}, {rgb[1]}, {rgb[2]})"

    check("light")
    page.locator("#forktail-theme").click()
    check("dark")
    page.reload()
    steer = Steer(page)
    check("dark")
    page.locator("#forktail-theme").click()
    check("light")


def test_theme_follows_the_system_at_first(open_page):
    page = open_page(color_scheme="dark")
    assert page.evaluate("document.documentElement.dataset.theme") == "dark"


def test_held_colour_scale_is_sent_to_the_map(steer):
    steer.page.get_by_label("Keep the colour scale").check()
    steer.shows(hold_scale=True)
    steer.type("i_tail", "1mA")
    steer.shows(hold_scale=True, i_tail=1e-3)
    assert steer.look()["plots"]["map"]["high"] == pytest.approx(2.0)
    steer.page.get_by_label("Keep the colour scale").uncheck()
    steer.shows(i_tail=1e-3)
    assert steer.look()["plots"]["map"]["high"] == 1.0


def test_two_sessions_do_not_disturb_each_other(open_page):
    one, two = Steer(open_page()), Steer(open_page("?stage=pair"))
    one.type("v_upper", "55mV")
    one.shows(v_upper=0.055)
    two.shows(stage="pair")


# layout


def test_sliders_schematic_and_map_are_in_view_together(steer):
    for stage in STAGES:
        steer.stage(stage)
        steer.until(lambda s, stage=stage: s.stage == stage, stage)
        check_in_view(steer, stage)


def check_in_view(steer, stage):
    """All of the scene lies in a window of 1440 by 900."""
    page = steer.page
    main, common, _ = SteerState(stage=stage).controls()
    targets = [steer.slider(n) for n in (*main, *common)]
    targets += [
        page.locator("svg.schematic"),
        page.locator("#plot-map"),
        page.locator(".sentence"),
        page.locator("#plot-across"),
        page.locator("#plot-up"),
    ]
    for target in targets:
        box = target.bounding_box()
        assert box["x"] >= 0 and box["y"] >= 0 and box["width"] > 50 and box["height"] > 5
        assert box["x"] + box["width"] <= 1440 and box["y"] + box["height"] <= 900, box
    assert page.evaluate("document.scrollingElement.scrollWidth") <= 1440
    assert page.locator("svg.schematic").bounding_box()["height"] > 300


@pytest.mark.parametrize("width, height", [(390, 844), (360, 640), (820, 1180), (1920, 1080)])
def test_nothing_scrolls_sideways(open_page, width, height):
    phone = width < 500
    steer = Steer(open_page(width=width, height=height, is_mobile=phone, has_touch=phone))
    page = steer.page
    for stage in STAGES:
        steer.stage(stage)
        steer.until(lambda s, stage=stage: s.stage == stage, stage)
        assert page.evaluate("innerWidth") == width
        assert page.evaluate("document.scrollingElement.scrollWidth") <= width
        beyond = page.evaluate("""() => [...document.querySelectorAll("main *")].filter((n) => {
            const b = n.getBoundingClientRect();
            return b.width > 0 && (b.right > innerWidth + 1 || b.left < -1);
        }).map((n) => n.tagName + "." + n.className)""")
        assert beyond == []


def test_phone_drags_a_slider_and_sees_the_schematic(open_page):
    steer = Steer(open_page(width=390, height=844, is_mobile=True, has_touch=True))
    steer.slider("v_lower").scroll_into_view_if_needed()
    steer.slider("v_lower").press("ArrowRight")
    steer.shows(v_lower=0.021)
    drawing, slider = (
        loc.bounding_box() for loc in (steer.page.locator("svg.schematic"), steer.slider("v_lower"))
    )
    assert 0 <= drawing["y"] + 1 and drawing["y"] + drawing["height"] <= 844
    assert slider["y"] + slider["height"] <= 844 and slider["y"] > drawing["y"]


def test_projector_text_reads_from_the_back_row(open_page):
    steer = Steer(open_page(width=1920, height=1080))
    size = steer.page.locator(".sentence").evaluate("n => parseFloat(getComputedStyle(n).fontSize)")
    assert size >= 22  # about 2 % of the picture's height (common practice, no source)
    value = steer.page.locator("svg.schematic [data-id=v_out]").bounding_box()
    assert value["height"] > 30


def test_a_pointer_that_rests_before_it_moves_still_drags(open_page):
    """A teacher presses, talks, then drags: the rest must not turn the drag into a press."""
    page = open_page()
    box = page.locator("#plot-map .canvas").bounding_box()
    x, y = box["x"] + 0.4 * box["width"], box["y"] + 0.4 * box["height"]
    page.mouse.move(x, y)
    page.mouse.down()
    page.wait_for_timeout(800)
    before = page.locator("#q-v_upper-entry").input_value()
    page.mouse.move(x + 40, y, steps=4)
    expect(page.locator("#q-v_upper-entry")).not_to_have_value(before)
    page.mouse.up()
