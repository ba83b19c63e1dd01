"""State of the Build page: entries, links, files, undo, what is compared and trimmed."""

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.core.bench.drives import DrivenCircuit
from forktail.core.built import findings, network
from forktail.core.built.circuit import Circuit, resistor_parts, single_faults
from forktail.core.built.preferred import series_values
from forktail.core.built.references import part_reference, references, round_circuit
from forktail.core.checks import QuantityError
from forktail.pages.build import parts_table, what_if
from forktail.pages.build import schematic as built_schematic
from forktail.pages.build import words as built_readouts
from forktail.pages.build.circuit_texts import FIELDS, with_value, written
from forktail.pages.build.page import BuildPage
from forktail.pages.build.state import (
    PRESETS,
    BuildState,
    Change,
    assess,
    compare,
    first_shipped,
    shipped,
)

NUMBERS = [f.name for f in fields(Circuit) if f.type is float]


@pytest.fixture
def state():
    return BuildState()


def test_every_field_of_a_circuit_has_a_place_in_the_parts_list():
    shown = set()
    for kind in ("ideal", "resistor", "transistor"):
        for _, names in parts_table.rows(Circuit(tail_kind=kind)):
            shown |= {"area" if n.startswith("area") else n for n in names}
    assert shown - set(parts_table.SETTINGS) == set(FIELDS) - {"faults"}


@given(st.floats(0.2, 1e6), st.sampled_from([n for n in NUMBERS if n[:2] == "r_"]))
def test_any_value_reads_back_exactly_from_its_text(value, name):
    circuit = Circuit(**{name: value})
    assert with_value(Circuit(), name, written(circuit, name)) == circuit


@pytest.mark.parametrize(
    "name, text, words",
    [
        ("r_load_left", "5 V", ("Left load", "5 V", "resistance", "2k2")),
        ("r_load_left", "-1k", ("Left load", "-1k", "it must be 0 ohm to")),
        ("c_load", "2 mm", ("Capacitance at each output", "2 mm", "a capacitance")),
        ("temperature", "400", ("Temperature", "400", "degC")),
        ("v_early", "2", ("Early voltage", "2", "at least 5")),
        ("area3", "0", ("Area of Q3", "0", "it must be")),
        ("tail_kind", "spring", ("Tail", "spring", "resistor")),
        ("g_leak", "much", ("leakage", "much", "conductance")),
        ("faults", "open:nothing", ("Faults", "open:nothing")),
    ],
)
def test_a_bad_entry_is_told_and_changes_nothing(state, name, text, words):
    before = state.circuit
    with pytest.raises(QuantityError) as error:
        state.edit(name, text)
    assert all(word in str(error.value) for word in words), str(error.value)
    assert "\n" not in str(error.value)
    assert state.circuit is before


def test_a_link_carries_only_what_differs_from_the_shipped_circuit(state):
    assert state.query() == ""
    state.choose_shipped("volume-cell")
    assert state.query() == "circuit=volume-cell"
    state.edit("r_load_left", "2k7")
    state.edit("area2", "1.05")
    state.edit("r_termination_upper", "none")
    state.v_upper = 0.0123
    query = state.query()
    assert len(query) < 200 and "r_load_left=2.7kohm" in query
    other = BuildState()
    assert other.apply_query(query) == []
    assert other.circuit == state.circuit and other.v_upper == state.v_upper
    assert other.query() == query


def test_a_broken_link_says_what_was_not_read_and_keeps_the_rest(state):
    said = state.apply_query("circuit=nothing&r_load_left=5V&v_upper=7mV&colour=red&series=E5")
    assert len(said) == 4
    assert state.v_upper == 0.007 and state.circuit == shipped()[first_shipped()][0]


def test_a_file_brings_circuit_and_settings_back(state):
    state.choose_shipped("beacon-modulator")
    state.edit("tail_kind", "ideal")
    state.edit("i_tail", "1.5mA")
    state.edit("note", 'with "quotes" and <tags>')
    state.param.update(v_lower=-0.03, model="overlay", drive_upper=0.05)
    text = state.to_file()
    other = BuildState()
    (remark,) = other.apply_file(text)
    assert remark.endswith('[tail] resistor is not used with kind = "ideal".')
    assert other.circuit == state.circuit and other.query() == state.query()
    assert (other.v_lower, other.model, other.drive_upper) == (-0.03, "overlay", 0.05)


def test_a_bad_file_changes_nothing(state):
    state.edit("r_load_left", "2k7")
    before = state.circuit
    with pytest.raises(QuantityError) as error:
        state.apply_file('[loads]\nleft = "5 V"\nrihgt = "2 k"\n')
    assert "line 2" in str(error.value) and "line 3" in str(error.value)
    assert state.circuit == before


