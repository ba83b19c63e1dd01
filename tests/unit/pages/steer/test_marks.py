"""What is marked on the picture: voltages that cannot be; numbers that ribbons pass under."""

import re

import pytest

from forktail.pages.steer.schematic import draw, values
from forktail.pages.steer.state import STAGES, SteerState
from forktail.resources import asset_text

RIM = re.compile(r"\.schematic text \{ paint-order: stroke; stroke: (\S+); stroke-width: (\d+)px")


def marks(**settings):
    return values(SteerState(stage="cell", **settings).scene())


def test_a_supply_that_is_too_low_is_said_on_the_picture():
    out = marks(i_tail=38e-3, v_supply=3.0, v_upper=20e-3, v_lower=20e-3)
    assert "cannot be" in out["cannot"]["#"]
    # by Ohm's law 21.6 V and 16.4 V are dropped, of a supply of 3 V
    for side in ("left", "right"):
        assert out[f"node-{side}"]["#"].startswith("! \u2212")
        assert "warn" in out[f"node-{side}"]["class"]


def test_nothing_is_marked_where_the_prediction_holds():
    out = marks(v_upper=20e-3, v_lower=20e-3)
    assert out["cannot"]["#"] == ""
    assert all(out[f"node-{s}"]["class"] == "t-m" for s in ("left", "right"))


@pytest.mark.parametrize("stage", STAGES)
def test_each_stage_has_the_place_of_the_mark(stage):
    assert 'data-id="cannot"' in draw(stage)


@pytest.mark.parametrize(
    "sheet", ["ui/app.css", "pages/lesson/handout.css", "pages/plan/style.css"]
)
def test_numbers_have_a_rim_of_the_ground_on_screen_and_on_paper(sheet):
    """So the contrast of a number is that of its ink on the ground, whatever passes under it.

    Ribbons grow to 112 units, and no place near a branch is free of them over all settings; the
    contrast of ink and ground is held by `test_palette`.
    """
    stroke, width = RIM.search(asset_text(sheet)).groups()
    assert stroke.rstrip(";") in ("var(--panel)", "#fff") and int(width) >= 6
