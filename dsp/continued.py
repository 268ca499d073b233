"""Samples continued beyond an end by what they let predict there.

Where a filter's gain ranges over many decades, whatever is made up beyond an end shows within it, unless it has the spectrum
of what is there: a mirrored carrier stands on a step, which has all frequencies. Linear prediction continues samples by
their own spectrum; its coefficients are Burg's (Burg 1975; Kay and Marple, Proc. IEEE 69, 1981), which never let it grow.
"""

from __future__ import annotations

import numpy as np

from dsp.source import Floats

# samples before an end that tell how it goes on, and coefficients: enough for a carrier in a band, and a level under it
_LEARNT_FROM = 2048
_COEFFICIENTS = 32


def continued(samples: Floats, count: int) -> Floats:
    """``count`` samples that follow ``samples`` (n,), as they are predicted."""
    from scipy.linalg import solve_banded

    known = samples[-_LEARNT_FROM:].astype(np.float64)
    order = min(_COEFFICIENTS, known.size // 4)
    power = float(known @ known)
    if order < 1 or power <= 0.0:
        return np.zeros(count, dtype=samples.dtype)
    taps = prediction_error(known, order)
    # each sample and what came before it, weighted, add up to no error: known ones stand on the right
    bands = np.repeat(taps[:, None], count, axis=1)
    right = np.zeros(count)
    past = known[-order:]
    for k in range(min(order, count)):
        right[k] = -float(taps[k + 1 :] @ past[k:][::-1])
    return solve_banded((order, 0), bands, right).astype(samples.dtype)


def prediction_error(samples: Floats, order: int) -> Floats:
    """Coefficients (order + 1,), the first of them 1, of the filter that leaves least of samples (n,), by Burg's method."""
    taps = np.ones(1)
    forward, backward = samples[1:].copy(), samples[:-1].copy()
    for _ in range(order):
        power = float(forward @ forward + backward @ backward)
        reflection = -2.0 * float(forward @ backward) / power if power > 0.0 else 0.0
        padded = np.concatenate((taps, [0.0]))
        taps = padded + reflection * padded[::-1]
        forward, backward = forward[1:] + reflection * backward[1:], (backward + reflection * forward)[:-1]
    return taps
