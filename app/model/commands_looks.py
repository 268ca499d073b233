"""Commands on how channels are drawn: shown or hidden, and the ends of their value axes."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

from app.model.commands import CommandError, check_capture, swapped, with_key, without
from app.model.items import ChannelLook, SessionData

Values = tuple[float, float]


def looks_of(data: SessionData, capture: int | None) -> dict[str, ChannelLook]:
    """What the user chose for the channels of a capture, by their names."""
    return {look.channel: look for look in data.looks if look.capture == capture}


def _changed(
    data: SessionData, capture: int, channel: str, *, hidden: bool | None = None, values: Values | None = None
) -> SessionData:
    """With a channel hidden or not, or else with other ends of its axis; what says nothing any more goes."""
    old = looks_of(data, capture).get(channel)
    if old is None:
        key, data = with_key(data)
        new = ChannelLook(key, capture, channel)
        data = replace(data, looks=(*data.looks, new))
    else:
        new = old
    new = replace(new, values=values) if hidden is None else replace(new, hidden=hidden)
    plain = not new.hidden and new.values is None
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
