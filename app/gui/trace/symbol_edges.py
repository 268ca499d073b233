"""Boundaries between symbols, of bursts that were decoded and of the symbol grid."""

from __future__ import annotations

import math

from app.gui.trace.api import GridView
from app.gui.trace.marks_shown import LaneBook


def symbol_edges(lane: LaneBook, time_s: float, reach_s: float) -> list[float]:
    """The boundary between symbols nearest to a time, of each burst within reach."""
    edges = []
    for burst in lane.between(time_s - reach_s, time_s + reach_s):
        if burst.symbol_period_s > 0:
            k = round((time_s - burst.first_symbol_s) / burst.symbol_period_s)
            k = min(max(k, 0), len(burst.symbols))
            edges.append(burst.first_symbol_s + k * burst.symbol_period_s)
    return edges


def next_symbol_edge(lane: LaneBook, time_s: float, step: int) -> float | None:
    """The boundary after (``step`` 1) or before (-1) a time in the burst there; None outside bursts."""
    for burst in lane.between(time_s, time_s):
        if burst.symbol_period_s > 0:
            k = _next_number((time_s - burst.first_symbol_s) / burst.symbol_period_s, step)
            if 0 <= k <= len(burst.symbols):
                return burst.first_symbol_s + k * burst.symbol_period_s
    return None


def nearest_grid_edge(grid: GridView, time_s: float) -> float:
    """The edge of the symbol grid that is nearest to a time."""
    k = min(max(round((time_s - grid.start_s) / grid.period_s), 0), grid.count)
    return grid.start_s + k * grid.period_s


def next_grid_edge(grid: GridView | None, time_s: float, step: int) -> float | None:
    """The edge of the symbol grid after or before a time; None beyond its ends."""
    if grid is None:
        return None
    k = _next_number((time_s - grid.start_s) / grid.period_s, step)
    return grid.start_s + k * grid.period_s if 0 <= k <= grid.count else None


def _next_number(place: float, step: int) -> int:
    return math.floor(place + 1e-6) + 1 if step > 0 else math.ceil(place - 1e-6) - 1
