"""The kinds of scene and what is computed from each.

`steer` and `signals` are the pages of those names, then there is one kind for each use (`mixer`,
`dsb`, `phase_detector` ...), `built` (the board part by part) and `capture`.
"""

import math

import numpy as np

from forktail.core.uses import USES
from forktail.core.uses.words.noise import FAMILIES
from forktail.lessons.quantity import DIMENSIONS, Figure, figure
from forktail.lessons.scenes.kinds import SceneKind, register
from forktail.lessons.scenes.states import BoardState, CaptureState, SteerScene, use_state
from forktail.pages.signals.state import SignalsState


def _put(out, name, value, unit=""):
    """Add a figure if it is a number; levels without end are left out."""
    value = float(value)
    if abs(value) < 1e-10:  # what rounding leaves of a zero, in any unit used here
        value = 0.0
    endless = unit == "%" and abs(value) > 1e6  # such as a depth without a carrier
    if math.isfinite(value) and not endless:
        # a slope per radian is shown as V, for the radian is a plain number
        out[name] = figure(value, unit if unit in DIMENSIONS else unit.removesuffix("/rad"))


def _merits(out, merits):
    for m in merits:
        _put(out, m.key, m.value, m.unit)
        if m.relation_value is not None:
            _put(out, f"law_{m.key}", m.relation_value, m.unit)


def _level(out, name, spectrum, *orders):
    orders += (0,) * (len(spectrum.tones) - len(orders))
    k = abs(sum(o * t.cycles for o, t in zip(orders, spectrum.tones)))
    if k < len(spectrum.spectrum.peak):
        _put(out, name, spectrum.spectrum.peak[k], "V")


# ---------------------------------------------------------------- steer


