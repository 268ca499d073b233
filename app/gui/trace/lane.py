"""The lane: decoded symbols over the trace's own time axis, all drawn by one item.

A symbol is a box as high as its value, with its character in it where there is room; below a few pixels a
symbol the boxes give way to the mean height at each pixel. Under the boxes doubt is drawn as a bar, higher
the less certain the symbol; over them a wedge stands where a flip by hand changed it. Each burst has a
bracket.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QFont, QFontMetricsF, QPainter, QPolygonF, QStaticText
from PySide6.QtWidgets import QGraphicsWidget, QStyleOptionGraphicsItem, QWidget

from app.gui.trace.api import LaneBurst
from app.gui.trace.marks_shown import LaneBook
from app.gui.trace.palette import TraceColours, line_pen
from app.gui.trace.scale import TimeScale
from app.gui.trace.strokes import draw_bars, fill_boxes

BOXES_FROM_PX = 4.0
_DETAIL_FROM_PX = 3.0  # of a burst
_LEAST_FONT_PX = 8
_LOW = 0.5  # height of the lowest symbol, as a share of the highest
_DOUBT_FROM = 0.01
_CACHED_BURSTS = 512

Floats = NDArray[np.float64]


class BurstRow:
    """What is drawn of a burst, as arrays of one value a symbol: ``heights`` and ``doubts`` from 0 to 1."""

    def __init__(self, burst: LaneBurst) -> None:
        self.burst = burst
        count = len(burst.symbols)
        digits = np.array(
            [int(c, 36) if c.isascii() and c.isalnum() else 0 for c in burst.symbols], dtype=float
        )
        top = max(1.0, float(digits.max(initial=1.0)))
        self.heights = _LOW + (1 - _LOW) * digits / top
        confidence = np.asarray(burst.confidence, dtype=float)
        self.doubts = np.clip(2 * (1 - confidence), 0, 1) if confidence.size == count else np.zeros(count)
        self.doubts[~(self.doubts >= _DOUBT_FROM)] = 0.0
        changed = np.asarray(burst.changed, dtype=bool)
        self.changed = changed if changed.size == count else np.zeros(count, bool)

    def visible(self, scale: TimeScale) -> tuple[int, int]:
        """Half-open range of the symbols that reach into view."""
        burst = self.burst
        first = np.floor((scale.start_s - burst.first_symbol_s) / burst.symbol_period_s)
        last = np.ceil((scale.end_s - burst.first_symbol_s) / burst.symbol_period_s)
        count = len(burst.symbols)
        return int(np.clip(first, 0, count)), int(np.clip(last, 0, count))

    def edges_px(self, first: int, last: int, scale: TimeScale) -> Floats:
        """Left edges of the symbols ``[first, last)`` and the right edge of the last."""
        steps = np.arange(first, last + 1, dtype=np.float64)
        return scale.px(self.burst.first_symbol_s + steps * self.burst.symbol_period_s)


class LaneItem(QGraphicsWidget):
    """Paints the bursts in view."""

    def __init__(self) -> None:
        super().__init__()
        self._book = LaneBook()
        self._scale: TimeScale | None = None
        self._colours: TraceColours | None = None
        self._font = QFont()
        self._texts: dict[tuple[str, int], QStaticText] = {}
        self._rows: dict[int, BurstRow] = {}

    def set_look(self, colours: TraceColours, font: QFont) -> None:
        self._colours, self._font = colours, font
        self._texts.clear()
        line = QFontMetricsF(font).height()
        self._bracket_px = round(line * 0.9)
        self._doubt_px = round(line * 0.45)
        self._boxes_px = round(line * 1.9)
        height = self._bracket_px + self._boxes_px + self._doubt_px + 6
        self.setMinimumHeight(height)
        self.setMaximumHeight(height)
        self.update()

    def set_book(self, book: LaneBook) -> None:
        self._book = book
        self._rows.clear()
        self.update()

    def set_scale(self, scale: TimeScale) -> None:
        self._scale = scale
        self.update()

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        if self._scale is None or self._colours is None:
            return
        shift = self.scenePos().x()
        scale = TimeScale(
            self._scale.start_s, self._scale.end_s, self._scale.left - shift, self._scale.right - shift
        )
        painter.setClipRect(QRectF(scale.left, 0, scale.right - scale.left, self.size().height()))
        places = self._book.places(scale.start_s, scale.end_s)
        starts, ends = scale.px(self._book.starts_s[places]), scale.px(self._book.ends_s[places])
        narrow = ends - starts < _DETAIL_FROM_PX
        self._blocks(painter, np.unique(np.floor(starts[narrow])))
        bursts = [self._book.bursts[places.start + k] for k in np.flatnonzero(~narrow)]
        self._brackets(painter, scale, bursts)
        for burst in bursts:
            if burst.symbols and burst.symbol_period_s > 0:
                row = self._row(burst)
                first, last = row.visible(scale)
                if last > first:
                    close = scale.length_px(burst.symbol_period_s) >= BOXES_FROM_PX
                    draw = self._boxes if close else self._density
                    draw(painter, row, row.edges_px(first, last, scale), first, last)
        painter.setClipping(False)

    def _blocks(self, painter: QPainter, x: Floats) -> None:
        """Bursts too narrow to show anything of: one stroke a pixel."""
        bottom = float(self._bracket_px + self._boxes_px)
        draw_bars(painter, self._look().symbol, x + 0.5, bottom - self._boxes_px * 0.75, bottom)

    def _row(self, burst: LaneBurst) -> BurstRow:
        key = id(burst)
        if key not in self._rows:
            if len(self._rows) >= _CACHED_BURSTS:
                self._rows.clear()
            self._rows[key] = BurstRow(burst)
        return self._rows[key]

    # --- one burst, close up

    def _boxes(self, painter: QPainter, row: BurstRow, edges: Floats, first: int, last: int) -> None:
        colours = self._look()
        top, bottom = self._bracket_px, self._bracket_px + self._boxes_px
        width = edges[1] - edges[0]
        heights, doubts = row.heights[first:last], row.doubts[first:last]
        for high, colour in ((True, colours.symbol), (False, colours.low_symbol)):
            chosen = np.flatnonzero((heights >= 0.75) == high)
            tall = heights[chosen] * (bottom - top)
            fill_boxes(painter, colour, edges[chosen], bottom - tall, np.full(chosen.size, width - 1), tall)
        self._characters(painter, row.burst.symbols[first:last], heights, edges, width)
        self._doubt_bars(painter, edges[:-1], width - 1, doubts)
        self._wedges(painter, ((edges[:-1] + edges[1:]) / 2)[row.changed[first:last]])

    def _characters(
        self, painter: QPainter, symbols: str, heights: Floats, edges: Floats, width: float
    ) -> None:
        size = min(self._pixel_size(self._font), int(width * 1.35))
        if size < _LEAST_FONT_PX:
            return
        font = QFont(self._font)
        font.setPixelSize(size)
        painter.setFont(font)
        colours = self._look()
        metrics = QFontMetricsF(font)
        room = self._boxes_px * _LOW
        y = self._bracket_px + self._boxes_px - room + (room - metrics.height()) / 2
        for high, colour in ((True, colours.symbol_text), (False, colours.text)):
            painter.setPen(line_pen(colour))
            for k in np.flatnonzero((heights >= 0.75) == high):
                text = self._static(symbols[k], font, size)
                x = edges[k] + (width - 1 - metrics.horizontalAdvance(symbols[k])) / 2
                painter.drawStaticText(QPointF(x, y), text)

    def _static(self, character: str, font: QFont, size: int) -> QStaticText:
        key = (character, size)
        if key not in self._texts:
            text = QStaticText(character)
            text.setTextFormat(Qt.TextFormat.PlainText)
            text.prepare(font=font)
            self._texts[key] = text
        return self._texts[key]

    # --- one burst, far off

    def _density(self, painter: QPainter, row: BurstRow, edges: Floats, first: int, last: int) -> None:
        """One stroke a pixel: mean height, greatest doubt, any change of the symbols that begin there.

        Where none begins, as at more than one pixel a symbol, those of the pixel before are repeated.
        """
        bottom = float(self._bracket_px + self._boxes_px)
        pixel = np.floor(edges[:-1]).astype(np.int64)
        begins = np.flatnonzero(np.diff(pixel, prepend=pixel[0] - 1))
        counts = np.diff(begins, append=pixel.size)
        heights = np.add.reduceat(row.heights[first:last], begins) / counts
        doubts = np.maximum.reduceat(row.doubts[first:last], begins)
        changed = np.logical_or.reduceat(row.changed[first:last], begins)
        end = max(int(np.ceil(edges[-1])), int(pixel[-1]) + 1)
        wide = np.diff(pixel[begins], append=end)
        x = np.arange(pixel[0], end) + 0.5
        tall = np.repeat(heights, wide) * self._boxes_px
        draw_bars(painter, self._look().symbol, x, bottom - tall, bottom)
        doubtful = np.flatnonzero(np.repeat(doubts, wide))
        bars = self._doubt_px_of(np.repeat(doubts, wide)[doubtful])
        draw_bars(painter, self._look().doubt, x[doubtful], bottom + 2, bottom + 2 + bars)
        self._wedges(painter, x[pixel[begins][changed] - pixel[0]])

    # --- common parts

    def _brackets(self, painter: QPainter, scale: TimeScale, bursts: Iterable[LaneBurst]) -> None:
        """A bracket over each burst; the talker's number where there is room."""
        colours = self._look()
        painter.setPen(line_pen(colours.text))
        painter.setFont(self._font)
        metrics = QFontMetricsF(self._font)
        lines = []
        y = self._bracket_px * 0.5
        for burst in bursts:
            a, b = max(scale.px(burst.start_s), -10.0), min(scale.px(burst.end_s), scale.right + 10)
            foot = self._bracket_px - 3
            lines += [QLineF(a, y, a, foot), QLineF(b, y, b, foot)]
            name = "" if burst.talker is None else f"talker {burst.talker}"
            middle, half = (max(a, scale.left) + min(b, scale.right)) / 2, metrics.horizontalAdvance(name) / 2
            if name and b - a > 2 * half + 16:
                painter.drawText(QPointF(middle - half, y + metrics.ascent() / 2 - 1), name)
                lines += [QLineF(a, y, middle - half - 4, y), QLineF(middle + half + 4, y, b, y)]
            else:
                lines.append(QLineF(a, y, b, y))
        painter.drawLines(lines)

    def _doubt_bars(self, painter: QPainter, x: Floats, width: float, doubts: Floats) -> None:
        doubtful = np.flatnonzero(doubts)
        tall = self._doubt_px_of(doubts[doubtful])
        top = np.full(doubtful.size, self._bracket_px + self._boxes_px + 2.0)
        fill_boxes(painter, self._look().doubt, x[doubtful], top, np.full(doubtful.size, width), tall)

    def _doubt_px_of(self, doubts: Floats) -> Floats:
        return 2 + np.sqrt(doubts) * (self._doubt_px - 2)

    def _wedges(self, painter: QPainter, middles: Floats) -> None:
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(self._look().hand_flip)
        tip = self._bracket_px - 0.5
        for x in middles.tolist():
            corners = (QPointF(x - 4, tip - 6), QPointF(x + 4, tip - 6), QPointF(x, tip))
            painter.drawPolygon(QPolygonF(corners))

    def _look(self) -> TraceColours:
        assert self._colours is not None
        return self._colours

    @staticmethod
    def _pixel_size(font: QFont) -> int:
        return round(QFontMetricsF(font).height() * 0.8)
