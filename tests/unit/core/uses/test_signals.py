"""Two drives through the matched cell: every figure and its law, typed again.

I R tanh(u/2VT) tanh(w/2VT) and the series of one pair: Gray, Hurst, Lewis, Meyer, chapters 3, 10.
"""

import math
import xml.etree.ElementTree as xml

import numpy as np
import pytest
import scipy.optimize

from forktail.core.cell.law import solve_cell
from forktail.core.checks import QuantityError
from forktail.core.models import TextbookCell
from forktail.core.path import Feed, Path
from forktail.core.uses.signals import product_slope, run_signals, sign_changes, unevenness
from forktail.core.waves.drives import Drive

V_T = 0.025692579121085843  # exact k and q (SI Brochure, 9th edition, 2019), 298.15 K
FULL = 2e-3 * 1e3
TURN = 2 * np.pi * (np.arange(256) + 0.5) / 256


def bend(x):
    """Fundamental of what a sine of x VT steers, over what its slope at rest would give."""
    return 2 * np.mean(np.tanh(x / 2 * np.cos(TURN)) * np.cos(TURN)) / (x / 2)


#: Peak, V, at which the fundamental is 1 % short.
ONE_PER_CENT = V_T * scipy.optimize.brentq(lambda x: bend(x) - 0.99, 0.01, 2.0)


def sine(amplitude, frequency, dc=0.0):
    return Drive("dc_sine" if dc else "sine", amplitude, frequency, offset=dc)


def carrier(amplitude=5e-3, dc=0.0):
    return sine(amplitude, 40e3, dc)


def tone(amplitude=5e-3, dc=0.0):
    return sine(amplitude, 4e3, dc)


def merits(upper, lower, **more):
    return {m.key: m for m in run_signals(upper, lower, **more).merits}


def test_each_scene_has_the_figures_that_mean_something_there():
    product = ["product_error", "uneven", "sideband", "carrier_suppression",
               "carrier_suppression_peak", "leak"]  # fmt: skip
    both = Drive("two_tone", 5e-3, 40e3, second_amplitude=4e-3, second_frequency=42e3)
    call = Drive("call", 5e-3, 80e3, second_frequency=43e3, repeat_frequency=100.0)
    for upper, lower, keys in (
        (carrier(), tone(), product),
        (carrier(), Drive("square", 5e-3, 4e3), [k for k in product if k != "sideband"]),
        (carrier(), Drive("triangle", 5e-3, 4e3), [k for k in product if k != "sideband"]),
        # 4 to 3: uneven halves and an envelope mean nothing
        (carrier(), sine(5e-3, 30e3),
         [k for k in product if k not in ("uneven", "carrier_suppression_peak")]),
        (carrier(), Drive("am", 5e-3, 4e3, repeat_frequency=500.0),
         [k for k in product if k not in ("uneven", "sideband")]),
        (carrier(), Drive("dc", offset=0.02), ["product_error", "uneven", "distortion"]),
        (Drive("dc", offset=0.02), tone(), ["product_error", "uneven", "distortion"]),
        (both, Drive("dc", offset=0.05), ["product_error", "third_order"]),
        (call, Drive("dc", offset=0.05), ["product_error"]),
        (carrier(), carrier(), ["product_error"]),
        (carrier(), Drive("dc"), []),
    ):  # fmt: skip
        assert list(merits(upper, lower)) == keys, (upper, lower)


def test_sum_and_difference_are_half_the_product_of_what_each_steers():
    found = merits(carrier(0.03), tone(0.08))["sideband"]
    parts = [bend(a / V_T) * a / (2 * V_T) for a in (0.03, 0.08)]
    assert found.relation_value == pytest.approx(FULL * parts[0] * parts[1] / 2, rel=1e-4)
    assert found.value == pytest.approx(found.relation_value, rel=1e-4) and found.holds
    for dc in (
        dict(upper=carrier(dc=1e-3), lower=tone()),
        dict(upper=carrier(), lower=tone(dc=1e-3)),
    ):
        assert not merits(**dc)["sideband"].holds
    resistors = TextbookCell(r_emitter_upper=100.0)
    assert merits(carrier(1e-3), tone(2e-3), solve=resistors)["sideband"].holds
    assert not merits(carrier(1e-3), tone(0.05), solve=resistors)["sideband"].holds


