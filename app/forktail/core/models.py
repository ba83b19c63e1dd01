"""The two models as solvers: called with both inputs, either answers with an OperatingPoint.

Whoever uses a solver asks for no more than `solve(v_upper, v_lower)`; `path.run_path` also asks
what lies between generator and base lines, which is no part of the law of the cell.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built.circuit import Circuit
from forktail.core.built.network import solve_built
from forktail.core.cell.law import CellSettings, OperatingPoint, solve_cell
from forktail.core.spec import TAIL_LAW, setting, spec, specs_of
from forktail.core.thermal import tail_at

#: What answers for a cell: both inputs in V, of shapes that broadcast.
Solver = Callable[[ArrayLike, ArrayLike], OperatingPoint]

#: Most samples for which the built cell works its gains out too.
_FEW = 4


@dataclass(frozen=True)
class TextbookCell:
    """The textbook cell: matched pairs of infinite current gain, in closed form.

    Its fields carry their specs. Making one checks nothing; using it raises `QuantityError`.
    """

    i_tail: float = setting(spec("i_tail"))
    r_load: float = setting(spec("r_load"))
    temperature: float = setting(spec("temperature"))
    v_supply: float = setting(spec("v_supply"))
    offset_left: float = setting(spec("offset", label="Offset of the left upper pair"))
    offset_right: float = setting(spec("offset", label="Offset of the right upper pair"))
    offset_lower: float = setting(spec("offset", label="Offset of the lower pair"))
    r_emitter_upper: float = setting(spec("r_emitter", label="Emitter resistors, upper"))
    r_emitter_lower: float = setting(spec("r_emitter", label="Emitter resistors, lower"))
    tail_law: str = setting(TAIL_LAW)

    @cached_property
    def settings(self) -> CellSettings:
        """What is fixed while inputs and tail move, checked: `CellSettings`.

        Raises
        ------
        QuantityError
            The sentence of the first quantity that is not allowed.
        """
        values = {n: s.check(getattr(self, n)) for n, s in specs_of(self).items()}
        del values["i_tail"], values["tail_law"]
        return CellSettings(**values)

    def __call__(self, v_upper: ArrayLike, v_lower: ArrayLike) -> OperatingPoint:
        """`cell.law.solve_cell` with the quantities of this cell."""
        return solve_cell(v_upper, v_lower, self.tail, self.settings)

    @property
    def tail(self) -> float:
        """Tail current at the temperature of the cell, A: `thermal.tail_at`."""
        return tail_at(self.i_tail, self.temperature, self.tail_law)


@lru_cache(maxsize=64)
def _stiff(circuit: Circuit) -> Circuit:
    """The circuit with both drives straight at the base lines."""
    # a coupling capacitor that is shorted still ties its base line down at rest
    gone = tuple(f for f in circuit.faults if f[:6] == "short:" or not _is_of_a_drive(f))
    stiff = {f"r_source_{side}": 0.0 for side in ("upper", "lower")}
    stiff |= {f"r_termination_{side}": float("inf") for side in ("upper", "lower")}
    return replace(circuit, faults=gone, **stiff)  # type: ignore[arg-type]


def _is_of_a_drive(fault: str) -> bool:
    part = fault.partition(":")[2]
    return part.startswith(("drive_", "r_termination_", "c_coupling_"))


@dataclass(frozen=True)
class BuiltCell:
    """The built cell of a circuit; slopes only where few samples are asked for.

    `stiff` puts the drives straight at the base lines: there is no source resistance, and no
    coupling capacitor that could be open.
    """

    circuit: Circuit
    stiff: bool = False

    def __call__(self, v_upper: ArrayLike, v_lower: ArrayLike) -> OperatingPoint:
        """`built.network.solve_built` of this circuit."""
        few = max(np.size(v_upper), np.size(v_lower)) <= _FEW
        return solve_built(self.driven, v_upper, v_lower, gains=few)

    @property
    def driven(self) -> Circuit:
        """The circuit as it is driven: without source resistance where it is stiff."""
        return _stiff(self.circuit) if self.stiff else self.circuit

    @property
    def r_emitter_upper(self) -> float:
        """Resistor in each upper emitter, ohm."""
        return self.circuit.r_emitter_upper

    @property
    def r_emitter_lower(self) -> float:
        """Resistor in each lower emitter, ohm."""
        return self.circuit.r_emitter_lower

    def at(self, place: str) -> "BuiltCell":
        """The same cell driven `at="generator"` or `at="base lines"`."""
        return replace(self, stiff=place == "base lines")


def solver_of(cell: "Circuit | Solver | None") -> Solver:
    """The solver that is meant: a solver itself, a circuit built, the textbook cell for nothing."""
    if isinstance(cell, Circuit):
        return BuiltCell(cell)
    return TextbookCell() if cell is None else cell
