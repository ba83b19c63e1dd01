"""Colours: the published palette, one set for scripts and style sheet, contrast, even steps."""

import re

import numpy as np
import pytest

from forktail.resources import asset_text
from forktail.ui.palette import THEMES, diverging, to_oklab

#: Okabe, Ito: Color Universal Design (2008), as RGB per cent in their table: blue (0, 114, 178),
#: sky blue (86, 180, 233), vermillion (213, 94, 0), bluish green (0, 158, 115).
OKABE_ITO = {"#0072b2", "#56b4e9", "#d55e00", "#009e73"}


def luminance(colour):
    """Relative luminance after WCAG 2.2."""
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return linear @ [0.2126, 0.7152, 0.0722]


def contrast(a, b):
    """Contrast ratio after WCAG 2.2."""
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def style(theme):
    """Custom properties of the style sheet that apply in a theme."""
    text = asset_text("ui/app.css")
    blocks = [re.search(r":root \{(.*?)\n\}", text, re.S)[1]]
    if theme == "dark":
        blocks.append(re.search(r':root\[data-theme="dark"\] \{(.*?)\n\}', text, re.S)[1])
    return {
        name: value.strip()
        for block in blocks
        for name, value in re.findall(r"--([\w-]+):\s*([^;]+);", block)
    }


def test_contrast_formula():
    # WCAG 2.2: black on white is 21:1; #767676 on white is the well-known 4.54:1 (from memory)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


def test_categories_are_of_the_published_palette():
    light = THEMES["light"]
    assert {light["left"], light["right"], light["third"]} <= OKABE_ITO
    assert THEMES["dark"]["left"] in OKABE_ITO


@pytest.mark.parametrize("theme", THEMES)
def test_plots_and_style_sheet_use_the_same_colours(theme):
    sheet = style(theme)
    for name in {*THEMES[theme]} - {"map_mid", "map_left", "map_right"}:
        assert sheet[name] == THEMES[theme][name], name


@pytest.mark.parametrize("theme", THEMES)
def test_contrast_of_text_and_of_what_carries_meaning(theme):
    # WCAG 2.2 AA: 4.5:1 for text (1.4.3), 3:1 for graphics and parts of controls (1.4.11)
    sheet = style(theme)
    for ground in ("paper", "panel", "field"):
        for text in ("ink", "soft", "accent"):
            assert contrast(sheet[text], sheet[ground]) >= 4.5, (text, ground)
    for text, ground in (
        ("left-text", "panel"),
        ("right-text", "panel"),
        ("warn", "warn-tint"),
        ("warn", "panel"),
        ("on-accent", "accent"),
        ("accent", "tint"),
        ("ink", "warn-tint"),
    ):
        assert contrast(sheet[text], sheet[ground]) >= 4.5, (text, ground)
    # names of lanes are written in these
    for text in ("upper", "lower"):
        assert contrast(sheet[text], sheet["panel"]) >= 4.5, text
    for mark in ("left", "right", "accent", "upper", "lower", "third", "line"):
        assert contrast(sheet[mark], sheet["panel"]) >= 3.0, mark


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("count", [21, 101])
def test_diverging_map_is_even_and_fair_to_both_signs(theme, count):
    colours = diverging(theme, count)
    assert len(colours) == count and all(re.fullmatch("#[0-9a-f]{6}", c) for c in colours)
    assert colours[count // 2] == THEMES[theme]["map_mid"]
    lab = to_oklab(colours)
    lightness = lab[:, 0]
    half = count // 2
    np.testing.assert_allclose(lightness, lightness[::-1], atol=0.012)  # same weight both ways
    slope = np.diff(lightness)
    direction = np.sign(lightness[0] - lightness[half])
    assert np.all(slope[:half] * direction < 4e-3) and np.all(slope[half:] * direction > -4e-3)
    for side in (lab[: half + 1], lab[half:]):
        steps = np.linalg.norm(np.diff(side, axis=0), axis=1)
        assert steps.std() < 0.25 * steps.mean()  # 8-bit colours round each step a little


def test_oklab_of_white_and_grey():
    # OKLab (Ottosson, 2020; from memory): white is (1, 0, 0); greys have no chroma
    np.testing.assert_allclose(to_oklab(["#ffffff"]), [[1.0, 0.0, 0.0]], atol=1e-3)
    assert np.max(np.abs(to_oklab(["#777777", "#222222"])[:, 1:])) < 1e-3


@pytest.mark.parametrize("theme", THEMES)
def test_both_ends_differ_in_hue_and_stand_off_the_middle(theme):
    colours = THEMES[theme]
    low, mid, high = to_oklab([colours["map_right"], colours["map_mid"], colours["map_left"]])
    assert np.linalg.norm(low[1:] - high[1:]) > 0.15
    for end in (low, high):
        assert abs(end[0] - mid[0]) > 0.25
