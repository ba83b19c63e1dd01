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
import re
from collections.abc import Mapping
from dataclasses import dataclass

from forktail.core.checks import QuantityError
from forktail.core.quantities import UNITS, format_quantity, format_temperature, parse_quantity

MAX_LENGTH, MAX_DEPTH = 500, 40

#: Exponents of V, A, s, K, dB, deg: what a unit is made of.
DIMENSIONS = {
    "": (0, 0, 0, 0, 0, 0),
    "%": (0, 0, 0, 0, 0, 0),
    "V": (1, 0, 0, 0, 0, 0),
    "A": (0, 1, 0, 0, 0, 0),
    "ohm": (1, -1, 0, 0, 0, 0),
    "S": (-1, 1, 0, 0, 0, 0),
    "W": (1, 1, 0, 0, 0, 0),
    "s": (0, 0, 1, 0, 0, 0),
    "Hz": (0, 0, -1, 0, 0, 0),
    "F": (-1, 1, 1, 0, 0, 0),
    "H": (1, -1, 1, 0, 0, 0),
    "K": (0, 0, 0, 1, 0, 0),
    "dB": (0, 0, 0, 0, 1, 0),
    "deg": (0, 0, 0, 0, 0, 1),
}
_NAMES = {}
for _unit, _dimension in DIMENSIONS.items():
    _NAMES.setdefault(_dimension, _unit)
PLAIN = DIMENSIONS[""]


@dataclass(frozen=True)
class Figure:
    """A quantity: SI value and dimension; `unit` is the one to show it in."""

    value: float
    dimension: tuple = PLAIN
    unit: str = ""


def figure(value, unit=""):
    """A `Figure` of a value in `unit` (a key of `DIMENSIONS`); per cent become a fraction."""
    value = float(value)
    return Figure(value / 100.0 if unit == "%" else value, DIMENSIONS[unit], unit)


def unit_of(dimension):
    """Name of a dimension, such as `V`, or None for one that has none."""
    return _NAMES.get(dimension)


def say_unit(dimension):
    """Words for messages."""
    unit = unit_of(dimension)
    if unit == "":
        return "a plain number"
    if unit is None:
        return "a mixture of units"
    return UNITS[unit][1] if unit in UNITS else f"a quantity in {unit}"


def show(item, digits=3, sign=False, percent=False):
    """Text of a `Figure` (or of a text or truth value) for people."""
    if isinstance(item, bool):
        return "yes" if item else "no"
    if isinstance(item, str):
        return item
    value = item.value
    if percent or item.unit == "%":
        text = format_quantity(100.0 * value, "%", digits).replace("%", "\u00a0%")
    elif item.dimension == DIMENSIONS["K"] and item.unit == "K":
        text = format_temperature(value)
    else:
        unit = unit_of(item.dimension)
        if unit is None:
            raise QuantityError(
                "a figure to show has a mixture of units; wanted is one unit, "
                "such as V or A, or a ratio."
            )
        text = format_quantity(value, unit, digits)
    if sign and value > 0:
        text = "+" + text
    return text.replace(" ", "\u00a0")


# ---------------------------------------------------------------- words

_WORD = re.compile(
    r"\s*(?:"
    r"(?P<number>(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?[\w\u00b5\u03a9%\u00b0]*)"
    r"|(?P<name>[A-Za-z_]\w*(?:\.[A-Za-z_]\w*)?)"
    r"|(?P<text>\"[^\"]*\"|'[^']*')"
    r"|(?P<mark><=|>=|==|!=|[-+*/()<>,%\u2212\u2264\u2265])"
    r"|(?P<wrong>\S))",
    re.ASCII,
)
_ALIKE = {"\u2212": "-", "\u2264": "<=", "\u2265": ">="}
_UNIT_WORD = re.compile(
    r"(?:[fpnum\u00b5kMG]?(?:V|A|ohm|\u03a9|F|H|Hz|s|W|K|S)|[kMG]|dB|degC?|\u00b0C?|%)", re.ASCII
)
_WORDS = ("and", "or", "not")


@dataclass(frozen=True)
class _Token:
    kind: str
    text: str
    at: int


def _tokens(text):
    out, at = [], 0
    body = text.rstrip()
    while at < len(body):
        match = _WORD.match(body, at)
        kind = match.lastgroup
        word, start = match[kind], match.start(kind)
        at = match.end()
        if kind == "wrong":
            raise QuantityError(
                f"'{word}' at position {start + 1} does not belong here; allowed "
                "are names, numbers with units, + - * / < <= > >=, and, or, not, "
                "brackets."
            )
        if kind == "number":  # a unit may stand after a space: 1 mV
            unit = re.compile(r"[ \u00a0]+(" + _UNIT_WORD.pattern + r")(?![\w(.])").match(body, at)
            if unit is None and at < len(body):
                unit = re.compile(r"[ \u00a0]*(%)").match(body, at)
            if unit and not re.search(r"[A-Za-z%\u00b5\u03a9]$", word):
                word, at = f"{word} {unit[1]}", unit.end()
            elif unit and unit[1] != "%" and re.fullmatch(r"\d+[kM]\d*", word):
                word, at = word + unit[1], unit.end()
        if kind == "name" and word in _WORDS:
            kind = "mark"
        out.append(_Token(kind, _ALIKE.get(word, word), start))
    out.append(_Token("end", "the end", len(text)))
    return out


