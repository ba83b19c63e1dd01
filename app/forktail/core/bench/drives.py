"""Both drives as set on the bench, and what of them reaches base lines, collectors and probe.

The waves go the one way of `core.path`, from the generators with their source resistance and
coupling capacitors through the cell to the loads and the probe.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from forktail.core.built.circuit import Circuit
from forktail.core.built.network import Figures
from forktail.core.built.nodal import source_share
from forktail.core.checks import Floats
from forktail.core.models import BuiltCell
from forktail.core.path import path_of, run_path
from forktail.core.spec import setting, spec


def _peak(side: str, default: float) -> Any:
    return setting(
        spec("amplitude", f"drive_{side}", default=default, label=f"{side.title()} peak drive",
             slider=(0.0, 0.3), doc="Peak of the drive, for findings and bench plan, V.",
             part="drives")
    )  # fmt: skip


@dataclass(frozen=True)
class DrivenCircuit:
    """A circuit with both generators on. `drive_upper` and `drive_lower` are their peaks, V."""

    circuit: Circuit = Circuit()
    drive_upper: float = _peak("upper", 0.1)
    drive_lower: float = _peak("lower", 0.01)


#: Drives lie this far above the corners of their coupling, so that these take nothing off.
ABOVE_CORNER = 10.0
#: Samples of the record: at least, at most.
SAMPLES = 1024, 20_000


@dataclass(frozen=True)
class Generator:
    """How one generator is set.

    `frequency` Hz; `peak` V, the drive as `v_upper` or `v_lower`; `open_circuit` V peak to peak
    that the unloaded generator gives; `swing` V peak to peak between the base lines, loaded;
    `source` and `termination` ohm (inf: none); `corner` Hz, the highest corner that the drive
    has to pass; `balanced` whether both lines are driven.
    """

    side: str
    reference: str
    frequency: float
    peak: float
    open_circuit: float
    swing: float
    source: float
    termination: float
    corner: float
    balanced: bool


@dataclass(frozen=True)
class Waves:
    """What the scope should show, behind coupling and loads; arrays of shape (n,), s and V.

    `v_upper` and `v_lower` are what stands between the base lines, + less \u2212.
    `beat` says that both drives are of nearly the same frequency (the output is watched at
    their difference), else the upper one is many times the lower one. `pole` Hz, of the loads;
    `repeat` s, after which all begins again: the record holds two of them.
    """

    time: Floats
    v_upper: Floats
    v_lower: Floats
    v_left: Floats
    v_right: Floats
    v_out: Floats
    beat: bool
    pole: float
    repeat: float


@dataclass(frozen=True)
class Driven:
    """A circuit with both drives on: how they are set, and what a scope shows.

    `swings` maps a node (as `network.NODES`) to its peak to peak voltage, V.
    """

    generators: tuple[Generator, ...]
    waves: Waves
    swings: dict[str, float]


def nice_above(value: float) -> float:
    """Smallest of 1, 2, 5 times a power of ten at or above a value above zero."""
    decade = 10.0 ** math.floor(math.log10(value) + 1e-12)
    step = next(s for s in (1.0, 2.0, 5.0, 10.0) if s * decade >= value * (1 - 1e-9))
    return float(f"{step * decade:.6g}")


def nice_below(value: float) -> float:
    """Largest of 1, 2, 5 times a power of ten at or below a value above zero."""
    decade = 10.0 ** math.floor(math.log10(value) + 1e-12)
    step = next(s for s in (5.0, 2.0, 1.0) if s * decade <= value * (1 + 1e-9))
    return float(f"{step * decade:.6g}")


def frequencies(figures: Figures) -> tuple[float, float, bool]:
    """Frequencies at which the circuit shows its product: (upper, lower, beat).

    Both lie `ABOVE_CORNER` times above the corners in their way. If there is room below the load
    pole the upper one is 8 to 20 times the lower; else both are nearly equal, and their
    difference lies well below the pole.
    """
    f = figures

    def floor(side: str) -> float:
        corners = [getattr(f, f"{kind}_{side}") for kind in ("coupling", "ground", "bypass")]
        known = [c for c in corners if math.isfinite(c)]
        return max(ABOVE_CORNER * max(known, default=1.0), 1.0)

    lower = nice_above(floor("lower"))
    upper = nice_above(max(floor("upper"), 8.0 * lower))
    pole = f.load_pole if math.isfinite(f.load_pole) else math.inf
    if upper + lower <= pole:
        return upper, max(lower, upper / 20.0), False
    lower = nice_above(max(floor("lower"), floor("upper")))
    apart = nice_below(min(lower / 10.0, pole / 5.0))
    return lower + apart, lower, True


def drive(circuit: Circuit, drive_upper: float, drive_lower: float, figures: Figures) -> Driven:
    """Set both generators and send their waves through the circuit.

    Parameters
    ----------
    circuit : Circuit
    drive_upper, drive_lower : float
        Peak of each drive on its termination, V.
    figures : network.Figures
        Of the circuit; its corners decide the frequencies.

    Returns
    -------
    Driven
    """
    peaks = {"upper": drive_upper, "lower": drive_lower}
    f_upper, f_lower, beat = frequencies(figures)
    repeat = 1.0 / (f_upper - f_lower if beat else f_lower)
    samples = int(min(max(32 * round(2.0 * f_upper * repeat), SAMPLES[0]), SAMPLES[1]))
    step = 2.0 * repeat / samples
    time: Floats = np.arange(float(samples)) * step
    sent = [
        peak * np.sin(2.0 * np.pi * f * time)
        for peak, f in ((drive_upper, f_upper), (drive_lower, f_lower))
    ]
    passed = run_path(BuiltCell(circuit), sent[0], sent[1], step)
    lines = dict(zip(("upper", "lower"), passed.base_lines))
    left, right, out = passed.probe
    pole = path_of(circuit).load_pole
    waves = Waves(time, lines["upper"], lines["lower"], left, right, out, beat, pole, repeat)
    nodes = {**passed.cell.nodes, "left": left, "right": right}
    generators = tuple(
        _generator(circuit, side, name, f, peaks[side], swing(lines[side]), figures)
        for side, name, f in (("upper", "G1", f_upper), ("lower", "G2", f_lower))
    )
    return Driven(generators, waves, {n: swing(v) for n, v in nodes.items()})


def _generator(
    circuit: Circuit,
    side: str,
    name: str,
    frequency: float,
    peak: float,
    at_lines: float,
    figures: Figures,
) -> Generator:
    corners = [getattr(figures, f"{k}_{side}") for k in ("coupling", "ground", "bypass")]
    return Generator(
        side=side,
        reference=name,
        frequency=frequency,
        peak=peak,
        open_circuit=2.0 * peak / source_share(circuit, side),
        swing=at_lines,
        source=getattr(circuit, f"r_source_{side}"),
        termination=getattr(circuit, f"r_termination_{side}"),
        corner=max((c for c in corners if math.isfinite(c)), default=math.nan),
        balanced=getattr(circuit, f"{side}_mode") == "balanced",
    )


def swing(wave: Floats) -> float:
    """Peak to peak of the solved samples, NaN if there are none."""
    return float(np.nanmax(wave) - np.nanmin(wave)) if np.isfinite(wave).any() else math.nan


def line(waves: Waves, frequency: float) -> float:
    """Peak of one line of the output, V; NaN where a sample has no solution.

    Exact for a frequency of which whole periods lie in the record, such as the sum and the
    difference of both drives.
    """
    turned = np.exp(-2j * np.pi * frequency * waves.time)
    return float(2.0 * np.abs(np.mean(waves.v_out * turned)))


def alone(circuit: Circuit, side: str, frequency: float) -> float:
    """What coupling and loads leave of a line of one drive at its own frequency, 0 to 1."""
    path = path_of(circuit)
    return float(abs(path.feed(side).response(frequency) * path.load_response(frequency)))
