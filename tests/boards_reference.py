"""Boards with known faults, and what a scope shows of them: for `compare` to be tried on.

A board is built after a shipped circuit with every part drawn within its tolerance, and perhaps one
part that is wrong. `periodic_reference` solves it, capacitors and all; then comes what a scope does
to it. Nothing here uses the solver under test. All data are invented; equal seeds, equal boards.

What is true of a board is said in keys:

- `open:...`, `short:...`, `reversed:...`, `swapped:...` are those of `circuit.single_faults`.
- `factor:PART:X`: a resistor of `circuit.resistor_parts`, a capacitor or `v_supply` is X times its
  value; `area:Q3:X` the same for the emitter area of a transistor.
- `missing:r_emitter_lower` (or `_upper`): all emitter resistors of these pairs are bridged.
- `temperature:X`: X kelvin above the temperature of the circuit.

And of the scope: `probe:CHANNEL:X` (shown X times too large), `inverted:CHANNEL`,
`exchanged:CHANNEL:CHANNEL`, `clipped:CHANNEL`, `ac:CHANNEL`. Channels are v_upper, v_lower, v_left
and v_right, and `outputs` for both collectors.

Where it was probed. `base lines`: the positive line against ground in single mode, the difference
of both lines in balanced mode. `generator`: on the termination, loaded as it is; without a
termination the open voltage, as before a resistor that stands for the source.
"""

import copy
import math
from dataclasses import dataclass, field, replace

import numpy as np

from forktail.circuits import shipped
from forktail.core.built.circuit import Circuit, resistor_parts, single_faults
from periodic_reference import Board, NoSolution, Parts

CHANNELS = ("v_upper", "v_lower", "v_left", "v_right")
#: V/div of a scope with eight divisions, V.
STEPS = tuple(m * 10.0**e for e in range(-4, 2) for m in (1.0, 2.0, 5.0))
DIVISIONS = 8


@dataclass(frozen=True)
class Drive:
    """Both generators: peaks in V, as the drives of the circuit are counted (over the termination,
    nothing else on it), whole cycles in one period of `period` s, phases in rad."""

    name: str
    upper: float
    lower: float
    cycles_upper: int
    cycles_lower: int
    period: float
    phase_upper: float = 0.0
    phase_lower: float = 0.0

    @property
    def samples(self):
        """Samples of one period that resolve every harmonic that matters."""
        return 1024 if max(self.cycles_upper, self.cycles_lower) <= 10 else 2048


# circuit -> (name, peaks V, cycles, period s, weight)
_PLANS = {
    "bat-call-mixer": (
        ("mixing", 0.1, 0.015, 10, 9, 1 / 5e3, 4),
        ("carrier and tone", 0.1, 0.02, 10, 1, 1 / 5e3, 2),
        ("both small", 0.02, 0.01, 10, 9, 1 / 5e3, 2),
        ("both large", 0.2, 0.08, 10, 7, 1 / 5e3, 2),
        ("upper alone", 0.1, 0.0, 10, 1, 1 / 5e3, 0.5),
        ("lower alone", 0.0, 0.05, 1, 9, 1 / 5e3, 0.5),
    ),
    "beacon-modulator": (
        ("carrier and tone", 0.1, 0.2, 20, 1, 1 / 2e3, 4),
        ("mixing", 0.08, 0.1, 10, 3, 1 / 4e3, 2),
        ("both small", 0.02, 0.05, 10, 1, 1 / 4e3, 2),
        ("upper alone", 0.1, 0.0, 10, 1, 1 / 4e3, 0.5),
    ),
    "range-finder-phase-detector": (
        ("beat", 0.2, 0.2, 20, 19, 1 / 2e3, 3),
        ("equal frequency", 0.1, 0.1, 1, 1, 1 / 40e3, 2),
        ("beat, small", 0.04, 0.04, 10, 9, 1 / 4e3, 2),
    ),
    "volume-cell": (
        ("control and audio", 0.015, 0.3, 1, 10, 1 / 100.0, 4),
        ("both small", 0.01, 0.05, 1, 10, 1 / 100.0, 2),
        ("large control", 0.08, 0.3, 1, 10, 1 / 100.0, 2),
    ),
}


