"""The samples a picture shows: an envelope of many, the course of a few, a spectrum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import CancelledError
from app.model.capture import Capture, Segment
from app.model.expressions import ChannelSource

Cancelled = Callable[[], bool]
Floats = NDArray[np.float64]

_BLOCK = 1 << 18
_LONGEST_SPECTRUM = 1 << 18


@dataclass(frozen=True, eq=False)
class Envelope:
    """Least and largest value around each of ``times_s``; NaN where nothing was captured."""

    times_s: list[float]
    lows: list[float]
    highs: list[float]


def values(source: ChannelSource, first: int, last: int) -> Floats:
    """Samples ``[first, last)`` in the unit of ``source``."""
    return np.asarray(source[first:last], dtype=np.float64)


def envelope(
    capture: Capture,
    source: ChannelSource,
    span_s: tuple[float, float],
    columns: int,
    cancelled: Cancelled | None = None,
) -> Envelope:
    """Of all samples in ``span_s``, ``columns`` pairs of extremes.

    Raises
    ------
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    width = (span_s[1] - span_s[0]) / columns
    lows, highs = np.full(columns, np.inf), np.full(columns, -np.inf)
    for segment in capture.segments:
        first, last = indices(capture, segment, span_s)
        for at in range(first, last, _BLOCK):
            if cancelled is not None and cancelled():
                raise CancelledError("the report was cancelled")
            part = values(source, at, min(at + _BLOCK, last))
            times = segment.start_s + (np.arange(at, at + len(part)) - segment.first) / capture.rate_hz
            column = np.clip(((times - span_s[0]) / width).astype(np.intp), 0, columns - 1)
            # columns ascend within a block, so each is one run of samples
            begins = np.flatnonzero(np.r_[True, np.diff(column) > 0])
            where = column[begins]
            finite = np.isfinite(part)
            lows[where] = np.minimum(lows[where], np.minimum.reduceat(np.where(finite, part, np.inf), begins))
            highs[where] = np.maximum(
                highs[where], np.maximum.reduceat(np.where(finite, part, -np.inf), begins)
            )
    empty = lows > highs
    lows[empty] = highs[empty] = np.nan
    times_s = span_s[0] + (np.arange(columns) + 0.5) * width
    return Envelope(times_s.tolist(), lows.tolist(), highs.tolist())


def indices(capture: Capture, segment: Segment, span_s: tuple[float, float]) -> tuple[int, int]:
    """Samples of ``segment`` within ``span_s``, half open; empty where there are none."""
    count = segment.last - segment.first
    begin = (span_s[0] - segment.start_s) * capture.rate_hz
    end = (span_s[1] - segment.start_s) * capture.rate_hz
    first = int(np.ceil(min(max(begin - 1e-3, 0.0), count)))
    last = int(np.ceil(min(max(end - 1e-3, 0.0), count)))
    return segment.first + first, segment.first + max(first, last)


def segment_at(capture: Capture, time_s: float) -> Segment:
    """The segment that holds ``time_s``, or the last one that begins before it."""
    before = [segment for segment in capture.segments if segment.start_s <= time_s]
    return before[-1] if before else capture.segments[0]


def spectra(
    capture: Capture, source: ChannelSource, span_s: tuple[float, float], carrier_hz: float | None
) -> tuple[Floats, Floats, Floats] | None:
    """Frequencies and the power densities of the samples and of their square, in decibels over the largest.

    Welch's method (P. D. Welch, IEEE Trans. Audio Electroacoust. 15, 70, 1967), Hann window, as scipy has it.
    A carrier that is keyed by half turns has no line of its own; in the square it has one at twice its frequency.
    None where there are too few samples.
    """
    from scipy.signal import welch

    first, last = indices(capture, segment_at(capture, span_s[0]), span_s)
    part = values(source, first, min(last, first + _LONGEST_SPECTRUM))
    part = part[np.isfinite(part)]
    if len(part) < 64:
        return None
    part = _without_slow(part - part.mean(), capture.rate_hz, carrier_hz)
    length = min(len(part), 4096)
    # the square reaches to twice the frequency; doubling the rate first keeps it from folding back
    frequencies, power = welch(part, capture.rate_hz, nperseg=length)
    doubled = _doubled(part)
    square = doubled**2
    twice, power_of_square = welch(
        square - square.mean(), 2 * capture.rate_hz, nperseg=min(2 * length, len(doubled))
    )
    return (
        frequencies,
        _decibels(power),
        _decibels(np.asarray(np.interp(frequencies, twice / 2, power_of_square))),
    )


def _without_slow(part: Floats, rate_hz: float, carrier_hz: float | None) -> Floats:
    """Less what is slower than a third of the carrier: supply and ripple, whose product with the carrier clutters."""
    from scipy.signal import butter, sosfiltfilt

    corner = 0.0 if carrier_hz is None else carrier_hz / 3
    if not 0 < corner < 0.45 * rate_hz:
        return part
    return np.asarray(
        sosfiltfilt(butter(4, corner, "highpass", fs=rate_hz, output="sos"), part), dtype=np.float64
    )


def _doubled(part: Floats) -> Floats:
    from scipy.signal import resample_poly

    doubled: Any = resample_poly(part, 2, 1)
    return np.asarray(doubled, dtype=np.float64)


def _decibels(power: Floats) -> Floats:
    largest = power.max() if power.size else 0.0
    if not largest > 0:
        return np.full_like(power, np.nan)
    return np.asarray(10 * np.log10(np.maximum(power / largest, 1e-12)))
