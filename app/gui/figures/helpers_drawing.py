"""What helps to mark, in a figure: the symbol grid as a bar under the trace with its edges, and the level line."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QRectF

from app.gui.figures.frame import Frame
from app.gui.figures.page import Dash, Page
from app.gui.trace.api import GridView
from app.gui.trace.palette import TraceColours
from app.model.quantity import format_value

GRID_HEIGHT = 1.5
"""Height of the strip of the grid's bar, of the text's."""
_EDGES_FROM = 0.4  # of the text's height between two edges; closer ones are not drawn


def in_view(grid: GridView | None, start_s: float, end_s: float) -> bool:
    """Whether something of the grid is to be drawn."""
    return grid is not None and grid.start_s < end_s and grid.end_s > start_s


def draw_grid(page: Page, frame: Frame, top: float, grid: GridView, colours: TraceColours) -> None:
    """The bar in the strip at the bottom of ``frame``, the edges of symbols from ``top`` down to it."""
    em, rect = page.em, frame.rect
    bar_top, bar_bottom = rect.bottom() - (GRID_HEIGHT - 0.1) * em, rect.bottom() - 0.1 * em
    left = frame.px(max(grid.start_s, frame.x[0]))
    right = frame.px(min(grid.end_s, frame.x[1]))
    if grid.period_s / (frame.x[1] - frame.x[0]) * rect.width() >= _EDGES_FROM * em:
        edges = grid.start_s + np.arange(grid.count + 1, dtype=np.float64) * grid.period_s
        edges = edges[(edges >= frame.x[0]) & (edges <= frame.x[1])]
        page.uprights(frame.px(edges), top, bar_top, page.pen(colours.removed_flip, 0.6, Dash.SHORT))
    page.box(
        QRectF(left, bar_top, right - left, bar_bottom - bar_top),
        colours.low_symbol,
        page.pen(colours.text, 0.8),
    )
    for end_s in (grid.start_s, grid.end_s):
        if frame.holds_x(end_s):
            x = frame.px(end_s)
            page.line(x, bar_top - 0.2 * em, x, bar_bottom + 0.1 * em, page.pen(colours.text, 2.5))
    counted = f"{grid.count} symbols of {format_value(grid.period_s, 's')}"
    for words in (grid.text, counted, str(grid.count)):
        if words and page.width_of(words) + em < right - left:
            page.text((left + right) / 2, (bar_top + bar_bottom) / 2, words, colours.text, align=0.5)
            return


def draw_level(page: Page, frame: Frame, value: float, unit: str, colours: TraceColours) -> None:
    """A line through a row at a value, with the value at its end; nothing if it is out of view."""
    if not frame.y[0] <= value <= frame.y[1]:
        return
    em, rect, y = page.em, frame.rect, float(frame.py(value))
    page.line(rect.left(), y, rect.right(), y, page.pen(colours.text, 0.9, Dash.SHORT))
    words = format_value(value, unit)
    wide = page.width_of(words) + 0.6 * em
    box = QRectF(rect.right() - wide - 0.2 * em, y - 0.6 * em, wide, 1.2 * em)
    page.box(box, colours.ground, page.pen(colours.text, 0.6))
    page.text(box.center().x(), y, words, colours.text, align=0.5)
