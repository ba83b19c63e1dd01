"""The built model on the command line: `--model built --circuit FILE` of `point` and `sweep`."""

import math

import numpy as np

from forktail.circuits import shipped_files
from forktail.cli.plan import read_text
from forktail.core.built import network
from forktail.core.built.file import read_circuit
from forktail.core.checks import QuantityError

#: Options that a circuit file answers.
_OF_TEXTBOOK = (
    "tail",
    "load",
    "temp",
    "supply",
    "emitter_upper",
    "emitter_lower",
    "offset_left",
    "offset_right",
    "offset_lower",
)


def add_model(parser):
    """Add `--model` and `--circuit` to a command that has the settings of the textbook cell."""
    parser.add_argument(
        "--model",
        choices=("textbook", "built"),
        default="textbook",
        help="textbook (closed form) or built (all transistors and resistors of "
        "--circuit; default %(default)s)",
    )
    parser.add_argument(
        "--circuit",
        metavar="FILE",
        help=f"circuit file (TOML), or one of {', '.join(shipped_files())}",
    )
    parser.set_defaults(plain={n: parser.get_default(n) for n in _OF_TEXTBOOK})


def circuit_of(args):
    """Circuit of `--circuit`, None with the textbook model.

    Raises
    ------
    QuantityError
        If model, circuit and other options do not go together, or the file cannot be read.
    """
    if args.model == "textbook":
        if args.circuit:
            raise QuantityError(
                "--circuit goes with --model built; the textbook cell is set by "
                "--tail, --load and the like."
            )
        return None
    if not args.circuit:
        raise QuantityError(
            "--model built needs --circuit FILE: a circuit file, or one of "
            f"{', '.join(shipped_files())}."
        )
    for name, plain in args.plain.items():
        if getattr(args, name) != plain:
            raise QuantityError(
                f"--{name.replace('_', '-')} is a setting of the textbook cell; "
                "with --model built the circuit file says it."
            )
    text = read_text(args.circuit)
    try:
        return read_circuit(text)
    except QuantityError as error:
        first, *rest = str(error).splitlines()
        raise QuantityError(f"{args.circuit}: {first} {'; '.join(rest)}".rstrip()) from None


def solve(circuit, v_upper, v_lower, gains=True):
    """Signal solution of a circuit; arrays broadcast."""
    return network.solve_built(circuit, v_upper, v_lower, gains=gains)


def plain_json(value):
    """The same with None in the place of numbers that are none, as JSON has no NaN."""
    if isinstance(value, dict):
        return {k: plain_json(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_json(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def node_rows(point):
    """Rows (name, number, unit) of nodes, and (name, region) of transistors."""
    return (
        [(name, float(v), "V") for name, v in point.nodes.items()],
        [(f"{q} region", str(r)) for q, r in point.regions.items()],
    )


def solved_all(point):
    """Whether every sample has a solution."""
    return bool(np.all(point.converged))
