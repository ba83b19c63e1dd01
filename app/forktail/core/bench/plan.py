"""Numbers of the bench plan: what to fit, what to set, what to expect, and how far it may be off.

Everything is solved from one circuit at preferred values (`network`), its band from many builds of
it (`mismatch`). What breaks and how it shows is in `bench_faults`, the order of work in
`bench_steps`. Equal arguments give equal plans.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from forktail.core.bench import faults as bench_faults
from forktail.core.bench.steps import Band, Step, build_steps
from forktail.core.built import mismatch, network
from forktail.core.built.circuit import transistor_names
from forktail.core.built.findings import findings
from forktail.core.built.preferred import (
    POWER_USED,
    VOLTAGE_MARGIN,
    PartRow,
    capacitor_row,
    nearest_value,
    parts_list,
    resistor_row,
    value_above,
    value_below,
    voltage_rating,
)
from forktail.core.built.references import part_reference, references, round_circuit
from forktail.core.checks import QuantityError, as_quantity
from forktail.core.path import loaded
from forktail.core.quantities import format_quantity

#: Share of the builds that a printed band holds.
COVERAGE = 0.98
#: Builds of the Monte Carlo, and of the trims, which are solved several times each.
BUILDS, TRIM_BUILDS = 400, 60
#: Supply limit over the largest current expected (common practice, no source).
LIMIT_MARGIN = 1.5
#: Drives lie this far above the corners of their coupling, so that these take nothing off.
ABOVE_CORNER = 10.0
#: Capacitance that probes and wiring bring to each output, F (invented for our workshop).
STRAY = 15e-12
#: A trimmer that injects an offset is fed from one of this value, ohm (common practice).
TRIMMER = 100e3

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
    """What the scope should show, after the load pole; arrays of shape (n,), s and V.

    `v_upper` and `v_lower` are what stands between the base lines, + less \u2212.
    `beat` says that both drives are of nearly the same frequency (the output is watched at
    their difference), else the upper one is many times the lower one. `pole` Hz.
    """

    time: np.ndarray
    v_upper: np.ndarray
    v_lower: np.ndarray
    v_left: np.ndarray
    v_right: np.ndarray
    v_out: np.ndarray
    beat: bool
    pole: float
    repeat: float


@dataclass(frozen=True)
class TrimRow:
    """One trim: which, how far (V or a fraction), before and after, and a part that does it.

    `band` is the setting needed; `before` and `after` the size that 95 % of builds stay under,
    in `unit`; `part_ohms` the resistor or trimmer that reaches it, NaN where there is no need.
    """

    key: str
    nulls: str
    band: Band
    before: float
    after: float
    unit: str
    part_ohms: float
    part_reach: float


@dataclass(frozen=True)
class BenchPlan:
    """All numbers of one plan, SI.

    `circuit` is at preferred values, `wanted` as entered; `rounding` the values that moved.
    `product_peak` V, the share of the output that goes with the product at both peaks;
    `alone_upper` and `alone_lower` V peak to peak at the output that 95 % of untrimmed builds stay
    under with that drive alone. `spreads` maps keys of `mismatch.MEASURES` to bands; `dissipation`
    W by reference, worst of rest and full steering. `left_out` holds faults of the entered circuit,
    which the plan mends.
    """

    circuit: object
    wanted: object
    rounding: tuple
    left_out: tuple
    parts: tuple
    transistor: dict
    dissipation: dict
    supply_current: Band
    supply_limit: float
    points: tuple
    steps: tuple
    generators: tuple
    waves: Waves
    product_peak: Band
    alone_upper: float
    alone_lower: float
    spreads: dict
    trims: tuple
    symptoms: tuple
    healthy: object
    findings: tuple
    figures: network.Figures
    tolerances: mismatch.Tolerances
    builds: int
    unsolved: int
    seed: int
    series: str


def nice_above(value):
    """Smallest of 1, 2, 5 times a power of ten at or above a value above zero."""
    decade = 10.0 ** math.floor(math.log10(value) + 1e-12)
    step = next(s for s in (1.0, 2.0, 5.0, 10.0) if s * decade >= value * (1 - 1e-9))
    return float(f"{step * decade:.6g}")


def nice_below(value):
    """Largest of 1, 2, 5 times a power of ten at or below a value above zero."""
    decade = 10.0 ** math.floor(math.log10(value) + 1e-12)
    step = next(s for s in (5.0, 2.0, 1.0) if s * decade <= value * (1 + 1e-9))
    return float(f"{step * decade:.6g}")


def bench_plan(
    circuit,
    drive_upper=0.1,
    drive_lower=0.01,
    tolerances=None,
    series="E24",
    builds=BUILDS,
    seed=1,
    progress=None,
):
    """Work out the bench plan of a circuit.

    Parameters
    ----------
    circuit : Circuit
        Faults in it are mended for the plan.
    drive_upper, drive_lower : float
        Peak of each drive, V, above 0 to 10.
    tolerances : mismatch.Tolerances, optional
    series : str
        Series of the resistors (IEC 60063), a key of `parts.SERIES`.
    builds, seed : int
        Of the Monte Carlo.
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
    a = float(as_quantity("drive_upper", drive_upper, "V", low=0.0, high=10.0, low_open=True))
    b = float(as_quantity("drive_lower", drive_lower, "V", low=0.0, high=10.0, low_open=True))
    tolerances = tolerances or mismatch.Tolerances()
    healthy = replace(circuit, faults=())
    fitted, rows = round_circuit(healthy, series)
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
    quadrants = network.solve_many(fitted, scale, [a, a, -a, -a], [b, -b, b, -b], gains=False)
    product = (quadrants.v_out * np.array([1, -1, -1, 1])).mean(axis=1)
    alone = network.solve_many(fitted, scale, [a, -a, 0, 0], [0, 0, b, -b], gains=False).v_out
    tell(0.32, "waveforms")
    generators, waves, swings = _drives(fitted, a, b, figures)
    points = _points(fitted, spread, swings)
    tell(0.4, "trims")
    trims = _trims(fitted, tolerances, builds, seed)
    tell(0.6, "faults, one at a time")
    bands = {p.node: p.band for p in points}
    symptoms, sound = bench_faults.symptoms(
        fitted, bands, a, b, lambda share: tell(0.6 + 0.35 * share, "faults, one at a time")
    )
    tell(0.97, "order of work")
    worst = _worst_heat(fitted)
    plan = BenchPlan(
        circuit=fitted,
        wanted=circuit,
        rounding=tuple(r for r in rows if r.error),
        left_out=circuit.faults,
        parts=_parts(fitted, rows, tolerances, worst, _working(symptoms, sound), figures),
        transistor=_transistor_needs(fitted, figures, worst),
        dissipation=worst,
        supply_current=_band(current),
        supply_limit=_limit(current),
        points=points,
        steps=build_steps(fitted, scale, bands),
        generators=generators,
        waves=waves,
        product_peak=_band(product),
        spreads={k: _band(v) for k, v in spread.values.items()},
        alone_upper=_size(alone[:, 0] - alone[:, 1]),
        alone_lower=_size(alone[:, 2] - alone[:, 3]),
        trims=trims,
        symptoms=symptoms,
        healthy=sound,
        findings=tuple(f for f in found if f.severity in ("severe", "warning")),
        figures=figures,
        tolerances=tolerances,
        builds=int(builds),
        unsolved=spread.unsolved,
        seed=int(seed),
        series=series,
    )
    tell(1.0, "done")
    return plan


