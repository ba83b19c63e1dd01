"""The built cell in full: every part with its name and value, node voltages on the nodes.

It is one fixed circuit, not a drawing sheet: what changes is which parts are fitted, their values,
the widths of the ribbons in loads, transistors and tail, and the voltages in the small frames.
Symbols follow IEC 60617.
"""

import math

from forktail.core.built.references import part_reference, references
from forktail.core.quantities import format_quantity, format_signed
from forktail.pages.build.circuit_texts import shown
from forktail.ui import svg
from forktail.ui.html import STYLES
from forktail.ui.markup import MarkupView

LEFT, WIDTH, HEIGHT = -50, 1210, 1060
#: Ribbon width of the current that fills the scale, in drawing units.
FULL_WIDTH = 100.0
_FULL_STEPS = (5e-4, 1e-3, 2e-3, 4e-3, 1e-2, 2e-2, 4e-2, 1e-1, 2e-1, 1.0, 10.0)

RAIL, LOAD_TOP, LOAD_END, NODE = 46, 72, 146, 190
UPPER, JOIN, LOWER, TAIL_JOIN, TAIL, GROUND = 330, 520, 600, 782, 884, 1026
LOADS = (425, 795)
MIDDLE = 610
QS = {
    "Q1": (350, UPPER, -1),
    "Q2": (500, UPPER, 1),
    "Q3": (720, UPPER, -1),
    "Q4": (870, UPPER, 1),
    "Q5": (425, LOWER, -1),
    "Q6": (795, LOWER, 1),
}
STRING = 60
FEED = 126
BUS_POS, BUS_NEG, BUS_LOWER = 452, 484, 742

#: Where each node voltage is written: (x, y).
PILLS = {
    "level_upper": (148, 266),
    "level_lower": (160, 556),
    "base_upper_pos": (270, 396),
    "base_upper_neg": (290, BUS_NEG),
    "base_lower_pos": (312, LOWER),
    "base_lower_neg": (890, 672),
    "left": (318, NODE),
    "right": (902, NODE),
    "common_left": (500, 534),
    "common_right": (720, 534),
    "tail": (700, TAIL_JOIN - 4),
    "tail_base": (738, TAIL),
    "emitter_q7": (690, 946),
}
_WORDS = {
    "active": "active",
    "saturated": "! saturated",
    "cut off": "! cut off",
    "reverse": "! reverse",
    "not solved": "not solved",
}


def _pill(name):
    x, y = PILLS[name]
    return (
        f'<g class="pill" data-id="pill-{name}"><rect x="{x - 43}" y="{y - 15}" width="86" '
        f'height="30" rx="7"/>' + svg.text(x, y + 7, "", "v", data_id=f"node-{name}") + "</g>"
    )


def _wire(d):
    return f'<path class="wire" d="{d}"/>'


def _dot(x, y):
    return f'<circle class="dot" cx="{x}" cy="{y}" r="5"/>'


def _ground(x, y):
    """Earth symbol after IEC 60617 (02-15-01)."""
    return _wire(f"M{x - 17} {y}H{x + 17}M{x - 11} {y + 7}H{x + 11}M{x - 5} {y + 14}H{x + 5}")


#: Part -> factor of the law that it is.
FACTORS = {
    **dict.fromkeys(("Q1", "Q2", "Q3", "Q4"), "upper"),
    **dict.fromkeys(("Q5", "Q6"), "lower"),
    **dict.fromkeys(("Q7", "I1", "R10"), "tail"),
    **dict.fromkeys(("R8", "R9"), "load"),
}


