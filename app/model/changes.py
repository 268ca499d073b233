"""What changed in a document, and who wants to know."""

from __future__ import annotations

from collections.abc import Callable
from enum import Flag, auto

from app.model.items import SessionData


class Change(Flag):
    """The parts of a document that a view may have to draw again."""

    CAPTURES = auto()
    """A capture was opened, closed or described."""
    CURRENT = auto()
    """Another capture or channel is being looked at."""
    CURSORS = auto()
    SPANS = auto()
    FLIPS = auto()
    """Flips set or removed by hand."""
    NOTES = auto()
    DECODES = auto()
    BURSTS = auto()
    """Names of bursts, and which are left out."""
    PINS = auto()
    """Readings that were kept."""
    LOOKS = auto()
    """Which channels are drawn, and the ends of their value axes."""
    HISTORY = auto()
    """What can be undone and redone, or whether everything is saved."""
    PATH = auto()
    """The session file this document belongs to."""


EVERYTHING = ~Change(0)

_FIELDS = {
    "captures": Change.CAPTURES,
    "cursors": Change.CURSORS,
    "spans": Change.SPANS,
    "flips": Change.FLIPS,
    "notes": Change.NOTES,
    "decodes": Change.DECODES,
    "burst_marks": Change.BURSTS,
    "pins": Change.PINS,
    "looks": Change.LOOKS,
}


def changes_between(before: SessionData, after: SessionData) -> Change:
    """The parts in which two snapshots are not the same object."""
    found = Change(0)
    for name, change in _FIELDS.items():
        if getattr(before, name) is not getattr(after, name):
            found |= change
    return found


Listener = Callable[[Change], None]


class Listeners:
    """Calls each listener once for each change, in the order in which they asked."""

    def __init__(self) -> None:
        self._all: list[Listener] = []

    def add(self, listener: Listener) -> Callable[[], None]:
        """Start telling ``listener``; call what is returned to stop."""
        self._all.append(listener)
        return lambda: self._all.remove(listener)

    def tell(self, change: Change) -> None:
        if change:
            for listener in tuple(self._all):
                listener(change)
