"""Pair and cell refuse every argument that cannot be used, by its name, with unit and range."""

import re
from dataclasses import fields, replace

import numpy as np
import pytest

from forktail.core.cell import pair
from forktail.core.cell.law import (
    CellSettings,
    branch_currents,
    output_map,
    solve_cell,
    solve_crossed,
    solve_pair,
    solve_shared_loads,
)
from forktail.core.checks import QuantityError

#: Ways of solving with arguments that can be used.
CALLS = {
    "split_fractions": (
        pair.split_fractions,
        dict(v_diff=0.01, temperature=300.0, i_tail=1e-3, r_emitter=10.0, offset=1e-3),
    ),
    "split": (
        pair.split,
        dict(v_diff=0.01, temperature=300.0, i_tail=1e-3, r_emitter=10.0, offset=1e-3),
    ),
    "transconductance": (
        pair.transconductance,
        dict(v_diff=0.01, temperature=300.0, i_tail=1e-3, r_emitter=10.0, offset=1e-3),
    ),
    "linear_range": (
        pair.linear_range,
        dict(temperature=300.0, i_tail=1e-3, r_emitter=10.0),
    ),
    "pair": (solve_pair, dict(v_upper=0.01, i_tail=1e-3)),
    "cell": (solve_cell, dict(v_upper=0.01, v_lower=0.01, i_tail=1e-3)),
    "branches": (branch_currents, dict(v_upper=0.01, v_lower=0.01, i_tail=1e-3)),
    "crossed": (solve_crossed, dict(v_upper=0.01, i_tail_left=1e-3, i_tail_right=1e-3)),
    "shared": (
        solve_shared_loads,
        dict(v_upper=0.01, v_second=0.01, i_tail_left=1e-3, i_tail_right=1e-3),
    ),
}
#: What begins with this -> a value that cannot be, and what is said of it.
BAD = {
    "v_": (np.nan, "nan V; it must be a finite number of V."),
    "offset": (np.inf, "inf V; it must be a finite number of V."),
    "i_tail": (-1e-3, "-0.001 A; it must be at least 0 A."),
    "r_": (-5.0, "-5 ohm; it must be at least 0 ohm."),
    "temperature": (0.0, "0 K; it must be above 0 K."),
    "v_supply": (-12.0, "-12 V; it must be at least 0 V."),
}
CASES = [(call, name) for call, (_, good) in CALLS.items() for name in good]


def bad(name):
    return BAD.get(name) or next(b for start, b in BAD.items() if name.startswith(start))


def with_settings(function, settings):
    """The call itself, and for a cell also with settings that have no closed form."""
    yield function
    if function.__module__.endswith("law"):
        yield lambda **inputs: function(**inputs, settings=settings)


@pytest.mark.parametrize("call, name", CASES)
def test_an_argument_out_of_range_is_named(call, name):
    function, good = CALLS[call]
    value, said = bad(name)
    if call == "linear_range":
        good = {"error": 0.01, **good}
    for solve in with_settings(function, CellSettings(r_emitter_lower=50.0)):
        for given, where in ((value, ""), (np.array([good[name], value]), " at position 1")):
            words = f"{name} is {said.replace(';', where + ';', 1)}"
            with pytest.raises(QuantityError, match=f"^{re.escape(words)}$"):
                solve(**{**good, name: given})
        words = f"{name} is 'x', which is not a number; {said.partition('; ')[2]}"
        with pytest.raises(QuantityError, match=f"^{re.escape(words)}$"):
            solve(**{**good, name: "x"})


@pytest.mark.parametrize("call, name", [(c, n) for c, n in CASES if c != "linear_range"])
def test_arguments_that_do_not_fit_together_are_named(call, name):
    function, good = CALLS[call]
    odd = {n: np.full(2, v) for n, v in good.items()}
    for solve in with_settings(function, CellSettings(r_emitter_lower=50.0)):
        with pytest.raises(QuantityError) as error:
            solve(**{**odd, name: np.full(3, good[name])})
        for n in good:
            if function is not pair.split_fractions and function.__module__.endswith("pair"):
                continue
            assert re.search(rf"\b{n} \({3 if n == name else 2},\)", str(error.value)), n


@pytest.mark.parametrize("name", [f.name for f in fields(CellSettings)])
def test_a_setting_of_the_cell_is_named_and_counts_in_the_shape(name):
    value, said = bad(name)
    with pytest.raises(QuantityError, match=f"^{re.escape(f'{name} is {said}')}$"):
        CellSettings(**{name: value}).checked()
    usual = getattr(CellSettings(), name)
    three = replace(CellSettings(r_emitter_lower=50.0), **{name: np.full(3, usual)})
    for solve, inputs in (
        (solve_cell, (np.zeros(2), 0.0, 1e-3)),
        (solve_crossed, (np.zeros(2), 1e-3, 1e-3)),
    ):
        with pytest.raises(QuantityError, match=rf"v_upper \(2,\).*\b{name} \(3,\)"):
            solve(*inputs, three)
        assert solve(0.0, *inputs[1:], three).v_out.shape == (3,)


def test_what_is_left_out_is_a_matched_pair_without_resistors_at_25_degrees():
    plain = dict(temperature=298.15, r_emitter=0.0, offset=0.0)
    v = np.array([-0.03, 0.0, 0.02])
    np.testing.assert_array_equal(pair.split(v, 1e-3), pair.split(v, 1e-3, **plain))
    np.testing.assert_array_equal(
        pair.split_fractions(v), pair.split_fractions(v, i_tail=0.0, **plain)
    )
    some = dict(i_tail=2e-3)
    np.testing.assert_array_equal(
        pair.split_fractions(v, **some), pair.split_fractions(v, **some, **plain)
    )
    # no tail current, no drop
    assert pair.split_fractions(v, r_emitter=100.0)[0] == pytest.approx(pair.split_fractions(v)[0])
    assert pair.linear_range(0.01, r_emitter=100.0) == pair.linear_range(0.01)
    assert pair.transconductance(1e-3) == pair.transconductance(1e-3, v_diff=0.0, **plain)
    assert pair.linear_range(0.01, 1e-3) == pair.linear_range(0.01, 0.0, 298.15, 0.0)


def test_a_tail_next_to_nothing_is_split_as_any_other():
    # exp(155) squared is beside 1e-200 A beyond the range of numbers; one tail of many is enough
    tails = np.array([1e-200, 1e-3])
    for v_upper, v_lower in ((-4.0, -4.0), (4.0, -4.0), (0.01, 4.0)):
        point = solve_cell(v_upper, v_lower, tails, gains=False)
        np.testing.assert_allclose(point.i_upper.sum(axis=-1), tails, rtol=1e-12)
        shares = point.i_upper / tails[:, None]
        np.testing.assert_allclose(shares[0], shares[1], rtol=1e-9, atol=1e-60)


def test_settings_for_one_ampere_give_the_output_over_full_scale():
    s = CellSettings(2.2e3, 310.0, 9.0, 1e-3, -2e-3, 3e-3, 40.0, 120.0)
    i, v = 1.7e-3, np.array([-0.05, 0.0, 0.02])
    whole = solve_cell(v, 0.013, i, s).v_out / (i * s.r_load)
    np.testing.assert_allclose(solve_cell(v, 0.013, 1.0, s.per_ampere(i)).v_out, whole, rtol=1e-12)
    np.testing.assert_allclose(output_map(v, [0.013], s, i)[0], whole, rtol=1e-12)
    assert s.per_ampere(i).v_supply == 0.0 and s.per_ampere(i).r_load == 1.0