@dataclass(frozen=True)
class Recorded:
    """One board as a scope recorded it.

    Attributes
    ----------
    number : int
        Its seed.
    key : str
        Of the shipped circuit that it was built after.
    circuit : Circuit
        The plan, to be compared with.
    causes : tuple of str
        What is wrong on the board; empty for a healthy one.
    scope : tuple of str
        What the scope did.
    probed : str
        "base lines" or "generator".
    drive : Drive
    tolerance : float
        Of the resistors, a fraction.
    time : array, shape (n,), s
    channels : dict of str to array (n,)
        V, as recorded.
    clean : dict of str to array (n,)
        V, the same without anything that a scope does.
    parts : Parts
        Every part as it is.
    """

    number: int
    key: str
    circuit: Circuit
    causes: tuple
    scope: tuple
    probed: str
    drive: Drive
    tolerance: float
    time: np.ndarray = field(repr=False)
    channels: dict = field(repr=False)
    clean: dict = field(repr=False)
    parts: Parts = field(repr=False)

    @property
    def healthy(self):
        """Whether every part is within its tolerance."""
        return not self.causes

    def text(self):
        """The record as CSV."""
        rows = zip(self.time, *(self.channels[c] for c in CHANNELS))
        lines = ["# Invented data: no circuit was measured.", "time,upper,lower,left,right"]
        lines.append("s,V,V,V,V")
        return "\n".join(lines + [",".join(f"{x:.7g}" for x in row) for row in rows]) + "\n"


# ---------------------------------------------------------------- parts


def parts_of(circuit):
    """Parts of a board with every value as drawn in the plan."""
    c, named = circuit, {}
    for name in (
        *(f"r_string_{k}" for k in ("top", "middle", "bottom")),
        *(f"r_bias_{side}_{pole}" for side in ("upper", "lower") for pole in ("pos", "neg")),
        *(f"r_{what}_{side}" for side in ("upper", "lower") for what in ("source", "termination")),
        *(
            ("r_tail",)
            if c.tail_kind == "resistor"
            else ("r_tail_emitter", "r_tail_base_top", "r_tail_base_bottom")
        ),
    ):
        if math.isfinite(getattr(c, name)):
            named[name] = getattr(c, name)
    named["r_load_left"] = c.r_load_left * (1.0 + c.trim_balance / 2.0)
    named["r_load_right"] = c.r_load_right * (1.0 - c.trim_balance / 2.0)
    for k in range(1, 7):
        ohms = c.r_emitter_upper if k < 5 else c.r_emitter_lower
        if ohms > 0.0:
            named[f"r_emitter_q{k}"] = ohms
    farads = {f"c_bypass_{level}": getattr(c, f"c_bypass_{level}") for level in ("upper", "lower")}
    farads |= {"c_bypass_tail": c.c_bypass_tail, "c_load_left": c.c_load, "c_load_right": c.c_load}
    for side in ("upper", "lower"):
        coupling = getattr(c, f"c_coupling_{side}")
        if getattr(c, f"{side}_mode") == "single":
            farads[f"c_coupling_{side}"] = coupling
            farads[f"c_ground_{side}"] = getattr(c, f"c_ground_{side}")
        else:
            farads |= {f"c_coupling_{side}_{pole}": coupling for pole in ("pos", "neg")}
    if c.tail_kind == "ideal":
        raise ValueError("a board needs a real tail")
    return Parts(
        v_supply=c.v_supply,
        temperature=c.temperature,
        i_s=c.i_s,
        beta_reverse=c.beta_reverse,
        g_leak=c.g_leak,
        modes={"upper": c.upper_mode, "lower": c.lower_mode},
        tail=c.tail_kind,
        ohms=named,
        farads=farads,
        area=list(c.area),
        beta=[c.beta_forward] * 7,
        early=[c.v_early] * 7,
        emf={
            f"{side}_{pole}": sign * getattr(c, f"trim_{side}")
            for side in ("upper", "lower")
            for pole, sign in (("pos", 0.5), ("neg", -0.5))
        },
    )


