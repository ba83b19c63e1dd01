"""The command `forktail compare`: a scope capture against the prediction of a circuit file."""

import argparse
import json
import re
from pathlib import Path

from forktail.circuits import shipped_files
from forktail.cli.cell import read_circuit_file
from forktail.cli.files import read_bytes
from forktail.core.capture.compare import as_plain
from forktail.core.capture.read import MAX_BYTES, ROLES, read_table
from forktail.core.checks import QuantityError
from forktail.core.quantities import parse_quantity
from forktail.ui.text import typed

#: Words of --columns -> role of a column.
_ROLES = {
    **{role: role for role in ROLES},
    "upper": "v_upper",
    "lower": "v_lower",
    "left": "v_left",
    "right": "v_right",
    "out": "v_out",
}


def add_parser(commands, formatter):
    """Add `compare` to the subcommands of the command line."""
    parser = commands.add_parser(
        "compare",
        help="scope capture against a circuit",
        formatter_class=formatter,
        description="Compare a capture with what a circuit should show: as predicted, or what is\n"
        "wrong with the board and how sure that is. The capture is CSV: time and up to\n"
        "four channels, any headings, decimal point or comma.\n"
        f"Circuits that come with the app: {', '.join(shipped_files())}.",
        epilog="Example: forktail compare capture.csv --circuit bat-call-mixer "
        "--columns time=1,upper=2,lower=3,left=4,right=5",
    )
    parser.add_argument("capture", metavar="CAPTURE.csv")
    parser.add_argument("--circuit", required=True, metavar="FILE", help="circuit file (TOML)")
    parser.add_argument(
        "--columns",
        metavar="LIST",
        help="what each column is: time, upper, "
        "lower, left, right, out, by number from 1 or by heading "
        "(default: guessed from the headings)",
    )
    parser.add_argument(
        "--probe",
        metavar="LIST",
        help="factors by which columns are multiplied, such as upper=10,out=-1",
    )
    parser.add_argument(
        "--interval", metavar="T", help="time between rows, instead of a time column"
    )
    for side in ("upper", "lower"):
        parser.add_argument(
            f"--drive-{side}",
            metavar="V@F",
            help=f"sine on the {side} input that was not captured, such as 100mV@50kHz, or off",
        )
    parser.add_argument(
        "--probed",
        choices=("base", "generator"),
        help="where the inputs were probed: between the base lines, or at the generator, across "
        "its termination (default: told from the capture)",
    )
    parser.add_argument(
        "--keep-mean",
        action="store_true",
        help="keep the means of the inputs, which coupling capacitors hold back",
    )
    parser.add_argument("--no-mean", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--json", action="store_true", help="print JSON, SI units")
    parser.add_argument("--csv", metavar="OUT", help="write all compared samples as CSV")
    parser.set_defaults(run=command_compare)


def _pairs(text, option):
    out = {}
    for part in text.split(","):
        name, equals, value = part.partition("=")
        name = name.strip()
        if not equals or name not in _ROLES or not value.strip():
            raise QuantityError(
                f"{option}: '{part.strip()}' is not understood; write such as "
                "upper=2, with one of time, upper, lower, left, right, out."
            )
        if _ROLES[name] in out:
            raise QuantityError(f"{option}: {name} is given twice.")
        out[_ROLES[name]] = value.strip()
    return out


def _roles(text, table):
    if text is None:
        return None
    return {
        # a number is always a place, whatever the headings are called
        role: table.position(int(value), "--columns") if re.fullmatch(r"\d+", value) else value
        for role, value in _pairs(text, "--columns").items()
    }


def _factors(text):
    return (
        {
            role: parse_quantity(value, "", "--probe", -1e6, 1e6)
            for role, value in _pairs(text, "--probe").items()
        }
        if text
        else None
    )


def _drive(text, option):
    if text is None:
        return None
    if text.strip().lower() == "off":
        return 0.0, 1.0
    peak, at, frequency = text.partition("@")
    if not at:
        raise QuantityError(
            f"{option}: '{text}' is not a drive; give peak and frequency, such as "
            "100mV@50kHz, or off."
        )
    return (
        parse_quantity(peak, "V", option, 1e-9, 1e3),
        parse_quantity(frequency, "Hz", option, 1e-6, 1e12),
    )


def command_compare(args):
    """Print the comparison."""
    from forktail.pages.compare.plots import overlay_csv
    from forktail.pages.compare.state import Question, answer

    circuit = read_circuit_file(args.circuit)
    table = read_table(
        read_bytes(
            args.capture, "a capture as CSV", MAX_BYTES, " Export fewer rows, or fewer channels."
        ),
        Path(args.capture).name,
    )
    roles = _roles(args.columns, table)
    factors = _factors(args.probe)
    interval = (
        0.0
        if args.interval is None
        else parse_quantity(args.interval, "s", "--interval", 1e-15, 1e6)
    )
    used = roles or table.roles
    drives = {
        side: _drive(getattr(args, f"drive_{side}"), f"--drive-{side}")
        for side in ("upper", "lower")
    }
    for side, drive in drives.items():
        if f"v_{side}" not in used and drive is None:
            raise QuantityError(
                f"{table.name}: no column is the {side} input; name it with "
                f"--columns, or its drive with --drive-{side} 100mV@50kHz, or off."
            )
    question = Question(
        circuit,
        tuple(used.items()),
        tuple((factors or {}).items()),
        interval,
        not args.keep_mean,
        probed={"base": "base lines", "generator": "generator"}.get(args.probed, "capture"),
        **drives,
    )
    comparison, notes = answer(table, question)
    if args.csv:
        try:
            Path(args.csv).write_text(overlay_csv(comparison), encoding="utf-8")
        except OSError as error:
            raise QuantityError(
                f"{args.csv}: {error.strerror}; the samples were not written."
            ) from None
    if args.json:
        print(json.dumps(as_json(comparison, circuit, notes), indent=2))
    else:
        print(text_of(comparison, circuit, notes), end="")
    return 0


def as_json(comparison, circuit, notes=()):
    """Plain dictionary of a comparison: every figure in SI units, no records.

    Returns
    -------
    dict
        Keys of `capture.Comparison` without its arrays, and circuit, samples, notes.
    """
    out = as_plain(comparison)
    out["circuit"] = circuit.title
    out["samples"] = int(len(comparison.time))
    out["samples_used"] = int(comparison.used.sum())
    out["notes"] = list(notes)
    return out


def text_of(comparison, circuit, notes=()):
    """The comparison as text for a terminal.

    Returns
    -------
    str
    """
    from forktail.pages.compare.words import table

    c = comparison
    out = [f"{c.name} against {circuit.title}: {len(c.time)} samples", "", c.verdict]
    if c.telling:
        out += [c.telling]
    if c.causes:
        out += ["", "CAUSES (belief)"]
    for cause in c.causes:
        out.append(f"{cause.share:>9}  {cause.title}. {cause.evidence}")
        out += [f"           or: {title}" for title in cause.titles[1:]]
        if cause.advice:
            out.append(f"           To do: {cause.advice}")
    out += ["", "WHAT THE SCOPE DOES", *(f"- {line}" for line in c.scope or ("nothing.",))]
    rows = [row[:5] for row in table(c)]
    head = ("", "measured", "predicted", "healthy boards", "")
    wide = [max(len(r[k]) for r in (head, *rows)) for k in range(4)]
    out += ["", "FIGURES"]
    for name, got, wanted, band, remark in (head, *rows):
        out.append(
            f"{name:<{wide[0]}}  {got:>{wide[1]}}  {wanted:>{wide[2]}}  {band:>{wide[3]}}  {remark}"
        )
    said = list(dict.fromkeys((*notes, *c.warnings)))
    if said:
        out += ["", "REMARKS", *(f"- {line}" for line in said)]
    return "\n".join(typed(line.rstrip()) for line in out) + "\n"
