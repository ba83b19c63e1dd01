"""What is said about the variable gain and the loop that controls it."""

import math
from dataclasses import replace

from forktail.core.built.supply import HUM
from forktail.core.quantities import format_fixed, format_signed
from forktail.core.quantities import format_quantity as text_of
from forktail.core.uses.gain import (
    GainControlLoop,
    GainLaws,
    GainRun,
    LoopLaws,
    LoopRun,
    VariableGain,
)
from forktail.core.uses.reference import Bench
from forktail.core.uses.result import show
from forktail.core.uses.words import CurveWords, Said, Told
from forktail.core.uses.words import noise as words_noise

GAIN_RECORDS = {"input": "signal in", "output": "output"}
LOOP_RECORDS = {
    "signal": "signal level in",
    "level": "output level",
    "detected": "detector output",
    "wanted": "wanted level",
    "control": "control voltage",
    "settled_input": "signal, settled",
    "settled_output": "output, settled",
    "settled_ripple": "ripple of the control",
}


def _gain_rule(b: Bench) -> str:
    """The law of the gain in words, with emitter resistors where there are some."""
    lower, upper = b.r_emitter_lower, b.r_emitter_upper
    if upper:
        return "gm R / (1 + gm RE) of the left upper pair less that of the right one"
    if lower:
        return "gm R (I5 - I6)/I, v_control = VT ln(I5/I6) + RE (I5 - I6)"
    return "gm R tanh(v_control / 2VT)"


def _range_rule(s: VariableGain, b: Bench) -> str:
    """The law of the range in words."""
    if not s.arctanh:
        return (
            "where the law of one pair makes 1 %"
            if b.r_emitter_upper
            else "VT sqrt(48 1 %), and 1.5 % for the next term"
        )
    return "VT sqrt(48 1 % / (1 - 1/(1 + gm RE)^3)), at most 2 VT" if b.r_emitter_upper else "2 VT"


def _kelvin_rule(b: Bench) -> str:
    """The law of the gain with temperature in words."""
    tail = f"{format_fixed(100.0 * b.tail_law.per_kelvin, 3, '%/K', sign=True)} of the tail"
    moves = f"tail current ({tail}) less 1/T"
    return f"({moves}) / (1 + gm RE)" if b.r_emitter_upper else moves


def _hum_rule(b: Bench) -> str:
    """The law of the hum in words."""
    tail = b.tail_law
    if not tail.share:
        return "none with an ideal tail"
    slow = f"{100.0 * tail.per_volt:.3g} %/V of the tail"
    return f"{slow} / sqrt(1 + (f/{text_of(tail.corner, 'Hz')})^2)"


