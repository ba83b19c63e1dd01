"""Commands: the app and its numbers from a terminal.

Every command has --help with an example. Errors are one clear line on standard error and exit
status 2.
"""

import argparse
import json
import re
import sys

import numpy as np

from forktail import __version__
from forktail.cli import compare as cli_compare
from forktail.cli import lessons as cli_lessons
from forktail.cli import plan as cli_plan
from forktail.cli import point as cli_built
from forktail.cli.spectrum import add_spectrum
from forktail.core.cell import law as cell
from forktail.core.checks import QuantityError, shortened
from forktail.core.quantities import (
    format_quantity,
    format_temperature,
    parse_quantity,
    parse_temperature,
)
from forktail.ui.text import typed

#: Most points one sweep writes.
MAX_SWEEP = 1_000_000


class _Parser(argparse.ArgumentParser):
    """Reports a wrong command line as one line, without the usage block."""

    def error(self, message):
        raise QuantityError(f"{shortened(message, 400)} (see {self.prog} --help)")


def _settings(parser, load="1k"):
    parser.add_argument("--load", default=load, help="each load resistor (default %(default)s)")
    parser.add_argument(
        "--temp", default="25", help="temperature, degC or with K (default %(default)s)"
    )
    parser.add_argument("--supply", default="12V", help="supply (default %(default)s)")
    parser.add_argument(
        "--emitter-upper",
        default="0",
        metavar="R",
        help="resistor in each upper emitter (default %(default)s)",
    )
    parser.add_argument(
        "--emitter-lower",
        default="0",
        metavar="R",
        help="resistor in each lower emitter (default %(default)s)",
    )
    parser.add_argument("--offset-left", default="0", metavar="V", help="offset of Q1-Q2")
    parser.add_argument("--offset-right", default="0", metavar="V", help="offset of Q4-Q3")
    parser.add_argument("--offset-lower", default="0", metavar="V", help="offset of Q5-Q6")


def _cell_settings(args):
    return cell.CellSettings(
        r_load=parse_quantity(args.load, "ohm", "--load", 1.0, 1e6),
        temperature=parse_temperature(args.temp, "--temp"),
        v_supply=parse_quantity(args.supply, "V", "--supply", 0.0, 1e3),
        r_emitter_upper=parse_quantity(args.emitter_upper, "ohm", "--emitter-upper", 0.0, 1e6),
        r_emitter_lower=parse_quantity(args.emitter_lower, "ohm", "--emitter-lower", 0.0, 1e6),
        offset_left=parse_quantity(args.offset_left, "V", "--offset-left", -1.0, 1.0),
        offset_right=parse_quantity(args.offset_right, "V", "--offset-right", -1.0, 1.0),
        offset_lower=parse_quantity(args.offset_lower, "V", "--offset-lower", -1.0, 1.0),
    )


def _input(text, name):
    return parse_quantity(text, "V", name, -1e3, 1e3)


def _tail(text):
    return parse_quantity(text, "A", "--tail", 0.0, 10.0)


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


def _print_point(point, warnings):
    def text(v, u):
        return format_quantity(float(v), u, 5, ascii_only=True)

    rows = [
        ("v_out", text(point.v_out, "V")),
        ("v_left", text(point.v_left, "V")),
        ("v_right", text(point.v_right, "V")),
    ]
    rows += [(f"Q{k + 1}", text(i, "A")) for k, i in enumerate(point.i_upper)]
    rows += [(f"Q{k + 5}", text(i, "A")) for k, i in enumerate(point.i_lower)]
    rows += [
        ("i_tail", text(point.i_tail, "A")),
        (
            "kT/q at " + format_temperature(float(point.temperature), ascii_only=True),
            text(point.thermal_voltage, "V"),
        ),
        ("gain_upper", f"{float(point.gain_upper):.5g} V/V"),
        ("gain_lower", f"{float(point.gain_lower):.5g} V/V"),
    ]
    if point.model != "textbook":
        nodes, regions = cli_built.node_rows(point)
        rows += [(name, text(value, unit)) for name, value, unit in nodes] + regions
    wide = max(len(name) for name, _ in rows)
    for name, value in rows:
        print(f"{name:<{wide}}  {value}")
    for warning in warnings:
        print(f"note: {warning}")


