"""What the trace area is shown of a capture and its bursts; each burst that stays is worked out once."""

from __future__ import annotations

from collections.abc import Sequence, Set
from contextlib import suppress
from itertools import zip_longest
from operator import attrgetter
from typing import TYPE_CHECKING

from app.errors import HalfturnError
from app.gui.trace.api import FlipView, LaneBurst, TraceChannel, TraceSegment
from app.model.capture import Capture, Channel
from app.model.expressions import ChannelSource, channel_source
from app.model.items import FlipMark

if TYPE_CHECKING:
    from app.model.corrections import CorrectedBurst


class ChannelViews:
    """What the trace draws of a capture; a derived channel stays the same object as long as its channels do."""

    def __init__(self) -> None:
        self._of: tuple[Channel, ...] | None = None
        self._derived: dict[str, ChannelSource] = {}

    def show(self, capture: Capture | None, channel: str | None, hidden: Set[str]) -> list[TraceChannel]:
        """The capture's channels and those derived from them that are not ``hidden``; at least the one looked at."""
        if capture is None:
            return []
        if self._of is not capture.channels:
            self._of, self._derived = capture.channels, {}
        own = [one.name for one in capture.channels]
        derived = [text for text in capture.derived if text not in own]
        if channel is not None and channel not in own and channel not in derived:
            derived.insert(0, channel)
        wanted = [name for name in (*derived, *own) if name not in hidden or name == channel]
        sources = []
        for name in wanted:
            # of an old session's expression that cannot be computed the bursts are still shown
            with suppress(HalfturnError):
                sources.append(channel_source(capture, name) if name in own else self._source(capture, name))
        return [_trace_channel(capture, source) for source in sources]

    def _source(self, capture: Capture, text: str) -> ChannelSource:
        if text not in self._derived:
            self._derived[text] = channel_source(capture, text)
        return self._derived[text]


class BurstViews:
    """Lane and flips of all bursts of a channel."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[CorrectedBurst, LaneBurst | None, list[FlipView]]] = {}

    def show(
        self, bursts: Sequence[CorrectedBurst], marks: Sequence[FlipMark]
    ) -> tuple[list[LaneBurst], list[FlipView]]:
        """The lane, and every automatic flip, as such or as removed, with every flip set by hand.

        Bursts without a symbol grid have nothing to draw in the lane. ``marks`` are those of the capture.
        """
        before, self._known = self._known, {}
        lane: list[LaneBurst] = []
        flips: list[FlipView] = []
        for one in bursts:
            entry = before.get(id(one)) or (one, lane_burst(one), automatic_flips(one))
            self._known[id(one)] = entry
            if entry[1] is not None:
                lane.append(entry[1])
            flips += entry[2]
        return lane, sorted(flips + _by_hand(flips, marks), key=attrgetter("time_s"))


def lane_burst(one: CorrectedBurst) -> LaneBurst | None:
    """The symbols as corrected, None without a symbol grid."""
    burst = one.basis
    if not burst.symbol_rate_bd:
        return None
    changed = set(one.changed)
    return LaneBurst(
        start_s=burst.start_s,
        end_s=burst.end_s,
        first_symbol_s=burst.first_symbol_s,
        symbol_period_s=1.0 / burst.symbol_rate_bd,
        symbols=one.symbols,
        confidence=burst.confidence,
        changed=[i in changed for i in range(len(one.symbols))],
        talker=burst.talker,
        carrier_hz=burst.carrier_hz,
    )


def automatic_flips(one: CorrectedBurst) -> list[FlipView]:
    """Those the decoder found in a burst; one that the user denies has the key of the mark that says so."""
    burst = one.burst
    removals = [mark for mark in one.marks if mark.removes]
    found = list(zip_longest(burst.flips_s, burst.flips_interval_s[: len(burst.flips_s)]))
    if not removals:
        return [FlipView(time_s, interval, "auto", None) for time_s, interval in found]
    from app.model.corrections import edge_of

    by_time = {mark.time_s: mark.key for mark in removals}
    by_edge = {edge_of(burst, mark.time_s): mark.key for mark in removals}
    by_edge.pop(None, None)
    views = []
    for time_s, interval in found:
        key = by_edge.get(edge_of(burst, time_s), by_time.get(time_s))
        views.append(FlipView(time_s, interval, "auto" if key is None else "removed", key))
    return views


def _by_hand(automatic: Sequence[FlipView], marks: Sequence[FlipMark]) -> list[FlipView]:
    """Flips set by hand, and removals that no longer meet an automatic flip, to be taken back."""
    if not marks:
        return []
    met = {view.key for view in automatic if view.key is not None}
    return [
        FlipView(mark.time_s, None, "removed" if mark.removes else "hand", mark.key)
        for mark in marks
        if mark.key not in met
    ]


def _trace_channel(capture: Capture, source: ChannelSource) -> TraceChannel:
    return TraceChannel(
        name=source.name,
        unit=source.unit,
        stored=source.stored,
        rate_hz=capture.rate_hz,
        start_s=capture.start_s,
        segments=tuple(TraceSegment(part.first, part.last, part.start_s) for part in capture.segments),
        scale=source.scale,
        offset=source.offset,
    )
