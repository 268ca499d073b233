"""Commands on cursors, spans and notes."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, replace

from app.model.commands import CommandError, check_capture, check_time, find, swapped, with_key, without
from app.model.items import Cursor, Note, SessionData, SpanMark


def free_cursor_name(data: SessionData, capture: int) -> str:
    """The first of A, B … Z, A2, B2 … that no cursor of this capture has.

    F and G are passed over: cursors are selected by typing their letter, and these two keys mean flip and grid.
    """
    taken = {cursor.name for cursor in data.cursors if cursor.capture == capture}
    turn = 1
    while True:
        for letter in "ABCDEHIJKLMNOPQRSTUVWXYZ":
            name = letter if turn == 1 else f"{letter}{turn}"
            if name not in taken:
                return name
        turn += 1


@dataclass(frozen=True)
class AddCursor:
    capture: int
    time_s: float
    item = None

    def describe(self, data: SessionData) -> str:
        return f"add cursor {free_cursor_name(data, self.capture)}"

    def apply(self, data: SessionData) -> SessionData:
        time_s = check_time(data, self.capture, self.time_s)
        name = free_cursor_name(data, self.capture)
        key, data = with_key(data)
        return replace(data, cursors=(*data.cursors, Cursor(key, self.capture, name, time_s)))


@dataclass(frozen=True)
class MoveCursor:
    key: int
    time_s: float

    @property
    def item(self) -> Hashable:
        return ("cursor", self.key)

    def describe(self, data: SessionData) -> str:
        return f"move cursor {find(data.cursors, self.key, 'cursor').name}"

    def apply(self, data: SessionData) -> SessionData:
        cursor = find(data.cursors, self.key, "cursor")
        time_s = check_time(data, cursor.capture, self.time_s)
        if time_s == cursor.time_s:
            return data
        return replace(data, cursors=swapped(data.cursors, replace(cursor, time_s=time_s)))


@dataclass(frozen=True)
class MoveCursors:
    """Move several cursors at once, as when they are brought into view."""

    times_s: tuple[tuple[int, float], ...]
    item = None

    def describe(self, _data: SessionData) -> str:
        return "move the cursors"

    def apply(self, data: SessionData) -> SessionData:
        for key, time_s in self.times_s:
            data = MoveCursor(key, time_s).apply(data)
        return data


@dataclass(frozen=True)
class RenameCursor:
    """Give a cursor another name; no two of one capture have the same."""

    key: int
    name: str
    item = None

    def describe(self, data: SessionData) -> str:
        return f"name cursor {find(data.cursors, self.key, 'cursor').name} {self.name.strip()}"

    def apply(self, data: SessionData) -> SessionData:
        cursor, name = find(data.cursors, self.key, "cursor"), self.name.strip()
        if not name:
            raise CommandError("A cursor needs a name.")
        if name == cursor.name:
            return data
        others = [one for one in data.cursors if one.capture == cursor.capture and one.key != cursor.key]
        if any(one.name.casefold() == name.casefold() for one in others):
            raise CommandError(f"Another cursor is called {name}; choose another name.")
        return replace(data, cursors=swapped(data.cursors, replace(cursor, name=name)))


@dataclass(frozen=True)
class RemoveCursor:
    key: int
    item = None

    def describe(self, data: SessionData) -> str:
        return f"remove cursor {find(data.cursors, self.key, 'cursor').name}"

    def apply(self, data: SessionData) -> SessionData:
        find(data.cursors, self.key, "cursor")
        return replace(data, cursors=without(data.cursors, self.key))


@dataclass(frozen=True)
class KeepSpan:
    """Keep a stretch of time under a name."""

    capture: int
    name: str
    start_s: float
    end_s: float
    item = None

    def describe(self, _data: SessionData) -> str:
        return f"keep span {self.name}"

    def apply(self, data: SessionData) -> SessionData:
        start_s = check_time(data, self.capture, self.start_s)
        end_s = check_time(data, self.capture, self.end_s)
        if not start_s < end_s:
            raise CommandError("A span needs an end after its start.")
        key, data = with_key(data)
        span = SpanMark(key, self.capture, self.name, start_s, end_s)
        return replace(data, spans=(*data.spans, span))


@dataclass(frozen=True)
class RemoveSpan:
    key: int
    item = None

    def describe(self, data: SessionData) -> str:
        return f"remove span {find(data.spans, self.key, 'span').name}"

    def apply(self, data: SessionData) -> SessionData:
        find(data.spans, self.key, "span")
        return replace(data, spans=without(data.spans, self.key))


@dataclass(frozen=True)
class AddNote:
    capture: int | None
    time_s: float | None
    text: str
    item = None

    def describe(self, _data: SessionData) -> str:
        return "add note"

    def apply(self, data: SessionData) -> SessionData:
        if not self.text.strip():
            raise CommandError("A note needs some text.")
        if self.capture is not None:
            check_capture(data, self.capture)
        key, data = with_key(data)
        return replace(data, notes=(*data.notes, Note(key, self.capture, self.time_s, self.text.strip())))


@dataclass(frozen=True)
class EditNote:
    key: int
    text: str

    @property
    def item(self) -> Hashable:
        return ("note", self.key)

    def describe(self, _data: SessionData) -> str:
        return "edit note"

    def apply(self, data: SessionData) -> SessionData:
        note = find(data.notes, self.key, "note")
        text = self.text.strip()
        if not text:
            raise CommandError("A note needs some text.")
        if text == note.text:
            return data
        return replace(data, notes=swapped(data.notes, replace(note, text=text)))


@dataclass(frozen=True)
class RemoveNote:
    key: int
    item = None

    def describe(self, _data: SessionData) -> str:
        return "remove note"

    def apply(self, data: SessionData) -> SessionData:
        find(data.notes, self.key, "note")
        return replace(data, notes=without(data.notes, self.key))