def command_point(args):
    """One operating point."""
    inputs = _input(args.upper, "--upper"), _input(args.lower, "--lower")
    circuit = cli_built.circuit_of(args)
    if circuit is None:
        settings = _cell_settings(args)
        point = cell.solve_cell(*inputs, _tail(args.tail), settings)
        warnings = [
            typed(limit.text) for limit in cell.validity(point, settings) if not limit.holds
        ]
    else:
        point, warnings = cli_built.solve(circuit, *inputs), []
    if args.json:
        print(json.dumps(cli_built.plain_json(point_as_dict(point, warnings)), indent=2))
    else:
        _print_point(point, [typed(w) for w in (*point.warnings, *warnings)])
    return 0 if cli_built.solved_all(point) else 1


def parse_range(text, name):
    """Read `FROM:TO:STEP` in volts, or one value, as an array.

    Parameters
    ----------
    text : str
        `-50mV:50mV:1mV` or `20mV`.
    name : str
        Option named in messages.

    Returns
    -------
    numpy.ndarray, shape (n,)
        V.

    Raises
    ------
    QuantityError
        If it cannot be read, the step leads nowhere, or it makes too many points.
    """
    parts = text.split(":")
    if len(parts) == 1:
        return np.array([_input(text, name)])
    if len(parts) != 3:
        raise QuantityError(
            f"{name}: '{text}' is not a range; wanted is FROM:TO:STEP, such as "
            "-50mV:50mV:1mV, or one value."
        )
    low, high, step = (_input(part, name) for part in parts)
    if step == 0.0 or (high - low) * step < 0:
        raise QuantityError(
            f"{name}: with the step {parts[2]} the range never gets from {parts[0]} to {parts[1]}."
        )
    count = int(np.floor((high - low) / step * (1 + 1e-12))) + 1
    if count > MAX_SWEEP:
        raise QuantityError(f"{name}: that makes {count} points; at most {MAX_SWEEP} are written.")
    return low + step * np.arange(count)


def command_sweep(args):
    """CSV of the output over one or both inputs."""
    circuit = cli_built.circuit_of(args)
    upper, lower = parse_range(args.upper, "--upper"), parse_range(args.lower, "--lower")
    if upper.size * lower.size > MAX_SWEEP:
        raise QuantityError(
            f"--upper and --lower make {upper.size * lower.size} points; at most "
            f"{MAX_SWEEP} are written."
        )
    if circuit is None:
        point = cell.solve_cell(
            upper[None, :], lower[:, None], _tail(args.tail), _cell_settings(args)
        )
    else:
        point = cli_built.solve(circuit, upper[None, :], lower[:, None], gains=False)
    columns = [
        np.broadcast_to(c, point.v_out.shape).ravel()
        for c in (point.v_upper, point.v_lower, point.v_out, point.v_left, point.v_right)
    ]
    print("v_upper_V,v_lower_V,v_out_V,v_left_V,v_right_V")
    np.savetxt(sys.stdout, np.column_stack(columns), fmt="%.9g", delimiter=",")
    return 0


def command_serve(args):
    """Run the app."""
    from forktail.server.app import run  # the app is imported only when it is wanted

    return run(
        port=args.port,
        host=args.host,
        workers=args.workers,
        open_browser=not args.no_open,
        lessons=args.lessons,
        room_code=args.room_code,
    )


def _whole(low, high):
    def read(text):
        if not re.fullmatch(r"\d{1,9}", text) or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(
                f"'{text}' does not fit; allowed is a whole number from {low} to {high}"
            )
        return int(text)

    return read


