"""Slopes over parts against differences of whole solutions, and capacitors that drives charge."""

from dataclasses import replace

import numpy as np
import pytest

import boards_reference as boards
from forktail.circuits import shipped
from forktail.core.built import network
from forktail.core.built.circuit import break_part
from forktail.core.built.sensitivity import quantities, slopes_of
from forktail.core.checks import QuantityError
from forktail.core.path import loaded

MIXER = shipped()["bat-call-mixer"][0]
BEACON = shipped()["beacon-modulator"][0]
UPPER, LOWER = np.array([0.02, -0.1, 0.05]), np.array([0.01, -0.005, 0.2])
STEP = 1e-4


def moved(circuit, name, by):
    """Nodes with one quantity moved by its logarithm, or by V and K."""
    u, low = UPPER, LOWER
    if name == "v_upper":
        return network.solve_built(circuit, u + by, low, gains=False).nodes
    if name == "v_lower":
        return network.solve_built(circuit, u, low + by, gains=False).nodes
    if name in ("trim_upper", "trim_lower", "temperature"):
        by = getattr(circuit, name) + by
        return network.solve_built(replace(circuit, **{name: by}), u, low, gains=False).nodes
    if name.startswith("r_source_"):
        side = name.removeprefix("r_source_")
        source, end = (getattr(circuit, f"r_{k}_{side}") for k in ("source", "termination"))
        both = source if np.isinf(end) else source * end / (source + end)
        fields = {name: both * np.exp(by), f"r_termination_{side}": np.inf}
        return network.solve_built(replace(circuit, **fields), u, low, gains=False).nodes
    if name in ("i_s", "v_early", "v_supply", "i_tail"):
        value = getattr(circuit, name) * np.exp(by)
        return network.solve_built(replace(circuit, **{name: value}), u, low, gains=False).nodes
    found = network.solve_many(circuit, {name: [np.exp(by)]}, u, low, gains=False).nodes
    return {k: v[0] for k, v in found.items()}


@pytest.mark.parametrize(
    "circuit",
    [
        MIXER,
        break_part(MIXER, "open:r_bias_upper_neg"),
        BEACON,
        replace(BEACON, tail_kind="ideal", i_tail=8e-4),
    ],
    ids=["transistor tail", "faulty", "resistor tail", "ideal tail"],
)
def test_slopes_are_those_of_whole_solutions(circuit):
    found = slopes_of(circuit, UPPER, LOWER)
    assert found.names == quantities(circuit) and found.ok.all()
    for k, name in enumerate(found.names):
        step = 10 * STEP if name == "temperature" else STEP
        ahead, back = moved(circuit, name, step), moved(circuit, name, -step)
        for node in ("left", "right", "tail", "base_upper_pos", "level_lower"):
            wanted = (ahead[node] - back[node]) / (2.0 * step)
            assert found.slopes[node][k] == pytest.approx(
                wanted, rel=2e-4, abs=2e-4 * (np.max(np.abs(wanted)) + 1e-3)
            ), (name, node)


def test_a_build_may_be_off_already():
    scale = {"r_load_left": 1.3, "Q5": 0.9}
    found = slopes_of(MIXER, UPPER, LOWER, scale, ("r_load_left",))
    many = {k: np.array([v, v]) for k, v in scale.items()}
    many["r_load_left"] = 1.3 * np.exp([STEP, -STEP])
    left = network.solve_many(MIXER, many, UPPER, LOWER, gains=False).v_left
    assert found.slopes["left"][0] == pytest.approx((left[0] - left[1]) / (2 * STEP), rel=1e-4)


def test_unknown_quantity():
    with pytest.raises(QuantityError, match="colour"):
        slopes_of(MIXER, [0.0], [0.0], names=("colour",))


@pytest.mark.parametrize(
    "key, cause, without",
    [
        ("bat-call-mixer", "", 0.0),
        ("bat-call-mixer", "open:Q1.collector", 1.0),
        ("range-finder-phase-detector", "reversed:Q5", 0.5),
    ],
)
def test_drives_charge_the_capacitors(key, cause, without):
    """Held against the steady state with every capacitor in it, solved by other equations."""
    plan = shipped()[key][0]
    parts = boards.parts_of(plan)
    drive = boards.Drive("", 0.1, 0.1, 10, 9, 1.0 / 5e3)
    waves = boards.waves(boards.broken(parts, cause) if cause else parts, drive, 512)
    stiff = replace(
        break_part(plan, cause) if cause else plan, r_source_upper=0.0, r_source_lower=0.0,
        r_termination_upper=np.inf, r_termination_lower=np.inf,
    )  # fmt: skip
    inputs = [waves[f"v_{side} at base lines"] for side in ("upper", "lower")]
    inputs = [w - w.mean() for w in inputs]
    pole = 1.0 / (2.0 * np.pi * plan.r_load_left * plan.c_load)

    def off(settle):
        """Largest error over the movement, behind the load pole."""
        found = slopes_of(stiff, *inputs, names=(), settle=settle).nodes
        late = loaded(found["left"], drive.period / 512, pole)
        return np.max(np.abs(late - waves["v_left"])) / np.std(waves["v_left"])

    assert off(True) < 0.04
    assert off(False) >= without
