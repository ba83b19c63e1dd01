"""A private name (`_x`) is used in its own module alone, be it ours or that of a package."""

import ast
import importlib
import inspect
import re
import textwrap
from functools import cache
from pathlib import Path

import pytest

import forktail

PACKAGE = Path(forktail.__file__).parent
#: The one module that may use private names of Panel, Bokeh and tornado (its own test lists them).
FOREIGN = "forktail.ui.panel_private"
#: Names with an underscore that are public all the same, as their documentation says.
PUBLIC = {"os._exit"}
#: Hooks that param documents for kinds of parameters of one's own, and IPython for answers.
HOOKS = {"_slot_defaults", "_set_names", "_validate"}
SHOWN = "_repr_html_"
#: Tests and tools: they use what everybody may use, or a name is not private.
TESTS = Path(__file__).parents[1]

MODULES = [
    "forktail." + ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
    for path in sorted(PACKAGE.rglob("*.py"))
    if path.name not in ("__init__.py", "__main__.py")
]


def is_private(name):
    return re.match("_[A-Za-z]", name) is not None


def names_made(tree):
    """Every private name that a module itself gives to something."""
    for node in ast.walk(tree):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            yield node.name
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            if isinstance(node.value, ast.Name) and node.value.id == "self":
                yield node.attr


def strangers(text):
    """Private names in the text of a module that it imports or reaches for in something else."""
    tree = ast.parse(text)
    own, found = set(names_made(tree)), []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            found += [f"{node.module}.{a.name}" for a in node.names if is_private(a.name)]
        elif isinstance(node, ast.Attribute) and is_private(node.attr):
            owner = ast.unparse(node.value)
            if owner == "super()":
                found += [f"super().{node.attr}"] if node.attr not in HOOKS else []
            elif owner not in ("self", "cls") and node.attr not in own | {SHOWN}:
                found.append(f"{owner}.{node.attr}")
        elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("attr"):
            # getattr(module, "_name"), monkeypatch.setattr("module._name", ...)
            texts = [a.value for a in node.args if isinstance(a, ast.Constant)]
            found += [t for t in texts if isinstance(t, str) and is_private(t.split(".")[-1])]
    return [f for f in found if f not in PUBLIC]


@cache
def names_of(kind):
    """Private names that the text of a class gives to its members and to its objects."""
    try:
        text = inspect.getsource(kind)
    except (OSError, TypeError):  # made by C code, or at run time
        return set()
    made = r"(?:^    (?:async )?(?:def )?|\bself\.|\bcls\.)(_[a-zA-Z]\w*)\b"
    return set(re.findall(made, textwrap.dedent(text), re.MULTILINE))


def inherited(kind):
    """Private names of classes of other modules that a class uses or makes its own."""
    for base in kind.__mro__[1:-1]:
        if base.__module__ not in (kind.__module__, "abc", "typing", "enum"):
            for name in names_of(kind) & names_of(base) - HOOKS:
                yield f"{kind.__name__}.{name} of {base.__module__}.{base.__name__}"


def classes(module):
    for kind in vars(importlib.import_module(module)).values():
        if (
            inspect.isclass(kind)
            and kind.__module__ == module
            and "__dataclass_fields__" not in vars(kind)
        ):
            yield kind


@pytest.mark.parametrize("module", [m for m in MODULES if m != FOREIGN])
def test_private_names_stay_in_their_module(module):
    path = PACKAGE.joinpath(*module.split(".")[1:]).with_suffix(".py")
    assert strangers(path.read_text(encoding="utf-8")) == []
    assert sorted({said for kind in classes(module) for said in inherited(kind)}) == []


@pytest.mark.parametrize(
    "path", sorted(TESTS.rglob("*.py")), ids=lambda p: str(p.relative_to(TESTS))
)
def test_tests_use_public_names(path):
    assert strangers(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "text, said",
    [
        ("def f(monkeypatch, m):\n    monkeypatch.setattr(m, '_x', 1)", ["_x"]),
        ("getattr(answer, 'shown')\nanswer._repr_html_()", []),
        ("from forktail.core.cell.pair import _solve", ["forktail.core.cell.pair._solve"]),
        ("import pair\npair._solve(1)", ["pair._solve"]),
        ("class A(B):\n    def f(self):\n        super()._f()", ["super()._f"]),
        ("def _f(): ...\nclass A(B):\n    def _g(self, o):\n        o._g()\n        _f()", []),
        ("import os\nos._exit(0)", []),
    ],
)
def test_the_check_sees_a_stranger(text, said):
    assert strangers(text) == said


def test_the_check_sees_what_a_class_inherits():
    from http.server import HTTPServer

    class Ours(HTTPServer):
        def _handle_request_noblock(self):
            self._Ours__x = 1

    assert list(inherited(Ours)) == ["Ours._handle_request_noblock of socketserver.BaseServer"]
