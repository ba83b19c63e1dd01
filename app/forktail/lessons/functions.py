"""Functions of the grammar, over the quantities of `quantity`; a fault names the function."""

import math

from forktail.core.checks import QuantityError
from forktail.lessons.quantity import PLAIN, Figure, figure, say_unit


def same(a, b, what):
    """Refuse two quantities of different kinds; a bare 0 is zero of anything."""
    for item in (a, b):
        number(item, what)
    if a.dimension != b.dimension and "zero" not in (a.unit, b.unit):
        raise QuantityError(
            f"{what} takes two of the same kind; here are "
            f"{say_unit(a.dimension)} and {say_unit(b.dimension)}."
        )


def number(item, what):
    """The quantity itself; QuantityError if it is a text or a condition."""
    if not isinstance(item, Figure):
        kind = "a text" if isinstance(item, str) else "a condition"
        raise QuantityError(f"{what} takes numbers; here is {kind}.")
    return item


def _keep(pick):
    def run(name, *items):
        for item in items[1:]:
            same(items[0], item, name)
        best = pick(number(i, name).value for i in items)
        return Figure(best, items[0].dimension, items[0].unit)

    return run


def _abs(name, x):
    number(x, name)
    return Figure(abs(x.value), x.dimension, x.unit)


def _sqrt(name, x):
    number(x, name)
    if x.value < 0 or any(d % 2 for d in x.dimension):
        raise QuantityError(f"{name} takes a square of at least 0.")
    return Figure(math.sqrt(x.value), tuple(d // 2 for d in x.dimension))


def _plain(function):
    def run(name, x):
        if number(x, name).dimension != PLAIN:
            raise QuantityError(f"{name} takes a plain number; here is {say_unit(x.dimension)}.")
        return figure(function(x.value))

    return run


def _db(name, x):
    if number(x, name).dimension != PLAIN or x.value <= 0:
        raise QuantityError(f"{name} takes a ratio above 0.")
    return figure(20.0 * math.log10(x.value), "dB")


#: Name -> (how many values it takes, what it does in words, function).
FUNCTIONS = {
    "abs": ((1, 1), "size without sign", _abs),
    "min": ((2, 8), "smallest", _keep(min)),
    "max": ((2, 8), "largest", _keep(max)),
    "sqrt": ((1, 1), "square root", _sqrt),
    "tanh": ((1, 1), "hyperbolic tangent of a plain number", _plain(math.tanh)),
    "log": ((1, 1), "natural logarithm of a plain number above 0", _plain(math.log)),
    "db": ((1, 1), "level of a ratio, 20 log10, in dB", _db),
    "about": (
        (2, 3),
        "about(a, b, 5 %): a lies within 5 % of b; about(a, b, 1 mV): within 1 mV; "
        "without a third value 1 %",
        None,
    ),
}
