"""Commands on the channels of a capture: what is derived from them, and what their numbers mean."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from app.errors import UsageError
from app.model.capture import Capture
from app.model.commands import CommandError, check_capture
from app.model.expressions import channel_source
from app.model.items import SessionData

MOST_DERIVED = 32
_LONGEST_UNIT = 16


def _with_capture(data: SessionData, index: int, capture: Capture) -> SessionData:
    captures = list(data.captures)
    captures[index] = capture
    return replace(data, captures=tuple(captures))


@dataclass(frozen=True)
class AddDerived:
    """Show expressions on the channels of a capture beside them."""

    index: int
    texts: tuple[str, ...]
    item = None

    def describe(self, _data: SessionData) -> str:
        return f"add {self.texts[0]}" if len(self.texts) == 1 else f"add {len(self.texts)} derived channels"

    def apply(self, data: SessionData) -> SessionData:
        check_capture(data, self.index)
        capture = data.captures[self.index]
        taken = {channel.name for channel in capture.channels} | set(capture.derived)
        wanted = []
        for text in self.texts:
            try:
                name = channel_source(capture, text).name
            except UsageError as error:
                raise CommandError(str(error)) from error
            if name not in taken:
                wanted.append(name)
        if len(capture.derived) + len(wanted) > MOST_DERIVED:
            raise CommandError(f"A capture has at most {MOST_DERIVED} derived channels; remove one first.")
        return _with_capture(data, self.index, replace(capture, derived=(*capture.derived, *wanted)))


@dataclass(frozen=True)
class RemoveDerived:
    """Show an expression no longer; what was decoded of it stays."""

    index: int
    text: str
    item = None

    def describe(self, _data: SessionData) -> str:
        return f"remove {self.text}"

    def apply(self, data: SessionData) -> SessionData:
        check_capture(data, self.index)
        capture = data.captures[self.index]
        if self.text not in capture.derived:
            raise CommandError(f"There is no derived channel {self.text}.")
        rest = tuple(text for text in capture.derived if text != self.text)
        return _with_capture(data, self.index, replace(capture, derived=rest))


@dataclass(frozen=True)
class DescribeChannel:
    """Say what the numbers of a channel mean: ``value = old * factor + add`` in ``unit``."""

    index: int
    name: str
    factor: float
    add: float
    unit: str
    item = None

    def describe(self, _data: SessionData) -> str:
        return f"describe channel {self.name}"

    def apply(self, data: SessionData) -> SessionData:
        check_capture(data, self.index)
        capture = data.captures[self.index]
        if self.name not in {channel.name for channel in capture.channels}:
            raise CommandError(f"There is no channel {self.name}.")
        if not (math.isfinite(self.factor) and self.factor != 0 and math.isfinite(self.add)):
            raise CommandError("A factor is a number other than zero, and what is added a number.")
        if len(self.unit) > _LONGEST_UNIT:
            raise CommandError(f"A unit has at most {_LONGEST_UNIT} characters.")
        channels = tuple(
            replace(
                one,
                scale=one.scale * self.factor,
                offset=one.offset * self.factor + self.add,
                unit=self.unit.strip(),
            )
            if one.name == self.name
            else one
            for one in capture.channels
        )
        return _with_capture(data, self.index, replace(capture, channels=channels))
