"""A session of very many captures: a row for each, since a page about each would be a book."""

from __future__ import annotations

from collections.abc import Sequence

from app.model.capture import Capture
from app.model.quantity import format_quantity, format_value
from app.report.gather import ChannelReport
from app.report.markup import Child, Element, element, table

MOST_PARTS = 60
"""So many captures, and channels of them, are told of at length."""


def capture_rows(captures: Sequence[Capture]) -> list[Element]:
    """What was captured and how, a row each."""
    rows: list[Sequence[Child]] = []
    for number, one in enumerate(captures):
        length = sum(segment.last - segment.first for segment in one.segments)
        rows.append(
            (
                str(number),
                one.name,
                one.label or "–",
                format_quantity(one.rate_hz, one.rate_std_hz, "Hz"),
                format_value(length / one.rate_hz, "s"),
                ", ".join(f"{channel.name} ({channel.unit})" for channel in one.channels[:8]),
                str(len(one.warnings)),
            )
        )
    heads = ("#", "file", "done while capturing", "sample rate", "length", "channels", "warnings")
    return [table(heads, rows)]


def part_rows(parts: Sequence[ChannelReport]) -> list[Element]:
    """What is sent, a row a channel."""
    rows: list[Sequence[Child]] = []
    for part in parts:
        found = part.summary
        rows.append(
            (
                str(part.index),
                part.capture.name,
                part.channel,
                f"{found.signalling.kind}, {found.signalling.probability:.3g}",
                str(found.bursts),
                str(len(found.talkers)),
                "–" if found.carrier_hz is None else found.carrier_hz.text("Hz"),
                "–" if found.symbol_rate_bd is None else found.symbol_rate_bd.text("Bd"),
                found.refusal or "",
            )
        )
    heads = (
        *("#", "file", "channel", "modulation, probability", "bursts", "talkers", "carrier", "symbol rate"),
        "why no bits",
    )
    words = (
        f"This session has {len(parts)} decoded channels. Each has a row here; the first {MOST_PARTS} are told of at "
        "length below. A report on a copy cut to other captures tells of those."
    )
    return [element("p", words), table(heads, rows)]
