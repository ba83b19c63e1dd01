"""What a scope does to a capture, and how sure one can be of what it shows.

Two kinds. *Settings* are recognised or tried: probe factors, inverted and exchanged channels, AC
coupling, and the place that was probed. *Errors* are always there, within what such instruments
keep (common practice, no source): gain, offset and delay of each channel. They are fitted together
with the board, so that none of them is taken for a fault.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from forktail.core.built.circuit import Circuit
from forktail.core.capture.align import Record

#: Standard deviations: gain of a channel with its probe (2 % either way, spread evenly), s of
#: delay from channel to channel, offset over the height of the screen and over the voltage itself.
GAIN, SKEW, OFFSET, OFFSET_SHARE = 0.0125, 15e-9, 0.01, 0.004
#: Steps over the height of the screen: eight bits.
CODES = 256
#: Odds of one wrong setting.
ODDS = math.log(0.02)
#: A collector of a built board stays above this share of the supply, right or wrong.
LOWEST = 0.15
#: An input whose mean is above this share of the supply shows the level of its base line.
LINE = 0.04
#: Factors of a probe set otherwise than its channel.
FACTORS = (10.0, 0.1)


@dataclass(frozen=True)
class Setup:
    """One way in which the scope may have been connected and set.

    Attributes
    ----------
    at : place of `path.PLACES` that was probed.
    shown : tuple of (channel, factor): the record shows this many times what there was. Channels
        are "upper", "lower", "left", "right", "out"; a factor below 0 is an inverted channel.
    exchanged : tuple of "inputs", "outputs": the two channels are taken for each other.
    coupled : tuple of outputs that were captured without their DC level.
    log_prior : logarithm of the odds, 0 for the plain one.
    """

    at: str = "base lines"
    shown: tuple[tuple[str, float], ...] = ()
    exchanged: tuple[str, ...] = ()
    coupled: tuple[str, ...] = ()
    log_prior: float = 0.0

    def factor(self, channel: str) -> float:
        """How many times too much the record shows."""
        return dict(self.shown).get(channel, 1.0)

    def with_shown(self, more: Iterable[tuple[str, float]], odds: float) -> "Setup":
        """The same with further factors."""
        factors = dict(self.shown)
        for channel, factor in more:
            factors[channel] = factors.get(channel, 1.0) * factor
        kept = tuple((c, f) for c, f in factors.items() if f != 1.0)
        return replace(self, shown=kept, log_prior=self.log_prior + odds)

    def correct(self, record: Record) -> Record:
        """The record as it would be with the scope set right."""
        inputs = {s: w / self.factor(s) for s, w in record.inputs.items()}
        means = {s: v / self.factor(s) for s, v in record.means.items()}
        off = record.off
        if "inputs" in self.exchanged:
            inputs = {"upper": inputs["lower"], "lower": inputs["upper"]}
            means = {"upper": means["lower"], "lower": means["upper"]}
            off = tuple({"upper": "lower", "lower": "upper"}[s] for s in off)
        outputs, sigma, levels, noise = ({} for _ in range(4))
        for name in record.outputs:
            to = name
            if "outputs" in self.exchanged and name in ("left", "right"):
                to = {"left": "right", "right": "left"}[name]
            f = self.factor(name)
            outputs[to], sigma[to] = record.outputs[name] / f, record.sigma[name] / abs(f)
            levels[to], noise[to] = record.levels[name] / abs(f), record.noise[name] / abs(f)
        ordered = [n for n in ("left", "right", "out") if n in outputs]
        return replace(
            record, inputs=inputs, means=means, off=off,
            outputs={n: outputs[n] for n in ordered}, sigma={n: sigma[n] for n in ordered},
            levels=levels, noise=noise,
        )  # fmt: skip


def recognised(record: Record, circuit: Circuit, at: str) -> Setup:
    """What the levels of the collectors say of the scope, before anything is solved.

    A collector of this circuit, healthy or not, lies between a share `LOWEST` of the supply and
    the supply: a level at nought is AC coupling, one outside is a probe factor or an inversion.

    Parameters
    ----------
    record : align.Record
    circuit : Circuit
    at : str

    Returns
    -------
    Setup
    """
    low, high = LOWEST * circuit.v_supply, 1.06 * circuit.v_supply
    shown, coupled, odds = [], [], 0.0
    for name, wave in record.outputs.items():
        used = wave[np.isfinite(record.sigma[name])]
        if name == "out" or not used.size:
            continue
        level = float(used.mean())
        if abs(level) < max(0.02 * circuit.v_supply, 0.15 * float(np.ptp(used))):
            coupled.append(name)
            continue
        if low <= level <= high:
            continue
        shown += _factor_for(name, level, low, high)
    for side in ("upper", "lower"):
        # no generator of these has a level: that is a mistake, and any level is as likely
        if at == "generator" and abs(record.means[side]) > LINE * circuit.v_supply:
            odds += 2.0 * ODDS
        # a base line of a single drive shows its own level, unless its channel is AC-coupled
        mean = record.means[side]
        single = at == "base lines" and getattr(circuit, f"{side}_mode") == "single"
        if single and abs(mean) > LINE * circuit.v_supply and not 0.0 < mean < high:
            shown += _factor_for(side, mean, LINE * circuit.v_supply, high)
    return Setup(at, tuple(shown), (), tuple(coupled), odds)


def _factor_for(channel: str, level: float, low: float, high: float) -> list[tuple[str, float]]:
    for factor in (-1.0, *FACTORS, *(-f for f in FACTORS)):
        if low <= level / factor <= high:
            return [(channel, factor)]
    return []


def setups(record: Record, plain: Setup) -> tuple[tuple[Setup, ...], ...]:
    """Setups worth trying, the plain one first: what was recognised, and one mistake more.

    Parameters
    ----------
    record : align.Record
    plain : Setup

    Returns
    -------
    tuple of tuple of Setup
        Grouped: those of one group have the same inputs, so one solution serves them all.
    """
    changed: list[tuple] = [((), 0.0, ())]
    for side in record.driven:
        changed += [(((side, f),), ODDS, ()) for f in (*FACTORS, -1.0)]
    if len(record.driven) == 2:
        changed += [((("upper", f), ("lower", f)), ODDS, ()) for f in FACTORS]
        changed.append(((), ODDS, ("inputs",)))
    elif record.driven:
        changed.append(((), ODDS, ("inputs",)))
    groups = []
    for shown, odds, exchanged in changed:
        base = replace(plain.with_shown(shown, odds), exchanged=exchanged)
        groups.append(tuple(_of_outputs(record, base)))
    return tuple(groups)


def _of_outputs(record: Record, base: Setup) -> Iterator[Setup]:
    """The setup itself, outputs exchanged or inverted, and factors where no level tells."""
    names = tuple(record.outputs)
    yield base
    if names == ("left", "right"):
        yield replace(base, exchanged=(*base.exchanged, "outputs"), log_prior=base.log_prior + ODDS)
    free = [n for n in names if n in base.coupled or n == "out"]
    for factor in (*FACTORS, -1.0):
        for name in free:
            yield base.with_shown([(name, factor)], ODDS)
        if len(free) == 2 and factor > 0.0:
            yield base.with_shown([(name, factor) for name in free], ODDS)


def offset_of(record: Record, name: str, level: float) -> float:
    """Standard deviation of the offset of an output channel at a level, V."""
    used = record.outputs[name][np.isfinite(record.sigma[name])]
    screen = max(CODES * record.levels[name], 1.25 * float(np.ptp(used)) if used.size else 0.0)
    return OFFSET * screen + OFFSET_SHARE * abs(level) + 1e-3
