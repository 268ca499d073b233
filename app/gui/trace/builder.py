"""Envelopes built beside the window."""

from __future__ import annotations

import threading
from collections.abc import Sequence

from PySide6.QtCore import QObject, QTimer, Signal, Slot

from app.gui.trace.curves import ChannelEnvelope

_AT_ONCE = 1 << 21  # samples: building these takes a few milliseconds
_SEGMENTS_AT_ONCE = 200
_LOOK_EVERY_MS = 80


class EnvelopeBuilder(QObject):
    """Builds envelopes, small ones at once, larger ones in one thread; ``grew`` tells that there is more.

    The thread knows only the envelopes, nothing of Qt: a timer looks how far it has come. It stops soon after
    `stop`, or after this object is deleted.
    """

    grew = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("envelopeBuilder")
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._timer = QTimer(self)
        self._timer.setInterval(_LOOK_EVERY_MS)
        self._timer.timeout.connect(self._look)

    @property
    def busy(self) -> bool:
        return self._timer.isActive()

    def build(self, envelopes: Sequence[ChannelEnvelope]) -> None:
        """Build these; what is under way is given up first."""
        self.stop()
        waiting = []
        for envelope in envelopes:
            if envelope.samples <= _AT_ONCE and len(envelope.timeline) <= _SEGMENTS_AT_ONCE:
                for _ in envelope.build():
                    pass
            else:
                waiting.append(envelope)
        if waiting:
            self._stop = threading.Event()
            self.destroyed.connect(self._stop.set)
            self._thread = threading.Thread(
                target=_build_all, args=(waiting, self._stop), name="envelopes", daemon=True
            )
            self._thread.start()
            self._timer.start()

    def stop(self) -> None:
        """Give up building and wait for the thread; at most one block of samples is still read."""
        self._timer.stop()
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    @Slot()
    def _look(self) -> None:
        if self._thread is None or not self._thread.is_alive():
            self._timer.stop()
            self._thread = None
        self.grew.emit()


def _build_all(envelopes: Sequence[ChannelEnvelope], stop: threading.Event) -> None:
    for envelope in envelopes:
        for _ in envelope.build():
            if stop.is_set():
                return
