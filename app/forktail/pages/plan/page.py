"""The bench plan as one page that needs nothing else: style, font, drawing and plots inside."""

import base64
from html import escape
from xml.etree import ElementTree

import numpy as np

from forktail.pages.build import schematic as built_schematic
from forktail.pages.plan import words
from forktail.resources import asset_text, assets_dir
from forktail.ui import svg
from forktail.ui.static_chart import chart
from forktail.ui.text import keep_together

_FONT = "fonts/atkinson-hyperlegible-next-latin-wght-normal.woff2"
_SVG = "http://www.w3.org/2000/svg"
#: Parts of the live drawing that paper has no use for.
_LEFT_OUT = ("ribbon", "scale", "left-text", "right-text", "output", "region", "figure")


def page_head(title, working=""):
    """Everything up to the body's content; `working` is shown until the plan follows it."""
    font = base64.b64encode((assets_dir() / _FONT).read_bytes()).decode()
    css = asset_text("pages/plan/style.css").replace("[[FONT]]", font)
    wait = f'<p class="working" role="status">{escape(working)}</p>' if working else ""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>Bench plan: {escape(title)}</title>"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<link rel="icon" href="data:,">'  # or a browser asks the root of the host for one
        f"<style>{css}</style></head><body>{wait}"
    )


def page_body(plan, scene, notes=(), back=""):
    """The rest of the page: the plan itself. `back` is the address of the Build page."""
    title = escape(plan.circuit.title or "Built cell")
    link = f'<a href="{escape(back, quote=True)}">Back to Build</a>' if back else ""
    tools = f'<p class="tools">{link}<button type="button" onclick="print()">Print</button></p>'
    parts = [
        tools,
        _head(plan, title, notes),
        _drawing(plan, scene),
        _cautions(plan),
        _setup(plan),
        _parts(plan),
        _steps(plan),
        _points(plan),
        _waves(plan),
        _trims(plan),
        _faults(plan),
        _basis(plan),
    ]
    return f"<main>{''.join(parts)}</main></body></html>\n"


def plan_html(plan, scene, notes=()):
    """The whole page.

    Parameters
    ----------
    plan : BenchPlan
    scene : BuildScene
        The circuit of the plan at rest (`state_plan.plan_scene`).
    notes : sequence of str
        Sentences shown above everything, such as what of a link was not understood.

    Returns
    -------
    str
        HTML.
    """
    return page_head(plan.circuit.title) + page_body(plan, scene, notes)


def problem_body(text, back=""):
    """A body that says why there is no plan."""
    link = f'<p><a href="{escape(back, quote=True)}">Back to Build</a></p>' if back else ""
    return f"<main><h1>No bench plan</h1><p>{escape(text)}</p>{link}</main></body></html>\n"


def _text(text):
    return escape(keep_together(text))


def _section(title, body, cls=""):
    # a wide table scrolls by itself on a phone, so the keyboard must get at it
    title = escape(title)
    return (
        f'<section class="{cls}" tabindex="0" aria-label="{title}"><h2>{title}</h2>{body}</section>'
    )


def _table(head, rows, cls="", caption=""):
    top = "".join(f'<th scope="col">{escape(h)}</th>' for h in head)
    body = "".join(
        "<tr>"
        + "".join(
            f'<th scope="row">{_text(c)}</th>' if k == 0 else f"<td>{_text(c)}</td>"
            for k, c in enumerate(row)
        )
        + "</tr>"
        for row in rows
    )
    shown = f"<caption>{escape(caption)}</caption>" if caption else ""
    return f'<table class="{cls}">{shown}<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>'


def _list(lines):
    return "<ul>" + "".join(f"<li>{_text(line)}</li>" for line in lines) + "</ul>"


def _head(plan, title, notes):
    said = []
    if notes:
        said += ["Not all of the link was understood; these parts are at their defaults:", *notes]
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
    for finding in plan.findings:
        said.append(f"{finding.text} {finding.suggestion}".strip())
    warn = f'<div class="warn">{_list(said)}</div>' if said else ""
    note = f"<p>{escape(plan.circuit.note)}</p>" if plan.circuit.note else ""
    return (
        f'<header><p class="kind">Bench plan</p><h1>{title}</h1>{note}'
        f'<p class="invented">{escape(words.INVENTED)}</p>'
        '<p class="sign"><span>Board</span><span>Built by</span><span>Date</span></p>'
        f"</header>{warn}"
    )


def _centre_lines():
    """The wires under the ribbons, drawn as if no current made them wide."""
    ribbons = built_schematic.ribbon_points([0.0] * 4)
    return {f"wire{k + 1}": svg.line(points) for k, points in enumerate(ribbons)}


def drawing(plan, scene):
    """Static SVG of the circuit: part names and values, test points in the small frames."""
    root = ElementTree.fromstring(built_schematic.draw(plan.circuit))
    values = built_schematic.values(scene)
    points = {f"node-{p.node}": p.name for p in plan.points}
    for parent in list(root.iter()):
        for child in list(parent):
            classes = child.get("class", "").split()
            if any(c in _LEFT_OUT for c in classes) or child.tag == f"{{{_SVG}}}defs":
                parent.remove(child)
    centre = _centre_lines()
    # the live drawing calls the bypass of Q7 large; the parts list names it and gives its value
    bypass = next((row[2] for row in words.part_rows(plan) if row[1] == "C9"), "")
    for node in root.iter():
        if bypass and node.text in ("large", "bypass"):
            node.text = "C9" if node.text == "large" else bypass
        name = node.attrib.pop("data-id", None)
        if name in points:
            node.text = points[name]
        elif name in centre:
            node.set("d", centre[name])
        elif name in ("v_upper", "v_lower", "remark"):
            node.text = ""
        elif name:
            for key, value in values.get(name, {}).items():
                if key == "#":
                    node.text = value
                elif value is None:
                    node.attrib.pop(key, None)
                else:
                    node.set(key, value)
    ElementTree.register_namespace("", _SVG)
    root.set("aria-label", "Circuit with part names, values and test points")
    return ElementTree.tostring(root, encoding="unicode")


