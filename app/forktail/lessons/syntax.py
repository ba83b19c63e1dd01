"""From the text of a condition to a tree of nodes. Nothing is computed here."""

import re
from dataclasses import dataclass

from forktail.core.checks import QuantityError
from forktail.lessons.functions import FUNCTIONS
from forktail.lessons.quantity import PLAIN, Figure, literal

MAX_LENGTH, MAX_DEPTH = 500, 40


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
                f"'{word}' at position {start + 1} does not belong here; use "
                "names, numbers with units, + - * / < <= > >=, and, or, not, "
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


@dataclass(frozen=True)
class Node:
    """One node of the tree: what it is, its place in the text, and its parts."""

    kind: str  # number text name neg + - * / call compare and or not
    at: int
    value: object = None
    parts: tuple = ()


class _Parser:
    def __init__(self, text):
        if not isinstance(text, str):
            raise QuantityError(
                f"{text!r} is not a text; write a condition such as 'abs(v_out) < 1 mV'."
            )
        if len(text) > MAX_LENGTH:
            raise QuantityError(f"it has {len(text)} characters; it may have {MAX_LENGTH}.")
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
            self.fail("an operator or the end belongs here")
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
        return parts[0] if len(parts) == 1 else Node("or", parts[0].at, None, tuple(parts))

    def conjunction(self):
        parts = [self.negation()]
        while self.take("and"):
            parts.append(self.negation())
        return parts[0] if len(parts) == 1 else Node("and", parts[0].at, None, tuple(parts))

    def negation(self):
        if token := self.take("not"):
            self.deeper()
            node = Node("not", token.at, None, (self.negation(),))
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
        return Node("compare", parts[0].at, tuple(signs), tuple(parts))

    def sum(self):
        node = self.product()
        while token := self.take("+", "-"):
            node = Node(token.text, token.at, None, (node, self.product()))
        return node

    def product(self):
        node = self.sign()
        while token := self.take("*", "/"):
            node = Node(token.text, token.at, None, (node, self.sign()))
        return node

    def sign(self):
        if token := self.take("-", "+"):
            self.deeper()
            inner = self.sign()
            self.depth -= 1
            return Node("neg", token.at, None, (inner,)) if token.text == "-" else inner
        return self.single()

    def single(self):
        token = self.now
        if token.kind == "number":
            self.k += 1
            try:
                item = literal(token.text)
                if item.value == 0.0 and token.text.strip("0.") == "":
                    item = Figure(0.0, PLAIN, "zero")  # a bare 0 is zero of anything
                return Node("number", token.at, item)
            except QuantityError:
                self.k -= 1
                self.fail("write a number with a unit, such as 1 mV or 2k2")
        if token.kind == "text":
            self.k += 1
            return Node("text", token.at, token.text[1:-1])
        if token.kind == "name":
            self.k += 1
            if self.take("("):
                return self.call(token)
            return Node("name", token.at, token.text)
        if self.take("("):
            self.deeper()
            node = self.disjunction()
            self.depth -= 1
            if not self.take(")"):
                self.fail("a closing bracket belongs here")
            return node
        self.fail("a name, a number or an opening bracket belongs here")

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
                self.fail("a comma or a closing bracket belongs here")
        self.depth -= 1
        low, high = FUNCTIONS[token.text][0]
        if not low <= len(parts) <= high:
            counts = f"{low}" if low == high else f"{low} to {high}"
            raise QuantityError(
                f"{token.text} at position {token.at + 1} has {len(parts)} values; "
                f"it takes {counts}."
            )
        return Node("call", token.at, token.text, tuple(parts))


def parse(text):
    """The tree of a text.

    Raises
    ------
    QuantityError
        If it cannot be read; the message names the position.
    """
    return _Parser(text).whole()
