"""Specs: what is read is what is checked, what is written is read back, sliders stay in bounds."""

import math
from dataclasses import dataclass, fields

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.core.checks import QuantityError
from forktail.core.quantities import UNITS, format_quantity
from forktail.core.spec import (
    SPECS,
    checked,
    choice,
    exact_text,
    flag,
    number,
    read_settings,
    round_values,
    setting,
    spec,
    specs_of,
    text,
    without,
)

SHAPE = choice("shape", "sine", {"sine": "Sine", "square": "Square wave"}, "Shape")
MUTE = flag("mute", False, "Mute", "Silence.")
TITLE = text("title", "untitled", "Title")
COUNT = number("count", 7, "", 1, 9, whole=True, label="Rows")
ALL = {**SPECS, "shape": SHAPE, "mute": MUTE, "title": TITLE, "count": COUNT}
NUMBERS = [s for s in ALL.values() if s.kind == "number"]
SLIDERS = [s for s in NUMBERS if s.slider]


def refused(call, *arguments):
    with pytest.raises(QuantityError) as caught:
        call(*arguments)
    return str(caught.value)


@st.composite
def allowed(draw, numbers=NUMBERS):
    """A spec of a number and a value that it allows."""
    s = draw(st.sampled_from(numbers))
    low = -1e12 if s.low is None else s.low
    high = 1e12 if s.high is None else s.high
    value = draw(st.floats(low, high, exclude_min=s.low_open, allow_subnormal=False))
    return s, float(round(value)) if s.whole else value


@given(allowed())
def test_what_is_allowed_is_kept_and_written_so_that_it_is_read_back_exactly(drawn):
    s, value = drawn
    assert s.check(value) == value
    for gap in ("", " "):
        assert s.read(s.write(value, gap)) == value
    assert s.check(np.float64(value)) == value


@given(allowed(), st.floats(0.0, 1e3, allow_subnormal=False))
def test_what_lies_beyond_a_bound_is_refused_by_one_sentence_however_it_comes(drawn, by):
    s, _ = drawn
    for bound, beyond in ((s.low, -by), (s.high, by)):
        if bound is None:
            continue
        value = bound + beyond if beyond else math.nextafter(bound, math.copysign(math.inf, beyond))
        if value == bound and not (s.low_open and bound == s.low):
            continue
        text = s.write(value)
        said = refused(s.check, value)
        if math.isclose(value, bound, rel_tol=1e-15) and s.unit == "K":
            assert s.read(text) == bound  # -73.15 degC is 200 K, and not a rounding less
        elif s.unit != "K" or value > 0.0:  # no text stands for less than zero kelvin
            assert said == refused(s.read, text, s.title)
        assert said.startswith(f"{s.title}: '{text}' ") and said.endswith(f"{s.allowed}.")
        assert refused(s.check, value, "line 3").startswith("line 3: ")


@pytest.mark.parametrize("s", NUMBERS, ids=[s.name for s in NUMBERS])
def test_bounds_themselves(s):
    for bound, open_ in ((s.low, s.low_open), (s.high, False)):
        if bound is not None and not open_:
            assert s.check(bound) == s.read(s.write(bound)) == bound
    if s.low_open:
        assert "above" in refused(s.check, s.low)
    if s.infinite:
        assert s.check(math.inf) == s.read(s.infinite) == s.read(" INF ") == math.inf
        assert s.write(math.inf) == s.show(math.inf) == s.infinite
        assert s.allowed.endswith(f", or {s.infinite}")
    else:
        assert "is not a finite number" in refused(s.check, math.inf)
        refused(s.read, "inf")
    assert "is not a finite number" in refused(s.check, math.nan)
    assert s.check(s.default) == s.default
    assert s.unit in UNITS and s.title


