"""Which plan is asked for: the circuit and settings of a Build page link, and its answer."""

from dataclasses import dataclass, replace
from functools import lru_cache

from forktail.core.bench.plan import BenchPlan, bench_plan
from forktail.core.built import mismatch, network
from forktail.core.built.circuit import Circuit
from forktail.core.checks import QuantityError
from forktail.pages.build.state import BuildScene, BuildState, textbook
from forktail.ui.jobs import run_apart

#: Most builds of a plan: the bands do not get better, only later.
MAX_BUILDS = 2000


@dataclass(frozen=True)
class PlanKey:
    """Everything that a plan depends on: equal keys, equal plans."""

    circuit: Circuit
    drive_upper: float
    drive_lower: float
    tolerances: mismatch.Tolerances
    series: str
    builds: int
    seed: int


def plan_key(build):
    """Key of the plan of a `BuildState`.

    Raises
    ------
    QuantityError
        If a drive is zero: a plan needs waves to show.
    """
    for name in ("drive_upper", "drive_lower"):
        if not getattr(build, name) > 0:
            raise QuantityError(
                f"{build.param[name].label}: a bench plan needs a drive above "
                "0 V, so that there is a wave to expect."
            )
    return PlanKey(
        build.circuit,
        build.drive_upper,
        build.drive_lower,
        build.tolerances(),
        build.series,
        min(build.builds, MAX_BUILDS),
        build.seed,
    )


def key_of_query(query):
    """Key of the plan of a Build page link: (key, sentences for what was not understood)."""
    build = BuildState()
    problems = build.apply_query(query) if query else []
    if problems:
        head = "Not all of the link was understood; these parts are at their defaults:"
        problems = [head, *problems]
    return plan_key(build), problems


def key_of_file(text):
    """Key of the plan of a circuit file, whose [scene] may hold drives and spreads.

    Returns
    -------
    key : PlanKey
    remarks : list of str
        One sentence for each thing that was not understood or taken for granted.

    Raises
    ------
    QuantityError
        As `circuit_texts.read_circuit_file`.
    """
    build = BuildState()
    remarks = build.apply_file(text)
    return plan_key(build), remarks


def make_plan(key, tell=None):
    """Work the plan of a key out; `tell(share, text)` hears of progress.

    Returns
    -------
    BenchPlan
    """
    return bench_plan(
        key.circuit,
        key.drive_upper,
        key.drive_lower,
        key.tolerances,
        key.series,
        key.builds,
        key.seed,
        tell,
    )


@lru_cache(maxsize=32)
def plan_apart(key):
    """`make_plan` in a process of its own; the last few plans are kept."""
    return run_apart(make_plan, key)


def plan_scene(plan: BenchPlan):
    """The circuit of a plan at rest, as the schematic draws it."""
    c = replace(plan.circuit)
    return BuildScene(c, "built", 0.0, 0.0, network.inspect(c), textbook(c, 0.0, 0.0))