def gain(s: VariableGain, b: Bench, m: GainRun, laws: GainLaws) -> Said:
    """Said of a GainRun and its GainLaws."""
    f = m.figures
    rule = _gain_rule(b)
    straight, least = text_of(laws.straight, "V"), text_of(laws.least, "V")
    null, drift = text_of(f["null"].value, "V"), text_of(s.drift, "V")
    fullest, linear = text_of(laws.fullest, "V"), text_of(f["control_range"].value, "V")
    series_end, reach = text_of(laws.series_end, "V"), b.tail_law.reach
    figures = {
        "gain": Told(
            "Gain, with its sign",
            rule,
            f"It stops holding when the signal passes {straight} peak, where the bend of the "
            "upper pairs moves the gain by 1 %.",
        ),
        "gain_db": Told(
            "Size of the gain",
            f"20 log10 |{rule}|",
            f"It stops holding when the signal passes {straight} peak.",
        ),
        "opposite": Told(
            "Gain with the control reversed",
            "the same size, the opposite sign",
            "It stops holding when the control is not large against the offset of the lower "
            f"pair, here {null}.",
        ),
        "largest": Told(
            "Largest gain",
            "gm R / (1 + gm RE), all current in one pair"
            if b.r_emitter_upper
            else "gm R = I R / 2VT",
            f"It is reached when the control passes about {fullest}; it stops holding when the "
            "beta or the Early voltage of the transistors is low.",
        ),
        "null": Told(
            "Control voltage of zero gain",
            "0 V for matched pairs",
            "It stops holding when the lower pair is mismatched by more than the drift of "
            f"{drift}.",
        ),
        "control_range": Told(
            "Control for gain in proportion, to 1 %",
            "tanh(v/2VT) 1 % short of v/2VT"
            if rule.startswith("gm R tanh")
            else "the laws of both pairs 1 % off their tangent",
            f"Proportion stops holding when the control is past {linear}, because the lower pair "
            "bends.",
        ),
        "usable_range": Told(
            "Usable range of gain",
            "largest gain over the gain at which the drift makes 1 dB",
            f"It stops holding when the control comes within {least} of its zero: a drift of "
            f"{drift} then moves the gain by more than 1 dB.",
        ),
        "hd3": Told(
            "Third harmonic",
            "none up to 2 VT"
            if s.arctanh and not b.r_emitter_upper
            else "(A/VT)^2 / 48, both upper pairs with their resistors"
            if b.r_emitter_upper
            else "(A/VT)^2 / 48",
            f"It stops holding when the signal passes {series_end} peak: the next term of the "
            "series then takes a tenth."
            if not s.arctanh
            else f"It stops holding when the signal passes {series_end} peak: the current of the "
            "arctanh stage is then used up.",
        ),
        "range": Told(
            "Signal for 1 % third harmonic, full control",
            _range_rule(s, b),
            "It stops holding when the source loads the bases, or when an offset bends the pairs.",
        ),
        "range_won": Told(
            "Range that an arctanh stage adds",
            f"20 log10 ({_range_rule(replace(s, arctanh=True), b)} over "
            f"{_range_rule(replace(s, arctanh=False), b)})",
            "It stops holding when the source loads the bases, for the stage then bends too much.",
        ),
        "per_kelvin": Told(
            "Change of the largest gain per kelvin",
            _kelvin_rule(b),
            "It stops holding when the bases load their source, for the current gain moves the "
            "drive then, or when a transistor saturates.",
        ),
        "hum": Told(
            f"Modulation of the gain by 1 V of hum at {text_of(HUM, 'Hz')}",
            _hum_rule(b),
            f"It stops holding when the hum passes {text_of(reach, 'Hz')}, where more than one "
            "capacitor keeps it off."
            if math.isfinite(reach)
            else "It stops holding in a built cell, where hum on the supply moves the tail current."
            if not b.tail_law.share
            else "It stops holding when the hum is so large that it starves the tail.",
        ),
        **words_noise.figures(b, m.noise, s.noise_band),
    }
    if m.audible:
        way = "in phase with" if f["gain"].value > 0 else "inverted against"
        base = abs(f["gain"].value) * s.amplitude
        sentence = (
            f"A control of {text_of(s.control, 'V')} sets a gain of {f['gain'].value:+.3g} "
            f"({show(f['gain_db'].value, 'dB')}): the output, {text_of(base, 'V')} peak, is "
            f"{way} the input."
        )
    else:
        sentence = (
            f"A control of {text_of(s.control, 'V')} sets no gain: the two upper pairs get equal "
            "currents and cancel."
        )
    law = "|gm R tanh(v/2VT)|" if rule.startswith("gm R tanh") else "laws of the pairs"
    curves = {
        "db": CurveWords(
            "Gain against control voltage",
            "control voltage",
            "gain",
            ("gain", law),
            "Equal control of either sign gives the same size of gain; at the dip the two upper "
            "pairs cancel.",
        ),
        "signed": CurveWords(
            "Gain with its sign",
            "control voltage",
            "gain",
            ("gain", law.strip("|")),
            "Through zero the output inverts.",
        ),
        "third": CurveWords(
            "Third harmonic against signal",
            "signal, peak",
            "third harmonic",
            (
                "third harmonic",
                "series of the pairs" if b.r_emitter_upper or s.arctanh else "(A/VT)^2 / 48",
            ),
            "Up to 2 VT the arctanh stage undoes the bend of the pairs; past that the wave is "
            "clipped."
            if s.arctanh
            else "The law of the series holds for small signals and promises too much distortion "
            "for large ones.",
        ),
    }
    ideal = "The arctanh stage is taken as ideal: its own noise and offset are left out."
    notes = (ideal,) if s.arctanh else ()
    return Said(sentence, figures, curves, notes=notes)