@pytest.mark.parametrize(
    "s, said",
    [
        (SPECS["r_load"], "it must be 0 ohm to 1 Gohm"),
        (SPECS["frequency"], "it must be 100 uHz to 10 MHz"),
        (SPECS["temperature"], "it must be -73.15 degC to 176.85 degC"),
        (SPECS["termination"], "it must be at least 100 mohm, or none"),
        (number("x", 0.0, "V", 0.0, low_open=True), "it must be above 0 V"),
        (number("x", 0.0, "V", high=1234.5), "it must be at most 1.2345 kV"),
        (number("x", 0.0, "V"), "it must be a finite number"),
        (COUNT, "it must be 1 to 9"),
        (SHAPE, "it must be one of sine, square"),
        (MUTE, "it must be yes or no"),
        (TITLE, "it must be text"),
    ],
)
def test_what_is_allowed_in_words(s, said):
    assert s.allowed == said


@pytest.mark.parametrize(
    "call, said",
    [
        (lambda: SHAPE.read("saw"), "Shape: 'saw' is not known; it must be one of sine, square."),
        (lambda: SHAPE.check("saw", "key"),
         "key: 'saw' is not known; it must be one of sine, square."),
        (lambda: MUTE.read("perhaps"), "Mute: 'perhaps' is neither yes nor no."),
        (lambda: TITLE.check(5), "Title: 5 is not text; it must be text."),
        (lambda: COUNT.check(2.5), "Rows: '2.5' is not a whole number; it must be 1 to 9."),
        (lambda: COUNT.read("2.5"), "Rows: '2.5' is not a whole number; it must be 1 to 9."),
        (lambda: COUNT.check("x"), "Rows: 'x' is not a number; it must be 1 to 9."),
        (lambda: COUNT.check([1, 2]), "Rows has the shape (2,); give one number."),
        (lambda: spec("r_load").read("5 V", "left"),
         "left: '5 V' is a voltage; give a resistance in ohm, such as 2k2."),
    ],
)  # fmt: skip
def test_sentences(call, said):
    assert refused(call) == said


def test_kinds_read_and_write_their_own():
    assert COUNT.read("3") == 3 and isinstance(COUNT.read("3"), int)
    assert isinstance(COUNT.check(3.0), int)
    for yes in ("yes", "True", " 1 ", True, np.True_):
        assert MUTE.read(yes) is True and MUTE.check(yes) is True
    for no in ("no", "FALSE", "0", False, np.False_):
        assert MUTE.read(no) is False
    assert (MUTE.write(True), MUTE.write(False)) == ("yes", "no")
    assert (SHAPE.read("square"), SHAPE.write("square")) == ("square", "square")
    assert (SHAPE.show("square"), SHAPE.show("gone")) == ("Square wave", "gone")
    assert TITLE.read("any, text") == TITLE.show("any, text") == "any, text"
    assert (SHAPE.doc, MUTE.doc, TITLE.doc) == ("Shape", "Silence.", "Title")
    assert number("x", 1.0).title == "x"


@pytest.mark.parametrize(
    "s, value, shown",
    [
        (SPECS["r_load"], 2200.0, "2.20 k\u03a9"),
        (SPECS["r_load"], 2234.5, "2.23 k\u03a9"),
        (SPECS["frequency"], 45e3, "45.0 kHz"),
        (SPECS["frequency"], 45012.0, "45.012 kHz"),
        (SPECS["frequency"], 45012.34, "45.012 kHz"),
        (SPECS["temperature"], 298.15, "25.0 \u00b0C"),
    ],
)
def test_shown_with_three_digits_or_as_many_as_the_value_has_up_to_most(s, value, shown):
    assert s.show(value) == shown


def test_more_digits_when_asked_for():
    assert SPECS["r_load"].show(2234.5, digits=5) == "2.2345 k\u03a9"


