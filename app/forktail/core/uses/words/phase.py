"""What is said about the phase detector and the squarer."""

from forktail.core.quantities import format_fixed
from forktail.core.quantities import format_quantity as text_of
from forktail.core.uses.phase import (
    DetectorLaws,
    DetectorRun,
    PhaseDetector,
    Squarer,
    SquarerLaws,
    SquarerRun,
)
from forktail.core.uses.reference import Bench
from forktail.core.uses.result import show
from forktail.core.uses.words import CurveWords, Said, Told, divided, divisor

DETECTOR_RECORDS = {
    "upper": "upper input",
    "lower": "lower input",
    "output": "output",
    "mean": "mean output",
}
SQUARER_RECORDS = {"upper": "upper input", "lower": "lower input", "output": "output"}


def detector(s: PhaseDetector, b: Bench, m: DetectorRun, laws: DetectorLaws) -> Said:
    """Said of a DetectorRun and its DetectorLaws."""
    f = m.figures
    square = s.shape == "square"
    shape = "triangle" if laws.hard else "cosine"

    def stops(edge: float, short: str = " It is about 1 dB short there.") -> str:
        if square:
            return (
                "It stops holding when the edges of the square waves are no longer steep against "
                "the phase that is measured."
            )
        if laws.hard:
            return (
                f"It stops holding when either drive is under {text_of(edge, 'V')} peak: the "
                f"triangle then rounds off towards a cosine.{short}"
            )
        return (
            f"It stops holding when either drive passes {text_of(laws.ends.soft, 'V')} peak: the "
            "cosine then straightens towards a triangle. With both drives there the mean is 1 dB "
            "short."
        )

    inside, where = divisor(b, 1, 2)
    if square:
        top = "I R tanh(A_u/2VT) tanh(A_l/2VT)"
        if b.r_emitter_lower or b.r_emitter_upper:
            top = "I R times what the square waves steer"
        rule, slope_rule, swing_rule = f"{top} (1 - 2 |phase| / 180)", f"2/pi x {top}", top
    elif laws.hard:
        rule, slope_rule, swing_rule = "I R (1 - 2 |phase| / 180)", "2 I R / pi", "I R"
    else:
        swing_rule = f"I R A_u A_l / (8 VT^2{inside}){where}"
        rule, slope_rule = f"I R A_u A_l / (8 VT^2{inside}) x cos(phase){where}", swing_rule
    bent = laws.relations["straightness"].value or 0.0
    moved = "less than 0.01" if m.moved < 0.01 else f"{m.moved:.2g}"
    swing_stops = stops(laws.ends.swing)
    if laws.hard and not square:
        swing_stops += " The tip of the triangle is the last to fill: this limit is its own."
    figures = {
        "output": Told("Mean output at the phase set", rule, stops(laws.ends.slope)),
        "slope": Told("Slope at 90 degrees, falling", slope_rule, stops(laws.ends.slope)),
        "zero": Told(
            "Phase of zero output",
            "90 degrees",
            "It stops holding when both inputs have an offset, for their product adds to the "
            f"mean: {text_of(m.bias, 'V')} on each moves it by {moved} degrees here; and when the "
            "feeds of the two inputs turn the phase unlike.",
        ),
        "swing": Told("Largest mean output", swing_rule, swing_stops),
        "straightness": Told(
            "Short of a straight line at 45 degrees from zero",
            f"{format_fixed(bent, 0, '%')} for a {shape}",
            stops(laws.ends.straight, ""),
        ),
        "lock_range": Told(
            "Hint: a loop can hold to either side",
            "largest mean x pull",
            f"{swing_stops} It is a hint: a loop filter that lets less than the full mean through "
            "holds less, and lock is lost when the phase leaves its zero by more than 90 degrees.",
        ),
    }
    sentence = (
        f"At {format_fixed(s.phase, 1, 'degrees', sign=True)} the mean output is "
        f"{show(f['output'].value, 'V')}; the characteristic is "
        f"{'close to' if laws.close else 'on its way to'} a {shape}, "
        f"zero at {format_fixed(f['zero'].value, 1, 'degrees')}, "
        f"{text_of(abs(f['slope'].value), 'V/rad')} steep there."
    )
    curves = {
        "characteristic": CurveWords(
            "Mean output against phase",
            "phase",
            "mean output",
            ("mean output", shape),
            "Zero at 90 degrees; small drive gives a cosine, hard drive a triangle.",
        ),
        "slope": CurveWords(
            "Slope against drive",
            "both drives, peak",
            "slope",
            ("slope at 90 degrees", "small drive", "2 I R/pi"),
            "Past hard drive the slope no longer depends on the level of the echo.",
        ),
    }
    return Said(
        sentence, figures, curves, window=_window(s, "mean in steps of 0.1 degrees" * square)
    )


