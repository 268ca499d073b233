"""The symbol grid that the user lays over a capture, one at most for each.

A session keeps it as a span: both have two ends, and the span's name says how many symbols lie between them. So it is
saved, shared, cut and closed with its capture like every span, and an older program shows it as one.
"""

from __future__ import annotations

import re
from collections.abc import Hashable
from dataclasses import dataclass, replace

from app.model.commands import CommandError, check_time, find, swapped, with_key, without
from app.model.items import SessionData, SpanMark

MOST_SYMBOLS = 100_000
_LEAST_SAMPLES = 2  # a symbol; less of it cannot be seen
_NAME = re.compile(r"symbol grid, (\d{1,6}) symbols?")


@dataclass(frozen=True)
class SymbolGrid:
    """``count`` symbols of one length from ``start_s`` to ``end_s``."""

    key: int
    capture: int
    start_s: float
    end_s: float
    count: int

    @property
    def period_s(self) -> float:
        return (self.end_s - self.start_s) / self.count

    @property
    def rate_bd(self) -> float:
        return self.count / (self.end_s - self.start_s)


def grid_name(count: int) -> str:
    return f"symbol grid, {count} symbol{'' if count == 1 else 's'}"


def grid_in(span: SpanMark) -> SymbolGrid | None:
    """The grid that a span stands for; None if it is just a span."""
    named = _NAME.fullmatch(span.name)
    if named is None or not 1 <= int(named[1]) <= MOST_SYMBOLS or not span.end_s > span.start_s:
        return None
    return SymbolGrid(span.key, span.capture, span.start_s, span.end_s, int(named[1]))


def grid_of(data: SessionData, capture: int | None) -> SymbolGrid | None:
    """The newest grid of a capture."""
    grids = (grid_in(span) for span in reversed(data.spans) if span.capture == capture)
    return next((grid for grid in grids if grid is not None), None)


@dataclass(frozen=True)
class LayGrid:
    """Lay a symbol grid over a capture, in place of the one it has."""

    capture: int
    start_s: float
    end_s: float
    count: int
    item = None

    def describe(self, _data: SessionData) -> str:
        return "lay symbol grid"

    def apply(self, data: SessionData) -> SessionData:
        start_s, end_s = _checked(data, self.capture, self.start_s, self.end_s, self.count)
        others = tuple(one for one in data.spans if one.capture != self.capture or grid_in(one) is None)
        key, data = with_key(data)
        span = SpanMark(key, self.capture, grid_name(self.count), start_s, end_s)
        return replace(data, spans=(*others, span))


@dataclass(frozen=True)
class ShapeGrid:
    """Move a grid, stretch it, or change how many symbols it has."""

    key: int
    start_s: float
    end_s: float
    count: int

    @property
    def item(self) -> Hashable:
        return ("symbol grid", self.key)

    def describe(self, data: SessionData) -> str:
        before = grid_in(find(data.spans, self.key, "symbol grid"))
        if before is None or before.count != self.count:
            return "change the length of the symbol grid"
        length_s, old_s = self.end_s - self.start_s, before.end_s - before.start_s
        # the two ends are rounded apart
        return "move symbol grid" if abs(length_s - old_s) < 1e-9 * old_s else "stretch symbol grid"

    def apply(self, data: SessionData) -> SessionData:
        span = find(data.spans, self.key, "symbol grid")
        start_s, end_s = _checked(data, span.capture, self.start_s, self.end_s, self.count)
        new = replace(span, name=grid_name(self.count), start_s=start_s, end_s=end_s)
        return data if new == span else replace(data, spans=swapped(data.spans, new))


@dataclass(frozen=True)
class RemoveGrid:
    key: int
    item = None

    def describe(self, _data: SessionData) -> str:
        return "remove symbol grid"

    def apply(self, data: SessionData) -> SessionData:
        find(data.spans, self.key, "symbol grid")
        return replace(data, spans=without(data.spans, self.key))


def _checked(
    data: SessionData, capture: int, start_s: float, end_s: float, count: int
) -> tuple[float, float]:
    start_s, end_s = check_time(data, capture, start_s), check_time(data, capture, end_s)
    if not 1 <= count <= MOST_SYMBOLS:
        raise CommandError(f"A symbol grid has 1 to {MOST_SYMBOLS} symbols, not {count}.")
    if (end_s - start_s) * data.captures[capture].rate_hz < _LEAST_SAMPLES * count:
        raise CommandError(
            f"A symbol of the grid needs at least {_LEAST_SAMPLES} samples: stretch it, or give it fewer symbols."
        )
    return start_s, end_s
