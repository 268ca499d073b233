"""Colours in both palettes and in figures: legible on their ground, told apart when printed grey."""

from __future__ import annotations

from itertools import combinations

import pytest
from PySide6.QtGui import QColor

from app.gui.figures.sheet import print_colours
from app.gui.figures.trace_drawing import DASHES
from app.gui.pictures.shapes import SHAPES
from app.gui.style import Appearance, palette_of
from app.gui.trace.palette import TraceColours, colours_of

APART = 10.0
"""Least difference in CIE lightness between colours that must be told apart: common practice, no published source."""

# WCAG 2.2, success criteria 1.4.3 (text) and 1.4.11 (graphical objects)
TEXT_CONTRAST, GRAPHIC_CONTRAST = 4.5, 3.0


def luminance(colour: QColor) -> float:
    """Relative luminance, WCAG 2.2 definition, of an sRGB colour (IEC 61966-2-1)."""

    def linear(part: float) -> float:
        return part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4

    red, green, blue = (linear(part) for part in (colour.redF(), colour.greenF(), colour.blueF()))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def lightness(colour: QColor) -> float:
    """CIE 1976 L*, ISO/CIE 11664-4, of what a grey print shows."""
    share = luminance(colour)
    return 116 * share ** (1 / 3) - 16 if share > 216 / 24389 else share * 24389 / 27


def contrast(one: QColor, other: QColor) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_measures_agree_with_published_values():
    # WCAG: black on white is 21:1; CIE: L* of the 18 % grey card is 49.5
    assert contrast(QColor("#000000"), QColor("#ffffff")) == pytest.approx(21.0)
    grey = QColor.fromRgbF(*(3 * [1.055 * 0.18 ** (1 / 2.4) - 0.055]))
    assert lightness(grey) == pytest.approx(49.5, abs=0.2)


def palettes() -> dict[str, TraceColours]:
    return {
        "light": colours_of(palette_of(Appearance.LIGHT)),
        "dark": colours_of(palette_of(Appearance.DARK)),
        "figures": print_colours(),
    }


@pytest.fixture(params=["light", "dark", "figures"])
def colours(request, qapp) -> TraceColours:
    return palettes()[request.param]


def test_what_must_be_told_apart_is_so_in_grey(colours):
    groups = {
        "channels": {f"channel {k}": one for k, one in enumerate(colours.channels)},
        "flips": {
            "found": colours.auto_flip,
            "by hand": colours.hand_flip,
            "struck out": colours.removed_flip,
        },
        "symbols": {"high": colours.symbol, "low": colours.low_symbol, "none": colours.ground},
        "span": {"selected": colours.span, "edge": colours.span_edge},
    }
    found = {
        f"{group}: {a} and {b}": abs(lightness(members[a]) - lightness(members[b]))
        for group, members in groups.items()
        for a, b in combinations(members, 2)
    }
    assert {pair: round(apart, 1) for pair, apart in found.items() if apart < APART} == {}


def test_everything_stands_out_from_its_ground(colours):
    graphics = {f"channel {k}": one for k, one in enumerate(colours.channels)}
    graphics |= {
        name: getattr(colours, name)
        for name in ("auto_flip", "hand_flip", "removed_flip", "cursor", "span_edge", "symbol", "doubt")
    }
    faint = {name: contrast(one, colours.ground) for name, one in graphics.items()}
    assert {name: round(value, 2) for name, value in faint.items() if value < GRAPHIC_CONTRAST} == {}
    texts = {
        "text": (colours.text, colours.ground),
        "text on the span": (colours.text, colours.span),
        "high symbols": (colours.symbol_text, colours.symbol),
        "low symbols": (colours.text, colours.low_symbol),
    }
    weak = {name: contrast(*pair) for name, pair in texts.items()}
    assert {name: round(value, 2) for name, value in weak.items() if value < TEXT_CONTRAST} == {}


def test_nothing_is_told_by_colour_alone():
    # curves that share a row differ in their dashes, groups of points in their shapes
    assert len({dash.value for dash in DASHES}) == len(DASHES) == len(palettes()["figures"].channels)
    assert len(set(SHAPES)) == len(SHAPES) >= len(palettes()["figures"].channels)
