"""Columns of extremes as one picture.

A line for each column takes the longer the taller it is: a trace that fills its row would take several frames' time.
What is drawn here are the pixels between each column's ends, found for all of them at once, so that the height does
not matter.
"""

from __future__ import annotations

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QImage, QPainter

Floats = NDArray[np.float64]

# of a pixel: what rounding does to a time must not throw a column to the pixel beside it from one frame to the next
_NUDGE = 1.0 / 256.0
_TALLEST = 1 << 15


class Scratch:
    """Memory for pictures of one size, used again: fresh memory would take as long as the drawing."""

    def __init__(self) -> None:
        self._shape = (0, 0)
        self._offsets = np.zeros((0, 0), np.uint16)
        self._inside = np.zeros((0, 0), np.bool_)
        self._pixels = np.zeros((0, 0), np.uint32)

    def between(self, top: NDArray[np.uint16], count: NDArray[np.uint16], colour: int) -> NDArray[np.uint32]:
        """Pixels (rows, columns): of each column ``count`` from ``top`` on in a colour, the others transparent."""
        shape = (int((top + count).max(initial=0)), top.size)
        if shape[1] != self._shape[1] or shape[0] > self._shape[0]:
            self._shape = shape
            self._offsets = np.empty(shape, np.uint16)
            self._inside = np.empty(shape, np.bool_)
            self._pixels = np.empty(shape, np.uint32)
        offsets, inside, pixels = (
            self._offsets[: shape[0]],
            self._inside[: shape[0]],
            self._pixels[: shape[0]],
        )
        # below zero wraps round to what is more than any count
        np.subtract(np.arange(shape[0], dtype=np.uint16)[:, None], top, out=offsets)
        np.less(offsets, count, out=inside)
        np.multiply(inside, np.uint32(colour), out=pixels)
        return pixels


class ColumnsItem(pg.GraphicsObject):  # type: ignore[misc]
    """Vertical lines of one pixel, all in one opaque colour; ``scratch`` may be shared with others of the same row."""

    def __init__(self, scratch: Scratch) -> None:
        super().__init__()
        self._scratch = scratch
        self._colour = QColor()
        self._x, self._low, self._high = np.zeros((3, 0))
        self._bounds = QRectF()

    def set_colour(self, colour: QColor) -> None:
        self._colour = QColor(colour)
        self.update()

    def set_columns(self, x: Floats, low: Floats, high: Floats) -> None:
        """Lines (columns,) at ``x`` from ``low`` to ``high``, all finite."""
        self._x, self._low, self._high = x, low, high
        self.prepareGeometryChange()
        self._bounds = QRectF()
        if x.size:
            corner = QPointF(float(x.min()), float(low.min()))
            self._bounds = QRectF(corner, QPointF(float(x.max()), float(high.max()))).normalized()
        self.update()

    def boundingRect(self) -> QRectF:
        return self._bounds

    def paint(self, painter: QPainter, *_: object) -> None:
        if not self._x.size:
            return
        transform = painter.transform()
        device = painter.device()
        ratio = device.devicePixelRatioF() if device is not None else 1.0
        box = transform.mapRect(self.viewRect())
        left, top = int(np.floor(box.left() * ratio)), int(np.floor(box.top() * ratio))
        wide = int(np.ceil(box.right() * ratio)) - left
        high = min(int(np.ceil(box.bottom() * ratio)) - top, _TALLEST)
        if wide < 1 or high < 1:
            return
        x = (self._x * transform.m11() + transform.dx()) * ratio - left
        ends = [(y * transform.m22() + transform.dy()) * ratio - top for y in (self._low, self._high)]
        first, count = _by_pixel(x, np.minimum(*ends), np.maximum(*ends), wide, high)
        pixels = self._scratch.between(first, count, self._colour.rgb())
        if not pixels.size:
            return
        rows, columns = pixels.shape
        image = QImage(pixels.data, columns, rows, 4 * columns, QImage.Format.Format_ARGB32_Premultiplied)
        image.setDevicePixelRatio(ratio)
        painter.save()
        painter.resetTransform()
        painter.drawImage(QPointF(left / ratio, top / ratio), image)
        painter.restore()


def _by_pixel(
    x: Floats, top: Floats, bottom: Floats, wide: int, high: int
) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """First row and number of rows (wide,) of each column of pixels; what is beyond the picture is cut off."""
    first, count = np.zeros((2, wide), np.uint16)
    at = np.floor(x + _NUDGE)
    here = (at >= 0) & (at < wide)
    at, top, bottom = at[here].astype(np.intp), top[here], bottom[here]
    if not at.size:
        return first, count
    if (at[1:] < at[:-1]).any():
        order = np.argsort(at, kind="stable")
        at, top, bottom = at[order], top[order], bottom[order]
    begins = np.concatenate([[0], np.flatnonzero(at[1:] != at[:-1]) + 1])
    upper, lower = np.minimum.reduceat(top, begins), np.maximum.reduceat(bottom, begins)
    shown = (lower >= 0) & (upper < high)
    at = at[begins][shown]
    upper, lower = (np.clip(np.floor(end[shown]), 0, high - 1) for end in (upper, lower))
    first[at] = upper
    count[at] = lower - upper + 1
    return first, count
