"""Keeps the comparison of flips up to date, and brings what is chosen in it into view."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal, Slot

from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.messages import Message, message_of
from app.gui.panels.comparison import ComparisonPanel
from app.gui.soon import Soon
from app.gui.trace.area import TraceArea
from app.gui.work import JobRunner
from app.model.changes import Change

if TYPE_CHECKING:
    from app.gui.comparing import ComparedFlip, CompareRequest, Comparison

_CONCERNS = Change.CURRENT | Change.CAPTURES | Change.FLIPS | Change.DECODES | Change.SPANS
_AFTER_MS = 60
_AROUND = 6.0  # symbols on either side of a flip that is looked at
_MISSING = "There is no difference to go to: no flip by hand was missed by the decoder, and none is too many."


class CompareFlow(QObject):
    """``told(Message)`` is what the user must know."""

    told = Signal(object)

    def __init__(
        self,
        panel: ComparisonPanel,
        bridge: DocumentBridge,
        view: ChannelView,
        area: TraceArea,
        runner: JobRunner,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self._panel = panel
        self._document = bridge.document
        self._view = view
        self._area = area
        self._runner = runner
        self._wanted: CompareRequest | None = None
        self._soon = Soon(self._ask, bridge, _CONCERNS, after_ms=_AFTER_MS, parent=self)
        view.span_changed.connect(self._soon.later)
        panel.complete_changed.connect(self._soon.later)
        panel.flip_chosen.connect(self.show_flip)

    def close(self) -> None:
        """Ask for nothing more."""
        self._soon.close()

    def step(self, by: int) -> None:
        """Look at the next or the previous flip that was missed or is one too many."""
        start_s, end_s = self._area.visible_range()
        if not self._panel.step(by, (start_s + end_s) / 2):
            self.told.emit(Message(_MISSING))

    @Slot(object)
    def show_flip(self, flip: ComparedFlip) -> None:
        """Put it into mid-view, some symbols wide, and select it."""
        start_s, end_s = self._area.visible_range()
        half_s = (end_s - start_s) / 2
        period_s = self._period_s(flip)
        if period_s is not None:
            half_s = min(half_s, _AROUND * period_s)
        self._area.show_range(flip.time_s - half_s, flip.time_s + half_s)
        self._area.select_flip_at(flip.time_s)

    def _period_s(self, flip: ComparedFlip) -> float | None:
        from app.model.symbol_grid import grid_of

        bursts = self._view.bursts
        if flip.burst is not None and flip.burst < len(bursts) and bursts[flip.burst].basis.symbol_rate_bd:
            return 1 / (bursts[flip.burst].basis.symbol_rate_bd or 1.0)
        grid = grid_of(self._document.data, self._view.index)
        return None if grid is None else grid.period_s

    @Slot()
    def _ask(self) -> None:
        from app.gui.comparing import CompareRequest, Comparison, compare
        from app.model.symbol_grid import grid_of

        view = self._view
        if view.capture is None or not view.flips:
            self._wanted = None
            self._panel.show_comparison(Comparison(), view.tolerance)
            return
        grid = grid_of(self._document.data, view.index)
        request = CompareRequest(
            view.bursts,
            view.flips,
            None if grid is None else grid.period_s,
            view.span_s,
            self._panel.complete.isChecked(),
        )
        self._wanted = request
        self._runner.start(
            "Comparing flips",
            lambda _progress, _cancelled: compare(request),
            lambda found: self._show(request, found),
            lambda error: self.told.emit(message_of(error, "comparing flips")),
            topic="flip comparison",
        )

    def _show(self, request: CompareRequest, found: Comparison) -> None:
        # an answer that comes late is not shown over a newer one, or over another capture
        if request is self._wanted:
            self._panel.show_comparison(found, self._view.tolerance)
