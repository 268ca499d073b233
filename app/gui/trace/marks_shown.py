"""Everything that lies over the trace, as painters, hit tests and gestures share it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from app.gui.trace.api import FLIP_ORIGINS, FlipOrigin, FlipView, GridHandle, GridView, LaneBurst
from app.gui.trace.named_spans import SpanBook
from app.model.items import Cursor, SpanMark

Mark = Cursor | FlipView | GridHandle


class FlipBook:
    """Flips in order of time, found by time."""

    def __init__(self, flips: Sequence[FlipView] = ()) -> None:
        self.flips = tuple(sorted(flips, key=lambda flip: flip.time_s))
        self.times_s = np.array([flip.time_s for flip in self.flips], dtype=np.float64)
        self._of_origin = {
            origin: np.flatnonzero([flip.origin == origin for flip in self.flips]) for origin in FLIP_ORIGINS
        }

    def __len__(self) -> int:
        return len(self.flips)

    def count(self, start_s: float, end_s: float) -> int:
        low, high = np.searchsorted(self.times_s, [start_s, end_s])
        return int(high - low)

    def between(self, start_s: float, end_s: float) -> Sequence[FlipView]:
        low, high = np.searchsorted(self.times_s, [start_s, end_s])
        return self.flips[low:high]

    def places(self, origin: FlipOrigin, start_s: float, end_s: float) -> NDArray[np.intp]:
        """Where in ``flips`` those of one origin stand that lie in a stretch."""
        own = self._of_origin[origin]
        low, high = np.searchsorted(self.times_s[own], [start_s, end_s])
        return own[low:high]

    def nearest(self, time_s: float) -> FlipView | None:
        if not self.flips:
            return None
        at = int(np.searchsorted(self.times_s, time_s))
        around = self.flips[max(at - 1, 0) : at + 2]
        return min(around, key=lambda flip: (abs(flip.time_s - time_s), flip.origin == "removed"))

    def step(self, flip: FlipView | None, time_s: float, step: int) -> FlipView | None:
        """The flip ``step`` places on from ``flip``; without one, the first beyond ``time_s`` that way."""
        if not self.flips:
            return None
        if flip in self.flips:
            at = self.flips.index(flip) + step
        else:
            at = int(np.searchsorted(self.times_s, time_s)) - (1 if step < 0 else 0)
        return self.flips[min(max(at, 0), len(self.flips) - 1)]


class LaneBook:
    """Bursts in order of time, found by time."""

    def __init__(self, bursts: Sequence[LaneBurst] = ()) -> None:
        self.bursts = tuple(sorted(bursts, key=lambda burst: burst.start_s))
        self.starts_s = np.array([burst.start_s for burst in self.bursts], dtype=np.float64)
        self.ends_s = np.array([burst.end_s for burst in self.bursts], dtype=np.float64)
        # bursts may overlap
        self._latest_end_s = np.maximum.accumulate(self.ends_s)

    def places(self, start_s: float, end_s: float) -> slice:
        """Where in ``bursts`` those stand that reach into a stretch."""
        low = int(np.searchsorted(self._latest_end_s, start_s))
        high = int(np.searchsorted(self.starts_s, end_s))
        return slice(low, max(low, high))

    def between(self, start_s: float, end_s: float) -> Sequence[LaneBurst]:
        return self.bursts[self.places(start_s, end_s)]

    def at(self, time_s: float) -> LaneBurst | None:
        return next((b for b in self.between(time_s, time_s) if b.start_s <= time_s < b.end_s), None)


@dataclass
class MarksShown:
    """``band_s`` is a stretch being marked by a drag, ``ghost_s`` a flip being dragged.

    ``level`` is the value of the level line, ``walker`` where stepping stands and what is there, ``level_held`` whether
    the line is under the mouse.
    """

    cursors: tuple[Cursor, ...] = ()
    flips: FlipBook = field(default_factory=FlipBook)
    lane: LaneBook = field(default_factory=LaneBook)
    named_spans: SpanBook = field(default_factory=SpanBook)
    span_s: tuple[float, float] | None = None
    selected: Mark | None = None
    hovered: Mark | None = None
    band_s: tuple[float, float] | None = None
    ghost_s: float | None = None
    grid: GridView | None = None
    level: float | None = None
    level_held: bool = False
    walker: tuple[float, str] | None = None

    def handles(self) -> tuple[GridHandle, ...]:
        """What of the grid can be taken hold of."""
        grid = self.grid
        if grid is None:
            return ()
        return (
            GridHandle("whole", grid.start_s),
            GridHandle("end", grid.end_s),
            GridHandle("start", grid.start_s),
        )

    def set_grid(self, grid: GridView | None) -> None:
        self.grid = grid
        parts = {handle.part: handle for handle in self.handles()}
        for name in ("selected", "hovered"):
            mark = getattr(self, name)
            if isinstance(mark, GridHandle):
                setattr(self, name, parts.get(mark.part))

    def set_cursors(self, cursors: Sequence[Cursor]) -> None:
        self.cursors = tuple(cursors)
        keys = {cursor.key: cursor for cursor in self.cursors}
        self.selected = _renewed(self.selected, keys)
        self.hovered = _renewed(self.hovered, keys)

    def set_lane(self, bursts: Sequence[LaneBurst]) -> None:
        self.lane = LaneBook(bursts)

    def set_named_spans(self, spans: Sequence[SpanMark]) -> None:
        self.named_spans = SpanBook(spans)

    def set_flips(self, flips: Sequence[FlipView]) -> None:
        self.flips = FlipBook(flips)
        self.selected = self._renewed_flip(self.selected)
        self.hovered = self._renewed_flip(self.hovered)

    def _renewed_flip(self, mark: Mark | None) -> Mark | None:
        """The same flip, or the one that stands where it did or was dragged to."""
        if not isinstance(mark, FlipView) or mark in self.flips.flips:
            return mark
        for time_s in (self.ghost_s, mark.time_s):
            found = None if time_s is None else self.flips.nearest(time_s)
            if found is not None and found.time_s == time_s:
                return found
        return None


def _renewed(mark: Mark | None, cursors: dict[int, Cursor]) -> Mark | None:
    return cursors.get(mark.key) if isinstance(mark, Cursor) else mark
