"""Commands on bursts: their names, whether they are left out, and symbols that the user decides."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, replace

from app.model.commands import CommandError, check_capture, swapped, with_key, without
from app.model.commands_flips import DeleteAutoFlip, DeleteHandFlip, PlaceFlip
from app.model.corrections import CorrectedBurst, edge_of, edge_s
from app.model.items import BurstMark, FlipMark, SessionData


def mark_of(data: SessionData, capture: int, channel: str, span_s: tuple[float, float]) -> BurstMark | None:
    """What the user said of the burst over ``span_s``; the newest, if bursts were joined by a later decode."""
    found = [
        mark
        for mark in data.burst_marks
        if (mark.capture, mark.channel) == (capture, channel) and span_s[0] <= mark.time_s < span_s[1]
    ]
    return found[-1] if found else None


def _marked(
    data: SessionData,
    capture: int,
    channel: str,
    span_s: tuple[float, float],
    name: str | None = None,
    excluded: bool | None = None,
) -> SessionData:
    """With another name, or left out or not; what is said of a burst goes when nothing is left to say."""
    check_capture(data, capture)
    old = mark_of(data, capture, channel, span_s)
    if old is None:
        key, taken = with_key(data)
        old = BurstMark(key, capture, channel, (span_s[0] + span_s[1]) / 2)
        marks: tuple[BurstMark, ...] = (*data.burst_marks, old)
    else:
        taken, marks = data, data.burst_marks
    new = replace(
        old,
        name=old.name if name is None else name.strip(),
        excluded=old.excluded if excluded is None else excluded,
    )
    if new == old:
        return data
    if not new.name and not new.excluded:
        return replace(taken, burst_marks=without(marks, old.key))
    return replace(taken, burst_marks=swapped(marks, new))


@dataclass(frozen=True)
class RenameBurst:
    """Give the burst over ``span_s`` a name; an empty one takes it away."""

    capture: int
    channel: str
    span_s: tuple[float, float]
    name: str
    item = None

    def describe(self, _data: SessionData) -> str:
        return f"name burst {self.name.strip()}" if self.name.strip() else "take the name of a burst away"

    def apply(self, data: SessionData) -> SessionData:
        return _marked(data, self.capture, self.channel, self.span_s, name=self.name)


@dataclass(frozen=True)
class ExcludeBursts:
    """Leave bursts out, each given by its span, or take them back in."""

    capture: int
    channel: str
    spans_s: tuple[tuple[float, float], ...]
    excluded: bool
    item = None

    def describe(self, _data: SessionData) -> str:
        what = "burst" if len(self.spans_s) == 1 else f"{len(self.spans_s)} bursts"
        return f"leave {what} out" if self.excluded else f"take {what} back in"

    def apply(self, data: SessionData) -> SessionData:
        for span_s in self.spans_s:
            data = _marked(data, self.capture, self.channel, span_s, excluded=self.excluded)
        return data


@dataclass(frozen=True, eq=False)
class TurnSymbol:
    """Decide that a symbol is the other one.

    In a burst every symbol is told by the flips before it, so turning one over sets or removes the flips at both of
    its edges; they are flips by hand as any other, shown, saved and moved as such.
    """

    capture: int
    burst: CorrectedBurst
    symbol: int

    @property
    def item(self) -> Hashable:
        return None

    def describe(self, _data: SessionData) -> str:
        return f"turn symbol {self.symbol + 1} over"

    def apply(self, data: SessionData) -> SessionData:
        count = len(self.burst.symbols)
        if self.burst.basis.bits_per_symbol != 1 or not self.burst.basis.symbol_rate_bd:
            raise CommandError(
                "Symbols of this burst are not told by flips; they cannot be turned over one by one."
            )
        if not 0 <= self.symbol < count:
            raise CommandError("There is no symbol here.")
        if self.symbol == 0 and count > 1:
            raise CommandError(
                "The first symbol is what all others are told from; turn the second one over, or tell the polarity "
                "in Decode > Settings."
            )
        for edge in (self.symbol, self.symbol + 1):
            if 0 < edge < count:
                data = self._toggled(data, edge)
        return data

    def _toggled(self, data: SessionData, edge: int) -> SessionData:
        burst = self.burst
        at_edge = [mark for mark in burst.marks if edge_of(burst.basis, mark.time_s) == edge]
        there = next((flip for flip in burst.flips if flip.edge == edge), None)
        if there is None:
            removals = [mark for mark in at_edge if mark.removes]
            if removals:
                return _all_deleted(data, removals)
            return PlaceFlip(self.capture, edge_s(burst.basis, edge)).apply(data)
        placed = [mark for mark in at_edge if not mark.removes]
        data = _all_deleted(data, placed)
        automatic = [time_s for time_s in burst.burst.flips_s if edge_of(burst.basis, time_s) == edge]
        still_denied = any(mark.removes for mark in at_edge)
        if not still_denied and (automatic or not placed):
            return DeleteAutoFlip(self.capture, automatic[0] if automatic else there.time_s).apply(data)
        return data


def _all_deleted(data: SessionData, marks: list[FlipMark]) -> SessionData:
    for mark in marks:
        data = DeleteHandFlip(mark.key).apply(data)
    return data
