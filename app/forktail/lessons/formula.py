"""Formulas of lesson texts: a plain notation to MathML, which browsers draw without any network.

    v_out = I_tail R_load tanh(v_upper / 2 V_T)
    (I_1) / (I_2) = e^(v / V_T)

Letters with `_` get an index, `^` an exponent (`x^2`, `e^(-v/V_T)`), `/` makes a fraction of the
product before it and the product after it up to `+ - =` or a bracket, a space or `*` multiplies.
Greek letters are written by name (`pi`, `phi`, `beta`), functions upright (`tanh(x)`), texts in
quotes (`"for small inputs"`). `<=`, `>=`, `~` (about), `->` and `+-` become their signs.
"""

import re
from html import escape

from forktail.core.checks import QuantityError

MAX_LENGTH = 300
_GREEK = {
    n: chr(c)
    for n, c in (
        ("alpha", 945),
        ("beta", 946),
        ("gamma", 947),
        ("delta", 948),
        ("Delta", 916),
        ("eta", 951),
        ("theta", 952),
        ("lambda", 955),
        ("mu", 956),
        ("pi", 960),
        ("sigma", 963),
        ("tau", 964),
        ("phi", 966),
        ("omega", 969),
        ("Omega", 937),
        ("infinity", 8734),
    )
}
_FUNCTIONS = (
    "tanh",
    "sinh",
    "cosh",
    "exp",
    "ln",
    "log",
    "sin",
    "cos",
    "tan",
    "sqrt",
    "sech",
    "max",
    "min",
)
_RELATIONS = {
    "=": "=",
    "<": "<",
    ">": ">",
    "<=": "\u2264",
    ">=": "\u2265",
    "~": "\u2248",
    "->": "\u2192",
    "!=": "\u2260",
    ",": ",",
}
_SUMS = {"+": "+", "-": "\u2212", "+-": "\u00b1"}
_WORD = re.compile(
    r'\s*(?:(?P<number>\d+(?:\.\d+)?)|(?P<text>"[^"]*")'
    r"|(?P<name>[A-Za-z\u0370-\u03ff]+)|(?P<mark><=|>=|->|!=|\+-|[-+*/^_()|=<>~,])"
    r"|(?P<wrong>\S))"
)


