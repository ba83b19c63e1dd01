"""Three uses that put a tone on a carrier: AM, double sideband, single sideband by phasing.

The carrier goes to the upper input, the modulating tone to the lower one.
Relations: Haykin, Communication Systems; handbook relation for the phasing method; series of the
pairs with emitter resistors, Gray, Hurst, Lewis, Meyer, Analysis and Design of Analog Integrated
Circuits, chapter 3.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike

from forktail.core.checks import Floats, QuantityError
from forktail.core.models import Solver, TextbookCell
from forktail.core.quantities import format_quantity
from forktail.core.spec import checked, choice, number, setting, spec
from forktail.core.uses.reference import CALL, Bench, bench, needs
from forktail.core.uses.result import (
    LOUD,
    Curve,
    Figure,
    Listen,
    Relation,
    Shown,
    Trace,
    dense,
    time_trace,
)
from forktail.core.uses.steady import Table, roomy
from forktail.core.waves import drives
from forktail.core.waves.lines import Lines
from forktail.core.waves.spectrum import Tone, decibel, level_ratio

#: What the three uses share.
_CARRIER = spec(
    "amplitude",
    default=8e-3,
    label="Carrier amplitude",
    slider=(1e-3, 0.2),
    part="use",
    doc="Peak voltage of the carrier on the upper input.",
)
_CARRIER_FREQUENCY = CALL.at(label="Carrier frequency")
_TONE = spec(
    "amplitude",
    default=5e-3,
    label="Modulating amplitude",
    slider=(1e-4, 0.05),
    step=1e-4,
    part="use",
    doc="Peak voltage of the tone on the lower input.",
)
_TONE_FREQUENCY = spec(
    "frequency",
    default=2e3,
    label="Modulating frequency",
    slider=(100.0, 10e3),
    step=100.0,
    even="steps",
    part="use",
    doc="Of the tone on the lower input, Hz.",
)


# ---------------------------------------------------------------- what the three share


class Modulated(Protocol):
    """What the settings of all three say of carrier and tone."""

    @property
    def carrier_amplitude(self) -> float: ...
    @property
    def carrier_frequency(self) -> float: ...
    @property
    def tone_amplitude(self) -> float: ...
    @property
    def tone_frequency(self) -> float: ...


@dataclass(frozen=True)
class Modulation:
    """A carrier and a tone at the cell.

    `table` holds the cell over the phase of the carrier and the voltage of the lower input;
    `carrier` and `tone` are (peak V, phase rad) as they reach it; `dc` V on the lower input;
    `behind` the factor of the loads at the carrier and at both sidebands.
    """

    b: Bench
    window: drives.Window
    tones: tuple[Tone, ...]
    table: Table
    carrier: tuple[float, float]
    tone: tuple[float, float]
    dc: float

    @property
    def kc(self) -> int:
        """Cycles of the carrier in the window."""
        return self.tones[0].cycles

    @property
    def km(self) -> int:
        """Cycles of the tone in the window."""
        return self.tones[1].cycles

    def lines(
        self, dc: float | None = None, carrier_turn: float = 0.0, tone_turn: float = 0.0
    ) -> Lines:
        """Lines behind the loads, with the DC, V, and further turns of both waves, rad."""
        found = self.table.lines(
            self.dc if dc is None else dc,
            ((self.tone[0], self.tone[1] + tone_turn),),
            self.window.duration,
            self.carrier[1] + carrier_turn,
            self.tones,
        )
        return found.behind(self.b.path.load_response)

    def static(self, dc: ArrayLike, tone: ArrayLike) -> tuple[Floats, Floats]:
        """Peak of the carrier, with its sign, and of one sideband, V, behind the loads at the
        carrier, for arrays of DC and tone peak in V that fit together."""
        angle = np.pi * (np.arange(16) + 0.5) / 16
        dc, tone = np.asarray(dc)[..., None], np.asarray(tone)[..., None]
        part = self.fundamental(dc + tone * np.cos(angle))
        loads = float(abs(self.b.path.load_response(self.window.used[0])))
        return loads * np.mean(part, axis=-1), loads * np.mean(part * np.cos(angle), axis=-1)

    def fundamental(self, v: Floats) -> Floats:
        """Part of the output at the carrier while the lower input is at v, V, before the loads."""
        w = np.clip((v - self.table.centre) / self.table.reach, -1.0, 1.0)
        return chebyshev.chebval(w, self.table.c[1])


def modulated(s: Modulated, b: Bench, dc: float, most_dc: float = 0.0) -> Modulation:
    """Set a carrier and a tone on a cell: returns Modulation.

    `most_dc` V: largest DC on the lower input that is asked for later.
    """
    if 2.0 * s.tone_frequency >= s.carrier_frequency:
        raise QuantityError(
            f"The tone is at {format_quantity(s.tone_frequency, 'Hz')} and the carrier at "
            f"{format_quantity(s.carrier_frequency, 'Hz')}; give a tone below half the "
            "carrier, or the sidebands run into each other."
        )
    window = drives.coherent_window((s.carrier_frequency, s.tone_frequency), min_cycles=2)
    tones = tuple(map(Tone, ("f_carrier", "f_tone"), ("upper", "lower"), window.cycles))
    at_cell = []
    for side, peak, f in zip(
        ("upper", "lower"), (s.carrier_amplitude, s.tone_amplitude), window.used
    ):
        fed = complex(b.fed(side, f))
        at_cell.append((peak * abs(fed), math.atan2(fed.imag, fed.real)))
    reach = roomy(1.001 * (max(abs(dc), most_dc) + at_cell[1][0]) + 0.2 * b.v_t)
    table = Table(b, (0.0, at_cell[0][0]), 0.0, reach)
    return Modulation(b, window, tones, table, at_cell[0], at_cell[1], dc)


def product_law(s: Modulated, b: Bench) -> float:
    """Peak of one sideband of a small carrier and a small tone, by the laws of the pairs, V."""
    size = s.carrier_amplitude * s.tone_amplitude
    return b.full_scale * size / (8.0 * b.v_t**2 * b.d_lower * b.d_upper**2)


def _suppression(lines: Lines, *sidebands: tuple[int, ...]) -> float:
    """dB of one sideband (root mean square of those given) over the carrier."""
    one = math.sqrt(sum(lines.part(*o) ** 2 for o in sidebands) / len(sidebands))
    return level_ratio(one, lines.part(1, 0))


def _over_peak(lines: Lines, kc: int, km: int, samples: int) -> float:
    """dB of the peak of the envelope over the carrier left in it."""
    envelope = np.abs(lines.envelope(kc, 8 * km, samples))
    return level_ratio(float(envelope.max()), lines.part(1, 0))


def _drawn(
    s: Modulated,
    b: Bench,
    m: Modulation,
    v_lower: Floats,
    lines: Lines,
    wanted: Sequence[tuple[int, ...]],
    heard: float | None,
) -> Shown:
    """Shown of a modulated carrier: carrier, modulating input, output and its envelope."""
    n, t = m.window.samples, m.window.time
    v_out = lines.record(n)
    envelope = np.abs(lines.envelope(m.kc, min(m.kc - 1, 8 * m.km), n))
    carrier = s.carrier_amplitude * np.cos(2.0 * np.pi * m.kc * np.arange(n) / n)
    listen = Listen(envelope - envelope.mean(), m.window.duration, b.full_scale / LOUD)
    if heard is not None:
        listen = replace(listen, record=v_out, shift=heard)
    return Shown(
        {
            "carrier": time_trace(t, carrier),
            "modulating": time_trace(t, v_lower),
            "output": time_trace(t, v_out),
            "envelope": time_trace(t, envelope, "second"),
            "envelope_below": time_trace(t, -envelope, "second"),
        },
        lines.labelled(n, wanted, m.table.floor_db),
        m.window.text,
        listen,
    )


def _tone_wave(s: Modulated, m: Modulation) -> Floats:
    n = m.window.samples
    return s.tone_amplitude * np.cos(2.0 * np.pi * m.km * np.arange(n) / n)


# ---------------------------------------------------------------- AM


@dataclass(frozen=True)
class AmplitudeModulation:
    """AM. Scenario: a beacon that a roost receiver listens for, tone on a 45 kHz carrier."""

    carrier_amplitude: float = setting(_CARRIER)
    carrier_frequency: float = setting(_CARRIER_FREQUENCY)
    tone_amplitude: float = setting(_TONE.at(default=2e-3, slider=(0.0, 0.05)))
    tone_frequency: float = setting(_TONE_FREQUENCY)
    offset: float = setting(
        spec(
            "dc",
            default=4e-3,
            label="DC on the modulating input",
            slider=(-0.05, 0.05),
            step=1e-4,
            part="use",
            doc="It lets the carrier through; without it there are sidebands only.",
        )
    )


@dataclass(frozen=True)
class AmRun:
    """What AM does, measured. `lines` are those behind the loads; `depth` a part of 1."""

    figures: dict[str, Figure]
    modulation: Modulation
    lines: Lines
    carrier: float
    depth: float
    present: bool

    @property
    def over(self) -> bool:
        """Whether the carrier reverses in the trough."""
        return self.depth > 1.0


def measure_am(s: AmplitudeModulation, b: Bench) -> AmRun:
    """Run AM: returns AmRun."""
    needs(s, "carrier_amplitude")
    m = modulated(s, b, s.offset)
    lines = m.lines()
    carrier, up, down = (lines.part(1, k) for k in (0, 1, -1))
    present = carrier > 1e-9 * b.full_scale
    depth = (up + down) / carrier if carrier > 0.0 else math.inf
    order = 3 if 3 * m.km < m.kc else 1
    power = sum(lines.part(1, k) ** 2 for k in range(-order, order + 1) if k)
    whole = power + carrier**2
    envelope = np.abs(lines.envelope(m.kc, min(m.kc - 1, 8 * m.km), m.window.samples))
    peak, trough = float(envelope.max()), float(envelope.min())
    figures = {
        "depth": Figure(100.0 * depth, "%"),
        "envelope_depth": Figure(
            100.0 * (peak - trough) / (peak + trough) if peak > 0.0 else 0.0, "%"
        ),
        "sideband": Figure(level_ratio(0.5 * (up + down), carrier), "dB"),
        "sideband_share": Figure(100.0 * power / whole if whole > 0.0 else 0.0, "%"),
        "total_power": Figure(whole / carrier**2 if present else math.inf),
        "envelope_distortion": Figure(100.0 * _folded(envelope, m.km), "%"),
        "edge": Figure(_full_depth(m), "V"),
    }
    return AmRun(figures, m, lines, carrier, depth, present)


def _folded(envelope: Floats, km: int) -> float:
    """Harmonics 2 to 7 of an envelope over its fundamental, as a ratio."""
    wave = np.abs(np.fft.rfft(envelope))
    if not wave[km] > 1e-9 * wave.max():
        return 0.0
    multiples = [n * km for n in range(2, 8) if n * km < len(wave)]
    return math.sqrt(sum(wave[n] ** 2 for n in multiples)) / float(wave[km])


def _full_depth(m: Modulation) -> float:
    """Tone at the input that modulates by 100 %, V: where twice a sideband is the carrier."""
    fed = abs(complex(m.b.fed("lower", m.window.used[1])))
    # the carrier with the tone off, then along the tone; a matched cell needs the DC
    tone = np.linspace(0.0, m.table.reach - abs(m.dc), 200)[1:]
    carrier, one = m.static(m.dc, tone)
    ratio = 2.0 * np.abs(one) / np.maximum(np.abs(carrier), 1e-15)
    past = np.flatnonzero(ratio >= 1.0)
    if not past.size:
        return math.nan if tone.size else 0.0
    k = past[0]
    if k == 0:
        return float(tone[0] / ratio[0] / fed) if ratio[0] < 1e6 else 0.0
    return float(np.interp(1.0, ratio[k - 1 : k + 1], tone[k - 1 : k + 1]) / fed)


@dataclass(frozen=True)
class ModulationLaws:
    """Relations by figure, and the limits that the words speak of."""

    relations: dict[str, Relation]
    linear: float
    edge: float = 0.0
    series_end: float = 0.0
    phase_40: float = 0.0
    amplitude_40: float = 0.0
    net: float = 0.0


def relate_am(s: AmplitudeModulation, b: Bench, m: AmRun) -> ModulationLaws:
    """Textbook relations of AM: returns ModulationLaws."""
    # under a picovolt of DC there is none
    dc = abs(s.offset) if abs(s.offset) > 1e-12 else 0.0
    law = s.tone_amplitude / dc if dc else math.inf
    linear = b.linear("lower")
    straight = dc + s.tone_amplitude <= linear
    share = (law**2 / 2.0 / (1.0 + law**2 / 2.0)) if dc else 1.0

    def relation(value: float, within: float = math.nan, inside: bool = straight) -> Relation:
        return Relation(value, within, linear, "V", inside)

    relations = {
        "depth": relation(100.0 * law),
        "envelope_depth": relation(100.0 * min(law, 1.0) if law else 0.0, 2.0),
        "sideband": relation(float(decibel(law / 2.0)) if law else -240.0),
        "sideband_share": relation(100.0 * share, 2.0),
        "total_power": relation(1.0 + law**2 / 2.0),
        "envelope_distortion": Relation(100.0 * _ideal_folding(law), 2.0, dc, "V", straight),
        "edge": relation(dc, inside=2.0 * dc <= linear),
    }
    return ModulationLaws(relations, linear, dc)


def _ideal_folding(depth: float) -> float:
    """Distortion of the envelope |1 + m cos a| of an ideal product: none up to a depth of 1."""
    if depth <= 1.0:
        return 0.0
    a = 2.0 * np.pi * np.arange(4096) / 4096
    wave = np.abs(1.0 + depth * np.cos(a)) if math.isfinite(depth) else np.abs(np.cos(a))
    return _folded(wave, 1)


def show_am(s: AmplitudeModulation, b: Bench, m: AmRun) -> Shown:
    """Records, spectrum and sound of AM: returns Shown."""
    v_lower = s.offset + _tone_wave(s, m.modulation)
    return _drawn(s, b, m.modulation, v_lower, m.lines, ((1, 0), (1, 1), (1, -1)), None)


def curves_am(s: AmplitudeModulation, b: Bench, m: AmRun) -> tuple[Curve, ...]:
    """Characteristics of AM: tuple of Curve."""
    most = max(2.0 * abs(s.offset), 2.0 * s.tone_amplitude, 1e-3)
    amplitudes = np.linspace(0.0, most, 25)
    wide = modulated(replace(s, tone_amplitude=most), b, s.offset)
    carrier, one = wide.static(s.offset, amplitudes * wide.tone[0] / most)
    carrier, one = np.abs(carrier), np.abs(one)
    seen = carrier > 1e-9 * max(float(np.max(carrier)), float(np.max(one)), 1e-12)
    if not seen.any():
        return ()
    scale = 100.0 / abs(s.offset) if s.offset else 0.0
    guide = np.array([100.0, 100.0])
    return (
        Curve(
            "depth", "V", "%",
            (
                Trace(amplitudes[seen], 200.0 * one[seen] / carrier[seen], "V", "%"),
                Trace(amplitudes, amplitudes * scale, "V", "%", "relation"),
                Trace(amplitudes[[0, -1]], guide, "V", "%", "guide"),
            ),
            (s.tone_amplitude, 100.0 * m.depth),
        ),
    )  # fmt: skip


# ---------------------------------------------------------------- DSB


@dataclass(frozen=True)
class DoubleSideband:
    """Double sideband. Scenario: the beacon again, its carrier taken away to save power."""

    carrier_amplitude: float = setting(_CARRIER)
    carrier_frequency: float = setting(_CARRIER_FREQUENCY)
    tone_amplitude: float = setting(_TONE)
    tone_frequency: float = setting(_TONE_FREQUENCY)
    offset: float = setting(
        spec(
            "dc",
            default=5e-4,
            label="DC left on the modulating input",
            slider=(-0.02, 0.02),
            step=1e-5,
            part="use",
            doc="What the builder did not want there.",
        )
    )
    trim: float = setting(
        spec(
            "trim",
            label="Trim voltage",
            slider=(-0.02, 0.02),
            step=1e-5,
            part="use",
            doc="Added to the modulating input to null the carrier.",
        )
    )


@dataclass(frozen=True)
class DsbRun:
    """What double sideband does, measured. `left` V, DC on the modulating input; `one` V, a
    sideband; `trim` V, the best."""

    figures: dict[str, Figure]
    modulation: Modulation
    lines: Lines
    left: float
    one: float
    trim: float


def measure_dsb(s: DoubleSideband, b: Bench) -> DsbRun:
    """Run double sideband: returns DsbRun."""
    needs(s, "carrier_amplitude", "tone_amplitude")
    left = s.offset + s.trim
    m, trim = _trimmed(s, b, left)
    lines = m.lines()
    after = m.lines(s.offset + trim)
    one = math.sqrt(0.5 * (lines.part(1, 1) ** 2 + lines.part(1, -1) ** 2))
    third = max(lines.part(1, 3), lines.part(1, -3))
    sidebands = ((1, 1), (1, -1))
    figures = {
        "suppression": Figure(_suppression(lines, *sidebands), "dB"),
        "suppression_peak": Figure(_over_peak(lines, m.kc, m.km, m.window.samples), "dB"),
        "best_trim": Figure(trim, "V"),
        "after_trim": Figure(_suppression(after, *sidebands), "dB"),
        "tone_leak": Figure(level_ratio(one, lines.part(0, 1)), "dB"),
        "sideband": Figure(one, "V"),
        "third_order": Figure(100.0 * third / one if one > 0.0 else 0.0, "%"),
    }
    return DsbRun(figures, m, lines, left, one, trim)


def _trimmed(s: DoubleSideband, b: Bench, left: float) -> tuple[Modulation, float]:
    """Modulation of double sideband, wide enough to hold the best trim; and that trim, V."""
    most = abs(left) + 0.4 * b.v_t
    for _ in range(4):
        m = modulated(s, b, left, most)
        dc = np.linspace(-most, most, 129)
        carrier, _ = m.static(dc, m.tone[0])
        cross = np.flatnonzero(np.signbit(carrier[:-1]) != np.signbit(carrier[1:]))
        if cross.size:
            k = cross[np.argmin(np.abs(dc[cross] + s.offset))]
            low, high = dc[k], dc[k + 1]
            for _ in range(3):
                points = np.linspace(low, high, 9)
                values, _ = m.static(points, m.tone[0])
                k = int(np.flatnonzero(np.signbit(values[:-1]) != np.signbit(values[1:]))[0])
                low, high = points[k], points[k + 1]
            null = low - values[k] * (high - low) / (values[k + 1] - values[k])
            # under ten nanovolts there is only rounding
            return m, float(null - s.offset) if abs(null) > 1e-8 else -s.offset
        most *= 4.0
    return m, -s.offset


def best_trim(settings: DoubleSideband | None = None, solve: Solver | None = None) -> float:
    """Trim voltage of `DoubleSideband` that gives the least carrier, V.

    Raises
    ------
    QuantityError
        As `run_use`.
    """
    s = checked(settings or DoubleSideband())
    needs(s, "carrier_amplitude", "tone_amplitude")
    return _trimmed(s, bench(solve or TextbookCell()), s.offset + s.trim)[1]


def relate_dsb(s: DoubleSideband, b: Bench, m: DsbRun) -> ModulationLaws:
    """Textbook relations of double sideband: returns ModulationLaws."""
    linear, series_end = b.linear("lower"), b.series_end("lower")
    left = abs(m.left) if abs(m.left) > 1e-12 else 0.0
    straight = left + s.tone_amplitude <= linear
    small_carrier = s.carrier_amplitude <= b.linear("upper")
    law = float(decibel(s.tone_amplitude / 2.0 / max(left, 1e-15)))
    peak = float(decibel((s.tone_amplitude + left) / max(left, 1e-15)))
    hard = s.carrier_amplitude >= b.oscillator_limits()[1]
    third = 100.0 / 3.0 * b.two_tone(hard) * s.tone_amplitude**2
    one = product_law(s, b)
    relations = {
        "suppression": Relation(law, limit=linear, limit_unit="V", inside=straight),
        "suppression_peak": Relation(peak, limit=linear, limit_unit="V", inside=straight),
        "best_trim": Relation(-s.offset, 1e-5, -m.trim - s.offset, "V"),
        "after_trim": Relation(limit=s.tone_amplitude / 200.0, limit_unit="V"),
        "tone_leak": Relation(inside=m.figures["tone_leak"].value > 40.0),
        "sideband": Relation(one, limit=linear, limit_unit="V", inside=straight and small_carrier),
        "third_order": Relation(
            third, 0.1 * third, series_end, "V", s.tone_amplitude <= series_end
        ),
    }
    return ModulationLaws(relations, linear, series_end=series_end)


def show_dsb(s: DoubleSideband, b: Bench, m: DsbRun) -> Shown:
    """Records, spectrum and sound of double sideband: returns Shown."""
    fc, fm = m.modulation.window.used
    v_lower = m.left + _tone_wave(s, m.modulation)
    heard = max(0.0, fc - 2.0 * fm)
    return _drawn(s, b, m.modulation, v_lower, m.lines, ((1, 1), (1, -1)), heard)


def curves_dsb(s: DoubleSideband, b: Bench, m: DsbRun) -> tuple[Curve, ...]:
    """Characteristics of double sideband: tuple of Curve."""
    span = max(2e-3, 3.0 * abs(s.trim - m.trim), 1.5 * abs(s.offset + m.trim))
    trims = dense(m.trim - span, m.trim + span, (m.trim, -s.offset), 41)
    wide = modulated(s, b, m.left, float(np.max(np.abs(s.offset + trims))))
    carrier, one = wide.static(s.offset + trims, wide.tone[0])
    most = 100.0
    seen = np.minimum(decibel(np.abs(one) / np.maximum(np.abs(carrier), 1e-15)), most)
    left = np.maximum(np.abs(s.offset + trims), 1e-12)
    law = np.minimum(decibel(s.tone_amplitude / 2.0 / left), most)
    return (
        Curve(
            "suppression", "V", "dB",
            (Trace(trims, seen, "V", "dB"), Trace(trims, law, "V", "dB", "relation")),
            (s.trim, min(m.figures["suppression"].value, most)),
        ),
    )  # fmt: skip


# ---------------------------------------------------------------- SSB


@dataclass(frozen=True)
class SingleSideband:
    """SSB by phasing two cells. Scenario: two beacons that share a narrow band."""

    carrier_amplitude: float = setting(_CARRIER)
    carrier_frequency: float = setting(_CARRIER_FREQUENCY)
    tone_amplitude: float = setting(_TONE)
    tone_frequency: float = setting(_TONE_FREQUENCY)
    sideband: str = setting(
        choice(
            "sideband",
            "upper",
            {"upper": "upper: outputs subtracted", "lower": "lower: outputs added"},
            "Wanted sideband",
            part="use",
        )
    )
    tone_phase_error: float = setting(
        spec(
            "phase",
            default=2.0,
            label="Phase error of the tone shift",
            slider=(-45.0, 45.0),
            step=0.1,
            part="use",
            doc="How far its 90 degrees are off.",
        )
    )
    carrier_phase_error: float = setting(
        spec(
            "phase",
            label="Phase error of the carrier shift",
            slider=(-45.0, 45.0),
            step=0.1,
            part="use",
            doc="How far its 90 degrees are off.",
        )
    )
    amplitude_error: float = setting(
        number(
            "amplitude_error",
            1.0,
            "%",
            -50.0,
            50.0,
            slider=(-50.0, 50.0),
            step=0.1,
            label="Gain difference of the two cells",
            part="use",
            doc="The second cell against the first.",
        )
    )


def image_rejection(amplitude_ratio: ArrayLike, phase_error: ArrayLike) -> Any:
    """Image rejection of the phasing method, dB.

    10 log10((1 + 2 a cos p + a^2)/(1 - 2 a cos p + a^2)): handbook relation.

    Parameters
    ----------
    amplitude_ratio : array_like
        a, second path over first, above 0.
    phase_error : array_like
        p, degrees.

    Returns
    -------
    numpy.ndarray
        Held at 240 dB where there is no error.
    """
    a = np.asarray(amplitude_ratio, dtype=float)
    cos = np.cos(np.radians(phase_error))
    wanted, image = (np.sqrt(np.maximum(1.0 + k * 2.0 * a * cos + a * a, 0.0)) for k in (1, -1))
    with np.errstate(divide="ignore"):
        return decibel(wanted / image)


@dataclass(frozen=True)
class SsbRun:
    """What phasing gives, measured. `first` and `second` are the lines of each cell behind the
    loads, the second one with its gain and sign; `lines` their sum; `net` rad, the phase error
    that counts for the unwanted sideband; `ratio` gain of the second cell over the first."""

    figures: dict[str, Figure]
    modulation: Modulation
    first: Lines
    second: Lines
    lines: Lines
    sign: float
    ratio: float
    errors: tuple
    net: float


def measure_ssb(s: SingleSideband, b: Bench) -> SsbRun:
    """Run single sideband by phasing two cells: returns SsbRun.

    The first cell gets carrier and tone, the second both a quarter cycle later, each shift with
    its error; the one solver stands for both cells, and the second one's output is scaled by the
    gain difference. The outputs are subtracted for the upper sideband, added for the lower.
    """
    needs(s, "carrier_amplitude", "tone_amplitude")
    m = modulated(s, b, 0.0)
    upper = s.sideband == "upper"
    sign = -1.0 if upper else 1.0
    ratio = 1.0 + s.amplitude_error / 100.0
    alpha, beta = np.radians([s.carrier_phase_error, s.tone_phase_error])
    first = m.lines()
    second = m.lines(None, alpha - 0.5 * np.pi, beta - 0.5 * np.pi).times(ratio)
    lines = first.times(1.0)
    lines = replace(lines, phasor=first.phasor + sign * second.phasor)
    # what two large waves leave of each other is rounding
    lines = replace(
        lines,
        phasor=np.where(np.abs(lines.phasor) < 1e-13 * np.abs(first.phasor), 0.0, lines.phasor),
    )
    up, down = lines.part(1, 1), lines.part(1, -1)
    wanted, image = (up, down) if upper else (down, up)
    carrier = lines.part(1, 0)
    figures = {
        "rejection": Figure(level_ratio(wanted, image), "dB"),
        "wanted": Figure(wanted, "V"),
        "image": Figure(image, "V"),
        "carrier": Figure(level_ratio(wanted, carrier), "dB"),
        "carrier_peak": Figure(_over_peak(lines, m.kc, m.km, m.window.samples), "dB"),
        "allowed_phase": Figure(math.degrees(2.0 * math.atan(10.0 ** (-40.0 / 20.0))), "deg"),
        "allowed_amplitude": Figure(100.0 * 2.0 / (10.0 ** (40.0 / 20.0) - 1.0), "%"),
    }
    # the errors of both shifts add in one sideband and subtract in the other
    errors = (alpha + beta, alpha - beta) if upper else (alpha - beta, alpha + beta)
    return SsbRun(figures, m, first, second, lines, sign, ratio, errors, math.degrees(errors[1]))


def relate_ssb(s: SingleSideband, b: Bench, m: SsbRun) -> ModulationLaws:
    """Textbook relations of phasing: returns ModulationLaws."""
    w_size = abs(1.0 + m.ratio * np.exp(1j * m.errors[0]))
    i_size = abs(1.0 - m.ratio * np.exp(1j * m.errors[1]))
    law = float(decibel(w_size / max(i_size, 1e-12)))
    linear = b.linear("lower")
    straight = s.carrier_amplitude <= b.linear("upper") and s.tone_amplitude <= linear
    one = product_law(s, b)
    f = m.figures
    phase_40, amplitude_40 = f["allowed_phase"].value, f["allowed_amplitude"].value
    clear = f["carrier"].value > 40.0
    relations = {
        "rejection": Relation(law),
        "wanted": Relation(one * w_size, limit=linear, limit_unit="V", inside=straight),
        "image": Relation(one * i_size, limit=linear, limit_unit="V", inside=straight),
        "carrier": Relation(inside=clear),
        "carrier_peak": Relation(inside=clear),
        "allowed_phase": Relation(limit=phase_40, limit_unit="deg", inside=abs(m.net) <= phase_40),
        "allowed_amplitude": Relation(
            limit=amplitude_40, limit_unit="%", inside=abs(s.amplitude_error) <= amplitude_40
        ),
    }
    return ModulationLaws(
        relations, linear, phase_40=phase_40, amplitude_40=amplitude_40, net=m.net
    )


def show_ssb(s: SingleSideband, b: Bench, m: SsbRun) -> Shown:
    """Records, spectrum and sound of phasing: returns Shown."""
    window = m.modulation.window
    n, t = window.samples, window.time
    fc, fm = window.used
    turn = 2.0 * np.pi * m.modulation.km * np.arange(n) / n
    beta = math.radians(s.tone_phase_error)
    v_out = m.lines.record(n)
    wanted = ((1, 1),) if s.sideband == "upper" else ((1, -1),)
    return Shown(
        {
            "tone": time_trace(t, s.tone_amplitude * np.cos(turn)),
            "tone_shifted": time_trace(t, s.tone_amplitude * np.sin(turn + beta), "second"),
            "first": time_trace(t, m.first.record(n)),
            "second": time_trace(t, m.second.record(n), "second"),
            "output": time_trace(t, v_out),
        },
        m.lines.labelled(n, wanted, m.modulation.table.floor_db),
        window.text,
        Listen(v_out, window.duration, b.full_scale / LOUD, shift=max(0.0, fc - 2.0 * fm)),
    )


def curves_ssb(s: SingleSideband, b: Bench, m: SsbRun) -> tuple[Curve, ...]:
    """Characteristics of phasing: tuple of Curve."""
    span = dense(-20.0, 20.0, (0.0,))
    rejection = m.figures["rejection"].value

    def over_phase(ratio: float) -> Any:
        return np.minimum(image_rejection(ratio, span), 80.0)

    def over_gain(phase: float) -> Any:
        return np.minimum(image_rejection(1.0 + span / 100.0, phase), 80.0)

    return (
        Curve(
            "phase", "deg", "dB",
            (
                Trace(span, over_phase(m.ratio), "deg", "dB", "relation"),
                Trace(span, over_phase(1.0), "deg", "dB", "guide"),
                Trace(span, over_phase(1.1), "deg", "dB", "guide"),
            ),
            (m.net, min(rejection, 80.0)),
        ),
        Curve(
            "amplitude", "%", "dB",
            (
                Trace(span, over_gain(m.net), "%", "dB", "relation"),
                Trace(span, over_gain(0.0), "%", "dB", "guide"),
                Trace(span, over_gain(5.0), "%", "dB", "guide"),
            ),
            (s.amplitude_error, min(rejection, 80.0)),
        ),
    )  # fmt: skip