@pytest.mark.parametrize("level", [39.5, 40.5])
def test_carrier_and_tone_are_suppressed_by_how_little_dc_the_other_input_has(level):
    """A over 2 DC: each sideband of an AM wave is half of m (Haykin, Communication Systems)."""
    amplitude = 1e-3
    dc = amplitude / 2 / 10 ** (level / 20)
    up = merits(carrier(2 * amplitude), tone(amplitude, dc))
    low = merits(carrier(amplitude, dc), tone(2 * amplitude))
    for found, key in ((up, "carrier_suppression"), (low, "leak")):
        assert found[key].value == pytest.approx(level, abs=0.05)
        assert found[key].holds is (level > 40)
    assert up["carrier_suppression"].relation_value == pytest.approx(level, abs=1e-9)
    assert low["carrier_suppression"].relation_value is None
    assert up["leak"].holds and low["carrier_suppression"].holds and up["leak"].value > 100
    assert up["carrier_suppression"].name == (
        "Carrier suppression, against one sideband (upper input is the carrier)"
    )
    # against the peak of the envelope, where tone and DC add up: 6 dB and a little more
    peak = up["carrier_suppression_peak"]
    assert peak.value == pytest.approx(20 * math.log10((amplitude + dc) / dc), abs=0.05)
    assert peak.relation_value == pytest.approx(peak.value, abs=0.05)
    assert 6.0 < peak.value - up["carrier_suppression"].value < 6.2
    assert up["leak"].name == "Sideband over the lower leak"
    # the faster input is the carrier
    turned = merits(tone(amplitude, dc), carrier(2 * amplitude))
    assert turned["carrier_suppression"].name.endswith("(lower input is the carrier)")
    assert turned["carrier_suppression"].relation_value == pytest.approx(level, abs=1e-9)
    assert turned["leak"].name == "Sideband over the upper leak"


def test_a_product_of_high_order_on_the_frequency_of_the_tone_is_no_leak():
    # 4 kHz is 40 kHz less nine times 4 kHz: 148 dB under the sidebands, from a matched cell
    assert merits(carrier(0.06), tone(0.02))["leak"].value >= 200.0
    assert 60 < merits(carrier(0.06, 1e-6), tone(0.02))["leak"].value < 120


def test_the_product_is_true_up_to_one_per_cent_of_either_pair():
    edge = ONE_PER_CENT
    for a, b, holds in (
        (0.5 * edge, 0.5 * edge, True),
        (0.95 * edge, 1e-4, True),
        (1.05 * edge, 1e-4, False),
        (1e-4, 1.05 * edge, False),
    ):
        found = merits(carrier(a), tone(b))["product_error"]
        assert found.limit == pytest.approx(edge, rel=2e-3) and found.relation_value == 0.0
        assert found.holds is holds and found.value < 1.0
    # what is left beside a product scaled to fit, rms: worked out over both phases
    wave = np.tanh(0.05 / (2 * V_T) * np.cos(TURN))[:, None] * np.tanh(
        0.03 / (2 * V_T) * np.cos(TURN)
    )
    shape = np.cos(TURN)[:, None] * np.cos(TURN)
    fitted = np.sum(wave * shape) / np.sum(shape**2) * shape
    rest = 100 * math.sqrt(np.mean((wave - fitted) ** 2) / np.mean(fitted**2))
    found = merits(carrier(0.05), tone(0.03))["product_error"]
    assert found.value == pytest.approx(rest, rel=1e-3) and not found.holds
    unlike = TextbookCell(offset_lower=1e-3)
    assert not merits(carrier(1e-4), tone(1e-3), solve=unlike)["product_error"].holds


@pytest.mark.parametrize("dc, holds", [(2e-5, True), (1e-4, False), (1e-3, False)])
def test_half_cycles_are_uneven_where_dc_adds_to_one_and_takes_from_the_other(dc, holds):
    amplitude = 4e-3
    found = merits(carrier(), tone(amplitude, dc))["uneven"]
    # rms over each half of a small sine with DC, as the tone is positive and negative
    wave = dc + amplitude * np.cos(TURN)
    more, less = (math.sqrt(np.mean(wave[side] ** 2)) for side in (wave > 0, wave < 0))
    # a sample more or less in a half makes 0.3 %
    assert found.value == pytest.approx(100 * (more - less) / (more + less), rel=0.02, abs=0.35)
    assert found.holds is holds and found.name.endswith("of the lower input")
    turned = merits(carrier(amplitude, -dc), tone())["uneven"]
    assert turned.value == pytest.approx(-found.value, rel=0.05, abs=0.35)
    assert turned.name.endswith("of the upper input")


