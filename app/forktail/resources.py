"""Where lessons and assets lie: beside the package in a wheel, at the top of a checkout."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_CHECKOUT = _PACKAGE.parent.parent


def _folder(name):
    packed = _PACKAGE / f"_{name}"
    return packed if packed.is_dir() else _CHECKOUT / name


def assets_dir():
    """Folder of style sheet, scripts, fonts, circuits and captures."""
    return _folder("assets")


def lessons_dir():
    """Folder with one folder a lesson."""
    return _folder("lessons")


def asset_text(relative):
    """Text of one asset, such as `ui/controls.js`."""
    return (assets_dir() / relative).read_text(encoding="utf-8")
