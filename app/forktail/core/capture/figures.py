"""Figures of a capture beside their bands: the product, what comes through, levels, noise."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built.circuit import Circuit
from forktail.core.capture import scope
from forktail.core.capture.align import Record
from forktail.core.capture.boards import Prediction
from forktail.core.capture.fit import least_squares
from forktail.core.capture.trial import Outcome, Trial
from forktail.core.checks import Floats
from forktail.core.path import loaded, path_of
from forktail.core.thermal import thermal_voltage


@dataclass(frozen=True)
class Figure:
    """One figure: `measured`, `predicted`, and the standard deviation of healthy boards and of
    scopes about the prediction, `doubt`; all in `unit`. `key` names it in files."""

    key: str
    name: str
    measured: float
    predicted: float
    doubt: float
    unit: str

    @property
    def low(self) -> float:
        """Lower end of the band that holds 95 % of healthy boards."""
        return self.predicted - 2.0 * self.doubt

    @property
    def high(self) -> float:
        """Upper end of the band."""
        return self.predicted + 2.0 * self.doubt

    @property
    def inside(self) -> bool:
        """Whether the board lies in the band."""
        return self.low <= self.measured <= self.high


def figures_of(
    trial: Trial, outcome: Outcome, prediction: Prediction, names: Sequence[str]
) -> tuple[Figure, ...]:
    """Figures of one record.

    Parameters
    ----------
    trial : trial.Trial
    outcome : trial.Outcome
        Any fit: of it the offsets of AC-coupled channels are used.
    prediction : boards.Prediction
        Of the healthy board, with the slopes of `names`.
    names : sequence of str

    Returns
    -------
    tuple of Figure
    """
    record = trial.record
    out = []
    both = {"left", "right"} <= set(trial.outputs)
    if both or "out" in trial.outputs:
        out += _terms(trial, prediction, names, both)
    for name in trial.outputs:
        if name == "out" or name in trial.setup.coupled:
            continue
        good = np.isfinite(record.sigma[name])
        if not good.any():
            continue
        measured = float(record.outputs[name][good].mean())
        level = float(np.nanmean(prediction.values[name]))
        spread = _spread(trial, prediction, names, name)
        spread = math.hypot(spread, scope.GAIN * level, scope.offset_of(record, name, level))
        out.append(
            Figure(f"level_{name}", f"{name.capitalize()} collector, mean", measured, level,
                   spread, "V")
        )  # fmt: skip
    return tuple(out)


def _terms(trial: Trial, prediction: Prediction, names: Sequence[str], both: bool) -> list[Figure]:
    """Share of the output that goes with the product, with each input alone, with neither."""
    record, m = trial.record, len(trial.record.time)
    if both:
        measured = record.outputs["right"] - record.outputs["left"]
        good = np.isfinite(record.sigma["left"]) & np.isfinite(record.sigma["right"])
    else:
        measured, good = record.outputs["out"], np.isfinite(record.sigma["out"])
    out = prediction.values["right"] - prediction.values["left"]
    u, low = record.inputs["upper"], record.inputs["lower"]
    pole = path_of(trial.circuit).load_pole
    shapes = []
    if len(record.driven) == 2:
        shapes.append(("product", "Product over both inputs", u * low, "1/V"))
    for side, wave in (("upper", u), ("lower", low)):
        if side in record.driven:
            name = f"{side.capitalize()} input in the output, slope"
            shapes.append((f"feed_{side}", name, wave, ""))
    rows = np.column_stack(
        [*(loaded(w, record.step, pole, record.periodic) for _, _, w, _ in shapes), np.ones(m)]
    )
    good = good & np.isfinite(rows).all(axis=1) & np.isfinite(out)
    if good.sum() < 2 * rows.shape[1]:
        if m > 1 or not good.any():
            return []
    rows = rows[good]
    coupled = any(n in trial.setup.coupled for n in trial.outputs)

    def project(wave: ArrayLike) -> Floats:
        return least_squares(rows, np.broadcast_to(wave, m)[good]).x

    got, wanted = project(measured), project(out)
    sigma = {n: project(_difference(c, m)) for n, c in prediction.columns.items()}
    found = []
    for k, (key, name, _, unit) in enumerate([*shapes, ("offset", "Output, mean", None, "V")]):
        if key == "offset" and coupled:
            continue
        spread = math.sqrt(
            sum((x[k] * _size(trial, n)) ** 2 for n, x in sigma.items() if _size(trial, n))
        )
        if key == "offset":
            spread = math.hypot(spread, *(scope.offset_of(record, n, 0.0) for n in trial.outputs))
            levels = [float(np.nanmean(prediction.values[n])) for n in ("left", "right")]
            if both:
                spread = math.hypot(spread, *(scope.GAIN * v for v in levels))
        else:
            spread = math.hypot(spread, scope.GAIN * wanted[k])
        found.append(Figure(key, name, float(got[k]), float(wanted[k]), spread, unit))
    return found


def _difference(columns: Mapping[str, Any], m: int) -> Floats:
    return np.broadcast_to(np.subtract(columns.get("right", 0.0), columns.get("left", 0.0)), (m,))


def _size(trial: Trial, name: str) -> float:
    """Standard deviation of a quantity of the board or of the scope."""
    if name.startswith("input_gain_"):
        return scope.GAIN
    if name.startswith("skew_"):
        return scope.SKEW
    return trial.spread.of(trial.circuit, name)


def _spread(trial: Trial, prediction: Prediction, names: Sequence[str], output: str) -> float:
    """Standard deviation of the mean of an output over healthy boards, V."""
    slopes = {n: c.get(output, 0.0) for n, c in prediction.columns.items() if n in names}
    return math.hypot(
        *(float(np.nanmean(s)) * trial.spread.of(trial.circuit, n) for n, s in slopes.items())
    )


def slope_caution(circuit: Circuit, record: Record) -> str:
    """The sentence on slopes at large drives; empty where the drives are small."""
    v_t = float(thermal_voltage(circuit.temperature))
    large = [side for side in record.driven if np.max(np.abs(record.inputs[side])) > 0.5 * v_t]
    if not large:
        return ""
    which = "both drives are" if len(large) == 2 else f"the {large[0]} drive is"
    return (
        f"The slope is that of a straight line fitted to this capture. Feedthrough is a "
        f"small-signal slope; here {which} beyond half of kT/q, so the two differ."
    )
