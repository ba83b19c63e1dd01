"""What is said about a use: sentences, names and explanations of its figures, notes.

The numbers come from the modules beside this package; nothing is computed here but texts.
A module for each family, and here what they share.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from forktail.core.quantities import format_quantity as text_of
from forktail.core.spec import specs_of
from forktail.core.uses.reference import Bench
from forktail.core.uses.result import Merit


@dataclass(frozen=True)
class Told:
    """Name of a figure, its relation in words and symbols, and where that stops holding."""

    name: str
    relation: str = ""
    stops: str = ""


@dataclass(frozen=True)
class CurveWords:
    """Title, labels of both axes and of the traces, and how to read a characteristic."""

    title: str
    x_label: str
    y_label: str
    labels: tuple[str, ...]
    text: str = ""


@dataclass(frozen=True)
class Said:
    """All that is said about one run: figures and curves by key; the window where the run
    itself does not tell it."""

    sentence: str
    figures: dict[str, Told]
    curves: dict[str, CurveWords] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    window: str = ""


def divisor(b: Bench, lower: int = 0, upper: int = 0) -> tuple[str, str]:
    """Words for the powers of 1 + gm RE by which emitter resistors divide a law.

    Returns
    -------
    inside, where : str
        `" D U^2"` for the divisor and `", D = 1 + gm RE = 3.31 of the lower pair, U = ..."` for
        what they are; "" where there are no resistors.
    """
    inside, where = "", ""
    for sign, power, ohms, d, pair in (
        ("D", lower, b.r_emitter_lower, b.d_lower, "the lower pair"),
        ("U", upper, b.r_emitter_upper, b.d_upper, "an upper pair"),
    ):
        if power and ohms:
            inside += f" {sign}" if power == 1 else f" {sign}^{power}"
            where += f", {sign} = 1 + gm RE = {d:.3g} of {pair}"
    return inside, where


def divided(under: str, inside: str) -> str:
    """`" / (48 D^3)"` of what a law is divided by anyway and what `divisor` adds."""
    whole = f"{under}{inside}".strip()
    if not whole:
        return ""
    return f" / ({whole})" if " " in whole else f" / {whole}"


def edges(b: Bench) -> str:
    """Words for the ends of both linear ranges."""
    carrier, tone = (text_of(b.linear(side), "V") for side in ("upper", "lower"))
    return (
        f"carrier or tone passes {tone}"
        if carrier == tone
        else f"the carrier passes {carrier} or the tone {tone}"
    )


def dc_notes(settings: Any, b: Bench, dc: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """What is said where DC goes to an input with a coupling capacitor: tuple of str.

    `dc` : tuple of (name of a setting, side).
    """
    sides = [
        side
        for name, side in dc
        if getattr(settings, name) != 0.0 and b.path.feed(side).corner > 0.0
    ]
    return tuple(
        f"The DC on the {side} input is applied behind its coupling capacitor, which passes none."
        for side in dict.fromkeys(sides)
    )


# ---------------------------------------------------------------- differences


#: Per cent under which a figure in % is told apart from its relation in parts of that.
SMALL = 2.0


#: A relation this small beside the figure is a zero with rounding on it.
_NOTHING = 1e-9


def difference(merit: Merit) -> tuple[float, str] | None:
    """How far a figure lies from its textbook relation.

    Parameters
    ----------
    merit : Merit

    Returns
    -------
    (float, str) or None
        In dB, degrees or points of per cent for such units; else, and for less than `SMALL` per
        cent, in % of the relation. None where there is no relation, or nothing but rounding to
        compare.
    """
    law, value = merit.relation_value, merit.value
    if law is None or not (math.isfinite(law) and math.isfinite(value)):
        return None
    if merit.unit == "dB":
        return None if max(abs(law), abs(value)) >= 200.0 else (value - law, "dB")
    if merit.unit == "deg" or merit.unit == "%" and not 0.0 < abs(law) < SMALL:
        return value - law, merit.unit
    if abs(law) < _NOTHING * abs(value) or law == 0.0:
        return None if value else (0.0, "%")
    return 100.0 * (value / law - 1.0), "%"


def difference_text(merit: Merit) -> str:
    """The difference as shown, with its sign; "" if there is none to show."""
    found = difference(merit)
    if found is None:
        return ""
    value, unit = found
    return _signed(value, unit, _in_points(merit))


def _in_points(merit: Merit) -> bool:
    """Whether the difference of a figure in % is told in points of per cent."""
    return merit.unit == "%" and not 0.0 < abs(merit.relation_value or 0.0) < SMALL


def _signed(value: float, unit: str, points: bool = False) -> str:
    size = abs(value)
    text = f"{value:.{2 if size < 10 else 1 if size < 100 else 0}f}"
    text = "0" if not float(text) else f"+{text}" if value > 0 else text
    text += "\u00a0points" if points else {"deg": "\u00b0"}.get(unit, f" {unit}")
    return text.replace("-", "\u2212")


# ---------------------------------------------------------------- causes


def part_in_words(part: str, b: Bench) -> str:
    """Name of a part that `causes.ideals` makes ideal, with its value."""
    side = "upper" if part.endswith("upper") else "lower"
    if part == "load_pole":
        return f"the load pole at {text_of(b.path.load_pole, 'Hz')}"
    if part.startswith("coupling"):
        corner = text_of(b.path.feed(side).corner, "Hz")
        return f"the coupling capacitor of the {side} input, corner at {corner}"
    if part.startswith("offset"):
        s = specs_of(b.solve)[part]
        return f"the {s.label[:1].lower()}{s.label[1:]}, {s.show(getattr(b.solve, part))}"
    if (c := b.built) is None:
        return part
    if part.startswith("drive"):
        ohms = getattr(c, f"r_source_{side}")
        return f"the source of {text_of(ohms, 'ohm')} before the bias of the {side} input"
    return {
        "beta": f"the current gain of {c.beta_forward:.3g}",
        "early": f"the Early voltage of {text_of(c.v_early, 'V')}",
        "match": "unequal transistors, loads or trims",
        "tail": "the change of the tail current",
    }[part]


def because(
    merit: Merit, agrees: bool, inside: bool, parts: Iterable[tuple[str, float]], b: Bench
) -> str:
    """Why a figure does not hold here.

    Parameters
    ----------
    merit : Merit
    agrees, inside : bool
        Whether the figure is as close as its relation claims; whether the scene is inside the
        limit of the relation.
    parts : tuple of (part, share)
        From `causes.shares`, in the unit of the figure.
    b : reference.Bench

    Returns
    -------
    str
        One sentence, or "".
    """
    law = merit.relation_value
    if law is None:
        if not parts:
            return ""
        names = " and ".join(part_in_words(p, b) for p, _ in parts)
        return f"Here it comes from {names}."
    if agrees:
        return "The scene is past that limit; the figure is still close to the relation."
    off = difference_text(merit)
    if not off:
        off = text_of(merit.value - law, merit.unit) if math.isfinite(law) else ""
    off = f"by {off}" if off else "from it"
    told = ", ".join(f"{part_in_words(p, b)} makes {_share(merit, s)}" for p, s in parts)
    if told:
        rest = "" if inside else "; the scene is past that limit as well"
        return f"Here the figure is off {off}: {told}{rest}."
    if not inside:
        return f"Here the figure is off {off}: the scene is past that limit."
    return f"Here the figure is off {off}, and no single part of the cell makes it."


def _share(merit: Merit, share: float) -> str:
    law = merit.relation_value
    points = _in_points(merit)
    if merit.unit in ("dB", "deg") or points:
        return _signed(share, merit.unit, points)
    if not law:
        return text_of(share, merit.unit)
    return _signed(100.0 * share / law, "%")
