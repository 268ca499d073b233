"""Between the trace area, which knows nothing of sessions, and the session, which knows nothing of traces."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from contextlib import suppress

from PySide6.QtCore import QObject, Slot

from app.errors import HalfturnError
from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.trace.api import FlipOrigin, FlipView, LaneBurst, TraceChannel, TraceSegment
from app.gui.trace.area import TraceArea
from app.model.capture import Capture
from app.model.changes import Change
from app.model.commands_flips import DeleteAutoFlip, DeleteHandFlip, MoveAutoFlip, MoveHandFlip, PlaceFlip
from app.model.commands_marks import MoveCursor
from app.model.corrections import CorrectedBurst, edge_of
from app.model.expressions import ChannelSource, channel_source
from app.model.items import FlipMark


def trace_channels(capture: Capture | None, channel: str | None) -> list[TraceChannel]:
    """The capture's channels, and the one looked at if it is derived from them."""
    if capture is None:
        return []
    sources = [channel_source(capture, own.name) for own in capture.channels]
    if channel is not None and channel not in {source.name for source in sources}:
        # of an old session's expression that cannot be computed the bursts are still shown
        with suppress(HalfturnError):
            sources.insert(0, channel_source(capture, channel))
    return [_trace_channel(capture, source) for source in sources]


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


def lane_bursts(bursts: Sequence[CorrectedBurst]) -> list[LaneBurst]:
    """Symbols as corrected; bursts without a symbol grid have nothing to draw."""
    return [_lane_burst(one) for one in bursts if one.burst.symbol_rate_bd]


def _lane_burst(one: CorrectedBurst) -> LaneBurst:
    burst = one.burst
    changed = set(one.changed)
    return LaneBurst(
        start_s=burst.start_s,
        end_s=burst.end_s,
        first_symbol_s=burst.first_symbol_s,
        symbol_period_s=1.0 / burst.symbol_rate_bd if burst.symbol_rate_bd else 0.0,
        symbols=one.symbols,
        confidence=burst.confidence,
        changed=[i in changed for i in range(len(one.symbols))],
        talker=burst.talker,
    )


def flip_views(bursts: Sequence[CorrectedBurst], marks: Sequence[FlipMark]) -> list[FlipView]:
    """Every automatic flip, as such or as removed, and every flip set by hand."""
    views = [FlipView(mark.time_s, None, "hand", mark.key) for mark in marks if not mark.removes]
    removals = {mark.key: mark for mark in marks if mark.removes}
    for one in bursts:
        burst = one.burst
        here = [mark for mark in removals.values() if burst.first_symbol_s <= mark.time_s < burst.end_s]
        by_time = {mark.time_s: mark.key for mark in here}
        by_edge = {edge_of(burst, mark.time_s): mark.key for mark in here}
        by_edge.pop(None, None)
        for i, time_s in enumerate(burst.flips_s):
            key = by_edge.get(edge_of(burst, time_s), by_time.get(time_s))
            origin: FlipOrigin = "auto" if key is None else "removed"
            interval = burst.flips_interval_s[i] if i < len(burst.flips_interval_s) else None
            views.append(FlipView(time_s, interval, origin, key))
            if key is not None:
                removals.pop(key, None)
    # a removal that no longer meets an automatic flip is shown where it stands, so that it can be taken back
    views += [FlipView(mark.time_s, None, "removed", mark.key) for mark in removals.values()]
    return sorted(views, key=lambda view: view.time_s)


class TraceLink(QObject):
    """Shows the session in the trace area, and turns what the user does there into commands."""

    def __init__(
        self, area: TraceArea, bridge: DocumentBridge, view: ChannelView, parent: QObject | None = None
    ) -> None:
        super().__init__(parent)
        self._area = area
        self._bridge = bridge
        self._view = view
        self._drawn: tuple[object, str | None] = (None, None)
        self.flips: list[FlipView] = []
        bridge.changed.connect(self._follow)
        view.changed.connect(self._show_channel)
        view.span_changed.connect(self._show_span)
        area.cursor_moved.connect(self._move_cursor)
        area.flip_place_wanted.connect(self._place_flip)
        area.flip_moved.connect(self._move_flip)
        area.flip_delete_wanted.connect(self._delete_flip)
        area.span_selected.connect(self._select_span)
        area.span_cleared.connect(self._clear_span)

    @Slot(object)
    def _follow(self, change: Change) -> None:
        if change & (Change.CURSORS | Change.CURRENT | Change.CAPTURES):
            cursors = self._bridge.document.data.cursors
            self._area.set_cursors([cursor for cursor in cursors if cursor.capture == self._view.index])

    @Slot()
    def _show_channel(self) -> None:
        capture, channel = self._view.capture, self._view.channel
        wanted = (None if capture is None else capture.channels, channel)
        if wanted[0] is not self._drawn[0] or wanted[1] != self._drawn[1]:
            self._drawn = wanted
            self._area.set_channels(trace_channels(capture, channel))
            if channel is not None:
                self._area.set_active_channel(channel)
        self.flips = flip_views(self._view.bursts, self._view.flips)
        self._area.set_lane(lane_bursts(self._view.bursts))
        self._area.set_flips(self.flips)

    @Slot()
    def _show_span(self) -> None:
        self._area.set_span(self._view.span_s)

    @Slot(object, float, object)
    def _move_cursor(self, key: int, time_s: float, gesture: Hashable) -> None:
        self._bridge.run(MoveCursor(key, time_s), gesture)

    @Slot(float)
    def _place_flip(self, time_s: float) -> None:
        if self._view.index is not None:
            self._bridge.run(PlaceFlip(self._view.index, time_s))

    @Slot(object, float, object)
    def _move_flip(self, flip: FlipView, time_s: float, gesture: Hashable) -> None:
        if flip.origin == "hand" and flip.key is not None:
            self._bridge.run(MoveHandFlip(flip.key, time_s), gesture)
        elif flip.origin == "auto" and self._view.index is not None:
            self._bridge.run(MoveAutoFlip(self._view.index, flip.time_s, time_s), gesture)

    @Slot(object)
    def _delete_flip(self, flip: FlipView) -> None:
        if flip.key is not None:
            self._bridge.run(DeleteHandFlip(flip.key))
        elif self._view.index is not None:
            self._bridge.run(DeleteAutoFlip(self._view.index, flip.time_s))

    @Slot(float, float)
    def _select_span(self, start_s: float, end_s: float) -> None:
        self._view.select_span((start_s, end_s))

    @Slot()
    def _clear_span(self) -> None:
        self._view.select_span(None)
