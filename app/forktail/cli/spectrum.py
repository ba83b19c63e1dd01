"""The command `forktail spectrum`: one use of the cell, its figures of merit and its lines."""

import json

from forktail.cli.cell import add_cell, read_cell
from forktail.cli.options import RAW, add_quantity, read_quantity
from forktail.core.checks import QuantityError
from forktail.core.quantities import format_fixed, format_quantity
from forktail.core.spec import number, read_settings, specs_of
from forktail.core.uses import USES, run_use, use_of
from forktail.core.uses.result import as_json
from forktail.core.uses.words import difference_text
from forktail.core.uses.words.noise import LEFT_OUT
from forktail.ui.text import decibels, typed

_LINES = number("lines", 12, "", 0, 1000, whole=True, label="So many lines, the largest")


def settings_of(use, words):
    """Settings of a use from `name=value` words.

    Raises
    ------
    QuantityError
        If a word is not of that form, or its name or value does not fit the use.
    """
    entries = {}
    for word in words:
        name, equals, text = word.partition("=")
        if not equals or not name.strip():
            raise QuantityError(
                f"--set: '{word}' is not NAME=VALUE, such as signal_frequency=41kHz."
            )
        if name.strip() in entries:
            raise QuantityError(f"--set: '{name.strip()}' is given twice.")
        entries[name.strip()] = text.strip()
    return read_settings(use_of(use).settings, entries)


def _table(rows, right=()):
    wide = [max(len(row[c]) for row in rows) for c in range(len(rows[0]))]
    for row in rows:
        print(
            "  ".join(
                cell.rjust(w) if c in right else cell.ljust(w)
                for c, (cell, w) in enumerate(zip(row, wide))
            ).rstrip()
        )


def _print(result, most):
    print(f"{result.title} ({result.model} cell)\n{typed(result.sentence)}\n")
    rows = [("figure", "computed", "textbook", "difference", "holds")]
    rows += [
        tuple(
            map(
                typed,
                (
                    m.name,
                    m.reading,
                    m.relation_reading or "-",
                    difference_text(m) or "-",
                    "yes" if m.holds else "no",
                ),
            )
        )
        for m in result.merits
    ]
    _table(rows, right=(1, 2, 3))
    if result.noise:
        print("\nwhat makes the noise at the output")
        _table(
            [(typed(name), format_fixed(percent, 1, "%")) for name, percent in result.noise],
            right=(1,),
        )
        print(typed(LEFT_OUT))
    print()
    for m in result.merits:
        if not m.holds:
            print(f"{m.name}: {typed(' '.join(filter(None, (m.stops, m.because))))}")
    if result.spectrum is not None and most:
        lines = sorted(result.spectrum.lines, key=lambda ln: -ln.db)[:most]
        print()
        _table(
            [("line", "frequency", "peak", "level", "origin")]
            + [
                (
                    typed(ln.label),
                    format_quantity(ln.frequency, "Hz", 6, ascii_only=True),
                    format_quantity(ln.peak, "V", ascii_only=True),
                    typed(decibels(ln.db)),
                    ln.origin,
                )
                for ln in lines
            ],
            right=(1, 2, 3),
        )
    print(f"\n{typed(result.window)}")
    for note in result.notes:
        print(f"note: {typed(note)}")


def command_spectrum(args):
    """One use: figures of merit and labelled lines."""
    settings = settings_of(args.use, args.set)
    most = int(read_quantity(args.lines, "--lines", _LINES))
    result = run_use(args.use, settings, read_cell(args))
    if args.json or args.arrays:
        print(json.dumps(as_json(result, arrays=args.arrays), indent=2))
    else:
        _print(result, most)
    return 0


def _names():
    out = []
    for key, use in USES.items():
        names = ", ".join(specs_of(use.settings))
        out.append(f"  {key}: {use.title}\n      {names}")
    return "\n".join(out)


def add_parser(commands):
    """Add the command to the parser."""
    parser = commands.add_parser(
        "spectrum",
        help="one use: figures of merit and spectrum",
        formatter_class=RAW,
        description="Run one use of the cell and print its figures of merit, each beside its\n"
        "textbook relation, and the labelled lines of its spectrum.",
        epilog="Uses and what --set knows for each:\n" + _names() + "\n\n"
        "Example: forktail spectrum --use mixer --set signal_frequency=41kHz "
        "--set second_amplitude=0V --json",
    )
    parser.add_argument(
        "--use",
        required=True,
        choices=list(USES),
        metavar="USE",
        help="which use: " + ", ".join(USES),
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="one setting of the use; may be repeated",
    )
    add_cell(parser)
    add_quantity(parser, "--lines", _LINES)
    parser.add_argument("--json", action="store_true", help="print JSON, SI units")
    parser.add_argument(
        "--arrays", action="store_true", help="print JSON with the time records and curves"
    )
    parser.set_defaults(run=command_spectrum)
