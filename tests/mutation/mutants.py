"""Small deliberate faults of a module, each in one place of its source.

What is left alone: annotations, decorators, docstrings, texts for people (f-strings, and strings
that are no plain key), the sizes of caches, and how many points a grid has.
"""

import ast
import copy
import re
from dataclasses import dataclass

_SWAPPED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr, ast.LShift: ast.RShift, ast.RShift: ast.LShift,
    ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip

_OTHER_NAME = {
    a: b
    for pair in (
        ("min", "max"), ("any", "all"), ("floor", "ceil"), ("sin", "cos"),
        ("minimum", "maximum"), ("argmin", "argmax"), ("logical_and", "logical_or"),
    )
    for a, b in (pair, pair[::-1])
}  # fmt: skip

#: Calls whose third argument is a number of points: one more is as good.
_GRIDS = {"linspace", "geomspace"}

#: Calls that may be left out: the fault hands their first argument on.
_PASSED_ON = {"abs", "sorted", "round", "fabs", "sqrt", "log10", "rint"}

_KEY = re.compile(r"[a-z_][a-z0-9_]*")


@dataclass(frozen=True)
class Mutant:
    """One fault.

    `module` as `core.cell.law`; `line` and `last` of the statement it is in; `function` the name
    of the function or class around it; `was` and `now` the code before and after.
    `start`, `end` and `text` say what is put where, in bytes of the source.
    """

    module: str
    line: int
    last: int
    function: str
    was: str
    now: str
    start: int
    end: int
    text: str

    def applied(self, source):
        """The source, as bytes, with this fault in it."""
        return source[: self.start] + self.text.encode() + source[self.end :]

    @property
    def key(self):
        """What tells this fault from others while lines move: function and code."""
        return self.function, self.was, self.now


def mutants_of(module, source):
    """Every fault of a module's source (bytes), in the order of the text: list of Mutant."""
    finder = _Finder(module, source)
    finder.visit(ast.parse(source))
    seen, out = set(), []
    for m in sorted(finder.found, key=lambda m: (m.start, m.end, m.now)):
        if (m.start, m.end, m.now) not in seen:
            seen.add((m.start, m.end, m.now))
            out.append(m)
    return out