def literal(text):
    """Read a number with or without a unit, such as `1 mV`, `2k2ohm`, `5 %`, `25 degC`.

    Raises
    ------
    QuantityError
        If it is none.
    """
    text = text.strip()
    if re.search(r"deg ?C$|\u00b0C$", text):
        return Figure(
            parse_quantity(re.sub(r"(deg ?|\u00b0)C$", "", text), "", "value") + 273.15,
            DIMENSIONS["K"],
            "K",
        )
    tail = re.search(r"([A-Za-z\u00b5\u03a9%\u00b0]*)$", text)[1]
    if tail == "K" or not tail:  # 300 K is a temperature; 2.2k is two thousand two hundred
        unit = "K" if tail else ""
    elif tail.endswith("S") and len(tail) <= 2:
        return Figure(parse_quantity(text[:-1], "", "value"), DIMENSIONS["S"], "S")
    else:
        spellings = sorted(
            ((s, u) for u in UNITS for s in UNITS[u][0] if s not in ("R",)),
            key=lambda p: -len(p[0]),
        )
        unit = next((u for s, u in spellings if tail.endswith(s)), "")
    return figure(parse_quantity(text, unit, "value"), unit)


# ---------------------------------------------------------------- tree


@dataclass(frozen=True)
class _Node:
    kind: str  # number text name neg + - * / call compare and or not
    at: int
    value: object = None
    parts: tuple = ()


def _same(a, b, what):
    for item in (a, b):
        _number(item, what)
    if a.dimension != b.dimension and "zero" not in (a.unit, b.unit):
        raise QuantityError(
            f"{what} takes two of the same kind; here are "
            f"{say_unit(a.dimension)} and {say_unit(b.dimension)}."
        )


def _number(item, what):
    if not isinstance(item, Figure):
        kind = "a text" if isinstance(item, str) else "a condition"
        raise QuantityError(f"{what} takes numbers; here is {kind}.")
    return item


def _keep(pick):
    def run(name, *items):
        for item in items[1:]:
            _same(items[0], item, name)
        best = pick(_number(i, name).value for i in items)
        return Figure(best, items[0].dimension, items[0].unit)

    return run


def _abs(name, x):
    _number(x, name)
    return Figure(abs(x.value), x.dimension, x.unit)


