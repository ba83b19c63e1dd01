"""The equations of the built cell written a second time, for scipy.optimize.root.

Nothing here comes from forktail.core: the law of the transistor (Ebers-Moll, transport form, with
Early effect), Kirchhoff's law at each node, and the constants are written out from the textbook
(Gray, Hurst, Lewis, Meyer, chapter 1) and from scipy.constants. One sample at a time.
"""

import functools
import math

import numpy as np
from scipy import constants, optimize

GAP, EXPONENT, T0 = 1.12, 3.0, 298.15


@functools.lru_cache(maxsize=64)
def junction(i_s, temperature):
    """Thermal voltage and saturation current at a temperature."""
    vt = constants.k * temperature / constants.e
    vt0 = constants.k * T0 / constants.e
    ratio = temperature / T0
    return vt, i_s * ratio**EXPONENT * math.exp(GAP / vt0 * (1 - 1 / ratio))


def transistor(c, vb, vc, ve, area):
    vt, i_s = junction(c.i_s, c.temperature)
    vbe, vbc = vb - ve, vb - vc
    f = area * i_s * math.expm1(min(max(vbe / vt, -500), 120))
    r = area * i_s * math.expm1(min(max(vbc / vt, -500), 120))
    forward_transport = (f - r) * (1 - vbc / c.v_early)
    base = f / c.beta_forward + r / c.beta_reverse + c.g_leak * (vbe + vbc)
    collector = forward_transport - r / c.beta_reverse - c.g_leak * vbc
    return collector, base, collector + base


NAMES = (
    "left",
    "right",
    "p5",
    "p6",
    "tail",
    "e1",
    "e2",
    "e3",
    "e4",
    "e5",
    "e6",
    "up",
    "un",
    "lp",
    "ln",
    "lu",
    "ll",
    "b7",
    "e7",
)


def drive_thevenin(c, side):
    rs, rt = getattr(c, f"r_source_{side}"), getattr(c, f"r_termination_{side}")
    return rs if math.isinf(rt) else rs * rt / (rs + rt)


def equations(x, c, held=None, vu=0.0, vl=0.0, added=None):
    """Current errors at each node, A; `held` is the bias solution when a signal is applied.

    `added` is something small on top, part -> value: A of collector `ic1` and base current `ib1` of
    Q1 to Q6, V in series with emitter resistor `e1` and with a load, `left` or `right`.
    """
    v = dict(zip(NAMES, x.tolist()))
    added = added or {}
    f = {}
    q, i = {}, {}
    pins = {
        1: ("up", "left", "p5"),
        2: ("un", "right", "p5"),
        3: ("un", "left", "p6"),
        4: ("up", "right", "p6"),
        5: ("lp", "p5", "tail"),
        6: ("ln", "p6", "tail"),
    }
    for k, (b, cc, rail) in pins.items():
        q[k] = transistor(c, v[b], v[cc], v[f"e{k}"], c.area[k - 1])
        ic, ib = (added.get(f"{kind}{k}", 0.0) for kind in ("ic", "ib"))
        q[k] = (q[k][0] + ic, q[k][1] + ib, q[k][2] + ic + ib)
        re = c.r_emitter_upper if k < 5 else c.r_emitter_lower
        # without a resistor the emitter is its rail
        i[k] = q[k][2]
        f[f"e{k}"] = (v[f"e{k}"] - v[rail] - re * i[k] - added.get(f"e{k}", 0.0)) * 1e-3
    for side, into in (("left", q[1][0] + q[3][0]), ("right", q[2][0] + q[4][0])):
        drop = c.v_supply - v[side] - added.get(side, 0.0)
        f[side] = into - drop / getattr(c, f"r_load_{side}")
    f["p5"] = q[5][0] - i[1] - i[2]
    f["p6"] = q[6][0] - i[3] - i[4]
    if c.tail_kind == "ideal":
        f["tail"] = c.i_tail - i[5] - i[6]
        f["b7"], f["e7"] = v["b7"] * 1e-3, v["e7"] * 1e-3
    elif c.tail_kind == "resistor":
        f["tail"] = v["tail"] / c.r_tail - i[5] - i[6]
        f["b7"], f["e7"] = v["b7"] * 1e-3, v["e7"] * 1e-3
    else:
        q7 = transistor(c, v["b7"], v["tail"], v["e7"], c.area[6])
        f["tail"] = q7[0] - i[5] - i[6]
        f["e7"] = v["e7"] / c.r_tail_emitter - q7[2]
        if held is None:
            f["b7"] = (
                q7[1] + v["b7"] / c.r_tail_base_bottom - (c.v_supply - v["b7"]) / c.r_tail_base_top
            )
        else:
            f["b7"] = (v["b7"] - held["b7"]) * 1e-3
    line = {"up": q[1][1] + q[4][1], "un": q[2][1] + q[3][1], "lp": q[5][1], "ln": q[6][1]}
    feed = {}
    for key, tap, side, pole in (
        ("up", "lu", "upper", "pos"),
        ("un", "lu", "upper", "neg"),
        ("lp", "ll", "lower", "pos"),
        ("ln", "ll", "lower", "neg"),
    ):
        feed[key] = (v[tap] - v[key]) / getattr(c, f"r_bias_{side}_{pole}")
        f[key] = line[key] - feed[key]
    if held is None:
        f["lu"] = (
            (v["lu"] - c.v_supply) / c.r_string_top
            + (v["lu"] - v["ll"]) / c.r_string_middle
            + feed["up"]
            + feed["un"]
        )
        f["ll"] = (
            v["ll"] / c.r_string_bottom
            + (v["ll"] - v["lu"]) / c.r_string_middle
            + feed["lp"]
            + feed["ln"]
        )
    else:
        f["lu"], f["ll"] = (v["lu"] - held["lu"]) * 1e-3, (v["ll"] - held["ll"]) * 1e-3
        for side, pos, neg, drive in (("upper", "up", "un", vu), ("lower", "lp", "ln", vl)):
            r = drive_thevenin(c, side)
            balanced = getattr(c, f"{side}_mode") == "balanced"
            for key, share, ohms in (
                (pos, 0.5 if balanced else 1.0, r / 2 if balanced else r),
                (neg, -0.5 if balanced else 0.0, r / 2 if balanced else 0),
            ):
                source = held[key] + share * drive
                if ohms == 0:
                    f[key] = (v[key] - source) * 1e-3
                else:
                    f[key] = f[key] + (v[key] - source) / ohms
    return np.array([f[n] for n in NAMES])


