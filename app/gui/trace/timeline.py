"""From times to samples and back, segment by segment."""

from __future__ import annotations

import math

import numpy as np

from app.gui.trace.api import TraceChannel, TraceSegment


class Timeline:
    """Where the samples of a channel lie in time. Segments are kept in the order of their start."""

    def __init__(self, channel: TraceChannel) -> None:
        segments = channel.segments or (TraceSegment(0, len(channel.stored), channel.start_s),)
        ordered = sorted((s for s in segments if s.last > s.first), key=lambda s: s.start_s)
        self.rate_hz = channel.rate_hz
        self.first = np.array([s.first for s in ordered], dtype=np.int64)
        self.last = np.array([s.last for s in ordered], dtype=np.int64)
        self.starts_s = np.array([s.start_s for s in ordered], dtype=np.float64)
        self.ends_s = self.starts_s + (self.last - self.first) / self.rate_hz

    def __len__(self) -> int:
        return int(self.first.size)

    def same_axis(self, other: Timeline) -> bool:
        return (
            self.rate_hz == other.rate_hz
            and np.array_equal(self.first, other.first)
            and np.array_equal(self.last, other.last)
            and np.array_equal(self.starts_s, other.starts_s)
        )

    @property
    def start_s(self) -> float:
        return float(self.starts_s[0]) if len(self) else 0.0

    @property
    def end_s(self) -> float:
        return float(self.ends_s.max()) if len(self) else 1.0

    def overlapping(self, start_s: float, end_s: float) -> slice:
        """Segments that may reach into the range; exact as long as segments do not overlap each other."""
        low = int(np.searchsorted(self.ends_s, start_s, side="left"))
        high = int(np.searchsorted(self.starts_s, end_s, side="right"))
        return slice(low, max(low, high))

    def place(self, time_s: float) -> tuple[int, float] | None:
        """Segment and fractional sample index at a time, or None between segments."""
        at = int(np.searchsorted(self.starts_s, time_s, side="right")) - 1
        if at < 0 or time_s > self.ends_s[at]:
            return None
        return at, float(self.first[at] + (time_s - self.starts_s[at]) * self.rate_hz)

    def time(self, segment: int, index: float) -> float:
        return float(self.starts_s[segment] + (index - self.first[segment]) / self.rate_hz)

    def samples(self, segment: int, start_s: float, end_s: float) -> tuple[int, int]:
        """Half-open sample range of one segment that covers a time range, cut at the segment."""
        offset = self.starts_s[segment]
        start = self.first[segment] + math.floor((start_s - offset) * self.rate_hz)
        stop = self.first[segment] + math.ceil((end_s - offset) * self.rate_hz) + 1
        first, last = int(self.first[segment]), int(self.last[segment])
        return min(max(start, first), last), min(max(stop, first), last)
