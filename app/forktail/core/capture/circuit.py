"""A capture against a built circuit: prediction from where it was probed, an invented example."""

import math
from dataclasses import replace

import numpy as np

from forktail.core.built import network
from forktail.core.built.circuit import Circuit
from forktail.core.capture.compare import MOST_SAMPLES, compare
from forktail.core.checks import QuantityError, as_quantity
from forktail.core.models import BuiltCell
from forktail.core.path import PLACES, SETTLE, coupled, loaded, path_of, run_path
from forktail.core.quantities import format_quantity
from forktail.core.thermal import thermal_voltage

#: Most samples of a capture that a built circuit is solved for.
BUILT_SAMPLES = 2**14
#: A load pole this many times above the fastest step of a capture is left out.
_FAST = 100.0
#: Largest part of a record that may be left out while a coupling corner settles.
_MOST_SETTLING = 0.25


def memory_of(circuit, sample_interval):
    """Function that lets a record on equal steps pass the load pole; None if it is too fast."""
    pole = path_of(circuit).load_pole
    if not (math.isfinite(sample_interval) and _slow(pole, sample_interval)):
        return None
    return lambda record: loaded(record, sample_interval, pole, periodic=False)


def _slow(pole, sample_interval):
    """Whether a load pole, Hz, is slow enough to be seen beside the steps of a capture, s."""
    return 1.0 / (2.0 * math.pi * pole) > sample_interval / _FAST


def predictor(circuit, sample_interval, probed="base lines"):
    """Function that predicts the output of a built circuit for records on equal steps.

    The records go through `path.run_path`: from the base lines there is the load pole of the
    circuit behind the cell, from the generator also the source resistance and the coupling
    corners before it.

    Parameters
    ----------
    circuit : Circuit
    sample_interval : float
        s between samples; NaN leaves out what has memory.
    probed : str
        Where the inputs were probed, one of `path.PLACES`.

    Returns
    -------
    callable
        `solve(v_upper, v_lower)` -> OperatingPoint of shape (n,). The first samples, while the
        corners settle, have `converged` False and NaN in `v_out`.
    """
    way, cell = path_of(circuit), BuiltCell(circuit)
    if not (math.isfinite(sample_interval) and _slow(way.load_pole, sample_interval)):
        way = replace(way, load_pole=math.inf)

    def solve(v_upper, v_lower):
        v_upper, v_lower = np.broadcast_arrays(v_upper, v_lower)
        record = v_upper.ndim == 1 and v_upper.size >= 16
        step = sample_interval if record else math.nan
        known = np.isfinite(v_upper) & np.isfinite(v_lower)
        upper, lower = (np.where(known, v, 0.0) for v in (v_upper, v_lower))
        there = way
        if math.isfinite(step) and probed == "generator":
            upper, there = _charged(upper, step, there, "upper")
            lower, there = _charged(lower, step, there, "lower")
        went = run_path(cell, upper, lower, step, probed, there, periodic=False)
        good = known & went.settled
        return replace(went.loads, v_out=np.where(good, went.loads.v_out, np.nan), converged=good)

    return solve


def _charged(wave, step, way, side):
    """A wave behind its coupling capacitor and the path that is left, for a short record.

    In a record too short for the corner to settle in, what the capacitor holds is as small as
    the wave is fast beside the corner, so the record is taken as one that repeats. Its mean goes
    on as it is: the fits look for offsets of the pairs by moving it.
    """
    corner = way.feed(side).corner
    if corner == 0.0 or SETTLE / (2.0 * math.pi * corner) < _MOST_SETTLING * wave.size * step:
        return wave, way
    mean = wave.mean()
    wave = mean + coupled(wave - mean, step, corner)
    return wave, replace(way, **{side: replace(way.feed(side), corner=0.0)})


