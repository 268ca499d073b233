"""The sheet that a figure is drawn on: pens as wide as the text asks for, words, lines and shapes in pixels.

Nothing is drawn through a transformed or clipped painter: SVG as Qt writes it knows neither strokes that keep
their width under every program, nor clipping. What lies outside a frame is cut off before it is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QImage,
    QPainter,
    QPainterPath,
    QPen,
    QPolygonF,
    QTransform,
)

Floats = NDArray[np.float64]

_LINE = 1 / 13  # width of a line, of the text's height


class Dash(Enum):
    """What tells lines apart that have another colour, too."""

    SOLID = ()
    LONG = (7.0, 3.0)
    SHORT = (2.0, 2.0)
    MIXED = (7.0, 2.5, 1.5, 2.5)


class Page:
    """Draws with ``painter``; ``em`` is the height of its text in pixels."""

    def __init__(self, painter: QPainter, font: QFont, em: float, *, outlines: bool = False) -> None:
        self._painter = painter
        self.em = em
        self._outlines = outlines
        self._font = QFont(font)
        # a whole number: SVG as Qt writes it knows no others
        self._font.setPixelSize(max(round(em), 1))
        self._bold = QFont(self._font)
        self._bold.setBold(True)
        self._small = QFont(self._font)
        self._small.setPixelSize(max(round(0.75 * em), 1))
        self.metrics = QFontMetricsF(self._font)
        self._bold_metrics = QFontMetricsF(self._bold)
        self.line_px = max(em * _LINE, 0.5)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)

    def width_of(self, words: str, *, bold: bool = False) -> float:
        return (self._bold_metrics if bold else self.metrics).horizontalAdvance(words)

    # --- strokes

    def pen(self, colour: QColor, wide: float = 1.0, dash: Dash = Dash.SOLID) -> QPen:
        """``wide`` in widths of a plain line."""
        pen = QPen(colour, self.line_px * wide)
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
        if dash.value:
            pen.setDashPattern([part / max(wide, 0.5) for part in dash.value])
        return pen

    def line(self, x0: float, y0: float, x1: float, y1: float, pen: QPen) -> None:
        self._stroke(pen)
        self._painter.drawLine(QPointF(x0, y0), QPointF(x1, y1))

    def curve(self, x: Floats, y: Floats, pen: QPen) -> None:
        """Through points, parted at nan."""
        self._path(x, y, pen, "finite")

    def uprights(self, x: Floats, top: Floats | float, bottom: Floats | float, pen: QPen) -> None:
        """A vertical line at each ``x``, all in one path."""
        ends = np.empty(2 * x.size)
        ends[0::2], ends[1::2] = top, bottom
        self._path(np.repeat(x, 2), ends, pen, "pairs")

    def _path(self, x: Floats, y: Floats, pen: QPen, connect: str) -> None:
        if x.size:
            self._stroke(pen)
            self._painter.drawPath(pg.functions.arrayToQPath(x, y, connect=connect, finiteCheck=False))

    def _stroke(self, pen: QPen) -> None:
        self._painter.setPen(pen)
        self._painter.setBrush(Qt.BrushStyle.NoBrush)

    # --- areas

    def box(self, rect: QRectF, fill: QColor | None, pen: QPen | None = None) -> None:
        self._painter.setPen(pen or Qt.PenStyle.NoPen)
        self._painter.setBrush(fill or Qt.BrushStyle.NoBrush)
        self._painter.drawRect(rect)

    def polygon(self, corners: Sequence[tuple[float, float]], fill: QColor | None, pen: QPen | None) -> None:
        self._painter.setPen(pen or Qt.PenStyle.NoPen)
        self._painter.setBrush(fill or Qt.BrushStyle.NoBrush)
        self._painter.drawPolygon(QPolygonF([QPointF(*corner) for corner in corners]))

    def markers(self, shape: str, x: Floats, y: Floats, size: float, fill: QColor, pen: QPen | None) -> None:
        """One of the shapes that pyqtgraph knows by a letter, ``size`` of the text's height, at each point."""
        plain = pg.graphicsItems.ScatterPlotItem.Symbols[shape]
        big = QTransform.fromScale(size * self.em, size * self.em).map(plain)
        self._painter.setPen(pen or Qt.PenStyle.NoPen)
        self._painter.setBrush(fill)
        for at_x, at_y in zip(x.tolist(), y.tolist(), strict=True):
            self._painter.drawPath(big.translated(at_x, at_y))

    def image(self, rect: QRectF, image: QImage) -> None:
        self._painter.drawImage(rect, image)

    # --- words

    def text(
        self,
        x: float,
        middle: float,
        words: str,
        colour: QColor,
        *,
        align: float = 0.0,
        bold: bool = False,
        upward: bool = False,
        small: bool = False,
    ) -> None:
        """One line about the height ``middle``; ``align`` 0 begins at ``x``, 0.5 is centred, 1 ends there."""
        font = self._bold if bold else self._small if small else self._font
        metrics = QFontMetricsF(font)
        along = -align * metrics.horizontalAdvance(words)
        across = (metrics.ascent() - metrics.descent()) / 2
        painter = self._painter
        painter.save()
        painter.translate(x, middle)
        if upward:
            painter.rotate(-90)
        self._words(QPointF(along, across), words, colour, font)
        painter.restore()

    def _words(self, at: QPointF, words: str, colour: QColor, font: QFont) -> None:
        if self._outlines:
            path = QPainterPath()
            path.addText(at, font, words)
            self._painter.setPen(Qt.PenStyle.NoPen)
            self._painter.setBrush(colour)
            self._painter.drawPath(path)
            return
        self._painter.setPen(colour)
        self._painter.setFont(font)
        self._painter.drawText(at, words)

    def wrapped(self, words: str, width: float) -> list[str]:
        """Lines that fit into a width; a word too long for one is broken."""
        lines = []
        for paragraph in words.splitlines():
            line = ""
            for whole in paragraph.split():
                word = whole
                if line and self.width_of(f"{line} {word}") > width:
                    lines.append(line)
                    line = ""
                while not line and self.width_of(word) > width and len(word) > 1:
                    fits = max(n for n in range(1, len(word)) if n == 1 or self.width_of(word[:n]) <= width)
                    lines.append(word[:fits])
                    word = word[fits:]
                line = f"{line} {word}".strip()
            lines.append(line)
        return lines
