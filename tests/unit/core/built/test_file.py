"""Circuit files: exact round trip, errors with line and remedy, the circuits that ship."""

import math
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forktail.core.built.circuit import Circuit
from forktail.core.built.file import field_place, read_circuit, read_file, write_circuit
from forktail.core.built.findings import findings
from forktail.core.built.network import figures
from forktail.core.checks import QuantityError
from forktail.core.quantities import parse_quantity
from forktail.resources import assets_dir

ASSETS = assets_dir() / "circuits"


def test_every_field_has_a_place():
    places = {field_place(f.name) for f in fields(Circuit)}
    assert len(places) == len(fields(Circuit))
    assert field_place("r_source_upper") == ("drive.upper", "source")


positive = st.floats(1e-12, 1e6, allow_subnormal=False)


@settings(max_examples=60, deadline=None)
@given(
    st.builds(
        Circuit,
        title=st.text(max_size=20),
        note=st.text(max_size=20),
        v_supply=st.floats(0, 100),
        r_load_left=st.floats(1e-3, 1e9),
        c_load=st.floats(0, 1),
        c_coupling_upper=st.floats(1e-15, 1),
        r_termination_upper=st.one_of(st.just(math.inf), st.floats(1, 1e6)),
        v_early=st.one_of(st.just(math.inf), st.floats(5, 1e4)),
        i_s=st.floats(1e-20, 1e-6),
        temperature=st.floats(200, 450),
        trim_upper=st.floats(-1, 1),
        trim_balance=st.floats(-1, 1),
        area=st.tuples(*[st.floats(0.1, 10)] * 7),
        tail_kind=st.sampled_from(["ideal", "resistor"]),
        g_leak=st.floats(1e-16, 1e-3),
        faults=st.sampled_from([(), ("open:r_load_left",)]),
    )
)
def test_round_trip_is_exact(circuit):
    scene = {"page": "build", "zoom": 1.5, "open": True, "marks": [1, 2]}
    back, kept, _ = read_file(write_circuit(circuit, scene))
    assert back == circuit
    assert kept == scene


@pytest.mark.parametrize("kelvin", [200.0, 200.00000000000003, 449.99999999999994, 450.0])
def test_temperatures_beside_their_bounds_are_given_back(kelvin):
    assert read_circuit(write_circuit(Circuit(temperature=kelvin))).temperature == kelvin


def test_plain_text_of_the_default_reads_well():
    text = write_circuit(Circuit())
    for line in (
        'voltage = "12 V"',
        'top = "6.8 kohm"',
        'temperature = "25 degC"',
        'coupling = "100 nF"',
        'saturation_current = "10 fA"',
    ):
        assert line in text
    assert read_circuit(text) == Circuit()
    assert read_circuit("") == Circuit()


@pytest.mark.parametrize(
    "text, words",
    [
        ('[loads]\nleft = "2.2 V"', ["line 2", "[loads] left", "2.2 V", "a resistance"]),
        ('[loads]\n\nlefft = "2k2"', ["line 3", "lefft", "did you mean 'left'"]),
        ('[lods]\nleft = "2k2"', ["line 1", "[lods]", "did you mean 'loads'"]),
        ("[drive.uper]\nsource = 50", ["drive.uper", "did you mean 'upper'"]),
        ('[tail]\nkind = "mirror"', ["line 2", "'mirror'", "ideal, resistor"]),
        ('[supply]\nvoltage = "-3 V"', ["line 2", "-3", "0 V to 1 kV"]),
        ("[supply]\nvoltage = true", ["line 2", "voltage", "such as 10mV"]),
        ("[transistors]\narea = [1, 2]", ["line 2", "seven numbers"]),
        ('[transistors]\nleakage = "1e-13 V"', ["line 2", "conductance"]),
        ('[faults]\nlist = ["open:moon"]', ["line 2", "open:moon"]),
        ("loads = 3", ["line 1", "[loads]"]),
        ('tittle = "x"', ["line 1", "did you mean 'title'"]),
        ("forktail = 9", ["line 1", "9"]),
        ("title = ", ["not TOML", "line 1"]),
        ("scene = 2", ["scene"]),
        ("[drive]\nupper = 2", ["[drive.upper]"]),
    ],
)
def test_errors_name_place_value_and_remedy(text, words):
    with pytest.raises(QuantityError) as caught:
        read_file(text)
    for word in words:
        assert word in str(caught.value), str(caught.value)


