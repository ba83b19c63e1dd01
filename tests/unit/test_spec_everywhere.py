"""One declaration a quantity: every place takes the same values, and refuses in one sentence.

Places are found by the specs that they carry, so a new one is held to this by itself: parameters
of every `PageState`, fields of every dataclass, options of every command.
"""

import importlib
import inspect
import json
import math
import pkgutil
from dataclasses import dataclass, fields, is_dataclass
from functools import cache, lru_cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import forktail
from forktail.cli import build_parser, main
from forktail.cli.cell import OPTIONS
from forktail.core.bench.drives import DrivenCircuit
from forktail.core.bench.plan import PlanQuestion
from forktail.core.built.circuit import Circuit
from forktail.core.built.mismatch import Batch, Tolerances
from forktail.core.checks import QuantityError
from forktail.core.models import TextbookCell
from forktail.core.quantities import UNITS
from forktail.core.spec import SPECS, Spec, checked, number, read_settings, specs_of
from forktail.core.waves.drives import Drive
from forktail.pages.build.state import Change, NoiseQuestion
from forktail.pages.plan.state import plan_question
from forktail.ui.state import PageState, Setting, param_of


@dataclass(frozen=True)
class Place:
    """Where a quantity stands: `says` is what a message of this place begins with, `take` the
    way of a text into it, `set` that of a number (None where there is no other way)."""

    name: str
    spec: Spec
    says: str
    take: object
    set: object = None


@lru_cache(maxsize=1)
def modules():
    names = (m.name for m in pkgutil.walk_packages(forktail.__path__, "forktail."))
    return [importlib.import_module(n) for n in names if not n.endswith("__main__")]


def below(cls):
    for sub in cls.__subclasses__():
        yield sub
        yield from below(sub)


def of_page(cls, name):
    """Typed into a control, and set by a program."""

    def set(value):
        state = states(cls)
        before = getattr(state, name)
        try:
            setattr(state, name, value)
            return getattr(state, name)
        finally:
            setattr(state, name, before)

    return lambda text: set(states(cls).specs[name].read(text)), set


@cache
def states(cls):
    return cls()


def of_fields(cls, name):
    """From a file or a word on the command line, and given to a function."""

    def set(value):
        return getattr(checked(cls(**{name: value})), name)

    return lambda text: set(getattr(read_settings(cls, {name: text}), name)), set


def options(parser, path=""):
    for name, command in parser.commands.items():
        yield from options(command, f"{path} {name}")
    for option, spec in parser.quantities.items():
        yield path, option, spec


@lru_cache(maxsize=1)
def places():
    out = []
    for module in modules():
        for cls in vars(module).values():
            if inspect.isclass(cls) and is_dataclass(cls) and cls.__module__ == module.__name__:
                for name, spec in specs_of(cls).items():
                    out.append(Place(f"{cls.__name__}.{name}", spec, name, *of_fields(cls, name)))
    for cls in below(PageState):
        if not cls.page or not cls.__module__.startswith("forktail."):
            continue
        for name, p in cls.param.objects().items():
            if isinstance(p, Setting):
                place = Place(f"{cls.__name__}.{name}", p.spec, p.spec.title, *of_page(cls, name))
                out.append(place)
    for path, option, spec in options(build_parser()):

        def take(text, spec=spec, option=option):
            return spec.read(text, option)

        out.append(Place(f"{path} {option}", spec, option, take))
    return tuple(out)


def of(quantity):
    return [p for p in places() if p.spec.quantity == quantity and p.spec.kind == "number"]


#: Every number that is declared somewhere.
GROUPS = sorted({p.spec.quantity for p in places() if p.spec.kind == "number"})


def texts(spec):
    """What somebody may type: values about the bounds, other units, anything at all."""
    low = spec.low if spec.low is not None else -1e12
    high = spec.high if spec.high is not None else 1e12
    span = high - low
    edges = [low, high, math.nextafter(low, -math.inf), math.nextafter(high, math.inf), 0.0]
    values = st.one_of(
        st.sampled_from(edges),
        st.floats(low - span, high + span, allow_subnormal=False),
        st.floats(low, high, allow_subnormal=False),
        st.integers(-10, 100).map(float),
    )
    if spec.unit == "K":
        values = values.filter(lambda v: v > 0)
    units = [s for spellings, _, _ in UNITS.values() for s in spellings]
    return st.one_of(
        values.map(spec.write),
        st.builds("{:g}{}{}".format, st.floats(-1e3, 1e3), st.sampled_from("pnumkMG "),
                  st.sampled_from(["", *units])),
        st.sampled_from(["", "nan", "inf", "none", "1e999", "2k2", "4u7", "1,5", "5 apples"]),
        st.text(max_size=12),
    )  # fmt: skip


