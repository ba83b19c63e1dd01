"""State of the Steer page: a stage, its inputs and tails, and the parts."""

from dataclasses import dataclass

import numpy as np
import param

from forktail.core.cell import law as cell
from forktail.ui.state import PageState, Quantity

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


class SteerState(PageState):
    """The Steer page: a stage, its inputs and tails, and the parts."""

    page = "steer"

    stage = param.Selector(
        default="cell",
        objects={t: k for k, t in STAGES.items()},
        label="Stage",
        doc="Which circuit is shown.",
    )
    v_upper = _volt(
        0.020, 0.1, 0.001, "Upper input", "v_upper", "Differential input of the upper pairs, V."
    )
    v_second = _volt(
        0.010,
        0.1,
        0.001,
        "Second input",
        "v_second",
        "Differential input of the pair Q3-Q4 in stage 2, V.",
    )
    v_lower = _volt(
        0.020, 0.1, 0.001, "Lower input", "v_lower", "Differential input of the lower pair, V."
    )
    i_tail = Quantity(
        2e-3,
        bounds=(0.0, 0.1),
        slider=(0.0, 4e-3),
        step=5e-5,
        unit="A",
        label="Tail current",
        symbol="i_tail",
        doc="Tail current, A.",
    )
    i_tail_left = Quantity(
        1e-3,
        bounds=(0.0, 0.1),
        slider=(0.0, 2e-3),
        step=2.5e-5,
        unit="A",
        label="Left tail",
        symbol="i_left",
        doc="Tail of Q1-Q2, A.",
    )
    i_tail_right = Quantity(
        1e-3,
        bounds=(0.0, 0.1),
        slider=(0.0, 2e-3),
        step=2.5e-5,
        unit="A",
        label="Right tail",
        symbol="i_right",
        doc="Tail of Q3-Q4, A.",
    )
    r_load = Quantity(
        1e3,
        bounds=(1.0, 1e6),
        slider=(100.0, 10e3),
        step=100.0,
        unit="ohm",
        label="Load resistors",
        symbol="r_load",
        doc="Each load, ohm.",
    )
    temperature = Quantity(
        298.15,
        bounds=(123.15, 473.15),
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
        doc="Supply, V.",
    )
    offset_left = _volt(
        0.0, 0.01, 0.0001, "Offset, left pair", "offset_left", "Offset voltage of Q1-Q2, V.", 0.1
    )
    offset_right = _volt(
        0.0, 0.01, 0.0001, "Offset, right pair", "offset_right", "Offset voltage of Q4-Q3, V.", 0.1
    )
    offset_lower = _volt(
        0.0, 0.01, 0.0001, "Offset, lower pair", "offset_lower", "Offset voltage of Q5-Q6, V.", 0.1
    )
    r_emitter_upper = Quantity(
        0.0,
        bounds=(0.0, 10e3),
        slider=(0.0, 500.0),
        step=5.0,
        unit="ohm",
        label="Emitter resistors, upper",
        symbol="r_e upper",
        doc="In each upper emitter, ohm.",
    )
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
    hold_scale = param.Boolean(
        default=False, label="Keep the colour scale", doc="Keep the colour scale of the map."
    )

    def settings(self):
        """The fixed part of the scene as the core wants it."""
        return cell.CellSettings(
            r_load=self.r_load,
            temperature=self.temperature,
            v_supply=self.v_supply,
            offset_left=self.offset_left,
            offset_right=self.offset_right,
            offset_lower=self.offset_lower,
            r_emitter_upper=self.r_emitter_upper,
            r_emitter_lower=self.r_emitter_lower,
        )

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

    def map_key(self):
        """What the normalised picture of the map depends on; equal keys, equal picture."""
        base = (
            self.stage,
            self.temperature,
            self.offset_left,
            self.offset_right,
            self.r_emitter_upper,
            self.map_range("v_upper"),
        )
        if self.stage == "cell":
            return base + (
                self.offset_lower,
                self.r_emitter_lower,
                self.map_range("v_lower"),
                self.i_tail if self.r_emitter_upper or self.r_emitter_lower else 0,
            )
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
            point = self.solve(
                v_upper=across, i_tail_left=0.5 * (total + up), i_tail_right=0.5 * (total - up)
            )
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
