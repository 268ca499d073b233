"""Phase reversals that go on all the time beside other things, or in noise that fills only a part of the spectrum.

What never pauses is part of the floor, and where a radio's filter or audio beside it shapes the spectrum the lowest part of
the floor says nothing about the noise within the band of a transmission. Its own phase does: phase reversal lies along one
axis, noise as much across it (a noncircular signal in circular noise: Picinbono, On circularity, 1994). Of a band moved to
zero, the mean of the square is the power ``S`` of what lies along that axis, and the mean of the squared length ``S + N``.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from dsp.correlate import Complexes
from dsp.noise import NoiseFloor
from dsp.source import Floats, Record

# samples that are looked at together, few where a carrier wanders and many where symbols are long
_LENGTHS = (1 << 11, 1 << 13, 1 << 15, 1 << 17)
# places of a record that are looked at, and in how many of them something that goes on must be seen
_PLACES, _SEEN_IN = 4, 2
# bins that the narrowest band has, and those that are transformed at a time, so many as stay in the cache
_FEWEST, _PIECE = 64, 1 << 14
# power of a line in the squared band over the mean about it: noise has less in all but one of 10^6 bins even where the
# mean is of the fewest, 11 or so exponential ordinates, and a thousand times more seldom where it is of 60
_LINE = 25.0
# bins to either side that tell that mean, a share of all and at least so many, without those that a line spreads to
_ABOUT, _ABOUT_AT_LEAST, _SPREAD = 32, 8, 2
# share of a band's power that lies along one axis, at least: in more noise than this no fit is judged
_ALONG = 0.2
# share of that a steady tone at the carrier may have: what is keyed on and off has half
_TONE = 0.3
# fourth moment over the square of the second along the axis, noise taken off: 1 for symbols, up to 1.8 for raised cosines,
# 3 for audio on a suppressed carrier
_FOURTH = 2.4
# times by which the floor rises again where something else begins
_RISE = 2.0
# power of something else over that of a band it is beside: sidelobes of rectangular symbols have a twentieth of all
_BESIDE = 0.1
_MOST = 6


@dataclass(frozen=True)
class Unbroken:
    """A carrier that is reversed all along: a band of it, one-sided noise density there, and power, also over noise."""

    carrier_hz: float
    low_hz: float
    high_hz: float
    density: float
    power: float
    contrast: float

    @property
    def weight(self) -> float:
        """Power, times the share of all in the band that it is: a wider band has more of both, a part of a band less."""
        return self.power * self.contrast / (1.0 + self.contrast)


def unbroken(record: Record, noise: NoiseFloor) -> list[Unbroken]:
    """Carriers that go on being reversed for long, those that stand out most first."""
    return apart(noise, all_unbroken(record))


def all_unbroken(record: Record) -> list[Unbroken]:
    """The same with parts of them, and what is seen of one in bands of several widths."""
    stretch = max(record.stretches, key=len)
    found: list[Unbroken] = []
    for wished in _LENGTHS:
        length = min(wished, len(stretch))
        starts = np.unique(
            np.linspace(stretch.first, stretch.last - length, _PLACES).astype(np.int64)
        ).tolist()
        seen: dict[tuple[float, float], list[Unbroken]] = defaultdict(list)
        for start in starts:
            for one in _lines(record, start, length):
                seen[one.low_hz, one.high_hz].append(one)
        for same in seen.values():
            if len(same) >= min(_SEEN_IN, len(starts)):
                found.append(sorted(same, key=lambda one: -one.contrast)[min(_SEEN_IN, len(same)) - 1])
        if length < wished:
            break
    return found


def apart(noise: NoiseFloor, found: list[Unbroken]) -> list[Unbroken]:
    """Of what was seen, the most telling of each range of frequencies; what stands out most first."""
    kept: list[Unbroken] = []
    ranges: list[tuple[float, float]] = []
    for one in sorted(found, key=lambda one: -one.weight):
        if len(kept) < _MOST and not any(low <= one.carrier_hz <= high for low, high in ranges):
            kept.append(one)
            ranges.append(own_range(noise, one, found))
    return sorted(kept, key=lambda one: -one.contrast)


def _lines(record: Record, start: int, length: int) -> Iterator[Unbroken]:
    """What is seen in bands of one place."""
    from scipy.fft import fft, ifft, rfft

    spectrum = rfft(record.read_centred(start, start + length).astype(np.float64))
    step_hz = record.rate_hz / length
    # of fewer samples not even the narrowest band is whole
    size = 1 << int(np.log2(length / 4))
    while size >= _FEWEST:
        bands = sliding_window_view(spectrum[size // 4 : -1], size)[:: size // 4]
        rows = max(1, _PIECE // size)
        for first in range(0, len(bands), rows):
            some = bands[first : first + rows]
            # twice as many samples as the band needs, since its square is twice as wide
            z = ifft(some, 2 * size, axis=1) * (4.0 * size / length)
            lines = fft(z * z, axis=1)
            at, ratio = _highest_lines(lines.real**2 + lines.imag**2)
            for row in np.flatnonzero(ratio > _LINE).tolist():
                low = (first + row + 1) * (size // 4)
                seen = _seen(z[row], int(at[row]), (low, size), step_hz)
                if seen is not None:
                    yield seen
        size //= 2


def _highest_lines(power: Floats) -> tuple[NDArray[np.int64], Floats]:
    """The bin of each squared band's ``power`` (bands, n) that stands out most of those about it, and by how much (bands,).

    The square of noise in a part of the band is a hump, whose top stands out of the mean of all but of nothing near it.
    """
    from scipy.ndimage import uniform_filter1d

    reach = max(_ABOUT_AT_LEAST, power.shape[1] // (2 * _ABOUT))
    wide, near = 2 * reach + 1, 2 * _SPREAD + 1
    around = wide * uniform_filter1d(power, wide, mode="wrap") - near * uniform_filter1d(
        power, near, mode="wrap"
    )
    # running sums leave some rounding of what is far larger
    least = np.maximum(1e-9 * power.max(axis=1, keepdims=True), 1e-300)
    ratio = power * (wide - near) / np.maximum(around, least)
    at = np.argmax(ratio, axis=1)
    return at, ratio[np.arange(at.size), at]


def _seen(z: Complexes, at: int, band: tuple[int, int], step_hz: float) -> Unbroken | None:
    """The carrier of half the frequency of line ``at`` in the square of ``z``, if symbols can be what reverses it."""
    low, size = band
    turned = z * np.exp(-1j * np.pi * at / z.size * np.arange(z.size))
    mean = complex(np.mean(turned * turned))
    turned *= np.exp(-0.5j * np.angle(mean))
    signal, whole = abs(mean), float(np.mean(np.abs(turned) ** 2))
    # noise along the axis is as much as across it
    half = 0.5 * (whole - signal)
    fourth = float(np.mean(turned.real**4)) - 6.0 * signal * half - 3.0 * half * half
    tone = abs(complex(np.mean(turned))) ** 2
    if signal < _ALONG * whole or tone > _TONE * signal or not 0.0 < fourth < _FOURTH * signal**2:
        return None
    low_hz, wide_hz = low * step_hz, size * step_hz
    # an analytic signal has twice the power of the real one
    density = half / wide_hz
    return Unbroken(
        (low + 0.5 * at) * step_hz, low_hz, low_hz + wide_hz, density, 0.5 * signal, 0.5 * signal / half
    )


def own_range(noise: NoiseFloor, one: Unbroken, seen: Sequence[Unbroken] = ()) -> tuple[float, float]:
    """From where to where the spectrum falls off on either side, before something else begins: that the floor shows, or
    half way to a carrier that was ``seen`` beside the band."""
    hz, floor = noise.floor_hz, noise.floor
    first, last = np.searchsorted(hz, (one.low_hz, one.high_hz))

    def reach(levels: Floats) -> int:
        lowest = np.maximum(np.minimum.accumulate(levels), one.density)
        rises = np.flatnonzero(levels > _RISE * lowest)
        # as far as the valley before it
        return int(np.argmin(levels[: rises[0]])) if rises.size and rises[0] else levels.size

    down, up = reach(floor[:first][::-1]), reach(floor[last:])
    low = float(hz[max(0, int(first) - down)])
    high = float(hz[min(hz.size - 1, int(last) + up)])
    for other in seen:
        if other.power > _BESIDE * one.power and not other.low_hz < one.carrier_hz < other.high_hz:
            middle = 0.5 * (one.carrier_hz + other.carrier_hz)
            if other.carrier_hz < one.low_hz:
                low = max(low, middle)
            elif other.carrier_hz > one.high_hz:
                high = min(high, middle)
    return min(one.low_hz, low), max(one.high_hz, high)
