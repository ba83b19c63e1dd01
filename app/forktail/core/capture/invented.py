"""An invented capture, of which the example and the tests are made. Nothing was measured."""

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built.circuit import Circuit
from forktail.core.capture.read import MAX_ROWS, MIN_ROWS
from forktail.core.checks import Floats, as_quantity
from forktail.core.models import BuiltCell
from forktail.core.path import run_path

#: Length of the record, and of what goes before it so that every pole has settled, s.
LENGTH, LEAD = 1.5e-3, 2e-3
#: What is wrong with the board of the example: the right load is of another value.
WRONG = {"r_load_right": 1500.0}
#: Gain and offset in V of the channels: upper, lower, left, right.
GAINS, OFFSETS = (1.008, 0.994, 1.011, 0.992), (0.4e-3, -0.1e-3, 12e-3, -8e-3)
#: Steps of eight-bit channels over the screen, V.
STEPS = (0.4e-3, 0.25e-3, 3.1e-3, 3.1e-3)


def invented_drive(time: ArrayLike) -> tuple[Floats, Floats]:
    """Both drives in V: an oscillator of 50 kHz, 40 mV peak, and a call that falls from 60 to
    42 kHz, 25 mV peak, under a rounded envelope over the record."""
    time = np.asarray(time, dtype=float)
    inside = np.clip(time, 0.0, LENGTH)
    upper = 40e-3 * np.sin(2.0 * math.pi * 50e3 * time)
    phase = 2.0 * math.pi * (60e3 * inside - 0.5 * (18e3 / LENGTH) * inside**2)
    return upper, 25e-3 * np.sin(math.pi * inside / LENGTH) ** 2 * np.sin(phase)


def invented_capture(
    rows: int = 3000,
    seed: int = 20,
    delimiter: str = ",",
    decimal: str = ".",
    circuit: Circuit | None = None,
    wrong: Mapping[str, Any] | None = None,
    at: str = "base lines",
    noise: float = 1.0,
) -> str:
    """Text of a capture of a mixer board that nobody built.

    Parameters
    ----------
    rows : int
        Samples over 1.5 ms, at least `read.MIN_ROWS`.
    seed : int
        Of the noise.
    delimiter, decimal : str
    circuit : Circuit, optional
        What the board was built after; the default circuit if left out.
    wrong : dict, optional
        Fields of the circuit that the board has otherwise; none of them if left out.
    at : str
        Where the inputs were probed, of `path.PLACES`.
    noise : float
        Of each channel, in its steps.

    Returns
    -------
    str
        Time in us, both inputs in mV, both collectors in V.

    Raises
    ------
    QuantityError
        For too few rows.
    """
    rows = int(as_quantity("rows", rows, "", low=MIN_ROWS, high=MAX_ROWS))
    step = LENGTH / rows
    extra = math.ceil(LEAD / step)
    time = np.arange(-extra, rows + 8) * step
    upper, lower = invented_drive(time)
    board = replace(circuit or Circuit(), **(wrong or {}))
    loads = run_path(BuiltCell(board), upper, lower, step, at=at, periodic=False).loads
    keep = slice(extra, extra + rows)
    rng, shown = np.random.default_rng(seed), []
    for wave, gain, offset, bit in zip(
        (upper, lower, loads.v_left, loads.v_right), GAINS, OFFSETS, STEPS
    ):
        wave = gain * wave[keep] + offset + noise * bit * 0.6 * rng.normal(size=rows)
        shown.append(bit * np.round(wave / bit) if noise else wave)
    columns = (time[keep] * 1e6, shown[0] * 1e3, shown[1] * 1e3, *shown[2:])
    lines = [
        delimiter.join(cells).replace(".", decimal)
        for cells in zip(
            *([f"{x:.{digits}f}" for x in c] for c, digits in zip(columns, (2, 3, 3, 5, 5)))
        )
    ]
    heading = [
        "# Invented data: no circuit was measured. Made by forktail.core.capture.invented.",
        "# Bat-call mixer board: 50 kHz oscillator on the upper input; falling call on the lower "
        "input.",
        delimiter.join(("time", "upper", "lower", "left", "right")),
        delimiter.join(("us", "mV", "mV", "V", "V")),
    ]
    return "\n".join(heading + lines) + "\n"