class _Sheet:
    """Collects the drawing, and which texts show which values."""

    def __init__(self, circuit):
        self.circuit, self.refs, self.out = circuit, references(circuit), []
        self.fields = {ref: field for field, refs in self.refs.items() for ref in refs}
        self.fields |= {f"Q{k}": f"area{k}" for k in range(1, 8)}

    def add(self, *pieces):
        self.out += pieces

    def label(self, field, ref, x, y, anchor="start", lines=2):
        """Name and value of a part; the value is patched when it changes."""
        if lines == 1:
            self.add(
                f'<text class="t-v" x="{x}" y="{y}" text-anchor="{anchor}">'
                f'<tspan class="ref">{ref}</tspan> '
                f'<tspan data-id="val-{ref}"></tspan></text>'
            )
        else:
            self.add(
                svg.text(x, y, ref, "v", anchor, extra="ref"),
                svg.text(x, y + 22, "", "v", anchor, f"val-{ref}"),
            )

    def part(self, ref, *pieces):
        factor = FACTORS.get(ref)
        of = f' data-part="{factor}"' if factor else ""
        # a press opens the value in the list of parts (assets/ui/page.js)
        opens = f' data-opens="{self.fields[ref]}"' if ref in self.fields else ""
        self.add(f'<g class="part" data-id="part-{ref}"{of}{opens}>', *pieces, "</g>")

    def upright(self, field, x, top, end, label=None, ref=None, rail=True):
        """Resistor from (x, top) to (x, end), body in the middle."""
        ref = ref or self.refs[field][0]
        body = min(64, end - top - 16)
        y = 0.5 * (top + end - body)
        wires = _wire(f"M{x} {top}V{y}M{x} {y + body}V{end}") if rail else ""
        self.part(
            ref, wires, f'<rect class="resistor" x="{x - 14}" y="{y}" width="28" height="{body}"/>'
        )
        if label:
            self.label(field, ref, *label)

    def lying(self, field, x0, x1, y, label):
        """Resistor from (x0, y) to (x1, y)."""
        ref = self.refs[field][0]
        x = 0.5 * (x0 + x1 - 58)
        self.part(
            ref,
            _wire(f"M{x0} {y}H{x}M{x + 58} {y}H{x1}"),
            f'<rect class="resistor" x="{x}" y="{y - 13}" width="58" height="26"/>',
        )
        self.label(field, ref, *label, lines=1)

    def capacitor(self, field, ref, x, top, end, label):
        """Capacitor from (x, top) to (x, end), plates in the middle (IEC 60617, 04-02-01)."""
        y = 0.5 * (top + end)
        self.part(
            ref,
            _wire(f"M{x} {top}V{y - 5}M{x} {y + 5}V{end}"),
            f'<path class="bar" d="M{x - 20} {y - 5}H{x + 20}M{x - 20} {y + 5}H{x + 20}"/>',
        )
        if label:
            self.label(field, ref, *label)


def _transistor(name, x, y, side):
    """Bipolar transistor, npn, after IEC 60617 (05-05-02), emitter down, base on `side`."""
    bar = x + side * 21
    return (
        f'<circle cx="{x + side * 8}" cy="{y}" r="37" class="envelope"/>'
        f'<path class="wire" d="M{x} {y - 46}V{y - 28}L{bar} {y - 9}M{bar} {y + 9}'
        f'L{x} {y + 28}V{y + 46}M{bar} {y}H{x + side * 62}"/>'
        f'<path class="bar" d="M{bar} {y - 21}V{y + 21}"/>'
        f'<path class="arrow" d="{svg.arrow(bar, y + 9, x, y + 28)}"/>'
    )


def ribbon_points(widths):
    """Centre line of each of the four ribbons; where they share a wire they lie side by side."""

    def shift(k, group):
        total = sum(widths[j] for j in group)
        return sum(widths[j] for j in group if j < k) + 0.5 * widths[k] - 0.5 * total

    lines = []
    for k in range(4):
        side, pair = k % 2, k // 2
        x_load = LOADS[side] + shift(k, (side, side + 2))
        x_join = LOADS[pair] + shift(k, (2 * pair, 2 * pair + 1))
        x_own = QS[f"Q{k + 1}"][0]
        x_tail = MIDDLE + shift(k, range(4))
        lines.append(
            [
                (x_load, RAIL),
                (x_load, NODE + 4),
                (x_own, UPPER - 46),
                (x_own, 440),
                (x_join, JOIN),
                (x_join, 716),
                (x_tail, TAIL_JOIN),
                (x_tail, GROUND),
            ]
        )
    return lines


