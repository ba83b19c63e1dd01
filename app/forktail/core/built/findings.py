"""What is wrong with a built cell, or right, in plain words; each remedy found by solving again."""

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, fields, replace
from functools import partial
from typing import Any

import numpy as np

from forktail.core.built import network
from forktail.core.built.circuit import OPEN, Circuit, resistor_parts, single_faults
from forktail.core.built.mismatch import null_trims
from forktail.core.built.nodal import FLOOR_CURRENT
from forktail.core.checks import as_quantity
from forktail.core.quantities import format_fixed, format_quantity, format_temperature

#: From worst to best.
SEVERITIES = ("severe", "warning", "note", "good")

#: Headroom below which a transistor is called close to saturation, V (common practice, no source).
LOW_HEADROOM = 0.2
#: Headroom that a suggestion leaves, V: parts and temperature move (common practice, no source).
GOOD_HEADROOM = 0.5
#: Heat of a small transistor and of a quarter-watt resistor worth a caution, W (half of usual
#: ratings; common practice, no source).
WARM_TRANSISTOR, WARM_RESISTOR = 0.15, 0.125
#: Reverse base-emitter voltage at which small transistors break down, V (common practice).
EMITTER_BREAKDOWN = 5.0
#: Collector-emitter voltage that most small transistors bear, V (common practice, no source).
COLLECTOR_LIMIT = 30.0
#: Direct voltage from which touching is held to be a risk, V (common practice; local codes rule).
TOUCH_LIMIT = 60.0
#: Input offset, V, from which feedthrough is worth a trim.
OFFSET_LIMIT = 0.5e-3
#: Share by which base currents may shift a tap before it is told.
LEVEL_SHIFT = 0.02
#: Share from which nothing else about the circuit holds.
COLLAPSE = 0.2


@dataclass(frozen=True)
class Finding:
    """One sentence about the circuit.

    Attributes
    ----------
    severity : one of `SEVERITIES`.
    key : short name of the kind of finding.
    part : part or node it is about ("" for the whole).
    text : the finding, a full sentence with its number.
    value, unit : the number alone, SI.
    suggestion : what to do, "" if nothing.
    change : fields of `Circuit` with the values that the first suggestion proposes.
    """

    severity: str
    key: str
    part: str
    text: str
    value: float = math.nan
    unit: str = ""
    suggestion: str = ""
    change: "Change" = field(default_factory=dict)


#: Fields of a circuit with other values; one for each factor; whether a scene will do.
Change = dict[str, Any]
Step = Callable[[float], Change]
Test = Callable[["_Scene"], bool]


class _Scene:
    """The circuit at rest and at the peaks of its drives."""

    def __init__(self, circuit: Circuit, drive_upper: float, drive_lower: float) -> None:
        self.circuit, self.drives = circuit, (drive_upper, drive_lower)
        self.u, self.low = (
            a.ravel()
            for a in np.meshgrid(
                drive_upper * np.array([0.0, 1.0, -1.0]), drive_lower * np.array([0.0, 1.0, -1.0])
            )
        )
        self.all = network.inspect(circuit, self.u, self.low, gains=True)
        self.point = self.all.point
        self.solved = bool(self.point.converged.all())
        self.repaired: _Scene | None = None  # the same with its known faults put right

    def again(self, **change: Any) -> "_Scene":
        return _Scene(replace(self.circuit, **change), *self.drives)

    def at(self, k: int) -> str:
        """Words for the sample k."""
        signs = [
            (("negative", "", "positive")[1 + int(np.sign(v[k]))], name)
            for v, name in ((self.u, "upper"), (self.low, "lower"))
            if v[k]
        ]
        if not signs:
            return "at rest"
        if len(signs) == 2 and signs[0][0] == signs[1][0]:
            return f"at the {signs[0][0]} peaks of both drives"
        return "at " + " and ".join(f"the {sign} peak of the {name} drive" for sign, name in signs)

    def room(self, names: Iterable[str]) -> tuple[float, str, int]:
        """(least headroom, transistor, sample) over transistors that conduct."""
        best = (math.inf, "", 0)
        for q in names:
            if q not in self.all.headroom:
                continue
            region = self.point.regions[q]
            room = np.where(
                (region == "active") | (region == "saturated"), self.all.headroom[q], np.inf
            )
            k = int(np.argmin(room))
            if room[k] < best[0]:
                best = (float(room[k]), q, k)
        return best

    @property
    def tail(self) -> float:
        return float(self.point.i_tail[0])


