"""Decode one channel of one capture: a frozen request in, a frozen outcome out, nothing kept in between."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from app.errors import UsageError
from app.jobs.digest import samples_sha256
from app.jobs.settings import check_against_rate, check_settings
from app.jobs.spans import SpanLimits, overlapping, select, skip_unusable
from app.model.capture import Capture, Segment
from app.model.expressions import ChannelSource, channel_source
from app.model.tolerance import Tolerance, tolerance_of
from dsp.errors import BadInputError
from dsp.results import Decode, DecodeSettings, Refusal, Signalling


def decode(*samples: Any, **known: Any) -> Decode:
    """`dsp.decoder.decode`; loaded at the first call, since it takes longer to load than a window to open."""
    from dsp.decoder import decode as of_samples

    return of_samples(*samples, **known)


Progress = Callable[[float], None]
Cancelled = Callable[[], bool]


@dataclass(frozen=True, eq=False)
class DecodeRequest:
    """Everything a decode needs. ``channel`` is a name or an expression, None the capture's first channel;
    ``span_s`` is in seconds on the capture's own axis, None for all of it."""

    capture: Capture
    channel: str | None = None
    span_s: SpanLimits | None = None
    settings: DecodeSettings = field(default_factory=DecodeSettings)
    hash_wanted: bool = False


@dataclass(frozen=True, eq=False)
class DecodeOutcome:
    """What came out, with the facts of the capture that the JSON names beside it.

    ``result.warnings`` holds those of the capture that concern the span, too. The uncertainties in ``result``
    are statistical; ``tolerance`` is what the instrument adds. ``samples_sha256`` is the digest of the stored
    samples that were decoded, None unless wanted.
    """

    channel: str
    unit: str
    sample_rate_hz: float
    start_s: float
    samples: int
    span_s: tuple[float, float]
    tolerance: Tolerance
    result: Decode
    samples_sha256: str | None = None


def run_decode(
    request: DecodeRequest, progress: Progress | None = None, cancelled: Cancelled | None = None
) -> DecodeOutcome:
    """Decode the requested channel over the requested span.

    Raises
    ------
    app.errors.UsageError : settings, channel or span that cannot be, refused before any sample is read.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    capture = request.capture
    check_settings(request.settings)
    check_against_rate(request.settings, capture.rate_hz)
    selection = select(capture, request.span_s)
    source = channel_source(capture, request.channel)
    segments, skipped = skip_unusable(source.stored, capture, selection, cancelled)
    if segments:
        result = _decode(request, source, segments, progress, cancelled)
    else:
        result = _nothing_usable(request.settings)
    notices = overlapping(capture.warnings, selection) + skipped + result.warnings
    digest = samples_sha256(source.stored, selection.segments, cancelled) if request.hash_wanted else None
    return DecodeOutcome(
        channel=source.name,
        unit=source.unit,
        sample_rate_hz=capture.rate_hz,
        start_s=capture.start_s,
        samples=capture.samples,
        span_s=selection.span_s,
        tolerance=tolerance_of(capture),
        result=replace(result, warnings=notices),
        samples_sha256=digest,
    )


def _decode(
    request: DecodeRequest,
    source: ChannelSource,
    segments: tuple[Segment, ...],
    progress: Progress | None,
    cancelled: Cancelled | None,
) -> Decode:
    try:
        return decode(
            source.stored,
            request.capture.rate_hz,
            start_s=request.capture.start_s,
            scale=source.scale,
            offset=source.offset,
            settings=request.settings,
            segments=tuple((s.first, s.last, s.start_s) for s in segments),
            progress=progress,
            cancelled=cancelled,
        )
    except BadInputError as error:
        raise UsageError(f"{request.capture.name}: {error}") from error


def _nothing_usable(settings: DecodeSettings) -> Decode:
    text = "no stretch of the span is long enough that holds only finite numbers"
    return Decode(settings, Signalling("undecided", 1.0, (), (text,)), (), Refusal("no-usable-samples", text))
