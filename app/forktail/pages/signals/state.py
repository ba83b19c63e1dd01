"""State of the Signals page: two drives, the cell, the time shown, and one run for all views."""

import math
from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np
import param

from forktail.circuits import shipped, shipped_titles
from forktail.core.built import network
from forktail.core.cell import law as cell
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.path import loaded
from forktail.core.quantities import format_quantity
from forktail.core.spec import number
from forktail.core.thermal import thermal_voltage
from forktail.core.uses.signals import SignalRun, run_signals
from forktail.core.waves import drives as signals
from forktail.core.waves import sound
from forktail.core.waves.drives import CALL_BAND, DRIVE_KINDS, Drive
from forktail.ui.state import PageState, Quantity

MODELS = {"textbook": "Textbook cell", "built": "Built circuit"}
SPANS = {"window": "the whole window", "16": "16 periods", "4": "4 periods", "1": "1 period"}
LEVELS = {"dB": "dB below the largest", "V": "volts, peak"}
REACHES = {"main": "the main lines", "hearing": "0 to 20 kHz", "all": "all lines"}
PRODUCTS = {"fitted": "scaled to fit", "slope": "by the slope at rest"}
HEARD = {"as it is": "as it is", "shifted": "shifted down", "slowed": "slowed"}

#: Samples of one window: the built cell takes its time, so it gets fewer.
MAX_SAMPLES = {"textbook": 16384, "built": 2048}
#: Points across the map of the built cell.
BUILT_GRID = 60
#: Ends of the map, V: the smallest that holds both inputs is taken.
_MAP_ENDS = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
#: Seconds of sound made at a time; the browser repeats them.
SOUND_SECONDS = 2.0
#: Lines of the output that are played: more cost time and are hardly heard.
SOUND_LINES = 24
MAX_SOUND_SAMPLES = 1_000_000
_TIME_STEPS = 500


@lru_cache(maxsize=16)
def _corners(circuit):
    return network.corners(circuit)


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

    def at(self, record):
        """Value of a record of the run at the cursor, between its two nearest samples."""
        n = len(record)
        place = self.cursor / self.run.window.duration * n
        k = math.floor(place)
        low, high = float(record[k % n]), float(record[(k + 1) % n])
        return low + (place - k) * (high - low)


def _fine(default, bounds, unit, **more):
    return Quantity(number("", default, unit, *bounds, most_digits=5, **more))


def _round(default, bounds, unit, **more):
    return Quantity(number("", default, unit, *bounds, most_digits=5, even="ratios", **more))


def _kind(side, default):
    return param.Selector(
        default=default,
        objects={t: k for k, (t, _) in DRIVE_KINDS.items()},
        label=f"{side} drive",
        doc=f"Kind of the {side.lower()} drive.",
    )


def _amplitude(side, default, what="amplitude"):
    return Quantity(
        default,
        bounds=(0.0, signals.MAX_AMPLITUDE),
        slider=(0.0, 0.2),
        step=1e-3,
        unit="V",
        label=f"{side} {what}",
        doc="V peak.",
    )


def _frequency(side, default, what="frequency", low=100.0, high=200e3):
    return _round(
        default,
        bounds=(1.0, signals.MAX_FREQUENCY),
        slider=(low, high),
        step=100.0,
        unit="Hz",
        label=f"{side} {what}",
        doc="Hz.",
    )


def _phase(side):
    return Quantity(
        0.0,
        bounds=(-360.0, 360.0),
        slider=(-180.0, 180.0),
        step=5.0,
        unit="deg",
        label=f"{side} phase",
        doc="Degrees, of the first tone.",
    )


def _volt(default, bound, span, step, label, doc):
    return Quantity(
        default,
        bounds=(-bound, bound),
        slider=(-span, span),
        step=step,
        unit="V",
        label=label,
        doc=doc,
    )


def _percent(default, low, high, label):
    return Quantity(
        default,
        bounds=(low, high),
        slider=(low, high),
        step=1.0,
        unit="%",
        label=label,
        doc="Per cent.",
    )


def _choice(default, options, label):
    return param.Selector(
        default=default, objects={t: k for k, t in options.items()}, label=label, doc=label
    )


