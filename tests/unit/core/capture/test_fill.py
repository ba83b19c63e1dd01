"""Inputs that were not captured: sines whose phase the output tells."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forktail.circuits import shipped
from forktail.core.capture.fill import fill_inputs
from forktail.core.capture.read import Capture
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell
from forktail.core.path import path_of, run_path

MIXER = shipped()["bat-call-mixer"][0]


def sines():
    """A capture of two sines with phases of their own: 23 and 20 kHz."""
    t = np.arange(6000) * 5e-7
    u = 0.03 * np.sin(2 * np.pi * 23e3 * t + 1.1)
    low = 0.01 * np.sin(2 * np.pi * 20e3 * t - 0.4)
    clean = run_path(BuiltCell(MIXER), u, low, 5e-7, periodic=False).loads.v_out
    noise = np.random.default_rng(2).normal(0, 1e-4, len(t))
    return t, u, low, np.where(np.isfinite(clean), clean, 0.0) + noise


@pytest.mark.parametrize("missing", [("v_upper",), ("v_lower",), ("v_upper", "v_lower")])
def test_phase_of_what_was_not_captured_is_found(missing):
    """sin a sin b = (cos(a-b) - cos(a+b))/2: the output tells the phases."""
    t, u, low, v_out = sines()
    inputs = {"v_upper": u, "v_lower": low}
    drives = {"v_upper": (0.03, 23e3), "v_lower": (0.01, 20e3)}
    kept = {n: w for n, w in inputs.items() if n not in missing}
    filled = fill_inputs(
        Capture(time=t, v_out=v_out, **kept), MIXER, **{n: drives[n] for n in missing}
    )
    turned = 1.0
    if len(missing) == 2:  # both upside down is the same product
        turned = np.sign(filled.v_upper @ u)
    for n in inputs:
        assert getattr(filled, n) * turned == pytest.approx(inputs[n], abs=0.15 * drives[n][0])
    assert len(filled.notes) == len(missing) + (len(missing) == 2)


@pytest.mark.parametrize(
    "drives, words",
    [
        ({}, "v_upper is not in the capture"),
        ({"v_upper": (0.03, 1.01e6)}, r"frequency of v_upper.*1e\+06 Hz"),  # half the sample rate
        ({"v_upper": (0.03, 31e3)}, "almost none"),
        ({"v_upper": (0.0, 23e3)}, "peak of v_upper"),
    ],
)
def test_what_cannot_be_filled_is_said(drives, words):
    t, _, low, v_out = sines()
    with pytest.raises(QuantityError, match=words):
        fill_inputs(Capture(time=t, v_out=v_out, v_lower=low), MIXER, **drives)


def test_equal_frequencies_do_not_tell_their_phases():
    t, _, _, v_out = sines()
    with pytest.raises(QuantityError, match="cannot be told"):
        fill_inputs(Capture(time=t, v_out=v_out), MIXER, (0.03, 20e3), (0.01, 20e3))


def exact(missing, pole=None, rows=3970):
    """A capture of a plain product, which two columns of a fit hold exactly, without one input.

    It begins at 1 ms and ends amid a cycle.
    """
    t = 1e-3 + np.arange(rows) * 5e-7
    u = 0.03 * np.sin(2 * np.pi * 23e3 * t + 1.1)
    low = 0.01 * np.sin(2 * np.pi * 20e3 * t - 0.4)
    circuit = MIXER if pole else replace(MIXER, c_load=0.0)
    product = 300.0 * u * low
    if pole:  # a load pole turns and weakens both lines (any circuits text)
        late = 1 / (1 + 1j * np.array([3e3, 43e3]) / path_of(circuit).load_pole)
        turns = np.exp(2j * np.pi * np.outer([3e3, 43e3], t) + 1j * np.array([[1.5], [0.7]]))
        product = 0.045 * ((late[0] * turns[0]).real - (late[1] * turns[1]).real)
    waves = {n: w for n, w in (("v_upper", u), ("v_lower", low)) if n not in missing}
    return Capture(time=t, v_out=product + 0.2, **waves), {"v_upper": u, "v_lower": low}, circuit


@pytest.mark.parametrize("pole", [None, 1])
@pytest.mark.parametrize("missing", [("v_upper",), ("v_lower",), ("v_upper", "v_lower")])
def test_the_phase_of_a_plain_product_is_exact(missing, pole):
    capture, inputs, circuit = exact(missing, pole=pole)
    drives = {"v_upper": (0.03, 23e3), "v_lower": (0.01, 20e3)}
    filled = fill_inputs(capture, circuit, **{n: drives[n] for n in missing})
    turned = np.sign(filled.v_upper @ inputs["v_upper"])
    for n in inputs:
        atol = 1e-3 * drives[n][0] if pole else 1e-7
        np.testing.assert_allclose(turned * getattr(filled, n), inputs[n], atol=atol)
    for n, note in zip(missing, filled.notes):
        peak, hertz = ("30.0 mV", "23.000 kHz") if n == "v_upper" else ("10.0 mV", "20.000 kHz")
        assert note.startswith(
            f"{n} was not captured: a sine of {peak} peak at {hertz} was assumed"
        )
    assert fill_inputs(filled, circuit) is filled


def test_a_weak_product_is_told_from_a_strong_feedthrough():
    """The input that is there comes through by itself too, which is no share of the other."""
    capture, inputs, circuit = exact(("v_upper",))
    more = replace(capture, v_out=capture.v_out + 20.0 * capture.v_lower)
    filled = fill_inputs(more, circuit, v_upper=(0.03, 23e3))
    np.testing.assert_allclose(filled.v_upper, inputs["v_upper"], atol=1e-7)


def test_a_phase_needs_a_twentieth_of_the_output_and_64_rows():
    capture, _, circuit = exact(("v_upper",))
    product = capture.v_out - 0.2
    noise = np.random.default_rng(1).normal(size=len(product)) * product.std()
    for share, there in ((0.07, True), (0.03, False)):
        v_out = math.sqrt(share) * product + math.sqrt(1 - share) * noise
        given = replace(capture, v_out=v_out)
        if there:
            fill_inputs(given, circuit, v_upper=(0.03, 23e3))
        else:
            with pytest.raises(QuantityError, match="almost none of the output follows"):
                fill_inputs(given, circuit, v_upper=(0.03, 23e3))
    for rows, there in ((64, True), (63, False)):
        cut = {n: w[:rows] for n, w in capture.channels().items()}
        given = replace(capture, time=capture.time[:rows], **cut)
        if there:
            fill_inputs(given, circuit, v_upper=(0.03, 23e3))
        else:
            with pytest.raises(QuantityError, match="cannot be told"):
                fill_inputs(given, circuit, v_upper=(0.03, 23e3))
