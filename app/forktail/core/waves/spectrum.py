"""Coherent spectra: levels, lines labelled by origin, and the figures taken from them.

A record must hold whole periods (see `signals.coherent_window`); no taper is used, so a tone is
one line and its level is exact.
"""

import bisect
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from forktail.core.checks import Complexes, Floats, Ints, QuantityError, as_quantity
from forktail.core.quantities import format_quantity

if TYPE_CHECKING:
    from forktail.core.waves.lines import Lines

#: Factors of each tone, of several lines.
Orders = Sequence[tuple[int, ...]]
#: Orders that make the line at a place: those that count, and the rest.
Finder = Callable[[int], tuple[Orders, Orders]]

#: Lines are not shown below this level, dB under the largest: there only rounding is left.
FLOOR_DB = -240.0


def decibel(ratio: ArrayLike) -> Any:
    """20 log10 of an amplitude ratio, held at +-240 dB; any shape, at least 0."""
    floor = 10.0 ** (FLOOR_DB / 20.0)
    return 20.0 * np.log10(np.clip(ratio, floor, 1.0 / floor))


@dataclass(frozen=True)
class Spectrum:
    """Lines of a periodic record.

    `frequency` Hz, shape (m,), from DC up; `phasor` V peak, complex, so that the record is the
    sum of Re(phasor exp(j 2 pi f t)); `peak` V, its size (of DC: the mean without its sign);
    `db` relative to the largest line; `mean_square` V^2 of the record.
    """

    frequency: Floats
    phasor: Complexes
    peak: Floats
    db: Floats
    mean_square: float

    @property
    def spacing(self) -> float:
        """Distance between lines, Hz."""
        return float(self.frequency[1])

    def power(self) -> float:
        """Sum over the lines, V^2: by Parseval's theorem equal to `mean_square`."""
        halves = np.full(len(self.peak), 0.5)
        halves[0] = 1.0
        return float(np.sum(halves * self.peak**2))


