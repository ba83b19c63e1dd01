"""Parts are never equal: spread of many builds of one circuit, and the trims that null it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.built import network
from forktail.core.built.circuit import Circuit, resistor_parts, transistor_names
from forktail.core.checks import Floats, QuantityError, as_quantity
from forktail.core.spec import number, setting, specs_of
from forktail.core.thermal import thermal_voltage

#: What each build is judged by: name -> (unit, what it is).
MEASURES = {
    "offset": ("V", "output with both inputs at zero"),
    "feed_upper": ("", "gain of the upper input with the lower at zero"),
    "feed_lower": ("", "gain of the lower input with the upper at zero"),
    "offset_lower": ("V", "offset of the lower input that would cause feed_upper"),
    "offset_upper": ("V", "offset of the upper input that would cause feed_lower"),
    "uneven_upper": ("", "inequality of the two half cycles of the upper drive"),
    "uneven_lower": ("", "inequality of the two half cycles of the lower drive"),
    "product_gain": ("1/V", "output over the product of the inputs at the drives given"),
}

#: Trim -> what it nulls.
TRIMS = {"trim_lower": "feed_upper", "trim_upper": "feed_lower", "trim_balance": "offset"}


@dataclass(frozen=True)
class Tolerances:
    """How far parts of a batch lie apart. Invented defaults for loose small transistors.

    Attributes
    ----------
    v_be : V, standard deviation of the base-emitter voltage from one transistor to the next at
        equal current; the areas are log-normal with sigma v_be/VT.
    resistor : tolerance of every resistor, a fraction; values are spread evenly within it.
    beta : standard deviation of ln(beta), one draw for the batch of each build.
    """

    v_be: float = setting(
        number(
            "v_be",
            1e-3,
            "V",
            0.0,
            0.1,
            label="V_BE, sigma",
            slider=(0.0, 5e-3),
            step=1e-4,
            doc="Spread of V_BE, V.",
            part="run",
        )
    )
    resistor: float = setting(
        number(
            "tolerance",
            0.01,
            "fraction",
            0.0,
            0.5,
            label="Resistors, \u00b1",
            slider=(0.0, 0.1),
            step=1e-3,
            doc="Tolerance.",
            part="run",
        )
    )
    beta: float = setting(
        number("beta", 0.2, "fraction", 0.0, 2.0, label="Beta, sigma", slider=(0.0, 0.5),
               step=0.01, doc="Spread of beta.", part="run")
    )  # fmt: skip

    def __post_init__(self) -> None:
        for name, allowed in specs_of(Tolerances).items():
            object.__setattr__(self, name, allowed.check(getattr(self, name), name))


@dataclass(frozen=True)
class Batch:
    """Many builds of one circuit: what a Monte Carlo run depends on, but for its trims.

    Attributes
    ----------
    circuit : Circuit
    tolerances : Tolerances
    builds, seed : int. Equal seeds, equal builds.
    """

    circuit: Circuit = Circuit()
    tolerances: Tolerances = Tolerances()
    builds: int = setting(
        number(
            "builds",
            400,
            "",
            10,
            5000,
            whole=True,
            most_digits=6,
            label="Builds",
            doc="Builds of a Monte Carlo run.",
            part="run",
        )
    )
    seed: int = setting(
        number("seed", 1, "", 0, 999_999, whole=True, most_digits=6, label="Seed",
               doc="Equal seeds, equal builds.", part="run")
    )  # fmt: skip


def draw(circuit: Circuit, tolerances: Tolerances, builds: int, seed: int) -> dict[str, Floats]:
    """Factors of every part for `builds` builds: dict of name to array, for `network.solve_many`.

    The same seed gives the same builds, whatever they are solved in.

    Raises
    ------
    QuantityError
        If `builds` is not a whole number from 1 to 100 000.
    """
    if isinstance(builds, bool) or builds != int(builds) or not 1 <= builds <= 100_000:
        raise QuantityError(f"builds is {builds!r}; it must be a whole number from 1 to 100000.")
    builds = int(builds)
    rng = np.random.default_rng(seed)
    sigma = tolerances.v_be / float(thermal_voltage(circuit.temperature))
    scale = {q: np.exp(sigma * rng.standard_normal(builds)) for q in transistor_names(circuit)}
    for name in resistor_parts(circuit):
        scale[name] = 1.0 + tolerances.resistor * rng.uniform(-1.0, 1.0, builds)
    if np.isfinite(circuit.beta_forward):
        scale["beta_forward"] = np.exp(tolerances.beta * rng.standard_normal(builds))
    return scale


@dataclass(frozen=True)
class Spread:
    """Builds solved so far.

    Attributes
    ----------
    done, total : int, builds.
    values : dict of measure (keys of `MEASURES`) to array (done,), NaN for an unsolved build.
    nodes : dict of node name to array (done,), V at rest.
    """

    done: int
    total: int
    values: dict[str, Floats] = field(repr=False)
    nodes: dict[str, Floats] = field(repr=False)

    @property
    def unsolved(self) -> int:
        """Builds without a solution."""
        return int(np.count_nonzero(~np.isfinite(self.values["offset"])))

    def summary(self, measure: str) -> dict[str, float]:
        """Mean, standard deviation and the middle 95 % of a measure.

        Returns
        -------
        dict with keys mean, sigma, low, median, high; NaN if nothing is solved.
        """
        return summary(self.values[measure])

    def bands(self, coverage: float = 0.98) -> dict[str, tuple[float, float, float]]:
        """Band of each node voltage at rest that holds `coverage` of the builds.

        Returns
        -------
        dict of str to (low, median, high), V
        """
        tails = 100.0 * (1.0 - coverage) / 2.0
        out = {}
        for name, v in self.nodes.items():
            v = v[np.isfinite(v)] if np.isfinite(v).any() else np.array([np.nan])
            low, median, high = np.percentile(v, [tails, 50.0, 100.0 - tails])
            out[name] = float(low), float(median), float(high)
        return out


def summary(values: ArrayLike) -> dict[str, float]:
    """Mean, standard deviation, median and the middle 95 % of the finite values, as a dict."""
    v = np.asarray(values)[np.isfinite(values)]
    if v.size == 0:
        return dict.fromkeys(("mean", "sigma", "low", "median", "high"), float("nan"))
    low, median, high = np.percentile(v, [2.5, 50.0, 97.5])
    return {
        "mean": float(v.mean()),
        "sigma": float(v.std()),
        "low": float(low),
        "median": float(median),
        "high": float(high),
    }


def measure(
    circuit: Circuit,
    scale: Mapping[str, Floats],
    drive_upper: float = 0.02,
    drive_lower: float = 0.02,
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Judge the builds that `scale` describes (see `network.solve_many`).

    The half cycles of the upper drive are unequal by (v(+) + v(-)) / (v(+) - v(-)), the lower
    input resting at its positive peak, and the other way round.

    Returns
    -------
    values, nodes : dicts as in `Spread`
    """
    a = float(as_quantity("drive_upper", drive_upper, "V", low=0.0, low_open=True))
    b = float(as_quantity("drive_lower", drive_lower, "V", low=0.0, low_open=True))
    h = 0.05 * float(thermal_voltage(circuit.temperature))
    rest = network.solve_many(circuit, scale, 0.0, [0.0, h, -h])
    peaks = network.solve_many(circuit, scale, [a, a, -a, -a], [b, -b, b, -b], gains=False)
    pp, pm, mp, mm = np.moveaxis(peaks.v_out, 1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        # an offset is told by the gain where it acts, at balance; the drives may reach past it
        slope = (rest.gain_upper[:, 1] - rest.gain_upper[:, 2]) / (2.0 * h)
        values = {
            "offset": rest.v_out[:, 0],
            "feed_upper": rest.gain_upper[:, 0],
            "feed_lower": rest.gain_lower[:, 0],
            "offset_lower": rest.gain_upper[:, 0] / slope,
            "offset_upper": rest.gain_lower[:, 0] / slope,
            "uneven_upper": (pp + mp) / (pp - mp),
            "uneven_lower": (pp + pm) / (pp - pm),
            "product_gain": (pp - pm - mp + mm) / (4.0 * a * b),
        }
    return values, {n: v[:, 0] for n, v in rest.nodes.items()}


def monte_carlo(
    circuit: Circuit,
    tolerances: Tolerances | None = None,
    builds: int = 1000,
    seed: int = 1,
    chunk: int = 100,
    drive_upper: float = 0.02,
    drive_lower: float = 0.02,
) -> Iterator[Spread]:
    """Solve many builds a chunk at a time.

    Parameters
    ----------
    circuit : Circuit
    tolerances : Tolerances, optional
    builds, seed, chunk : int
        A caller stops by leaving the iteration; the builds do not depend on `chunk`.
    drive_upper, drive_lower : float
        Peaks at which half cycles and product gain are judged, V, above zero.

    Yields
    ------
    Spread
        All builds so far, after each chunk.

    Raises
    ------
    QuantityError
        For values out of range, when called (not at the first chunk).
    """
    scale = draw(circuit, tolerances or Tolerances(), builds, seed)
    if chunk != int(chunk) or chunk < 1:
        raise QuantityError(f"chunk is {chunk!r}; it must be a whole number from 1.")
    for name, value in (("drive_upper", drive_upper), ("drive_lower", drive_lower)):
        as_quantity(name, value, "V", low=0.0, low_open=True)

    def run() -> Iterator[Spread]:
        values: dict[str, Floats] = {}
        nodes: dict[str, Floats] = {}
        for start in range(0, int(builds), int(chunk)):
            part = {k: a[start : start + int(chunk)] for k, a in scale.items()}
            new = measure(circuit, part, drive_upper, drive_lower)
            for store, fresh in zip((values, nodes), new):
                for k, a in fresh.items():
                    store[k] = np.concatenate([store[k], a]) if k in store else a
            yield Spread(len(values["offset"]), int(builds), dict(values), dict(nodes))

    return run()


def solve_trims(
    circuit: Circuit,
    scale: Mapping[str, Floats],
    names: Sequence[str] = tuple(TRIMS),
    rounds: int = 8,
) -> tuple[dict[str, Floats], dict[str, Floats], dict[str, Floats]]:
    """Trim settings that null each build: Newton steps with slopes from differences of solutions.

    `trim_lower` nulls the slope of the output over v_upper at rest, `trim_upper` that over
    v_lower, `trim_balance` the output at rest; all named ones at once.

    Parameters
    ----------
    circuit : Circuit
    scale : dict
        As `network.solve_many`; {} for the circuit itself.
    names : sequence of str
        Trims that may move, keys of `TRIMS`.
    rounds : int
        Newton steps.

    Returns
    -------
    settings : dict of trim to array (builds,)
    before, after : dict of measure ("offset", "feed_upper", "feed_lower") to array (builds,)
        After: as solved again with the settings; what the trims cannot reach stays.

    Raises
    ------
    QuantityError
        For an unknown trim.
    """
    for name in names:
        if name not in TRIMS:
            raise QuantityError(f"{name!r} is not a trim; the trims are {', '.join(TRIMS)}.")
    builds = max([np.size(a) for a in scale.values()], default=1)
    steps = np.array([1e-3 if n == "trim_balance" else 1e-4 for n in names])
    longest = np.array([0.2 if n == "trim_balance" else 0.02 for n in names])
    limits = np.array([1.8 if n == "trim_balance" else 0.9 for n in names])
    x = np.repeat([[getattr(circuit, n) for n in names]], builds, axis=0).astype(float)

    def at(x: Floats) -> tuple[dict[str, Floats], Floats]:
        p = network.solve_many(circuit, {**scale, **dict(zip(names, x.T))}, [0.0], [0.0])
        found = {
            "feed_upper": p.gain_upper[:, 0],
            "feed_lower": p.gain_lower[:, 0],
            "offset": p.v_out[:, 0],
        }
        return found, np.stack([found[TRIMS[n]] for n in names], axis=1)

    before, r = at(x)
    for _ in range(rounds):
        slope = np.empty((builds, len(names), len(names)))
        for j, h in enumerate(steps):
            moved = x.copy()
            moved[:, j] += h
            slope[:, :, j] = (at(moved)[1] - r) / h
        size = np.max(np.abs(slope), axis=2, keepdims=True)
        usable = np.isfinite(slope).all(axis=(1, 2)) & (size > 0).all(axis=(1, 2))
        usable &= np.isfinite(r).all(axis=1)
        slope[~usable] = np.eye(len(names))
        rhs = np.where(usable[:, None], r, 0.0)
        try:
            step = np.linalg.solve(slope, rhs[..., None])[..., 0]
        except np.linalg.LinAlgError:
            step = np.stack([np.linalg.lstsq(s, b, rcond=None)[0] for s, b in zip(slope, rhs)])
        trial = np.clip(x - np.clip(step, -longest, longest), -limits, limits)
        _, r_new = at(trial)
        # a build that would lose its solution stays where it is
        keep = np.isfinite(r_new).all(axis=1)
        x[keep], r[keep] = trial[keep], r_new[keep]
        if np.all(np.abs(step) < 1e-9):
            break
    after, _ = at(x)
    return dict(zip(names, x.T)), before, after


def null_trims(
    circuit: Circuit, names: Sequence[str] = tuple(TRIMS), rounds: int = 8
) -> tuple[dict[str, float], Circuit]:
    """`solve_trims` for one circuit: (settings as floats, circuit with them set)."""
    settings, _, _ = solve_trims(circuit, {}, names, rounds)
    change: dict[str, Any] = {n: float(v[0]) for n, v in settings.items()}
    return change, replace(circuit, **change)