def _string(s):
    s.add(_wire(f"M{STRING} {RAIL}V100"))
    s.upright("r_string_top", STRING, 100, 266, (STRING + 22, 148))
    s.upright("r_string_middle", STRING, 266, 556, (STRING - 22, 408, "end"))
    s.upright("r_string_bottom", STRING, 556, 732, (STRING - 22, 676, "end"))
    s.add(_ground(STRING, 732))
    for field, ref, y in (("c_bypass_upper", "C1", 266), ("c_bypass_lower", "C2", 556)):
        s.add(_dot(STRING, y), _wire(f"M{STRING} {y}H-27V{y + 14}M{STRING} {y}H{FEED}"))
        s.capacitor(field, ref, -27, y + 14, y + 76, (-3, y + 22))
        s.add(_ground(-27, y + 76))
    s.add(
        _wire(f"M{FEED} 266V{BUS_NEG}M{FEED} 556V{BUS_LOWER}"), _dot(FEED, UPPER), _dot(FEED, LOWER)
    )
    s.lying("r_bias_upper_pos", FEED, 270, UPPER, (198, 366, "middle"))
    s.lying("r_bias_upper_neg", FEED, 270, BUS_NEG, (198, 520, "middle"))
    s.lying("r_bias_lower_pos", FEED, 262, LOWER, (194, 636, "middle"))
    s.lying("r_bias_lower_neg", FEED, 262, BUS_LOWER, (194, 724, "middle"))


def _base_lines(s):
    s.add(
        _wire(f"M270 {UPPER}H290M270 {UPPER}V{BUS_POS}H985V{UPPER}M930 {UPPER}H1030"),
        _dot(270, UPPER),
        _dot(985, UPPER),
        _wire(f"M270 {BUS_NEG}H915M{MIDDLE} {BUS_NEG}V{UPPER}M560 {UPPER}H660"),
        _dot(MIDDLE, BUS_NEG),
        _dot(MIDDLE, UPPER),
        _wire(f"M262 {LOWER}H364M262 {BUS_LOWER}H890V{LOWER}H856"),
    )


def _drive(s, side, x_couple, x_source, y0, node, foot, x_neg, y_neg, labels):
    """Generator, source resistance, termination, coupling to both base lines."""
    c = s.circuit
    ref = "G1" if side == "upper" else "G2"
    first, second = ("C3", "C4") if side == "upper" else ("C5", "C6")
    balanced = getattr(c, f"{side}_mode") == "balanced"
    s.capacitor(f"c_coupling_{side}", first, x_couple, y0, node, labels["couple"])
    s.add(_wire(f"M{x_couple} {node}H{x_source}"))
    if f"r_termination_{side}" in s.refs:
        s.upright(f"r_termination_{side}", x_couple, node, foot, labels["term"])
        s.add(_dot(x_couple, node), _wire(f"M{x_couple} {foot}H{x_source}"))
    body = node + 14
    s.part(
        ref,
        _wire(f"M{x_source} {node}V{body}"),
        f'<rect class="resistor" x="{x_source - 12}" y="{body}" width="24" height="40"/>',
        f'<circle class="envelope" cx="{x_source}" cy="{body + 72}" r="24"/>',
        _wire(f"M{x_source} {body + 40}V{foot}"),
    )
    s.label(f"r_source_{side}", ref, *labels["source"])
    s.add(_wire(f"M{x_neg} {y_neg}V{node - 40}") if y_neg < node - 40 else "")
    start = max(y_neg, node - 40)
    if balanced:
        s.capacitor(f"c_coupling_{side}", second, x_neg, start, start + 64, labels["neg"])
        s.add(
            _wire(f"M{x_neg} {start + 64}V{foot}H{x_couple}"),
            _wire(f"M{x_couple} {foot}H{x_source}"),
        )
    else:
        s.capacitor(f"c_ground_{side}", second, x_neg, start, start + 64, labels["neg"])
        s.add(_ground(x_neg, start + 64), _ground(x_source, foot))


