"""Param classes: the single source of truth for a page, and their URL and file round trip."""

import difflib
import tomllib
from dataclasses import dataclass
from functools import cached_property, lru_cache
from urllib.parse import parse_qsl, quote, urlencode

import numpy as np
import param

from .core import cell
from .core.checks import QuantityError
from .core.quantities import (
    format_quantity,
    format_temperature,
    parse_quantity,
    parse_temperature,
)

#: Longest query or file read, characters; a longer one is refused with a sentence.
MAX_QUERY = 4_000
MAX_FILE = 200_000


class Quantity(param.Number):
    """A number with a unit, hard `bounds`, and the range and step of its slider."""

    __slots__ = ["unit", "slider", "symbol"]
    _slot_defaults = dict(param.Number._slot_defaults, unit="", slider=(0.0, 1.0), symbol="")

    def __init__(self, default=0.0, *, unit="", slider=(0.0, 1.0), symbol="", **params):
        super().__init__(default=default, **params)
        self.unit, self.slider, self.symbol = unit, slider, symbol

    def __get__(self, obj, objtype=None):
        # a quantity is a plain number: no look for a generator, on the way of every event
        return param.Parameter.__get__(self, obj, objtype)

    def read(self, text):
        """Parse an entry for this quantity; QuantityError says what is wrong."""
        label = self.label or self.name
        if self.unit == "K":
            value = parse_temperature(text, label)
            low, high = self.bounds
            if not low <= value <= high:
                raise QuantityError(
                    f"{label}: '{text}' is out of range; allowed is "
                    f"{format_temperature(low)} to {format_temperature(high)}.")
            return value
        low, high = self.bounds
        return parse_quantity(text, self.unit, label, low, high)

    def show(self, value, digits=3):
        """Text of a value for the screen."""
        if self.unit == "K":
            return format_temperature(value)
        return format_quantity(value, self.unit, digits)

    def exact(self, value):
        """Shortest plain text that reads back to the same float (for links and files)."""
        return _exact(float(value), self.unit)

    def steps(self):
        """Number of steps of the slider."""
        low, high = self.slider
        return int(round((high - low) / self.step))

    def at_step(self, index):
        """Value at a slider position; rounding keeps 0.1 mV steps free of float dust."""
        low, _ = self.slider
        return float(f"{low + index * self.step:.9g}")

    def position(self, value):
        """Slider position nearest to `value`, held at the ends."""
        low, _ = self.slider
        return int(min(max(round((value - low) / self.step), 0), self.steps()))


@lru_cache(maxsize=4096)
def _exact(value, unit):
    if unit == "K":
        for text in (f"{value - 273.15:.6g}degC", f"{value!r}K"):
            if parse_temperature(text) == value:
                return text
    for digits in range(1, 18):
        text = format_quantity(value, unit, digits, ascii_only=True).replace(" ", "")
        if parse_quantity(text, unit) == value:
            return text
    return repr(value)


