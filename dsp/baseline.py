"""The slow part of a record: supply ramps, hum, thermal drift, far larger than what is sent and far slower.

A slope seen through a stretch of finite length leaks into all frequencies, so the slow part comes off before
anything is transformed. It is described by the means of cells of samples, each cell a parabola that has the cell's
mean and meets its neighbours (the piecewise parabolic method, Colella and Woodward 1984, section 1): continuous,
the same however the record is read, and wrong by the third power of cell length over period only.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Singles = NDArray[np.float32]

# five cycles of the lowest carrier, a hundredth of the sample rate: what it leaves in a cell's mean is a sixteenth
CELL = 512
# cells that the parabolas next to an end are told by
_FEWEST = 4
_SHORTEST = 64


def cell_length(samples: int) -> int:
    """Samples of a cell for a stretch of so many: cells fill it but for a few samples; 0 if it is too short."""
    if samples < _FEWEST * _SHORTEST:
        return 0
    if samples < _FEWEST * CELL:
        return samples // _FEWEST
    return min(range(CELL, CELL + CELL // 4), key=lambda length: samples % length)


def parabolas(means: Singles, at_first: bool, at_last: bool) -> Singles:
    """Coefficients (c, 3) of 1, u and u^2, with u from 0 to 1 along each cell.

    ``means`` (m,) are those of the c cells in turn and, unless it is the first or last of all, of two cells on
    either side of them.
    """
    inner = (7.0 * (means[1:-2] + means[2:-1]) - (means[:-3] + means[3:])) / 12.0
    edges: list[Singles] = [inner.astype(np.float32)]
    if at_first:
        edges.insert(0, _end_edges(means[:4]))
    if at_last:
        edges.append(_end_edges(means[:-5:-1])[::-1])
    at = np.concatenate(edges)
    middle = means[None if at_first else 2 : None if at_last else -2]
    left, right = at[:-1], at[1:]
    bend = 6.0 * middle - 3.0 * (left + right)
    return np.stack((left, right - left + bend, -bend), axis=1).astype(np.float32)


def _end_edges(means: Singles) -> Singles:
    """Value at the end and at the next edge, of the cubic that has the means of the four cells next to the end."""
    weights = np.array([[25.0, -23.0, 13.0, -3.0], [3.0, 13.0, -5.0, 1.0]], dtype=np.float32) / np.float32(
        12.0
    )
    return np.asarray(weights @ means)


def without_slow_part(
    read: Callable[[int, int], Singles], bounds: tuple[int, int], start: int, stop: int
) -> Singles:
    """Samples ``[start, stop)`` less the slow part of the stretch ``bounds`` that they lie in.

    ``read`` gives samples ``[a, b)`` less any level.
    """
    first, last = bounds
    cell = cell_length(last - first)
    if cell == 0 or stop <= start:
        return read(start, stop)
    cells = (last - first) // cell
    low = min((start - first) // cell, cells - 1)
    high = min(-((first - stop) // cell), cells)
    # two more on either side tell the edges, and no fewer than four at an end
    a, b = max(0, low - 2), min(cells, high + 2)
    a, b = max(0, min(a, b - _FEWEST)), min(cells, max(b, a + _FEWEST))
    low, high = (0 if a == 0 else a + 2), (cells if b == cells else b - 2)
    end = last if b == cells else first + b * cell
    values = read(first + a * cell, end)
    means = values[: (b - a) * cell].reshape(b - a, cell).mean(axis=1)
    curves = parabolas(means, a == 0, b == cells)
    _take_off(values[(low - a) * cell : (high - a) * cell].reshape(high - low, cell), curves)
    rest = values[(high - a) * cell :]
    if high == cells and rest.size:
        u = (cell + 0.5 + np.arange(rest.size, dtype=np.float32)) / np.float32(cell)
        rest -= np.stack((np.ones_like(u), u, u * u)).T @ curves[-1]
    origin = first + a * cell
    return values[start - origin : stop - origin]


def _take_off(values: Singles, curves: Singles) -> None:
    """Take parabolas (c, 3) off cells (c, n) of samples, as many at a time as stay in the cache."""
    u = (np.arange(values.shape[1], dtype=np.float32) + np.float32(0.5)) / np.float32(values.shape[1])
    powers = np.stack((np.ones_like(u), u, u * u))
    for row in range(0, values.shape[0], 64):
        values[row : row + 64] -= curves[row : row + 64] @ powers