def _two_digits(value: float, up: bool) -> float:
    """Two significant digits, rounded up or down."""
    if value == 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(abs(value))) - 1)
    turned = value / step
    rounded = math.ceil(turned - 1e-9) if up else math.floor(turned + 1e-9)
    return float(f"{rounded * step:.6g}")


def _search(scene: _Scene, change: Step, good: Test, farthest: float) -> Change | None:
    """Smallest change that makes the circuit good, found by solving again.

    `change(factor)` gives fields of the circuit; factors run from 1 to `farthest`. Returns the
    fields, rounded to two digits away from the present values where that is good as well, or
    None.
    """

    def works(fields_: Change) -> bool:
        try:
            trial = scene.again(**fields_)
        except ValueError:
            return False
        return trial.solved and good(trial)

    steps = np.geomspace(1.0, farthest, 10)
    first = next((k for k in range(1, len(steps)) if works(change(steps[k]))), None)
    if first is None:
        return None
    outside, inside = steps[first - 1], steps[first]
    for _ in range(5):
        middle = math.sqrt(inside * outside)
        inside, outside = (middle, outside) if works(change(middle)) else (inside, middle)
    exact = change(inside)
    rounded = {k: _two_digits(v, v > getattr(scene.circuit, k)) for k, v in exact.items()}
    return rounded if works(rounded) else exact


def _loads(scene: _Scene) -> Step:
    c = scene.circuit
    return lambda f: {"r_load_left": c.r_load_left * f, "r_load_right": c.r_load_right * f}


def _tail(scene: _Scene) -> Step:
    c = scene.circuit
    name, power = {
        "ideal": ("i_tail", 1),
        "resistor": ("r_tail", -1),
        "transistor": ("r_tail_emitter", -1),
    }[c.tail_kind]
    return lambda f: {name: max(getattr(c, name), 1e-9) * f**power}


def _one(scene: _Scene, name: str) -> Step:
    return lambda f: {name: getattr(scene.circuit, name) * f}


_VERBS = {
    "r_string_top": "the top resistor of the string",
    "r_string_middle": "the middle resistor of the string",
    "r_string_bottom": "the bottom resistor of the string",
    "r_tail_base_top": "the upper resistor of the tail's base divider",
    "r_tail_base_bottom": "the lower resistor of the tail's base divider",
    "r_emitter_upper": "the emitter resistors of the upper pairs",
    "r_emitter_lower": "the emitter resistors of the lower pair",
}


def _say(scene: _Scene, change: Change) -> str:
    """`the load to 1.8 kohm`, in words, with the tail given as the current it makes."""
    name, value = next(iter(change.items()))
    up = value > getattr(scene.circuit, name)
    if name.startswith("r_load"):
        return f"{'raise' if up else 'lower'} the load to {format_quantity(value, 'ohm', 2)}"
    if name in ("i_tail", "r_tail", "r_tail_emitter"):
        now = scene.again(**change).tail
        more = (
            ""
            if name == "i_tail"
            else (
                f" ({'tail resistor' if name == 'r_tail' else 'emitter resistor of Q7'} "
                f"{format_quantity(value, 'ohm', 3)})"
            )
        )
        verb = "raise" if now > scene.tail else "lower"
        return f"{verb} the tail to {format_quantity(now, 'A', 2)}{more}"
    return f"{'raise' if up else 'lower'} {_VERBS[name]} to {format_quantity(value, 'ohm', 2)}"


def _remedies(
    scene: _Scene, options: Iterable[tuple[Step, float]], good: Test
) -> tuple[str, Change]:
    """Suggestion text and first change from several (change, farthest) options."""
    if scene.repaired is not None:
        return (
            ("Repairing the fault clears this as well.", {})
            if scene.repaired.solved and good(scene.repaired)
            else ("", {})
        )
    found = [c for c in (_search(scene, change, good, far) for change, far in options) if c]
    if not found:
        return "", {}
    text = " or ".join(_say(scene, c) for c in found)
    return text[0].upper() + text[1:] + ".", found[0]