def _tail(s):
    c = s.circuit
    if c.tail_kind == "ideal":
        s.part(
            "I1",
            f'<circle cx="{MIDDLE}" cy="{TAIL}" r="30" class="envelope"/>'
            f'<path class="bar" d="M{MIDDLE - 30} {TAIL}H{MIDDLE + 30}"/>',
        )
        s.label("i_tail", "I1", MIDDLE - 66, TAIL - 6, "end")
    elif c.tail_kind == "resistor":
        s.part(
            "R10",
            f'<rect class="resistor" x="{MIDDLE - 18}" y="{TAIL - 44}" width="36" height="88"/>',
        )
        s.label("r_tail", "R10", MIDDLE - 66, TAIL - 6, "end")
    else:
        s.part("Q7", _transistor("Q7", MIDDLE, TAIL, 1))
        _q_labels(s, "Q7", MIDDLE - 62, TAIL - 26, "end")
        if c.r_tail_emitter > 0:
            s.upright("r_tail_emitter", MIDDLE, 936, GROUND, (MIDDLE - 62, 972, "end"), rail=False)
            s.add(_wire(f"M{MIDDLE} 946H660"))
        x = 816
        s.add(
            _wire(f"M672 {TAIL}H940"),
            _dot(x, TAIL),
            _wire(f"M{x - 22} 800H{x + 22}"),
            svg.text(x + 32, 806, "", "v", "start", "supply2"),
        )
        s.upright("r_tail_base_top", x, 800, TAIL, (x + 22, 838))
        s.upright("r_tail_base_bottom", x, TAIL, 976, (x + 22, 930))
        s.add(_ground(x, 976))
        s.capacitor("c_bypass_tail", "C9", 940, TAIL, 976, (968, 926))
        s.add(_ground(940, 976))


def _q_labels(s, q, x, y, anchor):
    s.add(
        svg.text(x, y, q, "n", anchor),
        svg.text(x, y + 23, "", "v", anchor, f"i-{q}", "figure"),
        # between the pairs a long word passes below the neighbour's circle
        svg.text(x, y + (68 if q in "Q2Q3" else 45), "", "v", anchor, f"region-{q}", "region"),
    )


def _outputs(s):
    """Loads with their ribbons' ends, capacitance at each output, the difference between them."""
    for k, (field, x) in enumerate(zip(("r_load_left", "r_load_right"), LOADS)):
        side, anchor = (-1, "end") if k == 0 else (1, "start")
        ref = ("R8", "R9")[k]
        if field in s.refs:
            s.part(
                ref,
                f'<rect class="resistor" x="{x - 18}" y="{LOAD_TOP}" width="36" '
                f'height="{LOAD_END - LOAD_TOP}"/>',
            )
            s.label(field, ref, x + side * 60, 102, anchor)
        s.add(f'<circle class="node" cx="{x}" cy="{NODE}" r="6"/>')
        if "c_load" in s.refs:
            x_c = x + side * (220 if k == 0 else 222)
            s.add(_wire(f"M{x} {NODE}H{x_c}V{NODE + 6}"))
            place = (x_c + side * 26, NODE + 20, anchor)
            s.capacitor("c_load", s.refs["c_load"][k], x_c, NODE + 6, NODE + 44, place)
            s.add(_ground(x_c, NODE + 44))
        else:
            s.add(_wire(f"M{x} {NODE}H{PILLS[('left', 'right')[k]][0]}"))
    s.add(
        '<g class="output" data-part="out">'
        + svg.text(MIDDLE, 100, "", "xl", data_id="v_out")
        + svg.text(MIDDLE, 128, "", "v", data_id="output-note", extra="soft")
        + "</g>"
    )


#: Where the names of the pairs' transistors stand.
_Q_PLACES = {
    "Q1": (302, 240, "end"),
    "Q2": (464, 316, "end"),
    "Q3": (756, 316, "start"),
    "Q4": (922, 240, "start"),
    "Q5": (478, 584, "start"),
    "Q6": (742, 584, "end"),
}


def _pairs(s):
    for q, (x, y, side) in QS.items():
        s.part(q, _transistor(q, x, y, side))
        _q_labels(s, q, *_Q_PLACES[q])
    for k, ref in enumerate(s.refs.get("r_emitter_upper", ())):
        x = QS[f"Q{k + 1}"][0]
        s.upright("r_emitter_upper", x, 380, 440, None, ref, rail=False)
        s.label("r_emitter_upper", ref, x + 26, 404)
    for k, ref in enumerate(s.refs.get("r_emitter_lower", ())):
        x, shift, anchor = LOADS[k], (50, -50)[k], ("start", "end")[k]
        s.upright("r_emitter_lower", x, 650, 720, None, ref, rail=False)
        s.label("r_emitter_lower", ref, x + shift, 676, anchor)


