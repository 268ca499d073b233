"""The menu of the right mouse button."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QMenu

from app.gui.trace.api import FlipView
from app.gui.trace.gestures import Hit

if TYPE_CHECKING:
    from app.gui.trace.control import TraceControl


def context_menu(control: TraceControl, time_s: float, hit: Hit) -> QMenu:
    """What can be done at a time; the menu deletes itself when it closes."""
    menu = QMenu(control.canvas)
    menu.setObjectName("traceMenu")
    menu.setAccessibleName("Trace menu")
    menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)

    def add(text: str, act: Callable[[], object]) -> None:
        menu.addAction(text).triggered.connect(lambda *_: act())

    flip = hit.mark
    if isinstance(flip, FlipView):
        texts = {
            "auto": "Strike out this flip",
            "hand": "Delete this flip",
            "removed": "Take this flip back in",
        }
        add(texts[flip.origin], lambda: control.flip_delete_wanted.emit(flip))
    else:
        add("Place a flip here", lambda: control.flip_place_wanted.emit(time_s))
        add("Mark from crossing to crossing from here", lambda: control.walk.begin(time_s))
    for cursor in control.shown.cursors:
        add(f"Bring cursor {cursor.name} here", partial(control.move_mark, cursor, time_s, object()))
    span = control.shown.span_s
    menu.addSeparator()
    if span is not None:
        add("Let the span fill the view", lambda: control.range_wanted.emit(control.view.shown(*span)))
        add("Unselect the span", control.span_cleared.emit)
    view = control.view
    whole = type(view).whole(view.first_s, view.last_s, view.rate_hz)
    add("Show the whole capture", lambda: control.range_wanted.emit(whole))
    return menu
