"""States of the scenes of lessons: Steer with a small wave, one use, one board, one capture.

They are smaller than the states of the pages on the same subject: what a lesson does not speak of
is left out, and every setting is a quantity with a slider or a choice, so that a step can unlock
it.
"""

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from urllib.parse import urlencode

import numpy as np

from forktail.core.built import network, supply
from forktail.core.built.circuit import Circuit, single_faults
from forktail.core.built.references import references
from forktail.core.capture import fit as capture_fit
from forktail.core.checks import QuantityError
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.path import loaded, path_of, run_path
from forktail.core.spec import choice, flag, number, spec, specs_of, text
from forktail.core.thermal import T_NOMINAL, thermal_voltage
from forktail.core.uses import USES, run_use
from forktail.pages.build.state import BuildScene, shipped, textbook
from forktail.pages.steer.state import SteerState
from forktail.pages.uses.state import TIME_VIEWS, UsesScene
from forktail.ui.state import PageState, param_of

_READINGS = text(
    "readings", "", "Readings", "Names of the figures on the card, with spaces between.", "view"
)

# ---------------------------------------------------------------- steer, with a wave

#: The wave that a lesson sends through a stage: Hz, and cycles and samples that are drawn.
WAVE_HZ, WAVE_CYCLES, WAVE_SAMPLES = 45e3, 2, 96
#: The largest tail current of all sliders of a stage together, A: what a wave's scale is made for.
_MOST_TAIL = 4e-3


@dataclass(frozen=True)
class Wave:
    """A small wave at an input and what comes out; arrays of shape (WAVE_SAMPLES + 1,), SI.

    `moment` is the index at which the wave passes the setting of the scene. `full_in` and
    `full_out` are the scales that the wave is drawn to: they stay while a tail or a load moves.
    """

    side: str
    time: np.ndarray
    v_in: np.ndarray
    v_out: np.ndarray
    moment: int
    full_in: float
    full_out: float


