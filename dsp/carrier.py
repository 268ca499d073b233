"""The carrier of a phase-reversal signal from the squared signal, which the reversals cannot turn.

Squaring maps both phases of the carrier onto the same tone at twice its frequency (Proakis, Digital
Communications, section 5.2); Viterbi and Viterbi (1983) take the general power. The signal is
band-limited before squaring; since its bandwidth is not known, several are tried and the line that stands
highest over what surrounds it counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.correlate import Complexes
from dsp.source import Floats

# times the largest of so many ordinates of noise, ``ln n`` means, that a line has at least; share of the level of what a
# band holds that its level is at least, though most of it be empty
_BY_CHANCE, _EMPTY = 8.0, 1e-9


@dataclass(frozen=True)
class CarrierLine:
    """A line of the squared signal: half its frequency, and its power over the median around it."""

    freq_hz: float
    contrast: float


def baseband(
    samples: Floats, rate_hz: float, centre_hz: float, half_width_hz: float
) -> tuple[Complexes, float, float]:
    """Analytic signal within ``centre +- half width``, moved to zero and thinned to about twice that width.

    Returns it with its rate and the exact frequency that was moved to zero. Zero-phase filtering by
    choosing bins of the transform, with raised-cosine flanks.
    """
    from scipy.fft import ifft, next_fast_len, rfft

    size = next_fast_len(samples.size, real=True)
    spectrum = rfft(samples, size)
    step = rate_hz / size
    centre = round(centre_hz / step)
    half = max(2, round(half_width_hz / step))
    low, high = max(1, centre - 2 * half), min(spectrum.size - 1, centre + 2 * half)
    offsets = np.arange(low, high) - centre
    flank = np.clip(2.0 - np.abs(offsets) / half, 0.0, 1.0)
    taper = 0.5 - 0.5 * np.cos(np.pi * flank)
    out_size = next_fast_len(4 * half + 1)
    band = np.zeros(out_size, dtype=np.complex128)
    band[offsets % out_size] = spectrum[low:high] * taper
    out = ifft(band) * (2.0 * out_size / size)
    out_rate = rate_hz * out_size / size
    keep = int(np.ceil(samples.size * out_rate / rate_hz))
    return out[:keep], out_rate, centre * step


def busiest_hz(samples: Floats, rate_hz: float, low_hz: float, high_hz: float, half_width_hz: float) -> float:
    """Centre of the band of this width, between two frequencies, that holds most energy."""
    from scipy.fft import next_fast_len, rfft

    size = next_fast_len(samples.size, real=True)
    power = np.abs(rfft(samples, size)) ** 2
    step = rate_hz / size
    half = max(1, round(half_width_hz / step))
    sums = np.concatenate(([0.0], np.cumsum(power)))
    first, last = max(1, round(low_hz / step)), min(power.size - 2, round(high_hz / step))
    centre = np.arange(first, max(first + 1, last))
    energy = sums[np.minimum(centre + half + 1, power.size)] - sums[np.maximum(centre - half, 0)]
    return float(centre[int(np.argmax(energy))]) * step


def squared_lines(
    samples: Floats, rate_hz: float, centre_hz: float, half_widths_hz: tuple[float, ...], most: int = 3
) -> list[CarrierLine]:
    """Candidate carriers, best first.

    ``samples`` (n,) should hold little besides the transmission.
    """
    from scipy.fft import fft, next_fast_len

    lines: list[CarrierLine] = []
    for half_width in half_widths_hz:
        band, band_rate, zero_hz = baseband(samples, rate_hz, centre_hz, half_width)
        if band.size < 8:
            continue
        # the square of a band-limited signal is twice as wide: double the rate first
        wide = _doubled(band)
        size = next_fast_len(4 * wide.size)
        power = np.abs(fft(wide**2, size)) ** 2
        step = 2.0 * band_rate / size
        reach = np.fft.fftfreq(size, 1.0 / (2.0 * band_rate))
        # a band that ends at zero or half the sample rate squares to nothing beyond twice that
        filled = (reach > -2.0 * zero_hz) & (reach < rate_hz - 2.0 * zero_hz)
        median, among = (float(np.median(some)) / np.log(2.0) for some in (power, power[filled]))
        if among <= 0.0:
            continue
        # what noise in it makes is held against noise, not against what is empty
        by_chance = _BY_CHANCE * float(np.log(size)) * among
        for _ in range(2):
            k = int(np.argmax(power))
            left, mid, right = power[k - 1], power[k], power[(k + 1) % size]
            bend = left - 2.0 * mid + right
            shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
            twice = ((k + shift + size / 2) % size - size / 2) * step
            freq = zero_hz + twice / 2.0
            if 0.0 < freq < rate_hz / 2.0:
                over = max(median, _EMPTY * among) if mid > by_chance else among
                lines.append(CarrierLine(float(freq), float(mid) / over))
            # the same line's own skirt must not be found again
            near = (np.arange(-10, 11) + k) % size
            power[near] = 0.0
    lines.sort(key=lambda line: -line.contrast)
    kept: list[CarrierLine] = []
    apart = 0.5 * rate_hz / samples.size
    for line in lines:
        if all(abs(line.freq_hz - other.freq_hz) > apart for other in kept):
            kept.append(line)
        if len(kept) == most:
            break
    return kept


def _doubled(band: Complexes) -> Complexes:
    from scipy.fft import fft, ifft

    n = band.size
    spectrum = fft(band)
    padded = np.zeros(2 * n, dtype=np.complex128)
    half = (n + 1) // 2
    padded[:half] = spectrum[:half]
    padded[-(n - half) :] = spectrum[half:]
    return ifft(padded) * 2.0
