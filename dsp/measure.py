"""Readings over a stretch of samples, each with its standard uncertainty.

The measurand is the waveform over exactly the samples given: of a span that does not hold whole cycles the
mean is the mean of that span, not of the process. What makes a reading uncertain is noise, taken as white and
Gaussian with standard deviation ``noise`` (see `noise_std`), propagated to first order (JCGM 100:2008, 5.1.2),
and the converter's step ``resolution`` where noise does not smooth it: ``resolution / sqrt(12)``, the same
for all samples (JCGM 100:2008, F.2.2.1). Noise that an instrument's own filter made smooth is not white; then
the statistical part here is too small. The tolerance of the instrument's time base or gain is kept apart
(`Reading.with_tolerance`).

Derivations, n samples ``x_i = s_i + e_i``, ``var e_i = u^2``:

mean
    ``var = u^2 / n``.
root mean square
    of the waveform and its noise together, ``R^2 = S^2 + u^2``. ``mean(x^2)`` has the variance
    ``(4 S^2 u^2 + 2 u^4) / n``, and ``R`` that over ``4 R^2``.
peak to peak
    ``max(x) - min(x)`` has at most the variance ``2 u^2``: its gradient has at most the norm ``sqrt(2)``
    (Gaussian Poincare inequality: Boucheron, Lugosi, Massart, Concentration Inequalities, 2013, theorem
    3.20, from memory). Noise makes the reading greater than the bare waveform's; that is part of it.
slope
    of the straight line fitted by least squares: ``var = 12 u^2 rate^2 / (n (n^2 - 1))``.
frequency
    from crossings, see `fit_carrier`.
transition
    IEEE Std 181: 10 % and 90 % reference level instants between the two state levels, see `transition`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.decode import SampleSource
from dsp.errors import BadInputError
from dsp.interpolate import Crossings, Floats, find_crossings, middle_level

Values = NDArray[Any]

BLOCK = 1 << 18
CROSSING_LIMIT = 1 << 22  # samples: beyond that a span's crossings are not searched
_NOISE_BLOCK = 4096
_NOISE_BLOCKS = 16
_HYSTERESIS_STDS = 4.0


@dataclass(frozen=True)
class Reading:
    """A value with its standard uncertainty, both in ``unit``.

    ``std`` is the statistical part (None: not known), ``tolerance_std`` the part from the instrument's stated
    tolerance (0: not stated). ``count`` is what the reading was taken over: samples, crossings or cycles.
    """

    value: float
    std: float | None
    unit: str
    count: int | None = None
    tolerance_std: float = 0.0

    @property
    def combined_std(self) -> float | None:
        """Both parts together; they are independent (JCGM 100:2008, 5.1.2)."""
        return None if self.std is None else math.hypot(self.std, self.tolerance_std)

    def with_tolerance(self, fraction: float) -> Reading:
        """With a relative tolerance of plus or minus ``fraction``, any value within being equally likely:
        ``|value| fraction / sqrt(3)`` (JCGM 100:2008, 4.3.7)."""
        return replace(self, tolerance_std=abs(self.value) * abs(fraction) / math.sqrt(3))


@dataclass(frozen=True, eq=False)
class CarrierReadings:
    """What the crossings of a carrier say.

    ``whole_cycles`` lie between the first and the last crossing; ``crossings`` are those found.
    """

    frequency: Reading
    whole_cycles: int
    crossings: int


@dataclass(frozen=True, eq=False)
class SpanReadings:
    """All readings of a span; ``carrier`` is None where there are too few crossings or too many samples."""

    mean: Reading
    rms: Reading
    peak_to_peak: Reading
    slope: Reading
    noise: float
    carrier: CarrierReadings | None


def noise_std(values: Values) -> float:
    """Standard deviation of the white noise in ``values``, shape (samples,), in their unit.

    The median of the power spectrum (Hann window, up to 16 blocks of 4096): signals that fill less than half of
    the spectrum do not move it. The power in a bin is exponentially distributed, so the median is ``ln 2``
    of the mean (Oppenheim, Schafer, Discrete-Time Signal Processing: periodogram). Signals that fill more,
    as at few samples a cycle, make it too great, never too small. Under 32 samples: third differences,
    ``var = 20 u^2``. NaN: blocks without it; nan if there are fewer than four samples.
    """
    signal = np.asarray(values)
    if signal.size < 32:
        steps = np.diff(signal.astype(np.float64), 3)
        steps = steps[np.isfinite(steps)]
        return float(np.sqrt(np.mean(steps * steps) / 20)) if steps.size else float("nan")
    size = min(signal.size, _NOISE_BLOCK)
    blocks = min(_NOISE_BLOCKS, signal.size // size)
    starts = np.linspace(0, signal.size - size, blocks).astype(int)
    window = np.hanning(size)
    powers = []
    for start in starts:
        block = signal[start : start + size].astype(np.float64)
        if np.isfinite(block).all():
            spectrum = np.fft.rfft((block - block.mean()) * window)[2:-1]
            powers.append(spectrum.real**2 + spectrum.imag**2)
    if not powers:
        finite = signal[np.isfinite(signal)]
        return noise_std(finite) if finite.size < signal.size else float("nan")
    return float(np.sqrt(np.median(np.concatenate(powers)) / math.log(2) / np.sum(window * window)))


def mean(values: Values, *, unit: str, noise: float, resolution: float = 0.0) -> Reading:
    """Mean of the finite values."""
    return read_span(values, 1.0, unit=unit, noise=noise, resolution=resolution, carrier=False).mean


def rms(values: Values, *, unit: str, noise: float, resolution: float = 0.0) -> Reading:
    """Root mean square of the finite values, about zero."""
    return read_span(values, 1.0, unit=unit, noise=noise, resolution=resolution, carrier=False).rms


def peak_to_peak(values: Values, *, unit: str, noise: float, resolution: float = 0.0) -> Reading:
    """Greatest less least of the finite values."""
    return read_span(values, 1.0, unit=unit, noise=noise, resolution=resolution, carrier=False).peak_to_peak
