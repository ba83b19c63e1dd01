"""The textbook law taken apart: what each factor of it is at a point."""

from dataclasses import dataclass
from math import prod, tanh

from forktail.core.checks import QuantityError


@dataclass(frozen=True)
class Term:
    """One product of the law: `current` (A) times `r_load` (ohm) times each split.

    A split is tanh(v / 2 VT) of one input, -1 to 1: which part of the current more goes to the
    first side of a matched pair than to the second.
    """

    current: float
    r_load: float
    splits: tuple[float, ...]

    @property
    def v_out(self) -> float:
        """Differential output that the term stands for, V."""
        return self.current * self.r_load * prod(self.splits)


def term(current: float, r_load: float, thermal_voltage: float, *inputs: float) -> Term:
    """The term of a current that pairs with these differential inputs steer.

    Parameters
    ----------
    current : float
        A.
    r_load : float
        ohm.
    thermal_voltage : float
        kT/q, V, above 0.
    *inputs : float
        V; one for each pair that the current passes.

    Raises
    ------
    QuantityError
        If the thermal voltage is not above zero.

    Notes
    -----
    Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated Circuits, chapters 3 and 10.
    """
    if not thermal_voltage > 0.0:
        raise QuantityError("thermal_voltage: it must be above 0 V.")
    splits = tuple(tanh(v / (2.0 * thermal_voltage)) for v in inputs)
    return Term(float(current), float(r_load), splits)
