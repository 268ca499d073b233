"""Carrier, symbol period and levels of a span, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from app.errors import UsageError
from app.jobs.decoding import DecodeOutcome, DecodeRequest, run_decode
from app.jobs.spans import Selection, select
from app.model.expressions import channel_source
from app.model.summary import Estimate, Summary, summarise
from app.model.tolerance import tolerance_of
from dsp.errors import BadInputError
from dsp.measure import SpanReadings, read_span
from dsp.reading import Reading

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]

OVER = {"carrier": "cycles", "symbol_rate": "symbols", "symbol_period": "symbols"}
"""What a reading's count counts, where that is not samples."""


@dataclass(frozen=True)
class NamedReading:
    """``name`` is stable, as the JSON has it."""

    name: str
    reading: Reading


@dataclass(frozen=True, eq=False)
class MeasureOutcome:
    """Readings of one channel over one span; ``decoded`` is what the carrier and symbols were taken from."""

    decoded: DecodeOutcome
    readings: tuple[NamedReading, ...]


def run_measure(
    request: DecodeRequest, progress: Progress | None = None, cancelled: Cancelled | None = None
) -> MeasureOutcome:
    """Measure the requested channel over the requested span.

    The carrier and the symbol rate are pooled over the span's bursts; a carrier that is not keyed is read
    from its zero crossings. What the samples do not show has no reading.

    Raises
    ------
    app.errors.UsageError : settings, channel or span that cannot be, or a span over several segments.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    selection = select(request.capture, request.span_s)
    if len(selection.segments) > 1:
        raise UsageError(
            f"the span covers {len(selection.segments)} segments of {request.capture.name} and nothing is "
            "measured across their edges; give a span inside one of them"
        )
    outcome = run_decode(request, progress, cancelled)
    # the statistical part alone; what the instrument adds is put beside it below
    summary = summarise(outcome.result, outcome.unit)
    levels = _levels(request, selection, summary)
    timed = [*_carrier(outcome, summary, levels), *_symbols(outcome, summary)]
    read = [
        ("mean", levels.mean),
        ("rms", levels.rms),
        ("peak_to_peak", levels.peak_to_peak),
        ("noise", Reading(levels.noise, None, outcome.unit, levels.mean.count)),
    ]
    read += [
        (
            "amplitude" if t.talker is None else f"amplitude_talker_{t.talker}",
            _reading(t.amplitude, outcome.unit),
        )
        for t in summary.talkers
        if t.amplitude is not None
    ]
    tolerance = tolerance_of(request.capture)
    return MeasureOutcome(
        outcome,
        (
            *(_told(name, reading, tolerance.time_relative_std) for name, reading in timed),
            *(_told(name, reading, tolerance.gain_relative_std) for name, reading in read),
        ),
    )


def _levels(request: DecodeRequest, selection: Selection, summary: Summary) -> SpanReadings:
    source = channel_source(request.capture, request.channel)
    try:
        return read_span(
            source.stored,
            request.capture.rate_hz,
            start=selection.first,
            stop=selection.last,
            scale=source.scale,
            offset=source.offset,
            unit=source.unit,
            carrier_hz=summary.carrier_hz.value if summary.carrier_hz else request.settings.carrier_hz,
        )
    except BadInputError as error:
        raise UsageError(f"{request.capture.name}: {error}; give another span") from error


def _carrier(outcome: DecodeOutcome, summary: Summary, levels: SpanReadings) -> list[tuple[str, Reading]]:
    pooled = summary.carrier_hz
    if pooled is not None:
        busy_s = sum(burst.end_s - burst.start_s for burst in outcome.result.bursts)
        return [("carrier", replace(_reading(pooled, "Hz"), count=int(pooled.value * busy_s)))]
    if outcome.result.signalling.kind == "tone" and levels.carrier is not None:
        return [("carrier", replace(levels.carrier.frequency, count=levels.carrier.whole_cycles))]
    return []


def _symbols(outcome: DecodeOutcome, summary: Summary) -> list[tuple[str, Reading]]:
    rate = summary.symbol_rate_bd
    if rate is None:
        return []
    symbols = sum(len(burst.symbols) for burst in outcome.result.bursts)
    relative = None if rate.std is None else rate.std / rate.value
    period = 1 / rate.value
    return [
        ("symbol_rate", replace(_reading(rate, "Bd"), count=symbols)),
        ("symbol_period", Reading(period, None if relative is None else period * relative, "s", symbols)),
    ]


def _reading(estimate: Estimate, unit: str) -> Reading:
    return Reading(estimate.value, estimate.std, unit)


def _told(name: str, reading: Reading, relative_std: float) -> NamedReading:
    return NamedReading(name, replace(reading, tolerance_std=abs(reading.value) * relative_std))
