"""Block diagram of each use: drawn once, its values patched.

Block symbols follow IEC 60617 (parts 10 and 13): a square with what it does inside: the sign of
multiplication, a sum, an integral, a filter as waves with the stopped ones struck out.
"""

import numpy as np

from forktail.core.quantities import format_quantity as text_of
from forktail.core.quantities import format_signed
from forktail.ui.component import STYLE
from forktail.ui.html import escape
from forktail.ui.markup import MarkupView

WIDTH = 440
SIZE = 46
TOP, LOW = 66, 148

#: (kind, x, y, name, data-id of its value, side of its name)
_BLOCKS = {
    "variable_gain": [
        ("wave", 46, TOP, "call", "in", "above"),
        ("times", 220, TOP, "cell", "", "above"),
        ("dc", 220, LOW, "control", "control", "right"),
    ],
    "gain_control_loop": [
        ("wave", 46, TOP, "call", "in", "above"),
        ("times", 176, TOP, "cell", "", "above"),
        ("integral", 176, LOW, "integrator", "integrator", "below"),
        ("minus", 264, LOW, "wanted", "wanted", "below"),
        ("rectifier", 350, LOW, "detector", "detector", "below"),
    ],
    "am": [
        ("wave", 46, TOP, "carrier", "in", "above"),
        ("times", 230, TOP, "cell", "", "above"),
        ("sum", 230, LOW, "", "", "below"),
        ("wave", 116, LOW, "tone", "tone", "below"),
        ("dc", 344, LOW, "DC", "dc", "below"),
    ],
    "dsb": [
        ("wave", 46, TOP, "carrier", "in", "above"),
        ("times", 230, TOP, "cell", "", "above"),
        ("sum", 230, LOW, "", "", "below"),
        ("wave", 116, LOW, "tone", "tone", "below"),
        ("trim", 344, LOW, "DC left, trim", "dc", "below"),
    ],
    "ssb": [
        ("wave", 46, 66, "carrier", "in", "above"),
        ("wave", 46, 180, "tone", "tone", "below"),
        ("times", 240, 66, "cell 1", "", "above"),
        ("times", 240, 180, "cell 2", "", "below"),
        ("quarter", 156, 121, "", "", "below"),
        ("quarter", 156, 180, "", "", "below"),
        ("sum", 316, 123, "", "", "above"),
    ],
    "mixer": [
        ("wave", 46, TOP, "call", "in", "above"),
        ("times", 190, TOP, "cell", "", "above"),
        ("wave", 190, LOW, "local oscillator", "oscillator", "right"),
        ("filter", 300, TOP, "filter", "", "above"),
    ],
    "phase_detector": [
        ("wave", 46, TOP, "sent", "in", "above"),
        ("times", 190, TOP, "cell", "", "above"),
        ("wave", 46, LOW, "echo", "echo", "below"),
        ("phase", 118, LOW, "", "phase", "below"),
        ("lowpass", 300, TOP, "mean", "", "above"),
    ],
    "squarer": [
        ("wave", 46, TOP, "clock", "in", "above"),
        ("times", 230, TOP, "cell", "", "above"),
        ("phase", 150, LOW, "", "phase", "below"),
        ("filter", 330, TOP, "filter", "", "above"),
    ],
}
#: Wires: lists of points; the last one carries an arrow, unless marked with a leading "-".
_H = SIZE // 2
_WIRES = {
    "variable_gain": [
        ((69, TOP), (197, TOP)),
        ((220, LOW - _H), (220, TOP + _H)),
        ((243, TOP), (330, TOP)),
    ],
    "gain_control_loop": [
        ((69, TOP), (153, TOP)),
        ((199, TOP), (420, TOP)),
        ((400, TOP), (400, LOW), (373, LOW)),
        ((327, LOW), (287, LOW)),
        ((241, LOW), (199, LOW)),
        ((176, LOW - _H), (176, TOP + _H)),
    ],
    "am": [
        ((69, TOP), (207, TOP)),
        ((139, LOW), (207, LOW)),
        ((321, LOW), (253, LOW)),
        ((230, LOW - _H), (230, TOP + _H)),
        ((253, TOP), (330, TOP)),
    ],
    "ssb": [
        ((69, 62), (217, 62)),
        ((112, 62), (112, 121), (133, 121)),
        ((69, 180), (133, 180)),
        ((92, 180), (92, 84), (217, 84)),
        ((179, 121), (200, 121), (200, 169), (217, 169)),
        ((179, 180), (217, 180)),
        ((263, 66), (316, 66), (316, 100)),
        ((263, 180), (316, 180), (316, 146)),
        ((339, 123), (436, 123)),
    ],
    "mixer": [
        ((69, TOP), (167, TOP)),
        ((190, LOW - _H), (190, TOP + _H)),
        ((213, TOP), (277, TOP)),
        ((323, TOP), (380, TOP)),
    ],
    "phase_detector": [
        ((69, TOP), (167, TOP)),
        ((69, LOW), (95, LOW)),
        ((141, LOW), (190, LOW), (190, TOP + _H)),
        ((213, TOP), (277, TOP)),
        ((323, TOP), (380, TOP)),
    ],
    "squarer": [
        ((69, TOP), (207, TOP)),
        ((96, TOP), (96, LOW), (127, LOW)),
        ((173, LOW), (230, LOW), (230, TOP + _H)),
        ((253, TOP), (307, TOP)),
        ((353, TOP), (400, TOP)),
    ],
}
_WIRES["dsb"] = _WIRES["am"]
_DOTS = {"gain_control_loop": [(400, TOP)], "ssb": [(112, 62), (92, 180)], "squarer": [(96, TOP)]}
#: Where the value of the output stands: x, y, anchor.
_OUT = {
    "variable_gain": (338, TOP),
    "gain_control_loop": (434, TOP - 34),
    "am": (338, TOP),
    "dsb": (338, TOP),
    "ssb": (436, 156),
    "mixer": (434, TOP + 34),
    "phase_detector": (434, TOP + 34),
    "squarer": (434, TOP + 34),
}


