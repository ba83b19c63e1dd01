"""State of the Build page: one built circuit, where it is looked at, and what is asked of it."""

import math
from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np
import param

from forktail.circuits import shipped, shipped_titles
from forktail.core.bench.drives import DrivenCircuit, drive, line
from forktail.core.bench.plan import PlanQuestion
from forktail.core.built import findings, heat, mismatch, network, supply
from forktail.core.built.circuit import Circuit, break_part, single_faults
from forktail.core.built.references import round_circuit
from forktail.core.cell import law as cell
from forktail.core.cell.factors import term
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell
from forktail.core.path import IDEAL
from forktail.core.spec import choice, number, spec, specs_of, text, without
from forktail.core.uses import noise
from forktail.core.uses.reference import bench
from forktail.core.uses.words.noise import parts as noise_parts
from forktail.pages.build import circuit_texts
from forktail.pages.build.circuit_texts import SPECS, first_shipped
from forktail.ui.state import PageState, param_of

MODELS = {"textbook": "Textbook", "built": "Built", "overlay": "Overlay"}
TABS = {
    "curves": "Curves",
    "figures": "Figures",
    "values": "Values",
    "faults": "Faults",
    "mismatch": "Mismatch",
    "noise": "Noise",
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
#: Points of each transfer curve.
CURVE_POINTS = 61
#: An input with less gain than this, V/V, has none: what is left is feedthrough.
LEAST_GAIN = 0.1

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
    def loose(self):
        """Nodes that float at rest: name -> V as a meter of `network.METER` reads there."""
        names = network.floating(self.circuit)
        read = network.readings(self.circuit) if names else {}
        return {n: read[n] for n in names}

    @property
    def law(self):
        """The textbook law at the point; None where there is no textbook cell, or no answer."""
        t = self.textbook
        if t is None or not self.solved:
            return None
        at = float(t.r_load), float(t.thermal_voltage), self.v_upper, self.v_lower
        return term(float(t.i_tail), *at)

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
    """What takes longer than an event may: findings and figures of one circuit.

    `lines` are (name, Hz, V peak) of the output at the probe with both drives on, as the bench
    plan sets them: generators, coupling, cell and loads all in the way. None with a drive at zero.
    `supply` is what a ripple of the supply does; `heat`, what the lower pair does to itself with
    its input held at the peak of the drive.
    """

    circuit: Circuit
    findings: tuple
    figures: network.Figures
    lines: tuple
    supply: supply.SupplyFigures
    heat: heat.PairHeat


@lru_cache(maxsize=128)
def assess(driven):
    """Findings and figures of a `DrivenCircuit`; about a second, so never in an event."""
    circuit, peaks = driven.circuit, (driven.drive_upper, driven.drive_lower)
    figures, lines = network.figures(circuit), ()
    if bool(figures.bias.converged) and min(peaks) > 0.0:
        both = drive(circuit, *peaks, figures)
        up, low = (g.frequency for g in both.generators)
        lines = tuple(
            (name, f, line(both.waves, f))
            for name, f in (("difference", up - low), ("sum", up + low))
        )
    found = findings.findings(circuit, *peaks)
    warm = heat.pair_heat(circuit, 0.0, driven.drive_lower)
    return Assessment(circuit, found, figures, lines, supply.figures(circuit), warm)


@dataclass(frozen=True)
class Comparison:
    """Two circuits side by side: rows of (name, unit, before, after), SI, NaN where unsolved."""

    rows: tuple
    before: object
    after: object


@dataclass(frozen=True)
class Change:
    """A circuit and another version of it, with the inputs, V, at which both are looked at."""

    circuit: Circuit
    other: Circuit
    v_upper: float = 0.0
    v_lower: float = 0.0


@lru_cache(maxsize=128)
def compare(change):
    """What a `Change` changes, both circuits solved at rest and at the point.

    Nodes are as a meter of `network.METER` reads them.
    """
    both = []
    for c in (change.circuit, change.other):
        rest = network.solve_bias(c)
        point = network.solve_built(c, change.v_upper, change.v_lower)
        n = network.readings(c)
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
                        (network.NODES[k][0].upper() + network.NODES[k][1:], "V", n[k])
                        for k in n
                        if k != "supply" and not k.startswith("emitter_q")
                    ),
                ),
            )
        )
    after = {row[0]: row[2] for row in both[1][1]}
    rows = tuple((name, unit, value, after.get(name, math.nan)) for name, unit, value in both[0][1])
    return Comparison(rows, both[0][0], both[1][0])


