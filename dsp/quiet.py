"""The level of noise that is the same at all frequencies, from the frames in which nothing is sent.

All bins of a frame together scatter much less than any of them. In a short record, of which a transmission fills a good
part, that tells it from noise that is there all the time, when the few frames of a bin cannot.
"""

from __future__ import annotations

import numpy as np

from dsp.source import Floats

QUANTILE = 0.12
"""Share of frames that are quiet at the least."""

# bins of a Hann window that are worth one independent ordinate: 1 + 2 (4/9 + 1/36)
_HANN_ALIKE = 1.94
# share of frames of noise alone that are taken for more, and how often quiet ones are told from others
_RARE, _ROUNDS = 0.02, 4
# frames in which a single transmission is looked for; more of them tell the level without that
_FEW = 128
# natural units by which it must be likelier than none, beyond what the best of all starts and stops gains in noise
_SURE_NATS = 3.0


def quiet_level(power: Floats) -> float:
    """Mean of squared spectra (frames, bins) where they are quiet, were it the same in all bins."""
    from scipy.special import gammaincinv

    together = power.mean(axis=1)
    equal: float = max(1.0, power.shape[1] / _HANN_ALIKE)
    level: float = float(np.quantile(together, QUANTILE)) * equal / float(gammaincinv(equal, QUANTILE))
    most = float(gammaincinv(equal, 1.0 - _RARE)) / equal
    for _ in range(_ROUNDS):
        # the quantile of all is too high a one of the quiet frames, where these are few
        level = float(np.mean(together[together <= most * level]))
    return min(level, _beside_one(together, equal)) if together.size <= _FEW else level


def _beside_one(together: Floats, equal: float) -> float:
    """Mean of frames (n,), worth ``equal`` ordinates each, beside the likeliest stretch of them that is louder; infinite
    if there surely is none.

    The likelihood of two levels with a start and a stop between them (Hinkley 1970), exponential ordinates.
    """
    count = together.size
    sums = np.concatenate(([0.0], np.cumsum(together)))
    start, stop = np.triu_indices(count + 1, 1)
    inside = stop - start
    # two frames at least tell a level
    some = (inside >= 2) & (count - inside >= max(2.0, QUANTILE * count))
    start, stop, inside = start[some], stop[some], inside[some]
    if not start.size or not sums[-1] > 0.0:
        return np.inf
    loud = sums[stop] - sums[start]
    calm = np.maximum(sums[-1] - loud, 1e-300)
    loud, calm = np.maximum(loud / inside, 1e-300), calm / (count - inside)
    told = count * np.log(sums[-1] / count) - inside * np.log(loud) - (count - inside) * np.log(calm)
    told = np.where(loud > calm, equal * told, 0.0)
    best = int(np.argmax(told))
    return float(calm[best]) if told[best] > _SURE_NATS + 2.0 * np.log(count) else np.inf
