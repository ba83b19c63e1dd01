"""State of the Uses page: one use with its settings, the cell under it, and what is shown."""

import difflib
from dataclasses import dataclass, replace

import param

from forktail.circuits import shipped, shipped_titles
from forktail.core import files
from forktail.core.built.circuit import Circuit
from forktail.core.built.file import holds_circuit, read_file, write_circuit
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.spec import choice, specs_of, text
from forktail.core.uses import USES, run_use
from forktail.core.uses.mixing import hear_call
from forktail.core.uses.result import UseResult
from forktail.core.uses.words import difference_text  # noqa: F401 - for the views
from forktail.core.waves import drives as signals
from forktail.ui.state import PageState, param_of, scene_of

MODELS = {"textbook": "textbook, closed form", "built": "built, part by part"}
DEFAULT_CIRCUIT = "default"
OWN_CIRCUIT = "own"

#: Short titles of the uses, for a row of buttons.
SHORT_TITLES = {
    "variable_gain": "Variable gain",
    "gain_control_loop": "Gain control loop",
    "am": "AM",
    "dsb": "DSB",
    "ssb": "SSB by phasing",
    "mixer": "Mixer",
    "phase_detector": "Phase detector",
    "squarer": "Squarer",
}

#: Quantities of the cell: always shown, and folded away.
CELL_MAIN = ("i_tail", "r_load")
CELL_PARTS = (
    "temperature",
    "tail_law",
    "v_supply",
    "offset_left",
    "offset_right",
    "offset_lower",
    "r_emitter_upper",
    "r_emitter_lower",
)

#: What the time plot can show: use -> view key -> label. `start` is the first few cycles.
_WINDOW = {"whole": "Window", "start": "First cycles"}
TIME_VIEWS = {
    "variable_gain": {"whole": "Waveforms"},
    "gain_control_loop": {"whole": "Step response", "settled": "Settled, two cycles"},
    "am": _WINDOW,
    "dsb": _WINDOW,
    "ssb": _WINDOW,
    "mixer": {**_WINDOW, "call": "A call"},
    "phase_detector": {"whole": "Waveforms"},
    "squarer": {"whole": "Waveforms"},
}
#: Uses whose spectrum has a stretch worth a closer look, and its name.
BANDS = {
    "am": "Near the carrier",
    "dsb": "Near the carrier",
    "ssb": "Near the carrier",
    "mixer": "Near the wanted product",
}

