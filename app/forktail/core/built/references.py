"""The parts of a built circuit as a builder counts them: reference names and preferred values.

A part keeps its reference whatever else is fitted, so that R8 is always the left load.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

from forktail.core.built.circuit import Circuit
from forktail.core.built.preferred import nearest_value

_FIXED = {
    "r_string_top": "R1",
    "r_string_middle": "R2",
    "r_string_bottom": "R3",
    "r_bias_upper_pos": "R4",
    "r_bias_upper_neg": "R5",
    "r_bias_lower_pos": "R6",
    "r_bias_lower_neg": "R7",
    "r_load_left": "R8",
    "r_load_right": "R9",
    "r_termination_upper": "R13",
    "r_termination_lower": "R14",
    "c_bypass_upper": "C1",
    "c_bypass_lower": "C2",
}
_OF_TAIL = {
    "ideal": {"i_tail": "I1"},
    "resistor": {"r_tail": "R10"},
    "transistor": {
        "r_tail_emitter": "R10",
        "r_tail_base_top": "R11",
        "r_tail_base_bottom": "R12",
        "c_bypass_tail": "C9",
    },
}
_COUPLING = {"upper": ("C3", "C4"), "lower": ("C5", "C6")}

#: Series to which capacitors are rounded: few are sold in finer steps (common practice, no source).
CAPACITOR_SERIES = "E6"


def references(circuit: Circuit) -> dict[str, tuple[str, ...]]:
    """References of the parts that are present.

    Parameters
    ----------
    circuit : Circuit

    Returns
    -------
    dict of str to tuple of str
        Field of `Circuit` -> references of the parts that have this value, such as
        `{"r_load_left": ("R8",), "r_emitter_lower": ("R19", "R20")}`; generators are G1 and G2.
    """
    c = circuit
    out: dict[str, tuple[str, ...]] = {}
    for name, ref in _FIXED.items():
        if 0 < getattr(c, name) < math.inf:
            out[name] = (ref,)
    for side, (first, second) in _COUPLING.items():
        if getattr(c, f"{side}_mode") == "single":
            out[f"c_coupling_{side}"], out[f"c_ground_{side}"] = (first,), (second,)
        else:
            out[f"c_coupling_{side}"] = (first, second)
        out[f"r_source_{side}"] = ("G1" if side == "upper" else "G2",)
    for name, ref in _OF_TAIL[c.tail_kind].items():
        if name == "i_tail" or getattr(c, name) > 0:
            out[name] = (ref,)
    if c.r_emitter_upper > 0:
        out["r_emitter_upper"] = ("R15", "R16", "R17", "R18")
    if c.r_emitter_lower > 0:
        out["r_emitter_lower"] = ("R19", "R20")
    if c.c_load > 0:
        out["c_load"] = ("C7", "C8")
    return out


def part_reference(circuit: Circuit, part: str) -> str:
    """Reference of a part named as in `circuit.resistor_parts`, faults and dissipation; "" if none.

    `r_emitter_q5` is R19, `c_coupling_upper_neg` C4, `Q3` stays Q3.
    """
    if part[:1] == "Q":
        return part
    if part.startswith("r_emitter_q"):
        return f"R{14 + int(part[-1])}"
    for side, pair in _COUPLING.items():
        for k, pole in enumerate(("pos", "neg")):
            if part == f"c_coupling_{side}_{pole}":
                return pair[k]
    return "/".join(references(circuit).get(part, ()))


@dataclass(frozen=True)
class Rounded:
    """One value put to a preferred one: `wanted` and `fitted` in SI, `error` fitted/wanted - 1."""

    name: str
    references: tuple[str, ...]
    wanted: float
    fitted: float
    error: float
    series: str


def round_circuit(circuit: Circuit, series: str = "E24") -> tuple[Circuit, tuple[Rounded, ...]]:
    """Put every resistor and capacitor to its nearest preferred value.

    Parameters
    ----------
    circuit : Circuit
    series : str
        Series of the resistors, a key of `parts.SERIES`; capacitors take `CAPACITOR_SERIES`.

    Returns
    -------
    rounded : Circuit
    rows : tuple of Rounded
        One for each value, changed or not.

    Raises
    ------
    QuantityError
        For an unknown series.

    Notes
    -----
    IEC 60063:2015. Source resistances belong to the generators and the load capacitance is that
    of wiring and probe, so they stay.
    """
    change: dict[str, Any] = {}
    rows = []
    for name, refs in references(circuit).items():
        if name[:2] not in ("r_", "c_") or name.startswith("r_source") or name == "c_load":
            continue
        use = series if name.startswith("r_") else CAPACITOR_SERIES
        wanted = getattr(circuit, name)
        fitted = float(nearest_value(wanted, use))
        if abs(fitted / wanted - 1.0) < 1e-9:
            fitted = wanted
        change[name] = fitted
        rows.append(Rounded(name, refs, wanted, fitted, fitted / wanted - 1.0, use))
    return replace(circuit, **change), tuple(rows)


#: Fields whose values are numbers that a builder enters, in the order of `Circuit`.
NUMBER_FIELDS = tuple(f for f, kind in Circuit.__annotations__.items() if kind is float)
