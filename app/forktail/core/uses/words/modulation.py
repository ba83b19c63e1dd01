"""What is said about AM, double sideband and single sideband."""

from forktail.core.quantities import format_fixed
from forktail.core.quantities import format_quantity as text_of
from forktail.core.uses.modulation import (
    AmplitudeModulation,
    AmRun,
    DoubleSideband,
    DsbRun,
    ModulationLaws,
    SingleSideband,
    SsbRun,
)
from forktail.core.uses.reference import Bench
from forktail.core.uses.result import show
from forktail.core.uses.words import CurveWords, Said, Told, divided, divisor, edges

RECORDS = {
    "carrier": "carrier",
    "modulating": "modulating input",
    "output": "output",
    "envelope": "envelope",
    "envelope_below": "envelope, mirrored",
}
SSB_RECORDS = {
    "tone": "tone, cell 1",
    "tone_shifted": "tone, cell 2",
    "first": "cell 1",
    "second": "cell 2",
    "output": "sum of both",
}


def _level_rule(b: Bench, more: str = "") -> str:
    inside, where = divisor(b, 1, 2)
    return f"I R A_c A_m{divided('8 VT^2', inside)}{more}{where}"


def am(s: AmplitudeModulation, b: Bench, m: AmRun, laws: ModulationLaws) -> Said:
    """Said of an AmRun and its laws."""
    f = m.figures
    linear, edge = text_of(laws.linear, "V"), text_of(laws.edge, "V")
    why = (
        f"when the modulating input passes {linear} (DC and peak together), where the lower pair "
        "bends by 1 %"
    )
    figures = {
        "depth": Told("Modulation depth", "tone amplitude / DC", f"It stops holding {why}."),
        "envelope_depth": Told(
            "Depth read off the envelope",
            "(max - min)/(max + min) = tone amplitude / DC, up to 100 %",
            "It stops telling the depth past 100 %, where the trough folds up and it reads 100 % "
            f"whatever the tone; and it stops holding {why}.",
        ),
        "sideband": Told(
            "One sideband over the carrier", "20 log10 (m / 2)", f"It stops holding {why}."
        ),
        "sideband_share": Told(
            "Part of the power in the sidebands",
            "(m^2/2) / (1 + m^2/2)",
            f"It stops holding {why}.",
        ),
        "total_power": Told(
            "Total power over carrier power", "1 + m^2/2", f"It stops holding {why}."
        ),
        "envelope_distortion": Told(
            "Distortion of the envelope",
            "that of |1 + m cos a|: none up to a depth of 100 %",
            f"The envelope stops being true when the tone passes {edge} peak: the carrier "
            f"reverses in the trough, and an envelope detector folds it up. The relation stops "
            f"holding {why}.",
        ),
        "edge": Told(
            "Tone at which modulation reaches 100 %",
            "the DC on the input",
            f"It stops holding when twice the DC passes {linear}; an offset of the lower pair adds "
            "to the DC.",
        ),
    }
    depth = show(f["depth"].value, "%")
    if not m.present:
        sentence = (
            "There is no DC on the modulating input, so no carrier comes out: this is double "
            "sideband, not AM."
        )
    elif m.over:
        sentence = (
            f"Over-modulated: a depth of {depth} reverses the carrier in each trough, so an "
            "envelope detector hears "
            f"{show(f['envelope_distortion'].value, '%')} distortion."
        )
    else:
        sentence = (
            f"The carrier of {text_of(m.carrier, 'V')} is modulated to a depth of {depth}; each "
            f"sideband is {show(abs(f['sideband'].value), 'dB')} below it and both hold "
            f"{show(f['sideband_share'].value, '%')} of the power."
        )
    curves = {
        "depth": CurveWords(
            "Depth against modulating amplitude",
            "modulating amplitude, peak",
            "depth",
            ("depth", "amplitude / DC", "over-modulation"),
            "Above 100 % the carrier reverses in the trough.",
        )
    }
    return Said(sentence, figures, curves)


