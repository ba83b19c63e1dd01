"""Numbers of the bench plan: what to fit, what to set, what to expect, and how far it may be off.

Everything is solved from one circuit at preferred values (`network`), its band from many builds of
it (`mismatch`). Equal arguments give equal plans.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from forktail.core.bench import faults as bench_faults
from forktail.core.bench.bands import COVERAGE, Band, band_of, size_of
from forktail.core.bench.drives import DrivenCircuit, Generator, Waves, alone, drive
from forktail.core.bench.parts import parts_of
from forktail.core.bench.steps import Step, build_steps
from forktail.core.bench.trims import TrimRow, trims_of
from forktail.core.built import mismatch, network
from forktail.core.built.circuit import Circuit
from forktail.core.built.findings import Finding, findings
from forktail.core.built.mismatch import Batch
from forktail.core.built.preferred import SERIES, PartRow
from forktail.core.built.references import Rounded, round_circuit
from forktail.core.checks import Floats, QuantityError
from forktail.core.spec import checked, choice, setting, specs_of

#: Supply limit over the largest current expected (common practice, no source).
LIMIT_MARGIN = 1.5

#: Test points in the order of checking: node -> where it is, in plain words.
TEST_POINTS = {
    "supply": "supply rail",
    "level_upper": "upper tap of the string (R1, R2)",
    "level_lower": "lower tap of the string (R2, R3)",
    "tail_base": "base of Q7",
    "emitter_q7": "emitter of Q7",
    "base_upper_pos": "upper + line: bases of Q1 and Q4",
    "base_upper_neg": "upper \u2212 line: bases of Q2 and Q3",
    "base_lower_pos": "lower + line: base of Q5",
    "base_lower_neg": "lower \u2212 line: base of Q6",
    "tail": "tail node, above the tail",
    "common_left": "collector of Q5",
    "common_right": "collector of Q6",
    "left": "left output: collectors of Q1 and Q3",
    "right": "right output: collectors of Q2 and Q4",
}
_ONLY_Q7 = ("tail_base", "emitter_q7")


@dataclass(frozen=True)
class TestPoint:
    """One place to measure. `band` is at rest, V; `swing` peak to peak with both drives, V."""

    __test__ = False  # no test, whatever its name begins with

    name: str
    node: str
    where: str
    band: Band
    swing: float


@dataclass(frozen=True)
class BenchPlan:
    """All numbers of one plan, SI.

    `circuit` is at preferred values, `wanted` as entered; `rounding` the values that moved.
    `alone_upper` and `alone_lower` V peak to peak at the output that 95 % of untrimmed builds stay
    under with that drive alone. `spreads` maps keys of `mismatch.MEASURES` to bands; `dissipation`
    W by reference, worst of rest and full steering. `pulled` are (test point, V) that a meter of
    10 Mohm pulls off its band's middle, and what it reads there. `left_out` holds faults of the
    entered circuit, which the plan mends.
    """

    circuit: Circuit
    wanted: Circuit
    rounding: tuple[Rounded, ...]
    left_out: tuple[str, ...]
    parts: tuple[PartRow, ...]
    transistor: dict[str, Any]
    dissipation: dict[str, float]
    supply_current: Band
    supply_limit: float
    points: tuple[TestPoint, ...]
    pulled: tuple[tuple[str, float], ...]
    steps: tuple[Step, ...]
    generators: tuple[Generator, ...]
    waves: Waves
    alone_upper: float
    alone_lower: float
    spreads: dict[str, Band]
    trims: tuple[TrimRow, ...]
    symptoms: tuple[bench_faults.Symptom, ...]
    healthy: bench_faults.Response
    findings: tuple[Finding, ...]
    figures: network.Figures
    tolerances: mismatch.Tolerances
    builds: int
    unsolved: int
    seed: int
    series: str


@dataclass(frozen=True)
class PlanQuestion(DrivenCircuit, Batch):
    """Everything that a bench plan depends on: equal questions, equal plans.

    `series` is that of the resistors (IEC 60063), a key of `preferred.SERIES`. Faults in the
    circuit are mended for the plan.
    """

    series: str = setting(
        choice("series", "E24", {s: s for s in SERIES}, "Series", "Preferred values of resistors.",
               "series")
    )  # fmt: skip


def hold_wave(value: float, where: str) -> None:
    """Raise QuantityError if a drive is zero: a plan has waves to show. `where` names it."""
    if value == 0.0:
        raise QuantityError(
            f"{where}: a bench plan needs a drive above 0 V, so that there is a wave to expect."
        )


def hold_waves(question: DrivenCircuit) -> None:
    """As `hold_wave`, of both drives of a `DrivenCircuit`."""
    for name, spec in specs_of(DrivenCircuit).items():
        hold_wave(getattr(question, name), spec.title)


def bench_plan(
    question: PlanQuestion, progress: Callable[[float, str], None] | None = None
) -> BenchPlan:
    """Work out the bench plan of a circuit.

    Parameters
    ----------
    question : PlanQuestion
    progress : callable, optional
        Called with (share done 0 to 1, what is under way).

    Returns
    -------
    BenchPlan

    Raises
    ------
    QuantityError
        For values out of range, or a circuit without a solution at rest.
    """
    tell = progress or (lambda share, text: None)
    q = checked(question)
    hold_waves(q)
    circuit, tolerances, builds, seed = q.circuit, q.tolerances, q.builds, q.seed
    a, b, healthy = q.drive_upper, q.drive_lower, replace(q.circuit, faults=())
    fitted, rows = round_circuit(healthy, q.series)
    tell(0.02, "bias point and figures")
    figures = network.figures(fitted)
    if not bool(figures.bias.converged):
        raise QuantityError(
            "No solution balances every current of this circuit at rest, so there "
            "is nothing to build by; look at its findings on the Build page."
        )
    found = findings(fitted, a, b)
    tell(0.15, f"{builds} builds")
    scale = mismatch.draw(fitted, tolerances, builds, seed)
    for spread in mismatch.monte_carlo(fitted, tolerances, builds, seed, 100, a, b):
        tell(0.15 + 0.15 * spread.done / spread.total, f"{builds} builds")
    current = supply_currents(fitted, scale)
    tell(0.32, "waveforms")
    driven = drive(fitted, a, b, figures)
    alone_upper, alone_lower = _alone(fitted, scale, driven.generators)
    points = _points(fitted, spread, driven.swings)
    tell(0.4, "trims")
    trims = trims_of(fitted, tolerances, builds, seed)
    tell(0.6, "faults, one at a time")
    bands = {p.node: p.band for p in points}
    symptoms, sound = bench_faults.symptoms(
        fitted, bands, a, b, lambda share: tell(0.6 + 0.35 * share, "faults, one at a time")
    )
    tell(0.97, "order of work")
    parts = parts_of(fitted, rows, tolerances.resistor, figures, symptoms, sound)
    plan = BenchPlan(
        circuit=fitted,
        wanted=circuit,
        rounding=tuple(r for r in rows if r.error),
        left_out=circuit.faults,
        parts=parts.rows,
        transistor=parts.transistor,
        dissipation=parts.heat,
        supply_current=band_of(current),
        supply_limit=_limit(current),
        points=points,
        pulled=tuple(
            (p.name, sound.read[p.node])
            for p in points
            if abs(sound.read[p.node] - p.band.nominal) > network.PULLED * abs(p.band.nominal)
        ),
        steps=build_steps(fitted, scale, bands),
        generators=driven.generators,
        waves=driven.waves,
        spreads={k: band_of(v) for k, v in spread.values.items()},
        alone_upper=alone_upper,
        alone_lower=alone_lower,
        trims=trims,
        symptoms=symptoms,
        healthy=sound,
        findings=tuple(f for f in found if f.severity in ("severe", "warning")),
        figures=figures,
        tolerances=tolerances,
        builds=builds,
        unsolved=spread.unsolved,
        seed=seed,
        series=q.series,
    )
    tell(1.0, "done")
    return plan


def _alone(
    circuit: Circuit, scale: Mapping[str, Floats], generators: tuple[Generator, ...]
) -> tuple[float, float]:
    """Peak to peak outputs that 95 % of builds stay under with one drive alone, V."""
    a, b = (g.peak for g in generators)
    v = network.solve_many(circuit, scale, [a, -a, 0, 0], [0, 0, b, -b], gains=False).v_out
    upper, lower = (
        alone(circuit, g.side, g.frequency) * size_of(v[:, k] - v[:, k + 1])
        for k, g in zip((0, 2), generators)
    )
    return upper, lower


def supply_currents(circuit: Circuit, scale: Mapping[str, Floats]) -> Floats:
    """Supply current of many builds at rest, A, shape (builds,): string, loads, tail divider."""
    point = network.solve_many(circuit, scale, [0.0], [0.0], gains=False)

    def factor(name: str) -> Floats | float:
        return scale.get(name, 1.0)

    total = point.i_load[:, 0, :].sum(axis=1)
    supply = point.nodes["supply"][:, 0]
    total = total + (supply - point.nodes["level_upper"][:, 0]) / (
        circuit.r_string_top * factor("r_string_top")
    )
    if circuit.tail_kind == "transistor":
        total = total + (supply - point.nodes["tail_base"][:, 0]) / (
            circuit.r_tail_base_top * factor("r_tail_base_top")
        )
    return total


def _limit(current: Floats) -> float:
    wanted = LIMIT_MARGIN * float(np.nanmax(current))
    decade = 10.0 ** math.floor(math.log10(wanted))
    return next(
        float(f"{s * decade:.3g}") for s in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if s * decade >= wanted
    )


# ------------------------------------------------------------------ test points


def points_of(circuit: Circuit) -> tuple[tuple[str, str, str], ...]:
    """Test points that a circuit has, in the order of checking.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    tuple of (name, node, where)
        `TP1`, the node as in `network.NODES`, and where it is in plain words.
    """
    rest = network.solve_bias(circuit).nodes
    found: list[tuple[str, str, str]] = []
    for node, where in TEST_POINTS.items():
        if node not in rest or node in _ONLY_Q7 and circuit.tail_kind != "transistor":
            continue
        if node == "emitter_q7" and circuit.r_tail_emitter == 0:
            continue
        found.append((f"TP{len(found) + 1}", node, where))
    return tuple(found)


def _points(
    circuit: Circuit, spread: mismatch.Spread, swings: Mapping[str, float]
) -> tuple[TestPoint, ...]:
    bands, rest = spread.bands(COVERAGE), network.solve_bias(circuit).nodes
    points = []
    for name, node, where in points_of(circuit):
        low, _, high = bands[node]
        band = Band(low, float(rest[node]), high)
        points.append(TestPoint(name, node, where, band, swings[node]))
    return tuple(points)