def findings(
    circuit: Circuit, drive_upper: float = 0.1, drive_lower: float = 0.01
) -> tuple[Finding, ...]:
    """Findings about a circuit, the most severe first.

    Parameters
    ----------
    circuit : Circuit
    drive_upper, drive_lower : float
        Peak of each drive, V, at least 0; as `v_upper` and `v_lower` of `network`.

    Returns
    -------
    tuple of Finding
        Never empty: a healthy circuit gets one of severity "good".

    Raises
    ------
    QuantityError
        If a drive is negative or not finite.
    """
    drive_upper = float(as_quantity("drive_upper", drive_upper, "V", low=0.0))
    drive_lower = float(as_quantity("drive_lower", drive_lower, "V", low=0.0))
    scene = _Scene(circuit, drive_upper, drive_lower)
    found = [*_faults(scene), *_supply(scene)]
    if not scene.solved:
        lost = int(np.count_nonzero(~scene.point.converged))
        found.append(
            Finding(
                "severe",
                "not solved",
                "",
                f"No solution balances every current for {lost} of "
                f"{scene.point.converged.size} settings of the inputs, so no number is shown.",
                float(lost),
                "",
                "Look for a part with an extreme value, or a wire across others.",
            )
        )
        return _ordered(found)
    found += _levels(scene)
    found += [f for f in _loading(scene) if f.severity == "severe"]
    repair = circuit
    for f in found:
        if f.key in _CAUSES:
            repair = replace(repair, **{**f.change, "faults": ()})
    if repair != circuit:
        scene.repaired = _Scene(repair, drive_upper, drive_lower)
    for check in (_starved, _saturated, _cut_off, _breakdown, _heat, _crossing):
        found += check(scene)
    if not any(f.severity == "severe" and f.key not in ("supply", "heat") for f in found):
        # in a circuit that does not work these would only echo the fault
        found += [f for f in _loading(scene) if f.severity != "severe"]
        for check in (_offsets, _linear):
            found += check(scene)
    if all(f.severity == "note" for f in found):
        found.append(_good(scene))
    return _ordered(found)


#: Findings that others follow from: with these put right, what is left is looked for.
_CAUSES = ("fault", "open load", "levels", "loading")


def _ordered(found: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(found, key=lambda f: SEVERITIES.index(f.severity)))


_REPAIRS = {
    "open": "Renew its joints, or replace it.",
    "short": "Look for a solder bridge, or replace it.",
    "reversed": "Take it out and put it in the right way round.",
    "swapped": "Exchange the two wires.",
}


def _faults(scene: _Scene) -> Iterator[Finding]:
    c = scene.circuit
    texts = {f.key: f for f in single_faults(replace(c, faults=()))}
    for key in c.faults:
        fault = texts[key]
        rest = tuple(k for k in c.faults if k != key)
        yield Finding(
            "severe",
            "fault",
            fault.part,
            fault.text,
            suggestion=_REPAIRS[fault.kind],
            change={"faults": rest},
        )
    parts = resistor_parts(c)
    for name, other in (("r_load_left", "r_load_right"), ("r_load_right", "r_load_left")):
        ohms, partner = getattr(c, name), getattr(c, other)
        if name in parts and ohms >= 1e-3 * OPEN and ohms > 100 * partner:
            yield Finding(
                "severe",
                "open load",
                name,
                f"The {parts[name][0]} of "
                f"{format_quantity(ohms, 'ohm')} is practically open: its output falls until the "
                "transistors saturate.",
                ohms,
                "ohm",
                f"Fit {format_quantity(partner, 'ohm')} as on the other side.",
                {name: partner},
            )


