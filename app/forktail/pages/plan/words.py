"""What a bench plan says: headings, rows and sentences, shared by the page and the text."""

import math
from typing import NamedTuple

from forktail.circuits import shipped_titles
from forktail.core.quantities import format_fixed, format_quantity, format_temperature
from forktail.pages.build.circuit_texts import off
from forktail.ui.text import minus, tidy

_DIRECTION = {1: "\u25b2", -1: "\u25bc"}

_WORKSHOP = "invented for our workshop, which builds bat-call receivers"

#: Cautions that hold for every plan.
CAUTIONS = (
    "Work on a low, current-limited supply. Switch off and let capacitors discharge before you "
    "change anything.",
    "The ground clip of a mains-powered scope is tied to protective earth: clip it to the ground "
    "of the circuit only, never to a signal line, and never lift the earth of the scope. To see a "
    "difference, use both probes and subtract.",
    "Electrolytic capacitors the wrong way round can burst: check their polarity before power.",
    "A part that draws too much current gets hot at once. When the supply goes into its limit, "
    "switch off; do not feel for the hot part.",
    "A receiver on the bench can be loud: turn the volume all the way down, and keep headphones "
    "off the ears until the output has been seen on the scope.",
    "Supplies, earthing and mains wiring are matters for local codes and licensed people; "
    "this sheet does not replace them.",
)


def origin_line(plan):
    """Whose values these are: of our workshop, changed from one of its circuits, or one's own."""
    title = plan.wanted.title
    key = next((k for k, t in shipped_titles().items() if t == title), None)
    if key is None:
        return (
            "Values are those entered for this circuit. How much parts differ from build to "
            "build is an assumption; the end of this sheet names it."
        )
    changed = len([n for n in off(plan.wanted, key) if n not in ("note", "faults")])
    if changed:
        return (
            f"{changed} value{'' if changed == 1 else 's'} changed from our {title}; all others, "
            f"the transistors and their spread are {_WORKSHOP}."
        )
    return f"All values of this circuit, of its transistors and of their spread are {_WORKSHOP}."


def remarks(plan, notes=()):
    """What must be known before all else: sentences on link or file, faults, rounding, findings."""
    said = list(notes)
    if plan.left_out:
        said.append(
            f"The circuit as entered has {len(plan.left_out)} known "
            f"fault{'s' if len(plan.left_out) > 1 else ''} "
            f"({', '.join(plan.left_out)}); this plan is of the sound circuit."
        )
    if plan.rounding:
        said.append(
            f"{len(plan.rounding)} value{'s' if len(plan.rounding) > 1 else ''} moved to "
            "a preferred one; every number below holds for the values in the parts list."
        )
    return said + [f"{f.text} {f.suggestion}".strip() for f in plan.findings]


def gaps_line(plan):
    """What gaps in the waves mean, "" where there are none."""
    if all(map(math.isfinite, plan.waves.v_out)):
        return ""
    return "Gaps: the model has no answer there, and the load pole is left out."


def volts(value, digits=3):
    """Voltage with its unit, a dash where there is none."""
    return format_quantity(value, "V", digits) if math.isfinite(value) else "\u2013"


def reading(value):
    """Voltage as a meter shows it: volts with two decimals, three below 1 V."""
    if not math.isfinite(value):
        return "\u2013"
    text = f"{value:.3f}" if abs(value) < 1.0 else f"{value:.2f}"
    return minus(text)


def band(b, unit="V"):
    """`5.55 to 5.64 V`, the band alone."""
    if unit == "V":
        return f"{reading(b.low)} to {reading(b.high)} V"
    return f"{format_quantity(b.low, unit)} to {format_quantity(b.high, unit)}"


def frequency(value):
    """`22.05 kHz`, no digits that say nothing."""
    return tidy(format_quantity(value, "Hz", 5))


def ohms(value):
    """Resistance with three digits at most and no idle zeros; `none` for infinity."""
    if math.isinf(value):
        return "none"
    return tidy(format_quantity(value, "ohm", 3))


