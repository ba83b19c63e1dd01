"""State of the Signals page: two drives, the cell, the time shown, and one run for all views."""

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from forktail.circuits import shipped, shipped_titles
from forktail.core.cell import law as cell
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.path import Feed, Path, path_for, run_path
from forktail.core.quantities import format_quantity
from forktail.core.spec import SPECS, TAIL_LAW, choice, flag, number, spec, specs_of
from forktail.core.thermal import thermal_voltage
from forktail.core.uses.noise import powers_of
from forktail.core.uses.signals import SignalRun, run_signals
from forktail.core.waves import sound
from forktail.core.waves.drives import CALL_BAND, DRIVE_KINDS, Drive
from forktail.ui.state import PageState, param_of

MODELS = {"textbook": "Textbook cell", "built": "Built circuit"}
SPANS = {"window": "the whole window", "16": "16 periods", "4": "4 periods", "1": "1 period"}
LEVELS = {"dB": "dB below the largest", "V": "volts, peak"}
REACHES = {"main": "the main lines", "hearing": "0 to 20 kHz", "all": "all lines"}
PRODUCTS = {"fitted": "scaled to fit", "slope": "by the slope at rest"}
HEARD = {"as it is": "as it is", "shifted": "shifted down", "slowed": "slowed"}

#: Samples of one window: the built cell takes its time, so it gets fewer.
MAX_SAMPLES = {"textbook": 16384, "built": 2048}
#: Points across the map.
GRID = {"textbook": 120, "built": 60}
#: Ends of the map, V: the smallest that holds both inputs is taken.
_MAP_ENDS = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
#: Instants of a window that the mean noise is taken over, and Hz at which capacitors act on it.
MOST_INSTANTS, HEARD_AT = 2048, 2e3
#: Seconds of sound made at a time; the browser repeats them.
SOUND_SECONDS = 2.0
#: Lines of the output that are played: more cost time and are hardly heard.
SOUND_LINES = 24
MAX_SOUND_SAMPLES = 1_000_000
_TIME_STEPS = 500


@dataclass(frozen=True)
class Question:
    """All that a run depends on.

    `beside` is the textbook cell that is laid beside a built one, or None; it gets tail, load and
    emitter resistors of that one.
    """

    upper: Drive
    lower: Drive
    cell: TextbookCell | BuiltCell
    path: Path
    max_samples: int
    beside: TextbookCell | None = None


@lru_cache(maxsize=4)
def answer(question):
    """Run both drives; sessions that ask the same share the answer.

    Returns
    -------
    run : SignalRun
    beside : numpy.ndarray or None
        V, output of the textbook cell with the base lines of the built one, behind its loads.

    Raises
    ------
    QuantityError
        As `run_signals`.
    """
    q = question
    run = run_signals(q.upper, q.lower, q.cell, path=q.path, max_samples=q.max_samples)
    if q.beside is None:
        return run, None
    r_load = float(np.ravel(run.point.r_load)[0])
    like = replace(
        q.beside,
        i_tail=run.full_scale / r_load,
        r_load=r_load,
        r_emitter_upper=q.cell.r_emitter_upper,
        r_emitter_lower=q.cell.r_emitter_lower,
    )
    solved = np.broadcast_to(run.point.converged, run.time.shape)
    lines = (np.where(solved, v, np.nan) for v in run.base_lines)
    step = run.window.duration / run.window.samples
    return run, run_path(like, *lines, step, at="base lines", path=q.path).loads.v_out


@lru_cache(maxsize=16)
def _textbook_picture(settings, across, up, count):
    x, y = np.linspace(*across, count), np.linspace(*up, count)
    return x, y, cell.output_map(x, y, settings, 1.0)


@lru_cache(maxsize=16)
def _built_picture(solve, scale, across, up, count):
    x, y = np.linspace(*across, count), np.linspace(*up, count)
    return x, y, solve(x[None, :], y[:, None]).v_out / scale


