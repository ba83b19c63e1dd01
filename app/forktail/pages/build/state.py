"""State of the Build page: one built circuit, where it is looked at, and what is asked of it."""

import math
from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np
import param

from forktail.circuits import shipped
from forktail.core import files
from forktail.core.built import findings, mismatch, network
from forktail.core.built.circuit import Circuit, break_part, single_faults, unit_of
from forktail.core.built.file import holds_circuit, read_file, write_circuit
from forktail.core.built.preferred import SERIES
from forktail.core.built.references import round_circuit
from forktail.core.cell import law as cell
from forktail.core.checks import QuantityError
from forktail.core.quantities import (
    format_quantity,
    format_temperature,
    parse_quantity,
    parse_temperature,
)
from forktail.ui.state import PageState, Quantity, scene_of

MODELS = {"textbook": "Textbook", "built": "Built", "overlay": "Overlay"}
TABS = {
    "curves": "Curves",
    "figures": "Figures",
    "values": "Values",
    "faults": "Faults",
    "mismatch": "Mismatch",
}
#: Presets in trade terms: texts as in a link, over the chosen shipped circuit.
PRESETS = {
    "At rest": {"v_upper": "0V", "v_lower": "0V"},
    "Both inputs at +20 mV": {},
    "Upper pairs switched, lower at 20 mV": {"v_upper": "100mV"},
    "Both pairs fully steered": {"v_upper": "100mV", "v_lower": "100mV"},
    "Loads too large": {"r_load_left": "12k", "r_load_right": "12k"},
    "Upper transistors unequal": {
        "area": "1;1.06;1;1;1;1;1",
        "v_upper": "0V",
        "v_lower": "0V",
        "tab": "mismatch",
    },
    "Left load open": {"faults": "open:r_load_left"},
    "Bias levels swapped": {"faults": "swapped:levels"},
    "One upper pair reversed": {"faults": "swapped:pair_right"},
}
#: Most steps that can be undone.
MAX_UNDO = 100
#: Points of each transfer curve.
CURVE_POINTS = 61

_TEXTS = ("title", "note")
_INFINITE = {
    "r_termination_upper": "none",
    "r_termination_lower": "none",
    "v_early": "inf",
    "beta_forward": "inf",
    "beta_reverse": "inf",
}

#: What each entry of the parts list is called, for messages and labels.
LABELS = {
    "v_supply": "Supply",
    "temperature": "Temperature",
    "r_string_top": "String, top",
    "r_string_middle": "String, middle",
    "r_string_bottom": "String, bottom",
    "c_bypass_upper": "Upper bypass",
    "c_bypass_lower": "Lower bypass",
    "r_bias_upper_pos": "Bias, upper +",
    "r_bias_upper_neg": "Bias, upper \u2212",
    "r_bias_lower_pos": "Bias, lower +",
    "r_bias_lower_neg": "Bias, lower \u2212",
    "upper_mode": "Upper drive",
    "lower_mode": "Lower drive",
    "r_source_upper": "Generator",
    "r_source_lower": "Generator",
    "r_termination_upper": "Termination",
    "r_termination_lower": "Termination",
    "c_coupling_upper": "Coupling",
    "c_coupling_lower": "Coupling",
    "c_ground_upper": "Signal ground",
    "c_ground_lower": "Signal ground",
    "r_emitter_upper": "In Q1 to Q4",
    "r_emitter_lower": "In Q5 and Q6",
    "r_load_left": "Left load",
    "r_load_right": "Right load",
    "c_load": "At each output",
    "tail_kind": "Tail",
    "i_tail": "Tail current",
    "r_tail": "Tail resistor",
    "r_tail_emitter": "Emitter of Q7",
    "r_tail_base_top": "Base to supply",
    "r_tail_base_bottom": "Base to ground",
    "i_s": "Saturation current",
    "beta_forward": "Current gain",
    "beta_reverse": "Reverse gain",
    "v_early": "Early voltage",
    "g_leak": "Junction leakage",
    "trim_upper": "Trim, upper input",
    "trim_lower": "Trim, lower input",
    "trim_balance": "Load balance",
    "area": "Relative areas",
    "title": "Title",
    "note": "Note",
    "faults": "Faults",
}
CHOICES = {
    "upper_mode": {"single": "one side", "balanced": "balanced"},
    "lower_mode": {"single": "one side", "balanced": "balanced"},
    "tail_kind": {"ideal": "ideal", "resistor": "resistor", "transistor": "transistor"},
}
_DIGITS = 12


