"""Kinds of scene for a step of a lesson: a page state and the quantities computed from it.

A step names a kind by `page`. `figures.py` registers every kind; its views stand under the same key
in `views.py`. To open another page to lessons, write a function that returns the figures of its
state, and register both.
"""

from collections.abc import Callable
from dataclasses import dataclass

from forktail.core.checks import QuantityError
from forktail.lessons.quantity import figure
from forktail.ui.state import Quantity


@dataclass(frozen=True)
class SceneKind:
    """One kind of scene.

    Attributes
    ----------
    key : str
        As in `page = "steer"`.
    make_state : callable
        () -> PageState in its default scene.
    figures : callable
        (state) -> dict of name to `Figure`, text or bool: what is computed, beside the settings.
    views : tuple of str
        Names of the views that a step may show, in `show = [...]`; the first ones of `default`.
    default : tuple of str
        Views of a step that does not say.
    quick : bool
        Whether one solution takes under about 2 ms, so that a whole library can be tried when it
        is loaded; others are tried by `forktail lessons check` only.
    moves : bool
        Whether the scene may go to its new place in frames, rather than in one jump.
    ahead : tuple of str
        Views that show what other settings would give: a step that asks for a prediction covers
        them until it is given, unless it says otherwise.
    """

    key: str
    make_state: Callable
    figures: Callable
    views: tuple
    default: tuple
    quick: bool = True
    moves: bool = True
    ahead: tuple = ()


KINDS = {}


def register(kind):
    """Add a kind; the newest of a key counts."""
    KINDS[kind.key] = kind
    return kind


def kind_of(key):
    """The kind with this key, or QuantityError that lists them."""
    if key not in KINDS:
        raise QuantityError(
            f"page '{key}' is not a scene for lessons; there are {', '.join(KINDS)}."
        )
    return KINDS[key]


def settings_figures(state):
    """Every setting of a page state as a figure, text or bool, by its name."""
    out = {}
    for name in state.fields():
        spec, value = state.param[name], getattr(state, name)
        if isinstance(spec, Quantity):
            out[name] = figure(value, spec.unit)
        else:
            out[name] = value
    return out


def figures(kind, state):
    """All names that conditions and texts can use for a scene.

    Parameters
    ----------
    kind : SceneKind
    state : PageState

    Returns
    -------
    dict of str to Figure, str or bool
    """
    return {**settings_figures(state), **kind.figures(state)}
