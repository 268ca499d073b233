"""The time axis below the lane and the value axes at the left of the rows."""

from __future__ import annotations

from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QFont, QFontMetricsF, QPainter
from PySide6.QtWidgets import QGraphicsWidget, QStyleOptionGraphicsItem, QWidget

from app.gui.trace.palette import TraceColours, line_pen
from app.gui.trace.scale import TimeScale
from app.gui.trace.ticks import Ticks, time_ticks, value_ticks

_LEAST_TICKS = 2  # on a value axis: one alone is no scale
_TICK_PX = 4.0


class TimeAxisItem(QGraphicsWidget):
    """Ticks and times; the caption says the unit and, far from zero, from when time counts."""

    def __init__(self) -> None:
        super().__init__()
        self._scale: TimeScale | None = None
        self._colours: TraceColours | None = None
        self._font = QFont()

    def set_look(self, colours: TraceColours, font: QFont) -> None:
        self._colours, self._font = colours, font
        _fix_height(self, 2 * QFontMetricsF(font).height() + _TICK_PX + 3)
        self.update()

    def set_scale(self, scale: TimeScale) -> None:
        self._scale = scale
        self.update()

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        if self._scale is None or self._colours is None:
            return
        scale, height = self._scale, QFontMetricsF(self._font).height()
        shift = self.scenePos().x()
        metrics = QFontMetricsF(self._font)
        most = int((scale.right - scale.left) / (metrics.horizontalAdvance("0000.000") + 24))
        ticks = time_ticks(scale.start_s, scale.end_s, max(most, 1))
        places = [scale.px(value) - shift for value in ticks.values]
        painter.setFont(self._font)
        painter.setPen(line_pen(self._colours.text))
        painter.drawLine(QLineF(scale.left - shift, 0.5, scale.right - shift, 0.5))
        painter.drawLines([QLineF(x, 0, x, _TICK_PX) for x in places])
        for x, text in zip(places, ticks.texts, strict=True):
            width = metrics.horizontalAdvance(text)
            painter.drawText(QPointF(x - width / 2, _TICK_PX + metrics.ascent() + 1), text)
        box = QRectF(scale.left - shift, _TICK_PX + height + 1, scale.right - scale.left, height)
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, ticks.caption)


class ValueAxisItem(QGraphicsWidget):
    """Ticks, values and unit of one row."""

    def __init__(self, unit: str) -> None:
        super().__init__()
        self._unit = unit
        self._values = (0.0, 1.0)
        self._colours: TraceColours | None = None
        self._font = QFont()

    def set_look(self, colours: TraceColours, font: QFont) -> None:
        self._colours, self._font = colours, font
        _fix_width(self, QFontMetricsF(font).horizontalAdvance("−00.0000") + _TICK_PX + 6)
        self.update()

    def set_unit(self, unit: str) -> None:
        self._unit = unit
        self.update()

    def set_values(self, low: float, high: float) -> None:
        self._values = (low, high)
        self.update()

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        if self._colours is None:
            return
        metrics = QFontMetricsF(self._font)
        width = self.size().width()
        line = metrics.height()
        ticks, places = self._ticks(line)
        painter.setFont(self._font)
        painter.setPen(line_pen(self._colours.text))
        painter.drawText(QRectF(0, 0, width - _TICK_PX - 2, line), Qt.AlignmentFlag.AlignRight, ticks.caption)
        for y, text in zip(places, ticks.texts, strict=True):
            if self._has_room(y, line):
                painter.drawLine(QLineF(width - _TICK_PX, y, width, y))
                box = QRectF(0, y - line / 2, width - _TICK_PX - 2, line)
                painter.drawText(box, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, text)

    def _ticks(self, line: float) -> tuple[Ticks, list[float]]:
        """Ticks and where they stand; closer ones where the row is so low that fewer than two would be seen."""
        low, high = self._values
        height = self.size().height()
        least = max(2, int(height / (2.5 * line)))
        for most in range(least, max(least, int(height / (1.2 * line))) + 1):
            ticks = value_ticks(low, high, most, self._unit)
            places = [height * (high - value) / (high - low) for value in ticks.values]
            if sum(self._has_room(y, line) for y in places) >= _LEAST_TICKS:
                break
        return ticks, places

    def _has_room(self, y: float, line: float) -> bool:
        """The caption has the top to itself; a tick without its value would say nothing."""
        return y - line / 2 > line and y + line / 2 < self.size().height() + 2


def _fix_height(item: QGraphicsWidget, height: float) -> None:
    item.setMinimumHeight(height)
    item.setMaximumHeight(height)


def _fix_width(item: QGraphicsWidget, width: float) -> None:
    item.setMinimumWidth(width)
    item.setMaximumWidth(width)