def _band(values):
    """Band of `COVERAGE` of the finite values, with their median."""
    v = np.asarray(values)[np.isfinite(values)]
    if v.size == 0:
        return Band(math.nan, math.nan, math.nan)
    tails = 50.0 * (1.0 - COVERAGE)
    return Band(*(float(x) for x in np.percentile(v, [tails, 50.0, 100.0 - tails])))


def _size(values):
    """Size that 95 % of the finite values stay under."""
    v = np.abs(np.asarray(values)[np.isfinite(values)])
    return float(np.percentile(v, 95.0)) if v.size else math.nan


def supply_currents(circuit, scale):
    """Supply current of many builds at rest, A, shape (builds,): string, loads, tail divider."""
    point = network.solve_many(circuit, scale, [0.0], [0.0], gains=False)

    def factor(name):
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


def _limit(current):
    wanted = LIMIT_MARGIN * float(np.nanmax(current))
    decade = 10.0 ** math.floor(math.log10(wanted))
    return next(
        float(f"{s * decade:.3g}") for s in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if s * decade >= wanted
    )


# ------------------------------------------------------------------ drives and waveforms


def frequencies(figures):
    """Frequencies at which the circuit shows its product: (upper, lower, beat).

    Both lie `ABOVE_CORNER` times above the corners in their way. If there is room below the load
    pole the upper one is 8 to 20 times the lower; else both are nearly equal, and their
    difference lies well below the pole.
    """
    f = figures

    def floor(side):
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


