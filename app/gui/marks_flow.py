"""Cursors, spans, flips and notes as the menus and panels ask for them."""

from __future__ import annotations

import math

from PySide6.QtCore import QObject, Slot
from PySide6.QtWidgets import QWidget

from app.gui import ask
from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.trace.area import TraceArea
from app.model import edits
from app.model.commands import extent_s
from app.model.items import Cursor, Note, SpanMark


class MarksFlow(QObject):
    def __init__(self, bridge: DocumentBridge, view: ChannelView, area: TraceArea, window: QWidget) -> None:
        super().__init__(window)
        self._bridge = bridge
        self._document = bridge.document
        self._view = view
        self._area = area
        self._window = window

    @property
    def cursors(self) -> tuple[Cursor, ...]:
        """Those of the capture being looked at."""
        return tuple(one for one in self._document.data.cursors if one.capture == self._view.index)

    @property
    def spans(self) -> tuple[SpanMark, ...]:
        """Those kept in the session, of all captures."""
        return self._document.data.spans

    def add_cursor(self) -> None:
        """In the middle of what is in view."""
        if self._view.index is not None:
            self._bridge.run(edits.AddCursor(self._view.index, self._middle_s()))

    def bring_cursors(self) -> None:
        """Spread all cursors evenly over what is in view, in their order."""
        start_s, end_s = self._area.visible_range()
        cursors = sorted(self.cursors, key=lambda one: one.time_s)
        step_s = (end_s - start_s) / (len(cursors) + 1)
        times = tuple((one.key, start_s + (i + 1) * step_s) for i, one in enumerate(cursors))
        self._bridge.run(edits.MoveCursors(times))

    def remove_cursor(self, key: int) -> None:
        self._bridge.run(edits.RemoveCursor(key))

    def keep_span(self) -> None:
        index, span_s = self._view.index, self._view.span_s
        if index is None or span_s is None:
            return
        name = ask.span_name(self._window, f"span {len(self._document.data.spans) + 1}")
        if name is not None:
            self._bridge.run(edits.KeepSpan(index, name, *span_s))

    def show_span(self, span: SpanMark) -> None:
        """Select a kept span and zoom to it."""
        if span.capture != self._view.index:
            self._document.look_at(span.capture)
        self._view.select_span((span.start_s, span.end_s))
        self.show_stretch(span.start_s, span.end_s)

    def remove_span(self, key: int) -> None:
        self._bridge.run(edits.RemoveSpan(key))

    def clear_span(self) -> None:
        self._view.select_span(None)

    def clear_hand_flips(self) -> None:
        """In the span if there is one, else in the whole capture."""
        index = self._view.index
        if index is not None:
            span_s = self._view.span_s or extent_s(self._document.data, index)
            self._bridge.run(edits.ClearHandFlips(index, *span_s))

    def describe_capture(self) -> None:
        from app.gui.panels.dialog_capture_details import CaptureDetails

        capture, index = self._view.capture, self._view.index
        if capture is None or index is None:
            return
        known = CaptureDetails(capture.label, capture.timebase_ppm, capture.gain_percent)
        said = ask.capture_details(self._window, capture.name, known)
        if said is not None:
            self._bridge.run(edits.DescribeCapture(index, said.label, said.timebase_ppm, said.gain_percent))

    def close_capture(self) -> None:
        if self._view.index is not None:
            self._bridge.run(edits.CloseCapture(self._view.index))

    def step_capture(self, step: int) -> None:
        """Look at another capture; behind the last comes the first."""
        count = len(self._document.data.captures)
        if self._view.index is not None and count > 1:
            self._document.look_at((self._view.index + step) % count)

    @Slot(str)
    def add_note(self, text: str) -> None:
        """On the middle of what is in view; without a capture, on the session."""
        index = self._view.index
        self._bridge.run(edits.AddNote(index, None if index is None else self._middle_s(), text))

    @Slot(object, str)
    def edit_note(self, key: int, text: str) -> None:
        self._bridge.run(edits.EditNote(key, text))

    @Slot(object)
    def remove_note(self, key: int) -> None:
        self._bridge.run(edits.RemoveNote(key))

    @Slot(object)
    def show_note(self, note: Note) -> None:
        """Put what the note stands on into the middle of the view."""
        if note.capture is None or note.time_s is None:
            return
        if note.capture != self._view.index:
            self._document.look_at(note.capture)
        self.show_place(note.time_s)

    @Slot(float, float)
    def show_place(self, time_s: float, most_s: float = math.inf) -> None:
        """Put an instant into the middle of the view, with as much around it as is in view now, or ``most_s``."""
        start_s, end_s = self._area.visible_range()
        half_s = min((end_s - start_s) / 2, most_s)
        self._area.show_range(time_s - half_s, time_s + half_s)

    @Slot(float, float)
    def show_stretch(self, start_s: float, end_s: float) -> None:
        """Zoom to a stretch, with a tenth of it on either side."""
        margin_s = 0.1 * (end_s - start_s)
        self._area.show_range(start_s - margin_s, end_s + margin_s)

    def _middle_s(self) -> float:
        start_s, end_s = self._area.visible_range()
        return (start_s + end_s) / 2
