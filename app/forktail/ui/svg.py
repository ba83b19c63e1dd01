"""Strokes and words of the drawings in SVG."""

from forktail.ui.html import element


def line(points):
    """Path through points with upright ends: straight where x stays, an S-curve where not."""
    (x0, y0), *rest = points
    out = [f"M{x0:.1f} {y0:.1f}"]
    for x, y in rest:
        if abs(x - x0) < 0.05:
            out.append(f"V{y:.1f}")
        else:
            mid = 0.5 * (y0 + y)
            out.append(f"C{x0:.1f} {mid:.1f} {x:.1f} {mid:.1f} {x:.1f} {y:.1f}")
        x0, y0 = x, y
    return "".join(out)


def text(x, y, words="", size="m", anchor="middle", data_id="", extra=""):
    """A text at x, y; `size` is s, m or l of the style sheet, `data_id` what a patch calls it."""
    return element(
        "text",
        words,
        x=x,
        y=y,
        class_=f"t-{size} {extra}".rstrip(),
        text_anchor=anchor,
        data_id=data_id or None,
    )


def arrow(x0, y0, x1, y1):
    """Path of an arrow head that points along a line, near its far end."""
    length = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    tip = (x0 + ux * length * 0.86, y0 + uy * length * 0.86)
    back = (tip[0] - 15 * ux, tip[1] - 15 * uy)
    return (
        f"M{tip[0]:.1f} {tip[1]:.1f}L{back[0] - 6.5 * uy:.1f} {back[1] + 6.5 * ux:.1f}"
        f"L{back[0] + 6.5 * uy:.1f} {back[1] - 6.5 * ux:.1f}Z"
    )