@dataclass(frozen=True)
class NoiseQuestion:
    """A circuit at a point, inputs in V, and the band, Hz, in which its noise is added up."""

    circuit: Circuit
    v_upper: float = 0.0
    v_lower: float = 0.0
    noise_band: float = noise.BAND.default


@dataclass(frozen=True)
class NoiseCard:
    """Noise of a circuit at a point.

    `rows` are (name, unit, value, value of matched pairs), SI, NaN where there is none and None
    where no law says it; `parts` are (name, % of the power at the output), the largest first.
    """

    rows: tuple
    parts: tuple


@lru_cache(maxsize=64)
def noise_card(question):
    """The `NoiseCard` of a `NoiseQuestion`, in the middle of the band: no corner acts there.

    Raises
    ------
    QuantityError
        If the circuit has no answer there.
    """
    c, u, low, band = (getattr(question, f.name) for f in fields(NoiseQuestion))
    b = bench(BuiltCell(c), IDEAL)
    gains, laws = network.solve_built(c, u, low), textbook(c, u, low)
    runs, law = {}, noise.NoiseRun(noise.law(b, 0.0, low, u), 0.0, {}, math.nan)
    for side in ("upper", "lower"):
        gain = float(getattr(gains, f"gain_{side}"))
        # the feedthrough of a cell at rest is no gain
        gain = gain if abs(gain) > LEAST_GAIN else 0.0
        runs[side] = noise.measure_noise(b, side, 1.0, gain, v_lower=low, v_upper=u)
    run = runs["upper"]
    pole = network.corners(c)["load_pole"]
    rows = [
        ("At the output", "V/sqrt(Hz)", run.output, law.output),
        (f"At the output in {noise.BAND.show(band)}, rms", "V", run.output * band**0.5, None),
    ]
    if math.isfinite(pole):  # a single pole passes as much as a sharp edge pi/2 times as high
        whole = run.output * (0.5 * math.pi * pole) ** 0.5
        rows.append(("At the output up to the load pole, rms", "V", whole, None))
    for side, n in runs.items():
        ideal = replace(law, gain=abs(float(getattr(laws, f"gain_{side}"))) if n.gain else 0.0)
        rows.append((f"As seen from the {side} input", "V/sqrt(Hz)", n.input, ideal.input))
        if n.gain and math.isfinite(n.factor):
            figure = 10.0 * math.log10(n.factor)
            rows.append((f"Noise figure of the {side} input", "dB", figure, None))
    return NoiseCard(tuple(rows), noise_parts(run))


def _possible_faults(circuit):
    return tuple(
        f for f in single_faults(replace(circuit, faults=())) if f.key not in circuit.faults
    )


def _can_have(circuit, fault):
    """Whether a fault (or none, "") can be looked at in a circuit."""
    return not fault or fault in {f.key for f in _possible_faults(circuit)}


#: Trim -> parameter that holds it while a single build is looked at.
_KNOBS = {"trim_lower": "knob_lower", "trim_upper": "knob_upper", "trim_balance": "knob_balance"}
#: Specs of the trims, by field of the circuit, in the order in which they are turned.
TRIMS = {name: SPECS[name] for name in _KNOBS}


def _knob(trim):
    return param_of(TRIMS[trim].at(_KNOBS[trim], label=f"{TRIMS[trim].label}, of the build"))


_Asked = type(
    "_Asked",
    (PageState,),
    {
        **{f"spread_{n}": param_of(s) for n, s in specs_of(mismatch.Tolerances).items()},
        **{n: param_of(s) for n, s in specs_of(PlanQuestion).items()},
        "__module__": __name__,
        "__doc__": "What is asked of a circuit: everything that a bench plan depends on.",
    },
)


