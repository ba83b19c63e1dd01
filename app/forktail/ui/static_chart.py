"""A small plot as plain SVG text, for paper: no script, no library in the page."""

from html import escape

import numpy as np

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


def shown_number(value):
    """A tick's text."""
    return minus(f"{value:g}")


def chart(title, time, lines, unit="V", width=WIDTH, height=HEIGHT):
    """SVG text of lines over time.

    Parameters
    ----------
    title : str
    time : numpy.ndarray, shape (n,), s
    lines : sequence of (label, numpy.ndarray of shape (n,), css class)
        In `unit`.
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

    out = [
        f'<svg class="chart" viewBox="0 0 {width} {height}" role="img" '
        f'aria-label="{escape(title)}" xmlns="http://www.w3.org/2000/svg">',
        f'<text x="{_LEFT}" y="12" class="c-title">{escape(title)}</text>',
    ]
    for t in ticks(y0, y1):
        out.append(
            f'<path class="c-grid" d="M{_LEFT} {py(t):.1f}H{width - _RIGHT}"/>'
            f'<text x="{_LEFT - 4}" y="{py(t) + 3:.1f}" class="c-tick" text-anchor="end">'
            f"{minus(f'{t:g}')}</text>"
        )
    for t in ticks(x0, x1, 5):
        out.append(
            f'<path class="c-grid" d="M{px(t):.1f} {_TOP}V{height - _BOTTOM}"/>'
            f'<text x="{px(t):.1f}" y="{height - _BOTTOM + 11}" class="c-tick" '
            f'text-anchor="middle">{minus(format(t, "g"))}</text>'
        )
    out.append(
        f'<text x="{width - _RIGHT}" y="{height - 5}" class="c-tick" text-anchor="end">'
        f'{ux}</text><text x="{_LEFT - 4}" y="12" class="c-tick" text-anchor="end">{uy}'
        "</text>"
    )
    place = width - _RIGHT
    for _, y, cls in lines:
        a, b = thinned(time, y)
        points, gap = [], True
        for x, v in zip(a * fx, b * fy):
            if not np.isfinite(v):
                gap = True
                continue
            points.append(f"{'M' if gap else 'L'}{px(x):.1f} {py(v):.1f}")
            gap = False
        out.append(f'<path class="c-line {cls}" d="{"".join(points)}"/>')
    for label, _, cls in reversed(lines):
        if label:
            out.append(
                f'<text x="{place}" y="12" class="c-key {cls}" text-anchor="end">'
                f"{escape(label)}</text>"
            )
            place -= 7 * len(label) + 12
    return "".join(out) + "</svg>"
