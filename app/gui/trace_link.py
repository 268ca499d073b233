"""Between the trace area, which knows nothing of sessions, and the session, which knows nothing of traces."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

from PySide6.QtCore import QObject, Slot

from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.trace.api import ChannelEnds, FlipView
from app.gui.trace.area import TraceArea
from app.gui.trace_views import BurstViews, ChannelViews
from app.model import edits
from app.model.changes import Change


class TraceLink(QObject):
    """Shows the session in the trace area, and turns what the user does there into commands."""

    def __init__(
        self, area: TraceArea, bridge: DocumentBridge, view: ChannelView, parent: QObject | None = None
    ) -> None:
        super().__init__(parent)
        self._area = area
        self._bridge = bridge
        self._view = view
        self._drawn: tuple[object, ...] = ()
        self._channels = ChannelViews()
        self._views = BurstViews()
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
        area.values_scaled.connect(self._scale_channels)
        area.level_changed.connect(self._set_level)

    @Slot(object)
    def _follow(self, change: Change) -> None:
        if change & (Change.CURSORS | Change.CURRENT | Change.CAPTURES):
            cursors = self._bridge.document.data.cursors
            self._area.set_cursors([cursor for cursor in cursors if cursor.capture == self._view.index])
        if change & (Change.SPANS | Change.CURRENT | Change.CAPTURES):
            self._show_spans()
        if change & Change.LOOKS:
            self._area.set_value_ends(self._view.value_ends)
            self._area.set_levels(self._view.levels)

    def _show_spans(self) -> None:
        """All that are kept, but for that of the symbol grid, which is drawn as what it is."""
        data, index = self._bridge.document.data, self._view.index
        spans = [span for span in data.spans if span.capture == index]
        if spans:
            from app.model.symbol_grid import grid_of  # the window opens sooner without it

            grid = grid_of(data, index)
            spans = [span for span in spans if grid is None or span.key != grid.key]
        self._area.set_named_spans(spans)

    @Slot()
    def _show_channel(self) -> None:
        capture, channel = self._view.capture, self._view.channel
        wanted = (
            () if capture is None else (id(capture.channels), capture.derived, channel, self._view.hidden)
        )
        if wanted != self._drawn:
            self._drawn = wanted
            self._area.set_value_ends(self._view.value_ends)
            self._area.set_channels(self._channels.show(capture, channel, self._view.hidden))
            if channel is not None:
                self._area.set_active_channel(channel)
            self._area.set_levels(self._view.levels)
        lane, self.flips = self._views.show(self._view.bursts, self._view.flips)
        self._area.set_lane(lane)
        self._area.set_flips(self.flips)

    @Slot()
    def _show_span(self) -> None:
        self._area.set_span(self._view.span_s)

    @Slot(object, float, object)
    def _move_cursor(self, key: int, time_s: float, gesture: Hashable) -> None:
        self._bridge.run(edits.MoveCursor(key, time_s), gesture)

    @Slot(float)
    def _place_flip(self, time_s: float) -> None:
        if self._view.index is not None:
            self._bridge.run(edits.PlaceFlip(self._view.index, time_s))

    @Slot(object, float, object)
    def _move_flip(self, flip: FlipView, time_s: float, gesture: Hashable) -> None:
        if flip.origin == "hand" and flip.key is not None:
            self._bridge.run(edits.MoveHandFlip(flip.key, time_s), gesture)
        elif flip.origin == "auto" and self._view.index is not None:
            self._bridge.run(edits.MoveAutoFlip(self._view.index, flip.time_s, time_s), gesture)

    @Slot(object)
    def _delete_flip(self, flip: FlipView) -> None:
        if flip.key is not None:
            self._bridge.run(edits.DeleteHandFlip(flip.key))
        elif self._view.index is not None:
            self._bridge.run(edits.DeleteAutoFlip(self._view.index, flip.time_s))

    @Slot(float, float)
    def _select_span(self, start_s: float, end_s: float) -> None:
        self._view.select_span((start_s, end_s))

    @Slot(object, object)
    def _scale_channels(self, values: Sequence[ChannelEnds], gesture: Hashable) -> None:
        if self._view.index is not None:
            self._bridge.run(edits.ScaleChannels(self._view.index, tuple(values)), gesture)

    @Slot()
    def _clear_span(self) -> None:
        self._view.select_span(None)

    @Slot(object, object)
    def _set_level(self, level: float | None, gesture: Hashable) -> None:
        view = self._view
        if view.index is not None and view.channel is not None:
            self._bridge.run(edits.SetLevel(view.index, view.channel, level), gesture)
