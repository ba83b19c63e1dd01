"""The command `forktail spectrum`: one use of the cell, its figures of merit and its lines."""

import argparse
import json
from pathlib import Path

from forktail.core.built.circuit import Circuit
from forktail.core.built.file import read_circuit
from forktail.core.checks import QuantityError
from forktail.core.files import MAX_SIZE
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.quantities import format_quantity
from forktail.core.spec import read_settings, specs_of
from forktail.core.uses import USES, run_use, use_of
from forktail.core.uses.result import as_json
from forktail.ui.text import decibels, typed

#: Option -> field of TextbookCell.
_CELL = {
    "tail": "i_tail",
    "load": "r_load",
    "temp": "temperature",
    "supply": "v_supply",
    "emitter_upper": "r_emitter_upper",
    "emitter_lower": "r_emitter_lower",
    "offset_left": "offset_left",
    "offset_right": "offset_right",
    "offset_lower": "offset_lower",
}


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


def read_solver(args, default):
    """The cell that answers, from the options; `default` gives the default of an option."""
    model = args.model or ("built" if args.circuit else "textbook")
    if model == "built":
        given = [f"--{n.replace('_', '-')}" for n in _CELL if getattr(args, n) != default(n)]
        if given:
            raise QuantityError(
                f"{', '.join(given)}: belongs to the textbook cell; the built "
                "cell takes its parts from --circuit."
            )
        return BuiltCell(_circuit(args.circuit) if args.circuit else Circuit())
    if args.circuit:
        raise QuantityError("--circuit: belongs to --model built.")
    specs = specs_of(TextbookCell)
    values = {
        name: specs[name].read(getattr(args, option), f"--{option.replace('_', '-')}")
        for option, name in _CELL.items()
    }
    return TextbookCell(**values)


def _circuit(path):
    try:
        with Path(path).open(encoding="utf-8") as file:
            text = file.read(MAX_SIZE + 1)
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise QuantityError(f"--circuit: '{path}' cannot be read: {reason}.") from None
    return read_circuit(text)


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
    from forktail.pages.uses.state import difference_text

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
                    difference_text(m, True) or "-",
                    "yes" if m.holds else "no",
                ),
            )
        )
        for m in result.merits
    ]
    _table(rows, right=(1, 2, 3))
    print()
    for m in result.merits:
        if not m.holds:
            print(f"{m.name}: {typed(m.stops)}")
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


def command_spectrum(args, default):
    """One use: figures of merit and labelled lines."""
    settings = settings_of(args.use, args.set)
    result = run_use(args.use, settings, read_solver(args, default), detail=args.arrays)
    if args.json or args.arrays:
        print(json.dumps(as_json(result, arrays=args.arrays), indent=2))
    else:
        _print(result, args.lines)
    return 0


def _names():
    out = []
    for key, use in USES.items():
        names = ", ".join(specs_of(use.settings))
        out.append(f"  {key}: {use.title}\n      {names}")
    return "\n".join(out)


def add_spectrum(commands, cell_options, whole):
    """Add the command to the parser.

    Parameters
    ----------
    commands : argparse subparsers
    cell_options : callable
        Adds the options of the textbook cell to a parser.
    whole : callable
        (low, high) -> reader of a whole number.
    """
    parser = commands.add_parser(
        "spectrum",
        help="one use: figures of merit and spectrum",
        formatter_class=argparse.RawDescriptionHelpFormatter,
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
    parser.add_argument(
        "--model",
        choices=("textbook", "built"),
        help="which cell (default: textbook, or built with --circuit)",
    )
    parser.add_argument(
        "--circuit",
        metavar="FILE",
        help="circuit file of the built cell (default: a healthy bat-call mixer)",
    )
    parser.add_argument("--tail", default="2mA", help="tail current (default %(default)s)")
    cell_options(parser)
    parser.add_argument(
        "--lines",
        type=whole(0, 1000),
        default=12,
        help="so many lines, the largest (default %(default)s)",
    )
    parser.add_argument("--json", action="store_true", help="print JSON, SI units")
    parser.add_argument(
        "--arrays", action="store_true", help="print JSON with the time records and curves"
    )
    parser.set_defaults(run=lambda args: command_spectrum(args, parser.get_default))
