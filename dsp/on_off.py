"""Where something is sent and where nothing is: the likeliest runs through log-likelihood ratios, and what they cost."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.source import Floats

# turns of a running sum that are worth no array calls
_FEW_TURNS = 160
# natural units that what a transmission has of its own gains it in noise
OWN_NATS = 12.0


def best_run(score: Floats) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64]]:
    """Largest sum over contiguous columns of each row, with its half-open column range.

    ``score`` has shape (rows, columns).
    """
    total = np.zeros((score.shape[0], score.shape[1] + 1), dtype=score.dtype)
    np.cumsum(score, axis=1, out=total[:, 1:])
    lowest = np.minimum.accumulate(total, axis=1)
    gain = total - lowest
    stop = np.argmax(gain, axis=1)
    rows = np.arange(score.shape[0])
    value = gain[rows, stop]
    # the start is the last column before the stop at which the lowest total was reached
    hit = (total == lowest[rows, stop][:, None]) & (np.arange(total.shape[1])[None, :] <= stop[:, None])
    start = total.shape[1] - 1 - np.argmax(hit[:, ::-1], axis=1)
    return value, start, stop


def on_runs(on_nats: Floats, change_nats: float) -> list[tuple[int, int]]:
    """Half-open index runs that are on along the best path; ``on_nats`` is ln(on / off) of each frame.

    The best path of a two-state chain switches on where the running sum has risen by the cost of two
    changes from its minimum, and off where it has fallen so from its maximum (Page 1954).
    """
    # only the ends of stretches of one sign can be where the running sum turns
    places = turns_of(on_nats > 0.0)
    return path_through(places, np.concatenate(([0.0], np.cumsum(on_nats)))[places], change_nats)


def on_runs_within(
    on_nats: Floats, offset: NDArray[np.integer[Any]], change_nats: Floats
) -> NDArray[np.int64]:
    """`on_runs` of rows that lie one after the other, all at once: runs (n, 2), none across the end of a row.

    ``offset`` (rows + 1,) is where each row begins, ``change_nats`` (rows,) what a change costs in it.
    """
    if not on_nats.size:
        return np.zeros((0, 2), dtype=np.int64)
    cost = np.repeat(2.0 * change_nats, np.diff(offset))
    sign = on_nats > 0.0
    begins = np.zeros(on_nats.size, dtype=np.bool_)
    begins[offset[:-1]] = True
    before = np.concatenate(([False], sign[:-1])) & ~begins
    # a row begins where it first rises and ends where it last does: between rows the sum falls as far as it takes
    rise = np.flatnonzero(sign & ~before)
    last = np.append(begins[1:], True)
    fall = np.flatnonzero(sign & (last | ~np.append(sign[1:], False))) + 1
    if not rise.size:
        return np.zeros((0, 2), dtype=np.int64)
    # in units of the cost, which differs from row to row
    total = np.concatenate(([0.0], np.cumsum(on_nats / cost)))
    row = np.searchsorted(offset, rise, "right") - 1
    step = 2.0 + 2.0 * float(np.abs(total).max())
    places, sums = np.stack((rise, fall), axis=1), np.stack((total[rise], total[fall]), axis=1)
    sums -= (step * row)[:, None]
    return np.array(path_through(places.ravel(), sums.ravel(), 0.5), dtype=np.int64).reshape(-1, 2)


def turns_of(sign: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Both ends of a row (n,) of signs, and where the sign changes."""
    turns = np.flatnonzero(sign[1:] != sign[:-1]) + 1
    return np.concatenate(([0], turns, [sign.size]))


def path_through(places: NDArray[np.int64], total: Floats, change_nats: float) -> list[tuple[int, int]]:
    """`on_runs` by the running sum ``total`` (t,) at the ``places`` (t,) where it turns, and at both ends."""
    cost = 2.0 * change_nats
    places, total = _without_ripple(places, total, cost)
    runs: list[tuple[int, int]] = []
    on = False
    begin = low_at = high_at = 0
    low = high = 0.0
    for at, value in zip(places.tolist(), total.tolist(), strict=True):
        if on:
            if value > high:
                high, high_at = value, at
            elif high - value > cost:
                runs.append((begin, high_at))
                on, low, low_at = False, value, at
        elif value <= low:
            low, low_at = value, at
        elif value - low > cost:
            on, begin, high, high_at = True, low_at, value, at
    if on:
        runs.append((begin, high_at))
    return runs


