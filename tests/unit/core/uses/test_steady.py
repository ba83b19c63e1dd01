"""The steady state from a table: every line against a cell that is sampled in time."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forktail.circuits import shipped
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.uses.reference import bench
from forktail.core.uses.steady import MOST, Table, cosine_values, roomy, terms
from forktail.core.waves.spectrum import Tone

MIXER = BuiltCell(shipped()["bat-call-mixer"][0])


def by_samples(solve, u, v):
    out = solve(u, v).v_out
    phasor = np.fft.rfft(out) * (2.0 / len(out))
    phasor[0] *= 0.5
    return phasor


@pytest.mark.parametrize("peak", [1e-3, 0.03, 0.15, 1.0])
def test_a_hard_oscillator_folds_nothing_down(peak):
    """Against an FFT of four times the samples that a window has (16 times where 1 V switches)."""
    b = bench(TextbookCell(offset_lower=1e-4))
    cycles = (43, 45, 46)
    tones = tuple(map(Tone, ("o", "a", "b"), ("upper", "lower", "lower"), cycles))
    small = ((5e-3, 0.4), (3e-3, -1.0))
    lines = Table(b, (0.0, peak), 0.0, 8e-3).lines(0.0, small, 1e-3, 0.7, tones)
    n = 4 * 16384
    turn = 2.0 * np.pi * np.arange(n) / n
    u = peak * np.cos(43 * turn + 0.7)
    v = sum(a * np.cos(k * turn + p) for (a, p), k in zip(small, cycles[1:]))
    reference = by_samples(b.solve, u, v)
    largest = np.abs(reference).max()
    for place in range(1024):
        assert abs(lines.at(place) - reference[place]) < 1e-6 * largest, place


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-0.1, 0.1), st.floats(1e-4, 0.2), st.floats(-0.05, 0.05), st.floats(1e-4, 0.1),
    st.floats(-3, 3), st.sampled_from([0.0, 80.0]),
)  # fmt: skip
def test_a_record_is_exact_at_its_samples(dc, peak, centre, tone, phase, ohms):
    b = bench(TextbookCell(offset_left=1e-3, r_emitter_lower=ohms, r_emitter_upper=ohms / 4))
    tones = (Tone("u", "upper", 7), Tone("l", "lower", 2))
    table = Table(b, (dc, peak), centre, 1.01 * tone)
    lines = table.lines(centre, ((tone, phase),), 1e-3, 0.3, tones)
    n = 1000
    turn = 2.0 * np.pi * np.arange(n) / n
    v_out = b.answer(dc + peak * np.cos(7 * turn + 0.3), centre + tone * np.cos(2 * turn + phase))
    np.testing.assert_allclose(lines.record(n), v_out, atol=3e-5 * np.abs(v_out).max())
    np.testing.assert_allclose(
        table.wave(7 * turn + 0.3, centre + tone * np.cos(2 * turn + phase)), v_out,
        atol=3e-5 * np.abs(v_out).max(),
    )  # fmt: skip


def test_the_built_cell_with_a_few_hundred_solutions():
    b = bench(MIXER)
    table = Table(b, (0.0, 0.1), 0.0, 0.02)
    assert table.c.size < 500
    turn = 2.0 * np.pi * np.arange(256) / 256
    u, v = 0.1 * np.cos(turn), 0.02 * np.sin(3 * turn)
    np.testing.assert_allclose(table.wave(turn, v), b.answer(u, v), atol=1e-7)


def test_a_cell_that_bends_more_sharply_gets_more_terms():
    def sharp(u, v):
        point = TextbookCell()(u, v)
        return type(point)(**{**vars(point), "v_out": np.tanh(20.0 * point.v_out)})

    b = bench(sharp)
    table = Table(b, (0.0, 0.02), 0.02, 0.0)
    assert table.c.shape[0] > 2 * terms(0.02, b.v_t)
    turn = 2.0 * np.pi * np.arange(64) / 64
    np.testing.assert_allclose(
        table.wave(turn, 0.02), b.answer(0.02 * np.cos(turn), 0.02), atol=1e-4
    )

    # where no number of terms is enough, lines that are not certain are not told
    def steps(u, v):
        point = TextbookCell()(u, v)
        return type(point)(**{**vars(point), "v_out": np.sign(point.v_out)})

    assert Table(bench(steps), (0.0, 0.02), 0.02, 0.0).floor_db > -110.0


def test_what_takes_too_much_is_refused_with_one_sentence():
    b = bench(TextbookCell())
    with pytest.raises(QuantityError, match="10.0 V on the upper and 10.0 V on the lower input"):
        Table(b, (0.0, 10.0), 0.0, 10.0)
    with pytest.raises(QuantityError, match="10.0 V on the upper and 9.00 V on the lower input"):
        Table(b, (0.0, 10.0), -2.0, 7.0)
    table = Table(b, (0.0, 0.1), 0.0, 3.0)
    with pytest.raises(QuantityError, match="lines, more than this use takes"):
        table.over_phases(0.0, (1.5, 1.5))
    assert MOST["built"] < MOST["textbook"]


def test_terms_fall_as_the_law_says():
    # asinh(pi/2x) nepers a term: the nearest singularity of tanh(x cos a)
    b = bench(TextbookCell())
    c = np.abs(Table(b, (0.0, 0.2), 0.3, 0.0).c[1::2, 0])
    rate = math.asinh(math.pi * b.v_t / 0.2)
    np.testing.assert_allclose(np.log(c[4:10] / c[5:11]), 2 * rate, rtol=0.05)
    assert terms(0.0, b.v_t) == 0 and terms(1.0, b.v_t) > terms(0.1, b.v_t) > 6


def test_a_static_curve_in_chebyshev_terms():
    b = bench(TextbookCell())
    fit = cosine_values(lambda u: b.answer(u, 0.05), 0.3, b.v_t)
    u = np.linspace(-0.3, 0.3, 77)
    np.testing.assert_allclose(
        np.polynomial.chebyshev.chebval(u / 0.3, fit), b.answer(u, 0.05), atol=1e-6
    )


@given(st.floats(1e-6, 10.0))
def test_rooms_are_few_and_hold_what_is_asked(reach):
    assert reach <= roomy(reach) * (1 + 1e-12) and roomy(reach) <= 1.27 * reach


def test_a_wave_of_the_table_is_the_cell_along_it_or_its_lowest_parts():
    b = bench(TextbookCell())
    table = Table(b, (0.0, 0.1), 0.0, 0.02)
    phase, v = np.linspace(0.0, 40.0, 60), 0.02 * np.cos(np.linspace(0.0, 3.0, 60))
    whole = table.wave(phase, v)
    np.testing.assert_allclose(whole, b.answer(0.1 * np.cos(phase), v), atol=1e-9)
    turn = 2.0 * np.pi * (np.arange(256) + 0.5) / 256
    out = b.answer(0.1 * np.cos(turn)[:, None], v[None, :])  # odd in the upper input
    first = 2.0 * np.mean(out * np.cos(turn)[:, None], axis=0) * np.cos(phase)
    np.testing.assert_allclose(table.wave(phase, v, 1), first, atol=1e-9)
    np.testing.assert_allclose(table.wave(phase, v, 2), first, atol=1e-9)
    assert np.abs(whole - first).max() > 0.01
