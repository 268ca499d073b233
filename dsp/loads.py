"""Amplitudes that change within a transmission: a load that comes on scales all symbols after it.

The symbols' lengths are cut where two levels are likelier than one (binary segmentation, Scott and Knott 1974, the noise
that of neighbours' differences, von Neumann 1941), each level lasting longer than anything that is keyed.
"""

from __future__ import annotations

import numpy as np

from dsp.fits import Flags, Ints
from dsp.on_off import own_nats
from dsp.source import Floats

# symbols that a level lasts at least
SHORTEST = 8


def levels(lengths: Floats, gain: float) -> Floats:
    """Level of each symbol (k,) over their mean, of which ``gain`` is the size, noise being one; ones if there is but one.

    ``lengths`` (k,) are the symbols' lengths along the phase, their sign taken off.
    """
    out = np.ones(lengths.size)
    mean = float(lengths.mean()) if lengths.size else 0.0
    left = [(0, lengths.size)] if mean > 0.0 else []
    while left:
        a, b = left.pop()
        at = int(_splits(lengths[None, a:b], np.array([b - a]), np.array([gain]))[0])
        if at:
            left += [(a, a + at), (a + at, b)]
        elif b - a < lengths.size:
            out[a:b] = max(float(lengths[a:b].mean()) / mean, 1e-3)
    return out


def have_levels(lengths: Floats, count: Ints, gain: Floats) -> Flags:
    """Which rows (b,) of ``lengths`` (b, k), of ``count`` symbols each and 0 beyond, have more than one level."""
    return np.asarray(_splits(lengths, count, gain) > 0)


def _splits(lengths: Floats, count: Ints, gain: Floats) -> Ints:
    """How many symbols of each row (b,) the first of two levels has; 0 where one level is likelier."""
    wide = lengths.shape[1]
    if wide < 2 * SHORTEST:
        return np.zeros(len(lengths), dtype=np.int64)
    first = np.arange(SHORTEST, wide - SHORTEST + 1)
    sums = np.cumsum(lengths, axis=1)
    total = sums[:, -1:]
    n = count[:, None]
    rest = np.maximum(n - first, 1)
    before = sums[:, SHORTEST - 1 : wide - SHORTEST]
    told = before**2 / first + (total - before) ** 2 / rest - total**2 / n
    told = np.where(n - first >= SHORTEST, told, 0.0)
    at = np.argmax(told, axis=1)
    gained = told[np.arange(len(told)), at]
    # from neighbours, which a load hardly ever comes between, but keying does
    pairs = np.arange(1, wide) < n
    noise = 0.5 * np.sum(np.diff(lengths, axis=1) ** 2, axis=1, where=pairs) / np.maximum(count - 1, 1)
    sure = 0.5 * gained > np.maximum(noise, 1.0) * own_nats(0.5 * gain**2)
    return np.where(sure, first[at], 0)
