"""The parser of a command line, and its options that set a quantity, made from the spec."""

import argparse

from forktail.core.checks import QuantityError, shortened

#: Form of the help texts of all commands.
RAW = argparse.RawDescriptionHelpFormatter


class Parser(argparse.ArgumentParser):
    """Reports a wrong command line as one line, without the usage block.

    Attributes
    ----------
    quantities : dict of option to Spec
        What `add_quantity` added.
    commands : dict of name to Parser
        Of a command that has such.
    """

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.quantities, self.commands = {}, {}

    def error(self, message):
        """Raise QuantityError: one sentence, and where there is help."""
        raise QuantityError(f"{shortened(message, 400)} (see {self.prog} --help)")

    def add_commands(self, dest, required=False):
        """As `add_subparsers`: what it gives adds commands."""
        added = self.add_subparsers(dest=dest, metavar="COMMAND", required=required)
        self.commands = added.choices
        return added


def add_quantity(parser, option, spec, default="", group=None, **more):
    """Add an option that sets a quantity; the text is read by `read_quantity`.

    Parameters
    ----------
    parser : Parser
    option : str
    spec : Spec
    default : str
        What is taken without it, where that is not the default of the spec.
    group : optional
        Group of the parser under which the help shows it.
    **more
        As `argparse.ArgumentParser.add_argument`.
    """
    default = default or spec.write(spec.default)
    text = f"{spec.title}, {spec.allowed.removeprefix('it must be ')} (default {default})"
    (group or parser).add_argument(option, help=text.replace("%", "%%"), **more)
    parser.quantities[option] = spec


def read_quantity(text, option, spec):
    """Value of an option that `add_quantity` made, SI; its default if it was not given.

    Raises
    ------
    QuantityError
        The sentence of the spec, with the option in front.
    """
    return spec.default if text is None else spec.read(text, option)
