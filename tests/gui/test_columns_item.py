"""Columns drawn as one picture against a line for each of them, pixel by pixel."""

import numpy as np
import pytest
from PySide6.QtGui import QColor, QImage, QPainter, QTransform

from app.gui.trace.columns_item import ColumnsItem, Scratch

COLOUR = QColor(0, 114, 178)
WIDE, HIGH = 90, 60


class Item(ColumnsItem):
    """In a view of 0 to 90 by 0 to 60, y upwards."""

    def viewRect(self):
        from PySide6.QtCore import QRectF

        return QRectF(0.0, 0.0, float(WIDE), float(HIGH))


def painted(qapp, x, low, high, ratio: float, scratch: Scratch | None = None) -> np.ndarray:
    image = QImage(round(WIDE * ratio), round(HIGH * ratio), QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(ratio)
    image.fill(QColor("white"))
    item = Item(scratch or Scratch())
    item.set_colour(COLOUR)
    item.set_columns(np.asarray(x, float), np.asarray(low, float), np.asarray(high, float))
    painter = QPainter(image)
    painter.setTransform(QTransform(1.0, 0.0, 0.0, -1.0, 0.0, float(HIGH)))
    item.paint(painter)
    painter.end()
    pixels = np.frombuffer(image.constBits(), np.uint32).reshape(image.height(), image.width())
    return pixels == COLOUR.rgb()


def expected(x, low, high, ratio: float) -> np.ndarray:
    """Each pixel that a column of pixels' least and greatest end lie in or between."""
    found = np.zeros((round(HIGH * ratio), round(WIDE * ratio)), bool)
    ends: dict[int, tuple[float, float]] = {}
    for one, a, b in zip(x, low, high, strict=True):
        at = int(np.floor(one * ratio + 1 / 256))
        least, most = ends.get(at, (np.inf, -np.inf))
        ends[at] = min(least, a), max(most, b)
    for at, (a, b) in ends.items():
        if 0 <= at < found.shape[1]:
            top, bottom = (int(np.floor((HIGH - y) * ratio)) for y in (b, a))
            if bottom >= 0 and top < found.shape[0]:
                found[max(top, 0) : bottom + 1, at] = True
    return found


@pytest.mark.parametrize("ratio", [1.0, 1.25, 2.0])
@pytest.mark.parametrize("seed", range(4))
def test_every_pixel_between_the_ends_and_no_other(qapp, ratio, seed):
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(-5.0, WIDE + 5.0, 140))
    low, high = np.sort(rng.uniform(-20.0, HIGH + 20.0, (2, x.size)), axis=0)
    np.testing.assert_array_equal(painted(qapp, x, low, high, ratio), expected(x, low, high, ratio))


def test_columns_in_any_order(qapp):
    x, low, high = np.array([40.5, 10.5, 70.5, 10.7]), np.array([3.0, 9, 1, 2]), np.array([9.0, 20, 30, 5])
    np.testing.assert_array_equal(painted(qapp, x, low, high, 1.0), expected(x, low, high, 1.0))


def test_one_of_no_height_is_a_pixel(qapp):
    assert painted(qapp, [20.5], [31.2], [31.2], 1.0).sum() == 1


def test_none_or_all_out_of_view_draw_nothing(qapp):
    assert not painted(qapp, [], [], [], 1.0).any()
    assert not painted(qapp, [20.5, 200.0], [100.0, 3.0], [110.0, 9.0], 1.0).any()


def test_memory_used_again_keeps_nothing_of_what_was_drawn_before(qapp):
    scratch = Scratch()
    painted(qapp, np.arange(WIDE) + 0.5, np.zeros(WIDE), np.full(WIDE, float(HIGH)), 1.0, scratch)
    low = painted(qapp, [12.5], [50.2], [55.2], 1.0, scratch)
    assert low.sum() == 6