class PageState(param.Parameterized):
    """State of one page with a text form for links and files.

    A subclass declares `page` (its name in files) and parameters; those in `_private` and
    `name` are left out of links.
    """

    page = ""
    _private = ()

    @cached_property
    def specs(self):
        """Name -> parameter, of this instance: looking one up through `param` is slow."""
        return {n: self.param[n] for n in self.param if n != "name"}

    def fields(self):
        """Names of the parameters that a link carries."""
        return [n for n in self.specs if n not in self._private]

    def watched(self):
        """Names of the parameters whose change redraws the page; all that a link may carry."""
        return self.fields()

    def texts(self, changed_only=True):
        """Mapping of parameter name to text; only those off their default unless told."""
        out = {}
        for name in self.fields():
            spec, value = self.specs[name], getattr(self, name)
            if changed_only and value == spec.default:
                continue
            if isinstance(spec, Quantity):
                out[name] = spec.exact(value)
            elif isinstance(spec, param.Boolean):
                out[name] = "yes" if value else "no"
            else:
                out[name] = str(value)
        return out

    def query(self):
        """Query string (without `?`) that restores this scene."""
        return urlencode(self.texts(), quote_via=quote)

    def apply_texts(self, texts):
        """Set parameters from texts; unread parts keep their default.

        Returns
        -------
        list of str
            One sentence for each part that was not understood.
        """
        values, problems = {}, []
        known = self.fields()
        for name, text in texts.items():
            if name not in known:
                near = difflib.get_close_matches(str(name), known, 1)
                hint = f"; did you mean '{near[0]}'?" if near else "."
                problems.append(f"'{_short(name)}' is not a setting of this page{hint}")
                continue
            spec = self.specs[name]
            try:
                values[name] = self._read(spec, text)
            except QuantityError as error:
                problems.append(str(error))
        self.param.update(**{**self._defaults(), **values})
        return problems

    def _read(self, spec, text):
        if isinstance(spec, Quantity):
            return spec.read(text)
        text = str(text)
        if isinstance(spec, param.Boolean):
            if text.lower() in ("yes", "true", "1"):
                return True
            if text.lower() in ("no", "false", "0"):
                return False
            raise QuantityError(f"{spec.name}: '{_short(text)}' is neither yes nor no.")
        if isinstance(spec, param.Selector):
            if text in spec.objects:
                return text
            raise QuantityError(
                f"{spec.name}: '{_short(text)}' is not known; allowed are "
                f"{', '.join(map(str, spec.objects))}.")
        return text

    def _defaults(self):
        return {n: self.specs[n].default for n in self.fields()}

    def reset(self):
        """Put every setting back to its default."""
        self.param.update(**self._defaults())

    def apply_query(self, query):
        """Restore from a query string; returns sentences for what was not understood."""
        if len(query) > MAX_QUERY:
            return [f"The link is {len(query)} characters long; at most {MAX_QUERY} are read, "
                    "so the default scene is shown."]
        try:
            pairs = parse_qsl(query.lstrip("?"), keep_blank_values=True, max_num_fields=100)
        except ValueError:
            return ["The link holds more than 100 parts, so the default scene is shown."]
        return self.apply_texts(dict(pairs))

    def to_file(self):
        """TOML text of the scene: a `[scene]` table, as in a circuit file."""
        lines = [f"# Forktail scene, page {self.page}", "[scene]", f'page = "{self.page}"']
        lines += [f'{n} = "{t}"' for n, t in self.texts(changed_only=False).items()]
        return "\n".join(lines) + "\n"

    def apply_file(self, text):
        """Restore from TOML text.

        Returns
        -------
        list of str
            Sentences for what was not understood.

        Raises
        ------
        QuantityError
            If it is no TOML, too long, or holds no scene of this page; nothing is changed.
        """
        if len(text) > MAX_FILE:
            raise QuantityError(f"the file holds {len(text)} characters; at most {MAX_FILE} "
                                "are read.")
        try:
            table = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise QuantityError(f"the file is not TOML: {error}.") from None
        scene = table.get("scene")
        if not isinstance(scene, dict):
            raise QuantityError("the file has no [scene] table, so there is no scene to load.")
        scene = dict(scene)
        page = scene.pop("page", self.page)
        if page != self.page:
            raise QuantityError(f"the file holds a scene of the page '{_short(page)}'; this is "
                                f"the page '{self.page}'.")
        return self.apply_texts(scene)


def _short(text, most=40):
    text = str(text)
    return text if len(text) <= most else text[:most - 1] + "\u2026"


STAGES = {
    "pair": "1 One pair",
    "shared": "2 Two pairs, shared loads",
    "crossed": "3 Crossed pairs",
    "cell": "4 The full cell",
}

#: Which quantities a stage shows, in order.
STAGE_CONTROLS = {
    "pair": ("v_upper", "i_tail"),
    "shared": ("v_upper", "v_second", "i_tail_left", "i_tail_right"),
    "crossed": ("v_upper", "i_tail_left", "i_tail_right"),
    "cell": ("v_upper", "v_lower", "i_tail"),
}
COMMON_CONTROLS = ("r_load", "temperature", "v_supply")
PART_CONTROLS = {
    "pair": ("offset_left", "r_emitter_upper"),
    "shared": ("offset_left", "offset_right", "r_emitter_upper"),
    "crossed": ("offset_left", "offset_right", "r_emitter_upper"),
    "cell": ("offset_left", "offset_right", "offset_lower", "r_emitter_upper",
             "r_emitter_lower"),
}