def test_a_place_changes_how_a_quantity_is_shown_and_nothing_of_what_is_allowed():
    place = spec(
        "r_load", "left", default=3300.0, label="Left load", slider=(1.0, 2.0), part="view"
    )
    assert (place.name, place.default, place.title, place.part) == (
        "left",
        3300.0,
        "Left load",
        "view",
    )
    assert (place.low, place.high, place.unit) == (0.0, 1e9, "ohm")
    assert spec("r_load").name == "r_load" and spec("r_load") == SPECS["r_load"]
    of_a_place = "name default label symbol doc slider step even most_digits part".split()
    for change in {f.name for f in fields(place)} - set(of_a_place):
        with pytest.raises(TypeError, match=f"{change} is declared once, by the quantity r_load"):
            spec("r_load", **{change: 1})


# ---- sliders


@pytest.mark.parametrize("s", SLIDERS, ids=[s.name for s in SLIDERS])
def test_every_stop_of_a_slider_is_its_own_position_and_allowed(s):
    stops = [s.at_step(k) for k in range(s.steps() + 1)]
    assert stops[0] == pytest.approx(s.slider[0]) and stops[-1] == pytest.approx(s.slider[1])
    assert stops == sorted(set(stops))
    for k, value in enumerate(stops):
        assert s.position(value) == k
        assert s.read(s.write(value)) == value
    assert s.position(s.slider[0] - 1.0) == 0
    assert s.position(s.slider[1] + 1.0) == s.steps()
    assert len(max((s.write(v) for v in stops), key=len)) < 14  # no dust of floats


@given(allowed(SLIDERS))
def test_a_position_is_the_nearest_stop(drawn):
    s, value = drawn
    stops = np.array([s.at_step(k) for k in range(s.steps() + 1)])
    at = s.position(value)
    if s.even == "ratios":
        apart = np.abs(np.log(stops / max(value, stops[0])))
    else:
        apart = np.abs(stops - value)
    assert apart[at] <= apart.min() * (1 + 1e-9) + 1e-12


@given(allowed([s for s in SLIDERS if s.step]), st.integers(-3, 3))
def test_steps_from_a_value_stay_within_bounds(drawn, by):
    s, value = drawn
    on = s.stepped(value, by)
    assert s.check(on) == on
    inside = (s.low is None or value + by * s.step >= s.low) and (
        s.high is None or value + by * s.step <= s.high
    )
    if inside and not (s.low_open and value + by * s.step == s.low):
        assert on == pytest.approx(value + by * s.step, rel=1e-8, abs=1e-12)
    else:
        assert on in (value, s.low, s.high)


def test_round_values_grow_with_the_value():
    values = round_values(100.0, 200e3)
    assert values[0] == 100.0 and values[-1] == 200e3
    assert {102.0, 205.0, 510.0, 1020.0, 45e3} <= set(values)
    ratios = np.diff(np.log(values))
    assert 0.009 < ratios.min() and ratios.max() < 0.03
    assert round_values(150.0, 154.0) == (150.0, 152.0, 154.0)


# ---- texts


@given(
    st.floats(allow_nan=False, allow_infinity=False, allow_subnormal=False),
    st.sampled_from(("V", "ohm", "Hz", "")),
)
def test_exact_text_is_the_shortest_that_is_exact(value, unit):
    s = number("x", 0.0, unit)
    written = exact_text(value, unit)
    assert s.read(written) == value and " " not in written
    for digits in range(1, 4):
        shorter = format_quantity(value, unit, digits, ascii_only=True)
        if len(shorter.replace(" ", "")) < len(written) and abs(value) < 1e300:
            assert s.read(shorter) != value


@pytest.mark.parametrize(
    "value, unit, gap, written",
    [
        (2200.0, "ohm", "", "2.2kohm"),
        (2200.0, "ohm", " ", "2.2 kohm"),
        (0.02, "V", "", "20mV"),
        (298.15, "K", "", "25degC"),
        (298.15, "K", " ", "25 degC"),
        (300.123456789, "K", "", "300.123456789K"),
        (math.inf, "V", "", "inf"),
    ],
)
def test_texts_as_they_stand_in_files(value, unit, gap, written):
    assert exact_text(value, unit, gap) == written


