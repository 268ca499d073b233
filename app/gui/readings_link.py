"""Keeps the readings panel up to date, worked out in a thread of its own so that dragging stays smooth."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal, Slot

from app.errors import HalfturnError
from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.messages import message_of
from app.gui.panels.readings import ReadingsPanel
from app.gui.soon import Soon
from app.gui.work import JobRunner
from app.model.changes import Change

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.gui.readings import ReadingsRequest
    from app.gui.readings_tools import ReadingRow

_CONCERNS = Change.SPANS | Change.CURSORS | Change.CURRENT | Change.CAPTURES | Change.FLIPS | Change.DECODES
_AFTER_MS = 30


class ReadingsLink(QObject):
    told = Signal(object)

    def __init__(
        self,
        panel: ReadingsPanel,
        bridge: DocumentBridge,
        view: ChannelView,
        runner: JobRunner,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self._panel = panel
        self._document = bridge.document
        self._view = view
        self._runner = runner
        self._soon = Soon(self._ask, bridge, _CONCERNS, after_ms=_AFTER_MS, parent=self)
        view.span_changed.connect(self._soon.later)

    def close(self) -> None:
        """Ask for nothing more."""
        self._soon.close()

    @Slot()
    def _ask(self) -> None:
        request = self._request()
        if request is None:
            self._panel.show_rows(())
            return
        # what measures is imported with the first capture
        from app.gui.readings import readings, takes_long

        def start(brief: bool, done: Callable[[tuple[ReadingRow, ...]], None]) -> None:
            self._runner.start(
                "Reading",
                lambda _progress, cancelled: readings(request, cancelled, brief=brief),
                done,
                self._failed,
                topic="readings",
            )

        def go_on(rows: tuple[ReadingRow, ...]) -> None:
            self._panel.show_rows(rows)
            start(False, self._panel.show_rows)

        if takes_long(request):
            start(True, go_on)
        else:
            start(False, self._panel.show_rows)

    def _request(self) -> ReadingsRequest | None:
        from app.model.symbol_grid import grid_of

        view = self._view
        if view.capture is None or view.channel is None:
            return None
        cursors = tuple(one for one in self._document.data.cursors if one.capture == view.index)
        used = {mark.key for burst in view.bursts for mark in burst.marks}
        hand = [mark for mark in view.flips if not mark.removes]
        flips_s = [flip.time_s for burst in view.bursts for flip in burst.flips]
        from app.gui.readings import ReadingsRequest

        return ReadingsRequest(
            view.capture,
            view.channel,
            cursors,
            view.span_s,
            (*flips_s, *(mark.time_s for mark in hand if mark.key not in used)),
            view.carrier_hz,
            next((one.basis.symbol_rate_bd for one in view.bursts if one.basis.symbol_rate_bd), None),
            tuple(mark.time_s for mark in hand),
            tuple(mark.time_s for mark in view.flips if mark.removes),
            tuple(time_s for one in view.bursts for time_s in one.burst.flips_s),
            grid_of(self._document.data, view.index),
        )

    def _failed(self, error: BaseException) -> None:
        if isinstance(error, HalfturnError):
            from app.gui.readings_tools import ReadingRow

            self._panel.show_rows((ReadingRow("No readings", str(error)),))
        else:
            self.told.emit(message_of(error, "taking readings"))