def test_a_file_of_ones_own_starts_from_the_nearest_shipped_circuit_and_says_what_it_took(state):
    text = BuildState(shipped="volume-cell", circuit=shipped()["volume-cell"][0]).to_file()
    text = text.partition("[scene]")[0].replace('title = "', 'title = "My ')
    said = state.apply_file(text.replace("[loads]", "[loads] # ").partition("[trim]")[0])
    assert said == [] and state.shipped == "volume-cell"
    assert state.off_base() == ["title"]
    said = state.apply_file('title = "Two loads"\n[loads]\nleft = "1k"\nright = "1k"\n')
    assert len(said) == 2 and all("not in the file; " in line for line in said)


def test_a_circuit_of_ones_own_stands_in_the_selector_with_its_name():
    page = BuildPage(None)
    page.start("")

    def titles():
        return dict(page.controls.spec["groups"][0]["rows"][0]["options"])

    first = titles()
    assert first["volume-cell"] == shipped()["volume-cell"][0].title
    text = page.state.to_file().replace('title = "Bat-call mixer"', 'title = "My receiver"')
    page.controls.handle({"kind": "load", "text": text})
    assert titles()["bat-call-mixer"] == "My receiver"
    page.controls.handle({"kind": "choose", "name": "shipped", "value": "volume-cell"})
    assert titles() == first


def test_a_file_without_a_circuit_changes_nothing_but_a_scene_of_the_page_is_taken(state):
    state.edit("r_load_left", "2k7")
    before = state.circuit
    for text in ("", "forktail = 1\n", "# nothing\n"):
        with pytest.raises(QuantityError, match="no .scene. table"):
            state.apply_file(text)
    assert state.circuit == before
    assert state.apply_file('[scene]\npage = "build"\ncircuit = "volume-cell"\nunit = 3\n') == []
    assert (state.shipped, state.unit, state.off_base()) == ("volume-cell", 3, [])


def test_a_setting_that_is_misspelled_in_a_file_is_said(state):
    text = state.to_file().replace("drive_upper", "drive_uper")
    assert state.apply_file(text) == [
        "'drive_uper' is not a setting of this page; did you mean 'drive_upper'?"
    ]


def test_a_scene_of_another_page_is_refused_whatever_its_comments_say(state):
    state.edit("r_load_left", "2k7")
    before = state.circuit
    with pytest.raises(QuantityError, match="a scene of the page 'steer'"):
        state.apply_file('# saved by forktail\n[scene]\npage = "steer"\nv_upper = "5mV"\n')
    assert state.circuit == before


def test_every_scene_comes_back_as_it_was_with_its_note(state):
    """What the undo of a page does: the links of its scenes, one after the other."""
    scenes = [(state.circuit, state.shipped, state.query())]

    def keep():
        scenes.append((state.circuit, state.shipped, state.query()))

    state.set_circuit(replace(state.circuit, title="Attic board", note="Fuse changed twice."))
    keep()
    state.edit("r_load_left", "2.71828k")
    keep()
    state.set_trims({"trim_upper": 1.23456e-4})
    keep()
    state.choose_shipped("volume-cell")
    keep()
    state.edit("area1", "1.0625")
    keep()
    for circuit, key, query in (*scenes[::-1], *scenes):
        assert state.restore(query) == []
        assert (state.circuit, state.shipped, state.query()) == (circuit, key, query)


@pytest.mark.parametrize("name", PRESETS)
def test_every_preset_loads_and_solves(state, name):
    state.apply_preset(name)
    assert state.scene().solved
    assert built_readouts.sentence(state.scene())


def test_a_changed_tail_drops_faults_of_parts_that_went_with_it(state):
    state.edit("faults", "open:r_tail_emitter;open:r_load_left")
    state.edit("tail_kind", "resistor")
    assert state.circuit.faults == ("open:r_load_left",)


def test_overlay_meets_the_textbook_where_the_parts_are_ideal(state):
    state.set_circuit(
        Circuit(
            beta_forward=math.inf,
            v_early=math.inf,
            tail_kind="ideal",
            r_bias_upper_pos=1e6,
            r_bias_upper_neg=1e6,
            r_bias_lower_pos=1e6,
            r_bias_lower_neg=1e6,
        )
    )
    state.model = "overlay"
    for x, built, ideal in state.curves().values():
        assert np.allclose(built, ideal, atol=2e-3 * np.max(np.abs(ideal)))
        assert x[0] == -0.1 and x[-1] == 0.1


