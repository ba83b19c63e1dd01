"""Colours of both themes: Okabe-Ito for categories, one diverging map for the sign.

Okabe, Ito: Color Universal Design (2008). The diverging map runs through OKLab (Ottosson, 2020;
matrices from memory) with lightness falling evenly to both ends, so equal steps look equal.
"""

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
        "upper": "#9b3f82",
        "lower": "#b07500",
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