def scattered(parts, rng, resistor=0.01):
    """The parts of one healthy board: each within its tolerance.

    Resistors evenly within `resistor`, capacitors within 10 % (20 % from 1 uF up), base-emitter
    voltages by 1 mV (one standard deviation) and 5 mV for the batch, current gain by 20 % for the
    batch and 4 % within it, the Early voltage by 15 %, the supply within 1 %, a bench at 18 to 32
    degrees.
    """
    p = copy.deepcopy(parts)
    p.ohms = {k: r * (1.0 + resistor * rng.uniform(-1, 1)) for k, r in p.ohms.items()}
    p.farads = {
        k: f * (1.0 + (0.2 if f >= 1e-6 else 0.1) * rng.uniform(-1, 1)) for k, f in p.farads.items()
    }
    p.i_s *= math.exp(rng.normal(0.0, 0.2))
    p.area = [a * math.exp(x) for a, x in zip(p.area, rng.normal(0.0, 0.039, 7))]
    batch = math.exp(rng.normal(0.0, 0.2))
    p.beta = [b * batch * math.exp(x) for b, x in zip(p.beta, rng.normal(0.0, 0.04, 7))]
    p.early = [v * math.exp(x) for v, x in zip(p.early, rng.normal(0.0, 0.15, 7))]
    p.v_supply *= 1.0 + 0.01 * rng.uniform(-1, 1)
    p.temperature += rng.uniform(-7.0, 7.0)
    return p


_PAIRS = {"pair_left": ("Q1", "Q2"), "pair_right": ("Q3", "Q4"), "pair_lower": ("Q5", "Q6")}


def broken(parts, cause):
    """The parts with one cause of the keys above."""
    p = copy.deepcopy(parts)
    kind, _, rest = cause.partition(":")
    part, _, value = rest.partition(":")
    if kind == "temperature":
        p.temperature += float(part)
    elif kind == "area":
        p.area[int(part[1]) - 1] *= float(value)
    elif kind == "factor":
        if part == "v_supply":
            p.v_supply *= float(value)
        for table in (p.ohms, p.farads):
            for name in table:
                whole = part in ("c_load", "c_coupling_upper", "c_coupling_lower")
                if name == part or (whole and name.startswith(f"{part}_")):
                    table[name] *= float(value)
    elif kind == "missing":
        p.shorted |= {
            f"r_emitter_q{k}" for k in ((5, 6) if part.endswith("lower") else range(1, 5))
        }
    elif kind == "swapped":
        if part == "levels":
            p.levels_swapped = True
        else:
            p.swaps.add(_PAIRS[part])
    elif kind == "reversed":
        p.turned.add(part)
    elif "." in part:
        q, place = part.split(".")
        if kind == "open":
            p.opened.add((q, place))
        else:
            p.bridged.add((q, *place.split("-")))
    else:
        (p.lost if kind == "open" else p.shorted).add(part)
    return p


def causes_of(circuit):
    """Every cause that a board of this circuit may have, as kind -> list of keys.

    Keys of `factor`, `area` and `temperature` come without their number.
    """
    parts = parts_of(circuit)
    kinds = {"single": [f.key for f in single_faults(circuit)]}
    kinds["factor"] = [f"factor:{name}" for name in resistor_parts(circuit)]
    kinds["capacitor"] = ["factor:c_load", "factor:c_coupling_upper", "factor:c_coupling_lower"]
    kinds["area"] = [f"area:Q{k}" for k in range(1, 7)]
    kinds["surroundings"] = ["factor:v_supply", "temperature"]
    kinds["missing"] = [
        f"missing:r_emitter_{side}"
        for side, q in (("upper", 1), ("lower", 5))
        if f"r_emitter_q{q}" in parts.ohms
    ]
    return kinds


