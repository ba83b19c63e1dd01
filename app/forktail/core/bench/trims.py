"""The trims of a bench plan: how far each must reach in a batch, and a part that does it."""

import math
from dataclasses import dataclass

from forktail.core.bench.bands import Band, band_of, size_of
from forktail.core.built import mismatch, network
from forktail.core.built.circuit import Circuit
from forktail.core.built.preferred import value_above, value_below
from forktail.core.cell.law import OperatingPoint

#: Builds for which trims are solved, several times each.
TRIM_BUILDS = 60
#: A trimmer that injects an offset is fed from one of this value, ohm (common practice).
TRIMMER = 100e3


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


def trims_of(
    circuit: Circuit, tolerances: mismatch.Tolerances, builds: int, seed: int
) -> tuple[TrimRow, ...]:
    """Trims in the order in which they are turned: tuple of `TrimRow`."""
    scale = mismatch.draw(circuit, tolerances, builds, seed)
    few = {k: v[:TRIM_BUILDS] for k, v in scale.items()}
    settings, before, after = mismatch.solve_trims(circuit, few, rounds=5)
    rest = network.solve_bias(circuit)
    rows = []
    for key, nulls in mismatch.TRIMS.items():
        setting = settings[key]
        band = band_of(setting)
        reach = max(abs(band.low), abs(band.high))
        ohms, real = _trim_part(circuit, key, reach, rest)
        rows.append(
            TrimRow(
                key,
                nulls,
                band,
                size_of(before[nulls]),
                size_of(after[nulls]),
                mismatch.MEASURES[nulls][0],
                ohms,
                real,
            )
        )
    return tuple(rows)


def _trim_part(
    circuit: Circuit, key: str, reach: float, rest: OperatingPoint
) -> tuple[float, float]:
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
