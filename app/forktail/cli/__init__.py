"""Commands: the app and its numbers from a terminal, one module a command.

Every command has --help with an example. Errors are one clear line on standard error and exit
status 2.
"""

import argparse
import re
import sys

from forktail import __version__
from forktail.cli import compare, lessons, plan, point, serve, spectrum, sweep
from forktail.cli.cell import RAW
from forktail.core.checks import QuantityError, shortened


class _Parser(argparse.ArgumentParser):
    """Reports a wrong command line as one line, without the usage block."""

    def error(self, message):
        raise QuantityError(f"{shortened(message, 400)} (see {self.prog} --help)")


def build_parser():
    """Parser of the whole command line."""
    parser = _Parser(
        prog="forktail",
        formatter_class=RAW,
        description="See, try and check how steering a tail current multiplies two signals.\n"
        "Without a command, the app opens in the browser.",
        epilog="Values are written as 10mV, 2.2k, 2k2, 4u7, 0.1uF or -5e-3.\n"
        "Example: forktail point --upper 10mV --lower -5mV --tail 2mA --load 1k",
    )
    parser.add_argument("--version", action="version", version=f"forktail {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for command in (serve, point, sweep, spectrum):
        command.add_parser(commands)
    lessons.add_lessons(commands, _Parser)
    plan.add_parser(commands, RAW)
    compare.add_parser(commands, RAW)
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
