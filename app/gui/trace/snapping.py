"""Where a mark goes when it snaps: the nearest zero crossing, extremum, flip or symbol boundary."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from app.gui.trace.api import FlipView, Snap
from app.gui.trace.curves import ChannelEnvelope
from app.gui.trace.marks_shown import LaneBook, MarksShown
from dsp.interpolate import find_crossings, middle_level, nearest_extremum

REACH_PX = 14.0
_MOST_SAMPLES = 1 << 16  # beyond that within reach single crossings mean nothing
_LEAST_SAMPLES = 512  # on each side, to know the level that is crossed
_HYSTERESIS = 0.1  # of half of peak to peak


class Snapper:
    """Looks at one channel and at the marks."""

    def __init__(self, shown: MarksShown) -> None:
        self._shown = shown
        self.targets: frozenset[Snap] = frozenset()
        self.envelope: ChannelEnvelope | None = None

    def snapped(self, time_s: float, pixel_s: float, own: FlipView | None = None) -> float:
        """The nearest target within a few pixels, else the time itself; never the flip ``own``."""
        reach_s = REACH_PX * pixel_s
        found = [at for at in self._candidates(time_s, reach_s, own) if abs(at - time_s) <= reach_s]
        return min(found, key=lambda at: abs(at - time_s), default=time_s)

    def _candidates(self, time_s: float, reach_s: float, own: FlipView | None) -> Iterable[float]:
        if "crossing" in self.targets:
            yield from self._crossings(time_s, reach_s)
        if "extremum" in self.targets:
            yield from self._extrema(time_s, reach_s)
        if "flip" in self.targets:
            near = self._shown.flips.between(time_s - reach_s, time_s + reach_s)
            yield from (flip.time_s for flip in near if flip != own and flip.origin != "removed")
        if "symbol" in self.targets:
            yield from symbol_edges(self._shown.lane, time_s, reach_s)

    def next_crossing(self, time_s: float, direction: int) -> float | None:
        """The crossing after or before a time, as near as a few thousand samples."""
        for samples in (_LEAST_SAMPLES, _MOST_SAMPLES):
            reach_s = samples / self.envelope.timeline.rate_hz if self.envelope else 0.0
            # a crossing that is where the mark stands already does not count
            least_s = 1e-3 * reach_s / samples
            ahead = [at for at in self._crossings(time_s, reach_s) if (at - time_s) * direction > least_s]
            if ahead:
                return min(ahead, key=lambda at: abs(at - time_s))
        return None

    def _crossings(self, time_s: float, reach_s: float) -> list[float]:
        part = self._part(time_s, reach_s)
        if part is None:
            return []
        envelope, segment, first, _, values, level, hysteresis = part
        found = find_crossings(values, level=level, hysteresis=hysteresis).positions
        return [envelope.timeline.time(segment, first + float(at)) for at in found]

    def _extrema(self, time_s: float, reach_s: float) -> list[float]:
        part = self._part(time_s, reach_s)
        if part is None:
            return []
        envelope, segment, first, at, values, level, hysteresis = part
        found = nearest_extremum(values, at - first, level=level, hysteresis=hysteresis)
        return [] if found is None else [envelope.timeline.time(segment, first + found.position)]

    def _part(
        self, time_s: float, reach_s: float
    ) -> tuple[ChannelEnvelope, int, int, float, np.ndarray, float, float] | None:
        """Samples about a time: segment, first sample, place of the time, values, level, hysteresis."""
        envelope = self.envelope
        place = envelope.timeline.place(time_s) if envelope is not None else None
        if envelope is None or place is None:
            return None
        segment, at = place
        reach = max(math.ceil(reach_s * envelope.timeline.rate_hz), _LEAST_SAMPLES)
        if reach > _MOST_SAMPLES:
            return None
        first = max(int(at) - reach, int(envelope.timeline.first[segment]))
        last = min(int(at) + reach + 1, int(envelope.timeline.last[segment]))
        values = envelope.values(first, last)
        finite = values[np.isfinite(values)]
        if finite.size < 2:
            return None
        hysteresis = _HYSTERESIS * float(np.ptp(finite)) / 2
        return envelope, segment, first, at, values, middle_level(values), hysteresis


def symbol_edges(lane: LaneBook, time_s: float, reach_s: float) -> list[float]:
    """The boundary between symbols nearest to a time, of each burst within reach."""
    edges = []
    for burst in lane.between(time_s - reach_s, time_s + reach_s):
        if burst.symbol_period_s > 0:
            k = round((time_s - burst.first_symbol_s) / burst.symbol_period_s)
            k = min(max(k, 0), len(burst.symbols))
            edges.append(burst.first_symbol_s + k * burst.symbol_period_s)
    return edges


def next_symbol_edge(lane: LaneBook, time_s: float, step: int) -> float | None:
    """The boundary after (``step`` 1) or before (-1) a time in the burst there; None outside bursts."""
    for burst in lane.between(time_s, time_s):
        if burst.symbol_period_s > 0:
            place = (time_s - burst.first_symbol_s) / burst.symbol_period_s
            k = math.floor(place + 1e-6) + 1 if step > 0 else math.ceil(place - 1e-6) - 1
            if 0 <= k <= len(burst.symbols):
                return burst.first_symbol_s + k * burst.symbol_period_s
    return None
