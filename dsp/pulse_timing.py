"""Timing of transmissions of smooth pulses that were followed: a straight line of edges, by what the pulse says.

Cut to rectangles, smooth symbols reach into their neighbours, and each window's timing leans by what these happen to be.
With pulse and signs known that is no noise: a line of edges is fitted to all symbols by Gauss and Newton's least squares,
which is maximum likelihood with decided symbols (Meyr, Moeneclaey and Fechtel, Digital Communication Receivers, section
5.3).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.fits import Ints
from dsp.pulse import REACH, Pulse, seen
from dsp.pulse_ends import remade
from dsp.runs import Runs
from dsp.source import Floats

# symbols over which a clock runs evenly: one that drifts by 2 % in 20,000 symbols bends their edges by 0.03 of a symbol
_EVEN = 512
_ROUNDS = 5
# symbols by which edges move at most in a round, pulses bending
_STEP = 0.2


def straightened(runs: Runs, pulse: Pulse) -> Runs:
    """The same transmissions with edges on a straight line each, but those too long for that."""
    mine = runs.count <= _EVEN
    if not mine.any():
        return runs
    first, period = _through_edges(runs)
    for _ in range(_ROUNDS):
        runs = _on_lines(runs, np.where(mine, first, np.nan), period)
        at_first, at_last = _late(runs, pulse)
        slower = (at_last - at_first) / np.maximum(runs.count - 1, 1)
        # symbols to samples, from the middle of the outermost ones to their edges
        first = first + period * (at_first - 0.5 * slower)
        period = period * (1.0 + slower)
    return _on_lines(runs, np.where(mine, first, np.nan), period)


def _places(runs: Runs) -> Ints:
    """Number of each symbol (s,) within its transmission."""
    return np.asarray(np.arange(runs.symbols.size) - np.repeat(runs.offset[:-1], runs.count))


def _through_edges(runs: Runs) -> tuple[Floats, Floats]:
    """Leading edge and period (b,) of the line through the middles of each one's symbols."""
    owner, count = runs.owner, runs.count
    off = _places(runs) - 0.5 * (count - 1)[owner]
    mids = 0.5 * (runs.starts + runs.stops)
    centre = np.bincount(owner, mids) / count
    period = np.bincount(owner, off * (mids - centre[owner])) / np.maximum(
        np.bincount(owner, off * off), 1e-9
    )
    return centre - 0.5 * count * period, period


def _on_lines(runs: Runs, first: Floats, period: Floats) -> Runs:
    """With the edges that begin at ``first`` (b,), NaN for those that stay."""
    starts = first[runs.owner] + _places(runs) * period[runs.owner]
    moves = np.isfinite(starts)
    starts = np.where(moves, starts, runs.starts)
    stops = np.where(moves, starts + period[runs.owner], runs.stops)
    at, last = runs.offset[:-1], runs.offset[1:] - 1
    slope = (runs.angles[last] - runs.angles[at]) / np.maximum(runs.stops[last] - runs.stops[at], 1.0)
    angles = runs.angles + slope[runs.owner] * 0.5 * (starts + stops - runs.starts - runs.stops)
    return remade(replace(runs, starts=starts, stops=stops, angles=angles), np.isfinite(first))


def _late(runs: Runs, pulse: Pulse) -> tuple[Floats, Floats]:
    """By how many symbols the first and the last symbol of each transmission (b,) are later than their edges say."""
    parts, owner = pulse.parts, runs.owner
    period = runs.stops - runs.starts
    at, last = runs.offset[:-1], runs.offset[1:] - 1
    slope = (runs.angles[last] - runs.angles[at]) / np.maximum(runs.stops[last] - runs.stops[at], 1.0)
    pull, weight = seen(
        runs.turned,
        pulse.variance,
        runs.starts[:, None] + period[:, None] * np.arange(parts + 1) / parts,
        runs.angles,
        slope[owner],
        0.5 * (runs.starts + runs.stops),
        runs.gains * np.sqrt(2.0 * runs.variance / period),
    )
    sign = np.where(runs.symbols.real > 0.0, 1.0, -1.0)
    # column j: the symbol whose part j this is, 0 beyond the ends
    which = np.arange(sign.size)[:, None] + REACH - np.arange(2 * REACH + 1)
    within = (which >= at[owner][:, None]) & (which <= last[owner][:, None])
    bits = np.where(within, sign[np.clip(which, 0, sign.size - 1)], 0.0)
    bend = np.gradient(pulse.shape.ravel() * parts).reshape(pulse.shape.shape)
    slopes = bits @ bend
    score = -np.sum((pull - weight * (bits @ pulse.shape)) * slopes, axis=1)
    told = np.sum(weight * slopes**2, axis=1)
    lever = (_places(runs) - 0.5 * (runs.count - 1)[owner]) / runs.count[owner]
    one, x, xx = (np.bincount(owner, told * lever**power) for power in (0, 1, 2))
    pull_0, pull_1 = (np.bincount(owner, score * lever**power) for power in (0, 1))
    whole = np.maximum(one * xx - x * x, 1e-12 * one * one)
    middle, tilt = (xx * pull_0 - x * pull_1) / whole, (one * pull_1 - x * pull_0) / whole
    half = 0.5 * (runs.count - 1) / runs.count
    return np.clip(middle - half * tilt, -_STEP, _STEP), np.clip(middle + half * tilt, -_STEP, _STEP)
