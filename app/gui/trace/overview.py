"""The strip above the trace: the whole capture, with the visible range marked in it."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

import numpy as np
from PySide6.QtCore import QEvent, QLineF, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFontMetricsF,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPixmap,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.gui.trace.curves import ChannelEnvelope
from app.gui.trace.marks_shown import LaneBook
from app.gui.trace.palette import TraceColours, colours_of, line_pen
from app.gui.trace.scale import TimeScale
from app.gui.trace.strokes import draw_verticals
from app.gui.trace.viewrange import ViewRange

_EDGE_PX = 5.0
_LEAST_PX = 6.0  # the mark of a range that is narrower is drawn this wide
_BURSTS_PX = 4.0
_SIDE_PX = 12.0
_WHEEL_FACTOR = 0.8


class Grip(Enum):
    START = "start"
    END = "end"
    INSIDE = "inside"
    OUTSIDE = "outside"


_HINTS = {
    Grip.START: "drag: move the start of the visible range",
    Grip.END: "drag: move the end of the visible range",
    Grip.INSIDE: "drag: move the visible range · wheel: show more or less",
    Grip.OUTSIDE: "click: show this part · wheel: show more or less",
}


class OverviewStrip(QWidget):
    """``range_wanted`` carries a `ViewRange`."""

    range_wanted = Signal(object)
    mouse_hint = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("traceOverview")
        self.setAccessibleName("Overview of the whole capture")
        self.setAccessibleDescription("Arrow keys move the visible range, plus and minus change its width")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMouseTracking(True)
        self._envelopes: tuple[ChannelEnvelope, ...] = ()
        self._hues: tuple[int, ...] = ()
        self._lane = LaneBook()
        self._view = ViewRange.whole(0.0, 1.0, 1.0)
        self._picture: QPixmap | None = None
        self._grip: Grip | None = None
        self._grab_s = 0.0
        self._before = self._view

    def sizeHint(self) -> QSize:
        return QSize(400, round(4 * QFontMetricsF(self.font()).height()))

    # --- contents

    def set_envelopes(self, envelopes: Sequence[ChannelEnvelope], hues: Sequence[int]) -> None:
        self._envelopes, self._hues = tuple(envelopes), tuple(hues)
        self.redraw()

    def set_lane(self, book: LaneBook) -> None:
        self._lane = book
        self.redraw()

    def set_view(self, view: ViewRange) -> None:
        whole_changed = (view.first_s, view.last_s) != (self._view.first_s, self._view.last_s)
        self._view = view
        if whole_changed:
            self.redraw()
        self.update()

    def redraw(self) -> None:
        """Draw the picture of the capture anew at the next paint."""
        self._picture = None
        self.update()

    # --- where things stand

    def _scale(self) -> TimeScale:
        whole = ViewRange.whole(self._view.first_s, self._view.last_s, self._view.rate_hz)
        return TimeScale(whole.start_s, whole.end_s, _SIDE_PX, self.width() - _SIDE_PX)

    def _mark(self) -> tuple[float, float]:
        """Left and right edge of the visible range, in pixels."""
        scale = self._scale()
        left, right = scale.px(self._view.start_s), scale.px(self._view.end_s)
        spare = max(_LEAST_PX - (right - left), 0.0) / 2
        return max(left - spare, 1.0), min(right + spare, self.width() - 1.0)

    def grip_at(self, x: float) -> Grip:
        left, right = self._mark()
        reach = min(_EDGE_PX, (right - left) / 4)
        if abs(x - left) <= max(reach, 2.0) and x < left + reach:
            return Grip.START
        if abs(x - right) <= max(reach, 2.0) and x > right - reach:
            return Grip.END
        return Grip.INSIDE if left < x < right else Grip.OUTSIDE

    # --- mouse and keys

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() != Qt.MouseButton.LeftButton:
            return
        x = event.position().x()
        at_s = self._scale().time(x)
        self._before = self._view
        self._grip = self.grip_at(x)
        if self._grip is Grip.OUTSIDE:
            self._grip, self._grab_s = Grip.INSIDE, self._view.width_s / 2
            self._drag(at_s)
        else:
            edge_s = self._view.end_s if self._grip is Grip.END else self._view.start_s
            self._grab_s = at_s - edge_s

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        x = event.position().x()
        if self._grip is not None:
            self._drag(self._scale().time(x))
            return
        grip = self.grip_at(x)
        edge = grip in (Grip.START, Grip.END)
        self.setCursor(Qt.CursorShape.SizeHorCursor if edge else Qt.CursorShape.ArrowCursor)
        self.mouse_hint.emit(_HINTS[grip])

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self._grip = None

    def leaveEvent(self, event: QEvent) -> None:
        self.mouse_hint.emit("")

    def wheelEvent(self, event: QWheelEvent) -> None:
        factor = _WHEEL_FACTOR ** (event.angleDelta().y() / 120)
        middle_s = (self._view.start_s + self._view.end_s) / 2
        self.range_wanted.emit(self._view.zoomed(factor, middle_s))
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        view, key = self._view, event.key()
        middle_s = (view.start_s + view.end_s) / 2
        if key in (Qt.Key.Key_Left, Qt.Key.Key_Right):
            share = 0.5 if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 0.1
            view = view.panned((1 if key == Qt.Key.Key_Right else -1) * share * view.width_s)
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            view = view.zoomed(0.5, middle_s)
        elif key == Qt.Key.Key_Minus:
            view = view.zoomed(2.0, middle_s)
        elif key == Qt.Key.Key_Escape and self._grip is not None:
            self._grip, view = None, self._before
        else:
            event.ignore()
            return
        self.range_wanted.emit(view)

    def _drag(self, at_s: float) -> None:
        edge_s, before = at_s - self._grab_s, self._before
        if self._grip is Grip.START:
            self.range_wanted.emit(before.shown(min(edge_s, before.end_s), before.end_s))
        elif self._grip is Grip.END:
            self.range_wanted.emit(before.shown(before.start_s, max(edge_s, before.start_s)))
        else:
            self.range_wanted.emit(before.panned(edge_s - before.start_s))

    # --- painting

    def changeEvent(self, event: QEvent) -> None:
        if event.type() in (QEvent.Type.PaletteChange, QEvent.Type.FontChange):
            self.updateGeometry()
            self.redraw()
        super().changeEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        self.redraw()

    def paintEvent(self, event: QPaintEvent) -> None:
        colours = colours_of(self.palette())
        if self._picture is None:
            self._picture = self._drawn_picture(colours)
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self._picture)
        left, right = self._mark()
        height = float(self.height())
        veil = QColor(colours.faint)
        veil.setAlpha(110)
        painter.fillRect(QRectF(0, 0, left, height), veil)
        painter.fillRect(QRectF(right, 0, self.width() - right, height), veil)
        painter.setPen(line_pen(colours.text))
        painter.drawRect(QRectF(round(left), 0, round(right - left), height - 1))
        for x in (round(left), round(right)):
            painter.fillRect(QRectF(x - 1, height / 2 - 7, 3, 14), colours.text)
        if self.hasFocus():
            painter.drawLine(QLineF(0, height - 0.5, self.width(), height - 0.5))
        painter.end()

    def _drawn_picture(self, colours: TraceColours) -> QPixmap:
        """All channels, each in the full height, and below them a block for each burst."""
        ratio = self.devicePixelRatioF()
        picture = QPixmap(self.size() * ratio)
        picture.setDevicePixelRatio(ratio)
        picture.fill(colours.ground)
        painter = QPainter(picture)
        scale = self._scale()
        height = self.height() - _BURSTS_PX - 6
        for envelope, hue in zip(self._envelopes, self._hues, strict=True):
            self._draw_curve(painter, envelope, scale, height, colours, hue)
        for burst in self._lane.bursts:
            x = scale.px(burst.start_s)
            width = max(scale.length_px(burst.end_s - burst.start_s), 1.0)
            painter.fillRect(QRectF(x, height + 3, width, _BURSTS_PX), colours.symbol)
        painter.end()
        return picture

    def _draw_curve(
        self,
        painter: QPainter,
        envelope: ChannelEnvelope,
        scale: TimeScale,
        height: float,
        colours: TraceColours,
        hue: int,
    ) -> None:
        # of the screen, or gaps would stand between lines where several of them make one of the widget's
        pixels = max(1, round((scale.right - scale.left) * self.devicePixelRatioF()))
        drawn = envelope.drawn(scale.start_s, scale.end_s, pixels, 0.0)
        unread_s = envelope.unread_from_s(scale.start_s, scale.end_s, pixels)
        if unread_s is not None:
            left = scale.px(unread_s)
            painter.fillRect(QRectF(left, 0, scale.right - left, height + 3), colours.shade)
        known = np.isfinite(drawn.y)
        if not known.any():
            return
        low, high = float(drawn.y[known].min()), float(drawn.y[known].max())
        spread = (high - low) or 1.0
        x = scale.px(drawn.x)
        y = 3 + (height - 3) * (high - drawn.y) / spread if high > low else np.full(drawn.y.size, height / 2)
        if drawn.paired:
            draw_verticals(painter, colours.channel(hue), x[0::2], y[0::2] + 0.5, y[1::2] - 0.5)
        else:
            painter.setPen(line_pen(colours.channel(hue)))
            painter.drawPolyline([QPointF(*point) for point in zip(x[known], y[known], strict=True)])
