"""Scenes and questions for the class room, made from the states of the other pages."""

import math
from dataclasses import dataclass
from functools import cache

from forktail.core.built.network import NODES
from forktail.core.checks import QuantityError
from forktail.core.uses.result import show as show_merit
from forktail.pages.build.circuit_texts import SPECS
from forktail.pages.build.parts_table import rows
from forktail.pages.build.state import BuildState
from forktail.pages.signals.state import PRESETS as SIGNALS_PRESETS
from forktail.pages.signals.state import SignalsState
from forktail.pages.steer.state import PRESETS as STEER_PRESETS
from forktail.pages.steer.state import STAGES, SteerState
from forktail.pages.uses.state import PRESETS as USES_PRESETS
from forktail.pages.uses.state import SHORT_TITLES, UsesState
from forktail.ui.html import number
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
    def low(text):
        return text[:1].lower() + text[1:] if text[1:2].islower() else text

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


def _build_outputs(state):
    scene = state.scene()
    if not scene.solved:
        raise QuantityError("This circuit has no solution, so nothing can be asked about it.")
    point = scene.built
    rows = [
        ("v_out", "the output voltage", "V", point.v_out),
        ("gain_upper", "the gain from the upper input", "V/V", point.gain_upper),
        ("gain_lower", "the gain from the lower input", "V/V", point.gain_lower),
        ("i_tail", "the tail current", "A", point.i_tail),
    ]
    currents = [*point.i_upper, *point.i_lower]
    rows += [(f"i{k}", f"the current of Q{k}", "A", i) for k, i in enumerate(currents, 1)]
    rows += [
        (name, f"the voltage at the {text}", "V", point.nodes[name])
        for name, text in NODES.items()
        if name in point.nodes and name != "supply"
    ]
    return {
        name: Output(label, float(value), number(float(value), unit), unit)
        for name, label, unit, value in rows
        if math.isfinite(value)
    }


def _steer_names(state):
    return [name for names in state.controls() for name in names]


def _signals_names(state):
    drives = [n for side in ("upper", "lower") for n in state.drive_controls(side)]
    rest = [n for n in state.fields() if state.specs[n].spec.part in ("cell", "path")]
    return drives + rest


def _uses_names(state):
    return state.settings_names() + [n for n in state.fields() if n.startswith("cell__")]


def _settings(names):
    """Quantities of a state among its settings: name -> (Spec, value)."""

    def quantities(state):
        return {
            n: (state.specs[n].spec, getattr(state, n))
            for n in names(state)
            if isinstance(state.specs[n], Quantity)
        }

    return quantities


def _set(state, name, value, text):
    state.param.update(**{name: value})


def _build_quantities(state):
    parts = [n for _, names in rows(state.circuit) for n in names if n in SPECS]
    found = {n: (SPECS[n], getattr(state.circuit, n)) for n in parts if SPECS[n].kind == "number"}
    return {n: (state.specs[n].spec, getattr(state, n)) for n in ("v_upper", "v_lower")} | found


def _build_set(state, name, value, text):
    if name in ("v_upper", "v_lower"):
        _set(state, name, value, text)
    else:
        state.edit(name, text)


@dataclass(frozen=True)
class Kind:
    """A page whose scenes can be asked about.

    `make` makes its state; `quantities(state)` says what can change, name -> (Spec, value);
    `outputs(state)` what can be asked about; `set(state, name, value, text)` makes the change.
    """

    make: type
    quantities: callable
    outputs: callable
    set: callable = _set


#: Path of a page, as in a link -> how its scenes are made and asked about.
KINDS = {
    "": Kind(SteerState, _settings(_steer_names), _steer_outputs),
    "signals": Kind(SignalsState, _settings(_signals_names), _signals_outputs),
    "uses": Kind(UsesState, _settings(_uses_names), _uses_outputs),
    "build": Kind(BuildState, _build_quantities, _build_outputs, _build_set),
}


def _state(path, query):
    if path not in KINDS:
        raise QuantityError(
            "Questions can be made from the scenes of Steer, Signals, Uses and Build, "
            "or taken from a lesson."
        )
    state = KINDS[path].make()
    problems = state.apply_query(query)
    if problems:
        raise QuantityError(" ".join(problems))
    return state


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
            [n, spec.title, spec.show(value)]
            for n, (spec, value) in KINDS[path].quantities(state).items()
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
    state, kind = _state(path, query), KINDS.get(path)
    quantities, before = kind.quantities(state), kind.outputs(state)
    if name not in quantities:
        raise QuantityError("Choose the quantity that changes.")
    if output not in before:
        raise QuantityError("Choose what is asked about.")
    text = str(text)[:200]
    spec, old = quantities[name]
    new = spec.read(text)
    if new == old:
        raise QuantityError(f"{spec.title} is {spec.show(old)} already; ask about another value.")
    kind.set(state, name, new, text)
    after = kind.outputs(state)
    if output not in after:
        raise QuantityError(
            f"With {spec.title} at {spec.show(new)} there is no "
            f"{before[output].label}; ask about another value."
        )
    one, two = before[output], after[output]
    signed = one.unit in SIGNED_UNITS
    return {
        "text": f"{spec.title}: from {spec.show(old)} to {spec.show(new)}. "
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
