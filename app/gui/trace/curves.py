"""What of a channel is to be drawn in a stretch of time: columns of extremes, or the samples themselves."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.files.envelope_cache import EnvelopeCache, build_kept
from app.gui.trace.api import TraceChannel
from app.gui.trace.computed import ComputedSamples
from app.gui.trace.timeline import Timeline
from dsp.envelope import FINE_BELOW, FIRST_BIN, EnvelopePyramid, column_width, touching
from dsp.source import SampleSource

Floats = NDArray[np.float64]

_LINE_BELOW = 2.0  # samples a pixel: up to here the samples are joined, beyond columns are drawn
_DOTS_FROM = 6.0  # pixels a sample
_SMOOTH_FROM = 1.5  # pixels a sample: with less there is nothing between samples that could be seen
_STEPS_MOST = 512  # points of an interpolated curve a sample
_NARROW = 8.0  # pixels: a narrower segment is drawn as a block between its extremes


@dataclass(frozen=True, eq=False)
class Drawn:
    """Points of one curve, x in seconds after the view's origin.

    ``paired``: points 2k and 2k + 1 are the ends of a vertical line; otherwise a line that is broken at NaN.
    ``dots``: there is room to show each sample; ``samples`` are then those, if the points of the curve are others.
    ``smooth``: between the samples the curve is interpolated.
    """

    x: Floats
    y: Floats
    paired: bool
    dots: bool
    smooth: bool = False
    samples: tuple[Floats, Floats] | None = None


_NOTHING = Drawn(np.zeros(0), np.zeros(0), True, False)


class ChannelEnvelope:
    """One channel with its pyramid and its time axis."""

    def __init__(self, channel: TraceChannel, kept: ChannelEnvelope | None = None) -> None:
        """``kept`` is an earlier one whose pyramid is of the same samples."""
        self.channel = channel
        self.timeline = Timeline(channel)
        plain = isinstance(channel.stored, np.ndarray)
        self.computed: ComputedSamples | None = None if plain else ComputedSamples(channel.stored)
        if kept is not None:
            self.computed = kept.computed
        self._samples: SampleSource = channel.stored if self.computed is None else self.computed
        self._pyramid: EnvelopePyramid = kept._pyramid if kept is not None else EnvelopePyramid(self._samples)
        segments = len(self.timeline)
        self._segment_low = np.full(segments, np.nan)
        self._segment_high = np.full(segments, np.nan)

    @property
    def samples(self) -> int:
        return len(self._pyramid)

    @property
    def complete(self) -> bool:
        return self._pyramid.complete

    def build(self, threads: int = 1, cache: EnvelopeCache | None = None) -> Generator[int, None, None]:
        """Build the envelope step by step; may run in a thread of its own."""
        yield from build_kept(self._pyramid, self.channel.stored, cache, threads)
        for k in range(len(self.timeline)):
            low, high = self._pyramid.extremes(int(self.timeline.first[k]), int(self.timeline.last[k]))
            self._segment_low[k : k + 1], self._segment_high[k : k + 1] = self._scaled(
                np.array([low]), np.array([high])
            )
            yield self.samples

    @property
    def share_read(self) -> float:
        return self._pyramid.built / max(self.samples, 1)

    def unread_from_s(self, start_s: float, end_s: float, pixels: int) -> float | None:
        """Where in a view begins what is not drawn because it is still to be read; None if nothing is."""
        if self.complete or (end_s - start_s) * self.timeline.rate_hz < FINE_BELOW * pixels:
            return None
        at = int(np.searchsorted(self.timeline.last, self._pyramid.built, side="right"))
        if at >= len(self.timeline):
            return None
        begin = max(self._pyramid.built, int(self.timeline.first[at]))
        return max(self.timeline.time(at, begin), start_s)

    def limits(self, start_s: float, end_s: float) -> tuple[float, float] | None:
        """Least and greatest value in a stretch of time as far as it is known; None if there is none."""
        drawn = self.drawn(start_s, end_s, 200, 0.0)
        finite = drawn.y[np.isfinite(drawn.y)]
        return (float(finite.min()), float(finite.max())) if finite.size else None

    def drawn(
        self, start_s: float, end_s: float, pixels: int, origin_s: float, *, smooth: bool = False
    ) -> Drawn:
        """Curve for a view of ``pixels`` pixels; ``smooth``: band-limited between samples where there is room."""
        part = self.timeline.overlapping(start_s, end_s)
        if part.stop <= part.start or pixels < 1 or not end_s > start_s:
            return _NOTHING
        # rounded, so that a view of one width always gets columns of one width
        shown = round((end_s - start_s) * self.timeline.rate_hz, 3)
        if shown < FINE_BELOW * pixels and not self._ready(part, start_s, end_s):
            return self._coarse(part, start_s, end_s, origin_s, (end_s - start_s) / pixels)
        if shown < _LINE_BELOW * pixels:
            if smooth and shown * _SMOOTH_FROM < pixels:
                return self._smooth(part, start_s, end_s, origin_s, pixels / shown)
            return self._line(part, start_s, end_s, origin_s, shown * _DOTS_FROM < pixels)
        widths = (self.timeline.ends_s - self.timeline.starts_s)[part] * pixels / (end_s - start_s)
        width = column_width(shown, pixels)
        pieces = [
            self._columns(k, start_s, end_s, width)
            for k in range(part.start, part.stop)
            if widths[k - part.start] >= _NARROW
        ]
        if (widths < _NARROW).any():
            narrow = np.arange(part.start, part.stop)[widths < _NARROW]
            pieces.append(self._blocks(narrow, (end_s - start_s) / pixels))
        times, low, high = (np.concatenate(column) for column in zip(*pieces, strict=True))
        known = np.flatnonzero(~np.isnan(low))
        x = np.repeat(times[known] - origin_s, 2)
        y = _finite(np.stack([low[known], high[known]], axis=1).reshape(-1))
        return Drawn(x, y, True, False)

    def _ready(self, part: slice, start_s: float, end_s: float) -> bool:
        """Whether the samples in view can be read without working them out first."""
        if self.computed is None:
            return True
        ranges = [self.timeline.samples(k, start_s, end_s) for k in range(part.start, part.stop)]
        # the outermost columns reach beyond what is asked for, and so does an interpolation
        found = [self.computed.has(a - FINE_BELOW, b + FINE_BELOW) for a, b in ranges]
        return all(found)

    def _coarse(self, part: slice, start_s: float, end_s: float, origin_s: float, pixel_s: float) -> Drawn:
        """The extremes of each bin over its whole width, until its samples are there."""
        times, lows, highs = [], [], []
        wide = max(1, round(FIRST_BIN / self.timeline.rate_hz / pixel_s))
        for k in range(part.start, part.stop):
            first, last = int(self.timeline.first[k]), int(self.timeline.last[k])
            known = self._pyramid.known_bins(*self.timeline.samples(k, start_s, end_s))
            low, high = self._scaled(known.low, known.high)
            steps = np.arange(len(known) * wide) + 0.5
            places = np.clip(known.first + steps * known.width / wide, first, last - 1)
            times.append(self.timeline.starts_s[k] + (places - first) / self.timeline.rate_hz)
            lows.append(np.repeat(low, wide))
            highs.append(np.repeat(high, wide))
        x = np.concatenate(times)
        y = np.stack([np.concatenate(lows), np.concatenate(highs)], axis=1).reshape(-1)
        known_x = ~np.isnan(y[0::2])
        return Drawn(np.repeat(x[known_x] - origin_s, 2), _finite(y[np.repeat(known_x, 2)]), True, False)

    def _line(self, part: slice, start_s: float, end_s: float, origin_s: float, dots: bool) -> Drawn:
        x, y = [], []
        for k in range(part.start, part.stop):
            first, last = self.timeline.samples(k, start_s, end_s)
            first = max(first - 1, int(self.timeline.first[k]))
            values = self.values(first, last)
            since_start_s = (np.arange(first, last) - self.timeline.first[k]) / self.timeline.rate_hz
            times = (self.timeline.starts_s[k] - origin_s) + since_start_s
            x += [times, times[-1:]]
            y += [values, np.full(min(1, times.size), np.nan)]
        return Drawn(np.concatenate(x), _finite(np.concatenate(y)), False, dots)

    def _smooth(self, part: slice, start_s: float, end_s: float, origin_s: float, room_px: float) -> Drawn:
        """The band-limited curve through the samples, about a point a pixel on a grid fixed to the samples."""
        from dsp.interpolate import BAND_LIMITED_REACH, band_limited

        steps = min(1 << max(1, round(np.log2(room_px))), _STEPS_MOST)
        x, y, at, values = [], [], [], []
        for k in range(part.start, part.stop):
            first, last = int(self.timeline.first[k]), int(self.timeline.last[k])
            start, stop = self.timeline.samples(k, start_s, end_s)
            start = max(start - 1, first)
            low, high = max(start - BAND_LIMITED_REACH, first), min(stop + BAND_LIMITED_REACH, last)
            around = _without_infinity(self.values(low, high))
            curve = band_limited(around, steps)[(start - low) * steps : (stop - low - 1) * steps + 1]
            begin_s = self.timeline.starts_s[k] - origin_s + (start - first) / self.timeline.rate_hz
            times = begin_s + np.arange(curve.size) / (steps * self.timeline.rate_hz)
            x += [times, times[-1:]]
            y += [curve, np.full(min(1, times.size), np.nan)]
            at.append(times[::steps])
            values.append(around[start - low : start - low + times[::steps].size])
        dots = (np.concatenate(at), np.concatenate(values)) if room_px > _DOTS_FROM else None
        return Drawn(np.concatenate(x), np.concatenate(y), False, dots is not None, True, dots)

    def _columns(
        self, segment: int, start_s: float, end_s: float, width: int
    ) -> tuple[Floats, Floats, Floats]:
        first, last = int(self.timeline.first[segment]), int(self.timeline.last[segment])
        start, stop = self.timeline.samples(segment, start_s, end_s)
        columns = self._pyramid.columns_of_width(start, stop, width, within=(first, last))
        low, high = touching(*self._scaled(columns.low, columns.high))
        middles = np.clip(columns.middles(), first, last - 1)
        return self.timeline.starts_s[segment] + (middles - first) / self.timeline.rate_hz, low, high

    def _blocks(self, segments: NDArray[np.int64], pixel_s: float) -> tuple[Floats, Floats, Floats]:
        """Narrow segments: their extremes at each pixel they cover; several in one pixel make one line."""
        starts, ends = self.timeline.starts_s[segments], self.timeline.ends_s[segments]
        lines = np.maximum(1, np.ceil((ends - starts) / pixel_s)).astype(np.int64)
        within = np.arange(lines.sum()) - np.repeat(np.cumsum(lines) - lines, lines)
        pixel = np.floor(np.repeat(starts, lines) / pixel_s).astype(np.int64) + within
        low, high = (
            np.repeat(self._segment_low[segments], lines),
            np.repeat(self._segment_high[segments], lines),
        )
        order = np.argsort(pixel, kind="stable")
        at, begins = np.unique(pixel[order], return_index=True)
        low, high = np.fmin.reduceat(low[order], begins), np.fmax.reduceat(high[order], begins)
        return (at + 0.5) * pixel_s, low, high

    def values(self, first: int, last: int) -> Floats:
        """Samples ``[first, last)`` in the channel's unit."""
        stored = np.asarray(self._samples[first:last])
        return stored.astype(np.float64) * self.channel.scale + self.channel.offset

    def _scaled(self, low: NDArray[np.generic], high: NDArray[np.generic]) -> tuple[Floats, Floats]:
        scale, offset = self.channel.scale, self.channel.offset
        if scale < 0:
            low, high = high, low
        return low.astype(np.float64) * scale + offset, high.astype(np.float64) * scale + offset


def _without_infinity(values: Floats) -> Floats:
    return np.where(np.isinf(values), np.nan, values)


def _finite(values: Floats) -> Floats:
    """Infinity drawn a little beyond what is finite."""
    infinite = np.isinf(values)
    if not infinite.any():
        return values
    finite = values[np.isfinite(values)]
    low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
    margin = (high - low) / 2 or 1.0
    return np.where(infinite, np.where(values > 0, high + margin, low - margin), values)
