"""What the built cell does now, in words and tables: sentence, numbers, figures of merit."""

import math

from forktail.core.built.circuit import transistor_names
from forktail.core.built.network import NODES
from forktail.core.built.references import part_reference
from forktail.core.quantities import format_fixed, format_quantity, format_signed
from forktail.ui.html import STYLES, number, table
from forktail.ui.markup import MarkupView
from forktail.ui.text import csv_text, keep_together, tidy

_CAUTION = (
    "Set the current limit of the supply before switching on, and switch off before "
    "changing a part. Hot parts burn the skin: let them cool. Follow local codes."
)


def sentence(scene):
    """What is happening now, in one or two sentences."""
    u, low = format_signed(scene.v_upper, "V"), format_signed(scene.v_lower, "V")
    rest = scene.v_upper == 0.0 and scene.v_lower == 0.0
    lead = "At rest" if rest else f"With {u} on the upper and {low} on the lower input"
    if scene.model == "textbook":
        if scene.textbook is None:
            return "The tail current at rest could not be found, so the textbook has no answer."
        return (
            f"{lead} the textbook cell gives {format_signed(float(scene.textbook.v_out), 'V')}, "
            "with the tail current of the circuit, "
            f"{format_quantity(float(scene.textbook.i_tail), 'A')}."
        )
    if not scene.solved:
        return (
            f"{lead} no solution balances every current, so no number is shown. Look for a "
            "part with an extreme value."
        )
    built = float(scene.built.v_out)
    text = f"{lead} the built cell gives {format_signed(built, 'V')}"
    if scene.model == "overlay" and scene.textbook is not None:
        ideal = float(scene.textbook.v_out)
        text += f"; the textbook says {format_signed(ideal, 'V')}"
        if abs(ideal) > 1e-6:
            text += f", so the built one gives {_against(built / ideal)}"
    return text + ". " + _regions(scene)


def _against(ratio):
    """A ratio to the textbook in words."""
    if ratio < 0.0:
        return "the other sign"
    if ratio < 0.02:
        return "next to nothing"
    if ratio > 3.0:
        return f"{ratio:.3g} times as much" if ratio < 1000 else "far more"
    percent = 100.0 * abs(ratio - 1.0)
    if percent < 0.05:
        return "the same"
    return (
        f"{format_fixed(percent, 0 if percent >= 10 else 1, '%')} {'more' if ratio > 1 else 'less'}"
    )


def _regions(scene):
    regions = {q: str(r) for q, r in scene.built.regions.items()}
    odd = {}
    for q, region in regions.items():
        if region != "active":
            odd.setdefault(region, []).append(q)
    if odd:
        return " ".join(
            f"{_joined(names)} {_does(region, len(names))}." for region, names in odd.items()
        )
    q, room = min(
        ((q, float(h)) for q, h in scene.inspection.headroom.items()), key=lambda pair: pair[1]
    )
    count = {6: "six", 7: "seven"}[len(regions)]
    return (
        f"All {count} transistors are active; {q} is nearest to saturation, with "
        f"{format_quantity(room, 'V', 2)} to spare."
    )


def _joined(names):
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _does(region, count):
    one = {"reverse": ("conducts in reverse", "conduct in reverse")}.get(
        region, (f"is {region}", f"are {region}")
    )
    return one[count > 1]


class BuiltSentence(MarkupView):
    """The sentence of the scene, spoken once it rests."""

    def __init__(self, **params):
        super().__init__(**params)
        self.rebuild(
            '<div class="saying"><p class="sentence" data-id="sentence"></p>'
            '<p class="aside" role="status" aria-live="polite" data-polite '
            'data-id="spoken"></p></div>',
            {},
        )

    def show(self, scene):
        """Say what the scene does now."""
        text = keep_together(sentence(scene))
        self.update({"sentence": {"#": text}, "spoken": {"#": text}})


def both(scene):
    """Rows of what both models answer: (name, unit, textbook, built), None without an answer."""

    def pick(point, get):
        return None if point is None else float(get(point))

    built = scene.built if scene.solved else None
    rows = [
        ("Output", "V", lambda p: p.v_out),
        ("Left output", "V", lambda p: p.v_left),
        ("Right output", "V", lambda p: p.v_right),
        ("Gain of the upper input", "", lambda p: p.gain_upper),
        ("Gain of the lower input", "", lambda p: p.gain_lower),
        ("Tail current", "A", lambda p: p.i_tail),
    ]
    rows += [(f"Q{k + 1}, collector", "A", lambda p, k=k: p.i_upper[k]) for k in range(4)]
    rows += [(f"Q{k + 5}, collector", "A", lambda p, k=k: p.i_lower[k]) for k in range(2)]
    return [(name, unit, pick(scene.textbook, get), pick(built, get)) for name, unit, get in rows]