def _supply(scene: _Scene) -> Iterator[Finding]:
    v = scene.circuit.v_supply
    if v >= TOUCH_LIMIT:
        yield Finding(
            "severe",
            "supply",
            "v_supply",
            f"The supply of {format_quantity(v, 'V')} can be dangerous to touch.",
            v,
            "V",
            "Use a low, current-limited supply; above that, follow "
            "local codes and leave the work to licensed people.",
            {"v_supply": 12.0},
        )
    elif v > COLLECTOR_LIMIT:
        yield Finding(
            "warning",
            "supply",
            "v_supply",
            f"The supply of {format_quantity(v, 'V')} is more than the {COLLECTOR_LIMIT:g} V "
            "that most small transistors withstand from collector to emitter.",
            v,
            "V",
            "Check the rating of the transistors, and set the current limit "
            "of the supply before switching on.",
        )
    t = scene.circuit.temperature
    if t > 273.15 + 85.0:
        yield Finding(
            "warning",
            "hot",
            "",
            f"At {format_temperature(t)} the parts burn fingers, and plastic "
            "transistors fail near 125 \u00b0C (common practice).",
            t,
            "K",
            "Let it cool before touching.",
        )


def _starved(scene: _Scene) -> Iterator[Finding]:
    tail = scene.tail
    if abs(tail) >= FLOOR_CURRENT:
        return

    def enough(s: _Scene) -> bool:
        return s.tail > 20 * FLOOR_CURRENT and s.room(s.all.headroom)[0] > 0

    options = [(_tail(scene), 1e6 if scene.circuit.tail_kind == "ideal" else 100.0)]
    if scene.circuit.tail_kind == "transistor":
        options.append((_one(scene, "r_tail_base_bottom"), 30.0))
    options.append((_one(scene, "r_string_bottom"), 20.0))
    text, change = _remedies(scene, options, enough)
    shown = "no current" if abs(tail) < 1e-12 else f"only {format_quantity(tail, 'A')}"
    yield Finding(
        "severe",
        "starved",
        "tail",
        f"The tail carries {shown}: the cell is starved, "
        "and with no tail current there is no gain.",
        tail,
        "A",
        text,
        change,
    )


def _saturated(scene: _Scene) -> Iterator[Finding]:
    groups = (
        (("Q1", "Q2", "Q3", "Q4"), ((_loads, 0.05), (_tail, 0.05))),
        (
            ("Q5", "Q6"),
            (
                (lambda s: _one(s, "r_string_middle"), 10.0),
                (lambda s: _one(s, "r_string_bottom"), 0.1),
            ),
        ),
        (
            ("Q7",),
            (
                (lambda s: _one(s, "r_string_bottom"), 10.0),
                (lambda s: _one(s, "r_tail_base_bottom"), 0.05),
            ),
        ),
    )
    for names, options in groups:
        room, q, k = scene.room(names)
        if not q or room >= LOW_HEADROOM:
            continue
        others = [n for n in scene.all.headroom if n not in names]

        def good(
            s: _Scene,
            wanted: float,
            names: Iterable[str] = names,
            others: Iterable[str] = others,
        ) -> bool:
            # cures this group without pushing another one under
            return (
                s.room(names)[0] >= wanted
                and abs(s.tail) > FLOOR_CURRENT
                and s.room(others)[0] >= min(0.0, scene.room(others)[0])
            )

        text, change = "", Change()
        for wanted in (GOOD_HEADROOM, LOW_HEADROOM, 0.0):
            cures = partial(good, wanted=wanted)
            text, change = _remedies(scene, [(o(scene), far) for o, far in options], cures)
            if text:
                break
        if not text and scene.repaired is None:
            text = _smaller_drive(scene, cures)
        if room < 0:
            yield Finding(
                "severe",
                "saturated",
                q,
                f"{q} is saturated by {format_quantity(-room, 'V', 2)} {scene.at(k)}.",
                -room,
                "V",
                text,
                change,
            )
        else:
            yield Finding(
                "warning",
                "low headroom",
                q,
                f"{q} is only {format_quantity(room, 'V', 2)} from saturation {scene.at(k)}.",
                room,
                "V",
                text,
                change,
            )


def _smaller_drive(scene: _Scene, good: Test) -> str:
    """Drives (no fields of the circuit) scaled down until it is good, as text."""
    for share in np.geomspace(1.0, 1e-3, 31)[1:]:
        trial = _Scene(scene.circuit, *(share * d for d in scene.drives))
        if trial.solved and good(trial):
            shown = [format_quantity(_two_digits(share * d, False), "V", 2) for d in scene.drives]
            return f"Keep the drives to {shown[0]} (upper) and {shown[1]} (lower)."
    return ""