_WEIGHTS = {
    "single": 0.56,
    "factor": 0.2,
    "capacitor": 0.04,
    "area": 0.06,
    "surroundings": 0.1,
    "missing": 0.04,
}


def draw_cause(circuit, rng):
    """One cause with its number, whether or not it shows."""
    kinds = {k: v for k, v in causes_of(circuit).items() if v}
    weights = np.array([_WEIGHTS[k] for k in kinds])
    kind = list(kinds)[rng.choice(len(kinds), p=weights / weights.sum())]
    key = str(rng.choice(kinds[kind]))
    if key == "temperature":
        return f"temperature:{rng.choice([-25, 30, 45, 60])}"
    if key == "factor:v_supply":
        return f"{key}:{rng.choice([0.67, 0.75, 0.85, 1.15, 1.25]):g}"
    if kind == "area":
        return f"{key}:{rng.choice([0.4, 0.6, 1.6, 2.5]):g}"
    if kind == "factor":  # a wrong band of the colour code, or the next decade
        return f"{key}:{rng.choice([0.1, 0.47, 0.68, 0.82, 1.2, 1.5, 2.2, 10.0]):g}"
    if kind == "capacitor":
        return f"{key}:{rng.choice([0.01, 0.1, 0.22, 4.7, 10.0]):g}"
    return key


# ---------------------------------------------------------------- waves


def waves(parts, drive, samples=None):
    """One period of what can be probed: name -> (samples,) in V.

    Both collectors, both inputs at the base lines and at the generator.
    """
    p, n = parts, samples or drive.samples
    turn = 2.0 * np.pi * np.arange(n) / n
    emf, board = {}, Board(parts)
    for side in ("upper", "lower"):
        wave = getattr(drive, side) * np.sin(
            getattr(drive, f"cycles_{side}") * turn + getattr(drive, f"phase_{side}")
        )
        r_t = p.ohms.get(f"r_termination_{side}", math.inf)
        emf[side] = wave * (1.0 if math.isinf(r_t) else 1.0 + p.ohms[f"r_source_{side}"] / r_t)
    v = board.periodic(emf["upper"], emf["lower"], drive.period)
    at = board.nodes
    out = {"v_left": v[:, at["left"]], "v_right": v[:, at["right"]]}
    for side in ("upper", "lower"):
        pos, neg = v[:, at[f"base_{side}_pos"]], v[:, at[f"base_{side}_neg"]]
        balanced = p.modes[side] == "balanced"
        out[f"v_{side} at base lines"] = pos - neg if balanced else pos
        if f"r_termination_{side}" in p.ohms:
            pos = v[:, at[f"drive_{side}_pos"]]
            out[f"v_{side} at generator"] = pos - v[:, at[f"drive_{side}_neg"]] if balanced else pos
        else:
            out[f"v_{side} at generator"] = emf[side]
    return out


def sampled(wave, period, time):
    """A periodic wave at any times, by its Fourier series."""
    lines = np.fft.rfft(wave) / len(wave)
    keep = np.flatnonzero(np.abs(lines) > 1e-9 * np.max(np.abs(lines)))
    turn = np.exp(2j * np.pi * np.outer(time / period, keep))
    scale = np.where((keep == 0) | (2 * keep == len(wave)), 1.0, 2.0)
    return (turn @ (scale * lines[keep])).real


# ---------------------------------------------------------------- the scope


def _range(span, rng):
    """Volts over the whole screen that a practitioner would choose for a wave of this span."""
    step = next((s for s in STEPS if DIVISIONS * s >= 1.1 * span), STEPS[-1])
    k = STEPS.index(step)
    return DIVISIONS * STEPS[min(k + int(rng.random() < 0.25), len(STEPS) - 1)]