#: Presets in trade terms: stage -> name -> settings (texts as in a link; rest is default).
PRESETS = {
    "pair": {
        "Balanced pair": {"v_upper": "0V"},
        "Small signal, 5 mV": {"v_upper": "5mV"},
        "Hard switched": {"v_upper": "100mV"},
        "Starved tail": {"v_upper": "20mV", "i_tail": "0.1mA"},
        "No tail current, no gain": {"v_upper": "20mV", "i_tail": "0A"},
        "Emitter resistors, 100 \u03a9": {"v_upper": "20mV", "r_emitter_upper": "100ohm"},
    },
    "shared": {
        "Two equal contributions": {"v_upper": "15mV", "v_second": "15mV"},
        "Contributions that oppose": {"v_upper": "20mV", "v_second": "-20mV"},
        "One pair starved": {"v_upper": "20mV", "v_second": "-10mV", "i_tail_right": "0.2mA"},
    },
    "crossed": {
        "Equal tails cancel": {"v_upper": "30mV"},
        "Left tail larger": {"v_upper": "20mV", "i_tail_left": "1.5mA",
                             "i_tail_right": "0.5mA"},
        "Right tail larger, inverted": {"v_upper": "20mV", "i_tail_left": "0.5mA",
                                        "i_tail_right": "1.5mA"},
        "Offset of one pair": {"v_upper": "0V", "offset_left": "2mV"},
    },
    "cell": {
        "Both inputs at zero": {"v_upper": "0V", "v_lower": "0V"},
        "Small signal, same signs": {"v_upper": "10mV", "v_lower": "10mV"},
        "Small signal, opposite signs": {"v_upper": "10mV", "v_lower": "-10mV"},
        "Upper inputs hard switched": {"v_upper": "100mV", "v_lower": "15mV"},
        "Lower feedthrough: upper offset": {"v_upper": "0V", "v_lower": "30mV",
                                            "offset_left": "2mV", "offset_right": "2mV"},
        "Upper feedthrough: lower offset": {"v_upper": "30mV", "v_lower": "0V",
                                            "offset_lower": "2mV"},
        "Emitter resistors in the lower pair": {"v_upper": "20mV", "v_lower": "60mV",
                                                "r_emitter_lower": "100ohm"},
        "Load too large for the supply": {"v_upper": "40mV", "v_lower": "40mV",
                                          "r_load": "10k"},
    },
}


@dataclass(frozen=True)
class Scene:
    """One numerical result of the Steer page, shared by all its views."""

    stage: str
    point: cell.OperatingPoint
    settings: cell.CellSettings
    limits: tuple
    v_second: float
    i_tail_left: float
    i_tail_right: float


def _volt(default, span, step, label, symbol, doc, bound=10.0):
    return Quantity(default, bounds=(-bound, bound), slider=(-span, span), step=step, unit="V",
                    label=label, symbol=symbol, doc=doc)