def _sqrt(name, x):
    _number(x, name)
    if x.value < 0 or any(d % 2 for d in x.dimension):
        raise QuantityError(f"{name} takes a square of at least 0.")
    return Figure(math.sqrt(x.value), tuple(d // 2 for d in x.dimension))


def _plain(function):
    def run(name, x):
        if _number(x, name).dimension != PLAIN:
            raise QuantityError(f"{name} takes a plain number; here is {say_unit(x.dimension)}.")
        return figure(function(x.value))

    return run


def _db(name, x):
    if _number(x, name).dimension != PLAIN or x.value <= 0:
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


class _Parser:
    def __init__(self, text):
        if not isinstance(text, str):
            raise QuantityError(
                f"{text!r} is not a text; wanted is a condition such as 'abs(v_out) < 1 mV'."
            )
        if len(text) > MAX_LENGTH:
            raise QuantityError(f"it has {len(text)} characters; allowed are {MAX_LENGTH}.")
        self.tokens, self.k, self.depth = _tokens(text), 0, 0

    @property
    def now(self):
        return self.tokens[self.k]

    def take(self, *marks):
        token = self.now
        if token.kind == "mark" and token.text in marks:
            self.k += 1
            return token
        return None

    def whole(self):
        node = self.disjunction()
        if self.now.kind != "end":
            self.fail("wanted is an operator or the end")
        return node

    def fail(self, wanted):
        token = self.now
        raise QuantityError(f"'{token.text}' at position {token.at + 1} does not fit; {wanted}.")

    def deeper(self):
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise QuantityError(f"brackets and signs nest deeper than {MAX_DEPTH}.")

    def disjunction(self):
        parts = [self.conjunction()]
        while self.take("or"):
            parts.append(self.conjunction())
        return parts[0] if len(parts) == 1 else _Node("or", parts[0].at, None, tuple(parts))

    def conjunction(self):
        parts = [self.negation()]
        while self.take("and"):
            parts.append(self.negation())
        return parts[0] if len(parts) == 1 else _Node("and", parts[0].at, None, tuple(parts))

    def negation(self):
        if token := self.take("not"):
            self.deeper()
            node = _Node("not", token.at, None, (self.negation(),))
            self.depth -= 1
            return node
        return self.comparison()

    def comparison(self):
        parts, signs = [self.sum()], []
        while token := self.take("<", "<=", ">", ">=", "==", "!="):
            signs.append(token.text)
            parts.append(self.sum())
        if not signs:
            return parts[0]
        return _Node("compare", parts[0].at, tuple(signs), tuple(parts))

    def sum(self):
        node = self.product()
        while token := self.take("+", "-"):
            node = _Node(token.text, token.at, None, (node, self.product()))
        return node

    def product(self):
        node = self.sign()
        while token := self.take("*", "/"):
            node = _Node(token.text, token.at, None, (node, self.sign()))
        return node

    def sign(self):
        if token := self.take("-", "+"):
            self.deeper()
            inner = self.sign()
            self.depth -= 1
            return _Node("neg", token.at, None, (inner,)) if token.text == "-" else inner
        return self.single()

    def single(self):
        token = self.now
        if token.kind == "number":
            self.k += 1
            try:
                item = literal(token.text)
                if item.value == 0.0 and token.text.strip("0.") == "":
                    item = Figure(0.0, PLAIN, "zero")  # a bare 0 is zero of anything
                return _Node("number", token.at, item)
            except QuantityError:
                self.k -= 1
                self.fail("wanted is a number with a unit, such as 1 mV or 2k2")
        if token.kind == "text":
            self.k += 1
            return _Node("text", token.at, token.text[1:-1])
        if token.kind == "name":
            self.k += 1
            if self.take("("):
                return self.call(token)
            return _Node("name", token.at, token.text)
        if self.take("("):
            self.deeper()
            node = self.disjunction()
            self.depth -= 1
            if not self.take(")"):
                self.fail("wanted is a closing bracket")
            return node
        self.fail("wanted is a name, a number or an opening bracket")

    def call(self, token):
        if token.text not in FUNCTIONS:
            raise QuantityError(
                f"'{token.text}' at position {token.at + 1} is not a function; "
                f"there are {', '.join(FUNCTIONS)}."
            )
        self.deeper()
        parts = []
        if not self.take(")"):
            parts.append(self.disjunction())
            while self.take(","):
                parts.append(self.disjunction())
            if not self.take(")"):
                self.fail("wanted is a comma or a closing bracket")
        self.depth -= 1
        low, high = FUNCTIONS[token.text][0]
        if not low <= len(parts) <= high:
            counts = f"{low}" if low == high else f"{low} to {high}"
            raise QuantityError(
                f"{token.text} at position {token.at + 1} has {len(parts)} values; "
                f"it takes {counts}."
            )
        return _Node("call", token.at, token.text, tuple(parts))


class Expression:
    """A parsed text. `names` are the names in it, in order."""

    def __init__(self, text):
        self.text = text
        self._tree = _Parser(text).whole()
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
                f"'{self.text}' is not a condition; wanted is a comparison, such "
                "as abs(v_out) < 1 mV."
            )
        return answer

    def miss(self, known):
        """How far the condition is from holding: 0 where it holds, else above 0 (no unit).

        A search walks downhill on it.
        """
        return _miss(self._tree, known, False)


def condition(text, name="condition"):
    """Parse a text that must be a condition; QuantityError names it `name`."""
    return _named(text, name)


def _named(text, name):
    try:
        return Expression(text)
    except QuantityError as error:
        raise QuantityError(f"{name} '{_short(text)}': {error}") from None


def _short(text, most=60):
    text = str(text)
    return text if len(text) <= most else text[: most - 1] + "\u2026"


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
    a, b = (_number(_value(p, known), f"'{node.kind}'") for p in node.parts)
    if node.kind in "+-":
        _same(a, b, f"'{node.kind}'")
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
    a, b = (_number(_value(p, known), "about") for p in parts[:2])
    _same(a, b, "about")
    within = _number(_value(parts[2], known), "about") if len(parts) > 2 else figure(1, "%")
    if within.dimension == PLAIN and (a.dimension != PLAIN or within.unit == "%"):
        room = abs(within.value * b.value)
    else:
        _same(a, within, "about")
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
    _same(a, b, f"'{sign}'")
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


def _value(node, known):
    kind = node.kind
    if kind in ("number", "text"):
        return node.value
    if kind == "name":
        return _look_up(node, known)
    if kind == "neg":
        x = _number(_value(node.parts[0], known), "'-'")
        return Figure(-x.value, x.dimension, x.unit)
    if kind in ("+", "-", "*", "/"):
        return _arithmetic(node, known)
    if kind == "call":
        if node.value == "about":
            off, room = _about(node.parts, known)
            return off <= room
        try:
            return FUNCTIONS[node.value][2](node.value, *(_value(p, known) for p in node.parts))
        except QuantityError:
            raise
        except (ValueError, OverflowError):
            raise QuantityError(f"{node.value} takes no such number.") from None
    if kind == "compare":
        values = [_value(p, known) for p in node.parts]
        # every part is looked at, so that a fault never hides behind a comparison that fails
        return all([_compare(s, a, b) for s, a, b in zip(node.value, values, values[1:])])
    truths = [_truth(_value(p, known), kind) for p in node.parts]
    return not truths[0] if kind == "not" else all(truths) if kind == "and" else any(truths)


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
