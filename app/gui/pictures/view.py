"""Draws any `Picture`, and turns clicks in it into places."""

from __future__ import annotations

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QEvent, QPointF, QRectF, Qt, Signal, Slot
from PySide6.QtGui import QColor, QFocusEvent, QKeyEvent, QPainter
from PySide6.QtWidgets import QWidget

from app.gui.pictures.api import Bars, Curve, Layer, Picture, Pixels, Place, Points
from app.gui.pictures.grey import grey_levels
from app.gui.pictures.probe import Probe, first_probe, meaning, moved, value_text
from app.gui.pictures.shapes import SHAPES
from app.gui.trace.palette import TraceColours, colours_of, line_pen, mixed

_FAINT = 0.35
_ARROWS = {
    Qt.Key.Key_Left: (-1, 0),
    Qt.Key.Key_Right: (1, 0),
    Qt.Key.Key_Up: (0, 1),
    Qt.Key.Key_Down: (0, -1),
}


class PictureView(pg.PlotWidget):  # type: ignore[misc]
    """``place_clicked(Place)`` when a click in the picture, or Return, means something; ``pointer_hint(text)`` says
    what is under the pointer and what a click does there, empty when it leaves."""

    place_clicked = Signal(object)
    pointer_hint = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("pictureView")
        self.setAccessibleName("Picture")
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.picture: Picture | None = None
        self.probe: Probe | None = None
        self._probe_items: list[pg.GraphicsObject] = []
        self._words = ""
        self.setMenuEnabled(False)
        self.hideButtons()
        self._legend = self.plotItem.addLegend(offset=(-8, 8))
        self.plotItem.showGrid(x=True, y=True, alpha=0.18)
        self.scene().sigMouseClicked.connect(self._clicked)
        self.scene().sigMouseMoved.connect(self._mouse_moved)
        self.show_words("")

    def show_picture(self, picture: Picture) -> None:
        """Draw; the stretch of the axes that is shown is kept only while it is the same kind of picture."""
        kept = self.probe if self.picture is not None and self.picture.title == picture.title else None
        self.picture, self._words = picture, ""
        self._draw()
        if kept is not None and self.hasFocus():
            self._show_probe(kept)

    def show_words(self, words: str) -> None:
        """Nothing but why there is nothing."""
        self.picture, self._words = None, words
        self._draw()

    def shown_range(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Least and greatest value of each axis in view."""
        (x0, x1), (y0, y1) = self.getViewBox().viewRange()
        return (float(x0), float(x1)), (float(y0), float(y1))

    def zoom(self, factor: float) -> None:
        self.getViewBox().scaleBy((factor, factor))

    def whole(self) -> None:
        self.getViewBox().autoRange(padding=0.03)

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() in (QEvent.Type.PaletteChange, QEvent.Type.FontChange):
            self._draw()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key, held = event.key(), event.modifiers()
        if key in _ARROWS and not held & Qt.KeyboardModifier.ControlModifier:
            step = _ARROWS[Qt.Key(key)]
            if held & Qt.KeyboardModifier.AltModifier:
                self._pan(*step)
            else:
                self._move_probe(step, far=bool(held & Qt.KeyboardModifier.ShiftModifier))
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.probe is not None:
            place = self.place_at(self.probe.x, self.probe.y)
            if place is not None:
                self.place_clicked.emit(place)
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self.zoom(0.5)
        elif key == Qt.Key.Key_Minus:
            self.zoom(2.0)
        elif key == Qt.Key.Key_Home:
            self.whole()
        elif key == Qt.Key.Key_Escape and self.probe is not None:
            self._show_probe(None)
        else:
            event.ignore()

    def _pan(self, right: int, up: int) -> None:
        box = self.getViewBox()
        (x0, x1), (y0, y1) = box.viewRange()
        upwards = -1 if box.yInverted() else 1
        box.translateBy(x=0.1 * right * (x1 - x0), y=0.1 * up * (y1 - y0) * upwards)

    # --- the keyboard's pointer

    def _move_probe(self, step: tuple[int, int], *, far: bool) -> None:
        if self.picture is None:
            return
        x, y = self.shown_range()
        if self.probe is None:
            self._show_probe(first_probe(self.picture, x, y))
        else:
            self._show_probe(moved(self.picture, self.probe, step, x, y, far=far))

    def _show_probe(self, probe: Probe | None) -> None:
        self.probe = probe
        for item in self._probe_items:
            self.plotItem.removeItem(item)
        self._probe_items = []
        if probe is None or self.picture is None:
            self.pointer_hint.emit("")
            return
        colours = colours_of(self.palette())
        pen = line_pen(colours.text)
        pen.setStyle(Qt.PenStyle.DotLine)
        words = value_text(self.picture, probe)
        (x0, x1), _ = self.shown_range()
        side = 1.0 if probe.x > (x0 + x1) / 2 else 0.0
        label = pg.TextItem(words, colours.text, anchor=(side, 1.0), fill=colours.ground)
        label.setFont(self.font())
        label.setPos(probe.x, probe.y)
        self._probe_items = [
            pg.InfiniteLine(probe.x, angle=90, pen=pen),
            pg.InfiniteLine(probe.y, angle=0, pen=pen),
            label,
        ]
        for item in self._probe_items:
            self.plotItem.addItem(item, ignoreBounds=True)
        does = meaning(self.place_at(probe.x, probe.y), "Return") or "Return: nothing here"
        self.pointer_hint.emit(f"{words} · {does} · arrows: move, with Shift far, with Alt the picture")
        self.setAccessibleDescription(f"{words}. {does}.")

    @Slot(object)
    def _mouse_moved(self, where: QPointF) -> None:
        if self.picture is None or not self.getViewBox().sceneBoundingRect().contains(where):
            return
        at = self.getViewBox().mapSceneToView(where)
        words = value_text(self.picture, Probe(at.x(), at.y()))
        does = meaning(self.place_at(at.x(), at.y()), "click")
        self.pointer_hint.emit(
            " · ".join(part for part in (words, does, "drag: move", "wheel: zoom") if part)
        )

    def leaveEvent(self, event: QEvent) -> None:
        super().leaveEvent(event)
        self.pointer_hint.emit("")

    def focusInEvent(self, event: QFocusEvent) -> None:
        super().focusInEvent(event)
        self.viewport().update()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        super().focusOutEvent(event)
        self.viewport().update()

    def drawForeground(self, painter: QPainter, rect: QRectF) -> None:
        super().drawForeground(painter, rect)
        if self.hasFocus():
            painter.setPen(line_pen(colours_of(self.palette()).span_edge))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(self.sceneRect().adjusted(0, 0, -1, -1))

    def place_at(self, x: float, y: float) -> Place | None:
        """What a click at these values of the axes means."""
        if self.picture is None or self.picture.find is None:
            return None
        wide, high = self.getViewBox().viewPixelSize()
        return self.picture.find(x, y, float(wide), float(high))

    # --- drawing

    def _draw(self) -> None:
        if not hasattr(self, "_legend"):
            return  # the base class changes its palette while it is being made
        colours = colours_of(self.palette())
        plot = self.plotItem
        plot.clear()
        self.probe, self._probe_items = None, []
        self._legend.setVisible(False)
        self.setBackground(colours.ground)
        for name in ("left", "bottom"):
            axis = plot.getAxis(name)
            axis.setPen(line_pen(colours.faint))
            axis.setTextPen(colours.text)
            axis.setTickFont(self.font())
        picture = self.picture
        plot.getAxis("left").setVisible(picture is not None)
        plot.getAxis("bottom").setVisible(picture is not None)
        box = self.getViewBox()
        if picture is None:
            box.invertY(False)
            box.setAspectLocked(False)
            text = pg.TextItem(self._words, colours.text, anchor=(0.5, 0.5))
            text.setFont(self.font())
            plot.addItem(text)
            box.setRange(xRange=(-1, 1), yRange=(-1, 1))
            self.setAccessibleDescription(self._words)
            return
        self._label("bottom", picture.x_label, picture.x_unit, colours)
        self._label("left", picture.y_label, picture.y_unit, colours)
        box.setAspectLocked(picture.square)
        box.invertY(any(isinstance(layer, Pixels) for layer in picture.layers))
        points = [layer for layer in picture.layers if isinstance(layer, Points)]
        strong = [layer for layer in picture.layers if isinstance(layer, Curve) and layer.strong]
        self._legend.setVisible(len(points) > 1 or bool(strong))
        self._legend.setLabelTextColor(colours.text)
        self._legend.setBrush(colours.ground)
        self._legend.setPen(line_pen(colours.faint))
        for layer in picture.layers:
            self._add(layer, colours)
        self.setAccessibleDescription(f"{picture.title}. {picture.note}")
        box.enableAutoRange()
        box.updateAutoRange()
        box.disableAutoRange()

    def _label(self, side: str, text: str, unit: str, colours: TraceColours) -> None:
        axis = self.plotItem.getAxis(side)
        scaled = unit in ("s", "Hz", "V", "A")
        axis.enableAutoSIPrefix(scaled)
        if not scaled:
            axis.autoSIPrefixScale = 1.0  # else it keeps what the picture before needed
            axis.labelUnitPrefix = ""
        words = text if scaled or not unit else f"{text} ({unit})"
        size = self.font().pointSizeF()
        axis.setLabel(
            words, units=unit if scaled else None, **{"color": colours.text.name(), "font-size": f"{size}pt"}
        )

    def _add(self, layer: Layer, colours: TraceColours) -> None:
        plot = self.plotItem
        main = colours.channel(0)
        if isinstance(layer, Curve):
            colour = (
                mixed(main, colours.ground, _FAINT) if layer.faint else colours.text if layer.strong else main
            )
            curve = pg.PlotDataItem(
                layer.x, layer.y, pen=line_pen(colour), connect="finite", name=layer.name or None
            )
            if not layer.faint:
                curve.setDownsampling(auto=True, method="peak")
            plot.addItem(curve)
        elif isinstance(layer, Points):
            self._add_points(layer, colours)
        elif isinstance(layer, Bars):
            width = np.diff(layer.edges)
            bars = pg.BarGraphItem(
                x0=layer.edges[:-1], width=width * 0.9, height=layer.counts, brush=main, pen=line_pen(main)
            )
            plot.addItem(bars)
        elif isinstance(layer, Pixels):
            self._add_pixels(layer, colours)
        else:
            pen = line_pen(colours.hand_flip)
            pen.setStyle(Qt.PenStyle.DashLine)
            line = pg.InfiniteLine(
                layer.at,
                angle=90 if layer.upright else 0,
                pen=pen,
                span=(0.72, 1.0) if layer.short else (0.0, 1.0),
                label=layer.text or None,
                labelOpts={
                    "position": 1.0 if layer.upright else 0.94,
                    "color": colours.text,
                    "fill": colours.ground,
                    "anchors": [(0, 0), (0, 0)] if layer.upright else [(0, 0.5), (0, 0.5)],
                },
            )
            plot.addItem(line, ignoreBounds=layer.text == "")

    def _add_points(self, layer: Points, colours: TraceColours) -> None:
        colour = colours.channel(layer.group)
        if layer.errors is not None and layer.x.size:
            bars = pg.ErrorBarItem(x=layer.x, y=layer.y, height=2 * layer.errors, pen=line_pen(colour))
            self.plotItem.addItem(bars)
        points = pg.ScatterPlotItem(
            layer.x,
            layer.y,
            symbol=SHAPES[layer.group % len(SHAPES)],
            size=7,
            pen=line_pen(colour),
            brush=mixed(colour, colours.ground, 0.6),
            name=layer.name or None,
        )
        self.plotItem.addItem(points)

    def _add_pixels(self, layer: Pixels, colours: TraceColours) -> None:
        image = pg.ImageItem(axisOrder="row-major")
        # dark is low and light is high in either palette, as in print; what is missing takes the ground's colour
        shades = np.linspace(0, 255, 255).astype(np.ubyte)
        ground = QColor(colours.ground)
        table = np.vstack(
            [[ground.red(), ground.green(), ground.blue()], np.repeat(shades[:, None], 3, axis=1)]
        )
        image.setImage(grey_levels(layer.values), levels=(0, 255), lut=table.astype(np.ubyte))
        rows = layer.values.shape[0]
        image.setRect(layer.x[0], 0, layer.x[1] - layer.x[0], rows)
        self.plotItem.addItem(image)

    def _clicked(self, event: object) -> None:
        button, where = event.button(), event.scenePos()  # type: ignore[attr-defined]
        if button != Qt.MouseButton.LeftButton or not self.getViewBox().sceneBoundingRect().contains(where):
            return
        at: QPointF = self.getViewBox().mapSceneToView(where)
        place = self.place_at(at.x(), at.y())
        if place is not None:
            self.place_clicked.emit(place)