def test_unevenness_of_what_has_one_sign_or_nothing_is_none():
    up, down = np.array([2.0, -1.0, 1.0, -1.0]), np.array([1.0, 1.0, -1.0, -1.0])
    rms = math.sqrt(2.5), 1.0
    assert unevenness(up, down) == pytest.approx((rms[0] - rms[1]) / sum(rms))
    assert unevenness(up, np.abs(down)) == 0.0 == unevenness(0 * up, down)
    assert unevenness(up, np.array([1.0, 1.0, -1e-12, 0.0])) == 0.0


@pytest.mark.parametrize("side", ["upper", "lower"])
@pytest.mark.parametrize("factor, holds", [(0.98, True), (1.02, False)])
def test_distortion_of_one_sine_alone(side, factor, holds):
    """HD3 = (A/VT)^2/48 of a pair; with (1 + gm RE)^3 below the line (Gray et al., chapter 3)."""
    cell = TextbookCell(r_emitter_lower=20.0)
    d = 1 + 2e-3 * 20.0 / (2 * V_T) if side == "lower" else 1.0
    small = 2e-3 * d

    def alone(amplitude):
        drives = {"upper": Drive("dc", offset=0.3), "lower": Drive("dc", offset=0.3)}
        return merits(**{**drives, side: carrier(amplitude)}, solve=cell)["distortion"]

    found = alone(small)
    assert found.relation_value == pytest.approx(100 * (small / V_T) ** 2 / (48 * d**3))
    assert found.value == pytest.approx(found.relation_value, rel=0.01)
    assert alone(factor * found.limit).holds is holds
    assert ("(48 D^3)" in found.relation) is (side == "lower")


@pytest.mark.parametrize("side, d", [("upper", 1.0), ("lower", 1 + 2e-3 * 20.0 / (2 * V_T))])
@pytest.mark.parametrize("one, two", [(2e-3, 2e-3), (3e-3, 1e-3), (1e-3, 3e-3)])
def test_third_order_products_of_two_tones(side, d, one, two):
    """(A/VT)^2/16 for equal tones; the larger product goes with a1^2 a2 (Gray et al., ch. 3)."""
    drive = Drive("two_tone", one, 40e3, second_amplitude=two, second_frequency=42e3)
    other = {"upper": "lower", "lower": "upper"}[side]
    cell = TextbookCell(r_emitter_lower=20.0)
    run = merits(**{side: drive, other: Drive("dc", offset=0.3)}, solve=cell)
    found, mean = run["third_order"], 0.5 * (one + two)
    law = 100 * one * two * max(one, two) / mean / (16 * V_T**2 * d**3)
    assert found.relation_value == pytest.approx(law)
    assert found.value == pytest.approx(law, rel=0.02) and found.holds
    assert found.name == f"Third-order products of the {side} tones"
    assert found.relation.startswith("(A/VT)^2" if one == two else "larger of a1^2 a2")
    moved = merits(**{side: drive, other: sine(0.1, 43e3)}, solve=cell)["third_order"]
    assert moved.relation_value == pytest.approx(law)


def test_what_is_said_is_what_is_largest():
    both = run_signals(carrier(), tone())
    assert both.sentence.startswith("The sum at 44.0 kHz comes out at ")
    assert ", the difference at 36.0 kHz at " in both.sentence
    assert both.sentence.endswith(
        "28.0 kHz (upper \u2212 3 \u00d7 lower), 62.1 dB below the largest."
    )
    one = run_signals(carrier(), Drive("dc", offset=0.02))
    assert one.sentence.startswith(
        "The largest line is the one at 40.0 kHz (the upper input alone)"
    )
    assert run_signals(carrier(), Drive("dc")).sentence == (
        "The output is zero: one input at zero makes the product zero."
    )
    equal = Drive("two_tone", 5e-3, 40e3, second_amplitude=5e-3, second_frequency=42e3)
    alike = run_signals(equal, Drive("dc", offset=0.1)).sentence
    assert "(second upper)" in alike and alike.endswith(", just as large.")
    call = run_signals(
        Drive("call", 5e-3, 80e3, second_frequency=43e3, repeat_frequency=100.0),
        Drive("dc", offset=0.05),
    )
    assert call.notes == ("The bat call is invented: it is synthesised from a recipe.",)
    assert {ln.label for ln in call.spectrum.lines} <= {"part of the call", "DC"}
    together = run_signals(sine(0.05, 40e3, 1e-3), sine(0.05, 10e3, 1e-3))
    assert together.notes[0].startswith(
        "At 10.00 kHz fall together: lower = upper \u2212 3 \u00d7 lower. A leak there"
    )


