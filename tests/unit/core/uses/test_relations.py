"""The textbook relation beside every figure, typed again, and where each stops holding.

gm = I/2VT; a pair with RE in each emitter has gm/(1 + gm RE) (Gray, Hurst, Lewis, Meyer, chapter
3). D is that divisor of the lower pair, U that of an upper pair, which carries half the tail.
"""

import cmath
import math

import numpy as np
import pytest
import scipy.optimize

from forktail.core.models import TextbookCell
from forktail.core.path import Feed, Path
from forktail.core.uses import run_use

V_T = 0.025692579121085843  # exact k and q (SI Brochure, 9th edition, 2019), 298.15 K
FULL = 2e-3 * 1e3
TURN = 2 * np.pi * (np.arange(256) + 0.5) / 256
PLAIN = TextbookCell()
WITH = TextbookCell(r_emitter_upper=30.0, r_emitter_lower=50.0)
D, U = 1 + 2e-3 * 50 / (2 * V_T), 1 + 1e-3 * 30 / (2 * V_T)
CELLS = pytest.mark.parametrize("cell, d, u", [(PLAIN, 1.0, 1.0), (WITH, D, U)], ids=["", "RE"])


def steer(v):
    return np.tanh(np.asarray(v) / (2 * V_T))


def db(v):
    return 20 * math.log10(abs(v))


def laws(key, settings, cell=PLAIN, **more):
    run = run_use(key, settings, cell, detail=False, **more)
    return {m.key: m for m in run.merits}


def told(merits):
    return {k: m.relation_value for k, m in merits.items() if m.relation_value is not None}


def root(function, low=0.01, high=30.0):
    return scipy.optimize.brentq(function, low, high)


#: Input of a pair, in VT, at which it is 1 % short of its tangent: tanh(x/2) = 0.99 x/2.
LINEAR = root(lambda x: math.tanh(x / 2) - 0.99 * x / 2)


@CELLS
def test_laws_of_the_variable_gain(cell, d, u):
    found = laws("variable_gain", {"control": "1mV", "amplitude": "1mV"}, cell)
    slope = FULL / (4 * V_T**2 * d * u**2)
    # a control far below VT/2: the tangent of the law
    assert found["gain"].relation_value == pytest.approx(slope * 1e-3, rel=2e-3)
    assert found["gain_db"].relation_value == pytest.approx(db(slope * 1e-3), abs=0.02)
    assert found["opposite"].relation_value == -found["gain"].relation_value
    most = FULL / (2 * V_T) / (1 + 2e-3 * cell.r_emitter_upper / (2 * V_T))
    assert found["largest"].relation_value == pytest.approx(most)
    assert found["null"].relation_value == 0.0
    assert all(m.holds for m in found.values() if m.key != "usable_range")


@CELLS
def test_laws_of_am(cell, d, u):
    tone, dc = 2e-3, 4e-3
    found = laws("am", {"tone_amplitude": tone, "offset": dc}, cell)
    m = tone / dc
    assert told(found) == pytest.approx({
        "depth": 100 * m, "envelope_depth": 100 * m, "sideband": db(m / 2),
        "sideband_share": 100 * (m**2 / 2) / (1 + m**2 / 2), "total_power": 1 + m**2 / 2,
        "envelope_distortion": 0.0, "edge": dc,
    })  # fmt: skip
    assert all(x.holds for x in found.values())
    # Haykin, Communication Systems: past a depth of 1 the envelope folds
    over = laws("am", {"tone_amplitude": 2 * dc, "offset": dc}, cell)
    assert over["envelope_depth"].relation_value == 100.0
    wave = np.abs(1 + 2 * np.cos(2 * np.pi * np.arange(4096) / 4096))
    lines = np.abs(np.fft.rfft(wave))
    folded = 100 * math.sqrt(np.sum(lines[2:8] ** 2)) / lines[1]  # harmonics 2 to 7
    assert over["envelope_distortion"].relation_value == pytest.approx(folded, rel=1e-3)
    none = laws("am", {"tone_amplitude": tone, "offset": 0.0}, cell)
    assert none["sideband_share"].relation_value == 100.0
    assert none["depth"].relation_value == math.inf


@CELLS
def test_laws_of_double_sideband(cell, d, u):
    s = {"carrier_amplitude": 4e-3, "tone_amplitude": 3e-3, "offset": 4e-4, "trim": -1e-4}
    found, left = laws("dsb", s, cell), 3e-4
    side = FULL * 4e-3 * 3e-3 / (8 * V_T**2 * d * u**2)
    bend = abs(1 / d**3 - 3 * (u - 1) ** 2 / (d * u) ** 2)
    assert told(found) == pytest.approx({
        "suppression": db(3e-3 / 2 / left), "suppression_peak": db((3e-3 + left) / left),
        "best_trim": -4e-4, "sideband": side,
        "third_order": 100 * (3e-3 / V_T) ** 2 / 48 * bend,
    })  # fmt: skip
    assert found["sideband"].value == pytest.approx(side, rel=0.02)
    assert found["third_order"].value == pytest.approx(found["third_order"].relation_value, rel=0.1)
    assert all(m.holds for m in found.values() if m.key not in ("after_trim",))


