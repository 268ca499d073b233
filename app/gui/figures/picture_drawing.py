"""A picture of the panel Pictures as a figure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor, QImage

from app.gui.figures.cut import cut_curve
from app.gui.figures.frame import Frame, draw_below, draw_left, room_below, room_left, x_ticks, y_ticks
from app.gui.figures.page import Dash, Page
from app.gui.pictures.api import Bars, Curve, Layer, Marker, Picture, Pixels, Points
from app.gui.pictures.grey import grey_levels
from app.gui.pictures.shapes import SHAPES
from app.gui.trace.palette import TraceColours, mixed

_FAINT = 0.4
_POINT = 0.55


@dataclass(frozen=True, eq=False)
class PictureDrawing:
    """Draws the stretch ``x`` by ``y`` of a picture's axes."""

    picture: Picture
    x: tuple[float, float]
    y: tuple[float, float]

    def draw(self, page: Page, rect: QRectF, colours: TraceColours) -> None:
        picture, em = self.picture, page.em
        down = any(isinstance(layer, Pixels) for layer in picture.layers)
        high = rect.height() - room_below(page) - 0.5 * em
        ticks = y_ticks(page, high, self.y, picture.y_label, picture.y_unit)
        left = rect.left() + room_left(page, ticks)
        place = QRectF(left, rect.top() + 0.5 * em, rect.right() - left - 1.2 * em, high)
        frame = self._squared(Frame(place, self.x, self.y, down))
        below = x_ticks(page, frame.rect.width(), frame.x, picture.x_label, picture.x_unit)
        draw_below(page, frame, below, colours, grid_top=None if down else frame.rect.top())
        ticks = y_ticks(page, frame.rect.height(), frame.y, picture.y_label, picture.y_unit)
        draw_left(page, frame, ticks, colours, grid=not down)
        for layer in picture.layers:
            self._layer(page, frame, layer, colours)
        page.box(frame.rect, None, page.pen(colours.text))
        self._legend(page, frame, colours)

    def _squared(self, frame: Frame) -> Frame:
        """Both axes at one scale where the picture asks for that."""
        if not self.picture.square:
            return frame
        rect = frame.rect
        scale = max((frame.x[1] - frame.x[0]) / rect.width(), (frame.y[1] - frame.y[0]) / rect.height())
        x, y = _about(frame.x, scale * rect.width()), _about(frame.y, scale * rect.height())
        return Frame(rect, x, y, frame.down)

    def _layer(self, page: Page, frame: Frame, layer: Layer, colours: TraceColours) -> None:
        main = colours.channel(0)
        if isinstance(layer, Curve):
            ink = mixed(main, colours.ground, _FAINT) if layer.faint else main
            ink = colours.text if layer.strong else ink
            x, y = cut_curve(layer.x, layer.y, frame.x, frame.y)
            dash = Dash.LONG if layer.strong else Dash.SOLID
            wide = 0.7 if layer.faint else 1.4 if layer.strong else 1.0
            page.curve(frame.px(x), frame.py(y), page.pen(ink, wide, dash))
        elif isinstance(layer, Points):
            self._points(page, frame, layer, colours)
        elif isinstance(layer, Bars):
            self._bars(page, frame, layer, colours)
        elif isinstance(layer, Pixels):
            self._pixels(page, frame, layer, colours)
        else:
            self._marker(page, frame, layer, colours)

    def _points(self, page: Page, frame: Frame, layer: Points, colours: TraceColours) -> None:
        ink = colours.channel(layer.group)
        with np.errstate(invalid="ignore"):
            inside = (layer.x >= frame.x[0]) & (layer.x <= frame.x[1])
            inside &= (layer.y >= frame.y[0]) & (layer.y <= frame.y[1])
        x, y = frame.px(layer.x[inside]), frame.py(layer.y[inside])
        if layer.errors is not None:
            half = layer.errors[inside] / (frame.y[1] - frame.y[0]) * frame.rect.height()
            top = np.clip(y - half, frame.rect.top(), frame.rect.bottom())
            page.uprights(x, top, np.clip(y + half, frame.rect.top(), frame.rect.bottom()), page.pen(ink))
        shape = SHAPES[layer.group % len(SHAPES)]
        page.markers(shape, x, y, _POINT, mixed(ink, colours.ground, 0.6), page.pen(ink))

    @staticmethod
    def _bars(page: Page, frame: Frame, layer: Bars, colours: TraceColours) -> None:
        zero = min(max(0.0, frame.y[0]), frame.y[1])
        for low, high, count in zip(layer.edges, layer.edges[1:], layer.counts, strict=False):
            left, right = max(float(low), frame.x[0]), min(float(high), frame.x[1])
            top = min(float(count), frame.y[1])
            if right > left and top > zero:
                x, y = frame.px(left), frame.py(top)
                wide = (frame.px(right) - x) * 0.9
                page.box(QRectF(x, y, wide, frame.py(zero) - y), colours.channel(0))

    @staticmethod
    def _pixels(page: Page, frame: Frame, layer: Pixels, colours: TraceColours) -> None:
        """Whole rows and columns that lie in the frame, no more of them than the page has pixels."""
        rows, columns = layer.values.shape
        step = (layer.x[1] - layer.x[0]) / max(columns, 1)
        first, last = (round((edge - layer.x[0]) / step) for edge in frame.x)
        first, last = max(first, 0), min(last, columns)
        top, bottom = max(round(frame.y[0]), 0), min(round(frame.y[1]), rows)
        if last <= first or bottom <= top:
            return
        skip_x = max(1, int((last - first) / max(frame.rect.width(), 1)))
        skip_y = max(1, int((bottom - top) / max(frame.rect.height(), 1)))
        grey = grey_levels(layer.values)[top:bottom:skip_y, first:last:skip_x]
        shades = np.where(grey == 0, 255, grey - 1).astype(np.uint8)
        shades = np.ascontiguousarray(shades)
        image = QImage(
            shades.data, shades.shape[1], shades.shape[0], shades.shape[1], QImage.Format.Format_Grayscale8
        ).copy()
        x0, x1 = frame.px(layer.x[0] + first * step), frame.px(layer.x[0] + last * step)
        y0, y1 = frame.py(float(top)), frame.py(float(bottom))
        page.image(QRectF(x0, min(y0, y1), x1 - x0, abs(y1 - y0)), image)

    @staticmethod
    def _marker(page: Page, frame: Frame, layer: Marker, colours: TraceColours) -> None:
        rect, em = frame.rect, page.em
        pen = page.pen(colours.hand_flip, 1.0, Dash.LONG)
        low, high = frame.x if layer.upright else frame.y
        if not low <= layer.at <= high:
            return
        wide = page.width_of(layer.text) + 0.4 * em
        if layer.upright:
            x = frame.px(layer.at)
            page.line(x, rect.top(), x, rect.top() + rect.height() * (0.28 if layer.short else 1.0), pen)
            left = x + 0.3 * em if x + wide + 0.5 * em < rect.right() else x - wide - 0.3 * em
            middle = rect.top() + em
        else:
            y = frame.py(layer.at)
            page.line(rect.left(), y, rect.right(), y, pen)
            left, middle = rect.right() - wide - 0.5 * em, y - 0.8 * em
        if layer.text:
            page.box(QRectF(left, middle - 0.7 * em, wide, 1.4 * em), colours.ground)
            page.text(left + 0.2 * em, middle, layer.text, colours.text)

    def _legend(self, page: Page, frame: Frame, colours: TraceColours) -> None:
        points = [one for one in self.picture.layers if isinstance(one, Points) and one.name]
        curves = [one for one in self.picture.layers if isinstance(one, Curve) and one.name]
        entries: list[Points | Curve] = [*points, *curves]
        if len(points) < 2 and not any(one.strong for one in curves):
            return
        em = page.em
        entries = entries[: max(1, int(frame.rect.height() / (1.4 * em)) - 1)]
        wide = max(page.width_of(one.name) for one in entries) + 3.2 * em
        box = QRectF(frame.rect.right() - wide - 0.4 * em, frame.rect.top() + 0.4 * em, wide, 0.4 * em)
        box.setHeight((1.4 * len(entries) + 0.3) * em)
        page.box(box, colours.ground, page.pen(colours.faint))
        for k, one in enumerate(entries):
            y = box.top() + (0.85 + 1.4 * k) * em
            self._sample(page, one, box.left() + 1.3 * em, y, colours)
            page.text(box.left() + 2.8 * em, y, one.name, colours.text)

    @staticmethod
    def _sample(page: Page, one: Points | Curve, x: float, y: float, colours: TraceColours) -> None:
        if isinstance(one, Points):
            ink: QColor = colours.channel(one.group)
            shape = SHAPES[one.group % len(SHAPES)]
            fill = mixed(ink, colours.ground, 0.6)
            page.markers(shape, np.array([x]), np.array([y]), _POINT, fill, page.pen(ink))
            return
        ink = colours.text if one.strong else colours.channel(0)
        dash = Dash.LONG if one.strong else Dash.SOLID
        page.line(x - page.em, y, x + page.em, y, page.pen(ink, 1.4, dash))


def _about(edges: tuple[float, float], width: float) -> tuple[float, float]:
    middle = (edges[0] + edges[1]) / 2
    return middle - width / 2, middle + width / 2
