"""Colours and the one kind of pen of the trace area.

The hues are those of Okabe and Ito (see `app.gui.style`), some with less light, so that what must be told apart is so
in grey, too (a test works it out). Colour never stands alone: flips differ by the
shape of their heads, channels by their names, symbols by height and digit, cursors by letter.
"""

from __future__ import annotations

from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QPalette, QPen

from app.gui import style


@dataclass(frozen=True)
class TraceColours:
    """What each part is drawn in; all opaque."""

    ground: QColor
    text: QColor
    faint: QColor
    shade: QColor
    channels: tuple[QColor, ...]
    auto_flip: QColor
    hand_flip: QColor
    removed_flip: QColor
    cursor: QColor
    span: QColor
    span_edge: QColor
    symbol: QColor
    symbol_text: QColor
    low_symbol: QColor
    doubt: QColor

    def channel(self, index: int) -> QColor:
        return self.channels[index % len(self.channels)]


def colours_of(palette: QPalette) -> TraceColours:
    """Colours for a palette, light or dark."""
    dark = style.is_dark(palette)
    ground = palette.color(QPalette.ColorRole.Base)
    text = palette.color(QPalette.ColorRole.Text)
    # in the order of use; each differs in lightness from the others, so that they are told apart in grey
    hues = (
        (style.SKY_BLUE, 1.0), (style.YELLOW, 1.0), (style.REDDISH_PURPLE, 0.93), (style.BLUE, 1.0)
    ) if dark else (
        (style.BLUE, 1.0), (style.REDDISH_PURPLE, 1.0), (style.VERMILLION, 0.45), (style.BLUISH_GREEN, 0.6)
    )  # fmt: skip
    accent = QColor(style.SKY_BLUE if dark else style.BLUE)
    return TraceColours(
        ground=ground,
        text=text,
        faint=mixed(text, ground, 0.3),
        shade=mixed(text, ground, 0.12),
        channels=tuple(style.shaded(hue, share) for hue, share in hues),
        auto_flip=QColor(style.BLUISH_GREEN),
        hand_flip=style.hand_colour(palette),
        removed_flip=mixed(text, ground, 0.4 if dark else 0.63),
        cursor=text,
        span=mixed(accent, ground, 0.16),
        span_edge=accent,
        symbol=mixed(text, ground, 0.72),
        symbol_text=ground,
        low_symbol=mixed(text, ground, 0.16),
        doubt=QColor(style.ORANGE if dark else style.VERMILLION),
    )


def mixed(colour: QColor, ground: QColor, share: float) -> QColor:
    """``share`` of a colour on a ground: what a transparent one would look like, but opaque."""
    ours, theirs = (
        (colour.red(), colour.green(), colour.blue()),
        (ground.red(), ground.green(), ground.blue()),
    )
    return QColor(*(round(a * share + b * (1 - share)) for a, b in zip(ours, theirs, strict=True)))


def line_pen(colour: QColor) -> QPen:
    """Width 1, cosmetic, opaque: wider pens with transparency cost hundreds of times as much to draw.

    Nothing in the trace area makes another pen; thicker strokes are filled rectangles.
    """
    opaque = QColor(colour)
    opaque.setAlpha(255)
    pen = QPen(opaque, 1)
    pen.setCosmetic(True)
    pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    return pen