def answer(place, text):
    """(number, "") or (None, what the sentence says behind the name of the place)."""
    try:
        return place.take(text), ""
    except QuantityError as error:
        said = str(error)
        assert said.startswith(f"{place.says}: ") and "\n" not in said, (place.name, said)
        return None, said.removeprefix(f"{place.says}: ")


@pytest.mark.parametrize("quantity", GROUPS)
def test_a_text_is_taken_everywhere_or_refused_everywhere_in_one_sentence(quantity):
    where = of(quantity)
    one = where[0]

    @settings(max_examples=60)
    @given(texts(one.spec))
    def same(text):
        value, sentence = answer(one, text)
        for place in where:
            unit_free = place.spec.unit == one.spec.unit
            assert unit_free, f"{place.name} has the unit {place.spec.unit}"
            assert answer(place, text) == (value, sentence), (place.name, one.name)
            if value is not None:
                assert place.spec.read(place.spec.write(value)) == value
                if place.set is not None:
                    assert place.set(value) == value

    same()


@pytest.mark.parametrize("quantity", GROUPS)
def test_a_number_out_of_bounds_is_refused_by_the_program_too(quantity):
    for place in of(quantity):
        low, high = place.spec.low, place.spec.high
        bad = [math.nan]
        bad += [] if low is None else [math.nextafter(low, -math.inf)]
        bad += [] if high is None else [math.nextafter(high, math.inf)]
        bad += [low] if place.spec.low_open else []
        for value in bad if place.set is not None else []:
            with pytest.raises(QuantityError, match="it must be|not a finite"):
                place.set(value)


def test_every_quantity_has_a_place_and_the_places_are_found():
    # the areas of a circuit are seven numbers in one field
    assert set(SPECS) <= {p.spec.quantity for p in places()} | {"area"}
    names = {p.name for p in of("r_load")}
    assert {"SteerState.r_load", "SignalsState.r_load", "TextbookCell.r_load"} <= names
    assert {" point --load", " sweep --load", " spectrum --load"} <= names
    for names, quantity in (
        ({"Drive.depth", "SignalsState.upper_depth", "SignalsState.lower_depth"}, "depth"),
        ({"Drive.on_fraction", "SignalsState.upper_on_fraction"}, "on_fraction"),
        ({"Tolerances.resistor", "BuildState.spread_resistor"}, "tolerance"),
        ({"Batch.builds", "PlanQuestion.builds", "BuildState.builds"}, "builds"),
        ({"PlanQuestion.drive_upper", "BuildState.drive_upper", " plan --drive-upper"},
         "amplitude"),
    ):  # fmt: skip
        assert names <= {p.name for p in of(quantity)}
    assert len(places()) > 250