def _draw_scope(rng):
    """What this scope does: settings and mistakes, as keys."""
    found = []
    if rng.random() < 0.2:
        found.append("ac:outputs")
    if rng.random() < 0.25:
        found.append(
            str(
                rng.choice(
                    [
                        "probe:outputs:10",
                        "probe:outputs:0.1",
                        "probe:v_left:0.1",
                        "probe:v_right:10",
                        "probe:v_upper:10",
                        "probe:v_lower:0.1",
                        "clipped:v_left",
                        "clipped:v_right",
                        "inverted:v_right",
                        "inverted:v_upper",
                        "exchanged:v_left:v_right",
                        "exchanged:v_upper:v_lower",
                    ]
                )
            )
        )
    return tuple(found)


def _channels_of(key):
    name = key.split(":")[1]
    return ("v_left", "v_right") if name == "outputs" else (name,)


def view(parts, drive, probed, scope, time, samples=None):
    """Channels before noise and errors, with the settings and mistakes of the scope.

    Returns
    -------
    clean : dict of str to array
        As a perfect scope would record them.
    seen : dict of str to array
        With AC coupling, factors, inversions and exchanges (clipping comes with the range).
    """
    return shown(waves(parts, drive, samples), drive, probed, scope, time)


def _not_coupling(key):
    return not key.startswith("ac:")


def shown(found, drive, probed, scope, time):
    """As `view`, for `waves` that are known."""
    clean = {
        c: sampled(found[c] if c in found else found[f"{c} at {probed}"], drive.period, time)
        for c in CHANNELS
    }
    seen = dict(clean)
    # AC coupling holds back what there is, before any factor
    for key in sorted(scope, key=_not_coupling):
        kind, *rest = key.split(":")
        if kind == "exchanged":
            a, b = rest
            seen[a], seen[b] = seen[b], seen[a]
            continue
        for c in _channels_of(key):
            if kind == "ac":
                name = c if c in found else f"{c} at {probed}"
                seen[c] = seen[c] - np.mean(found[name])
            elif kind == "probe":
                seen[c] = seen[c] * float(rest[1])
            elif kind == "inverted":
                seen[c] = -seen[c]
    return clean, seen


def recorded(seen, scope, time, rng):
    """Gain and offset of each channel, skew, bandwidth, noise, range and eight bits."""
    out = {}
    step = time[1] - time[0]
    for c in CHANNELS:
        # skew, and a front end of one pole at 20 to 100 MHz: both only a delay at these rates
        late = rng.normal(0.0, 10e-9) + 1.0 / (2.0 * np.pi * rng.uniform(20e6, 100e6))
        wave = seen[c] - late * np.gradient(seen[c], step)
        wave = wave * (1.0 + 0.02 * rng.uniform(-1, 1))
        span = max(np.ptp(wave), 2e-3)
        screen = _range(span, rng)
        bit = screen / 2.0 ** (8 if rng.random() < 0.8 else 10)
        wave = wave + (0.015 * screen + 0.005 * abs(wave.mean())) * rng.uniform(-1, 1)
        wave = wave + rng.normal(0.0, bit * rng.uniform(0.3, 1.0) + 2e-4, len(wave))
        # the trace is put near the middle of the screen, or its top is lost
        middle = 0.5 * (wave.max() + wave.min()) + 0.02 * screen * rng.uniform(-1, 1)
        if any(k.startswith("clipped") and c in _channels_of(k) for k in scope):
            middle = wave.max() - rng.uniform(0.1, 0.3) * span - 0.5 * screen
        edge = round(0.5 * screen / bit)
        out[c] = middle + bit * np.clip(np.round((wave - middle) / bit), -edge, edge - 1)
    return out


# ---------------------------------------------------------------- boards


