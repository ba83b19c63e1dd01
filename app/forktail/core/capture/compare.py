"""Compare a scope capture with a prediction: align, fit, say what is off and why.

Reading is in `read`, the fits in `fit`, the ranking of causes in
`causes`; their public names are here as well. Which model predicts is the caller's
choice: `compare` takes any callable that answers like `cell.solve_cell`.
"""

import math
from dataclasses import dataclass, fields, is_dataclass, replace

import numpy as np

from forktail.core.capture.causes import Cause, Situation, explain
from forktail.core.capture.fit import (
    Delay,
    ProductFit,
    Rails,
    TanhFit,
    Term,
    find_delay,
    find_rails,
    fit_product,
    fit_tanh,
    noise_of,
    step_of,
)
from forktail.core.capture.read import (
    MAX_BYTES,
    MAX_COLUMNS,
    MAX_ROWS,
    MIN_ROWS,
    ROLES,
    Capture,
    CaptureTable,
    map_columns,
    read_capture,
    read_table,
)
from forktail.core.capture.shape import ShapeFit, fit_shape, offset_curves
from forktail.core.cell.law import CellSettings, solve_cell
from forktail.core.checks import QuantityError, as_quantity
from forktail.core.path import delayed
from forktail.core.quantities import format_quantity

__all__ = [
    "MAX_BYTES",
    "MAX_COLUMNS",
    "MAX_ROWS",
    "MIN_ROWS",
    "ROLES",
    "Capture",
    "CaptureTable",
    "Cause",
    "Comparison",
    "Delay",
    "ProductFit",
    "Rails",
    "ShapeFit",
    "TanhFit",
    "Term",
    "as_plain",
    "compare",
    "explain",
    "find_delay",
    "find_rails",
    "fit_product",
    "fit_tanh",
    "invented_capture",
    "map_columns",
    "noise_of",
    "read_capture",
    "read_table",
    "step_of",
]

#: Most samples that are compared; of a longer capture the middle is taken.
MOST_SAMPLES = 2**18
_CHANNELS = ("v_out", "v_upper", "v_lower", "v_left", "v_right")


@dataclass(frozen=True)
class Comparison:
    """A capture against its prediction. SI units; arrays of shape (n,).

    Attributes
    ----------
    time, measured, predicted, fitted, residual : numpy.ndarray
        s and V; `predicted` is aligned, `residual` = measured - predicted, NaN where no
        prediction reaches. `fitted` is the better of the two fits.
    v_upper, v_lower : numpy.ndarray
        V, aligned inputs that the prediction and the fits used.
    used : numpy.ndarray of bool
        Samples that went into the fits (not clipped, predicted).
    delay : Delay or None
        Output behind inputs, or capture behind drive (`delay_of` says which).
    product, product_predicted : ProductFit
    tanh, tanh_predicted : TanhFit or None
    scale_error : Term
        Measured over predicted product gain, less 1.
    feed_upper, feed_lower, offset : Term
        Measured less predicted: v_upper coming through (V/V), v_lower coming through (V/V), V.
    offset_upper, offset_lower : Term
        The same as offsets at the inputs, V: that of the upper pairs lets v_lower through, that
        of the lower pair lets v_upper through. From the best fit that knows them.
    shape : ShapeFit or None
        Fit of the prediction itself, where it was asked for. Where it leaves less than the two
        forms it gives scale error, offsets and `fitted`.
    suppression_upper, suppression_lower : float
        dB, rms of the product over rms of that feedthrough (measured, whole).
    noise_rms, captured_rms, residual_rms, fit_rms, output_rms : float
        V: noise without memory; measured less predicted over all samples before alignment; the
        same over the `used` samples after it; measured less fit; the output itself.
    causes : tuple of Cause
    unexplained : float
        Share of the mismatch without a cause.
    warnings : tuple of str
    summary : str
    """

    name: str
    time: np.ndarray
    measured: np.ndarray
    predicted: np.ndarray
    fitted: np.ndarray
    residual: np.ndarray
    v_upper: np.ndarray
    v_lower: np.ndarray
    used: np.ndarray
    sample_interval: float
    delay: Delay
    delay_of: str
    product: ProductFit
    product_predicted: ProductFit
    tanh: TanhFit
    tanh_predicted: TanhFit
    scale_error: Term
    feed_upper: Term
    feed_lower: Term
    offset: Term
    offset_upper: Term
    offset_lower: Term
    suppression_upper: float
    suppression_lower: float
    noise_rms: float
    captured_rms: float
    residual_rms: float
    fit_rms: float
    output_rms: float
    causes: tuple
    unexplained: float
    warnings: tuple
    summary: str
    shape: ShapeFit = None


