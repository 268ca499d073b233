"""Commands on how channels are drawn: shown or hidden, the ends of their value axes, and their level lines."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from app.model.commands import CommandError, check_capture, swapped, with_key, without
from app.model.items import ChannelLook, SessionData

Values = tuple[float, float]


def looks_of(data: SessionData, capture: int | None) -> dict[str, ChannelLook]:
    """What the user chose for the channels of a capture, by their names."""
    return {look.channel: look for look in data.looks if look.capture == capture}


def _changed(data: SessionData, capture: int, channel: str, **said: Any) -> SessionData:
    """With what is ``said`` of a channel, as in `ChannelLook`; a look that says nothing any more goes."""
    old = looks_of(data, capture).get(channel)
    if old is None:
        key, data = with_key(data)
        new = ChannelLook(key, capture, channel)
        data = replace(data, looks=(*data.looks, new))
    else:
        new = old
    new = replace(new, **said)
    plain = not new.hidden and new.values is None and new.level is None
    looks = without(data.looks, new.key) if plain else swapped(data.looks, new)
    return replace(data, looks=looks)


@dataclass(frozen=True)
class ShowChannel:
    """Draw a channel or not."""

    capture: int
    channel: str
    shown: bool
    item = None

    def describe(self, _data: SessionData) -> str:
        return f"{'show' if self.shown else 'hide'} {self.channel}"

    def apply(self, data: SessionData) -> SessionData:
        check_capture(data, self.capture)
        look = looks_of(data, self.capture).get(self.channel)
        if (look is not None and look.hidden) != self.shown:
            return data
        return _changed(data, self.capture, self.channel, hidden=not self.shown)


@dataclass(frozen=True)
class ScaleChannels:
    """Set the ends of the value axes of channels; None lets an axis follow the values again."""

    capture: int
    values: Sequence[tuple[str, Values | None]]

    @property
    def item(self) -> Hashable:
        return ("values", self.capture)

    def describe(self, _data: SessionData) -> str:
        names = ", ".join(name for name, _ in self.values)
        return f"scale {names}" if len(self.values) < 4 else f"scale {len(self.values)} channels"

    def apply(self, data: SessionData) -> SessionData:
        check_capture(data, self.capture)
        for name, ends in self.values:
            if ends is not None and not (all(map(math.isfinite, ends)) and ends[0] < ends[1]):
                raise CommandError("A value axis goes from a number to a greater one.")
            look = looks_of(data, self.capture).get(name)
            if (look.values if look else None) != ends:
                data = _changed(data, self.capture, name, values=ends)
        return data


@dataclass(frozen=True)
class SetLevel:
    """Put a channel's level line at ``level``, in the channel's unit; None takes it away."""

    capture: int
    channel: str
    level: float | None

    @property
    def item(self) -> Hashable:
        return ("level line", self.capture, self.channel)

    def describe(self, data: SessionData) -> str:
        before = _level(data, self.capture, self.channel)
        if self.level is None:
            return "remove level line"
        return "place level line" if before is None else "move level line"

    def apply(self, data: SessionData) -> SessionData:
        check_capture(data, self.capture)
        if self.level is not None and not math.isfinite(self.level):
            raise CommandError("A level line stands at a number.")
        if _level(data, self.capture, self.channel) == self.level:
            return data
        return _changed(data, self.capture, self.channel, level=self.level)


def _level(data: SessionData, capture: int, channel: str) -> float | None:
    look = looks_of(data, capture).get(channel)
    return look.level if look else None