# ---- dataclasses of specs


@dataclass(frozen=True)
class Bench:
    load: float = setting(spec("r_load", default=2200.0))
    shape: str = setting(SHAPE)
    free: int = 5


def test_a_dataclass_carries_its_specs():
    assert Bench() == Bench(2200.0, "sine", 5)
    found = specs_of(Bench)
    assert list(found) == ["load", "shape"] and specs_of(Bench(1.0)) == found
    assert found["load"].name == "load" and found["load"].high == SPECS["r_load"].high
    assert found["shape"] is SHAPE


def test_settings_are_checked_and_read():
    assert checked(Bench(load=1, free=9)) == Bench(1.0, "sine", 9)
    assert refused(checked, Bench(load=-1.0)).startswith("Load resistors: '-1ohm' is out of range")
    assert read_settings(Bench, {"load": "3k3"}) == Bench(3300.0)
    assert read_settings(Bench, [("shape", "square")]) == Bench(shape="square")
    said = refused(read_settings, Bench, {"free": "5"})
    assert said == "'free' is not a setting here; there are load, shape."
    assert refused(read_settings, Bench, {"load": "x"}).startswith("load: 'x' is not a value")


def test_names_of_the_quantities_are_their_keys():
    assert all(name == s.name for name, s in SPECS.items())


# ---------------------------------------------------------------- the quantities themselves

#: What is allowed, the default, and of a slider its ends and number of steps. Links and files that
#: people have rely on the first; who changes one changes the format.
DECLARED = {
    "v_upper": ("-10 V to 10 V", "20mV", ("-100mV", "100mV", 200)),
    "v_lower": ("-10 V to 10 V", "20mV", ("-100mV", "100mV", 200)),
    "i_tail": ("0 A to 10 A", "2mA", ("0A", "4mA", 80)),
    "r_load": ("0 ohm to 1 Gohm", "1kohm", ("100ohm", "10kohm", 99)),
    "temperature": ("-73.15 degC to 176.85 degC", "25degC", ("233.15K", "125degC", 165)),
    "v_supply": ("0 V to 1 kV", "12V", ("3V", "24V", 42)),
    "offset": ("-1 V to 1 V", "0V", ("-10mV", "10mV", 200)),
    "r_emitter": ("0 ohm to 1 Mohm", "0ohm", ("0ohm", "500ohm", 100)),
    "amplitude": ("0 V to 10 V", "10mV", ("0V", "200mV", 200)),
    "frequency": ("100 uHz to 10 MHz", "45kHz", ("100Hz", "200kHz", 530)),
    "bandwidth": ("1 Hz to 1 MHz", "4kHz", ("100Hz", "20kHz", 370)),
    "phase": ("-360deg to 360deg", "0deg", ("-180deg", "180deg", 72)),
    "dc": ("-10 V to 10 V", "0V", ("-100mV", "100mV", 200)),
    "time": ("0 s to 10 ks", "0s", ("0s", "250us", 500)),
    "resistance": ("0 ohm to 1 Gohm", "1kohm", ()),
    "resistor": ("100 mohm to 1 Gohm", "1kohm", ()),
    "termination": ("at least 100 mohm, or none", "50ohm", ()),
    "capacitance": ("0 F to 1 F", "1nF", ()),
    "capacitor": ("above 0 F to 1 F", "1nF", ()),
    "area": ("1e-06 to 1e+06", "1", ()),
    "current_gain": ("at least 0.01, or inf", "200", ()),
    "trim": ("-1 V to 1 V", "0V", ("-10mV", "10mV", 400)),
    "balance": ("-1.9 to 1.9", "0", ("-0.1", "0.1", 400)),
}
SYMBOLS = {"temperature": "T"} | {
    n: n for n in ("v_upper", "v_lower", "i_tail", "r_load", "v_supply")
}


