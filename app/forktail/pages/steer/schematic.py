"""The schematic: four ribbons run from supply to tail, as wide as their currents.

Each of Q1..Q4 owns one ribbon, from the load it feeds, through the transistor, to the tail source
that it is part of. Its hue (and hatching) says in which load the current ends. Symbols follow
IEC 60617. The geometry is static; an event changes only widths, side-by-side places and texts.
"""

import math
import time
from dataclasses import dataclass

from forktail.core.quantities import format_fixed, format_quantity, format_signed
from forktail.ui import svg
from forktail.ui.markup import MarkupView

WIDTH, HEIGHT = 1000, 834
#: A flip of the sign stays marked for so long, s.
FLIP_SHOWN = 2.6
#: Ribbon width of the current that fills the scale, in drawing units.
FULL_WIDTH = 112.0
_FULL_STEPS = (4e-3, 1e-2, 2e-2, 4e-2, 1e-1, 2e-1)

RAIL_Y, LOAD_TOP, LOAD_END, NODE_Y = 34, 58, 138, 172
UPPER_Y, JOIN_Y, LOWER_Y, TAIL_Y, GROUND_Y = 352, 500, 590, 756, 812
#: Below a transistor its branch runs straight this far: room for an emitter resistor.
EMITTER_RUN = 84


@dataclass(frozen=True)
class Layout:
    """Where the parts of one stage stand: x of loads, of the transistors and of the tails."""

    transistors: tuple  # (name, x, side of the base: -1 left, +1 right, base line)
    loads: tuple
    joins: tuple  # x where the emitters of each upper pair meet
    tails: tuple  # (x, name of the current)
    lower: bool = False


LAYOUTS = {
    "pair": Layout(
        (("Q1", 330, -1, "upper +"), ("Q2", 670, 1, "upper \u2212")),
        (330, 670),
        (500,),
        ((500, "i_tail"),),
    ),
    "shared": Layout(
        (
            ("Q1", 200, -1, "upper +"),
            ("Q2", 400, 1, "upper \u2212"),
            ("Q3", 600, -1, "second +"),
            ("Q4", 800, 1, "second \u2212"),
        ),
        (300, 700),
        (300, 700),
        ((300, "i_left"), (700, "i_right")),
    ),
    "crossed": Layout(
        (
            ("Q1", 200, -1, "upper +"),
            ("Q2", 400, 1, "upper \u2212"),
            ("Q3", 600, -1, "upper \u2212"),
            ("Q4", 800, 1, "upper +"),
        ),
        (300, 700),
        (300, 700),
        ((300, "i_left"), (700, "i_right")),
    ),
    "cell": Layout(
        (
            ("Q1", 200, -1, "upper +"),
            ("Q2", 400, 1, "upper \u2212"),
            ("Q3", 600, -1, "upper \u2212"),
            ("Q4", 800, 1, "upper +"),
        ),
        (300, 700),
        (300, 700),
        ((500, "i_tail"),),
        True,
    ),
}


