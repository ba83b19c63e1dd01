"""The parts of the built cell: values of every part, and the ways in which it can be built wrong.

The circuit, node by node (names as in `network.NODES`):

- `supply` feeds the loads `r_load_left` and `r_load_right` (nodes `left`, `right`) and the
  divider string `r_string_top`, `r_string_middle`, `r_string_bottom`, whose taps are the nodes
  `level_upper` and `level_lower`, each bypassed to ground.
- Each of the four base lines has a bias resistor to its tap.
- In "single" mode a drive reaches the positive base line through its coupling capacitor and the
  negative line is grounded for signals by its own capacitor; in "balanced" mode each line gets
  half of the drive through a separate capacitor.
- Q1..Q4 are the upper pairs, Q5 and Q6 the lower pair, in the order that `cell` uses.
- The tail is an ideal current, a resistor, or one transistor Q7 with an emitter resistor and
  its own base divider from the supply, bypassed to ground.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

from forktail.core.checks import QuantityError
from forktail.core.notebook import as_call, table
from forktail.core.spec import SPECS, TAIL_LAW, choice, number, setting, spec, specs_of, text
from forktail.core.thermal import T_NOMINAL, tail_at

#: An open part, ohm: a broken joint still leaks a little.
OPEN = 1e9
#: A shorted part or solder bridge, ohm: little beside every part of a cell.
SHORT = 1.0
#: Temperatures over which the law of the junction is used, K.
COLDEST, HOTTEST = SPECS["temperature"].ends
#: Relative emitter area of one transistor.
AREA = spec("area")

_MODES = {"single": "one side", "balanced": "balanced"}
_TAILS = {"ideal": "ideal", "resistor": "resistor", "transistor": "transistor"}


def _part(quantity: str, default: float, label: str, part: str = "cell") -> Any:
    return setting(spec(quantity, default=default, label=label, part=part))


@dataclass(frozen=True, repr=False)
class Circuit:
    """Every value of one built cell. SI units; the defaults are a healthy bat-call mixer.

    All values are invented for our workshop. Making one checks it: a value out of range raises
    `checks.QuantityError` naming the field.

    Attributes
    ----------
    title, note : what it is, for people.
    v_supply : V.
    r_string_top, r_string_middle, r_string_bottom : ohm, supply to upper tap, upper tap to lower
        tap, lower tap to ground.
    c_bypass_upper, c_bypass_lower : F, each tap to ground.
    r_bias_upper_pos, r_bias_upper_neg, r_bias_lower_pos, r_bias_lower_neg : ohm, tap to base line.
    upper_mode, lower_mode : "single" or "balanced".
    r_source_upper, r_source_lower : ohm, output resistance of the generator (of both halves
        together when balanced).
    r_termination_upper, r_termination_lower : ohm, across the drive before the coupling
        capacitor; inf where there is none.
    c_coupling_upper, c_coupling_lower : F, each coupling capacitor.
    c_ground_upper, c_ground_lower : F, signal ground of the negative line ("single" only).
    r_emitter_upper, r_emitter_lower : ohm, in each emitter of Q1..Q4, of Q5 and Q6; 0 for none.
    r_load_left, r_load_right : ohm.
    c_load : F, from each output to ground, wiring and probe included.
    tail_kind : "ideal", "resistor" or "transistor".
    i_tail : A, of the ideal source at 25 degC, which gives way as the tail node nears ground.
    tail_law : "constant" or "absolute", what it does with the temperature (`thermal.tail_at`).
    r_tail : ohm, of the tail resistor.
    r_tail_emitter, r_tail_base_top, r_tail_base_bottom : ohm, around Q7.
    c_bypass_tail : F, base of Q7 to ground.
    i_s : A, saturation current at 25 degC of a transistor of area 1.
    beta_forward, beta_reverse : current gains, dimensionless; inf allowed.
    v_early : V, forward Early voltage; inf allowed.
    area : seven numbers, relative emitter area of Q1..Q7.
    temperature : K, of all transistors.
    g_leak : S, leakage across each junction.
    thermal_resistance : K/W, junction to air of each transistor; only what is said of its heat
        depends on it.
    trim_upper, trim_lower : V, offset added between the bias feeds of the two base lines, half
        on each side.
    trim_balance : load balance, dimensionless: the left load is multiplied by 1 + b/2, the right
        by 1 - b/2.
    faults : tuple of str, keys of `single_faults`.
    """

    title: str = setting(text("title", "Bat-call mixer", "Title", part="view"))
    note: str = setting(text("note", "", "Note", part="view"))
    v_supply: float = _part("v_supply", 12.0, "Supply")
    r_string_top: float = _part("resistor", 6800.0, "String, top")
    r_string_middle: float = _part("resistor", 2700.0, "String, middle")
    r_string_bottom: float = _part("resistor", 3300.0, "String, bottom")
    c_bypass_upper: float = _part("capacitor", 10e-6, "Upper bypass")
    c_bypass_lower: float = _part("capacitor", 10e-6, "Lower bypass")
    r_bias_upper_pos: float = _part("resistor", 2200.0, "Bias, upper +")
    r_bias_upper_neg: float = _part("resistor", 2200.0, "Bias, upper \u2212")
    r_bias_lower_pos: float = _part("resistor", 2200.0, "Bias, lower +")
    r_bias_lower_neg: float = _part("resistor", 2200.0, "Bias, lower \u2212")
    upper_mode: str = setting(choice("upper_mode", "single", _MODES, "Upper drive"))
    lower_mode: str = setting(choice("lower_mode", "single", _MODES, "Lower drive"))
    r_source_upper: float = _part("resistance", 50.0, "Upper generator")
    r_source_lower: float = _part("resistance", 50.0, "Lower generator")
    r_termination_upper: float = _part("termination", 51.0, "Upper termination")
    r_termination_lower: float = _part("termination", 51.0, "Lower termination")
    c_coupling_upper: float = _part("capacitor", 100e-9, "Upper coupling")
    c_coupling_lower: float = _part("capacitor", 100e-9, "Lower coupling")
    c_ground_upper: float = _part("capacitor", 1e-6, "Upper signal ground")
    c_ground_lower: float = _part("capacitor", 1e-6, "Lower signal ground")
    r_emitter_upper: float = _part("r_emitter", 0.0, "Emitters of Q1 to Q4")
    r_emitter_lower: float = _part("r_emitter", 0.0, "Emitters of Q5 and Q6")
    r_load_left: float = _part("r_load", 2200.0, "Left load")
    r_load_right: float = _part("r_load", 2200.0, "Right load")
    c_load: float = _part("capacitance", 22e-12, "Capacitance at each output")
    tail_kind: str = setting(choice("tail_kind", "transistor", _TAILS, "Tail"))
    i_tail: float = _part("i_tail", 1e-3, "Tail current")
    tail_law: str = setting(TAIL_LAW)
    r_tail: float = _part("resistor", 2200.0, "Tail resistor")
    r_tail_emitter: float = _part("resistance", 1000.0, "Emitter of Q7")
    r_tail_base_top: float = _part("resistor", 12000.0, "Base of Q7 to supply")
    r_tail_base_bottom: float = _part("resistor", 2200.0, "Base of Q7 to ground")
    c_bypass_tail: float = _part("capacitor", 15e-6, "Bypass at the base of Q7")
    i_s: float = setting(number("i_s", 1e-14, "A", 1e-20, 1e-6, label="Saturation current"))
    beta_forward: float = _part("current_gain", 200.0, "Current gain")
    beta_reverse: float = _part("current_gain", 4.0, "Reverse gain")
    v_early: float = setting(
        number("v_early", 80.0, "V", 5.0, None, infinite="inf", label="Early voltage")
    )
    area: tuple[float, ...] = (1.0,) * 7
    temperature: float = _part("temperature", T_NOMINAL, "Temperature")
    g_leak: float = setting(number("g_leak", 1e-13, "S", 1e-16, 1e-3, label="Junction leakage"))
    thermal_resistance: float = setting(
        number(
            "thermal_resistance",
            250.0,
            "K/W",
            0.0,
            1e4,
            label="Thermal resistance, junction to air",
        )
    )
    trim_upper: float = _part("trim", 0.0, "Trim, upper input", "trims")
    trim_lower: float = _part("trim", 0.0, "Trim, lower input", "trims")
    trim_balance: float = _part("balance", 0.0, "Load balance", "trims")
    faults: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name, allowed in specs_of(Circuit).items():
            object.__setattr__(self, name, allowed.check(getattr(self, name), name))
        area = tuple(self.area)
        if len(area) == 6:
            area = (*area, 1.0)
        elif len(area) != 7:
            raise QuantityError(
                f"area has {len(area)} numbers; give seven, one for each of Q1 to Q7."
            )
        area = tuple(AREA.check(a, f"area of Q{k}") for k, a in enumerate(area, 1))
        object.__setattr__(self, "area", area)
        faults = (self.faults,) if isinstance(self.faults, str) else tuple(self.faults)
        object.__setattr__(self, "faults", faults)
        if faults:
            known = {fault.key for fault in single_faults(replace(self, faults=()))}
            for key in faults:
                if key not in known:
                    raise QuantityError(
                        f"faults holds {key!r}, which this circuit cannot have; "
                        f"it can have such as {', '.join(sorted(known)[:3])}."
                    )

    @property
    def ideal_tail(self) -> float:
        """Current of the ideal source at the temperature of the circuit, A."""
        return tail_at(self.i_tail, self.temperature, self.tail_law)

    def __repr__(self) -> str:
        return as_call(self)

    def _repr_html_(self) -> str:
        """A table for a notebook: every part that this circuit has."""
        idle = {"title", "note", *unused(self)}
        rows = [
            (name, allowed.title, allowed.show(getattr(self, name)))
            for name, allowed in specs_of(self).items()
            if name not in idle
        ]
        rows.append(("area", "Emitter areas of Q1 to Q7", ", ".join(map(AREA.show, self.area))))
        wrong = (fault.text for fault in single_faults(self) if fault.key in self.faults)
        return table(self.title, rows, ("name", "what it is", "value"), (self.note, *wrong))


#: What belongs to one kind of tail only.
_OF_TAIL = {
    "ideal": {"i_tail", "tail_law"},
    "resistor": {"r_tail"},
    "transistor": {"r_tail_emitter", "r_tail_base_top", "r_tail_base_bottom", "c_bypass_tail"},
}


def unused(circuit: Circuit) -> dict[str, str]:
    """Fields that have no part in this circuit, as its kind of tail or drive has no such part.

    Returns
    -------
    dict of str to str
        Field -> the field that decides it (`tail_kind`, `upper_mode` or `lower_mode`).
    """
    out = {n: "tail_kind" for kind, names in _OF_TAIL.items() for n in names}
    for name in _OF_TAIL[circuit.tail_kind]:
        del out[name]
    for side in ("upper", "lower"):
        if getattr(circuit, f"{side}_mode") == "balanced":
            out[f"c_ground_{side}"] = f"{side}_mode"
    return out


@dataclass(frozen=True)
class Fault:
    """One way in which a single part or wire can be wrong. `key` goes into `Circuit.faults`."""

    key: str
    part: str
    kind: str
    text: str


_RESISTORS = {
    "r_string_top": "top resistor of the string",
    "r_string_middle": "middle resistor of the string",
    "r_string_bottom": "bottom resistor of the string",
    "r_bias_upper_pos": "bias resistor of the positive upper base line",
    "r_bias_upper_neg": "bias resistor of the negative upper base line",
    "r_bias_lower_pos": "bias resistor of the positive lower base line",
    "r_bias_lower_neg": "bias resistor of the negative lower base line",
    "r_load_left": "left load resistor",
    "r_load_right": "right load resistor",
    "r_tail": "tail resistor",
    "r_tail_emitter": "emitter resistor of the tail transistor",
    "r_tail_base_top": "upper resistor of the tail's base divider",
    "r_tail_base_bottom": "lower resistor of the tail's base divider",
}


def transistor_names(circuit: Circuit) -> tuple[str, ...]:
    """`("Q1", ..., "Q6")`, and "Q7" with a transistor tail."""
    return tuple(f"Q{k}" for k in range(1, 8 if circuit.tail_kind == "transistor" else 7))


def resistor_parts(circuit: Circuit) -> dict[str, tuple[str, float]]:
    """Resistors present in the circuit: a dict of part name to (text, ohms).

    Emitter resistors of the pairs are parts `r_emitter_q1` to `r_emitter_q6`.
    """
    parts = {}
    for name, words in _RESISTORS.items():
        if name == "r_tail" and circuit.tail_kind != "resistor":
            continue
        if name.startswith("r_tail_") and circuit.tail_kind != "transistor":
            continue
        if getattr(circuit, name) > 0:
            parts[name] = (words, getattr(circuit, name))
    for k in range(1, 7):
        ohms = circuit.r_emitter_upper if k < 5 else circuit.r_emitter_lower
        if ohms > 0:
            parts[f"r_emitter_q{k}"] = (f"emitter resistor of Q{k}", ohms)
    return parts


def single_faults(circuit: Circuit) -> tuple[Fault, ...]:
    """Every single fault that this circuit can have.

    Returns
    -------
    tuple of Fault
        Open and shorted resistors, open and shorted capacitors of the drives, open terminals
        and shorted junctions of each transistor, transistors reversed, pairs with their
        bases swapped, and the two bias levels swapped.
    """
    faults = []

    def add(key: str, part: str, kind: str, words: str) -> None:
        faults.append(Fault(key, part, kind, words))

    for name, (words, _) in resistor_parts(circuit).items():
        add(f"open:{name}", name, "open", f"The {words} is open.")
        add(f"short:{name}", name, "short", f"The {words} is shorted.")
    for side in ("upper", "lower"):
        if getattr(circuit, f"{side}_mode") == "single":
            caps = (
                (f"c_coupling_{side}", f"coupling capacitor of the {side} drive"),
                (f"c_ground_{side}", f"signal-ground capacitor of the negative {side} line"),
            )
        else:
            caps = (
                (f"c_coupling_{side}_pos", f"positive coupling capacitor, {side} drive"),
                (f"c_coupling_{side}_neg", f"negative coupling capacitor, {side} drive"),
            )
        for name, words in caps:
            add(f"open:{name}", name, "open", f"The {words} is open.")
            add(f"short:{name}", name, "short", f"The {words} is shorted.")
        add(f"open:drive_{side}", f"drive_{side}", "open", f"The {side} drive is not connected.")
        if math.isfinite(getattr(circuit, f"r_termination_{side}")):
            add(
                f"open:r_termination_{side}",
                f"r_termination_{side}",
                "open",
                f"The termination of the {side} drive is open.",
            )
    for q in transistor_names(circuit):
        for terminal in ("base", "collector", "emitter"):
            add(f"open:{q}.{terminal}", q, "open", f"The {terminal} of {q} is open.")
        for pair in ("base-emitter", "base-collector", "collector-emitter"):
            add(
                f"short:{q}.{pair}", q, "short", f"{q} is shorted from {pair.replace('-', ' to ')}."
            )
        add(f"reversed:{q}", q, "reversed", f"{q} is in backwards: collector and emitter swapped.")
    add(
        "swapped:pair_left",
        "Q1",
        "swapped",
        "The left upper pair is reversed: the bases of Q1 "
        "and Q2 are swapped, so the pairs are no longer crossed.",
    )
    add(
        "swapped:pair_right",
        "Q3",
        "swapped",
        "The right upper pair is reversed: the bases of "
        "Q3 and Q4 are swapped, so the pairs are no longer crossed.",
    )
    add(
        "swapped:pair_lower",
        "Q5",
        "swapped",
        "The lower pair is reversed: the bases of Q5 and "
        "Q6 are swapped, so the output changes sign.",
    )
    add(
        "swapped:levels",
        "levels",
        "swapped",
        "The two bias levels are swapped: the upper bases are below the lower ones.",
    )
    return tuple(faults)


def break_part(circuit: Circuit, fault: Fault | str) -> Circuit:
    """Return the circuit with one more fault, given as `Fault` or its key.

    Raises
    ------
    QuantityError
        If this circuit cannot have that fault.
    """
    key = fault.key if isinstance(fault, Fault) else str(fault)
    return replace(circuit, faults=tuple(dict.fromkeys((*circuit.faults, key))))
