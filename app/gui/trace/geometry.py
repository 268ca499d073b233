"""Where things stand in the canvas, in pixels, and what lies under a point."""

from __future__ import annotations

from dataclasses import dataclass

from app.gui.trace.api import GridHandle
from app.gui.trace.gestures import Hit, Zone
from app.gui.trace.marks_shown import MarksShown
from app.gui.trace.scale import TimeScale
from app.model.items import Cursor

REACH_PX = 4.0  # of a line
HEAD_REACH_PX = 6.0
LEVEL_REACH_PX = 3.0
SPREAD_PX = 8.0  # flips closer than this on average are shown by their heads alone


@dataclass(frozen=True)
class Geometry:
    """The strip of heads, the rows of traces and the lane, one below the other."""

    left: float
    right: float
    heads_top: float
    heads_bottom: float
    rows_bottom: float
    lane_bottom: float
    bar_px: float = 18.0
    level_y: float | None = None
    """Height of the bar of the symbol grid, and where the level line lies, if it is in view."""

    @property
    def bar_top(self) -> float:
        """The bar lies at the foot of the rows."""
        return self.rows_bottom - self.bar_px

    @property
    def heads_middle(self) -> float:
        """Cursor flags stand above it, flip heads below."""
        return (self.heads_top + self.heads_bottom) / 2


def flips_spread(shown: MarksShown, scale: TimeScale) -> bool:
    """Whether the visible flips stand far enough apart for lines through trace and lane."""
    visible = shown.flips.count(scale.start_s, scale.end_s)
    return visible * SPREAD_PX <= scale.right - scale.left


def find_hit(x: float, y: float, geometry: Geometry, scale: TimeScale, shown: MarksShown) -> Hit:
    """What lies at a point: heads first, then lines; of several the nearest."""
    if not (geometry.left <= x <= geometry.right and geometry.heads_top <= y <= geometry.lane_bottom):
        return Hit()
    if y < geometry.heads_middle:
        return _cursor(x, scale, shown, 2 * HEAD_REACH_PX) or Hit()
    if y < geometry.heads_bottom:
        head = _flip(x, scale, shown, HEAD_REACH_PX, Zone.FLIP_HEAD)
        return head or _cursor(x, scale, shown, REACH_PX) or Hit()
    if geometry.bar_top <= y <= geometry.rows_bottom:
        bar = _grid(x, scale, shown)
        if bar is not None:
            return bar
    found = _cursor(x, scale, shown, REACH_PX) or _span_edge(x, scale, shown)
    if found is None and flips_spread(shown, scale):
        found = _flip(x, scale, shown, REACH_PX, Zone.FLIP_LINE)
    if found is None and geometry.level_y is not None and abs(y - geometry.level_y) <= LEVEL_REACH_PX:
        found = Hit(Zone.LEVEL)
    return found or Hit()


def _cursor(x: float, scale: TimeScale, shown: MarksShown, reach: float) -> Hit | None:
    def distance(cursor: Cursor) -> tuple[float, bool]:
        return abs(scale.px(cursor.time_s) - x), cursor != shown.selected

    near = [cursor for cursor in shown.cursors if distance(cursor)[0] <= reach]
    return Hit(Zone.CURSOR, min(near, key=distance)) if near else None


def _flip(x: float, scale: TimeScale, shown: MarksShown, reach: float, zone: Zone) -> Hit | None:
    flip = shown.flips.nearest(scale.time(x))
    if flip is None or abs(scale.px(flip.time_s) - x) > reach:
        return None
    if zone is Zone.FLIP_LINE and flip.origin == "removed":
        return None
    return Hit(zone, flip)


def _span_edge(x: float, scale: TimeScale, shown: MarksShown) -> Hit | None:
    if shown.span_s is None:
        return None
    start_s, end_s = shown.span_s
    to_start, to_end = abs(scale.px(start_s) - x), abs(scale.px(end_s) - x)
    if min(to_start, to_end) > REACH_PX:
        return None
    return Hit(Zone.SPAN_START, None, end_s) if to_start < to_end else Hit(Zone.SPAN_END, None, start_s)


def _grid(x: float, scale: TimeScale, shown: MarksShown) -> Hit | None:
    """An end of the bar, reached from outside as well, or the bar between them."""
    grid = shown.grid
    if grid is None:
        return None
    left, right = scale.px(grid.start_s), scale.px(grid.end_s)
    # of a bar shorter than its ends are wide, the nearer one
    inner = min(HEAD_REACH_PX, (right - left) / 2)
    if -2 * HEAD_REACH_PX <= x - left <= inner:
        return Hit(Zone.GRID_START, GridHandle("start", grid.start_s))
    if -inner <= x - right <= 2 * HEAD_REACH_PX:
        return Hit(Zone.GRID_END, GridHandle("end", grid.end_s))
    if left < x < right:
        return Hit(Zone.GRID, GridHandle("whole", grid.start_s))
    return None
