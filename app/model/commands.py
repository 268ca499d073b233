"""What a command is: a frozen value that turns one snapshot of the session into the next.

A command either returns a whole new `SessionData` or raises `CommandError`; it never changes what it
was given, so a command that fails leaves nothing behind and undoing means going back to the snapshot.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable
from dataclasses import replace
from typing import Protocol, TypeVar

from app.errors import UsageError
from app.model.items import (
    BurstMark,
    ChannelLook,
    Cursor,
    DecodeRun,
    FlipMark,
    Note,
    Pin,
    SessionData,
    SpanMark,
)

Item = TypeVar("Item", Cursor, SpanMark, FlipMark, Note, DecodeRun, BurstMark, Pin, ChannelLook)


class CommandError(UsageError):
    """The change cannot be made; the message is a sentence for the user."""


class Command(Protocol):
    """One change of the session."""

    def apply(self, data: SessionData, /) -> SessionData:
        """The session after the change, or `CommandError`."""

    def describe(self, data: SessionData, /) -> str:
        """What the change does, for the menu after "Undo" and "Redo"; ``data`` is from before it."""

    @property
    def item(self) -> Hashable:
        """What is changed: changes of one item during one gesture become one step; None never merges."""


def find(items: Iterable[Item], key: int, what: str) -> Item:
    """The item with this key, or `CommandError` naming ``what`` is missing."""
    for item in items:
        if item.key == key:
            return item
    raise CommandError(f"This {what} no longer exists.")


def swapped(items: tuple[Item, ...], new: Item) -> tuple[Item, ...]:
    """``items`` with the one of the same key replaced by ``new``."""
    return tuple(new if item.key == new.key else item for item in items)


def without(items: tuple[Item, ...], key: int) -> tuple[Item, ...]:
    return tuple(item for item in items if item.key != key)


def check_capture(data: SessionData, capture: int) -> None:
    """Raise `CommandError` unless ``capture`` is the index of an open capture."""
    if not 0 <= capture < len(data.captures):
        raise CommandError("This capture is no longer open.")


def check_time(data: SessionData, capture: int, time_s: float) -> float:
    """``time_s`` held within the capture; `CommandError` if the capture is gone or the time is no number."""
    check_capture(data, capture)
    if math.isnan(time_s):
        raise CommandError("A mark needs a time.")
    first_s, last_s = extent_s(data, capture)
    return min(max(time_s, first_s), last_s)


def extent_s(data: SessionData, capture: int) -> tuple[float, float]:
    """First and last instant of a capture, all its segments together."""
    one = data.captures[capture]
    ends = [part.start_s + (part.last - part.first) / one.rate_hz for part in one.segments]
    return min(part.start_s for part in one.segments), max(ends)


def with_key(data: SessionData) -> tuple[int, SessionData]:
    """A fresh key, and the session in which it is taken."""
    return data.next_key, replace(data, next_key=data.next_key + 1)
