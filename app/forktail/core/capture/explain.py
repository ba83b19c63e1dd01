"""A search in words: the verdict in one sentence, the causes, what tells them apart, the scope."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from forktail.core.bench.faults import label
from forktail.core.bench.plan import TEST_POINTS
from forktail.core.built import sensitivity
from forktail.core.built.circuit import Circuit, single_faults
from forktail.core.built.references import part_reference, references
from forktail.core.capture.align import Record
from forktail.core.capture.boards import Board, Spread, movable, predict, solve_rest
from forktail.core.capture.hypotheses import Found, Search
from forktail.core.capture.scope import GAIN, Setup
from forktail.core.capture.trial import Outcome
from forktail.core.checks import Floats
from forktail.core.quantities import format_fixed, format_quantity, format_temperature

#: A cause is named from these odds against a healthy board on.
ACCUSED = 3.0
#: Hypotheses whose log evidence lies this close cannot be told apart by a capture.
ALIKE = 3.0
#: Gain errors beyond this are more than a scope is off by: three standard deviations.
LARGEST_GAIN = 3.0 * GAIN
#: Beliefs below this are not worth a line.
LEAST = 0.005
#: Two boards are told apart where they lie this many standard deviations apart.
APART = 4.0
#: What a meter reads off, V and share.
METER, METER_SHARE = 0.01, 0.005
_CHANNELS = {
    "upper": "the upper input", "lower": "the lower input", "left": "the left collector",
    "right": "the right collector", "out": "the output",
}  # fmt: skip


@dataclass(frozen=True)
class Cause:
    """One cause, with those that this capture cannot tell from it.

    `key` as `hypotheses.Found.key`, `alike` the keys of the others; `belief` in all of them
    together, 0 to 1; `own` that in the first alone. `found` and `others` are the `Found` behind
    them. `title`, `evidence`, `advice`: text.
    """

    key: str
    title: str
    belief: float
    evidence: str
    advice: str
    own: float
    found: Found
    alike: tuple[str, ...] = ()
    others: tuple[tuple[Found, str], ...] = ()

    @property
    def share(self) -> str:
        """The belief in words: `96 %`."""
        return percent(self.belief)

    @property
    def titles(self) -> tuple[str, ...]:
        """The title of each one of the group."""
        return (self.title, *(t for _, t in self.others))


def _volts(v: float) -> str:
    return format_quantity(v, "V")


def title_of(circuit: Circuit, found: Found) -> str:
    """What a hypothesis says, in a few words: `R8 at 0.68 of its value, 1.50 kohm`."""
    if found.suspect.both:
        return ", and ".join(title_of(circuit, part) for part in found.parts)
    kind, _, part = found.suspect.key.partition(":")
    if found.suspect.key == "healthy":
        return "Board as predicted"
    if kind == "temperature":
        warm = format_temperature(circuit.temperature + found.factor)
        return f"Transistors at {warm} instead of {format_temperature(circuit.temperature)}"
    if kind == "missing":
        return f"All {part.removeprefix('r_emitter_')} emitter resistors missing or bridged"
    if kind in ("factor", "area"):
        return _factor_title(circuit, kind, part, found.factor)
    fault = next(f for f in single_faults(circuit) if f.key == found.suspect.key)
    text = label(circuit, fault)
    return text[0].upper() + text[1:]


_GROUPS = {
    "r_load": ("r_load_left", "r_load_right"),
    "r_emitter_upper": ("r_emitter_upper",), "r_emitter_lower": ("r_emitter_lower",),
    "r_bias_upper": ("r_bias_upper_pos", "r_bias_upper_neg"),
    "r_bias_lower": ("r_bias_lower_pos", "r_bias_lower_neg"),
    "c_load": ("c_load",), "c_coupling_upper": ("c_coupling_upper",),
    "c_coupling_lower": ("c_coupling_lower",), "c_load_left": ("c_load",),
    "c_load_right": ("c_load",),
}  # fmt: skip


def _factor_title(circuit: Circuit, kind: str, part: str, factor: float) -> str:
    times = f"{factor:.2g} times"
    if kind == "area":
        by = float(np.log(factor)) * 25.7e-3
        return f"{part} off by {_volts(abs(by))} of base-emitter voltage (area {times})"
    if part == "v_supply":
        return (
            f"Supply at {_volts(circuit.v_supply * factor)} instead of "
            f"{_planned(circuit.v_supply, 'V')}"
        )
    if part == "beta_forward":
        return f"Current gain {times} what was assumed"
    if part == "i_tail":
        return f"Tail current {times} what was planned"
    names = _names(circuit, part)
    value = _value(circuit, part)
    if value is None:
        return f"{names} {times} its value"
    unit = "F" if part.startswith("c_") else "ohm"
    digits = 3 if 0.9 < factor < 1.1 else 2  # or both would be the same number
    return (
        f"{names} about {format_quantity(value * factor, unit, digits)} instead of "
        f"{_planned(value, unit)}"
    )


def _planned(value: float, unit: str) -> str:
    """A value as it is printed on a part: `2.2 k\u03a9`."""
    return format_quantity(value, unit, 2 if float(f"{value:.2g}") == value else 3)


def _names(circuit: Circuit, part: str) -> str:
    """References of one part or of a group: `R8`, `R8 and R9`."""
    if part in _GROUPS:
        known = references(circuit)
        refs = [r for name in _GROUPS[part] for r in known.get(name, ())]
        if part.startswith("c_load_") and len(refs) == 2:
            refs = [refs[0 if part.endswith("left") else 1]]
        return " and ".join(refs) or part
    return part_reference(circuit, part) or part


def _value(circuit: Circuit, part: str) -> float | None:
    if part.startswith("r_emitter_q"):
        return circuit.r_emitter_upper if int(part[-1]) < 5 else circuit.r_emitter_lower
    if part.startswith("c_load"):
        return circuit.c_load
    return getattr(circuit, _GROUPS.get(part, (part,))[0], None)


def _evidence(circuit: Circuit, spread: Spread, found: Found, healthy: Found | None) -> str:
    """What is left with it, and what a healthy board would need."""
    o = found.outcome
    if all(np.size(wave) == 1 for wave in o.values.values()):
        said = [f"the mean of {_CHANNELS[n]} is {_volts(float(w[0]))}" for n, w in o.plain.items()]
        return f"With it {' and '.join(said)}."
    name = max(o.left, key=lambda n: o.left[n] if math.isfinite(o.left[n]) else -1.0)
    text = f"With it {_volts(o.left[name])} rms of {_CHANNELS[name]} remains unexplained"
    if healthy is None:
        return f"{text}; a board with every part within its tolerance cannot show this."
    sound = healthy.outcome
    far, part = max(
        (abs(by) / spread.of(circuit, key), key)
        for key, (by, _) in sound.moved.items()
        if isinstance(key, str)
    )
    left = sound.left.get(name, math.nan)
    if left > 1.5 * o.left[name]:
        return f"{text}; with every part within its tolerance {_volts(left)} would be."
    if far < 1.0:
        return f"{text}, no less than with every part within its tolerance."
    names = part_reference(circuit, part) or _QUANTITIES.get(part, part)
    return f"{text}; a healthy board would need {names} {far:.0f} standard deviations off."


_QUANTITIES = {
    "v_supply": "the supply", "temperature": "the temperature", "i_s": "the batch of transistors",
    "v_early": "the Early voltage", "beta_forward": "the current gain", "c_left": "C7",
    "c_right": "C8", "c_coupling_upper": "C3", "c_coupling_lower": "C5", "i_tail": "the tail",
    "r_source_upper": "the source of G1", "r_source_lower": "the source of G2",
}  # fmt: skip


def _advice(circuit: Circuit, found: Found) -> str:
    if found.suspect.both:
        return " ".join(dict.fromkeys(_advice(circuit, part) for part in found.parts))
    kind, _, part = found.suspect.key.partition(":")
    names = _names(circuit, part.partition(".")[0]) if kind != "healthy" else ""
    if kind == "factor" and part == "v_supply":
        return "Read the supply at the board, under load."
    if kind == "factor" and part.startswith("r_"):
        them = "each" if " and " in names else "it"
        return f"With the supply off, read the marking of {names} and measure across {them}."
    if kind == "factor" and part.startswith("c_"):
        return f"Read the marking of {names}; a probe set to x1 adds capacitance too."
    if kind == "factor" or kind == "area":
        return "Swap the transistors one at a time for others of the batch."
    if kind == "temperature":
        return "Let it settle and measure near the transistors; careful, parts may be hot."
    if kind == "missing":
        return "Look for links or solder across the emitter resistors."
    if kind == "swapped":
        return "Trace the wires of these bases on the board."
    if kind == "reversed":
        return f"Compare the pins of {names} with its data sheet."
    if kind == "short":
        return f"With the supply off, look for solder bridges and measure across {names}."
    if kind == "open":
        return f"With the supply off, check the joints of {names} and measure their continuity."
    return ""


def causes_of(
    circuit: Circuit,
    search: Search,
    spread: Spread,
    evidence: Callable[[Found, Any], str] | None = None,
) -> tuple[Cause, ...]:
    """Causes of a search, likeliest first, each with those it cannot be told from.

    Parameters
    ----------
    circuit : Circuit
        As planned.
    search : hypotheses.Search
    spread : boards.Spread
    evidence : callable, optional
        (found, healthy) -> the sentence on what speaks for a hypothesis; of a capture if left out.

    Returns
    -------
    tuple of Cause
    """
    told = evidence or partial(_evidence, circuit, spread)
    healthy = next((f for f in search.found if f.suspect.key == "healthy"), None)
    left = [f for f in search.found if f is not healthy and f.belief >= LEAST * 1e-6]
    out: list[Cause] = []
    while left and len(out) < 8:
        first = left.pop(0)
        own = first.outcome.log_evidence
        alike = [f for f in left if abs(f.outcome.log_evidence - own) < ALIKE][:11]
        left = [f for f in left if f not in alike]
        belief = first.belief + sum(f.belief for f in alike)
        if belief < LEAST and (out or search.found[0] is healthy):
            break
        out.append(
            Cause(
                first.key, title_of(circuit, first), belief,
                told(first, healthy), _advice(circuit, first),
                first.belief, first,
                tuple(f.key for f in alike),
                tuple((f, title_of(circuit, f)) for f in alike),
            )
        )  # fmt: skip
    return tuple(out)


def percent(belief: float) -> str:
    """A belief in words that do not claim too much: `96 %`, `over 99 %`."""
    if belief > 0.99:
        return "over 99 %"
    if belief < 0.01:
        return "under 1 %"
    return format_fixed(100.0 * belief, 0, "%")


def verdict_of(
    search: Search, causes: Sequence[Cause], instrument: str = "scope"
) -> tuple[bool, float, str]:
    """(healthy?, belief in what is said, the sentence).

    A board that lies within its bands is as predicted. A cause is named where it is `ACCUSED` times
    as likely: nobody should desolder a part for what its tolerance does as well.
    """
    healthy = next((f.belief for f in search.found if f.suspect.key == "healthy"), 0.0)
    first = causes[0].belief if causes else 0.0
    if search.other > max(healthy, first):
        return False, search.other, (
            "Not as predicted, and none of the causes tried explains it (belief "
            f"{percent(search.other)} that it is something else)."
        )  # fmt: skip
    if ACCUSED * healthy >= first:
        within = (
            "As predicted: the board is within the bands of its tolerances and of the "
            f"{instrument} (belief {percent(healthy)})."
        )  # fmt: skip
        if first > healthy:
            within += (
                f" A fault could hide within them: {causes[0].title} (belief {percent(first)})."
            )
        return True, healthy, within
    said = causes[0].title
    if causes[0].others:
        more = len(causes[0].others)
        said += (
            f", or {causes[0].others[0][1]}" if more == 1 else f", or one of {more} that look alike"
        )
    return False, first, f"Not as predicted. Likeliest cause: {said} (belief {percent(first)})."


# ---------------------------------------------------------------- what tells them apart


def telling(circuit: Circuit, cause: Cause, record: Record, at: str, spread: Spread) -> str:
    """The one measurement that tells the hypotheses of a cause apart, from their solutions.

    Parameters
    ----------
    circuit : Circuit
    cause : Cause
    record : align.Record
        As the setup has it.
    at : str
    spread : boards.Spread

    Returns
    -------
    str
        A sentence; empty where there is nothing to tell apart, or no reading that does.
    """
    if not cause.others:
        return ""
    group = [(cause.title, cause.found), *((t, f) for f, t in cause.others)]
    boards = [f.outcome.board for _, f in group]
    weights = np.array([f.belief for _, f in group])
    doubts = _doubts(circuit, spread)
    rest = [solve_rest(b, "generator") or {} for b in boards]
    best = None
    for node, where in TEST_POINTS.items():
        if not all(node in r for r in rest):
            continue
        values = [r[node] for r in rest]
        doubt = doubts.get(node, 0.0) + METER + METER_SHARE * abs(values[0])
        apart = np.abs(np.array(values) - values[0]) / doubt
        told, far = _told(apart, weights)
        score = (round(told, 6), float(np.minimum(apart, 50.0).sum()))
        if told > 0.0 and (best is None or score > best[0]):
            best = score, (
                f"This capture cannot tell them apart. With both drives off, read the "
                f"{where}: {_volts(values[0])} speaks for {in_a_sentence(group[0][0])}, "
                f"{_volts(values[far])} for {in_a_sentence(group[far][0])}."
            )  # fmt: skip
    alone = _alone(group, boards, weights, record, at)
    if alone is not None and (best is None or alone[0] > best[0][0] + 1e-6):
        return alone[1]
    if best is not None:
        return best[1]
    return (
        "This capture cannot tell them apart, and neither does a test point or one drive alone: "
        "with the supply off, measure the parts themselves."
    )


def in_a_sentence(title: str) -> str:
    """A title amid a sentence: without its capital, unless that is a reference such as R8."""
    return title if title[:1] in "QRC" and title[1:2].isdigit() else title[0].lower() + title[1:]


def _told(apart: Floats, weights: Floats) -> tuple[float, int]:
    """Belief that a measurement tells from the first, and the likeliest that it tells."""
    beyond = apart > APART
    return float(weights[beyond].sum()), int(np.argmax(np.where(beyond, weights, -1.0)))


def _doubts(circuit: Circuit, spread: Spread) -> dict[str, float]:
    """Standard deviation of each node at rest over healthy boards, V."""
    names = [n for n in movable(circuit, "generator") if n in sensitivity.quantities(circuit)]
    found = sensitivity.slopes_of(circuit, [0.0], [0.0], names=names)
    sizes = np.array([spread.of(circuit, n) for n in names])
    return {
        node: float(np.sqrt(np.sum((slopes[:, 0] * sizes) ** 2)))
        for node, slopes in found.slopes.items()
    }


def _alone(
    group: Sequence[tuple[str, Found]],
    boards: Sequence[Board],
    weights: Floats,
    record: Record,
    at: str,
) -> tuple[float, str] | None:
    """One drive switched off, as far as it tells more: (share told, sentence) or None."""
    best = None
    for off in record.driven if len(record.driven) == 2 else ():
        quiet = replace(
            record, inputs={**record.inputs, off: np.zeros_like(record.inputs[off])},
            off=(off,),
        )  # fmt: skip
        found = []
        for board in boards:
            values = predict(board, quiet, at).values
            out = values["right"] - values["left"]
            found.append(float(np.ptp(out[np.isfinite(out)])) if np.isfinite(out).any() else 0.0)
        sizes = np.array(found)
        apart = np.abs(sizes - sizes[0]) / (0.1 * np.maximum(sizes, sizes[0]) + 0.01)
        told, far = _told(apart, weights)
        if told > 0.0 and (best is None or told > best[0]):
            best = told, (
                f"This capture cannot tell them apart. Switch the {off} drive off and look at the "
                f"output: {_volts(sizes[0])} peak to peak speaks for {in_a_sentence(group[0][0])}, "
                f"{_volts(sizes[far])} for {in_a_sentence(group[far][0])}."
            )  # fmt: skip
    return best


# ---------------------------------------------------------------- the scope


def scope_lines(
    setup: Setup, outcome: Outcome | None, record: Record, named: str | None
) -> tuple[str, ...]:
    """What the scope does, a sentence each, apart from what the board does.

    Parameters
    ----------
    setup : scope.Setup
    outcome : trial.Outcome or None
        The fit whose errors of the scope are told.
    record : align.Record
        As captured.
    named : str or None
        The place that was named.

    Returns
    -------
    tuple of str
    """
    out = []
    if named and setup.at != named:
        out.append(
            f"The amplitudes do not fit inputs probed at the {named}; they fit the {setup.at}."
        )
    if named is None and outcome is not None and record.driven:
        out.append(f"Told from the capture: its inputs were probed at the {setup.at}.")
    for channel, factor in setup.shown:
        size = abs(factor)
        if factor < 0.0:
            out.append(
                f"The channel of {_CHANNELS[channel]} is inverted, or its wires are swapped."
            )
        if size != 1.0:
            times = f"{size:g} times too high" if size > 1.0 else f"{1.0 / size:g} times too low"
            out.append(
                f"The channel of {_CHANNELS[channel]} reads {times}: compare the switch of the "
                "probe with the setting of the channel."
            )
    if "outputs" in setup.exchanged:
        out.append("The channels of the two collectors are swapped.")
    if "inputs" in setup.exchanged:
        out.append("The channels of the two inputs are swapped.")
    for name in setup.coupled:
        out.append(
            f"The channel of {_CHANNELS[name]} is AC-coupled, so its DC level is not known; "
            "that level is half of what tells faults apart."
        )
    for channel, share in record.cut.items():
        name = channel.removeprefix("v_")
        out.append(
            f"{format_fixed(100.0 * share, 0, '%')} of the samples of "
            f"{_CHANNELS.get(name, channel)} are at the edge of the screen; they were left out."
        )
    if outcome is not None:
        out += _errors(outcome)
    return tuple(line for line in out if line)


def _errors(outcome: Outcome) -> Iterator[str]:
    """The errors that were fitted: one line of those that any scope may have, one for each more."""

    def told(*kinds: str) -> Iterator[tuple[str, float]]:
        for kind in kinds:
            for key, (x, _) in outcome.scope.items():
                if key.startswith(kind):
                    yield _CHANNELS[key.removeprefix(kind)], x

    gains = list(told("input_gain_", "gain_"))
    small = [
        f"{name.removeprefix('the ')} {format_fixed(100.0 * x, 1, '%', sign=True)}"
        for name, x in gains
        if abs(x) <= LARGEST_GAIN
    ]
    offsets = [
        f"{name.removeprefix('the ')} {_volts(x)}" for name, x in told("offset_") if abs(x) < 1.0
    ]
    parts = [f"gain of {', '.join(small)}"] if small else []
    parts += [f"offset of {', '.join(offsets)}"] if offsets else []
    if parts:
        yield (
            "Attributed to the scope, within the usual accuracy of such instruments: "
            f"{'; '.join(parts)}."
        )
    for name, x in gains:
        if abs(x) > LARGEST_GAIN:
            much = f"{format_fixed(100.0 * abs(x), 0, '%')} too {'high' if x > 0.0 else 'low'}"
            yield (
                f"The channel of {name} reads {much}, more than such instruments usually do: "
                "compare its probe and its setting with another channel."
            )
