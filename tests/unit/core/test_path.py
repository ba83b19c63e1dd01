"""The path of a signal: every stage against scipy.signal and against the same network in time."""

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.integrate
import scipy.signal

from forktail.core import path
from forktail.core.built.circuit import Circuit
from forktail.core.built.network import corners, solve_built
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.path import Feed, Path, coupled, delayed, loaded, path_of, run_path

N, F = 1024, 20e3
STEP = 1.0 / (F * N)
T = np.arange(N) * STEP
SINE = np.sin(2 * np.pi * F * T)


def in_time(slope, start, periods=40, f=F):
    """The last of many periods of dx/dt = slope(t, x), by scipy.integrate.solve_ivp."""
    end = periods / f
    times = end - 1.0 / f + T
    solved = scipy.integrate.solve_ivp(
        slope, (0.0, end), start, t_eval=times, rtol=1e-9, atol=1e-12, max_step=0.05 / f
    )
    return solved.y


def test_coupling_takes_away_dc_and_zero_corner_changes_nothing():
    v = 1.0 + np.sin(2 * np.pi * np.arange(64) / 64)
    assert abs(coupled(v, 1e-3 / 64, 10.0).mean()) < 1e-12
    np.testing.assert_array_equal(coupled(v, 1e-3 / 64, 0.0), v)
    np.testing.assert_array_equal(loaded(v, 1e-3 / 64, None), v)
    np.testing.assert_array_equal(loaded(v, 1e-3 / 64, math.inf), v)


def test_load_pole_keeps_dc_and_works_on_rows():
    rows = np.stack([np.ones(32), np.cos(2 * np.pi * np.arange(32) / 32)])
    out = loaded(rows, 1e-3 / 32, 1e3)
    np.testing.assert_allclose(out[0], 1.0)
    assert np.max(out[1]) == pytest.approx(1 / np.sqrt(2), rel=1e-2)


