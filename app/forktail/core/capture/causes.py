"""Why a capture differs from its prediction: causes ranked by how much of the mismatch each takes.

The mismatch is the mean square of measured less predicted, as captured. Step by step the cause
whose correction takes away the most is picked, the prediction is corrected by it, and the
search goes on until nothing takes away more than a hundredth, or stands out of the noise. A
score is thus a share of the mismatch, not a probability.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np

from forktail.core.capture.fit import find_delay
from forktail.core.checks import QuantityError
from forktail.core.path import delayed, loaded
from forktail.core.quantities import format_quantity, format_temperature
from forktail.core.thermal import BOLTZMANN, ELEMENTARY_CHARGE

#: A step that takes away this share of the whole mismatch is named; a smaller one only if it
#: takes a fifth of what is left and more than the noise.
SMALLEST_SHARE = 0.01
#: Of causes that leave about the same mismatch (within this factor) the simpler is named.
NEARLY = 1.1
#: Most samples that the search looks at, from the middle of the capture.
SEARCHED = 16384
#: Most samples that the model is solved for again, to try probe factors.
SOLVED = 4096
_STEPS = 8


@dataclass(frozen=True)
class Cause:
    """One likely cause.

    `score` 0 to 1 is the share of the mismatch that it takes away; `evidence` says what speaks
    for it, `numbers` holds the same as values (SI), `advice` says what to trim or check.
    """

    key: str
    title: str
    score: float
    evidence: str
    advice: str
    numbers: dict = field(default_factory=dict)


@dataclass(frozen=True)
class Situation:
    """What the search works on: equal steps, shape (n,), V.

    `predicted` is as captured (not aligned) unless `drive_aligned`. `rails` maps a channel to
    its Rails. `gain` is the measured product gain, 1/V. `excluded` holds keys of causes that
    the fits speak against; `offset_upper` and `offset_lower` the input offsets that the tanh
    fits found, V, or NaN. `curves` may hold what those offsets add to the prediction (keys
    offset_upper, offset_lower), with which they are tried in place of a straight feedthrough;
    `feeds` then holds the feedthroughs that the fits found (keys feed_upper, feed_lower).
    `added` is kept by the search: offsets and feedthroughs so far.
    """

    measured: np.ndarray
    predicted: np.ndarray
    v_upper: np.ndarray
    v_lower: np.ndarray
    sample_interval: float
    noise_rms: float
    gain: float
    full_scale: float
    v_t: float
    solve: object = None
    rails: dict = field(default_factory=dict)
    collectors: bool = False
    single_ended: bool = False
    drive_aligned: bool = False
    excluded: frozenset = frozenset()
    offset_upper: float = math.nan
    offset_lower: float = math.nan
    curves: dict = field(default_factory=dict)
    feeds: dict = field(default_factory=dict)
    usable: np.ndarray = None
    added: np.ndarray = 0.0


def _golden(cost, low, high, steps=24):
    """Place of the smallest cost between low and high (one dip is assumed)."""
    ratio = (math.sqrt(5.0) - 1.0) / 2.0
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    cost_a, cost_b = cost(a), cost(b)
    for _ in range(steps):
        if cost_a <= cost_b:
            high, b, cost_b = b, a, cost_a
            a = high - ratio * (high - low)
            cost_a = cost(a)
        else:
            low, a, cost_a = a, b, cost_b
            b = low + ratio * (high - low)
            cost_b = cost(b)
    return 0.5 * (low + high)


def _energy(s, q):
    d = (s.measured - q)[s.usable & np.isfinite(q)]
    return float(d @ d) / len(d) if len(d) >= 16 else math.inf


def _shape_energy(s, q, use):
    """Mean square left when gain and offset of q are free: how well the shape alone fits."""
    x, y = q[use], s.measured[use]
    if len(x) < 16:
        return math.inf
    x, y = x - x.mean(), y - y.mean()
    power = float(x @ x)
    return (float(y @ y) - (float(x @ y) ** 2 / power if power else 0.0)) / len(x)


def _good(s, q):
    return s.usable & np.isfinite(q)


def _try_rails(s, q):
    rails = s.rails.get("v_out")
    if rails is None or not (rails.clipped_low or rails.clipped_high):
        return None
    low = rails.low if rails.clipped_low else -math.inf
    high = rails.high if rails.clipped_high else math.inf
    return np.clip(q, low, high), {"low": low, "high": high, "share_at_rail": rails.share}


def _try_scale(s, q):
    # what was added as offset or feedthrough does not grow with the product
    base, target = q - s.added, s.measured - s.added
    use = _good(s, base)
    inner = use & (np.abs(base) <= 0.5 * np.max(np.abs(base[use])))
    best = None
    # the middle alone decides where the ends bend, all samples where they do not
    for part in ([inner] if inner.sum() >= 0.2 * use.sum() else []) + [use]:
        x, y = base[part] - base[part].mean(), target[part] - target[part].mean()
        power = float(x @ x)
        g = float(x @ y) / power if power else 0.0
        if g > 0 and (
            best is None
            or _energy(s, g * base + s.added) < 0.98 * _energy(s, best * base + s.added)
        ):
            best = g
    return None if best is None else (best * base + s.added, {"scale": best})


def _try_feed(column, name):
    key = "offset_lower" if column == "v_upper" else "offset_upper"

    def tried(s, q):
        x = getattr(s, column)
        use = _good(s, q) & np.isfinite(x)
        if key in s.curves:
            use &= np.isfinite(s.curves[key])
        power = float(x[use] @ x[use])
        if power == 0.0:
            return None
        curve = s.curves.get(key)
        target = (s.measured - q if curve is None else curve)[use]
        b = float(x[use] @ target) / power
        known = s.offset_lower if column == "v_upper" else s.offset_upper
        if not math.isfinite(known):
            known = b / s.gain if s.gain else math.nan
        if curve is not None:
            return q + curve, {name: s.feeds.get(name, b), "input_offset": known}
        return q + b * x, {name: b, "input_offset": known}

    return tried


def _try_offset(s, q):
    if s.single_ended:
        return None
    use = _good(s, q)
    c = float((s.measured - q)[use].mean())
    return q + c, {"offset": c}


def _try_delay(s, q):
    if s.drive_aligned:
        return None
    use = np.isfinite(q)
    try:
        d = find_delay(q[use], s.measured[use], s.sample_interval)
    except QuantityError:
        return None
    if not math.isfinite(d.samples) or abs(d.samples) < 0.02 or d.scale <= 0:
        return None
    return delayed(q, d.samples), {
        "delay": d.seconds,
        "uncertainty": d.uncertainty,
        "samples": d.samples,
        "correlation": d.correlation,
    }


def _lagged(record, step, tau):
    return loaded(record, step, 1.0 / (2.0 * math.pi * tau), periodic=False)


def _try_pole(s, q):
    whole = np.where(np.isfinite(q), q, 0.0)
    skip = np.zeros(len(q), dtype=bool)
    skip[len(q) // 4 : len(q) - 8] = True  # the same samples for every time constant
    use = _good(s, q) & skip

    def cost(log_tau):
        return _shape_energy(s, _lagged(whole, 1.0, 10.0**log_tau), use)

    place = _golden(cost, -2.0, math.log10(len(q) / 25.0))
    tau = 10.0**place * s.sample_interval
    lagged = _lagged(whole, s.sample_interval, tau)
    lagged[~np.isfinite(q)] = np.nan
    return lagged, {"time_constant": tau, "pole": 1.0 / (2.0 * math.pi * tau)}


def _try_limit(low, high):
    def tried(s, q):
        rails = s.rails.get("v_out")
        if rails is not None and (rails.clipped_low or rails.clipped_high):
            return None
        use = _good(s, q)
        x, y = q[use], s.measured[use]
        top = float(np.max(np.abs(x)))

        def limited(v, level):
            return np.clip(v, -level if low else -math.inf, level if high else math.inf)

        def cost(level):
            d = y - limited(x, level)
            return float(d @ d)

        level = _golden(cost, 0.05 * top, top)
        return limited(q, level), {"level": level, "predicted_peak": top}

    return tried


def _try_thermal(s, q):
    def form(v):
        return s.full_scale * np.tanh(s.v_upper / (2 * v)) * np.tanh(s.v_lower / (2 * v))

    sign = -1.0 if s.gain < 0 else 1.0
    base = form(s.v_t)

    def corrected(ratio):
        return q + sign * (form(ratio * s.v_t) - base)

    ratio = _golden(lambda r: _energy(s, corrected(r)), 0.4, 2.5)
    v_t = ratio * s.v_t
    return corrected(ratio), {
        "ratio": ratio,
        "v_t": v_t,
        "temperature": v_t * ELEMENTARY_CHARGE / BOLTZMANN,
    }


#: In order of simplicity: of two that take away nearly the same the earlier one is named.
_TRIALS = (
    ("clipped_channel", _try_rails),
    ("scale", _try_scale),
    ("offset_lower", _try_feed("v_upper", "feed_upper")),
    ("offset_upper", _try_feed("v_lower", "feed_lower")),
    ("offset_output", _try_offset),
    ("delay", _try_delay),
    ("load_pole", _try_pole),
    ("saturation_high", _try_limit(False, True)),
    ("saturation_low", _try_limit(True, False)),
    ("temperature", _try_thermal),
    ("saturation_both", _try_limit(True, True)),
)


def _percent(share):
    return f"{100 * share:.0f} %" if share >= 0.1 else f"{100 * share:.1f} %"


def _v(value, unit="V", digits=3):
    return format_quantity(value, unit, digits)


def _cause_scale(n):
    percent = 100 * (n["scale"] - 1)
    way = "larger" if percent > 0 else "smaller"
    return (
        "Load or tail current off its value",
        f"The product is {abs(percent):.1f} % {way} than predicted, alike at every level up "
        "to half the peak.",
        "Measure both load resistors and the tail current (voltage over the tail resistor); "
        "at small drive a warm or cold circuit looks the same: gain goes with 1/VT\u00b2.",
    )


def _cause_offset_lower(n):
    return (
        "Lower pair off balance",
        f"The upper input comes through alone, by {_v(n['feed_upper'], '')} V/V, as an "
        f"offset of {_v(n['input_offset'])} at the lower input would make it.",
        f"Trim the bias of Q5 against Q6 by {_v(-n['input_offset'])}, until the "
        "upper signal vanishes from the output with the lower input shorted for signal.",
    )


def _cause_offset_upper(n):
    return (
        "Upper pairs off balance",
        f"The lower input comes through alone, by {_v(n['feed_lower'], '')} V/V, as an "
        f"offset of {_v(n['input_offset'])} at the upper input would make it.",
        f"Trim the upper base lines against each other by {_v(-n['input_offset'])}, until "
        "the lower signal vanishes from the output with the upper input shorted for signal.",
    )


def _cause_offset_output(n):
    return (
        "Loads or collectors unequal",
        f"The output stands {_v(n['offset'])} away from the prediction at all times.",
        "Compare the two load resistors; swap the two probes: if the offset changes sign "
        "with them, it is the scope's own.",
    )


def _cause_delay(n):
    later = "later" if n["delay"] > 0 else "earlier"
    return (
        "Output not aligned in time",
        f"The output is {_v(abs(n['delay']), 's')} {later} than the inputs say "
        f"({abs(n['samples']):.2f} samples, uncertainty {_v(n['uncertainty'], 's', 2)}).",
        "Check the channel delay setting of the scope and that all probes are alike; a load "
        "pole also delays, but it weakens high frequencies as well.",
    )


def _cause_load_pole(n):
    return (
        "Load pole or narrow bandwidth",
        f"The output lags and loses its high frequencies as behind one pole at "
        f"{_v(n['pole'], 'Hz')} (time constant {_v(n['time_constant'], 's')}).",
        "Look for capacitance at the collectors (probe, board, cable) and for a bandwidth "
        "limit switched on; a smaller load moves the pole up.",
    )


def _cause_saturation(side):
    where, collector = {
        "high": ("positive peaks", "left"),
        "low": ("negative peaks", "right"),
        "both": ("peaks of both signs", "each"),
    }[side]
    one = "only " if side != "both" else ""

    def text(n):
        return (
            "Transistors saturate" if side != "both" else "Output limited on both sides",
            f"It is {one}the {where} that flatten, at {_v(n['level'])} where "
            f"{_v(n['predicted_peak'])} was predicted; there is no hard rail in the record.",
            f"Look at the lowest voltage of {'the ' if side != 'both' else ''}{collector} "
            "collector against the upper bases: a smaller load, a smaller tail current or a "
            "higher supply gives room.",
        )

    return text


def _cause_temperature(n):
    plausible = 233.0 < n["temperature"] < 423.0
    evidence = (
        f"The bend of the curve fits a thermal voltage of {_v(n['v_t'])}, "
        f"{100 * (n['ratio'] - 1):+.1f} % from the assumed one"
    )
    if plausible:
        return (
            "Junction temperature not as assumed",
            evidence + f": {format_temperature(n['temperature'])}.",
            "Let the circuit settle, measure near the transistors and set that temperature; "
            "careful, parts may be hot.",
        )
    return (
        "Inputs bend too " + ("late" if n["ratio"] > 1 else "early"),
        evidence + ", which is no temperature of a working circuit.",
        "Check the scale of both input channels, and whether emitter resistors or base "
        "resistors are fitted that the prediction does not know.",
    )


def _cause_clipped(n):
    levels = " and ".join(_v(n[k]) for k in ("low", "high") if math.isfinite(n[k]))
    return (
        "Scope channel clipped",
        f"{_percent(n['share_at_rail'])} of the samples stand at exactly {levels}, with "
        "hardly any just short of it.",
        "Choose more volts per division or move the trace, then capture again; the clipped "
        "samples were left out of the fits.",
    )


_TEXTS = {
    "scale": _cause_scale,
    "offset_lower": _cause_offset_lower,
    "offset_upper": _cause_offset_upper,
    "offset_output": _cause_offset_output,
    "delay": _cause_delay,
    "load_pole": _cause_load_pole,
    "saturation_high": _cause_saturation("high"),
    "saturation_low": _cause_saturation("low"),
    "saturation_both": _cause_saturation("both"),
    "temperature": _cause_temperature,
    "clipped_channel": _cause_clipped,
}


def _middle(s):
    """Not more than SEARCHED samples, from the middle."""
    n = len(s.measured)
    start = max(0, (n - SEARCHED) // 2)
    cut = slice(start, start + SEARCHED)
    usable = np.ones(n, dtype=bool) if s.usable is None else s.usable
    usable = usable & np.isfinite(s.measured) & np.isfinite(s.predicted)
    if s.single_ended:
        s = replace(
            s,
            predicted=s.predicted - np.mean(s.predicted[usable]),
            measured=s.measured - np.mean(s.measured[usable]),
        )
    rails = {
        k: replace(r, at_low=r.at_low[cut], at_high=r.at_high[cut]) for k, r in s.rails.items()
    }
    return replace(
        s,
        measured=s.measured[cut],
        predicted=s.predicted[cut],
        v_upper=s.v_upper[cut],
        v_lower=s.v_lower[cut],
        usable=usable[cut],
        rails=rails,
        curves={k: c[cut] for k, c in s.curves.items()},
    )


def _polarity(s, energy):
    """An output upside down: (corrected prediction, Cause) or None."""
    try:
        use = np.isfinite(s.predicted)
        d = find_delay(s.predicted[use], s.measured[use], s.sample_interval)
    except QuantityError:
        return None
    if not (d.scale < 0 and d.correlation < -0.5):
        return None
    q = -s.predicted
    share = max(0.0, _energy(s, s.predicted) - _energy(s, q)) / energy
    evidence = f"The output follows the prediction upside down (correlation {d.correlation:.3f})."
    numbers = {"correlation": d.correlation, "scale": d.scale}
    if s.collectors:
        return q, Cause(
            "swapped_collectors",
            "Collectors swapped",
            share,
            evidence,
            "Exchange the left and the right collector channel, or the two wires of "
            "one of the inputs.",
            numbers,
        )
    return q, Cause(
        "inverted_channel",
        "One channel inverted",
        share,
        evidence,
        "Check the invert setting of each channel and the two wires of each input: "
        "exactly one of the three is turned over.",
        numbers,
    )


_FACTORS = (0.1, 10.0, 0.01, 100.0)


def _probe_factor(s, q, energy):
    """A channel off by a power of ten: (corrected prediction, v_upper, v_lower, Cause) or None."""
    use = _good(s, q)
    if energy < 0.25 * min(float(np.mean(s.measured[use] ** 2)), float(np.mean(q[use] ** 2))):
        return None
    sign = -1.0 if s.gain < 0 else 1.0
    short = slice(0, SOLVED)
    y = s.measured[short]
    found = []

    def consider(channels, factor, trial):
        ok = use[short] & np.isfinite(trial)
        x, t = trial[ok], y[ok]
        power = float(x @ x)
        if len(t) < 16 or power == 0.0:
            return
        g = float(np.clip(float(x @ t) / power, 0.7, 1.4))
        found.append((float(np.mean((t - g * x) ** 2)), channels, factor))

    for factor in _FACTORS:
        consider(("v_out",), factor, q[short] * factor)
        if s.solve is None:
            continue
        for channels in (("v_upper",), ("v_lower",), ("v_upper", "v_lower")):
            if len(channels) == 2 and factor in (0.01, 100.0):
                continue
            u = s.v_upper[short] * (factor if "v_upper" in channels else 1.0)
            v = s.v_lower[short] * (factor if "v_lower" in channels else 1.0)
            if max(np.max(np.abs(u)), np.max(np.abs(v))) > 1.0:
                continue  # beyond a volt no one drives this cell on purpose
            point = s.solve(u, v)
            consider(channels, factor, sign * np.where(point.converged, point.v_out, np.nan))
    if not found:
        return None
    before = float(np.mean((y - q[short])[use[short]] ** 2))
    found.sort(key=lambda f: f[0])
    best = found[0]
    if best[0] > 0.2 * before:
        return None
    close = [f for f in found if f[0] <= 1.3 * best[0] + 2 * s.noise_rms**2 and f[0] < 0.2 * before]
    named = []
    for _, channels, factor in close:
        # the channel reads `reads` times too much
        reads = factor if channels == ("v_out",) else 1.0 / factor
        named.append(
            f"{' and '.join(channels)} {'10' if 0.05 < factor < 20 else '100'} times too "
            f"{'large' if reads > 1 else 'small'}"
        )
    _, channels, factor = best
    u, v = s.v_upper, s.v_lower
    if channels == ("v_out",):
        q = q * factor
    else:
        u = u * (factor if "v_upper" in channels else 1.0)
        v = v * (factor if "v_lower" in channels else 1.0)
        point = s.solve(u, v)
        q = sign * np.where(point.converged, point.v_out, np.nan)
    cause = Cause(
        "probe_factor",
        "Probe factor set wrong",
        max(0.0, 1.0 - _energy(s, q) / energy),
        "The record falls into place if the scope reads " + ", or ".join(named) + ".",
        "Compare the switch on each probe (1 or 10) with the setting of its channel.",
        {"factor": factor, "fits": float(len(named))},
    )
    return q, u, v, cause


def _cut_channels(s, q):
    """Causes from channels other than the output whose record is cut off, and where."""
    causes, cut = [], np.zeros(len(q), dtype=bool)
    squared = np.where(_good(s, q), np.nan_to_num(s.measured - q) ** 2, 0.0)
    total = float(squared.sum())
    for name in ("v_upper", "v_lower", "v_left", "v_right"):
        rails = s.rails.get(name)
        if rails is None or not (rails.clipped_low or rails.clipped_high):
            continue
        at = rails.at_low | rails.at_high
        cut |= at
        share = float(squared[at].sum()) / total if total else 0.0
        levels = " and ".join(
            _v(x)
            for x, c in ((rails.low, rails.clipped_low), (rails.high, rails.clipped_high))
            if c
        )
        causes.append(
            Cause(
                f"clipped_{name}",
                f"Scope channel {name} clipped",
                share,
                f"{_percent(rails.share)} of its samples stand at exactly {levels}; they hold "
                f"{_percent(share)} of the mismatch.",
                "Choose more volts per division or move the trace, then capture again; the clipped "
                "samples were left out of the fits.",
                {"share_at_rail": rails.share, "share": share},
            )
        )
    return causes, cut


def explain(situation):
    """Rank the causes of a mismatch.

    Parameters
    ----------
    situation : Situation

    Returns
    -------
    causes : tuple of Cause
        Highest score first; noise is among them.
    unexplained : float
        Share of the mismatch that no cause took away, 0 to 1.
    """
    s = _middle(situation)
    q = s.predicted
    start = _energy(s, q)
    noise = s.noise_rms**2
    if not math.isfinite(start) or start == 0.0:
        return (), 0.0
    causes, cut = _cut_channels(s, q)
    whole = int(_good(s, q).sum())
    if cut.any() and (s.usable & ~cut).sum() >= 64:
        # what cut records hide is left out of the search; shares stay shares of the whole
        s = replace(s, usable=s.usable & ~cut)
        start *= whole / int(_good(s, q).sum())
    turned = _polarity(s, start)
    if turned:
        q, cause = turned
        causes.append(cause)
    factored = _probe_factor(s, q, _energy(s, q))
    if factored:
        before = _energy(s, q)
        q, u, v, cause = factored
        causes.append(replace(cause, score=cause.score * min(1.0, before / start)))
        s = replace(s, v_upper=u, v_lower=v)
    remaining = min(_energy(s, q), start)
    done = set()
    for _ in range(_STEPS):
        trials = []
        now = _energy(s, q)
        for key, tried in _TRIALS:
            family = "saturation" if key.startswith("saturation") else key
            answer = None if family in done or key in s.excluded else tried(s, q)
            if answer is None:
                continue
            use = _good(s, answer[0])
            if use.sum() < 0.5 * len(q):
                continue
            d_old, d_new = (s.measured - q)[use], (s.measured - answer[0])[use]
            left = float(d_new @ d_new) / len(d_new)
            trials.append((float(d_old @ d_old) / len(d_old) - left, left, key, family, answer))
        if not trials:
            break
        most = max(trials, key=lambda t: t[0])
        # sixteen noise powers over n is four standard uncertainties of one parameter
        tiny = 16.0 * noise / max(s.usable.sum(), 1)
        # a small share counts too if it is plain to see once the large ones are gone
        plain = most[0] > noise and most[0] >= 0.2 * now
        if most[0] < tiny or (most[0] < SMALLEST_SHARE * start and not plain):
            break
        picked = next(t for t in trials if t[0] > 0.5 * most[0] and t[1] <= NEARLY * most[1] + tiny)
        in_time = [t for t in trials if t[2] in ("delay", "load_pole") and t[0] > 0.3 * most[0]]
        if picked in in_time and len(in_time) == 2:
            # both delay; a pole also weakens, as a wrong scale does: the shape decides
            delay_left, pole_left = (_shape_energy(s, t[4][0], _good(s, t[4][0])) for t in in_time)
            picked = in_time[1] if NEARLY * pole_left < delay_left else in_time[0]
        before = q
        removed, _, key, family, (q, numbers) = picked
        done.add(family)
        if key.startswith("offset"):
            s = replace(s, added=s.added + (q - before))
        if key == "delay":
            s = replace(
                s,
                v_upper=delayed(s.v_upper, numbers["samples"]),
                v_lower=delayed(s.v_lower, numbers["samples"]),
                added=delayed(s.added + 0.0 * before, numbers["samples"]),
            )
        title, evidence, advice = _TEXTS[key](numbers)
        share = min(1.0, removed / start)
        causes.append(
            Cause(
                key,
                title,
                share,
                f"{evidence} It takes {_percent(share)} of the mismatch.",
                advice,
                {**numbers, "share": share},
            )
        )
        remaining = max(0.0, min(now, remaining) - removed)
    noisy = (remaining if remaining < 1.25 * noise else noise) / start
    if noisy >= SMALLEST_SHARE:
        causes.append(
            Cause(
                "noise",
                "Noise",
                noisy,
                f"{_v(s.noise_rms)} rms without memory from sample to sample, "
                f"{_percent(noisy)} of the "
                "mismatch.",
                "Average several captures, shorten the ground leads of the probes, use the "
                "bandwidth limit if it lies above your highest frequency.",
                {"noise_rms": s.noise_rms, "share": noisy},
            )
        )
    causes.sort(key=lambda c: -c.score)
    return tuple(causes), float(np.clip(remaining / start - noisy, 0.0, 1.0))
