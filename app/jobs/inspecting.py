"""What a capture holds, without decoding anything."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from app.errors import CancelledError
from app.model.capture import Capture, Channel, NamedSpan
from dsp.results import Notice

_BLOCK = 1 << 18


@dataclass(frozen=True)
class ChannelFacts:
    """``lowest`` and ``highest`` in ``unit``; None where no sample is finite."""

    name: str
    unit: str
    lowest: float | None
    highest: float | None


@dataclass(frozen=True)
class CaptureFacts:
    format: str
    sample_rate_hz: float
    sample_rate_std_hz: float | None
    start_s: float
    samples: int
    duration_s: float
    segments: int
    channels: tuple[ChannelFacts, ...]
    warnings: tuple[Notice, ...]
    spans: tuple[NamedSpan, ...]


def inspect_capture(
    capture: Capture,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> CaptureFacts:
    """Read every sample once, in blocks, for the range of each channel.

    Raises
    ------
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    channels = []
    for number, channel in enumerate(capture.channels):
        channels.append(_range(channel, cancelled))
        if progress is not None:
            progress((number + 1) / len(capture.channels))
    return CaptureFacts(
        format=capture.format,
        sample_rate_hz=capture.rate_hz,
        sample_rate_std_hz=capture.rate_std_hz,
        start_s=capture.start_s,
        samples=capture.samples,
        duration_s=capture.duration_s,
        segments=len(capture.segments),
        channels=tuple(channels),
        warnings=capture.warnings,
        spans=capture.spans,
    )


def _range(channel: Channel, cancelled: Callable[[], bool] | None) -> ChannelFacts:
    lows, highs = [], []
    for at in range(0, len(channel), _BLOCK):
        if cancelled is not None and cancelled():
            raise CancelledError("reading was cancelled")
        block = channel.stored[at : at + _BLOCK]
        if block.dtype.kind == "f":
            block = block[np.isfinite(block)]
        if len(block):
            lows.append(float(block.min()))
            highs.append(float(block.max()))
    if not lows:
        return ChannelFacts(channel.name, channel.unit, None, None)
    ends = [end * channel.scale + channel.offset for end in (min(lows), max(highs))]
    return ChannelFacts(channel.name, channel.unit, min(ends), max(ends))
