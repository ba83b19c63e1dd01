"""What each single fault of a circuit does to its test points and its output, solved one by one."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from forktail.core.bench.bands import Band
from forktail.core.built import network
from forktail.core.built.circuit import Circuit, Fault, break_part, single_faults
from forktail.core.built.references import part_reference

#: A reading counts as off once it leaves its band by half the band's width and this much, V:
#: less than that a meter may miss.
MARGIN = 0.03
#: The product counts as changed once it is off by this share, and another share as seen.
CHANGED = 0.1

#: How the output behaves, from worst to none.
OUTPUTS = {
    "none": "no output",
    "upper": "follows the upper input alone",
    "lower": "follows the lower input alone",
    "mixed_upper": "product with the upper input coming through",
    "mixed_lower": "product with the lower input coming through",
    "inverted": "product, inverted",
    "weak": "product, too small",
    "strong": "product, too large",
    "good": "product as it should be",
    "unsolved": "not solved",
}


@dataclass(frozen=True)
class Response:
    """Output for the four sign combinations of both drives' peaks, V, and what is drawn.

    `product`, `upper`, `lower`: the share that goes with the product, with either input alone;
    `offset` the mean; `supply_current` A; `nodes` V at rest by name, `read` the same as a meter
    reads them, which pulls a node that nothing holds.
    """

    product: float
    upper: float
    lower: float
    offset: float
    supply_current: float
    nodes: dict[str, float]
    read: dict[str, float]


@dataclass(frozen=True)
class FaultCase:
    """One fault with its short label (`R8 open`) and its response."""

    key: str
    part: str
    label: str
    response: Response


@dataclass(frozen=True)
class Symptom:
    """Faults that look alike at the test points and at the output.

    `off` is a tuple of (node, +1 high or -1 low) in the order of checking; `output` a key of
    `OUTPUTS`. `first` is the first node off, "" where none is.
    """

    off: tuple[tuple[str, int], ...]
    output: str
    cases: tuple[FaultCase, ...]

    @property
    def first(self) -> str:
        """First node that is off, in the order of checking; "" if none is."""
        return self.off[0][0] if self.off else ""


def respond(circuit: Circuit, drive_upper: float, drive_lower: float) -> Response:
    """Response of one circuit."""
    a, b = drive_upper, drive_lower
    v = network.solve_built(circuit, [a, a, -a, -a], [b, -b, b, -b], gains=False).v_out
    rest = network.solve_bias(circuit)
    parts = {
        "product": (1, -1, -1, 1),
        "upper": (1, 1, -1, -1),
        "lower": (1, -1, 1, -1),
        "offset": (1, 1, 1, 1),
    }
    return Response(
        **{name: float(np.dot(signs, v)) / 4.0 for name, signs in parts.items()},
        supply_current=network.supply_current(circuit),
        nodes={k: float(n) for k, n in rest.nodes.items()},
        read=network.readings(circuit),
    )


def classify(response: Response, healthy: Response) -> str:
    """Key of `OUTPUTS` for a response beside that of the sound circuit."""
    r, full = response, abs(healthy.product)
    if not all(map(math.isfinite, (r.product, r.upper, r.lower, r.offset))):
        return "unsolved"
    through = {"upper": abs(r.upper - healthy.upper), "lower": abs(r.lower - healthy.lower)}
    name = max(through, key=through.__getitem__)
    product = r.product / healthy.product
    if through[name] > CHANGED * full:
        return name if through[name] > 3.0 * abs(r.product) else f"mixed_{name}"
    if abs(product) < 0.02:
        return "none"
    if product < 0:
        return "inverted"
    if product < 1.0 - CHANGED:
        return "weak"
    return "strong" if product > 1.0 + CHANGED else "good"


_PAIRS = {
    "base-emitter": "base to emitter",
    "base-collector": "base to collector",
    "collector-emitter": "collector to emitter",
}
_WIRES = {
    "pair_left": "bases of Q1 and Q2 swapped",
    "pair_right": "bases of Q3 and Q4 swapped",
    "pair_lower": "bases of Q5 and Q6 swapped",
    "levels": "upper and lower level swapped",
}


def label(circuit: Circuit, fault: Fault) -> str:
    """Short label of a fault: `R8 open`, `Q5 base to emitter shorted`."""
    kind, _, rest = fault.key.partition(":")
    part, _, place = rest.partition(".")
    if kind == "swapped":
        return _WIRES[part]
    if kind == "reversed":
        return f"{part} reversed"
    if part.startswith("drive_"):
        return f"{'G1' if part.endswith('upper') else 'G2'} not connected"
    name = part_reference(circuit, part)
    if not place:
        return f"{name} {'open' if kind == 'open' else 'shorted'}"
    return f"{name} {place} open" if kind == "open" else f"{name} {_PAIRS[place]} shorted"


def symptoms(
    circuit: Circuit,
    bands: Mapping[str, Band],
    drive_upper: float,
    drive_lower: float,
    progress: Callable[[float], None] | None = None,
) -> tuple[tuple[Symptom, ...], Response]:
    """Break the circuit in every single way and group what looks alike.

    Parameters
    ----------
    circuit : Circuit
        Sound.
    bands : dict of str to Band
        Test points in the order of checking.
    drive_upper, drive_lower : float
        V peak.
    progress : callable, optional
        Called with the share done.

    Returns
    -------
    symptoms : tuple of Symptom
        By the first test point that is off (none first), then by output.
    healthy : Response
    """
    healthy = respond(circuit, drive_upper, drive_lower)
    groups: dict[tuple, list[FaultCase]] = {}
    faults = single_faults(circuit)
    for k, fault in enumerate(faults):
        response = respond(break_part(circuit, fault), drive_upper, drive_lower)
        case = FaultCase(fault.key, fault.part, label(circuit, fault), response)
        key = _off(response, bands), classify(response, healthy)
        groups.setdefault(key, []).append(case)
        if progress:
            progress((k + 1) / len(faults))
    place = {node: k for k, node in enumerate(bands, 1)}
    order = list(OUTPUTS)
    found = [Symptom(off, output, tuple(cases)) for (off, output), cases in groups.items()]
    found.sort(
        key=lambda s: (place.get(s.first, 0), order.index(s.output), [place[n] for n, _ in s.off])
    )
    return tuple(found), healthy


def _off(response: Response, bands: Mapping[str, Band]) -> tuple[tuple[str, int], ...]:
    out = []
    for node, band in bands.items():
        v = response.read.get(node, math.nan)
        slack = MARGIN + 0.5 * (band.high - band.low)
        if v < band.low - slack:
            out.append((node, -1))
        elif v > band.high + slack:
            out.append((node, 1))
    return tuple(out)