def ribbon_points(layout, widths):
    """Centre line of each ribbon: where ribbons share a wire they lie side by side."""
    count = len(layout.transistors)
    loads = [(k, k % 2) for k in range(count)]

    def shift(k, group):
        total = sum(widths[j] for j in group)
        before = sum(widths[j] for j in group if j < k)
        return before + 0.5 * widths[k] - 0.5 * total

    lines = []
    for k, side in loads:
        load_group = [j for j, s in loads if s == side]
        pair_group = [j for j in range(count) if j // 2 == k // 2]
        x_load = layout.loads[side] + shift(k, load_group)
        x_own = layout.transistors[k][1]
        x_join = layout.joins[k // 2] + shift(k, pair_group)
        points = [
            (x_load, RAIL_Y),
            (x_load, NODE_Y),
            (x_own, UPPER_Y - 46),
            (x_own, UPPER_Y + EMITTER_RUN),
            (x_join, JOIN_Y),
        ]
        if layout.lower:
            x_tail = layout.tails[0][0] + shift(k, range(count))
            points += [(x_join, LOWER_Y + EMITTER_RUN), (x_tail, TAIL_Y - 30), (x_tail, GROUND_Y)]
        else:
            points += [(x_join, GROUND_Y)]
        lines.append(points)
    return lines


def _transistor(name, x, y, side):
    """Bipolar transistor, npn, after IEC 60617 (05-05-02), emitter down, base on `side`."""
    bar = x + side * 24
    return (
        f'<g class="part"><circle cx="{x + side * 9}" cy="{y}" r="42" class="envelope"/>'
        f'<path class="wire" d="M{x} {y - 46}V{y - 32}L{bar} {y - 10}M{bar} {y + 10}'
        f'L{x} {y + 32}V{y + 46}M{bar} {y}H{x + side * 62}"/>'
        f'<path class="bar" d="M{bar} {y - 24}V{y + 24}"/>'
        f'<path class="arrow" d="{svg.arrow(bar, y + 10, x, y + 32)}"/></g>'
    )


def _resistor(x, top, width, height):
    """Resistor after IEC 60617 (04-01-01): a plain rectangle."""
    return (
        f'<rect class="resistor" x="{x - width / 2:g}" y="{top}" width="{width}" '
        f'height="{height}"/>'
    )


def _emitter_resistors(places, y, data_id):
    """Resistors under the emitters at `places`, with one value; hidden while they are 0."""
    x_text = places[-1] + 22
    return (
        f'<g data-id="{data_id}" hidden="">'
        + "".join(_resistor(x, y + 50, 24, 34) for x in places)
        + svg.text(x_text, y + 78, "", "s", "start", f"{data_id}-value")
        + "</g>"
    )


def _source(x):
    """Ideal current source after IEC 60617 (02-16-01): a circle, its bar across the wire."""
    return (
        f'<g class="part"><circle cx="{x}" cy="{TAIL_Y}" r="27" class="envelope"/>'
        f'<path class="bar" d="M{x - 27} {TAIL_Y}H{x + 27}"/></g>'
    )


def _tag(x, y, text, data_id):
    """A base line's name with a mark that says whether it is the higher one."""
    return (
        f'<g class="tag" transform="translate({x} {y})" data-id="{data_id}-box">'
        f'<rect x="-54" y="-27" width="108" height="54" rx="9"/>'
        + svg.text(0, -5, text, "s")
        + svg.text(0, 17, "", "s", data_id=data_id, extra="soft")
        + "</g>"
    )


def _offset(x, y, side, data_id):
    """An offset as a small ideal voltage source (IEC 60617, 02-16-02) in a base lead."""
    return (
        f'<g data-id="{data_id}" hidden=""><circle cx="{x + side * 62}" cy="{y}" r="11" '
        f'class="envelope"/><path class="wire" d="M{x + side * 51} {y}h{side * 22}"/>'
        + svg.text(
            x + side * 46,
            y + 50,
            "",
            "s",
            "end" if side < 0 else "start",
            f"{data_id}-value",
            "figure",
        )
        + "</g>"
    )


def _split_bar(x, y, width, data_id, names, kind=""):
    half = width / 2
    narrow = "narrow" if width < 150 else ""
    return (
        f'<g class="split {kind}"><rect x="{x - half}" y="{y - 9}" width="{width}" height="18" '
        f'class="second" data-id="{data_id}-rest"/>'
        f'<rect x="{x - half}" y="{y - 9}" width="0" height="18" class="first" '
        f'data-id="{data_id}"/><rect x="{x - half}" y="{y - 9}" width="{width}" height="18" '
        f'class="frame"/>'
        + svg.text(x - half, y - 17, names[0], "s", "start", f"{data_id}-a", narrow)
        + svg.text(x + half, y - 17, names[1], "s", "end", f"{data_id}-b", narrow)
        + "</g>"
    )


def draw(stage):
    """Static part of the schematic of a stage, as SVG text with data-id on what moves."""
    layout = LAYOUTS[stage]
    left, right = layout.loads
    count = len(layout.transistors)
    out = [
        f'<svg class="schematic" data-morph="" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="Schematic; the sentence below says what it shows" '
        f'xmlns="http://www.w3.org/2000/svg">'
        '<defs><pattern id="hatch" width="9" height="9" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="9" height="9" class="right-fill"/>'
        '<rect width="2.6" height="9" class="hatch-line"/></pattern></defs>'
    ]
    # a thin wire under each ribbon, so that a branch without current is still seen
    out += [f'<path class="bare" data-id="wire{k + 1}"/>' for k in range(count)]
    # right-load ribbons first: where ribbons cross, the left-load one lies on top
    for k in sorted(range(len(layout.transistors)), key=lambda k: -(k % 2)):
        side = "left" if k % 2 == 0 else "right"
        out.append(f'<path class="ribbon {side}" data-id="ribbon{k + 1}"/>')
    out.append(f'<path class="rail" d="M{left - 90} {RAIL_Y}H{right + 90}"/>')
    out.append(svg.text(left - 104, RAIL_Y + 7, "", "m", "end", "supply"))
    for x, side, sign, anchor in ((left, "left", -1, "end"), (right, "right", 1, "start")):
        edge = x + sign * 82
        out.append(f'<g data-part="load">{_resistor(x, LOAD_TOP, 42, 80)}')
        out.append(svg.text(edge, 88, "", "m", anchor, f"load-{side}"))
        out.append(svg.text(edge, 114, "", "s", anchor, f"drop-{side}", "soft") + "</g>")
        out.append(f'<circle class="node" cx="{x}" cy="{NODE_Y}" r="6"/>')
        out.append(f'<path class="lead" d="M{x} {NODE_Y}H{edge - sign * 12}"/>')
        out.append(svg.text(edge, NODE_Y + 7, "", "m", anchor, f"node-{side}"))
    out.append(
        '<g class="output" data-part="out">'
        + svg.text(500, 84, "", "xl", data_id="v_out")
        + svg.text(
            500, 112, "output: right collector \u2212 left collector", "s", extra="soft minor"
        )
        + '<g data-id="flip" hidden=""><rect x="372" y="42" width="256" height="54" rx="27"/>'
        + svg.text(500, 142, "", "m", data_id="flip-text")
        + "</g>"
        + svg.text(500, 164, "", "s", data_id="cannot", extra="warn")
        + "</g>"
    )
    for k, (name, x, side, line) in enumerate(layout.transistors):
        out.append(f'<g data-part="{"second" if stage == "shared" and k > 1 else "upper"}">')
        out.append(_transistor(name, x, UPPER_Y, side))
        # outer transistors are labelled outside, inner ones towards their partner
        outer = k in (0, count - 1)
        edge, anchor = (
            (x + side * 58, "end" if side < 0 else "start")
            if outer
            else (x - side * 40, "start" if side < 0 else "end")
        )
        out.append(svg.text(edge, UPPER_Y - 66, name, "m", anchor))
        out.append(svg.text(edge, UPPER_Y - 42, "", "m", anchor, f"i{k + 1}", "figure"))
        if outer:
            out.append(_tag(x + side * 116, UPPER_Y, line, f"tag{k + 1}"))
            if k in (0, 3):
                out.append(_offset(x, UPPER_Y, side, f"offset{k + 1}"))
        elif stage == "shared":
            # two base lines of their own between the inner bases: one tag above the other, each
            # clear of the circles beside it
            out.append(
                f'<path class="wire" d="M{x + side * 62} {UPPER_Y}h{side * 20}v{-side * 24}"/>'
            )
            out.append(_tag(500, UPPER_Y - side * 51, line, f"tag{k + 1}"))
        out.append("</g>")
    if stage in ("crossed", "cell"):
        out.append(f'<path class="wire" d="M462 {UPPER_Y}H538"/>')
        out.append(_tag(500, UPPER_Y + 44, "upper \u2212", "tag2"))
        out.append(f'<path class="wire" d="M500 {UPPER_Y}V{UPPER_Y + 17}"/>')
        out.append(f'<circle class="dot" cx="500" cy="{UPPER_Y}" r="5"/>')
    wide = 250 if stage == "pair" else 104
    for n, x in enumerate(layout.joins):
        part = "second" if stage == "shared" and n else "upper"
        bar = _split_bar(x, UPPER_Y + 34, wide, f"split{n + 1}", ("", ""))
        out.append(f'<g data-part="{part}">{bar}</g>')
    out.append(_emitter_resistors([t[1] for t in layout.transistors], UPPER_Y, "re-upper"))
    if layout.lower:
        out.append('<g data-part="lower">')
        out.append(_emitter_resistors(layout.joins, LOWER_Y, "re-lower"))
        for name, x, side, line in (("Q5", left, -1, "lower +"), ("Q6", right, 1, "lower \u2212")):
            out.append(_transistor(name, x, LOWER_Y, side))
            out.append(
                svg.text(x - side * 66, LOWER_Y - 20, name, "m", "start" if side < 0 else "end")
            )
            out.append(
                svg.text(
                    x - side * 66,
                    LOWER_Y + 4,
                    "",
                    "m",
                    "start" if side < 0 else "end",
                    f"i{name[1]}",
                    "figure",
                )
            )
            out.append(_tag(x + side * 116, LOWER_Y, line, f"tag{name[1]}"))
            if name == "Q5":
                out.append(_offset(x, LOWER_Y, side, "offset5"))
        out.append(_split_bar(500, LOWER_Y + 52, 220, "split3", ("", ""), "tails") + "</g>")
    for n, (x, _) in enumerate(layout.tails):
        part = "tail" if stage != "shared" else ("tail-left", "tail-right")[n]
        out.append(f'<g data-part="{part}">{_source(x)}')
        out.append(svg.text(x + 76, TAIL_Y + 2, "", "m", "start", f"tail{n + 1}", "figure"))
        out.append(
            svg.text(x + 76, TAIL_Y + 24, "tail current", "s", "start", extra="soft") + "</g>"
        )
        out.append(f'<path class="rail" d="M{x - 74} {GROUND_Y}H{x + 74}"/>')
    out.append(
        f'<g class="scale"><rect x="24" y="{GROUND_Y - 12}" height="12" width="0" '
        'data-id="scale"/>'
        + svg.text(24, GROUND_Y - 22, "", "s", "start", "scale-text", "soft")
        + "</g>"
    )
    out.append(svg.text(20, 232, "ends in the left load", "s", "start", extra="left-text minor"))
    out.append(svg.text(980, 232, "ends in the right load", "s", "end", extra="right-text minor"))
    out.append("</svg>")
    return "".join(out)


def _level(higher):
    return "\u25b2 higher" if higher > 0 else "\u25bc lower" if higher < 0 else "= equal"


def values(scene):
    """Attributes and texts of the moving parts for a `Scene`: {data-id: {attribute: value}}."""
    layout, point = LAYOUTS[scene.stage], scene.point
    count = len(layout.transistors)
    branch = [float(i) for i in point.i_upper[:count]]
    total = sum(branch)
    full = next((f for f in _FULL_STEPS if total <= f * 1.0001), total)
    unit = FULL_WIDTH / full
    widths = [unit * i for i in branch]
    out = {}
    for k, points in enumerate(ribbon_points(layout, widths)):
        line = svg.line(points)
        out[f"wire{k + 1}"] = {"d": line}
        out[f"ribbon{k + 1}"] = {"d": line, "stroke-width": f"{widths[k]:.2f}"}
        out[f"i{k + 1}"] = {"#": format_quantity(branch[k], "A")}
    reference = {4e-3: 1e-3}.get(full, full / 4)
    out["scale"] = {"width": f"{unit * reference:.1f}"}
    out["scale-text"] = {"#": f"this width: {format_quantity(reference, 'A', 2)}"}
    out["supply"] = {"#": f"+{format_quantity(scene.settings.v_supply, 'V')}"}
    out["v_out"] = {"#": format_signed(float(point.v_out), "V")}
    out["flip"], out["flip-text"] = {"hidden": ""}, {"#": ""}
    for n, side in enumerate(("left", "right")):
        out[f"load-{side}"] = {"#": format_quantity(float(point.r_load), "ohm")}
        drop = float(point.i_load[n] * point.r_load)
        out[f"drop-{side}"] = {"#": f"drops {format_quantity(drop, 'V')}"}
        node = float(point.v_left if side == "left" else point.v_right)
        beyond = not 0.0 <= node <= float(scene.settings.v_supply)
        out[f"node-{side}"] = {
            "#": ("! " if beyond else "") + format_quantity(node, "V", 4),
            "class": "t-m warn" if beyond else "t-m",
        }
    saturates = any(limit.name == "headroom" and not limit.holds for limit in scene.limits)
    out["cannot"] = {"#": "! cannot be: real transistors saturate" if saturates else ""}
    offsets = _offsets(scene)
    drives = _drives(scene, offsets)
    for k in range(count):
        out[f"tag{k + 1}"] = {"#": _level(drives[k])}
        out[f"tag{k + 1}-box"] = {"data-level": str((drives[k] > 0) - (drives[k] < 0))}
    for k in (0, 3)[: count // 2]:
        _set_offset(out, k + 1, offsets[k])
    for name in ("upper", "lower") if layout.lower else ("upper",):
        ohms = float(getattr(scene.settings, f"r_emitter_{name}"))
        out[f"re-{name}"] = {"hidden": None if ohms else ""}
        out[f"re-{name}-value"] = {"#": format_quantity(ohms, "ohm")}
    pairs = [(0, 1), (2, 3)][: count // 2]
    for n, (a, b) in enumerate(pairs):
        _set_split(
            out, f"split{n + 1}", branch[a], branch[b], 250 if scene.stage == "pair" else 104
        )
    if layout.lower:
        i5, i6 = (float(i) for i in point.i_lower)
        out["i5"], out["i6"] = ({"#": format_quantity(i, "A")} for i in (i5, i6))
        lower = float(point.v_lower) + scene.settings.offset_lower
        _set_offset(out, 5, scene.settings.offset_lower)
        for name, value in (("5", lower), ("6", -lower)):
            out[f"tag{name}"] = {"#": _level(value)}
            out[f"tag{name}-box"] = {"data-level": str((value > 0) - (value < 0))}
        _set_split(out, "split3", i5, i6, 220)
        out["tail1"] = {"#": format_quantity(float(point.i_tail), "A")}
    elif scene.stage == "pair":
        out["tail1"] = {"#": format_quantity(float(point.i_tail), "A")}
    else:
        out["tail1"] = {"#": format_quantity(scene.i_tail_left, "A")}
        out["tail2"] = {"#": format_quantity(scene.i_tail_right, "A")}
    return out


def _offsets(scene):
    """What is in the base leads of Q1 and Q4, V: transistor index -> volts."""
    turned = -1.0 if scene.stage == "shared" else 1.0  # there it belongs to Q3-Q4, not Q4-Q3
    return {0: float(scene.settings.offset_left), 3: turned * float(scene.settings.offset_right)}


def _drives(scene, offsets):
    """How far each base is above the other base of its pair, offset counted, V: Q1 to Q4."""
    upper = float(scene.point.v_upper)
    left = upper + offsets[0]
    right = (-scene.v_second if scene.stage == "shared" else upper) + offsets[3]
    if scene.stage in ("crossed", "cell") and left * right < 0.0:
        return [left, -upper, -upper, right]  # the line that both pairs share
    return [left, -left, -right, right]


def _set_offset(out, k, offset):
    out[f"offset{k}"] = {"hidden": None if offset else ""}
    out[f"offset{k}-value"] = {"#": format_signed(offset, "V")}


def _set_split(out, name, first, second, width):
    total = first + second
    share = first / total if total else 0.0
    out[name] = {"width": f"{width * share:.1f}"}
    out[f"{name}-rest"] = {"width": str(width if total else 0)}
    out[f"{name}-a"] = {"#": format_fixed(100 * share, 0, "%") if total else "no current"}
    out[f"{name}-b"] = {"#": format_fixed(100 * (1 - share), 0, "%") if total else ""}


class SchematicView(MarkupView):
    """Live schematic of a `Scene`; where the output changes its sign, it says so for a moment."""

    def __init__(self, **params):
        super().__init__(sizing_mode="stretch_both", **params)
        self._stage = None
        self._sign = self._flips = 0
        self._flipped = -math.inf

    def show(self, scene):
        """Draw the scene: the whole picture after a change of stage, else what moved."""
        out = values(scene)
        sign = _sign(scene)
        if scene.stage != self._stage:
            self._stage, self._sign = scene.stage, sign
            self.rebuild(draw(scene.stage), out)
            return
        now = time.monotonic()
        if sign and self._sign == -sign and self.models:  # seen by somebody
            self._flips, self._flipped = self._flips + 1, now
            # another name each time starts the animation again
            out["flip"] = {"hidden": None, "class": f"flip {('even', 'odd')[self._flips % 2]}"}
            out["flip-text"] = {"#": f"sign flipped: now {'+' if sign > 0 else chr(0x2212)}"}
        elif now - self._flipped < FLIP_SHOWN:  # the mark stays
            del out["flip"], out["flip-text"]
        self._sign = sign or self._sign
        self.update(out)


def _sign(scene):
    """Sign of the output; 0 where it is nothing but rounding."""
    v_out = float(scene.point.v_out)
    small = 1e-6 * float(scene.point.i_tail * scene.point.r_load)
    return 0 if abs(v_out) <= small else 1 if v_out > 0.0 else -1