def _drives(circuit, a, b, figures):
    f_upper, f_lower, beat = frequencies(figures)
    apart = f_upper - f_lower if beat else f_lower
    duration = 2.0 / apart
    cycles = round(f_upper * duration)
    samples = int(min(max(32 * cycles, 1024), 20_000))
    time = np.arange(samples) * (duration / samples)
    upper = a * np.sin(2 * np.pi * f_upper * time)
    lower = b * np.sin(2 * np.pi * f_lower * time)
    point = network.solve_built(circuit, upper, lower, gains=False)
    corner = figures.load_pole if math.isfinite(figures.load_pole) else None
    if point.converged.all():
        left, right = (loaded(v, duration / v.size, corner) for v in (point.v_left, point.v_right))
    else:
        left, right = point.v_left, point.v_right
    lines = {
        side: point.nodes[f"base_{side}_pos"] - point.nodes[f"base_{side}_neg"]
        for side in ("upper", "lower")
    }
    waves = Waves(
        time,
        lines["upper"],
        lines["lower"],
        left,
        right,
        right - left,
        beat,
        figures.load_pole,
        1.0 / apart,
    )
    swings = {n: _swing(v) for n, v in {**point.nodes, "left": left, "right": right}.items()}
    generators = []
    for side, peak, frequency, name in (("upper", a, f_upper, "G1"), ("lower", b, f_lower, "G2")):
        source = getattr(circuit, f"r_source_{side}")
        termination = getattr(circuit, f"r_termination_{side}")
        share = 1.0 if math.isinf(termination) else termination / (source + termination)
        corners = [getattr(figures, f"{k}_{side}") for k in ("coupling", "ground", "bypass")]
        generators.append(
            Generator(
                side,
                name,
                frequency,
                peak,
                2.0 * peak / share,
                _swing(lines[side]),
                source,
                termination,
                max((c for c in corners if math.isfinite(c)), default=math.nan),
                getattr(circuit, f"{side}_mode") == "balanced",
            )
        )
    return tuple(generators), waves, swings


def _swing(wave):
    """Peak to peak of the solved samples, NaN if there are none."""
    return float(np.nanmax(wave) - np.nanmin(wave)) if np.isfinite(wave).any() else math.nan


def _points(circuit, spread, swings):
    bands, rest = spread.bands(COVERAGE), network.solve_bias(circuit).nodes
    points: list[TestPoint] = []
    for node, where in TEST_POINTS.items():
        if node not in rest or node in _ONLY_Q7 and circuit.tail_kind != "transistor":
            continue
        if node == "emitter_q7" and circuit.r_tail_emitter == 0:
            continue
        low, _, high = bands[node]
        points.append(
            TestPoint(
                f"TP{len(points) + 1}",
                node,
                where,
                Band(low, float(rest[node]), high),
                swings[node],
            )
        )
    return tuple(points)


# ------------------------------------------------------------------ trims


def _trims(circuit, tolerances, builds, seed):
    scale = mismatch.draw(circuit, tolerances, builds, seed)
    few = {k: v[:TRIM_BUILDS] for k, v in scale.items()}
    settings, before, after = mismatch.solve_trims(circuit, few, rounds=5)
    rest = network.solve_bias(circuit)
    rows = []
    for key, nulls in mismatch.TRIMS.items():
        setting = settings[key]
        band = _band(setting)
        reach = max(abs(band.low), abs(band.high))
        ohms, real = _trim_part(circuit, key, reach, rest)
        rows.append(
            TrimRow(
                key,
                nulls,
                band,
                _size(before[nulls]),
                _size(after[nulls]),
                mismatch.MEASURES[nulls][0],
                ohms,
                real,
            )
        )
    return tuple(rows)


def _trim_part(circuit, key, reach, rest):
    """Resistor (offset) or trimmer (balance) that reaches `reach`, and what it does reach."""
    if not reach > 1e-9:
        return math.nan, math.nan
    if key == "trim_balance":
        load = 0.5 * (circuit.r_load_left + circuit.r_load_right)
        ohms = float(value_above(max(reach * load, 1.0), "E6"))
        return ohms, ohms / load
    side = key.removeprefix("trim_")
    bias = getattr(circuit, f"r_bias_{side}_pos")
    level = float(rest.nodes[f"level_{side}"])
    push = min(level, circuit.v_supply - level)
    if not push > 0:
        return math.nan, math.nan
    # a quarter of the trimmer stands in series at its middle; the resistor must dwarf it
    ohms = float(value_below(max(bias * push / reach, 10.0 * TRIMMER / 4.0), "E12"))
    return ohms, bias * push / ohms


