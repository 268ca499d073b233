"""Painting of what helps to mark: the symbol grid, the level line, and where stepping stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPolygonF

from app.gui.trace.api import GridHandle, GridView
from app.gui.trace.geometry import Geometry
from app.gui.trace.marks_shown import MarksShown
from app.gui.trace.palette import TraceColours, line_pen
from app.gui.trace.scale import TimeScale
from app.gui.trace.strokes import draw_verticals

EDGES_FROM_PX = 5.0  # of a symbol; closer edges would hide the trace
_END_PX = 5.0
_POINTER_PX = 6.0
_TALL = 6.0  # bars: lower traces would be hidden by text over them


@dataclass(frozen=True)
class HelpersPainter:
    """Paints one frame; ``level_text`` is written at the level line."""

    geometry: Geometry
    scale: TimeScale
    shown: MarksShown
    colours: TraceColours
    font: QFont
    level_text: str = ""

    def paint(self, painter: QPainter) -> None:
        painter.save()
        painter.setFont(self.font)
        area = self.geometry
        painter.setClipRect(
            QRectF(area.left, area.heads_top, area.right - area.left, area.lane_bottom - area.heads_top)
        )
        if self.geometry.level_y is not None:
            self._level(painter, self.geometry.level_y)
        if self.shown.grid is not None:
            self._grid(painter, self.shown.grid)
        if self.shown.walker is not None:
            self._walker(painter, *self.shown.walker)
        painter.restore()

    # --- the level line

    def _level(self, painter: QPainter, y: float) -> None:
        area, colour = self.geometry, self.colours.span_edge
        painter.setPen(line_pen(colour))
        painter.drawLine(QLineF(area.left, y, area.right, y))
        if self.shown.level_held:
            painter.fillRect(QRectF(area.left, round(y) - 1, area.right - area.left, 3), colour)
        box = self._box(painter, self.level_text, area.right, y, before=True)
        painter.fillRect(QRectF(box.left() - 4, box.top(), 3, box.height()), colour)

    # --- the symbol grid

    def _grid(self, painter: QPainter, grid: GridView) -> None:
        area, scale = self.geometry, self.scale
        left, right = scale.px(grid.start_s), scale.px(grid.end_s)
        if right < area.left or left > area.right:
            return
        if scale.length_px(grid.period_s) >= EDGES_FROM_PX:
            first = max(0, int(np.floor((scale.start_s - grid.start_s) / grid.period_s)))
            last = min(grid.count, int(np.ceil((scale.end_s - grid.start_s) / grid.period_s)))
            times = grid.start_s + np.arange(first, last + 1, dtype=np.float64) * grid.period_s
            draw_verticals(
                painter, self.colours.removed_flip, scale.px(times), area.heads_bottom, area.rows_bottom
            )
        held = {
            mark.part for mark in (self.shown.selected, self.shown.hovered) if isinstance(mark, GridHandle)
        }
        shown = QRectF(max(left, area.left - 9), area.bar_top, 0.0, area.bar_px - 1)
        shown.setRight(min(right, area.right + 9))
        painter.setPen(line_pen(self.colours.span_edge if held else self.colours.text))
        painter.setBrush(self.colours.span if "whole" in held else self.colours.low_symbol)
        painter.drawRect(shown)
        for x, part in ((left, "start"), (right, "end")):
            wide = _END_PX + (2 if part in held else 0)
            colour = self.colours.span_edge if part in held else self.colours.text
            painter.fillRect(QRectF(x - wide / 2, area.bar_top - 3, wide, area.bar_px + 5), colour)
        self._grid_text(painter, shown.adjusted(8, 0, -8, 0), grid.text)

    def _grid_text(self, painter: QPainter, inside: QRectF, text: str) -> None:
        metrics = QFontMetricsF(self.font)
        centred = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignHCenter
        fit = text.rsplit(" · ", 1)[-1]
        painter.setPen(line_pen(self.colours.text))
        for shorter in (text, fit):
            if metrics.horizontalAdvance(shorter) + 4 <= inside.width():
                painter.drawText(inside, centred, shorter)
                return
        if self.geometry.bar_top - self.geometry.heads_bottom < _TALL * self.geometry.bar_px:
            elided = metrics.elidedText(fit, Qt.TextElideMode.ElideRight, inside.width())
            painter.drawText(inside, centred, elided)
            return
        # too long for the bar: above it, as far to the left as the view wants it
        width = metrics.horizontalAdvance(text) + 4
        height = self.geometry.bar_px
        middle = inside.center().x()
        left = max(min(middle - width / 2, self.geometry.right - width - 4), self.geometry.left + 4)
        box = QRectF(left, self.geometry.bar_top - height - 5, width, height)
        painter.fillRect(box.adjusted(-4, 0, 4, 0), self.colours.ground)
        painter.drawText(box, Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft, text)

    # --- where stepping stands

    def _walker(self, painter: QPainter, time_s: float, what: str) -> None:
        area, x = self.geometry, self.scale.px(time_s)
        colour = self.colours.hand_flip
        painter.fillRect(
            QRectF(round(x) - 1, area.heads_bottom, 2, area.rows_bottom - area.heads_bottom), colour
        )
        painter.setPen(line_pen(colour))
        painter.setBrush(colour)
        for y, down in ((area.heads_bottom, 1), (area.bar_top - 2, -1)):
            corners = ((x - _POINTER_PX, y), (x + _POINTER_PX, y), (x, y + down * 1.4 * _POINTER_PX))
            painter.drawPolygon(QPolygonF([QPointF(*corner) for corner in corners]))
        height = QFontMetricsF(self.font).height()
        self._box(painter, what, x + _POINTER_PX, area.heads_bottom + height, edge=colour)

    def _box(
        self,
        painter: QPainter,
        text: str,
        x: float,
        y: float,
        *,
        before: bool = False,
        edge: QColor | None = None,
    ) -> QRectF:
        """Text on a ground of its own, beginning at ``x``, or ending there, centred about ``y``."""
        metrics = QFontMetricsF(self.font)
        width, height = metrics.horizontalAdvance(text) + 8, metrics.height() + 2
        left = x - width if before or x + width > self.geometry.right else x
        box = QRectF(left, y - height / 2, width, height)
        painter.fillRect(box, self.colours.ground)
        if edge is not None:
            painter.setPen(line_pen(edge))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(box)
        painter.setPen(line_pen(self.colours.text))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
        return box
