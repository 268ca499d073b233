"""From one place that a warning is about to the next, however long the capture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal, Slot

from app.gui.channel_view import ChannelView
from app.gui.messages import Message, message_of
from app.gui.panels.warnings import WarningsPanel
from app.gui.work import JobRunner

if TYPE_CHECKING:
    from dsp.results import Notice


class WarningsFlow(QObject):
    """``told(Message)`` is what the user must know."""

    told = Signal(object)

    def __init__(
        self, panel: WarningsPanel, view: ChannelView, runner: JobRunner, parent: QObject | None = None
    ) -> None:
        super().__init__(parent)
        self._panel = panel
        self._view = view
        self._runner = runner
        panel.next_wanted.connect(self._look)

    @Slot(object, int)
    def _look(self, notice: Notice, after: int) -> None:
        """Look for another place off the window's thread; where there is none, begin with the first again."""
        capture = self._view.capture
        if capture is None:
            return
        from app.jobs.warning_places import next_place

        def found(sample: int | None) -> None:
            if self._view.capture is None or notice not in self._view.capture.warnings:
                return
            if sample is None:
                self.told.emit(Message("There is no further place of this warning; this is its first again."))
            self._panel.go_to(notice, notice.first_sample if sample is None else sample)

        self._runner.start(
            "Looking for the next place",
            lambda progress, cancelled: next_place(capture, notice, after, progress, cancelled),
            found,
            lambda error: self.told.emit(message_of(error, "looking for the next place")),
            topic="warning places",
        )
