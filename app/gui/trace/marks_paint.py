"""Painting of flips, cursors, span and names over the rows.

Flip heads: found by the decoder, a hollow wedge; set by hand, a filled diamond; struck out, a cross without a
line. The selected and the hovered mark are drawn stronger.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPolygonF

from app.gui.trace.api import FLIP_ORIGINS, FlipView
from app.gui.trace.geometry import Geometry, flips_spread
from app.gui.trace.marks_shown import Mark, MarksShown
from app.gui.trace.palette import TraceColours, line_pen
from app.gui.trace.scale import TimeScale
from app.gui.trace.strokes import draw_verticals, fill_columns
from app.model.items import Cursor

_HEAD_PX = 4.5


@dataclass(frozen=True)
class NameTag:
    """A channel's name, at the height of its trace."""

    name: str
    y: float
    top: float
    bottom: float
    colour: QColor


@dataclass(frozen=True)
class MarksPainter:
    """Paints one frame."""

    geometry: Geometry
    scale: TimeScale
    shown: MarksShown
    colours: TraceColours
    font: QFont

    def under(self, painter: QPainter) -> None:
        """What lies beneath the traces: the selected span and the stretch being marked."""
        top, bottom = self.geometry.heads_bottom, self.geometry.lane_bottom
        if self.shown.span_s is not None:
            self._stretch(painter, self.shown.span_s, top, bottom, self.colours.span)
        if self.shown.band_s is not None:
            self._stretch(painter, self.shown.band_s, top, bottom, self.colours.shade)

    def over(self, painter: QPainter, tags: Sequence[NameTag]) -> None:
        """What lies over the traces and the lane."""
        painter.save()
        painter.setFont(self.font)
        self._names(painter, tags)
        area = self.geometry
        # a little wider, so that heads at the edges are whole
        width, height = area.right - area.left, area.lane_bottom - area.heads_top
        painter.setClipRect(QRectF(area.left - 9, area.heads_top - 1, width + 18, height + 2))
        self._flips(painter)
        for stretch, colour in (
            (self.shown.span_s, self.colours.span_edge),
            (self.shown.band_s, self.colours.text),
        ):
            if stretch is not None:
                self._edges(painter, stretch, colour)
        for cursor in self.shown.cursors:
            self._cursor(painter, cursor)
        painter.restore()

    # --- span

    def _stretch(
        self, painter: QPainter, stretch: tuple[float, float], top: float, bottom: float, colour: QColor
    ) -> None:
        left = max(self.scale.px(stretch[0]), self.geometry.left)
        right = min(self.scale.px(stretch[1]), self.geometry.right)
        if right > left:
            painter.fillRect(QRectF(left, top, right - left, bottom - top), colour)

    def _edges(self, painter: QPainter, stretch: tuple[float, float], colour: QColor) -> None:
        painter.setPen(line_pen(colour))
        top, bottom = self.geometry.heads_bottom, self.geometry.lane_bottom
        places = [self.scale.px(edge) for edge in stretch if self._visible(edge)]
        painter.drawLines([QLineF(x, top, x, bottom) for x in places])
        middle = (top + self.geometry.rows_bottom) / 2
        for x in places:
            painter.fillRect(QRectF(x - 2, middle - 10, 4, 20), colour)

    # --- flips

    def _flips(self, painter: QPainter) -> None:
        book = self.shown.flips
        spread = flips_spread(self.shown, self.scale)
        colours = {
            "auto": self.colours.auto_flip,
            "hand": self.colours.hand_flip,
            "removed": self.colours.removed_flip,
        }
        for origin in FLIP_ORIGINS:
            at = book.places(origin, self.scale.start_s, self.scale.end_s)
            if not at.size:
                continue
            places = self.scale.px(book.times_s[at])
            if origin == "auto" and not spread:
                # too many for a line each: short strokes in the strip of heads
                top, bottom = self.geometry.heads_middle + 2, self.geometry.heads_bottom
                fill_columns(painter, colours[origin], places, top, bottom)
                continue
            if spread and origin != "removed":
                self._lines(painter, places, colours[origin])
            painter.setPen(line_pen(colours[origin]))
            if not spread:
                at, places = self._apart(at, places)
            plain = np.zeros(at.size, np.bool_)
            if origin == "auto":
                plain = self._plain_heads(painter, at, places, colours[origin], spread)
            for k, x in zip(at[~plain].tolist(), places[~plain].tolist(), strict=True):
                self._head(painter, book.flips[k], x, colours[origin], spread)
        if self.shown.ghost_s is not None:
            self._lines(painter, np.array([self.scale.px(self.shown.ghost_s)]), self.colours.hand_flip)

    def _apart(self, at: np.ndarray, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """One of each crowd of heads that would hide one another anyway, and those the user points at."""
        crowd = np.floor(places / (2 * _HEAD_PX))
        kept = np.diff(crowd, prepend=-np.inf) > 0
        meant = [one for one in (self.shown.selected, self.shown.hovered) if isinstance(one, FlipView)]
        for one in meant:
            kept |= self.shown.flips.times_s[at] == one.time_s
        return at[kept], places[kept]

    def _plain_heads(
        self, painter: QPainter, at: np.ndarray, places: np.ndarray, colour: QColor, spread: bool
    ) -> np.ndarray:
        """Draw all found flips that nobody points at, as one path; which those are, shape (flips,)."""
        flips = self.shown.flips.flips
        meant = [one for one in (self.shown.selected, self.shown.hovered) if isinstance(one, FlipView)]
        plain = np.array([not meant or flips[k] not in meant for k in at.tolist()], np.bool_)
        y = self.geometry.heads_bottom - _HEAD_PX - 1.5
        x = places[plain, None] + np.array([-_HEAD_PX, _HEAD_PX, 0.0, -_HEAD_PX])
        heights = np.tile([y - _HEAD_PX, y - _HEAD_PX, y + _HEAD_PX, y - _HEAD_PX], int(plain.sum()))
        joined = np.tile(np.array([1, 1, 1, 0], np.int32), int(plain.sum()))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        if x.size:
            painter.drawPath(
                pg.functions.arrayToQPath(x.reshape(-1), heights, connect=joined, finiteCheck=False)
            )
        for k in at[plain].tolist() if spread else ():
            self._interval(painter, flips[k], colour)
        return plain

    def _interval(self, painter: QPainter, flip: FlipView, colour: QColor) -> None:
        if flip.interval_s is not None:
            a, b = (self.scale.px(edge) for edge in flip.interval_s)
            if b - a > 3:
                painter.fillRect(QRectF(a, self.geometry.heads_bottom - 2, b - a, 2), colour)

    def _lines(self, painter: QPainter, places: np.ndarray, colour: QColor) -> None:
        draw_verticals(painter, colour, places, self.geometry.heads_bottom, self.geometry.lane_bottom)

    def _head(self, painter: QPainter, flip: FlipView, x: float, colour: QColor, spread: bool) -> None:
        strong = flip in (self.shown.selected, self.shown.hovered)
        size = _HEAD_PX + (1.5 if strong else 0)
        y = self.geometry.heads_bottom - _HEAD_PX - 1.5
        if spread:
            self._interval(painter, flip, colour)
        filled = flip.origin == "hand" or strong
        painter.setBrush(colour if filled else Qt.BrushStyle.NoBrush)
        if flip.origin == "removed":
            painter.drawLine(QLineF(x - size, y - size, x + size, y + size))
            painter.drawLine(QLineF(x - size, y + size, x + size, y - size))
        elif flip.origin == "hand":
            _polygon(painter, (x, y - size - 1), (x + size, y), (x, y + size + 1), (x - size, y))
        else:
            _polygon(painter, (x - size, y - size), (x + size, y - size), (x, y + size))
        if strong and spread and flip.origin != "removed":
            self._thick(painter, x, colour)

    def _thick(self, painter: QPainter, x: float, colour: QColor) -> None:
        top, bottom = self.geometry.heads_bottom, self.geometry.lane_bottom
        painter.fillRect(QRectF(round(x) - 1, top, 3, bottom - top), colour)

    # --- cursors

    def _cursor(self, painter: QPainter, cursor: Cursor) -> None:
        if not self._visible(cursor.time_s):
            return
        x = self.scale.px(cursor.time_s)
        strong = _same(cursor, self.shown.selected) or _same(cursor, self.shown.hovered)
        painter.setPen(line_pen(self.colours.cursor))
        painter.drawLine(QLineF(x, self.geometry.heads_top, x, self.geometry.lane_bottom))
        if strong:
            self._thick(painter, x, self.colours.cursor)
        metrics = QFontMetricsF(self.font)
        width = metrics.horizontalAdvance(cursor.name) + 8
        box = QRectF(x - width / 2, self.geometry.heads_top, width, metrics.height())
        picked = _same(cursor, self.shown.selected)
        painter.setBrush(self.colours.cursor if picked else self.colours.ground)
        painter.drawRect(box)
        painter.setPen(line_pen(self.colours.ground if picked else self.colours.text))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, cursor.name)

    # --- names

    def _names(self, painter: QPainter, tags: Sequence[NameTag]) -> None:
        """At the left, each near its trace; moved down where they would lie over one another."""
        metrics = QFontMetricsF(self.font)
        height = metrics.height()
        free = -np.inf
        for tag in sorted(tags, key=lambda tag: (tag.top, tag.y)):
            y = min(max(tag.y - height / 2, tag.top + 2, free), tag.bottom - height - 2)
            free = y + height + 2
            box = QRectF(self.geometry.left + 4, y, metrics.horizontalAdvance(tag.name) + 14, height)
            painter.fillRect(box, self.colours.ground)
            painter.fillRect(QRectF(box.left(), y, 4, height), tag.colour)
            painter.setPen(line_pen(self.colours.text))
            painter.drawText(box.adjusted(8, 0, 0, 0), Qt.AlignmentFlag.AlignVCenter, tag.name)

    def _visible(self, time_s: float) -> bool:
        return self.scale.start_s <= time_s <= self.scale.end_s


def _same(mark: Mark, other: Mark | None) -> bool:
    return isinstance(mark, Cursor) and isinstance(other, Cursor) and mark.key == other.key


def _polygon(painter: QPainter, *corners: tuple[float, float]) -> None:
    painter.drawPolygon(QPolygonF([QPointF(*corner) for corner in corners]))