def squarer(s: Squarer, b: Bench, m: SquarerRun, laws: SquarerLaws) -> Said:
    """Said of a SquarerRun and its SquarerLaws."""
    f = m.figures
    edge, fourth_end = text_of(laws.ends.square, "V"), text_of(laws.ends.fourth, "V")
    bend = f"the amplitude passes {edge} peak, where the bend of the pairs moves it by a tenth"
    inside, where = divisor(b, 1, 2)
    figures = {
        "second": Told(
            "Level at twice the frequency",
            f"I R A^2 / (8 VT^2{inside}){where}",
            f"It stops holding when {bend}.",
        ),
        "residual": Told(
            "Second harmonic over the fundamental left",
            "20 log10 (A / (2 |sum of both offsets|))",
            f"It stops holding when {bend}, or when the pairs have offsets: 40 dB "
            f"needs a sum under {text_of(s.amplitude / 200.0, 'V')}.",
        ),
        "dc": Told(
            "DC at the output",
            f"I R A^2 cos(phase) / (8 VT^2{inside}){where}",
            f"It stops holding when {bend}.",
        ),
        "fourth": Told(
            "Fourth harmonic over the second",
            "(A/VT)^2 / 24" if not where else "the series of both pairs with their resistors",
            f"It stops holding when the amplitude passes {fourth_end} peak, where it is a tenth "
            "off, or the phase is not 0.",
        ),
        "purity": Told(
            "All other lines over the second harmonic",
            "2 |sum of both offsets| / A",
            "It stops holding when the fourth harmonic is the larger part.",
        ),
    }
    residual = f["residual"].value
    sentence = (
        f"{text_of(s.frequency, 'Hz', 4)} becomes {text_of(2 * s.frequency, 'Hz', 4)} at "
        f"{text_of(f['second'].value, 'V')} peak; the fundamental is left "
        f"{show(abs(residual), 'dB')} {'below' if residual >= 0 else 'above'} it, and "
        f"{show(f['dc'].value, 'V')} of DC comes with it."
    )
    if not f["second"].value:
        sentence = (
            f"Nothing is left at {text_of(2 * s.frequency, 'Hz', 4)}: the DC at the inputs holds "
            f"the pairs at a limit, and the output stays at {show(f['dc'].value, 'V')}."
        )
    curves = {
        "lines": CurveWords(
            "Lines against amplitude",
            "both inputs, peak",
            "line",
            ("2 f", "f left over", "4 f", f"I R A^2{divided('8 VT^2', inside)}"),
            "dB over 1 V peak; past the bend the square flattens and the fourth harmonic grows.",
        ),
        "trim": CurveWords(
            "Fundamental left against trim",
            "trim on the lower input",
            "2 f over f",
            ("2 f over f",),
            "One trim nulls the sum of both offsets; drawn up to 100 dB.",
        ),
    }
    return Said(sentence, figures, curves, window=_window(s))


def _window(s: PhaseDetector | Squarer, more: str = "") -> str:
    text = f"4 cycles of {text_of(s.frequency, 'Hz')} are drawn"
    return f"{text}; {more}." if more else f"{text}."
