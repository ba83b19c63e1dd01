"""What the Steer page says and draws: every word and width follows from the core's numbers."""

import csv
import io
import json
import re
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from forktail.core.quantities import format_quantity, format_signed, parse_quantity
from forktail.pages.steer import schematic
from forktail.pages.steer import words as readouts
from forktail.pages.steer.state import STAGES, SteerState
from forktail.ui.output_map import OutputMap
from forktail.ui.state import Quantity
from forktail.ui.text import keep_together

SPECS = {n: p for n, p in SteerState.param.objects().items() if isinstance(p, Quantity)}
on_sliders = st.builds(
    lambda stage, at: SteerState(stage=stage, **at),
    st.sampled_from(sorted(STAGES)),
    st.fixed_dictionaries(
        {}, optional={n: st.integers(0, p.steps()).map(p.at_step) for n, p in SPECS.items()}
    ),
)


def state(stage, **numbers):
    return SteerState(stage=stage, **numbers)


def said(scene):
    return readouts.sentence(scene)


@given(on_sliders)
def test_sentence_ends_in_the_output_of_the_core(s):
    scene = s.scene()
    text = said(scene)
    shown = text.rsplit("output", 1)[1].removeprefix(" of").strip().rstrip(".")
    assert parse_quantity(shown, "V") == pytest.approx(
        float(scene.point.v_out), rel=0.006, abs=1e-30
    )
    if scene.point.v_out > 0:
        assert shown.startswith("+")
    assert "nan" not in text and "inf" not in text and text.endswith(".")


@given(on_sliders)
def test_percentages_of_the_sentence_are_those_of_the_pairs(s):
    scene = s.scene()
    i, text = scene.point.i_upper, said(scene)
    numbers = [int(n) for n in re.findall(r"(\d+) %", text)]
    if s.stage == "cell" and numbers:
        i5, i6 = scene.point.i_lower
        assert numbers[0] == pytest.approx(100 * max(i5, i6) / (i5 + i6), abs=0.501)
        own = i[:2] if i5 > i6 else i[2:]
        shares = 100 * own / own.sum()
        for number in numbers[1:]:
            assert number == pytest.approx(shares.max(), abs=0.501)
            better = "left load" if shares[0] > shares[1] else "right load"
            assert text.split(" %) to the ")[1].startswith(better)
    if s.stage == "pair":
        for number in numbers:
            assert number == pytest.approx(100 * i.max() / i.sum(), abs=0.501)


# worked by hand with VT = 25.693 mV: tanh(20/51.386) = 0.3707, tanh(50/51.386) = 0.7500
@pytest.mark.parametrize(
    "numbers, parts",
    [
        (
            dict(stage="cell", v_upper=0.02, v_lower=0.02),
            [
                "69 % of the tail to the left pair",
                "most of it (69 %) to the left load",
                "output +275 mV",
            ],
        ),
        (
            dict(stage="cell", v_upper=0.02, v_lower=-0.02),
            ["to the right pair", "to the right load", "output \u2212275 mV"],
        ),
        (dict(stage="cell", v_lower=0.0), ["shares the tail evenly", "output 0 V"]),
        (dict(stage="cell", i_tail=0.0), ["no tail current", "output 0 V"]),
        (dict(stage="cell", v_upper=0.0), ["half of it", "half to the right load"]),
        (
            dict(stage="pair", v_upper=0.2),
            ["nearly all of its tail current (100 %) to the left load"],
        ),
        (dict(stage="pair", v_upper=-0.05), ["most of its tail current (88 %) to the right load"]),
        (
            dict(stage="shared", v_upper=0.02, v_second=-0.02),
            ["+371 mV", "\u2212371 mV", "output 0 V"],
        ),
        (dict(stage="crossed", v_upper=0.03), ["tails are equal", "cancel"]),
        (
            dict(stage="crossed", v_upper=0.0, offset_left=2e-3),
            ["tails are equal", "differ by the offsets: output +38.9 mV"],
        ),
        (
            dict(stage="cell", v_lower=0.0, v_upper=0.0, offset_left=4e-3),
            ["evenly, but the offsets of the upper pairs differ: output +77.7 mV"],
        ),
        (
            dict(stage="crossed", v_upper=-1e-3, offset_left=1e-3, i_tail_left=1.5e-3),
            ["left tail is larger by 500", "but the offsets weigh more"],
        ),
        (
            dict(stage="crossed", i_tail_left=1.5e-3, i_tail_right=0.5e-3, v_upper=0.02),
            ["left tail is larger by 1.00 mA"],
        ),
        (
            dict(stage="crossed", i_tail_left=0.5e-3, v_upper=0.02),
            ["right tail is larger by 500 \u00b5A"],
        ),
    ],
)
def test_sentence_of_known_scenes(numbers, parts):
    text = said(state(**numbers).scene())
    for part in parts:
        assert part in text, text


