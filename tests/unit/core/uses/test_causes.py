"""The path and the parts of a built cell in every use, and which part causes what."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.built import network
from forktail.core.built.circuit import Circuit
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.path import IDEAL, Feed, Path
from forktail.core.uses import USES, causes, run_use
from forktail.core.uses.reference import bench

SHIPPED = shipped()["bat-call-mixer"][0]
POLE = float(network.corners(SHIPPED)["load_pole"])
CORNER = float(network.corners(SHIPPED)["coupling_lower"])
#: Stiff sources, no base current, no coupling, no load capacitance: the textbook, part by part.
CLEAN = Circuit(
    tail_kind="ideal", r_source_upper=0.0, r_source_lower=0.0, r_termination_upper=math.inf,
    r_termination_lower=math.inf, beta_forward=math.inf, v_early=math.inf, g_leak=1e-16,
    c_coupling_upper=1e-3, c_coupling_lower=1e-3, c_load=1e-15,
)  # fmt: skip


def value(key, figure, entries=None, solve=None, path=None):
    return run_use(key, entries, solve, False, path).merit(figure).value


def pole(f, corner=POLE):
    return 1.0 / math.hypot(1.0, f / corner)


# ---------------------------------------------------------------- the path


def test_variable_gain_loses_what_the_load_pole_takes():
    # the finding: 110 kHz was amplified as 20 kHz is; a single pole makes it 0.57 of that
    low, high = (
        value("variable_gain", "gain", {"frequency": f}, BuiltCell(SHIPPED)) for f in (20e3, 110e3)
    )
    # the coupling corner, far below, adds a tenth of a per cent
    assert high / low == pytest.approx(pole(110e3) / pole(20e3), rel=1e-3)
    assert high / low == pytest.approx(0.57, abs=0.01)
    run = run_use("variable_gain", {"frequency": 110e3}, BuiltCell(SHIPPED))
    assert "load pole at 73.4 kHz" in run.merit("gain").because
    # every gain of the page is that of the path; a lag is not a gain turned over
    for figure in ("largest", "opposite"):
        rows = [
            value("variable_gain", figure, {"frequency": f}, BuiltCell(SHIPPED))
            for f in (20e3, 110e3)
        ]
        assert rows[1] / rows[0] == pytest.approx(pole(110e3) / pole(20e3), rel=1e-3)
    assert high > 0.0


def test_the_sum_of_a_mixer_is_behind_its_difference():
    run = run_use("mixer", solve=BuiltCell(SHIPPED))
    merit = run.merit("other_product")
    assert merit.value == pytest.approx(20 * math.log10(pole(88e3) / pole(2e3)), abs=1e-3)
    assert merit.value == pytest.approx(-3.9, abs=0.05)
    assert not merit.holds and "load pole" in merit.because


def test_a_coupling_corner_weakens_the_image_less_than_a_low_signal():
    path = Path(lower=Feed(corner=30e3))
    entries = {
        "signal_frequency": 20e3,
        "oscillator_frequency": 43e3,
        "second_amplitude": 0.0,
        "signal_amplitude": 1e-5,
    }
    rejection = value("mixer", "image", entries, path=path)
    high_pass = [f / math.hypot(f, 30e3) for f in (20e3, 66e3)]
    assert rejection == pytest.approx(20 * math.log10(high_pass[0] / high_pass[1]), abs=1e-6)


@pytest.mark.parametrize(
    "key, figure, tone", [("am", "depth", 2e3), ("dsb", "sideband", 2e3), ("ssb", "wanted", 2e3)]
)
def test_a_tone_is_weakened_by_its_coupling_capacitor(key, figure, tone):
    corner = 3e3
    small = {"tone_amplitude": 1e-4, "carrier_amplitude": 1e-3}
    plain = value(key, figure, small)
    weak = value(key, figure, small, path=Path(lower=Feed(corner=corner)))
    assert weak / plain == pytest.approx(tone / math.hypot(tone, corner), rel=1e-4)


def test_depth_of_am_is_told_apart_by_its_cause():
    merit = run_use("am", solve=BuiltCell(SHIPPED)).merit("depth")
    assert merit.value == pytest.approx(50.0 * 2e3 / math.hypot(2e3, CORNER), rel=0.01)
    assert not merit.holds and "coupling capacitor of the lower input" in merit.because


def test_the_zero_of_a_detector_turns_with_its_feeds():
    path = Path(upper=Feed(corner=8e3), lower=Feed(corner=1e3))
    turned = math.degrees(math.atan(8e3 / 40e3) - math.atan(1e3 / 40e3))
    run = run_use("phase_detector", path=path)
    assert run.merit("zero").value == pytest.approx(90.0 - turned, abs=1e-3)
    assert not run.merit("zero").holds and "coupling" in run.merit("zero").because


def test_the_square_at_twice_the_frequency_is_behind_the_pole():
    small = {"amplitude": 1e-3, "offset_upper": 0.0, "offset_lower": 0.0}
    path = Path(load_pole=50e3)
    for figure, f in (("second", 45e3), ("dc", 0.0)):
        assert value("squarer", figure, small, path=path) == pytest.approx(
            value("squarer", figure, small) * pole(f, 50e3), rel=1e-6
        )


def test_the_loop_hears_what_is_behind_the_pole():
    path = Path(load_pole=30e3)
    plain, slow = (value("gain_control_loop", "least_input", path=p) for p in (IDEAL, path))
    assert slow / plain == pytest.approx(1.0 / pole(45e3, 30e3), rel=2e-3)


def test_a_mixer_record_is_what_time_steps_give():
    """The output behind coupling and pole against the records of run_path."""
    from forktail.core.path import run_path

    solve = BuiltCell(SHIPPED)
    run = run_use("mixer", solve=solve, detail=False)
    t = run.records["output"].x
    waves = (run.records["oscillator"].y, run.records["signal"].y)
    passed = run_path(solve, *waves, float(t[1] - t[0]))
    np.testing.assert_allclose(run.records["output"].y, passed.loads.v_out, atol=2e-5)


@pytest.mark.parametrize("key", USES)
def test_an_ideal_circuit_is_the_textbook(key):
    """Beta, Early voltage and coupling without limit: what the built cell gives is the law."""
    b = bench(BuiltCell(CLEAN))
    cell = TextbookCell(i_tail=b.i_tail, r_load=b.r_load)
    built, plain = (run_use(key, None, s, False) for s in (BuiltCell(CLEAN), cell))
    for ours, law in zip(built.merits, plain.merits):
        if law.unit == "dB" and abs(law.value) > 100.0:
            continue
        assert ours.value == pytest.approx(law.value, rel=2e-3, abs=1e-6), ours
    assert built.sentence[:20] == plain.sentence[:20]


def test_dc_behind_a_coupling_capacitor_is_told():
    (note,) = run_use("am", solve=BuiltCell(SHIPPED), detail=False).notes
    assert "lower input is applied behind its coupling capacitor" in note
    assert run_use("am", {"offset": 0.0}, BuiltCell(SHIPPED), False).notes == ()
    assert run_use("am", detail=False).notes == ()


# ---------------------------------------------------------------- causes


@pytest.mark.parametrize(
    "changes, key, figure, named",
    [
        ({"beta_forward": 12.0}, "variable_gain", "gain", "current gain of 12"),
        ({"c_load": 2e-9}, "variable_gain", "gain", "load pole at 36.2 kHz"),
        ({"c_coupling_lower": 10e-12}, "mixer", "conversion_gain", "coupling capacitor of the low"),
        ({"r_source_lower": 1500.0, "r_termination_lower": math.inf}, "mixer", "conversion_gain",
         "source of 1.50 k\u03a9 before the bias of the lower input"),
        ({"area": (1.3, 1, 1, 1, 1, 1, 1)}, "dsb", "suppression", "unequal transistors"),
    ],
)  # fmt: skip
def test_the_part_that_causes_it_is_named_and_no_other(changes, key, figure, named):
    merit = run_use(key, solve=BuiltCell(replace(CLEAN, **changes))).merit(figure)
    assert not merit.holds and named in merit.because, merit
    parts = ("current gain", "load pole", "coupling capacitor", "source of", "unequal", "Early")
    assert sum(p in merit.because for p in parts) == 1, merit.because


def test_shares_are_apportioned():
    """A source that halves the drive and a pole at the frequency: -50 % and a further -15 %."""
    circuit = replace(
        CLEAN, r_source_upper=2200.0, r_termination_upper=math.inf, upper_mode="balanced",
        r_bias_upper_pos=1100.0, r_bias_upper_neg=1100.0, c_load=1.6077e-9,
    )  # fmt: skip
    merit = run_use("variable_gain", solve=BuiltCell(circuit)).merit("gain")
    b = bench(BuiltCell(circuit))
    assert b.path.load_pole == pytest.approx(45e3, rel=2e-3)
    assert (
        "source of 2.20 k\u03a9 before the bias of the upper input makes \u221235" in merit.because
    )
    assert "load pole at 45.0 kHz makes \u221214" in merit.because


def test_emitter_resistors_are_in_the_relations_and_no_cause():
    circuit = replace(CLEAN, r_emitter_upper=220.0, r_emitter_lower=220.0)
    for key, figure in (
        ("mixer", "conversion_gain"), ("mixer", "intercept"), ("mixer", "third_order"),
        ("dsb", "sideband"), ("dsb", "third_order"), ("squarer", "second"), ("squarer", "fourth"),
        ("variable_gain", "gain"), ("variable_gain", "hd3"), ("variable_gain", "largest"),
        ("variable_gain", "control_range"), ("ssb", "wanted"), ("am", "depth"),
    ):  # fmt: skip
        # an oscillator that switches upper pairs with such resistors hard would take volts
        of = replace(circuit, r_emitter_upper=0.0) if key == "mixer" else circuit
        merit = run_use(key, None, BuiltCell(of)).merit(figure)
        assert merit.holds and not merit.because, merit


def test_a_faint_cause_is_left_out_and_an_ideal_cell_has_none():
    assert causes.ideals(bench(TextbookCell())) == {}
    found = causes.ideals(bench(BuiltCell(SHIPPED)))
    assert set(found) == {
        "load_pole", "coupling_upper", "coupling_lower", "drive_upper", "drive_lower", "beta",
        "early", "tail",
    }  # fmt: skip
    whole = {"a": 1.0}
    assert causes.shares(whole, lambda ideal: {"a": 0.9}, bench(BuiltCell(SHIPPED))) == {"a": ()}
    three = causes.shares(whole, lambda ideal: {"a": 0.4}, bench(BuiltCell(SHIPPED)))["a"]
    assert len(three) == causes.MOST and all(s == pytest.approx(0.6) for _, s in three)


def test_hard_switching_is_that_of_the_same_circuit():
    # the finding: 20 % of what hard switching gives, where a hard drive gives 87 %
    merit = run_use("mixer", {"oscillator_amplitude": 0.1}, BuiltCell(SHIPPED)).merit("hard_limit")
    hard = value(
        "mixer", "conversion_gain",
        {"oscillator_amplitude": 1.0, "second_amplitude": 0.0, "signal_amplitude": 1e-4},
        BuiltCell(SHIPPED),
    )  # fmt: skip
    soft = value(
        "mixer", "conversion_gain",
        {"oscillator_amplitude": 0.1, "second_amplitude": 0.0, "signal_amplitude": 1e-4},
        BuiltCell(SHIPPED),
    )  # fmt: skip
    assert merit.value == pytest.approx(100 * soft / hard, rel=5e-3)
    assert merit.value == pytest.approx(87.0, abs=1.0) and merit.holds


def test_each_part_of_a_built_cell_is_made_ideal_alone():
    odd = replace(
        SHIPPED, area=(1.0, 1.1, 1.0, 1.0, 0.9, 1.0, 1.0), r_load_right=2000.0, trim_upper=1e-3,
        trim_lower=-1e-3, trim_balance=0.01,
    )  # fmt: skip
    b = bench(BuiltCell(odd, stiff=True), Path(Feed(50.0), Feed(70.0), 9e4))
    found = causes.ideals(b)
    inf = float("inf")
    circuits = {
        "beta": dict(beta_forward=inf), "early": dict(v_early=inf),
        "drive_upper": dict(r_source_upper=0.0, r_termination_upper=inf),
        "drive_lower": dict(r_source_lower=0.0, r_termination_lower=inf),
        "match": dict(area=(1.0,) * 7, r_load_left=2100.0, r_load_right=2100.0, trim_upper=0.0,
                      trim_lower=0.0, trim_balance=0.0),
        "tail": dict(tail_kind="ideal", i_tail=float(network.solve_bias(odd).i_tail)),
    }  # fmt: skip
    paths = {
        "load_pole": Path(Feed(50.0), Feed(70.0)),
        "coupling_upper": Path(Feed(0.0), Feed(70.0), 9e4),
        "coupling_lower": Path(Feed(50.0), Feed(0.0), 9e4),
    }
    assert set(found) == {*circuits, *paths}
    for part, changes in circuits.items():
        assert found[part].solve == BuiltCell(replace(odd, **changes), stiff=True), part
        assert found[part].path == b.path
    for part, path in paths.items():
        assert found[part].path == path and found[part].solve == b.solve, part


def test_offsets_of_a_textbook_cell_are_taken_away_one_by_one_and_what_is_ideal_is_not_told():
    cell = TextbookCell(offset_left=1e-3, offset_lower=-2e-3)
    found = causes.ideals(bench(cell))
    assert {k: b.solve for k, b in found.items()} == {
        "offset_left": replace(cell, offset_left=0.0),
        "offset_lower": replace(cell, offset_lower=0.0),
    }
    assert causes.ideals(bench(TextbookCell())) == {}


def test_shares_are_told_from_fifteen_hundredths_on_the_largest_first():
    cell = TextbookCell(offset_left=1e-3, offset_right=1e-3, offset_lower=1e-3)
    b = bench(cell, Path(load_pole=1e5))
    left = {
        "few": {"load_pole": 0.5, "offset_left": 0.86, "offset_right": 1.4, "offset_lower": 0.84},
        "many": {"load_pole": 0.6, "offset_left": 0.5, "offset_right": 0.7, "offset_lower": 0.2},
        "turned": {
            "load_pole": -0.2,
            "offset_left": 0.1,
            "offset_right": 0.0,
            "offset_lower": -0.5,
        },
    }

    def judge(ideal):
        part = next(k for k, other in causes.ideals(b).items() if other == ideal)
        return {figure: values[part] for figure, values in left.items()} | {"same": 2.0}

    off = {"few": 1.0, "many": 1.0, "turned": -1.0, "same": 2.0, "zero": 0.0}
    found = causes.shares(off, judge, b)
    assert {k: [part for part, _ in parts] for k, parts in found.items()} == {
        "few": ["load_pole", "offset_lower"],
        "many": ["offset_lower", "offset_left", "load_pole"],  # at most three
        "turned": ["offset_left", "offset_right", "load_pole"],
        "same": [], "zero": [],
    }  # fmt: skip
    assert [s for _, s in found["many"]] == pytest.approx([0.8, 0.5, 0.4])
    assert [s for _, s in found["turned"]] == pytest.approx([-1.1, -1.0, -0.8])

    def refuse(ideal):
        raise QuantityError("no answer")

    assert causes.shares({"figure": 1.0}, refuse, b) == {"figure": ()}
