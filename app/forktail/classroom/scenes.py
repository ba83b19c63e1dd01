"""Scenes and questions for the class room, made from the states of the other pages."""

import math
from dataclasses import dataclass
from functools import cache

from forktail.core.checks import QuantityError
from forktail.core.uses.result import show as show_merit
from forktail.pages.signals.state import PRESETS as SIGNALS_PRESETS
from forktail.pages.signals.state import SignalsState
from forktail.pages.steer.state import PRESETS as STEER_PRESETS
from forktail.pages.steer.state import STAGES, SteerState
from forktail.pages.uses.state import PRESETS as USES_PRESETS
from forktail.pages.uses.state import SHORT_TITLES, UsesState
from forktail.ui.state import Quantity
from forktail.ui.text import minus

#: Choices for a quantity that has a sign (volts, gains) and for one that has none or is a level.
SIGNED = ("It grows in size", "It shrinks in size", "It stays as it is", "It changes sign")
PLAIN = ("It rises", "It falls", "It stays as it is")
GROWS, SHRINKS, STAYS, TURNS = range(4)
SIGNED_UNITS = ("V", "A", "V/V", "deg")
#: A change below this part of the larger size counts as none.
SAME = 2e-3


@dataclass(frozen=True)
class Output:
    """One computed quantity that a question can ask about: its value and how it is shown."""

    label: str
    value: float
    text: str
    unit: str = ""


def _steer_outputs(state):
    point = state.scene().point

    def volt(v):
        return SteerState.param.v_upper.show(float(v))

    out = {"v_out": Output("the output voltage", float(point.v_out), volt(point.v_out), "V")}
    for name, label in (
        ("gain_upper", "the gain from the upper input"),
        ("gain_lower", "the gain from the lower input"),
    ):
        if name == "gain_lower" and state.stage in ("pair", "crossed"):
            continue
        value = float(getattr(point, name))
        out[name] = Output(label, value, minus(f"{value:.3g} V/V"), "V/V")
    for side in ("left", "right"):
        value = float(getattr(point, f"v_{side}"))
        out[f"v_{side}"] = Output(f"the {side} collector voltage", value, volt(value), "V")
    return out


def _merit_outputs(merits):
    def low(t):
        return t[:1].lower() + t[1:] if t[1:2].islower() else t

    return {
        m.key: Output(low(m.name), float(m.value), show_merit(m.value, m.unit), m.unit)
        for m in merits
        if math.isfinite(m.value)
    }


def _signals_outputs(state):
    return _merit_outputs(state.scene().run.merits)


def _uses_outputs(state):
    scene = state.scene(False)
    if scene.result is None:
        raise QuantityError(scene.error)
    return _merit_outputs(scene.result.merits)


def _steer_names(state):
    return [name for names in state.controls() for name in names]


def _signals_names(state):
    drives = [n for side in ("upper", "lower") for n in state.drive_controls(side)]
    rest = [n for n in state.fields() if state.specs[n].spec.part in ("cell", "path")]
    return drives + rest


def _uses_names(state):
    return state.settings_names() + [n for n in state.fields() if n.startswith("cell__")]


@dataclass(frozen=True)
class Kind:
    """A page whose scenes can be asked about."""

    make: type
    names: callable
    outputs: callable


#: Path of a page, as in a link -> how its scenes are made and asked about.
KINDS = {
    "": Kind(SteerState, _steer_names, _steer_outputs),
    "signals": Kind(SignalsState, _signals_names, _signals_outputs),
    "uses": Kind(UsesState, _uses_names, _uses_outputs),
}


def _state(path, query):
    if path not in KINDS:
        raise QuantityError(
            "Questions can be made from the scenes of Steer, Signals and Uses, "
            "or taken from a lesson."
        )
    state = KINDS[path].make()
    problems = state.apply_query(query)
    if problems:
        raise QuantityError(" ".join(problems))
    return state


def _quantities(path, state):
    return [n for n in KINDS[path].names(state) if isinstance(state.param[n], Quantity)]


