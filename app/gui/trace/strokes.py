"""Many strokes or boxes of one colour at once.

Strokes go through one path made from arrays: a Python object for each, thousands in every frame, would keep
the garbage collector busy, whose full rounds are felt while panning.
"""

from __future__ import annotations

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QPainter

from app.gui.trace.palette import line_pen

Floats = NDArray[np.float64]


def draw_verticals(
    painter: QPainter, colour: QColor, x: Floats, top: Floats | float, bottom: Floats | float
) -> None:
    """A vertical line of one pixel at each ``x``, shape (lines,), from ``top`` to ``bottom``."""
    if not x.size:
        return
    ends = np.empty(2 * x.size)
    ends[0::2], ends[1::2] = top, bottom
    painter.setPen(line_pen(colour))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawPath(pg.functions.arrayToQPath(np.repeat(x, 2), ends, connect="pairs", finiteCheck=False))


def draw_bars(
    painter: QPainter, colour: QColor, x: Floats, top: Floats | float, bottom: Floats | float
) -> None:
    """A bar over each pixel of the widget whose middle is ``x``, shape (bars,): neighbours leave no gap on any screen."""
    device = painter.device()
    if device is None or device.devicePixelRatioF() == 1.0:
        draw_verticals(painter, colour, x, top, bottom)
        return
    tall = np.broadcast_to(np.subtract(bottom, top), x.shape)
    fill_boxes(painter, colour, x - 0.5, np.broadcast_to(top, x.shape), np.ones(x.size), tall)


def fill_columns(painter: QPainter, colour: QColor, x: Floats, top: float, bottom: float) -> None:
    """A column of one pixel at each ``x``, shape (columns,), in any order; neighbours make one box."""
    if not x.size:
        return
    pixels = np.unique(np.round(x))
    begins = np.flatnonzero(np.diff(pixels, prepend=pixels[0] - 2) > 1)
    wide = np.diff(begins, append=pixels.size).astype(np.float64)
    tops = np.full(begins.size, top)
    fill_boxes(painter, colour, pixels[begins], tops, wide, np.full(begins.size, bottom - top))


def fill_boxes(
    painter: QPainter, colour: QColor, x: Floats, y: Floats, width: Floats, height: Floats
) -> None:
    """A filled box for each element of the arrays, shape (boxes,)."""
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    # plain floats: boxes made from numpy's take several times as long
    boxes = np.stack([x, y, width, height], axis=1).tolist()
    painter.drawRects([QRectF(*box) for box in boxes])