def test_dc_of_either_sign_leaves_as_much_carrier():
    plus, minus = (
        laws("dsb", {"offset": sign * 4e-4, "trim": -sign * 1e-4, "tone_amplitude": 3e-3})
        for sign in (1, -1)
    )
    for key in ("suppression", "suppression_peak"):
        assert minus[key].relation_value == plus[key].relation_value
        assert minus[key].value == pytest.approx(plus[key].value) and minus[key].holds
    assert minus["best_trim"].relation_value == 4e-4 == -plus["best_trim"].relation_value
    up, down = (laws("am", {"offset": s * 4e-3, "tone_amplitude": 2e-3}) for s in (1, -1))
    assert told(up) == told(down) and down["depth"].value == pytest.approx(up["depth"].value)


@CELLS
@pytest.mark.parametrize("side", ["upper", "lower"])
def test_laws_of_phasing(cell, d, u, side):
    s = {
        "carrier_amplitude": 4e-3, "tone_amplitude": 3e-3, "sideband": side,
        "tone_phase_error": 3.0, "carrier_phase_error": 1.0, "amplitude_error": 5.0,
    }  # fmt: skip
    found = laws("ssb", s, cell)
    one = FULL * 4e-3 * 3e-3 / (8 * V_T**2 * d * u**2)
    # the second path turns its sidebands by both errors, with their sum in one and difference in
    # the other: they add up and cancel (handbook relation for phasing)
    turns = (cmath.exp(1j * math.radians(3 + 1)), cmath.exp(1j * math.radians(3 - 1)))
    adds, cancels = turns if side == "upper" else turns[::-1]
    wanted, image = one * abs(1 + 1.05 * adds), one * abs(1 - 1.05 * cancels)
    assert told(found) == pytest.approx(
        {"rejection": db(wanted / image), "wanted": wanted, "image": image}
    )
    for key in told(found):
        assert found[key].value == pytest.approx(found[key].relation_value, rel=0.02)


@CELLS
@pytest.mark.parametrize("peak, hard", [(5e-3, False), (0.5, True)])
def test_laws_of_the_mixer(cell, d, u, peak, hard):
    s = {"oscillator_amplitude": peak, "signal_amplitude": 1e-3, "second_amplitude": 2e-3}
    found = laws("mixer", s, cell)
    gain = FULL / (2 * V_T) / d * (2 / math.pi if hard else peak / (4 * V_T * u**2))
    q = abs(1 / (3 * d**3) - (0 if hard else (u - 1) ** 2 / (d * u) ** 2)) * 0.75 / (2 * V_T) ** 2
    law = told(found)
    assert law["conversion_gain"] == pytest.approx(gain)
    assert law["conversion_gain_db"] == pytest.approx(db(gain))
    assert law["third_order"] == pytest.approx(100 * q * 1e-3 * 2e-3 * 2e-3 / 1.5e-3)
    assert law["intercept"] == pytest.approx(1 / math.sqrt(q))
    assert law["other_product"] == law["image"] == 0.0
    switched = steer(peak * np.cos(TURN)) if cell is PLAIN else None
    if switched is not None:
        share = np.mean(switched * np.cos(TURN)) * 2 * math.pi / 4
        assert law["hard_limit"] == pytest.approx(100 * share)
    for key in ("conversion_gain", "conversion_gain_db", "third_order"):
        assert found[key].holds and found[key].value == pytest.approx(law[key], rel=0.15)
    one = laws("mixer", {**s, "second_amplitude": 0.0}, cell)
    assert one["third_order"].relation_value == 0.0 and not one["third_order"].holds