def test_a_node_that_nothing_holds_is_shown_as_floating_with_what_a_meter_reads(state):
    assert state.scene().loose == {}
    state.edit("faults", "short:Q7.base-emitter")
    scene = state.scene()
    drawn = built_schematic.values(scene)
    for name in ("common_left", "common_right", "tail"):
        assert drawn[f"node-{name}"]["#"] == "floating"
    assert drawn["node-level_upper"]["#"].endswith("V")
    read = network.readings(state.circuit)["common_left"]
    rows = {name: value for name, _, value in built_readouts.numbers(scene)}
    (name,) = [n for n in rows if n.startswith("Collector of Q5")]
    assert "floating; as a meter of 10 MΩ reads it" in name and rows[name] == read
    found = compare(Change(replace(state.circuit, faults=()), state.circuit))
    after = {n: v for n, _, _, v in found.rows}
    assert after["Collector of Q5, common to Q1 and Q2"] == read


def test_an_unsolved_point_is_never_shown_as_a_number(state, monkeypatch):
    real = network.inspect

    def unsolved(circuit, *inputs, **options):
        found = real(circuit, *inputs, **options)
        lost = replace(found.point, converged=np.array(False), v_out=np.array(np.nan))
        return replace(found, point=lost)

    monkeypatch.setattr(network, "inspect", unsolved)
    scene = state.scene()
    assert scene.point is None
    drawn = built_schematic.values(scene)
    assert drawn["v_out"]["#"] == "no answer" and drawn["node-left"]["#"] == "no answer"
    assert drawn["ribbon1"]["stroke-width"] == "0.00"
    assert "no solution" in built_readouts.sentence(scene)


@pytest.mark.parametrize("key", shipped())
def test_shipped_circuits_have_no_fault_and_a_drawing_of_every_part(key):
    circuit, scene = shipped()[key]
    assert "use" in scene
    drawing = built_schematic.draw(circuit)
    for refs in references(circuit).values():
        for ref in refs:
            assert f'data-id="part-{ref}"' in drawing
            assert f'data-id="val-{ref}"' in drawing


def test_drawing_is_well_formed_for_every_kind_of_circuit():
    from xml.etree import ElementTree

    for upper in ("single", "balanced"):
        for tail in ("ideal", "resistor", "transistor"):
            circuit = Circuit(
                upper_mode=upper,
                lower_mode=upper,
                tail_kind=tail,
                r_emitter_upper=22.0,
                r_emitter_lower=0.0,
                c_load=0.0,
                r_termination_upper=math.inf,
            )
            tree = ElementTree.fromstring(built_schematic.draw(circuit))
            ids = [e.get("data-id") for e in tree.iter() if e.get("data-id")]
            assert len(ids) == len(set(ids))


def test_widths_of_the_ribbons_are_the_branch_currents(state):
    scene = state.scene()
    drawn = built_schematic.values(scene)
    widths = np.array([float(drawn[f"ribbon{k}"]["stroke-width"]) for k in range(1, 5)])
    currents = scene.built.i_upper
    assert np.allclose(widths / widths.sum(), currents / currents.sum(), atol=1e-3)


def test_references_are_unique_and_cover_the_parts_of_a_builder():
    circuit = Circuit(r_emitter_upper=10.0, r_emitter_lower=100.0)
    refs = [
        r
        for name, some in references(circuit).items()
        if not name.startswith("r_source")
        for r in some
    ]
    assert len(refs) == len(set(refs))
    for part in resistor_parts(circuit):
        assert part_reference(circuit, part) in refs
    for fault in single_faults(circuit):
        part_reference(circuit, fault.part)  # never an error
    assert part_reference(circuit, "c_coupling_upper") == "C3"
    assert part_reference(circuit, "r_emitter_q6") == "R20"


@pytest.mark.parametrize("series", ["E6", "E12", "E24", "E96"])
def test_rounding_gives_preferred_values_within_half_a_step(series):
    """Members of the series: IEC 60063:2015 through `parts.series_values` (tested there)."""
    circuit = Circuit(r_load_left=2345.0, r_string_top=7003.0, c_coupling_upper=123e-9)
    rounded, rows = round_circuit(circuit, series)
    again, _ = round_circuit(rounded, series)
    assert again == rounded
    for row in rows:
        unit = 1.0 if row.name.startswith("r_") else 1e12
        members = series_values(row.series, row.fitted * unit * 0.5, row.fitted * unit * 2)
        assert np.min(np.abs(members / (row.fitted * unit) - 1)) < 1e-9
        assert row.error == pytest.approx(row.fitted / row.wanted - 1)
        assert getattr(rounded, row.name) == row.fitted
    assert rounded.r_source_upper == circuit.r_source_upper and rounded.c_load == circuit.c_load


