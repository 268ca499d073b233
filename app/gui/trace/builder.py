"""Envelopes built beside the window."""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from contextlib import closing

import numpy as np
from PySide6.QtCore import QObject, QTimer, Signal, Slot

from app.files.envelope_cache import EnvelopeCache
from app.gui.trace.curves import ChannelEnvelope

_AT_ONCE = 1 << 21  # samples: building these takes a few milliseconds
_SEGMENTS_AT_ONCE = 200
_LOOK_EVERY_MS = 80
_THREADS_MOST = 4


class EnvelopeBuilder(QObject):
    """Builds envelopes, small ones at once, larger ones in threads; ``grew`` tells that there is more.

    The threads know only the envelopes, nothing of Qt: a timer looks how far they have come. They stop soon
    after `stop`, or after this object is deleted. What ``cache`` has is not built again.
    """

    grew = Signal()

    def __init__(self, parent: QObject | None = None, cache: EnvelopeCache | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("envelopeBuilder")
        self._cache = cache
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
            # what is computed may take long for few samples
            plain = isinstance(envelope.channel.stored, np.ndarray)
            if plain and envelope.samples <= _AT_ONCE and len(envelope.timeline) <= _SEGMENTS_AT_ONCE:
                for _ in envelope.build():
                    pass
            else:
                waiting.append(envelope)
        if waiting:
            self._stop = threading.Event()
            self.destroyed.connect(self._stop.set)
            self._thread = threading.Thread(
                target=_build_all, args=(waiting, self._stop, self._cache), name="envelopes", daemon=True
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


def _build_all(
    envelopes: Sequence[ChannelEnvelope], stop: threading.Event, cache: EnvelopeCache | None
) -> None:
    for envelope in envelopes:
        with closing(envelope.build(min(os.cpu_count() or 1, _THREADS_MOST), cache)) as steps:
            for _ in steps:
                if stop.is_set():
                    return
