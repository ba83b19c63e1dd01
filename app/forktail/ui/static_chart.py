"""A small plot as plain SVG text, for paper: no script, no library in the page."""

import numpy as np

from forktail.ui.html import element
from forktail.ui.palette import LINES, THEMES
from forktail.ui.plots import axis_unit
from forktail.ui.text import minus

WIDTH, HEIGHT = 340, 150
_LEFT, _RIGHT, _TOP, _BOTTOM = 46, 8, 18, 30
#: Most points drawn of one line: columns of lowest and highest beyond that.
MOST_POINTS = 900


def ticks(low, high, count=4):
    """Round values between low and high, about `count` of them."""
    span = high - low
    if not span > 0:
        return [low]
    step = 10.0 ** np.floor(np.log10(span / count))
    step *= next(m for m in (1, 2, 5, 10) if span / (step * m) <= count + 1)
    first = np.ceil(low / step - 1e-9)
    return [
        float(f"{(first + k) * step:.9g}")
        for k in range(int((high - low) / step) + 2)
        if (first + k) * step <= high + 1e-9 * span
    ]


def thinned(x, y, most=MOST_POINTS):
    """Points that draw the same line: lowest and highest of each column of samples.

    Parameters
    ----------
    x, y : numpy.ndarray, shape (n,)
    most : int
        Most points returned.

    Returns
    -------
    x, y : numpy.ndarray
        As given if they are few; else two points a column, in order of x. A column without a
        number stays a gap.
    """
    if x.size <= most:
        return x, y
    columns = max(most // 2, 1)
    size = -(-x.size // columns)
    pad = columns * size - x.size
    wide = np.concatenate([y, np.full(pad, np.nan)]).reshape(columns, size)
    empty = np.isnan(wide).all(axis=1)
    low = np.argmin(np.where(np.isnan(wide), np.inf, wide), axis=1)
    high = np.argmax(np.where(np.isnan(wide), -np.inf, wide), axis=1)
    first, last = np.minimum(low, high), np.maximum(low, high)
    at = (np.arange(columns)[:, None] * size + np.stack([first, last], axis=1)).ravel()
    at = np.minimum(at, x.size - 1)
    out = y[at].astype(float)
    out[np.repeat(empty, 2)] = np.nan
    return x[at], out


def _line(meaning, path):
    """A line as on screen, finer, in the colours of the light theme."""
    look = LINES[meaning]
    return element(
        "path",
        class_="c-line",
        d=path,
        stroke=THEMES["light"][look.colour],
        stroke_width=f"{0.7 * look.width:g}",
        stroke_dasharray=" ".join(f"{0.7 * v:g}" for v in look.dash) or None,
        stroke_opacity=f"{look.opacity:g}" if look.opacity < 1.0 else None,
    )


def chart(title, time, lines, unit="V", width=WIDTH, height=HEIGHT):
    """SVG text of lines over time.

    Parameters
    ----------
    title : str
    time : numpy.ndarray, shape (n,), s
    lines : sequence of (label, numpy.ndarray of shape (n,), meaning)
        In `unit`; the meaning is a key of `palette.LINES`.
    """
    values = np.concatenate([y[np.isfinite(y)] for _, y, _ in lines])
    low, high = (float(values.min()), float(values.max())) if values.size else (-1.0, 1.0)
    pad = 0.08 * (high - low) or 0.1 * abs(high) or 1e-3
    low, high = low - pad, high + pad
    fx, ux = axis_unit(time[0], time[-1], "s")
    fy, uy = axis_unit(low, high, unit)
    if high - low < 0.02 * max(abs(low), abs(high)):  # a small wave on a high level
        fy, uy = 1.0, unit
    x0, x1 = time[0] * fx, time[-1] * fx
    y0, y1 = low * fy, high * fy

    def px(x):
        return _LEFT + (x - x0) / (x1 - x0) * (width - _LEFT - _RIGHT)

    def py(y):
        return height - _BOTTOM - (y - y0) / (y1 - y0) * (height - _TOP - _BOTTOM)

    def words(text, x, y, cls, anchor=None):
        return element("text", text, x=x, y=y, class_=cls, text_anchor=anchor)

    right, bottom = width - _RIGHT, height - _BOTTOM
    out = [words(title, _LEFT, 12, "c-title")]
    for t in ticks(y0, y1):
        out.append(element("path", class_="c-grid", d=f"M{_LEFT} {py(t):.1f}H{right}"))
        out.append(words(minus(f"{t:g}"), _LEFT - 4, f"{py(t) + 3:.1f}", "c-tick", "end"))
    for t in ticks(x0, x1, 5):
        out.append(element("path", class_="c-grid", d=f"M{px(t):.1f} {_TOP}V{bottom}"))
        out.append(words(minus(f"{t:g}"), f"{px(t):.1f}", bottom + 11, "c-tick", "middle"))
    out.append(words(ux, right, height - 5, "c-tick", "end"))
    out.append(words(uy, _LEFT - 4, 12, "c-tick", "end"))
    for _, y, meaning in lines:
        points, gap = [], True
        for x, v in zip(*(c * f for c, f in zip(thinned(time, y), (fx, fy)))):
            if not np.isfinite(v):
                gap = True
                continue
            points.append(f"{'M' if gap else 'L'}{px(x):.1f} {py(v):.1f}")
            gap = False
        out.append(_line(meaning, "".join(points)))
    place = right
    for label, _, meaning in reversed(lines):
        if label:
            out.append(words(label, place, 12, "c-key", "end"))
            place -= 6 * len(label) + 4
            out.append(_line(meaning, f"M{place - 24} 8.5H{place}"))
            place -= 32
    return element(
        "svg",
        inside="".join(out),
        class_="chart",
        viewBox=f"0 0 {width} {height}",
        role="img",
        aria_label=title,
        xmlns="http://www.w3.org/2000/svg",
    )
