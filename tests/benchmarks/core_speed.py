"""The core against np.tanh, and how it grows with samples and builds."""

import time

import numpy as np

from forktail.core.built.circuit import Circuit
from forktail.core.built.mismatch import monte_carlo
from forktail.core.cell.law import branch_currents, solve_cell

SAMPLES = 4096


def best(function, repeats=200):
    """Shortest time of one call, s: what the machine can do when nothing disturbs it."""
    function()
    shortest = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        shortest = min(shortest, time.perf_counter() - start)
    return shortest


def run():
    """Yield rows (what, ours, reference, unit, target ratio)."""
    angle = 2 * np.pi * np.arange(SAMPLES) / SAMPLES
    upper, lower = 0.05 * np.sin(31 * angle), 0.03 * np.sin(3 * angle)
    x, y = upper / 0.05, lower / 0.05
    ours = best(lambda: branch_currents(upper, lower, 2e-3))
    reference = best(lambda: (np.tanh(x), np.tanh(y)))
    yield "textbook waveform, 4096 samples, all branches", ours, reference, "s", 3.0
    yield (
        "the same with loads and checks (solve_cell)",
        best(lambda: solve_cell(upper, lower, 2e-3, gains=False)),
        reference,
        "s",
        None,
    )
    more = [np.tile(v, 16) for v in (upper, lower)]
    yield (
        "textbook, 16 x the samples over 16 runs of 1 x",
        best(lambda: branch_currents(*more, 2e-3)),
        16 * ours,
        "s",
        2.0,
    )
    builds = {
        n: best(lambda n=n: list(monte_carlo(Circuit(), builds=n, seed=1)), 3) for n in (200, 800)
    }
    yield "Monte Carlo, 800 builds over 4 x 200", builds[800], 4 * builds[200], "s", 1.5
