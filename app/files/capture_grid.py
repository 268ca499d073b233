"""Uneven places in a block of sample times: how finely they are written, their step, where they break."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.float64]

# a displacement lasts if the medians over this many samples on either side differ
SIDE = 8
JITTER = 0.02
BREAK = 0.5
# more displacements than this share of a block: rounding or uneven sampling, not breaks
MOST_BREAKS = 0.02
FEW_BREAKS = 16
_MOST_TICKS = 64
# of the first blocks the digits of more times are looked at than of those after them
_FEW_BLOCKS = 4
_EPSILON = float(np.finfo(np.float64).eps)
_NONE: NDArray[np.intp] = np.empty(0, np.intp)


class Digits:
    """How many digits the times seen so far were written with."""

    def __init__(self, significant: int, decimals: int) -> None:
        self._significant = significant
        self._blocks = 0
        # beyond that no power of ten is a float
        self._decimals = max(min(decimals, 300), -300)

    def look(self, times: Times) -> None:
        """Take note of some of ``times``, the shortest decimal of each being what was written."""
        most = 64 if self._blocks < _FEW_BLOCKS else 6
        self._blocks += 1
        for time in times[:: max(1, times.size // most)].tolist():
            if time and math.isfinite(time):
                _, digits, exponent = Decimal(repr(time)).normalize().as_tuple()
                self._significant = max(self._significant, len(digits))
                self._decimals = max(self._decimals, min(-int(exponent), 300))

    def quantum(self, times: Times) -> float:
        """The last digit of the largest of ``times``, whether decimals or significant digits are fixed."""
        largest = float(np.abs(times).max(initial=0.0))
        place = math.floor(math.log10(largest)) if largest else 0
        return float(max(10.0**-self._decimals, 10.0 ** (place + 1 - self._significant)))


@dataclass(frozen=True)
class Uneven:
    """``breaks``: first sample after each lasting displacement; ``jitter``: other samples off the grid.

    ``quantum`` is the finest step of the times, which may turn out to be coarser than their last digit;
    ``coarse`` if it is so against the step between samples that neighbours come out uneven.
    """

    breaks: NDArray[np.intp]
    jitter: NDArray[np.intp]
    quantum: float
    coarse: bool


def median(values: Times) -> float:
    """The middle value, NaN of none; numpy's own loads masked arrays first, which takes longer than most files."""
    if not values.size:
        return math.nan
    middle = values.size // 2
    if values.size % 2:
        return float(np.partition(values, middle)[middle])
    return float(np.partition(values, [middle - 1, middle])[middle - 1 : middle + 1].mean())


def robust_step(times: Times, quantum: float) -> float:
    """Median advance a sample, over a lag long enough for rounding by ``quantum`` not to matter."""
    lag = 1
    while True:
        step = median(times[lag:] - times[:-lag]) / lag
        if step * lag >= 20 * quantum or lag * 4 > times.size:
            return step
        lag *= 2


def uneven(times: Times, step: float, quantum: float, coarse: bool = False) -> Uneven:
    """Where ``times`` leave the grid of ``step``, beyond what rounding them to ``quantum`` explains.

    ``coarse`` says that the times before were found to be so.
    """
    deviation = np.diff(times)
    deviation -= step
    size = np.abs(deviation)
    resolution = 4 * _EPSILON * max(-float(times.min(initial=0.0)), float(times.max(initial=0.0)))
    even = JITTER * step + resolution
    if float(size.max(initial=0.0)) <= min(even + 1.05 * quantum, BREAK * step + resolution):
        return Uneven(_NONE, _NONE, quantum, coarse)
    most = max(3, MOST_BREAKS * size.size)
    if np.count_nonzero(size > even + 1.05 * quantum) > most:
        quantum = max(quantum, _tick(deviation + step, step))
    displaced = np.flatnonzero(size > BREAK * step + resolution)
    # so many displacements are how a coarse last digit shows, if they are no larger than that digit
    coarse |= quantum > JITTER * step and (displaced.size > most or _is_regular(displaced, times.size))
    odd = np.flatnonzero(size > even + 1.05 * quantum)
    limit = BREAK * step + resolution + (1.05 * quantum if coarse else 0.0)
    displaced = displaced[size[displaced] > limit]
    if displaced.size > max(FEW_BREAKS, MOST_BREAKS * size.size):
        return Uneven(_NONE, odd + 1, quantum, coarse)
    displaced, first_of_stray, second_of_stray = _without_strays(displaced, deviation, limit)
    breaks = _lasting(times, displaced, step, limit)
    jitter = np.union1d(np.union1d(odd, displaced), first_of_stray)
    jitter = np.setdiff1d(jitter, np.union1d(breaks, second_of_stray))
    return Uneven(breaks + 1, jitter + 1, quantum, coarse)


def _is_regular(displaced: NDArray[np.intp], count: int) -> bool:
    """Whether displacements follow each other evenly from end to end, as the carry of a rounding does."""
    if displaced.size < 3:
        return False
    apart = np.diff(displaced)
    longest = int(apart.max())
    ends = max(int(displaced[0]), count - 2 - int(displaced[-1]))
    return longest - int(apart.min()) <= 1 and ends <= longest


def _tick(steps: Times, step: float) -> float:
    """The tick in which times are counted, if all ``steps`` are few multiples of one; else 0."""
    fineness = 1e-3 * step
    distinct = np.unique(np.rint(steps / fineness))
    if not 1 < distinct.size <= _MOST_TICKS:
        return 0.0
    distinct = np.union1d(distinct, 0.0)
    smallest = float(np.diff(distinct).min())
    off = np.abs(distinct - smallest * np.rint(distinct / smallest))
    # each was rounded to the fineness, and so was the smallest
    return smallest * fineness if (off <= 1.0 + 0.5 * np.abs(distinct) / smallest).all() else 0.0


def _without_strays(
    displaced: NDArray[np.intp], deviation: Times, limit: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Leave out single samples off the grid: a displacement and the one after it that undoes it.

    Gives what is left, and the first and the second step of each such pair.
    """
    kept: list[int] = []
    undone: list[int] = []
    pending = displaced.tolist()
    at = 0
    while at < len(pending):
        i = pending[at]
        follows = at + 1 < len(pending) and pending[at + 1] == i + 1
        if follows and abs(deviation[i] + deviation[i + 1]) <= limit:
            undone.append(i + 1)
            at += 2
        else:
            kept.append(i)
            at += 1
    second = np.array(undone, np.intp)
    return np.array(kept, np.intp), second - 1, second


def _lasting(times: Times, displaced: NDArray[np.intp], step: float, limit: float) -> NDArray[np.intp]:
    """Those of ``displaced`` (steps ``i`` to ``i + 1``) after which the times stay off the old grid."""
    lasting = []
    edges = [-1, *displaced.tolist(), times.size - 1]
    for before, i, after in zip(edges, edges[1:], edges[2:], strict=False):
        left = np.arange(max(before + 1, i + 1 - SIDE), i + 1)
        right = np.arange(i + 1, min(after, i + SIDE) + 1)
        shift = median(times[right] - right * step) - median(times[left] - left * step)
        if abs(shift) > limit:
            lasting.append(i)
    return np.array(lasting, np.intp)