class SteerState(PageState):
    """The Steer page: a stage, its inputs and tails, and the parts."""

    page = "steer"

    stage = param.Selector(default="cell", objects={t: k for k, t in STAGES.items()},
                           label="Stage", doc="Which circuit is shown.")
    v_upper = _volt(0.020, 0.1, 0.001, "Upper input", "v_upper",
                    "Differential input of the upper pairs, V.")
    v_second = _volt(0.010, 0.1, 0.001, "Second input", "v_second",
                     "Differential input of the pair Q3-Q4 in stage 2, V.")
    v_lower = _volt(0.020, 0.1, 0.001, "Lower input", "v_lower",
                    "Differential input of the lower pair, V.")
    i_tail = Quantity(2e-3, bounds=(0.0, 0.1), slider=(0.0, 4e-3), step=5e-5, unit="A",
                      label="Tail current", symbol="i_tail", doc="Tail current, A.")
    i_tail_left = Quantity(1e-3, bounds=(0.0, 0.1), slider=(0.0, 2e-3), step=2.5e-5, unit="A",
                           label="Left tail", symbol="i_left", doc="Tail of Q1-Q2, A.")
    i_tail_right = Quantity(1e-3, bounds=(0.0, 0.1), slider=(0.0, 2e-3), step=2.5e-5, unit="A",
                            label="Right tail", symbol="i_right", doc="Tail of Q3-Q4, A.")
    r_load = Quantity(1e3, bounds=(1.0, 1e6), slider=(100.0, 10e3), step=100.0, unit="ohm",
                      label="Load resistors", symbol="r_load", doc="Each load, ohm.")
    temperature = Quantity(298.15, bounds=(123.15, 473.15), slider=(233.15, 398.15), step=1.0,
                           unit="K", label="Temperature", symbol="T", doc="Junctions, K.")
    v_supply = Quantity(12.0, bounds=(1.0, 60.0), slider=(3.0, 24.0), step=0.5, unit="V",
                        label="Supply", symbol="v_supply", doc="Supply, V.")
    offset_left = _volt(0.0, 0.01, 0.0001, "Offset, left pair", "offset_left",
                        "Offset voltage of Q1-Q2, V.", 0.1)
    offset_right = _volt(0.0, 0.01, 0.0001, "Offset, right pair", "offset_right",
                         "Offset voltage of Q4-Q3, V.", 0.1)
    offset_lower = _volt(0.0, 0.01, 0.0001, "Offset, lower pair", "offset_lower",
                         "Offset voltage of Q5-Q6, V.", 0.1)
    r_emitter_upper = Quantity(0.0, bounds=(0.0, 10e3), slider=(0.0, 500.0), step=5.0,
                               unit="ohm", label="Emitter resistors, upper",
                               symbol="r_e upper", doc="In each upper emitter, ohm.")
    r_emitter_lower = Quantity(0.0, bounds=(0.0, 10e3), slider=(0.0, 500.0), step=5.0,
                               unit="ohm", label="Emitter resistors, lower",
                               symbol="r_e lower", doc="In each lower emitter, ohm.")
    hold_scale = param.Boolean(default=False, label="Keep the colour scale",
                               doc="Keep the colour scale of the map.")

    def settings(self):
        """The fixed part of the scene as the core wants it."""
        return cell.CellSettings(
            r_load=self.r_load, temperature=self.temperature, v_supply=self.v_supply,
            offset_left=self.offset_left, offset_right=self.offset_right,
            offset_lower=self.offset_lower, r_emitter_upper=self.r_emitter_upper,
            r_emitter_lower=self.r_emitter_lower)

    def solve(self, **arrays):
        """Operating point of the stage; `arrays` replace state values by arrays (SI).

        Returns
        -------
        OperatingPoint
        """
        get = lambda name: arrays.get(name, getattr(self, name))  # noqa: E731
        settings = self.settings()
        if self.stage == "pair":
            return cell.solve_pair(get("v_upper"), get("i_tail"), settings)
        if self.stage == "shared":
            return cell.solve_shared_loads(get("v_upper"), get("v_second"), get("i_tail_left"),
                                           get("i_tail_right"), settings)
        if self.stage == "crossed":
            return cell.solve_crossed(get("v_upper"), get("i_tail_left"), get("i_tail_right"),
                                      settings)
        return cell.solve_cell(get("v_upper"), get("v_lower"), get("i_tail"), settings)

    def scene(self):
        """Solve once for all views."""
        settings = self.settings()
        point = self.solve()
        levels = 3 if self.stage == "cell" else 2
        return Scene(self.stage, point, settings, cell.validity(point, settings, levels),
                     self.v_second, self.i_tail_left, self.i_tail_right)

    def controls(self):
        """Names of the quantities of the present stage: main, common and of the parts."""
        return STAGE_CONTROLS[self.stage], COMMON_CONTROLS, PART_CONTROLS[self.stage]

    def full_scale(self):
        """Largest output that the tails allow, V."""
        if self.stage in ("pair", "cell"):
            tail = self.i_tail
        else:
            tail = self.i_tail_left + self.i_tail_right
        return tail * self.r_load

    def apply_preset(self, name):
        """Load a preset of the present stage: its settings over the defaults."""
        stage = self.stage
        self.apply_texts({"stage": stage, **PRESETS[stage][name]})

    # The map: what lies across and up differs by stage, its law does not.

    def map_axes(self):
        """Names of the quantities across and up, for the present stage."""
        return ("v_upper", {"pair": "i_tail", "shared": "v_second",
                            "crossed": "tail_difference", "cell": "v_lower"}[self.stage])

    def map_value(self, axis):
        """Present value on a map axis, SI."""
        if axis == "tail_difference":
            return self.i_tail_left - self.i_tail_right
        return getattr(self, axis)

    def map_range(self, axis):
        """Low and high end of a map axis: the slider range, widened in steps to hold the point."""
        if axis == "tail_difference":
            total = (self.i_tail_left + self.i_tail_right) or 1e-6
            return -total, total
        low, high = self.specs[axis].slider
        size = abs(self.map_value(axis))
        while high < size:
            low, high = low * 2.5, high * 2.5
        least, most = self.specs[axis].bounds
        return max(low, least), min(high, most)

    def set_from_map(self, across, up):
        """Move the point of the map, held inside the drawn range."""
        (x_axis, y_axis) = self.map_axes()
        x = float(np.clip(across, *self.map_range(x_axis)))
        y = float(np.clip(up, *self.map_range(y_axis)))
        tidy = lambda v: float(f"{v:.3g}")  # noqa: E731
        if y_axis == "tail_difference":
            total = self.i_tail_left + self.i_tail_right
            most = self.param.i_tail_left.bounds[1]
            left = min(max(tidy(0.5 * (total + y)), total - most, 0.0), total, most)
            self.param.update(v_upper=tidy(x), i_tail_left=left,
                              i_tail_right=min(total - left, most))
        else:
            self.param.update(**{x_axis: tidy(x), y_axis: tidy(y)})

    def map_key(self):
        """What the normalised picture of the map depends on; equal keys, equal picture."""
        base = (self.stage, self.temperature, self.offset_left, self.offset_right,
                self.r_emitter_upper, self.map_range("v_upper"))
        if self.stage == "cell":
            return base + (self.offset_lower, self.r_emitter_lower, self.map_range("v_lower"),
                           self.i_tail if self.r_emitter_upper or self.r_emitter_lower else 0)
        if self.stage == "pair":
            return base + (self.map_range("i_tail"),)
        if self.stage == "crossed":
            return base + (self.i_tail_left + self.i_tail_right,)
        return base + (self.map_range("v_second"), self.i_tail_left, self.i_tail_right)

    def map_grid(self, count=120):
        """Axes and the output over them as a fraction of `map_scale`.

        Returns
        -------
        x, y : numpy.ndarray, shape (count,)
            SI.
        z : numpy.ndarray, shape (count, count)
            Dimensionless, -1 to 1, rows along y.
        """
        x_axis, y_axis = self.map_axes()
        x = np.linspace(*self.map_range(x_axis), count)
        y = np.linspace(*self.map_range(y_axis), count)
        across, up = x[None, :], y[:, None]
        if self.stage == "cell":
            tail = self.i_tail or 1e-3
            return x, y, cell.output_map(x, y, self.settings(), tail)
        if self.stage == "crossed":
            total = (self.i_tail_left + self.i_tail_right) or 1e-6
            point = self.solve(v_upper=across, i_tail_left=0.5 * (total + up),
                               i_tail_right=0.5 * (total - up))
        elif self.stage == "pair":
            point = self.solve(v_upper=across, i_tail=up)
        else:
            point = self.solve(v_upper=across, v_second=up)
        scale = self.map_scale()
        return x, y, point.v_out / scale if scale else np.zeros_like(point.v_out)

    def map_scale(self):
        """Volts of the map's full scale: it grows with the tail, the picture stays."""
        if self.stage == "pair":
            return self.map_range("i_tail")[1] * self.r_load
        return self.full_scale()

    def sections(self, count=81):
        """Output along both map axes through the point.

        Returns
        -------
        tuple of (axis name, x array SI, v_out array V), across then up
        """
        out = []
        for axis in self.map_axes():
            x = np.linspace(*self.map_range(axis), count)
            if axis == "tail_difference":
                total = self.i_tail_left + self.i_tail_right
                point = self.solve(i_tail_left=0.5 * np.maximum(total + x, 0.0),
                                   i_tail_right=0.5 * np.maximum(total - x, 0.0))
            else:
                point = self.solve(**{axis: x})
            out.append((axis, x, point.v_out))
        return tuple(out)

    def gain_against_tail(self, count=81):
        """Small-signal gain of the pair over its tail current (stage 1).

        Returns
        -------
        i_tail : numpy.ndarray, A; gain : numpy.ndarray, V/V
        """
        tail = np.linspace(*self.map_range("i_tail"), count)
        return tail, self.solve(i_tail=tail).gain_upper