def steer_figures(state):
    """What the Steer page computes.

    `v_out`, `v_left`, `v_right`, `v_drop_left`, `v_drop_right` (V); `gain_upper`, `gain_lower`
    (V/V); `i_q1` .. `i_q6`, `i_load_left`, `i_load_right`, `i_total` (A); `share_q1` .. `share_q4`
    (of the tail of their pair), `share_q5`, `share_q6` (of the tail), as fractions shown in
    per cent; `thermal_voltage`, `full_scale` (largest output of either sign), `range_upper`,
    `range_lower` (input where the output is 1 % short of proportional), `headroom` (what the
    supply leaves when one load takes the whole tail; negative: too little) (V); `ideal_out`
    (V, the exact product that the cell approaches for small inputs; full cell without offsets).
    """
    scene = state.scene()
    point = scene.point
    i = [float(x) for x in point.i_upper]
    tails = [float(x) for x in point.i_lower]
    total = sum(i)
    out = {
        name: figure(getattr(point, name), "V")
        for name in ("v_out", "v_left", "v_right", "thermal_voltage")
    }
    out |= {name: figure(getattr(point, name)) for name in ("gain_upper", "gain_lower")}
    for k, current in enumerate(i):
        pair = i[k // 2 * 2] + i[k // 2 * 2 + 1]
        out[f"i_q{k + 1}"] = figure(current, "A")
        out[f"share_q{k + 1}"] = figure(100.0 * current / pair if pair else 0.0, "%")
    for k, current in enumerate(tails):
        out[f"i_q{k + 5}"] = figure(current, "A")
        out[f"share_q{k + 5}"] = figure(100.0 * current / total if total else 0.0, "%")
    for n, side in enumerate(("left", "right")):
        load = float(point.i_load[n])
        out[f"i_load_{side}"] = figure(load, "A")
        out[f"v_drop_{side}"] = figure(load * float(point.r_load), "V")
    out["i_total"] = figure(total, "A")
    out["full_scale"] = figure(total * float(point.r_load), "V")
    scale = 2.0 * float(point.thermal_voltage)
    out["ideal_out"] = figure(
        total * float(point.r_load) * float(point.v_upper) * float(point.v_lower) / scale**2, "V"
    )
    for limit in scene.limits:
        if limit.name.startswith("linear_v_"):
            out["range_" + limit.name.removeprefix("linear_v_")] = figure(limit.limit, "V")
        elif limit.name == "headroom":
            out["headroom"] = figure(limit.limit - limit.value, "V")
    return out


# ---------------------------------------------------------------- signals


def signal_figures(state):
    """What the Signals page computes.

    `out_peak`, `out_mean` (V), `full_scale` (V); with one tone on each input `level_upper` and
    `level_lower` (the inputs' own lines at the output), `level_sum`, `level_difference` (V peak);
    every figure of merit by its key (`carrier_suppression`, `leak`, `sideband`, `uneven`,
    `product_error` ...), with `law_` before it its textbook relation.
    """
    run = state.scene().run
    out = {}
    _put(out, "out_peak", np.max(np.abs(run.point.v_out)), "V")
    _put(out, "out_mean", np.mean(run.point.v_out), "V")
    _put(out, "full_scale", run.full_scale, "V")
    if run.spectrum is not None and [t.side for t in run.spectrum.tones] == ["upper", "lower"]:
        for name, orders in (
            ("upper", (1, 0)),
            ("lower", (0, 1)),
            ("sum", (1, 1)),
            ("difference", (1, -1)),
        ):
            _level(out, f"level_{name}", run.spectrum, *orders)
    _merits(out, run.merits)
    return out


# ---------------------------------------------------------------- uses


def use_figures(state):
    """What a use computes.

    Every figure of merit by its key, as `forktail spectrum --use NAME --json` lists them; with
    `law_` before it its textbook relation (levels without end are left out). `out_peak` (V);
    levels of lines at the output (V peak): `am` and `dsb` have `carrier_level`,
    `sideband_level`, `tone_level`; `mixer` has `level_difference`, `level_sum`,
    `level_oscillator`, `level_signal`. `thermal_voltage`, `full_scale` (V). Where noise is told,
    what makes it: `noise_from_upper`, `noise_from_lower`, `noise_from_emitters`,
    `noise_from_loads`, parts of its power as fractions shown in per cent.
    """
    result = state.scene().result
    out = {}
    if result is None:
        return out
    _merits(out, result.merits)
    cell = state.solver()
    _put(out, "full_scale", cell.tail * cell.r_load, "V")
    _put(out, "thermal_voltage", cell(0.0, 0.0).thermal_voltage, "V")
    parts = dict(result.noise)
    for family in ("upper", "lower", "emitters", "loads") if parts else ():
        _put(out, f"noise_from_{family}", parts.get(FAMILIES[family], 0.0), "%")
    if "output" in result.records:
        _put(out, "out_peak", np.max(np.abs(result.records["output"].y)), "V")
    lines = {
        "am": {"carrier_level": (1, 0), "sideband_level": (1, 1), "tone_level": (0, 1)},
        "mixer": {
            "level_difference": (1, -1),
            "level_sum": (1, 1),
            "level_oscillator": (1, 0),
            "level_signal": (0, 1),
        },
    }
    lines["dsb"] = lines["am"]
    for name, orders in lines.get(state.use, {}).items():
        _level(out, name, result.spectrum, *orders)
    return out


# ---------------------------------------------------------------- built


def board_figures(state):
    """What the board computes.

    At the point: `v_out`, `v_left`, `v_right` (V), `i_tail`, `i_q1` .. `i_q6` (A), `gain_upper`,
    `gain_lower`, `textbook_out` (V), `headroom_q1` .. `headroom_q7` (V to saturation), `lowest`
    (the smallest of those of Q1 to Q6), `region_q1` .. (texts such as "active"), `saturated`
    (how many transistors are), `drop_left` (V across the left load). At rest: `rest_out` (V),
    `feed_upper`, `feed_lower` (V/V, what comes through of one input with the other at zero),
    `rest_tail`, `supply_current` (A), `heat` (W), and every node as `node_` and its name, such
    as `node_left`, `node_level_upper`, `node_tail` (V). Where `readings` names one of them, what
    1 V of hum on the supply does, at 100 Hz: `hum_tail` (% of the tail current) and `hum_upper`
    (V/V, between the upper base lines).
    """
    scene, rest = state.scene(), state.rest().point
    point, out = scene.built, {}
    for name in ("v_out", "v_left", "v_right"):
        _put(out, name, getattr(point, name), "V")
    _put(out, "i_tail", point.i_tail, "A")
    for k, current in enumerate((*point.i_upper, *point.i_lower)):
        _put(out, f"i_q{k + 1}", current, "A")
    for name in ("gain_upper", "gain_lower"):
        _put(out, name, getattr(point, name))
    if scene.textbook is not None:
        _put(out, "textbook_out", scene.textbook.v_out, "V")
    rooms = {q: float(v) for q, v in scene.inspection.headroom.items()}
    for q, room in rooms.items():
        _put(out, f"headroom_{q.lower()}", room, "V")
    _put(out, "lowest", min(v for q, v in rooms.items() if q != "Q7"), "V")
    regions = {q: str(r) for q, r in point.regions.items()}
    out |= {f"region_{q.lower()}": r for q, r in regions.items()}
    _put(out, "saturated", sum(r == "saturated" for r in regions.values()))
    _put(out, "drop_left", scene.circuit.v_supply - float(point.v_left), "V")
    _put(out, "rest_out", rest.v_out, "V")
    for side in ("upper", "lower"):  # below a millionth it is what the solver leaves of a zero
        gain = float(getattr(rest, f"gain_{side}"))
        _put(out, f"feed_{side}", 0.0 if abs(gain) < 1e-6 else gain)
    _put(out, "rest_tail", rest.i_tail, "A")
    current = state.supply_current()
    _put(out, "supply_current", current, "A")
    _put(out, "heat", current * scene.circuit.v_supply, "W")
    for name, volts in rest.nodes.items():
        _put(out, f"node_{name}", volts, "V")
    if "hum_" in state.readings:
        hum = state.hum()
        _put(out, "hum_tail", 100.0 * abs(hum.tail[0]), "%")
        _put(out, "hum_upper", abs(hum.lines[0][0]))
    return out


# ---------------------------------------------------------------- capture


def capture_figures(state):
    """What a capture says.

    The four-term fits: `gain_ratio` (product gain, captured over predicted, a plain number with
    its sign), `product_gain` (that of the capture, 1/V), `feed_upper`, `feed_lower` (V/V,
    captured less predicted), `offset` (V, the same);
    `rest_rms` (captured less predicted), `fit_rms` (captured less best fit), `out_rms`,
    `predicted_rms` (V); `delay` (s, captured behind predicted). Voltmeter readings at rest:
    `meter_` and the name of a node (`meter_left`, `meter_level_upper`, `meter_tail`, ...),
    `design_` and the same for the board as designed (V).
    """
    scene, out = state.scene(), {}
    found, expected = scene.found, scene.expected
    # per volt, to be multiplied by the inputs: there is no unit to show it in
    out["product_gain"] = Figure(found.gain.value, (-1, 0, 0, 0, 0, 0))
    if expected.gain.value:
        _put(out, "gain_ratio", found.gain.value / expected.gain.value)
    for name, unit in (("feed_upper", ""), ("feed_lower", ""), ("offset", "V")):
        _put(out, name, getattr(found, name).value - getattr(expected, name).value, unit)

    def rms(v):
        return np.sqrt(np.mean(np.square(v)))

    _put(out, "rest_rms", rms(scene.residual), "V")
    _put(out, "fit_rms", found.residual_rms, "V")
    _put(out, "out_rms", rms(scene.measured), "V")
    _put(out, "predicted_rms", rms(scene.predicted), "V")
    _put(out, "delay", scene.delay, "s")
    for name, (here, there) in scene.meter.items():
        _put(out, f"meter_{name}", here, "V")
        _put(out, f"design_{name}", there, "V")
    return out


# ---------------------------------------------------------------- the kinds

register(
    SceneKind(
        "steer",
        SteerScene,
        steer_figures,
        ("schematic", "waves", "sentence", "map", "across", "up", "numbers"),
        ("schematic", "sentence"),
        ahead=("map", "across", "up"),
    )
)
register(
    SceneKind(
        "signals",
        SignalsState,
        signal_figures,
        ("inputs", "collectors", "difference", "spectrum", "map", "sentence", "figures"),
        ("inputs", "difference", "sentence"),
        quick=False,
        moves=False,
    )
)
for _use in USES:
    register(
        SceneKind(
            _use,
            use_state(_use),
            use_figures,
            ("spectrum", "curve", "time", "diagram", "card", "noise", "sentence"),
            ("time", "card"),
            quick=False,
            ahead=("curve",),
        )
    )
register(
    SceneKind(
        "built",
        BoardState,
        board_figures,
        ("schematic", "over_upper", "over_lower", "card", "sentence"),
        ("schematic", "card"),
        quick=False,
        ahead=("over_upper", "over_lower"),
    )
)
register(
    SceneKind(
        "capture",
        CaptureState,
        capture_figures,
        ("overlay", "residual", "card", "meter"),
        ("overlay", "card"),
        quick=False,
        moves=False,
    )
)