def as_plain(answer, arrays=False):
    """Turn a dataclass of this module into dicts, lists and numbers, ready for JSON.

    Parameters
    ----------
    answer : dataclass, dict, sequence, array or number
    arrays : bool
        Whether arrays are written out; left out otherwise.

    Returns
    -------
    dict, list, float, int, str, bool or None
        NaN and infinities become None.
    """
    if is_dataclass(answer):
        answer = {f.name: getattr(answer, f.name) for f in fields(answer)}
    if isinstance(answer, dict):
        return {
            k: as_plain(v, arrays)
            for k, v in answer.items()
            if arrays or not (isinstance(v, np.ndarray) and v.ndim)
        }
    if isinstance(answer, np.ndarray | np.generic):
        return as_plain(answer.tolist(), arrays)
    if isinstance(answer, list | tuple):
        return [as_plain(v, arrays) for v in answer]
    if isinstance(answer, float) and not math.isfinite(answer):
        return None
    return answer


def _shortened(capture, most):
    """Not more than `most` samples, from the middle; returns (capture, notes)."""
    if len(capture.time) <= most:
        return capture, []
    start = (len(capture.time) - most) // 2
    cut = slice(start, start + most)
    channels = {k: getattr(capture, k)[cut] for k in _CHANNELS if getattr(capture, k) is not None}
    note = f"Of {len(capture.time)} samples the {most} in the middle were compared."
    return replace(capture, time=capture.time[cut], **channels), [note]


def _even(capture, *waves):
    """The waves on equal steps, as delay and lag need them."""
    if capture.uniform:
        return waves
    even = np.linspace(capture.time[0], capture.time[-1], len(capture.time))
    return tuple(np.interp(even, capture.time, w) for w in waves)


def _shift(capture, delay, waves):
    """The waves later by `delay`; NaN where they do not reach."""
    if capture.uniform:
        return tuple(delayed(w, delay.samples) for w in waves)
    return tuple(
        np.interp(capture.time - delay.seconds, capture.time, w, np.nan, np.nan) for w in waves
    )


def _from_drive(capture, solve, drive, dt):
    """Inputs that were not captured, taken from the drive; returns (u, l, delay)."""
    missing = [n for n in ("v_upper", "v_lower") if getattr(capture, n) is None]
    if drive is None:
        raise QuantityError(
            f"{capture.name}: {' and '.join(missing)} "
            f"{'is' if len(missing) == 1 else 'are'} not in the capture; wanted is that channel, "
            "or the drive to predict it from."
        )
    span = capture.time[-1] - capture.time[0]

    def at(time):
        pair = drive(time)
        return [
            np.broadcast_to(as_quantity(n, w, "V"), time.shape)
            for n, w in zip(("v_upper", "v_lower"), pair)
        ]

    wave = at(capture.time)
    if len(missing) == 1:
        k = 0 if missing[0] == "v_lower" else 1
        known = capture.v_upper if k == 0 else capture.v_lower
        reference = wave[k]
    else:
        reference, known = _predict(solve, *wave)[0], capture.v_out
    delay = find_delay(*_even(capture, reference, known), dt, largest=span / 2)
    wave = at(capture.time - delay.seconds)
    upper = wave[0] if capture.v_upper is None else capture.v_upper
    lower = wave[1] if capture.v_lower is None else capture.v_lower
    return upper, lower, delay


def _predict(solve, v_upper, v_lower):
    """Predicted output with NaN where the model has no answer, and the point."""
    point = solve(v_upper, v_lower)
    v_out = np.where(np.broadcast_to(point.converged, np.shape(point.v_out)), point.v_out, np.nan)
    return np.array(np.broadcast_to(v_out, np.shape(v_upper)), dtype=float), point