def test_comparison_is_that_of_two_separate_solutions(state):
    broken = replace(state.circuit, faults=("open:r_load_left",))
    found = compare(Change(state.circuit, broken, 0.02, 0.01))
    rows = {name: (before, after) for name, _, before, after in found.rows}
    assert rows["Output here"] == (
        float(network.solve_built(state.circuit, 0.02, 0.01).v_out),
        float(network.solve_built(broken, 0.02, 0.01).v_out),
    )
    fault = next(f for f in single_faults(state.circuit) if f.key == "open:r_load_left")
    said = what_if.fault_sentence(fault, found)
    assert said.startswith("Fault: The left load resistor is open.") and "saturated" in said


def test_applying_a_finding_is_what_the_core_proposes_and_can_be_undone(state):
    state.edit("r_load_left", "12k")
    state.edit("r_load_right", "12k")
    found = assess(state.driven()).findings
    worst = found[0]
    assert worst.severity == "severe" and worst.change
    wrong, query = state.circuit, state.query()
    state.set_circuit(findings.apply(state.circuit, worst))
    rest = network.inspect(state.circuit, 0.1, 0.01).headroom["Q1"]
    assert float(rest) >= 0.0
    state.restore(query)
    assert state.circuit == wrong


def test_the_output_that_figures_tell_has_come_through_coupling_and_loads(state):
    """sin a sin b makes lines of half the product gain; single poles by hand for the rest."""
    a, b = 0.002, 0.003
    found = assess(DrivenCircuit(state.circuit, a, b))
    f, gain = found.figures, 0.5 * found.figures.product_gain * a * b
    (_, apart, difference), (_, total, summed) = found.lines
    upper, lower = 0.5 * (total + apart), 0.5 * (total - apart)
    for side, at in (("upper", upper), ("lower", lower)):
        gain /= math.hypot(1.0, getattr(f, f"coupling_{side}") / at)
    assert difference == pytest.approx(gain / math.hypot(1.0, apart / f.load_pole), rel=5e-3)
    assert summed == pytest.approx(gain / math.hypot(1.0, total / f.load_pole), rel=5e-3)
    assert summed < 0.9 * gain
    rows = {name: (value, remark) for name, _, value, remark in built_readouts.figure_rows(found)}
    assert rows["Output at the difference"][0] == difference
    assert "2 kHz" in rows["Output at the difference"][1]
    assert assess(DrivenCircuit(state.circuit, 0.0, b)).lines == ()


def test_null_it_leaves_next_to_nothing_on_an_unequal_build(state):
    state.unit = 7
    before, same = state.judge()
    assert before == same and abs(before["offset"]) > 1e-3
    state.null(("trim_balance",))
    now, untrimmed = state.judge()
    assert abs(now["offset"]) < 1e-3 * abs(before["offset"])
    assert untrimmed == pytest.approx(before)
    state.null()
    now, _ = state.judge()
    assert abs(now["feed_upper"]) < 1e-4 and abs(now["feed_lower"]) < 1e-4


def test_a_run_depends_on_the_circuit_but_not_on_the_trims(state):
    batch = state.batch()
    state.set_trims({"trim_upper": 1e-3})
    state.edit("title", "Mine")
    assert state.batch() == batch
    state.edit("r_load_left", "2k7")
    assert state.batch() != batch


def test_trims_of_one_build_leave_the_circuit_as_drawn(state):
    state.unit = 7
    drawn = state.circuit
    state.null()
    assert state.circuit == drawn and any(state.trims().values())
    other = BuildState()
    assert other.apply_query(state.query()) == [] and other.trims() == state.trims()
    state.read_setting("unit", "8")
    assert not any(state.trims().values())
    with pytest.raises(QuantityError, match="400 builds"):
        state.read_setting("unit", "401")


@pytest.mark.parametrize(
    "first, then",
    [
        ("fault=%20&tab=faults", ""),
        (
            "circuit=bat-call-mixer&tab=faults&fault=open:Q7.base",
            "circuit=beacon-modulator&tab=faults",
        ),
        ("circuit=beacon-modulator&tab=faults&fault=open:r_tail", "circuit=volume-cell&tab=faults"),
    ],
)
def test_a_page_that_is_open_takes_links_with_faults_of_other_circuits(first, then):
    """As when a presenter's scenes are followed; each step draws the page at once."""
    page = BuildPage(None)
    page.start("")
    for query in (first, then, first):
        assert page.state.apply_query(query) == []
        assert page.state.fault in {"", *(f.key for f in page.state.faults())}