@CELLS
def test_laws_of_the_phase_detector(cell, d, u):
    small = {"upper_amplitude": 2e-3, "lower_amplitude": 3e-3, "phase": 70.0}
    found = laws("phase_detector", small, cell)
    height = FULL * 2e-3 * 3e-3 / (8 * V_T**2 * d * u**2)
    assert told(found) == pytest.approx({
        "output": height * math.cos(math.radians(70)), "slope": height, "zero": 90.0,
        "swing": height, "lock_range": height * 1e3,
        "straightness": 100 * (1 - math.sin(math.pi / 4) / (math.pi / 4)),
    })  # fmt: skip
    assert all(m.holds for m in found.values())
    large = {"upper_amplitude": 2.0, "lower_amplitude": 2.0, "oscillator_pull": 500.0}
    for phase in (70.0, -70.0, 290.0):
        found = laws("phase_detector", {**large, "phase": phase}, cell)
        assert told(found) == pytest.approx({
            "output": FULL * (1 - 70 / 90), "slope": FULL * 2 / math.pi, "zero": 90.0,
            "swing": FULL, "lock_range": FULL * 500, "straightness": 0.0,
        })  # fmt: skip
        assert all(m.holds for m in found.values())


def test_square_waves_at_the_detector_reach_what_the_pairs_steer():
    s = {"shape": "square", "upper_amplitude": 0.02, "lower_amplitude": 0.05, "phase": 30.0}
    found = laws("phase_detector", s)
    height = FULL * steer(0.02) * steer(0.05)
    assert found["swing"].relation_value == pytest.approx(height)
    assert found["output"].relation_value == pytest.approx(height * (1 - 30 / 90))
    for key in ("output", "swing", "slope"):
        assert found[key].value == pytest.approx(found[key].relation_value, rel=1e-3)