def _drawing(plan, scene):
    return _section(
        "Circuit",
        f'<div class="drawing">{drawing(plan, scene)}</div>'
        '<p class="small">TP: test points, as in the table. Symbols after IEC 60617.'
        "</p>",
        "whole circuit",
    )


def _cautions(plan):
    return _section(
        "Before you begin", _list([*words.CAUTIONS, words.heat_line(plan)]), "whole caution"
    )


def _setup(plan):
    table = _table(
        ("Generator", "Where", "Wave", "Setting", "Between the base lines", "Output"),
        words.generator_rows(plan),
    )
    return _section(
        "Supply and generators",
        _list(words.supply_lines(plan))
        + table
        + f'<p class="small">{escape(words.frequency_reason(plan))}</p>',
        "whole",
    )


def _parts(plan):
    return _section(
        "Parts",
        _table(
            ("No.", "Names", "Value", "Tolerance", "Rating, at least", "Note"),
            words.part_rows(plan),
            "parts",
        )
        + '<p class="small">Transistors: collector-emitter voltage, collector current, power; '
        f"current gain about {plan.transistor['beta']:g}.</p>",
    )


def _steps(plan):
    out = []
    for step in plan.steps:
        checks = words.step_checks(plan, step)
        reads = f'<p class="reads">Read: {_text("; ".join(checks))}.</p>' if checks else ""
        out.append(
            f"<li><strong>{escape(step.title)}.</strong> "
            f'<span class="refs">{escape(", ".join(step.parts))}</span> '
            f"{_text(step.text)}{reads}</li>"
        )
    for title, text in words.signal_steps(plan):
        out.append(f"<li><strong>{escape(title)}.</strong> {_text(text)}</li>")
    return _section("Build order and checks", f'<ol class="steps">{"".join(out)}</ol>')


def _points(plan):
    head = ("Point", "Where", "At rest", "Band", "Swing, both drives", "Measured")
    rows = [(*row, "") for row in words.point_rows(plan)]
    return _section(
        "Test points",
        _table(head, rows, "points")
        + '<p class="small">At rest: against ground, no drive. Swing: peak to peak, '
        "both drives on.</p>",
        "whole",
    )


def _waves(plan):
    w = plan.waves
    up, low = plan.generators
    first = 4.0 / low.frequency if w.beat else w.time[-1]
    few = w.time <= first + 1e-15
    charts = [
        chart(
            f"Upper base lines, + less \u2212: {words.frequency(up.frequency)}",
            w.time[few],
            [("", w.v_upper[few], "upper")],
        ),
        chart(
            f"Lower base lines, + less \u2212: {words.frequency(low.frequency)}",
            w.time[few],
            [("", w.v_lower[few], "lower")],
        ),
        chart(
            "Collectors against ground",
            w.time,
            [("left", w.v_left, "left"), ("right", w.v_right, "right")],
        ),
        chart("Output: right \u2212 left", w.time, [("", w.v_out, "out")]),
    ]
    settled = np.isfinite(w.v_out).all()
    lost = (
        ""
        if settled
        else (
            '<p class="small">Gaps: the model has no answer there, and the '
            "load pole is left out.</p>"
        )
    )
    return _section(
        "What the scope should show", f'<div class="charts">{"".join(charts)}</div>{lost}', "whole"
    )


def _trims(plan):
    return _section(
        "Trims",
        _table(
            ("Trim", "What to do", "Needed in 98 % of builds", "Before", "After", "With what"),
            words.trim_rows(plan),
        )
        + '<p class="small">Before: what 95 % of builds stay under. Trim in this order, then '
        "once more: each moves the others a little. After: as solved; on the bench drift and "
        "noise set the limit.</p>",
        "whole",
    )


def _faults(plan):
    nodes = [p for p in plan.points if p.node != "supply"]
    head = "".join(f'<th scope="col" title="{escape(p.where)}">{p.name[2:]}</th>' for p in nodes)
    body = []
    for (marks, output, suspects), (low, high) in zip(
        words.symptom_rows(plan), words.currents(plan)
    ):
        cells = "".join(f'<td class="mark">{marks.get(p.node, "")}</td>' for p in nodes)
        a, b = f"{1e3 * low:.1f}", f"{1e3 * high:.1f}"
        limit = " over" if high > plan.supply_limit else ""
        body.append(
            f'<tr><th scope="row">{escape(suspects)}</th>{cells}'
            f'<td class="number{limit}">{a if a == b else a + chr(0x2013) + b}</td>'
            f"<td>{_text(output)}</td></tr>"
        )
    table = (
        '<table class="faults"><thead><tr><th scope="col">Suspects</th>'
        f'{head}<th scope="col">Supply, mA</th><th scope="col">Output with both drives</th>'
        f"</tr></thead><tbody>{''.join(body)}</tbody></table>"
    )
    count = sum(len(s.cases) for s in plan.symptoms)
    return _section(
        "Faults and what they show",
        f'<p class="small">{count} single faults, solved one by one. Columns are test points '
        "(TP); \u25b2 reads high, \u25bc reads low, empty is within its band. Supply current in "
        f"bold is over the limit of {words.format_quantity(plan.supply_limit, 'A', 2)}: the "
        "supply drops its voltage instead. Find the row that looks like your readings; its first "
        "arrow in the order of checking is where to begin.</p>" + table,
    )


def _basis(plan):
    return _section("What the numbers rest on", _list(words.basis_lines(plan)))
