"""Runs of symbols that show energy, parted where there may be silence among them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.bessel import log_bessel_quickly
from dsp.fits import Ints
from dsp.on_off import change_nats_unphased, on_runs_within, split_nats
from dsp.source import Floats

FEWEST = 5
# how often a run is cut at ever lower levels, and what of a level's square is as strong as it
_LEVELS = 3
_AS_STRONG = 0.5


def cut_within(runs: Ints, energy: NDArray[np.float32], score: Floats, cycles: float, weakest: float) -> Ints:
    """Runs (r, 2) cut at the level of their own symbols, where there may be silence within them.

    ``score`` (symbols,) is the log-likelihood ratio of the weakest symbols.
    """
    if not len(runs):
        return runs
    offset, at = _within(runs)
    count = np.diff(offset)
    own_energy = energy[at]
    length = np.sqrt(own_energy, dtype=np.float64)
    mean = np.add.reduceat(own_energy, offset[:-1], dtype=np.float64) / count
    own = np.sqrt(np.maximum(weakest**2, mean - 2.0))
    level = np.repeat(own, count)
    nats = log_bessel_quickly(level * length) - level * level / 2.0
    cost = split_nats(own, cycles)
    # how far the running sum falls within each run; runs are kept apart by a step larger than any fall
    total = np.cumsum(nats)
    step = float(np.abs(total).max()) * 2.0 + 1.0
    lifted = total + np.repeat(np.arange(count.size) * step, count)
    fall = np.maximum.reduceat(np.maximum.accumulate(lifted) - lifted, offset[:-1])
    falls = fall > 2.0 * cost
    whole = np.concatenate((runs[~falls], _pieces_of_runs(runs[falls], energy, score, cycles, weakest)))
    return whole[np.argsort(whole[:, 0], kind="stable")]


def _pieces_of_runs(
    runs: Ints, energy: NDArray[np.float32], score: Floats, cycles: float, weakest: float
) -> Ints:
    """What is on within each of the runs (r, 2), at the level of most of it; beside that, what is on at a lower level.

    A weak transmission close to a strong one would be cut to bits at the level of both.
    """
    out = []
    change = np.array(change_nats_unphased(weakest, cycles))
    for depth in range(_LEVELS, -1, -1):
        if not len(runs):
            break
        offset, at = _within(runs)
        own = energy[at]
        # the median, since there are silent symbols within
        ordered = _sorted_within(own, offset)
        median = 0.5 * (
            ordered[(offset[:-1] + offset[1:] - 1) // 2] + ordered[(offset[:-1] + offset[1:]) // 2]
        )
        middle = np.sqrt(np.maximum(weakest**2, median - 2.0))
        level = np.repeat(middle, np.diff(offset))
        nats = log_bessel_quickly(level * np.sqrt(own, dtype=np.float64)) - level * level / 2.0
        pieces = on_runs_within(nats, offset, split_nats(middle, cycles))
        owner = np.searchsorted(offset, pieces[:, 0], "right") - 1
        last = (middle < 1.5 * weakest) | (depth == 0)
        total = np.concatenate(([0.0], np.cumsum(own, dtype=np.float64)))
        mean = (total[pieces[:, 1]] - total[pieces[:, 0]]) / (pieces[:, 1] - pieces[:, 0])
        strong = (mean - 2.0 > _AS_STRONG * middle[owner] ** 2) | last[owner]
        pieces = (pieces - (offset[:-1] - runs[:, 0])[owner, None])[strong]
        out.append(pieces)
        # what lies beside the strong ones
        held = pieces[~last[owner[strong]]]
        runs = runs[~last]
        low, high = np.sort(np.append(runs[:, 0], held[:, 1])), np.sort(np.append(held[:, 0], runs[:, 1]))
        wide = high - low >= FEWEST
        gaps = np.stack((low[wide], high[wide]), axis=1)
        size = np.diff(runs, axis=1)[np.searchsorted(runs[:, 0], gaps[:, 0], "right") - 1, 0]
        offset, at = _within(gaps)
        rest = on_runs_within(score[at], offset, np.broadcast_to(change, len(gaps)))
        owner = np.searchsorted(offset, rest[:, 0], "right") - 1
        count = rest[:, 1] - rest[:, 0]
        again = (count >= FEWEST) & (count < size[owner])
        runs = (rest - (offset[:-1] - gaps[:, 0])[owner, None])[again]
    return np.concatenate(out) if out else runs


def _sorted_within(values: NDArray[np.float32], offset: Ints) -> Floats:
    """Rows of values, none negative, that lie one after the other from ``offset`` (rows + 1,) on, each in rising order."""
    # a power of two, so that next to nothing is lost where one sort serves for all rows
    step = 2.0 ** np.ceil(np.log2(1.0 + float(values.max(initial=0.0))))
    lift = np.repeat(step * np.arange(offset.size - 1), np.diff(offset))
    return np.asarray(np.sort(values + lift) - lift)


def _within(runs: Ints) -> tuple[Ints, Ints]:
    """Where the symbols of each of the runs (r, 2) begin in a row of all of them (r + 1,), and their numbers (s,)."""
    count = runs[:, 1] - runs[:, 0]
    offset = np.concatenate(([0], np.cumsum(count)))
    return offset, np.arange(offset[-1]) + np.repeat(runs[:, 0] - offset[:-1], count)
