"""Conditions and figures in lesson files: a small safe grammar over named quantities with units.

    condition   abs(v_out) < 1 mV and abs(v_upper) > 20 mV
    figure      v_out / before.v_out

There are names (`v_out`, `before.v_out`), numbers with units (`1 mV`, `2k2 ohm`, `5 %`, `25 degC`),
texts in quotes (for a name whose value is a text), `+ - * /`, comparisons (also chained:
`1 mV < v_out < 5 mV`; `==` and `!=` for texts only), `and`, `or`, `not`, brackets, and the
functions of `FUNCTIONS`. Units are checked: `v_out < 3 mA` is refused; a bare `0` is zero of
anything. Nothing is ever run by Python's own `eval`; a text is cut into a tree here and walked.

Every fault is a `QuantityError` that names the place in the text.
"""

import difflib
import math
from collections.abc import Mapping

from forktail.core.checks import QuantityError
from forktail.lessons.functions import FUNCTIONS, number, same
from forktail.lessons.quantity import PLAIN, Figure, figure, unit_of
from forktail.lessons.syntax import parse


class Expression:
    """A parsed text. `names` are the names in it, in order."""

    def __init__(self, text):
        self.text = text
        self._tree = parse(text)
        self.names = tuple(dict.fromkeys(_names(self._tree)))

    def value(self, known):
        """Value over a mapping of name to `Figure`, text or bool.

        Returns
        -------
        Figure, str or bool

        Raises
        ------
        QuantityError
            For an unknown name, units that do not fit, or a division by zero.
        """
        return _value(self._tree, known)

    def holds(self, known):
        """Whether the condition holds; QuantityError if this is none."""
        answer = self.value(known)
        if not isinstance(answer, bool):
            raise QuantityError(
                f"'{self.text}' is not a condition; write a comparison, such as abs(v_out) < 1 mV."
            )
        return answer

    def miss(self, known):
        """How far the condition is from holding: 0 where it holds, else above 0 (no unit).

        A search walks downhill on it.
        """
        return _miss(self._tree, known, False)


def _names(node):
    if node.kind == "name":
        yield node.value
    for part in node.parts:
        yield from _names(part)


def _look_up(node, known: Mapping):
    try:
        return known[node.value]
    except KeyError:
        near = difflib.get_close_matches(node.value, list(known), 1)
        hint = f"; did you mean '{near[0]}'?" if near else "."
        raise QuantityError(f"'{node.value}' is not a quantity of this scene{hint}") from None


def _arithmetic(node, known):
    a, b = (number(_value(p, known), f"'{node.kind}'") for p in node.parts)
    if node.kind in "+-":
        same(a, b, f"'{node.kind}'")
        value = a.value + b.value if node.kind == "+" else a.value - b.value
        return Figure(value, a.dimension, a.unit)
    if node.kind == "*":
        dimension = tuple(x + y for x, y in zip(a.dimension, b.dimension))
        value = a.value * b.value
    else:
        if b.value == 0.0:
            raise QuantityError("a division by zero; compare without dividing.")
        dimension = tuple(x - y for x, y in zip(a.dimension, b.dimension))
        value = a.value / b.value
    if not math.isfinite(value):
        raise QuantityError("a number grows beyond all bounds.")
    return Figure(value, dimension, unit_of(dimension) or "")


def _about(parts, known):
    a, b = (number(_value(p, known), "about") for p in parts[:2])
    same(a, b, "about")
    within = number(_value(parts[2], known), "about") if len(parts) > 2 else figure(1, "%")
    if within.dimension == PLAIN and (a.dimension != PLAIN or within.unit == "%"):
        room = abs(within.value * b.value)
    else:
        same(a, within, "about")
        room = abs(within.value)
    return abs(a.value - b.value), room


def _compare(sign, a, b):
    if isinstance(a, str) and isinstance(b, str):
        if sign not in ("==", "!="):
            raise QuantityError(f"'{sign}' takes numbers; texts are compared by == and !=.")
        return (a == b) == (sign == "==")
    if sign in ("==", "!="):
        raise QuantityError(
            f"'{sign}' is for texts; computed numbers are never exactly equal, "
            "so write about(a, b, 1 %)."
        )
    same(a, b, f"'{sign}'")
    return {
        "<": a.value < b.value,
        "<=": a.value <= b.value,
        ">": a.value > b.value,
        ">=": a.value >= b.value,
    }[sign]


def _truth(item, what):
    if not isinstance(item, bool):
        raise QuantityError(f"'{what}' joins conditions; here is a value without a comparison.")
    return item


def _negative(node, known):
    x = number(_value(node.parts[0], known), "'-'")
    return Figure(-x.value, x.dimension, x.unit)


def _called(node, known):
    if node.value == "about":
        off, room = _about(node.parts, known)
        return off <= room
    items = [_value(p, known) for p in node.parts]
    try:
        return FUNCTIONS[node.value][2](node.value, *items)
    except QuantityError:  # which is a ValueError too
        raise
    except (ValueError, OverflowError):
        raise QuantityError(f"{node.value} takes no such number.") from None


def _compared(node, known):
    values = [_value(p, known) for p in node.parts]
    # every part is looked at, so that a fault never hides behind a comparison that fails
    return all([_compare(s, a, b) for s, a, b in zip(node.value, values, values[1:])])


def _joined(node, known):
    truths = [_truth(_value(p, known), node.kind) for p in node.parts]
    return all(truths) if node.kind == "and" else any(truths)


def _literal(node, known):
    return node.value


def _opposite(node, known):
    return not _truth(_value(node.parts[0], known), "not")


#: Kind of node -> its value over the known names.
_VALUES = {
    "number": _literal, "text": _literal, "name": _look_up, "neg": _negative,
    "+": _arithmetic, "-": _arithmetic, "*": _arithmetic, "/": _arithmetic,
    "call": _called, "compare": _compared, "and": _joined, "or": _joined, "not": _opposite,
}  # fmt: skip


def _value(node, known):
    return _VALUES[node.kind](node, known)


def _miss(node, known, turned):
    """Distance from truth of a condition, or of its opposite if `turned`."""
    if node.kind == "not":
        return _miss(node.parts[0], known, not turned)
    if node.kind in ("and", "or"):
        parts = [_miss(p, known, turned) for p in node.parts]
        return sum(parts) if (node.kind == "and") != turned else min(parts)
    if node.kind == "compare" and not turned:
        values = [_value(p, known) for p in node.parts]
        return sum(_one_miss(s, a, b) for s, a, b in zip(node.value, values, values[1:]))
    if node.kind == "call" and node.value == "about" and not turned:
        off, room = _about(node.parts, known)
        return max(0.0, off - room) / (off + room + 1e-30)
    return 0.0 if _truth(_value(node, known), "not") != turned else 1.0


def _one_miss(sign, a, b):
    if _compare(sign, a, b):
        return 0.0
    if isinstance(a, str):
        return 1.0
    size = abs(a.value) + abs(b.value)
    return 1e-9 + (abs(a.value - b.value) / size if size else 0.0)
