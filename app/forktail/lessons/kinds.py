"""Kinds of scene that a lesson step can stand on: a page state and the quantities computed from it.

A step names a kind by `page`. Each kind is registered here with `register`; its views are
registered under the same key in `views.lesson_scenes`. To open another page to lessons, write a
function that returns the figures of its state and register both.
"""

from collections.abc import Callable
from dataclasses import dataclass

import param

from forktail.core.checks import QuantityError
from forktail.lessons.grammar import figure
from forktail.pages.steer.state import SteerState
from forktail.ui.state import Quantity, Setting


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
    """

    key: str
    make_state: Callable
    figures: Callable
    views: tuple
    default: tuple
    quick: bool = True
    moves: bool = True


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
        elif isinstance(spec, (Setting, param.Boolean, param.Selector, param.String)):
            out[name] = value if isinstance(value, bool) else str(value)
    return out


def figures(kind, state, prefix=""):
    """All names that conditions and texts can use for a scene.

    Parameters
    ----------
    kind : SceneKind
    state : PageState
    prefix : str
        `before.` for the scene before a change.

    Returns
    -------
    dict of str to Figure, str or bool
    """
    known = {**settings_figures(state), **kind.figures(state)}
    return {prefix + n: v for n, v in known.items()} if prefix else known


# ---------------------------------------------------------------- steer


def steer_figures(state):
    """What the Steer page computes.

    `v_out`, `v_left`, `v_right`, `v_drop_left`, `v_drop_right` (V); `gain_upper`, `gain_lower`
    (V/V); `i_q1` .. `i_q6`, `i_load_left`, `i_load_right`, `i_total` (A); `share_q1` .. `share_q4`
    (of the tail of their pair), `share_q5`, `share_q6` (of the tail), as fractions shown in
    per cent; `thermal_voltage`, `full_scale` (largest output of either sign), `range_upper`,
    `range_lower` (input where the output is 1 % short of proportional), `headroom` (what the
    supply leaves when one load takes the whole tail; negative: too little) (V); `ideal_out`
    (V, the exact product that the cell approaches for small inputs; full cell without offsets).
    """
    scene = state.scene()
    point = scene.point
    i = [float(x) for x in point.i_upper]
    tails = [float(x) for x in point.i_lower]
    total = sum(i)
    out = {
        name: figure(getattr(point, name), "V")
        for name in ("v_out", "v_left", "v_right", "thermal_voltage")
    }
    out |= {name: figure(getattr(point, name)) for name in ("gain_upper", "gain_lower")}
    for k, current in enumerate(i):
        pair = i[k // 2 * 2] + i[k // 2 * 2 + 1]
        out[f"i_q{k + 1}"] = figure(current, "A")
        out[f"share_q{k + 1}"] = figure(100.0 * current / pair if pair else 0.0, "%")
    for k, current in enumerate(tails):
        out[f"i_q{k + 5}"] = figure(current, "A")
        out[f"share_q{k + 5}"] = figure(100.0 * current / total if total else 0.0, "%")
    for n, side in enumerate(("left", "right")):
        load = float(point.i_load[n])
        out[f"i_load_{side}"] = figure(load, "A")
        out[f"v_drop_{side}"] = figure(load * float(point.r_load), "V")
    out["i_total"] = figure(total, "A")
    out["full_scale"] = figure(total * float(point.r_load), "V")
    scale = 2.0 * float(point.thermal_voltage)
    out["ideal_out"] = figure(
        total * float(point.r_load) * float(point.v_upper) * float(point.v_lower) / scale**2, "V"
    )
    for limit in scene.limits:
        if limit.name.startswith("linear_v_"):
            out["range_" + limit.name.removeprefix("linear_v_")] = figure(limit.limit, "V")
        elif limit.name == "headroom":
            out["headroom"] = figure(limit.limit - limit.value, "V")
    return out


register(
    SceneKind(
        "steer",
        SteerState,
        steer_figures,
        ("schematic", "sentence", "map", "across", "up", "numbers"),
        ("schematic", "sentence"),
    )
)