def compare_capture(capture, circuit, drive=None, most=BUILT_SAMPLES, probed=None):
    """`capture.compare` with the prediction of a built circuit.

    Parameters
    ----------
    capture : Capture
    circuit : Circuit
    drive : callable, optional
        As `capture.compare`.
    most : int
        Most samples compared, 1024 to `capture.MOST_SAMPLES`.
    probed : str, optional
        Where the inputs were probed, one of `path.PLACES`. Left out, both are tried and the one
        that leaves less is taken; where they leave about the same, the base lines.

    Returns
    -------
    Comparison
        A warning says which place was taken if none was named, and when the other one would fit
        much better than the one that was named.

    Raises
    ------
    QuantityError
        As `capture.compare`, for a circuit without a solution at rest, or for a capture shorter
        than the load pole needs to settle.
    """
    if probed is not None and probed not in PLACES:
        raise QuantityError(f"probed is {probed!r}; allowed are {' and '.join(PLACES)}.")
    most = int(as_quantity("most", most, "", low=1024, high=MOST_SAMPLES))
    if not bool(network.solve_bias(circuit).converged):
        raise QuantityError(
            "No solution balances every current of this circuit at rest, so there "
            "is no prediction to compare with."
        )
    step = float(np.median(np.diff(capture.time)))
    pole = network.corners(circuit)["load_pole"]
    span = float(capture.time[-1] - capture.time[0])
    if math.isfinite(pole) and pole > 0 and span < 2.0 * SETTLE / (2.0 * math.pi * pole):
        raise QuantityError(
            f"{capture.name}: the capture is {1e3 * span:.3g} ms long, and the load pole of the "
            f"circuit at {pole:.3g} Hz needs {1e3 * SETTLE / (2 * math.pi * pole):.3g} ms to "
            "settle; wanted is a capture at least twice as long."
        )
    step = step if capture.uniform else math.nan

    def at(place):
        solve = predictor(circuit, step, place)
        return compare(capture, solve, drive, most, shape=True, memory=memory_of(circuit, step))

    both = {}
    for place in PLACES:
        try:
            both[place] = at(place)
        except QuantityError:  # the place that was not asked for need not have an answer
            if probed in (None, place):
                raise
    left = {place: found.residual_rms for place, found in both.items()}
    better = probed
    if probed is None:
        clearly = left["base lines"] > _CLEARLY * left["generator"]
        better = "generator" if clearly else "base lines"
    found = both[better]
    warnings = [_settling(w, pole) for w in found.warnings]
    if probed is None:
        warnings.append(f"{_PROBED[better]} {_told_from(left, better)}")
    else:
        other = next(place for place in PLACES if place != probed)
        if left.get(other, math.inf) < left[probed] / _MUCH:
            warnings.append(
                f"The capture fits an input probed at the {other} much better "
                f"({_percent_of(left[other], found)} of the output is left, against "
                f"{_percent_of(left[probed], found)}): check where the probes were."
            )
    return replace(found, warnings=tuple(warnings))


#: What is said of each place when it was told from the capture.
_PROBED = {
    "base lines": "The inputs are taken as probed at the base lines.",
    "generator": "The inputs are taken as probed at the generator, before the source resistance "
    "and the coupling capacitor.",
}
#: How many times more the base lines may leave than the generator and still be taken.
_CLEARLY = 1.3
#: How many times less another place must leave to be named beside the one that was asked for.
_MUCH = 2.0


def _told_from(left, better):
    other = next(place for place in PLACES if place != better)
    if left[other] <= _CLEARLY * left[better]:
        return f"This capture cannot tell them from the {other}."
    return f"That leaves {left[other] / left[better]:.1f} times less than the {other} would."


def _percent_of(volts, found):
    return f"{100.0 * volts / found.output_rms:.1f} %"


def _settling(warning, pole):
    """The samples without an answer are those in which the load pole settles: say so."""
    if not warning.startswith("The model has no answer for ") or not math.isfinite(pole):
        return warning
    lost = warning.removeprefix("The model has no answer for ").split(" samples")[0]
    return (
        f"There is no prediction for {lost} samples, most of them at the beginning, where the "
        f"load pole at {format_quantity(pole, 'Hz')} settles; they were left out."
    )


