"""An offset is drawn as a source in a base lead, and the tags count it."""

import pytest

from forktail.pages.steer.schematic import LAYOUTS, draw, values
from forktail.pages.steer.state import SteerState


def shown(**texts):
    state = SteerState()
    assert state.apply_texts(texts) == []
    scene = state.scene()
    return scene, values(scene)


@pytest.mark.parametrize("stage", list(LAYOUTS))
def test_every_offset_has_a_place_in_the_drawing(stage):
    _, out = shown(stage=stage, offset_left="2mV")
    drawn = draw(stage)
    for name in out:
        assert f'data-id="{name}"' in drawn or name.startswith(("tag3", "i")), name
    assert out["offset1"]["hidden"] is None and out["offset1-value"]["#"] == "+2.00 mV"


def test_the_base_that_wins_is_tagged_higher_whatever_the_offset():
    # 5 mV of signal against 8 mV of offset: Q6 takes more than half of the tail
    scene, out = shown(stage="cell", v_upper="20mV", v_lower="5mV", offset_lower="-8mV")
    assert scene.point.i_lower[1] > scene.point.i_lower[0]
    assert "lower" in out["tag5"]["#"] and "higher" in out["tag6"]["#"]
    assert out["offset5-value"]["#"] == "\u22128.00 mV"


@pytest.mark.parametrize("stage", ["shared", "crossed", "cell"])
@pytest.mark.parametrize("offset", ["-30mV", "0V", "30mV"])
def test_tags_of_the_outer_transistors_say_who_carries_more(stage, offset):
    scene, out = shown(
        stage=stage, v_upper="10mV", v_second="10mV", v_lower="5mV",
        offset_left=offset, offset_right=offset,
    )  # fmt: skip
    i = scene.point.i_upper
    assert ("higher" in out["tag1"]["#"]) == (i[0] > i[1])
    assert ("higher" in out["tag4"]["#"]) == (i[3] > i[2])