def part_rows(plan):
    """Rows of the parts list: count, references, value, tolerance, rating, note."""
    rows = []
    for part in plan.parts:
        cells = part.texts()
        value, note = tidy(cells["value"]), cells["note"]
        rating = cells["rating"]
        if part.kind.startswith("transistor"):
            t = plan.transistor
            value = "npn"
            rating = (
                f"{format_quantity(t['v_ceo'], 'V', 2)}, "
                f"{format_quantity(t['i_c'], 'A', 2)}, "
                f"{format_quantity(t['power'], 'W', 2)}"
            )
        elif part.kind == "capacitor" and rating:
            rating = f"{part.rating:g} V"
        elif rating:
            rating = format_quantity(part.rating, "W", 3).replace(".0 ", " ")
        if math.isfinite(part.error) and abs(part.error) > 1e-6 and part.kind == "resistor":
            off = format_fixed(100 * part.error, 1, "%", sign=True)
            note = "; ".join(filter(None, [note, f"wanted {ohms(part.wanted)}, {off}"]))
        rows.append(
            (cells["quantity"], _listed(part.references), value, cells["tolerance"], rating, note)
        )
    return rows


def _listed(references):
    """`R4\u2013R7` for a run of four, else the names."""
    if len(references) > 2:
        letter, first, last = references[0][0], references[0][1:], references[-1][1:]
        if first.isdigit() and last.isdigit() and int(last) - int(first) == len(references) - 1:
            return f"{letter}{first}\u2013{letter}{last}"
    return ", ".join(references)


def supply_lines(plan):
    """Set-up of the supply."""
    c, i = plan.circuit, plan.supply_current
    lines = [
        f"Set {format_quantity(c.v_supply, 'V')} with the output off, and the current limit to "
        f"{format_quantity(plan.supply_limit, 'A', 2)} (or the lowest setting above that).",
        f"Expected without drive: {band(i, 'A')}. More than the limit means a fault: switch off "
        "and use the table of faults.",
        f"All numbers hold for parts at {format_temperature(c.temperature)}.",
    ]
    return lines


def generator_rows(plan):
    """Rows of the generator table: name, where to, wave, setting, at the lines, source."""
    rows = []
    for g in plan.generators:
        where = (
            "between both lines, from a transformer or a balanced output"
            if g.balanced
            else "to the + line"
        )
        at_50 = (
            f", or {volts(0.5 * g.open_circuit)} on a generator that assumes 50 \u03a9"
            if abs(g.source - 50.0) < 1.0 and not g.balanced
            else ""
        )
        term = "" if math.isinf(g.termination) else f", {ohms(g.termination)} across"
        rows.append(
            (
                f"{g.reference}, {g.side} input",
                where,
                f"sine, {frequency(g.frequency)}",
                f"{volts(g.open_circuit)} peak to peak, unloaded{at_50}",
                f"{volts(g.swing, 2)} peak to peak",
                f"{ohms(g.source)}{term}",
            )
        )
    return rows


def frequency_reason(plan):
    """Why these frequencies."""
    up, low = plan.generators
    pole = (
        f"the load pole at {frequency(float(f'{plan.waves.pole:.2g}'))}"
        if math.isfinite(plan.waves.pole)
        else "no load pole"
    )
    if plan.waves.beat:
        return (
            f"Both drives are ten times above the corners of their coupling, and close "
            f"together, so that the output at their difference, "
            f"{frequency(up.frequency - low.frequency)}, is well below {pole}."
        )
    return (
        f"Both drives are ten times above the corners of their coupling, and the upper is "
        f"{up.frequency / low.frequency:.0f} times the lower, so that the product is seen as "
        f"one wave under the envelope of the other; {pole} is above both."
    )


def point_rows(plan):
    """Rows of the test points: name, where, expected, band, swing with both drives."""
    return [
        (
            p.name,
            p.where,
            f"{reading(p.band.nominal)} V",
            "as set" if p.node == "supply" else band(p.band),
            "still" if not p.swing > 1e-3 else volts(p.swing, 2),
        )
        for p in plan.points
    ]


class StepRow(NamedTuple):
    """One step of the build: title, references of parts to fit, what to do, what to read."""

    title: str
    parts: str
    text: str
    reads: str


def step_rows(plan):
    """All steps, from the empty board to both drives: list of `StepRow`."""
    names = {p.node: p.name for p in plan.points}
    rows = [
        StepRow(
            step.title,
            ", ".join(step.parts),
            step.text,
            "; ".join(
                f"{names[c.node]} {band(c.band, c.unit)}" for c in step.checks if c.node in names
            ),
        )
        for step in plan.steps
    ]
    return rows + [StepRow(title, "", text, "") for title, text in signal_steps(plan)]