@pytest.mark.parametrize("name", DECLARED)
def test_a_quantity_is_declared_as_links_and_files_rely_on(name):
    s = SPECS[name]
    slider = (s.write(s.slider[0]), s.write(s.slider[1]), s.steps()) if s.slider else ()
    assert (s.allowed.removeprefix("it must be "), s.write(s.default), slider) == DECLARED[name]
    assert s.symbol == SYMBOLS.get(name, "") and s.label and s.doc
    assert s.most_digits == (5 if name in ("frequency", "time") else 3)


def test_the_quantities_are_these():
    assert set(SPECS) == set(DECLARED)
    of_inputs = {n for n, s in SPECS.items() if s.part != "cell"}
    assert of_inputs == {"v_upper", "v_lower", "time"} and SPECS["time"].part == "view"


def test_an_arrow_key_goes_to_the_bound_unless_that_is_refused():
    for low_open, lowest in ((False, 0.0), (True, 0.5)):
        s = number("x", 1.0, "", 0.0, 2.0, low_open=low_open, step=0.5)
        assert [s.stepped(v, -1) for v in (1.0, 0.5, lowest)] == [0.5, lowest, lowest]
        assert [s.stepped(v, 2) for v in (0.5, 1.5, 2.0)] == [1.5, 2.0, 2.0]


def test_a_value_just_beyond_a_bound_is_refused_unless_it_is_the_bound_in_other_words():
    assert SPECS["temperature"].read("-73.15 degC") == 200.0
    with pytest.raises(QuantityError, match="out of range"):
        SPECS["temperature"].read("199.99999999 K")


def test_the_ends_of_what_is_allowed():
    assert SPECS["temperature"].ends == (200.0, 450.0)
    assert SPECS["current_gain"].ends == (0.01, math.inf)
    assert number("x", 0.0).ends == (-math.inf, math.inf)


def test_settings_without_some_parts_are_as_usual_there():
    @dataclass(frozen=True)
    class Some:
        load: float = setting(spec("r_load"))
        trim: float = setting(spec("trim", part="trims"))
        name: str = setting(text("name", "usual", part="view"))

    changed = Some(5.0, 0.01, "mine")
    assert without(changed, "trims", "view") == Some(5.0)
    assert without(changed, "view") == Some(5.0, 0.01) and without(changed) == changed


def test_a_fraction_is_read_and_written_in_per_cent():
    s = number("share", 0.3, "fraction", 0.0, 2.0, low_open=True, label="Share")
    for typed in ("40%", "40 %", "40", 40, 40.0):
        assert s.read(typed) == 0.4
    assert s.check(0.4) == 0.4
    written = {0.3791: "37.91%", 2.0: "200%", 1e-9: "1e-7%", 5e-7: "5e-5%", 0.1 + 0.2: None}
    for value, text_ in written.items():
        assert s.read(s.write(value)) == value and text_ in (None, s.write(value))
    assert s.write(0.5, " ") == "50 %" and (s.show(0.3791), s.show(0.05)) == ("37.9 %", "5.00 %")
    for bad, said in (
        ("0", "Share: '0' is out of range; it must be above 0 % to 200 %."),
        ("5 V", "Share: '5 V' is a voltage; give a percentage in %, such as 5%."),
    ):
        with pytest.raises(QuantityError) as error:
            s.read(bad)
        assert str(error.value) == said


def test_what_may_be_infinite_is_a_number_all_the_same():
    gain, across = SPECS["current_gain"], SPECS["termination"]
    assert (gain.show(200.0), gain.show(math.inf), across.show(math.inf)) == ("200", "inf", "none")
    assert (gain.write(200.0), gain.write(math.inf)) == ("200", "inf")
    assert gain.read("none") == gain.read("inf") == math.inf
    assert (text("t", "hello").default, flag("f", True).default) == ("hello", True)
    assert (text("t", part="view").part, SPECS["time"].part) == ("view", "view")