def _cut_off(scene: _Scene) -> Iterator[Finding]:
    if abs(scene.tail) < FLOOR_CURRENT:
        return
    rest = {q: str(region[0]) for q, region in scene.point.regions.items()}
    for kind, what in (("cut off", "cut off"), ("reverse", "conducting in reverse")):
        names = [q for q in rest if rest[q] == kind]
        if not names:
            continue
        worst = min(names, key=lambda q: float(scene.all.v_be[q][0]))
        v = float(scene.all.v_be[worst][0])
        text, change = _cure_cut_off(scene, names)
        listed = names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
        yield Finding(
            "severe",
            kind,
            worst,
            f"{listed} {'is' if len(names) == 1 else 'are'} "
            f"{what} at rest, {worst} with {format_quantity(v, 'V', 2)} from base to "
            "emitter.",
            v,
            "V",
            text,
            change,
        )


def _cure_cut_off(scene: _Scene, names: Iterable[str]) -> tuple[str, Change]:
    def active(s: _Scene) -> bool:
        return s.solved and all(str(s.point.regions[q][0]) == "active" for q in names)

    if scene.repaired is not None and active(scene.repaired):
        return "Repairing the fault clears this as well.", {}
    c = scene.circuit
    for side in ("upper", "lower"):
        pos, neg = f"r_bias_{side}_pos", f"r_bias_{side}_neg"
        equal = min(getattr(c, pos), getattr(c, neg))
        for change, text in (
            ({f"trim_{side}": 0.0}, f"Set the trim of the {side} input to zero."),
            (
                {pos: equal, neg: equal},
                f"Make both bias resistors of the {side} input {format_quantity(equal, 'ohm')}.",
            ),
        ):
            if active(scene.again(**change)):
                return text, change
    return "Check the bias of each base and the wiring of the three pins.", {}


def _levels(scene: _Scene) -> Iterator[Finding]:
    n = scene.point.nodes
    upper = 0.5 * float(n["base_upper_pos"][0] + n["base_upper_neg"][0])
    lower = 0.5 * float(n["base_lower_pos"][0] + n["base_lower_neg"][0])
    if upper <= lower and "swapped:levels" not in scene.circuit.faults:
        yield Finding(
            "severe",
            "levels",
            "levels",
            "The upper bases are "
            f"{format_quantity(lower - upper, 'V', 2)} below the lower ones, so the lower pair "
            "has no room: are the two bias levels swapped?",
            lower - upper,
            "V",
            "Check the feeds of the upper and lower base lines.",
        )


def _shift(scene: _Scene) -> tuple[str, float, float]:
    c, nodes = scene.circuit, scene.point.nodes
    total = c.r_string_top + c.r_string_middle + c.r_string_bottom
    free = {
        "level_upper": c.v_supply * (c.r_string_middle + c.r_string_bottom) / total,
        "level_lower": c.v_supply * c.r_string_bottom / total,
    }
    shifts = {k: float(nodes[k][0]) - v for k, v in free.items()}
    name = max(shifts, key=lambda k: abs(shifts[k]) / max(free[k], 1e-9))
    return name, shifts[name], abs(shifts[name]) / max(free[name], 1e-9)


def _loading(scene: _Scene) -> Iterator[Finding]:
    name, shift, share = _shift(scene)
    if share < LEVEL_SHIFT:
        return
    names = ("r_string_top", "r_string_middle", "r_string_bottom")
    change = _search(
        scene,
        lambda f: {n: getattr(scene.circuit, n) * f for n in names},
        lambda s: _shift(s)[2] < LEVEL_SHIFT,
        1e-4,
    )
    text = (
        ""
        if not change
        else "Make the string "
        + ", ".join(format_quantity(change[n], "ohm", 2) for n in names)
        + " from top to bottom."
    )
    label = "upper" if name == "level_upper" else "lower"
    yield Finding(
        "severe" if share > COLLAPSE else "warning" if share > 5 * LEVEL_SHIFT else "note",
        "loading",
        name,
        f"Base currents {'pull down' if shift < 0 else 'lift'} the {label} level by "
        f"{format_quantity(abs(shift), 'V', 2)}, {format_fixed(100 * share, 1, '%')} of it.",
        shift,
        "V",
        text,
        change or {},
    )


