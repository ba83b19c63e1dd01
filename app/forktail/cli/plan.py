"""The command `forktail plan`: the bench plan of a circuit file, as text or as one page."""

import sys
from pathlib import Path

from forktail.circuits import shipped_files
from forktail.cli.files import circuit_text
from forktail.cli.options import RAW, add_quantity, read_quantity
from forktail.core.bench.drives import DrivenCircuit
from forktail.core.bench.plan import bench_plan, hold_wave
from forktail.core.checks import QuantityError
from forktail.core.spec import specs_of
from forktail.ui.text import typed


def add_parser(commands):
    """Add `plan` to the subcommands of the command line."""
    parser = commands.add_parser(
        "plan",
        help="bench plan of a circuit",
        formatter_class=RAW,
        description="Work out what to fit, set and expect on the bench, from one circuit file:\n"
        "parts, order of work, test points with bands, waveforms, trims, faults.\n"
        "Circuits that come with the app can be named alone: "
        f"{', '.join(shipped_files())}.",
        epilog="Example: forktail plan --circuit bat-call-mixer --html plan.html",
    )
    parser.add_argument("--circuit", required=True, metavar="FILE", help="circuit file (TOML)")
    parser.add_argument(
        "--html",
        metavar="OUT",
        help="write one printable page instead of text (- for standard output)",
    )
    for name, spec in specs_of(DrivenCircuit).items():
        add_quantity(
            parser, _option(name), spec, f"from the file, else {spec.write(spec.default)}",
            metavar=spec.unit,
        )  # fmt: skip
    parser.set_defaults(run=command_plan)


def command_plan(args):
    """Print the plan, or write its page."""
    from forktail.pages.plan.state import question_of_file  # the app's libraries when wanted

    drives = {}
    for name, spec in specs_of(DrivenCircuit).items():
        if (typed_in := getattr(args, name)) is not None:
            drives[name] = read_quantity(typed_in, _option(name), spec)
            hold_wave(drives[name], _option(name))
    try:
        question, remarks = question_of_file(circuit_text(args.circuit), **drives)
    except QuantityError as error:
        if str(error).startswith(str(args.circuit)):
            raise
        raise QuantityError(f"{args.circuit}: {error}") from None
    plan = bench_plan(question)
    if args.html:
        _write_page(plan, args.html, remarks)
    else:
        print(plan_text(plan, remarks), end="")
    return 0


def _option(name):
    return f"--{name.replace('_', '-')}"


def _write_page(plan, out, remarks):
    from forktail.pages.plan.page import plan_html
    from forktail.pages.plan.state import plan_scene

    page = plan_html(plan, plan_scene(plan), remarks)
    if out == "-":
        sys.stdout.write(page)
        return
    try:
        Path(out).write_text(page, encoding="utf-8")
    except OSError as error:
        raise QuantityError(f"{out}: {error.strerror}; the page was not written.") from None
    print(
        f"Bench plan of {plan.circuit.title} written to {out}: open it in a browser and print it."
    )


def plan_text(plan, notes=()):
    """The plan as text for a terminal.

    Parameters
    ----------
    plan : BenchPlan
    notes : sequence of str
        Sentences that come before everything, such as what of a file was taken for granted.

    Returns
    -------
    str
    """
    from forktail.pages.plan import words

    out = [f"BENCH PLAN: {plan.circuit.title}"]
    out += [plan.circuit.note] if plan.circuit.note else []
    out += [words.origin_line(plan), ""]
    out += [f"! {line}" for line in words.remarks(plan, notes)]
    _block(out, "BEFORE YOU BEGIN", [f"- {t}" for t in (*words.CAUTIONS, words.heat_line(plan))])
    _block(out, "SUPPLY AND GENERATORS", [f"- {t}" for t in words.supply_lines(plan)])
    out += _columns(
        ("Generator", "Where", "Wave", "Setting", "Between the base lines", "Output"),
        words.generator_rows(plan),
    )
    out.append(words.frequency_reason(plan))
    head = ("No.", "Names", "Value", "Tolerance", "Rating, at least", "Note")
    _block(out, "PARTS", _columns(head, words.part_rows(plan)))
    _block(out, "BUILD ORDER AND CHECKS", _steps(words.step_rows(plan)))
    head = ("Point", "Where", "At rest", "Band", "Swing")
    _block(
        out,
        "TEST POINTS (against ground; swing: peak to peak, both drives)",
        _columns(head, words.point_rows(plan)),
    )
    _block(out, "OUTPUT WITH BOTH DRIVES (right less left)", [words.output_line(plan)])
    head = ("Trim", "What to do", "Needed in 98 % of builds", "Before", "After", "With what")
    _block(out, "TRIMS", _columns(head, words.trim_rows(plan)))
    _block(out, "FAULTS AND WHAT THEY SHOW (^ reads high, v reads low)", _faults(plan, words))
    _block(out, "WHAT THE NUMBERS REST ON", [f"- {t}" for t in words.basis_lines(plan)])
    return "\n".join(typed(line.rstrip()) for line in out) + "\n"


def _steps(rows):
    lines = []
    for number, step in enumerate(rows, 1):
        parts = f"{step.parts}. " if step.parts else ""
        lines.append(f"{number}. {step.title}: {parts}{step.text}")
        if step.reads:
            lines.append(f"   Read: {step.reads}.")
    return lines


def _faults(plan, words):
    names = {p.node: p.name for p in plan.points}
    lines = []
    for row in words.symptom_rows(plan):
        off = " ".join(f"{names[n]}{mark}" for n, mark in row.marks.items()) or "none off"
        lines.append(row.suspects)
        lines.append(f"    {off}; supply {row.current} mA; output: {row.output}")
    return lines


def _block(out, title, lines):
    out += ["", title, *lines]


def _columns(head, rows):
    """Rows as lines of aligned columns; the last column is as long as it is."""
    table = [tuple(typed(c) for c in row) for row in (head, *rows)]
    wide = [max(len(row[k]) for row in table) for k in range(len(head))]
    return ["  ".join(c.ljust(w) for c, w in zip(row, wide)).rstrip() for row in table]
