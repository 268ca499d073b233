"""A noisy carrier freed of what lies outside its band, so that its half cycles can be told apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_CYCLES = 1.5  # of the filter: shorter lets more noise in, longer blurs a flip
_LEAST_CYCLES = 8.0  # in the samples, to know the carrier well enough
_LEAST_PERIOD = 2.5  # samples
_SHARE = 0.75  # of what is more than noise lies in the band, or it is no carrier
_BAND = (0.5, 1.5)  # of the carrier: where it lies with its flips
_MOST_TAPS = 513
_SMOOTH = 5  # bins of the spectrum that are averaged


@dataclass(frozen=True, eq=False)
class CarrierBand:
    """``values``, shape (samples,), about zero; white noise of ``noise`` is left in them, and a carrier of peak
    ``amplitude`` with ``period`` samples a cycle, which was ``told``, or found in these samples alone."""

    values: Floats
    noise: float
    amplitude: float
    period: float
    told: bool = False


def in_carrier_band(
    values: NDArray[Any], noise: float, *, carrier: float | None = None
) -> CarrierBand | None:
    """``values``, shape (samples,), filtered to the band of the carrier in them; None where there is none.

    ``carrier`` is its frequency in cycles a sample, if it is known. Else it is where the averaged spectrum less the
    white floor is highest, and nothing is filtered where less than three quarters of what is more than noise lies
    within half and one and a half times that, as in signals without a carrier.

    The filter has no delay: a cosine of the carrier's frequency under a Hann window of one and a half of its cycles,
    less what it would let through of a constant, with gain one at the carrier. A flip is blurred over less than a
    cycle on either side alike, so the place where the carrier turns back stays where it is. White noise of standard
    deviation ``noise`` comes out with that times the root of the sum of the squared taps (A. Papoulis, "Probability,
    Random Variables, and Stochastic Processes", white noise through a linear system; from memory).

    Where values are missing, nothing is filtered.
    """
    signal = np.asarray(values, np.float64)
    if signal.size < 64 or not np.isfinite(signal).all():
        return None
    signal = signal - signal.mean()
    found = carrier or _carrier(signal, noise)
    if found is None or not _LEAST_PERIOD <= 1 / found <= signal.size / _LEAST_CYCLES:
        return None
    taps = _taps(1 / found)
    if taps.size >= signal.size:
        return None
    filtered = np.convolve(np.pad(signal, taps.size // 2, mode="reflect"), taps, "valid")
    left = noise * float(np.sqrt((taps**2).sum()))
    power = float(np.var(filtered)) - left**2
    if power <= 0:
        return None
    return CarrierBand(filtered, left, float(np.sqrt(2 * power)), 1 / found, carrier is not None)


def _carrier(signal: Floats, noise: float) -> float | None:
    """The carrier in cycles a sample."""
    spectrum = np.abs(np.fft.rfft(signal * np.hanning(signal.size))) ** 2
    # so that white noise of variance one stands at one
    spectrum /= float((np.hanning(signal.size) ** 2).sum())
    excess = np.convolve(spectrum, np.full(_SMOOTH, 1 / _SMOOTH), "same") - noise**2
    first = max(int(np.ceil(_LEAST_CYCLES)), _SMOOTH)
    last = int(signal.size / _LEAST_PERIOD)
    if last <= first:
        return None
    peak = first + int(np.argmax(excess[first:last]))
    low, high = int(peak * _BAND[0]), int(np.ceil(peak * _BAND[1])) + 1
    above = spectrum - noise**2
    whole, within = float(above[1:].sum()), float(above[max(low, 1) : high].sum())
    if whole <= 0 or within < _SHARE * whole:
        return None
    inside = np.clip(above[low:high], 0, None)
    # flips spread the carrier to both sides alike: their middle is more certain than the highest bin
    near = slice(max(peak - _SMOOTH, low) - low, peak + _SMOOTH + 1 - low)
    return float((np.arange(low, high)[near] * inside[near]).sum() / inside[near].sum()) / signal.size


def _taps(period: float) -> Floats:
    count = min(round(period * _CYCLES) | 1, _MOST_TAPS)
    at = np.arange(count) - count // 2
    window = np.hanning(count + 2)[1:-1]
    wave = np.cos(2 * np.pi * at / period)
    taps = window * wave
    taps -= window * taps.sum() / window.sum()
    scaled: Floats = taps / float((taps * wave).sum())
    return scaled