# ------------------------------------------------------------------ parts


def _worst_heat(circuit):
    """Largest dissipation of each part by reference over rest and full steering, W."""
    upper, lower = network.full_steer(circuit)
    rest = network.dissipation(circuit)
    steer = network.dissipation(
        circuit, upper * np.array([1, 1, -1, -1]), lower * np.array([1, -1, 1, -1])
    )
    worst: dict[str, float] = {}
    for part, watts in rest.items():
        ref = "I1" if part == "i_tail" else part_reference(circuit, part)
        most = float(np.nanmax([watts, *np.ravel(steer.get(part, watts))]))
        worst[ref] = max(most, worst.get(ref, 0.0))
    return worst


def _transistor_needs(circuit, figures, worst):
    """Least ratings of the transistors: V, A, W and current gain, with the usual margins."""
    tail = float(figures.bias.i_tail)
    heat = max(worst[q] for q in transistor_names(circuit))
    return {
        "v_ceo": VOLTAGE_MARGIN * circuit.v_supply,
        "i_c": 5.0 * tail,
        "power": heat / POWER_USED,
        "heat": heat,
        "beta": circuit.beta_forward,
        "names": transistor_names(circuit),
    }


def _working(symptoms, healthy):
    """Largest voltage across each capacitor, V, whichever single part fails."""
    nodes = {
        "C1": "level_upper",
        "C2": "level_lower",
        "C3": "base_upper_pos",
        "C4": "base_upper_neg",
        "C5": "base_lower_pos",
        "C6": "base_lower_neg",
        "C7": "left",
        "C8": "right",
        "C9": "tail_base",
    }
    cases = [healthy, *(c.response for s in symptoms for c in s.cases)]
    return {
        ref: float(np.nanmax([abs(c.nodes[node]) for c in cases]))
        for ref, node in nodes.items()
        if node in healthy.nodes
    }


def _tail_bypass(circuit, figures):
    """Bypass at the base of Q7, F: its corner no higher than that of the lower tap."""
    ohms = 1.0 / (1.0 / circuit.r_tail_base_top + 1.0 / circuit.r_tail_base_bottom)
    return float(value_above(1.0 / (2.0 * math.pi * ohms * figures.bypass_lower), "E6"))


def _parts(circuit, rows, tolerances, worst, across, figures):
    out = []
    for row in rows:
        for ref in row.references:
            if row.name.startswith("r_"):
                made = resistor_row(
                    ref, row.wanted, row.series, worst.get(ref, 0.0), note=_resistor_note(row.name)
                )
                out.append(replace(made, tolerance=tolerances.resistor))
            else:
                out.append(
                    capacitor_row(
                        ref,
                        row.wanted,
                        row.series,
                        across[ref],
                        _capacitor_note(row.name, row.fitted),
                    )
                )
    if circuit.c_load > 2 * STRAY:
        value = float(nearest_value(circuit.c_load - STRAY, "E6"))
        for ref in references(circuit).get("c_load", ()):
            out.append(
                PartRow(
                    (ref,),
                    "capacitor",
                    value,
                    "F",
                    0.20,
                    voltage_rating(across[ref]),
                    "V",
                    circuit.c_load,
                    (value + STRAY) / circuit.c_load - 1.0,
                    "E6",
                    "film or ceramic; probe and wiring add about " + format_quantity(STRAY, "F", 2),
                )
            )
    if circuit.tail_kind == "transistor":
        out.append(
            capacitor_row(
                "C9",
                _tail_bypass(circuit, figures),
                "E6",
                across["C9"],
                "electrolytic: plus to the base of Q7",
            )
        )
    out.append(
        PartRow(
            transistor_names(circuit),
            "transistor, npn",
            note="small-signal silicon, "
            "one batch; Q1 to Q4 close together, Q5 and Q6 too, so that they are "
            "equally warm",
        )
    )
    return parts_list(out)


def _resistor_note(name):
    if name.startswith("r_load"):
        return "alike: pick two that read the same"
    if name.startswith("r_bias"):
        return "alike within each input"
    return ""


def _capacitor_note(name, farads):
    if name.startswith("c_bypass") or farads >= 4.7e-6:
        return "electrolytic: plus to the higher voltage"
    return "film or ceramic"


__all__ = [
    "Band",
    "BenchPlan",
    "Generator",
    "Step",
    "TestPoint",
    "TrimRow",
    "Waves",
    "bench_plan",
    "frequencies",
    "nice_above",
    "nice_below",
    "supply_currents",
]