def _drives(s):
    """Both generators with what they pass on their way to the base lines."""
    labels = {
        "couple": (1056, 380),
        "term": (1008, 520, "end"),
        "source": (1112, 478, "end"),
        "neg": (890, 514, "end"),
    }
    _drive(s, "upper", 1030, 1130, UPPER, 440, 610, 915, BUS_NEG, labels)
    s.add(
        svg.text(1152, 290, "upper input", "v", "end", extra="soft"),
        svg.text(1152, 316, "", "n", "end", "v_upper"),
    )
    labels = {
        "couple": (234, 792, "end"),
        "term": (286, 920),
        "source": (124, 890, "end"),
        "neg": (376, 832),
    }
    _drive(s, "lower", 262, 150, LOWER + 160, 846, 1016, 352, BUS_LOWER, labels)
    s.add(
        _wire(f"M262 {LOWER}V730M262 730a12 12 0 0 1 0 24V760"),
        _dot(262, LOWER),
        _dot(352, BUS_LOWER),
    )
    s.add(
        svg.text(24, 812, "lower input", "v", extra="soft", anchor="start"),
        svg.text(24, 838, "", "n", "start", "v_lower"),
    )


def _key(s):
    """How wide a current is, and what the colours say."""
    s.add(
        '<g class="scale"><rect x="1000" y="1000" height="12" width="0" data-id="scale"/>'
        + svg.text(1150, 1040, "", "v", "end", "scale-text", "soft")
        + "</g>",
        svg.text(1150, 720, "ends in the left load", "v", "end", extra="left-text"),
        svg.text(1150, 746, "ends in the right load", "v", "end", extra="right-text"),
    )


def draw(circuit):
    """Static part of the schematic for the parts that are fitted, with data-id on what moves."""
    s = _Sheet(circuit)
    s.add(
        f'<svg class="schematic built" viewBox="{LEFT} 0 {WIDTH} {HEIGHT}" role="img" '
        'aria-label="Schematic of the built cell; the sentence below and the table of numbers '
        'say what it shows" xmlns="http://www.w3.org/2000/svg">'
        '<defs><pattern id="hatch" width="9" height="9" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="9" height="9" class="right-fill"/>'
        '<rect width="2.6" height="9" class="hatch-line"/></pattern></defs>'
    )
    for k in range(4):
        s.add(f'<path class="bare" data-id="wire{k + 1}"/>')
    for k in (1, 3, 0, 2):  # where ribbons cross, the left-load ones lie on top
        s.add(f'<path class="ribbon {"left" if k % 2 == 0 else "right"}" data-id="ribbon{k + 1}"/>')
    s.add(
        f'<path class="rail" d="M{STRING - 40} {RAIL}H{LOADS[1] + 60}"/>',
        svg.text(STRING - 40, RAIL - 14, "", "n", "start", "supply"),
    )
    _outputs(s)
    _base_lines(s)
    _string(s)
    _pairs(s)
    _drives(s)
    _tail(s)
    s.add(f'<path class="rail" d="M{MIDDLE - 60} {GROUND}H{MIDDLE + 60}"/>')
    q7 = circuit.tail_kind == "transistor"
    there = {"tail_base": q7, "emitter_q7": q7 and circuit.r_tail_emitter > 0}
    s.add(*(_pill(n) for n in PILLS if there.get(n, True)))
    _key(s)
    s.add(svg.text(1150, 790, "", "v", "end", "remark", "soft"), "</svg>")
    return "".join(s.out)


def shape(circuit):
    """What decides which parts are drawn: equal shapes, equal drawings."""
    return (
        tuple(references(circuit).items()),
        circuit.upper_mode,
        circuit.lower_mode,
        circuit.tail_kind,
    )


def _number(value, unit, digits=4):
    value = float(value)
    return format_quantity(value, unit, digits) if math.isfinite(value) else "\u2013"


