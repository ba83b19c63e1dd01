"""Figures of a record against numpy's own least squares, and their bands."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.capture import scope
from forktail.core.capture.boards import Board, Spread, movable, predict
from forktail.core.capture.figures import Figure, figures_of, slope_caution
from forktail.core.capture.scope import Setup, offset_of
from forktail.core.capture.trial import Trial
from forktail.core.path import path_of
from records import record

MIXER = shipped()["bat-call-mixer"][0]
BARE = replace(MIXER, c_load=0.0)
AT, M, SPREAD = "base lines", 64, Spread()
PUT_IN = {"product": 200.0, "feed_upper": 0.03, "feed_lower": -0.2, "offset": 0.05}


def made(circuit=BARE, outputs=None, setup=None, **more):
    """Figures of a board that gives a plain product with feedthroughs."""
    seen = record(M, **more)
    u, low = seen.inputs["upper"], seen.inputs["lower"]
    columns = {"product": u * low, "feed_upper": u, "feed_lower": low, "offset": np.ones(M)}
    if circuit.c_load:  # each line behind one pole (any circuits text)
        late = 1 / (1 + 1j * np.fft.rfftfreq(M, seen.step) / path_of(circuit).load_pole)
        columns = {k: np.fft.irfft(np.fft.rfft(w) * late, M) for k, w in columns.items()}
    wave = sum(PUT_IN[k] * c for k, c in columns.items())
    given = outputs or {"left": 9.0 - 0.4 * wave, "right": 9.0 + 0.6 * wave}
    given = given if outputs is None or "out" not in outputs else {"out": wave}
    seen = replace(
        seen, outputs=given, sigma={n: np.full(M, 1e-3) for n in given},
        levels=dict.fromkeys(given, 0.0), noise=dict.fromkeys(given, 1e-3),
    )  # fmt: skip
    names = movable(circuit, AT)
    plan = predict(Board(circuit), seen, AT, names)
    trial = Trial(seen, setup or Setup(AT), circuit, SPREAD)
    found = figures_of(trial, None, plan, names)
    return {f.key: f for f in found}, np.column_stack([*columns.values()]), plan, trial


@pytest.mark.parametrize("circuit", [BARE, MIXER], ids=["", "poles"])
def test_what_was_put_in_is_measured_beside_what_is_predicted(circuit):
    found, columns, plan, _ = made(circuit)
    assert {k: found[k].measured for k in PUT_IN} == pytest.approx(PUT_IN, rel=1e-6)
    out = plan.values["right"] - plan.values["left"]
    wanted = np.linalg.lstsq(columns, out, rcond=None)[0]
    assert [found[k].predicted for k in PUT_IN] == pytest.approx(list(wanted), rel=1e-6, abs=1e-9)
    assert [found[k].unit for k in PUT_IN] == ["1/V", "", "", "V"]
    assert found["feed_lower"].name == "Lower input in the output, slope"
    for side in ("left", "right"):
        level = found[f"level_{side}"]
        assert level.predicted == pytest.approx(plan.values[side].mean())
        assert level.name == f"{side.capitalize()} collector, mean" and level.unit == "V"


def test_the_band_counts_tolerances_and_the_errors_of_a_scope():
    found, columns, plan, trial = made()
    sizes = {n: SPREAD.of(BARE, n) for n in movable(BARE, AT)}
    sizes |= {f"{w}_{s}": x for w, x in (("input_gain", scope.GAIN), ("skew", scope.SKEW))
              for s in ("upper", "lower")}  # fmt: skip
    assert set(sizes) == set(plan.columns)
    nought = np.zeros(M)
    slopes = {
        n: np.linalg.lstsq(columns, c.get("right", nought) - c.get("left", nought), rcond=None)[0]
        for n, c in plan.columns.items()
    }
    levels = [plan.values[s].mean() for s in ("left", "right")]
    offsets = [offset_of(trial.record, s, 0.0) for s in ("left", "right")]
    for k, key in enumerate(PUT_IN):
        figure = found[key]
        own = math.hypot(*(sizes[n] * x[k] for n, x in slopes.items()))
        gain = [scope.GAIN * v for v in levels] if key == "offset" else [
            scope.GAIN * figure.predicted
        ]  # fmt: skip
        whole = math.hypot(own, *gain, *(offsets if key == "offset" else ()))
        assert figure.doubt == pytest.approx(whole, rel=1e-6), key
    for side, level in zip(("left", "right"), levels):
        own = math.hypot(
            *(sizes[n] * np.mean(plan.columns[n].get(side, 0.0)) for n in movable(BARE, AT))
        )
        offset = offset_of(trial.record, side, level)
        whole = math.hypot(own, scope.GAIN * level, offset)
        assert found[f"level_{side}"].doubt == pytest.approx(whole, rel=1e-6)


def test_a_band_holds_two_standard_deviations_either_way():
    one = Figure("product", "Product", 1.0, 2.0, 0.5, "")
    assert (one.low, one.high, one.inside) == (1.0, 3.0, True)
    assert replace(one, measured=3.0).inside
    assert not replace(one, measured=0.99).inside and not replace(one, measured=3.01).inside


def test_only_what_is_known_has_a_figure():
    """Without the second drive there is no product; with AC coupling no level and no offset."""
    still = {"upper": 0.05 * np.sin(2 * np.pi * np.arange(M) / M), "lower": np.zeros(M)}
    found, *_ = made(inputs=still, off=("lower",))
    assert set(found) == {"feed_upper", "offset", "level_left", "level_right"}
    found, *_ = made(setup=Setup(AT, coupled=("left",)))
    assert set(found) == {"product", "feed_upper", "feed_lower", "level_right"}
    found, *_ = made(outputs={"out": None})
    assert set(found) == set(PUT_IN) and found["product"].measured == pytest.approx(200.0)
    alone = made(outputs={"left": np.full(M, 9.0)})[0]
    assert set(alone) == {"level_left"} and alone["level_left"].measured == 9.0


def test_samples_at_the_edge_of_the_screen_do_not_count():
    _, _, plan, trial = made()
    names = movable(BARE, AT)

    def figures(cut):
        sigma = {
            n: np.where(np.arange(M) < cut, math.inf, s) for n, s in trial.record.sigma.items()
        }
        outputs = {
            n: np.where(np.arange(M) < cut, 99.0, w) for n, w in trial.record.outputs.items()
        }
        seen = replace(trial.record, sigma=sigma, outputs=outputs)
        return {
            f.key: f for f in figures_of(Trial(seen, Setup(AT), BARE, SPREAD), None, plan, names)
        }

    some = figures(10)
    assert {k: some[k].measured for k in PUT_IN} == pytest.approx(PUT_IN, rel=1e-6)
    assert some["level_left"].measured == pytest.approx(trial.record.outputs["left"][10:].mean())
    # four numbers are asked of eight samples at least
    assert set(PUT_IN) <= set(figures(M - 8)) and not set(PUT_IN) & set(figures(M - 7))
    assert figures(M) == {}


def test_a_slope_is_no_small_signal_slope_beyond_half_of_kt_over_q():
    edge = 0.5 * 0.025692579121085843  # at 25 degrees Celsius
    wave = np.sin(2 * np.pi * np.arange(M) / M)

    def said(upper, lower, off=()):
        top = np.max(wave)
        inputs = {"upper": upper * edge * wave / top, "lower": -lower * edge * wave / top}
        return slope_caution(MIXER, record(M, inputs=inputs, off=off))

    assert said(0.99, 0.99) == "" and said(0.99, 9.0, ("lower",)) == ""
    assert "here the upper drive is beyond half of kT/q," in said(1.01, 0.99)
    assert "here the lower drive is beyond" in said(0.99, 1.01)
    assert "here both drives are beyond half" in said(1.01, 1.01)
