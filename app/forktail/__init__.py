"""Forktail: see, try and check how steering a tail current multiplies two signals.

For a notebook or a script:

    >>> from forktail import Circuit, Drive, run_signals, solve_built
    >>> board = Circuit(r_load_left=3300, r_load_right=3300)
    >>> solve_built(board)
    <OperatingPoint: built, 1 point, v_out 0 V>
    >>> print(run_signals(Drive(frequency=43e3), Drive(frequency=45e3), board).sentence)
    The difference at 2.00 kHz comes out at 68.7 mV, the sum at 88.0 kHz at 68.7 mV; next is ...

SI units throughout: V, A, ohm, F, Hz, s and K; any array broadcasts. What cannot be used raises
`forktail.core.checks.QuantityError`, a `ValueError` whose text says what would be right.

- `solve_cell(v_upper, v_lower, i_tail)`: the textbook cell.
- `solve_built(circuit, v_upper, v_lower)`: six real transistors; `Circuit` holds every part,
  `read_circuit(text)` reads a circuit file.
- `run_signals(upper, lower, circuit)`: two `Drive`s through the cell, with their spectrum.
- `run_use(key, settings, circuit)`: a use of the cell, such as `mixer`, with its figures.
- `read_capture(data)`, `compare_capture(capture, circuit)`: a capture of the bench beside the
  prediction.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from forktail.core.built.circuit import Circuit
    from forktail.core.built.file import read_circuit
    from forktail.core.built.network import solve_built
    from forktail.core.capture.compare import compare_capture
    from forktail.core.capture.read import read_capture
    from forktail.core.cell.law import solve_cell
    from forktail.core.uses import run_use
    from forktail.core.uses.signals import run_signals
    from forktail.core.waves.drives import Drive

__version__ = "0.1.0"

__all__ = [
    "Circuit",
    "Drive",
    "compare_capture",
    "read_capture",
    "read_circuit",
    "run_signals",
    "run_use",
    "solve_built",
    "solve_cell",
]

# loaded when first asked for: a command or a page that needs none of them starts without numpy
_HOMES = {
    "Circuit": "core.built.circuit",
    "Drive": "core.waves.drives",
    "compare_capture": "core.capture.compare",
    "read_capture": "core.capture.read",
    "read_circuit": "core.built.file",
    "run_signals": "core.uses.signals",
    "run_use": "core.uses",
    "solve_built": "core.built.network",
    "solve_cell": "core.cell.law",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
