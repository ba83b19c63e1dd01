"""The arrow of imports: core <- state <- views <- pages <- serve <- cli. Nothing points back."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import forktail

PACKAGE = Path(forktail.__file__).parent

#: Layer of each module or folder: it imports from lower layers or its own family. A family is
#: what stands before the first underscore: state_signals belongs to state.
LAYERS = {"__init__": 0, "resources": 0, "core": 1, "state": 2, "lessons": 3, "classroom": 4,
          "views": 5, "pages": 6, "serve": 7, "cli": 8, "__main__": 9}

#: Modules of the core without physics. From the others views and pages may take constants only.
NO_PHYSICS = {"core.quantities", "core.checks", "core.circuit", "core.built_parts"}

#: Runtime dependencies of pyproject.toml, by layer: which third-party packages may be imported.
THIRD_PARTY = {"core": {"numpy"}, "state": {"numpy", "param"}, "resources": set(),
               "views": {"numpy", "param", "bokeh", "panel", "markdown_it", "mdit_py_plugins",
                         "segno"}, "cli": {"numpy"},
               "serve": {"panel", "bokeh", "tornado"}, "classroom": set(),
               "__main__": set(), "__init__": set()}
RUNTIME = {"numpy", "param", "bokeh", "panel"}

MODULES = sorted(PACKAGE.rglob("*.py"))


def name_of(path):
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts)


def imports_of(path, text=None):
    """Every import of a module, also inside functions: (inside the package?, dotted name)."""
    module = name_of(path).split(".")
    for node in ast.walk(ast.parse(text or path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = module[:len(module) - node.level]
            base += (node.module or "").split(".") if node.module else []
            for alias in node.names:
                yield True, ".".join([*base, alias.name])
            continue
        else:
            continue
        for name in names:
            inside = name.split(".")[0] == "forktail"
            yield inside, name.removeprefix("forktail.") if inside else name


def family(dotted):
    head = dotted.split(".")[0]
    return head if head.startswith("__") else head.split("_")[0]


def layer_of(dotted):
    head = dotted.split(".")[0]
    if (PACKAGE / head).is_dir() or (PACKAGE / f"{head}.py").is_file():
        assert family(head) in LAYERS, f"give {head} a layer in tests/unit/test_imports.py"
        return LAYERS[family(head)]
    return 0  # a name of the package itself, such as __version__


def violations(path, text=None):
    """Sentences on the imports of one module that break the rule."""
    module, said = name_of(path), []
    head = family(module)
    for inside, name in imports_of(path, text):
        if inside:
            target = family(name)
            if target != head and layer_of(name) >= layer_of(module):
                said.append(f"{module} imports {name}, which points back")
            if head in ("views", "pages") and target == "core":
                constant = name.count(".") == 2 and name.split(".")[2].isupper()
                if ".".join(name.split(".")[:2]) not in NO_PHYSICS and not constant:
                    said.append(f"{module} imports {name}: views and pages compute no physics")
        else:
            top = name.split(".")[0]
            if top not in sys.stdlib_module_names and top not in THIRD_PARTY.get(head, RUNTIME):
                said.append(f"{module} imports {top}")
    return said


@pytest.mark.parametrize("path", MODULES, ids=[name_of(p) for p in MODULES])
def test_imports_follow_the_arrow(path):
    assert violations(path) == []


@pytest.mark.parametrize("module, text, said", [
    ("core/cell.py", "from ..state import SteerState", "points back"),
    ("core/cell.py", "def f():\n    import forktail.views.plots", "points back"),
    ("core/cell.py", "import scipy.optimize", "imports scipy"),
    ("core/cell.py", "import param", "imports param"),
    ("state.py", "from .views.markup import STYLE", "points back"),
    ("state.py", "from bokeh.models import Range1d", "imports bokeh"),
    ("views/plots.py", "from ..pages import shell", "points back"),
    ("views/plots.py", "from ..core import cell", "no physics"),
    ("views/plots.py", "from ..core.pair import split", "no physics"),
    ("pages/steer.py", "from ..core.thermal import thermal_voltage", "no physics"),
    ("pages/steer.py", "from .. import serve", "points back"),
    ("pages/steer.py", "import scipy", "imports scipy"),
    ("serve.py", "from .cli import main", "points back"),
    ("core/pair.py", "from .. import state", "points back"),
])
def test_the_check_sees_a_forbidden_import(module, text, said):
    (found,) = violations(PACKAGE / module, text)
    assert said in found


def test_core_loads_without_the_app_stack():
    code = ("import sys, pkgutil, importlib, forktail.core as core\n"
            "for m in pkgutil.iter_modules(core.__path__):\n"
            "    importlib.import_module('forktail.core.' + m.name)\n"
            "heavy = {'panel', 'bokeh', 'param', 'scipy', 'pandas', 'tornado'} & set(sys.modules)\n"
            "sys.exit(f'loaded: {heavy}' if heavy else 0)")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
