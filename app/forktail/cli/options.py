"""Options of commands that set a quantity, made from its spec."""


def add_quantity(parser, option, spec, default="", **more):
    """Add an option that sets a quantity; the text is read by `read_quantity`.

    `default` says what is taken without it, where that is not the default of the spec.
    """
    default = default or spec.write(spec.default)
    text = f"{spec.title}; {spec.allowed} (default {default})"
    parser.add_argument(option, help=text.replace("%", "%%"), **more).spec = spec


def read_quantity(text, option, spec):
    """Value of an option that `add_quantity` made, SI; its default if it was not given.

    Raises
    ------
    QuantityError
        The sentence of the spec, with the option in front.
    """
    return spec.default if text is None else spec.read(text, option)