@given(on_sliders)
def test_why_agrees_with_the_sign_of_the_output(s):
    scene = s.scene()
    v_out, text = float(scene.point.v_out), readouts.why(scene)
    full = float(scene.point.i_tail * scene.point.r_load)
    if full == 0 or abs(v_out) < 1e-6 * full:
        assert "positive" not in text and "negative" not in text
        return
    more, less = ("left", "right") if v_out > 0 else ("right", "left")
    assert f"the {more} load carries more" in text
    assert f"its collector falls below the {less} one" in text
    assert ("is positive" if v_out > 0 else "is negative") in text
    assert scene.point.i_load[("left", "right").index(more)] == scene.point.i_load.max()


@given(on_sliders)
@example(state("pair", v_upper=-0.001, offset_left=0.0011))
@example(state("pair", v_upper=0.0, offset_left=0.002))
@example(
    state(
        "cell",
        v_upper=0.001,
        v_lower=0.001,
        offset_left=-0.004,
        offset_right=-0.004,
        offset_lower=-0.004,
    )
)
@example(state("crossed", v_upper=0.0, offset_left=0.002))
def test_why_says_only_what_the_currents_bear_out(s):
    point, text = s.scene().point, readouts.why(s.scene())
    taker = re.search(r"so (Q\d) takes (more|most)", text)
    if taker:
        k = int(taker[1][1]) - 1
        assert point.i_upper[k] > point.i_upper[k ^ 1]  # its mate: Q1 with Q2, Q3 with Q4
        # that transistor feeds the load which the line ends in
        more = re.search("the (left|right) load carries more", text)[1]
        assert more == ("left", "right")[k % 2]
    tail = re.search(
        r"(?:the (left|right) pair gets more of the tail|the (left|right) tail is)", text
    )
    if tail:
        assert (tail[1] or tail[2]) == ("left", "right")[int(np.argmax(point.i_lower))]
    for name, drive in (("upper", s.v_upper), ("lower", s.v_lower)):
        said = re.search(f"{name} (.) is higher", text)
        if said:
            assert drive != 0 and said[1] == ("+" if drive > 0 else "\u2212")


@pytest.mark.parametrize("stage", STAGES)
def test_table_holds_every_number_of_the_scene(stage):
    s = state(stage, v_upper=0.013, v_lower=0.017, v_second=-0.007, i_tail_left=0.7e-3)
    point, rows = s.scene().point, dict(readouts.table(s.scene()))
    assert len(rows) == len(readouts.table(s.scene()))  # no name twice

    def number(name, unit="V"):
        return parse_quantity(next(v for n, v in rows.items() if n.startswith(name)), unit)

    assert number("Output v_out") == pytest.approx(point.v_out, rel=1e-3)
    assert number("Left collector") == pytest.approx(point.v_left, rel=1e-4)
    assert number("Right collector") == pytest.approx(point.v_right, rel=1e-4)
    assert number("Tail current in all", "A") == pytest.approx(point.i_tail, rel=1e-3)
    assert number("Thermal voltage kT/q at 25.0 \u00b0C") == pytest.approx(25.693e-3, rel=1e-3)
    for k in range(2 if stage == "pair" else 4):
        assert number(f"Q{k + 1}", "A") == pytest.approx(point.i_upper[k], rel=1e-3)
    gain = next(v for n, v in rows.items() if n == "Gain from the upper input")
    said = float(gain.split()[0].replace("\u2212", "-"))
    assert said == pytest.approx(point.gain_upper, abs=6e-4)
    assert ("Q5, tail of the left pair" in rows) == (stage == "cell")


def test_number_and_unit_stay_on_one_line():
    text = "sends 73 % of 2.00 mA, 1.5 k\u03a9 at 25 \u00b0C to the left"
    tied = "sends 73~% of 2.00~mA, 1.5~k\u03a9 at 25~\u00b0C to the left".replace("~", "\u00a0")
    assert keep_together(text) == tied


@given(on_sliders)
def test_sentence_claims_to_cancel_only_what_cancels(s):
    scene = s.scene()
    out, full = abs(float(scene.point.v_out)), s.full_scale()
    if "they cancel" in said(scene):
        assert out <= 1e-6 * full
    if "Q3 and Q4 undo" in said(scene):
        assert out <= 0.011 * full
    if "its pair wins" in said(scene):
        left, right = (abs(scene.point.i_upper[k] - scene.point.i_upper[k + 1]) for k in (0, 2))
        assert left >= right if s.i_tail_left > s.i_tail_right else right >= left


# the schematic


