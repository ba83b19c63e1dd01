"""What is said about the noise of a use."""

import math

from forktail.core.quantities import format_quantity as text_of
from forktail.core.uses.noise import HEARD_DB, NoiseRun
from forktail.core.uses.reference import Bench
from forktail.core.uses.words import Told

#: Families of parts, as they are told.
FAMILIES = {
    "source_upper": "source of the upper input",
    "source_lower": "source of the lower input",
    "lines": "terminations and bias resistors",
    "lower": "lower pair, Q5 and Q6",
    "upper": "upper pairs, Q1 to Q4",
    "emitters": "emitter resistors",
    "loads": "loads",
    "tail": "tail",
}
#: What a board has on top.
LEFT_OUT = (
    "Left out are flicker noise, which counts below about a kilohertz, and the resistance of the "
    "bases, which counts beside a source under about 100 \u03a9."
)
#: Families under this many per cent are not told.
LEAST = 0.05


def parts(n: NoiseRun) -> tuple[tuple[str, float], ...]:
    """What makes the noise: (name, % of its power), the largest first."""
    told = [(FAMILIES[family], 100.0 * share) for family, share in n.shares.items()]
    return tuple(sorted((part for part in told if part[1] >= LEAST), key=lambda part: -part[1]))


def figures(b: Bench, n: NoiseRun, band: float) -> dict[str, Told]:
    """Said of the figures of `noise.figures_of`."""
    resistors = ["loads"]
    if b.r_emitter_upper or b.r_emitter_lower:
        resistors.append("emitter resistors")
    if b.built:
        resistors += ["source", "bias"]
    listed = ", ".join(resistors[:-1]) + " and " * (len(resistors) > 1) + resistors[-1]
    rule = f"2 q I of the collectors, 4 k T R of {listed}, each by its gain"
    if resistors == ["loads"]:
        rule = "root of (2 q I R^2 + 8 k T R)"
    ends = "base currents add their own"
    if not b.built:
        ends += " and a source its own, as in a built cell"
    pole = b.path.load_pole
    if math.isfinite(pole):
        ends += f", or when the load pole of {text_of(pole, 'Hz')} takes a part of it"
    stops = f"It stops holding when {ends}."
    width, over = text_of(band, "Hz"), f"{HEARD_DB:g} dB"
    found = {
        "noise_output": Told("Noise at the output", rule, stops),
        "noise_input": Told(
            "Noise as seen from the input",
            f"{rule}, over the gain",
            f"{stops[:-1]}, or when the gain is off its own relation.",
        ),
        "noise_rms": Told(
            f"Noise in {width}, output, rms", f"{rule}, times root of {width}", stops
        ),
        "faintest": Told(
            f"Faintest signal, {over} over the noise, peak",
            f"noise at the input times root of 2 x {10.0 ** (HEARD_DB / 10.0):g} x {width}",
            f"{stops[:-1]}; a real ear or receiver may need less or more than {over}.",
        ),
        "noise_range": Told(
            "From the faintest signal to 1 dB compression",
            "range of the pair over the faintest signal",
            f"{stops[:-1]}, or when the signal reaches its pair weaker than it is set.",
        ),
        "noise_figure": Told(
            "Noise figure, one band, source at 290 K",
            "noise at the input over 4 k T R of the source, as bias resistors leave it",
            stops,
        ),
    }
    return {key: told for key, told in found.items() if key != "noise_figure" or n.factor > 0.0}
