"""Findings: each kind is found where it is, its number is right, and its remedy works."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.core.built import network
from forktail.core.built.circuit import Circuit, break_part, single_faults
from forktail.core.built.findings import SEVERITIES, Finding, apply, findings
from forktail.core.checks import QuantityError

C = Circuit()
SMALL = {"drive_upper": 0.01, "drive_lower": 0.01}


def one(circuit, key, **drives):
    found = [f for f in findings(circuit, **drives) if f.key == key]
    assert found, [f.text for f in findings(circuit, **drives)]
    return found[0]


def keys(circuit, **drives):
    return [f.key for f in findings(circuit, **drives)]


def test_healthy_circuit_gets_one_good_finding():
    found = findings(C, **SMALL)
    assert [f.severity for f in found] == ["good"]
    assert "All seven transistors" in found[0].text
    # the number in the sentence: 10 mV on both inputs
    v = float(network.solve_built(C, 0.01, 0.01).v_out)
    assert network.product_gain(C) * 1e-4 == pytest.approx(v, rel=0.1)


def test_order_is_by_severity():
    found = findings(replace(break_part(C, "swapped:levels"), v_supply=40.0))
    ranks = [SEVERITIES.index(f.severity) for f in found]
    assert ranks == sorted(ranks) and len(set(ranks)) > 1


def test_saturation_names_number_and_working_remedies():
    bad = replace(C, r_load_left=12e3, r_load_right=12e3)
    f = one(bad, "saturated")
    assert f.severity == "severe" and f.part in ("Q1", "Q2", "Q3", "Q4")
    assert "at the positive peaks of both drives" in f.text or "peak" in f.text
    room = network.headroom(bad, [0.1, 0.1, -0.1, -0.1], [0.01, -0.01, 0.01, -0.01])
    assert f.value == pytest.approx(-min(r.min() for r in room.values()), rel=1e-6)
    assert "Lower the load to" in f.suggestion and "tail to" in f.suggestion
    assert "saturated" not in keys(apply(bad, f))

    def least(loads):
        rooms = network.headroom(loads, [0.1, 0.1, -0.1, -0.1], [0.01, -0.01, 0.01, -0.01])
        return min(float(r.min()) for r in rooms.values())

    # it leaves half a volt, and is the largest such load to the rounding of two digits
    assert least(apply(bad, f)) >= 0.5
    assert least(replace(bad, **{k: v * 1.1 for k, v in f.change.items()})) < 0.5


def test_tail_remedy_of_the_same_sentence_works_too():
    bad = replace(C, r_load_left=12e3, r_load_right=12e3, tail_kind="ideal", i_tail=1.2e-3)
    text = one(bad, "saturated").suggestion
    assert "lower the tail to" in text
    amps = float(text.split("tail to ")[1].split()[0]) * 1e-6
    assert 1e-4 < amps < 1.2e-3
    assert "saturated" not in keys(replace(bad, i_tail=0.98 * amps))


def test_low_headroom_is_a_warning_and_is_cured():
    bad = replace(C, r_string_bottom=2150.0)
    f = one(bad, "low headroom")
    assert f.severity == "warning" and 0 < f.value < 0.2 and f.part == "Q7"
    assert "low headroom" not in keys(apply(bad, f))


def test_lower_pair_saturated_raises_the_upper_level():
    bad = replace(C, r_string_middle=60.0)
    f = one(bad, "saturated")
    assert f.part in ("Q5", "Q6") and "r_string_middle" in f.change
    assert "saturated" not in keys(apply(bad, f))


@pytest.mark.parametrize(
    "change", [{"tail_kind": "ideal", "i_tail": 0.0}, {"r_tail_base_bottom": 300.0}]
)
def test_starved(change):
    bad = replace(C, **change)
    f = one(bad, "starved")
    assert f.severity == "severe" and abs(f.value) < 1e-5
    cured = apply(bad, f)
    assert "starved" not in keys(cured)
    assert network.solve_bias(cured).i_tail > 1e-4


def test_cut_off_at_rest():
    f = one(replace(C, trim_lower=0.3), "cut off")
    assert "Q6" in f.text and f.change == {"trim_lower": 0.0}


def test_loading_of_the_string():
    bad = replace(C, r_string_top=68e3, r_string_middle=27e3, r_string_bottom=33e3)
    f = one(bad, "loading", **SMALL)
    assert f.value < 0
    assert "loading" not in keys(apply(bad, f), **SMALL)


def test_a_string_that_base_currents_pull_down_is_the_cause_of_what_follows():
    bad = replace(C, r_string_top=6.8e6, r_string_middle=2.7e6, r_string_bottom=3.3e6)
    f = one(bad, "loading")
    assert f.severity == "severe" and findings(bad)[0] == f
    for other in findings(bad):
        assert "base divider" not in other.suggestion
    mended = apply(bad, f)
    assert mended.r_string_top < 30e3 and "saturated" not in keys(mended)


@pytest.mark.parametrize(
    "change, part, word, cure",
    [
        ({"r_bias_lower_pos": 100e3}, "r_bias_lower_pos", "bias resistors of the lower", 2200.0),
        ({"r_bias_upper_neg": 100e3}, "r_bias_upper_neg", "bias resistors of the upper", 2200.0),
        ({"trim_lower": 0.2}, "r_bias_lower_pos", "trim of the lower input, 200 mV", None),
        ({"area": (1, 1, 1, 1, 1, 500, 1)}, "Q5", "unequal transistors of the lower", None),
    ],
)
def test_a_pair_that_is_held_to_one_side_is_told_from_pairs_that_are_not_crossed(
    change, part, word, cure
):
    bad = replace(C, r_emitter_lower=100.0, **change)
    f = one(bad, "lopsided")
    assert f.severity == "severe" and f.part == part and word in f.text
    assert "Q3" not in f.text + f.suggestion and "not crossed" not in keys(bad)
    mended = apply(bad, f)
    assert not {"lopsided", "not crossed"} & set(keys(mended))
    if cure:
        assert getattr(mended, part) == cure


def test_heat_and_supply_cautions():
    hot = replace(
        C,
        tail_kind="ideal",
        i_tail=0.05,
        r_load_left=47.0,
        r_load_right=47.0,
        r_string_top=680.0,
        r_string_middle=270.0,
        r_string_bottom=330.0,
    )
    f = one(hot, "heat")
    power = network.dissipation(hot, [0, 0.1, -0.1], [0.01, 0.01, 0.01])
    assert f.part.startswith("Q") and f.value >= max(
        p.max() for k, p in power.items() if k.startswith("Q")
    ) * (1 - 1e-9)
    assert one(replace(C, v_supply=40.0), "supply").severity == "warning"
    high = one(replace(C, v_supply=80.0), "supply")
    assert high.severity == "severe" and "local codes" in high.suggestion
    assert "hot" in keys(replace(C, temperature=380.0))


def test_linear_range_with_its_distortion_and_emitter_resistor():
    drive = 0.04
    f = one(C, "linear range", drive_upper=0.0, drive_lower=drive)
    assert f.part == "lower"
    assert f.value == pytest.approx(float(network.distortion(C, "lower", [drive])[0]))
    assert "r_emitter_lower" in f.change
    assert "linear range" not in keys(apply(C, f), drive_upper=0.0, drive_lower=drive)


def test_feedthrough_and_its_trim():
    bad = replace(C, area=(1, 1, 1, 1, 1.1, 1, 1))
    f = one(bad, "feedthrough", **SMALL)
    v_t = 0.0256926  # at 25 degC
    # an area ratio acts as an offset of VT ln(ratio) (Gray et al., chapter 3)
    assert f.change["trim_lower"] == pytest.approx(-v_t * math.log(1.1), rel=2e-3)
    assert "as if the lower input had an offset" in f.text
    assert "feedthrough" not in keys(apply(bad, f), **SMALL)
    unequal = replace(C, r_bias_lower_neg=47e3)
    f = one(unequal, "feedthrough", **SMALL)
    assert f.change == {"r_bias_lower_pos": 2200.0, "r_bias_lower_neg": 2200.0}
    assert keys(apply(unequal, f), **SMALL) == ["healthy"]


def test_offset_of_unequal_loads_is_balanced():
    bad = replace(C, r_load_left=2300.0)
    f = one(bad, "offset", **SMALL)
    assert abs(network.solve_bias(apply(bad, f)).v_out) < 1e-6


def test_breakdown_of_the_base_emitter_junction():
    f = one(C, "breakdown", drive_upper=10.0, drive_lower=0.01)
    assert f.value > 5 and "Keep the drives to" in f.suggestion


def test_open_load_without_a_declared_fault():
    bad = replace(C, r_load_right=1e8)
    f = one(bad, "open load")
    assert f.part == "r_load_right"
    assert apply(bad, f) == C


def test_every_fault_is_named_and_repaired():
    for fault in single_faults(C)[::7]:
        f = one(break_part(C, fault), "fault")
        assert f.text == fault.text and f.severity == "severe"
        assert apply(break_part(C, fault), f) == C


def test_reversed_pair_and_swapped_levels():
    assert "not crossed" in keys(break_part(C, "swapped:pair_left"))
    assert "sign" in keys(break_part(C, "swapped:pair_lower"))
    swapped = findings(break_part(C, "swapped:levels"))
    assert any("bias levels are swapped" in f.text for f in swapped)
    assert any(f.suggestion.startswith("Repairing the fault") for f in swapped)


def test_no_solution_is_told(monkeypatch):
    monkeypatch.setattr(network, "ACCEPT", 0.0)
    found = findings(C)
    assert found[0].key == "not solved" and "no number" in found[0].text


def test_texts_are_sentences():
    for circuit in (
        C,
        replace(C, r_load_left=12e3),
        break_part(C, "open:Q5.base"),
        replace(C, r_load_left=0.0),
        replace(C, v_supply=0.0),
    ):
        for f in findings(circuit):
            assert isinstance(f, Finding) and f.severity in SEVERITIES
            for text in filter(None, (f.text, f.suggestion)):
                assert text[0].isupper() and text.endswith("."), text
                assert "nan" not in text and "not a number" not in text


def test_bad_drive_is_refused():
    with pytest.raises(QuantityError, match="drive_upper"):
        findings(C, drive_upper=-1.0)
    with pytest.raises(QuantityError, match="drive_lower"):
        findings(C, drive_lower=np.nan)
