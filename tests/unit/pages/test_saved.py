"""What a page saves, it loads, whatever stands in its texts; links and files of old still load.

`tests/unit/samples` holds a link, a file and their values of every page, as the release before
the tree by subject (commit 6ec4e83) wrote them.
"""

import json
import math
from dataclasses import fields, replace
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from forktail.core.built.circuit import Circuit
from forktail.core.uses import USES
from forktail.pages.build.state import BuildState
from forktail.pages.compare.state import CompareState
from forktail.pages.signals.state import SignalsState
from forktail.pages.steer.state import SteerState
from forktail.pages.uses.state import UsesState
from helpers import allowed

SAMPLES = Path(__file__).parents[1] / "samples"
STATES = {
    "steer": SteerState,
    "signals": SignalsState,
    "uses": UsesState,
    "build": BuildState,
    "compare": CompareState,
}
#: Settings that follow others, or that a file of the page leaves to the capture.
NOT_DRAWN = {"circuit", "shipped", "fault", "example", "time", "unit"}
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
TRAP = 'a "b" \\ \n[scene]\npage = "x" # \x07\u202e'
CIRCUIT_FIELDS = {f.name for f in fields(Circuit)}


def setting(spec):
    """Strategy of what a setting may hold."""
    return TEXTS if spec.kind == "text" else allowed(spec)


def scenes(page):
    """Strategy of settings of a page by parameter name, a circuit's title and note among them."""
    state = STATES[page]()
    drawn = {n: setting(state.param[n].spec) for n in state.fields() if n not in NOT_DRAWN}
    drawn |= {"title": TEXTS, "note": TEXTS}
    if page == "uses":
        drawn["use"] = st.sampled_from(list(USES))
    return st.fixed_dictionaries({}, optional=drawn)


def put(state, values):
    """Set settings; title and note where the page has a circuit."""
    values = dict(values)
    words = {n: values.pop(n) for n in ("title", "note") if n in values}
    if state.page in ("build", "compare"):
        state.circuit = replace(state.circuit, **words)
    elif state.page == "uses" and words:
        state.use_circuit(Circuit(**words))
    state.param.update(**values)


def held(state):
    """Everything that a file of this page carries."""
    values = {n: getattr(state, n) for n in state.fields()}
    if state.page == "uses":
        values["solver"] = state.solver()
    elif state.page in ("build", "compare"):
        values["circuit"] = state.circuit
    return values


@pytest.mark.parametrize("page", STATES)
def test_what_a_page_saves_it_loads(page):
    @settings(max_examples=20, deadline=None)
    @given(scenes(page))
    @example({"title": TRAP, "note": TRAP, **({"figure": TRAP} if page == "uses" else {})})
    def saved_and_loaded(values):
        state, other = STATES[page](), STATES[page]()
        put(state, values)
        assert other.apply_file(state.to_file()) == []
        assert held(other) == held(state)

    saved_and_loaded()


def test_a_figure_with_a_quote_in_the_link_of_uses_is_saved_and_loaded():
    state, other = UsesState(), UsesState()
    assert state.apply_query("figure=a%22b") == []
    assert other.apply_file(state.to_file()) == []
    assert other.figure == 'a"b'


# ---------------------------------------------------------------- links and files of 6ec4e83


def sample(name):
    """State, values by link name, link and file of a sample."""
    found = json.loads((SAMPLES / f"{name}.json").read_text(encoding="utf-8"))
    page = name.partition("-")[0]
    text = (SAMPLES / f"{name}.toml").read_text(encoding="utf-8")
    return STATES[page](), found["values"], found["link"], text


def value_of(state, name):
    """What a page holds under the name that its links and files use."""
    if state.page in ("build", "compare"):
        if name == "circuit":
            return state.shipped
        if name in CIRCUIT_FIELDS:
            found = getattr(state.circuit, name)
            return list(found) if isinstance(found, tuple) else found
    if state.page == "uses":
        for full in (name, f"{state.use}__{name}", name.replace("cell_", "cell__", 1)):
            if full in state.param:
                return getattr(state, full)
    value = getattr(state, name)
    if getattr(state.param[name], "unit", "") == "fraction":  # per cent, in that release
        return float(f"{100.0 * value:.12g}")
    return value


NAMES = sorted(p.stem for p in SAMPLES.glob("*.json"))


def test_there_is_a_sample_of_every_page_and_every_use():
    assert {n.partition("-")[0] for n in NAMES} == set(STATES)
    assert {f"uses-{use.replace('_', '-')}" for use in USES} <= set(NAMES)


@pytest.mark.parametrize("name", [n for n in NAMES if n != "uses-own-circuit"])
def test_a_link_of_old_still_gives_the_same_scene(name):
    state, values, link, _ = sample(name)
    again = type(state)()
    assert state.apply_query(link) == [] and again.apply_query(state.query()) == []
    for key, value in values.items():
        if key != "note":  # no part of a link
            assert value_of(state, key) == value, key
            assert value_of(again, key) == value, key


@pytest.mark.parametrize("name", NAMES)
def test_a_file_of_old_still_gives_the_same_scene(name):
    state, values, _, text = sample(name)
    # that release wrote parts that a circuit has no use for, and knew no bypass of the tail
    for remark in state.apply_file(text):
        assert "not used with" in remark or remark.startswith("[tail] bypass is not in the file")
    for key, value in values.items():
        assert value_of(state, key) == value, key


def test_a_file_of_old_with_a_circuit_of_ones_own_brings_it_to_uses():
    state, *_, text = sample("uses-own-circuit")
    state.apply_file(text)
    circuit = state.solver().circuit
    assert (circuit.title, circuit.r_load_left) == ('Ein "eigener" Ring \\ Schalter', 2345.6)
    assert (circuit.note, circuit.v_early) == ("zwei\nZeilen; 5 µA — ok", math.inf)
