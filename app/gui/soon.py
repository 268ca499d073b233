"""Asks a little after the first of many changes, so that a drag does not ask a hundred times a second."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QObject, QTimer, Slot

from app.gui.bridge import DocumentBridge
from app.model.changes import Change


class Soon(QObject):
    """Calls ``ask`` ``after_ms`` after `later`, once however often that is called meanwhile.

    Parameters
    ----------
    concerns : changes of the document behind ``bridge`` that call `later`.
    """

    def __init__(
        self,
        ask: Callable[[], None],
        bridge: DocumentBridge,
        concerns: Change,
        *,
        after_ms: int,
        parent: QObject,
    ) -> None:
        super().__init__(parent)
        self._concerns = concerns
        self._closed = False
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(after_ms)
        self._timer.timeout.connect(ask)
        bridge.changed.connect(self._follow)

    def close(self) -> None:
        """Ask for nothing more."""
        self._closed = True
        self._timer.stop()

    @Slot()
    def later(self) -> None:
        if not self._closed and not self._timer.isActive():
            self._timer.start()

    @Slot(object)
    def _follow(self, change: Change) -> None:
        if change & self._concerns:
            self.later()
