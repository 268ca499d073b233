"""Colours and palettes.

The colours of marks are the set of Okabe and Ito, told apart with the common kinds of colour blindness
("Color Universal Design", jfly.uni-koeln.de/color; values from memory). No colour stands alone: every use
comes with a shape, a line style or a word. The background is that of the palette.
"""

from __future__ import annotations

from enum import Enum

from PySide6.QtGui import QColor, QFont, QFontDatabase, QPalette
from PySide6.QtWidgets import QApplication

BLUE = "#0072B2"
VERMILLION = "#D55E00"
BLUISH_GREEN = "#009E73"
ORANGE = "#E69F00"
REDDISH_PURPLE = "#CC79A7"
SKY_BLUE = "#56B4E9"
YELLOW = "#F0E442"
BLACK = "#000000"


class Appearance(Enum):
    """Which palette the window has; the values are what the settings keep."""

    SYSTEM = "system"
    LIGHT = "light"
    DARK = "dark"


_LIGHT = {
    QPalette.ColorRole.Window: "#f4f4f1",
    QPalette.ColorRole.WindowText: "#1c1c1a",
    QPalette.ColorRole.Base: "#ffffff",
    QPalette.ColorRole.AlternateBase: "#f1f1ec",
    QPalette.ColorRole.Text: "#1c1c1a",
    QPalette.ColorRole.Button: "#e9e9e4",
    QPalette.ColorRole.ButtonText: "#1c1c1a",
    QPalette.ColorRole.ToolTipBase: "#ffffff",
    QPalette.ColorRole.ToolTipText: "#1c1c1a",
    QPalette.ColorRole.PlaceholderText: "#6b6b66",
    QPalette.ColorRole.Highlight: BLUE,
    QPalette.ColorRole.HighlightedText: "#ffffff",
    QPalette.ColorRole.Link: BLUE,
    QPalette.ColorRole.Light: "#ffffff",
    QPalette.ColorRole.Midlight: "#f7f7f5",
    QPalette.ColorRole.Mid: "#b9b9b3",
    QPalette.ColorRole.Dark: "#9a9a94",
    QPalette.ColorRole.Shadow: "#6b6b66",
}
_DARK = {
    QPalette.ColorRole.Window: "#26282b",
    QPalette.ColorRole.WindowText: "#e8e8e4",
    QPalette.ColorRole.Base: "#1b1c1f",
    QPalette.ColorRole.AlternateBase: "#232528",
    QPalette.ColorRole.Text: "#e8e8e4",
    QPalette.ColorRole.Button: "#34373b",
    QPalette.ColorRole.ButtonText: "#e8e8e4",
    QPalette.ColorRole.ToolTipBase: "#34373b",
    QPalette.ColorRole.ToolTipText: "#e8e8e4",
    QPalette.ColorRole.PlaceholderText: "#9a9b97",
    QPalette.ColorRole.Highlight: SKY_BLUE,
    QPalette.ColorRole.HighlightedText: "#101112",
    QPalette.ColorRole.Link: SKY_BLUE,
    QPalette.ColorRole.Light: "#55595e",
    QPalette.ColorRole.Midlight: "#44474c",
    QPalette.ColorRole.Mid: "#4b4e53",
    QPalette.ColorRole.Dark: "#141517",
    QPalette.ColorRole.Shadow: "#0c0d0e",
}
_DISABLED = (QPalette.ColorRole.WindowText, QPalette.ColorRole.Text, QPalette.ColorRole.ButtonText)


def is_dark(palette: QPalette) -> bool:
    """Whether text is lighter than what it stands on."""
    text = palette.color(QPalette.ColorRole.WindowText).lightnessF()
    return text > palette.color(QPalette.ColorRole.Window).lightnessF()


def palette_of(appearance: Appearance) -> QPalette:
    """The palette of one appearance; that of the system is the style's own."""
    if appearance is Appearance.SYSTEM:
        # set for the application, an empty palette gives way to that of the platform
        return QPalette()
    colours = _DARK if appearance is Appearance.DARK else _LIGHT
    palette = QPalette()
    for role, colour in colours.items():
        palette.setColor(role, QColor(colour))
    faded = QColor("#7d7f7b" if appearance is Appearance.DARK else "#8d8d87")
    for role in _DISABLED:
        palette.setColor(QPalette.ColorGroup.Disabled, role, faded)
    return palette


def shaded(hue: str, share: float) -> QColor:
    """``share`` of a hue, the rest black: the same colour with less light."""
    colour = QColor(hue)
    return QColor(*(round(part * share) for part in (colour.red(), colour.green(), colour.blue())))


def hand_colour(palette: QPalette) -> QColor:
    """What was set by hand; on light darker than the hue of the set, which prints as the green of the flips found."""
    return QColor(ORANGE) if is_dark(palette) else shaded(VERMILLION, 0.65)


def fixed_font() -> QFont:
    """The system's fixed-width font in the size of all other text, for bits."""
    font = QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont)
    size = QApplication.font().pointSizeF()
    if size > 0:  # else the size is given in pixels
        font.setPointSizeF(size)
    return font
