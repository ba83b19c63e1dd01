"""A steady wave as the lines that it is made of, each with what makes it.

Lines that fall on one frequency are kept apart here, so that it can be said which one it is; they
add up in a spectrum and in a record. A record is exact at its samples, however far the lines
reach; a spectrum holds the lines below half the sample rate and nothing folded down from above.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from forktail.core.checks import Bools, Complexes, Floats, Ints
from forktail.core.waves.spectrum import LabelledSpectrum, Spectrum, Tone, decibel, label_lines


@dataclass(frozen=True)
class Lines:
    """The sum of Re(phasor exp(j 2 pi f t)) over lines at f = orders @ (cycles of the tones).

    Attributes
    ----------
    orders : int array, shape (n, tones)
        Turned so that no frequency is negative.
    phasor : complex array, shape (n,)
        V peak.
    tones : tuple of spectrum.Tone
    duration : float
        s, of the window that holds whole cycles of all tones.
    """

    orders: Ints
    phasor: Complexes
    tones: tuple[Tone, ...]
    duration: float

    @classmethod
    def of(
        cls,
        orders: Ints,
        phasor: Complexes,
        tones: Sequence[Tone],
        duration: float,
        least: float = 0.0,
    ) -> "Lines":
        """Lines of any sign of frequency; those of `least` V and below are left out."""
        keep = np.abs(phasor) > least
        orders, phasor = orders[keep], phasor[keep]
        turned = orders @ np.array([t.cycles for t in tones], dtype=int) < 0
        orders = np.where(turned[:, None], -orders, orders)
        phasor = np.where(turned, phasor.conj(), phasor)
        return cls(orders, phasor, tuple(tones), duration)

    @cached_property
    def bins(self) -> Ints:
        """Place of each line, whole cycles in the window, shape (n,)."""
        return self.orders @ np.array([t.cycles for t in self.tones], dtype=int)

    def times(self, factor: Complexes | Floats | complex) -> "Lines":
        """The lines times one factor, or one for each line."""
        return replace(self, phasor=self.phasor * factor)

    def behind(self, response: Callable[[Floats], Complexes]) -> "Lines":
        """The lines behind something linear: `response` of frequencies in Hz."""
        return self.times(response(self.bins / self.duration))

    def at(self, place: int) -> complex:
        """Complex sum of the lines at one place, V peak (of DC: its value)."""
        found = self.phasor[self.bins == place].sum()
        return complex(found.real) if place == 0 else complex(found)

    def level(self, *orders: int) -> float:
        """V peak at the place of these factors of the tones."""
        return abs(self.at(self.place(*orders)))

    def part(self, *orders: int) -> float:
        """V peak of what these factors alone make, whatever else falls on the same place."""
        wanted = np.array(orders)
        same = (self.orders == wanted).all(axis=1) | (self.orders == -wanted).all(axis=1)
        return float(abs(self.phasor[same].sum()))

    def place(self, *orders: int) -> int:
        """Whole cycles in the window of these factors of the tones."""
        return abs(sum(o * t.cycles for o, t in zip(orders, self.tones)))

    def only(self, keep: Bools) -> "Lines":
        """The lines for which `keep`, bool of shape (n,)."""
        return replace(self, orders=self.orders[keep], phasor=self.phasor[keep])

    def record(self, samples: int) -> Floats:
        """V at `samples` equal steps of the window."""
        folded = _sums(self.bins % samples, self.phasor, samples)
        return np.fft.ifft(folded).real * samples

    def envelope(self, centre: int, half_width: int, samples: int) -> Complexes:
        """Complex envelope of the lines around one place, V peak, at equal steps."""
        keep = np.abs(self.bins - centre) <= half_width
        places = (self.bins[keep] - centre) % samples
        return np.fft.ifft(_sums(places, self.phasor[keep], samples)) * samples

    def spectrum(self, samples: int) -> Spectrum:
        """Spectrum of the lines below half the rate of `samples` a window."""
        most = (samples + 1) // 2
        inside = self.bins < most
        phasor = _sums(self.bins[inside], self.phasor[inside], most)
        phasor[0] = phasor[0].real
        peak = np.abs(phasor)
        largest = float(peak.max(initial=0.0))
        db = decibel(peak / largest if largest > 0.0 else peak)
        square = float(peak[0] ** 2 + 0.5 * np.sum(peak[1:] ** 2))
        return Spectrum(np.arange(most) / self.duration, phasor, peak, db, square)

    def labelled(
        self, samples: int, wanted: Sequence[tuple[int, ...]] = (), floor_db: float = -120.0
    ) -> LabelledSpectrum:
        """LabelledSpectrum, every line named by what makes it."""
        spectrum = self.spectrum(samples)
        return LabelledSpectrum(
            spectrum, self.tones, label_lines(spectrum, self.tones, floor_db=floor_db,
                                              parts=self, wanted=wanted)
        )  # fmt: skip


def _sums(places: Ints, phasor: Complexes, count: int) -> Complexes:
    """Complex sums by place; (count,)."""
    out = np.empty(count, dtype=complex)
    out.real = np.bincount(places, phasor.real, count)
    out.imag = np.bincount(places, phasor.imag, count)
    return out
