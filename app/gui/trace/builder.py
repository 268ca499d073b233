"""Envelopes built beside the window."""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Sequence
from contextlib import closing

import numpy as np
from PySide6.QtCore import QObject, QTimer, Signal, Slot

from app.errors import HalfturnError
from app.files.envelope_cache import EnvelopeCache
from app.gui.trace.computed import ComputedSamples
from app.gui.trace.curves import ChannelEnvelope

_AT_ONCE = 1 << 21  # samples: building these takes a few milliseconds
_SEGMENTS_AT_ONCE = 200
_LOOK_EVERY_MS = 80
_ARRIVALS_EVERY_MS = 30
_THREADS_MOST = 4


class EnvelopeBuilder(QObject):
    """Builds envelopes, small ones at once, larger ones in threads; ``grew`` tells that there is more.

    The threads know only the envelopes, nothing of Qt: a timer looks how far they have come. They stop soon
    after `stop`, or after this object is deleted. What ``cache`` has is not built again. ``arrived`` tells
    that computed samples which were missing in a picture are there. ``failed(error)`` tells why an envelope ends
    before its samples do: a file that is damaged there, or can no longer be read.
    """

    grew = Signal()
    arrived = Signal()
    failed = Signal(object)

    def __init__(self, parent: QObject | None = None, cache: EnvelopeCache | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("envelopeBuilder")
        self._cache = cache
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._errors: deque[HalfturnError] = deque()
        self._timer = QTimer(self)
        self._timer.setInterval(_LOOK_EVERY_MS)
        self._timer.timeout.connect(self._look)
        self._computed: dict[ComputedSamples, int] = {}
        self._arrivals = QTimer(self)
        self._arrivals.setInterval(_ARRIVALS_EVERY_MS)
        self._arrivals.timeout.connect(self._look_for_arrivals)

    @property
    def busy(self) -> bool:
        return self._timer.isActive()

    def build(self, envelopes: Sequence[ChannelEnvelope]) -> None:
        """Build these; what is under way is given up first."""
        self.stop()
        self._computed = {
            one.computed: one.computed.arrivals for one in envelopes if one.computed is not None
        }
        if self._computed:
            self._arrivals.start()
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
                target=_build_all,
                args=(waiting, self._stop, self._cache, self._errors),
                name="envelopes",
                daemon=True,
            )
            self._thread.start()
            self._timer.start()

    def stop(self) -> None:
        """Give up building and wait for the thread; at most one block of samples is still read."""
        self._timer.stop()
        self._arrivals.stop()
        self._stop.set()
        for one in self._computed:
            one.stop()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    @Slot()
    def _look_for_arrivals(self) -> None:
        now = {one: one.arrivals for one in self._computed}
        if now != self._computed:
            self._computed = now
            self.arrived.emit()

    @Slot()
    def _look(self) -> None:
        if self._thread is None or not self._thread.is_alive():
            self._timer.stop()
            self._thread = None
        self.grew.emit()
        while self._errors:
            self.failed.emit(self._errors.popleft())


def _build_all(
    envelopes: Sequence[ChannelEnvelope],
    stop: threading.Event,
    cache: EnvelopeCache | None,
    errors: deque[HalfturnError],
) -> None:
    for envelope in envelopes:
        try:
            with closing(envelope.build(min(os.cpu_count() or 1, _THREADS_MOST), cache)) as steps:
                for _ in steps:
                    if stop.is_set():
                        return
        except HalfturnError as error:
            errors.append(error)
