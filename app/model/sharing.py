"""A copy of a session cut down to chosen stretches of time and channels, with what stands on them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from app.errors import UsageError
from app.model.capture import Capture, Channel, Segment
from app.model.expressions import channel_source
from app.model.items import BurstMark, Cursor, DecodeRun, FlipMark, SessionData
from app.model.pieces import JoinedSamples
from dsp.results import Notice

SHARED_CUT = "shared-cut"
"""Code of the notice on a decode whose bursts were kept while samples around them were left out."""

Span = tuple[float, float]
Placed = TypeVar("Placed", Cursor, FlipMark, BurstMark)


@dataclass(frozen=True)
class Kept:
    """What is kept of one capture: ``channels`` by name, None for all; ``spans_s``, empty for all of it."""

    capture: int
    spans_s: tuple[Span, ...] = ()
    channels: tuple[str, ...] | None = None


def shared(data: SessionData, kept: Sequence[Kept]) -> SessionData:
    """The session with the captures of ``kept`` alone, in that order.

    Decoded bursts stay where they lie wholly within what is kept, as they were found: a carrier that was pooled
    over more than that stays so, which a notice on the decode says. The digest of its samples is then left out;
    `app.jobs.shared_digests` works out that of what is left.

    Raises
    ------
    app.errors.UsageError : nothing is kept, or a stretch holds no sample.
    """
    if not kept:
        raise UsageError("nothing is chosen to be shared; choose a capture")
    parts = [_Part(data, one, number) for number, one in enumerate(kept)]
    notes = [note for note in data.notes if note.capture is None]
    for part in parts:
        notes += [
            replace(note, capture=part.number)
            for note in data.notes
            if note.capture == part.old and (note.time_s is None or part.holds(note.time_s))
        ]
    return replace(
        data,
        captures=tuple(part.capture for part in parts),
        cursors=tuple(one for part in parts for one in part.marks(data.cursors)),
        flips=tuple(one for part in parts for one in part.marks(data.flips)),
        spans=tuple(
            replace(span, capture=part.number)
            for part in parts
            for span in data.spans
            if span.capture == part.old and (part.holds(span.start_s) or part.holds(span.end_s))
        ),
        notes=tuple(notes),
        looks=tuple(
            replace(look, capture=part.number)
            for part in parts
            for look in data.looks
            if look.capture == part.old and part.has_channel(look.channel)
        ),
        decodes=tuple(run for part in parts for run in part.decodes(data.decodes)),
        burst_marks=tuple(one for part in parts for one in part.marks(data.burst_marks)),
        # a reading says by itself what it was read of
        pins=tuple(
            replace(pin, capture=part.number)
            for part in parts
            for pin in data.pins
            if pin.capture == part.old
        ),
    )


def sample_bytes(data: SessionData) -> int:
    """Bytes of all samples of a session as they are stored, before they are compressed."""
    return sum(channel.stored.nbytes for capture in data.captures for channel in capture.channels)


class _Part:
    """One capture of the copy."""

    def __init__(self, data: SessionData, kept: Kept, number: int) -> None:
        self.old, self.number = kept.capture, number
        if not 0 <= kept.capture < len(data.captures):
            raise UsageError(f"there is no capture {kept.capture}; the session holds {len(data.captures)}")
        whole = data.captures[kept.capture]
        self._spans = _merged(kept.spans_s)
        self.capture = _cut(whole, self._spans, kept.channels)

    def holds(self, time_s: float) -> bool:
        return not self._spans or any(start <= time_s <= end for start, end in self._spans)

    def marks(self, marks: Iterable[Placed]) -> list[Placed]:
        return [
            replace(one, capture=self.number)
            for one in marks
            if one.capture == self.old and self.holds(one.time_s)
        ]

    def decodes(self, runs: Iterable[DecodeRun]) -> list[DecodeRun]:
        out = []
        for run in runs:
            if run.capture != self.old or not self.has_channel(run.channel):
                continue
            if self._is_whole(run.span_s):
                out.append(replace(run, capture=self.number))
                continue
            inside = [self._overlap(run.span_s, span) for span in self._spans]
            spans = [span for span in inside if span is not None]
            if spans:
                out.append(self._cut_run(run, (spans[0][0], spans[-1][1])))
        return out

    def _cut_run(self, run: DecodeRun, span_s: Span) -> DecodeRun:
        bursts = tuple(
            burst
            for burst in run.result.bursts
            if any(start <= burst.start_s and burst.end_s <= end for start, end in self._spans)
        )
        left_out = len(run.result.bursts) - len(bursts)
        text = f"cut from a longer decode when it was shared; {left_out} bursts outside are left out, values pooled stay"
        if run.samples_sha256:
            text += f"; the SHA-256 of the samples of the longer one is {run.samples_sha256}"
        notice = Notice(SHARED_CUT, text, max(left_out, 1))
        known = tuple(one for one in run.result.warnings if one.code != SHARED_CUT)
        result = replace(run.result, bursts=bursts, warnings=(*known, notice))
        return replace(run, capture=self.number, span_s=span_s, samples_sha256="", result=result)

    def has_channel(self, text: str) -> bool:
        try:
            channel_source(self.capture, text)
        except UsageError:
            return False
        return True

    def _is_whole(self, span_s: Span) -> bool:
        return not self._spans or any(start <= span_s[0] and span_s[1] <= end for start, end in self._spans)

    @staticmethod
    def _overlap(one: Span, other: Span) -> Span | None:
        start, end = max(one[0], other[0]), min(one[1], other[1])
        return (start, end) if start < end else None


def _merged(spans_s: Iterable[Span]) -> list[Span]:
    """In order of time, those that touch as one."""
    out: list[Span] = []
    for start, end in sorted(spans_s):
        if not start < end:
            raise UsageError("a stretch to be shared ends before it starts")
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out


def _cut(whole: Capture, spans: Sequence[Span], names: Sequence[str] | None) -> Capture:
    known = [channel.name for channel in whole.channels]
    for name in names or ():
        if name not in known:
            raise UsageError(f"{whole.name} has no channel {name!r}; it has {', '.join(known)}")
    channels = [channel for channel in whole.channels if names is None or channel.name in names]
    if not channels:
        raise UsageError(f"no channel of {whole.name} is chosen")
    pieces = list(_pieces(whole, spans)) if spans else [(s.first, s.last, s.start_s) for s in whole.segments]
    if not pieces:
        raise UsageError(f"the stretches chosen hold no sample of {whole.name}")
    segments = []
    first = 0
    for begin, end, start_s in pieces:
        segments.append(Segment(first, first + end - begin, start_s))
        first += end - begin
    return replace(
        whole,
        channels=tuple(_cut_channel(channel, pieces, len(channel)) for channel in channels),
        segments=tuple(segments),
        start_s=segments[0].start_s,
        path=None,
        warnings=tuple(replace(one, first_sample=None) for one in whole.warnings)
        if spans
        else whole.warnings,
    )


def _pieces(whole: Capture, spans: Sequence[Span]) -> Iterable[tuple[int, int, float]]:
    """First and last sample (half open) and start of each contiguous piece."""
    for segment in whole.segments:
        count = segment.last - segment.first
        for start_s, end_s in spans:
            begin = int(np.ceil(max(0.0, (start_s - segment.start_s) * whole.rate_hz - 1e-3)))
            end = int(np.ceil(min(float(count), max(0.0, (end_s - segment.start_s) * whole.rate_hz - 1e-3))))
            if begin < end:
                yield segment.first + begin, segment.first + end, segment.start_s + begin / whole.rate_hz


def _cut_channel(channel: Channel, pieces: Sequence[tuple[int, int, float]], length: int) -> Channel:
    if sum(end - begin for begin, end, _ in pieces) == length:
        return channel
    return replace(channel, stored=JoinedSamples(channel.stored, [(begin, end) for begin, end, _ in pieces]))
