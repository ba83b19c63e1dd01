"""The cell that answers a command: options of the textbook cell, made from its specs, or a file."""

import sys

from forktail.circuits import shipped_files
from forktail.cli.files import circuit_text
from forktail.cli.options import add_quantity
from forktail.core.built.circuit import Circuit
from forktail.core.built.file import read_file
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.spec import specs_of

#: Field of `TextbookCell` -> its option: `i_tail` is set by --tail.
OPTIONS = {
    name: "--" + (name[2:] if name[:2] in ("i_", "r_", "v_") else name).replace("_", "-")
    for name in specs_of(TextbookCell)
}
OPTIONS["temperature"] = "--temp"


def add_cell(parser):
    """Add all options that say which cell answers."""
    parser.add_argument(
        "--model",
        choices=("textbook", "built"),
        help="textbook (closed form) or built (all transistors and resistors of --circuit; "
        "default: textbook, or built with --circuit)",
    )
    parser.add_argument(
        "--circuit",
        metavar="FILE",
        help=f"circuit file (TOML), or one of {', '.join(shipped_files())} "
        "(default of the built cell: a healthy bat-call mixer)",
    )
    textbook = parser.add_argument_group("textbook cell")
    for name, spec in specs_of(TextbookCell).items():
        metavar = {"ohm": "R", "K": "T"}.get(spec.unit, spec.unit)
        add_quantity(parser, OPTIONS[name], spec, group=textbook, dest=name, metavar=metavar)


def read_cell(args):
    """The cell that the options ask for.

    Returns
    -------
    TextbookCell or BuiltCell

    Raises
    ------
    QuantityError
        If model, circuit and other options do not go together, or one cannot be read.
    """
    given = {name: getattr(args, name) for name in OPTIONS if getattr(args, name) is not None}
    if (args.model or ("built" if args.circuit else "textbook")) == "built":
        if given:
            raise QuantityError(
                f"{', '.join(OPTIONS[n] for n in given)}: belongs to the textbook cell; the built "
                "cell takes its parts from --circuit."
            )
        return BuiltCell(read_circuit_file(args.circuit) if args.circuit else Circuit())
    if args.circuit:
        raise QuantityError("--circuit: belongs to --model built.")
    specs = specs_of(TextbookCell)
    return TextbookCell(**{n: specs[n].read(text, OPTIONS[n]) for n, text in given.items()})


def read_circuit_file(path):
    """Circuit of a file, or of one that comes with the app.

    What the file leaves out or has no use for is noted on standard error.

    Raises
    ------
    QuantityError
        One line, with the file in front.
    """
    text = circuit_text(path)
    try:
        found = read_file(text)
    except QuantityError as error:
        first, *rest = str(error).splitlines()
        raise QuantityError(f"{path}: {first} {'; '.join(rest)}".rstrip()) from None
    for note in found.notes:
        print(f"note: {path}: {note}", file=sys.stderr)
    return found.circuit
