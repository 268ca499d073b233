"""From mouse and keys to what the user wants: feeds the gestures and carries out their intents."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QPointF, Qt, Signal
from PySide6.QtGui import QContextMenuEvent, QKeyEvent, QMouseEvent, QWheelEvent

from app.gui.trace.api import FlipView, GridHandle, GridView
from app.gui.trace.canvas import TraceCanvas
from app.gui.trace.geometry import find_hit
from app.gui.trace.gestures import (
    GRID_ZONES,
    Band,
    ClearSpan,
    Drag,
    Drop,
    Hit,
    Intent,
    MouseMachine,
    MoveLevel,
    MoveMark,
    Pan,
    PlaceFlip,
    Pointer,
    Select,
    Shift,
    Zone,
)
from app.gui.trace.hints import hint_text, selected_text
from app.gui.trace.marks_shown import Mark, MarksShown
from app.gui.trace.menu import context_menu
from app.gui.trace.rows import TraceRow
from app.gui.trace.snapping import Snapper
from app.gui.trace.viewrange import ViewRange
from app.gui.trace.walk import Walk
from app.model.items import Cursor

if TYPE_CHECKING:
    from app.gui.trace.keys import TraceKeys

_WHEEL_STEP = 120  # eighths of a degree: one notch
_WHEEL_FACTOR = 0.8
_SCALING_S = 1.0
_CURSORS = {
    Zone.CURSOR: Qt.CursorShape.SizeHorCursor,
    Zone.FLIP_HEAD: Qt.CursorShape.SizeHorCursor,
    Zone.SPAN_START: Qt.CursorShape.SizeHorCursor,
    Zone.SPAN_END: Qt.CursorShape.SizeHorCursor,
    Zone.LEVEL: Qt.CursorShape.SizeVerCursor,
    **dict.fromkeys(GRID_ZONES, Qt.CursorShape.SizeHorCursor),
}
_LEAST_SAMPLES = 2  # a symbol of the grid


class TraceControl(QObject):
    """The signals are those of the trace area, except ``range_wanted``, which asks for another view."""

    cursor_moved = Signal(object, float, object)
    flip_place_wanted = Signal(float)
    flip_moved = Signal(object, float, object)
    flip_delete_wanted = Signal(object)
    grid_shaped = Signal(float, float, int, object)
    level_changed = Signal(object, object)
    walk_changed = Signal(bool)
    span_selected = Signal(float, float)
    span_cleared = Signal()
    mouse_hint = Signal(str)
    range_wanted = Signal(object)
    values_scaled = Signal(object, object)

    def __init__(self, canvas: TraceCanvas, shown: MarksShown, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.canvas = canvas
        self.shown = shown
        self.snapper = Snapper(shown)
        self.machine = MouseMachine(lambda: shown.span_s is not None)
        self.view = ViewRange.whole(0.0, 1.0, 1.0)
        self.keys: TraceKeys | None = None
        self.walk = Walk(self)
        self._pan_from = self.view
        self._level_from: float | None = None
        self._pointer: QPointF | None = None
        self._scaling: object = None
        self._scaling_until = 0.0

    # --- mouse

    def mouse_press(self, event: QMouseEvent) -> None:
        if event.button() not in (Qt.MouseButton.LeftButton, Qt.MouseButton.MiddleButton):
            return
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        middle = event.button() == Qt.MouseButton.MiddleButton
        control = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        at = self._at(event)
        self._carry_out(self.machine.press(at, self._hit(at), middle=middle, shift=shift, control=control))

    def mouse_move(self, event: QMouseEvent) -> None:
        self._pointer = event.position()
        at = self._at(event)
        if self.machine.pressed:
            self._carry_out(self.machine.move(at))
        else:
            self._hover(at)

    def mouse_release(self, event: QMouseEvent) -> None:
        if event.button() in (Qt.MouseButton.LeftButton, Qt.MouseButton.MiddleButton):
            self._carry_out(self.machine.release(self._at(event)))

    def mouse_double_click(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.LeftButton:
            at = self._at(event)
            self._carry_out(self.machine.double_click(at, self._hit(at)))

    def mouse_leave(self) -> None:
        self._pointer = None
        self.shown.hovered = None
        self.shown.level_held = False
        self.canvas.marks_changed()
        self.mouse_hint.emit(self.walk.hint())

    def focus_lost(self) -> None:
        """A drag whose release goes elsewhere is given up."""
        self._carry_out(self.machine.cancel())

    def wheel(self, event: QWheelEvent) -> None:
        held = event.modifiers() & (Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier)
        row = self.canvas.row_at(event.position().y())
        dx, dy = event.angleDelta().x() / _WHEEL_STEP, event.angleDelta().y() / _WHEEL_STEP
        if held and row is not None:
            row.zoom_values(_WHEEL_FACTOR ** (dy or dx), event.position().y())
            self.scaled([row])
        elif dx and not dy:
            self.range_wanted.emit(self.view.panned(-dx * self.view.width_s / 10))
        elif dy:
            about_s = self.canvas.time_scale().time(event.position().x())
            self.range_wanted.emit(self.view.zoomed(_WHEEL_FACTOR**dy, about_s))

    def key(self, event: QKeyEvent) -> bool:
        return self.keys is not None and self.keys.press(event)

    def menu(self, event: QContextMenuEvent) -> None:
        by_mouse = event.reason() == QContextMenuEvent.Reason.Mouse
        time_s = self.canvas.time_scale().time(event.pos().x()) if by_mouse else self.place_s()
        at = Pointer(event.pos().x(), event.pos().y(), time_s)
        hit = self._hit(at) if by_mouse else Hit(Zone.EMPTY, self.shown.selected)
        context_menu(self, self.snapped(time_s), hit).popup(event.globalPos())

    # --- what keys and menus may ask for

    def pointer_s(self) -> float | None:
        """Time under the mouse, None if it is elsewhere."""
        return None if self._pointer is None else self.canvas.time_scale().time(self._pointer.x())

    def place_s(self) -> float:
        """Where a mark goes that is placed by a key: the pointer, the selected cursor, mid-view."""
        pointed = self.pointer_s()
        if pointed is not None:
            return pointed
        selected = self.shown.selected
        if isinstance(selected, Cursor) and self.view.start_s <= selected.time_s <= self.view.end_s:
            return selected.time_s
        return (self.view.start_s + self.view.end_s) / 2

    def snapped(self, time_s: float, free: bool = False, own: Mark | None = None) -> float:
        if free:
            return time_s
        return self.snapper.snapped(time_s, self.canvas.time_scale().seconds_per_pixel, own)

    def place_flip(self) -> None:
        self.flip_place_wanted.emit(self.snapped(self.place_s()))

    def delete_flip(self) -> None:
        if self.walk.active:
            self.walk.delete()
            return
        for mark in (self.shown.hovered, self.shown.selected):
            if isinstance(mark, FlipView):
                self.shown.hovered = None
                self.flip_delete_wanted.emit(mark)
                return

    def select(self, mark: Mark | None) -> None:
        self.shown.selected = mark
        said = "Keys are listed in the help; marks are selected with comma and period"
        if mark is not None:
            said = selected_text(mark, self.shown, self.canvas.time_scale().seconds_per_pixel)
        self.canvas.setAccessibleDescription(said)
        self.canvas.marks_changed()

    def cancel(self) -> None:
        """Give up a drag; without one, unselect; with nothing selected, have no span."""
        intents = self.machine.cancel()
        if intents:
            self._carry_out(intents)
        elif self.shown.selected is not None:
            self.select(None)
        elif self.shown.span_s is not None:
            self.span_cleared.emit()

    def scaled(self, rows: Sequence[TraceRow]) -> None:
        """The value axes of ``rows`` are others now; what follows within a second belongs to the same gesture."""
        now = time.monotonic()
        if now > self._scaling_until:
            self._scaling = object()
        self._scaling_until = now + _SCALING_S
        self.canvas.redraw()
        self.values_scaled.emit([one for row in rows for one in row.ends()], self._scaling)

    def fit(self, start_s: float, end_s: float) -> None:
        """Let the values of a stretch of time fill every row, and follow what comes."""
        for row in self.canvas.rows:
            row.fit(start_s, end_s)
        names = [envelope.channel.name for row in self.canvas.rows for envelope in row.envelopes]
        self.canvas.redraw()
        if names:
            self.values_scaled.emit([(name, None) for name in names], None)

    def move_mark(self, mark: Mark, time_s: float, gesture: object) -> None:
        """Ask for a mark to be moved; ``mark`` as it was when the gesture began."""
        if isinstance(mark, Cursor):
            moved = Cursor(mark.key, mark.capture, mark.name, time_s)
            same = [moved if cursor.key == mark.key else cursor for cursor in self.shown.cursors]
            self.shown.set_cursors(same)
            self.cursor_moved.emit(mark.key, time_s, gesture)
        elif isinstance(mark, GridHandle):
            self._move_grid(mark, time_s, gesture)
        else:
            self.shown.ghost_s = time_s
            self.flip_moved.emit(mark, time_s, gesture)
        self.canvas.marks_changed()

    def resize_grid(self, by: int, gesture: object) -> None:
        """So many symbols more at the end of the grid."""
        grid = self.shown.grid
        if grid is not None:
            count = max(grid.count + by, 1)
            self._shape(
                GridView(grid.start_s, grid.start_s + count * grid.period_s, count, grid.text), gesture
            )

    def _move_grid(self, handle: GridHandle, time_s: float, gesture: object) -> None:
        """The whole goes where its start goes, as far as the capture reaches; an end goes by itself."""
        grid, view = self.shown.grid, self.view
        if grid is None:
            return
        least_s = grid.count * _LEAST_SAMPLES / view.rate_hz * (1 + 1e-9)
        start_s, end_s = grid.start_s, grid.end_s
        if handle.part == "whole":
            length_s = end_s - start_s
            start_s = max(min(time_s, view.last_s - length_s), view.first_s)
            end_s = start_s + length_s
        elif handle.part == "start":
            start_s = max(min(time_s, end_s - least_s), view.first_s)
        else:
            end_s = min(max(time_s, start_s + least_s), view.last_s)
        self._shape(GridView(start_s, end_s, grid.count, grid.text), gesture)

    def _shape(self, grid: GridView, gesture: object) -> None:
        self.shown.set_grid(grid)
        self.grid_shaped.emit(grid.start_s, grid.end_s, grid.count, gesture)
        self.canvas.marks_changed()

    # --- carrying out

    def _carry_out(self, intents: list[Intent]) -> None:
        for intent in intents:
            match intent:
                case MoveMark():
                    time_s = self.snapped(intent.time_s, intent.free, intent.mark)
                    self.move_mark(intent.mark, time_s, intent.gesture)
                    if intent.done:
                        self.shown.ghost_s = None
                case PlaceFlip(time_s, free):
                    self.flip_place_wanted.emit(self.snapped(time_s, free))
                case Select(mark):
                    self.select(mark)
                case Pan(by_px, first):
                    self._pan(by_px, first)
                case Shift(y, by_px):
                    row = self.canvas.row_at(y)
                    if row is not None:
                        row.shift_values(by_px)
                        self.scaled([row])
                        self.canvas.redraw()
                case MoveLevel():
                    self._move_level(intent)
                case Band():
                    self._band(intent)
                case Drop():
                    self.shown.band_s = None
                    self.range_wanted.emit(self._pan_from)
                case ClearSpan():
                    self.span_cleared.emit()
        if intents:
            self.canvas.marks_changed()

    def _move_level(self, move: MoveLevel) -> None:
        row = self.canvas.active_row()
        if row is not None:
            if move.first:
                self._level_from = self.shown.level
            self.shown.level = self._level_from if move.y is None else row.value_at(move.y)
            self.level_changed.emit(self.shown.level, move.gesture)

    def _pan(self, by_px: float, first: bool) -> None:
        if first:
            self._pan_from = self.view
        self.range_wanted.emit(self._pan_from.panned(-by_px * self.canvas.time_scale().seconds_per_pixel))

    def _band(self, band: Band) -> None:
        self._pan_from = self.view
        stretch = (band.start_s, band.end_s)
        if not band.zoom:
            start_s, end_s = (self.snapped(edge, band.free) for edge in stretch)
            stretch = (start_s, end_s) if start_s < end_s else stretch
        self.shown.band_s = None if band.done else stretch
        if band.done and band.zoom:
            self.range_wanted.emit(self.view.shown(*stretch))
        elif band.done:
            self.span_selected.emit(*stretch)

    # --- looking

    def _at(self, event: QMouseEvent) -> Pointer:
        x, y = event.position().x(), event.position().y()
        free = bool(event.modifiers() & Qt.KeyboardModifier.AltModifier)
        return Pointer(x, y, self.canvas.time_scale().time(x), free)

    def _hit(self, at: Pointer) -> Hit:
        return find_hit(at.x, at.y, self.canvas.geometry_px(), self.canvas.time_scale(), self.shown)

    def _hover(self, at: Pointer) -> None:
        hit = self._hit(at)
        shape = _CURSORS.get(hit.zone, Qt.CursorShape.ArrowCursor)
        if hit.zone is Zone.EMPTY and self.machine.tool in ("zoom", "span", "flip"):
            shape = Qt.CursorShape.CrossCursor
        self.canvas.viewport().setCursor(shape)
        on_level = hit.zone is Zone.LEVEL
        if hit.mark != self.shown.hovered or on_level != self.shown.level_held:
            self.shown.hovered = hit.mark
            self.shown.level_held = on_level
            self.canvas.marks_changed()
        if self.walk.active:
            self.mouse_hint.emit(self.walk.hint())
            return
        pixel_s = self.canvas.time_scale().seconds_per_pixel
        self.mouse_hint.emit(hint_text(hit, at.time_s, pixel_s, self.machine.tool, self.shown))

    @property
    def dragging(self) -> Drag | None:
        return self.machine.dragging
