"""State of the Compare page: which circuit, what each column of a capture is, and the answer."""

from dataclasses import dataclass, replace

import numpy as np
import param

from forktail.circuits import shipped
from forktail.core.bench.plan import points_of
from forktail.core.built.circuit import Circuit
from forktail.core.built.file import write_circuit
from forktail.core.capture.compare import compare_capture, found_circuit
from forktail.core.capture.fill import fill_inputs
from forktail.core.capture.read import ROLES, map_columns, read_table
from forktail.core.capture.readings import HIGHEST, LOWEST, compare_readings, read_readings
from forktail.core.quantities import format_quantity, parse_quantity
from forktail.core.spec import SPECS, choice, flag, number, spec, text
from forktail.pages.build import circuit_texts
from forktail.pages.build.circuit_texts import first_shipped
from forktail.pages.build.state import BuildState
from forktail.resources import assets_dir
from forktail.ui.state import PageState, param_of
from forktail.ui.text import tidy

#: The invented capture that "Open the invented example" opens, and its circuit.
EXAMPLE = "bat-call-mixer-board-invented.csv"
EXAMPLE_CIRCUIT = "bat-call-mixer"
#: Role in `capture.ROLES` -> parameter of the state, and its label.
COLUMNS = {
    "time": ("column_time", "Time"),
    "v_upper": ("column_upper", "Upper input"),
    "v_lower": ("column_lower", "Lower input"),
    "v_left": ("column_left", "Left output"),
    "v_right": ("column_right", "Right output"),
    "v_out": ("column_out", "Output, right \u2212 left"),
}
#: Role -> parameter of the factor of its channel.
PROBES = {"v_upper": "probe_upper", "v_lower": "probe_lower", "v_out": "probe_out"}
#: Where the inputs were probed: key -> title.
PROBED = {
    "capture": "told from the capture",
    "base lines": "B: at the base lines",
    "generator": "A: at the generator",
}
FACTORS = {"as recorded": 1.0, "times 10": 10.0, "divided by 10": 0.1, "inverted": -1.0}

__all__ = [
    "COLUMNS",
    "EXAMPLE",
    "FACTORS",
    "CompareState",
    "Question",
    "answer",
    "example_bytes",
    "read_job",
    "readings_job",
]


@dataclass(frozen=True)
class Question:
    """All that a comparison depends on, apart from the rows of the file.

    `upper` and `lower` are (peak in V, frequency in Hz) of a sine that was not captured, or None;
    a peak of 0 is a drive that was switched off. `probed` is a key of `PROBED`.
    """

    circuit: Circuit
    roles: tuple
    factors: tuple
    interval: float
    no_mean: bool
    upper: tuple | None = None
    lower: tuple | None = None
    probed: str = "capture"


def read_job(data, name, tell):
    """Read a file in a separate process; see `capture.read_table`."""
    tell(0.1, f"reading {name}")
    return read_table(data, name)


def readings_job(circuit, written, tell):
    """Hold readings against a circuit, in a separate process."""
    tell(0.1, "comparing the readings")
    lines = "\n".join(written.split())
    return compare_readings(read_readings(lines, circuit), circuit)


def answer(table, question, tell=None):
    """Map the columns of a table and compare.

    Parameters
    ----------
    table : CaptureTable
    question : Question
    tell : callable, optional
        `tell(share, text)`.

    Returns
    -------
    comparison : Comparison
    notes : tuple of str
        What was taken for granted on the way.

    Raises
    ------
    QuantityError
    """
    tell = tell or (lambda share, text: None)
    tell(0.2, "checking columns and time")
    capture = map_columns(
        table, dict(question.roles), dict(question.factors), question.interval or None
    )
    drives = {"v_upper": question.upper, "v_lower": question.lower}
    quiet = [n for n, drive in drives.items() if drive and drive[0] == 0.0]
    if quiet:
        still = {n: np.zeros(len(capture.time)) for n in quiet}
        capture = replace(capture, **still)
    given = {n: d for n, d in drives.items() if n not in quiet and getattr(capture, n) is None}
    capture = fill_inputs(capture, question.circuit, **given)
    comparison = compare_capture(
        capture,
        question.circuit,
        None if question.probed == "capture" else question.probed,
        keep_means=not question.no_mean,
        tell=tell,
    )
    return comparison, comparison.notes


def example_bytes():
    """The invented capture."""
    return (assets_dir() / "captures" / EXAMPLE).read_bytes()


def _volts(written):
    try:
        return tidy(format_quantity(float(written), "V", 5))
    except ValueError:  # a link may hold anything; the comparison says what is wrong
        return written


