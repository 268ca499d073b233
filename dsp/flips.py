"""When each phase reversal happened, by itself: a change point with its probability along time.

Between two symbols of opposite sign the log-likelihood of a reversal at ``t`` is, up to a constant,
``2 s A / v`` times the running correlation up to ``t`` (Hinkley 1970), ``s`` the sign before it, ``A`` the
amplitude and ``v`` the noise variance. A reversal between two samples can be anywhere between them.
"""

from __future__ import annotations

import numpy as np

from dsp.source import Floats
from dsp.track import Run


def flip_times(run: Run, noise: float) -> tuple[Floats, Floats]:
    """Position and 95 % interval of each flip, in samples of the region.

    ``noise`` is the variance met in units of the region's. Returns arrays of shape (f,) and (f, 2).
    """
    y = run.symbols.real
    at = np.flatnonzero(np.sign(y[1:]) != np.sign(y[:-1])) + 1
    where = np.empty(at.size)
    interval = np.empty((at.size, 2))
    sums = run.turned.sums
    for row, k in enumerate(at.tolist()):
        edge = float(run.edges[k])
        half = 0.5 * min(run.edges[k] - run.edges[k - 1], run.edges[k + 1] - run.edges[k])
        low = max(0, int(np.ceil(edge - half)))
        high = min(run.turned.length, int(np.floor(edge + half)))
        if high <= low:
            where[row], interval[row] = edge, (edge - half, edge + half)
            continue
        phase = 0.5 * (run.phases[k - 1] + run.phases[k]) - run.turned.omega * edge
        gain = 0.5 * (run.gains[k - 1] + run.gains[k])
        # g = A sqrt(T / 2v), hence A / v = g sqrt(2 / (T v))
        per_unit = gain * np.sqrt(2.0 / (2.0 * half * run.region.variance)) / noise
        correlation = (sums[low : high + 1] * np.exp(-1j * phase)).real
        nats = 2.0 * np.sign(y[k - 1]) * per_unit * correlation
        weight = np.exp(nats - nats.max())
        weight /= weight.sum()
        cells = np.arange(low, high + 1) - 0.5
        below = np.concatenate(([0.0], np.cumsum(weight)))
        borders = np.concatenate((cells - 0.5, [cells[-1] + 0.5]))
        where[row] = float(weight @ cells)
        interval[row] = np.interp((0.025, 0.975), below, borders)
    return where, interval
