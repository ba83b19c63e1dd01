"""What to fit: parts with ratings that hold at rest, fully steered, and when a part fails."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from forktail.core.bench.faults import Response, Symptom
from forktail.core.built import network
from forktail.core.built.circuit import Circuit, transistor_names
from forktail.core.built.network import Figures
from forktail.core.built.preferred import (
    POWER_USED,
    VOLTAGE_MARGIN,
    PartRow,
    capacitor_row,
    nearest_value,
    parts_list,
    resistor_row,
    voltage_rating,
)
from forktail.core.built.references import Rounded, part_reference, references
from forktail.core.quantities import format_quantity

#: Capacitance that probes and wiring bring to each output, F (invented for our workshop).
STRAY = 15e-12


@dataclass(frozen=True)
class Fitted:
    """Parts list of a circuit.

    `rows` of `preferred.PartRow`; `transistor`, least ratings (V, A, W, current gain);
    `heat` W by reference, worst of rest and full steering.
    """

    rows: tuple[PartRow, ...]
    transistor: dict[str, Any]
    heat: dict[str, float]


def parts_of(
    circuit: Circuit,
    rounded: Sequence[Rounded],
    tolerance: float,
    figures: Figures,
    symptoms: Sequence[Symptom],
    healthy: Response,
) -> Fitted:
    """Parts of a circuit at preferred values.

    Parameters
    ----------
    circuit : Circuit
    rounded : sequence of references.Rounded
    tolerance : float
        Of resistors, a fraction.
    figures : network.Figures
    symptoms : sequence of faults.Symptom
        Capacitors bear what they see under any of them.
    healthy : faults.Response

    Returns
    -------
    Fitted
    """
    heat = _worst_heat(circuit)
    rows = _rows(circuit, rounded, tolerance, heat, _working(symptoms, healthy))
    return Fitted(rows, _transistor_needs(circuit, figures, heat), heat)


def _worst_heat(circuit: Circuit) -> dict[str, float]:
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


def _transistor_needs(
    circuit: Circuit, figures: Figures, worst: Mapping[str, float]
) -> dict[str, Any]:
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


def _working(symptoms: Sequence[Symptom], healthy: Response) -> dict[str, float]:
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


def _rows(
    circuit: Circuit,
    rounded: Sequence[Rounded],
    tolerance: float,
    worst: Mapping[str, float],
    across: Mapping[str, float],
) -> tuple[PartRow, ...]:
    out = []
    for row in rounded:
        for ref in row.references:
            if row.name.startswith("r_"):
                made = resistor_row(
                    ref, row.wanted, row.series, worst.get(ref, 0.0), note=_resistor_note(row.name)
                )
                out.append(replace(made, tolerance=tolerance))
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


def _resistor_note(name: str) -> str:
    if name.startswith("r_load"):
        return "alike: pick two that read the same"
    if name.startswith("r_bias"):
        return "alike within each input"
    return ""


def _capacitor_note(name: str, farads: float) -> str:
    if name == "c_bypass_tail":
        return "electrolytic: plus to the base of Q7"
    if name.startswith("c_bypass") or farads >= 4.7e-6:
        return "electrolytic: plus to the higher voltage"
    return "film or ceramic"
