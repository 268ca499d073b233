"""The one mutable state of the program: an immutable snapshot, its history, and what is being looked at."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from app.model import edits
from app.model.capture import Capture
from app.model.changes import EVERYTHING, Change, Listener, Listeners, changes_between
from app.model.commands import Command
from app.model.history import History
from app.model.items import SessionData


def empty_session() -> SessionData:
    """A session that begins now."""
    return SessionData(created=datetime.now(UTC).isoformat(timespec="seconds"))


class Document:
    """A session being worked on.

    Everything that belongs into the session file changes through `run`, `undo` and `redo`; which capture
    and channel are looked at is no part of it and has no history.
    """

    def __init__(self) -> None:
        self._data = empty_session()
        self._path: Path | None = None
        self._history = History()
        self._is_restored = False
        self._listeners = Listeners()
        self._capture: int | None = None
        self._channel: str | None = None

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Have ``listener`` called after each change; call what is returned to stop it."""
        return self._listeners.add(listener)

    @property
    def data(self) -> SessionData:
        return self._data

    @property
    def path(self) -> Path | None:
        return self._path

    @property
    def capture_index(self) -> int | None:
        """Index of the capture being looked at."""
        return self._capture

    @property
    def capture(self) -> Capture | None:
        return None if self._capture is None else self._data.captures[self._capture]

    @property
    def channel(self) -> str | None:
        """Name of the channel that is decoded: one of the capture's, or arithmetic on them."""
        return self._channel

    def run(self, command: Command, gesture: Hashable = None) -> None:
        """Make a change and remember it.

        Commands of the same item and the same ``gesture`` become one step: each is then applied to the
        state before the gesture, so a drag may always say where it wants to have the item moved from
        its first place. A command that changes nothing leaves no step.

        Raises
        ------
        CommandError : the change cannot be made; nothing has happened.
        """
        merge = None if gesture is None or command.item is None else (command.item, gesture)
        base = self._history.mergeable_base(merge)
        before = self._data if base is None else base
        label = command.describe(before)
        after = command.apply(before)
        # soon done again, so that nobody is asked whether to save a session of nothing else
        of_no_loss = isinstance(command, (edits.OpenCapture, edits.ShowChannel, edits.ScaleChannels))
        self._history.push(label, before, after, merge, opening=of_no_loss)
        if after is before and base is None:
            return
        self._take(after)
        if isinstance(command, edits.OpenCapture):
            self.look_at(len(self._data.captures) - 1)

    def amend(self, change: Callable[[SessionData], SessionData]) -> None:
        """Put down what was found out meanwhile and is nobody's change, such as a warning: there is nothing to undo."""
        self._history.amend(change)
        self._take(change(self._data))

    def undo(self) -> None:
        """Take back the last step; nothing if there is none."""
        if self._history.undo_label is not None:
            self._take(self._history.undo())

    def redo(self) -> None:
        if self._history.redo_label is not None:
            self._take(self._history.redo())

    @property
    def undo_label(self) -> str | None:
        return self._history.undo_label

    @property
    def redo_label(self) -> str | None:
        return self._history.redo_label

    def look_at(self, capture: int | None, channel: str | None = None) -> None:
        """Show another capture, or another channel of it; without ``channel`` its first one.

        Raises
        ------
        IndexError : there is no such capture.
        """
        if capture is None:
            self._capture = self._channel = None
        else:
            found = self._data.captures[capture]
            self._capture = capture
            self._channel = channel or found.channels[0].name
        self._listeners.tell(Change.CURRENT)

    def replace_all(self, data: SessionData, path: Path | None, *, saved: bool = True) -> None:
        """Begin again with another session, as when one has been read from a file; not ``saved``: it has yet to be."""
        self._is_restored = not saved
        data = edits.with_own_spans(data)
        self._data, self._path, self._history = data, path, History()
        self._capture = self._channel = None
        if data.captures:
            self._capture = 0
            self._channel = (
                data.decodes[-1].channel if self._decoded_first() else data.captures[0].channels[0].name
            )
        self._listeners.tell(EVERYTHING)

    def _decoded_first(self) -> bool:
        return bool(self._data.decodes) and self._data.decodes[-1].capture == 0

    @property
    def state(self) -> int:
        """Names the present state, for `mark_saved` when it has been written."""
        return self._history.serial

    def mark_saved(self, state: int, path: Path) -> None:
        """The session as it was in ``state`` now stands in the file ``path``."""
        self._history.mark_saved(state)
        self._is_restored = False
        self._path = path
        self._listeners.tell(Change.PATH | Change.HISTORY)

    @property
    def is_saved(self) -> bool:
        """Whether nothing would be lost: captures that were only opened and looked at can be opened again."""
        if self._is_restored:
            return False
        return self._history.is_saved or (self._path is None and self._history.only_openings)

    def _take(self, data: SessionData) -> None:
        before = self._data
        # keys of undone items stay used, so that no view can take a new item for an old one
        self._data = replace(data, next_key=max(data.next_key, before.next_key))
        change = changes_between(before, data) | Change.HISTORY
        if Change.CAPTURES in change:
            change |= self._keep_looking(before)
        self._listeners.tell(change)

    def _keep_looking(self, before: SessionData) -> Change:
        """Find the capture that was looked at among the present ones, or take the nearest."""
        captures = self._data.captures
        if not captures:
            self._capture = self._channel = None
            return Change.CURRENT
        if self._capture is None:
            self._capture, self._channel = 0, captures[0].channels[0].name
            return Change.CURRENT
        shown = before.captures[self._capture].channels
        for index, capture in enumerate(captures):
            if capture.channels is shown:
                moved = index != self._capture
                self._capture = index
                return Change.CURRENT if moved else Change(0)
        self._capture = min(self._capture, len(captures) - 1)
        self._channel = captures[self._capture].channels[0].name
        return Change.CURRENT