def read_value(circuit, name, text):
    """Read an entry for one field of a circuit.

    Parameters
    ----------
    circuit : Circuit
    name : str
        A field of `Circuit`, or `area1` to `area7` for one relative area.
    text : str

    Returns
    -------
    Circuit
        With that value.

    Raises
    ------
    QuantityError
        One sentence that names the entry, what was typed and what is allowed.
    """
    text = str(text)[:2000].strip()
    if name[:4] == "area" and name[4:].isdigit():
        k, label = int(name[4:]) - 1, f"Area of Q{name[4:]}"
        area = list(circuit.area)
        if not 0 <= k < len(area):
            raise QuantityError(f"{name} is not a value of a circuit.")
        area[k] = parse_quantity(text, "", label, 1e-6, 1e6)
        return replace(circuit, area=tuple(area))
    if name not in LABELS:
        raise QuantityError(f"'{name[:40]}' is not a value of a circuit.")
    label = LABELS[name]
    if name in _TEXTS:
        return replace(circuit, **{name: text})
    if name in CHOICES:
        if text not in CHOICES[name]:
            raise QuantityError(
                f"{label}: '{text[:40]}' is not known; allowed are {', '.join(CHOICES[name])}."
            )
        return _without_lost_faults(circuit, **{name: text})
    if name == "faults":
        return _checked(circuit, name, tuple(f for f in text.split(";") if f), text)
    if name == "area":
        values = tuple(parse_quantity(t, "", label, 1e-6, 1e6) for t in text.split(";"))
        return _checked(circuit, name, values, text)
    if name in _INFINITE and text.lower() in ("none", "inf", "infinite"):
        return _checked(circuit, name, math.inf, text)
    if name == "temperature":
        value = parse_temperature(text, label)
    elif unit_of(name) == "S":
        try:
            value = float(text.lower().removesuffix("s"))
        except ValueError:
            raise QuantityError(
                f"{label}: '{text[:40]}' is not a conductance; wanted is siemens "
                "as a plain number, such as 1e-13."
            ) from None
    else:
        value = parse_quantity(text, unit_of(name), label)
    return _checked(circuit, name, value, text)


def _without_lost_faults(circuit, **change):
    """Change a choice, leaving out faults of parts that go with it."""
    bare = replace(circuit, faults=(), **change)
    if not circuit.faults:
        return bare
    known = {f.key for f in single_faults(bare)}
    return replace(bare, faults=tuple(f for f in circuit.faults if f in known))


def _checked(circuit, name, value, text):
    try:
        return (
            _without_lost_faults(circuit, **{name: value})
            if name != "faults"
            else replace(circuit, faults=value)
        )
    except QuantityError as error:
        said = str(error)
        _, _, allowed = said.rpartition("; ")
        unit = unit_of(name)
        if name == "temperature":
            raise QuantityError(
                f"{LABELS[name]}: '{text}' is out of range; allowed is \u221273 to 177 \u00b0C."
            ) from None
        if not allowed.startswith("allowed") or unit in ("", "S"):
            raise QuantityError(f"{LABELS[name]}: '{text}': {said}") from None
        raise QuantityError(f"{LABELS[name]}: '{text}' is out of range; {allowed}") from None