class BuildState(_Asked):
    """The Build page: the circuit as a value, the point it is looked at, and what is asked.

    The circuit is one frozen value; every change makes a new one, so that comparison is exact.
    A link carries only what differs from the chosen shipped circuit.
    """

    page = "build"
    unlinked = ("circuit",)  # a link carries its values one by one
    lasting = ("shipped", "model")

    shipped = param_of(
        choice("shipped", first_shipped(), shipped_titles(), "Circuit",
               "Shipped circuit that this one started from.", "view shipped")
    )  # fmt: skip
    circuit = param.ClassSelector(class_=Circuit, doc="The circuit as it stands.")
    model = param_of(choice("model", "built", MODELS, "Model", "Which answer is drawn.", "view"))
    tab = param_of(choice("tab", "curves", TABS, "Panel", "Panel shown at the side.", "view"))
    v_upper = param_of(spec("v_upper"))
    v_lower = param_of(spec("v_lower"))
    fault = param_of(text("fault", "", "Fault", "Fault that is looked at, or none.", "view"))
    unit = param_of(
        number("unit", 0, "", 0, specs_of(PlanQuestion)["builds"].high, whole=True, most_digits=6,
               label="Build looked at", part="trims",
               doc="Number of the build that the trims act on; 0 is as drawn.")
    )  # fmt: skip
    noise_band = param_of(noise.BAND.at(part="noise"))
    knob_lower = _knob("trim_lower")
    knob_upper = _knob("trim_upper")
    knob_balance = _knob("trim_balance")

    def __init__(self, **params):
        super().__init__(**params)
        self._notes = {}
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
        names = ("v_upper", "v_lower", "drive_upper", "drive_lower")
        return {n: self.specs[n].read(scene[n]) for n in names if n in scene}

    def defaults(self):
        """Page settings as the chosen shipped circuit has them."""
        own = super().defaults()
        del own["shipped"]
        return {**own, **self._scene_defaults()}

    def set_circuit(self, circuit, **also):
        """Put another circuit in place, and set what goes with it.

        In one step, as the page draws as soon as the circuit is there; a fault that it cannot have
        is looked at no more.
        """
        if circuit == self.circuit and not also:
            return
        self._notes[self.circuit.title] = self.circuit.note
        if not _can_have(circuit, also.get("fault", self.fault)):
            also["fault"] = ""
        self.param.update(circuit=circuit, **also)

    def edit(self, name, text):
        """Read an entry of the parts list; QuantityError says what is wrong, nothing changes."""
        self.set_circuit(circuit_texts.with_value(self.circuit, name, text))

    def choose_shipped(self, key):
        """Start from a shipped circuit."""
        if key in shipped():
            self.set_circuit(
                shipped()[key][0], shipped=key, fault="", unit=0, **self._scene_defaults(key)
            )

    def own_title(self):
        """Title of a circuit of one's own; "" while it is called as the shipped one."""
        title = self.circuit.title.strip() or "No name"
        return "" if title == self.base().title else title

    def circuit_options(self):
        """Choice of circuits, [key, title] each; a circuit of one's own stands with its name."""
        own = self.own_title()
        return [
            [key, own if own and key == self.shipped else title]
            for key, title in shipped_titles().items()
        ]

    def off_base(self):
        """Fields of the circuit that differ from the shipped one, in their order."""
        return circuit_texts.off(self.circuit, self.shipped)

    # Links and files

    def texts(self, changed_only=True):
        """Texts of the page settings and of each value off the shipped circuit."""
        own = super().texts(changed_only)
        own.pop("shipped", None)
        of_circuit = circuit_texts.link_texts(self.circuit, self.shipped)
        first = {n: of_circuit.pop(n) for n in ("circuit",) if n in of_circuit}
        return {**first, **own, **of_circuit}

    def apply_texts(self, texts):
        """Set page settings and values of the circuit; see `PageState.apply_texts`."""
        texts = dict(texts)
        circuit, key, problems = circuit_texts.take_link(texts)
        texts.pop("shipped", None)
        self.set_circuit(circuit, shipped=key)
        return problems + super().apply_texts(texts)

    def restore(self, query):
        """As `PageState.restore`; a note, which is in no link, comes back with its circuit."""
        problems = self.apply_query(query)
        note = self._notes.get(self.circuit.title, self.circuit.note)
        self.set_circuit(replace(self.circuit, note=note))
        return problems

    def read_text(self, spec, text):
        """As `PageState.read_text`; a fault that the circuit cannot have is none."""
        value = super().read_text(spec, text)
        return "" if spec.name == "fault" and not _can_have(self.circuit, value) else value

    def read_setting(self, name, text):
        """Read an entry for a page setting and set it; QuantityError if it cannot be."""
        value = self.read_text(self.param[name], text)
        if name == "unit" and value > self.builds:
            raise QuantityError(
                f"{self.param.unit.label}: '{value}' is more than the "
                f"{self.builds} builds of a run; it must be 0 to {self.builds}."
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
        """Back to the shipped circuit and its settings."""
        self.set_circuit(self.base())
        super().reset()

    def to_file(self):
        """Circuit file with the page settings in its [scene] table."""
        own = super().texts(changed_only=False)
        del own["shipped"]
        return circuit_texts.file_text(self.circuit, self.shipped, self.page, own)

    def apply_file(self, text):
        """Load a circuit file; see `PageState.apply_file`.

        Returns
        -------
        list of str
            One sentence for each thing that was not understood or taken for granted.
        """
        loaded = circuit_texts.read_circuit_file(text, self.page)
        self.set_circuit(loaded.circuit, shipped=loaded.key)
        return [*loaded.remarks, *super().apply_texts(loaded.settings)]

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

    def driven(self):
        """The circuit with its drives, to `assess`."""
        return self.made(DrivenCircuit)

    def change(self, other):
        """The circuit beside another version of it at the point, to `compare`."""
        return self.made(Change, other=other)

    def noise_question(self):
        """The circuit at the point, for its `noise_card`."""
        return self.made(NoiseQuestion)

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
        return self.made(mismatch.Tolerances, "spread_")

    def batch(self):
        """What a Monte Carlo run depends on. Trims move afterwards, and a name changes nothing."""
        bare = without(self.circuit, "trims", "view")
        return self.made(mismatch.Batch, circuit=bare, tolerances=self.tolerances())

    def one_build(self):
        """The build looked at with its trims, to `judge`."""
        batch, number = self.batch(), min(self.unit, self.builds)
        if not number:  # the circuit as drawn is in no batch
            batch = mismatch.Batch(batch.circuit)
        return OneBuild(batch, number, tuple(self.trims().items()))

    def judge(self):
        """Measures of the build looked at, with the trims as set and with trims at zero.

        Returns
        -------
        now, untrimmed : dict of measure (see `mismatch.MEASURES`) to float
        """
        one = self.one_build()
        return judge(one), judge(replace(one, trims=()))

    def trims(self):
        """Trims at work: those of the circuit, or of the one build looked at."""
        return {
            name: getattr(self, knob) if self.unit else getattr(self.circuit, name)
            for name, knob in _KNOBS.items()
        }

    def set_trims(self, values):
        """Set trims of the circuit, or of the one build looked at, which leaves the circuit."""
        if self.unit:
            self.param.update(**{_KNOBS[n]: v for n, v in values.items()})
        else:
            self.set_circuit(replace(self.circuit, **values))

    def null(self, names=tuple(mismatch.TRIMS)):
        """Solve for the trims that null the build looked at, and set them."""
        start = replace(self.circuit, **self.trims())
        settings, _, _ = mismatch.solve_trims(start, self.one_build().factors(), names)
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


def run_builds(batch, chunk):
    """Solve the builds of a `mismatch.Batch` a chunk at a time: yields `mismatch.Spread`."""
    return mismatch.monte_carlo(batch.circuit, batch.tolerances, batch.builds, batch.seed, chunk)


@lru_cache(maxsize=8)
def _drawn(batch):
    return mismatch.draw(batch.circuit, batch.tolerances, batch.builds, batch.seed)


@dataclass(frozen=True)
class OneBuild:
    """One build of a batch with its own trims: what its measures depend on.

    `number` counts from 1; 0 is the circuit of the batch as drawn. `trims` are pairs of name and
    value, SI; those that are left out are zero.
    """

    batch: mismatch.Batch
    number: int
    trims: tuple = ()

    def factors(self):
        """Factors on the parts, shape (1,), as `network.solve_many` takes them."""
        if not self.number:
            return {}
        return {k: a[self.number - 1 : self.number] for k, a in _drawn(self.batch).items()}


@lru_cache(maxsize=64)
def judge(one):
    """Measures of a `OneBuild`: dict of measure (see `mismatch.MEASURES`) to float."""
    # trims as values of the build, so that the equations of the circuit are set up once
    trims = {n: np.array([v]) for n, v in one.trims}
    values, _ = mismatch.measure(one.batch.circuit, {**one.factors(), **trims})
    return {k: float(v[0]) for k, v in values.items()}
