"""The keyboard in the trace; `KEYS` says what each key does."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent

from app.gui.trace.api import FlipView, GridHandle
from app.gui.trace.control import TraceControl
from app.gui.trace.marks_shown import Mark
from app.gui.trace.symbol_edges import next_grid_edge, next_symbol_edge
from app.gui.trace.viewrange import ViewRange

KEYS = (
    ("Left, Right", "move the selected mark by one sample; with nothing selected, the view by a tenth"),
    ("Shift+Left, Shift+Right", "move the selected mark to the next zero crossing; the view by a half"),
    ("Alt+Left, Alt+Right", "move the selected mark to the next symbol edge"),
    ("Shift+Alt+Left, Shift+Alt+Right", "move the selected mark to the next of whatever marks snap to"),
    ("Comma, Period", "select the previous or next mark"),
    ("G", "select the symbol grid; again, its end; again, its start"),
    ("Up, Down on the grid", "a symbol more or fewer at its end"),
    ("Name of a cursor, or its first letter", "select that cursor; bring it into view if it is not"),
    ("F", "place a flip at the pointer, at the selected cursor, or mid-view"),
    ("Delete, Backspace", "delete the flip under the pointer, or the selected one"),
    ("Plus, Minus", "show less or more time"),
    ("Star, Underscore", "show less or more of the values"),
    ("Up, Down", "move the values by a tenth of what is shown"),
    ("Home", "show the whole capture, and all its values"),
    ("Page up, Page down", "move the view by a half"),
    ("Enter", "let the span fill the view"),
    ("Escape", "give up a drag; unselect; have no span"),
)

_Key = Qt.Key
_Held = Qt.KeyboardModifier
_ZOOM = 0.5


class TraceKeys:
    """Acts on a control. Keys it does not know are left to the window."""

    def __init__(self, control: TraceControl) -> None:
        self._control = control
        self._gesture: object = object()
        self._moving: Mark | None = None
        self._at_s = 0.0

    def press(self, event: QKeyEvent) -> bool:
        """Whether the key meant something."""
        key, held = event.key(), event.modifiers()
        if self._control.walk.press(event):
            return True
        if key in (_Key.Key_Left, _Key.Key_Right) and not held & _Held.ControlModifier:
            self._arrow(1 if key == _Key.Key_Right else -1, held, event.isAutoRepeat())
            return True
        if held & (_Held.ControlModifier | _Held.AltModifier | _Held.MetaModifier):
            return False
        on_grid = isinstance(self._control.shown.selected, GridHandle)
        if on_grid and key in (_Key.Key_Up, _Key.Key_Down):
            if not event.isAutoRepeat():
                self._gesture = object()
            self._control.resize_grid(1 if key == _Key.Key_Up else -1, self._gesture)
            return True
        return self._view_key(key) or self._mark_key(key, event.text())

    def _view_key(self, key: int) -> bool:
        control, view = self._control, self._control.view
        wanted: ViewRange | None = None
        if key in (_Key.Key_Plus, _Key.Key_Equal, _Key.Key_Minus):
            about_s = control.pointer_s()
            about_s = (view.start_s + view.end_s) / 2 if about_s is None else about_s
            wanted = view.zoomed(1 / _ZOOM if key == _Key.Key_Minus else _ZOOM, about_s)
        elif key == _Key.Key_Home:
            control.fit(view.first_s, view.last_s)
            wanted = ViewRange.whole(view.first_s, view.last_s, view.rate_hz)
        elif key in (_Key.Key_PageUp, _Key.Key_PageDown):
            wanted = view.panned((-0.5 if key == _Key.Key_PageUp else 0.5) * view.width_s)
        elif key in (_Key.Key_Return, _Key.Key_Enter) and control.shown.span_s is not None:
            wanted = view.shown(*control.shown.span_s)
        elif key in (_Key.Key_Asterisk, _Key.Key_Underscore):
            for row in control.canvas.rows:
                rect = row.box.sceneBoundingRect()
                row.zoom_values(1 / _ZOOM if key == _Key.Key_Underscore else _ZOOM, rect.center().y())
            control.scaled(control.canvas.rows)
            return True
        elif key in (_Key.Key_Up, _Key.Key_Down):
            for row in control.canvas.rows:
                row.shift_values((-0.1 if key == _Key.Key_Up else 0.1) * row.box.height())
            control.scaled(control.canvas.rows)
            return True
        if wanted is None:
            return False
        control.range_wanted.emit(wanted)
        return True

    def _mark_key(self, key: int, text: str) -> bool:
        control = self._control
        if key == _Key.Key_Escape:
            control.cancel()
        elif key in (_Key.Key_Delete, _Key.Key_Backspace):
            control.delete_flip()
        elif key in (_Key.Key_Comma, _Key.Key_Period):
            self._select_next(1 if key == _Key.Key_Period else -1)
        elif key == _Key.Key_F:
            control.place_flip()
        elif key == _Key.Key_G and control.shown.grid is not None:
            self.select_grid()
        else:
            return self._select_cursor(text)
        return True

    # --- selecting

    def _select_next(self, step: int) -> None:
        """Along all marks, cursors and flips, in order of time."""
        control = self._control
        marks: list[Mark] = [*control.shown.cursors, *control.shown.flips.flips, *control.shown.handles()]
        marks.sort(key=lambda mark: mark.time_s)
        if not marks:
            return
        selected = control.shown.selected
        if selected in marks:
            at = marks.index(selected) + step
        else:
            inside = [mark for mark in marks if mark.time_s >= control.view.start_s]
            at = len(marks) - len(inside) - (1 if step < 0 else 0)
        self.show_selected(marks[min(max(at, 0), len(marks) - 1)])

    def select_grid(self) -> None:
        """The whole grid, its end, its start, in turn."""
        handles = self._control.shown.handles()
        selected = self._control.shown.selected
        at = handles.index(selected) + 1 if isinstance(selected, GridHandle) else 0
        if handles:
            self.show_selected(handles[at % len(handles)])

    def show_selected(self, mark: Mark) -> None:
        """Select a mark and bring it into view."""
        view = self._control.view
        self._control.select(mark)
        self._control.mouse_hint.emit(self._control.canvas.accessibleDescription())
        if not view.start_s <= mark.time_s <= view.end_s:
            middle_s = (view.start_s + view.end_s) / 2
            self._control.range_wanted.emit(view.panned(mark.time_s - middle_s))

    def _select_cursor(self, name: str) -> bool:
        control = self._control
        typed = name.strip().casefold()
        named = [c for c in control.shown.cursors if typed and c.name.casefold() == typed]
        # of longer names the first letter is enough; again, the next that begins with it
        named = named or [c for c in control.shown.cursors if typed and c.name.casefold().startswith(typed)]
        if not named:
            return False
        at = named.index(control.shown.selected) + 1 if control.shown.selected in named else 0
        cursor = named[at % len(named)]
        control.select(cursor)
        control.mouse_hint.emit(control.canvas.accessibleDescription())
        if not control.view.start_s <= cursor.time_s <= control.view.end_s:
            pointed = control.pointer_s()
            middle_s = (control.view.start_s + control.view.end_s) / 2
            control.move_mark(cursor, middle_s if pointed is None else pointed, object())
        return True

    # --- moving

    def _arrow(self, step: int, held: Qt.KeyboardModifier, repeated: bool) -> None:
        control, mark = self._control, self._control.shown.selected
        if mark is None or (isinstance(mark, FlipView) and mark.origin == "removed"):
            share = 0.5 if held & _Held.ShiftModifier else 0.1
            control.range_wanted.emit(control.view.panned(step * share * control.view.width_s))
            return
        if not repeated or self._moving is None:
            self._gesture, self._moving, self._at_s = object(), mark, mark.time_s
        wanted = self._stepped(self._at_s, step, held)
        if wanted is not None:
            self._at_s = wanted
            control.move_mark(self._moving, wanted, self._gesture)
            control.shown.ghost_s = None
            self._follow(wanted)

    def _stepped(self, time_s: float, step: int, held: Qt.KeyboardModifier) -> float | None:
        control = self._control
        if held & _Held.ShiftModifier and held & _Held.AltModifier:
            return control.snapper.next_target(time_s, step, self._moving)
        if held & _Held.ShiftModifier:
            return control.snapper.next_crossing(time_s, step)
        if held & _Held.AltModifier:
            edge_s = next_symbol_edge(control.shown.lane, time_s, step)
            on_grid = isinstance(self._moving, GridHandle)
            return (
                next_grid_edge(control.shown.grid, time_s, step) if edge_s is None and not on_grid else edge_s
            )
        return time_s + step / control.view.rate_hz

    def _follow(self, time_s: float) -> None:
        view = self._control.view
        if time_s < view.start_s:
            self._control.range_wanted.emit(view.panned(time_s - view.start_s))
        elif time_s > view.end_s:
            self._control.range_wanted.emit(view.panned(time_s - view.end_s))
