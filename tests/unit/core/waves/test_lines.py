"""Steady waves as lines: places, sums, records, what makes a line."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.core.waves.lines import Lines
from forktail.core.waves.spectrum import Tone, coherent_spectrum

TONES = (Tone("f_upper", "upper", 40), Tone("f_lower", "lower", 10))


def lines(*rows, tones=TONES):
    orders = np.array([o for o, _ in rows])
    return Lines.of(orders, np.array([p for _, p in rows], dtype=complex), tones, 1e-3)


def test_a_negative_frequency_is_turned_over():
    found = lines(((1, -5), 0.2 * np.exp(0.4j)))
    assert found.orders.tolist() == [[-1, 5]] and found.bins.tolist() == [10]
    assert found.phasor[0] == pytest.approx(0.2 * np.exp(-0.4j))
    turn = 2 * np.pi * np.arange(128) / 128
    np.testing.assert_allclose(found.record(128), 0.2 * np.cos(10 * turn - 0.4), atol=1e-12)


def test_lines_that_fall_together_add_up_and_are_known_apart():
    found = lines(((1, -3), 0.3), ((0, 1), 0.2j), ((1, 1), 1.0))
    assert found.level(0, 1) == pytest.approx(abs(0.3 + 0.2j))
    assert found.part(0, 1) == pytest.approx(0.2) and found.part(1, -3) == pytest.approx(0.3)
    assert found.part(-1, 3) == pytest.approx(0.3) and found.part(2, 2) == 0.0
    both, total = found.labelled(256).lines
    assert both.label == "f_upper \u2212 3 f_lower = f_lower" and both.origin == "coincidence"
    assert total.label == "f_upper + f_lower" and total.origin == "sum"


def test_what_makes_less_than_a_tenth_of_a_line_is_told_after_it():
    (line,) = lines(((1, -3), 0.3), ((0, 1), 0.01)).labelled(256).lines
    assert line.label == "f_upper \u2212 3 f_lower" and line.origin == "product"
    assert line.also == ("f_lower",)


def test_what_is_wanted_is_no_leak():
    one = lines(((1, 0), 0.3), ((1, 1), 0.1))
    assert [ln.origin for ln in one.labelled(256).lines] == ["upper leak", "sum"]
    assert [ln.origin for ln in one.labelled(256, ((1, 0),)).lines] == ["wanted", "sum"]


def test_high_lines_are_in_the_record_and_not_folded_into_the_spectrum():
    found = lines(((1, 0), 0.3), ((7, 0), 0.1))
    assert found.spectrum(128).peak.nonzero()[0].tolist() == [40]
    turn = 2 * np.pi * np.arange(128) / 128
    np.testing.assert_allclose(
        found.record(128), 0.3 * np.cos(40 * turn) + 0.1 * np.cos(280 * turn), atol=1e-12
    )


@given(st.lists(st.tuples(st.integers(-3, 3), st.integers(-9, 9), st.floats(-1, 1)), min_size=1))
def test_a_spectrum_is_that_of_the_record(rows):
    found = lines(*(((a, b), complex(c, 0.3)) for a, b, c in rows))
    ours, theirs = found.spectrum(1024), coherent_spectrum(found.record(1024), 1e-3)
    np.testing.assert_allclose(ours.peak, theirs.peak, atol=1e-9)
    assert ours.mean_square == pytest.approx(theirs.mean_square, abs=1e-9)


def test_envelope_and_what_stands_behind_the_loads():
    m = 0.5
    am = lines(((1, 0), 1.0), ((1, 1), m / 2), ((1, -1), m / 2), ((3, 0), 0.2))
    turn = 2 * np.pi * np.arange(256) / 256
    np.testing.assert_allclose(
        np.abs(am.envelope(40, 20, 256)), 1 + m * np.cos(10 * turn), atol=1e-12
    )
    halved = am.behind(lambda f: np.where(f > 45e3, 0.5, 1.0))
    assert halved.part(1, 1) == pytest.approx(m / 4) and halved.part(1, -1) == pytest.approx(m / 2)
    assert am.only(am.bins < 45).level(1, 1) == 0.0