def _swapped_inputs(capture, drive, dt):
    """Both inputs captured and a drive given: are the two exchanged?"""
    if drive is None or capture.v_upper is None or capture.v_lower is None:
        return None
    wave = [
        np.broadcast_to(np.asarray(w, dtype=float), capture.time.shape) for w in drive(capture.time)
    ]
    if any(np.ptp(w) == 0 for w in (*wave, capture.v_upper, capture.v_lower)):
        return None

    def alike(a, b):
        return abs(find_delay(*_even(capture, a, b), dt).correlation)

    straight = min(alike(wave[0], capture.v_upper), alike(wave[1], capture.v_lower))
    crossed = min(alike(wave[1], capture.v_upper), alike(wave[0], capture.v_lower))
    if not (crossed > 0.8 and crossed > straight + 0.3):
        return None
    return Cause(
        "swapped_inputs",
        "Input channels exchanged",
        float(min(crossed, 1.0)),
        f"The captured inputs follow the drives of each other (correlation {crossed:.2f}, "
        f"straight {straight:.2f}).",
        "Exchange the columns of the upper and the lower input; feedthroughs and offsets "
        "change places.",
        {"crossed": float(crossed), "straight": float(straight)},
    )


def _difference(a, b):
    return Term(a.value - b.value, a.uncertainty, a.unit)


def _suppression(product_rms, feed_rms):
    return 20.0 * math.log10(product_rms / feed_rms) if feed_rms > 0 < product_rms else math.inf


