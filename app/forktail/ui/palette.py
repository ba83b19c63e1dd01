"""Colours of both themes, and one table of what colours, lines and marks mean on every page.

Okabe-Ito for categories, one diverging map for the sign of the output.

Okabe, Ito: Color Universal Design (2008). The diverging map runs through OKLab (Ottosson, 2020;
matrices from memory) with lightness falling evenly to both ends, so equal steps look equal.
"""

from dataclasses import dataclass

import numpy as np

_RGB_TO_LMS = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_LMS_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)

#: Current that ends in the left load, in the right load (Okabe-Ito blue and vermillion); the
#: upper and the lower input (its reddish purple and orange, darkened to stand out on paper).
THEMES = {
    "light": {
        "paper": "#faf7f0",
        "panel": "#fffdf8",
        "ink": "#22262b",
        "soft": "#5b6068",
        "rule": "#d9d3c5",
        "accent": "#00664b",
        "left": "#0072b2",
        "right": "#d55e00",
        "third": "#009e73",
        "upper": "#85306e",
        "lower": "#9c6800",
        "map_mid": "#f6f2e8",
        "map_left": "#00568f",
        "map_right": "#a84300",
    },
    "dark": {
        "paper": "#16191d",
        "panel": "#1d2126",
        "ink": "#e9e6de",
        "soft": "#a9adb3",
        "rule": "#3a4048",
        "accent": "#5fd0a8",
        "left": "#56b4e9",
        "right": "#ef8a3c",
        "third": "#8fe8c8",
        "upper": "#cf7fb3",
        "lower": "#e0b13c",
        "map_mid": "#22272d",
        "map_left": "#6cc4f5",
        "map_right": "#f59a50",
    },
}


@dataclass(frozen=True)
class Stroke:
    """How a line of one meaning looks, on screen and on paper.

    `colour` is a key of `THEMES`; `width` and the lengths of `dash` (drawn, left out, ...; empty
    for a whole line) are in px of the screen.
    """

    words: str
    colour: str
    width: float
    dash: tuple = ()
    opacity: float = 1.0


@dataclass(frozen=True)
class Mark:
    """How a line of a spectrum is marked: its Bokeh marker, and a sign of that shape for texts."""

    words: str
    colour: str
    marker: str
    sign: str


#: Meaning -> line. What meets in one plot differs without its colour too: in dash, or in width.
LINES = {
    "left": Stroke("left load or collector", "left", 2.0),
    "right": Stroke("right load or collector", "right", 2.0, (9, 3)),
    "upper": Stroke("upper input", "upper", 1.6),
    "lower": Stroke("lower input", "lower", 3.6, (15, 3)),
    "second lower": Stroke("lower input of the second cell", "lower", 1.6, (3, 3)),
    "output": Stroke("output", "accent", 2.4),
    "second": Stroke("what is taken from the output, or a second one", "third", 2.2, (12, 3, 3, 3)),
    "third": Stroke("a third one", "soft", 2.2, (12, 3, 3, 3, 3, 3)),
    "relation": Stroke("relation of the textbook, ideal product", "ink", 1.7, (7, 5)),
    "other relation": Stroke("a second relation", "ink", 1.7, (3, 3)),
    "textbook": Stroke("textbook cell beside the built one", "ink", 2.2, (2, 3)),
    "guide": Stroke("other settings, limits", "soft", 1.6, (2, 5)),
    "other guide": Stroke("a second one of them", "soft", 1.4, (10, 6)),
    "captured": Stroke("captured", "ink", 5.0, (), 0.5),
    "predicted": Stroke("predicted", "accent", 2.0, (6, 4)),
    "cause": Stroke("with the cause chosen", "ink", 1.2),
    "difference": Stroke("difference, error", "ink", 1.6),
    "cause difference": Stroke("difference with the cause chosen", "ink", 1.4, (2, 3)),
    "path": Stroke("path of both inputs", "ink", 1.5),
    "cursor": Stroke("cursor, place of the point", "ink", 1.4, (5, 4)),
    "stem": Stroke("stem of a line of a spectrum", "soft", 2.2),
    "zero": Stroke("zero", "rule", 1.0),
}
#: Where a line of the spectrum comes from -> its mark: what is wanted has the colour of the output,
#: a leak that of its input, distortion is black.
MARKS = {
    "wanted": Mark("passed by DC", "accent", "star", "\u2605"),
    "sum": Mark("sum", "accent", "triangle", "\u25b2"),
    "difference": Mark("difference", "accent", "inverted_triangle", "\u25bc"),
    "upper leak": Mark("upper leak", "upper", "diamond", "\u25c6"),
    "lower leak": Mark("lower leak", "lower", "square", "\u25a0"),
    "harmonic": Mark("harmonic", "ink", "circle", "\u25cf"),
    "third-order": Mark("third-order", "ink", "cross", "\u271a"),
    "product": Mark("other product", "ink", "x", "\u2715"),
    "coincidence": Mark("leak or product", "soft", "asterisk", "\u2731"),
    "dc": Mark("DC", "soft", "dash", "\u2013"),
}


def dash_name(meaning):
    """What the dashes of a line are called; empty for a whole line."""
    dash = LINES[meaning].dash
    if not dash:
        return ""
    return "dash-dot" if len(dash) > 2 else "dashed" if dash[0] > dash[1] else "dotted"


def swatch(meaning):
    """A short piece of a line as SVG text, for keys in HTML."""
    look = LINES[meaning]
    dash = f";stroke-dasharray:{' '.join(map(str, look.dash))}" if look.dash else ""
    return (
        '<svg class="swatch" viewBox="0 0 34 10" aria-hidden="true"><path d="M1 5H33" '
        f'style="fill:none;stroke:var(--{look.colour});stroke-width:{look.width:g};opacity:{look.opacity:g}{dash}"'
        "/></svg>"
    )


def _hex_to_rgb(text):
    return np.array([int(text[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0


def to_oklab(colours):
    """OKLab coordinates of hex colours, shape (n, 3)."""
    rgb = np.array([_hex_to_rgb(c) for c in colours])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return np.cbrt(linear @ _RGB_TO_LMS.T) @ _LMS_TO_LAB.T


def _to_hex(lab):
    linear = np.clip(
        (lab @ np.linalg.inv(_LMS_TO_LAB).T) ** 3 @ np.linalg.inv(_RGB_TO_LMS).T, 0.0, 1.0
    )
    rgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return ["#" + bytes(c).hex() for c in np.round(rgb * 255).astype(np.uint8)]


def diverging(theme="light", count=101):
    """Hex colours from most negative (right load's hue) to most positive (left load's).

    Parameters
    ----------
    theme : {"light", "dark"}
    count : int
        Odd, so that zero has its own colour.

    Returns
    -------
    list of str
    """
    colours = THEMES[theme]
    low, mid, high = to_oklab([colours["map_right"], colours["map_mid"], colours["map_left"]])
    low[0] = high[0] = 0.5 * (low[0] + high[0])  # equal lightness at both ends
    t = np.linspace(-1.0, 1.0, count)[:, None]
    lab = np.where(t < 0, mid + (low - mid) * -t, mid + (high - mid) * t)
    return _to_hex(lab)
