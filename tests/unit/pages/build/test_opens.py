"""Every part of the board that can be pressed opens a field of the list of parts."""

import re

import pytest

from forktail.circuits import shipped
from forktail.core.built.circuit import Circuit
from forktail.pages.build.schematic import draw, values
from forktail.pages.build.state import BuildState

FIELDS = Circuit.__dataclass_fields__


@pytest.mark.parametrize("key", shipped())
def test_pressed_parts_open_fields_that_are_there(key):
    circuit = shipped()[key][0]
    drawing = draw(circuit)
    opened = dict(re.findall(r'data-id="part-([^"]+)"[^>]*? data-opens="([^"]+)"', drawing))
    parts = re.findall(r'data-id="part-([^"]+)"', drawing)
    assert opened["R8"] == "r_load_left" and opened["Q1"] == "area1"
    assert {*parts} - {*opened} <= {"I1"}
    assert {f for f in opened.values() if not f.startswith("area")} <= {*FIELDS}


def test_the_part_of_a_fault_that_is_looked_at_is_marked_on_the_board():
    scene = BuildState().scene()
    assert values(scene, looked="open:r_load_left")["part-R8"]["class"] == "part looked"
    assert values(scene)["part-R8"]["class"] == "part"
