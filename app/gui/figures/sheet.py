"""The page of a figure: the drawing, readings beside it, the caption below; as PNG or SVG."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from PySide6.QtCore import QBuffer, QByteArray, QIODevice, QRect, QRectF, QSize
from PySide6.QtGui import QColor, QFont, QImage, QPainter, QPalette
from PySide6.QtSvg import QSvgGenerator

from app.gui.figures.choice import FigureChoice
from app.gui.figures.frame import LINE
from app.gui.figures.page import Page
from app.gui.style import Appearance, palette_of
from app.gui.trace.palette import TraceColours, colours_of

_MARGIN = 0.7  # of the text's height
_MOST_BESIDE = 0.45  # of the width
_INCH_M = 0.0254


class Drawing(Protocol):
    """What is drawn in the place that is left by readings and caption."""

    def draw(self, page: Page, rect: QRectF, colours: TraceColours) -> None: ...


@dataclass(frozen=True)
class Readings:
    """``rows`` of a name and a text; a row without text is a heading."""

    rows: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, eq=False)
class Figure:
    """``title`` is for who cannot see it."""

    drawing: Drawing
    caption: str
    readings: Readings = Readings()
    title: str = "Figure"


def print_colours() -> TraceColours:
    """On white, whatever the window looks like."""
    palette = palette_of(Appearance.LIGHT)
    palette.setColor(QPalette.ColorRole.Base, QColor("#ffffff"))
    return colours_of(palette)


def draw_figure(painter: QPainter, figure: Figure, choice: FigureChoice, font: QFont) -> int:
    """Draw on a page of the chosen size; how many of the readings found no room."""
    page = Page(painter, font, choice.text_px, outlines=choice.outlines)
    colours = print_colours()
    em = page.em
    whole = QRectF(0, 0, choice.width_px, choice.height_px)
    page.box(whole, QColor("#ffffff"))
    rect = whole.adjusted(_MARGIN * em, _MARGIN * em, -_MARGIN * em, -_MARGIN * em)
    lines = page.wrapped(figure.caption, rect.width()) if figure.caption.strip() else []
    # the drawing keeps at least half of the height
    lines = lines[: max(1, int(rect.height() / 2 / (LINE * em)))]
    top = rect.bottom() - len(lines) * LINE * em
    for k, line in enumerate(lines):
        page.text(rect.left(), top + (k + 0.5) * LINE * em, line, colours.text)
    rect.setBottom(top - (0.5 * em if lines else 0.0))
    left_out = 0
    if figure.readings.rows:
        rect, left_out = _draw_readings(page, figure.readings, rect, colours)
    figure.drawing.draw(page, rect, colours)
    return left_out


def _draw_readings(page: Page, readings: Readings, rect: QRectF, colours: TraceColours) -> tuple[QRectF, int]:
    """At the right; what is left of the place, and how many rows found no room."""
    em = page.em
    room = int(rect.height() / (LINE * em))
    shown = readings.rows[:room]
    while shown and not shown[-1][1]:
        shown = shown[:-1]  # a heading over nothing
    names = max((page.width_of(name) for name, text in shown if text), default=0.0)
    values = max((page.width_of(text) for _, text in shown if text), default=0.0)
    heads = max((page.width_of(name, bold=True) for name, text in shown if not text), default=0.0)
    width = min(max(names + 1.2 * em + values, heads), rect.width() * _MOST_BESIDE)
    left = rect.right() - width
    for k, (name, text) in enumerate(shown):
        y = rect.top() + (k + 0.5) * LINE * em
        page.text(left, y, name, colours.text, bold=not text)
        if text:
            page.text(rect.right(), y, text, colours.text, align=1.0)
    count = sum(bool(text) for _, text in readings.rows) - sum(bool(text) for _, text in shown)
    return QRectF(rect.left(), rect.top(), rect.width() - width - 1.5 * em, rect.height()), count


def image_of(
    figure: Figure, choice: FigureChoice, font: QFont, within: QSize | None = None
) -> tuple[QImage, int]:
    """The figure as pixels, or smaller ``within`` a size; and how many readings found no room."""
    size = QSize(choice.width_px, choice.height_px)
    scale = 1.0
    if within is not None and (size.width() > within.width() or size.height() > within.height()):
        scale = min(within.width() / size.width(), within.height() / size.height())
        size = QSize(max(int(size.width() * scale), 1), max(int(size.height() * scale), 1))
    image = QImage(size, QImage.Format.Format_RGB32)
    image.fill(QColor("#ffffff"))
    dots = round(choice.dots_per_inch / _INCH_M)
    image.setDotsPerMeterX(dots)
    image.setDotsPerMeterY(dots)
    painter = QPainter(image)
    painter.scale(scale, scale)
    left_out = draw_figure(painter, figure, choice, font)
    painter.end()
    return image, left_out


def png_of(image: QImage) -> bytes:
    held = QByteArray()
    buffer = QBuffer(held)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    image.save(buffer, "PNG")  # type: ignore[call-overload]
    return bytes(held.data())


def svg_of(figure: Figure, choice: FigureChoice, font: QFont) -> bytes:
    held = QByteArray()
    buffer = QBuffer(held)
    generator = QSvgGenerator()
    generator.setOutputDevice(buffer)
    generator.setResolution(choice.dots_per_inch)
    generator.setSize(QSize(choice.width_px, choice.height_px))
    generator.setViewBox(QRect(0, 0, choice.width_px, choice.height_px))
    generator.setTitle(figure.title)
    generator.setDescription(figure.caption)
    painter = QPainter(generator)
    draw_figure(painter, figure, choice, font)
    painter.end()
    return bytes(held.data())