def loop(s: GainControlLoop, b: Bench, m: LoopRun, laws: LoopLaws) -> Said:
    """Said of a LoopRun and its LoopLaws."""
    f = m.figures
    rings, least, quick = text_of(m.rings, "s"), text_of(m.least, "V"), text_of(laws.quick, "s")
    tenth = text_of(laws.relations["ripple"].limit or 0.0, "V")
    figures = {
        "attack": Told(
            "Settling when the signal grows, to 5 %",
            "(T / D) ln(step error / 5 %), D = slope of level over control",
            "It stops holding when the integrator time is under 4 D x detector time = "
            f"{rings}, where the loop rings, and for steps so large that the slope changes on the "
            "way.",
        ),
        "release": Told(
            "Settling when the signal falls, to 5 %",
            "(T / D) ln(step error / 5 %) at the weaker signal",
            f"It stops holding when the signal is under {least} peak, where the control is at its "
            "limit.",
        ),
        "damping": Told(
            "Damping of the loop at the louder signal",
            "half of sqrt(T / (D x detector time)), D of the laws of the pairs; 1 is the edge of "
            "ringing",
            f"It stops being calm when the integrator time is under {rings}.",
        ),
        "overshoot": Told(
            "Swing beyond the final level",
            "none when the damping is 1 or more",
            f"It stops holding when the integrator time is under {rings}, or when a large step "
            "drives the loop where its slope is steeper.",
        ),
        "held": Told(
            "Output level after the step",
            "the wanted level",
            f"It stops holding when the signal is under {least} peak: even the largest control "
            "cannot raise it to the wanted level.",
        ),
        "least_input": Told(
            "Weakest signal that is still held",
            "wanted level over the gain at the largest control",
            "It stops holding when the wanted level comes near the largest output I R = "
            f"{text_of(b.full_scale, 'V')}.",
        ),
        "ripple": Told(
            "Ripple of the control, peak to peak",
            "4/3 level / (2w T sqrt(1 + (2w detector time)^2))",
            f"It stops holding when the ripple is more than a tenth of the control, here {tenth}: "
            "it then changes the wave that it is made of.",
        ),
        "hd3": Told(
            "Third harmonic of the settled output",
            "from the bend of the upper pairs alone: (A/VT)^2 / 48",
            f"It stops holding when the integrator time is under {quick}: the ripple then adds a "
            "tenth or more by moving the gain twice in each cycle.",
        ),
    }
    if m.held:
        before, after = (text_of(v, "V") for v in m.settled)
        sentence = (
            f"A step of {format_signed(s.step, 'dB')} is brought back to "
            f"{text_of(f['held'].value, 'V')} in {text_of(m.after, 's')}, the step back in "
            f"{text_of(m.back, 's')}; the control moves from {before} to {after}."
        )
    else:
        sentence = (
            f"The loop runs out of gain: under {least} of signal the control is at its limit of "
            f"{text_of(s.control_limit, 'V')} and the output stays below {text_of(s.wanted, 'V')}."
        )
    curves = {
        "fast": CurveWords(
            "Fast or smooth",
            "settling time",
            "ripple of the control",
            (),
            "A shorter integrator time settles sooner and lets more ripple through; past the edge "
            "of ringing it does not settle sooner any more.",
        ),
        "held": CurveWords(
            "Output held against the signal",
            "signal, peak",
            "output level",
            ("with the loop", "largest gain, no loop"),
            "Below the knee the control is at its limit.",
        ),
    }
    window = (
        f"One cycle of {text_of(s.frequency, 'Hz')}, {m.cycle.shape[1]} samples, for the spectrum; "
        f"the step response spans {text_of(float(m.t[-1]), 's')}."
    )
    return Said(sentence, figures, curves, window=window)