@dataclass(frozen=True)
class SignalScene:
    """One numerical result of the Signals page, shared by all its views.

    Attributes
    ----------
    run : SignalRun
    beside : numpy.ndarray or None
        V, the textbook cell with tail, load and emitter resistors of the built one.
    product : V, the ideal product as chosen. error : V, v_out less `product`.
    start, end : s, the stretch of time shown.
    cursor : s.
    inverted : tuple of (float, float)
        s, stretches of the window in which the lower input is negative.
    problem : str
        Why the settings gave no run; `run` is then the last one that could be had.
    limits : tuple of cell.Limit
    remarks : tuple of str
    still : object
        The very same for as long as nothing but the cursor moves.
    """

    run: SignalRun
    beside: np.ndarray
    product: np.ndarray
    error: np.ndarray
    start: float
    end: float
    cursor: float
    inverted: tuple
    problem: str
    limits: tuple
    remarks: tuple
    still: object

    def at(self, record):
        """Value of a record of the run at the cursor, between its two nearest samples."""
        n = len(record)
        place = self.cursor / self.run.window.duration * n
        k = math.floor(place)
        low, high = float(record[k % n]), float(record[(k + 1) % n])
        return low + (place - k) * (high - low)


# ---------------------------------------------------------------- settings


def _drive_parameters(side, **defaults):
    """The fields of a `Drive` as parameters SIDE_NAME."""
    out = {}
    for name, s in specs_of(Drive).items():
        label = f"{side.title()} {s.label if s.label.isupper() else s.label.lower()}"
        default = defaults.get(name, s.default)
        out[f"{side}_{name}"] = param_of(s.at(label=label, default=default, part=side))
    return out


_Drives = type(
    "_Drives",
    (PageState,),
    {
        **_drive_parameters("upper", amplitude=0.060, frequency=40e3, second_amplitude=0.02,
                            second_frequency=42e3, repeat_frequency=2e3),
        **_drive_parameters("lower", amplitude=0.020, frequency=4e3, second_amplitude=0.02,
                            second_frequency=5e3),
        "__module__": __name__,
        "__doc__": "Both drives.",
    },
)  # fmt: skip


def _offset(pair, doc):
    return param_of(spec("offset", label=f"Offset, {pair} pair", doc=doc))


def _corner(label, default, slider):
    return param_of(
        spec("frequency", default=default, label=label, slider=slider, doc="Hz.", part="path")
    )


def _look(name, default, options, label, part="view"):
    return param_of(choice(name, default, options, label, part=part))