@pytest.mark.parametrize(
    "call, said",
    [
        (lambda: path.corner_frequency(0.0, 1e-9), "resistance is 0 ohm; it must be above 0 ohm."),
        (lambda: path.corner_frequency(1e3, [1e-9, 0.0]),
         "capacitance is 0 F at position 1; it must be above 0 F."),
        (lambda: path.coupling_response(math.inf, 1.0),
         "frequency is inf Hz; it must be a finite number of Hz."),
        (lambda: path.coupling_response(1e3, -1.0), "corner is -1 Hz; it must be at least 0 Hz."),
        (lambda: path.load_response(math.nan, 1.0),
         "frequency is nan Hz; it must be a finite number of Hz."),
        (lambda: path.load_response(1e3, 0.0), "corner is 0 Hz; it must be above 0 Hz."),
        (lambda: path.filtered([math.nan], 1e-4, np.ones_like),
         "record is nan V at position 0; it must be a finite number of V."),
        (lambda: loaded([0.0, math.inf], 1e-4, 1e3),
         "record is inf V at position 1; it must be a finite number of V."),
        (lambda: coupled([0.0, math.inf], 1e-4, 1e3),
         "record is inf V at position 1; it must be a finite number of V."),
        (lambda: loaded(np.ones(8), 1e-4, math.nan), "corner is nan Hz; it must be above 0 Hz."),
        (lambda: run_path(TextbookCell(), [math.nan], [0.0], 1e-6),
         "v_upper is nan V at position 0; it must be a finite number of V."),
        (lambda: run_path(TextbookCell(), [0.0], [math.inf], 1e-6),
         "v_lower is inf V at position 0; it must be a finite number of V."),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_refused_with_what_would_be_right(call, said):
    with pytest.raises(QuantityError) as caught:
        call()
    assert str(caught.value) == said


@pytest.mark.parametrize("corner", [1.0, 47.0, 1e4])
def test_responses_at_and_about_the_corner(corner):
    # -3.01 dB and 45 degrees at the corner, 20 dB a decade away from it (any circuits text)
    f = corner * np.array([0.0, 0.01, 1.0, 100.0])
    for response, lead, ends in (
        (path.coupling_response, 45.0, (0.0, 1.0)),
        (path.load_response, -45.0, (1.0, 0.0)),
    ):
        found = response(f, corner)
        assert abs(found[2]) == pytest.approx(1 / math.sqrt(2))
        assert np.degrees(np.angle(found[2])) == pytest.approx(lead)
        assert abs(found[0]) == ends[0]
        assert abs(found[1]) == pytest.approx(ends[0] or 0.01, rel=1e-3)
        assert abs(found[3]) == pytest.approx(ends[1] or 0.01, rel=1e-3)
    np.testing.assert_array_equal(path.coupling_response(f, 0.0), np.ones(4))
    np.testing.assert_array_equal(path.load_response(f, math.inf), np.ones(4))
    way = Path(Feed(corner, 0.3), Feed(2.0 * corner, 0.7), 3.0 * corner)
    np.testing.assert_allclose(way.upper.response(f), 0.3 * path.coupling_response(f, corner))
    np.testing.assert_allclose(
        way.feed("lower").response(f), 0.7 * path.coupling_response(f, 2.0 * corner)
    )
    np.testing.assert_allclose(way.load_response(f), path.load_response(f, 3.0 * corner))


def test_corner_of_a_resistor_and_a_capacitor():
    # 1 kohm and 159.155 nF: 1 kHz (any table of RC corners)
    assert path.corner_frequency(1e3, 159.15494e-9) == pytest.approx(1e3, rel=1e-6)


def test_a_record_is_handed_on_and_stays_as_it_was():
    record = [0.0, 1.0, 0.0, -1.0]
    for stage, off in ((coupled, 0.0), (loaded, None)):
        out = stage(record, 1e-6, off)
        np.testing.assert_array_equal(out, record)
        kept = np.array(record)
        stage(kept, 1e-6, off)[:] = 5.0
        np.testing.assert_array_equal(kept, record)


@pytest.mark.parametrize("stage", [coupled, loaded])
def test_where_a_record_has_settled(stage):
    """Six time constants and four samples at the beginning, four samples at the end."""
    corner, step = 1e4, 1e-6
    out = stage(np.sin(np.arange(400)), step, corner, periodic=False)
    first = 4 + math.ceil(6.0 / (2 * math.pi * corner) / step)
    good = np.flatnonzero(np.isfinite(out))
    np.testing.assert_array_equal(good, np.arange(first, 396))
    assert np.isnan(stage(np.ones(9), step, corner, periodic=False)).all()


@pytest.mark.parametrize("stage, kind", [(coupled, "highpass"), (loaded, "lowpass")])
@pytest.mark.parametrize("corner", [800.0, 20e3, 90e3])
def test_a_single_pole_against_an_analogue_filter_in_time(stage, kind, corner):
    # scipy.signal.butter of first order, its differential equation run by scipy.signal.lsim
    b, a = scipy.signal.butter(1, 2 * np.pi * corner, kind, analog=True)
    periods = max(8, math.ceil(2.0 * F / corner))
    t = np.arange(periods * N) * STEP
    wave = np.sign(np.sin(2 * np.pi * F * t)) * np.abs(np.sin(2 * np.pi * F * t)) ** 0.7
    _, whole, _ = scipy.signal.lsim((b, a), wave, t)
    ours = stage(wave[-N:], STEP, corner)
    np.testing.assert_allclose(ours, whole[-N:], atol=2e-4)


def test_a_record_that_is_not_periodic_says_where_it_has_not_settled():
    corner = 25e3
    t = np.arange(20_000) * STEP
    wave = np.sin(2 * np.pi * corner * t)
    late = loaded(wave, STEP, corner, periodic=False)
    good = np.isfinite(late)
    # 1/(1 + j w tau): -3.01 dB and 45 degrees at the corner; any circuits text
    expected = np.sin(2 * np.pi * corner * t - np.pi / 4) / np.sqrt(2)
    np.testing.assert_allclose(late[good], expected[good], atol=3e-3)
    settle = path.SETTLE / (2 * np.pi * corner * STEP)
    assert settle <= np.flatnonzero(good)[0] <= settle + 6


def test_delay_against_the_wave_itself():
    wave = np.sin(2 * np.pi * F * T)
    moved = delayed(wave, 3.3)
    good = np.isfinite(moved)
    np.testing.assert_allclose(
        moved[good], np.sin(2 * np.pi * F * (T - 3.3 * STEP))[good], atol=1e-9
    )
    assert good.sum() >= N - 12


@pytest.mark.parametrize("samples", [0, 1, 6, -1, -6, 40, -40])
def test_a_delay_by_whole_samples_is_exact(samples):
    values = np.arange(20.0)
    expected = np.full(20, np.nan)
    for at in range(20):
        if 0 <= at - samples < 20:
            expected[at] = values[at - samples]
    np.testing.assert_array_equal(delayed(values, samples), expected)


@pytest.mark.parametrize("samples", [0.5, 2.25, -0.5, -3.7])
def test_a_delay_between_samples_is_exact_for_a_polynomial_of_degree_seven(samples):
    # eight points determine it (any numerical text); a ninth degree they would not
    t = np.linspace(-1.0, 1.0, 40)
    step = t[1] - t[0]
    poly = np.polynomial.Polynomial([0.3, -1, 2, 0.5, -3, 1, 0.7, 2])
    moved = delayed(poly(t), samples)
    good = np.flatnonzero(np.isfinite(moved))
    np.testing.assert_allclose(moved[good], poly(t - samples * step)[good], atol=1e-10)
    whole = math.floor(samples)
    np.testing.assert_array_equal(good, np.arange(max(0, whole + 4), min(40, 37 + whole)))


def test_the_whole_path_of_the_textbook_cell_against_the_network_in_time():
    # generator -> C -> R | tanh cell | R || C, as one set of differential equations
    cell = TextbookCell(i_tail=1e-3, r_load=2e3)
    v_t = 1.380649e-23 * 298.15 / 1.602176634e-19
    fc, fl, gain = 9e3, 60e3, 0.7
    way = Path(Feed(fc, gain), Feed(0.0, 1.0), fl)
    upper, lower = 0.08 * SINE, 0.03 * np.cos(4 * np.pi * F * T)

    def slope(t, x):
        over_c, out = x  # voltage of the coupling capacitor as a part of the drive, output
        drive = 0.08 * np.sin(2 * np.pi * F * t)
        at_base = gain * (drive - over_c)
        low = 0.03 * np.cos(4 * np.pi * F * t)
        fast = 1e-3 * 2e3 * np.tanh(at_base / (2 * v_t)) * np.tanh(low / (2 * v_t))
        return [2 * np.pi * fc * (drive - over_c), 2 * np.pi * fl * (fast - out)]

    over_c, out = in_time(slope, [0.0, 0.0])
    went = run_path(cell, upper, lower, STEP, path=way)
    np.testing.assert_allclose(went.base_lines[0], gain * (upper - over_c), atol=2e-6)
    np.testing.assert_allclose(went.loads.v_out, out, atol=2e-4 * np.abs(out).max())
    np.testing.assert_allclose(went.probe[2], went.loads.v_out)
    assert went.settled.all()


BOARD = Circuit(
    r_source_upper=600.0,
    r_termination_upper=math.inf,
    c_coupling_upper=4.7e-9,
    c_load=4.7e-9,
    c_bypass_upper=1e-3,
    c_bypass_lower=1e-3,
    c_ground_upper=1e-3,
    c_ground_lower=1e-3,
)


def test_a_small_wave_at_the_base_lines_against_the_network_in_time():
    # source resistance - coupling capacitor - bias resistor and base input resistance to ground.
    # The input resistance is worked out here from the bias current: 2 beta VT/IC between the
    # bases of a pair (Gray, Hurst, Lewis, Meyer), halved by two pairs on one line, with one base
    # line at signal ground.
    level = 1e-4
    rest = solve_built(BOARD, 0.0, 0.0)
    i_c = float(rest.i_upper[0])
    v_t = float(rest.thermal_voltage)
    r_pair = 2.0 * BOARD.beta_forward * v_t / i_c
    r_in = 1.0 / (1.0 / BOARD.r_bias_upper_pos + 2.0 / r_pair)
    r, c = BOARD.r_source_upper, BOARD.c_coupling_upper

    def slope(t, x):
        drive = level * np.sin(2 * np.pi * F * t)
        return [(drive - x[0]) / ((r + r_in) * c)]

    (over_c,) = in_time(slope, [0.0], periods=60)
    base = (level * SINE - over_c) * r_in / (r + r_in)
    went = run_path(BuiltCell(BOARD), level * SINE, np.zeros(N), STEP)
    ours = went.base_lines[0] - went.base_lines[0].mean()
    np.testing.assert_allclose(ours, base, atol=0.01 * np.abs(base).max())


def test_what_is_measured_at_the_base_lines_predicts_what_the_generator_does():
    drives = 0.12 * SINE, 0.01 * np.cos(6 * np.pi * F * T)
    from_generator = run_path(BuiltCell(BOARD), *drives, STEP)
    measured = [v - v.mean() for v in from_generator.base_lines]
    from_lines = run_path(BuiltCell(BOARD), *measured, STEP, at="base lines")
    size = np.ptp(from_generator.loads.v_out)
    np.testing.assert_allclose(from_lines.loads.v_out, from_generator.loads.v_out, atol=0.01 * size)
    # and taking one for the other would have shown
    wrong = run_path(BuiltCell(BOARD), *measured, STEP, at="generator")
    assert np.ptp(wrong.loads.v_out - from_generator.loads.v_out) > 0.1 * size


def test_loads_of_a_built_cell_are_one_pole_each():
    # each collector feeds its load resistor with the capacitance across it: C dv/dt = (v0 - v)/RC
    went = run_path(BuiltCell(BOARD), 0.05 * SINE, np.full(N, 0.02), STEP)
    tau = BOARD.r_load_left * BOARD.c_load
    f = np.fft.rfftfreq(N, STEP)
    expected = np.fft.irfft(np.fft.rfft(went.cell.v_left) / (1 + 2j * np.pi * f * tau), N)
    np.testing.assert_allclose(went.loads.v_left, expected, atol=0.01 * np.ptp(expected))
    assert np.ptp(went.loads.v_out) < 0.9 * np.ptp(went.cell.v_out)
    np.testing.assert_allclose(went.loads.v_out, went.loads.v_right - went.loads.v_left)


def test_unequal_loads_have_a_pole_each():
    """1/(2 pi R C) of each load with its capacitance (any circuits text)."""
    board = replace(BOARD, r_load_right=0.4 * BOARD.r_load_left, v_early=math.inf)
    way = path_of(board)
    loads = board.r_load_left, board.r_load_right
    expected = [1 / (2 * math.pi * r * board.c_load) for r in loads]
    assert way.poles == pytest.approx(expected, rel=1e-3)
    assert path_of(BOARD).poles == ()
    went = run_path(BuiltCell(board), 0.05 * SINE, np.full(N, 0.02), STEP)
    f = np.fft.rfftfreq(N, STEP)
    for name, pole in zip(("v_left", "v_right"), expected):
        fast = np.fft.rfft(getattr(went.cell, name))
        slow = np.fft.irfft(fast / (1 + 1j * f / pole), N)
        np.testing.assert_allclose(getattr(went.loads, name), slow, atol=1e-3 * np.ptp(slow))
    wire = path_of(replace(board, r_load_left=0.0))
    assert wire.poles == (math.inf, pytest.approx(expected[1], rel=1e-3))


def test_a_record_with_gaps_is_loaded_all_the_same_unless_it_is_periodic():
    class Gap:
        def __call__(self, v_upper, v_lower):
            point = TextbookCell()(v_upper, v_lower)
            return replace(point, converged=np.arange(N) != 100)

    slow = Path(load_pole=20 * F)
    went = run_path(Gap(), 0.05 * SINE, np.full(N, 0.02), STEP, path=slow, periodic=False)
    whole = run_path(TextbookCell(), 0.05 * SINE, np.full(N, 0.02), STEP, path=slow, periodic=False)
    known = np.isfinite(whole.loads.v_out)
    known[100] = False
    np.testing.assert_array_equal(np.isfinite(went.loads.v_out), known)
    size = np.ptp(whole.cell.v_out)
    np.testing.assert_allclose(went.loads.v_out[known], whole.loads.v_out[known], atol=1e-3 * size)
    assert np.abs(went.loads.v_out - went.cell.v_out)[known].max() > 0.01 * size


def test_where_nothing_has_memory_the_loads_are_the_cell():
    went = run_path(TextbookCell(), 0.05 * SINE, 0.02 * SINE, STEP)
    assert went.loads is went.cell
    way = Path().with_feed("upper", Feed(5.0)).with_feed("lower", Feed(0.0, 0.5))
    assert (way.feed("upper"), way.feed("lower")) == (Feed(5.0), Feed(0.0, 0.5))


def test_the_path_of_a_circuit_holds_its_corners():
    found, way = corners(BOARD), path_of(BOARD)
    assert way.upper.corner == found["coupling_upper"] > 5e3
    assert way.load_pole == found["load_pole"]
    assert way.upper.gain == way.lower.gain == 1.0
    assert path_of(Circuit(c_load=0.0)).load_pole == math.inf
    slow = Circuit(c_coupling_upper=0.1, c_coupling_lower=0.2)
    assert path_of(slow).upper.corner == corners(slow)["coupling_upper"] < 0.1
    assert path_of(slow).lower.corner == corners(slow)["coupling_lower"] < 0.1


def test_base_lines_of_a_built_cell_rest_together_and_are_unknown_while_nothing_is_settled():
    still = run_path(BuiltCell(Circuit()), np.zeros(8), np.zeros(8), STEP)
    for line in still.base_lines:
        assert np.abs(line).max() < 5e-3
    wave = 0.01 * np.sin(2 * np.pi * 200e3 * np.arange(4000) * 1e-7)
    board = replace(BOARD, c_coupling_lower=2.2e-9)
    went = run_path(BuiltCell(board), wave, np.zeros(4000), 1e-7, periodic=False)
    lost = ~(np.isfinite(went.fed[0]) & np.isfinite(went.fed[1]))
    assert 100 < lost.sum() < 3900
    for line in went.base_lines:
        np.testing.assert_array_equal(np.isnan(line), lost)
    assert np.isnan(went.cell.v_out[lost]).all() and not went.settled[lost].any()
    np.testing.assert_array_equal(went.cell.converged, ~lost)
    for v in (went.cell.v_left, went.cell.v_right, went.cell.v_out):
        np.testing.assert_array_equal(np.isnan(v), lost)


def test_a_probe_divides_and_a_missing_step_leaves_memory_out():
    cell = TextbookCell()
    went = run_path(cell, 0.05 * SINE, 0.02 * SINE, STEP, path=Path(probe=10.0))
    np.testing.assert_allclose(10.0 * went.probe[2], went.loads.v_out)
    uneven = run_path(cell, 0.05 * SINE, 0.02 * SINE, math.nan, path=Path(Feed(1e3), Feed(), 1e3))
    np.testing.assert_array_equal(uneven.loads.v_out, uneven.cell.v_out)


def test_samples_without_a_solution_stay_out(monkeypatch):
    class Patchy:
        def __call__(self, v_upper, v_lower):
            point = TextbookCell()(v_upper, v_lower)
            return replace(point, converged=np.abs(np.asarray(v_upper)) < 0.04)

    went = run_path(Patchy(), 0.05 * SINE, 0.02 * SINE, STEP, path=Path(load_pole=50e3))
    lost = np.abs(0.05 * SINE) >= 0.04
    assert np.isnan(went.loads.v_out[lost]).all() and np.isfinite(went.loads.v_out[~lost]).all()
    np.testing.assert_array_equal(went.settled, ~lost)
    np.testing.assert_array_equal(went.cell.converged, ~lost)
    # a pole needs the whole period: the loads are left as fast as the cell
    np.testing.assert_array_equal(went.loads.v_out, went.cell.v_out)


def test_another_place_is_refused():
    with pytest.raises(QuantityError, match="generator, base lines"):
        run_path(TextbookCell(), SINE, SINE, STEP, at="collector")


def test_records_of_any_length_and_of_whole_numbers_are_taken():
    odd = np.cos(2 * np.pi * np.arange(15) / 15)
    np.testing.assert_allclose(
        path.filtered(odd, 1e-6, lambda f: np.ones(f.shape)), odd, atol=1e-12
    )
    for response in (path.coupling_response(F, 0.0), path.load_response(F, math.inf)):
        assert response.dtype == complex and response == 1.0
    np.testing.assert_array_equal(delayed([1, 2, 3, 4], 1), [np.nan, 1.0, 2.0, 3.0])
    np.testing.assert_allclose(delayed(list(range(12)), 0.5)[4:8], [3.5, 4.5, 5.5, 6.5])
