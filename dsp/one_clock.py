"""One clock through the windows of a long transmission of which some, by chance, tell another time than those beside them.

Cut to rectangles, smooth symbols tell their timing badly, and now and then a window's likelihood is highest nearly half a
symbol off. Counted from one window to the next, such a one adds or drops a symbol, and all that follow stand one place off.
The row of windows that go on from each other is the likeliest one (Viterbi 1967): from each to a later one by whole symbols,
as well as their timing is known, those between them left out as being anywhere. What is left out is moved to the clock of
those before and after it, if it is nearly as likely there; where the record has two clocks it is not.
"""

from __future__ import annotations

import numpy as np

from dsp.coast import NEAR, clock, coasted
from dsp.detect import WINDOW
from dsp.fits import Fits, Flags, Ints, carry, join, scored
from dsp.source import Floats

# windows that tell what is usual, and symbols that one is off its neighbour below which there is nothing to mend
_FEWEST, _ASTRAY = 6, 0.15
# symbols to which neighbouring windows agree at best: a fraction of what would be a mistake
_AGREE = 0.04
# share of windows that may be anywhere, and so many in a row at most
_ANYWHERE, _IN_A_ROW = 0.05, 4
# symbols by which two windows with others left out between them differ at most: others are of two clocks
_SAME = 0.2
# share of its likelihood that a window keeps on the clock of its neighbours if it is theirs: half a symbol off rectangles
# keep half, smooth pulses three quarters
_KEPT = 0.85


def on_one_clock(windows: Fits, owner: Ints) -> Fits:
    """The ``windows`` of long transmissions, ``owner`` (windows,) telling which each is of, in order of time within each:
    those that stand apart from the clock of the others are moved to it, unless it is not theirs.
    """
    told = np.ones(len(windows), dtype=np.bool_)
    for number in np.unique(owner).tolist():
        rows = np.flatnonzero(owner == number)
        told[rows] = goes_on(windows.take(rows))
    if told.all():
        return windows
    rows = np.flatnonzero(~told)
    moved = coasted(windows, owner, told).take(rows)
    moved = scored(carry(moved))
    keep = moved.nats > _KEPT * windows.nats[rows]
    order = np.arange(len(windows))
    order[rows[keep]] = len(windows) + np.flatnonzero(keep)
    return join([windows, moved]).take(order)


def goes_on(windows: Fits) -> Flags:
    """Which windows (n,) of one transmission, in order of time, are on the clock that goes through most of them."""
    many = len(windows)
    told = np.ones(many, dtype=np.bool_)
    if many < _FEWEST:
        return told
    place = windows.start + (windows.count // 2) * windows.period
    if float(np.abs(_apart(place, windows.period, 1)[0]).max()) < _ASTRAY:
        return told
    period = clock(place, float(np.median(windows.period)))
    off = _apart(place, period, 1)[0]
    agree = max(_AGREE, 1.4826 * float(np.median(np.abs(off))))
    # few symbols tell their timing less well
    spread = agree**2 * 0.5 * WINDOW / windows.count
    # a window that is anywhere in a symbol against one as close as usual
    lost = float(-np.log(_ANYWHERE) - np.log(min(1.0, agree * np.sqrt(2.0 * np.pi))))
    best = lost * np.arange(many, dtype=np.float64)
    best[_IN_A_ROW + 1 :] = np.inf
    before = np.full(many, -1)
    cost = [_cost(place, period, spread, step, lost) for step in range(1, _IN_A_ROW + 2)]
    for i in range(1, many):
        for step in range(1, min(i, _IN_A_ROW + 1) + 1):
            tried = best[i - step] + cost[step - 1][i - step]
            if tried < best[i]:
                best[i], before[i] = tried, i - step
    last = many - 1 - np.arange(min(many, _IN_A_ROW + 1))
    at = int(last[np.argmin(best[last] + lost * (many - 1 - last))])
    told[:] = False
    while at >= 0:
        told[at] = True
        at = int(before[at])
    return told


def _apart(place: Floats, period: Floats, step: int) -> tuple[Floats, Floats]:
    """By how many symbols windows are off whole ones from those so many ``step`` before them (n - step,), and whole ones."""
    apart = 2.0 * (place[step:] - place[:-step]) / (period[step:] + period[:-step])
    whole = np.rint(apart)
    return apart - whole, whole


def _cost(place: Floats, period: Floats, spread: Floats, step: int, lost: float) -> Floats:
    """What it costs (n - step,) in natural units to go on so many windows further, those between left out."""
    off, whole = _apart(place, period, step)
    cost = 0.5 * off**2 / (spread[step:] + spread[:-step])
    if step == 1:
        # a jump is one, however far
        return np.asarray(np.minimum(cost, 3.0 * lost))
    near = (np.abs(off) < _SAME) & (whole < _IN_A_ROW * NEAR)
    return np.where(near, cost + (step - 1) * lost, np.inf)
