"""Checks of arguments: one clear sentence that names what, its value and what is allowed."""

import math
import unicodedata
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Arrays as the core makes them.
Floats = NDArray[np.float64]
Complexes = NDArray[np.complexfloating[Any, Any]]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class QuantityError(ValueError):
    """A quantity that cannot be used. Its text names the argument, the value and the range.

    Texts often quote what somebody else wrote; signs in it that steer a terminal or turn the
    direction of writing are spelled out.
    """

    def __init__(self, text: str = "") -> None:
        super().__init__(visible(text))


def visible(text: object) -> str:
    """The text with control and format signs, except line ends, written as `\\x1b`."""
    text = str(text)
    if text.isprintable():
        return text
    return "".join(
        c if c == "\n" or unicodedata.category(c)[0] != "C" else c.encode("unicode_escape").decode()
        for c in text
    )


def shortened(text: object, most: int = 40) -> str:
    """What somebody else wrote, as a sentence quotes it: one line of at most so many characters."""
    text = " ".join(str(text).split())
    return text if len(text) <= most else text[: most - 1] + "\u2026"


def _allowed(low: float | None, high: float | None, low_open: bool, unit: str) -> str:
    unit = f" {unit}" if unit else ""
    if low is not None and high is not None:
        return f"it must be {'above ' if low_open else ''}{low:g} to {high:g}{unit}"
    if low is not None:
        return f"it must be {'above' if low_open else 'at least'} {low:g}{unit}"
    if high is not None:
        return f"it must be at most {high:g}{unit}"
    return f"it must be a finite number{unit and ' of' + unit}"


def as_array(
    name: str,
    value: ArrayLike,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    low_open: bool = False,
) -> Floats:
    """Return `value` as a float64 array of any finite or not finite numbers.

    Raises
    ------
    QuantityError
        If a value is not a number; the bounds are named in the message only.
    """
    try:
        return np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        raise QuantityError(
            f"{name} is {value!r}, which is not a number; {_allowed(low, high, low_open, unit)}."
        ) from None


def as_quantity(
    name: str,
    value: ArrayLike,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    low_open: bool = False,
) -> Floats:
    """Return `value` as a float64 array, or raise one clear error.

    Parameters
    ----------
    name : str
        Argument name used in the message.
    value : array_like
        Any shape.
    unit : str
        SI unit, for the message only.
    low, high : float, optional
        Bounds, inclusive unless `low_open`.
    low_open : bool
        Whether `low` itself is refused.

    Returns
    -------
    numpy.ndarray
        float64, same shape as `value`.

    Raises
    ------
    QuantityError
        If a value is not a number, not finite or out of bounds.
    """
    array = as_array(name, value, unit, low, high, low_open)
    if array.ndim == 0:
        lowest = highest = float(array)
    elif array.size == 0:
        return array
    else:  # min and max carry NaN along, so two reductions replace an element-wise test
        lowest, highest = array.min(), array.max()
    good = math.isfinite(lowest) and math.isfinite(highest)
    if good and low is not None:
        good = lowest > low if low_open else lowest >= low
    if good and high is not None:
        good = highest <= high
    if good:
        return array
    flat = array.ravel()
    bad = ~np.isfinite(flat)
    if low is not None:
        bad |= (flat <= low) if low_open else (flat < low)
    if high is not None:
        bad |= flat > high
    first = int(np.argmax(bad))
    where = "" if array.ndim == 0 else f" at position {first}"
    unit_text = f" {unit}" if unit else ""
    raise QuantityError(
        f"{name} is {flat[first]:g}{unit_text}{where}; {_allowed(low, high, low_open, unit)}."
    )


def broadcast_shape(**arrays: ArrayLike) -> tuple[int, ...]:
    """Return the common shape of named arrays.

    Raises
    ------
    QuantityError
        If the shapes do not broadcast; the message lists each name with its shape.
    """
    shapes = {np.shape(a) for a in arrays.values()}
    shapes.discard(())
    if len(shapes) < 2:
        return shapes.pop() if shapes else ()
    try:
        return np.broadcast_shapes(*shapes)
    except ValueError:
        listed = ", ".join(f"{n} {np.shape(a)}" for n, a in arrays.items() if np.ndim(a))
        raise QuantityError(
            f"the shapes do not fit together: {listed}; "
            "give shapes that numpy broadcasting can combine."
        ) from None
