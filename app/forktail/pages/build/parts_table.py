"""The parts of the circuit as a list of entries: reference, what it is, value with unit."""

from forktail.core.built.circuit import AREA, single_faults, transistor_names, unused
from forktail.core.built.references import references
from forktail.core.quantities import UNITS
from forktail.pages.build.circuit_texts import SPECS, area_of
from forktail.pages.build.state import BuildState
from forktail.ui.html import STYLES, escape, request
from forktail.ui.markup import MarkupView
from forktail.ui.text import tidy

#: Page settings that stand among the parts, as they belong to the drives.
SETTINGS = ("drive_upper", "drive_lower")

_SECTIONS = (
    ("Supply", ("v_supply", "temperature")),
    (
        "Divider string",
        ("r_string_top", "r_string_middle", "r_string_bottom", "c_bypass_upper", "c_bypass_lower"),
    ),
    (
        "Bias of the base lines",
        ("r_bias_upper_pos", "r_bias_upper_neg", "r_bias_lower_pos", "r_bias_lower_neg"),
    ),
    (
        "Upper drive",
        (
            "upper_mode",
            "drive_upper",
            "r_source_upper",
            "r_termination_upper",
            "c_coupling_upper",
            "c_ground_upper",
        ),
    ),
    (
        "Lower drive",
        (
            "lower_mode",
            "drive_lower",
            "r_source_lower",
            "r_termination_lower",
            "c_coupling_lower",
            "c_ground_lower",
        ),
    ),
    ("Emitter resistors", ("r_emitter_upper", "r_emitter_lower")),
    ("Loads", ("r_load_left", "r_load_right", "c_load")),
    (
        "Tail",
        (
            "tail_kind",
            "i_tail",
            "tail_law",
            "r_tail",
            "r_tail_emitter",
            "r_tail_base_top",
            "r_tail_base_bottom",
            "c_bypass_tail",
        ),
    ),
    (
        "Transistors",
        ("i_s", "beta_forward", "beta_reverse", "v_early", "area", "g_leak", "thermal_resistance"),
    ),
    ("Trims", ("trim_upper", "trim_lower", "trim_balance")),
    ("Name", ("title", "note")),
)


#: What an entry is called below the heading of its section, where that already says the rest.
_SHORT = {
    "drive_upper": "Peak drive",
    "drive_lower": "Peak drive",
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
    "c_load": "At each output",
    "tail_law": "With temperature",
    "thermal_resistance": "Junction to air",
    "r_tail_base_top": "Base to supply",
    "r_tail_base_bottom": "Base to ground",
    "c_bypass_tail": "Bypass of the base",
}
_HINTS = {"": "a plain number", "K": "degrees Celsius, such as 25"}


def rows(circuit):
    """Sections of (title, names) with the entries that this circuit has."""
    idle = unused(circuit)
    for title, names in _SECTIONS:
        out = []
        for name in names:
            if name == "area":
                out += [f"area{q[1:]}" for q in transistor_names(circuit)]
            elif name not in idle:
                out.append(name)
        yield title, out


def _span(refs):
    """R15, R16, R17, R18 as R15–18."""
    return refs[0] if len(refs) == 1 else f"{refs[0]}\u2013{refs[-1][1:]}" if refs else ""


def _spec(name):
    if name in SETTINGS:
        return getattr(BuildState.param, name).spec
    return AREA if area_of(name) else SPECS[name]


def _label(name):
    return _SHORT.get(name) or _spec(name).title


def _hint(name):
    spec = _spec(name)
    if spec.kind == "text":
        return "text"
    _, measures, example = UNITS[spec.unit]
    return _HINTS.get(spec.unit, f"{measures}, such as {example}")


