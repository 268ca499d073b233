"""A frame with two axes: where values lie on the page, and ticks with titles and units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QRectF

from app.gui.figures.page import Page
from app.gui.trace.palette import TraceColours
from app.gui.trace.ticks import Ticks, time_ticks, value_ticks

Number = TypeVar("Number", float, NDArray[np.float64])

TICK = 0.35  # length of a tick, of the text's height
LINE = 1.35  # height of a line of text


@dataclass(frozen=True)
class Frame:
    """``x`` from left to right and ``y`` from bottom to top of ``rect``; ``down``: from top to bottom."""

    rect: QRectF
    x: tuple[float, float]
    y: tuple[float, float]
    down: bool = False

    def px(self, value: Number) -> Number:
        return self.rect.left() + (value - self.x[0]) / (self.x[1] - self.x[0]) * self.rect.width()

    def py(self, value: Number) -> Number:
        share = (value - self.y[0]) / (self.y[1] - self.y[0])
        if self.down:
            return self.rect.top() + share * self.rect.height()
        return self.rect.bottom() - share * self.rect.height()

    def holds_x(self, value: float) -> bool:
        return self.x[0] <= value <= self.x[1]


def ticks_of(low: float, high: float, most: int, label: str, unit: str) -> Ticks:
    """Ticks whose caption is the title of the axis: ``time in ms``."""
    if unit == "s":
        found = time_ticks(low, high, most)
        return Ticks(found.values, found.texts, label + found.caption.removeprefix("time"))
    found = value_ticks(low, high, most, unit)
    return Ticks(found.values, found.texts, f"{label} in {found.caption}" if found.caption else label)


def y_ticks(page: Page, high_px: float, frame_y: tuple[float, float], label: str, unit: str) -> Ticks:
    return ticks_of(min(frame_y), max(frame_y), max(1, int(high_px / (2.2 * page.em))), label, unit)


def x_ticks(page: Page, wide_px: float, frame_x: tuple[float, float], label: str, unit: str) -> Ticks:
    """As many as have room for their values beside one another."""
    found = ticks_of(*frame_x, 1, label, unit)
    for most in range(2, max(2, int(wide_px / (3 * page.em))) + 1):
        more = ticks_of(*frame_x, most, label, unit)
        each = wide_px * _step(more) / (frame_x[1] - frame_x[0])
        if len(more.values) > 1 and max(map(page.width_of, more.texts)) + 1.2 * page.em <= each:
            found = more
    return found


def _step(ticks: Ticks) -> float:
    return ticks.values[1] - ticks.values[0] if len(ticks.values) > 1 else 0.0


def room_left(page: Page, ticks: Ticks) -> float:
    """What the title and the values of a value axis take."""
    widest = max((page.width_of(text) for text in ticks.texts), default=0.0)
    return widest + (TICK + 0.6 + LINE) * page.em


def room_below(page: Page) -> float:
    """What the values and the title of the axis below take."""
    return (TICK + 2 * LINE) * page.em


def draw_left(page: Page, frame: Frame, ticks: Ticks, colours: TraceColours, *, grid: bool = True) -> None:
    rect, em = frame.rect, page.em
    for value, text in zip(ticks.values, ticks.texts, strict=True):
        y = frame.py(value)
        if grid:
            page.line(rect.left(), y, rect.right(), y, page.pen(colours.shade, 0.7))
        page.line(rect.left() - TICK * em, y, rect.left(), y, page.pen(colours.text))
        page.text(rect.left() - (TICK + 0.3) * em, y, text, colours.text, align=1.0)
    widest = max((page.width_of(text) for text in ticks.texts), default=0.0)
    x = rect.left() - widest - (TICK + 0.6 + LINE / 2) * em
    page.text(x, rect.center().y(), ticks.caption, colours.text, align=0.5, upward=True)


def draw_below(
    page: Page, frame: Frame, ticks: Ticks, colours: TraceColours, *, grid_top: float | None
) -> None:
    """Below the frame; ``grid_top`` is where lines through the ticks begin."""
    rect, em = frame.rect, page.em
    for value, text in zip(ticks.values, ticks.texts, strict=True):
        x = frame.px(value)
        if grid_top is not None:
            page.line(x, grid_top, x, rect.bottom(), page.pen(colours.shade, 0.7))
        page.line(x, rect.bottom(), x, rect.bottom() + TICK * em, page.pen(colours.text))
        page.text(x, rect.bottom() + (TICK + LINE / 2) * em, text, colours.text, align=0.5)
    y = rect.bottom() + (TICK + LINE * 1.45) * em
    page.text(rect.center().x(), y, ticks.caption, colours.text, align=0.5)
