"""Small folded records for quick tests of what is held against a capture. All of it is invented."""

import math

import numpy as np

from forktail.core.capture.align import Record

#: One period, s; the oscillator goes round twice in it and the call once.
PERIOD = 1 / 25e3


def record(m=32, outputs=None, noise=1e-3, periodic=True, **more):
    """A Record of m samples: 50 mV peak on the upper input, 15 mV on the lower one."""
    turn = 2 * np.pi * np.arange(m) / m
    outputs = outputs or {"left": np.full(m, 10.0), "right": np.full(m, 10.0)}
    given = {
        "time": np.arange(m) * (PERIOD / m), "step": PERIOD / m, "periodic": periodic,
        "inputs": {"upper": 0.05 * np.sin(2 * turn), "lower": 0.015 * np.sin(turn + 1.0)},
        "off": (), "means": {"upper": math.nan, "lower": math.nan},
        "steps": {"upper": 0.0, "lower": 0.0}, "outputs": outputs,
        "sigma": {n: np.full(len(w), noise) for n, w in outputs.items()},
        "levels": dict.fromkeys(outputs, 0.0), "noise": dict.fromkeys(outputs, noise),
        "cut": {}, "rows": m, "fastest": 2 / PERIOD,
    }  # fmt: skip
    return Record(**(given | more))