class PartsTable(MarkupView):
    """Entries for every value of a `BuildState`; each reports an `edit` message.

    An entry that could not be read keeps its text, with the sentence below it, until it is put
    right; the circuit keeps the value it had.
    """

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._shape = None
        self.bad = {}

    def refuse(self, name, text, sentence):
        """Show why an entry cannot be used, beside what was typed."""
        self.bad[name] = (str(text)[:200], sentence)
        self.resend(f"in-{name}", "value")
        self.update(
            {
                f"in-{name}": {"aria-invalid": "true", "value": self.bad[name][0]},
                f"err-{name}": {"#": sentence, "hidden": None},
            }
        )

    def accept(self, name):
        """An entry was read: write its value again, as it may be spelled otherwise."""
        self.bad.pop(name, None)
        self.resend(f"in-{name}", "value")

    def forget(self):
        """Another circuit was loaded: what could not be read of the old one goes with it."""
        self.bad.clear()

    def show(self, state):
        """Show the circuit of the state."""
        shape = (
            tuple((t, tuple(n)) for t, n in rows(state.circuit)),
            state.circuit.faults,
            tuple(references(state.circuit).items()),
        )
        values = self._values(state)
        if shape != self._shape:
            self._shape = shape
            self.rebuild(_draw(state.circuit), values)
        else:
            self.update(values)

    def _values(self, state):
        circuit, base = state.circuit, state.base()
        out = {}
        for _, names in rows(circuit):
            for name in names:
                if name in SETTINGS:
                    value, was = getattr(state, name), state.defaults()[name]
                elif k := area_of(name):
                    value, was = circuit.area[k - 1], base.area[k - 1]
                else:
                    value, was = getattr(circuit, name), getattr(base, name)
                spec, off = _spec(name), value != was
                text, before = (
                    tidy(spec.show(v, 5)) if spec.kind == "number" else v for v in (value, was)
                )
                if spec.kind == "choice":  # the entry holds the key, the mark says its name
                    before = spec.show(was)
                bad = self.bad.get(name)
                out[f"in-{name}"] = {
                    "value": bad[0] if bad else text,
                    "aria-invalid": "true" if bad else None,
                }
                out[f"err-{name}"] = {"#": bad[1] if bad else "", "hidden": None if bad else ""}
                out[f"off-{name}"] = {
                    "#": "\u2022" if off else "",
                    "title": f"shipped: {before}" if off else None,
                }
        return out


def _draw(circuit):
    refs = references(circuit)
    out = ['<div class="parts" role="group" aria-label="Parts and values">']
    if circuit.faults:
        texts = {f.key: f.text for f in single_faults(circuit)}
        out.append('<h2 class="part">Faults built in</h2>')
        out += [
            f'<p class="fault-line">{escape(texts[key])} '
            f'<button type="button" {request(kind="repair", key=key)}>Put right</button></p>'
            for key in circuit.faults
        ]
    for title, names in rows(circuit):
        out.append(f'<h2 class="part">{title}</h2>')
        for name in names:
            ref = f"Q{area_of(name)}" if area_of(name) else _span(refs.get(name, ()))
            if name in SETTINGS:
                ref = "G1" if name == "drive_upper" else "G2"
            out.append(_row(name, ref, _label(name)))
    out.append("</div>")
    return "".join(out)


def _row(name, ref, label):
    spoken = escape(f"{ref} {label}".strip())
    if _spec(name).kind == "choice":
        options = "".join(
            f'<option value="{k}">{escape(t)}</option>' for k, t in _spec(name).choices
        )
        field = (
            f'<select data-id="in-{name}" data-entry="{name}" aria-label="{spoken}">'
            f"{options}</select>"
        )
    else:
        wide = ' class="wide"' if name in ("title", "note") else ""
        field = (
            f'<input type="text" data-id="in-{name}" data-entry="{name}" size="9"{wide} '
            f'autocomplete="off" spellcheck="false" title="{escape(_hint(name))}" '
            f'aria-label="{spoken}" aria-describedby="err-{name}">'
        )
    return (
        f'<div class="entry-row"><span class="ref">{ref}</span><span class="what">'
        f'{escape(label)}</span><span class="off" data-id="off-{name}"></span>{field}'
        f'<p class="entry-error" id="err-{name}" data-id="err-{name}" role="alert" hidden></p>'
        "</div>"
    )