class _Finder(ast.NodeVisitor):
    def __init__(self, module, source):
        self.module = module
        self.found = []
        self.function = []
        self.statement = None
        self.starts = [0]
        for line in source.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))

    # ---- the walk

    def visit(self, node):
        if isinstance(node, ast.stmt):
            outer, self.statement = self.statement, node
            super().visit(node)
            self.statement = outer
        else:
            super().visit(node)

    def visit_FunctionDef(self, node):
        self.function.append(node.name)
        for default in (*node.args.defaults, *filter(None, node.args.kw_defaults)):
            self.visit(default)
        self._body(node)
        self.function.pop()

    def visit_ClassDef(self, node):
        self.function.append(node.name)
        self._body(node)
        self.function.pop()

    def visit_Module(self, node):
        self._body(node)

    def _body(self, node):
        for at, child in enumerate(node.body):
            docstring = isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant)
            if not (docstring and (at == 0 or isinstance(child.value.value, str))):
                self.visit(child)

    def visit_AnnAssign(self, node):
        if node.value:
            self.visit(node.value)

    def visit_Import(self, node):
        pass

    visit_ImportFrom = visit_JoinedStr = visit_Import

    def visit_arguments(self, node):  # of a lambda
        for default in (*node.defaults, *filter(None, node.kw_defaults)):
            self.visit(default)

    # ---- what becomes of each node

    def visit_Compare(self, node):
        for at, op in enumerate(node.ops):
            other = copy.deepcopy(node)
            other.ops[at] = _SWAPPED[type(op)]()
            self._put(node, other)
        self.generic_visit(node)

    def visit_BinOp(self, node):
        self._swap(node)
        self.generic_visit(node)

    visit_BoolOp = visit_BinOp

    def visit_AugAssign(self, node):
        self._swap(node)
        self._put(node, ast.Pass())
        self.generic_visit(node)

    def _swap(self, node):
        if type(node.op) in _SWAPPED:
            other = copy.deepcopy(node)
            other.op = _SWAPPED[type(node.op)]()
            self._put(node, other)

    def visit_UnaryOp(self, node):
        if isinstance(node.op, (ast.Not, ast.USub, ast.Invert)):
            self._put(node, node.operand)
        if not isinstance(node.operand, ast.Constant):
            self.generic_visit(node)
        elif isinstance(node.op, ast.USub):
            self.visit(node.operand)

    def visit_Constant(self, node):
        value = node.value
        if isinstance(value, bool):
            self._put(node, ast.Constant(not value))
        elif isinstance(value, int):
            self._put(node, ast.Constant(value + 1))
        elif isinstance(value, float):
            self._put(node, ast.Constant(2.0 * value or 1.0))
        elif isinstance(value, str) and _KEY.fullmatch(value):
            self._put(node, ast.Constant(f"not_{value}"))

    def visit_If(self, node):
        self._negate(node.test)
        self.generic_visit(node)

    visit_IfExp = visit_While = visit_If

    def _negate(self, test):
        if not isinstance(test, ast.Compare) and not (
            isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not)
        ):
            self._put(test, ast.UnaryOp(ast.Not(), test))

    def visit_comprehension(self, node):
        for test in node.ifs:
            self._put(test, ast.Constant(True))
        self.generic_visit(node)

    def visit_Call(self, node):
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        if name == "lru_cache":
            return
        if name in _OTHER_NAME:
            other = copy.deepcopy(node)
            setattr(other.func, "attr" if hasattr(other.func, "attr") else "id", _OTHER_NAME[name])
            self._put(node, other)
        if name in _PASSED_ON and node.args:
            self._put(node, node.args[0])
        for at, keyword in enumerate(node.keywords):
            if keyword.arg:
                self._put(node, self._without(node, "keywords", at))
        grid = name in _GRIDS and len(node.args) == 3
        if len(node.args) > 1 and not grid:
            self._put(node, self._without(node, "args", -1))
        self.visit(node.func)
        for part in node.args[:2] if grid else node.args:
            self.visit(part)
        for keyword in node.keywords:
            self.visit(keyword)

    def visit_Tuple(self, node):
        statement = self.statement
        unpacked = getattr(statement, "value", None) is node and (
            isinstance(statement, ast.Return)
            or isinstance(getattr(statement, "targets", [None])[0], ast.Tuple)
        )
        stored = isinstance(getattr(node, "ctx", None), ast.Store)  # a set has no context
        if len(node.elts) > 1 and not stored and not unpacked:
            for at in range(len(node.elts)):
                self._put(node, self._without(node, "elts", at))
        self.generic_visit(node)

    visit_List = visit_Set = visit_Tuple

    def visit_Subscript(self, node):
        self.visit(node.value)
        if isinstance(node.slice, ast.Tuple):  # an index less is another index
            for part in node.slice.elts:
                self.visit(part)
        else:
            self.visit(node.slice)

    def visit_Dict(self, node):
        if len(node.keys) > 1:
            for at in range(len(node.keys)):
                other = self._without(node, "keys", at)
                del other.values[at]
                self._put(node, other)
        self.generic_visit(node)

    def visit_Expr(self, node):
        self._put(node, ast.Pass())
        self.generic_visit(node)

    visit_Raise = visit_Expr

    def visit_Continue(self, node):
        self._put(node, ast.Pass())

    visit_Break = visit_Continue

    def visit_Assign(self, node):
        (target, *_) = node.targets
        names = {n.id for n in ast.walk(node.value) if isinstance(n, ast.Name)}
        again = isinstance(target, ast.Name) and target.id in names
        if again or isinstance(target, (ast.Attribute, ast.Subscript)):
            self._put(node, ast.Pass())
        if isinstance(target, ast.Name) and target.id == "__all__":
            return
        self.generic_visit(node)

    # ---- noting

    @staticmethod
    def _without(node, part, at):
        other = copy.deepcopy(node)
        del getattr(other, part)[at]
        return other

    def _put(self, node, other):
        was, now = ast.unparse(node), ast.unparse(ast.fix_missing_locations(other))
        statement = self.statement
        last = statement.body[0].lineno - 1 if hasattr(statement, "body") else statement.end_lineno
        self.found.append(
            Mutant(
                self.module,
                statement.lineno,
                max(last, node.end_lineno, statement.lineno),
                ".".join(self.function),
                was,
                now,
                self.starts[node.lineno - 1] + node.col_offset,
                self.starts[node.end_lineno - 1] + node.end_col_offset,
                now if isinstance(node, ast.stmt) else f"({now})",
            )
        )