def starting_point(c, held=None, vu=0.0, vl=0.0):
    total = c.r_string_top + c.r_string_middle + c.r_string_bottom
    ll = c.v_supply * c.r_string_bottom / total
    lu = c.v_supply * (c.r_string_bottom + c.r_string_middle) / total
    x = dict.fromkeys(NAMES, 0.0)
    x.update(lu=lu, ll=ll, up=lu, un=lu, lp=ll, ln=ll)
    if held:
        x.update(held)
        for side, pos, neg, drive in (("upper", "up", "un", vu), ("lower", "lp", "ln", vl)):
            balanced = getattr(c, f"{side}_mode") == "balanced"
            x[pos] += drive * (0.5 if balanced else 1.0)
            x[neg] -= drive * (0.5 if balanced else 0.0)
    on = 0.62 - 0.002 * (c.temperature - T0)
    x["tail"] = x["e5"] = x["e6"] = max(x["lp"], x["ln"]) - on
    for key in ("p5", "p6", "e1", "e2", "e3", "e4"):
        x[key] = max(x["up"], x["un"]) - on
    x["left"] = x["right"] = 0.8 * c.v_supply
    if c.tail_kind == "transistor" and not held:
        x["b7"] = c.v_supply * c.r_tail_base_bottom / (c.r_tail_base_bottom + c.r_tail_base_top)
        x["e7"] = max(x["b7"] - on, 0.0)
    return np.array([x[n] for n in NAMES])


def solve_one(c, held=None, vu=0.0, vl=0.0, start=None, scale=None):
    """Return (dict of node voltages, largest current error in A).

    root stops on the change of x; a second run from its answer polishes the last digits.
    """
    scale = 1e4 if scale is None else scale
    x = starting_point(c, held, vu, vl) if start is None else np.array([start[n] for n in NAMES])
    best, best_error = x, np.inf
    for method in ("hybr", "lm", "hybr", "hybr"):
        options = {"xtol": 1e-14} if method == "hybr" else {"xtol": 1e-15, "ftol": 1e-15}
        with np.errstate(all="ignore"):
            r = optimize.root(
                lambda z: scale * equations(z, c, held, vu, vl),
                best,
                method=method,
                options=options,
            )
            error = np.max(np.abs(equations(r.x, c, held, vu, vl)))
        if error < best_error:
            best, best_error = r.x, error
        if best_error < 1e-13:
            break
    return dict(zip(NAMES, best)), best_error


def pin_currents(c, v):
    """Collector and base current of Q1 to Q6, A, from node voltages by name."""
    pins = {
        1: ("up", "left"),
        2: ("un", "right"),
        3: ("un", "left"),
        4: ("up", "right"),
        5: ("lp", "p5"),
        6: ("ln", "p6"),
    }
    return [
        transistor(c, v[b], v[cc], v[f"e{k}"], c.area[k - 1])[:2] for k, (b, cc) in pins.items()
    ]


def collector_currents(c, v):
    return np.array([collector for collector, _ in pin_currents(c, v)])