def dsb(s: DoubleSideband, b: Bench, m: DsbRun, laws: ModulationLaws) -> Said:
    """Said of a DsbRun and its laws."""
    f = m.figures
    linear, series_end = text_of(laws.linear, "V"), text_of(laws.series_end, "V")
    own = text_of(-m.trim - s.offset, "V")
    third_inside, third_where = divisor(b, 3)
    bend = (
        f"It stops holding when DC and tone together pass {linear}, where the lower pair bends by "
        f"1 %, and when the offset of the lower pair, here {own}, adds to the DC."
    )
    figures = {
        "suppression": Told(
            "Carrier suppression, against one sideband",
            "20 log10 (tone amplitude / (2 |DC left|))",
            f"{bend} Against the peak of the envelope the same carrier counts 6 dB better.",
        ),
        "suppression_peak": Told(
            "Carrier suppression, against the peak envelope",
            "20 log10 ((tone amplitude + |DC left|) / |DC left|)",
            f"{bend} Transmitter practice counts against the peak envelope power, as here; "
            "measuring instruments often count against one sideband.",
        ),
        "best_trim": Told(
            "Trim that nulls the carrier",
            "minus the DC left over",
            "It stops holding when the lower pair has an offset; it then takes up that "
            f"too, here {own}.",
        ),
        "after_trim": Told(
            "Carrier suppression after that trim",
            "nothing but rounding for a matched cell",
            "40 dB stops holding when the trim drifts by more than "
            f"{text_of(s.tone_amplitude / 200.0, 'V')} (a hundredth of a sideband).",
        ),
        "tone_leak": Told(
            "Modulating tone, sideband over leak",
            "nothing but rounding for matched upper pairs",
            "It stops being high, 40 dB, when the upper pairs are mismatched: an offset on the "
            "upper input lets the tone through, as DC on the lower one does the carrier.",
        ),
        "sideband": Told(
            "Level of one sideband",
            _level_rule(b),
            f"It stops holding when {edges(b)}, where tanh bends by 1 %; a harder carrier then "
            "gives more level but no longer in proportion.",
        ),
        "third_order": Told(
            "Third-order sidebands",
            "the series of both pairs with their resistors"
            if b.r_emitter_upper
            else f"(A_m/VT)^2{divided('48', third_inside)}{third_where}",
            f"It stops holding when the tone passes {series_end}: the next term of the series "
            "then takes a tenth.",
        ),
    }
    suppression = f["suppression"].value
    if abs(m.left) <= s.tone_amplitude / 200.0 and suppression > 60.0:
        sentence = (
            f"The carrier is nulled: {show(suppression, 'dB')} under a sideband of "
            f"{text_of(m.one, 'V')}."
        )
    else:
        sentence = (
            f"{text_of(m.left, 'V')} of DC on the modulating input leaves the carrier "
            f"{show(abs(suppression), 'dB')} {'below' if suppression >= 0 else 'above'} each "
            f"sideband; a trim of {text_of(m.trim, 'V')} nulls it."
        )
    curves = {
        "suppression": CurveWords(
            "Carrier suppression against trim",
            "trim voltage",
            "suppression",
            ("suppression", "tone / (2 |DC|)"),
            "The peak is the null; it is drawn up to 100 dB.",
        )
    }
    return Said(sentence, figures, curves)


def ssb(s: SingleSideband, b: Bench, m: SsbRun, laws: ModulationLaws) -> Said:
    """Said of an SsbRun and its laws."""
    f = m.figures
    at = edges(b)
    left = show(f["carrier"].value, "dB")
    net, apart = abs(m.net), abs(s.amplitude_error)
    offset = "It stops being high, 40 dB, when either cell has an offset on its lower pair."
    figures = {
        "rejection": Told(
            "Image rejection, wanted over other sideband",
            "10 log10((1 + 2a cos p + a^2) / (1 - 2a cos p + a^2))",
            "It stops holding when the two cells differ in more than gain and phase, or the loads "
            f"treat the sidebands unlike; the carrier is now {left} below the wanted sideband.",
        ),
        "wanted": Told(
            "Level of the wanted sideband",
            _level_rule(b, " from each cell, added"),
            f"It stops holding when {at}, where tanh bends by 1 %.",
        ),
        "image": Told(
            "Level of the other sideband", "the same, subtracted", f"It stops holding when {at}."
        ),
        "carrier": Told(
            "Carrier suppression, against the sideband",
            "nothing but rounding for matched cells",
            offset,
        ),
        "carrier_peak": Told(
            "Carrier suppression, against the peak envelope",
            "with one tone the peak envelope is the sideband itself",
            f"{offset} With two tones of equal size, as transmitters are tested, each is 6 dB "
            "under the peak envelope.",
        ),
        "allowed_phase": Told(
            "Phase error that leaves 40 dB",
            "2 arctan(10^(-40/20)), equal amplitudes",
            f"40 dB stops holding when the phase error passes "
            f"{format_fixed(laws.phase_40, 2)} degrees; now it is {format_fixed(net, 2)} degrees.",
        ),
        "allowed_amplitude": Told(
            "Gain difference that leaves 40 dB",
            "2 / (10^(40/20) - 1), no phase error",
            "40 dB stops holding when the gains differ by more than "
            f"{format_fixed(laws.amplitude_40, 2, '%')}; now it is {format_fixed(apart, 2, '%')}.",
        ),
    }
    rejection = f["rejection"].value
    gone = "is gone" if rejection >= 200.0 else f"{format_fixed(rejection, 1, 'dB')} below it"
    sentence = (
        f"The {s.sideband} sideband comes out at {text_of(f['wanted'].value, 'V')}, the other "
        f"{gone}: the two cells differ by {net:.3g} degrees and {apart:.3g} %."
    )
    curves = {
        "phase": CurveWords(
            "Image rejection against phase error",
            "phase error",
            "image rejection",
            (
                f"gain difference {s.amplitude_error:.3g} %",
                "equal gains",
                "gain difference 10 %",
            ),
            "The curves are the relation, the point is the two cells; drawn up to 80 dB.",
        ),
        "amplitude": CurveWords(
            "Image rejection against gain difference",
            "gain difference",
            "image rejection",
            (f"phase error {net:.3g} degrees", "no phase error", "phase error 5 degrees"),
            "Either error alone caps the rejection.",
        ),
    }
    return Said(sentence, figures, curves)
