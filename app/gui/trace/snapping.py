"""Where a mark goes when it snaps: the nearest crossing, extremum, flip or symbol boundary, between samples."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from app.gui.trace.api import GridHandle, Snap
from app.gui.trace.curves import ChannelEnvelope
from app.gui.trace.marks_shown import Mark, MarksShown
from app.gui.trace.nearby_carriers import NearbyCarriers
from app.gui.trace.symbol_edges import nearest_grid_edge, next_grid_edge, next_symbol_edge, symbol_edges

if TYPE_CHECKING:
    from dsp.carrier_band import CarrierBand
    from dsp.half_cycles import HalfCycles

REACH_PX = 14.0
_MOST_SAMPLES = 1 << 16  # beyond that within reach single crossings mean nothing
_LOOKED_AT = (512, 1 << 12, 1 << 15, 1 << 18)  # samples on each side, until there are enough crossings
_ENOUGH = 6  # crossings, to know the level that is crossed and how far apart they are
_HYSTERESIS, _MOST_HYSTERESIS = 0.1, 0.2  # of half of peak to peak
_NOISE_SAMPLES = 4096
_NOISY = (
    0.06  # of half of peak to peak: from here on the noise is kept out by a filter, where there is a carrier
)
_MOVED = 0.7  # of half of peak to peak: a known carrier lower than that has something else under it
_LEAST_CYCLES = 3.0  # in a symbol, for a filter of one and a half
_FEW_SAMPLES = 10.0  # a cycle
_SAME = 1e-3  # samples: a target as near as this is where the mark stands already


@dataclass(frozen=True)
class Place:
    """Where the trace crosses its middle level, or turns back at it."""

    time_s: float
    turned: bool


@dataclass(frozen=True, eq=False)
class _Part:
    """Samples ``reach`` to either side of a time: ``values`` from sample ``first`` of one segment on."""

    envelope: ChannelEnvelope
    segment: int
    first: int
    reach: int
    values: np.ndarray
    level: float
    hysteresis: float
    noise: float
    band: CarrierBand | None = None

    def time(self, position: float) -> float:
        return self.envelope.timeline.time(self.segment, self.first + float(position))

    def position(self, time_s: float) -> float:
        """Place of a time of the same segment among the values."""
        place = self.envelope.timeline.place(time_s)
        return math.nan if place is None else place[1] - self.first

    def serves(self, envelope: ChannelEnvelope | None, time_s: float, reach: int) -> bool:
        """Whether it is what would be read about another time: as far as needed, and no farther."""
        place = envelope.timeline.place(time_s) if envelope is not None else None
        if envelope is not self.envelope or place is None or place[0] != self.segment or reach > self.reach:
            return False
        line, wanted = self.envelope.timeline, max(reach, self.reach // 2)
        low = max(int(place[1]) - wanted, int(line.first[self.segment]))
        high = min(int(place[1]) + wanted + 1, int(line.last[self.segment]))
        if self.first > low or high > self.first + self.values.size:
            return False
        at = place[1] - self.first
        within = np.searchsorted(self.half_cycles.positions, [at - reach, at + reach])
        return self.reach <= 2 * reach or int(within[1] - within[0]) < _ENOUGH

    @cached_property
    def half_cycles(self) -> HalfCycles:
        from dsp.half_cycles import find_half_cycles

        if self.band is None:
            return find_half_cycles(
                self.values, level=self.level, hysteresis=self.hysteresis, noise=self.noise
            )
        from dsp.carrier_phase import tracked_half_cycles

        # a carrier that was only guessed from these samples is not known well enough to track its phase
        tracked = tracked_half_cycles(self.values, 1 / self.band.period) if self.band.told else None
        if tracked is not None and len(tracked) >= _ENOUGH:
            return tracked
        hysteresis = _width(self.band.noise, self.band.amplitude)
        return find_half_cycles(self.band.values, hysteresis=hysteresis, noise=self.band.noise)

    @cached_property
    def places(self) -> list[Place]:
        found = self.half_cycles
        pairs = zip(found.positions.tolist(), found.turned.tolist(), strict=True)
        return [Place(self.time(position), turned) for position, turned in pairs]


class Snapper:
    """Looks at one channel and at the marks."""

    def __init__(self, shown: MarksShown) -> None:
        self._shown = shown
        self.targets: frozenset[Snap] = frozenset()
        self.envelope: ChannelEnvelope | None = None
        self._kept: _Part | None = None
        self._carriers = NearbyCarriers()
        self._kept_lane = shown.lane

    def snapped(self, time_s: float, pixel_s: float, own: Mark | None = None) -> float:
        """The nearest target within a few pixels, else the time itself; never the mark ``own``."""
        reach_s = REACH_PX * pixel_s
        found = [at for at in self._candidates(time_s, reach_s, own) if abs(at - time_s) <= reach_s]
        return min(found, key=lambda at: abs(at - time_s), default=time_s)

    def next_crossing(self, time_s: float, direction: int) -> float | None:
        """The crossing after or before a time, or the place where the trace turns back; None if it is far."""
        found = self.next_place(time_s, direction)
        return None if found is None else found.time_s

    def next_place(self, time_s: float, direction: int) -> Place | None:
        """As `next_crossing`, with what is there."""
        least_s = self._same_s()
        for samples in _LOOKED_AT:
            part = self._part(time_s, samples)
            ahead = [p for p in self._places(part) if (p.time_s - time_s) * direction > least_s]
            if ahead:
                return min(ahead, key=lambda place: abs(place.time_s - time_s))
        return None

    def places(self, time_s: float) -> list[Place]:
        """Crossings and turns about a time, at least a few where there are any."""
        return self._places(self._part(time_s, _LOOKED_AT[0]))

    def next_target(self, time_s: float, direction: int, own: Mark | None = None) -> float | None:
        """The next of whatever marks snap to, after or before a time."""
        found: list[float] = []
        if "crossing" in self.targets:
            found += _some(self.next_crossing(time_s, direction))
        for kind, look in (("extremum", self._extrema_of), ("level", self._level_crossings_of)):
            if kind in self.targets:
                found += _some(self._ahead(look, time_s, direction))
        if "flip" in self.targets:
            found += _some(self._next_flip(time_s, direction, own))
        if "symbol" in self.targets:
            found += _some(next_symbol_edge(self._shown.lane, time_s, direction))
            if not isinstance(own, GridHandle):
                found += _some(next_grid_edge(self._shown.grid, time_s, direction))
        return min(found, key=lambda at: abs(at - time_s), default=None)

    def _next_flip(self, time_s: float, direction: int, own: Mark | None) -> float | None:
        book = self._shown.flips
        least_s = time_s + direction * self._same_s()
        at = int(np.searchsorted(book.times_s, least_s, "right" if direction > 0 else "left"))
        ahead = range(at, len(book)) if direction > 0 else range(at - 1, -1, -1)
        flips = (book.flips[i] for i in ahead)
        return next((flip.time_s for flip in flips if flip != own and flip.origin != "removed"), None)

    # --- targets about a time

    def _candidates(self, time_s: float, reach_s: float, own: Mark | None) -> Iterable[float]:
        if self.targets & {"crossing", "extremum", "level"}:
            part = self._within(time_s, reach_s)
            if "crossing" in self.targets:
                yield from (place.time_s for place in self._places(part))
            if "extremum" in self.targets:
                yield from self._extrema_of(part, time_s)
            if "level" in self.targets:
                yield from self._level_crossings_of(part, time_s)
        if "flip" in self.targets:
            near = self._shown.flips.between(time_s - reach_s, time_s + reach_s)
            yield from (flip.time_s for flip in near if flip != own and flip.origin != "removed")
        if "symbol" in self.targets:
            yield from symbol_edges(self._shown.lane, time_s, reach_s)
            if self._shown.grid is not None and not isinstance(own, GridHandle):
                yield nearest_grid_edge(self._shown.grid, time_s)

    def _places(self, part: _Part | None) -> list[Place]:
        return [] if part is None else part.places

    def _extrema_of(self, part: _Part | None, time_s: float) -> list[float]:
        """Of the lobe about the time and of those beside it."""
        from dsp.interpolate import find_crossings, nearest_extremum

        if part is None:
            return []
        near = [part.position(time_s)]
        crossings = find_crossings(part.values, level=part.level, hysteresis=part.hysteresis).positions
        if crossings.size > 1:
            at = int(np.searchsorted(crossings, near[0]))
            lobes = range(max(at - 3, 0), min(at + 3, crossings.size - 1))
            near += [float(crossings[k] + crossings[k + 1]) / 2 for k in lobes]
        found = [
            nearest_extremum(part.values, place, level=part.level, hysteresis=part.hysteresis)
            for place in near
        ]
        return sorted({part.time(one.position) for one in found if one is not None})

    def _level_crossings_of(self, part: _Part | None, _time_s: float) -> list[float]:
        from dsp.interpolate import find_crossings

        level = self._shown.level
        if part is None or level is None:
            return []
        # the level may lie near a peak, where little is left above it
        hysteresis = min(2 * part.noise, part.hysteresis)
        found = find_crossings(part.values, level=level, hysteresis=hysteresis).positions
        return [part.time(position) for position in found]

    def _ahead(
        self, look: Callable[[_Part | None, float], list[float]], time_s: float, direction: int
    ) -> float | None:
        for samples in _LOOKED_AT:
            times = look(self._part(time_s, samples), time_s)
            ahead = [at for at in times if (at - time_s) * direction > self._same_s()]
            if ahead:
                return float(min(ahead, key=lambda at: abs(at - time_s)))
        return None

    def _same_s(self) -> float:
        return _SAME / self.envelope.timeline.rate_hz if self.envelope is not None else 0.0

    # --- samples

    def _within(self, time_s: float, reach_s: float) -> _Part | None:
        """Samples within reach, and as many more as tell the level; None where that is too many."""
        if self.envelope is None:
            return None
        reach = math.ceil(reach_s * self.envelope.timeline.rate_hz)
        return None if reach > _MOST_SAMPLES else self._part(time_s, reach)

    def _part(self, time_s: float, reach: int) -> _Part | None:
        """At least ``reach`` samples on each side, and more until there are enough crossings among them.

        Of a few samples of a slowly moving trace the middle is no level that anything swings about.
        """
        # a decode tells the carrier, and so what is kept out
        known = self._kept_lane is self._shown.lane
        if self._kept is not None and known and self._kept.serves(self.envelope, time_s, reach):
            return self._kept
        steps = [reach, *(samples for samples in _LOOKED_AT if samples > reach)]
        part = None
        for samples in steps:
            part = self._read(time_s, samples)
            if part is None:
                return None
            if len(part.half_cycles) >= _ENOUGH:
                break
        self._kept, self._kept_lane = part, self._shown.lane
        return part

    def _read(self, time_s: float, reach: int) -> _Part | None:
        from dsp.half_cycles import swing_level

        envelope = self.envelope
        place = envelope.timeline.place(time_s) if envelope is not None else None
        if envelope is None or place is None:
            return None
        segment, at = place
        first = max(int(at) - reach, int(envelope.timeline.first[segment]))
        last = min(int(at) + reach + 1, int(envelope.timeline.last[segment]))
        values = envelope.values(first, last)
        finite = values[np.isfinite(values)]
        if finite.size < 2:
            return None
        from dsp.measure import noise_std  # the window opens sooner without it

        noise = noise_std(values[:_NOISE_SAMPLES])
        noise = noise if math.isfinite(noise) else 0.0
        hysteresis = _width(noise, float(np.ptp(finite)) / 2)
        level = swing_level(values, hysteresis=hysteresis)
        carrier = None
        if noise > _NOISY * float(np.ptp(finite)) / 2 and self._shown.lane.at(time_s) is None:
            carrier = self._carriers.about(envelope, segment, int(at), look=reach <= _LOOKED_AT[0])
        band = self._band(values, noise, time_s, envelope.timeline.rate_hz, carrier)
        return _Part(envelope, segment, first, reach, values, level, hysteresis, noise, band)

    def _band(
        self, values: np.ndarray, noise: float, time_s: float, rate_hz: float, carrier: float | None
    ) -> CarrierBand | None:
        """Freed of what is not the carrier where noise or a moving level would hide its crossings.

        ``carrier`` in cycles a sample, if it is known without a decode.
        """
        from dsp.carrier_band import in_carrier_band

        half = float(np.nanmax(values) - np.nanmin(values)) / 2
        burst = self._shown.lane.at(time_s)
        if burst is not None and burst.carrier_hz is not None:
            carrier = burst.carrier_hz / rate_hz
            if burst.symbol_period_s * burst.carrier_hz < _LEAST_CYCLES:
                return None  # the filter would blur one flip into the next
        noisy = noise > _NOISY * half
        if carrier is None and not noisy:
            return None
        band = in_carrier_band(values, noise, carrier=carrier)
        if band is None:
            return None
        # of more samples a cycle, averaging keeps out as much and loses fewer places
        hidden = noisy and band.period < _FEW_SAMPLES
        return band if hidden or (carrier is not None and band.amplitude < _MOVED * half) else None


def _width(noise: float, half: float) -> float:
    """Hysteresis for samples that reach ``half`` to either side: above the noise, below the carrier."""
    return max(_HYSTERESIS * half, min(noise, _MOST_HYSTERESIS * half))


def _some(time_s: float | None) -> list[float]:
    return [] if time_s is None else [time_s]
