"""How far long transmissions reach: a part of one may have been told from the rest by a single weak symbol."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.fits import Fits, Ints, join
from dsp.runs import assemble
from dsp.settling import settle
from dsp.source import Floats

# symbols beyond where it was thought to end within which a long transmission is looked for
_ROOM = 6.0
# symbols that it must reach further to have another window there
_FURTHER = 0.6


def reached(fits: Fits, windows: Fits, owner: Ints, borders: Floats) -> tuple[Fits, Ints]:
    """The ``windows`` of long transmissions and the ``owner`` of each, with one more where one reaches further.

    None reaches into another one, be it one of the ``fits``, or across ``borders`` (m,).
    """
    if not len(windows):
        return windows, owner
    windows = _roomy(fits, windows, owner, borders)
    numbers, more = [owner], [windows]
    for number in np.unique(owner).tolist():
        rows = np.flatnonzero(owner == number)
        run = assemble(windows.take(rows), owner[rows])
        if not len(run):
            continue
        first, last = rows[np.argmin(windows.start[rows])], rows[np.argmax(windows.stop[rows])]
        for row, off in (
            (first, run.first[0] - windows.start[first]),
            (last, run.last[0] - windows.stop[last]),
        ):
            further = off if row == last else -off
            if further > _FURTHER * windows.period[row]:
                one = windows.take(np.array([row]))
                symbols = np.rint(off / one.period)
                more.append(
                    settle(replace(one, start=one.start + symbols * one.period), ends=False, width=0.12)
                )
                numbers.append(np.array([number]))
    windows, owner = join(more), np.concatenate(numbers)
    order = np.lexsort((windows.start, owner))
    return windows.take(order), owner[order]


def _roomy(fits: Fits, windows: Fits, owner: Ints, borders: Floats) -> Fits:
    numbers, of = np.unique(owner, return_inverse=True)
    start, stop = np.full(numbers.size, np.inf), np.full(numbers.size, -np.inf)
    np.minimum.at(start, of, windows.start)
    np.maximum.at(stop, of, windows.stop)
    walls = np.concatenate(([0.0], borders, [float(windows.turned.length)]))
    starts, stops = (
        np.sort(np.concatenate(each)) for each in ((fits.start, start, walls), (fits.stop, stop, walls))
    )
    middle = 0.5 * (start + stop)
    after = starts[np.searchsorted(starts, middle)]
    before = stops[np.searchsorted(stops, middle) - 1]
    room = _ROOM * windows.period
    low = np.minimum(windows.low, np.maximum(before[of], windows.low - room))
    high = np.maximum(windows.high, np.minimum(after[of], windows.high + room))
    return replace(windows, low=low, high=high)
