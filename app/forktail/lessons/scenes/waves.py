"""A small wave at an input beside what comes out of it: one drawing for screen and print."""

from forktail.core.quantities import format_quantity
from forktail.ui import svg
from forktail.ui.markup import MarkupView
from forktail.ui.palette import LINES

WIDTH, HEIGHT = 760, 300
#: x of each panel, its width; y of its middle, and half its height.
_PANELS = {"in": (10, 250), "out": (390, 250)}
_MIDDLE, _HALF = 148, 100


def draw():
    """Static part, as SVG text with data-id on what moves."""
    out = [
        f'<svg class="schematic waves" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        'aria-label="A small wave at an input, and the output that belongs to it" '
        'xmlns="http://www.w3.org/2000/svg">'
    ]
    for name, (x, width) in _PANELS.items():
        out.append(f'<path class="bare" d="M{x} {_MIDDLE}H{x + width}"/>')
        out.append(
            f'<path class="bare" d="M{x} {_MIDDLE - _HALF}V{_MIDDLE + _HALF}'
            f'M{x + width} {_MIDDLE - _HALF}V{_MIDDLE + _HALF}"/>'
        )
        out.append(svg.text(x, 30, "", "m", "start", f"{name}-name"))
        out.append(svg.text(x, HEIGHT - 16, "", "m", "start", f"{name}-size", "figure"))
        for end, y in (("top", _MIDDLE - _HALF + 10), ("low", _MIDDLE + _HALF)):
            out.append(svg.text(x + width + 6, y, "", "s", "start", f"{name}-{end}", "soft"))
        out.append(f'<path class="wave-line" data-id="{name}-line"/>')
        out.append(f'<path class="lead" data-id="{name}-now"/>')
        out.append(f'<circle class="node" r="8" data-id="{name}-dot"/>')
    return "".join(out) + "</svg>"


def values(wave):
    """What moves, for a `states.Wave`: {data-id: {attribute: value}}."""
    out = {}
    names = {"in": f"in: {wave.side} input", "out": "out"}
    for name, v, full in (("in", wave.v_in, wave.full_in), ("out", wave.v_out, wave.full_out)):
        x0, width = _PANELS[name]
        last = len(v) - 1
        points = [
            (x0 + width * k / last, _MIDDLE - _HALF * min(max(float(y) / full, -1.0), 1.0))
            for k, y in enumerate(v)
        ]
        x, y = points[wave.moment]
        line = "L".join(f"{a:.1f} {b:.1f}" for a, b in points)
        meaning = LINES[wave.side if name == "in" else "output"]
        out[f"{name}-line"] = {
            "d": f"M{line}",
            "style": f"stroke:var(--{meaning.colour})",
        }
        out[f"{name}-now"] = {"d": f"M{x:.1f} {_MIDDLE - _HALF}V{_MIDDLE + _HALF}"}
        out[f"{name}-dot"] = {"cx": f"{x:.1f}", "cy": f"{y:.1f}"}
        swing = float(v.max() - v.min())
        out[f"{name}-name"] = {"#": names[name]}
        out[f"{name}-size"] = {"#": f"{format_quantity(swing, 'V')} peak to peak"}
        out[f"{name}-top"] = {"#": f"+{format_quantity(full, 'V', 2)}"}
        out[f"{name}-low"] = {"#": format_quantity(-full, "V", 2)}
    return out


class WavesView(MarkupView):
    """Input and output wave of a `SteerScene`, side by side."""

    sheets = ("assets/pages/lesson/style.css",)

    def __init__(self, **params):
        super().__init__(sizing_mode="stretch_both", **params)
        self._drawn = False

    def show(self, state):
        """Draw the wave through the stage of a state."""
        now = values(state.wave_through())
        if self._drawn:
            self.update(now)
        else:
            self._drawn = True
            self.rebuild(draw(), now)
