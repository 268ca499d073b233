"""From a span of time to the samples that may be worked on.

A span is half open: the sample at its start belongs to it, the one at its end does not.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from app.errors import CancelledError, UsageError
from app.model.capture import Capture, Segment
from app.model.quantity import format_value
from dsp.source import SampleSource

if TYPE_CHECKING:
    from dsp.results import Notice

SpanLimits = tuple[float | None, float | None]
"""Start and end in seconds on the capture's own axis; None is the capture's own limit."""

_BLOCK = 1 << 18
# float arithmetic on seconds must not move a limit that was meant to fall on a sample
_SLACK_SAMPLES = 1e-3
# shorter stretches between unusable samples hold no carrier cycle, let alone a symbol
_SHORTEST_STRETCH = 8


@dataclass(frozen=True)
class Selection:
    """``segments`` are those of the capture cut to the span, ascending, none empty."""

    span_s: tuple[float, float]
    segments: tuple[Segment, ...]

    @property
    def first(self) -> int:
        return self.segments[0].first

    @property
    def last(self) -> int:
        """One past the last sample."""
        return self.segments[-1].last

    @property
    def samples(self) -> int:
        return sum(segment.last - segment.first for segment in self.segments)


def select(capture: Capture, span_s: SpanLimits | None = None) -> Selection:
    """The samples of ``capture`` inside ``span_s``.

    Raises
    ------
    app.errors.UsageError : the span is reversed, empty, reaches outside the capture, or holds no sample.
    """
    begin = capture.segments[0].start_s
    end = _end_s(capture, capture.segments[-1])
    start_s, stop_s = span_s or (None, None)
    lower = begin if start_s is None else start_s
    upper = end if stop_s is None else stop_s
    asked = f"the span {_limit_text(start_s, 'the start')} to {_limit_text(stop_s, 'the end')}"
    if start_s is not None and stop_s is not None and start_s >= stop_s:
        raise UsageError(f"{asked} ends before it starts; give the earlier time first")
    slack = (1 + _SLACK_SAMPLES) / capture.rate_hz
    if lower < begin - slack or upper > end + slack or lower >= end or upper <= begin:
        raise UsageError(
            f"{asked} reaches outside {capture.name}, which runs {format_value(begin, 's')} to "
            f"{format_value(end, 's')}; give a span inside it, or leave its start or end open"
        )
    lower, upper = max(lower, begin), min(upper, end)
    cut = [_cut(capture, segment, lower, upper) for segment in capture.segments]
    segments = tuple(segment for segment in cut if segment is not None)
    if not segments:
        raise UsageError(f"{asked} holds no sample of {capture.name}; give a longer span")
    return Selection((lower, upper), segments)


def skip_unusable(
    source: SampleSource,
    capture: Capture,
    selection: Selection,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[tuple[Segment, ...], tuple[Notice, ...]]:
    """Segments of ``selection`` without the samples that are no finite numbers, and a notice of those.

    Raises
    ------
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    from dsp.results import Notice

    kept: list[Segment] = []
    lost = stretches = 0
    first_lost: int | None = None
    for segment in selection.segments:
        begins, ends = _unusable(source, segment, cancelled)
        lost += int((ends - begins).sum())
        stretches += len(begins)
        if first_lost is None and len(begins):
            first_lost = int(begins[0])
        kept += _between(segment, begins, ends, capture.rate_hz)
    if first_lost is None:
        return selection.segments, ()
    noun = "sample is no finite number" if lost == 1 else "samples are no finite numbers"
    places = "" if stretches == 1 else f" in {stretches} stretches"
    text = f"{lost} {noun}{places}, the first is sample {first_lost}; nothing is decoded there or across"
    return tuple(kept), (Notice("not-finite-skipped", text, lost, first_lost),)


def overlapping(notices: tuple[Notice, ...], selection: Selection) -> tuple[Notice, ...]:
    """Those of a capture's notices that may concern the selection.

    A notice of several places names only the first of them, so it is kept unless that one lies behind.
    """

    def concerns(notice: Notice) -> bool:
        place = notice.first_sample
        if place is None:
            return True
        return place < selection.last and (place >= selection.first or notice.count > 1)

    return tuple(notice for notice in notices if concerns(notice))


def _cut(capture: Capture, segment: Segment, lower: float, upper: float) -> Segment | None:
    first = max(segment.first, segment.first + _index(lower - segment.start_s, capture.rate_hz))
    last = min(segment.last, segment.first + _index(upper - segment.start_s, capture.rate_hz))
    if first >= last:
        return None
    return _part(segment, first, last, capture.rate_hz)


def _part(segment: Segment, first: int, last: int, rate_hz: float) -> Segment:
    if first == segment.first:
        return Segment(first, last, segment.start_s)
    return Segment(first, last, segment.start_s + (first - segment.first) / rate_hz)


def _index(offset_s: float, rate_hz: float) -> int:
    """Index of the first sample at or after ``offset_s``."""
    return math.ceil(offset_s * rate_hz - _SLACK_SAMPLES)


def _end_s(capture: Capture, segment: Segment) -> float:
    return segment.start_s + (segment.last - segment.first) / capture.rate_hz


def _unusable(
    source: SampleSource, segment: Segment, cancelled: Callable[[], bool] | None
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and ends (half open) of the runs of samples that are not finite."""
    places: list[NDArray[np.int64]] = []
    for at in range(segment.first, segment.last, _BLOCK):
        if cancelled is not None and cancelled():
            raise CancelledError("the decode was cancelled")
        block = np.asarray(source[at : min(at + _BLOCK, segment.last)])
        if block.dtype.kind in "iub":
            break
        bad = ~np.isfinite(block)
        if bad.any():
            places.append(np.flatnonzero(bad).astype(np.int64) + at)
    if not places:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    index = np.concatenate(places)
    breaks = np.flatnonzero(np.diff(index) > 1)
    return index[np.r_[0, breaks + 1]], index[np.r_[breaks, len(index) - 1]] + 1


def _between(
    segment: Segment, begins: NDArray[np.int64], ends: NDArray[np.int64], rate_hz: float
) -> list[Segment]:
    firsts = np.r_[segment.first, ends]
    lasts = np.r_[begins, segment.last]
    shortest = 1 if not len(begins) else _SHORTEST_STRETCH
    usable = lasts - firsts >= shortest
    pairs = zip(firsts[usable].tolist(), lasts[usable].tolist(), strict=True)
    return [_part(segment, first, last, rate_hz) for first, last in pairs]


def _limit_text(time_s: float | None, otherwise: str) -> str:
    return otherwise if time_s is None else format_value(time_s, "s")
