"""The lane of decoded symbols in a figure: boxes as high as their value, doubt below, brackets above."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QRectF

from app.gui.figures.page import Page
from app.gui.trace.api import LaneBurst
from app.gui.trace.contents import TraceContents
from app.gui.trace.lane import BurstRow
from app.gui.trace.palette import TraceColours
from app.gui.trace.scale import TimeScale

_BRACKET, _BOXES, _DOUBT, _GAP = 1.3, 1.5, 0.4, 0.25  # heights, of the text's
_BOXES_FROM = 0.3  # width of a symbol from which boxes are drawn
_WORDS_FROM = 0.75
_NARROW = 0.4  # width of a burst below which it is a stroke


def lane_height(page: Page) -> float:
    return (_BRACKET + _BOXES + _DOUBT + 2 * _GAP) * page.em


def draw_lane(page: Page, rect: QRectF, shown: TraceContents, colours: TraceColours) -> None:
    scale = TimeScale(shown.start_s, shown.end_s, rect.left(), rect.right())
    book = shown.lane
    places = book.places(shown.start_s, shown.end_s)
    starts, ends = scale.px(book.starts_s[places]), scale.px(book.ends_s[places])
    narrow = ends - starts < _NARROW * page.em
    # of thousands of bursts in view nothing but where they are
    line = max(page.line_px, 1.0)
    blocks = np.unique(np.floor(np.clip(starts[narrow], rect.left(), rect.right()) / line)) * line
    bottom = rect.top() + (_GAP + _BRACKET + _BOXES) * page.em
    page.uprights(blocks, bottom - 0.75 * _BOXES * page.em, bottom, page.pen(colours.symbol))
    for k in np.flatnonzero(~narrow).tolist():
        burst = book.bursts[places.start + k]
        _bracket(page, rect, scale, burst, colours)
        if not burst.symbols or burst.symbol_period_s <= 0:
            continue
        row = BurstRow(burst)
        first, last = row.visible(scale)
        if last > first:
            _symbols(page, rect, scale, row, first, last, colours)


def _bracket(page: Page, rect: QRectF, scale: TimeScale, burst: LaneBurst, colours: TraceColours) -> None:
    em, pen = page.em, page.pen(colours.text)
    y, foot = rect.top() + (_GAP + 0.6) * em, rect.top() + (_GAP + _BRACKET - 0.15) * em
    left, right = max(scale.px(burst.start_s), rect.left()), min(scale.px(burst.end_s), rect.right())
    for edge, x in ((burst.start_s, left), (burst.end_s, right)):
        if scale.start_s <= edge <= scale.end_s:
            page.line(x, y, x, foot, pen)
    name = "" if burst.talker is None else f"talker {burst.talker}"
    half = page.width_of(name) / 2 + 0.3 * em
    middle = (left + right) / 2
    if name and right - left > 2 * half + em:
        page.text(middle, y, name, colours.text, align=0.5)
        page.line(left, y, middle - half, y, pen)
        page.line(middle + half, y, right, y, pen)
    else:
        page.line(left, y, right, y, pen)


def _symbols(
    page: Page, rect: QRectF, scale: TimeScale, row: BurstRow, first: int, last: int, colours: TraceColours
) -> None:
    em = page.em
    edges = np.clip(row.edges_px(first, last, scale), rect.left(), rect.right())
    whole = scale.length_px(row.burst.symbol_period_s)
    bottom = rect.top() + (_GAP + _BRACKET + _BOXES) * em
    if whole < _BOXES_FROM * em:
        # too narrow for boxes: strokes as high as the symbols
        x = (edges[:-1] + edges[1:]) / 2
        page.uprights(x, bottom - row.heights[first:last] * _BOXES * em, bottom, page.pen(colours.symbol))
        return
    gap = min(0.08 * em, 0.15 * whole)
    for k in range(last - first):
        left, right = float(edges[k]), float(edges[k + 1]) - gap
        if right <= left:
            continue
        height = float(row.heights[first + k])
        high = height >= 0.75
        box = QRectF(left, bottom - height * _BOXES * em, right - left, height * _BOXES * em)
        page.box(box, colours.symbol if high else colours.low_symbol)
        if whole >= _WORDS_FROM * em and right - left > 0.6 * whole:
            ink = colours.symbol_text if high else colours.text
            middle = bottom - 0.25 * _BOXES * em
            page.text((left + right) / 2, middle, row.burst.symbols[first + k], ink, align=0.5, small=True)
        doubt = float(row.doubts[first + k])
        if doubt:
            tall = (0.2 + 0.8 * float(np.sqrt(doubt))) * _DOUBT * em
            page.box(QRectF(left, bottom + 0.1 * em, right - left, tall), colours.doubt)
        if row.changed[first + k]:
            middle, tip = (left + right) / 2, rect.top() + (_GAP + _BRACKET) * em
            half = 0.3 * em
            corners = [(middle - half, tip - 0.4 * em), (middle + half, tip - 0.4 * em), (middle, tip)]
            page.polygon(corners, colours.hand_flip, None)