def compare(capture, solve, drive=None, most=MOST_SAMPLES, shape=False, memory=None):
    """Align a capture with its prediction, fit both, and explain the difference.

    Parameters
    ----------
    capture : Capture
    solve : callable
        `solve(v_upper, v_lower)` -> `cell.OperatingPoint`, arrays of shape (n,) in V.
    drive : callable, optional
        `drive(time)` -> (v_upper, v_lower) in V, for inputs that were not captured; its time
        zero may be anywhere within half the capture.
    most : int
        Most samples compared, at least 1024 (a slow model may ask for fewer).
    shape : bool
        Whether to fit the predicted shape too (`capture_shape`), for a model that the two forms
        do not describe: it is solved some twenty times more, over few samples.
    memory : callable, optional
        What the circuit does to a record after the product, such as its load pole (see
        `fit.fit_product`); `solve` has it in already. For equal steps only.

    Returns
    -------
    Comparison

    Raises
    ------
    QuantityError
        For an input neither captured nor driven, too few samples, or inputs that do not tell
        the terms apart.

    Notes
    -----
    Uncertainties are standard uncertainties of the fit (see `fit`): they hold noise,
    not the scope's own gain and offset errors, nor the probes'.
    """
    most = int(as_quantity("most", most, "", low=1024))
    capture, warnings = _shortened(capture, most)
    warnings = list(capture.notes) + warnings
    dt = float((capture.time[-1] - capture.time[0]) / (len(capture.time) - 1))
    measured = np.asarray(as_quantity("v_out", capture.v_out, "V"))
    delay, delay_of = None, ""
    driven = capture.v_upper is None or capture.v_lower is None
    if driven:
        v_upper, v_lower, delay = _from_drive(capture, solve, drive, dt)
        delay_of = "capture behind drive"
    else:
        v_upper, v_lower = capture.v_upper, capture.v_lower
    predicted, point = _predict(solve, v_upper, v_lower)
    full_scale, v_t = _scales(point, predicted)
    lost = int(np.sum(~np.isfinite(predicted)))
    if lost:
        warnings.append(
            f"The model has no answer for {lost} of {len(predicted)} samples; they were left out."
        )
    rails = {
        n: find_rails(getattr(capture, n)) for n in _CHANNELS if getattr(capture, n) is not None
    }
    unaligned = (predicted, v_upper, v_lower)
    formed = _shape_or_none(capture, solve, *unaligned, measured, rails, v_t) if shape else None
    if not driven and not lost == len(predicted):
        # a delay is seen best against a prediction that is right otherwise
        reference = predicted if formed is None else formed.fitted
        delay = _output_delay(*_even(capture, reference, measured), dt)
        delay_of = "output behind inputs"
        if _counts(delay):
            predicted, v_upper, v_lower = _shift(capture, delay, unaligned)
            if shape:
                formed = _shape_or_none(
                    capture, solve, predicted, v_upper, v_lower, measured, rails, v_t
                )
    used = np.isfinite(predicted) & np.isfinite(v_upper) & np.isfinite(v_lower)
    at_rail = np.zeros(len(measured), dtype=bool)
    for r in rails.values():
        at_rail |= r.at_low | r.at_high
    if (used & ~at_rail).sum() >= 64:
        used &= ~at_rail
    memory = memory if capture.uniform else None
    # a memory needs whole records; gaps at their ends are not used anyway
    whole = tuple(np.where(np.isfinite(w), w, 0.0) for w in (v_upper, v_lower, measured, predicted))
    cut = [w[used] for w in whole] if memory is None else whole
    options = {} if memory is None else {"memory": memory, "use": used}
    fit = fit_product(*cut[:3], **options)
    expected = fit_product(*cut[:2], cut[3], **options)
    tanh = _tanh_or_none(*cut[:3], full_scale, v_t, warnings, **options)
    tanh_expected = _tanh_or_none(*cut[:2], cut[3], full_scale, v_t, [], **options)
    best = tanh if tanh and tanh.residual_rms < 0.98 * fit.residual_rms else fit
    noise = min(fit.noise_rms, best.noise_rms)
    scale = _scale_error(fit, expected, warnings)
    offset_upper, offset_lower = _input_offsets(fit, expected, tanh, tanh_expected)
    offset = _difference(fit.offset, expected.offset)
    fitted, curves = best.value(v_upper, v_lower), {}
    if memory is not None:
        fitted = np.where(np.isfinite(fitted), memory(best.value(*whole[:2])), np.nan)
    if formed and formed.residual_rms < 0.98 * best.residual_rms:
        if memory is not None or formed.residual_rms < 0.5 * best.residual_rms:
            # as the prediction that is searched: before any shift in time
            def predict(a, b):
                return _predict(solve, a, b)[0]

            curves = offset_curves(predict, unaligned[1], unaligned[2], unaligned[0], formed)
        best, fitted, offset = formed, formed.fitted, formed.offset
        offset_upper, offset_lower = formed.offset_upper, formed.offset_lower
        scale = Term(formed.scale.value - 1.0, formed.scale.uncertainty, "")
        noise = min(noise, formed.noise_rms)
    even = _even(capture, measured, *unaligned)
    if not capture.uniform:
        rails = {
            n: replace(
                r,
                at_low=_even(capture, r.at_low)[0] > 0.5,
                at_high=_even(capture, r.at_high)[0] > 0.5,
            )
            for n, r in rails.items()
        }
    situation = Situation(
        measured=even[0],
        predicted=even[1],
        v_upper=even[2],
        v_lower=even[3],
        sample_interval=dt,
        noise_rms=noise,
        gain=fit.gain.value,
        full_scale=full_scale,
        v_t=v_t,
        solve=solve,
        rails=rails,
        single_ended=capture.single_ended,
        drive_aligned=driven,
        collectors=capture.v_left is not None and capture.v_right is not None,
        excluded=_excluded(tanh, tanh_expected, noise),
        offset_upper=offset_upper.value,
        offset_lower=offset_lower.value,
        curves=curves,
        feeds={
            "feed_upper": fit.feed_upper.value - expected.feed_upper.value,
            "feed_lower": fit.feed_lower.value - expected.feed_lower.value,
        },
    )
    causes, unexplained = explain(situation)
    swapped = _swapped_inputs(capture, drive, dt)
    if swapped:
        causes = tuple(sorted((*causes, swapped), key=lambda c: -c.score))
    product_rms = abs(fit.gain.value) * _rms(v_upper[used] * v_lower[used])
    reach = np.isfinite(unaligned[0])
    captured_rms = _mismatch(measured[reach], unaligned[0][reach], capture.single_ended)
    residual_rms = _mismatch(measured[used], predicted[used], capture.single_ended)
    output_rms = float(np.std(measured[used]))
    bent = [c for c in causes if c.score > 0.1 and c.key.startswith(("saturation", "load_pole"))]
    if bent:
        warnings.append(
            f"{bent[0].title}: this also moves the fitted scale and feedthroughs; "
            "mend it first, then read them."
        )
    warnings += _cautions(
        fit, best, capture, measured, used, delay, delay_of, offset_upper, offset_lower
    )
    return Comparison(
        name=capture.name,
        time=capture.time,
        measured=measured,
        predicted=predicted,
        fitted=fitted,
        residual=measured - predicted,
        v_upper=v_upper,
        v_lower=v_lower,
        used=used,
        sample_interval=dt,
        delay=delay,
        delay_of=delay_of,
        product=fit,
        product_predicted=expected,
        tanh=tanh,
        tanh_predicted=tanh_expected,
        scale_error=scale,
        feed_upper=_difference(fit.feed_upper, expected.feed_upper),
        feed_lower=_difference(fit.feed_lower, expected.feed_lower),
        offset=Term(math.nan, math.nan, "V") if capture.single_ended else offset,
        offset_upper=offset_upper,
        offset_lower=offset_lower,
        suppression_upper=_suppression(
            product_rms, abs(fit.feed_upper.value) * _rms(v_upper[used])
        ),
        suppression_lower=_suppression(
            product_rms, abs(fit.feed_lower.value) * _rms(v_lower[used])
        ),
        noise_rms=noise,
        captured_rms=captured_rms,
        residual_rms=residual_rms,
        fit_rms=best.residual_rms,
        output_rms=output_rms,
        causes=causes,
        unexplained=unexplained,
        warnings=tuple(warnings),
        shape=formed,
        summary=_summary(causes, captured_rms, noise, output_rms, unexplained),
    )