def signal_steps(plan):
    """Steps with the generators on: (title, text)."""
    up, low = plan.generators
    return (
        (
            "Lower drive alone",
            f"G2 on, G1 off. The base line {low.side} + swings "
            f"{_swing(plan, 'base_lower_pos')}. At the output (right \u2212 left) no more than "
            f"{volts(plan.alone_lower, 2)} peak to peak remains in 95 % of builds: that "
            f"is the lower "
            "feedthrough, which the trim of the upper input nulls.",
        ),
        (
            "Upper drive alone",
            f"G1 on, G2 off. The base line {up.side} + swings {_swing(plan, 'base_upper_pos')}. No "
            f"more than {volts(plan.alone_upper, 2)} peak to peak remains in 95 % of builds: the "
            "upper feedthrough, which the trim of the lower input nulls.",
        ),
        (
            "Both drives",
            f"The output (right \u2212 left) swings {_out_swing(plan)} peak to peak and looks like "
            "the picture. Exchange the two wires of one drive: the output must invert.",
        ),
    )


def _swing(plan, node):
    found = [p.swing for p in plan.points if p.node == node]
    return f"{volts(found[0], 2)} peak to peak" if found else "as set"


def _out_swing(plan):
    v = [x for x in plan.waves.v_out if math.isfinite(x)]
    return volts(float(max(v) - min(v)), 2) if v else "an amount that the model cannot tell,"


def output_line(plan):
    """The output in one sentence, for text without a picture."""
    v = [x for x in plan.waves.v_out if math.isfinite(x)]
    if not v:
        return "The model has no answer with both drives."
    return (
        f"From {volts(float(min(v)))} to {volts(float(max(v)))}, repeating every "
        f"{format_quantity(plan.waves.repeat, 's')}. The page made with --html pictures it."
    )


_TRIM = {
    "trim_lower": ("Lower input", "G1 on, G2 off", "the upper frequency", "lower"),
    "trim_upper": ("Upper input", "G2 on, G1 off", "the lower frequency", "upper"),
    "trim_balance": ("Load balance", "both drives off", "", ""),
}


def trim_rows(plan):
    """Rows of the trims: which, what to do, how far, before, after, with what."""
    rows = []
    for t in plan.trims:
        name, drive, line, side = _TRIM[t.key]
        if not math.isfinite(t.part_ohms):
            rows.append(
                (name, "nothing to trim at this spread", "\u2013", "\u2013", "\u2013", "\u2013")
            )
            continue
        if t.key == "trim_balance":
            do = f"{drive}: turn until both outputs read the same"
            far = (
                f"\u00b1{format_fixed(100 * max(abs(t.band.low), abs(t.band.high)), 1, '%')} "
                "between the loads"
            )
            how = (
                f"trimmer of {ohms(t.part_ohms)} between R8 and R9, its wiper to the supply "
                f"(reaches \u00b1{format_fixed(100 * t.part_reach, 1, '%')})"
            )
            before, after = volts(t.before, 2), _rest(t.after, "V")
        else:
            do = f"{drive}: turn until {line} is least at the output"
            reach = max(abs(t.band.low), abs(t.band.high))
            far = f"\u00b1{volts(reach, 2)} between the {side} lines"
            how = (
                f"trimmer of 100 k\u03a9 from supply to ground, its wiper through "
                f"{ohms(t.part_ohms)} to the {side} + line (reaches "
                f"\u00b1{volts(t.part_reach, 2)})"
            )
            before, after = f"gain {t.before:.2g}", _rest(t.after, "")
        rows.append((name, do, far, before, after, how))
    return rows


def _rest(value, unit):
    """What a trim leaves in the model."""
    if value < (1e-6 if unit else 1e-5):
        return "nulled"
    return volts(value, 2) if unit else f"gain {value:.2g}"


class SymptomRow(NamedTuple):
    """One row of the fault table.

    `marks`: node -> arrow of nodes that are off; `output`, what the scope shows; `suspects`, the
    faults; `current`, supply current in mA as text, `over` whether the supply limits it.
    """

    marks: dict
    output: str
    suspects: str
    current: str
    over: bool