class SignalsState(PageState):
    """The Signals page: what drives both inputs, the cell, and what is shown of it."""

    page = "signals"

    model = _choice("textbook", MODELS, "Cell")
    circuit = param.Selector(
        default="bat-call-mixer",
        objects={t: k for k, t in shipped_titles().items()},
        label="Circuit",
        doc="The built circuit.",
    )

    upper_kind = _kind("Upper", "sine")
    upper_amplitude = _amplitude("Upper", 0.060)
    upper_frequency = _frequency("Upper", 40e3)
    upper_phase = _phase("Upper")
    upper_offset = _volt(0.0, 10.0, 0.1, 1e-3, "Upper DC", "V added to the drive.")
    upper_second_amplitude = _amplitude("Upper", 0.02, "second amplitude")
    upper_second_frequency = _frequency("Upper", 42e3, "second frequency")
    upper_repeat_frequency = _frequency("Upper", 2e3, "repetition", 10.0, 20e3)
    upper_on_fraction = _percent(30.0, 1.0, 100.0, "Upper on-time")
    upper_depth = _percent(50.0, 0.0, 200.0, "Upper depth")

    lower_kind = _kind("Lower", "sine")
    lower_amplitude = _amplitude("Lower", 0.020)
    lower_frequency = _frequency("Lower", 4e3)
    lower_phase = _phase("Lower")
    lower_offset = _volt(0.0, 10.0, 0.1, 1e-3, "Lower DC", "V added to the drive.")
    lower_second_amplitude = _amplitude("Lower", 0.02, "second amplitude")
    lower_second_frequency = _frequency("Lower", 5e3, "second frequency")
    lower_repeat_frequency = _frequency("Lower", 1e3, "repetition", 10.0, 20e3)
    lower_on_fraction = _percent(30.0, 1.0, 100.0, "Lower on-time")
    lower_depth = _percent(50.0, 0.0, 200.0, "Lower depth")

    cursor = _fine(
        30e-6,
        bounds=(0.0, 1e4),
        slider=(0.0, 250e-6),
        step=5e-7,
        unit="s",
        label="Cursor",
        symbol="t",
        doc="Time of the cursor, s.",
    )
    span = _choice("window", SPANS, "Time shown")
    start = _fine(
        0.0,
        bounds=(0.0, 1e4),
        slider=(0.0, 250e-6),
        step=5e-7,
        unit="s",
        label="Shown from",
        doc="Start of the time shown, s.",
    )

    i_tail = Quantity(
        2e-3,
        bounds=(1e-5, 2e-2),
        slider=(1e-4, 4e-3),
        step=5e-5,
        unit="A",
        label="Tail current",
        symbol="i_tail",
        doc="A.",
    )
    r_load = Quantity(
        1e3,
        bounds=(10.0, 1e5),
        slider=(100.0, 10e3),
        step=100.0,
        unit="ohm",
        label="Load resistors",
        symbol="r_load",
        doc="Each load, ohm.",
    )
    temperature = Quantity(
        298.15,
        bounds=(233.15, 398.15),
        slider=(233.15, 398.15),
        step=1.0,
        unit="K",
        label="Temperature",
        symbol="T",
        doc="Junctions, K.",
    )
    v_supply = Quantity(
        12.0,
        bounds=(1.0, 60.0),
        slider=(3.0, 24.0),
        step=0.5,
        unit="V",
        label="Supply",
        symbol="v_supply",
        doc="V.",
    )
    offset_left = _volt(0.0, 0.02, 0.01, 1e-4, "Offset, left pair", "Of Q1-Q2, V.")
    offset_right = _volt(0.0, 0.02, 0.01, 1e-4, "Offset, right pair", "Of Q4-Q3, V.")
    offset_lower = _volt(0.0, 0.02, 0.01, 1e-4, "Offset, lower pair", "Of Q5-Q6, V.")
    r_emitter_lower = Quantity(
        0.0,
        bounds=(0.0, 10e3),
        slider=(0.0, 500.0),
        step=5.0,
        unit="ohm",
        label="Emitter resistors, lower",
        symbol="r_e lower",
        doc="In each lower emitter, ohm.",
    )

    coupled_upper = param.Boolean(
        default=False, label="Coupling capacitor, upper", doc="Whether the upper input is coupled."
    )
    coupling_upper = _frequency("Upper", 500.0, "coupling corner", 10.0, 100e3)
    coupled_lower = param.Boolean(
        default=False, label="Coupling capacitor, lower", doc="Whether the lower input is coupled."
    )
    coupling_lower = _frequency("Lower", 500.0, "coupling corner", 10.0, 100e3)
    loaded = param.Boolean(
        default=False, label="Load capacitance", doc="Whether both collectors carry capacitance."
    )
    load_corner = _frequency("Load", 100e3, "pole", 1e3, 5e6)

    levels = _choice("dB", LEVELS, "Spectrum in")
    reach = _choice("main", REACHES, "Spectrum shows")
    product = _choice("fitted", PRODUCTS, "Ideal product")
    beside = param.Boolean(
        default=True,
        label="Textbook cell beside the built one",
        doc="Draw the textbook output too.",
    )
    hold_scale = param.Boolean(
        default=False, label="Keep the colour scale", doc="Keep the colour scale of the map."
    )
    heard = _choice("as it is", HEARD, "Hear the output")
    hear_shift = _frequency("Listen:", 34e3, "shift down by", 100.0, 200e3)
    hear_slow = Quantity(
        10.0,
        bounds=(1.0, 1000.0),
        slider=(1.0, 50.0),
        step=1.0,
        unit="",
        label="Times slower",
        doc="Factor.",
    )

    #: What a run does not depend on.
    _shown_only = (
        "cursor",
        "span",
        "start",
        "levels",
        "reach",
        "product",
        "beside",
        "hold_scale",
        "heard",
        "hear_shift",
        "hear_slow",
    )

    def __init__(self, **params):
        super().__init__(**params)
        self._held = (None, None, "")  # run, textbook output beside, problem
        self._scene, self._stale = None, True
        self.param.watch(self._touched, self.fields())

    def _touched(self, *events):
        self._scene = None
        if any(event.name not in self._shown_only for event in events):
            self._stale = True

    # what is driven and through what

    def drive(self, side):
        """Drive of `upper` or `lower` as the core wants it."""

        def get(name):
            return getattr(self, f"{side}_{name}")

        return Drive(
            kind=get("kind"),
            amplitude=get("amplitude"),
            frequency=get("frequency"),
            phase=get("phase"),
            offset=get("offset"),
            second_amplitude=get("second_amplitude"),
            second_frequency=get("second_frequency"),
            repeat_frequency=get("repeat_frequency"),
            on_fraction=get("on_fraction") / 100.0,
            depth=get("depth") / 100.0,
        )

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
        area = list(circuit.area)
        for first, second, offset in (
            (0, 1, self.offset_left),
            (3, 2, self.offset_right),
            (4, 5, self.offset_lower),
        ):
            half = math.exp(offset / (2.0 * v_t))
            area[first] *= half
            area[second] /= half
        return replace(circuit, temperature=self.temperature, area=tuple(area))

    def textbook(self, **changes):
        """The textbook cell as a solver; `changes` replace quantities."""
        return TextbookCell(
            **{
                **{
                    f.name: getattr(self, f.name)
                    for f in fields(TextbookCell)
                    if f.name in self.param
                },
                **changes,
            }
        )

    def solver(self):
        """The cell of the page as the core wants it."""
        return BuiltCell(self.built_circuit()) if self.model == "built" else self.textbook()

    def corners(self):
        """Coupling corners of both inputs and load pole, Hz (None: no pole)."""
        if self.model == "built":
            found = _corners(shipped()[self.circuit][0])
            return found["coupling_upper"], found["coupling_lower"], found["load_pole"]
        return (
            self.coupling_upper if self.coupled_upper else 0.0,
            self.coupling_lower if self.coupled_lower else 0.0,
            self.load_corner if self.loaded else None,
        )

    # the run

    def _key(self):
        return tuple(getattr(self, n) for n in self.fields() if n not in self._shown_only)

    def _solve(self):
        """Run once for every change that matters; a run that fails leaves the last one."""
        if not self._stale:
            return self._held
        run, beside, _ = self._held
        try:
            run, beside = self._run()
            problem = ""
        except QuantityError as error:
            problem = f"{str(error)[0].upper()}{str(error)[1:]}"
            if run is None:  # a link that cannot be run: the default scene stands in
                run, beside = SignalsState()._run()
        self._held, self._stale = (run, beside, problem), False
        return self._held

    def _run(self):
        solve = self.solver()
        upper_corner, lower_corner, pole = self.corners()
        run = run_signals(
            self.drive("upper"),
            self.drive("lower"),
            solve,
            upper_corner,
            lower_corner,
            pole,
            max_samples=MAX_SAMPLES[self.model],
        )
        if self.model != "built":
            return run, None
        r_load = float(run.point.r_load.flat[0])
        point = self.textbook(
            i_tail=run.full_scale / r_load,
            r_load=r_load,
            r_emitter_upper=solve.circuit.r_emitter_upper,
            r_emitter_lower=solve.circuit.r_emitter_lower,
        )(run.v_upper, run.v_lower)
        return run, loaded(point.v_out, run.window.duration / run.window.samples, pole)

    def scene(self):
        """Everything that the views show; only what changed is computed."""
        if self._scene is None:
            self._scene = self._make_scene()
        return self._scene

    def _make_scene(self):
        run, beside, problem = self._solve()
        self._fit_time(run)
        start, end = self.stretch(run)
        product = run.product if self.product == "slope" else run.fitted
        limits, remarks = (), tuple(run.notes)
        if self.model == "built":
            remarks += tuple(run.point.warnings) + (self._corner_text(),)
        else:
            limits = cell.validity(
                run.point,
                cell.CellSettings(
                    r_load=self.r_load,
                    temperature=self.temperature,
                    v_supply=self.v_supply,
                    r_emitter_lower=self.r_emitter_lower,
                ),
            )
        return SignalScene(
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
            remarks,
        )

    def _corner_text(self):
        upper, lower, pole = (format_quantity(f, "Hz") for f in self.corners())
        return (
            f"Corners of this circuit: coupling {upper} (upper) and {lower} (lower), "
            f"load pole {pole}."
        )

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
            spec = self.param[name]
            spec.slider, spec.step = (low, high), (high - low) / _TIME_STEPS

    def set_cursor(self, t):
        """Put the cursor at a time, s, held within the time shown."""
        run = self._solve()[0]
        start, end = self.stretch(run)
        duration = run.window.duration
        digits = 3 + max(0, math.ceil(math.log10(duration / (end - start))))
        # the end of the window is the start of the next, so the last sample is the last place
        last = duration * (1.0 - 1.0 / run.window.samples)
        t = min(max(t, start), end, last)
        self.cursor = min(float(f"{t:.{digits}g}"), last)

    def set_cursor_from_map(self, across, up):
        """Put the cursor where the trajectory passes nearest to a place of the map, V."""
        run = self._solve()[0]
        start, end = self.stretch(run)
        inside = np.flatnonzero((run.time >= start) & (run.time <= end))
        (_, wide), (_, high) = self.map_range("v_upper"), self.map_range("v_lower")
        far = ((run.v_upper[inside] - across) / wide) ** 2 + (
            (run.v_lower[inside] - up) / high
        ) ** 2
        self.set_cursor(float(run.time[inside[int(np.argmin(far))]]))

    # presets and sound

    def apply_preset(self, name):
        """Load a preset: its settings over the defaults."""
        self.apply_texts(PRESETS[name])

    def sound(self):
        """The output as sound: `sound.Sound`, limited in level by the core."""
        run = self._solve()[0]
        if run.spectrum is None:
            raise QuantityError("Some samples have no solution, so there is nothing to hear.")
        v, duration = run.point.v_out, run.window.duration
        if self.heard == "slowed":
            # whole periods laid end to end; a bat call has too many lines to add up one by one
            repeats = max(1, math.ceil(SOUND_SECONDS / (duration * self.hear_slow)))
            repeats = min(repeats, max(1, MAX_SOUND_SAMPLES // len(v)))
            return sound.sound_from_samples(
                np.tile(v, repeats), run.window.sample_rate, run.full_scale, slow_by=self.hear_slow
            )
        return sound.sound_from_record(
            v,
            duration,
            run.full_scale,
            SOUND_SECONDS,
            shift=self.hear_shift if self.heard == "shifted" else 0.0,
            lines=SOUND_LINES,
        )

    def sound_key(self):
        """What the sound depends on; equal keys, equal sound."""
        return self._key(), self.heard, self.hear_shift, self.hear_slow

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
        size = 1.02 * float(np.max(np.abs(getattr(self._solve()[0], axis)), initial=0.0))
        end = next((e for e in _MAP_ENDS if e >= size), size)
        return -end, end

    def map_key(self):
        """What the normalised picture of the map depends on."""
        base = (
            self.model,
            self.temperature,
            self.offset_left,
            self.offset_right,
            self.offset_lower,
            self.map_range("v_upper"),
            self.map_range("v_lower"),
        )
        if self.model == "built":
            return base + (self.circuit,)
        return base + (self.r_emitter_lower, self.i_tail if self.r_emitter_lower else 0.0)

    def map_grid(self):
        """Axes, V, and the output over them as a fraction of `map_scale`: x, y, z."""
        count = BUILT_GRID if self.model == "built" else 120
        x, y = (np.linspace(*self.map_range(axis), count) for axis in self.map_axes())
        if self.model == "built":
            point = network.solve_built(self.built_circuit(), x[None, :], y[:, None], gains=False)
            return x, y, point.v_out / self.map_scale()
        solve = self.textbook()
        return x, y, solve(x[None, :], y[:, None]).v_out / self.map_scale()

    def map_scale(self):
        """Volts of the map's full scale."""
        return self._solve()[0].full_scale


def inverted_stretches(run):
    """Stretches in which the lower input is negative, so that the output is turned over.

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
