"""Commands on readings that are kept."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, replace

from app.model.commands import CommandError, check_capture, find, swapped, with_key, without
from app.model.items import Pin, SessionData


@dataclass(frozen=True)
class KeepReadings:
    """Keep readings as they are now. The keys of ``pins`` are given here, and their captures must be open."""

    pins: tuple[Pin, ...]
    item = None

    def describe(self, _data: SessionData) -> str:
        return f"pin {self.pins[0].quantity}" if len(self.pins) == 1 else f"pin {len(self.pins)} readings"

    def apply(self, data: SessionData) -> SessionData:
        if not self.pins:
            raise CommandError("Select a reading to pin first.")
        for pin in self.pins:
            check_capture(data, pin.capture)
            key, data = with_key(data)
            data = replace(data, pins=(*data.pins, replace(pin, key=key)))
        return data


@dataclass(frozen=True)
class RenamePin:
    key: int
    name: str

    @property
    def item(self) -> Hashable:
        return ("pin", self.key)

    def describe(self, _data: SessionData) -> str:
        return "name pinned reading"

    def apply(self, data: SessionData) -> SessionData:
        pin = find(data.pins, self.key, "pinned reading")
        if self.name.strip() == pin.name:
            return data
        return replace(data, pins=swapped(data.pins, replace(pin, name=self.name.strip())))


@dataclass(frozen=True)
class RemovePins:
    keys: tuple[int, ...]
    item = None

    def describe(self, _data: SessionData) -> str:
        return "unpin reading" if len(self.keys) == 1 else f"unpin {len(self.keys)} readings"

    def apply(self, data: SessionData) -> SessionData:
        for key in self.keys:
            find(data.pins, key, "pinned reading")
            data = replace(data, pins=without(data.pins, key))
        return data
