"""The mouse as a state machine: presses, moves and releases in, intents out. No widgets.

States: nothing pressed; pressed but not yet moved; dragging. A press becomes a drag after a few pixels;
what is dragged is settled by what was under the press, the tool and the keys held. Every drag has an id of
its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum

from app.gui.trace.api import FlipView, Tool
from app.gui.trace.marks_shown import Mark

DRAG_FROM_PX = 4.0


class Zone(Enum):
    """What lies under the pointer."""

    EMPTY = "empty"
    CURSOR = "cursor"
    FLIP_HEAD = "flip head"
    FLIP_LINE = "flip line"
    SPAN_START = "span start"
    SPAN_END = "span end"
    GRID = "grid"
    GRID_START = "grid start"
    GRID_END = "grid end"
    LEVEL = "level"


GRID_ZONES = (Zone.GRID, Zone.GRID_START, Zone.GRID_END)


@dataclass(frozen=True)
class Hit:
    """``mark`` is the cursor, flip or part of the grid hit; ``other_s`` of a span edge is the other edge."""

    zone: Zone = Zone.EMPTY
    mark: Mark | None = None
    other_s: float = 0.0


@dataclass(frozen=True)
class Pointer:
    """Where the mouse is; ``free`` while snapping is held off."""

    x: float
    y: float
    time_s: float
    free: bool = False


# --- intents


@dataclass(frozen=True)
class MoveMark:
    """``mark`` as it was when the drag began."""

    mark: Mark
    time_s: float
    gesture: object
    free: bool
    done: bool = False


@dataclass(frozen=True)
class PlaceFlip:
    time_s: float
    free: bool


@dataclass(frozen=True)
class Select:
    mark: Mark | None


@dataclass(frozen=True)
class Pan:
    """``by_px`` since the press."""

    by_px: float
    first: bool


@dataclass(frozen=True)
class Shift:
    """Move the values under ``y`` by ``by_px`` since the move before."""

    y: float
    by_px: float


@dataclass(frozen=True)
class MoveLevel:
    """Put the level line at the height ``y``; None: where it stood when the drag began."""

    y: float | None
    gesture: object
    first: bool = False


@dataclass(frozen=True)
class Band:
    """A stretch being marked, to be zoomed to or selected; ``done`` on release."""

    start_s: float
    end_s: float
    zoom: bool
    done: bool
    free: bool


@dataclass(frozen=True)
class Drop:
    """Forget the stretch being marked, or put the view back where it was."""


@dataclass(frozen=True)
class ClearSpan:
    pass


Intent = MoveMark | PlaceFlip | Select | Pan | Shift | MoveLevel | Band | Drop | ClearSpan


class Drag(Enum):
    MARK = "mark"
    PAN = "pan"
    VALUES = "values"
    LEVEL = "level"
    ZOOM = "zoom"
    SPAN = "span"
    NONE = "none"


@dataclass
class _Press:
    at: Pointer
    hit: Hit
    kind: Drag
    anchor_s: float
    grab_s: float
    plain: bool
    gesture: object = field(default_factory=object)
    moved: bool = False
    last: Pointer | None = None


class MouseMachine:
    """``tool`` is what a plain drag does; ``has_span`` tells whether there is a span to clear."""

    def __init__(self, has_span: Callable[[], bool]) -> None:
        self.tool: Tool = "pan"
        self._has_span = has_span
        self._press: _Press | None = None

    @property
    def dragging(self) -> Drag | None:
        """What is being dragged, None if nothing is."""
        return self._press.kind if self._press is not None and self._press.moved else None

    @property
    def pressed(self) -> bool:
        return self._press is not None

    def press(
        self, at: Pointer, hit: Hit, *, middle: bool = False, shift: bool = False, control: bool = False
    ) -> list[Intent]:
        kind, anchor_s, grab_s = self._kind(at, hit, middle, shift)
        if control:
            kind = Drag.VALUES
        self._press = _Press(at, hit, kind, anchor_s, grab_s, plain=not (middle or shift or control))
        return []

    def move(self, at: Pointer) -> list[Intent]:
        press = self._press
        if press is None:
            return []
        first = not press.moved
        if first and max(abs(at.x - press.at.x), abs(at.y - press.at.y)) < DRAG_FROM_PX:
            return []
        upright = press.kind in (Drag.VALUES, Drag.LEVEL)
        if first and not upright and abs(at.x - press.at.x) < DRAG_FROM_PX:
            return []
        before, press.moved, press.last = press.last or press.at, True, at
        if press.kind is Drag.VALUES:
            return [Shift(press.at.y, at.y - before.y)]
        if press.kind is Drag.LEVEL:
            return [MoveLevel(at.y, press.gesture, first)]
        return self._dragged(press, at, first=first, done=False)

    def release(self, at: Pointer) -> list[Intent]:
        press, self._press = self._press, None
        if press is None:
            return []
        if press.moved:
            return self._dragged(press, at, first=False, done=True)
        return self._clicked(press)

    def double_click(self, at: Pointer, hit: Hit) -> list[Intent]:
        """On empty ground a flip; the flip tool has placed one at the first click already."""
        self._press = None
        if hit.zone is not Zone.EMPTY or self.tool == "flip":
            return []
        return [PlaceFlip(at.time_s, at.free)]

    def cancel(self) -> list[Intent]:
        """Give up what is under way; empty if nothing was."""
        press, self._press = self._press, None
        if press is None or not press.moved:
            return []
        if press.kind is Drag.VALUES:
            back = (press.last or press.at).y - press.at.y
            return [Shift(press.at.y, -back)]
        if press.kind is Drag.LEVEL:
            return [MoveLevel(None, press.gesture)]
        if press.kind is Drag.MARK and press.hit.mark is not None:
            mark = press.hit.mark
            return [MoveMark(mark, mark.time_s, press.gesture, free=True, done=True)]
        return [Drop()]

    def _kind(self, at: Pointer, hit: Hit, middle: bool, shift: bool) -> tuple[Drag, float, float]:
        """What a drag from here is, where its stretch is anchored, how far from the mark it was grabbed."""
        if middle:
            return Drag.PAN, at.time_s, 0.0
        if shift:
            return Drag.SPAN, at.time_s, 0.0
        if hit.zone in (Zone.SPAN_START, Zone.SPAN_END):
            return Drag.SPAN, hit.other_s, 0.0
        if hit.zone is Zone.LEVEL:
            return Drag.LEVEL, at.time_s, 0.0
        movable = hit.zone in (Zone.CURSOR, Zone.FLIP_HEAD, *GRID_ZONES) or (
            hit.zone is Zone.FLIP_LINE and self.tool == "flip"
        )
        if movable and hit.mark is not None:
            removed = isinstance(hit.mark, FlipView) and hit.mark.origin == "removed"
            return (Drag.NONE if removed else Drag.MARK), at.time_s, at.time_s - hit.mark.time_s
        kinds = {"pan": Drag.PAN, "zoom": Drag.ZOOM, "span": Drag.SPAN, "flip": Drag.PAN}
        return kinds[self.tool], at.time_s, 0.0

    def _dragged(self, press: _Press, at: Pointer, *, first: bool, done: bool) -> list[Intent]:
        if press.kind is Drag.MARK and press.hit.mark is not None:
            time_s = at.time_s - press.grab_s
            select: list[Intent] = [Select(press.hit.mark)] if first else []
            return [*select, MoveMark(press.hit.mark, time_s, press.gesture, at.free, done)]
        if press.kind is Drag.PAN:
            return [Pan(at.x - press.at.x, first)]
        if press.kind in (Drag.ZOOM, Drag.SPAN):
            start_s, end_s = sorted((press.anchor_s, at.time_s))
            if done and start_s == end_s:
                return [Drop()]
            return [Band(start_s, end_s, press.kind is Drag.ZOOM, done, at.free)]
        return []

    def _clicked(self, press: _Press) -> list[Intent]:
        if not press.plain:
            return []
        if press.hit.zone is Zone.EMPTY and self.tool == "flip":
            return [PlaceFlip(press.at.time_s, press.at.free)]
        if press.hit.zone is Zone.EMPTY and self.tool == "span" and self._has_span():
            return [ClearSpan(), Select(None)]
        return [Select(press.hit.mark)]
