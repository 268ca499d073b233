"""The trace as a figure: heads of cursors and flips, rows of curves, the lane of symbols, the time axis.

Cursors are lines with a letter in a box; flips that were found are thin lines under a hollow wedge, those set by
hand dashed ones under a filled diamond, struck-out ones a cross without a line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor

from app.gui.figures.cut import cut_curve
from app.gui.figures.frame import Frame, draw_below, draw_left, room_below, room_left, x_ticks, y_ticks
from app.gui.figures.helpers_drawing import GRID_HEIGHT, draw_grid, draw_level, in_view
from app.gui.figures.lane_drawing import draw_lane, lane_height
from app.gui.figures.page import Dash, Page
from app.gui.trace.api import FLIP_ORIGINS
from app.gui.trace.contents import RowContents, TraceContents
from app.gui.trace.curves import Drawn
from app.gui.trace.palette import TraceColours, mixed
from app.gui.trace.ticks import Ticks

_HEADS = 1.5  # height of a strip of heads, of the text's
_GAP = 0.5
_LEGEND = 1.4
_HEAD = 0.36
_SPREAD = 0.6  # flips that stand closer on average are drawn as short strokes
_DOT = 0.16
DASHES = (Dash.SOLID, Dash.LONG, Dash.SHORT, Dash.MIXED)


@dataclass(frozen=True, eq=False)
class TraceDrawing:
    """Draws what the trace area shows. Nothing in it depends on the window's size or palette."""

    contents: TraceContents

    def draw(self, page: Page, rect: QRectF, colours: TraceColours) -> None:
        shown, em = self.contents, page.em
        time_s = (shown.start_s, shown.end_s)
        heads = self._heads_height() * em
        lane = lane_height(page) if self._has_lane() else 0.0
        grid = shown.grid if in_view(shown.grid, *time_s) else None
        bar = GRID_HEIGHT * em if grid is not None else 0.0
        rows_high = rect.height() - heads - bar - lane - room_below(page)
        each = (rows_high - _GAP * em * (len(shown.rows) - 1)) / max(len(shown.rows), 1)
        ticks = [self._ticks(page, row, each - self._legend(row) * em) for row in shown.rows]
        left = rect.left() + max((room_left(page, one) for one in ticks), default=0.0)
        inner = QRectF(left, rect.top() + heads, rect.right() - left - 0.5 * em, rows_high)
        marked = Frame(
            QRectF(left, rect.top(), inner.width(), heads + rows_high + bar + lane), time_s, (0.0, 1.0)
        )
        self._span_under(page, marked, heads, colours)
        below = Frame(
            QRectF(inner.left(), inner.top(), inner.width(), rows_high + bar + lane), time_s, (0.0, 1.0)
        )
        draw_below(
            page,
            below,
            x_ticks(page, inner.width(), time_s, "time", "s"),
            colours,
            grid_top=inner.top() if self.contents.span_s is None else None,
        )
        for k, (row, row_ticks) in enumerate(zip(shown.rows, ticks, strict=True)):
            legend = self._legend(row) * em
            top = inner.top() + k * (each + _GAP * em)
            frame = Frame(
                QRectF(inner.left(), top + legend, inner.width(), each - legend),
                time_s,
                row.scales[row.active],
            )
            self._row(page, frame, row, row_ticks, colours)
            if shown.level is not None and shown.level[0] == k:
                unit = row.envelopes[row.active].channel.unit
                draw_level(page, frame, shown.level[1], unit, colours)
        if lane:
            draw_lane(page, QRectF(inner.left(), inner.bottom() + bar, inner.width(), lane), shown, colours)
        self._flips(page, marked, heads, colours)
        if grid is not None:
            strip = QRectF(inner.left(), inner.top(), inner.width(), rows_high + bar)
            draw_grid(page, Frame(strip, time_s, (0.0, 1.0)), inner.top(), grid, colours)
        self._span_edges(page, marked, heads, colours)
        self._cursors(page, marked, colours)

    # --- room

    def _has_lane(self) -> bool:
        return bool(self.contents.lane.between(self.contents.start_s, self.contents.end_s))

    def _heads_height(self) -> float:
        shown = self.contents
        cursors = any(shown.start_s <= one.time_s <= shown.end_s for one in shown.cursors)
        flips = shown.flips.count(shown.start_s, shown.end_s) > 0
        return _HEADS * (cursors + flips) or 0.3

    @staticmethod
    def _legend(row: RowContents) -> float:
        return _LEGEND if len(row.envelopes) > 1 else 0.0

    @staticmethod
    def _ticks(page: Page, row: RowContents, high: float) -> Ticks:
        channel = row.envelopes[row.active].channel
        name = channel.name if row.own_scales or len(row.envelopes) == 1 else "value"
        most = int(high / page.em * 1.6)
        name = name if len(name) <= max(most, 8) else name[: max(most, 8) - 1] + "…"
        return y_ticks(page, high, row.scales[row.active], name, channel.unit)

    # --- a row

    def _row(self, page: Page, frame: Frame, row: RowContents, ticks: Ticks, colours: TraceColours) -> None:
        draw_left(page, frame, ticks, colours)
        order = [k for k in range(len(row.envelopes)) if k != row.active] + [row.active]
        for k in order:
            own = replace(frame, y=row.scales[k])
            self._channel(page, own, row, k, colours)
        page.box(frame.rect, None, page.pen(colours.text))
        if len(row.envelopes) > 1:
            self._names(page, frame, row, colours)

    def _channel(self, page: Page, frame: Frame, row: RowContents, k: int, colours: TraceColours) -> None:
        shown = self.contents
        wide = max(1, int(frame.rect.width() / max(page.line_px, 1.0)))
        origin_s = shown.origin_s
        drawn = row.envelopes[k].drawn(shown.start_s, shown.end_s, wide, origin_s, smooth=row.smooth)
        colour = colours.channel(row.hues[k])
        if not drawn.x.size:
            return
        if drawn.paired:
            self._columns(page, frame, drawn, colour)
            return
        edges = (frame.x[0] - origin_s, frame.x[1] - origin_s)
        x, y = cut_curve(drawn.x, drawn.y, edges, frame.y)
        dash = DASHES[k % len(DASHES)] if len(row.envelopes) > 1 else Dash.SOLID
        page.curve(frame.px(x + origin_s), frame.py(y), page.pen(colour, 1.2, dash))
        if drawn.dots:
            self._dots(page, frame, drawn, k, colour)

    def _columns(self, page: Page, frame: Frame, drawn: Drawn, colour: QColor) -> None:
        """From least to greatest value, at least as high as the line is wide."""
        x = frame.px(drawn.x[0::2] + self.contents.origin_s)
        low, high = frame.py(drawn.y[0::2]), frame.py(drawn.y[1::2])
        lift = np.maximum(page.line_px - (low - high), 0.0) / 2
        inside = (x >= frame.rect.left()) & (x <= frame.rect.right())
        inside &= (high <= frame.rect.bottom()) & (low >= frame.rect.top())
        top = np.clip(high - lift, frame.rect.top(), frame.rect.bottom())
        bottom = np.clip(low + lift, frame.rect.top(), frame.rect.bottom())
        page.uprights(x[inside], top[inside], bottom[inside], page.pen(colour))

    def _dots(self, page: Page, frame: Frame, drawn: Drawn, k: int, colour: QColor) -> None:
        """The samples: round, of the second channel square, of the third pointed."""
        at, values = drawn.samples or (drawn.x, drawn.y)
        at = at + self.contents.origin_s
        inside = (at >= frame.x[0]) & (at <= frame.x[1]) & (values >= frame.y[0]) & (values <= frame.y[1])
        page.markers("osdt"[k % 4], frame.px(at[inside]), frame.py(values[inside]), 2 * _DOT, colour, None)

    def _names(self, page: Page, frame: Frame, row: RowContents, colours: TraceColours) -> None:
        """Over the row, each behind a piece of its line."""
        em = page.em
        x, y = frame.rect.left() + 0.3 * em, frame.rect.top() - _LEGEND / 2 * em
        for k, envelope in enumerate(row.envelopes):
            name = envelope.channel.name
            if row.own_scales:
                name += " (axis)" if k == row.active else " (own scale)"
            if x + page.width_of(name) + 2.6 * em > frame.rect.right():
                break
            colour = colours.channel(row.hues[k])
            page.line(x, y, x + 2 * em, y, page.pen(colour, 2.0, DASHES[k % len(DASHES)]))
            page.text(x + 2.4 * em, y, name, colours.text)
            x += page.width_of(name) + 3.6 * em

    # --- marks

    def _span_under(self, page: Page, frame: Frame, heads: float, colours: TraceColours) -> None:
        span_s = self.contents.span_s
        if span_s is None:
            return
        left, right = (min(max(edge, frame.x[0]), frame.x[1]) for edge in span_s)
        if right > left:
            top = frame.rect.top() + heads
            rect = QRectF(frame.px(left), top, frame.px(right) - frame.px(left), frame.rect.bottom() - top)
            page.box(rect, mixed(colours.text, colours.ground, 0.09))

    def _span_edges(self, page: Page, frame: Frame, heads: float, colours: TraceColours) -> None:
        for edge in self.contents.span_s or ():
            if frame.holds_x(edge):
                x, top = frame.px(edge), frame.rect.top() + heads
                page.line(x, top, x, frame.rect.bottom(), page.pen(colours.text, 0.8, Dash.SHORT))

    def _flips(self, page: Page, frame: Frame, heads: float, colours: TraceColours) -> None:
        book, em = self.contents.flips, page.em
        spread = book.count(*frame.x) * _SPREAD * em <= frame.rect.width()
        top = frame.rect.top() + heads
        inks = {"auto": colours.auto_flip, "hand": colours.hand_flip, "removed": colours.removed_flip}
        for origin in FLIP_ORIGINS:
            at = book.places(origin, *frame.x)
            if not at.size:
                continue
            x, ink = frame.px(book.times_s[at]), inks[origin]
            if not spread and origin == "auto":
                page.uprights(x, top - 0.8 * em, top - 0.1 * em, page.pen(ink, 0.6))
                continue
            if spread and origin != "removed":
                dash = Dash.LONG if origin == "hand" else Dash.SOLID
                page.uprights(x, top, frame.rect.bottom(), page.pen(ink, 0.9, dash))
            for place in x.tolist():
                self._flip_head(page, place, top - 0.55 * em, origin, ink)

    @staticmethod
    def _flip_head(page: Page, x: float, y: float, origin: str, ink: QColor) -> None:
        size, pen = _HEAD * page.em, page.pen(ink)
        if origin == "removed":
            page.line(x - size, y - size, x + size, y + size, pen)
            page.line(x - size, y + size, x + size, y - size, pen)
        elif origin == "hand":
            page.polygon([(x, y - size), (x + size, y), (x, y + size), (x - size, y)], ink, pen)
        else:
            page.polygon([(x - size, y - size), (x + size, y - size), (x, y + size)], None, pen)

    def _cursors(self, page: Page, frame: Frame, colours: TraceColours) -> None:
        em = page.em
        for cursor in self.contents.cursors:
            if frame.holds_x(cursor.time_s):
                x, top = frame.px(cursor.time_s), frame.rect.top()
                wide = page.width_of(cursor.name) + 0.7 * em
                page.line(x, top + 1.25 * em, x, frame.rect.bottom(), page.pen(colours.text, 0.9, Dash.MIXED))
                left = min(max(x - wide / 2, frame.rect.left() - em), frame.rect.right() + em - wide)
                page.box(QRectF(left, top, wide, 1.25 * em), colours.ground, page.pen(colours.text))
                page.text(left + wide / 2, top + 0.625 * em, cursor.name, colours.text, align=0.5)
