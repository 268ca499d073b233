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

# share by which a window's period may differ from the model's
_OFF = 0.1
# distances between windows that tell a period within messages; symbols to which the place of a message is known at best, and
# times one over the gain's square by what flips scatter (a flip 1.5, Hinkley 1970, of which there are some ten)
_FEWEST, _KNOWN, _FLIPS_KNOWN = 3, 0.005, 0.5
# deviations of what may be, periods that are tried at most to either side, and natural units that leave no doubt
_DEVIATIONS, _TRIED, _CERTAIN = 5.0, 1 << 14, 7.0
# symbols between windows beyond which their distance does not tell how many they are, the period being told by others
NEAR = 2.0 * WINDOW
# windows over which a clock runs evenly (1000 symbols; one that drifts by 2 % in 20,000 then gains 0.1 %), how many windows
# on their distances are looked at, by what share periods are tried to either side, and symbols that those tried differ by
# over such a distance
_EVEN, _REACH, _WIDE, _FINE = 41, 4, 0.02, 0.05


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
        found = np.interp(
            middle[rows], middle[mine], clock(middle[mine], float(np.median(windows.period[mine])))
        )
        period[rows] = np.clip(
            found, (1.0 - _OFF) * windows.period[rows], (1.0 + _OFF) * windows.period[rows]
        )
    start = middle - 0.5 * windows.count * period
    return replace(windows, period=period, start=start)


def clock(place: Floats, period: float) -> Floats:
    """Samples a symbol (n,) at the places of windows (n,) whole symbols apart, ``period`` of them roughly.

    The period for which most of the places near each other are whole symbols apart: where the sum of the cosines of their
    distances is largest, which a few that are anywhere change little.
    """
    if place.size < 3:
        # the one distance between two is told worse than the period is known
        return np.full(place.size, period)
    tried = np.linspace(-_WIDE, _WIDE, 2 * round(_WIDE * _REACH * 0.5 * WINDOW / _FINE) + 1)
    near, fits = (_REACH + 0.5) * 0.5 * WINDOW, np.zeros((tried.size, place.size))
    for step in range(1, min(_REACH, place.size - 1) + 1):
        symbols = (place[step:] - place[:-step]) / period
        alike = np.cos(2.0 * np.pi * symbols / (1.0 + tried[:, None]))
        # others may be beyond a rest
        fits[:, step // 2 : step // 2 + symbols.size] += np.where(symbols < near, alike, 0.0)
    if place.size <= _EVEN:
        best = np.full(place.size, int(np.argmax(fits.sum(axis=1))))
    else:
        sums = np.concatenate((np.zeros((tried.size, 1)), np.cumsum(fits, axis=1)), axis=1)
        total = sums[:, _EVEN:] - sums[:, :-_EVEN]
        at = np.clip(np.arange(place.size) - _EVEN // 2, 0, place.size - _EVEN)
        best = np.argmax(total, axis=0)[at]
    return np.asarray(period * (1.0 + tried[best]))


def one_clock(windows: Fits) -> float | None:
    """The one period of windows (n,) of a transmission that rests for long: the one with which they stand whole symbols apart
    beyond rests as well, or what they show of it within messages if that leaves several. None if no rest is long."""
    place, usual = _place(windows), float(np.median(windows.period))
    steps = np.diff(place)
    symbols = np.maximum(1.0, np.rint(steps / usual))
    near = symbols < NEAR
    rests = np.flatnonzero(~near)
    if near.sum() < _FEWEST or not rests.size:
        return None
    within, counted = steps[near], symbols[near]
    period = float(np.sum(counted * within) / np.sum(counted**2))
    known = period * max(_KNOWN, _FLIPS_KNOWN / float(np.median(windows.gain)) ** 2)
    met = 1.4826 * float(np.median(np.abs(within - counted * period)))
    sure = max(known, met) / float(np.sqrt(np.sum(counted**2)))
    numbers = np.concatenate(([0.0], np.cumsum(np.where(near, symbols, 0.0))))
    messages = np.split(np.arange(place.size), rests + 1)
    apart = np.diff([_middle(place[of], numbers[of], period) for of in messages])
    whole = symbols_apart(apart, np.full(apart.size, known), period, sure)
    return period if whole is None else float(apart.sum() / whole.sum())


def symbols_apart(apart: Floats, known: Floats, period: float, sure: float) -> Floats | None:
    """How many symbols messages (n,) are from each other that stand so many samples ``apart``, each ``known`` to so many.

    The ``period``, which is ``sure`` to so many samples, leaves several numbers open for a long rest, but one period must fit
    all of them. None if none does, or if others than the likeliest may.
    """
    fine = 2.0 * _DEVIATIONS * sure * float(apart.max()) / (0.25 * float(known.min()) * period)
    tried = period + sure * np.linspace(-_DEVIATIONS, _DEVIATIONS, 1 + 2 * int(np.clip(fine, 1.0, _TRIED)))
    whole = np.rint(apart[:, None] / tried)
    off = np.minimum(np.abs(apart[:, None] - whole * tried) / known[:, None], _DEVIATIONS)
    nats = -0.5 * (np.sum(off**2, axis=0) + ((tried - period) / sure) ** 2)
    best = int(np.argmax(nats))
    others = np.any(whole != whole[:, best : best + 1], axis=0)
    if off[:, best].max() >= _DEVIATIONS or nats[others].max(initial=-np.inf) > nats[best] - _CERTAIN:
        return None
    return np.asarray(whole[:, best])


def _place(windows: Fits) -> Floats:
    """The middle of the windows' middle symbols, as `dsp.runs.assemble` counts them."""
    return np.asarray(windows.start + (windows.count // 2) * windows.period)


def _middle(place: Floats, symbols: Floats, period: float) -> float:
    """Where the middle symbol of a message is, as most of its windows say that are so many ``symbols`` on (n,)."""
    return float(np.median(place - period * (symbols - np.rint(symbols.mean()))))


def coasted(windows: Fits, owner: Ints, told: Flags) -> Fits:
    """Those that are not ``told`` moved to whole symbols from the ones before and after that are."""
    if told.all():
        return windows
    place, period = _place(windows), windows.period.copy()
    for number in np.unique(owner):
        rows = np.flatnonzero(owner == number)
        known, others = rows[told[rows]], rows[~told[rows]]
        if known.size and others.size:
            steady = one_clock(windows.take(known))
            usual = float(np.median(period[known]))
            each = clock(place[known], usual) if steady is None else np.full(known.size, steady)
            place[others], period[others] = _placed(place[others], place[known], each)
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