def show_value(name, value, digits=4):
    """Text of a value for the screen: `2.20 kΩ` is shown as `2.2 kΩ`."""
    if name in _TEXTS or name in CHOICES:
        return str(value)
    if name == "temperature":
        return format_temperature(value)
    if isinstance(value, tuple):
        return "; ".join(v if isinstance(v, str) else f"{v:g}" for v in value)
    if math.isinf(value):
        return _INFINITE.get(name, "inf")
    unit = unit_of(name) if name in LABELS else ""
    if unit in ("S", ""):
        return f"{value:.6g}" + (" S" if unit else "")
    text = format_quantity(value, unit, digits)
    number, _, rest = text.partition(" ")
    if "." in number:
        number = number.rstrip("0").rstrip(".")
    return f"{number} {rest}".strip()


def exact_value(name, value):
    """Shortest text that `read_value` reads back to the same value."""
    if name in _TEXTS or name in CHOICES:
        return str(value)
    if isinstance(value, tuple):
        return ";".join(v if isinstance(v, str) else _plain(v) for v in value)
    if math.isinf(value):
        return _INFINITE.get(name, "inf")
    if name == "temperature":
        for text in (f"{value - 273.15:.6g}degC", f"{value!r}K"):
            if parse_temperature(text) == value:
                return text
    unit = unit_of(name)
    if unit in ("S", ""):
        return _plain(value)
    for digits in range(1, 18):
        text = format_quantity(value, unit, digits, ascii_only=True).replace(" ", "")
        if parse_quantity(text, unit) == value:
            number = text.rstrip("VAFohmkMGunpf")
            short = (number.rstrip("0").rstrip(".") if "." in number else number) + text[
                len(number) :
            ]
            return short if parse_quantity(short, unit) == value else text
    return repr(value)


def _plain(value):
    return f"{value:g}" if float(f"{value:g}") == value else repr(value)


def first_shipped():
    """Key of the circuit that the page opens with: the mixer where there is one."""
    keys = list(shipped())
    return next((k for k in keys if "mixer" in k), keys[0])


# ------------------------------------------------------------------ what is solved, and shared


@dataclass(frozen=True)
class BuildScene:
    """One numerical result of the Build page, shared by all its views.

    `inspection` is the built answer at the drawn point, `textbook` the textbook cell with the
    same loads, emitter resistors, temperature and tail (None where the tail is unsolved).
    """

    circuit: Circuit
    model: str
    v_upper: float
    v_lower: float
    inspection: network.Inspection
    textbook: cell.OperatingPoint | None

    @property
    def built(self):
        """The built answer."""
        return self.inspection.point

    @property
    def solved(self):
        """Whether the built answer may be shown."""
        return bool(self.built.converged)

    @property
    def point(self):
        """The answer that the schematic draws; None if there is none."""
        if self.model == "textbook":
            return self.textbook
        return self.built if self.solved else None


@lru_cache(maxsize=256)
def _tail_at_rest(circuit):
    return float(network.solve_bias(circuit).i_tail)


def textbook(circuit, v_upper, v_lower):
    """The textbook cell beside a circuit; None if the tail at rest has no solution.

    The textbook knows no supply levels and no mismatch: it is given the tail current at rest,
    the mean load, the emitter resistors and the temperature.
    """
    tail = _tail_at_rest(circuit)
    if not math.isfinite(tail):
        return None
    settings = cell.CellSettings(
        r_load=0.5 * (circuit.r_load_left + circuit.r_load_right),
        temperature=circuit.temperature,
        v_supply=circuit.v_supply,
        r_emitter_upper=circuit.r_emitter_upper,
        r_emitter_lower=circuit.r_emitter_lower,
    )
    return cell.solve_cell(v_upper, v_lower, max(tail, 0.0), settings)


@dataclass(frozen=True)
class Assessment:
    """What takes longer than an event may: findings and figures of one circuit."""

    findings: tuple
    figures: network.Figures