def _rms(x):
    return float(np.sqrt(np.mean(np.square(x))))


def _mismatch(measured, predicted, no_mean):
    d = measured - predicted
    return _rms(d - d.mean() if no_mean else d)


def _differs(term, other, least=0.01):
    """Whether two sizes differ by more than four standard uncertainties and `least`."""
    ratio = abs(term.value / other.value)
    return abs(ratio - 1.0) > max(4.0 * term.uncertainty / abs(term.value) * ratio, least)


def _excluded(tanh, expected, noise):
    """Causes that the tanh fits speak against, where they leave nothing but noise."""
    if tanh is None or expected is None or "v_t" in tanh.held + expected.held:
        # scale and thermal voltage cannot be told apart: the scale is named, and its advice
        return frozenset({"temperature"}) if tanh and tanh.held else frozenset()
    if tanh.residual_rms > 1.3 * noise:
        return frozenset()
    out = set()
    if not _differs(tanh.v_t, expected.v_t):
        out.add("temperature")
    if not _differs(tanh.full_scale, expected.full_scale):
        out.add("scale")
    return frozenset(out)


def _input_offsets(fit, expected, tanh, tanh_expected):
    """Offsets at the two inputs, measured less predicted."""
    if tanh and tanh_expected and "offset_upper" not in tanh.held + tanh_expected.held:
        return (
            _difference(tanh.offset_upper, tanh_expected.offset_upper),
            _difference(tanh.offset_lower, tanh_expected.offset_lower),
        )
    k = fit.gain.value
    return tuple(
        Term((a.value - b.value) / k, a.uncertainty / abs(k), "V")
        if k
        else Term(math.nan, math.nan, "V")
        for a, b in ((fit.feed_lower, expected.feed_lower), (fit.feed_upper, expected.feed_upper))
    )


def _scales(point, predicted):
    full_scale = float(np.max(np.asarray(point.i_tail) * np.asarray(point.r_load)))
    if not full_scale > 0:
        full_scale = float(np.nanmax(np.abs(predicted), initial=0.0)) or 1.0
    return full_scale, float(np.mean(point.thermal_voltage))


def _output_delay(predicted, measured, dt):
    """Delay of the output behind its prediction; a quarter of the record at most."""
    reach = np.isfinite(predicted)
    if not reach.any():
        return None
    # ends without a prediction are left off: they would speak for a shift that hides them
    ends = np.flatnonzero(reach)[[0, -1]]
    cut = slice(ends[0], ends[1] + 1)
    filled = np.where(reach, predicted, np.mean(predicted[reach]))[cut]
    try:
        return find_delay(filled, measured[cut], dt)
    except QuantityError:
        return None


