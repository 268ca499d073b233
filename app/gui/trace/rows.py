"""One row of the trace: a value axis and the channels that share it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyqtgraph as pg
from PySide6.QtGui import QBrush, QFont

from app.gui.trace.curves import ChannelEnvelope, Drawn
from app.gui.trace.marks_paint import NameTag
from app.gui.trace.palette import TraceColours, line_pen
from app.gui.trace.scale_items import ValueAxisItem

_MARGIN = 0.06  # of the value range, above and below
_DOT_PX = 5
_SMOOTH = " – curve interpolated (sin x / x)"


class TraceRow:
    """Draws its channels; x is in seconds after ``origin_s``."""

    def __init__(self, envelopes: Sequence[ChannelEnvelope], hues: Sequence[int], origin_s: float) -> None:
        self.envelopes = tuple(envelopes)
        self._hues = tuple(hues)
        self._origin_s = origin_s
        self.box = pg.ViewBox(enableMouse=False, enableMenu=False, defaultPadding=0.0)
        self.box.disableAutoRange()
        self.axis = ValueAxisItem(envelopes[0].channel.unit)
        self._curves = [pg.PlotCurveItem(antialias=False) for _ in envelopes]
        self._dots = [pg.ScatterPlotItem(size=_DOT_PX, pen=None, antialias=False) for _ in envelopes]
        for curve, dots in zip(self._curves, self._dots, strict=True):
            self.box.addItem(curve, ignoreBounds=True)
            self.box.addItem(dots, ignoreBounds=True)
        self._colours: TraceColours | None = None
        self._drawn: list[Drawn] = []
        self._values = (0.0, 1.0)
        self._by_hand = False
        self.smooth = False

    def set_look(self, colours: TraceColours, font: QFont) -> None:
        self._colours = colours
        self.axis.set_look(colours, font)
        for curve, dots, hue in zip(self._curves, self._dots, self._hues, strict=True):
            curve.setPen(line_pen(colours.channel(hue)))
            dots.setBrush(QBrush(colours.channel(hue)))

    def show(self, start_s: float, end_s: float, pixels: int) -> None:
        """Draw a stretch of time."""
        self.box.setXRange(start_s - self._origin_s, end_s - self._origin_s, padding=0)
        self._drawn = [
            e.drawn(start_s, end_s, pixels, self._origin_s, smooth=self.smooth) for e in self.envelopes
        ]
        for curve, dots, drawn in zip(self._curves, self._dots, self._drawn, strict=True):
            if drawn.paired:
                curve.setData(drawn.x, self._at_least_a_pixel(drawn.y), connect="pairs", skipFiniteCheck=True)
            else:
                curve.setData(drawn.x, drawn.y, connect="finite")
            if drawn.dots:
                x, y = drawn.samples or (drawn.x, drawn.y)
                finite = np.isfinite(y)
                dots.setData(x[finite], y[finite])
            elif len(dots.data):
                dots.clear()

    def _at_least_a_pixel(self, ends: np.ndarray) -> np.ndarray:
        """A column whose extremes are equal would be a line of no length, which is not drawn."""
        pixel = (self._values[1] - self._values[0]) / max(self.box.height(), 1.0)
        low, high = ends[0::2], ends[1::2]
        lift = np.maximum(pixel - (high - low), 0.0) / 2
        return np.stack([low - lift, high + lift], axis=1).reshape(-1)

    # --- values

    @property
    def values(self) -> tuple[float, float]:
        return self._values

    def fit(self, start_s: float, end_s: float) -> None:
        """Let the values of a stretch of time fill the row; from now on it follows a growing envelope."""
        self._by_hand = False
        found = [e.limits(start_s, end_s) for e in self.envelopes]
        known = [limits for limits in found if limits is not None]
        if not known:
            return
        low, high = min(a for a, _ in known), max(b for _, b in known)
        margin = (high - low) * _MARGIN or max(abs(high), 1.0) * _MARGIN
        self._set_values(low - margin, high + margin)

    @property
    def fits_itself(self) -> bool:
        return not self._by_hand

    def zoom_values(self, factor: float, y: float) -> None:
        """``factor`` times as much, the value at the height ``y`` (scene) staying where it is."""
        self._by_hand = True
        low, high = self._values
        rect = self.box.sceneBoundingRect()
        about = high - (high - low) * (y - rect.top()) / max(rect.height(), 1.0)
        self._set_values(about - (about - low) * factor, about + (high - about) * factor)

    def _set_values(self, low: float, high: float) -> None:
        if high - low > 1e-12 * max(abs(low), abs(high)):
            self._values = (low, high)
            self.box.setYRange(low, high, padding=0)
            self.axis.set_values(low, high)

    # --- what painters ask

    def value_y(self, value: float) -> float:
        """Height in the scene at which a value lies."""
        rect = self.box.sceneBoundingRect()
        low, high = self._values
        return float(rect.top() + rect.height() * (high - value) / (high - low))

    def tags(self) -> list[NameTag]:
        """Names: at the top of a row that has one channel, else at the height of the leftmost points."""
        rect = self.box.sceneBoundingRect()
        tags = []
        for envelope, drawn, hue in zip(self.envelopes, self._drawn, self._hues, strict=True):
            finite = drawn.y[:64][np.isfinite(drawn.y[:64])]
            alone = len(self.envelopes) == 1 or not finite.size
            y = rect.top() if alone else self.value_y(float(finite.mean()))
            if self._colours is not None:
                colour = self._colours.channel(hue)
                name = envelope.channel.name + (_SMOOTH if drawn.smooth else "")
                tags.append(NameTag(name, y, rect.top(), rect.bottom(), colour))
        return tags