def symptom_rows(plan):
    """Rows of the fault table: list of `SymptomRow`."""
    rows = []
    for s in plan.symptoms:
        amps = [c.response.supply_current for c in s.cases]
        low, high = f"{1e3 * min(amps):.1f}", f"{1e3 * max(amps):.1f}"
        rows.append(
            SymptomRow(
                {n: _DIRECTION[d] for n, d in s.off},
                _output(plan, s),
                _suspects(s),
                low if low == high else f"{low}\u2013{high}",
                max(amps) > plan.supply_limit,
            )
        )
    return rows


def _span(values, show):
    low, high = min(values), max(values)
    a, b = show(low), show(high)
    return a if a == b else f"{a} to {b}"


def _output(plan, symptom):
    cases = [c.response for c in symptom.cases]
    full = plan.healthy.product
    share = _span(
        [100 * c.product / full for c in cases],
        lambda v: minus(f"{round(v) + 0.0:.0f}"),
    )
    text = {
        "none": "nothing",
        "good": f"product {share} %: as it should be",
        "weak": f"product {share} %",
        "strong": f"product {share} %",
        "inverted": f"product {share} %: inverted",
        "unsolved": "no answer",
        "upper": "",
        "lower": "",
        "mixed_upper": f"product {share} %, with ",
        "mixed_lower": f"product {share} %, with ",
    }[symptom.output]
    kind, _, side = symptom.output.rpartition("_")
    if side in ("upper", "lower"):
        sizes = _span([2 * abs(getattr(c, side)) for c in cases], lambda v: volts(v, 2))
        text += f"the {side} input{'' if kind else ' alone'}, {sizes}"
    return text


def _suspects(symptom):
    """`Q1 base open, Q1 emitter open` becomes `Q1 base or emitter open`."""
    merged = {}
    for case in symptom.cases:
        part, _, rest = case.label.partition(" ")
        merged.setdefault(part if part[:1] in "QRCG" and part[1:].isdigit() else "", []).append(
            rest if part[:1] in "QRCG" and part[1:].isdigit() else case.label
        )
    out = []
    for part, texts in merged.items():
        ends = {t.rpartition(" ")[2] for t in texts}
        if part and len(texts) > 1 and len(ends) == 1 and all(" " in t for t in texts):
            end = ends.pop()
            heads = [t.rpartition(" ")[0] for t in texts]
            out.append(f"{part} {' or '.join(heads)} {end}")
        elif part:
            out.append(f"{part} {' or '.join(texts)}")
        else:
            out += texts
    return "; ".join(out)


def heat_line(plan):
    """What gets warm."""
    part = max(plan.dissipation, key=plan.dissipation.get)
    most = plan.dissipation[part]
    warm = (
        "nothing should get warm to the touch"
        if most < 0.1
        else ("it gets hot: do not touch it, and give it air")
    )
    return (
        f"Most heat: {format_quantity(most, 'W', 2)} in {part}; {warm}. If something "
        "does, switch off."
    )


def _meter(plan):
    if not plan.pulled:
        return "A meter of 10 M\u03a9 changes no reading by more than its last digit."
    read = ", ".join(f"{name} {reading(v)} V" for name, v in plan.pulled)
    return f"Bands are those without a meter; one of 10 M\u03a9 pulls some points: it reads {read}."


def basis_lines(plan):
    """What the numbers rest on."""
    t = plan.tolerances
    lines = [
        f"Bands hold 98 % of {plan.builds} builds solved at random (seed {plan.seed}): "
        f"V_BE {volts(t.v_be, 2)} one sigma from transistor to transistor, resistors "
        f"\u00b1{100 * t.resistor:.2g} % of value, current gain {100 * t.beta:.3g} % one sigma.",
        f"{_meter(plan)} A reading counts as off once it leaves its band by half the band's width "
        "and 30 mV.",
        "Faults were solved one at a time: test points as a meter of 10 M\u03a9 reads them, the "
        "output at the four sign combinations of both peaks, before the load pole. Several faults "
        "at once look different.",
        "Preferred values after IEC 60063. Half of the rated power, 1.5 times the working "
        "voltage, 1.5 times the supply current: common practice, no source. Capacitors are "
        "rated for what they see when any single part fails.",
    ]
    if plan.unsolved:
        lines.append(f"{plan.unsolved} of {plan.builds} builds had no solution and were left out.")
    return lines
