"""State of the Steer page: a stage, its inputs and tails, and the parts."""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from forktail.core.cell import law as cell
from forktail.core.cell.factors import term
from forktail.core.spec import choice, flag, spec
from forktail.ui.state import PageState, param_of

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
    "cell": ("offset_left", "offset_right", "offset_lower", "r_emitter_upper", "r_emitter_lower"),
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
        "Left tail larger": {"v_upper": "20mV", "i_tail_left": "1.5mA", "i_tail_right": "0.5mA"},
        "Right tail larger, inverted": {
            "v_upper": "20mV",
            "i_tail_left": "0.5mA",
            "i_tail_right": "1.5mA",
        },
        "Offset of one pair": {"v_upper": "0V", "offset_left": "2mV"},
    },
    "cell": {
        "Both inputs at zero": {"v_upper": "0V", "v_lower": "0V"},
        "Small signal, same signs": {"v_upper": "10mV", "v_lower": "10mV"},
        "Small signal, opposite signs": {"v_upper": "10mV", "v_lower": "-10mV"},
        "Upper inputs hard switched": {"v_upper": "100mV", "v_lower": "15mV"},
        "Lower feedthrough: upper offset": {
            "v_upper": "0V",
            "v_lower": "30mV",
            "offset_left": "2mV",
            "offset_right": "2mV",
        },
        "Upper feedthrough: lower offset": {
            "v_upper": "30mV",
            "v_lower": "0V",
            "offset_lower": "2mV",
        },
        "Emitter resistors in the lower pair": {
            "v_upper": "20mV",
            "v_lower": "60mV",
            "r_emitter_lower": "100ohm",
        },
        "Load too large for the supply": {"v_upper": "40mV", "v_lower": "40mV", "r_load": "10k"},
    },
}


def _hand_set(label, symbol, doc):
    return param_of(
        spec(
            "i_tail",
            default=1e-3,
            slider=(0.0, 2e-3),
            step=2.5e-5,
            label=label,
            symbol=symbol,
            doc=doc,
        )
    )


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

    @cached_property
    def terms(self):
        """The law of the stage: its terms, which add up to the output of matched pairs."""
        point, upper = self.point, float(self.point.v_upper)
        tail, rest = float(point.i_tail), (float(point.r_load), float(point.thermal_voltage))
        if self.stage == "shared":
            left, right = (self.i_tail_left, upper), (self.i_tail_right, self.v_second)
            return tuple(term(current, *rest, v) for current, v in (left, right))
        if self.stage == "crossed":
            return (term(self.i_tail_left - self.i_tail_right, *rest, upper),)
        if self.stage == "pair":
            return (term(tail, *rest, upper),)
        return (term(tail, *rest, upper, float(point.v_lower)),)


