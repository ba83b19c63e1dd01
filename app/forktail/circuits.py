"""The circuits that come with the app: where they lie, and what is read from them once."""

import logging
from functools import lru_cache

from forktail.core.built.circuit import Circuit
from forktail.core.built.file import read_file
from forktail.core.checks import QuantityError
from forktail.resources import assets_dir

log = logging.getLogger("forktail")


def shipped_files():
    """Files of the circuits that come with the app: key -> path, sorted."""
    return {path.stem: path for path in sorted((assets_dir() / "circuits").glob("*.toml"))}


@lru_cache(maxsize=1)
def shipped():
    """Circuits that come with the app: key -> (Circuit, its [scene] table)."""
    found = {}
    for key, path in shipped_files().items():
        try:
            found[key] = read_file(path.read_text(encoding="utf-8"))[:2]
        except (QuantityError, OSError) as error:
            log.warning("circuit %s is left out: %s", path.name, error)
    return found or {"workshop": (Circuit(), {})}


def shipped_titles():
    """Key -> title of each circuit that comes with the app."""
    return {key: circuit.title or key for key, (circuit, _) in shipped().items()}
