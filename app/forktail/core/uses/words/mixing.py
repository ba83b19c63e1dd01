"""What is said about the mixer."""

from typing import TYPE_CHECKING

from forktail.core.quantities import format_quantity as text_of
from forktail.core.uses.reference import Bench
from forktail.core.uses.result import show
from forktail.core.uses.words import CurveWords, Said, Told, divided, divisor
from forktail.core.uses.words import noise as words_noise

if TYPE_CHECKING:
    from forktail.core.uses.mixing import Mixer, MixerLaws, MixerRun

RECORDS = {
    "oscillator": "local oscillator",
    "signal": "signal",
    "output": "output",
    "wanted": "wanted product alone",
    "call": "call (invented)",
    "heard": "after the low-pass",
}
CALL = "An invented call, brought down by the cell itself. "


def mixer(s: "Mixer", b: Bench, m: "MixerRun", laws: "MixerLaws") -> Said:
    """Said of a MixerRun and its MixerLaws."""
    f = m.figures
    inside, where = divisor(b, 1)
    soft_inside, soft_where = divisor(b, 1, 2)
    signal_end = text_of(laws.signal_end, "V")
    if laws.hard:
        rule = f"2/pi x gm R{divided('', inside)} (hard switching){where}"
        stops = (
            f"It stops holding when the oscillator is under {text_of(laws.hard_start, 'V')} peak, "
            "where switching is soft and the gain is 1 dB short"
        )
    else:
        rule = f"gm R A{divided('4 VT', soft_inside)} (small drive){soft_where}"
        stops = (
            f"It stops holding when the oscillator passes {text_of(laws.soft_end, 'V')} peak, "
            "where the bend of the upper pairs moves the gain by 1 dB"
        )
    stops += f", or the signal passes {signal_end} in all."
    low, high = sorted((m.f_wanted, m.f_other))
    image = text_of(m.f_image, "Hz", 4)
    tones_end = text_of(laws.tones_end, "V")
    third_inside, third_where = divisor(b, 3)
    widened = " (1 + gm RE)^1.5" if b.r_emitter_lower else ""
    unlike = m.two and s.signal_amplitude != s.second_amplitude
    figures = {
        "conversion_gain": Told("Conversion gain", rule, stops),
        "conversion_gain_db": Told("Conversion gain", f"20 log10 of {rule}", stops),
        "hard_limit": Told(
            "Share of the gain of hard switching",
            "Fourier part of tanh(x cos a) over 4/pi, x = A/2VT"
            if not b.r_emitter_upper
            else "Fourier part of the upper pairs with their resistors over 4/pi",
            "It stops holding when the oscillator reaches the upper pairs weaker than it is set. "
            f"Switching is hard, to 1 dB, from {text_of(laws.hard_start, 'V')} peak; the gain of "
            "hard switching is that of this very cell.",
        ),
        "other_product": Told(
            "The other product over the wanted one",
            "0 dB: sum and difference are equal",
            "It stops holding when a load pole lies between "
            f"{text_of(low, 'Hz')} and {text_of(high, 'Hz')}, or not far above.",
        ),
        "image": Told(
            f"Image rejection, image at {image}",
            "0 dB: one cell cannot tell the two apart",
            "It stops holding when a filter ahead of the cell, or a second cell by phasing, "
            f"weakens {image}.",
        ),
        "compression": Told(
            "Input at 1 dB compression, peak",
            "the pair alone is 1 dB short: 9.0 dB under 4 VT"
            if not b.r_emitter_lower
            else "the pair with its resistors alone is 1 dB short",
            "It stops holding when something else than the bend of the lower pair takes the gain; "
            "the series up to the third order alone would put it 9.6 dB under the intercept.",
        ),
        "third_order": Told(
            "Two-tone product, over the tones",
            (
                "the series of both pairs with their resistors"
                if b.r_emitter_upper
                else f"larger of a1^2 a2 and a1 a2^2 over mean x 16 VT^2{third_inside}{third_where}"
                if unlike
                else f"(A/VT)^2{divided('16', third_inside)}{third_where}"
            ),
            f"It stops holding when a tone passes {tones_end} peak, where the next term of the "
            "series takes a tenth" + ("." if m.two else "; now the second tone is off."),
        ),
        "intercept": Told(
            "Input intercept of third order, peak",
            f"4 VT{widened}",
            "It is a point of the straight lines, extended from small signals: tones up to "
            f"{tones_end} follow the lines. It stops holding when the signal does not reach the "
            "lower pair whole.",
        ),
        "oscillator_leak": Told(
            "Wanted product over oscillator leak",
            "no leak from a matched cell",
            "It stops being high, 40 dB, when the lower pair has an offset: it unbalances the "
            "two upper pairs.",
        ),
        "signal_leak": Told(
            "Wanted product over signal leak",
            "no leak from a matched cell",
            "It stops being high, 40 dB, when the upper pairs have an offset.",
        ),
        **words_noise.figures(b, m.noise, s.noise_band),
    }
    sentence = (
        f"The {text_of(m.window.used[1], 'Hz', 4)} signal is brought {s.wanted} to "
        f"{text_of(m.f_wanted, 'Hz', 4)} with a gain of {show(f['conversion_gain'].value, '')} "
        f"({show(f['conversion_gain_db'].value, 'dB')}); the oscillator switches "
        f"{show(f['hard_limit'].value, '%')} of what it would if driven hard."
    )
    return Said(sentence, figures, _curves(b))


def _curves(b: Bench) -> dict[str, CurveWords]:
    hard, _ = divisor(b, 1)
    soft, _ = divisor(b, 1, 2)
    return {
        "gain": CurveWords(
            "Conversion gain against oscillator",
            "oscillator, peak",
            "conversion gain",
            (
                "conversion gain",
                f"gm R A{divided('4 VT', soft)}",
                f"2/pi x gm R{divided('', hard)}",
            ),
            "A soft oscillator gives gain in proportion; a hard one gives all there is.",
        ),
        "two_tone": CurveWords(
            "Tones and third-order products",
            "each of two tones, peak",
            "output",
            ("each tone", "2 f1 \u2212 f2", "1 dB per dB", "3 dB per dB"),
            "The straight lines meet at the intercept; dB over 1 V peak.",
        ),
        "compression": CurveWords(
            "Compression",
            "signal, peak",
            "gain lost",
            ("gain lost",),
            "The signal that loses 1 dB is the compression point.",
        ),
    }
