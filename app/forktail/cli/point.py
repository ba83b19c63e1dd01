"""The command `forktail point`: one operating point of the cell."""

import json
import math

import numpy as np

from forktail.cli.cell import add_cell, read_cell
from forktail.cli.options import RAW, add_quantity, read_quantity
from forktail.core.cell.law import validity
from forktail.core.models import TextbookCell
from forktail.core.quantities import format_quantity, format_temperature
from forktail.core.spec import spec
from forktail.ui.text import typed

_INPUTS = {f"--{side}": spec(f"v_{side}", default=0.0) for side in ("upper", "lower")}


def point_as_dict(point, warnings=()):
    """Plain dictionary of one operating point with the keys that `point --json` prints.

    Parameters
    ----------
    point : OperatingPoint
        Of shape ().
    warnings : iterable of str

    Returns
    -------
    dict
    """
    out = {name: float(getattr(point, name)) for name in ("v_out", "v_left", "v_right")}
    out["i_upper"] = [float(i) for i in point.i_upper]
    out["i_lower"] = [float(i) for i in point.i_lower]
    for name in ("i_tail", "thermal_voltage", "gain_upper", "gain_lower"):
        out[name] = float(getattr(point, name))
    out["model"] = point.model
    if point.model != "textbook":
        out["nodes"] = {name: float(v) for name, v in point.nodes.items()}
        out["regions"] = {name: str(r) for name, r in point.regions.items()}
    out["warnings"] = [*point.warnings, *warnings]
    return out


def _known(value):
    """The same with None where a number is none, as JSON has no NaN."""
    if isinstance(value, dict):
        return {k: _known(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_known(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _print(point, warnings):
    def text(v, unit):
        return format_quantity(float(v), unit, 5, ascii_only=True)

    rows = [(name, text(getattr(point, name), "V")) for name in ("v_out", "v_left", "v_right")]
    currents = (*point.i_upper, *point.i_lower)
    rows += [(f"Q{k}", text(i, "A")) for k, i in enumerate(currents, 1)]
    rows += [
        ("i_tail", text(point.i_tail, "A")),
        (
            "kT/q at " + format_temperature(float(point.temperature), ascii_only=True),
            text(point.thermal_voltage, "V"),
        ),
        ("gain_upper", f"{float(point.gain_upper):.5g} V/V"),
        ("gain_lower", f"{float(point.gain_lower):.5g} V/V"),
    ]
    rows += [(name, text(v, "V")) for name, v in point.nodes.items()]
    rows += [(f"{q} region", str(region)) for q, region in point.regions.items()]
    wide = max(len(name) for name, _ in rows)
    for name, value in rows:
        print(f"{name:<{wide}}  {value}")
    for warning in warnings:
        print(f"note: {typed(warning)}")


def command_point(args):
    """Print one operating point."""
    inputs = [read_quantity(getattr(args, o[2:]), o, s) for o, s in _INPUTS.items()]
    solve = read_cell(args)
    point, warnings = solve(*inputs), []
    if isinstance(solve, TextbookCell):
        limits = validity(point, solve.settings)
        warnings = [typed(limit.text) for limit in limits if not limit.holds]
    if args.json:
        print(json.dumps(_known(point_as_dict(point, warnings)), indent=2))
    else:
        _print(point, (*point.warnings, *warnings))
    return 0 if np.all(point.converged) else 1


def add_parser(commands):
    """Add the command to the parser."""
    parser = commands.add_parser(
        "point",
        help="one operating point",
        formatter_class=RAW,
        description="Solve one operating point of the cell.",
        epilog="Example: forktail point --upper 10mV --lower -5mV --tail 2mA --load 1k --json\n"
        "         forktail point --model built --circuit bat-call-mixer --upper 10mV",
    )
    for option, s in _INPUTS.items():
        add_quantity(parser, option, s, metavar="V")
    add_cell(parser)
    parser.add_argument("--json", action="store_true", help="print JSON, SI units")
    parser.set_defaults(run=command_point)