@lru_cache(maxsize=128)
def assess(circuit, drive_upper, drive_lower):
    """Findings and figures of a circuit; about a second, so never in an event."""
    return Assessment(
        findings.findings(circuit, drive_upper, drive_lower), network.figures(circuit)
    )


@dataclass(frozen=True)
class Comparison:
    """Two circuits side by side: rows of (name, unit, before, after), SI, NaN where unsolved."""

    rows: tuple
    before: object
    after: object


@lru_cache(maxsize=128)
def compare(circuit, other, v_upper=0.0, v_lower=0.0):
    """What another version of a circuit changes, both solved at rest and at the point."""
    both = []
    for c in (circuit, other):
        rest = network.solve_bias(c)
        point = network.solve_built(c, v_upper, v_lower)
        n = rest.nodes
        both.append(
            (
                rest,
                (
                    ("Output here", "V", float(point.v_out)),
                    ("Output at rest", "V", float(rest.v_out)),
                    ("Gain per product", "1/V", network.product_gain(c)),
                    ("Upper gain here", "", float(point.gain_upper)),
                    ("Lower gain here", "", float(point.gain_lower)),
                    ("Tail current", "A", float(rest.i_tail)),
                    ("Supply current", "A", network.supply_current(c)),
                    *(
                        (network.NODES[k][0].upper() + network.NODES[k][1:], "V", float(n[k]))
                        for k in n
                        if k != "supply" and not k.startswith("emitter_q")
                    ),
                ),
            )
        )
    after = {row[0]: row[2] for row in both[1][1]}
    rows = tuple((name, unit, value, after.get(name, math.nan)) for name, unit, value in both[0][1])
    return Comparison(rows, both[0][0], both[1][0])


def _possible_faults(circuit):
    return tuple(
        f for f in single_faults(replace(circuit, faults=())) if f.key not in circuit.faults
    )


def _can_have(circuit, fault):
    """Whether a fault (or none, "") can be looked at in a circuit."""
    return not fault or fault in {f.key for f in _possible_faults(circuit)}


def _volt(default, span, step, label, symbol, doc, bound=10.0):
    return Quantity(
        default,
        bounds=(-bound, bound),
        slider=(-span, span),
        step=step,
        unit="V",
        label=label,
        symbol=symbol,
        doc=doc,
    )


#: Trims as the page shows them: a quantity each, with its slider.
TRIM_QUANTITIES = {
    "trim_lower": Quantity(
        0.0, bounds=(-1.0, 1.0), slider=(-0.01, 0.01), step=5e-5, unit="V", label="Trim, lower"
    ),
    "trim_upper": Quantity(
        0.0, bounds=(-1.0, 1.0), slider=(-0.01, 0.01), step=5e-5, unit="V", label="Trim, upper"
    ),
    "trim_balance": Quantity(
        0.0, bounds=(-1.9, 1.9), slider=(-0.1, 0.1), step=5e-4, unit="", label="Load balance"
    ),
}
#: Trim -> parameter that holds it while a single build is looked at.
_KNOBS = {"trim_lower": "knob_lower", "trim_upper": "knob_upper", "trim_balance": "knob_balance"}