def _breakdown(scene: _Scene) -> Iterator[Finding]:
    worst, name, k = 0.0, "", 0
    for q, v in scene.all.v_be.items():
        if -float(np.min(v)) > worst:
            worst, name, k = -float(np.min(v)), q, int(np.argmin(v))
    if worst > EMITTER_BREAKDOWN:
        share = EMITTER_BREAKDOWN / worst
        for _ in range(20):  # the drive is no field of the circuit, so it is scaled by itself
            trial = _Scene(scene.circuit, *(share * d for d in scene.drives))
            if min(float(np.min(v)) for v in trial.all.v_be.values()) > -EMITTER_BREAKDOWN:
                break
            share *= 0.9
        drives = [format_quantity(share * d, "V", 2) for d in scene.drives]
        yield Finding(
            "severe",
            "breakdown",
            name,
            f"The base of {name} is {format_quantity(worst, 'V', 2)} "
            f"below its emitter {scene.at(k)}; small transistors break down and lose gain from "
            f"about {EMITTER_BREAKDOWN:g} V (common practice).",
            worst,
            "V",
            f"Keep the drives to {drives[0]} (upper) and {drives[1]} (lower) or less.",
        )


def _heat(scene: _Scene) -> Iterator[Finding]:
    heat = {q: (float(np.max(p)), int(np.argmax(p))) for q, p in scene.all.power.items()}
    q = max(heat, key=lambda n: heat[n][0])
    power, k = heat[q]
    if power > WARM_TRANSISTOR:

        def cool(s: _Scene) -> bool:
            return max(float(np.max(p)) for p in s.all.power.values()) < WARM_TRANSISTOR

        text, change = _remedies(scene, [(_tail(scene), 1e-2)], cool)
        yield Finding(
            "severe" if power > 2 * WARM_TRANSISTOR else "warning",
            "heat",
            q,
            f"{q} turns {format_quantity(power, 'W', 2)} into heat {scene.at(k)}: it "
            "gets hot enough to hurt, and may fail.",
            power,
            "W",
            text,
            change,
        )
    parts = resistor_parts(scene.circuit)
    heated = network.dissipation(scene.circuit).items()
    hot = {n: float(p) for n, p in heated if n in parts and p > WARM_RESISTOR}
    if hot:
        name = max(hot, key=hot.__getitem__)
        yield Finding(
            "severe" if hot[name] > 2 * WARM_RESISTOR else "warning",
            "heat",
            name,
            f"The {parts[name][0]} turns {format_quantity(hot[name], 'W', 2)} into heat; "
            "a quarter-watt part would be too hot to touch.",
            hot[name],
            "W",
            f"Fit a part rated {format_quantity(2 * hot[name], 'W', 2)} or more.",
        )


#: Inputs at which the four quadrants are looked at, V.
_STEP = 0.02


def _shares(circuit: Circuit) -> tuple[float, ...]:
    """Output at `_STEP` on both inputs, V: what goes with the product, with either input alone."""
    a = _STEP
    v = network.solve_built(circuit, [a, a, -a, -a], [a, -a, a, -a], gains=False).v_out
    signs = ((1, -1, -1, 1), (1, 1, -1, -1), (1, -1, 1, -1))
    return tuple(float(np.dot(s, v)) / 4.0 for s in signs)


