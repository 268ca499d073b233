"""Commands on flips set by hand; automatic flips are never changed, only marked as wrong."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, replace

from app.model.commands import check_time, find, swapped, with_key, without
from app.model.items import FlipMark, SessionData


def _added(data: SessionData, capture: int, time_s: float, *, removes: bool) -> SessionData:
    time_s = check_time(data, capture, time_s)
    key, data = with_key(data)
    return replace(data, flips=(*data.flips, FlipMark(key, capture, time_s, removes)))


@dataclass(frozen=True)
class PlaceFlip:
    capture: int
    time_s: float
    item = None

    def describe(self, _data: SessionData) -> str:
        return "place flip"

    def apply(self, data: SessionData) -> SessionData:
        return _added(data, self.capture, self.time_s, removes=False)


@dataclass(frozen=True)
class MoveHandFlip:
    key: int
    time_s: float

    @property
    def item(self) -> Hashable:
        return ("flip", self.key)

    def describe(self, _data: SessionData) -> str:
        return "move flip"

    def apply(self, data: SessionData) -> SessionData:
        flip = find(data.flips, self.key, "flip")
        time_s = check_time(data, flip.capture, self.time_s)
        if time_s == flip.time_s:
            return data
        return replace(data, flips=swapped(data.flips, replace(flip, time_s=time_s)))


@dataclass(frozen=True)
class DeleteHandFlip:
    key: int
    item = None

    def describe(self, data: SessionData) -> str:
        removes = find(data.flips, self.key, "flip").removes
        return "restore automatic flip" if removes else "delete flip"

    def apply(self, data: SessionData) -> SessionData:
        find(data.flips, self.key, "flip")
        return replace(data, flips=without(data.flips, self.key))


@dataclass(frozen=True)
class MoveAutoFlip:
    """Say that an automatic flip stands elsewhere: none at ``from_s``, one at ``time_s``."""

    capture: int
    from_s: float
    time_s: float

    @property
    def item(self) -> Hashable:
        return ("automatic flip", self.capture, self.from_s)

    def describe(self, _data: SessionData) -> str:
        return "move automatic flip"

    def apply(self, data: SessionData) -> SessionData:
        if self.time_s == self.from_s:
            return data
        data = _added(data, self.capture, self.from_s, removes=True)
        return _added(data, self.capture, self.time_s, removes=False)


@dataclass(frozen=True)
class DeleteAutoFlip:
    """Say that there is no flip where the program found one."""

    capture: int
    time_s: float
    item = None

    def describe(self, _data: SessionData) -> str:
        return "delete automatic flip"

    def apply(self, data: SessionData) -> SessionData:
        return _added(data, self.capture, self.time_s, removes=True)


@dataclass(frozen=True)
class ClearHandFlips:
    """Take back every correction between two instants of one capture."""

    capture: int
    start_s: float
    end_s: float
    item = None

    def describe(self, _data: SessionData) -> str:
        return "clear flips set by hand"

    def apply(self, data: SessionData) -> SessionData:
        kept = tuple(
            flip
            for flip in data.flips
            if flip.capture != self.capture or not self.start_s <= flip.time_s <= self.end_s
        )
        return data if len(kept) == len(data.flips) else replace(data, flips=kept)
