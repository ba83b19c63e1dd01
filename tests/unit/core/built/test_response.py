"""What arrives at the base lines, against boards whose capacitors other equations follow."""

from dataclasses import replace

import numpy as np
import pytest

import boards_reference as reference
from forktail.circuits import shipped
from forktail.core.built.circuit import break_part
from forktail.core.built.response import base_response
from forktail.core.path import path_of
from periodic_reference import Board


@pytest.mark.parametrize(
    "key, fault",
    [
        ("volume-cell", None),
        ("volume-cell", "short:r_bias_upper_pos"),
        ("volume-cell", "open:c_coupling_upper_pos"),
        ("volume-cell", "short:r_bias_lower_pos"),
        ("bat-call-mixer", "short:r_bias_upper_pos"),
        ("bat-call-mixer", "short:Q1.base-collector"),
        ("bat-call-mixer", "open:r_termination_upper"),
    ],
)
def test_a_small_wave_against_the_board_with_its_capacitors(key, fault):
    """`periodic_reference`: Kirchhoff's law in time, every capacitor a state."""
    circuit = shipped()[key][0]
    parts = reference.parts_of(circuit)
    if fault:
        circuit, parts = break_part(circuit, fault), reference.broken(parts, fault)
    side = "lower" if fault and "lower" in fault else "upper"
    board = Board(parts)
    for hertz in (300.0, 45e3):
        wave = 2e-3 * np.sin(2.0 * np.pi * np.arange(64) / 64)
        sent = {"upper": 0.0 * wave, "lower": 0.0 * wave, side: wave}
        v = np.fft.rfft(board.periodic(sent["upper"], sent["lower"], 1.0 / hertz), axis=0)[1]

        def across(name, v=v):
            pos, neg = (board.nodes.get(f"{name}_{side}_{pole}") for pole in ("pos", "neg"))
            return v[pos] - (0.0 if neg is None else v[neg])

        ended = f"r_termination_{side}" in parts.ohms
        read = across("drive") if ended else np.fft.rfft(wave)[1]
        own = base_response(circuit, side)
        assert own.known
        expected = across("base") / read
        assert own(np.array([hertz]))[0] == pytest.approx(expected, rel=2e-3, abs=2e-4)


def test_a_sound_cell_has_one_corner():
    circuit = replace(shipped()["bat-call-mixer"][0], c_coupling_upper=2.2e-9)
    f = np.array([1e3, 20e3, 110e3, 1e6])
    ended = replace(circuit, r_source_upper=0.0, r_termination_upper=np.inf)
    one = path_of(ended).upper.response(f) * base_response(ended, "upper").static
    np.testing.assert_allclose(base_response(circuit, "upper")(f), one, atol=5e-3)
    assert base_response(circuit, "upper")(np.zeros(1))[0] == 0.0
