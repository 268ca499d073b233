"""Cuts curves off at the edges of a frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def cut_curve(
    x: Floats, y: Floats, x_edges: tuple[float, float], y_edges: tuple[float, float]
) -> tuple[Floats, Floats]:
    """The parts of a curve, shape (points,), within a box, parted by nan.

    Each piece between two points is cut after Liang and Barsky, A new concept and method for line clipping, ACM
    Transactions on Graphics 3 (1984).
    """
    with np.errstate(invalid="ignore"):
        inside = (x >= x_edges[0]) & (x <= x_edges[1]) & (y >= y_edges[0]) & (y <= y_edges[1])
    if inside.all() or x.size < 2:
        return x[inside], y[inside]
    x0, y0, dx, dy = x[:-1], y[:-1], np.diff(x), np.diff(y)
    enter, leave = np.zeros(dx.size), np.ones(dx.size)
    with np.errstate(invalid="ignore", divide="ignore"):
        for start, step, (low, high) in ((x0, dx, x_edges), (y0, dy, y_edges)):
            to_low, to_high = (low - start) / step, (high - start) / step
            still = step == 0
            beyond = still & ((start < low) | (start > high))
            enter = np.where(still, enter, np.fmax(enter, np.fmin(to_low, to_high)))
            leave = np.where(still, leave, np.fmin(leave, np.fmax(to_low, to_high)))
            leave = np.where(beyond, -1.0, leave)
        kept = np.flatnonzero((enter < leave) & np.isfinite(dx) & np.isfinite(dy))
    if not kept.size:
        return np.zeros(0), np.zeros(0)
    enter, leave = enter[kept], leave[kept]
    # a piece goes on from the one before where neither was cut between them
    joined = np.zeros(kept.size, dtype=bool)
    joined[1:] = (np.diff(kept) == 1) & (enter[1:] == 0) & (leave[:-1] == 1)
    runs = np.cumsum(~joined)
    # per piece its end, per run its start before and nan behind
    starts = np.flatnonzero(~joined)
    size = kept.size + 2 * starts.size
    out_x, out_y = np.full(size, np.nan), np.full(size, np.nan)
    at = np.arange(kept.size) + 2 * (runs - 1) + 1
    out_x[at], out_y[at] = x0[kept] + leave * dx[kept], y0[kept] + leave * dy[kept]
    first = at[starts] - 1
    out_x[first] = x0[kept[starts]] + enter[starts] * dx[kept[starts]]
    out_y[first] = y0[kept[starts]] + enter[starts] * dy[kept[starts]]
    return out_x[:-1], out_y[:-1]
