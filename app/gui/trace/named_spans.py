"""Stretches of time that have a name, as brackets with the name at the foot of the traces."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QLineF, QRectF, Qt
from PySide6.QtGui import QFont, QFontMetricsF, QPainter

from app.gui.trace.palette import TraceColours, line_pen
from app.gui.trace.scale import TimeScale
from app.gui.trace.strokes import fill_columns
from app.model.items import SpanMark

_FOOT_PX = 6.0  # of the bracket over the lower edge of the traces
_TICK_PX = 5.0
_MOST_BRACKETS = 300  # in view; of more only where they begin is shown
_LEAST_NAME_PX = 24.0


class SpanBook:
    """Named spans in order of time, found by time."""

    def __init__(self, spans: Sequence[SpanMark] = ()) -> None:
        self.spans = tuple(sorted(spans, key=lambda span: span.start_s))
        self.starts_s = np.array([span.start_s for span in self.spans], dtype=np.float64)
        self.ends_s = np.array([span.end_s for span in self.spans], dtype=np.float64)

    def places(self, start_s: float, end_s: float) -> NDArray[np.intp]:
        """Which of ``spans`` reach into a stretch."""
        return np.flatnonzero((self.starts_s <= end_s) & (self.ends_s >= start_s))


def paint_spans(
    painter: QPainter, book: SpanBook, scale: TimeScale, bottom: float, colours: TraceColours, font: QFont
) -> None:
    """Brackets of the spans in view, above the height ``bottom``; names where there is room for them."""
    if not book.spans:
        return
    at = book.places(scale.start_s, scale.end_s)
    y = bottom - _FOOT_PX
    if at.size > _MOST_BRACKETS:
        places = scale.px(np.maximum(book.starts_s[at], scale.start_s))
        fill_columns(painter, colours.span_edge, places, y - _TICK_PX, y)
        return
    lefts = np.clip(scale.px(book.starts_s[at]), scale.left - 1, scale.right + 1).tolist()
    rights = np.clip(scale.px(book.ends_s[at]), scale.left - 1, scale.right + 1).tolist()
    painter.save()
    painter.setPen(line_pen(colours.span_edge))
    lines = []
    for left, right in zip(lefts, rights, strict=True):
        lines += [QLineF(left, y, right, y), QLineF(left, y - _TICK_PX, left, y)]
        lines.append(QLineF(right, y - _TICK_PX, right, y))
    painter.drawLines(lines)
    painter.setFont(font)
    metrics = QFontMetricsF(font)
    painter.setPen(line_pen(colours.text))
    free = scale.left
    for k, left, right in zip(at.tolist(), lefts, rights, strict=True):
        begin = max(left, free, scale.left)
        # a name may go beyond its span as far as the next span begins
        after = bisect_right(lefts, begin)
        following = lefts[after] if after < len(lefts) else scale.right
        room = max(min(following, scale.right), min(right, scale.right)) - begin - 4
        if room < _LEAST_NAME_PX:
            continue
        text = metrics.elidedText(book.spans[k].name, Qt.TextElideMode.ElideRight, room - 6)
        box = QRectF(
            begin + 2, y - _TICK_PX - metrics.height(), metrics.horizontalAdvance(text) + 6, metrics.height()
        )
        painter.fillRect(box, colours.ground)
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
        free = box.right() + 2
    painter.restore()
