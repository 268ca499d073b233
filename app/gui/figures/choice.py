"""How a figure is to be made, and the last choice kept."""

from __future__ import annotations

from dataclasses import dataclass

from PySide6.QtCore import QSettings

LEAST_PX, MOST_PX = 200, 20_000
MOST_PIXELS = 60_000_000
"""Of one figure: an image of so many takes 240 MB."""

_KEY = "figure"


@dataclass(frozen=True)
class FigureChoice:
    """Size in pixels; ``dots_per_inch`` says how large that is on paper, and so how large ``text_pt`` is in pixels."""

    width_px: int = 1200
    height_px: int = 700
    dots_per_inch: int = 96
    text_pt: float = 10.0
    outlines: bool = False

    @property
    def text_px(self) -> float:
        return self.text_pt * self.dots_per_inch / 72

    @property
    def paper(self) -> str:
        """The size on paper in words."""
        wide, high = (px / self.dots_per_inch * 25.4 for px in (self.width_px, self.height_px))
        return f"{wide:.0f} mm × {high:.0f} mm on paper"

    @property
    def objection(self) -> str | None:
        """Why no figure can be made like this, None if one can."""
        if self.width_px * self.height_px > MOST_PIXELS:
            return f"More than {MOST_PIXELS // 1_000_000} million pixels; choose a smaller width or height."
        if self.width_px < 24 * self.text_px or self.height_px < 16 * self.text_px:
            return "Too small for text of this size; choose smaller text, or more width and height."
        return None


PRESETS: tuple[tuple[str, FigureChoice], ...] = (
    ("Screen, 1200 × 700", FigureChoice()),
    ("Slide, 1920 × 1080", FigureChoice(1920, 1080, 96, 18.0)),
    ("Page width, 170 mm × 100 mm at 300 dpi", FigureChoice(2008, 1181, 300, 8.0)),
    ("One column, 85 mm × 65 mm at 600 dpi", FigureChoice(2008, 1535, 600, 6.5)),
    ("Poster, 400 mm × 240 mm at 300 dpi", FigureChoice(4724, 2835, 300, 18.0)),
)
"""What the dialog offers; any other numbers may be given."""


def last_choice(settings: QSettings) -> FigureChoice:
    """The choice made last, as far as it makes sense."""
    plain = FigureChoice()

    def whole(name: str, least: int, most: int, otherwise: int) -> int:
        value = settings.value(f"{_KEY}/{name}", otherwise)
        try:
            return min(max(int(str(value)), least), most)
        except ValueError:
            return otherwise

    text = whole("textTenths", 40, 720, round(plain.text_pt * 10)) / 10
    found = FigureChoice(
        whole("width", LEAST_PX, MOST_PX, plain.width_px),
        whole("height", LEAST_PX, MOST_PX, plain.height_px),
        whole("dotsPerInch", 50, 2400, plain.dots_per_inch),
        text,
        bool(settings.value(f"{_KEY}/outlines", plain.outlines, type=bool)),
    )
    return plain if found.objection else found


def keep_choice(settings: QSettings, choice: FigureChoice) -> None:
    settings.setValue(f"{_KEY}/width", choice.width_px)
    settings.setValue(f"{_KEY}/height", choice.height_px)
    settings.setValue(f"{_KEY}/dotsPerInch", choice.dots_per_inch)
    settings.setValue(f"{_KEY}/textTenths", round(choice.text_pt * 10))
    settings.setValue(f"{_KEY}/outlines", choice.outlines)


def last_ending(settings: QSettings) -> str:
    """``.png`` or ``.svg``, as saved last."""
    ending = str(settings.value(f"{_KEY}/ending", ".png"))
    return ending if ending in (".png", ".svg") else ".png"


def keep_ending(settings: QSettings, ending: str) -> None:
    settings.setValue(f"{_KEY}/ending", ending)
