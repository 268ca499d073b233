"""A double click on a symbol in the lane: the user decides that it is the other one."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtGui import QMouseEvent

from app.gui.trace.canvas import TraceCanvas


class LaneClicks(QObject):
    """Takes double clicks in the lane before the traces see them; ``turn(time_s)`` is called for each."""

    def __init__(self, canvas: TraceCanvas, turn: Callable[[float], object], parent: QObject) -> None:
        super().__init__(parent)
        self._canvas = canvas
        self._turn = turn
        canvas.viewport().installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if event.type() == QEvent.Type.MouseButtonDblClick and isinstance(event, QMouseEvent):
            area, at = self._canvas.geometry_px(), event.position()
            inside = area.rows_bottom <= at.y() <= area.lane_bottom and area.left <= at.x() <= area.right
            if inside and event.button() == Qt.MouseButton.LeftButton:
                self._turn(self._canvas.time_scale().time(at.x()))
                return True
        return super().eventFilter(watched, event)