class SteerState(PageState):
    """The Steer page: a stage, its inputs and tails, and the parts."""

    page = "steer"

    stage = param_of(choice("stage", "cell", STAGES, "Stage", "Which circuit is shown."))
    v_upper = param_of(spec("v_upper"))
    v_second = param_of(
        spec(
            "v_lower",
            default=0.010,
            label="Second input",
            symbol="v_second",
            doc="Differential input of the pair Q3-Q4 in stage 2, V.",
        )
    )
    v_lower = param_of(spec("v_lower"))
    i_tail = param_of(spec("i_tail"))
    i_tail_left = _hand_set("Left tail", "i_left", "Tail of Q1-Q2, A.")
    i_tail_right = _hand_set("Right tail", "i_right", "Tail of Q3-Q4, A.")
    r_load = param_of(spec("r_load"))
    temperature = param_of(spec("temperature"))
    v_supply = param_of(spec("v_supply"))
    offset_left = param_of(spec("offset", label="Offset, left pair", symbol="offset_left"))
    offset_right = param_of(spec("offset", label="Offset, right pair", symbol="offset_right"))
    offset_lower = param_of(spec("offset", label="Offset, lower pair", symbol="offset_lower"))
    r_emitter_upper = param_of(
        spec("r_emitter", label="Emitter resistors, upper", symbol="r_e upper")
    )
    r_emitter_lower = param_of(
        spec("r_emitter", label="Emitter resistors, lower", symbol="r_e lower")
    )
    hold_scale = param_of(
        flag("hold_scale", False, "Keep the colour scale", "Of the map.", part="view")
    )

    def settings(self):
        """The fixed part of the scene as the core wants it."""
        return self.made(cell.CellSettings)

    def solve(self, **arrays):
        """Operating point of the stage; `arrays` replace state values by arrays (SI).

        Returns
        -------
        OperatingPoint
        """

        def get(name):
            return arrays.get(name, getattr(self, name))

        settings = self.settings()
        if self.stage == "pair":
            return cell.solve_pair(get("v_upper"), get("i_tail"), settings)
        if self.stage == "shared":
            return cell.solve_shared_loads(
                get("v_upper"), get("v_second"), get("i_tail_left"), get("i_tail_right"), settings
            )
        if self.stage == "crossed":
            return cell.solve_crossed(
                get("v_upper"), get("i_tail_left"), get("i_tail_right"), settings
            )
        return cell.solve_cell(get("v_upper"), get("v_lower"), get("i_tail"), settings)

    def scene(self):
        """Solve once for all views."""
        settings = self.settings()
        point = self.solve()
        levels = 3 if self.stage == "cell" else 2
        return Scene(
            self.stage,
            point,
            settings,
            cell.validity(point, settings, levels),
            self.v_second,
            self.i_tail_left,
            self.i_tail_right,
        )

    def controls(self):
        """Names of the quantities of the present stage: main, common and of the parts."""
        return STAGE_CONTROLS[self.stage], COMMON_CONTROLS, PART_CONTROLS[self.stage]

    def full_scale(self):
        """Largest output that the tails allow, V."""
        tail = self.i_tail if self.stage == "pair" else self._map_tail()
        return tail * self.r_load

    def apply_preset(self, name):
        """Load a preset of the present stage: its settings over the defaults."""
        stage = self.stage
        self.apply_texts({"stage": stage, **PRESETS[stage][name]})

    # The map: what lies across and up differs by stage, its law does not.

    def map_axes(self):
        """Names of the quantities across and up, for the present stage."""
        return (
            "v_upper",
            {
                "pair": "i_tail",
                "shared": "v_second",
                "crossed": "tail_difference",
                "cell": "v_lower",
            }[self.stage],
        )

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

        def tidy(v):
            return float(f"{v:.3g}")

        if y_axis == "tail_difference":
            total = self.i_tail_left + self.i_tail_right
            most = self.param.i_tail_left.bounds[1]
            left = min(max(tidy(0.5 * (total + y)), total - most, 0.0), total, most)
            self.param.update(
                v_upper=tidy(x), i_tail_left=left, i_tail_right=min(total - left, most)
            )
        else:
            self.param.update(**{x_axis: tidy(x), y_axis: tidy(y)})

    def map_grid(self, count=120):
        """Axes and the output over them as a fraction of `map_scale`.

        Returns
        -------
        x, y : numpy.ndarray, shape (count,)
            SI.
        z : numpy.ndarray, shape (count, count)
            Dimensionless, -1 to 1, rows along y.

        Notes
        -----
        The picture is made from normalised numbers alone, so tail, load and supply leave it as
        it is; equal numbers give the very same tuple, for whoever draws it.
        """
        whole = self._map_tail()
        left, right = self.i_tail_left, self.i_tail_right
        return _picture(
            self.stage,
            *(self.map_range(axis) for axis in self.map_axes()),
            self.settings().per_ampere(whole),
            tuple(i / whole if whole else 0.0 for i in (left, right))
            if self.stage == "shared"
            else (),
            count,
        )

    def _map_tail(self):
        """Tail current that the full scale of the map belongs to, A."""
        if self.stage == "pair":
            return self.map_range("i_tail")[1]
        if self.stage == "cell":
            return self.i_tail
        return self.i_tail_left + self.i_tail_right

    def map_scale(self):
        """Volts of the map's full scale: it grows with the tail, the picture stays."""
        return self._map_tail() * self.r_load

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
                point = self.solve(
                    i_tail_left=0.5 * np.maximum(total + x, 0.0),
                    i_tail_right=0.5 * np.maximum(total - x, 0.0),
                )
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


@lru_cache(maxsize=32)
def _picture(stage, across, up, settings, shares, count):
    """Map of a stage for 1 A in 1 ohm: `settings` hold the drops of the emitter resistors at full
    tail, `shares` those of the two tails where both are set by hand. Sessions share it."""
    x, y = np.linspace(*across, count), np.linspace(*up, count)
    if stage == "cell":
        z = cell.output_map(x, y, settings, 1.0)
    elif stage == "shared":
        z = cell.solve_shared_loads(x[None, :], y[:, None], *shares, settings).v_out
    else:
        part = y[:, None] / up[1]
        if stage == "crossed":
            tails = 0.5 * (1.0 + part), 0.5 * (1.0 - part)
            z = cell.solve_crossed(x[None, :], *tails, settings).v_out
        else:
            z = cell.solve_pair(x[None, :], part, settings).v_out
    z.setflags(write=False)
    return x, y, z
