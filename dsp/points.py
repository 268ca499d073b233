"""The first edge of a transmission whose samples are ideal points, each of one symbol only.

Then the likelihood does not change until an edge passes a sample, and jumps there. Where single samples tell much, no
coarse grid finds its top: every stretch between two jumps near the best of a grid is tried.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from dsp.correlate import Turned
from dsp.source import Floats

# natural units that a single sample tells, from which on it matters which symbol it is of
TELLING_NATS = 3.0
# samples to either side within which the first edge is looked for, in steps, and then between its neighbours
REACH_SAMPLES = 0.6
_STEPS = 12


def are_points(turned: Turned, gain: Floats, period: Floats) -> bool:
    """Whether samples are taken as ideal points and tell much each: ``2 g^2`` over the samples of a symbol."""
    return turned.sharp and float(np.median(2.0 * gain * gain / period)) > TELLING_NATS


def likeliest_start(
    start: Floats, period: Floats, count: int, likelihood: Callable[[Floats], Floats]
) -> Floats:
    """The first edges (b,) of most ``likelihood``, which takes trial ones (b, s); edges are ``count`` periods long."""
    row = np.arange(start.size)
    grid = start[:, None] + np.linspace(-REACH_SAMPLES, REACH_SAMPLES, 2 * _STEPS + 1)
    near = grid[row, np.argmax(likelihood(grid), axis=1)]
    step = REACH_SAMPLES / _STEPS
    # where an edge passes a sample: the next whole number beyond each edge
    edges = (near - step)[:, None] + np.arange(count + 1) * period[:, None]
    jumps = np.sort(np.ceil(edges) - edges, axis=1)
    bounds = np.minimum(jumps, 2.0 * step)
    bounds = np.concatenate((np.zeros((start.size, 1)), bounds, np.full((start.size, 1), 2.0 * step)), axis=1)
    middles = (near - step)[:, None] + 0.5 * (bounds[:, 1:] + bounds[:, :-1])
    # most of the jumps lie beyond: as many columns as the fullest row needs
    used = int(np.max(np.sum(bounds[:, 1:] - bounds[:, :-1] > 0.0, axis=1)))
    return np.asarray(middles[row, np.argmax(likelihood(middles[:, : used + 1]), axis=1)])
