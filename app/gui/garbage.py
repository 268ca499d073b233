"""Garbage is looked for in the window's thread alone.

Python looks for it in whatever thread makes a new object. What hangs together with a widget would then be taken down in
a worker's thread: Qt says that its timers cannot be stopped from there, and may break down.
"""

from __future__ import annotations

import gc

from PySide6.QtCore import QObject, QTimer, Slot

_EVERY_MS = 1000
# results are hundreds of thousands of small frozen values: at every 700 new ones, rounds over all of them would hold the
# window up for seconds when a long capture has been decoded
_MOST = (50_000, 20, 50)


class GarbageTurns(QObject):
    """Until it is closed; what lives when it is made is taken to live to the end."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        gc.disable()
        gc.freeze()
        self._timer = QTimer(self)
        self._timer.setInterval(_EVERY_MS)
        self._timer.timeout.connect(self._look)
        self._timer.start()

    def close(self) -> None:
        """As Python does it."""
        self._timer.stop()
        gc.enable()

    @Slot()
    def _look(self) -> None:
        counts = gc.get_count()
        if counts[0] > _MOST[0]:
            gc.collect(2 if counts[2] > _MOST[2] else 1 if counts[1] > _MOST[1] else 0)