class ValuesTable(MarkupView):
    """Textbook and built values side by side with the difference, as the model asks."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._model = None

    def show(self, scene):
        """Show the values of the scene."""
        rows = both(scene)
        columns = {
            "textbook": ("textbook",),
            "built": ("built",),
            "overlay": ("textbook", "built", "difference"),
        }[scene.model]
        values = {}
        for n, (_, unit, ideal, built) in enumerate(rows):
            gap = None if ideal is None or built is None else built - ideal
            for name, v in (("textbook", ideal), ("built", built), ("difference", gap)):
                if name in columns:
                    values[f"{name}{n}"] = {"#": number(v, unit, 4 if name != "difference" else 3)}
        if scene.model != self._model:
            self._model = scene.model
            head = "".join(f'<th scope="col">{c}</th>' for c in columns)
            body = "".join(
                f'<tr><th scope="row">{name}</th>'
                + "".join(f'<td data-id="{c}{n}"></td>' for c in columns)
                + "</tr>"
                for n, (name, *_) in enumerate(rows)
            )
            self.rebuild(
                '<table class="cells"><caption class="aside">Values at the drawn '
                f"point</caption><thead><tr><td></td>{head}</tr></thead>"
                f"<tbody>{body}</tbody></table>",
                values,
            )
        else:
            self.update(values)


_FLOATS = " (floating; as a meter of 10 M\u03a9 reads it at rest)"


def numbers(scene):
    """Rows (name, unit, value) of every number of the built answer; NaN where unsolved."""
    point, c, loose = scene.built, scene.circuit, scene.loose
    rows = [
        (f"{text[0].upper()}{text[1:]}{_FLOATS}", "V", loose[name])
        if name in loose
        else (f"{text[0].upper()}{text[1:]}", "V", float(point.nodes[name]))
        for name, text in NODES.items()
        if name in point.nodes and not _same_as_common(c, name)
    ]
    for q in transistor_names(c):
        rows.append(
            (f"{q}, headroom ({point.regions[q]})", "V", float(scene.inspection.headroom[q]))
        )
    rows += [(f"{q}, heat", "W", float(p)) for q, p in scene.inspection.power.items()]
    return rows


def _same_as_common(circuit, name):
    if name[:9] != "emitter_q":
        return False
    k = int(name[9:])
    ohms = (
        circuit.r_tail_emitter
        if k == 7
        else circuit.r_emitter_upper
        if k < 5
        else circuit.r_emitter_lower
    )
    return not ohms > 0


class NumbersTable(MarkupView):
    """Every node voltage, region, headroom and heat, in a table that a screen reader can walk.

    It is kept up only while it is open.
    """

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._names, self._scene, self.open = None, None, False

    def handle(self, message):
        if isinstance(message, dict) and message.get("kind") == "open":
            self.open = bool(message.get("open"))
            if self.open and self._scene is not None:
                self.show(self._scene)

    def show(self, scene):
        """Show the numbers of the scene."""
        self._scene = scene
        if not self.open and self._names is not None:
            return
        rows = numbers(scene)
        names = [name for name, *_ in rows]
        values = {f"cell{n}": {"#": number(v, unit, 4)} for n, (_, unit, v) in enumerate(rows)}
        if names != self._names:
            self._names = names
            body = "".join(
                f'<tr><th scope="row">{name}</th><td data-id="cell{n}"></td></tr>'
                for n, name in enumerate(names)
            )
            self.rebuild(
                f'<details data-lazy class="numbers"{" open" if self.open else ""}><summary>Node '
                "voltages, regions and heat of the built cell at this point</summary>"
                f'<table class="in-columns"><tbody>{body}</tbody></table></details>',
                values,
            )
        else:
            self.update(values)

    def csv(self, scene):
        """Comma-separated text of all numbers of both models, SI units."""
        rows = [
            (name, unit, "" if a is None else a, "" if b is None else b)
            for name, unit, a, b in both(scene)
        ]
        rows += [
            (name, unit, "", v if math.isfinite(v) else "") for name, unit, v in numbers(scene)
        ]
        return csv_text(("quantity", "unit", "textbook", "built"), rows)


def figure_rows(assessment):
    """Rows (name, unit, value, remark) of the figures of merit."""
    f = assessment.figures
    corner = [("Band, upper edge (load)", "Hz", f.load_pole, "each load with its capacitance")]
    for side in ("upper", "lower"):
        corner.append(
            (f"Band, lower edge, {side} coupling", "Hz", getattr(f, f"coupling_{side}"), "")
        )
        if math.isfinite(getattr(f, f"ground_{side}")):
            corner.append(
                (f"Signal ground, {side} \u2212 line", "Hz", getattr(f, f"ground_{side}"), "")
            )
        corner.append((f"Bypass, {side} level", "Hz", getattr(f, f"bypass_{side}"), ""))
    return [
        ("Output per product of inputs", "1/V", f.product_gain, "at balance"),
        ("Gain of the upper input", "V/V", f.gain_upper, "lower fully to one side"),
        ("Gain of the lower input", "V/V", f.gain_lower, "upper fully to one side"),
        ("Range of the upper input", "V", f.range_upper, "peak, 1 % distortion"),
        ("Range of the lower input", "V", f.range_lower, "peak, 1 % distortion"),
        *(
            (f"Output at the {name}", "V", peak, f"peak, {_hertz(at)}, both drives at their peaks")
            for name, at, peak in assessment.lines
        ),
        ("Output swing", "V", f.swing, "peak to peak"),
        ("Outputs, lowest", "V", f.output_low, ""),
        ("Outputs, highest", "V", f.output_high, ""),
        *corner,
        ("Drift of the gain", "1/K", f.drift, ""),
        ("Supply current", "A", f.supply_current, "at rest"),
        ("Heat in all", "W", f.supply_power, "at rest"),
        ("Carried by the tail", "A", float(f.bias.i_tail), "at rest"),
        *_supply_rows(assessment),
        *_heat_rows(assessment.heat),
    ]


def _heat_rows(heat):
    """What heat does to the lower pair, its input held long enough for the junctions to warm."""
    held = f"lower input held at {tidy(format_quantity(heat.v_lower, 'V'))}"
    return [
        ("Q5 warmer than Q6", "K", heat.difference, held),
        ("Offset from that warmth", "V", heat.offset, held),
        ("Heat adds to a slow lower input", "%", 100.0 * heat.loop, "not to signals above 1 kHz"),
    ]


def _supply_rows(assessment):
    """What one volt of ripple on the supply does to the tail, the base lines and the output."""
    f, lines = assessment.supply, ("upper", "lower")
    past = f"; the bypass has its corner at {_hertz(f.corner)}" if math.isfinite(f.corner) else ""
    return [
        ("Tail moved by the supply", "%", 100.0 * f.slow, "for each volt, slow"),
        ("Tail moved by hum", "%", 100.0 * f.hum, f"for each volt at 100 Hz{past}"),
        ("Tail moved by a burst", "%", 100.0 * f.burst, "for each volt at 20 kHz"),
        *(
            (f"Hum between the {side} base lines", "dB", level, "over hum of the supply")
            for side, level in zip(lines, f.lines)
        ),
        ("Hum at the output, inputs at zero", "dB", f.balanced, "over hum of the supply"),
        ("Hum at the output, inputs at 10 mV", "dB", f.offset_hum, "over hum of the supply"),
        ("Burst at the output, inputs at 10 mV", "dB", f.offset_burst, "over the burst, 20 kHz"),
    ]


def _hertz(value):
    return tidy(format_quantity(value, "Hz", 4))


class FiguresView(MarkupView):
    """Figures of merit, headroom of each transistor and heat of each part."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._shown = None

    def show(self, assessment):
        """Show the figures of an `Assessment`."""
        if assessment is self._shown:
            return
        self._shown = assessment
        circuit, figures = assessment.circuit, assessment.figures
        rows = [
            (name, number(value, "" if unit == "V/V" else unit), remark, "")
            for name, unit, value, remark in figure_rows(assessment)
        ]
        room = [
            (q, str(figures.bias.regions[q]), number(h, "V", 2), "" if h > 0.2 else "warn")
            for q, h in figures.headroom.items()
        ]
        heat = sorted(figures.dissipation.items(), key=lambda p: -(p[1] if p[1] == p[1] else 0))
        parts = [
            (part_reference(circuit, p) or "tail", number(w, "W", 2), "warn" if w > 0.125 else "")
            for p, w in heat
        ]
        self.rebuild(
            table(("Figure of merit", "", ""), rows)
            + "<h3>Headroom at rest</h3>"
            + table(("", "region", "to saturation"), room)
            + "<h3>Heat of each part at rest</h3>"
            + table(("", "heat"), parts, "", "narrow")
            + f'<p class="caution">{_CAUTION}</p>',
            {},
        )

    @staticmethod
    def csv(assessment):
        """Comma-separated text of the figures, SI units."""
        circuit, figures = assessment.circuit, assessment.figures
        rows = [(name, unit, value) for name, unit, value, _ in figure_rows(assessment)]
        rows += [(f"headroom {q}", "V", h) for q, h in figures.headroom.items()]
        rows += [
            (f"heat {part_reference(circuit, p) or p}", "W", w)
            for p, w in figures.dissipation.items()
        ]
        return csv_text(("quantity", "unit", "value"), rows)