def difference(one, other, tolerance):
    """How far two views of a board lie apart, in units of what a tolerance could hide.

    Movement of each channel is compared after its best factor within 3 %, its mean apart from it.
    """
    worst = 0.0
    for c in CHANNELS:
        a, b = one[c], other[c]
        move_a, move_b = a - a.mean(), b - b.mean()
        size = max(np.std(a), np.std(b), 1e-3 * np.abs(a).max(), 2e-4)
        best = np.clip(np.dot(move_a, move_b) / max(np.dot(move_b, move_b), 1e-30), 0.97, 1.03)
        moved = np.std(move_a - best * move_b) / size / (0.02 + 1.5 * tolerance)
        level = abs(a.mean() - b.mean()) / (
            0.02 * abs(a.mean()) + 2.0 * tolerance * abs(a.mean()) + 0.01 + 0.1 * size
        )
        worst = max(worst, moved, level)
    return worst


def _draw_drive(key, rng):
    plans = _PLANS[key]
    weights = np.array([plan[-1] for plan in plans])
    name, upper, lower, cu, cl, period, _ = plans[rng.choice(len(plans), p=weights / weights.sum())]
    return Drive(
        name,
        upper * rng.uniform(0.8, 1.25),
        lower * rng.uniform(0.8, 1.25),
        cu,
        cl,
        period * rng.uniform(0.9, 1.15),
        *rng.uniform(0.0, 2.0 * np.pi, 2),
    )


def make_board(number, cause=None, key=None):
    """The board of this number.

    Parameters
    ----------
    number : int
        Seed.
    cause : str, optional
        "" for a healthy board. Drawn if left out: a third are healthy, and what is wrong with the
        others shows in their record.
    key : str, optional
        Shipped circuit; drawn if left out.

    Returns
    -------
    Recorded
    """
    rng = np.random.default_rng([number, 20261])
    while True:
        try:
            return _made(number, rng, cause, key)
        except NoSolution:  # the next draw of the same stream
            continue


def _made(number, rng, cause, key):
    circuits = {k: c for k, (c, _) in shipped().items() if k in _PLANS}
    name = str(rng.choice(sorted(circuits)))
    name, circuit = key or name, circuits[key or name]
    drive = _draw_drive(name, rng)
    tolerance = float(rng.choice([0.01, 0.02, 0.05], p=[0.6, 0.25, 0.15]))
    probed = str(rng.choice(["base lines", "generator"], p=[0.6, 0.4]))
    scope = _draw_scope(rng)
    scope += tuple(f"ac:v_{side}" for side in ("upper", "lower") if rng.random() < 0.8)
    sound = scattered(parts_of(circuit), rng, tolerance)
    most = max(drive.cycles_upper, drive.cycles_lower)
    rounds = rng.uniform(1.2, 2.8) if most > 1 else rng.uniform(2.0, 6.0)
    slow = 12.0 * circuit.r_load_left * circuit.c_load  # most wait until the loads have settled
    if rng.random() < 0.8:
        rounds = max(rounds, slow / drive.period)
    samples = int(max(rng.choice([1000, 1250, 2500]), 24 * most * rounds))
    time = np.arange(samples) * (rounds * drive.period / samples)
    healthy = bool(rng.random() < 0.34)
    parts, causes = sound, ()
    if cause:
        parts, causes = broken(sound, cause), (cause,)
    elif cause is None and not healthy:
        parts, causes = _with_a_cause(circuit, sound, drive, probed, scope, time, tolerance, rng)
    clean, seen = view(parts, drive, probed, scope, time)
    return Recorded(
        number=number,
        key=name,
        circuit=circuit,
        causes=causes,
        scope=scope,
        probed=probed,
        drive=drive,
        tolerance=tolerance,
        time=time,
        channels=recorded(seen, scope, time, rng),
        clean=clean,
        parts=parts,
    )


#: A cause has to show by this much, see `difference`.
SHOWS = 2.0