@pytest.mark.parametrize(
    "text, notes",
    [
        (
            '[tail]\nkind = "transistor"\ncurrent = "1 mA"\n',
            [
                'line 3, [tail] current is not used with kind = "transistor".',
                "[tail] emitter, base_top, base_bottom and bypass are not in the file; "
                "emitter = 1 kohm, base_top = 12 kohm, base_bottom = 2.2 kohm and bypass = 15 uF "
                "are used.",
            ],
        ),
        (
            '[tail]\nkind = "ideal"\nresistor = "2k"\nbase_top = "5k"\n',
            [
                'line 3, [tail] resistor and base_top are not used with kind = "ideal".',
                "[tail] current is not in the file; 1 mA is used.",
            ],
        ),
        (
            '[drive.upper]\nmode = "balanced"\nground = "2 uF"\nsource = 50\n',
            [
                'line 3, [drive.upper] ground is not used with mode = "balanced".',
                "[drive.upper] termination and coupling are not in the file; "
                "termination = 51 ohm and coupling = 100 nF are used.",
            ],
        ),
        ("[loads]\nleft = 2e3\nright = 2e3\ncapacitance = 0\n", []),
    ],
)
def test_what_is_not_used_and_what_is_taken_is_said(text, notes):
    section = text.partition("]")[0][1:]
    found = [n for n in read_file(text).notes if f"[{section}]" in n]
    assert found == notes, read_file(text).notes


def test_missing_sections_are_told_with_their_values_while_they_are_few():
    whole = write_circuit(Circuit())
    sections = {part.partition("]")[0]: "[" + part for part in whole.split("[")[1:]}
    short = whole.replace(sections["loads"], "")
    assert read_file(short).notes == (
        "[loads] is not in the file; left = 2.2 kohm, right = 2.2 kohm and "
        "capacitance = 22 pF are used.",
    )
    (note,) = read_file("").notes
    assert note == (
        "[supply], [string], [bias], [drive.upper], [drive.lower], [loads], [tail] and "
        "[transistors] are not in the file; what a new circuit has there is used."
    )


def test_a_written_file_needs_no_note_unless_something_in_it_has_no_use():
    for kind in ("ideal", "resistor", "transistor"):
        for mode in ("single", "balanced"):
            circuit = Circuit(tail_kind=kind, upper_mode=mode)
            assert read_file(write_circuit(circuit)) == (circuit, {}, ())
    kept = Circuit(tail_kind="ideal", r_tail=1234.0)
    found = read_file(write_circuit(kept))
    assert found.circuit == kept
    assert found.notes == ('line 49, [tail] resistor is not used with kind = "ideal".',)


def test_all_errors_are_told_at_once():
    with pytest.raises(QuantityError) as caught:
        read_file('[loads]\nleft = "x"\nright = "2 A"\n[supply]\nvolts = "9 V"')
    assert str(caught.value).startswith("3 faults")
    assert len(str(caught.value).splitlines()) == 4


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=200))
def test_any_text_gives_a_circuit_or_one_clear_error(text):
    try:
        read_file(text)
    except QuantityError as error:
        assert str(error)


def test_a_scene_that_does_not_fit_is_refused():
    with pytest.raises(QuantityError, match="scene.x"):
        write_circuit(Circuit(), {"x": np.zeros(2)})


@pytest.mark.parametrize(
    "name", ["bat-call-mixer", "beacon-modulator", "range-finder-phase-detector", "volume-cell"]
)
def test_shipped_circuits_work(name):
    text = (ASSETS / f"{name}.toml").read_text(encoding="utf-8")
    circuit, scene, notes = read_file(text)
    assert notes == ()
    assert "invented" in text.splitlines()[0] and "invented for our workshop" in circuit.note
    assert circuit.title and not circuit.faults
    drives = {k: parse_quantity(scene[k], "V") for k in ("drive_upper", "drive_lower")}
    found = findings(circuit, **drives)
    assert {f.severity for f in found} <= {"note", "good"}, [f.text for f in found]
    assert found[-1].key == "healthy"
    f = figures(circuit)
    assert 0.5e-3 < f.bias.i_tail < 2e-3 and 0 < f.supply_current < 10e-3
    assert f.product_gain > 5
    # an input meant to be followed is within its range
    followed = {"bat-call-mixer": "lower", "beacon-modulator": "lower", "volume-cell": "lower"}
    if name in followed:
        assert drives["drive_lower"] < f.range_lower
    assert not any(f.key == "linear range" and f.part == followed.get(name) for f in found)
    assert read_circuit(write_circuit(circuit)) == circuit


def test_shipped_files_are_exactly_those():
    assert len(list(ASSETS.glob("*.toml"))) == 4