@given(on_sliders)
def test_ribbon_widths_are_the_currents_on_one_scale(s):
    scene = s.scene()
    drawn = schematic.values(scene)
    reference = parse_quantity(drawn["scale-text"]["#"].split(": ")[1], "A")
    per_ampere = float(drawn["scale"]["width"]) / reference
    count = len(schematic.LAYOUTS[s.stage].transistors)
    widths = [float(drawn[f"ribbon{k + 1}"]["stroke-width"]) for k in range(count)]
    np.testing.assert_allclose(
        widths, per_ampere * scene.point.i_upper[:count], atol=0.006 + 0.002 * max(widths)
    )
    assert sum(widths) <= schematic.FULL_WIDTH + 0.05
    for k in range(count):
        assert parse_quantity(drawn[f"i{k + 1}"]["#"], "A") == pytest.approx(
            scene.point.i_upper[k], rel=0.006, abs=1e-18
        )


@given(on_sliders)
def test_ribbons_lie_side_by_side_without_overlap_at_rail_and_tail(s):
    layout = schematic.LAYOUTS[s.stage]
    unit = schematic.FULL_WIDTH / 4e-3
    widths = [unit * float(i) for i in s.scene().point.i_upper[: len(layout.transistors)]]
    lines = schematic.ribbon_points(layout, widths)
    for at in (0, -1):  # at the rail, and at the tail
        spans = sorted(
            (x - w / 2, x + w / 2)
            for (x, _), w in ((line[at], w) for line, w in zip(lines, widths))
        )
        for (_, end), (start, _) in zip(spans, spans[1:]):
            assert start >= end - 1e-6


@pytest.mark.parametrize("stage", STAGES)
def test_drawing_is_well_formed_and_every_moving_part_exists(stage):
    tree = ElementTree.fromstring(schematic.draw(stage))
    ids = [n.get("data-id") for n in tree.iter() if n.get("data-id")]
    assert len(ids) == len(set(ids)) or stage in ("crossed", "cell")
    values = schematic.values(state(stage).scene())
    shared = {"tag3", "tag3-box"}  # Q2 and Q3 share one base line and one tag
    assert set(values) - set(ids) <= (shared if stage in ("crossed", "cell") else set())
    assert set(ids) <= set(values)


@given(on_sliders)
def test_marks_of_the_base_lines_say_which_is_higher(s):
    scene = s.scene()
    drawn = schematic.values(scene)
    # an offset is in series with its base: the mark counts it (the drawing shows it as a source)
    left, right = s.v_upper + s.offset_left, s.v_upper + s.offset_right
    pairs = {"tag1": left}
    if s.stage == "pair":
        pairs.update(tag2=-left)
    elif s.stage == "shared":
        second = s.v_second + s.offset_right
        pairs.update(tag2=-left, tag3=second, tag4=-second)
    else:
        pairs.update(tag4=right)
    if s.stage == "cell":
        lower = s.v_lower + s.offset_lower
        pairs.update(tag5=lower, tag6=-lower)
    for name, drive in pairs.items():
        word = "higher" if drive > 0 else "lower" if drive < 0 else "equal"
        assert word in drawn[name]["#"]
        assert drawn[f"{name}-box"]["data-level"] == f"{np.sign(drive):.0f}".replace("-0", "0")


@given(on_sliders)
def test_texts_of_loads_and_nodes_are_those_of_the_point(s):
    scene = s.scene()
    drawn, point = schematic.values(scene), scene.point
    for n, side in enumerate(("left", "right")):
        node = float(point.v_left if n == 0 else point.v_right)
        # a voltage that cannot be has a mark before it
        assert drawn[f"node-{side}"]["#"].removeprefix("! ") == format_quantity(node, "V", 4)
        assert drawn[f"drop-{side}"]["#"] == "drops " + format_quantity(
            float(point.i_load[n]) * s.r_load, "V"
        )
    assert drawn["v_out"]["#"] == format_signed(float(point.v_out), "V")


def test_only_what_changed_is_sent(monkeypatch):
    view = schematic.SchematicView()
    view.show(state("cell").scene())
    markup = view.markup
    # until a browser looks, every patch is whole
    browser = SimpleNamespace(document=None, data=SimpleNamespace(wire=""))
    monkeypatch.setattr(schematic.SchematicView, "models", [browser])
    view.patch = {}
    view.show(state("cell").scene())
    assert view.patch == {}
    view.show(state("cell", v_supply=13.0).scene())
    assert set(view.patch) == {"supply", "node-left", "node-right"} and view.markup == markup
    count, sent = json.loads(browser.data.wire)
    assert sent == view.patch
    view.patch = sent  # what is said twice arrives twice
    assert json.loads(browser.data.wire) == [count + 1, sent]
    view.show(state("pair").scene())
    assert view.markup != markup


def test_before_a_browser_looks_the_last_patch_is_whole():
    view = schematic.SchematicView()
    for supply in (12.0, 13.0):
        view.show(state("cell", v_supply=supply).scene())
    assert view.patch == schematic.values(state("cell", v_supply=13.0).scene())


