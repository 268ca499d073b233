"""The drawing surface: rows of traces, the lane and the time axis in one grid, marks over all of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import pyqtgraph as pg
from PySide6.QtCore import QEvent, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import (
    QContextMenuEvent,
    QFocusEvent,
    QFontMetricsF,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QGraphicsGridLayout, QGraphicsWidget, QWidget

from app.gui.trace.geometry import Geometry
from app.gui.trace.helpers_paint import HelpersPainter
from app.gui.trace.lane import LaneItem
from app.gui.trace.marks_paint import MarksPainter, NameTag
from app.gui.trace.marks_shown import MarksShown
from app.gui.trace.named_spans import paint_spans
from app.gui.trace.palette import TraceColours, colours_of, line_pen
from app.gui.trace.rows import TraceRow
from app.gui.trace.scale import TimeScale
from app.gui.trace.scale_items import TimeAxisItem
from app.model.quantity import format_value

_RIGHT_GAP_PX = 12.0
_LEAST_LINES = 13.0


class CanvasInput(Protocol):
    """Who is told of mouse and keys; ``position`` in pixels of the canvas."""

    def mouse_press(self, event: QMouseEvent) -> None: ...
    def mouse_move(self, event: QMouseEvent) -> None: ...
    def mouse_release(self, event: QMouseEvent) -> None: ...
    def mouse_double_click(self, event: QMouseEvent) -> None: ...
    def mouse_leave(self) -> None: ...
    def focus_lost(self) -> None: ...
    def wheel(self, event: QWheelEvent) -> None: ...
    def key(self, event: QKeyEvent) -> bool: ...
    def menu(self, event: QContextMenuEvent) -> None: ...


class TraceCanvas(pg.GraphicsView):  # type: ignore[misc]
    """Draws; all it decides itself is where things stand. ``resized``: the traces have another size."""

    resized = Signal()

    def __init__(self, shown: MarksShown, parent: QWidget | None = None) -> None:
        super().__init__(parent, useOpenGL=False, background=None)
        self.setObjectName("traceCanvas")
        self.setAccessibleName("Trace and decoded symbols")
        self.setAccessibleDescription("Keys are listed in the help; marks are selected with comma and period")
        self.viewport().setObjectName("traceSurface")
        self.viewport().setAccessibleName("Surface of the trace")
        self.setCacheMode(pg.GraphicsView.CacheModeFlag.CacheNone)
        self.setViewportUpdateMode(pg.GraphicsView.ViewportUpdateMode.FullViewportUpdate)
        self.setMouseTracking(True)
        self.input: CanvasInput | None = None
        self._shown = shown
        self._range_s = (0.0, 1.0)
        self.rows: tuple[TraceRow, ...] = ()
        self.active = ""
        self._heads = QGraphicsWidget()
        self._lane = LaneItem()
        self._axis = TimeAxisItem()
        self._grid: QGraphicsGridLayout = self.centralLayout
        self._grid.setContentsMargins(4, 2, _RIGHT_GAP_PX, 2)
        self._grid.setHorizontalSpacing(0)
        self._grid.setVerticalSpacing(2)
        self._grid.setColumnStretchFactor(1, 1)
        self.colours: TraceColours = colours_of(self.palette())
        self.set_rows(())

    # --- contents

    def set_rows(self, rows: Sequence[TraceRow]) -> None:
        """Put other rows between the heads and the lane."""
        while self._grid.count():
            self._grid.removeAt(0)
        for row in self.rows:
            for item in (row.box, row.axis):
                self.scene().removeItem(item)
        self.rows = tuple(rows)
        self._grid.addItem(self._heads, 0, 1)
        for at, row in enumerate(self.rows, 1):
            self._grid.addItem(row.axis, at, 0)
            self._grid.addItem(row.box, at, 1)
            self._grid.setRowStretchFactor(at, 1)
        for at, item in enumerate((self._lane, self._axis), len(self.rows) + 1):
            self._grid.addItem(item, at, 1)
            self._grid.setRowStretchFactor(at, 0)
        self.set_look()

    def set_look(self) -> None:
        """Take colours and text size from the palette and font."""
        self.colours = colours_of(self.palette())
        line = QFontMetricsF(self.font()).height()
        # whatever else wants room: a trace between the heads and the lane that shows something
        self.setMinimumHeight(round(_LEAST_LINES * line))
        height = line + 14
        self._heads.setMinimumHeight(height)
        self._heads.setMaximumHeight(height)
        self._lane.set_look(self.colours, self.font())
        self._axis.set_look(self.colours, self.font())
        for row in self.rows:
            row.set_look(self.colours, self.font())
        self._grid.activate()
        self.redraw()

    def show_range(self, start_s: float, end_s: float) -> None:
        """Draw a stretch of time."""
        self._range_s = (start_s, end_s)
        self.redraw()

    def redraw(self) -> None:
        """Work out the curves anew, as after more of an envelope is known."""
        scale = self.time_scale()
        # of the screen: at 200 % two of them make one of the widget's
        pixels = max(1, round((scale.right - scale.left) * self.devicePixelRatioF()))
        for row in self.rows:
            row.show(*self._range_s, pixels)
        self._lane.set_scale(scale)
        self._axis.set_scale(scale)
        self.viewport().update()

    def marks_changed(self, *, lane: bool = False) -> None:
        if lane:
            self._lane.set_book(self._shown.lane)
        self.viewport().update()

    # --- where things stand

    def time_scale(self) -> TimeScale:
        rect = self._heads.sceneBoundingRect()
        return TimeScale(*self._range_s, rect.left(), rect.right())

    def geometry_px(self) -> Geometry:
        heads, lane = self._heads.sceneBoundingRect(), self._lane.sceneBoundingRect()
        bar_px = QFontMetricsF(self.font()).height() + 4
        return Geometry(
            *(heads.left(), heads.right(), heads.top(), heads.bottom(), lane.top(), lane.bottom()),
            bar_px,
            self._level_y(),
        )

    def active_row(self) -> TraceRow | None:
        """The row of the active channel."""
        for row in self.rows:
            if any(envelope.channel.name == self.active for envelope in row.envelopes):
                return row
        return self.rows[0] if self.rows else None

    def _level_y(self) -> float | None:
        row = self.active_row()
        if row is None or self._shown.level is None:
            return None
        y = row.value_y(self._shown.level)
        return y if _covers(row.box.sceneBoundingRect(), y) else None

    def _level_text(self) -> str:
        row = self.active_row()
        if row is None or self._shown.level is None:
            return ""
        units = {envelope.channel.name: envelope.channel.unit for envelope in row.envelopes}
        unit = units.get(self.active, row.envelopes[0].channel.unit)
        return f"level {format_value(self._shown.level, unit, 4)}"

    def row_at(self, y: float) -> TraceRow | None:
        return next((row for row in self.rows if _covers(row.box.sceneBoundingRect(), y)), None)

    # --- painting

    def drawBackground(self, painter: QPainter, rect: QRectF) -> None:
        painter.fillRect(rect, self.colours.ground)
        self._painter().under(painter)
        painter.setPen(line_pen(self.colours.faint))
        area = self.geometry_px()
        for row in self.rows:
            box = row.box.sceneBoundingRect()
            painter.drawLine(QPointF(area.left, box.bottom() + 1), QPointF(area.right, box.bottom() + 1))
            if row.unread_from_s is not None:
                self._unread(painter, box, row.unread_from_s)
            low, high = row.values
            if low < 0 < high:
                y = row.value_y(0.0)
                painter.drawLine(QPointF(area.left, y), QPointF(area.right, y))

    def _unread(self, painter: QPainter, box: QRectF, from_s: float) -> None:
        """Nobody shall take what is not read yet for silence, or for the end of the capture."""
        left = max(self.time_scale().px(from_s), box.left())
        rest = QRectF(left, box.top(), box.right() - left, box.height())
        painter.fillRect(rest, self.colours.shade)

    def drawForeground(self, painter: QPainter, rect: QRectF) -> None:
        tags: list[NameTag] = [tag for row in self.rows for tag in row.tags()]
        HelpersPainter(
            *(self.geometry_px(), self.time_scale(), self._shown, self.colours, self.font()),
            self._level_text(),
        ).paint(painter)
        self._painter().over(painter, tags)
        area = self.geometry_px()
        paint_spans(
            painter, self._shown.named_spans, self.time_scale(), area.rows_bottom, self.colours, self.font()
        )
        for row in self.rows:
            self._unread_note(painter, row)
        if self.hasFocus():
            painter.setPen(line_pen(self.colours.span_edge))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(self.sceneRect().adjusted(0, 0, -1, -1))

    def _unread_note(self, painter: QPainter, row: TraceRow) -> None:
        """At the top right of a row, over the curves."""
        if not row.unread:
            return
        text = ", ".join(row.unread)
        metrics, box = QFontMetricsF(self.font()), row.box.sceneBoundingRect()
        width = min(metrics.horizontalAdvance(text) + 12, box.width())
        note = QRectF(box.right() - width - 4, box.top() + 4, width, metrics.height() + 4)
        painter.fillRect(note, self.colours.ground)
        painter.setPen(line_pen(self.colours.text))
        painter.setFont(self.font())
        painter.drawText(note, Qt.AlignmentFlag.AlignCenter, text)

    def _painter(self) -> MarksPainter:
        return MarksPainter(self.geometry_px(), self.time_scale(), self._shown, self.colours, self.font())

    # --- events: the scene's own handling of mouse and keys is not wanted

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        if self._made():
            self._grid.activate()
            self.resized.emit()

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() in (QEvent.Type.PaletteChange, QEvent.Type.FontChange) and self._made():
            self.set_look()

    def _made(self) -> bool:
        """The base class calls event handlers while it is being made."""
        return hasattr(self, "colours")

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if self.input:
            self.input.mouse_press(event)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self.input:
            self.input.mouse_move(event)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self.input:
            self.input.mouse_release(event)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        if self.input:
            self.input.mouse_double_click(event)

    def leaveEvent(self, event: QEvent) -> None:
        if self.input:
            self.input.mouse_leave()

    def wheelEvent(self, event: QWheelEvent) -> None:
        if self.input:
            self.input.wheel(event)
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if not (self.input and self.input.key(event)):
            event.ignore()

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:
        if self.input:
            self.input.menu(event)

    def focusInEvent(self, event: QFocusEvent) -> None:
        super().focusInEvent(event)
        self.viewport().update()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        super().focusOutEvent(event)
        if self.input:
            self.input.focus_lost()
        self.viewport().update()


def _covers(rect: QRectF, y: float) -> bool:
    return rect.top() <= y <= rect.bottom()
