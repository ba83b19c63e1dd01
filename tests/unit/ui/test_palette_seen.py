"""The palette as eyes with a colour vision deficiency see it, checked by distance.

Machado, Oliveira, Fernandes: A Physiologically-based Model for Simulation of Color Vision
Deficiency, IEEE Trans. Visualization and Computer Graphics 15(6), 2009, doi 10.1109/TVCG.2009.113,
table of matrices for severity 1.0; they act on linear RGB.
"""

from itertools import combinations

import numpy as np
import pytest

from forktail.ui.palette import THEMES, diverging, to_oklab

MACHADO = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
#: Colours that stand beside one another and mean different things.
TOGETHER = [
    ("left", "right"),
    ("left", "third"),
    ("right", "third"),
    ("upper", "lower"),
    ("map_left", "map_right"),
    ("map_left", "map_mid"),
    ("map_right", "map_mid"),
    ("left", "ink"),
    ("right", "ink"),
]
#: Distance in OKLab; one that is just noticed is about 0.02 (from memory).
APART = 0.08


def seen(colours, kind):
    """Hex colours as they look to a kind of eye."""
    rgb = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in colours]) / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    linear = np.clip(linear @ np.transpose(MACHADO[kind]), 0.0, 1.0)
    rgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return ["#" + bytes(c).hex() for c in np.round(rgb * 255).astype(np.uint8)]


def distance(a, b):
    one, other = to_oklab([a, b])
    return float(np.linalg.norm(one - other))


@pytest.mark.parametrize("kind", MACHADO)
def test_simulation_keeps_grey_and_brings_confusions(kind):
    # each row of the matrices adds up to one, so greys stay
    np.testing.assert_allclose(np.sum(MACHADO[kind], axis=1), 1.0, atol=2e-6)
    assert seen(["#808080"], kind) == ["#808080"]
    # red and green of the textbook draw together for red-green eyes; blue and green for the rest
    a, b = ("#ff0000", "#00a000") if kind != "tritan" else ("#0080a0", "#00a060")
    assert distance(*seen([a, b], kind)) < 0.6 * distance(a, b)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("kind", MACHADO)
@pytest.mark.parametrize("pair", TOGETHER, ids="-".join)
def test_colours_with_different_meaning_stay_apart(theme, kind, pair):
    shown = seen([THEMES[theme][name] for name in pair], kind)
    assert distance(*shown) >= APART, f"{distance(*shown):.3f}"


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("kind", MACHADO)
def test_both_signs_of_the_map_stay_apart_at_half_scale(theme, kind):
    colours = diverging(theme, 21)
    shown = seen([colours[5], colours[10], colours[15]], kind)
    assert all(distance(a, b) >= 0.05 for a, b in combinations(shown, 2))