def test_limits_are_shown_with_words_not_colour_alone():
    view = readouts.SentenceView()
    view.show(state("cell", r_load=10e3, v_upper=0.04).scene())
    limits = [view.patch[f"limit{n}"] for n in range(3)]
    assert [limit["class"] for limit in limits] == ["bends", "bends", "broken"]
    assert "saturate" in limits[2]["#"] and "past" in limits[0]["#"]
    view.show(state("pair", v_upper=0.001).scene())
    assert not any("lower input" in str(p.get("#")) for p in view.patch.values())


def test_csv_of_the_numbers_matches_the_core():
    s = state("cell", v_upper=0.0123)
    rows = dict(csv.reader(io.StringIO(readouts.TableView().csv(s.scene()))))
    point = s.scene().point
    assert rows["quantity"] == "value"
    assert float(rows["v_out_V"]) == point.v_out
    assert [float(rows[f"i_Q{k}_A"]) for k in range(1, 5)] == list(point.i_upper)
    assert float(rows["gain_lower_V_per_V"]) == point.gain_lower


# the map: the picture is sent again only when it changes


def test_tail_and_load_send_the_scale_not_the_picture():
    view, s = OutputMap(), state("cell")
    view.show(s)
    picture, lines = view.picture.data, view.lines.data
    labels = dict(view.bar.major_label_overrides)
    s.param.update(i_tail=1e-3, r_load=3e3)
    view.show(s)
    assert view.picture.data is picture and view.lines.data is lines
    assert view.bar.major_label_overrides != labels
    assert view.bar.major_label_overrides[1] == "3.0 V"
    s.temperature = 350.0
    view.show(s)
    assert view.picture.data is not picture


def test_moving_the_point_sends_the_point_only():
    view, s = OutputMap(), state("cell")
    view.show(s)
    before = {n: getattr(view, n).data for n in ("picture", "lines", "signs", "labels")}
    s.v_upper = 0.05
    view.show(s)
    assert all(getattr(view, n).data is d for n, d in before.items())
    assert view.point.data["x"][0] == pytest.approx(50.0)


@pytest.mark.parametrize("stage", STAGES)
def test_quadrant_signs_and_picture_are_those_of_the_core(stage):
    view, s = OutputMap(), state(stage)
    view.show(s)
    z = view.picture.data["image"][0]
    x, y, expected = s.map_grid()
    np.testing.assert_allclose(z, expected, atol=1e-6)
    for sx, sy, text in zip(*(view.signs.data[k] for k in ("x", "y", "text"))):
        j, k = (
            np.argmin(np.abs(v * f - at))
            for v, f, at in ((y, view.factors[1], sy), (x, view.factors[0], sx))
        )
        assert text == (
            "+" if expected[j, k] > 1e-3 else "\u2212" if expected[j, k] < -1e-3 else "0"
        )
    if stage == "cell":
        assert sorted(view.signs.data["text"]) == ["+", "+", "\u2212", "\u2212"]


def test_held_scale_keeps_the_colours_when_the_tail_falls():
    view, s = OutputMap(), state("cell", hold_scale=True)
    view.show(s)
    assert (view.mapper.low, view.mapper.high) == (-1.0, 1.0)
    s.i_tail = 1e-3  # half the tail, same colours: the picture fills half of the scale
    view.show(s)
    assert view.mapper.high == pytest.approx(2.0)
    assert view.bar.major_label_overrides[view.mapper.high] == "2.0 V"
    s.hold_scale = False
    view.show(s)
    assert view.mapper.high == 1.0


def test_csv_of_the_map_matches_the_core():
    view, s = OutputMap(), state("cell", i_tail=1e-3)
    view.show(s)
    lines = view.csv(s).splitlines()
    assert lines[0] == "v_upper_V,v_lower_V,v_out_V" and len(lines) == 1 + 120 * 120
    u, w, out = (float(v) for v in lines[1234].split(","))
    one = SteerState(v_upper=u, v_lower=w, i_tail=1e-3).scene().point.v_out
    assert out == pytest.approx(float(one), rel=1e-4)


def test_where_nothing_comes_out_nothing_is_drawn_as_output():
    view, s = OutputMap(), state("cell")
    view.show(s)
    assert all(r.visible for r in view.of_output)
    for nothing in ({"i_tail": 0.0}, {"r_load": 0.0}):
        s.param.update(**{"i_tail": 2e-3, "r_load": 1e3, **nothing})
        view.show(s)
        assert not any(r.visible for r in view.of_output) and view.mapper.high > 1e3
        assert view.bar_ticks.ticks == [0.0]
    s.param.update(i_tail=2e-3, r_load=1e3)
    view.show(s)
    assert all(r.visible for r in view.of_output) and view.mapper.high == 1.0
