"""Predictions of a board for a record: slopes against differences, the path against the circuit."""

import math
from dataclasses import replace

import numpy as np
import pytest

import boards_reference as reference
from forktail.core.capture.align import align
from forktail.core.capture.boards import Board, movable, predict
from forktail.core.capture.read import read_capture
from forktail.core.path import path_of


@pytest.fixture(scope="module")
def recorded():
    board = reference.make_board(3, cause="", key="beacon-modulator")
    # a coupling that matters, or its slopes would be nought
    circuit = replace(board.circuit, c_coupling_upper=4.7e-9, c_coupling_lower=47e-9)
    return circuit, align(read_capture(board.text()), False)


@pytest.mark.parametrize("at", ["generator", "base lines"])
def test_slopes_are_those_of_differences(recorded, at):
    circuit, record = recorded
    names = movable(circuit, at)
    found = predict(Board(circuit), record, at, names)
    compared = 0
    for name in names:
        by = 2.0 if name == "temperature" else 0.13 if name.startswith("r_bias") else 0.03
        ends = [predict(Board(circuit, ((name, sign * by),)), record, at) for sign in (-1.0, 1.0)]
        low, high = (e.values["right"] - e.values["left"] for e in ends)
        change = (high - low) / (2.0 * by)
        own = found.columns.get(name)
        slope = 0.0 if own is None else own.get("right", 0.0) - own.get("left", 0.0)
        error = np.sqrt(np.mean((slope - change) ** 2))
        assert error < 0.12 * np.sqrt(np.mean(change**2)) + 2e-5, name
        compared += bool(np.ptp(change) > 1e-3)
    assert compared > 8


def test_a_bias_resistor_that_is_off_moves_the_corner_of_its_coupling(recorded):
    circuit, _ = recorded
    f = np.array([200.0, 2e3, 20e3])
    moves = (("r_bias_lower_pos", math.log(0.1)), ("c_coupling_lower", 0.5))
    found = Board(circuit, moves).path("generator").lower.response(f)
    other = replace(
        circuit,
        r_bias_lower_pos=0.1 * circuit.r_bias_lower_pos,
        c_coupling_lower=circuit.c_coupling_lower * math.exp(0.5),
    )
    expected = path_of(other).lower.response(f)
    np.testing.assert_allclose(found, expected, atol=0.03)
    assert np.abs(expected - path_of(circuit).lower.response(f)).max() > 0.3