class BuildState(PageState):
    """The Build page: the circuit as a value, the point it is looked at, and what is asked.

    The circuit is one frozen value; every change makes a new one, so that undo and comparison
    are exact. A link carries only what differs from the chosen shipped circuit.
    """

    page = "build"
    unlinked = ("circuit",)  # a link carries its values one by one

    shipped = param.Selector(
        objects=list(shipped()),
        default=first_shipped(),
        label="Circuit",
        doc="Shipped circuit that this one started from.",
    )
    circuit = param.ClassSelector(class_=Circuit, doc="The circuit as it stands.")
    model = param.Selector(
        default="built",
        objects={t: k for k, t in MODELS.items()},
        label="Model",
        doc="Which answer is drawn.",
    )
    tab = param.Selector(
        default="curves",
        objects={t: k for k, t in TABS.items()},
        label="Panel",
        doc="Panel shown at the side.",
    )
    v_upper = _volt(0.02, 0.1, 0.001, "Upper input", "v_upper", "Differential input, V.")
    v_lower = _volt(0.02, 0.1, 0.001, "Lower input", "v_lower", "Differential input, V.")
    drive_upper = Quantity(
        0.1,
        bounds=(0.0, 10.0),
        slider=(0.0, 0.3),
        step=0.001,
        unit="V",
        label="Upper peak drive",
        symbol="",
        doc="For the findings, V.",
    )
    drive_lower = Quantity(
        0.01,
        bounds=(0.0, 10.0),
        slider=(0.0, 0.3),
        step=0.001,
        unit="V",
        label="Lower peak drive",
        symbol="",
        doc="For the findings, V.",
    )
    series = param.Selector(
        default="E24", objects=list(SERIES), label="Series", doc="Preferred values of resistors."
    )
    fault = param.String(default="", doc="Fault that is looked at, key of single_faults.")
    spread_v_be = Quantity(
        1e-3,
        bounds=(0.0, 0.1),
        slider=(0.0, 5e-3),
        step=1e-4,
        unit="V",
        label="V_BE, sigma",
        symbol="",
        doc="Spread of V_BE, V.",
    )
    spread_resistor = Quantity(
        1.0,
        bounds=(0.0, 50.0),
        slider=(0.0, 10.0),
        step=0.1,
        unit="%",
        label="Resistors, \u00b1",
        symbol="",
        doc="Tolerance, %.",
    )
    spread_beta = Quantity(
        20.0,
        bounds=(0.0, 200.0),
        slider=(0.0, 50.0),
        step=1.0,
        unit="%",
        label="Beta, sigma",
        symbol="",
        doc="Spread of beta, %.",
    )
    builds = param.Integer(
        default=400, bounds=(10, 5000), label="Builds", doc="Builds of a Monte Carlo run."
    )
    seed = param.Integer(
        default=1, bounds=(0, 999_999), label="Seed", doc="Equal seeds, equal builds."
    )
    unit = param.Integer(
        default=0,
        bounds=(0, 5000),
        label="Build looked at",
        doc="Number of the build that the trims act on; 0 is as drawn.",
    )
    knob_lower = _volt(0.0, 0.01, 5e-5, "Trim of the build, lower", "", "Trim, V.", 1.0)
    knob_upper = _volt(0.0, 0.01, 5e-5, "Trim of the build, upper", "", "Trim, V.", 1.0)
    knob_balance = Quantity(
        0.0,
        bounds=(-1.9, 1.9),
        slider=(-0.1, 0.1),
        step=5e-4,
        unit="",
        label="Load balance of the build",
        symbol="",
        doc="Balance.",
    )

    def __init__(self, **params):
        super().__init__(**params)
        self._undo = []
        self._last_edit = ""
        if self.circuit is None:
            self.circuit = self.base()

    def watched(self):
        """Names of the parameters whose change redraws the page."""
        return [*self.fields(), "circuit"]

    # The circuit

    def base(self):
        """The shipped circuit that this one started from."""
        return shipped()[self.shipped][0]

    def _scene_defaults(self, key=None):
        """Page settings that a shipped circuit brings along."""
        scene = shipped()[key or self.shipped][1]
        values = {}
        for name in ("v_upper", "v_lower", "drive_upper", "drive_lower"):
            if name in scene:
                values[name] = self.param[name].read(str(scene[name]))
        return values

    def defaults(self):
        """Page settings as the chosen shipped circuit has them."""
        own = {n: self.param[n].default for n in self.fields() if n != "shipped"}
        return {**own, **self._scene_defaults()}

    def set_circuit(self, circuit, edit="", **also):
        """Put another circuit in place, so that `undo` can take it back.

        Edits in a row with the same non-empty `edit` name count as one (a trim being dragged).
        """
        if circuit == self.circuit and not also:
            return
        if circuit != self.circuit:
            if not edit or edit != self._last_edit:
                self._undo.append((self.circuit, self.shipped))
                del self._undo[:-MAX_UNDO]
            self._last_edit = edit
        self._put(circuit, **also)

    def _put(self, circuit, **also):
        """Set the circuit and what goes with it; a fault that it cannot have is looked at no more.

        In one step: the page draws as soon as the circuit is there.
        """
        if not _can_have(circuit, also.get("fault", self.fault)):
            also["fault"] = ""
        self.param.update(circuit=circuit, **also)

    @property
    def can_undo(self):
        """Number of changes that can be taken back."""
        return len(self._undo)

    def undo(self):
        """Take the last change of the circuit back."""
        if self._undo:
            circuit, key = self._undo.pop()
            self._last_edit = ""
            self._put(circuit, shipped=key)

    def edit(self, name, text):
        """Read an entry of the parts list; QuantityError says what is wrong, nothing changes."""
        self.set_circuit(read_value(self.circuit, name, text))

    def forget_undo(self):
        """Start the steps of undo here: what a link brought is not a change."""
        self._undo.clear()

    def choose_shipped(self, key):
        """Start from a shipped circuit (undo gives back the one before)."""
        if key in shipped():
            self.set_circuit(
                shipped()[key][0], shipped=key, fault="", unit=0, **self._scene_defaults(key)
            )

    def off_base(self):
        """Fields of the circuit that differ from the shipped one, in their order."""
        base = self.base()
        return [
            f.name
            for f in fields(Circuit)
            if getattr(self.circuit, f.name) != getattr(base, f.name)
        ]

    # Links and files

    def texts(self, changed_only=True):
        """Texts of the page settings and of each value off the shipped circuit."""
        out, defaults = {}, self.defaults()
        if not changed_only or self.shipped != first_shipped():
            out["circuit"] = self.shipped
        for name in self.fields():
            spec, value = self.param[name], getattr(self, name)
            if name == "shipped" or changed_only and value == defaults[name]:
                continue
            out[name] = spec.exact(value) if isinstance(spec, Quantity) else str(value)
        for name in self.off_base() if changed_only else ():
            if name != "note":
                out[name] = exact_value(name, getattr(self.circuit, name))
        return out

    def apply_texts(self, texts):
        """Set page settings and values of the circuit; see `PageState.apply_texts`."""
        texts, problems = dict(texts), []
        key = texts.pop("circuit", first_shipped())
        if key not in shipped():
            problems.append(
                f"circuit: '{str(key)[:40]}' is not shipped; known are {', '.join(shipped())}."
            )
            key = first_shipped()
        circuit = shipped()[key][0]
        own = {n: texts.pop(n) for n in list(texts) if n in LABELS}
        # choices first: they decide which faults can be there; faults last
        for name in sorted(own, key=lambda n: (n not in CHOICES, n == "faults")):
            try:
                circuit = read_value(circuit, name, own[name])
            except QuantityError as error:
                problems.append(str(error))
        self.set_circuit(circuit, shipped=key)
        return problems + super().apply_texts({n: t for n, t in texts.items() if n != "shipped"})

    def read_text(self, spec, text):
        if isinstance(spec, param.Integer):
            low, high = spec.bounds
            try:
                value = int(str(text))
            except ValueError:
                value = None
            if value is None or not low <= value <= high:
                raise QuantityError(
                    f"{spec.label}: '{str(text)[:40]}' does not fit; allowed is "
                    f"a whole number from {low} to {high}."
                )
            return value
        value = super().read_text(spec, text)
        return "" if spec.name == "fault" and not _can_have(self.circuit, value) else value

    def read_setting(self, name, text):
        """Read an entry for a page setting and set it; QuantityError if it cannot be."""
        value = self.read_text(self.param[name], text)
        if name == "unit" and value > self.builds:
            raise QuantityError(
                f"{self.param.unit.label}: '{value}' is more than the "
                f"{self.builds} builds of a run; allowed is 0 to {self.builds}."
            )
        if name == "unit":  # another build, another set of trims
            self.param.update(unit=value, **dict.fromkeys(_KNOBS.values(), 0.0))
        else:
            self.param.update(**{name: value})

    def presets(self):
        """Names of the presets."""
        return list(PRESETS)

    def apply_preset(self, name):
        """Load a preset: a point to look at, or a change of the chosen shipped circuit."""
        self.apply_texts(
            {"circuit": self.shipped, "tab": self.tab, "model": self.model, **PRESETS[name]}
        )

    def reset(self):
        """Back to the shipped circuit and its settings (undo gives back the circuit)."""
        self.set_circuit(self.base())
        super().reset()

    def to_file(self):
        """Circuit file with the page settings in its [scene] table."""
        scene = {"page": self.page, **self.texts(changed_only=True)}
        for name in [n for n in scene if n in LABELS]:
            del scene[name]
        return write_circuit(self.circuit, scene)

    def apply_file(self, text):
        """Load a circuit file; see `PageState.apply_file`."""
        table = files.read(text)
        if not holds_circuit(table):
            scene_of(table, self.page)
        circuit, scene = read_file(text)
        scene = {n: t for n, t in scene.items() if n not in LABELS}
        scene.pop("page", None)
        key = scene.pop("circuit", self.shipped)
        key = key if key in shipped() else self.shipped
        known = {n: t for n, t in scene.items() if n in self.fields()}
        self.set_circuit(circuit, shipped=key)
        return PageState.apply_texts(self, known)

    # Answers

    def scene(self):
        """Solve once for all views."""
        inspection = network.inspect(self.circuit, self.v_upper, self.v_lower, gains=True)
        return BuildScene(
            self.circuit,
            self.model,
            self.v_upper,
            self.v_lower,
            inspection,
            textbook(self.circuit, self.v_upper, self.v_lower),
        )

    def reach(self, name):
        """Ends of a transfer curve: the slider's, widened in steps to hold the point."""
        low, high = self.param[name].slider
        size = abs(getattr(self, name))
        while high < size:
            low, high = 2.5 * low, 2.5 * high
        return low, high

    def curves(self):
        """Transfer curves over each input, the other one as set.

        Returns
        -------
        dict of "v_upper" and "v_lower" to (x, built or None, textbook or None)
            V; arrays of shape (CURVE_POINTS,), NaN where there is no solution. Which are there
            follows `model`.
        """
        return {
            "v_upper": _curve(
                self.circuit, "v_upper", self.v_lower, self.reach("v_upper"), self.model
            ),
            "v_lower": _curve(
                self.circuit, "v_lower", self.v_upper, self.reach("v_lower"), self.model
            ),
        }

    def assessment(self):
        """Arguments of `assess` for the present state."""
        return self.circuit, self.drive_upper, self.drive_lower

    def rounded(self):
        """The circuit at preferred values: (Circuit, rows of `Rounded`)."""
        return round_circuit(self.circuit, self.series)

    def faults(self):
        """Faults that the present circuit can have, beyond those it has."""
        return _possible_faults(self.circuit)

    def with_fault(self, key=None):
        """The circuit with one more fault: that of the key, or the one looked at."""
        return break_part(self.circuit, key or self.fault)

    def apply_finding(self, finding):
        """Make the change that a finding proposes."""
        self.set_circuit(findings.apply(self.circuit, finding))

    # Mismatch

    def tolerances(self):
        """Spread of parts as the core wants it."""
        return mismatch.Tolerances(
            self.spread_v_be, self.spread_resistor / 100.0, self.spread_beta / 100.0
        )

    def run_key(self):
        """What a Monte Carlo run depends on: equal keys, equal runs. Trims move afterwards."""
        bare = replace(
            self.circuit, trim_upper=0.0, trim_lower=0.0, trim_balance=0.0, title="", note=""
        )
        return bare, self.tolerances(), self.builds, self.seed

    def one_build(self):
        """Factors on the parts of the build looked at, shape (1,); {} for the circuit as drawn."""
        bare, *batch = self.run_key()
        return _build_of(bare, *batch, min(self.unit, self.builds))

    def one_build_key(self):
        """What `judge` depends on, beside the circuit."""
        return self.unit and (self.unit, self.run_key(), *self.trims().values())

    def judge(self):
        """Measures of the build looked at, with the trims as set and with trims at zero.

        Returns
        -------
        now, untrimmed : dict of measure (see `mismatch.MEASURES`) to float
        """
        bare, *batch = self.run_key()
        number = min(self.unit, self.builds)
        # trims as values of the build, so that the equations of the circuit are set up once
        trims = {n: np.array([v]) for n, v in self.trims().items()}
        return (_judge(bare, {**self.one_build(), **trims}), _untrimmed(bare, *batch, number))

    def trims(self):
        """Trims at work: those of the circuit, or of the one build looked at."""
        return {
            name: getattr(self, knob) if self.unit else getattr(self.circuit, name)
            for name, knob in _KNOBS.items()
        }

    def set_trims(self, values, edit=""):
        """Set trims of the circuit, or of the one build looked at, which leaves the circuit."""
        if self.unit:
            self.param.update(**{_KNOBS[n]: v for n, v in values.items()})
        else:
            self.set_circuit(replace(self.circuit, **values), edit)

    def set_trim(self, name, value):
        """Move one trim; a drag is one step of undo."""
        self.set_trims({name: value}, edit=f"trim:{name}")

    def null(self, names=tuple(mismatch.TRIMS)):
        """Solve for the trims that null the build looked at, and set them."""
        start = replace(self.circuit, **self.trims())
        settings, _, _ = mismatch.solve_trims(start, self.one_build(), names)
        self.set_trims({n: float(f"{float(v[0]):.7g}") for n, v in settings.items()})


