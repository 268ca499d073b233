"""Readings over a stretch of samples, each with its standard uncertainty.

The measurand is the waveform over exactly the samples given: of a span that does not hold whole cycles the
mean is the mean of that span, not of the process. What makes a reading uncertain is noise, taken as white
and Gaussian with standard deviation ``noise`` (`noise_std`), propagated to first order (JCGM 100:2008,
5.1.2), and the converter's step ``resolution`` where noise does not smooth it: ``resolution / sqrt(12)``,
the same for all samples (JCGM 100:2008, F.2.2.1). Noise that an instrument's own filter made smooth is not
white; then the statistical part here is too small. The tolerance of the instrument's time base or gain is
kept apart (`dsp.reading.Reading.with_tolerance`).

Derivations, for n samples ``x_i = s_i + e_i`` with ``var e_i = u^2``:

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

Frequency, cycles and transition times are in `dsp.measure_timing`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.errors import BadInputError
from dsp.measure_timing import CarrierReadings, carrier_readings
from dsp.reading import Reading
from dsp.source import SampleSource

Values = NDArray[Any]
Floats = NDArray[np.float64]

BLOCK = 1 << 18
CROSSING_LIMIT = 1 << 22  # samples: in a longer span crossings are not searched
_NOISE_BLOCK = 4096
_NOISE_BLOCKS = 16


@dataclass(frozen=True)
class SpanReadings:
    """All readings of a span. ``carrier`` is None where there are too few crossings or too many samples."""

    mean: Reading
    rms: Reading
    peak_to_peak: Reading
    slope: Reading
    noise: float
    carrier: CarrierReadings | None


@dataclass(frozen=True)
class _Moments:
    """Of the finite values; ``index_spread`` is the sum of squares of the indices about their mean."""

    count: int
    mean: float
    mean_square: float
    low: float
    high: float
    slope: float
    index_spread: float


def read_span(
    source: SampleSource,
    rate_hz: float,
    *,
    start: int = 0,
    stop: int | None = None,
    scale: float = 1.0,
    offset: float = 0.0,
    unit: str = "V",
    noise: float | None = None,
    resolution: float | None = None,
    carrier_hz: float | None = None,
) -> SpanReadings:
    """Readings over the samples ``[start, stop)``, read block by block.

    Parameters
    ----------
    source : one-dimensional real samples as stored; ``value = stored * scale + offset`` in ``unit``.
    rate_hz : sample rate.
    noise : standard deviation of the noise in ``unit``; found by `noise_std` if None.
    resolution : step of the converter in ``unit``; if None, ``|scale|`` for integer samples, else 0.
    carrier_hz : the carrier if it is known; then crossings are those of a level that follows slow ripple.

    Raises
    ------
    BadInputError : no finite sample in the range, or a rate that is not positive and finite.
    """
    stop = len(source) if stop is None else min(stop, len(source))
    start = max(start, 0)
    if not (rate_hz > 0 and math.isfinite(rate_hz)):
        raise BadInputError(f"a sample rate of {rate_hz:g} Hz cannot be worked with")

    def read(a: int, b: int) -> Floats:
        return np.asarray(source[start + a : start + b]).astype(np.float64) * scale + offset

    count = max(stop - start, 0)
    moments = _moments(read, count)
    if resolution is None:
        resolution = abs(scale) if np.asarray(source[0:0]).dtype.kind in "iu" else 0.0
    if noise is None:
        noise = _noise(read, count)
    carrier = None
    if count <= CROSSING_LIMIT:
        known_noise = noise if math.isfinite(noise) else 0.0
        carrier = carrier_readings(read(0, count), rate_hz, noise=known_noise, carrier_hz=carrier_hz)
    floor = _resolution_std(noise, resolution)
    return SpanReadings(
        _mean(moments, unit, noise, floor),
        _rms(moments, unit, noise, floor),
        _peak_to_peak(moments, unit, noise, floor),
        _slope(moments, rate_hz, unit, noise, floor),
        noise,
        carrier,
    )


def mean(values: Values, *, unit: str, noise: float, resolution: float = 0.0) -> Reading:
    """Mean of the finite ``values``, shape (samples,)."""
    return _mean(_moments_of(values), unit, noise, _resolution_std(noise, resolution))


def rms(values: Values, *, unit: str, noise: float, resolution: float = 0.0) -> Reading:
    """Root mean square, about zero, of the finite ``values``, shape (samples,)."""
    return _rms(_moments_of(values), unit, noise, _resolution_std(noise, resolution))


def peak_to_peak(values: Values, *, unit: str, noise: float, resolution: float = 0.0) -> Reading:
    """Greatest less least of the finite ``values``, shape (samples,)."""
    return _peak_to_peak(_moments_of(values), unit, noise, _resolution_std(noise, resolution))


def slope(values: Values, rate_hz: float, *, unit: str, noise: float, resolution: float = 0.0) -> Reading:
    """Slope, in ``unit``/s, of the straight line through the finite ``values``, shape (samples,)."""
    return _slope(_moments_of(values), rate_hz, unit, noise, _resolution_std(noise, resolution))


def noise_std(values: Values) -> float:
    """Standard deviation of the white noise in ``values``, shape (samples,), in their unit.

    From the median of the power spectrum (Hann window, up to 16 blocks of 4096): a signal that fills less
    than half of the spectrum hardly moves it. The power of noise in a bin is exponentially distributed, so
    its median is ``ln 2`` of its mean. A signal that fills more, as at few samples a cycle, makes the result
    too great. Under 32 samples: third differences, ``var = 20 u^2``. Blocks with NaN are left out; nan if
    nothing is left.
    """
    array = np.asarray(values)
    return _noise(lambda a, b: array[a:b].astype(np.float64), array.size)


def noise_relative_std(count: int) -> float:
    """Standard uncertainty of `noise_std` of ``count`` samples of white noise, over its value; nan under 32 samples.

    The median of ``M`` exponentially distributed powers has the relative standard deviation ``1 / (ln 2 sqrt(M))``
    (H. A. David and H. N. Nagaraja, Order Statistics, 2003, 10.3), its root half of that. Bins of the Hann window
    are correlated, 2/3 with the next and 1/6 with the one after it (F. J. Harris, Proc. IEEE 66, 51, 1978), so
    that ``1 + 2 (4/9 + 1/36)`` of them count as one.
    """
    if count < 32:
        return math.nan
    size = min(count, _NOISE_BLOCK)
    bins = min(_NOISE_BLOCKS, count // size) * (size // 2 - 2)
    return 0.5 / (math.log(2) * math.sqrt(bins / (1 + 2 * (4 / 9 + 1 / 36))))


def _noise(read: Callable[[int, int], Floats], count: int) -> float:
    if count < 32:
        steps = np.diff(read(0, count), 3)
        steps = steps[np.isfinite(steps)]
        return float(np.sqrt(np.mean(steps * steps) / 20)) if steps.size else math.nan
    size = min(count, _NOISE_BLOCK)
    starts = np.linspace(0, count - size, min(_NOISE_BLOCKS, count // size)).astype(int)
    window = np.hanning(size)
    powers = []
    for start in starts:
        block = read(int(start), int(start) + size)
        if np.isfinite(block).all():
            spectrum = np.fft.rfft((block - block.mean()) * window)[2:-1]
            powers.append(spectrum.real**2 + spectrum.imag**2)
    if not powers:
        return math.nan
    return float(np.sqrt(np.median(np.concatenate(powers)) / math.log(2) / np.sum(window * window)))


def _moments_of(values: Values) -> _Moments:
    array = np.asarray(values)
    return _moments(lambda a, b: array[a:b].astype(np.float64), array.size)


def _product(one: Floats, other: Floats) -> float:
    """Sum of products, in this thread: a matrix library shares it out to threads of its own, whose waiting for each
    other takes ten times as long as the sum where the processors have other work.
    """
    return float(np.einsum("i,i->", one, other))


def _moments(read: Callable[[int, int], Floats], count: int) -> _Moments:
    """Sums about the first finite value, so that a large offset costs no digits."""
    pivot: float | None = None
    sums = np.zeros(6)  # of 1, d, d^2, i, i^2, i d for index i from the middle and d = x - pivot
    low, high = math.inf, -math.inf
    for a in range(0, count, BLOCK):
        block = read(a, min(a + BLOCK, count))
        index = np.arange(a, a + block.size, dtype=np.float64) - (count - 1) / 2
        finite = np.isfinite(block)
        if not finite.all():
            block, index = block[finite], index[finite]
        if not block.size:
            continue
        pivot = float(block[0]) if pivot is None else pivot
        low, high = min(low, float(block.min())), max(high, float(block.max()))
        d = block - pivot
        sums += np.array(
            [d.size, d.sum(), _product(d, d), index.sum(), _product(index, index), _product(index, d)]
        )
    if pivot is None:
        raise BadInputError("there is no finite sample to read")
    n, d1, d2, i1, i2, id1 = (float(v) for v in sums)
    average = d1 / n
    spread = i2 - i1 * i1 / n
    return _Moments(
        int(n),
        pivot + average,
        max(d2 / n - average * average, 0.0) + (pivot + average) ** 2,
        low,
        high,
        (id1 - i1 * average) / spread if spread > 0 else math.nan,
        spread,
    )


def _resolution_std(noise: float, resolution: float) -> float:
    """What the converter's step adds: nothing where noise of half a step or more smooths it."""
    return 0.0 if noise >= resolution / 2 else resolution / math.sqrt(12)


