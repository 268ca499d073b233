"""The symbol clock of a long transmission through stretches in which its phase does not turn.

Windows of a long transmission are fitted each by itself. One without a reversal has a carrier and a phase, but any timing
holds for it as well as any other. Its edges are where the clock of the reversals before and after it puts them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.detect import WINDOW
from dsp.fits import Fits, Flags, Ints, groups_of, join, scored
from dsp.source import Floats

# windows over whose distances a period is told
_OVER = 9
# share by which a window's period may differ from the model's
_OFF = 0.1
# symbols between windows beyond which their distance does not tell how many they are, the period being told by others
_NEAR = 2.0 * WINDOW


def tells_time(windows: Fits) -> Flags:
    """Whether the phase turns within each window at all (windows,).

    By how many natural units signs of their own make symbols likelier than one sign for all: one symbol that is turned over
    is worth twice ``g^2``, noise makes ``2 g (phi(g) - g Q(g))`` of each.
    """
    from scipy.special import ndtr

    out = np.zeros(len(windows), dtype=np.bool_)
    for rows in groups_of(windows.count):
        some = windows.take(rows)
        edges, inside, gain = some.edges(), some.inside(), some.gain
        y = (some.turned.between(edges) * np.exp(-1j * some.angles(edges))).real * some.normal()
        y = np.where(inside, y, 0.0)
        gained = gain * (np.sum(np.abs(y), axis=1) - np.abs(np.sum(y, axis=1)))
        density = np.exp(-0.5 * gain * gain) / np.sqrt(2.0 * np.pi)
        by_chance = 2.0 * gain * some.count * (density - gain * ndtr(-gain))
        out[rows] = gained > by_chance + gain * gain
    return out


def tracked(windows: Fits, owner: Ints, told: Flags) -> Fits:
    """Windows with the symbol period that the distances show between those of their neighbours that are ``told``."""
    period = windows.period.copy()
    middle = windows.middle
    for number in np.unique(owner):
        rows = np.flatnonzero(owner == number)
        mine = rows[told[rows]]
        if not mine.size:
            continue
        found = np.interp(middle[rows], middle[mine], _between(middle[mine], windows.period[mine]))
        period[rows] = np.clip(
            found, (1.0 - _OFF) * windows.period[rows], (1.0 + _OFF) * windows.period[rows]
        )
    start = middle - 0.5 * windows.count * period
    return replace(windows, period=period, start=start)


def _between(place: Floats, period: Floats) -> Floats:
    """The period at places (n,) whole symbols apart, as their distances show it, where it is ``period`` (n,) roughly."""
    if place.size < 3:
        return period
    steps = np.diff(place)
    symbols = np.maximum(1.0, np.rint(steps / period[1:]))
    near = symbols < _NEAR
    if not near.any():
        return period
    # over a few, since each one's timing is only known to an eighth of a symbol yet
    kernel = np.ones(min(_OVER, steps.size))
    passed, counted = (np.convolve(np.where(near, each, 0.0), kernel, "same") for each in (steps, symbols))
    known = counted > 0.0
    local = np.interp(place[1:], place[1:][known], passed[known] / counted[known])
    return np.concatenate((local[:1], (local[1:] + local[:-1]) / 2.0, local[-1:]))


def coasted(windows: Fits, owner: Ints, told: Flags) -> Fits:
    """Those that are not ``told`` moved to whole symbols from the ones before and after that are."""
    if told.all():
        return windows
    # the middle of the window's middle symbols, as `dsp.runs.assemble` counts them
    place = windows.start + (windows.count // 2) * windows.period
    period = windows.period.copy()
    for number in np.unique(owner):
        rows = np.flatnonzero(owner == number)
        known, others = rows[told[rows]], rows[~told[rows]]
        if known.size and others.size:
            clock = _between(place[known], period[known])
            place[others], period[others] = _placed(place[others], place[known], clock)
    moved = replace(windows, period=period, start=place - (windows.count // 2) * period)
    rows = np.flatnonzero(~told)
    order = np.arange(len(windows))
    order[rows] = len(windows) + np.arange(rows.size)
    return join([windows, scored(moved.take(rows))]).take(order)


def _placed(place: Floats, known: Floats, period: Floats) -> tuple[Floats, Floats]:
    """Places (n,) moved to whole symbols from the ``known`` ones (m,) on either side, and the period there (n,)."""
    after = np.searchsorted(known, place)
    before = np.clip(after - 1, 0, known.size - 1)
    after = np.minimum(after, known.size - 1)
    usual = 0.5 * (period[before] + period[after])
    apart = known[after] - known[before]
    whole = np.maximum(1.0, np.rint(apart / usual))
    each = np.where(after > before, apart / whole, usual)
    off = (place - known[before]) / each
    return known[before] + np.rint(off) * each, each
