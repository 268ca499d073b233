"""Rows of readings, and those of the period and transition tools over a stretch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.model.capture import Capture, Segment
from app.model.expressions import ChannelSource
from app.model.quantity import format_quantity
from app.model.tolerance import Tolerance
from dsp.measure import SpanReadings
from dsp.measure_period import PeriodReadings, cycle_times, read_period
from dsp.transition import find_transition

_LONGEST = 5.0
"""Cycles without a crossing: beyond, the carrier may have been another meanwhile."""
_LEAST_FLIPS = 4
MOST_SAMPLES = 1 << 20
"""Of a longer stretch single cycles are not measured."""


@dataclass(frozen=True)
class ReadingRow:
    """A heading where ``text`` is empty. ``value`` in ``unit`` with its standard uncertainty, where it is a number."""

    name: str
    text: str = ""
    tip: str = ""
    value: float | None = None
    std: float | None = None
    unit: str = ""


def measured(name: str, value: float, std: float | None, unit: str, tip: str) -> ReadingRow:
    return ReadingRow(name, format_quantity(value, std, unit), tip, value, std, unit)


def counted(name: str, count: int, tip: str) -> ReadingRow:
    return ReadingRow(name, str(count), tip, float(count))


def tool_rows(
    capture: Capture,
    source: ChannelSource,
    known: Tolerance,
    span_s: tuple[float, float],
    found: SpanReadings,
    flips_s: Sequence[float],
    symbol_rate_bd: float | None,
) -> list[ReadingRow]:
    """Period and jitter of cycles and symbols; of a stretch with one change of state, its levels and duration."""
    rows = []
    if found.carrier is not None:
        cycles = cycles_in(capture, source, span_s, found.noise, found.carrier.frequency.value)
        rows += _period("cycle", cycles, known)
    else:
        rows += _transition(capture, source, known, span_s, found.noise)
    if symbol_rate_bd:
        inside = np.array(sorted(time_s for time_s in flips_s if span_s[0] <= time_s < span_s[1]))
        rows += _period("symbol", symbols_in(capture, inside, symbol_rate_bd), known)
    return rows


def cycles_in(
    capture: Capture,
    source: ChannelSource,
    span_s: tuple[float, float],
    noise: float,
    carrier_hz: float | None,
) -> PeriodReadings | None:
    """Period of the cycles whose first and last rising crossings lie in a span; None if it cannot be told."""
    values = _values(capture, source, span_s)
    if values is None:
        return None
    samples, start_s = values
    clean = noise if math.isfinite(noise) else 0.0
    found = cycle_times(samples, capture.rate_hz, noise=clean, carrier_hz=carrier_hz)
    return read_period(
        start_s + found.times_s,
        about_s=1 / carrier_hz if carrier_hz else None,
        halves=True,
        least_std_s=found.std_s,
        widening=found.widening,
        longest=_LONGEST,
    )


def symbols_in(
    capture: Capture, flips_s: Sequence[float] | np.ndarray, symbol_rate_bd: float
) -> PeriodReadings | None:
    """Period of the symbol clock from flips in ascending order; None for fewer than four.

    By chance few flips may lie on a line far better than they are known, so each is taken to be uncertain by at least
    one sample interval, evenly spread (JCGM 100:2008, 4.3.7).
    """
    times = np.asarray(flips_s, np.float64)
    if times.size < _LEAST_FLIPS:
        return None
    return read_period(times, about_s=1 / symbol_rate_bd, least_std_s=1 / capture.rate_hz / math.sqrt(12))


def _period(what: str, found: PeriodReadings | None, known: Tolerance) -> list[ReadingRow]:
    if found is None:
        return []
    count = f"{found.periods:g}"
    period, jitter = found.period, found.jitter
    rows = [
        measured(
            f"{what} period",
            period.value,
            known.time_std(period.value, period.std),
            "s",
            f"Over {count} {what}s, by a straight line through {period.count} instants",
        ),
        measured(
            f"{what} jitter",
            jitter.value,
            jitter.std,
            "s",
            "Root mean square of the instants about an even grid; noise of the capture is part of it, averaged over two "
            "cycles where it is strong",
        ),
    ]
    if what == "symbol":
        # that of the cycles is read from all crossings: "frequency"
        std = known.time_std(period.value, period.std)
        std = None if std is None else std / period.value**2
        rows.insert(1, measured("symbol rate", 1 / period.value, std, "Bd", "1 / symbol period"))
    if found.period_jitter is not None:
        one = found.period_jitter
        tip = f"Root mean square of single {what}s about their mean; Pictures shows each"
        rows.append(measured(f"{what} to {what}", one.value, one.std, "s", tip))
    return rows


def _transition(
    capture: Capture, source: ChannelSource, known: Tolerance, span_s: tuple[float, float], noise: float
) -> list[ReadingRow]:
    values = _values(capture, source, span_s)
    if values is None or not math.isfinite(noise):
        return []
    found = find_transition(values[0], capture.rate_hz, unit=source.unit, noise=noise)
    if found is None:
        return []
    levels = ((found.low, "low state"), (found.high, "high state"))
    rows = [
        measured(name, one.value, known.gain_std(one.value, one.std), one.unit, "State level (IEEE Std 181)")
        for one, name in levels
    ]
    duration, slope = found.duration, found.slope
    tip = "From the 10 % to the 90 % reference level instant (IEEE Std 181)"
    rows.append(
        measured("transition 10-90 %", duration.value, known.time_std(duration.value, duration.std), "s", tip)
    )
    rows.append(
        measured("transition slope", slope.value, slope.std, slope.unit, "Between these two instants")
    )
    return rows


def _values(
    capture: Capture, source: ChannelSource, span_s: tuple[float, float]
) -> tuple[np.ndarray, float] | None:
    """Samples of a span within one segment, and the time of the first."""
    segment = segment_of(capture, *span_s)
    if segment is None:
        return None
    rate_hz = capture.rate_hz
    start = max(segment.first + math.ceil((span_s[0] - segment.start_s) * rate_hz), segment.first)
    stop = min(segment.first + math.ceil((span_s[1] - segment.start_s) * rate_hz), segment.last)
    if not 4 <= stop - start <= MOST_SAMPLES:
        return None
    return np.asarray(source[start:stop], np.float64), segment.start_s + (start - segment.first) / rate_hz


def segment_of(capture: Capture, start_s: float, end_s: float) -> Segment | None:
    """The one segment that holds both instants."""
    for segment in capture.segments:
        last_s = segment.start_s + (segment.last - segment.first) / capture.rate_hz
        if segment.start_s <= start_s and end_s <= last_s:
            return segment
    return None