class _Formula:
    def __init__(self, text):
        self.text, self.words, at = text, [], 0
        body = text.strip().replace("\u2212", "-").replace("\u00b7", "*").replace("\u2248", "~")
        while at < len(body):
            match = _WORD.match(body, at)
            if match.lastgroup == "wrong":
                raise QuantityError(f"'{match['wrong']}' has no place in the formula '{text}'.")
            self.words.append((match.lastgroup, match[match.lastgroup]))
            at = match.end()
        self.k, self.depth = 0, 0

    def peek(self):
        return self.words[self.k] if self.k < len(self.words) else ("end", "")

    def take(self, *marks):
        kind, word = self.peek()
        if kind == "mark" and word in marks:
            self.k += 1
            return word
        return None

    def whole(self):
        out = self.relation()
        if self.k < len(self.words):
            raise QuantityError(f"'{self.peek()[1]}' does not fit in the formula '{self.text}'.")
        return out

    def relation(self):
        parts = [] if self.peek()[1] in _RELATIONS else [self.sum()]
        while word := self.take(*_RELATIONS):
            parts += [f"<mo>{escape(_RELATIONS[word])}</mo>", self.sum()]
        return "".join(parts)

    def sum(self):
        parts = []
        if word := self.take(*_SUMS):
            parts.append(f"<mo>{_SUMS[word]}</mo>")
        parts.append(self.product())
        while word := self.take(*_SUMS):
            parts += [f"<mo>{_SUMS[word]}</mo>", self.product()]
        return "".join(parts)

    def product(self):
        out = self.factors()
        while self.take("/"):
            out = f"<mfrac><mrow>{out}</mrow><mrow>{self.factors()}</mrow></mfrac>"
        return out

    def factors(self):
        parts = [self.power()]
        while True:
            kind, word = self.peek()
            if self.take("*"):
                parts += ["<mo>\u00b7</mo>", self.power()]
            elif kind in ("number", "name", "text") or word in ("(",):
                parts.append('<mspace width="0.17em"/>' + self.power())
            else:
                break
        # brackets that only hold a fraction's part together are not drawn
        return (
            parts[0].bare if len(parts) == 1 and self.beside_fraction(parts[0]) else "".join(parts)
        )

    def beside_fraction(self, part):
        return isinstance(part, _Bracket) and (self.peek()[1] == "/" or self.after_slash(part))

    def after_slash(self, part):
        return part.before == "/"

    def power(self):
        base = self.single()
        while self.take("^"):
            raised = self.single()
            raised = raised.bare if isinstance(raised, _Bracket) else raised
            base = f"<msup><mrow>{base}</mrow><mrow>{raised}</mrow></msup>"
        return base

    def single(self):
        kind, word = self.peek()
        before = self.words[self.k - 1][1] if self.k else ""
        if self.take("-"):
            return f"<mo>\u2212</mo>{self.single()}"
        self.k += 1
        if kind == "number":
            return f"<mn>{word}</mn>"
        if kind == "text":
            return f"<mtext>{escape(word[1:-1])}</mtext>"
        if kind == "name":
            return self.name(word)
        if word in ("(", "|"):
            self.depth += 1
            if self.depth > 20:
                raise QuantityError(f"brackets nest too deep in the formula '{self.text}'.")
            inner = self.relation()
            close = ")" if word == "(" else "|"
            if not self.take(close):
                raise QuantityError(f"a bracket is not closed in the formula '{self.text}'.")
            self.depth -= 1
            return _Bracket.of(inner, word, close, before)
        self.k -= 1
        raise QuantityError(
            f"the formula '{self.text}' lacks something "
            f"{f'before {chr(39)}{word}{chr(39)}' if word else 'at its end'}."
        )

    def name(self, word):
        if word in _FUNCTIONS and self.peek()[1] == "(":
            argument = self.single()
            if word == "sqrt":
                return f"<msqrt>{argument.bare}</msqrt>"
            return f'<mi mathvariant="normal">{word}</mi><mo>\u2061</mo>{argument}'
        out = f"<mi>{_GREEK.get(word, word)}</mi>"
        index = []
        while self.take("_"):
            kind, part = self.peek()
            if kind not in ("name", "number"):
                raise QuantityError(f"an index is missing after '{word}_' in '{self.text}'.")
            self.k += 1
            index.append(part)
        if index:
            out = f"<msub>{out}<mtext>{escape(' '.join(index))}</mtext></msub>"
        return out


class _Bracket(str):
    """Markup of a bracket; `bare` is it without the bracket signs."""

    @classmethod
    def of(cls, inner, left, right, before):
        made = cls(f"<mrow><mo>{left}</mo>{inner}<mo>{right}</mo></mrow>")
        made.bare, made.before = inner, before
        return made


def to_mathml(text, display=False):
    """MathML of a formula.

    Parameters
    ----------
    text : str
        In the notation of this module.
    display : bool
        On a separate line.

    Returns
    -------
    str
        A `<math>` element; everything from `text` is escaped.

    Raises
    ------
    QuantityError
        If the formula cannot be read.
    """
    if len(text) > MAX_LENGTH:
        raise QuantityError(f"a formula has {len(text)} characters; it may have {MAX_LENGTH}.")
    inner = _Formula(text).whole()
    kind = ' display="block"' if display else ""
    return (
        f'<math{kind} xmlns="http://www.w3.org/1998/Math/MathML" '
        f'aria-label="{escape(text, quote=True)}"><mrow>{inner}</mrow></math>'
    )
