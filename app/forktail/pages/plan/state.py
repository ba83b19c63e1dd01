"""Which plan is asked for: the circuit and settings of a Build page link, and its answer."""

from dataclasses import replace
from functools import lru_cache

from forktail.core.bench.plan import BenchPlan, PlanQuestion, bench_plan, hold_waves
from forktail.core.built import network
from forktail.pages.build.state import BuildScene, BuildState, textbook
from forktail.ui.jobs import run_apart

#: Most builds of a plan: the bands do not get better, only later.
MAX_BUILDS = 2000


def plan_question(build):
    """What a `BuildState` asks for: the bench plan of its circuit.

    Raises
    ------
    QuantityError
        If a drive is zero: a plan needs waves to show.
    """
    builds = min(build.builds, MAX_BUILDS)
    question = build.made(PlanQuestion, tolerances=build.tolerances(), builds=builds)
    hold_waves(question)
    return question


def question_of_query(query):
    """The plan of a Build page link: (question, sentences for what was not understood)."""
    build = BuildState()
    problems = build.apply_query(query) if query else []
    if problems:
        head = "Not all of the link was understood; these parts are at their defaults:"
        problems = [head, *problems]
    return plan_question(build), problems


def question_of_file(text, **settings):
    """The plan of a circuit file, whose [scene] may hold drives and spreads.

    Parameters
    ----------
    text : str
    **settings
        Settings of the Build page, SI, over those of the file.

    Returns
    -------
    question : PlanQuestion
    remarks : list of str
        One sentence for each thing that was not understood or taken for granted.

    Raises
    ------
    QuantityError
        As `circuit_texts.read_circuit_file` and `plan_question`.
    """
    build = BuildState()
    remarks = build.apply_file(text)
    build.param.update(**settings)
    return plan_question(build), remarks


@lru_cache(maxsize=32)
def plan_apart(question):
    """`bench_plan` in a separate process; the last few plans are kept."""
    return run_apart(bench_plan, question)


def plan_scene(plan: BenchPlan):
    """The circuit of a plan at rest, as the schematic draws it."""
    c = replace(plan.circuit)
    return BuildScene(c, "built", 0.0, 0.0, network.inspect(c), textbook(c, 0.0, 0.0))