def askable(path, query):
    """What can be asked about a scene.

    Returns
    -------
    dict
        `quantities`: list of [name, label, present value]; `outputs`: list of [name, label].

    Raises
    ------
    QuantityError
        If the page has no questions of this kind or the scene cannot be solved.
    """
    state = _state(path, query)
    return {
        "quantities": [
            [n, state.param[n].label or n, state.param[n].show(getattr(state, n))]
            for n in _quantities(path, state)
        ],
        "outputs": [[n, o.label] for n, o in KINDS[path].outputs(state).items()],
    }


def verdict(before, after, signed=True):
    """Index in `SIGNED` or `PLAIN` of what happened to a value."""
    size = max(abs(before), abs(after))
    if abs(after - before) <= SAME * size:
        return STAYS
    if not signed:
        return GROWS if after > before else SHRINKS
    if before * after < 0 and min(abs(before), abs(after)) > SAME * size:
        return TURNS
    return GROWS if abs(after) > abs(before) else SHRINKS


def question(path, query, output, name, text, hide=True):
    """Make the question `what happens to OUTPUT if NAME becomes TEXT?` with its right answer.

    Parameters
    ----------
    path, query : str
        The live scene.
    output, name : str
        From `askable`.
    text : str
        The new value with its unit, such as `4mA`.
    hide : bool
        Whether counts are hidden until it is closed.

    Returns
    -------
    dict
        As `classroom.Room.ask` takes it.

    Raises
    ------
    QuantityError
        If the value cannot be read, is the present one, or the scene cannot be solved.
    """
    state = _state(path, query)
    if name not in _quantities(path, state):
        raise QuantityError("Choose the quantity that changes.")
    spec = state.param[name]
    before = KINDS[path].outputs(state)
    if output not in before:
        raise QuantityError("Choose what is asked about.")
    old, new = getattr(state, name), spec.read(str(text)[:200])
    if new == old:
        raise QuantityError(f"{spec.label} is {spec.show(old)} already; ask about another value.")
    state.param.update(**{name: new})
    after = KINDS[path].outputs(state)
    if output not in after:
        raise QuantityError(
            f"With {spec.label} at {spec.show(new)} there is no "
            f"{before[output].label}; ask about another value."
        )
    one, two = before[output], after[output]
    signed = one.unit in SIGNED_UNITS
    return {
        "text": f"{spec.label}: from {spec.show(old)} to {spec.show(new)}. "
        f"What happens to {one.label}?",
        "choices": list(SIGNED if signed else PLAIN),
        "right": verdict(one.value, two.value, signed),
        "why": f"{one.label[:1].upper()}{one.label[1:]} goes from {one.text} to {two.text}.",
        "after": {"path": path, "query": state.query()},
        "hide": hide,
    }


@cache
def scene_sets():
    """Prepared lists of scenes to step through.

    Returns
    -------
    tuple of dict
        `title` and `scenes`: list of dict with `title`, `path`, `query`.
    """
    sets = [
        {
            "title": "Steer: the four stages",
            "scenes": [_scene("", title, stage=key) for key, title in STAGES.items()],
        }
    ]
    for key, title in STAGES.items():
        sets.append(
            {
                "title": f"Steer: presets of {title[2:].lower()}",
                "scenes": [
                    _scene("", name, stage=key, **texts)
                    for name, texts in STEER_PRESETS[key].items()
                ],
            }
        )
    sets.append(
        {
            "title": "Signals: presets",
            "scenes": [_scene("signals", name, **texts) for name, texts in SIGNALS_PRESETS.items()],
        }
    )
    for key, presets in USES_PRESETS.items():
        sets.append(
            {
                "title": f"Uses: {SHORT_TITLES[key]}",
                "scenes": [
                    _scene("uses", name, use=key, **texts) for name, texts in presets.items()
                ],
            }
        )
    return tuple(sets)


def _scene(path, title, **texts):
    state = KINDS[path].make()
    state.apply_texts(texts)
    return {"title": title, "path": path, "query": state.query()}