class SteerScene(SteerState):
    """The Steer page, with a small wave on one input and the ideal product to compare with."""

    wave = param_of(
        choice(
            "wave", "upper", {"upper": "upper input", "lower": "lower input"}, "Wave",
            "Which input carries the small wave.", "view",
        )
    )  # fmt: skip
    wave_peak = param_of(
        spec("amplitude", "wave_peak", default=5e-3, label="Wave, peak", part="view")
    )

    def query(self):
        """Query string of the scene as the Steer page knows it."""
        return urlencode({n: t for n, t in self.texts().items() if n not in _LESSON_ONLY})

    def wave_through(self):
        """The wave through the stage: a `Wave`.

        It swings around zero, as far as the setting of its input at least, so that the scene is
        one moment of it.
        """
        setting = self.v_upper if self.wave == "upper" else self.v_lower
        peak = max(self.wave_peak, abs(setting))
        phase = 2.0 * np.pi * WAVE_CYCLES * np.arange(WAVE_SAMPLES + 1) / WAVE_SAMPLES
        step = 1.0 / (WAVE_HZ * WAVE_SAMPLES / WAVE_CYCLES)
        carried = peak * np.sin(phase)
        still = np.full(phase.shape, self.v_lower if self.wave == "upper" else self.v_upper)
        waves = (carried, still) if self.wave == "upper" else (still, carried)
        passed = run_path(self._stage, *waves, step, at="base lines")
        scale = 2.0 * float(self.solve().thermal_voltage)
        moment = int(np.argmin(np.abs(carried[: WAVE_SAMPLES // WAVE_CYCLES // 4 + 1] - setting)))
        if setting < 0.0:
            half = WAVE_SAMPLES // WAVE_CYCLES // 2
            moment = half + int(np.argmin(np.abs(carried[half : 3 * half // 2 + 1] - setting)))
        most = _MOST_TAIL * self.r_load * math.tanh(peak / scale)
        return Wave(
            self.wave, step * np.arange(phase.size), carried, passed.loads.v_out, moment,
            1.1 * peak, round_up(most) if most else 1.0,
        )  # fmt: skip

    def _stage(self, v_upper, v_lower):
        return self.solve(v_upper=v_upper, v_lower=v_lower)

    def ideal_along(self, axis, x):
        """The ideal product along an axis of the map, V; None where there is none.

        Parameters
        ----------
        axis : str
            `v_upper` or `v_lower` of the full cell.
        x : numpy.ndarray
            V.
        """
        if self.stage != "cell" or axis not in ("v_upper", "v_lower"):
            return None
        other = self.v_lower if axis == "v_upper" else self.v_upper
        scale = 2.0 * float(self.solve().thermal_voltage)
        return self.i_tail * self.r_load * x * other / scale**2


#: Settings of `SteerScene` that the Steer page does not have.
_LESSON_ONLY = ("wave", "wave_peak")


def round_up(peak):
    """The least round value that is not below `peak`."""
    steps = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
    return next(m * 10.0**d for d in range(-6, 9) for m in steps if m * 10.0**d >= peak)


# ---------------------------------------------------------------- one use


#: Sliders finer than those of the Uses page, where a lesson asks for a steady hand.
_SLIDERS = {"dsb": {"trim": {"slider": (-2e-3, 2e-3), "step": 1e-5}}}


@lru_cache(maxsize=128)
def _run(use, settings, solve, detail):
    try:
        return run_use(use, settings, solve, detail), ""
    except QuantityError as error:
        return None, str(error)


def _look(name, keys, label, doc):
    return param_of(choice(name, keys[0], {key: key for key in keys}, label, doc, "view"))


class _UseLook(PageState):
    """What a scene of a use shows of its result; no physics."""

    use = ""

    time = _look("time", ("whole", "start", "settled"), "Time plot", "What the time plot shows.")
    band = _look("band", ("near", "all"), "Spectrum", "How much of the spectrum is shown.")
    curve = _look("curve", ("1", "2", "3"), "Curve", "Which characteristic is shown.")
    readings = param_of(_READINGS)

    def settings(self):
        """Settings of the use as the core wants them."""
        cls = USES[self.use].settings
        return cls(**{n: getattr(self, n) for n in specs_of(cls)})

    def solver(self):
        """The textbook cell of the scene."""
        return TextbookCell(**{n: getattr(self, f"cell_{n}") for n in specs_of(TextbookCell)})

    def scene(self, detail=False):
        """Run the use: one `UsesScene`, kept for equal settings."""
        result, error = _run(self.use, self.settings(), self.solver(), detail)
        time = self.time if self.time in TIME_VIEWS[self.use] else "whole"
        return UsesScene(
            self.use, result, error, detail, time, self.band, int(self.curve), "", {}, ""
        )


def use_state(use):
    """Class of the state of one use: its settings by their own names, those of the cell as
    cell_NAME.

    Parameters
    ----------
    use : str
        Key of `core.uses.USES`.

    Returns
    -------
    type
        A `PageState`.
    """
    finer = _SLIDERS.get(use, {})
    own = {n: param_of(s.at(**finer.get(n, {}))) for n, s in specs_of(USES[use].settings).items()}
    of_cell = {f"cell_{n}": param_of(s.at(f"cell_{n}")) for n, s in specs_of(TextbookCell).items()}
    return type(
        f"Lesson{use.title().replace('_', '')}State",
        (_UseLook,),
        {
            **own,
            **of_cell,
            "use": use,
            "page": use,
            "__module__": __name__,
            "__doc__": f"One scene of the use '{USES[use].title}'.",
        },
    )


# ---------------------------------------------------------------- one board

#: Shipped circuit that the boards of lessons are built after.
BOARD = "bat-call-mixer"


@lru_cache(maxsize=1)
def board_circuit():
    """The bat-call mixer as it was designed."""
    return shipped()[BOARD][0] if BOARD in shipped() else Circuit()


def unbalanced(circuit, left=0.0, right=0.0, lower=0.0):
    """The circuit with transistors of unequal size, given as offsets of the pairs at 25 degC, V.

    An area ratio A makes an offset of VT ln A (Gray, Hurst, Lewis, Meyer, chapter 3), so that
    the offset grows with absolute temperature.
    """
    v_t = float(thermal_voltage(T_NOMINAL))
    area = list(circuit.area)
    for first, second, offset in ((0, 1, left), (3, 2, right), (4, 5, lower)):
        half = math.exp(offset / (2.0 * v_t))
        area[first] *= half
        area[second] /= half
    return replace(circuit, area=tuple(area))


@lru_cache(maxsize=128)
def _inspected(circuit, v_upper, v_lower):
    return network.inspect(circuit, v_upper, v_lower, gains=True)


@lru_cache(maxsize=128)
def _current(circuit):
    return network.supply_current(circuit)


def _millivolts(name, label, doc, step=1e-4):
    return param_of(spec("offset", name, label=label, doc=doc, step=step))


def _part(quantity, name, field, label, slider, step):
    default = getattr(board_circuit(), field)
    return param_of(spec(quantity, name, default=default, label=label, slider=slider, step=step))


def _parts_to_take_off():
    """Parts of the board that can be taken off: reference -> (fault or field, title)."""
    board, specs, out = board_circuit(), specs_of(Circuit), {}
    faults = {f.key for f in single_faults(board)}
    for field, refs in references(board).items():
        title = specs[field].title
        if field == "r_emitter_lower":
            for ref, q in zip(refs, ("q5", "q6")):
                out[ref] = (f"open:r_emitter_{q}", f"{ref}, emitter of {q.upper()}")
        elif f"open:{field}" in faults:
            out[refs[0]] = (f"open:{field}", f"{refs[0]}, {title[0].lower()}{title[1:]}")
        elif field.startswith("c_bypass"):
            out[refs[0]] = (field, f"{refs[0]}, {title[0].lower()}{title[1:]}")
    order = sorted(out, key=lambda ref: (ref[0] == "C", int(ref[1:])))
    return {ref: out[ref] for ref in order}


_PARTS = _parts_to_take_off()
#: What is left where a capacitor was taken off, F.
_NO_CAPACITOR = 1e-12


class BoardState(PageState):
    """The bat-call mixer as a board: the parts that lessons turn, its mismatch and its trims."""

    page = "built"

    v_upper = param_of(spec("v_upper", default=0.0))
    v_lower = param_of(spec("v_lower", default=0.0))
    v_supply = param_of(spec("v_supply", slider=(3.0, 18.0)))
    r_load = _part("r_load", "r_load", "r_load_left", "Load resistors", (500.0, 12e3), 100.0)
    r_string_top = _part(
        "resistance", "r_string_top", "r_string_top", "String, top (R1)", (1e3, 20e3), 100.0
    )
    r_tail_emitter = _part(
        "resistance", "r_tail_emitter", "r_tail_emitter", "Emitter of Q7 (R10)", (200.0, 5e3), 50.0
    )
    r_emitter_lower = _part(
        "r_emitter",
        "r_emitter_lower",
        "r_emitter_lower",
        "Emitter resistors, lower",
        (0.0, 500.0),
        5.0,
    )
    temperature = param_of(spec("temperature"))
    offset_left = _millivolts("offset_left", "Offset, left pair", "Of Q1-Q2, V.")
    offset_right = _millivolts("offset_right", "Offset, right pair", "Of Q4-Q3, V.")
    offset_lower = _millivolts("offset_lower", "Offset, lower pair", "Of Q5-Q6, V.")
    load_mismatch = param_of(
        number(
            "load_mismatch",
            0.0,
            "%",
            -50.0,
            50.0,
            slider=(-5.0, 5.0),
            step=0.1,
            label="Left load over right",
            doc="Per cent.",
        )
    )
    trim_upper = param_of(spec("trim", "trim_upper", label="Trim, upper input"))
    trim_lower = param_of(spec("trim", "trim_lower", label="Trim, lower input"))
    trim_balance = param_of(spec("balance", "trim_balance"))
    fault = param_of(
        choice(
            "fault",
            "none",
            {
                "none": "nothing",
                **{f.key: f.text.rstrip(".") for f in single_faults(board_circuit())},
            },
            "Fault",
            "What is wrong with the board.",
        )
    )
    off = param_of(
        choice(
            "off",
            "none",
            {"none": "nothing", **{ref: title for ref, (_, title) in _PARTS.items()}},
            "Take off",
            "The one part that is not fitted.",
        )
    )
    model = param_of(
        choice(
            "model",
            "built",
            {"built": "Built", "overlay": "Built over textbook"},
            "Model",
            "Which answer is drawn.",
        )
    )
    readings = param_of(_READINGS)

    def circuit(self):
        """The board as a `Circuit`."""
        half = 0.005 * self.load_mismatch
        made = replace(
            board_circuit(),
            v_supply=self.v_supply,
            r_load_left=self.r_load * (1.0 + half),
            r_load_right=self.r_load * (1.0 - half),
            r_string_top=self.r_string_top,
            r_tail_emitter=self.r_tail_emitter,
            r_emitter_lower=self.r_emitter_lower,
            temperature=self.temperature,
            trim_upper=self.trim_upper,
            trim_lower=self.trim_lower,
            trim_balance=self.trim_balance,
        )
        made = unbalanced(made, self.offset_left, self.offset_right, self.offset_lower)
        gone = _PARTS[self.off][0] if self.off != "none" else ""
        if gone and ":" not in gone:
            made = replace(made, **{gone: _NO_CAPACITOR})
        faults = [f for f in (self.fault, gone) if ":" in f]
        return replace(made, faults=tuple(dict.fromkeys(faults))) if faults else made

    def gone(self):
        """References of the parts that are not fitted."""
        return () if self.off == "none" else (self.off,)

    def scene(self):
        """The board at its point: a `BuildScene`."""
        circuit = self.circuit()
        return BuildScene(
            circuit,
            self.model,
            self.v_upper,
            self.v_lower,
            _inspected(circuit, self.v_upper, self.v_lower),
            textbook(circuit, self.v_upper, self.v_lower),
        )

    def rest(self):
        """The board with both inputs at zero: `network.Inspection`."""
        return _inspected(self.circuit(), 0.0, 0.0)

    def hum(self):
        """What a volt of hum on the supply does at rest: `supply.Ripple`."""
        return _hum(self.circuit())

    def supply_current(self):
        """What the board draws at rest, A."""
        return _current(self.circuit())

    def curve(self, name, count=61):
        """Output over one input, the other as set: x, built, textbook or None, all V."""
        circuit = self.circuit()
        low, high = self.param[name].slider
        while high < abs(getattr(self, name)):
            low, high = 2.5 * low, 2.5 * high
        return _curve(
            circuit,
            name,
            self.v_lower if name == "v_upper" else self.v_upper,
            low,
            high,
            count,
            self.model == "overlay",
        )


@lru_cache(maxsize=64)
def _hum(circuit):
    return supply.ripple(circuit, [supply.HUM])


@lru_cache(maxsize=64)
def _curve(circuit, name, other, low, high, count, beside):
    x = np.linspace(low, high, count)
    inputs = (x, other) if name == "v_upper" else (other, x)
    built = network.solve_built(circuit, *inputs, gains=False).v_out
    point = textbook(circuit, *inputs) if beside else None
    return x, built, None if point is None else point.v_out


# ---------------------------------------------------------------- one capture

#: Boards of the capture scene: key -> what is wrong with the board. All are computed.
BOARDS = {
    "none": "as designed",
    "lower_offset": "Q5 larger than Q6: lower pair off balance",
    "upper_offset": "Q1 and Q4 larger: upper pairs off balance",
    "load_unequal": "left load larger than the right one",
    "load_small": "both loads too small",
    "tail_small": "tail current too small",
    "pair_reversed": "right upper pair reversed",
    "output_turned": "lower pair reversed",
    "lower_open": "lower drive not connected",
    "slow_load": "far too much capacitance at the collectors",
    "supply_low": "supply far too low",
}
#: Samples of a capture, and s from one to the next: whole cycles of both drives.
SAMPLES, STEP = 400, 0.5e-6


@dataclass(frozen=True)
class CaptureScene:
    """A capture of a board beside the prediction; arrays of shape (SAMPLES,), SI.

    `fitted` is the four-term fit of the capture behind the load pole of the design, `found` and
    `expected` are the fits (`ProductFit`) of capture and prediction. `delay` s, capture behind
    prediction (NaN where they have nothing in common). `meter` holds pairs (board, design) of V
    at rest by node.
    """

    time: np.ndarray
    v_upper: np.ndarray
    v_lower: np.ndarray
    measured: np.ndarray
    predicted: np.ndarray
    fitted: np.ndarray
    residual: np.ndarray
    found: capture_fit.ProductFit
    expected: capture_fit.ProductFit
    delay: float
    noise: float
    meter: dict


@lru_cache(maxsize=64)
def _board(key, size):
    """The board with a fault; `size` scales the ones that have a size."""
    c = board_circuit()
    if key == "lower_offset":
        return unbalanced(c, lower=3e-3 * size)
    if key == "upper_offset":
        return unbalanced(c, left=3e-3 * size, right=3e-3 * size)
    if key == "load_unequal":
        return replace(c, r_load_left=c.r_load_left * (1.0 + 0.02 * size))
    if key == "load_small":
        return replace(
            c,
            r_load_left=c.r_load_left * (1.0 - 0.15 * size),
            r_load_right=c.r_load_right * (1.0 - 0.15 * size),
        )
    if key == "tail_small":
        return replace(c, r_tail_emitter=c.r_tail_emitter / (1.0 - 0.15 * size))
    if key == "slow_load":
        return replace(c, c_load=c.c_load * (1.0 + 4.0 * size))
    if key == "supply_low":
        return replace(c, v_supply=c.v_supply * (1.0 - 0.5 * size))
    faults = {
        "pair_reversed": "swapped:pair_right",
        "output_turned": "swapped:pair_lower",
        "lower_open": "open:drive_lower",
    }
    return replace(c, faults=(faults[key],)) if key in faults else c


@lru_cache(maxsize=128)
def _sent(circuit, peak_upper, peak_lower):
    """Both tones through the board: time and what `run_path` says."""
    time = np.arange(SAMPLES) * STEP
    upper = peak_upper * np.sin(2.0 * np.pi * 50e3 * time)
    lower = peak_lower * np.sin(2.0 * np.pi * 45e3 * time)
    return time, run_path(BuiltCell(circuit), upper, lower, STEP)


@lru_cache(maxsize=64)
def _captured(board, size, prediction, peak_upper, peak_lower, noise, seed):
    made, meant = _board(board, size), _board(prediction, size)
    time, passed = _sent(made, peak_upper, peak_lower)
    upper, lower = passed.fed  # behind the coupling capacitors, where the channels are clipped
    rng = np.random.default_rng(seed)
    measured = passed.loads.v_out + noise * rng.normal(size=time.size)
    predicted = _sent(meant, peak_upper, peak_lower)[1].loads.v_out
    pole = path_of(board_circuit()).load_pole

    def memory(record):
        return loaded(record, STEP, pole)

    found = capture_fit.fit_product(upper, lower, measured, memory)
    expected = capture_fit.fit_product(upper, lower, predicted, memory)
    try:
        delay = capture_fit.find_delay(predicted, measured, STEP, 5e-6).seconds
    except QuantityError:
        delay = math.nan
    here, there = network.solve_bias(made).nodes, network.solve_bias(board_circuit()).nodes
    meter = {k: (float(here[k]), float(there[k])) for k in there if k in here}
    return CaptureScene(
        time,
        upper,
        lower,
        measured,
        predicted,
        memory(found.value(upper, lower)),
        measured - predicted,
        found,
        expected,
        delay,
        noise,
        meter,
    )


def _peak(name, default, label):
    return param_of(spec("amplitude", name, default=default, label=label, slider=(0.005, 0.1)))


class CaptureState(PageState):
    """A capture of a board with a fault that is not told, and a prediction to lay beside it.

    A 50 kHz oscillator on the upper input, a 45 kHz test tone on the lower one. Nothing is
    measured: the board is the bat-call mixer with one thing wrong, solved in full, with noise.
    """

    page = "capture"

    board = param_of(
        choice("board", "none", BOARDS, "Board", "What is wrong with the captured board.")
    )
    prediction = param_of(
        choice("prediction", "none", BOARDS, "Predict a board", "Board that is predicted.")
    )
    size = param_of(
        number(
            "size",
            100.0,
            "%",
            10.0,
            200.0,
            slider=(50.0, 150.0),
            step=5.0,
            label="Size of the fault",
            doc="Per cent.",
        )
    )
    peak_upper = _peak("peak_upper", 0.04, "Upper drive, peak")
    peak_lower = _peak("peak_lower", 0.02, "Lower drive, peak")
    noise = param_of(
        number(
            "noise",
            1e-3,
            "V",
            1e-5,
            0.1,
            slider=(1e-4, 0.01),
            step=1e-4,
            label="Noise, rms",
            doc="Of the capture, V.",
        )
    )
    readings = param_of(_READINGS)
    marks = param_of(
        flag("marks", False, "Mark readings", "Mark the readings that are far off.", "view")
    )

    def scene(self):
        """Capture, prediction and what a fit says: `CaptureScene`, kept for equal settings."""
        return _captured(
            self.board,
            self.size / 100.0,
            self.prediction,
            self.peak_upper,
            self.peak_lower,
            self.noise,
            7,
        )