#: Highest number of a column that can be chosen; a file may have fewer.
MOST_COLUMNS = 16


def _column(label):
    # the numbers are those of columns; their names come with the file
    keys = ("none", *map(str, range(1, MOST_COLUMNS + 1)))
    return param_of(choice("", "none", {k: k for k in keys}, label))


def _probe(label):
    return param_of(choice("", "as recorded", {k: k for k in FACTORS}, label))


def _drive(quantity, default, label):
    doc = f"If not captured, {SPECS[quantity].unit}."
    if quantity == "amplitude":
        doc += " 0: switched off."
    return param_of(spec(quantity, default=default, label=label, doc=doc, part="capture"))


def _stretch(name, default, low, high, slider, label):
    return param_of(
        number(
            name,
            default,
            "%",
            low,
            high,
            label=label,
            doc="Of the capture, per cent.",
            slider=slider,
            step=0.5,
            part="view",
        )
    )


class CompareState(PageState):
    """The Compare page. The capture itself is no part of a link, except for the example."""

    page = "compare"
    unlinked = (
        "circuit",
        "column_time",
        "column_upper",
        "column_lower",
        "column_left",
        "column_right",
        "column_out",
    )

    example = param_of(flag("example", False, "Invented example", "Whether it is open."))
    shipped = param_of(
        choice(
            "shipped",
            first_shipped(),
            {key: key for key in shipped()},
            "Circuit",
            "Shipped circuit that this one started from.",
        )
    )
    circuit = param.ClassSelector(class_=Circuit, doc="What the capture is compared with.")
    column_time = _column("Time")
    column_upper = _column("Upper input")
    column_lower = _column("Lower input")
    column_left = _column("Left output")
    column_right = _column("Right output")
    column_out = _column("Output, right \u2212 left")
    probe_upper = _probe("Upper input is")
    probe_lower = _probe("Lower input is")
    probe_out = _probe("Outputs are")
    no_mean = param_of(
        flag(
            "no_mean",
            True,
            "Subtract the mean from both inputs",
            "The coupling capacitors block a mean, so it says more about the scope.",
        )
    )
    probed = param_of(choice("probed", "capture", PROBED, "Inputs were probed"))
    interval = param_of(
        spec(
            "time",
            label="Sample interval",
            doc="0: from the file, s.",
            slider=(0.0, 1e-5),
            step=1e-8,
            part="capture",
        )
    )
    peak_upper = _drive("amplitude", 0.1, "Upper drive, peak")
    frequency_upper = _drive("frequency", 50e3, "Upper drive, frequency")
    peak_lower = _drive("amplitude", 0.01, "Lower drive, peak")
    frequency_lower = _drive("frequency", 45e3, "Lower drive, frequency")
    readings = param_of(
        text("readings", "", "Readings of a meter", "At rest, such as TP1=12 TP3=4.62.", "readings")
    )
    start = _stretch("start", 0.0, 0.0, 99.0, (0.0, 99.0), "Shown from")
    span = _stretch("span", 100.0, 0.1, 100.0, (1.0, 100.0), "Shown length")

    def __init__(self, **params):
        super().__init__(**params)
        self.table = None
        if self.circuit is None:
            self.circuit = shipped()[self.shipped][0]

    def watched(self):
        """Everything: columns and circuit are not in links, but do change the page."""
        return [n for n in self.param if n != "name"]

    # The capture

    def take(self, table, whole=True):
        """Take a table instead of the one before, with the guess of its columns.

        `whole` shows all of it; else the stretch that is set (by a link).
        """
        self.table = table
        names = {"none": "none"}
        names |= {str(k): text for k, text in enumerate(self.column_names(), 1)}
        values = {}
        for role, (name, _) in COLUMNS.items():
            self.specs[name].offer(names)
            column = table.roles.get(role)
            values[name] = "none" if column is None else str(column + 1)
        if values["column_time"] == "none" and "index" in table.roles:
            values["column_time"] = str(table.roles["index"] + 1)
        if whole:
            values |= {"start": 0.0, "span": 100.0}
        self.param.update(**values)

    def column_names(self):
        """Name of each column with its number and unit: `2: upper (V)`."""
        t = self.table
        return [
            f"{t.number(k)}: {t.names[k] or 'no name'}" + (f" ({t.units[k]})" if t.units[k] else "")
            for k in range(t.data.shape[1])
        ]

    def missing(self):
        """Inputs that no column holds: a list of "upper" and "lower"."""
        return [side for side in ("upper", "lower") if getattr(self, f"column_{side}") == "none"]

    def question(self):
        """What is asked of the present capture."""
        roles, factors = [], []
        for role in ROLES:
            column = getattr(self, COLUMNS[role][0])
            if column == "none":
                continue
            place = int(column) - 1
            if (
                role == "time"
                and "time" not in self.table.roles
                and self.table.roles.get("index") == place
            ):
                role = "index"
            roles.append((role, place))
            probe = PROBES.get(role, "probe_out")
            if role not in ("time", "index"):
                factors.append((role, FACTORS[getattr(self, probe)]))
        drives = {
            side: (getattr(self, f"peak_{side}"), getattr(self, f"frequency_{side}"))
            for side in self.missing()
        }
        return Question(
            self.circuit,
            tuple(roles),
            tuple(factors),
            self.interval,
            self.no_mean,
            probed=self.probed,
            **drives,
        )

    # Readings of a meter

    def points(self):
        """Test points of the circuit: tuple of (name, node, where)."""
        return points_of(self.circuit)

    def read(self):
        """What was read, as it is shown: name of the test point -> text."""
        return {name: _volts(written) for name, written in self._pairs().items()}

    def _pairs(self):
        return dict(word.split("=", 1) for word in self.readings.split() if "=" in word)

    def set_reading(self, point, written):
        """Take one reading; an empty text takes it back.

        Raises
        ------
        QuantityError
            For what is no voltage.
        """
        kept = self._pairs()
        kept.pop(point, None)
        if written.strip():
            volts = parse_quantity(written, "V", point, LOWEST, HIGHEST)
            kept[point] = f"{volts:.6g}"
        order = [name for name, _, _ in self.points()]
        self.readings = " ".join(f"{name}={kept[name]}" for name in order if name in kept)

    # The circuit

    def choose_shipped(self, key):
        """Compare with a shipped circuit."""
        if key in shipped():
            self.param.update(shipped=key, circuit=shipped()[key][0])

    def build_query(self, **fields):
        """Query of the Build page for the present circuit, some fields replaced."""
        return circuit_texts.query_of(replace(self.circuit, **fields), self.shipped)

    def found_query(self, comparison, place):
        """Query of the Build page for the board as a cause has it; `place` from 0."""
        return circuit_texts.query_of(found_circuit(comparison, place), self.shipped)

    def found_file(self, comparison, place):
        """Circuit file of the board as a cause has it."""
        circuit = found_circuit(comparison, place)
        title = f"{circuit.title}, board as found"
        note = f"As found from {comparison.name}: {comparison.causes[place].title}."
        return write_circuit(replace(circuit, title=title, note=note), {})

    # Links and files: a link of the Build page is understood, so that it leads here

    def texts(self, changed_only=True):
        """Settings of the page, and the circuit as the Build page writes it."""
        own = super().texts(changed_only)
        own.pop("shipped", None)
        return {**circuit_texts.link_texts(self.circuit, self.shipped), **own}

    def apply_texts(self, texts):
        """Set settings and circuit; what only the Build page knows is let pass."""
        texts = dict(texts)
        circuit, key, problems = circuit_texts.take_link(texts)
        for name in list(texts):
            if name == "shipped" or name in BuildState.param and name not in self.fields():
                del texts[name]
        problems += super().apply_texts(texts)
        self.param.update(shipped=key, circuit=circuit)
        return problems

    def defaults(self):
        """As everywhere, but the circuit is kept."""
        out = super().defaults()
        out.pop("shipped", None)
        return out

    def reset(self):
        """Settings back to their defaults and columns to their guess; the capture stays."""
        example = self.example
        super().reset()
        self.param.update(example=example, circuit=shipped()[self.shipped][0])
        if self.table is not None:
            self.take(self.table)

    def to_file(self):
        """Circuit file with the page settings in its [scene] table."""
        own = super().texts(changed_only=False)
        own = {n: t for n, t in own.items() if n not in ("shipped", "example")}
        return circuit_texts.file_text(self.circuit, self.shipped, self.page, own)

    def apply_file(self, text):
        """Load a circuit file; see `PageState.apply_file`.

        Returns
        -------
        list of str
            One sentence for each thing that was not understood or taken for granted.
        """
        loaded = circuit_texts.read_circuit_file(text, self.page)
        problems = []
        if loaded.settings:
            kept = {"example": "yes" if self.example else "no"}
            problems = super().apply_texts({**loaded.settings, **kept})
        self.param.update(circuit=loaded.circuit, shipped=loaded.key)
        return [*loaded.remarks, *problems]