@pytest.mark.parametrize("corners", [(0.0, 9e3), (6e3, 0.0), (5e3, 12e3)])
def test_square_waves_sag_behind_coupling_capacitors(corners):
    """2 A/(1 + exp(-T/2 tau)) exp(-t/tau) in each half of a period T (any text on pulses)."""
    f, phase, amplitudes = 40e3, 60.0, (0.05, 0.02)

    def sagged(amplitude, corner, t):
        t = t % (1 / f)
        half = 0.5 / f
        sign = np.where(t < half, 1.0, -1.0)
        rate = 2 * math.pi * corner
        top = 2 * amplitude / (1 + math.exp(-half * rate))
        return sign * top * np.exp(-(t % half) * rate)

    t = (np.arange(7200) + 0.5) / 7200 / f
    upper = sagged(amplitudes[0], corners[0], t)
    lower = sagged(amplitudes[1], corners[1], t - phase / 360 / f)
    mean = FULL * np.mean(steer(upper) * steer(lower))
    s = {"shape": "square", "upper_amplitude": 0.05, "lower_amplitude": 0.02, "phase": phase}
    path = Path(*(Feed(c) for c in corners))
    run = run_use("phase_detector", s, PLAIN, False, path)
    assert run.merit("output").value == pytest.approx(mean, rel=2e-3)
    cycle = run.records["output"].y[: len(run.records["output"].y) // 4]
    assert np.mean(cycle) == pytest.approx(mean, rel=0.01)
    assert np.ptp(cycle) == pytest.approx(np.ptp(FULL * steer(upper) * steer(lower)), rel=0.02)


@CELLS
def test_laws_of_the_squarer(cell, d, u):
    s = {"amplitude": 3e-3, "phase": 0.0, "offset_upper": 2e-5, "offset_lower": 1e-5}
    found = laws("squarer", s, cell)
    scale = FULL / (4 * V_T**2 * d * u**2)
    second, left = scale * 3e-3**2 / 2, 2 * 3e-5 / 3e-3
    assert {k: v for k, v in told(found).items() if k != "fourth"} == pytest.approx({
        "second": second, "residual": db(1 / left), "dc": second + scale * 2e-10,
        "purity": 100 * left,
    })  # fmt: skip
    if cell is PLAIN:
        assert found["fourth"].relation_value == pytest.approx(100 * (3e-3 / V_T) ** 2 / 24)
    assert found["fourth"].value == pytest.approx(found["fourth"].relation_value, rel=0.1)
    assert all(m.holds for m in found.values())
    turned = laws("squarer", {**s, "phase": 90.0}, cell)
    assert turned["dc"].relation_value == pytest.approx(scale * 2e-10, rel=1e-6)
    assert turned["residual"].relation_value == pytest.approx(
        -db(2 * abs(2e-5 * -1j + 1e-5) / 3e-3)
    )
    assert turned["fourth"].relation_value is None and not turned["fourth"].holds


def test_laws_of_the_loop():
    s = {"level": 2e-3, "step": 12.0, "wanted": 0.04, "integrator_time": 20e-3,
         "detector_time": 5e-4, "frequency": 45e3}  # fmt: skip
    run = run_use("gain_control_loop", s, PLAIN, detail=False)
    found = {m.key: m for m in run.merits}
    loud = 2e-3 * 10 ** (12 / 20)
    slopes = []
    for level in (2e-3, loud):  # wanted = level gm R tanh(c/2VT), and its slope over c
        c = 2 * V_T * math.atanh(0.04 / (level * FULL / (2 * V_T)))
        slopes.append(level * FULL / (2 * V_T) / (2 * V_T) / math.cosh(c / (2 * V_T)) ** 2)
    t_i, t_d, growth = 20e-3, 5e-4, loud / 2e-3
    grow = t_i / slopes[1] * math.log((growth - 1) / 0.05)
    fall = t_i / slopes[0] * math.log((1 - 1 / growth) / 0.05)
    assert found["attack"].relation_value == pytest.approx(grow, rel=0.01)
    assert found["release"].relation_value == pytest.approx(fall, rel=0.01)
    damping = 0.5 * math.sqrt(t_i / (t_d * slopes[1]))
    assert found["damping"].relation_value == pytest.approx(damping, rel=0.01)
    assert found["damping"].value == pytest.approx(damping, rel=0.02)
    # the second harmonic of a rectified sine, 4/3 of its mean peak to peak, through both poles
    w2 = 4 * math.pi * 45e3
    ripple = 4 / 3 * 0.04 / (w2 * t_i * math.hypot(1, w2 * t_d))
    assert found["ripple"].relation_value == pytest.approx(ripple, rel=0.01)
    calm = 2 * V_T * math.atanh(0.04 / (2e-3 * FULL / (2 * V_T)))  # the control of the weaker one
    assert found["ripple"].limit == pytest.approx(0.1 * calm, rel=1e-3)
    assert found["held"].relation_value == 0.04 and found["overshoot"].relation_value == 0.0
    top = FULL / (2 * V_T) * math.tanh(run.settings.control_limit / (2 * V_T))
    assert found["least_input"].relation_value == pytest.approx(0.04 / top, rel=1e-3)
    third = (loud / V_T) ** 2 / 48
    assert found["hd3"].relation_value == pytest.approx(100 * third, rel=1e-3)
    # the ripple of the gain, a quarter of it at the third harmonic, is a tenth of what bends
    quick = t_i * (ripple / 4 * slopes[1] / 0.04) / (0.1 * third)
    assert found["hd3"].limit == pytest.approx(quick, rel=0.02)
    assert found["attack"].limit == pytest.approx(4 * t_d * slopes[1], rel=0.01)
    assert found["hd3"].value == pytest.approx(100 * third, rel=0.02)
    assert all(m.holds for m in found.values())


#: Use, settings, figure, which setting reaches the limit and what of the limit it may take.
ENDS = [
    ("variable_gain", {}, "gain", "amplitude", 1.0),
    ("am", {"offset": 3e-3}, "depth", "tone_amplitude", ("less", 3e-3)),
    ("am", {"offset": 3e-3}, "sideband", "tone_amplitude", ("less", 3e-3)),
    ("dsb", {"offset": 3e-3}, "suppression", "tone_amplitude", ("less", 3e-3)),
    ("dsb", {"carrier_amplitude": 1e-3}, "sideband", "tone_amplitude", ("less", 5e-4)),
    ("dsb", {}, "third_order", "tone_amplitude", 1.0),
    ("ssb", {}, "wanted", "tone_amplitude", 1.0),
    ("ssb", {"tone_phase_error": 0.0, "amplitude_error": 0.0}, "allowed_phase",
     "tone_phase_error", 1.0),
    ("ssb", {"tone_phase_error": 0.0, "carrier_phase_error": 0.0}, "allowed_amplitude",
     "amplitude_error", 1.0),
    ("mixer", {"oscillator_amplitude": 0.5, "second_amplitude": 1e-4}, "third_order",
     "signal_amplitude", 1.0),
    ("squarer", {"offset_upper": 0.0, "offset_lower": 0.0}, "second", "amplitude", 1.0),
    ("squarer", {"offset_upper": 0.0, "offset_lower": 0.0}, "fourth", "amplitude", 1.0),
    *(("squarer", {}, figure, "amplitude", 1.0) for figure in ("residual", "dc", "purity")),
    ("phase_detector", {"upper_amplitude": 1e-4}, "slope", "lower_amplitude", 1.0),
]  # fmt: skip


@pytest.mark.parametrize("key, start, figure, name, share", ENDS)
def test_a_figure_holds_up_to_its_limit_and_not_beyond(key, start, figure, name, share):
    limit = laws(key, start)[figure].limit
    edge = limit - share[1] if isinstance(share, tuple) else share * limit
    for factor, holds in ((0.98, True), (1.02, False)):
        assert laws(key, {**start, name: factor * edge})[figure].holds is holds


@pytest.mark.parametrize("figure", ["slope", "swing", "output"])
def test_a_detector_is_hard_from_its_limit_on(figure):
    limit = laws("phase_detector", {})[figure].limit
    for factor, holds in ((1.02, True), (0.98, False)):
        both = dict.fromkeys(("upper_amplitude", "lower_amplitude"), factor * limit)
        found = laws("phase_detector", {**both, "phase": 45.0})[figure]
        assert found.holds is holds or figure == "output"


@CELLS
def test_limits_of_what_is_straight(cell, d, u):
    """1 % short of the tangent of a pair; with resistors v = VT ln(I1/I2) + RE (I1 - I2)."""
    k = 2e-3 * cell.r_emitter_lower / V_T

    def short(y):  # of a share y = (I1 - I2)/I of the tail
        x = 2 * math.atanh(y) + k * y
        return y * (2 + k) / x - 0.99

    y = root(short, 1e-3, 0.9)
    straight = V_T * (2 * math.atanh(y) + k * y)
    for key, figure in (("am", "depth"), ("dsb", "suppression"), ("ssb", "wanted")):
        assert laws(key, {}, cell)[figure].limit == pytest.approx(straight, rel=1e-3)
    if cell is PLAIN:
        assert straight == pytest.approx(LINEAR * V_T)


def products(x, phase):
    late = TURN - math.radians(phase)
    return np.mean(np.tanh(x / 2 * np.cos(TURN)) * np.tanh(x / 2 * np.cos(late)))


def second(x, k):
    return abs(2 * np.mean(np.tanh(x / 2 * np.cos(TURN)) ** 2 * np.cos(k * TURN)))


def test_limits_of_two_equal_waves():
    """The mean and the harmonics of tanh(x cos a) tanh(x cos b), averaged over a cycle."""
    decibel = 10 ** (-1 / 20)

    def slope(x):
        return (products(x, 89.0) - products(x, 91.0)) / math.radians(2)

    hard = laws("phase_detector", {"upper_amplitude": 1.0, "lower_amplitude": 1.0})
    assert hard["slope"].limit == pytest.approx(
        V_T * root(lambda x: slope(x) - decibel * 2 / math.pi), rel=0.01
    )
    assert hard["swing"].limit == pytest.approx(
        V_T * root(lambda x: products(x, 0.0) - decibel), rel=0.01
    )
    bent = root(lambda x: 1 - products(x, 45.0) / (slope(x) * math.pi / 4) - 0.02, 1.0, 25.0)
    assert hard["straightness"].limit == pytest.approx(V_T * bent, rel=0.01)
    soft = laws("phase_detector", {"upper_amplitude": 1e-3, "lower_amplitude": 1e-3})
    by_slope = root(lambda x: slope(x) / (x**2 / 8) - decibel, 0.05, 10.0)
    by_swing = root(lambda x: products(x, 0.0) / (x**2 / 8) - decibel, 0.05, 10.0)
    assert soft["slope"].limit == pytest.approx(V_T * min(by_slope, by_swing), rel=0.01)
    square = laws("squarer", {})
    assert square["second"].limit == pytest.approx(
        V_T * root(lambda x: second(x, 2) / (x**2 / 8) - 0.9, 0.05, 10.0), rel=0.01
    )
    assert square["fourth"].limit == pytest.approx(
        V_T * root(lambda x: second(x, 4) / second(x, 2) / (x**2 / 24) - 0.9, 0.05, 10.0), rel=0.01
    )


def test_ripple_is_told_while_it_is_a_tenth_of_the_control():
    for t_i, holds in ((2e-3, True), (2e-5, False)):
        found = laws("gain_control_loop", {"integrator_time": t_i, "detector_time": 1e-6})["ripple"]
        assert found.holds is holds is (found.value <= found.limit)


@pytest.mark.parametrize(
    "key, sides",
    [
        ("variable_gain", ["lower"]), ("gain_control_loop", ["lower"]), ("am", ["lower"]),
        ("dsb", ["lower"]), ("squarer", ["upper", "lower"]), ("mixer", []), ("ssb", []),
        ("phase_detector", []),
    ],
)  # fmt: skip
def test_dc_behind_a_coupling_capacitor_is_said_to_be_applied_behind_it(key, sides):
    path = Path(Feed(100.0), Feed(100.0))
    said = [n for n in run_use(key, None, PLAIN, False, path).notes if "coupling capacitor" in n]
    assert [s for n in said for s in ("upper", "lower") if f"on the {s} input" in n] == sides
    if key == "dsb":
        s = {"offset": 0.0, "trim": 1e-3}
        found = run_use(key, s, PLAIN, False, path).notes
        assert any("on the lower input is applied behind its coupling" in n for n in found)
    none = run_use(key, None, PLAIN, False).notes
    assert not [n for n in none if "coupling capacitor" in n]


def test_an_ideal_phasing_within_what_is_allowed_rejects_by_40_db():
    """Errors d in phase and e in size leave tan(d/2) and e/(2 + e) of the wanted sideband."""
    found = laws("ssb", {})
    assert found["allowed_phase"].value == pytest.approx(math.degrees(2 * math.atan(0.01)))
    assert found["allowed_amplitude"].value == pytest.approx(100 * 2 / 99)
    for errors in (
        {"tone_phase_error": math.degrees(2 * math.atan(0.01)), "amplitude_error": 0.0},
        {"tone_phase_error": 0.0, "amplitude_error": 200 / 99},
    ):
        assert laws("ssb", errors)["rejection"].value == pytest.approx(40.0, abs=0.01)


@pytest.mark.parametrize("carrier, tone, most", [(45e3, 2e3, 3), (20e3, 8e3, 1)])
def test_power_is_that_of_the_sidebands_that_do_not_fold(carrier, tone, most):
    s = {"carrier_frequency": carrier, "tone_frequency": tone, "tone_amplitude": 0.05}
    found = laws("am", {**s, "carrier_amplitude": 1e-3, "offset": 0.02})
    wave = steer(0.02 + 0.05 * np.cos(TURN))
    parts = [np.mean(wave * np.cos(k * TURN)) ** 2 for k in range(most + 1)]
    side = 2 * sum(parts[1:])
    assert found["sideband_share"].value == pytest.approx(100 * side / (side + parts[0]), rel=1e-8)
    assert found["total_power"].value == pytest.approx(1 + side / parts[0], rel=1e-8)


def test_two_offsets_move_the_zero_of_a_detector():
    found = laws("phase_detector", {"upper_amplitude": 0.02, "lower_amplitude": 0.02})
    on = 2 * np.mean(steer(0.02 * np.cos(TURN) + 1e-3) * steer(0.02 * np.sin(TURN) + 1e-3))
    turned = math.degrees(on / found["slope"].value)
    assert f"1.00 mV on each moves it by {turned:.2f} degrees" in found["zero"].stops


def test_settling_is_near_its_law_and_less_near_for_a_large_step():
    for step, share, holds in ((0.9, 1.2, False), (12.0, 0.82, True)):
        t_i = 1e-3 if step < 1 else 7e-4
        found = laws("gain_control_loop", {"step": step, "integrator_time": t_i})["release"]
        assert found.value / found.relation_value == pytest.approx(share, rel=0.01)
        assert found.holds is holds


@pytest.mark.parametrize("signal", [43e3, 86e3])
def test_a_signal_that_is_its_own_image_or_has_it_at_dc_is_not_rejected(signal):
    s = {"signal_frequency": signal, "oscillator_frequency": 43e3}
    path = Path(lower=Feed(9e3))
    run = run_use("mixer", s, PLAIN, False, path)
    assert {m.key: m for m in run.merits}["image"].value == 0.0


def test_a_squarer_at_90_degrees_puts_out_no_dc_at_all():
    found = laws("squarer", {"phase": 90.0, "offset_upper": 0.0, "offset_lower": 0.0})
    assert found["dc"].value == 0.0 and found["second"].value > 0.08


@CELLS
@pytest.mark.parametrize("control, amplitude", [(1e-3, 1e-3), (0.02, 8e-3), (0.12, 1e-3)])
def test_the_gain_is_alike_for_both_signs_of_the_control(cell, d, u, control, amplitude):
    up, down = (
        laws("variable_gain", {"control": sign * control, "amplitude": amplitude}, cell)
        for sign in (1, -1)
    )
    for key, merit in up.items():
        assert down[key].holds is merit.holds, key
        if merit.limit is not None:
            assert down[key].limit == pytest.approx(merit.limit, rel=1e-4, abs=1e-9), key
    assert down["hd3"].relation_value == pytest.approx(up["hd3"].relation_value)


def test_a_control_at_balance_has_no_harmonic_to_speak_of():
    found = laws("variable_gain", {"control": 0.0}, WITH)["hd3"]
    assert math.isnan(found.value) and found.relation_value is None and found.holds


def test_what_holds_of_the_gain_holds_for_both_signs_of_the_control():
    cell = TextbookCell(offset_lower=2e-4)
    for control in (0.03, -0.03):
        found = laws("variable_gain", {"control": control, "drift": 1e-3}, cell)
        assert found["opposite"].holds and found["null"].holds
        found = laws("variable_gain", {"control": 0.4 * control, "drift": 1e-4}, cell)
        assert not found["opposite"].holds and not found["null"].holds


def test_two_tones_have_a_third_order_up_to_where_a_tenth_is_off_its_square_law():
    """x of VT in each: 2a - b of tanh(x/2 (cos a + cos b)) over a, which is x^2/16 at first."""
    turn = 2 * np.pi * (np.arange(96) + 0.5) / 96
    a, b = turn[:, None], turn[None, :]

    def off(x):
        wave = np.tanh(x / 2 * (np.cos(a) + np.cos(b)))
        third, tone = np.mean(wave * np.cos(2 * a - b)), np.mean(wave * np.cos(a))
        return abs(third / tone) / (x**2 / 16) - 0.9

    edge = V_T * root(off, 0.1, 2.0)
    found = laws("mixer", {"oscillator_amplitude": 0.5})
    for figure in ("third_order", "compression", "intercept"):
        assert found[figure].limit == pytest.approx(edge, rel=2e-3)


@CELLS
def test_all_the_gain_there_is_takes_six_vt_and_the_drop_of_the_lower_pair(cell, d, u):
    drop = 2e-3 * cell.r_emitter_lower
    assert laws("variable_gain", {}, cell)["largest"].limit == pytest.approx(6 * V_T + drop)


def test_without_a_tone_there_is_no_depth_and_without_dc_no_end_of_it():
    found = laws("am", {"tone_amplitude": 0.0})
    assert found["envelope_depth"].relation_value == found["depth"].relation_value == 0.0
    assert found["sideband"].relation_value == -240.0
    assert laws("am", {"offset": 0.0})["depth"].relation_value in (None, math.inf)


@pytest.mark.parametrize(
    "key, units",
    [
        ("variable_gain", "V V V V V V V V"), ("gain_control_loop", "s V - s V V V s"),
        ("am", "V V V V V V V"), ("mixer", "V V V Hz Hz V V V - -"),
    ],
)  # fmt: skip
def test_units_of_the_limits(key, units):
    found = [m.limit_unit or "-" for m in laws(key, {}).values()]
    assert " ".join(found[: len(units.split())]) == units


def test_the_loop_has_all_the_gain_up_to_its_largest_control():
    """Resistors that drop 2 V spread the control: gm R v/(I RE + 2VT) below full steering."""
    cell = TextbookCell(r_emitter_lower=1e3)
    found = laws("gain_control_loop", {"control_limit": 1.0}, cell)["least_input"]
    assert found.value == pytest.approx(40e-3 * 2 * V_T / FULL * (2.0 + 2 * V_T) / 1.0, rel=0.01)
    assert found.value == pytest.approx(found.relation_value, rel=1e-3)


def test_a_step_down_of_the_loud_signal_is_the_step_up_the_other_way_round():
    """The loop goes up and back down: which comes first is all the same to what it settles at."""
    up = laws("gain_control_loop", {"level": 2e-3, "step": 12.0})
    down = laws("gain_control_loop", {"level": 2e-3 * 10**0.6, "step": -12.0})
    for figure in ("attack", "release", "damping", "overshoot", "held", "ripple", "hd3"):
        assert down[figure].value == pytest.approx(up[figure].value, rel=1e-6)
        assert down[figure].relation_value == pytest.approx(up[figure].relation_value, rel=1e-6)
        assert down[figure].holds is up[figure].holds


def at(key, figure, cell, settings=None):
    """The end of a relation, V, in a scene."""
    return laws(key, settings, cell)[figure].limit


SOFT, HARD = (dict.fromkeys(("upper_amplitude", "lower_amplitude"), a) for a in (1e-3, 1.0))
#: Where relations end: use, figure whose end it is, scene at x times the end, and all that end.
ENDS = [
    ("variable_gain", "gain", {"control": 0.1}, lambda x: {"amplitude": x}, "gain gain_db"),
    ("variable_gain", "hd3", {"control": 0.1}, lambda x: {"amplitude": x}, "hd3"),
    ("am", "depth", {}, lambda x: {"offset": 0.6 * x, "tone_amplitude": 0.4 * x},
     "depth envelope_depth sideband sideband_share total_power envelope_distortion"),
    ("am", "depth", {"tone_amplitude": 1e-4}, lambda x: {"offset": 0.5 * x}, "edge"),
    ("dsb", "suppression", {"offset": 1e-4, "trim": 1e-4, "carrier_amplitude": 1e-3},
     lambda x: {"tone_amplitude": x - 2e-4}, "suppression suppression_peak sideband"),
    ("dsb", "sideband", {"tone_amplitude": 2e-3}, lambda x: {"carrier_amplitude": x}, "sideband"),
    ("dsb", "third_order", {}, lambda x: {"tone_amplitude": x}, "third_order"),
    ("ssb", "wanted", {"carrier_amplitude": 1e-3}, lambda x: {"tone_amplitude": x}, "wanted image"),
    ("ssb", "wanted", {"tone_amplitude": 1e-3}, lambda x: {"carrier_amplitude": x}, "wanted image"),
    ("mixer", "conversion_gain", {"oscillator_amplitude": 1e-3},
     lambda x: {"oscillator_amplitude": x}, "conversion_gain conversion_gain_db"),
    ("mixer", "third_order", {"oscillator_amplitude": 0.5},
     lambda x: {"signal_amplitude": x, "second_amplitude": 0.5 * x}, "third_order"),
    ("phase_detector", "slope", SOFT, lambda x: {"lower_amplitude": x},
     "output slope swing straightness lock_range"),
    ("squarer", "second", {}, lambda x: {"amplitude": x}, "second residual dc purity"),
    ("squarer", "fourth", {}, lambda x: {"amplitude": x}, "fourth"),
]  # fmt: skip
#: The same where a wave that switches hard becomes too small for that.
HARD_ENDS = [
    ("mixer", "conversion_gain", {"oscillator_amplitude": 0.5},
     lambda x: {"oscillator_amplitude": x}, "conversion_gain conversion_gain_db"),
    ("phase_detector", "slope", HARD, lambda x: {"lower_amplitude": x}, "slope output"),
    ("phase_detector", "swing", HARD, lambda x: {"lower_amplitude": x}, "swing lock_range"),
    ("phase_detector", "straightness", HARD, lambda x: {"lower_amplitude": x}, "straightness"),
]  # fmt: skip


@pytest.mark.parametrize("key, figure, start, scene, ended", ENDS + HARD_ENDS)
def test_a_relation_holds_up_to_its_end_and_no_further(key, figure, start, scene, ended):
    """Just past its end the figure is still near the law, so that only the end can say so."""
    end = at(key, figure, PLAIN, start)
    inside, outside = (0.98, 1.02) if scene in [row[3] for row in ENDS] else (1.02, 0.98)
    one, two = (
        {k: m.holds for k, m in laws(key, start | scene(x * end), PLAIN).items()}
        for x in (inside, outside)
    )
    assert {k for k in one if one[k] and not two[k]} == set(ended.split())
    assert not {k for k in one if two[k] and not one[k]}


def test_two_signals_count_together_for_the_conversion_gain():
    # each pair bends by its whole drive: half the end of one tone is left for the sum of two
    end = 0.5 * V_T * root(lambda x: 1 - part(x) / (x / 2) - (1 - 10**-0.05), 0.1, 10.0)
    for share, holds in ((0.98, True), (1.02, False)):
        s = {"oscillator_amplitude": 0.5, "signal_amplitude": 0.7 * share * end}
        found = laws("mixer", s | {"second_amplitude": 0.3 * share * end})
        assert found["conversion_gain"].holds is found["image"].holds is holds
    found = laws("mixer", s | {"second_amplitude": 0.0})
    assert found["conversion_gain"].holds


def part(x):
    """Fundamental of what a sine of x VT steers in a pair."""
    return 2 * np.mean(np.tanh(x / 2 * np.cos(TURN)) * np.cos(TURN))


def test_sidebands_behind_the_loads_are_told_by_their_mean_square():
    """A pole at the carrier weakens the upper sideband more than the lower one."""
    path = Path(load_pole=45e3)
    lost = {f: 1 / math.hypot(1, f / 45) for f in (43, 45, 47)}
    one = math.sqrt((lost[43] ** 2 + lost[47] ** 2) / 2)
    plain, seen = laws("dsb", {}), laws("dsb", {}, path=path)
    more = seen["suppression"].value - plain["suppression"].value
    assert more == pytest.approx(db(one / lost[45]), abs=1e-6)
    assert seen["sideband"].value / plain["sideband"].value == pytest.approx(one)
    am = laws("am", {"tone_amplitude": 2e-3}, path=path)
    mean = (lost[43] + lost[47]) / 2
    assert am["sideband"].value == pytest.approx(
        laws("am", {"tone_amplitude": 2e-3})["sideband"].value + db(mean / lost[45]), abs=1e-6
    )


@pytest.mark.parametrize("tone", [0.0, 2e-3])
def test_full_depth_takes_more_tone_through_a_coupling_capacitor(tone):
    path, s = Path(lower=Feed(2e3)), {"tone_amplitude": tone, "tone_frequency": 2e3}
    plain, fed = (laws("am", s, path=p)["edge"].value for p in (None, path))
    assert fed / plain == pytest.approx(math.sqrt(2), rel=1e-4)


def test_a_trim_is_found_however_far_the_cell_is_off():
    found = laws("dsb", {"offset": 1e-3}, TextbookCell(offset_lower=60e-3))["best_trim"]
    assert abs(found.value) == pytest.approx(60e-3, abs=1.1e-3) and not found.holds