def _lopsided(scene: _Scene, side: str) -> tuple[str, str, str, Change] | None:
    """What holds one pair of an input to one side: (part, words, suggestion, change), or None.

    Found by putting things right one by one and solving again.
    """
    c, pair = scene.circuit, {"upper": (0, 1, 2, 3), "lower": (4, 5)}[side]
    pos, neg = f"r_bias_{side}_pos", f"r_bias_{side}_neg"
    ohms = {n: getattr(c, n) for n in (pos, neg)}
    large, equal = max(ohms, key=ohms.__getitem__), min(ohms.values())
    trim = getattr(c, f"trim_{side}")
    alike = tuple(1.0 if k in pair else a for k, a in enumerate(c.area))
    nodes = scene.point.nodes
    apart = float(nodes[f"base_{side}_pos"][0] - nodes[f"base_{side}_neg"][0])
    for part, words, suggestion, change in (
        (
            f"r_bias_{side}_pos",
            f"The trim of the {side} input, {format_quantity(trim, 'V', 2)}, holds",
            f"Set the trim of the {side} input to zero.",
            {f"trim_{side}": 0.0},
        ),
        (
            large,
            f"The bias resistors of the {side} input, {format_quantity(ohms[pos], 'ohm')} and "
            f"{format_quantity(ohms[neg], 'ohm')}, set its bases "
            f"{format_quantity(abs(apart), 'V', 2)} apart, as base current drops more in one; "
            "this holds",
            f"Make both bias resistors of the {side} input {format_quantity(equal, 'ohm')}.",
            {pos: equal, neg: equal},
        ),
        (
            f"Q{pair[0] + 1}",
            f"The unequal transistors of the {side} input hold",
            "Fit transistors of one kind.",
            {"area": alike},
        ),
    ):
        if any(getattr(c, n) != v for n, v in change.items()):
            product, *alone = _shares(replace(c, **change))
            if abs(product) > max(map(abs, alone)):
                return part, words, suggestion, change
    return None


def _crossing(scene: _Scene) -> Iterator[Finding]:
    """Signs of the output in the four quadrants: are the pairs crossed and the right way round."""
    product, upper, lower = _shares(scene.circuit)
    size = max(abs(product), abs(upper), abs(lower))
    dead = any(str(r[0]) != "active" for r in scene.point.regions.values())
    if abs(scene.tail) < FLOOR_CURRENT or size < 1e-6 or dead:
        return
    if product < 0 and abs(product) > 0.5 * size:
        yield Finding(
            "warning",
            "sign",
            "Q5",
            "The output has the wrong sign in all four "
            "quadrants: one pair, or one drive, is the other way round.",
            product,
            "V",
            "Exchange the two base wires of the lower pair, or the two outputs.",
        )
    elif abs(product) < 0.3 * size:
        which, other = ("upper", "lower") if abs(upper) >= abs(lower) else ("lower", "upper")
        follows = (
            f"follows the {which} input alone ({format_quantity(size, 'V', 2)} against a product "
            f"of {format_quantity(product, 'V', 2)}, both inputs at {1e3 * _STEP:g} mV)"
        )
        if held := _lopsided(scene, other):
            part, words, suggestion, change = held
            yield Finding(
                "severe",
                "lopsided",
                part,
                f"{words} the {other} pair{'s' if other == 'upper' else ''} to one side, so "
                f"the output {follows}.",
                product,
                "V",
                suggestion,
                change,
            )
            return
        yield Finding(
            "severe",
            "not crossed",
            "Q3",
            f"The output {follows}: one upper pair is reversed, or one branch is dead.",
            product,
            "V",
            "Check that Q1 and Q4 share one base line, and Q2 and Q3 the other.",
        )


def _cure_feedthrough(
    scene: _Scene, name: str, cause: str, trim: str, gain: float
) -> tuple[str, Change]:
    """Equal bias resistors if that does it, else the trim that nulls it, solved again."""
    c = scene.circuit
    equal = min(getattr(c, f"r_bias_{cause}_pos"), getattr(c, f"r_bias_{cause}_neg"))
    settings, _ = null_trims(c, (trim,))
    for change, text in (
        (
            {f"r_bias_{cause}_pos": equal, f"r_bias_{cause}_neg": equal},
            f"Make both bias resistors of the {cause} input {format_quantity(equal, 'ohm')}: ",
        ),
        (
            settings,
            f"Set the trim of the {cause} input to {format_quantity(settings[trim], 'V', 2)}: ",
        ),
    ):
        left = network.solve_bias(replace(c, **change))
        rest = abs(float(left.gain_upper if name == "upper" else left.gain_lower))
        if rest < 0.1 * abs(gain):
            share = 100.0 * rest / abs(gain)
            return text + (
                f"that leaves {share:.1g} % of it." if share > 0.1 else "that nulls it."
            ), change
    return "", {}