def _driven_alike(parts, drive, probed, found):
    """Waves of a board whose generators are turned until its probed inputs look like others.

    A scope shows what is there, not what a generator was set to: a board that takes half of its
    drive away looks like a sound one with half the drive. Returns (waves, drive).
    """
    few = len(found["v_left"])
    for _ in range(3):
        own = waves(parts, drive, few)
        changes = {}
        for side in ("upper", "lower"):
            k, name = getattr(drive, f"cycles_{side}"), f"v_{side} at {probed}"
            wanted, got = (2.0 * np.fft.rfft(w[name])[k] / few for w in (found, own))
            if abs(got) < 1e-9:
                continue
            peak = getattr(drive, side) * abs(wanted / got)
            changes[side] = peak if peak > 1e-5 else 0.0
            changes[f"phase_{side}"] = getattr(drive, f"phase_{side}") + float(
                np.angle(wanted / got)
            )
        drive = replace(drive, **changes)
    return waves(parts, drive, few), drive


def _with_a_cause(circuit, sound, drive, probed, scope, time, tolerance, rng):
    """Draw causes until one shows in this capture."""
    few = drive.samples // 4
    time = time[:: max(1, len(time) // 300)]
    for _ in range(40):
        cause = draw_cause(circuit, rng)
        parts = broken(sound, cause)
        try:
            found = waves(parts, drive, few)
            after = shown(found, drive, probed, scope, time)[1]
            before = shown(*_driven_alike(sound, drive, probed, found), probed, scope, time)[1]
        except NoSolution:
            continue
        if difference(before, after, tolerance) >= SHOWS:
            return parts, (cause,)
    raise NoSolution("no cause shows with these drives")


#: Mistakes of the scope that a board could make as well.
_SIGNS = (
    "exchanged:v_left:v_right",
    "exchanged:v_upper:v_lower",
    *(f"inverted:{c}" for c in CHANNELS),
    *(f"probe:{c}:{x}" for c in ("outputs", *CHANNELS) for x in (10, 0.1)),
)


def looks_alike(board, cause=None):
    """Whether a board with this cause, or with none, would give the same picture.

    The scope may have made the mistakes that it made, none of them, or any single one: a part
    turned round and an input inverted make one picture. What no capture can tell apart is not
    held against an answer.
    """
    few = board.drive.samples // 4
    time = board.time[:: max(1, len(board.time) // 300)]
    plain = tuple(k for k in board.scope if k.startswith("ac:"))
    scopes = dict.fromkeys((board.scope, plain, *((*plain, sign) for sign in _SIGNS)))
    nominal = parts_of(board.circuit)
    try:
        other = nominal if cause is None else broken(nominal, cause)
        for true in board.causes:
            nominal = broken(nominal, true)
        found = waves(nominal, board.drive, few)
        picture = shown(found, board.drive, board.probed, board.scope, time)[1]
        other, drive = _driven_alike(other, board.drive, board.probed, found)
        return any(
            difference(picture, shown(other, drive, board.probed, scope, time)[1], 0.005) < 1.0
            for scope in scopes
        )
    except (NoSolution, KeyError, ValueError, IndexError):
        return False


def _loose(parts, tolerance):
    """What differs from one healthy board to the next: list of (how to move it, most, spread).

    As `scattered` draws them; what is spread normally may lie two and a half spreads away.
    """

    def entry(table, key):
        def change(p, x):
            getattr(p, table)[key] *= math.exp(x)

        return change

    def whole(name):
        def change(p, x):
            setattr(p, name, [v * math.exp(x) for v in getattr(p, name)])

        return change

    def field(name):
        def change(p, x):
            setattr(p, name, getattr(p, name) * math.exp(x))

        return change

    def warmer(p, x):
        p.temperature += x

    def even(change, most):
        return change, most, most / math.sqrt(3.0)

    def normal(change, spread):
        return change, 2.5 * spread, spread

    return [
        *(even(entry("ohms", key), tolerance) for key in parts.ohms),
        *(even(entry("farads", k), 0.2 if f >= 1e-6 else 0.1) for k, f in parts.farads.items()),
        *(normal(entry("area", k), 0.039) for k in range(7)),
        *(normal(entry("beta", k), 0.04) for k in range(7)),
        normal(field("i_s"), 0.2),
        normal(whole("beta"), 0.2),
        normal(whole("early"), 0.15),
        even(field("v_supply"), 0.01),
        even(warmer, 7.0),
    ]


def within_bands(board):
    """Whether a sound board, every part within its tolerance, would give the same picture.

    Such a board is sought by two steps of least squares from the plan, its generators set as the
    probed inputs ask, and then solved: it is the proof. Where there is one, "as predicted" is a
    true answer, whatever was done to the board.
    """
    few = board.drive.samples // 4
    time = board.time[:: max(1, len(board.time) // 100)]
    plain = tuple(k for k in board.scope if k.startswith("ac:"))
    nominal = parts_of(board.circuit)
    loose = _loose(nominal, board.tolerance)
    most, spread = (np.array([one[k] for one in loose]) for k in (1, 2))

    def moved(x):
        p = copy.deepcopy(nominal)
        for (change, _, _), by in zip(loose, x):
            change(p, by)
        return p

    def picture(x, drive):
        return shown(waves(moved(x), drive, few), drive, board.probed, plain, time)[1]

    def compared(one, other):
        """In units of a hundredth of the movement of each channel."""
        return np.concatenate([(one[c] - other[c]) / (0.01 * sizes[c]) for c in CHANNELS])

    try:
        found = waves(board.parts, board.drive, few)
        wanted = shown(found, board.drive, board.probed, plain, time)[1]
        sizes = {c: max(np.std(w), 1e-3 * np.abs(w).max(), 2e-4) for c, w in wanted.items()}
        x, slopes = np.zeros(len(loose)), []
        for _ in range(2):
            _, drive = _driven_alike(moved(x), board.drive, board.probed, found)
            now = picture(x, drive)
            for k in range(len(loose) if not slopes else 0):
                step = x.copy()
                step[k] += 0.3 * spread[k]
                slopes.append(compared(picture(step, drive), now) / 0.3)
            scope = np.zeros((2, len(CHANNELS), len(CHANNELS), len(time)))
            for k, c in enumerate(CHANNELS):  # a gain of 2 % and an offset, channel by channel
                scope[0, k, k] = 2.0 * (now[c] - now[c].mean()) / sizes[c]
                scope[1, k, k] = 10.0
            columns = np.vstack([slopes, scope.reshape(2 * len(CHANNELS), -1)]).T
            n = columns.shape[1]
            a = np.vstack([columns, np.eye(n)])
            b = np.concatenate([compared(wanted, now), np.zeros(n)])
            by = np.linalg.lstsq(a, b, rcond=None)[0][: len(loose)]
            x = np.clip(x + spread * by, -most, most)
        _, drive = _driven_alike(moved(x), drive, board.probed, found)
        return bool(difference(wanted, picture(x, drive), 0.005) < 1.0)
    except NoSolution:
        return False


def agrees(true, said):
    """Whether a cause that was said is the true one: the same part in the same way, a factor within
    about a third of its logarithm, a temperature within 15 K."""
    if true == said:
        return True
    one, two = true.split(":"), said.split(":")
    if one[0] != two[0] or len(one) != len(two):
        return False
    try:
        if one[0] == "temperature":
            return abs(float(one[1]) - float(two[1])) <= 15.0
        if one[0] in ("factor", "area") and one[1] == two[1]:
            a, b = math.log(float(one[2])), math.log(float(two[2]))
            return abs(a - b) <= max(0.35 * abs(a), 0.06)
    except (IndexError, ValueError):
        pass
    return False
