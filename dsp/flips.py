"""When each phase reversal happened, by itself: a change point with its probability along time.

Between two symbols of opposite sign the log-likelihood of a reversal at ``t`` is, up to a constant,
``2 s A / v`` times the running correlation up to ``t`` (Hinkley 1970), ``s`` the sign before it, ``A`` the
amplitude and ``v`` the noise variance. A reversal between two samples can be anywhere between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from dsp.correlate import cos_sin
from dsp.fits import Ints, groups_of
from dsp.runs import Runs
from dsp.source import Floats

_REACH_NATS = 16.0
# cells that are worked on together
_CELLS = 1 << 16


@dataclass(frozen=True, eq=False)
class Flips:
    """Position (f,) and 95 % interval ``low`` to ``high`` (f,) of each flip; ``offset`` (b + 1,) as of `Runs`."""

    where: Floats
    low: Floats
    high: Floats
    offset: Ints


def flip_times(runs: Runs, noise: float) -> Flips:
    """The flips of all runs, in samples of the strip.

    ``noise`` is the variance met in units of the runs' own. A flip is looked for up to half a symbol away from
    the edge it belongs to; its mean over the likelihood is given.
    """
    y = runs.symbols.real
    turned_over = np.sign(y[1:]) != np.sign(y[:-1])
    turned_over[runs.offset[1:-1] - 1] = False
    at = np.flatnonzero(turned_over) + 1
    offset = np.concatenate(([0], np.cumsum(turned_over)))
    offset = np.concatenate((offset, offset[-1:]))[runs.offset]
    edge = runs.starts[at]
    half = 0.5 * np.minimum(runs.stops[at - 1] - runs.starts[at - 1], runs.stops[at] - edge)
    gain = 0.5 * (runs.gains[at - 1] + runs.gains[at])
    # the likelihood falls by 2 g^2 a symbol: farther than this there is nothing of it left
    reach = np.minimum(half, 2.0 * half * _REACH_NATS * noise / np.maximum(gain * gain, 1e-9) + 4.0)
    first = np.maximum(0, np.ceil(edge - reach)).astype(np.int64)
    last = np.minimum(runs.turned.length, np.floor(edge + reach)).astype(np.int64)
    where = edge.copy()
    low, high = edge - half, edge + half
    # g = A sqrt(T / 2v), hence A / v = g sqrt(2 / (T v))
    slope = 2.0 * np.sign(y[at - 1]) * gain * np.sqrt(2.0 / (2.0 * half * runs.variance)) / noise
    angle = 0.5 * (runs.angles[at - 1] + runs.angles[at])
    size = np.maximum(last - first + 1, 0)
    for group in groups_of(size, _CELLS):
        rows = group[size[group] > 1]
        if rows.size:
            spot = _posterior(runs, first[rows], size[rows], slope[rows], angle[rows])
            where[rows], low[rows], high[rows] = spot
    return Flips(where, low, high, offset)


def _posterior(
    runs: Runs, first: Ints, size: Ints, slope: Floats, angle: Floats
) -> tuple[Floats, Floats, Floats]:
    """Mean and 95 % interval over ``size`` cells from ``first`` on, each one sample wide."""
    wide, sums = int(size.max()), runs.turned.sums
    if int(first.max()) + wide <= sums.size:
        cells = sliding_window_view(sums, wide)[first]
    else:
        cells = sums.take(first[:, None] + np.arange(wide), mode="clip")
    # what comes before does not matter, and the rest fits into single precision
    nats, across = (np.empty(cells.shape, dtype=np.float32) for _ in range(2))
    np.subtract(cells.real, cells.real[:, :1], out=nats, casting="same_kind")
    np.subtract(cells.imag, cells.imag[:, :1], out=across, casting="same_kind")
    cos, sin = cos_sin(angle)
    steep = slope.astype(np.float32)
    nats *= (cos * steep)[:, None]
    across *= (sin * steep)[:, None]
    nats += across
    for column in range(int(size.min()), wide):
        nats[size <= column, column] = -np.inf
    nats -= nats.max(axis=1)[:, None]
    weight = np.exp(nats, out=nats)
    below = np.cumsum(weight, axis=1, out=across)
    total = below[:, -1].astype(np.float64)
    # cell k is the sum up to sample first + k: the flip lies between that sample and the one before
    mean = first + (weight @ np.arange(wide, dtype=np.float32)) / total - 0.5
    row = np.arange(first.size)
    # as narrow as it may be, so that many are counted at once
    count = np.uint8 if wide < 256 else np.int64

    def quantile(share: float) -> Floats:
        wanted = share * total
        under = below < wanted.astype(np.float32)[:, None]
        reached = np.add.reduce(under, axis=1, dtype=count).astype(np.int64)
        before = np.where(reached > 0, below[row, np.maximum(reached - 1, 0)], 0.0)
        part = (wanted - before) / np.maximum(weight[row, reached], 1e-30)
        return np.asarray(first + reached - 1.0 + np.clip(part, 0.0, 1.0))

    return mean, quantile(0.025), quantile(0.975)
