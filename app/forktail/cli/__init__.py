"""Commands: the app and its numbers from a terminal, one module a command.

Every command has --help with an example. Errors are one clear line on standard error and exit
status 2.
"""

import re
import sys

from forktail import __version__
from forktail.cli import compare, lessons, plan, point, readings, serve, spectrum, sweep
from forktail.cli.options import RAW, Parser
from forktail.core.checks import QuantityError


def build_parser():
    """Parser of the whole command line."""
    parser = Parser(
        prog="forktail",
        formatter_class=RAW,
        description="See, try and check how steering a tail current multiplies two signals.\n"
        "Without a command, the app opens in the browser.",
        epilog="Values are written as 10mV, 2.2k, 2k2, 4u7, 0.1uF or -5e-3.\n"
        "Example: forktail point --upper 10mV --lower -5mV --tail 2mA --load 1k",
    )
    parser.add_argument("--version", action="version", version=f"forktail {__version__}")
    commands = parser.add_commands("command")
    for command in (serve, point, sweep, spectrum, lessons, plan):
        command.add_parser(commands)
    compare.add_parser(commands, RAW)
    readings.add_parser(commands, RAW)
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