#: Presets of each use in trade terms: name -> settings as in a link (the rest is default).
PRESETS = {
    "variable_gain": {
        "Bat call at part gain": {},
        "Bat close by, gain turned down": {"control": "5mV", "amplitude": "8mV"},
        "All the gain there is": {"control": "0.15V", "amplitude": "0.5mV"},
        "Reversed control": {"control": "-30mV"},
        "Call too loud for the upper pairs": {"amplitude": "40mV", "curve": "3", "figure": "hd3"},
        "The same call behind an arctanh stage": {
            "amplitude": "40mV",
            "arctanh": "yes",
            "curve": "3",
            "figure": "range_won",
        },
        "Warm, with a tail that keeps the gain": {
            "control": "0.15V",
            "cell_temperature": "60degC",
            "cell_tail_law": "absolute",
            "figure": "per_kelvin",
        },
        "Offset of the lower pair": {
            "control": "2mV",
            "cell_offset_lower": "2mV",
            "curve": "2",
            "figure": "null",
        },
        "Faintest call at part gain": {"figure": "faintest"},
    },
    "gain_control_loop": {
        "A bat comes closer: +12 dB": {},
        "A bat flies off: \u221212 dB": {"level": "8mV", "step": "-12dB"},
        "Integrator too fast: it rings": {"integrator_time": "0.4ms", "detector_time": "0.5ms"},
        "Slow and smooth": {"integrator_time": "20ms"},
        "Call too weak to be held": {"level": "1mV", "step": "6dB", "wanted": "80mV"},
    },
    "am": {
        "Roost beacon, half depth": {},
        "Depth of 100 %": {"offset": "4mV", "tone_amplitude": "4mV"},
        "Over-modulated": {
            "offset": "4mV",
            "tone_amplitude": "6mV",
            "figure": "envelope_distortion",
        },
        "Lower pair bends": {"offset": "30mV", "tone_amplitude": "25mV"},
    },
    "dsb": {
        "Carrier left by 0.5 mV of DC": {},
        "Trimmed": {"trim": "-0.5mV"},
        "Offset of the lower pair": {"offset": "0V", "cell_offset_lower": "1mV"},
        "Hard carrier": {"carrier_amplitude": "0.2V", "trim": "-0.4mV"},
    },
    "ssb": {
        "Shift 2\u00b0 off, gains 1 % apart": {},
        "Both shifts exact": {"tone_phase_error": "0deg", "amplitude_error": "0%"},
        "Lower sideband wanted": {"sideband": "lower"},
        "Gains 10 % apart": {"amplitude_error": "10%", "tone_phase_error": "0deg", "curve": "2"},
        "Cells with an offset": {"cell_offset_lower": "1mV", "figure": "carrier"},
    },
    "mixer": {
        "45 kHz call brought to 2 kHz": {},
        "The call itself, heard": {"time": "call", "second_amplitude": "0V"},
        "Soft oscillator, 10 mV": {"oscillator_amplitude": "10mV"},
        "The image: a call at 41 kHz": {
            "signal_frequency": "41kHz",
            "second_amplitude": "0V",
            "figure": "image",
        },
        "Two loud bats: third-order products": {
            "signal_amplitude": "15mV",
            "second_amplitude": "15mV",
            "curve": "2",
            "figure": "third_order",
        },
        "Brought up instead": {"wanted": "up", "second_amplitude": "0V"},
        "Oscillator leaks: offset of the lower pair": {
            "cell_offset_lower": "2mV",
            "band": "all",
            "figure": "oscillator_leak",
        },
        "The faintest call: what noise leaves": {"second_amplitude": "0V", "figure": "faintest"},
    },
    "phase_detector": {
        "Echo at 60\u00b0, hard drive": {},
        "At the zero: 90\u00b0": {"phase": "90deg", "figure": "slope"},
        "Weak echo: cosine": {"upper_amplitude": "8mV", "lower_amplitude": "8mV"},
        "Square waves": {"shape": "square"},
        "Offsets on both inputs": {
            "phase": "90deg",
            "figure": "zero",
            "cell_offset_left": "3mV",
            "cell_offset_right": "3mV",
            "cell_offset_lower": "3mV",
        },
    },
    "squarer": {
        "22.5 kHz clock makes 45 kHz": {},
        "DC trimmed out": {
            "offset_upper": "0V",
            "offset_lower": "0V",
            "figure": "residual",
            "curve": "2",
        },
        "Driven past the bend": {"amplitude": "0.1V"},
        "A quarter cycle apart: no DC": {"phase": "90deg", "figure": "dc"},
    },
}


def stored_circuits():
    """Circuits that can be chosen: {key: title}, the default one first."""
    return {DEFAULT_CIRCUIT: f"{Circuit().title} (default)", **shipped_titles()}


def stored_circuit(key):
    """One of `stored_circuits`."""
    return Circuit() if key == DEFAULT_CIRCUIT else shipped()[key][0]


def settings_rows(settings):
    """Settings as rows: tuple of (Spec, value)."""
    return tuple((s, getattr(settings, name)) for name, s in specs_of(settings).items())


def setting_parameters(prefix, cls):
    """One parameter for each setting of a dataclass of specs, named PREFIX__NAME."""
    return {f"{prefix}__{name}": param_of(s) for name, s in specs_of(cls).items()}


@dataclass(frozen=True)
class UsesScene:
    """One numerical result of the Uses page, shared by all its views.

    `result` is None if the scene has no answer, and `error` says why; `call` holds the records
    of an invented call through the mixer if that is shown. `detail` says whether the curves
    belong to this result.
    """

    use: str
    result: UseResult
    error: str
    detail: bool
    time: str
    band: str
    curve: int
    figure: str
    call: dict
    circuit: str


