"""Commands on captures: open, describe, close."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

from app.model.capture import Capture
from app.model.commands import CommandError, check_capture, extent_s, with_key
from app.model.items import BurstMark, ChannelLook, Cursor, DecodeRun, FlipMark, Pin, SessionData, SpanMark

if TYPE_CHECKING:
    from dsp.results import Notice

OnCapture = TypeVar("OnCapture", Cursor, SpanMark, FlipMark, DecodeRun, BurstMark, Pin, ChannelLook)


def position_of(data: SessionData, capture: Capture) -> int | None:
    """Where a capture stands now, even if it was described anew meanwhile; None if it was closed."""
    for index, one in enumerate(data.captures):
        if one.channels is capture.channels:
            return index
    return None


def with_own_spans(data: SessionData) -> SessionData:
    """The spans that captures' files name taken among those of the session."""
    if not any(capture.spans for capture in data.captures):
        return data
    marks = []
    for index, capture in enumerate(data.captures):
        for span in capture.spans:
            key, data = with_key(data)
            marks.append(SpanMark(key, index, span.name, span.start_s, span.end_s))
    captures = tuple(replace(capture, spans=()) if capture.spans else capture for capture in data.captures)
    return replace(data, captures=captures, spans=(*data.spans, *marks))


def warned(data: SessionData, capture: Capture, warnings: tuple[Notice, ...]) -> SessionData:
    """With other warnings of the capture that has the same samples as this one; the same data if there is none."""
    stored = capture.channels[0].stored
    if not any(one.channels[0].stored is stored for one in data.captures):
        return data
    captures = tuple(
        replace(one, warnings=warnings) if one.channels[0].stored is stored else one for one in data.captures
    )
    return replace(data, captures=captures)


@dataclass(frozen=True, eq=False)
class OpenCapture:
    """Take a capture into the session, with two cursors at two fifths and three fifths of it.

    Spans that its file names become spans of the session.
    """

    capture: Capture
    item = None

    def describe(self, _data: SessionData) -> str:
        return f"open {self.capture.name}"

    def apply(self, data: SessionData) -> SessionData:
        index = len(data.captures)
        data = with_own_spans(replace(data, captures=(*data.captures, self.capture)))
        first_s, last_s = extent_s(data, index)
        for name, part in (("A", 0.4), ("B", 0.6)):
            key, data = with_key(data)
            cursor = Cursor(key, index, name, first_s + part * (last_s - first_s))
            data = replace(data, cursors=(*data.cursors, cursor))
        return data


@dataclass(frozen=True)
class DescribeCapture:
    """Say what was done while capturing, and how far the instrument can be trusted."""

    index: int
    label: str
    timebase_ppm: float | None = None
    gain_percent: float | None = None
    item = None

    def describe(self, data: SessionData) -> str:
        check_capture(data, self.index)
        return f"describe {data.captures[self.index].name}"

    def apply(self, data: SessionData) -> SessionData:
        check_capture(data, self.index)
        for value in (self.timebase_ppm, self.gain_percent):
            if value is not None and not value >= 0:
                raise CommandError("A tolerance is a number of zero or more; leave it empty if unknown.")
        captures = list(data.captures)
        captures[self.index] = replace(
            captures[self.index],
            label=self.label.strip(),
            timebase_ppm=self.timebase_ppm,
            gain_percent=self.gain_percent,
        )
        return replace(data, captures=tuple(captures))


@dataclass(frozen=True)
class CloseCapture:
    """Take a capture out of the session, with everything that stands on it."""

    index: int
    item = None

    def describe(self, data: SessionData) -> str:
        check_capture(data, self.index)
        return f"close {data.captures[self.index].name}"

    def apply(self, data: SessionData) -> SessionData:
        check_capture(data, self.index)
        return replace(
            data,
            captures=data.captures[: self.index] + data.captures[self.index + 1 :],
            cursors=self._kept(data.cursors),
            spans=self._kept(data.spans),
            flips=self._kept(data.flips),
            decodes=self._kept(data.decodes),
            burst_marks=self._kept(data.burst_marks),
            pins=self._kept(data.pins),
            looks=self._kept(data.looks),
            notes=tuple(
                note
                if note.capture is None or note.capture < self.index
                else replace(note, capture=note.capture - 1)
                for note in data.notes
                if note.capture != self.index
            ),
        )

    def _kept(self, items: tuple[OnCapture, ...]) -> tuple[OnCapture, ...]:
        return tuple(
            item if item.capture < self.index else replace(item, capture=item.capture - 1)
            for item in items
            if item.capture != self.index
        )
