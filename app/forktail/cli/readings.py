"""The command `forktail readings`: readings of a meter at rest against a circuit file."""

import json
from pathlib import Path

from forktail.circuits import shipped_files
from forktail.cli.cell import read_circuit_file
from forktail.cli.files import read_text
from forktail.core.capture.readings import MAX_TEXT, as_plain, compare_readings, read_readings
from forktail.core.quantities import format_quantity
from forktail.ui.text import typed


def add_parser(commands, formatter):
    """Add `readings` to the subcommands of the command line."""
    parser = commands.add_parser(
        "readings",
        help="readings of a meter at rest against a circuit",
        formatter_class=formatter,
        description="Compare what a meter reads with both drives off with what a circuit should\n"
        "show: as predicted, or the likeliest causes and which point to read next.\n"
        "FILE has one test point of the bench plan (or node) and its voltage a line,\n"
        "such as `TP3, 4.62 V`, each against ground.\n"
        f"Circuits that come with the app: {', '.join(shipped_files())}.",
        epilog="Example: forktail readings board7.csv --circuit bat-call-mixer",
    )
    parser.add_argument("readings", metavar="FILE")
    parser.add_argument("--circuit", required=True, metavar="FILE", help="circuit file (TOML)")
    parser.add_argument("--json", action="store_true", help="print JSON, SI units")
    parser.set_defaults(run=command_readings)


def command_readings(args):
    """Print the comparison."""
    circuit = read_circuit_file(args.circuit)
    name = Path(args.readings).name
    text = read_text(args.readings, "a file of test points and voltages", 4 * MAX_TEXT)
    found = compare_readings(read_readings(text, circuit, name), circuit, name=name)
    if args.json:
        print(json.dumps(as_plain(found), indent=2))
    else:
        print(text_of(found), end="")
    return 0


def text_of(found):
    """The comparison as text for a terminal.

    Returns
    -------
    str
    """
    count = len(found.points)
    out = [
        f"{found.name} against {found.circuit.title}: {count} reading{'s' * (count > 1)} at rest",
        "", found.verdict,
    ]  # fmt: skip
    out += [found.telling] if found.telling else []
    if found.causes:
        out += ["", "CAUSES (belief)"]
    for cause in found.causes:
        out.append(f"{cause.share:>9}  {cause.title}. {cause.evidence}")
        out += [f"           or: {title}" for title in cause.titles[1:]]
        if cause.advice:
            out.append(f"           To do: {cause.advice}")
    head = ("", "measured", "predicted", "healthy boards", "", "")
    rows = [head]
    for p in found.points:
        got, wanted, low, high = (
            format_quantity(v, "V", 4) for v in (p.measured, p.predicted, p.low, p.high)
        )
        remark = "inside" if p.inside else "outside"
        rows.append((p.name, got, wanted, f"{low} to {high}", remark, p.where))
    wide = [max(len(typed(row[k])) for row in rows) for k in range(6)]
    out += ["", "READINGS (both drives off, against ground)"]
    for name, *volts, remark, where in rows:
        cells = [name.ljust(wide[0]), *(c.rjust(w) for c, w in zip(map(typed, volts), wide[1:4]))]
        out.append("  ".join((*cells, remark.ljust(wide[4]), where)))
    if found.unseen:
        out += ["", "NO METER AT REST CAN SEE", "- " + ", ".join(found.unseen)]
    if found.warnings:
        out += ["", "REMARKS", *(f"- {line}" for line in found.warnings)]
    return "\n".join(typed(line.rstrip()) for line in out) + "\n"