def _look(name, label, *keys):
    """What one plot shows."""
    return choice(name, keys[0], {k: k for k in keys}, label, part="view")


class _Views(PageState):
    """The part of the state that is no physics: which use, which model, what is looked at."""

    use = param_of(
        choice("use", "mixer", {k: u.title for k, u in USES.items()}, "Use", part="view")
    )
    model = param_of(choice("model", "textbook", MODELS, "Model"))
    circuit = param_of(
        choice("circuit", DEFAULT_CIRCUIT, stored_circuits(), "Circuit", "Which built cell.")
    )
    time = param_of(_look("time", "Time plot", "whole", "start", "settled", "call"))
    band = param_of(_look("band", "Spectrum", "near", "all"))
    curve = param_of(_look("curve", "Curve", "1", "2", "3"))
    figure = param_of(
        text("figure", "", "Figure of merit", "Which one is on top; the first if empty.", "view")
    )
    call = param_of(
        choice(
            "call",
            "flat_end",
            {k: c.title for k, c in signals.CALLS.items()},
            "Invented call",
            "The call that is sent through the mixer.",
            "call",
        )
    )


_SETTINGS = {
    name: spec
    for key, use in USES.items()
    for name, spec in setting_parameters(key, use.settings).items()
}
_Base = type(
    "_Base",
    (_Views,),
    {
        **_SETTINGS,
        **setting_parameters("cell", TextbookCell),
        "__module__": __name__,
        "__doc__": "All settings.",
    },
)