def build_parser():
    """Parser of the whole command line."""
    raw = argparse.RawDescriptionHelpFormatter
    parser = _Parser(
        prog="forktail",
        formatter_class=raw,
        description="See, try and check how steering a tail current multiplies two signals.\n"
        "Without a command, the app opens in the browser.",
        epilog="Values are written as 10mV, 2.2k, 2k2, 4u7, 0.1uF or -5e-3.\n"
        "Example: forktail point --upper 10mV --lower -5mV --tail 2mA --load 1k",
    )
    parser.add_argument("--version", action="version", version=f"forktail {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)

    serve = commands.add_parser(
        "serve",
        help="run the app",
        formatter_class=raw,
        description="Run the app and open it in the browser. It listens on this machine only,\n"
        "unless --host says otherwise.",
        epilog="Example: forktail serve --port 5010 --no-open",
    )
    serve.add_argument(
        "--port",
        type=_whole(0, 65535),
        default=5006,
        help="port (default %(default)s; 0 takes a free one)",
    )
    serve.add_argument(
        "--host", default="127.0.0.1", help="address to listen on (default %(default)s)"
    )
    serve.add_argument(
        "--workers", type=_whole(1, 64), default=1, help="worker processes (default %(default)s)"
    )
    serve.add_argument(
        "--room-code",
        metavar="CODE",
        help="what the presenter of a class must know (default: one is made up and shown here)",
    )
    serve.add_argument("--no-open", action="store_true", help="do not open a browser")
    serve.add_argument(
        "--lessons",
        metavar="DIR",
        help="folder of lessons to serve; open pages follow as its files change",
    )
    serve.set_defaults(run=command_serve)

    point = commands.add_parser(
        "point",
        help="one operating point",
        formatter_class=raw,
        description="Solve one operating point of the cell.",
        epilog="Example: forktail point --upper 10mV --lower -5mV --tail 2mA --load 1k --json\n"
        "         forktail point --model built --circuit bat-call-mixer --upper 10mV",
    )
    point.add_argument("--upper", default="0V", help="upper input (default %(default)s)")
    point.add_argument("--lower", default="0V", help="lower input (default %(default)s)")
    point.add_argument("--tail", default="2mA", help="tail current (default %(default)s)")
    _settings(point)
    cli_built.add_model(point)
    point.add_argument("--json", action="store_true", help="print JSON, SI units")
    point.set_defaults(run=command_point)

    sweep = commands.add_parser(
        "sweep",
        help="CSV of the output over the inputs",
        formatter_class=raw,
        description="Write CSV of the output over one or both inputs, SI units.",
        epilog="Example: forktail sweep --upper -50mV:50mV:1mV --lower 20mV > sweep.csv\n"
        "         forktail sweep --model built --circuit volume-cell > sweep.csv\n"
        "A sample without a solution is written as nan.",
    )
    sweep.add_argument(
        "--upper",
        default="-100mV:100mV:5mV",
        metavar="RANGE",
        help="FROM:TO:STEP or one value (default %(default)s)",
    )
    sweep.add_argument(
        "--lower",
        default="20mV",
        metavar="RANGE",
        help="FROM:TO:STEP or one value (default %(default)s)",
    )
    sweep.add_argument("--tail", default="2mA", help="tail current (default %(default)s)")
    _settings(sweep)
    cli_built.add_model(sweep)
    sweep.set_defaults(run=command_sweep)
    add_spectrum(commands, _settings, _whole)

    cli_lessons.add_lessons(commands, _Parser)
    cli_plan.add_parser(commands, raw)
    cli_compare.add_parser(commands, raw)
    return parser


def _join_negatives(argv):
    """Let `--lower -5mV` be a value: argparse would take it for an option."""
    out = []
    for word in argv:
        if out and re.match(r"-[\d.]", word) and re.fullmatch(r"--[a-z-]+", out[-1]):
            out[-1] = f"{out[-1]}={word}"
        else:
            out.append(word)
    return out


def main(argv=None):
    """Run a command line; returns the exit status."""
    argv = _join_negatives(sys.argv[1:] if argv is None else list(argv))
    parser = build_parser()
    known = ("-h", "--help", "--version")
    if not argv or argv[0].startswith("-") and argv[0] not in known:
        argv = ["serve", *argv]
    try:
        args = parser.parse_args(argv)
        return args.run(args)
    except QuantityError as error:
        print(f"forktail: {error}", file=sys.stderr)
        return 2
    except BrokenPipeError:  # the reader of a pipe had enough
        sys.stderr.close()
        return 0