def values(scene, gone=(), looked=""):
    """Attributes and texts of what changes, for a `BuildScene`.

    `gone` are parts not fitted, `looked` is the key of a fault that is looked at and not built in.
    """
    c, out = scene.circuit, {}
    point, textbook = scene.point, scene.model == "textbook"
    branch = [0.0] * 4 if point is None else [max(float(i), 0.0) for i in point.i_upper]
    total = sum(branch)
    full = next((f for f in _FULL_STEPS if total <= f * 1.0001), total)
    widths = [FULL_WIDTH * i / full for i in branch]
    for k, points in enumerate(ribbon_points(widths)):
        line = svg.line(points)
        out[f"wire{k + 1}"] = {"d": line}
        out[f"ribbon{k + 1}"] = {"d": line, "stroke-width": f"{widths[k]:.2f}"}
    out["scale"] = {"width": f"{FULL_WIDTH / 2:.1f}", "x": f"{1150 - FULL_WIDTH / 2:.1f}"}
    out["scale-text"] = {"#": f"this width: {format_quantity(full / 2, 'A', 2)}"}
    for field, refs in references(c).items():
        text = shown(field, getattr(c, field), 3)
        for ref in refs:
            out[f"val-{ref}"] = {"#": text}
    supply = f"+{shown('v_supply', c.v_supply)}"
    out["supply"] = out["supply2"] = {"#": supply}
    for side in ("upper", "lower"):
        out[f"v_{side}"] = {"#": format_signed(getattr(scene, f"v_{side}"), "V")}
    broken, asked = (
        {part_reference(c, key.split(":")[1].split(".")[0]) for key in keys}
        for keys in (c.faults, [looked] if looked else ())
    )
    broken |= set(gone)
    out |= {f"val-{ref}": {"#": "not fitted"} for ref in gone}
    for ref in [r for refs in references(c).values() for r in refs] + [*QS, "Q7"]:
        mark = " broken" if ref in broken else " looked" if ref in asked else ""
        out[f"part-{ref}"] = {"class": f"part{mark}"}
    _voltages(out, scene, point, textbook)
    names = [*QS, *(["Q7"] if c.tail_kind == "transistor" else [])]
    currents = {} if point is None else dict(zip(QS, (*point.i_upper, *point.i_lower)))
    if point is not None:
        currents["Q7"] = point.i_tail
    for q in names:
        out[f"i-{q}"] = {"#": _number(currents.get(q, math.nan), "A", 3)}
        region = "" if textbook else str(scene.built.regions[q])
        out[f"region-{q}"] = {"#": _WORDS.get(region, region), "data-region": region or "textbook"}
    out["remark"] = {"#": _remark(c, textbook), "class": f"t-v {'soft' if textbook else 'warn'}"}
    return out


def _remark(circuit, textbook):
    if textbook:
        return "the textbook knows no bias levels"
    count = len(circuit.faults)
    return "" if not count else "built with a fault" if count == 1 else f"built with {count} faults"


def _voltages(out, scene, point, textbook):
    loose = {} if point is None or textbook else scene.loose
    for name in PILLS:
        if point is None:
            text = "no answer"
        elif textbook:
            text = _number(getattr(point, f"v_{name}"), "V") if name in ("left", "right") else ""
        else:
            volts = point.nodes.get(name)
            # three digits below a volt, so that the frame holds them
            text = "" if volts is None else _number(volts, "V", 4 if abs(volts) >= 1 else 3)
            text = "floating" if name in loose else text
        out[f"node-{name}"] = {"#": text}
        out[f"pill-{name}"] = {"display": None if text else "none"}
    note = "output: right \u2212 left"
    if scene.model == "overlay" and scene.textbook is not None:
        note = f"textbook {format_signed(float(scene.textbook.v_out), 'V')}"
    out["output-note"] = {"#": note}
    out["v_out"] = {"#": "no answer" if point is None else format_signed(float(point.v_out), "V")}


class BuiltSchematic(MarkupView):
    """Live schematic of a `BuildScene`."""

    def __init__(self, **params):
        super().__init__(sizing_mode="stretch_both", stylesheets=STYLES, **params)
        self._shape = None

    def show(self, scene, gone=(), looked=""):
        """Draw the scene: the whole picture if other parts are fitted, else what changed."""
        now = shape(scene.circuit)
        if now != self._shape:
            self._shape = now
            self.rebuild(draw(scene.circuit), values(scene, gone, looked))
        else:
            self.update(values(scene, gone, looked))