def coherent_spectrum(record: ArrayLike, duration: float) -> Spectrum:
    """Spectrum of one record that holds whole periods.

    Parameters
    ----------
    record : array_like, shape (n,)
        V.
    duration : float
        s.

    Returns
    -------
    Spectrum
        n/2 lines; the one at half the sample rate is left out (no drive reaches it).

    Raises
    ------
    QuantityError
        If the record is not finite, too short, or not one-dimensional.
    """
    record = as_quantity("record", record, "V")
    duration = float(as_quantity("duration", duration, "s", 0.0, low_open=True))
    if record.ndim != 1 or record.size < 4:
        raise QuantityError(
            f"record has the shape {record.shape}; give one row of at least 4 samples."
        )
    n = record.size
    phasor = np.fft.rfft(record)[: (n + 1) // 2] * (2.0 / n)
    phasor[0] *= 0.5
    peak = np.abs(phasor)
    largest = float(peak.max())
    db = decibel(peak / largest) if largest > 0 else np.full(peak.shape, FLOOR_DB)
    return Spectrum(np.arange(len(phasor)) / duration, phasor, peak, db, float(np.mean(record**2)))


@dataclass(frozen=True)
class Tone:
    """One frequency that a drive brings in: `side` is `upper` or `lower`.

    `shaping` marks the repetition or modulating frequency of a drive: it comes in with the
    tone that it shapes, not by itself.
    """

    name: str
    side: str
    cycles: int
    shaping: bool = False


@dataclass(frozen=True)
class Line:
    """One labelled line.

    `orders` are the factors of each tone: frequency = |sum of orders x tones|. `origin` is one
    of `wanted`, `dc`, `sum`, `difference`, `upper leak`, `lower leak`, `harmonic`, `product`,
    `third-order` for 2 f1 - f2 of two tones on one input, and `coincidence` where a leak and a
    product fall together and nothing tells them apart. `label` names all that count;
    `also` lists the further ways to land there.
    """

    frequency: float
    peak: float
    db: float
    orders: tuple[int, ...]
    origin: str
    label: str
    also: tuple[str, ...] = ()


@lru_cache(maxsize=64)
def _combinations(sides: tuple[str, ...], order: int) -> tuple[Ints, Ints]:
    """Factor vectors up to `order`, the likeliest first, one of each +- twin, shape
    (k, len(sides)), and how unlikely each is, shape (k,).

    A matched cell is odd in each input, so an order that is even in one of them needs a
    mismatch or DC: it counts as two orders higher for each input. `sides` holds `upper`,
    `lower`, or "" for a shaping tone, which has no such parity.
    """
    span = range(-order, order + 1)
    rows = [c for c in product(span, repeat=len(sides)) if sum(map(abs, c)) <= order]
    # of each +- twin keep the one whose first factor is positive; the zero row is DC
    rows = [c for c in rows if not any(c) or next(x for x in c if x) > 0]

    def rank(c: tuple[int, ...]) -> tuple[Any, ...]:
        if not any(c):
            return (0,)
        odd = [
            sum(abs(k) for k, s in zip(c, sides) if s == side) % 2 for side in ("upper", "lower")
        ]
        return (sum(map(abs, c)) + 2 * (2 - sum(odd)), max(map(abs, c)), [-x for x in c])

    rows.sort(key=rank)
    return np.array(rows, dtype=int), np.array([rank(c)[0] for c in rows])


def _label(orders: Sequence[int], tones: Sequence[Tone]) -> str:
    """`2 f_upper - f_lower`, for orders that give a positive frequency."""
    parts = sorted(((k, t.name) for k, t in zip(orders, tones) if k), key=lambda p: p[0] < 0)
    text = ""
    for k, name in parts:
        sign = " \u2212 " if k < 0 else (" + " if text else "")
        text += f"{sign}{'' if abs(k) == 1 else f'{abs(k)} '}{name}"
    return text.strip() or "DC"


def _origin(orders: tuple[int, ...], tones: Sequence[Tone], wanted: Orders = ()) -> str:
    if orders in wanted:
        return "wanted"
    upper = [k for k, t in zip(orders, tones) if k and t.side == "upper"]
    lower = [k for k, t in zip(orders, tones) if k and t.side == "lower"]
    if not upper and not lower:
        return "dc"
    if upper and lower:
        if len(upper) == len(lower) == 1 and abs(upper[0]) == abs(lower[0]) == 1:
            return "sum" if upper[0] == lower[0] else "difference"
        for one, other in ((upper, lower), (lower, upper)):
            if (
                sorted(map(abs, one)) == [1, 2]
                and len(other) == 1
                and abs(other[0]) == 1
                and one[0] * one[1] < 0
            ):
                return "third-order"
        return "product"
    one = upper or lower
    if len(one) == 1 and abs(one[0]) == 1:
        return "upper leak" if upper else "lower leak"
    if sorted(map(abs, one)) == [1, 2] and one[0] * one[1] < 0:
        return "third-order"
    return "harmonic" if len(one) == 1 else "product"


def label_lines(
    spectrum: Spectrum,
    tones: Sequence[Tone],
    order: int = 9,
    floor_db: float = -120.0,
    most: int = 60,
    parts: "Lines | None" = None,
    wanted: Orders = (),
) -> tuple[Line, ...]:
    """Name the lines of a spectrum by where they come from.

    Parameters
    ----------
    spectrum : Spectrum
    tones : sequence of Tone
        Up to five.
    order : int
        Highest sum of factors looked for (at most 5 with three tones, 4 with more).
    floor_db : float
        Lines below it, relative to the largest, are left out.
    most : int
        At most so many lines, the largest.
    parts : lines.Lines, optional
        What the lines are made of, where that is known: a line is then named by what makes it,
        and all that has a tenth of it is named. Otherwise by the likeliest orders that land on
        it.
    wanted : tuple of tuple of int
        Orders that the use is there for: they are no leak.

    Returns
    -------
    tuple of Line
        By rising frequency. A line that no combination up to `order` explains is labelled
        `higher order`.
    """
    tones, wanted = tuple(tones), tuple(wanted)
    if len(tones) > 5:
        raise QuantityError(f"tones are {len(tones)}; the limit is 5.")
    shown = np.flatnonzero(spectrum.db >= floor_db)
    # a spectrum of nothing but rounding has no lines
    shown = shown[spectrum.peak[shown] > 0.0]
    shown = np.sort(shown[np.argsort(spectrum.peak[shown])[::-1][:most]])
    find = _likely_orders(tones, order) if parts is None else _known_orders(parts)
    lines = []
    for k in shown.tolist():
        named, further = find(k)
        orders, origin, label, also = _named(tuple(named), tuple(further), tones, wanted)
        lines.append(
            Line(
                float(spectrum.frequency[k]),
                float(spectrum.peak[k]),
                float(spectrum.db[k]),
                orders,
                origin,
                label,
                also,
            )
        )
    return tuple(lines)


@lru_cache(maxsize=4096)
def _named(
    named: tuple[tuple[int, ...], ...],
    further: tuple[tuple[int, ...], ...],
    tones: Sequence[Tone],
    wanted: Orders,
) -> tuple[tuple[int, ...], str, str, tuple[str, ...]]:
    """Orders, origin, label and further labels of a line that these orders make."""
    also = tuple(_label(o, tones) for o in further)
    if not named:
        return (), "product", "higher order", also
    origins = [_origin(o, tones, wanted) for o in named]
    origin = origins[0]
    if len(set(origins)) > 1 and set(origins) & {"upper leak", "lower leak"}:
        origin = "coincidence"
    return named[0], origin, " = ".join(_label(o, tones) for o in named), also


#: Of a line that several orders make, those are named that have this part of the largest.
_COUNTS = 0.1


def _known_orders(parts: "Lines") -> Finder:
    """Place -> orders that make the line there: those that count, the largest first; the rest."""
    sizes = np.abs(parts.phasor)
    keep = np.flatnonzero(sizes > 1e-8 * sizes.max(initial=0.0))
    keep = keep[np.lexsort((-sizes[keep], parts.bins[keep]))]
    places, sizes = parts.bins[keep].tolist(), sizes[keep].tolist()
    orders = list(map(tuple, parts.orders[keep].tolist()))

    def find(k: int) -> tuple[Orders, Orders]:
        low = bisect.bisect_left(places, k)
        high = min(bisect.bisect_right(places, k, low), low + 4)
        count = low
        while count < high and sizes[count] >= _COUNTS * sizes[low]:
            count += 1
        return orders[low:count], orders[count:high]

    return find


@lru_cache(maxsize=64)
def _likely_orders(tones: tuple[Tone, ...], order: int) -> Finder:
    """Place -> orders that can land there: the likeliest, and with them those as likely.

    They follow from the frequencies alone: while a level moves, each place is looked up once.
    """
    order = min(order, {0: 1, 1: 15, 2: order, 3: 5}.get(len(tones), 4))
    sides = tuple("" if t.shaping else t.side for t in tones)
    table, ranks = _combinations(sides, order) if tones else (np.zeros((1, 0), int), np.zeros(1))
    signed = table @ np.array([t.cycles for t in tones], dtype=int)
    table = np.where(signed[:, None] < 0, -table, table)
    places = np.abs(signed)

    @cache
    def find(k: int) -> tuple[Orders, Orders]:
        rows = np.flatnonzero(places == k)[:4]
        orders = [tuple(map(int, table[r])) for r in rows]
        # a leak and a product of third order have much the same level; sum and difference more
        near = ranks[rows] - ranks[rows[0]] <= (ranks[rows[0]] > 2) if len(rows) else []
        count = int(np.sum(near))
        return tuple(orders[:count]), tuple(orders[count:])

    return find


@dataclass(frozen=True)
class LabelledSpectrum:
    """A spectrum with the tones that made it and its named lines."""

    spectrum: Spectrum
    tones: tuple[Tone, ...]
    lines: tuple[Line, ...]

    def level(self, *orders: int) -> float:
        """V peak of the line with these factors of the tones, in their order."""
        return float(self.spectrum.peak[self.bin(*orders)])

    def bin(self, *orders: int) -> int:
        """Index of the line with these factors of the tones.

        Raises
        ------
        QuantityError
            If it lies above half the sample rate, or the number of factors is wrong.
        """
        if len(orders) != len(self.tones):
            raise QuantityError(
                f"orders are {orders}; give one for each of {len(self.tones)} tones."
            )
        k = abs(sum(o * t.cycles for o, t in zip(orders, self.tones)))
        if k >= len(self.spectrum.peak):
            raise QuantityError(
                f"the line {orders} lies at {format_quantity(k * self.spectrum.spacing, 'Hz')}; "
                "it must be below half the sample rate."
            )
        return k


def labelled_spectrum(
    record: ArrayLike,
    duration: float,
    tones: Sequence[Tone],
    order: int = 9,
    floor_db: float = -120.0,
    wanted: Orders = (),
) -> LabelledSpectrum:
    """`coherent_spectrum` and `label_lines` in one; returns LabelledSpectrum."""
    spectrum = coherent_spectrum(record, duration)
    tones = tuple(tones)
    lines = label_lines(spectrum, tones, order, floor_db, wanted=wanted)
    return LabelledSpectrum(spectrum, tones, lines)


# ---------------------------------------------------------------- figures


def carrier_suppression(spectrum: Spectrum, carrier: int, sidebands: Sequence[int]) -> float:
    """Level of a sideband above the carrier left over, dB.

    Parameters
    ----------
    spectrum : Spectrum
    carrier : int
        Line index of the carrier.
    sidebands : sequence of int
        Line indices; their root mean square is one sideband.

    Returns
    -------
    float
        Positive when the carrier is the weaker; held at 240 dB where only rounding is left.
    """
    one = np.sqrt(np.mean(spectrum.peak[list(sidebands)] ** 2))
    return level_ratio(one, spectrum.peak[carrier])


def level_ratio(wanted: float, unwanted: float) -> float:
    """dB of wanted over unwanted, with 0 over 0 taken as 0 dB."""
    if wanted == 0.0 and unwanted == 0.0:
        return 0.0
    if unwanted == 0.0:
        return -FLOOR_DB
    return float(decibel(wanted / unwanted))


def harmonic_levels(spectrum: Spectrum, fundamental: int, count: int = 9) -> Floats:
    """Harmonics 2 .. count over the fundamental, as ratios.

    Parameters
    ----------
    spectrum : Spectrum
    fundamental : int
        Line index.
    count : int

    Returns
    -------
    numpy.ndarray, shape (count - 1,)
        NaN for harmonics above half the sample rate.

    Raises
    ------
    QuantityError
        If there is no fundamental.
    """
    base = spectrum.peak[fundamental]
    if fundamental < 1 or base <= 0.0:
        raise QuantityError("the fundamental is 0 V; harmonics need one above 0 V.")
    places = fundamental * np.arange(2, count + 1)
    inside = places < len(spectrum.peak)
    return np.where(inside, spectrum.peak[np.where(inside, places, 0)], np.nan) / base


def harmonic_distortion(spectrum: Spectrum, fundamental: int, count: int = 9) -> float:
    """Root sum of squares of harmonics 2 .. count over the fundamental, a ratio."""
    return float(np.sqrt(np.nansum(harmonic_levels(spectrum, fundamental, count) ** 2)))


def third_order_products(
    spectrum: Spectrum, first: int, second: int, carrier: int = 0
) -> tuple[tuple[int, float], ...]:
    """Third-order products of two tones, over the tones, as a ratio.

    Parameters
    ----------
    spectrum : Spectrum
    first, second : int
        Line indices of the two tones as they enter.
    carrier : int
        Line index by which they are moved (difference side); 0 for an amplifier.

    Returns
    -------
    tuple of (int, float)
        For 2 f1 - f2 and 2 f2 - f1: line index and level over the mean of both tones.

    Raises
    ------
    QuantityError
        If the tones are missing at the output.
    """
    tones = 0.5 * (spectrum.peak[abs(carrier - first)] + spectrum.peak[abs(carrier - second)])
    if tones <= 0.0:
        raise QuantityError("the two tones are 0 V at the output; products need tones above 0 V.")
    return tuple(
        (k, float(spectrum.peak[k] / tones))
        for k in (abs(carrier - (2 * first - second)), abs(carrier - (2 * second - first)))
    )


def conversion_gain(spectrum: Spectrum, line: int, drive: float) -> float:
    """Level of one output line over the input that it came from, a ratio (not dB).

    `drive` in V peak, above 0, is checked.
    """
    drive = float(as_quantity("drive", drive, "V", 0.0, low_open=True))
    return float(spectrum.peak[line] / drive)


def complex_envelope(record: ArrayLike, centre: int, half_width: int) -> Complexes:
    """Envelope of the part of a periodic record around one line.

    Parameters
    ----------
    record : array_like, shape (n,)
        V.
    centre : int
        Line index of the carrier.
    half_width : int
        Lines kept on each side.

    Returns
    -------
    numpy.ndarray, shape (n,), complex
        V peak; its size is the envelope, its angle the phase against the carrier.
    """
    record = as_quantity("record", record, "V")
    n = record.size
    phasor = np.fft.rfft(record) * (2.0 / n)
    low, high = max(1, centre - half_width), min(len(phasor) - 1, centre + half_width)
    moved = np.zeros(n, dtype=complex)
    moved[np.arange(low, high + 1) - centre] = phasor[low : high + 1]
    return np.fft.ifft(moved) * n


@lru_cache(maxsize=4096)
def _switching_part(x: float, order: int) -> float:
    count = 64 if x < 3 else (512 if x < 40 else 4096)
    angle = 2.0 * np.pi * (np.arange(count) + 0.5) / count
    return float(2.0 * np.mean(np.tanh(x * np.cos(angle)) * np.cos(order * angle)))


def switching_part(x: float, order: int = 1) -> float:
    """Fourier part of tanh(x cos a) at cos(order a).

    x for small x (order 1), 4/pi when x is large (square wave).

    Parameters
    ----------
    x : float
        Peak drive over 2 VT, at least 0.
    order : int

    Returns
    -------
    float
        By the midpoint rule, which converges geometrically for a smooth periodic function.
    """
    return _switching_part(float(as_quantity("x", x, "", 0.0)), int(order))
