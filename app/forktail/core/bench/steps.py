"""Order of work: what to fit, and what to check before the next part goes in.

Each check is solved for the circuit as far as it is built: transistors that are not in yet are
open in it, and wire links stand where the step says so.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from forktail.core.bench.bands import Band, band_of
from forktail.core.built import network
from forktail.core.built.circuit import Circuit, resistor_parts, transistor_names
from forktail.core.built.references import references
from forktail.core.checks import Floats

#: References of parts by their names.
References = Callable[..., tuple[str, ...]]

#: Builds solved for each check.
_BUILDS = 100


@dataclass(frozen=True)
class Check:
    """One reading: node (as `network.NODES`) or "supply current", and its band, V or A."""

    node: str
    band: Band
    unit: str = "V"


@dataclass(frozen=True)
class Step:
    """One step: a title, references of the parts to fit, what to do, readings to take."""

    title: str
    parts: tuple[str, ...]
    text: str
    checks: tuple[Check, ...] = ()


def _stage(
    circuit: Circuit, scale: Mapping[str, Floats], faults: tuple[str, ...], nodes: Iterable[str]
) -> tuple[Check, ...]:
    """Readings of a half-built circuit."""
    known = {*resistor_parts(circuit), *transistor_names(circuit), "beta_forward"}
    few = {k: v[:_BUILDS] for k, v in scale.items() if k in known}
    point = network.solve_many(replace(circuit, faults=faults), few, [0.0], [0.0], gains=False)
    return tuple(
        Check(node, band_of(point.nodes[node][:, 0])) for node in nodes if node in point.nodes
    )


#: Parts of one drive, in the order in which they are fitted.
_OF_A_DRIVE = ("c_coupling", "c_ground", "r_termination")
#: Readings of the finished cell, and of the steps before it.
_COLLECTORS = ("tail", "common_left", "common_right", "left", "right")
_LEVELS = (
    "level_upper",
    "level_lower",
    "base_upper_pos",
    "base_upper_neg",
    "base_lower_pos",
    "base_lower_neg",
)
#: The upper pairs not fitted yet, with wire links in the places of Q1 and Q4.
_LINKED = (
    *(f"open:Q{k}.base" for k in range(1, 5)),
    "short:Q1.collector-emitter",
    "short:Q4.collector-emitter",
)


def build_steps(
    circuit: Circuit, scale: Mapping[str, Floats], bands: Mapping[str, Band]
) -> tuple[Step, ...]:
    """Steps from the empty board to the working cell.

    Parameters
    ----------
    circuit : Circuit
    scale : dict
        Builds, as `mismatch.draw` gives them.
    bands : dict of str to Band
        Of the finished circuit, by node.

    Returns
    -------
    tuple of Step
    """
    refs = references(circuit)

    def has(*names: str) -> tuple[str, ...]:
        return tuple(r for n in names for r in refs.get(n, ()))

    return (
        _levels(circuit, scale, has),
        _lower_pair(circuit, scale, has),
        _upper_pairs(bands, has),
        _coupling(has),
    )


def _levels(circuit: Circuit, scale: Mapping[str, Floats], has: References) -> Step:
    q7 = circuit.tail_kind == "transistor"
    string = has(
        "r_string_top", "r_string_middle", "r_string_bottom", "c_bypass_upper", "c_bypass_lower"
    )
    divider = has("r_tail_base_top", "r_tail_base_bottom", "c_bypass_tail")
    bias = has("r_bias_upper_pos", "r_bias_upper_neg", "r_bias_lower_pos", "r_bias_lower_neg")
    no_bases = tuple(f"open:{q}.base" for q in transistor_names(circuit))
    return Step(
        "Levels",
        (*string, *divider, *bias),
        "Fit these, nothing else. Switch on with the limit set, read, switch off.",
        _stage(circuit, scale, no_bases, (*_LEVELS, *(("tail_base",) if q7 else ()))),
    )


def _lower_pair(circuit: Circuit, scale: Mapping[str, Floats], has: References) -> Step:
    tail = {
        "ideal": ("I1",),
        "resistor": has("r_tail"),
        "transistor": ("Q7", *has("r_tail_emitter")),
    }[circuit.tail_kind]
    of_q7 = ("tail_base", "emitter_q7") if circuit.tail_kind == "transistor" else ()
    return Step(
        "Tail and lower pair",
        (*tail, "Q5", "Q6", *has("r_emitter_lower", "r_load_left", "r_load_right")),
        "Fit these, and two wire links in the places of Q1 and Q4, collector to emitter, so "
        "that the lower pair draws through the loads. Equal collectors mean an even split.",
        _stage(circuit, scale, _LINKED, (*of_q7, *_COLLECTORS)),
    )


def _upper_pairs(bands: Mapping[str, Band], has: References) -> Step:
    return Step(
        "Upper pairs",
        ("Q1", "Q2", "Q3", "Q4", *has("r_emitter_upper")),
        "Take the two links out. Fit these: Q1 and Q4 share the upper + line, Q2 and Q3 the "
        "\u2212 line. Read every test point against the table.",
        tuple(Check(n, bands[n]) for n in _COLLECTORS if n in bands),
    )


def _coupling(has: References) -> Step:
    names = [f"{part}_{side}" for side in ("upper", "lower") for part in _OF_A_DRIVE]
    return Step(
        "Coupling",
        has(*names, "c_load"),
        "Fit these, with the generators still off. The readings at rest must not move: one "
        "that does points to a leaky or reversed capacitor.",
    )