def _wave(x, y, w=30, h=9, n=1):
    step = w / (2 * n)
    out = f"M{x - w / 2:.1f} {y:.1f}"
    for k in range(2 * n):
        out += f"q{step / 2:.1f} {-2 * h if k % 2 == 0 else 2 * h:.1f} {step:.1f} 0"
    return f'<path class="line" d="{out}"/>'


def _symbol(kind, x, y):
    if kind == "times":
        return (
            f'<path class="line heavy" d="M{x - 11} {y - 11}L{x + 11} {y + 11}M{x + 11} '
            f'{y - 11}L{x - 11} {y + 11}"/>'
        )
    if kind == "wave":
        return _letter(x, y - 3, "G") + _wave(x, y + 12, 22, 4)
    if kind in ("dc", "trim"):
        out = _letter(x, y - 3, "G") + f'<path class="line" d="M{x - 9} {y + 11}h18"/>'
        if kind == "trim":
            out += f'<path class="line" d="M{x - 27} {y + 27}L{x + 26} {y - 26}"/>' + _head(
                x + 28, y - 28, 1, -1
            )
        return out
    if kind == "integral":
        return _letter(x, y + 9, "\u222b", 28)
    if kind == "sum":
        return _letter(x, y + 9, "\u03a3", 26)
    if kind == "minus":
        return (
            _letter(x, y + 9, "\u03a3", 26)
            + _letter(x + 32, y - 7, "\u2212", 17)
            + _letter(x - 14, y + 36, "", 17)
        )
    if kind == "quarter":
        return _letter(x, y + 6, "\u221290\u00b0", 16)
    if kind == "phase":
        return _letter(x, y + 8, "\u03c6", 25)
    if kind == "rectifier":
        return (
            f'<path class="line" d="M{x - 15} {y}H{x + 15}M{x - 8} {y - 9}V{y + 9}'
            f'M{x + 8} {y - 9}V{y + 9}L{x - 8} {y}Z"/>'
        )
    out = ""
    rows = (
        ((-9, kind == "filter"), (0, False), (9, kind == "filter"))
        if kind == "filter"
        else ((-6, True), (6, False))
    )
    for dy, struck in rows:
        out += _wave(x, y + dy, 26, 4)
        if struck:
            out += f'<path class="line" d="M{x - 5} {y + dy + 6}L{x + 5} {y + dy - 6}"/>'
    return out


def _letter(x, y, text, size=19):
    return f'<text x="{x}" y="{y}" text-anchor="middle" font-size="{size}">{text}</text>'


def _head(x, y, dx, dy):
    n = (dx * dx + dy * dy) ** 0.5
    ux, uy = dx / n, dy / n
    bx, by = x - 9 * ux, y - 9 * uy
    return (
        f'<path class="tip" d="M{x:.1f} {y:.1f}L{bx - 4 * uy:.1f} {by + 4 * ux:.1f}'
        f'L{bx + 4 * uy:.1f} {by - 4 * ux:.1f}Z"/>'
    )


def _wire(points):
    path = "M" + "L".join(f"{x} {y}" for x, y in points)
    (x0, y0), (x1, y1) = points[-2:]
    return f'<path class="line" d="{path}"/>' + _head(
        x1, y1, (x1 > x0) - (x1 < x0), (y1 > y0) - (y1 < y0)
    )


def _names(x, y, name, data_id, side):
    rows = []
    if side == "right":
        at, anchor, ys = x + 33, "start", (y - 3, y + 16)
    elif side == "above":
        at, anchor, ys = max(x, 20), "middle", (y - 48, y - 31)
        if not data_id:
            ys = (y - 31, 0)
    else:
        at, anchor, ys = x, "middle", (y + 39, y + 55)
        if not name:
            ys = (0, y + 39)
    if x < 60 and side != "right":
        at, anchor = x - SIZE // 2, "start"
    if name:
        rows.append(
            f'<text x="{at}" y="{ys[0]}" text-anchor="{anchor}" class="b-name">'
            f"{escape(name)}</text>"
        )
    if data_id:
        rows.append(
            f'<text x="{at}" y="{ys[1]}" text-anchor="{anchor}" class="b-value" '
            f'data-id="{data_id}"></text>'
        )
    return "".join(rows)