class SignalsState(_Drives):
    """The Signals page: what drives both inputs, the cell, and what is shown of it."""

    page = "signals"

    model = param_of(choice("model", "textbook", MODELS, "Cell"))
    circuit = param_of(
        choice("circuit", "bat-call-mixer", shipped_titles(), "Circuit", "The built circuit.")
    )

    cursor = param_of(
        spec(
            "time",
            default=30e-6,
            label="Cursor",
            symbol="t",
            doc="Time of the cursor, s.",
            part="view cursor",
        )
    )
    span = _look("span", "window", SPANS, "Time shown")
    start = param_of(spec("time", label="Shown from", doc="Start of the time shown, s."))

    i_tail = param_of(spec("i_tail", slider=(1e-4, 4e-3)))
    tail_law = param_of(TAIL_LAW)
    r_load = param_of(spec("r_load"))
    temperature = param_of(spec("temperature"))
    v_supply = param_of(spec("v_supply"))
    offset_left = _offset("left", "Of Q1-Q2, V.")
    offset_right = _offset("right", "Of Q4-Q3, V.")
    offset_lower = _offset("lower", "Of Q5-Q6, V.")
    r_emitter_lower = param_of(
        spec("r_emitter", label="Emitter resistors, lower", symbol="r_e lower")
    )

    coupled_upper = param_of(flag("coupled_upper", False, "Coupling capacitor, upper", part="path"))
    coupling_upper = _corner("Upper coupling corner", 500.0, (10.0, 100e3))
    coupled_lower = param_of(flag("coupled_lower", False, "Coupling capacitor, lower", part="path"))
    coupling_lower = _corner("Lower coupling corner", 500.0, (10.0, 100e3))
    loaded = param_of(flag("loaded", False, "Load capacitance", "At both collectors.", part="path"))
    load_corner = _corner("Load pole", 100e3, (1e3, 5e6))

    levels = _look("levels", "dB", LEVELS, "Spectrum in")
    reach = _look("reach", "main", REACHES, "Spectrum shows")
    product = _look("product", "fitted", PRODUCTS, "Ideal product")
    beside = param_of(flag("beside", True, "Textbook cell beside the built one", part="view"))
    hold_scale = param_of(
        flag("hold_scale", False, "Keep the colour scale", "Of the map.", part="view")
    )
    heard = _look("heard", "as it is", HEARD, "Hear the output", "view sound")
    hear_shift = param_of(spec("frequency", default=34e3, label="Shift down by", part="view sound"))
    hear_slow = param_of(
        number(
            "hear_slow",
            10.0,
            "",
            1.0,
            1000.0,
            label="Times slower",
            doc="Factor.",
            slider=(1.0, 50.0),
            step=1.0,
            part="view sound",
        )
    )

    hear_noise = param_of(
        flag(
            "hear_noise", False, "With its noise, turned up", "Adds the noise of the cell.",
            "view sound",
        )
    )  # fmt: skip

    def __init__(self, **params):
        super().__init__(**params)
        self._answered = (None, None, None, "")  # question, run, textbook beside, problem
        self._scene, self._seen = None, None
        self.param.watch(self._touched, self.fields())

    def _touched(self, *events):
        self._scene = None

    # what is driven and through what

    def drive(self, side):
        """Drive of `upper` or `lower` as the core wants it."""
        return self.made(Drive, f"{side}_")

    def drive_controls(self, side):
        """Names of the quantities that count for the present kind of a drive."""
        _, used = DRIVE_KINDS[getattr(self, f"{side}_kind")]
        return [f"{side}_{name}" for name in (*used, "offset")]

    def choose_kind(self, side, kind):
        """Change the kind of a drive; what cannot be used with it is brought into its range.

        Returns
        -------
        list of str
            One sentence for each quantity that was moved.
        """
        values, said = {f"{side}_kind": kind}, []

        def move(name, value):
            name = f"{side}_{name}"
            spec = self.param[name]
            said.append(
                f"{spec.label} was {spec.show(getattr(self, name))} and is now "
                f"{spec.show(value)}, for a {DRIVE_KINDS[kind][0].lower()} drive."
            )
            values[name] = value

        def get(name):
            return values.get(
                f"{side}_{name}",
                getattr(self, f"{side}_{name}"),
            )

        if kind == "call":
            for name, value in (("frequency", 80e3), ("second_frequency", 43e3)):
                if not CALL_BAND[0] <= get(name) <= CALL_BAND[1]:
                    move(name, value)
        used = DRIVE_KINDS[kind][1]
        if "repeat_frequency" in used and get("repeat_frequency") >= get("frequency"):
            if get("frequency") < 20.0:  # too slow to be shaped by anything slower
                move("frequency", 40e3)
            move("repeat_frequency", get("frequency") / 10.0)
        if kind == "dc" and get("offset") == 0.0:
            move("offset", 0.02)
        elif kind == "dc_sine" and get("offset") == 0.0:
            move("offset", 0.02)
        self.param.update(**values)
        return said

    def built_circuit(self):
        """The chosen circuit at the temperature of the page, its areas skewed by the offsets.

        An area ratio A makes an offset of VT ln A (Gray, Hurst, Lewis, Meyer, chapter 3).
        """
        circuit = shipped()[self.circuit][0]
        v_t = float(thermal_voltage(self.temperature))
        area, most = list(circuit.area), 2.0 * v_t * math.log(SPECS["area"].high)
        for first, second, name in (
            (0, 1, "offset_left"),
            (3, 2, "offset_right"),
            (4, 5, "offset_lower"),
        ):
            offset = getattr(self, name)
            if abs(offset) > most:
                raise QuantityError(
                    f"{self.specs[name].label}: {format_quantity(offset, 'V')} would need one "
                    "transistor 1e12 times as large as the other; a built circuit takes "
                    f"up to {format_quantity(most, 'V')} of either sign."
                )
            half = math.exp(offset / (2.0 * v_t))
            area[first] *= half
            area[second] /= half
        return replace(circuit, temperature=self.temperature, area=tuple(area))

    def textbook(self):
        """The textbook cell of the page."""
        return self.made(TextbookCell)

    def question(self):
        """What the present settings ask."""
        built = self.model == "built"
        solve = BuiltCell(self.built_circuit()) if built else self.textbook()
        return Question(
            self.drive("upper"),
            self.drive("lower"),
            solve,
            path_for(solve) if built else self._path(),
            MAX_SAMPLES[self.model],
            self.textbook() if built else None,
        )

    def _path(self):
        """What lies about the textbook cell by choice."""
        return Path(
            Feed(self.coupling_upper if self.coupled_upper else 0.0),
            Feed(self.coupling_lower if self.coupled_lower else 0.0),
            self.load_corner if self.loaded else math.inf,
        )

    # the run

    def _answer(self):
        """(question, run, textbook output beside it, problem): a question that has no answer
        leaves the last one that had."""
        last, run, beside, _ = self._answered
        try:
            asked = self.question()
            if asked != last:
                run, beside = answer(asked)
            self._answered = (asked, run, beside, "")
        except QuantityError as error:
            if run is None:  # a link that cannot be run: the default scene stands in
                last = SignalsState().question()
                run, beside = answer(last)
            problem = f"{str(error)[0].upper()}{str(error)[1:]}"
            self._answered = (last, run, beside, problem)
        return self._answered

    def scene(self):
        """Everything that the views show; only what changed is computed."""
        if self._scene is None:
            self._scene = self._make_scene()
        return self._scene

    def _make_scene(self):
        asked, run, beside, problem = self._answer()
        self._fit_time(run)
        seen = (run, problem, self.key("view"))
        if self._seen and self._seen[0] == seen:
            return replace(self._seen[1], cursor=self.cursor_time(run))
        start, end = self.stretch(run)
        product = run.product if self.product == "slope" else run.fitted
        limits, remarks = (), tuple(run.notes)
        if isinstance(asked.cell, BuiltCell):
            remarks += tuple(run.point.warnings)
        else:
            limits = cell.validity(run.point, asked.cell.settings)
        scene = SignalScene(
            run,
            beside if self.beside else None,
            product,
            run.point.v_out - product,
            start,
            end,
            self.cursor_time(run),
            inverted_stretches(run),
            problem,
            limits,
            (*remarks, path_in_words(asked.path, isinstance(asked.cell, BuiltCell))),
            object(),
        )
        self._seen = (seen, scene)
        return scene

    # time shown

    def stretch(self, run):
        """Start and end of the time shown, s."""
        duration = run.window.duration
        fastest = max(run.window.used, default=0.0)
        if self.span == "window" or not fastest:
            return 0.0, duration
        length = min(int(self.span) / fastest, duration)
        start = min(self.start, duration - length)
        return start, start + length

    def cursor_time(self, run):
        """Time of the cursor, s: the record repeats, and the cursor stays in the time shown."""
        start, end = self.stretch(run)
        return min(max(self.cursor % run.window.duration, start), end)

    def _fit_time(self, run):
        start, end = self.stretch(run)
        duration = run.window.duration
        room = max(duration - (end - start), 0.0) or duration
        for name, low, high in (("cursor", start, end), ("start", 0.0, room)):
            held = self.specs[name]
            ends = (low, min(high, held.spec.high))
            if held.spec.slider != ends:
                held.spec = held.spec.at(slider=ends, step=(ends[1] - low) / _TIME_STEPS)

    def set_cursor(self, t):
        """Put the cursor at a time, s, held within the time shown."""
        run = self.scene().run
        start, end = self.stretch(run)
        duration = run.window.duration
        digits = 3 + max(0, math.ceil(math.log10(duration / (end - start))))
        # the end of the window is the start of the next, so the last sample is the last place
        last = duration * (1.0 - 1.0 / run.window.samples)
        last = min(last, self.specs["cursor"].spec.high)
        t = min(max(t, start), end, last)
        self.cursor = min(float(f"{t:.{digits}g}"), last)

    def set_cursor_from_map(self, across, up):
        """Put the cursor where the trajectory passes nearest to a place of the map, V."""
        run = self.scene().run
        start, end = self.stretch(run)
        inside = np.flatnonzero((run.time >= start) & (run.time <= end))
        (_, wide), (_, high) = self.map_range("v_upper"), self.map_range("v_lower")
        far = ((run.v_upper[inside] - across) / wide) ** 2 + (
            (run.v_lower[inside] - up) / high
        ) ** 2
        self.set_cursor(float(run.time[inside[int(np.argmin(far))]]))

    def showing(self, name):
        """As `PageState.showing`; cursor and start as they lie in the window."""
        held = self._scene if name in ("cursor", "start") else None
        return getattr(self if held is None else held, name)

    # presets and sound

    def apply_preset(self, name):
        """Load a preset: its settings over the defaults."""
        self.apply_texts(PRESETS[name])

    def sound_key(self):
        """What a sound depends on, to compare: one that plays is made again when this changes."""
        return self.scene().run, self.key("view sound")

    def sound(self):
        """The output as sound: `sound.Sound`, limited in level by the core."""
        run = self.scene().run
        if run.spectrum is None:
            raise QuantityError("Some samples have no solution, so there is nothing to hear.")
        v, duration = run.point.v_out, run.window.duration
        noise = self._noise(run) if self.hear_noise else None
        if self.heard == "slowed":
            # whole periods laid end to end; a bat call has too many lines to add up one by one
            repeats = max(1, math.ceil(SOUND_SECONDS / (duration * self.hear_slow)))
            repeats = min(repeats, max(1, MAX_SOUND_SAMPLES // len(v)))
            return sound.sound_from_samples(
                np.tile(v, repeats), run.window.sample_rate, run.full_scale,
                slow_by=self.hear_slow, noise=noise,
            )  # fmt: skip
        return sound.sound_from_record(
            v,
            duration,
            run.full_scale,
            SOUND_SECONDS,
            shift=self.hear_shift if self.heard == "shifted" else 0.0,
            lines=SOUND_LINES,
            noise=noise,
        )

    def _noise(self, run):
        """Density of the noise that the drives of a run leave at the output, V/sqrt(Hz) over Hz."""
        asked = self._answer()[0]
        open_loads = replace(asked.path, load_pole=math.inf, poles=())
        # enough instants of the window for a mean
        some = slice(None, None, -(-run.window.samples // MOST_INSTANTS))
        power = sum(
            powers_of(
                asked.cell, open_loads, run.v_upper[some], run.v_lower[some], HEARD_AT,
                run.window.duration,
            ).values()
        )  # fmt: skip
        return lambda hertz: math.sqrt(power) * np.abs(asked.path.load_response(hertz))

    # the map: the same names as `state.SteerState` has, so that one view draws both

    def map_axes(self):
        """Names of the quantities across and up."""
        return "v_upper", "v_lower"

    def map_value(self, axis):
        """Value at the cursor, V."""
        scene = self.scene()
        return scene.at(getattr(scene.run, axis))

    def map_range(self, axis):
        """Low and high end of a map axis, V."""
        size = 1.02 * float(np.max(np.abs(getattr(self.scene().run, axis)), initial=0.0))
        end = next((e for e in _MAP_ENDS if e >= size), size)
        return -end, end

    def map_grid(self):
        """Axes, V, and the output over them as a fraction of `map_scale`: x, y, z.

        As that of the Steer page: normalised, and the very same tuple for equal numbers.
        """
        solve = self._answer()[0].cell
        ends = [self.map_range(axis) for axis in self.map_axes()]
        if isinstance(solve, BuiltCell):
            return _built_picture(solve, self.map_scale(), *ends, GRID["built"])
        return _textbook_picture(solve.settings.per_ampere(solve.tail), *ends, GRID["textbook"])

    def map_scale(self):
        """Volts of the map's full scale."""
        return self.scene().run.full_scale


def path_in_words(path, built):
    """Where the drives enter and what lies on their way: one or two sentences."""
    upper, lower = path.upper.corner, path.lower.corner
    corners = [
        f"{format_quantity(f, 'Hz')} ({side})"
        for side, f in (("upper", upper), ("lower", lower))
        if f
    ]
    pole = "" if path.load_pole == math.inf else format_quantity(path.load_pole, "Hz")
    if built:
        text = (
            "Each drive is what its generator gives without the board. Between them are "
            "the source resistance"
        )
        text += f", a coupling corner at {' and '.join(corners)}" if corners else ""
        text += " and the bias resistors."
    elif corners:
        text = "The drives enter at the generators, before a coupling corner at "
        text += f"{' and '.join(corners)}."
    else:
        text = (
            "The drives enter at the base lines: nothing is ahead of the textbook cell, which "
            "loads nothing."
        )
    return text + (f" The loads have a pole at {pole}." if pole else "")


def inverted_stretches(run):
    """Stretches in which the lower input is negative, so that the output is inverted.

    Returns
    -------
    tuple of (float, float)
        s, in order, within the window.
    """
    duration = run.window.duration
    edges = np.concatenate([[0.0], np.sort(run.flips % duration), [duration]])
    out = []
    for low, high in zip(edges[:-1], edges[1:]):
        if high - low <= 1e-9 * duration:
            continue
        middle = np.interp(0.5 * (low + high), run.time, run.v_lower, period=duration)
        if middle < 0:
            out.append((float(low), float(high)))
    return tuple(out)


#: Presets in trade terms, all from the workshop's bat-call receiver (invented values).
PRESETS = {
    "Test tone on a 40 kHz carrier": {},
    "45 kHz call brought to 2 kHz": {
        "upper_frequency": "43kHz",
        "lower_frequency": "45kHz",
        "lower_amplitude": "10mV",
        "span": "16",
        "reach": "all",
    },
    "Oscillator as a square wave": {
        "upper_kind": "square",
        "upper_amplitude": "150mV",
        "upper_frequency": "43kHz",
        "lower_frequency": "45kHz",
        "lower_amplitude": "10mV",
        "span": "16",
    },
    "Call too strong: the lower pair bends": {
        "upper_frequency": "43kHz",
        "lower_frequency": "45kHz",
        "lower_amplitude": "120mV",
        "span": "16",
        "reach": "all",
    },
    "Two callers at 45 and 46 kHz": {
        "upper_frequency": "43kHz",
        "lower_kind": "two_tone",
        "lower_frequency": "45kHz",
        "lower_amplitude": "25mV",
        "lower_second_frequency": "46kHz",
        "lower_second_amplitude": "25mV",
        "reach": "hearing",
    },
    "Lower offset: the carrier leaks": {"offset_lower": "2mV"},
    "Upper offsets: the tone leaks": {"offset_left": "2mV", "offset_right": "2mV"},
    "Tone with DC: carrier and sidebands": {
        "lower_kind": "dc_sine",
        "lower_amplitude": "10mV",
        "lower_offset": "15mV",
    },
    "Over-modulated: phase inversions come back": {
        "lower_kind": "dc_sine",
        "lower_amplitude": "30mV",
        "lower_offset": "10mV",
    },
    "The same call on both inputs: 90 kHz": {
        "upper_frequency": "45kHz",
        "upper_amplitude": "20mV",
        "lower_frequency": "45kHz",
    },
    "Two 45 kHz waves a quarter period apart": {
        "upper_frequency": "45kHz",
        "lower_frequency": "45kHz",
        "lower_phase": "90deg",
    },
    "Keyed bursts at 40 kHz": {
        "upper_kind": "burst",
        "upper_repeat_frequency": "4kHz",
        "upper_on_fraction": "40%",
        "lower_kind": "dc",
        "lower_offset": "20mV",
    },
    "Load pole at 40 kHz: the sum fades": {
        "upper_frequency": "43kHz",
        "lower_frequency": "45kHz",
        "lower_amplitude": "20mV",
        "loaded": "yes",
        "load_corner": "40kHz",
        "span": "16",
    },
    "Coupling capacitor too small for the tone": {
        "lower_kind": "square",
        "coupled_lower": "yes",
        "coupling_lower": "2kHz",
    },
    "Invented call, 80 falling to 43 kHz": {
        "upper_frequency": "42kHz",
        "lower_kind": "call",
        "lower_frequency": "80kHz",
        "lower_second_frequency": "43kHz",
        "lower_repeat_frequency": "100Hz",
        "lower_on_fraction": "50%",
        "lower_amplitude": "20mV",
        "heard": "slowed",
        "reach": "all",
    },
    "Built mixer, 45 kHz call": {
        "model": "built",
        "upper_frequency": "43kHz",
        "lower_frequency": "45kHz",
        "lower_amplitude": "10mV",
        "span": "16",
    },
}