def _counts(delay):
    """Whether a delay is more than its uncertainty and worth a shift."""
    return (
        delay is not None
        and math.isfinite(delay.samples)
        and abs(delay.samples) > 0.02
        and abs(delay.seconds) > 4.0 * delay.uncertainty
        and abs(delay.correlation) > 0.5
    )


def _shape_or_none(capture, solve, predicted, v_upper, v_lower, measured, rails, v_t):
    """Fit of the predicted shape; None for uneven steps or where it cannot be made."""
    if not capture.uniform:
        return None
    used = np.isfinite(predicted) & np.isfinite(v_upper) & np.isfinite(v_lower)
    for r in rails.values():
        used &= ~(r.at_low | r.at_high)
    # a shift leaves gaps at the ends, where nothing is used anyway
    u, low = (np.where(np.isfinite(v), v, 0.0) for v in (v_upper, v_lower))
    try:
        formed = fit_shape(
            lambda a, b: _predict(solve, a, b)[0],
            u,
            low,
            measured,
            used,
            v_t,
            not capture.single_ended,
        )
    except QuantityError:
        return None
    return formed if formed.converged and formed.scale.value > 0 else None


def _tanh_or_none(v_upper, v_lower, v_out, full_scale, v_t, warnings, **options):
    try:
        tanh = fit_tanh(v_upper, v_lower, v_out, full_scale, v_t, **options)
    except QuantityError:
        return None
    if not tanh.converged:
        warnings.append("The tanh-limited fit did not settle and is not shown.")
        return None
    return tanh


def _scale_error(fit, expected, warnings):
    k = expected.gain
    if abs(k.value) <= 3.0 * k.uncertainty or k.value == 0.0:
        warnings.append(
            "The prediction holds no product (no tail current, or an input at "
            "zero), so there is no scale to compare."
        )
        return Term(math.nan, math.nan, "")
    return Term(fit.gain.value / k.value - 1.0, fit.gain.uncertainty / abs(k.value), "")


def _cautions(fit, best, capture, measured, used, delay, delay_of, offset_upper, offset_lower):
    out = []
    crossings = int(np.sum(np.diff(np.sign(measured - measured.mean())) != 0))
    if crossings and 2.0 * len(measured) / crossings < 5.0:
        out.append(
            f"The output has only {2.0 * len(measured) / crossings:.1f} samples a cycle; "
            "capture with at least 10, or noise and signal cannot be told apart."
        )
    if used.sum() < 200:
        out.append(
            f"Only {int(used.sum())} samples could be used; a few hundred or more give "
            "uncertainties that can be relied on."
        )
    if abs(fit.correlation) > 0.2 and best is fit:
        out.append(
            f"Neighbouring residuals hang together (correlation {fit.correlation:.2f}): the "
            "fit misses something that is not noise, and its uncertainties were "
            "widened accordingly."
        )
    output = float(np.std(measured[used]))
    if output > 0 and best.residual_rms > 0.9 * output:
        out.append(
            "The output hardly follows the product of the two inputs: check that each "
            "column is mapped to the right channel."
        )
    for name in ("v_upper", "v_lower"):
        wave = getattr(capture, name)
        if wave is not None and noise_of(wave) > 0.1 * float(np.std(wave)):
            out.append(
                f"The record of {name} is noisy (more than a tenth of it), which makes "
                "the fitted gain come out low."
            )
    for name, offset in (("v_upper", offset_upper), ("v_lower", offset_lower)):
        wave = getattr(capture, name)
        step = 0.0 if wave is None else step_of(wave)
        if step > 4.0 * offset.uncertainty:
            out.append(
                f"{name} is recorded in steps of {format_quantity(step, 'V')}: its offset "
                "is not known better than about half a step, whatever the fit says."
            )
    if delay is not None and math.isfinite(delay.repeats_after) and delay_of.endswith("drive"):
        out.append(
            f"A shift by {format_quantity(delay.repeats_after, 's')} would fit nearly as "
            "well, since the wave repeats."
        )
    return out


