"""Built waveform against a loop of scipy.optimize.root over the same equations, side by side.

    OMP_NUM_THREADS=1 python -m tests.benchmarks built

Both do the same work: node voltages at each sample, the bias point being known to both and no
slopes asked for. The loop is given its best case: equations in plain scalars, each sample started
from the solution of the one before. Target: at least 100 times faster, to 1e-9 of the tail current.
"""

import sys
import time
from pathlib import Path

import numpy as np
from scipy import optimize

sys.path.insert(0, str(Path(__file__).parents[1]))

from forktail.circuits import shipped  # noqa: E402
from forktail.core.built.network import Circuit, solve_built  # noqa: E402
from forktail.core.built.noise import solve_noise  # noqa: E402
from forktail.core.path import noise_behind, path_of  # noqa: E402
from network_reference import equations, solve_one, starting_point  # noqa: E402

from .core_speed import best  # noqa: E402

SAMPLES = 1024
CASES = {
    "default, 100 mV and 10 mV": (Circuit(), 0.1, 0.01),
    "emitter resistors, 200 mV both": (
        Circuit(r_emitter_lower=100.0, r_emitter_upper=47.0),
        0.2,
        0.2,
    ),
    "saturating loads": (Circuit(r_load_left=12e3, r_load_right=12e3), 0.1, 0.05),
}


def scaled(x, *args):
    return 1e4 * equations(x, *args)


def run():
    """Yield (case, our seconds, seconds of the loop, ratio, our residual)."""
    cycle = 2 * np.pi * np.arange(SAMPLES) / SAMPLES
    for name, (circuit, a, b) in CASES.items():
        u, low = a * np.sin(9 * cycle), b * np.sin(cycle)
        ours = []
        for _ in range(5):
            solve_built(circuit, 0.0, 0.0)
            begin = time.perf_counter()
            point = solve_built(circuit, u, low, gains=False)
            ours.append(time.perf_counter() - begin)
        held, _ = solve_one(circuit)
        x = starting_point(circuit, held)
        begin = time.perf_counter()
        for k in range(SAMPLES):
            x = optimize.root(scaled, x, (circuit, held, u[k], low[k]), options={"xtol": 1e-12}).x
        loop = time.perf_counter() - begin
        yield name, min(ours), loop, loop / min(ours), float(point.residual.max())


def noise():
    """Yield (case, seconds of the noise of a mixer scene, of one built waveform): the oscillator of
    the scene on the shipped mixer, and both drives over a window of `SAMPLES`."""
    circuit = shipped()["bat-call-mixer"][0]
    cycle = 2 * np.pi * np.arange(SAMPLES) / SAMPLES
    u, low = 0.1 * np.sin(9 * cycle), 0.01 * np.sin(cycle)
    wave = best(lambda: solve_built(circuit, u, low, gains=False), 20)
    one = 0.1 * np.cos(2 * np.pi * np.arange(64) / 64)
    path = path_of(circuit)
    for name, drives in (("one cycle of the oscillator", (one, 0.0)), ("1024 samples", (u, low))):

        def scene(drives=drives):
            return noise_behind(solve_noise(circuit, *drives), path, 2e3, 1 / 43e3)

        yield f"noise of one mixer scene, {name}", best(scene, 20), wave


if __name__ == "__main__":
    for name, ours, loop, ratio, residual in run():
        print(
            f"{name}: {1e3 * ours:.1f} ms against {1e3 * loop:.0f} ms, ratio {ratio:.0f} "
            f"(target 100), residual {residual:.1e} of the tail current"
        )
