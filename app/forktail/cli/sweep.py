"""The command `forktail sweep`: CSV of the output over one or both inputs."""

import sys

import numpy as np

from forktail.cli.cell import add_cell, read_cell
from forktail.cli.options import RAW
from forktail.core.checks import QuantityError
from forktail.core.quantities import parse_quantity
from forktail.core.spec import SPECS

#: Most points one sweep writes.
MAX_SWEEP = 1_000_000


def parse_range(text, name):
    """Read `FROM:TO:STEP` in volts, or one value, as an array.

    Parameters
    ----------
    text : str
        `-50mV:50mV:1mV` or `20mV`.
    name : str
        Option named in messages: `--upper` or `--lower`.

    Returns
    -------
    numpy.ndarray, shape (n,)
        V.

    Raises
    ------
    QuantityError
        If it cannot be read, the step leads nowhere, or it makes too many points.
    """
    spec = SPECS[f"v_{name[2:]}"]
    parts = text.split(":")
    if len(parts) == 1:
        return np.array([spec.read(text, name)])
    if len(parts) != 3:
        raise QuantityError(
            f"{name}: '{text}' is not a range; give FROM:TO:STEP, such as "
            "-50mV:50mV:1mV, or one value."
        )
    low, high = (spec.read(part, name) for part in parts[:2])
    step = parse_quantity(parts[2], "V", name)
    if step == 0.0 or (high - low) * step < 0:
        raise QuantityError(
            f"{name}: with the step {parts[2]} the range never gets from {parts[0]} to {parts[1]}."
        )
    count = int(np.floor((high - low) / step * (1 + 1e-12))) + 1
    if count > MAX_SWEEP:
        raise QuantityError(f"{name}: that makes {count} points; at most {MAX_SWEEP} are written.")
    return low + step * np.arange(count)


def command_sweep(args):
    """Write CSV of the output over one or both inputs."""
    upper, lower = parse_range(args.upper, "--upper"), parse_range(args.lower, "--lower")
    if upper.size * lower.size > MAX_SWEEP:
        raise QuantityError(
            f"--upper and --lower make {upper.size * lower.size} points; at most "
            f"{MAX_SWEEP} are written."
        )
    point = read_cell(args)(upper[None, :], lower[:, None])
    columns = [
        np.broadcast_to(c, point.v_out.shape).ravel()
        for c in (point.v_upper, point.v_lower, point.v_out, point.v_left, point.v_right)
    ]
    print("v_upper_V,v_lower_V,v_out_V,v_left_V,v_right_V")
    np.savetxt(sys.stdout, np.column_stack(columns), fmt="%.9g", delimiter=",")
    return 0


def add_parser(commands):
    """Add the command to the parser."""
    parser = commands.add_parser(
        "sweep",
        help="CSV of the output over the inputs",
        formatter_class=RAW,
        description="Write CSV of the output over one or both inputs, SI units.",
        epilog="Example: forktail sweep --upper -50mV:50mV:1mV --lower 20mV > sweep.csv\n"
        "         forktail sweep --model built --circuit volume-cell > sweep.csv\n"
        "A sample without a solution is written as nan.",
    )
    for option, default in (("--upper", "-100mV:100mV:5mV"), ("--lower", "20mV")):
        parser.add_argument(
            option,
            default=default,
            metavar="RANGE",
            help="FROM:TO:STEP or one value (default %(default)s)",
        )
    add_cell(parser)
    parser.set_defaults(run=command_sweep)