def _summary(causes, captured_rms, noise, output_rms, unexplained):
    size = (
        f"Measured and predicted differ by {format_quantity(captured_rms, 'V')} rms, "
        f"{100 * captured_rms / output_rms:.1f} % of the output"
        if output_rms
        else f"Measured and predicted differ by {format_quantity(captured_rms, 'V')} rms"
    )
    real = [c for c in causes if c.key != "noise"]
    if captured_rms <= 1.1 * noise and not real:
        return f"{size}: no more than the noise. Nothing to trim."
    if not real:
        return (
            f"{size}, of which noise is {format_quantity(noise, 'V')}; none of the causes "
            "tried explains the rest."
        )
    first = f"{size}. Most likely: {real[0].title.lower()}. {real[0].evidence}"
    if len(real) > 1:
        first += f" Next: {', then '.join(c.title.lower() for c in real[1:3])}."
    if unexplained > 0.25:
        first += f" {100 * unexplained:.0f} % of the mismatch has no cause among those tried."
    return first


#: What the shipped invented capture was made with; tests check that `compare` finds it again.
INVENTED = {
    "i_tail": 1e-3,
    "r_load": 1e3,
    "temperature": 298.15,
    "scale": 0.93,
    "offset_upper": 0.8e-3,
    "offset_lower": 1.5e-3,
    "offset_output": 6e-3,
    "noise": 1.2e-3,
}


def invented_drive(time):
    """Drive of the invented capture: oscillator on v_upper, a falling bat call on v_lower.

    `time` in s from 0 to 1.5 ms; returns two arrays in V: 50 kHz of 40 mV peak, and a call
    that falls from 60 to 42 kHz, 25 mV peak, under a rounded envelope.
    """
    time = np.asarray(time, dtype=float)
    length = 1.5e-3
    phase = 2 * math.pi * (60e3 * time - 0.5 * (18e3 / length) * time**2)
    envelope = np.where((time >= 0) & (time <= length), np.sin(math.pi * time / length) ** 2, 0.0)
    return 40e-3 * np.sin(2 * math.pi * 50e3 * time), 25e-3 * envelope * np.sin(phase)


def invented_capture(rows=3000, seed=20, delimiter=",", decimal=".", **changes):
    """Text of an invented capture of the bat-call mixer; nothing in it was measured.

    Parameters
    ----------
    rows : int
        Samples over 1.5 ms, at least `MIN_ROWS`.
    seed : int
        Of the noise.
    delimiter, decimal : str
    **changes : float
        In the place of values of `INVENTED`.

    Returns
    -------
    str
        Time in us, both inputs in mV, both collectors in V.

    Raises
    ------
    QuantityError
        For too few rows or a name that is not in `INVENTED`.
    """
    rows = int(as_quantity("rows", rows, "", low=MIN_ROWS, high=MAX_ROWS))
    unknown = set(changes) - set(INVENTED)
    if unknown:
        raise QuantityError(f"{sorted(unknown)[0]} is not known; allowed is {', '.join(INVENTED)}.")
    p = {**INVENTED, **changes}
    time = np.arange(rows) * (1.5e-3 / rows)
    v_upper, v_lower = invented_drive(time)
    settings = CellSettings(
        r_load=p["r_load"] * p["scale"],
        temperature=p["temperature"],
        offset_left=p["offset_upper"],
        offset_right=p["offset_upper"],
        offset_lower=p["offset_lower"],
    )
    point = solve_cell(v_upper, v_lower, p["i_tail"], settings)
    noise = np.random.default_rng(seed).normal(size=(2, rows)) * p["noise"] / math.sqrt(2.0)
    v_left = point.v_left - 0.5 * p["offset_output"] + noise[0]
    v_right = point.v_right + 0.5 * p["offset_output"] + noise[1]
    columns = (time * 1e6, v_upper * 1e3, v_lower * 1e3, v_left, v_right)
    lines = [
        delimiter.join(cells).replace(".", decimal)
        for cells in zip(
            *([f"{x:.{digits}f}" for x in c] for c, digits in zip(columns, (2, 3, 3, 4, 4)))
        )
    ]
    heading = [
        "# Invented data: no circuit was measured. Made by forktail.core.capture.invented_capture.",
        "# Bat-call mixer: 50 kHz oscillator on the upper input; falling call on the lower input.",
        delimiter.join(("time", "upper", "lower", "left", "right")),
        delimiter.join(("us", "mV", "mV", "V", "V")),
    ]
    return "\n".join(heading + lines) + "\n"
