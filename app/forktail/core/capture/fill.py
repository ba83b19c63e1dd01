"""Inputs that were not captured: sines whose phase the output tells."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from forktail.core.built.circuit import Circuit
from forktail.core.capture.columns import Capture
from forktail.core.capture.fit import least_squares
from forktail.core.checks import Floats, QuantityError, as_quantity
from forktail.core.path import loaded, path_of
from forktail.core.quantities import format_quantity


def fill_inputs(
    capture: Capture,
    circuit: Circuit,
    v_upper: tuple[float, float] | None = None,
    v_lower: tuple[float, float] | None = None,
) -> Capture:
    """Put sines in place of inputs that were not captured, their phases found from the output.

    A product with a sine of known frequency is a cosine and a sine part of it, so two columns of
    a least-squares fit tell its phase; of two sines, the lines at their sum and difference do.

    Parameters
    ----------
    capture : Capture
    circuit : Circuit
        Its load pole is taken in.
    v_upper, v_lower : (float, float), optional
        Peak in V and frequency in Hz, for each input that the capture lacks.

    Returns
    -------
    Capture
        With both inputs, and a note for each that was filled.

    Raises
    ------
    QuantityError
        For an input neither captured nor given, a frequency beyond half the sample rate, or a
        capture that does not tell the phase.
    """
    given = {"v_upper": v_upper, "v_lower": v_lower}
    missing = [n for n in given if getattr(capture, n) is None]
    if not missing:
        return capture
    t, y = capture.time, capture.v_out
    step = float((t[-1] - t[0]) / (len(t) - 1))
    drives: dict[str, tuple[float, float]] = {}
    for n in missing:
        drive = given[n]
        if drive is None:
            raise QuantityError(
                f"{capture.name}: {n} is not in the capture; give that "
                "channel, or the peak and frequency of its drive."
            )
        as_quantity(f"peak of {n}", drive[0], "V", low=0.0, low_open=True)
        as_quantity(f"frequency of {n}", drive[1], "Hz", low=0.0, high=0.5 / step, low_open=True)
        drives[n] = drive
    pole = path_of(circuit).load_pole if capture.uniform else math.inf

    def memory(wave: Floats) -> Floats:
        return loaded(wave, step, pole, periodic=False)

    waves = {n: 2.0 * math.pi * drives[n][1] * t for n in missing}
    if len(missing) == 1:
        (n,) = missing
        other = capture.channels()["v_lower" if n == "v_upper" else "v_upper"]
        c, s = _quadrature(
            capture.name, y, (other * np.cos(waves[n]), other * np.sin(waves[n])), memory, (other,)
        )
        phases = {n: math.atan2(c, s)}
    else:
        apart, both = waves["v_upper"] - waves["v_lower"], waves["v_upper"] + waves["v_lower"]
        c, s, d, e = _quadrature(
            capture.name, y, (np.cos(apart), -np.sin(apart), -np.cos(both), np.sin(both)), memory
        )
        less, more = math.atan2(s, c), math.atan2(e, d)
        phases = {"v_upper": 0.5 * (more + less), "v_lower": 0.5 * (more - less)}
    filled: dict[str, Any] = {n: drives[n][0] * np.sin(waves[n] + phases[n]) for n in missing}
    notes = [
        f"{n} was not captured: a sine of {format_quantity(drives[n][0], 'V')} peak at "
        f"{format_quantity(drives[n][1], 'Hz', 5)} was assumed, its phase found from the "
        "output."
        for n in missing
    ]
    if len(missing) == 2:
        notes.append(
            "With neither input captured, inverting both changes nothing, so the "
            "signs of both feedthroughs are not known."
        )
    return replace(capture, **filled, notes=(*capture.notes, *notes))


def _quadrature(
    name: str,
    v_out: Floats,
    columns: Sequence[Floats],
    memory: Callable[[Floats], Floats],
    extra: Sequence[Floats] = (),
) -> tuple[float, ...]:
    """Least-squares shares of `columns` in the output, which must stand out of what is left."""
    a = np.column_stack([*(memory(c) for c in (*columns, *extra)), np.ones(len(v_out))])
    use = np.isfinite(a).all(axis=1)
    a, y = a[use], np.asarray(v_out)[use]
    size = np.sqrt(np.mean(a**2, axis=0))
    if len(y) < 64 or not size.min() > 0.0 or np.linalg.cond(a / size) > 1e4:
        raise QuantityError(
            f"{name}: the phase of the input that was not captured cannot be told; capture that "
            "input, or drive with different frequencies over several cycles."
        )
    found = least_squares(a / size, y).x
    shares = found[: len(columns)]
    if np.sum(shares**2) < 0.05 * np.var(y):
        raise QuantityError(
            f"{name}: almost none of the output follows a drive of that frequency; check "
            "the frequency of the input that was not captured."
        )
    return tuple(shares / size[: len(columns)])