def _offsets(scene: _Scene) -> Iterator[Finding]:
    p, k = scene.point, network.product_gain(scene.circuit)
    if not abs(k) > 0:
        return
    for name, trim, gain, cause in (
        ("upper", "trim_lower", float(p.gain_upper[0]), "lower"),
        ("lower", "trim_upper", float(p.gain_lower[0]), "upper"),
    ):
        offset = gain / k
        if abs(offset) < OFFSET_LIMIT:
            continue
        text, change = _cure_feedthrough(scene, name, cause, trim, gain)
        yield Finding(
            "warning",
            "feedthrough",
            name,
            f"The {name} input comes through with a gain of "
            f"{format_quantity(gain, '', 2)} while the other is at zero, as if the {cause} input "
            f"had an offset of {format_quantity(offset, 'V', 2)}.",
            gain,
            "",
            text,
            change,
        )
    offset, full = float(p.v_out[0]), scene.tail * float(p.r_load[0])
    if abs(offset) > 0.01 * full:
        settings, after = null_trims(scene.circuit, ("trim_balance",))
        rest = float(network.solve_bias(after).v_out)
        good = abs(rest) < 0.1 * abs(offset)
        yield Finding(
            "note",
            "offset",
            "loads",
            f"The output rests at {format_quantity(offset, 'V', 2)} with both inputs at zero.",
            offset,
            "V",
            f"A load balance of {format_quantity(100 * settings['trim_balance'], '%', 2)} nulls it."
            if good
            else "",
            settings if good else {},
        )


def _linear(scene: _Scene) -> Iterator[Finding]:
    for side, drive in zip(("upper", "lower"), scene.drives):
        limit = network.linear_range(scene.circuit, side)
        if not drive > limit:  # also when there is no range to speak of
            continue
        v_t = float(scene.point.thermal_voltage[0])
        thd = float(network.distortion(scene.circuit, side, [drive])[0])
        if drive > 3 * v_t:
            text = (
                f"The {side} drive of {format_quantity(drive, 'V', 2)} is far past the "
                f"{format_quantity(limit, 'V', 2)} for 1 % distortion: that pair switches "
                "rather than follows, as a mixer wants and a modulator does not."
            )
        else:
            text = (
                f"The {side} drive of {format_quantity(drive, 'V', 2)} is past the "
                f"{format_quantity(limit, 'V', 2)} for 1 % distortion; it makes "
                f"{format_fixed(100 * thd, 1, '%')}."
            )
        name = f"r_emitter_{side}"
        start = max(getattr(scene.circuit, name), v_t / scene.tail / 10)

        def follows(s: _Scene, side: str = side, drive: float = drive) -> bool:
            return float(network.distortion(s.circuit, side, [drive])[0]) <= 0.01

        def fitted(f: float, name: str = name, start: float = start) -> Change:
            return {name: start * f}

        change = _search(scene, fitted, follows, 500.0) or {}
        suggestion = f"To follow it, keep the drive to {format_quantity(limit, 'V', 2)}"
        cost = 0.0
        if change:
            cost = network.product_gain(replace(scene.circuit, **change)) / network.product_gain(
                scene.circuit
            )
        if cost < 0.05:  # a cure that takes the gain away is none
            change = {}
        else:
            suggestion += (
                f", or fit {format_quantity(change[name], 'ohm', 2)} in each emitter, "
                f"which leaves {format_quantity(100 * cost, '%', 2)} of the gain"
            )
        yield Finding("note", "linear range", side, text, thd, "", suggestion + ".", change)


def _good(scene: _Scene) -> Finding:
    room, q, _ = scene.room(scene.all.headroom)
    gain = network.product_gain(scene.circuit)
    count = {6: "six", 7: "seven"}[len(scene.all.headroom)]
    return Finding(
        "good",
        "healthy",
        "",
        f"All {count} transistors work as they should at rest and at the "
        f"peaks of both drives; the nearest to saturation is {q} with "
        f"{format_quantity(room, 'V', 2)} to spare. The tail carries "
        f"{format_quantity(scene.tail, 'A')}, and 10 mV on both inputs make "
        f"{format_quantity(gain * 1e-4, 'V', 2)}.",
        room,
        "V",
    )


def apply(circuit: Circuit, finding: Finding) -> Circuit:
    """The circuit with the change of a finding made (the same circuit if it proposes none)."""
    known = {f.name for f in fields(Circuit)}
    return replace(circuit, **{k: v for k, v in finding.change.items() if k in known})