def draw(use, title):
    """Static SVG of a use, with data-id on the values."""
    below = [y for _, _, y, _, _, side in _BLOCKS[use] if side == "below"]
    height = max(below) + 60 if below else 178
    out = [
        f'<svg class="diagram" viewBox="0 0 {WIDTH} {height}" role="img" '
        f'aria-label="Block diagram: {escape(title)}" xmlns="http://www.w3.org/2000/svg">'
    ]
    out += [_wire(points) for points in _WIRES[use]]
    out += [f'<circle class="dot" cx="{x}" cy="{y}" r="3.6"/>' for x, y in _DOTS.get(use, ())]
    for kind, x, y, name, data_id, side in _BLOCKS[use]:
        out.append(
            f'<rect class="block {"cell" if kind == "times" else ""}" x="{x - SIZE // 2}" '
            f'y="{y - SIZE // 2}" width="{SIZE}" height="{SIZE}"/>'
            + _symbol(kind, x, y)
            + _names(x, y, name, data_id, side)
        )
    x, y = _OUT[use]
    anchor = "end" if x > 400 else "start"
    out.append(
        f'<text x="{x}" y="{y - 4 if anchor == "start" else y - 8}" '
        f'text-anchor="{anchor}" class="b-name" data-id="out-name"></text>'
        f'<text x="{x}" y="{y + 14 if anchor == "start" else y + 9}" '
        f'text-anchor="{anchor}" class="b-value" data-id="out"></text>'
    )
    out.append("</svg>")
    return "".join(out)


def _pair(volts, hertz):
    return f"{text_of(volts, 'V')}, {text_of(hertz, 'Hz', 4)}"


def _top(trace):
    return float(np.max(np.abs(trace.y)))


def values(scene):
    """Texts of the diagram for a `UsesScene`."""
    r = scene.result
    s, use = r.settings, scene.use

    def peak(key):
        return f"\u00b1{text_of(_top(r.records[key]), 'V')}"

    def level(key):
        return text_of(r.merit(key).value, r.merit(key).unit)

    if use == "variable_gain":
        out = {
            "in": _pair(s.amplitude, s.frequency) + (", arctanh" if s.arctanh else ""),
            "control": text_of(s.control, "V"),
            "out-name": "output",
            "out": peak("output"),
        }
    elif use == "gain_control_loop":
        out = {
            "in": f"{text_of(s.level, 'V')}, {format_signed(s.step, 'dB')}",
            "integrator": text_of(s.integrator_time, "s"),
            "wanted": text_of(s.wanted, "V"),
            "detector": text_of(s.detector_time, "s"),
            "out-name": "output",
            "out": level("held"),
        }
    elif use in ("am", "dsb"):
        dc = (
            text_of(s.offset, "V")
            if use == "am"
            else f"{text_of(s.offset, 'V')}, {text_of(s.trim, 'V')}"
        )
        out = {
            "in": _pair(s.carrier_amplitude, s.carrier_frequency),
            "dc": dc,
            "tone": _pair(s.tone_amplitude, s.tone_frequency),
            "out-name": "output",
            "out": peak("output"),
        }
    elif use == "ssb":
        out = {
            "in": _pair(s.carrier_amplitude, s.carrier_frequency),
            "tone": _pair(s.tone_amplitude, s.tone_frequency),
            "out-name": f"{s.sideband} sideband",
            "out": level("wanted"),
        }
    elif use == "mixer":
        spectrum = r.spectrum
        orders = (1, -1 if s.wanted == "down" else 1) + (0,) * (len(spectrum.tones) - 2)
        k = spectrum.bin(*orders)
        out = {
            "in": _pair(s.signal_amplitude, s.signal_frequency),
            "oscillator": _pair(s.oscillator_amplitude, s.oscillator_frequency),
            "out-name": "wanted product",
            "out": _pair(spectrum.spectrum.peak[k], spectrum.spectrum.frequency[k]),
        }
    elif use == "phase_detector":
        out = {
            "in": _pair(s.upper_amplitude, s.frequency),
            "echo": text_of(s.lower_amplitude, "V"),
            "phase": text_of(s.phase, "deg"),
            "out-name": "mean output",
            "out": level("output"),
        }
    else:
        out = {
            "in": _pair(s.amplitude, s.frequency),
            "phase": text_of(s.phase, "deg"),
            "out-name": "doubled",
            "out": _pair(r.merit("second").value, 2 * s.frequency),
        }
    return {k: {"#": v} for k, v in out.items()}


class DiagramView(MarkupView):
    """Block diagram of the present use."""

    def __init__(self, **params):
        super().__init__(stylesheets=[STYLE, "assets/pages/uses/style.css"], **params)
        self._use = None

    def show(self, scene):
        """Draw the diagram of a `UsesScene`: all of it after a change of use."""
        if scene.use != self._use:
            self._use = scene.use
            self.rebuild(draw(scene.use, scene.result.title), values(scene))
        else:
            self.update(values(scene))
