"""Decoding again what the session holds, and comparing, from the window."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Qt, QTimer, Signal, Slot
from PySide6.QtWidgets import QWidget

from app.gui.bridge import DocumentBridge
from app.gui.messages import message_of
from app.gui.panels.checks import ChecksPanel
from app.gui.trace.area import TraceArea
from app.gui.window_layout import BELOW, WindowLayout
from app.gui.work import JobRunner
from app.model.changes import Change

if TYPE_CHECKING:
    from app.jobs.verify_words import VerifyRow
    from app.jobs.verifying import RunVerdict

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]

_CHECKING = "check"
_AROUND = 0.15  # of a burst's length, on either side of it


class CheckFlow(QObject):
    """Puts its panel into a dock of ``arrangement``; ``told(Message)`` is what the user must know."""

    told = Signal(object)
    _found = Signal(int, object)

    def __init__(
        self,
        bridge: DocumentBridge,
        area: TraceArea,
        arrangement: WindowLayout,
        runner: JobRunner,
        window: QWidget,
    ) -> None:
        super().__init__(window)
        self.panel = ChecksPanel(window)
        self._arrangement = arrangement
        arrangement.add("Check", self.panel, BELOW)
        self._document = bridge.document
        self._area = area
        self._runner = runner
        self._number = 0
        self._is_checking = False
        # verdicts come from the thread that decodes, and late ones of an older check are passed over
        self._found.connect(self._add, Qt.ConnectionType.QueuedConnection)
        self.panel.check_wanted.connect(self.check)
        self.panel.place_chosen.connect(self._go_to)
        area.unreadable.connect(self._tell_unreadable)
        runner.changed.connect(self._look_whether_cancelled)
        bridge.changed.connect(self._follow)

    @Slot()
    def check(self) -> None:
        """Decode everything again; what is under way of an earlier check is given up."""
        from app.jobs.verify_words import rows_of
        from app.jobs.verifying import verify_run

        data = self._document.data
        self._number += 1
        number = self._number
        self.panel.begin()
        self._arrangement.bring_up(self.panel)

        def verify(progress: Progress, cancelled: Cancelled) -> list[RunVerdict]:
            out: list[RunVerdict] = []
            for at, run in enumerate(data.decodes):
                verdict = verify_run(data, run, _share(progress, at, len(data.decodes)), cancelled)
                out.append(verdict)
                self._found.emit(number, rows_of(verdict))
            return out

        self._is_checking = True
        self._runner.start("Decoding again", verify, self._done, self._failed, topic=_CHECKING)

    @Slot(int, object)
    def _add(self, number: int, rows: tuple[VerifyRow, ...]) -> None:
        if number == self._number and self._is_checking:
            self.panel.add(rows)

    def _done(self, verdicts: list[RunVerdict]) -> None:
        from app.jobs.verify_words import total_text

        self._is_checking = False
        at = datetime.now().strftime("%H:%M:%S")
        self.panel.tell(f"{total_text(verdicts)} This is the session as it was at {at}.")

    @Slot(object)
    def _tell_unreadable(self, error: BaseException) -> None:
        """Samples of the session that cannot be had: damage that nobody looked for."""
        self.told.emit(message_of(error, "drawing the trace"))

    def _failed(self, error: BaseException) -> None:
        self._is_checking = False
        self.panel.tell("It could not be decoded again to the end.")
        self.told.emit(message_of(error, "decoding again"))

    @Slot()
    def _look_whether_cancelled(self) -> None:
        """Work that is cancelled gives no answer."""
        if self._is_checking and not self._runner.is_busy(_CHECKING):
            # an answer that has just come is told right after this
            QTimer.singleShot(0, self._tell_cancelled)

    @Slot()
    def _tell_cancelled(self) -> None:
        if self._is_checking and not self._runner.is_busy(_CHECKING):
            self._is_checking = False
            self.panel.tell("Cancelled: only the bursts below were compared.")

    @Slot(object)
    def _follow(self, change: Change) -> None:
        if change & Change.PATH and change & Change.CAPTURES and not self._is_checking:
            self.panel.empty()

    @Slot(object)
    def _go_to(self, row: VerifyRow) -> None:
        """Show the burst in its capture and channel, if that is still there."""
        captures = self._document.data.captures
        if row.span_s is None or row.capture >= len(captures):
            return
        if captures[row.capture].name != row.capture_name:
            return
        self._document.look_at(row.capture, row.channel)
        start_s, end_s = row.span_s
        margin_s = _AROUND * (end_s - start_s)
        self._area.show_range(start_s - margin_s, end_s + margin_s)


def _share(progress: Progress, number: int, count: int) -> Progress:
    """Progress of one of ``count`` pieces of work."""
    return lambda part: progress((number + part) / count)
