"""The bench plan as one page that needs nothing else: style, font, drawing and plots inside.

What it says is in `words`; how it is laid out, in the templates of `assets/pages/plan`.
"""

import base64
from xml.etree import ElementTree

from forktail.pages.build import schematic as built_schematic
from forktail.pages.plan import words
from forktail.resources import asset_text, assets_dir
from forktail.ui import svg
from forktail.ui.static_chart import chart
from forktail.ui.templates import render

_FONT = "fonts/atkinson-hyperlegible-next-latin-wght-normal.woff2"
_SVG = "http://www.w3.org/2000/svg"
#: Parts of the live drawing that paper has no use for.
_LEFT_OUT = ("ribbon", "scale", "left-text", "right-text", "output", "region", "figure")


def page_head(title, working=""):
    """Everything up to the body's content; `working` is shown until the plan follows it."""
    font = base64.b64encode((assets_dir() / _FONT).read_bytes()).decode()
    style = asset_text("pages/plan/style.css").replace("[[FONT]]", font)
    return render("pages/plan/head.html", title=title, working=working, style=style)


def page_body(plan, scene, notes=(), back=""):
    """The rest of the page: the plan itself. `back` is the address of the Build page."""
    return render(
        "pages/plan/plan.html",
        back=back,
        title=plan.circuit.title or "Built cell",
        note=plan.circuit.note,
        origin=words.origin_line(plan),
        remarks=words.remarks(plan, notes),
        drawing=drawing(plan, scene),
        cautions=[*words.CAUTIONS, words.heat_line(plan)],
        supply=words.supply_lines(plan),
        generators=words.generator_rows(plan),
        frequencies=words.frequency_reason(plan),
        parts=words.part_rows(plan),
        beta=f"{plan.transistor['beta']:g}",
        steps=words.step_rows(plan),
        points=[(*row, "") for row in words.point_rows(plan)],
        charts=_charts(plan),
        gaps=words.gaps_line(plan),
        trims=words.trim_rows(plan),
        faults=_faults(plan),
        basis=words.basis_lines(plan),
    )


def plan_html(plan, scene, notes=()):
    """The whole page.

    Parameters
    ----------
    plan : BenchPlan
    scene : BuildScene
        The circuit of the plan at rest (`state.plan_scene`).
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
    return render("pages/plan/problem.html", text=text, back=back)


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
    for node in root.iter():
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


def _charts(plan):
    """Drawings of the waves: base lines for a few cycles, collectors and output in whole."""
    w = plan.waves
    up, low = plan.generators
    few = w.time <= (4.0 / low.frequency if w.beat else w.time[-1]) + 1e-15
    return [
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
        chart("Output: right \u2212 left", w.time, [("", w.v_out, "output")]),
    ]


def _faults(plan):
    """Table of faults: its test points, its rows and what is said above it."""
    points = [p for p in plan.points if p.node != "supply"]
    rows = [
        {
            "suspects": row.suspects,
            "marks": [row.marks.get(p.node, "") for p in points],
            "current": row.current,
            "over": row.over,
            "output": row.output,
        }
        for row in words.symptom_rows(plan)
    ]
    return {
        "count": sum(len(s.cases) for s in plan.symptoms),
        "limit": words.format_quantity(plan.supply_limit, "A", 2),
        "points": points,
        "rows": rows,
    }
