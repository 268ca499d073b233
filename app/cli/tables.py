"""Results as text for people, and as delimited rows for spreadsheets."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from app.errors import one_line
from app.jobs.contract import BURST_FIELDS
from app.jobs.decoding import DecodeOutcome
from app.jobs.inspecting import CaptureFacts, ChannelFacts
from app.jobs.measuring import OVER, MeasureOutcome, NamedReading
from app.model.capture import NamedSpan
from app.model.cells import csv_text
from app.model.quantity import format_quantity, format_value
from app.model.summary import sentence, summarise
from app.model.tolerance import Tolerance
from dsp.results import Burst, Notice

CSV_FIELDS = ("file", "channel", "unit", "kind", "burst", *(f for f in BURST_FIELDS if f not in (
    "symbol_rate_alternatives_bd", "flips_s", "flips_interval_s", "confidence", "characters", "warnings",
)), "least_confidence")  # fmt: skip
"""Columns of the delimited form: the single values of the JSON, one row a burst."""

_MOST_SPANS = 20
_HEADS = ("#", "start", "symbols", "talker", "amplitude", "carrier", "symbol rate", "Es/N0", "ends", "bits")


def decode_text(file: str, outcome: DecodeOutcome) -> str:
    """One file's table with its heading, warnings and the sentence that sums it up."""
    lines = [_heading(file, outcome), *_notice_lines(outcome.result.warnings)]
    bursts = [outcome.tolerance.burst(burst) for burst in outcome.result.bursts]
    if bursts:
        rows = [_row(i, burst, outcome) for i, burst in enumerate(bursts)]
        lines += ["", *aligned([_HEADS, *rows]), ""]
        lines += [f"  note: burst {i}: {text}" for i, burst in enumerate(bursts) for text in burst.warnings]
    lines.append(sentence(summarise(outcome.result, outcome.unit, outcome.tolerance)))
    lines += [f"  because {reason}" for reason in outcome.result.signalling.reasons]
    if bursts:
        lines.append(_tolerance_text(outcome.tolerance))
    return "\n".join(lines) + "\n"


def measure_text(file: str, outcome: MeasureOutcome) -> str:
    """The readings of a span, a line each, and what the samples did not show."""
    decoded = outcome.decoded
    names = [named.name for named in outcome.readings]
    rows = [(named.name.replace("_", " "), _reading_text(named)) for named in outcome.readings]
    lines = [_heading(file, decoded), *_notice_lines(decoded.result.warnings), *aligned(rows)]
    if "symbol_rate" not in names:
        kind = decoded.result.signalling.kind
        why = decoded.result.refusal.text if decoded.result.refusal else f"the signalling is {kind}"
        lines.append(f"  no {'symbol period' if 'carrier' in names else 'carrier or symbol period'}: {why}")
    lines.append(_tolerance_text(decoded.tolerance))
    return "\n".join(lines) + "\n"


def info_text(file: str, facts: CaptureFacts) -> str:
    """What a capture holds, a line each."""
    rate = format_quantity(facts.sample_rate_hz, facts.sample_rate_std_hz, "Hz")
    lines = [
        f"{file}: {one_line(facts.format)}",
        f"  sample rate  {rate}",
        f"  samples      {facts.samples} a channel in {facts.segments} segment{'s'[: facts.segments != 1]}",
        f"  start        {format_value(facts.start_s, 's')}",
        f"  length       {format_value(facts.duration_s, 's')}",
    ]
    lines += [f"  channel      {_channel_text(channel)}" for channel in facts.channels]
    lines += [
        f"  span         {_span_text(span, facts.sample_rate_hz)}" for span in facts.spans[:_MOST_SPANS]
    ]
    if len(facts.spans) > _MOST_SPANS:
        lines.append(f"  span         and {len(facts.spans) - _MOST_SPANS} more")
    lines += _notice_lines(facts.warnings)
    return "\n".join(lines) + "\n"


def _span_text(span: NamedSpan, rate_hz: float) -> str:
    return f"{one_line(span.name)}: {_time_text(span.start_s, rate_hz)} to {_time_text(span.end_s, rate_hz)}"


def decode_rows(reports: Iterable[tuple[str, DecodeOutcome]]) -> str:
    """Delimited text (RFC 4180 quoting, line feeds) with one row a burst; empty where nothing applies."""
    rows = []
    for file, outcome in reports:
        for number, plain in enumerate(outcome.result.bursts):
            burst = outcome.tolerance.burst(plain)
            shared = {
                "file": file,
                "channel": outcome.channel,
                "unit": outcome.unit,
                "kind": outcome.result.signalling.kind,
                "burst": number,
                "least_confidence": min(burst.confidence, default=None),
            }
            rows.append([shared[f] if f in shared else getattr(burst, f) for f in CSV_FIELDS])
    return csv_text(CSV_FIELDS, rows)


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Columns two blanks apart, the last one ragged."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  " + "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def _heading(file: str, outcome: DecodeOutcome) -> str:
    start, end = (format_value(limit, "s") for limit in outcome.span_s)
    return (
        f"{file}: channel {one_line(outcome.channel)} ({one_line(outcome.unit)}), {outcome.samples} samples at "
        f"{format_value(outcome.sample_rate_hz, 'Hz')}, span {start} to {end}"
    )


def _reading_text(named: NamedReading) -> str:
    reading = named.reading
    text = format_quantity(reading.value, reading.combined_std, reading.unit)
    return text if reading.count is None else f"{text} over {reading.count} {OVER.get(named.name, 'samples')}"


def _row(number: int, burst: Burst, outcome: DecodeOutcome) -> tuple[str, ...]:
    ends = burst.start_probability * burst.end_probability
    return (
        str(number),
        _time_text(burst.start_s, outcome.sample_rate_hz),
        f"{len(burst.symbols)}{'+' if burst.cut_at_start or burst.cut_at_end else ''}",
        "-" if burst.talker is None else str(burst.talker),
        format_quantity(burst.amplitude, burst.amplitude_std, outcome.unit),
        _or_dash(burst.carrier_hz, burst.carrier_std_hz, "Hz"),
        _or_dash(burst.symbol_rate_bd, burst.symbol_rate_std_bd, "Bd"),
        _or_dash(burst.esn0_db, burst.esn0_std_db, "dB"),
        f"{ends:.3f}",
        burst.bits,
    )


def _time_text(time_s: float, rate_hz: float) -> str:
    """To a tenth of a sample, so that the place can be found again."""
    if not math.isfinite(time_s):
        return "-"
    decimals = min(15, max(0, math.ceil(math.log10(rate_hz)) + 1))
    return f"{time_s:.{decimals}f} s"


def _or_dash(value: float | None, std: float | None, unit: str) -> str:
    return "-" if value is None else format_quantity(value, std, unit)


def _channel_text(channel: ChannelFacts) -> str:
    if channel.lowest is None:
        return f"{one_line(channel.name)}: no finite sample"
    low, high = (format_value(value, channel.unit) for value in (channel.lowest, channel.highest))
    return f"{one_line(channel.name)}: {low} to {high}"


def _notice_lines(notices: Iterable[Notice]) -> list[str]:
    return [f"  warning: {one_line(notice.text)}" for notice in notices]


def _tolerance_text(tolerance: Tolerance) -> str:
    told = {"time base": tolerance.timebase_ppm, "gain": tolerance.gain_percent}
    missing = [name for name, value in told.items() if value is None]
    if not missing:
        return "The standard uncertainties include the stated tolerance of time base and gain."
    return (
        f"The standard uncertainties do not include the instrument's own {' and '.join(missing)}, "
        "whose tolerance is not stated."
    )