def fill_inputs(capture, circuit, v_upper=None, v_lower=None):
    """Put sines in the place of inputs that were not captured, their phases found from the output.

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
    for n in missing:
        if given[n] is None:
            raise QuantityError(
                f"{capture.name}: {n} is not in the capture; wanted is that "
                "channel, or the peak and frequency of its drive."
            )
        as_quantity(f"peak of {n}", given[n][0], "V", low=0.0, low_open=True)
        as_quantity(f"frequency of {n}", given[n][1], "Hz", low=0.0, high=0.5 / step, low_open=True)
    memory = memory_of(circuit, step if capture.uniform else math.nan) or (lambda v: v)
    waves = {n: 2.0 * math.pi * given[n][1] * t for n in missing}
    if len(missing) == 1:
        (n,) = missing
        other = capture.v_lower if n == "v_upper" else capture.v_upper
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
    filled = {n: given[n][0] * np.sin(waves[n] + phases[n]) for n in missing}
    notes = [
        f"{n} was not captured: a sine of {format_quantity(given[n][0], 'V')} peak at "
        f"{format_quantity(given[n][1], 'Hz', 5)} was taken, its phase found from the "
        "output."
        for n in missing
    ]
    if len(missing) == 2:
        notes.append(
            "With neither input captured, turning both over changes nothing, so the "
            "signs of both feedthroughs are not known."
        )
    return replace(capture, **filled, notes=(*capture.notes, *notes))


def _quadrature(name, v_out, columns, memory, extra=()):
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
    found = np.linalg.lstsq(a / size, y, rcond=None)[0]
    shares = found[: len(columns)]
    if np.sum(shares**2) < 0.05 * np.var(y):
        raise QuantityError(
            f"{name}: hardly anything of the output goes with a drive of that frequency; check "
            "the frequency of the input that was not captured."
        )
    return tuple(shares / size[: len(columns)])


#: What the shipped invented capture of the mixer board was made with.
INVENTED_BOARD = {
    "load_left": 0.93,
    "load_right": 0.93,
    "offset_upper": 0.8e-3,
    "offset_lower": 1.5e-3,
    "offset_output": 6e-3,
    "noise": 0.6e-3,
    "peak_upper": 40e-3,
    "peak_lower": 25e-3,
}


def board_of(circuit, changes=None):
    """The circuit as the invented board has it: loads off their value, transistors unequal.

    Parameters
    ----------
    circuit : Circuit
    changes : dict, optional
        In the place of values of `INVENTED_BOARD`.

    Returns
    -------
    Circuit
    """
    p = {**INVENTED_BOARD, **(changes or {})}
    v_t = float(thermal_voltage(circuit.temperature))
    up, low = math.exp(p["offset_upper"] / v_t), math.exp(p["offset_lower"] / v_t)
    a = circuit.area
    return replace(
        circuit,
        r_load_left=circuit.r_load_left * p["load_left"],
        r_load_right=circuit.r_load_right * p["load_right"],
        area=(a[0] * up, a[1], a[2], a[3] * up, a[4] * low, a[5], a[6]),
    )


def invented_board_capture(circuit=None, rows=3000, seed=20, **changes):
    """Text of an invented capture of the mixer board; nothing in it was measured.

    A 50 kHz oscillator on the upper input, a call falling from 60 to 42 kHz on the lower one,
    over 1.5 ms; both collectors after the load pole, with noise.

    Parameters
    ----------
    circuit : Circuit, optional
        What the board was built after.
    rows, seed : int
    **changes : float
        In the place of values of `INVENTED_BOARD`.

    Returns
    -------
    str
        Time in us, both inputs in mV, both collectors in V.
    """
    unknown = set(changes) - set(INVENTED_BOARD)
    if unknown:
        raise QuantityError(
            f"{sorted(unknown)[0]} is not known; allowed is {', '.join(INVENTED_BOARD)}."
        )
    circuit = circuit or Circuit()
    p = {**INVENTED_BOARD, **changes}
    length, lead = 1.5e-3, 0.2e-3
    step = length / rows
    extra = math.ceil(lead / step)  # nothing but the oscillator, before the call
    time = np.arange(-extra, rows) * step
    inside = np.clip(time, 0.0, length)
    upper = p["peak_upper"] * np.sin(2 * math.pi * 50e3 * time)
    phase = 2 * math.pi * (60e3 * inside - 0.5 * (18e3 / length) * inside**2)
    lower = p["peak_lower"] * np.sin(math.pi * inside / length) ** 2 * np.sin(phase)
    board = board_of(circuit, changes)
    went = run_path(BuiltCell(board), upper, lower, step)
    left, right = went.loads.v_left[extra:], went.loads.v_right[extra:]
    noise = np.random.default_rng(seed).normal(size=(2, rows)) * p["noise"] / math.sqrt(2.0)
    keep = slice(extra, None)
    columns = (
        time[keep] * 1e6,
        upper[keep] * 1e3,
        lower[keep] * 1e3,
        left - 0.5 * p["offset_output"] + noise[0],
        right + 0.5 * p["offset_output"] + noise[1],
    )
    lines = [
        ",".join(cells)
        for cells in zip(
            *([f"{x:.{digits}f}" for x in c] for c, digits in zip(columns, (2, 3, 3, 4, 4)))
        )
    ]
    heading = [
        "# Invented data: no circuit was measured. Made by "
        "forktail.core.capture.circuit.invented_board_capture.",
        "# Bat-call mixer board: 50 kHz oscillator on the upper input, 40 mV peak;",
        "# a call falling from 60 to 42 kHz on the lower input, 25 mV peak; at the generators.",
        "time,upper,lower,left,right",
        "us,mV,mV,V,V",
    ]
    return "\n".join(heading + lines) + "\n"