def _std(statistical: float, floor: float) -> float | None:
    return math.hypot(statistical, floor) if math.isfinite(statistical) else None


def _mean(m: _Moments, unit: str, noise: float, floor: float) -> Reading:
    return Reading(m.mean, _std(noise / math.sqrt(m.count), floor), unit, m.count)


def _rms(m: _Moments, unit: str, noise: float, floor: float) -> Reading:
    value = math.sqrt(m.mean_square)
    bare = max(m.mean_square - noise * noise, 0.0)
    std = math.sqrt((bare * noise**2 + noise**4 / 2) / (m.count * m.mean_square)) if value else noise
    return Reading(value, _std(std, floor), unit, m.count)


def _peak_to_peak(m: _Moments, unit: str, noise: float, floor: float) -> Reading:
    return Reading(m.high - m.low, _std(math.sqrt(2) * noise, math.sqrt(2) * floor), unit, m.count)


def _slope(m: _Moments, rate_hz: float, unit: str, noise: float, floor: float) -> Reading:
    if m.count < 2:
        return Reading(math.nan, None, f"{unit}/s", m.count)
    std = noise / math.sqrt(m.index_spread) * rate_hz
    ends = math.sqrt(2) * floor / (m.count - 1) * rate_hz
    return Reading(m.slope * rate_hz, _std(std, ends), f"{unit}/s", m.count)
