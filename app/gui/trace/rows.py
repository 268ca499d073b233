"""One row of the trace: a value axis and the channels that share it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pyqtgraph as pg
from PySide6.QtGui import QBrush, QFont

from app.gui.trace.api import ChannelEnds
from app.gui.trace.columns_item import ColumnsItem, Scratch
from app.gui.trace.contents import RowContents
from app.gui.trace.curves import ChannelEnvelope, Drawn
from app.gui.trace.marks_paint import NameTag
from app.gui.trace.palette import TraceColours, line_pen
from app.gui.trace.scale_items import ValueAxisItem

_MARGIN = 0.06  # of the value range, above and below
_DOT_PX = 5
_AXIS = " – its axis at the left"
_SMOOTH = " – curve interpolated (sin x / x)"


class TraceRow:
    """Draws its channels; x is in seconds after ``origin_s``.

    With ``own_scales`` each channel has a value range of its own that fills the row; the axis, and what changes
    a range, is then that of the active channel.
    """

    def __init__(
        self,
        envelopes: Sequence[ChannelEnvelope],
        hues: Sequence[int],
        origin_s: float,
        *,
        own_scales: bool = False,
    ) -> None:
        self.envelopes = tuple(envelopes)
        self._hues = tuple(hues)
        self._origin_s = origin_s
        self.box = pg.ViewBox(enableMouse=False, enableMenu=False, defaultPadding=0.0)
        self.box.disableAutoRange()
        self.axis = ValueAxisItem(envelopes[0].channel.unit)
        self._curves = [pg.PlotCurveItem(antialias=False) for _ in envelopes]
        self._dots = [pg.ScatterPlotItem(size=_DOT_PX, pen=None, antialias=False) for _ in envelopes]
        scratch = Scratch()
        self._columns = [ColumnsItem(scratch) for _ in envelopes]
        for items in zip(self._columns, self._curves, self._dots, strict=True):
            for item in items:
                self.box.addItem(item, ignoreBounds=True)
        self._colours: TraceColours | None = None
        self._drawn: list[Drawn] = []
        self._own_scales = own_scales and len(envelopes) > 1
        self._scales = [(0.0, 1.0) for _ in envelopes]
        self._active = 0
        self._by_hand = False
        self.smooth = False
        self.unread_from_s: float | None = None
        self.unread: tuple[str, ...] = ()

    def set_look(self, colours: TraceColours, font: QFont) -> None:
        self._colours = colours
        self.axis.set_look(colours, font)
        for k, hue in enumerate(self._hues):
            self._columns[k].set_colour(colours.channel(hue))
            self._curves[k].setPen(line_pen(colours.channel(hue)))
            self._dots[k].setBrush(QBrush(colours.channel(hue)))

    def show(self, start_s: float, end_s: float, pixels: int) -> None:
        """Draw a stretch of time."""
        self.box.setXRange(start_s - self._origin_s, end_s - self._origin_s, padding=0)
        self._drawn = [
            e.drawn(start_s, end_s, pixels, self._origin_s, smooth=self.smooth) for e in self.envelopes
        ]
        unread = [e.unread_from_s(start_s, end_s, pixels) for e in self.envelopes]
        known = [at for at in unread if at is not None]
        # where one channel is there, the others' lack is told in words alone
        self.unread_from_s = max(known) if len(known) == len(unread) else None
        self.unread = tuple(
            f"{e.channel.name}: {e.share_read:.0%} read"
            for e, at in zip(self.envelopes, unread, strict=True)
            if at is not None
        )
        for k, (curve, dots, drawn) in enumerate(zip(self._curves, self._dots, self._drawn, strict=True)):
            height = self._height(k, drawn.y)
            columns = slice(0, None if drawn.paired else 0, 2)
            self._columns[k].set_columns(drawn.x[columns], height[columns], height[1:][columns])
            if not drawn.paired:
                curve.setData(drawn.x, height, connect="finite")
            curve.setVisible(not drawn.paired)
            if drawn.dots:
                x, y = drawn.samples or (drawn.x, drawn.y)
                y = self._height(k, y)
                finite = np.isfinite(y)
                dots.setData(x[finite], y[finite])
            elif len(dots.data):
                dots.clear()

    def _height(self, channel: int, values: np.ndarray) -> np.ndarray:
        """Where values lie in the box: as they are, or as a share of the channel's own range."""
        if not self._own_scales:
            return values
        low, high = self._scales[channel]
        return (values - low) / (high - low)

    # --- values

    @property
    def values(self) -> tuple[float, float]:
        """What the axis shows."""
        return self._scales[self._active]

    def set_active(self, name: str) -> None:
        """The channel that lies over the others; where scales differ, its own is shown and changed."""
        names = [envelope.channel.name for envelope in self.envelopes]
        for k, other in enumerate(names):
            for item in (self._columns[k], self._curves[k], self._dots[k]):
                item.setZValue(1.0 if other == name else 0.0)
        if self._own_scales:
            self._active = names.index(name) if name in names else 0
            self.axis.set_unit(self.envelopes[self._active].channel.unit)
            self.axis.set_values(*self.values)

    def fit(self, start_s: float, end_s: float) -> None:
        """Let the values of a stretch of time fill the row; from now on it follows a growing envelope."""
        self._by_hand = False
        found = [e.limits(start_s, end_s) for e in self.envelopes]
        if self._own_scales:
            for k, limits in enumerate(found):
                if limits is not None:
                    self._set_values(*_with_margin(*limits), only=k)
            return
        known = [limits for limits in found if limits is not None]
        if known:
            self._set_values(*_with_margin(min(a for a, _ in known), max(b for _, b in known)))

    def set_ends(self, chosen: Mapping[str, tuple[float, float]]) -> None:
        """Put the axes of channels where they were set by hand; channels that share an axis show all of it."""
        found = [chosen.get(envelope.channel.name) for envelope in self.envelopes]
        known = [ends for ends in found if ends is not None]
        if not known:
            return
        self._by_hand = True
        if self._own_scales:
            for k, ends in enumerate(found):
                if ends is not None:
                    self._set_values(*ends, only=k)
        else:
            self._set_values(min(low for low, _ in known), max(high for _, high in known))

    def ends(self) -> list[ChannelEnds]:
        """Of each channel whose axis is changed by hand here, its name and the ends of the axis."""
        which = [self._active] if self._own_scales else range(len(self.envelopes))
        return [(self.envelopes[k].channel.name, self._scales[k]) for k in which]

    @property
    def fits_itself(self) -> bool:
        return not self._by_hand

    def zoom_values(self, factor: float, y: float) -> None:
        """``factor`` times as much, the value at the height ``y`` (scene) staying where it is."""
        self._by_hand = True
        low, high = self.values
        rect = self.box.sceneBoundingRect()
        about = high - (high - low) * (y - rect.top()) / max(rect.height(), 1.0)
        self._set_values(about - (about - low) * factor, about + (high - about) * factor, only=self._active)

    def shift_values(self, by_px: float) -> None:
        """Move the curve down by some pixels."""
        self._by_hand = True
        low, high = self.values
        by = by_px * (high - low) / max(self.box.height(), 1.0)
        self._set_values(low + by, high + by, only=self._active)

    def _set_values(self, low: float, high: float, only: int | None = None) -> None:
        """Of one channel where each has its own, else of all."""
        if not high - low > 1e-12 * max(abs(low), abs(high)):
            return
        for k in range(len(self._scales)):
            if not self._own_scales or only is None or k == only:
                self._scales[k] = (low, high)
        self.box.setYRange(*((0.0, 1.0) if self._own_scales else (low, high)), padding=0)
        self.axis.set_values(*self.values)

    # --- what painters ask

    def contents(self) -> RowContents:
        scales = tuple(self._scales)
        return RowContents(self.envelopes, self._hues, scales, self._own_scales, self._active, self.smooth)

    def value_y(self, value: float) -> float:
        """Height in the scene at which a value lies."""
        rect = self.box.sceneBoundingRect()
        low, high = self.values
        return float(rect.top() + rect.height() * (high - value) / (high - low))

    def value_at(self, y: float) -> float:
        """The value that lies at a height in the scene."""
        rect = self.box.sceneBoundingRect()
        low, high = self.values
        return float(high - (high - low) * (y - rect.top()) / max(rect.height(), 1.0))

    def _height_y(self, channel: int, value: float) -> float:
        rect = self.box.sceneBoundingRect()
        low, high = self._scales[channel]
        return float(rect.top() + rect.height() * (high - value) / (high - low))

    def tags(self) -> list[NameTag]:
        """Names: at the top of a row of one channel or of scales of their own, else at the leftmost points."""
        rect = self.box.sceneBoundingRect()
        tags = []
        for k, (envelope, drawn, hue) in enumerate(zip(self.envelopes, self._drawn, self._hues, strict=True)):
            finite = drawn.y[:64][np.isfinite(drawn.y[:64])]
            # on scales of their own all lie about the middle, where names would hide them
            alone = len(self.envelopes) == 1 or self._own_scales or not finite.size
            y = rect.top() if alone else self._height_y(k, float(finite.mean()))
            if self._colours is not None:
                colour = self._colours.channel(hue)
                name = envelope.channel.name + (_SMOOTH if drawn.smooth else "")
                name += _AXIS if self._own_scales and k == self._active else ""
                tags.append(NameTag(name, y, rect.top(), rect.bottom(), colour))
        return tags


def _with_margin(low: float, high: float) -> tuple[float, float]:
    margin = (high - low) * _MARGIN or max(abs(high), 1.0) * _MARGIN
    return low - margin, high + margin