@pytest.mark.parametrize("place", places(), ids=lambda p: p.name)
def test_what_has_the_name_of_a_quantity_is_that_quantity(place):
    if place.spec.kind != "number":
        return
    for start in ("cell__", "cell_", "upper_", "lower_", ""):
        name = place.spec.name.removeprefix(start)
        if name in SPECS:
            # the offset of a drive is its DC, the resistor of tolerances a tolerance
            also = {"offset": "dc", "resistor": "tolerance"}.get(name)
            assert place.spec.quantity in (name, also)
            break
    default, s = place.spec.default, place.spec
    assert s.check(default) == default and s.title and s.allowed
    if s.slider:
        for step in {0, 1, s.steps() // 2, s.steps()}:
            assert s.read(s.write(s.at_step(step))) == s.at_step(step)


def test_no_setting_of_a_page_is_without_a_spec():
    for cls in below(PageState):
        for name, p in cls.param.objects().items():
            if name not in ("name", "circuit"):
                assert isinstance(p, Setting) and p.spec is not None, f"{cls.__name__}.{name}"


def another(spec, value):
    """A value that a setting may have, but has not."""
    if spec.kind == "flag":
        return not value
    if spec.kind == "choice":
        return next(k for k in spec.keys if k != value)
    if spec.kind == "text":
        return f"{value}x"
    return next(v for v in (value + 1e-3, value + 1, 0.5 * value) if v != value and takes(spec, v))


def takes(spec, value):
    try:
        spec.check(value)
    except QuantityError:
        return False
    return True


def of_signals(state):
    for model in ("textbook", "built"):
        state.model = model
        drives = {"upper_": Drive, "lower_": Drive}
        yield state.question(), drives | ({"": TextbookCell} if model == "textbook" else {})


def of_uses(state):
    yield state.settings(), {f"{state.use}__": type(state.settings())}
    yield state.call, {}
    for model in ("textbook", "built"):
        state.model = model
        yield state.solver(), {"cell__": TextbookCell} if model == "textbook" else {}


def of_build(state):
    yield state.driven(), {"": DrivenCircuit}
    yield state.change(Circuit(title="Another")), {"": Change}
    yield state.batch(), {"": Batch, "spread_": Tolerances}
    yield state.one_build(), {"": Batch, "spread_": Tolerances}
    yield state.noise_question(), {"": NoiseQuestion}
    yield plan_question(state), {"": PlanQuestion, "spread_": Tolerances}


#: What a page asks, beyond the point that is drawn: its results are functions of these alone, and
#: are kept under them. Each comes with the dataclasses that the page fills for it, by the prefix
#: that their fields have on the page. The second is what has to be set so that everything counts.
ASKED = {
    "signals": (of_signals, {"coupled_upper": True, "coupled_lower": True, "loaded": True}),
    "uses": (of_uses, {}),
    "build": (of_build, {"circuit": Circuit(), "unit": 7}),
}


@pytest.mark.parametrize("page", ASKED)
def test_every_control_is_in_what_a_page_asks_and_what_is_only_seen_is_not(page):
    cls = next(c for c in below(PageState) if c.page == page)
    asks, start = ASKED[page]

    def asked(**values):
        state = cls(**{**start, **values})
        return list(asks(state))

    first, state = asked(), cls(**start)
    for name in state.fields():
        spec = state.specs[name].spec
        if name == "use" or (page, name) in {("signals", "model"), ("uses", "model")}:
            continue
        then = asked(**{name: another(spec, getattr(state, name))})
        assert (then != first) is not spec.part.startswith("view"), name
        for (question, filled), (moved, _) in zip(first, then):
            for prefix, part in filled.items():
                if name.startswith(prefix) and name.removeprefix(prefix) in names_of(part):
                    assert moved != question, f"{name} is missing in {type(question).__name__}"


def names_of(cls):
    return {f.name for f in fields(cls)}


@pytest.mark.parametrize("name", OPTIONS)
def test_an_option_reaches_the_cell_or_is_refused_as_on_a_page(name, capsys):
    option, spec = OPTIONS[name], specs_of(TextbookCell)[name]
    choices = spec.kind == "choice"
    ends = spec.keys if choices else [spec.write(v) for v in (spec.low, spec.high)]
    for text in ends:
        assert main(["point", f"{option}={text}", "--json"]) == 0
        answer = json.loads(capsys.readouterr().out)
        if name == "i_tail":
            assert answer["i_tail"] == spec.read(text)
    for text in ("5 apples", *([] if choices else [spec.write(1.01 * spec.high)])):
        assert main(["point", f"{option}={text}"]) == 2
        with pytest.raises(QuantityError) as page:
            param_of(spec).read(text)
        said = capsys.readouterr().err.strip().removeprefix(f"forktail: {option}: ")
        assert said == str(page.value).removeprefix(f"{spec.title}: ")


def test_a_place_cannot_say_what_is_allowed():
    with pytest.raises(TypeError, match="declared once"):
        SPECS["r_load"].at(high=1e6)
    with pytest.raises(TypeError, match="declared once"):
        SPECS["r_load"].at("other", unit="V")


def test_bounds_can_be_typed_as_they_are_told():
    for s in (*SPECS.values(), number("odd", 1.0, "V", -1.2345678, 3.0)):
        told = s.allowed.partition(", or ")[0].removeprefix("it must be ")
        low, _, high = told.removeprefix("above ").removeprefix("at least ").partition(" to ")
        assert s.low == (s.low if s.low_open else s.read(low))
        assert not high or s.high == s.read(high)