class UsesState(_Base):
    """The Uses page. The settings of a use are parameters USE__NAME, those of the textbook cell
    cell__NAME; a link carries NAME and cell_NAME of the present use only."""

    page = "uses"
    lasting = ("use",)

    def __init__(self, **params):
        super().__init__(**params)
        self._own = None

    # ---- names

    def settings_names(self, use=None):
        """Parameters of the settings of a use, in order."""
        use = use or self.use
        return [f"{use}__{name}" for name in specs_of(USES[use].settings)]

    def fields(self):
        """What a link carries: the view, the present use, the cell."""
        names = ["use", "model", "circuit", "time", "band", "curve", "figure"]
        if self.use == "mixer":
            names.append("call")
        return names + self.settings_names() + [f"cell__{n}" for n in CELL_MAIN + CELL_PARTS]

    def watched(self):
        """Every parameter: those of a use out of sight change with a link."""
        return [n for n in self.param if n != "name"]

    def _link_name(self, name):
        if name.startswith("cell__"):
            return name.replace("__", "_")
        return name.removeprefix(f"{self.use}__")

    # ---- links and files

    def texts(self, changed_only=True):
        """As `PageState.texts`, under the names of links."""
        out = {self._link_name(n): t for n, t in super().texts(changed_only).items()}
        if out.get("circuit") == OWN_CIRCUIT:
            del out["circuit"]
        return out

    def apply_texts(self, texts):
        """As `PageState.apply_texts`, under the names of links; other uses keep theirs."""
        texts = dict(texts)
        problems = []
        use = str(texts.pop("use", self.param.use.default))
        with param.parameterized.batch_call_watchers(self):
            if use in USES:
                self.use = use
            else:
                problems.append(
                    f"use: '{use[:40]}' is not known; it must be one of {', '.join(USES)}."
                )
            own = {self._link_name(n): n for n in self.fields()}
            known = {"use": self.use}
            for name, text in texts.items():
                if name in own:
                    known[own[name]] = text
                    continue
                near = difflib.get_close_matches(str(name), own, 1)
                hint = f"; did you mean '{near[0]}'?" if near else "."
                problems.append(f"'{str(name)[:40]}' is not a setting of this use{hint}")
            problems += super().apply_texts(known)
            if self.time not in TIME_VIEWS[self.use]:
                self.time = "whole"
        return problems

    def to_file(self):
        """TOML of the scene; with a circuit of the user's own, that of the circuit around it."""
        if self.circuit == OWN_CIRCUIT:
            scene = {"page": self.page, **self.texts(changed_only=False)}
            return write_circuit(self._own, scene)
        return super().to_file()

    def apply_file(self, text):
        """As `PageState.apply_file`; a circuit in the file becomes the built cell."""
        table = files.read(text)
        if not holds_circuit(table):
            return self.apply_texts(scene_of(table, self.page))
        circuit, scene, notes = read_file(text)
        problems = []
        with param.parameterized.batch_call_watchers(self):
            model = "built"
            if scene.get("page") == self.page:
                problems = self.apply_texts({k: v for k, v in scene.items() if k != "page"})
                model = self.model
            self.use_circuit(circuit)
            self.model = model
        return [*notes, *problems]

    def use_circuit(self, circuit):
        """Take a circuit of the user's own as the built cell."""
        self._own = circuit
        own = f"{circuit.title or 'your circuit'} (from your file)"
        self.specs["circuit"].offer({**stored_circuits(), OWN_CIRCUIT: own})
        self.param.update(model="built", circuit=OWN_CIRCUIT)
        self.param.trigger("circuit")

    def reset(self):
        """Put the present use and the cell back to their defaults; the use stays."""
        self.param.update(**{**self.defaults(), "use": self.use})

    def choose_use(self, use):
        """Turn to another use; its settings are as they were left."""
        if use in USES and use != self.use:
            self.param.update(use=use, time="whole", band="near", curve="1", figure="")

    def apply_preset(self, name):
        """Load a preset of the present use: its settings over the defaults; the model stays."""
        model, circuit = self.model, self.circuit
        with param.parameterized.batch_call_watchers(self):
            self.apply_texts({"use": self.use, **PRESETS[self.use][name]})
            self.param.update(model=model, circuit=circuit)

    # ---- the numbers

    def settings(self):
        """Settings of the present use as the core wants them."""
        return self.made(USES[self.use].settings, f"{self.use}__")

    def built_circuit(self):
        """The circuit that the built model solves."""
        return self._own if self.circuit == OWN_CIRCUIT else stored_circuit(self.circuit)

    def solver(self):
        """(v_upper, v_lower) -> OperatingPoint of the model chosen."""
        if self.model == "built":
            return BuiltCell(self.built_circuit())
        return self.made(TextbookCell, "cell__")

    def scene(self, detail=True):
        """Run the use once for all views; `detail` asks for the characteristic curves."""
        result, error, call = None, "", {}
        solve = self.solver()
        try:
            result = run_use(self.use, self.settings(), solve, detail)
            if self.use == "mixer" and self.time == "call":
                call, _ = hear_call(self.call, self.settings(), solve, repeats=1)
        except QuantityError as problem:
            result, error = None, str(problem)
        circuit = self.built_circuit().title if self.model == "built" else ""
        return UsesScene(
            self.use,
            result,
            error,
            detail,
            self.time,
            self.band,
            int(self.curve),
            self.figure,
            call,
            circuit,
        )

    # ---- sound

    def sound_options(self, result):
        """What can be heard of a result: list of (key, text)."""
        out = []
        if self.use == "mixer":
            out.append(("call", "the invented call"))
        if result is not None and result.listen is not None:
            out.append(("scene", "the tones of this scene" if out else "the output"))
            if result.listen.noise is not None:
                out.append(("noise", "the same with its noise, turned up"))
        return out

    def sound(self, key, result):
        """The Sound of an option of `sound_options`, limited in level; None without a result."""
        if result is None:
            return None
        try:
            if key == "call" and self.use == "mixer":
                return hear_call(self.call, self.settings(), self.solver())[1]
            heard = result.listen
            if heard is None:
                return None
            sound = heard.sound(noisy=key == "noise")
            return replace(sound, text=f"Invented signals. {sound.text}")
        except QuantityError:
            return None
