"""One table says what lines and marks mean: told apart without colour, and the only one."""

import re
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

import forktail
from forktail.resources import asset_text, assets_dir
from forktail.ui.palette import LINES, MARKS, THEMES, dash_name, swatch
from forktail.ui.shell import frame

from .test_palette import contrast

APP = next(iter(forktail.__path__))
#: Meanings that meet in one plot.
TOGETHER = [
    ("upper", "lower"),
    ("lower", "second lower"),
    ("left", "right"),
    ("output", "relation", "textbook"),
    ("output", "second", "third", "relation", "other relation", "guide", "other guide"),
    ("captured", "predicted", "cause"),
    ("difference", "cause difference"),
]


def differ(one, other):
    """Whether two lines are told apart in grey: by their dashes, or by one twice as broad."""
    a, b = LINES[one], LINES[other]
    broad, fine = max(a.width, b.width), min(a.width, b.width)
    return a.dash != b.dash or broad >= 2.0 * fine


@pytest.mark.parametrize("names", TOGETHER, ids=lambda names: names[0])
def test_lines_that_meet_are_told_apart_without_colour(names):
    alike = [pair for pair in combinations(names, 2) if not differ(*pair)]
    assert not alike


def test_no_two_meanings_look_the_same():
    looks = [(s.colour, s.width, s.dash, s.opacity) for s in LINES.values()]
    assert len(set(looks)) == len(looks)
    for what in ("marker", "sign", "words"):
        assert len({getattr(m, what) for m in MARKS.values()}) == len(MARKS), what


@pytest.mark.parametrize("theme", THEMES)
def test_every_line_and_mark_stands_off_its_ground(theme):
    # WCAG 2.2, 1.4.11: 3:1 for graphics; the zero line carries nothing that the ticks do not say
    colours = THEMES[theme]
    ground = np.array([int(colours["panel"][i : i + 2], 16) for i in (1, 3, 5)])
    for name, look in [*LINES.items(), *MARKS.items()]:
        if name == "zero":
            continue
        ink = np.array([int(colours[look.colour][i : i + 2], 16) for i in (1, 3, 5)])
        share = getattr(look, "opacity", 1.0)
        seen = np.round(share * ink + (1.0 - share) * ground).astype(int)
        assert contrast("#" + bytes(seen.tolist()).hex(), colours["panel"]) >= 3.0, name


def test_colours_say_the_same_everywhere():
    for name in ("upper", "lower"):
        assert MARKS[f"{name} leak"].colour == LINES[name].colour
    for name in ("wanted", "sum", "difference"):
        assert MARKS[name].colour == LINES["output"].colour == LINES["predicted"].colour
    # what is left and right in the drawing is nothing else anywhere
    for name, look in [*LINES.items(), *MARKS.items()]:
        assert look.colour not in ("left", "right") or name == look.colour, name


def test_no_page_has_a_colour_or_a_dash_of_its_own():
    own = re.compile(
        r'line_dash|dashed"|dotted"|line_color="(?!colour|panel|ink|soft|rule)|["\'(]#[0-9a-f]{6}\b'
    )
    found = []
    for part in ("pages", "lessons", "ui"):
        for file in sorted(Path(APP, part).rglob("*.py")):
            if file.name in ("palette.py", "plots.py", "qr.py"):  # a camera reads black on white
                continue
            for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
                if own.search(line):
                    found.append(f"{file.name}:{number}: {line.strip()}")
    assert not found, "\n".join(found)


def test_keys_show_the_lines_of_the_table():
    for page, names in (
        ("build", ("output", "textbook")),
        ("compare", ("captured", "predicted", "cause", "difference", "cause difference")),
    ):
        text = frame(page, asset_text(f"pages/{page}/body.html"), f"/{page}")
        assert "[[line" not in text
        for name in names:
            assert swatch(name) in text, name


def test_paper_has_the_colours_of_the_table():
    light = THEMES["light"]
    text = (assets_dir() / "pages/lesson/handout.css").read_text(encoding="utf-8")
    for name in ("left", "right", "upper", "lower", "accent"):
        assert f"--{name}: {light[name]};" in text, name


def test_dashes_have_names():
    assert [dash_name(n) for n in ("output", "right", "textbook", "second")] == [
        "",
        "dashed",
        "dotted",
        "dash-dot",
    ]
