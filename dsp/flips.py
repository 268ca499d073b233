"""When each phase reversal happened, by itself: a change point with its probability along time.

Between two symbols of opposite sign the log-likelihood of a reversal at ``t`` is, up to a constant,
``2 s A / v`` times the running correlation up to ``t`` (Hinkley 1970), ``s`` the sign before it, ``A`` the
amplitude and ``v`` the noise variance. A reversal between two samples can be anywhere between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import cos_sin
from dsp.fits import Ints, groups_of
from dsp.runs import Runs
from dsp.source import Floats

_REACH_NATS = 16.0
# cells that are worked on together: with little to do for each, fewer calls count more than the cache
_CELLS = 1 << 17


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
    # cells along the first axis, flips along the second: there are more of them
    k = np.arange(int(size.max()))
    sums = runs.turned.sums.take(first + k[:, None], mode="clip")
    # what comes before does not matter, and the rest fits into single precision
    sums -= sums[:1].copy()
    cos, sin = cos_sin(angle)
    steep = slope.astype(np.float32)
    nats = sums.real.astype(np.float32)
    nats *= cos * steep
    across = sums.imag.astype(np.float32)
    across *= sin * steep
    nats += across
    for row in range(int(size.min()), k.size):
        nats[row, size <= row] = -np.inf
    nats -= nats.max(axis=0)
    weight = np.exp(nats, out=nats)
    below = _running(weight)
    total = below[-1].astype(np.float64)
    # cell k is the sum up to sample first + k: the flip lies between that sample and the one before
    mean = first + np.einsum("ij,i->j", weight, k.astype(np.float32)) / total - 0.5
    column = np.arange(first.size)
    # as narrow as it may be, so that many are counted at once
    count = np.uint8 if k.size < 256 else np.int64

    def quantile(share: float) -> Floats:
        wanted = share * total
        reached = np.add.reduce(below < wanted.astype(np.float32), axis=0, dtype=count).astype(np.int64)
        before = np.where(reached > 0, below[np.maximum(reached - 1, 0), column], 0.0)
        part = (wanted - before) / np.maximum(weight[reached, column], 1e-30)
        return np.asarray(first + reached - 1.0 + np.clip(part, 0.0, 1.0))

    return mean, quantile(0.025), quantile(0.975)


def _running(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Running sum along the first axis, by whole rows where these are long: a sum goes one value at a time."""
    if values.shape[0] > values.shape[1]:
        return np.cumsum(values, axis=0)
    out = values.copy()
    for row in range(1, len(out)):
        out[row] += out[row - 1]
    return out
