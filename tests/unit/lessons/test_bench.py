"""What the benches take, and the fields for readings on a worksheet."""

import re
from dataclasses import replace

from forktail.lessons.bench import bench_parts, board_parts, parts_text
from forktail.lessons.handout import handout
from forktail.lessons.library import read_library
from forktail.lessons.listing import reading
from forktail.resources import lessons_dir

LIBRARY = read_library(lessons_dir())


def test_every_bench_says_what_it_takes():
    for entry in LIBRARY.entries:
        assert entry.lesson.parts, entry.folder


def test_the_list_adds_up_to_the_most_that_one_bench_takes():
    one, two = (e.lesson for e in LIBRARY.entries[:2])
    entries = (
        replace(LIBRARY.entries[0], lesson=replace(one, parts={"pair": 2, "meter": 1})),
        replace(LIBRARY.entries[1], lesson=replace(two, parts={"pair": 6})),
        replace(LIBRARY.entries[0], lesson=replace(one, parts={"pair": 4, "hum {": 1})),
    )
    library = replace(LIBRARY, entries=entries)
    assert bench_parts(library) == [("pair", 6, (1, 2, 3)), ("meter", 1, (1,)), ("hum {", 1, (3,))]
    assert "| 6 | pair | 1 to 3 |" in parts_text(library).source
    html = reading(LIBRARY, "parts")["html"].replace("\u00a0", " ")
    assert "npn transistor" in html and "<td>1 to 8</td>" in html and "R8" in html


def test_the_board_is_listed_part_by_part():
    rows = {refs: value for refs, _, value in board_parts()}
    assert rows["R8"] == "2.20 kΩ" and rows["R19, R20"] == "100 Ω" and rows["C7, C8"] == "1.00 nF"
    assert not any(refs.startswith("G") for refs in rows)


def test_a_bench_step_has_a_field_for_each_reading():
    lesson = LIBRARY.lesson("one-pair")
    text = handout(lesson, "1")
    (table,) = re.findall(r'<table class="meter readings">.*?</table>', text, re.S)
    rows = re.findall(r"<tr><td>(\d+)</td><td>([^<]+)</td><td></td></tr>", table)
    # the drops of 2 mA through 1 kohm, split by 10 mV: 1.19 V and 0.81 V; their sum is the tail
    assert [n for n, _ in rows] == ["2", "3", "4", "4", "4", "5"]
    assert rows[0][1].startswith("1.19") and rows[1][1].startswith("80") and "2.00" in rows[-1][1]
    assert "For this bench: 2&nbsp;&times; npn" in text
