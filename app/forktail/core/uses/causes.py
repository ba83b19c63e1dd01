"""Which part of a cell takes a figure away from its relation: each part made ideal in turn.

The part is made ideal, the use runs again, and what the difference from the relation loses is
the share of that part. Shares add up to the whole as long as each is small.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from forktail.core.built.circuit import Circuit
from forktail.core.built.network import solve_bias
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, Solver, TextbookCell
from forktail.core.spec import specs_of
from forktail.core.uses.reference import Bench, bench

#: A part that makes less than this of a difference is not told.
LEAST = 0.15
#: Most parts told for one figure.
MOST = 3


def ideals(b: Bench) -> dict[str, Bench]:
    """The same cell with one part made ideal: part -> Bench, for the parts that are not so.

    Parts: `load_pole`, `coupling_upper`, `coupling_lower`; of a built cell `drive_upper`,
    `drive_lower` (source resistance and termination), `beta`, `early`, `match`, `tail` (a source of
    the same current); of a textbook cell its offsets by name.
    """
    found = {}
    if b.path.load_pole != float("inf"):
        found["load_pole"] = bench(b.solve, replace(b.path, load_pole=float("inf")))
    for side in ("upper", "lower"):
        if b.path.feed(side).corner > 0.0:
            feed = replace(b.path.feed(side), corner=0.0)
            found[f"coupling_{side}"] = bench(b.solve, b.path.with_feed(side, feed))
    cells: dict[str, Solver] = {}
    if isinstance(b.solve, BuiltCell):
        stiff = b.solve.stiff
        cells = {k: BuiltCell(c, stiff) for k, c in _circuits(b.solve.circuit).items()}
    elif isinstance(b.solve, TextbookCell):
        for name in specs_of(b.solve):
            if name.startswith("offset") and getattr(b.solve, name) != 0.0:
                cells[name] = replace(b.solve, **{name: 0.0})  # type: ignore[arg-type]
    for part, solve in cells.items():
        try:
            found[part] = bench(solve, b.path)
        except QuantityError:
            continue  # made ideal, this part leaves no circuit that works
    return found


def _circuits(circuit: Circuit) -> dict[str, Circuit]:
    """The circuit with one part made ideal: part -> Circuit."""
    made: dict[str, dict[str, Any]] = {
        f"drive_{side}": {f"r_source_{side}": 0.0, f"r_termination_{side}": float("inf")}
        for side in ("upper", "lower")
    }
    made |= {"beta": {"beta_forward": float("inf")}, "early": {"v_early": float("inf")}}
    load = 0.5 * (circuit.r_load_left + circuit.r_load_right)
    made["match"] = {
        "area": (1.0,) * 7, "trim_upper": 0.0, "trim_lower": 0.0, "trim_balance": 0.0,
        "r_load_left": load, "r_load_right": load,
    }  # fmt: skip
    if circuit.tail_kind != "ideal":
        made["tail"] = {"tail_kind": "ideal", "i_tail": float(solve_bias(circuit).i_tail)}
    found = {}
    for part, values in made.items():
        try:
            ideal = replace(circuit, **values)
        except QuantityError:
            continue  # the fault that is in it goes with the part
        if ideal != circuit:
            found[part] = ideal
    return found


def shares(
    off: Mapping[str, float], judge: Callable[[Bench], Mapping[str, float]], b: Bench
) -> dict[str, tuple[tuple[str, float], ...]]:
    """What each part adds to the figures that are off.

    Parameters
    ----------
    off : dict of str to float
        Figure -> how far it is from its relation (its value where there is none).
    judge : callable
        Bench -> the same for all figures; QuantityError if that cell gives no answer.
    b : reference.Bench

    Returns
    -------
    dict of str to tuple of (part, share)
        Shares in the unit of the figure, the largest first; parts that make little or work the
        other way are left out.
    """
    found: dict[str, list] = {key: [] for key in off}
    for part, ideal in ideals(b).items():
        try:
            left = judge(ideal)
        except QuantityError:
            continue
        for key, whole in off.items():
            share = whole - left.get(key, whole)
            if whole and share / whole >= LEAST:
                found[key].append((part, share))
    return {
        key: tuple(sorted(parts, key=lambda p: -abs(p[1]))[:MOST]) for key, parts in found.items()
    }