@lru_cache(maxsize=64)
def _curve(circuit, axis, other, ends, model):
    """One transfer curve; the one over the input that moves stays as it was."""
    x = np.linspace(*ends, CURVE_POINTS)
    inputs = (x, other) if axis == "v_upper" else (other, x)
    built = ideal = None
    if model != "textbook":
        built = network.solve_built(circuit, *inputs, gains=False).v_out
    if model != "built":
        point = textbook(circuit, *inputs)
        ideal = None if point is None else point.v_out
    return x, built, ideal


def run_builds(key, chunk):
    """Solve the builds of a `BuildState.run_key` a chunk at a time: yields `mismatch.Spread`."""
    circuit, tolerances, builds, seed = key
    return mismatch.monte_carlo(circuit, tolerances, builds, seed, chunk)


@lru_cache(maxsize=8)
def _drawn(circuit, tolerances, builds, seed):
    return mismatch.draw(circuit, tolerances, builds, seed)


def _build_of(circuit, tolerances, builds, seed, number):
    """Factors on the parts of one build of a batch, shape (1,); {} for number 0."""
    if not number:
        return {}
    scale = _drawn(circuit, tolerances, builds, seed)
    return {k: a[number - 1 : number] for k, a in scale.items()}


def _judge(circuit, scale):
    values, _ = mismatch.measure(circuit, scale)
    return {k: float(v[0]) for k, v in values.items()}


@lru_cache(maxsize=32)
def _untrimmed(circuit, tolerances, builds, seed, number):
    return _judge(circuit, _build_of(circuit, tolerances, builds, seed, number))
