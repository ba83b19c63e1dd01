"""The arrow of imports: one ordered list of layers. Nothing points back, no page knows another."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import forktail

PACKAGE = Path(forktail.__file__).parent

#: Every package and module of the app from the bottom up: each imports from those before it and
#: from its own family. The core is cut by subject, the pages by page.
LAYERS = (
    "core", "core.checks", "core.quantities", "core.notebook", "core.thermal", "core.spec",
    "core.files",
    "core.cell", "core.waves", "core.built", "core.models", "core.path",
    "core.uses", "core.bench", "core.capture",
    "forktail", "resources", "limits", "circuits",
    "ui",
    "pages", "pages.steer", "pages.signals", "pages.uses", "pages.build", "pages.plan",
    "pages.compare",
    "lessons", "classroom", "server", "cli", "__main__",
)  # fmt: skip

#: Pages import no sibling, except these, which work on the circuit of Build.
ON_BUILD = {"pages.plan", "pages.compare"}

#: Modules of the core without physics. From the others what is seen may take constants only.
NO_PHYSICS = {
    "core.quantities", "core.checks", "core.spec", "core.files", "core.built.circuit",
    "core.built.file", "core.built.references",
}  # fmt: skip

#: Modules that hold a page's state or work beside the server; every other module of the
#: interface only draws and wires, and computes no physics.
MAY_COMPUTE = ("state", "states", "kinds", "figures", "run", "check", "scenes")

#: Third-party packages that a layer may import, by the head of its name.
THIRD_PARTY = {
    "core": {"numpy"}, "forktail": {"numpy"}, "resources": set(), "limits": set(),
    "circuits": set(), "cli": {"numpy"}, "__main__": set(),
    "ui": {"numpy", "param", "panel", "bokeh", "jinja2", "segno"},
    "pages": {"numpy", "param", "panel", "bokeh", "tornado"},
    "lessons": {
        "numpy", "param", "panel", "bokeh", "tornado", "markdown_it", "mdit_py_plugins",
    },
    "classroom": {"panel", "tornado"},
    "server": {"panel", "bokeh", "tornado"},
}  # fmt: skip

MODULES = sorted(PACKAGE.rglob("*.py"))


def name_of(path):
    parts = list(path.relative_to(PACKAGE).with_suffix("").parts)
    if parts[-1] == "__init__":
        parts.pop()
    return ".".join(parts) or "forktail"


def imports_of(path, text=None):
    """Every import of a module, also inside functions: (inside the package?, dotted name)."""
    package = name_of(path).split(".")
    if path.name != "__init__.py":
        package.pop()
    for node in ast.walk(ast.parse(text or path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = (node.module or "").split(".") if node.module else []
            if node.level:
                base = ["forktail", *package[: len(package) - node.level + 1], *base]
            names = [".".join([*base, alias.name]) for alias in node.names]
        else:
            continue
        for name in names:
            inside = name.split(".")[0] == "forktail"
            yield inside, name.removeprefix("forktail.") if inside else name


def layer_of(dotted):
    """Name of the layer that a module belongs to: the longest of the list that it begins with."""
    parts = dotted.split(".")
    for k in range(len(parts), 0, -1):
        if ".".join(parts[:k]) in LAYERS:
            return ".".join(parts[:k])
    there = PACKAGE / parts[0]
    assert not there.is_dir() and not there.with_suffix(".py").is_file(), (
        f"give {dotted} a layer in {__name__}"
    )
    return "forktail"  # a name of the package itself, such as __version__


def violations(path, text=None):
    """Sentences on the imports of one module that break the rule."""
    module, said = name_of(path), []
    layer = layer_of(module)
    head = layer.split(".")[0]
    for inside, name in imports_of(path, text):
        if not inside:
            top = name.split(".")[0]
            if top not in sys.stdlib_module_names and top not in THIRD_PARTY[head]:
                said.append(f"{module} imports {top}")
            continue
        target = layer_of(name)
        if target != layer and LAYERS.index(target) >= LAYERS.index(layer):
            said.append(f"{module} imports {name}, which points back")
        elif target.startswith("pages.") and layer.startswith("pages.") and target != layer:
            if not (layer in ON_BUILD and target == "pages.build"):
                said.append(f"{module} imports {name}, a sibling")
        if target.startswith("core.") and head in ("ui", "pages", "lessons", "classroom"):
            constant = name.split(".")[-1].isupper()
            plain = any(name == m or name.startswith(m + ".") for m in NO_PHYSICS)
            if module.split(".")[-1] not in MAY_COMPUTE and not plain and not constant:
                said.append(f"{module} imports {name}: what is seen computes no physics")
    return said


@pytest.mark.parametrize("path", MODULES, ids=[name_of(p) for p in MODULES])
def test_imports_follow_the_arrow(path):
    assert violations(path) == []


@pytest.mark.parametrize(
    "module, text, said",
    [
        ("core/cell/law.py", "from forktail.pages.steer.state import SteerState", "points back"),
        ("core/cell/law.py", "def f():\n    import forktail.ui.plots", "points back"),
        ("core/cell/law.py", "from ...ui import plots", "points back"),
        ("core/cell/law.py", "from ..built import network", "points back"),
        ("core/checks.py", "from forktail.core.quantities import UNITS", "points back"),
        ("core/cell/law.py", "import scipy.optimize", "imports scipy"),
        ("core/cell/law.py", "import param", "imports param"),
        ("circuits.py", "import panel", "imports panel"),
        ("ui/plots.py", "from forktail.pages.steer import page", "points back"),
        ("ui/plots.py", "from forktail.core.cell import law", "no physics"),
        ("pages/steer/words.py", "from forktail.core.cell.pair import split", "no physics"),
        ("pages/signals/page.py", "from forktail.pages.steer.words import why", "a sibling"),
        ("pages/build/page.py", "from forktail.pages.plan.state import plan_apart", "points back"),
        ("pages/build/state.py", "from forktail.pages.uses.state import UsesState", "a sibling"),
        ("pages/plan/page.py", "from forktail.pages.uses.words import x", "a sibling"),
        ("pages/steer/page.py", "from forktail import server", "points back"),
        ("pages/steer/page.py", "import scipy", "imports scipy"),
        ("server/app.py", "from forktail.cli import main", "points back"),
    ],
)
def test_the_check_sees_a_forbidden_import(module, text, said):
    (found,) = violations(PACKAGE / module, text)
    assert said in found


@pytest.mark.parametrize("path", MODULES, ids=[name_of(p) for p in MODULES])
def test_no_file_name_repeats_its_folder(path):
    stem, folder = path.stem, path.parent.name
    assert stem == "__init__" or folder.rstrip("s") not in stem.split("_"), f"{folder}/{path.name}"


def test_core_loads_without_the_app_stack():
    code = (
        "import sys, pkgutil, importlib, forktail.core as core\n"
        "for m in pkgutil.walk_packages(core.__path__, 'forktail.core.'):\n"
        "    importlib.import_module(m.name)\n"
        "heavy = {'panel', 'bokeh', 'param', 'scipy', 'pandas', 'tornado'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
