"""The noise of a board at the drawn point: figures, bars, and what is said without an answer."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import constants

from forktail.core.built.circuit import Circuit, break_part
from forktail.core.built.network import corners, solve_built
from forktail.core.checks import QuantityError
from forktail.core.uses.words.noise import FAMILIES
from forktail.pages.build.page import BuildPage
from forktail.pages.build.state import BuildState, NoiseQuestion, noise_card
from helpers import near


def rows(card):
    return {name: (value, law) for name, _, value, law in card.rows}


def test_figures_follow_from_the_density_at_the_output():
    state = BuildState(v_upper=0.1, v_lower=0.0)
    card = noise_card(state.noise_question())
    found = rows(card)
    density = found["At the output"][0]
    assert found["At the output in 4.00 kHz, rms"][0] == near(density * math.sqrt(4e3))
    pole = corners(state.circuit)["load_pole"]
    # noise bandwidth of a single pole: pi/2 times its corner (any text on noise)
    f = np.linspace(0.0, 400 * pole, 400_001)
    whole = np.trapezoid(1 / (1 + (f / pole) ** 2), f)
    rms = found["At the output up to the load pole, rms"][0]
    assert rms == near(density * math.sqrt(whole), rel=2e-3)
    gain = abs(float(solve_built(state.circuit, 0.1, 0.0).gain_lower))
    seen = found["As seen from the lower input"][0]
    assert seen == near(density / gain)
    source = 4 * constants.k * 290 * state.circuit.r_source_lower
    figure = found["Noise figure of the lower input"][0]
    assert figure == near(10 * math.log10(seen**2 / source), abs=0.1)


def test_an_input_without_gain_has_no_noise_of_its_own():
    found = rows(noise_card(NoiseQuestion(Circuit(), 0.1, 0.0)))
    assert all(math.isnan(x) for x in found["As seen from the upper input"])
    assert "Noise figure of the upper input" not in found


def test_the_textbook_is_close_to_a_board_whose_upper_pairs_are_switched():
    built, law = rows(noise_card(NoiseQuestion(Circuit(), 0.15, 0.0)))["At the output"]
    assert built == near(law, rel=0.05)


def test_a_wider_band_adds_up_more():
    narrow, wide = (
        rows(noise_card(NoiseQuestion(Circuit(), 0.1, 0.0, band))) for band in (1e3, 4e3)
    )
    assert wide["At the output in 4.00 kHz, rms"][0] == near(
        2 * narrow["At the output in 1.00 kHz, rms"][0]
    )


def test_the_card_follows_the_point_and_is_there_only_when_it_is_seen():
    page = BuildPage()
    page.refresh()
    assert not page.shares.sent
    page.state.param.update(tab="noise", v_upper=0.1, v_lower=0.0)
    page.refresh()
    first = page.noise.sent["built0"]["#"]
    assert first.endswith("nV/\u221aHz") and page.noise.sent["cells"]["hidden"] is None
    assert page.shares.sent["shares"]["hidden"] is None and FAMILIES["loads"] in page.shares.markup
    page.state.param.update(v_upper=0.0)
    page.refresh()
    assert page.noise.sent["built0"]["#"] != first


def type_band(page, text):
    page.controls.handle({"kind": "edit", "name": "noise_band", "text": text})
    page.refresh()


def test_a_band_is_read_and_refused_like_every_entry():
    page = BuildPage()
    page.state.tab = "noise"
    type_band(page, "1kHz")
    assert page.state.noise_band == 1e3
    assert page.noise.sent["name1"]["#"] == "At the output in 1.00 kHz, rms"
    type_band(page, "5 V")
    assert "a voltage" in page.noise.sent["err-noise_band"]["#"] and page.state.noise_band == 1e3
    type_band(page, "2kHz")
    assert page.noise.sent["err-noise_band"]["hidden"] == "" and page.state.noise_band == 2e3


def test_a_board_without_current_says_that_there_is_no_noise_to_show():
    dead = replace(Circuit(), r_load_left=0.0, r_load_right=0.0)
    with pytest.raises(QuantityError, match="loads of 0"):
        noise_card(NoiseQuestion(dead))
    page = BuildPage()
    page.noise.show(None, "the cell has no load.")
    assert page.noise.sent["trouble"]["#"].startswith("There is no noise to show: the cell")
    assert page.noise.sent["cells"]["hidden"] == ""


def test_a_board_with_a_fault_has_its_noise():
    broken = break_part(Circuit(), "open:Q1.base")
    found = rows(noise_card(NoiseQuestion(broken, 0.1, 0.0)))
    assert 0 < found["At the output"][0] < 1e-6