def test_the_slope_of_the_product_and_its_passages_through_zero():
    assert product_slope(TextbookCell()) == pytest.approx(FULL / (4 * V_T**2), rel=1e-3)
    run = run_signals(carrier(), tone())
    np.testing.assert_allclose(
        run.product, product_slope(TextbookCell()) * run.v_upper * run.v_lower
    )
    t = np.arange(1000) / 1000
    found = sign_changes(t, np.sin(2 * np.pi * 3 * t + 0.1), 1.0)
    np.testing.assert_allclose(found, (np.arange(1, 7) * np.pi - 0.1) / (6 * np.pi), atol=1e-6)


def test_corners_that_are_given_take_the_place_of_those_of_the_path():
    way = Path(Feed(1e3), Feed(2e3), 1e5)
    quick = dict(coupling_upper=0.0, coupling_lower=0.0, load_corner=math.inf)
    plain, over = run_signals(carrier(), tone()), run_signals(carrier(), tone(), path=way, **quick)
    np.testing.assert_allclose(over.point.v_out, plain.point.v_out, atol=1e-12)
    for name, side, f in (("coupling_upper", 0, 40e3), ("coupling_lower", 1, 4e3)):
        run = run_signals(carrier(), tone(), **{name: f})
        ours, theirs = (r.v_upper if side == 0 else r.v_lower for r in (run, plain))
        assert np.max(ours) == pytest.approx(np.max(theirs) / math.sqrt(2), rel=1e-3)
    fast = run_signals(carrier(), tone(), load_corner=36e3)
    for k in (9, 11):  # lines at 36 and 44 kHz, 4 kHz apart
        level = abs(1 / (1 + 1j * 4e3 * k / 36e3))
        assert fast.spectrum.spectrum.peak[k] == pytest.approx(
            level * plain.spectrum.spectrum.peak[k], rel=1e-6
        )


def test_a_hard_drive_gets_so_many_samples_that_no_line_is_folded_down():
    run = run_signals(carrier(0.5), tone(1e-3))
    n = 16 * len(run.time)
    t = np.arange(n) * run.window.duration / n
    finer = solve_cell(0.5 * np.sin(2 * np.pi * 40e3 * t), 1e-3 * np.sin(2 * np.pi * 4e3 * t), 2e-3)
    exact = 2 * np.abs(np.fft.rfft(finer.v_out)) / n
    assert len(run.time) > 1024 and len(run.spectrum.lines) == 60
    for line in run.spectrum.lines:
        there = exact[round(line.frequency * run.window.duration)]
        assert line.peak == pytest.approx(there, rel=0.02), line.label
    few = run_signals(carrier(0.5), tone(1e-3), max_samples=512)
    assert len(few.time) == 512 and min(ln.db for ln in few.spectrum.lines) > -120


def test_a_call_and_a_sine_have_only_the_error_of_the_product():
    call = Drive("call", 5e-3, 80e3, second_frequency=43e3, repeat_frequency=100.0)
    for upper, lower in ((call, tone()), (call, carrier()), (tone(), call)):
        assert list(merits(upper, lower)) == ["product_error"]


@pytest.mark.parametrize("one, two, holds", [(1.05, 0.5, 0), (0.5, 1.05, 0), (0.95, 0.5, 1)])
def test_the_larger_of_two_tones_decides_where_their_third_order_holds(one, two, holds):
    def merit(edge):
        drive = Drive("two_tone", one * edge, 40e3, second_amplitude=two * edge,
                      second_frequency=42e3)  # fmt: skip
        return merits(Drive("dc", offset=0.05), drive)["third_order"]

    assert merit(merit(5e-3).limit).holds == holds


@pytest.mark.parametrize("name", ["coupling_upper", "coupling_lower", "load_corner"])
def test_a_corner_under_0_hz_is_refused(name):
    with pytest.raises(QuantityError, match=f"^({name}|corner) is -1 Hz"):
        run_signals(carrier(), tone(), **{name: -1.0})


def test_the_table_of_a_notebook_has_drives_lines_and_figures():
    run = run_signals(carrier(), tone())
    tree = xml.fromstring(f"<div>{run._repr_html_()}</div>")
    assert [c.text for c in tree.findall("table/thead/tr/th")] == ["name", "what it is", "value"]
    rows = [[c.text for c in row] for row in tree.findall("table/tbody/tr")]
    assert [r[0] for r in rows[:2]] == ["upper", "lower"]
    assert [r[1].startswith("line at") for r in rows[2:]].count(True) == 6  # the strongest
    assert [r[0] for r in rows[8:]] == [m.key for m in run.merits]
    assert [p.text for p in tree.findall("p")] == [run.sentence, *run.notes]