def _without_ripple(
    places: NDArray[np.int64], total: Floats, cost: float
) -> tuple[NDArray[np.int64], Floats]:
    """Turns of a running sum without those that no path of least cost turns at.

    A step back that is smaller than ``cost`` and than the steps on either side of it reaches beyond neither the
    turn before nor the one after: switching there gains nothing. Each round leaves about a third.
    """
    while total.size > _FEW_TURNS:
        step = np.abs(np.diff(total))
        inner = step[1:-1]
        small = (inner < step[:-2]) & (inner < step[2:]) & (inner < cost)
        first = np.flatnonzero(small) + 1
        if not first.size:
            break
        keep = np.ones(total.size, dtype=np.bool_)
        keep[first] = keep[first + 1] = False
        places, total = places[keep], total[keep]
    return places, total


def strongest_runs(nats: Floats, change: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """The likeliest of the runs of `on_runs` in each row: first, last (half-open) and value, each (rows,).

    ``nats`` has shape (rows, columns), ``change`` (rows,).
    """
    value, first, last = best_run(nats)
    # only a run that falls far in between may be two, and none falls farther than by all that is negative in it
    column = np.arange(nats.shape[1])
    within = (column >= first[:, None]) & (column < last[:, None])
    lost = -np.sum(np.minimum(nats, 0.0), axis=1, where=within)
    rows = np.flatnonzero(lost > 2.0 * change)
    for row in rows[_falls(np.where(within[rows], nats[rows], 0.0)) > 2.0 * change[rows]].tolist():
        runs = on_runs(nats[row], float(change[row]))
        if runs:
            sums = [float(nats[row, a:b].sum()) for a, b in runs]
            most = int(np.argmax(sums))
            first[row], last[row], value[row] = *runs[most], sums[most]
    return first, last, value


def _falls(nats: Floats) -> Floats:
    """How far the running sum of each row (b, n) falls from the highest it has been, the nothing before it included."""
    total = np.cumsum(nats, axis=1)
    return np.asarray(
        (np.maximum.accumulate(np.maximum(total, 0.0), axis=1) - total).max(axis=1, initial=0.0)
    )


def change_nats(gain: Floats) -> Floats:
    """Cost of switching on or off, for symbols of length ``gain`` correlated in phase.

    Only the odds of a rare event are asked: a silence begins once in some fifty symbols, is one of some twenty
    lengths, and what follows it has a timing and a phase of its own. A little more of strong symbols, whose
    lengths differ by more than noise.
    """
    return np.where(np.asarray(gain) < 4.5, 5.5, 7.0)


def change_nats_unphased(gain: float, cycles: float) -> float:
    """The same for symbol lengths whose timing and phase are only roughly known.

    With few carrier ``cycles`` a symbol its length depends on the phase it begins with.
    """
    return max(4.0, (0.225 if cycles > 1.6 else 0.4) * gain * gain)


def split_nats(gain: Floats, cycles: float) -> Floats:
    """The same where a run is cut for trial, and a fit to the whole then tells whether it must be."""
    return np.clip((0.225 if cycles > 1.6 else 0.4) * gain * gain, 1.5, 6.0 if cycles > 1.6 else 12.0)


def own_nats(each: Floats) -> Floats:
    """What a transmission must be worth to be one of its own, its symbols being worth ``each`` nats.

    Timing, phase, carrier, amplitude and ends of its own gain as much in noise, and one must begin at just this symbol;
    of strong ones more, since no pulse and no period is just as it is taken to be.
    """
    return np.asarray(OWN_NATS + 0.35 * np.maximum(0.0, each - 6.0))
