"""Runs drawn from the decoder's own model, without any samples."""

from __future__ import annotations

import numpy as np

from dsp.correlate import Turned
from dsp.runs import MARGIN, Runs

PERIOD = 10.0
_NOWHERE = Turned(np.zeros(2, complex), 0.5)


def signs(count: int, rng: np.random.Generator) -> np.ndarray:
    """Equally likely 1 and -1, shape (count,)."""
    return rng.choice([-1.0, 1.0], count)


def drawn(
    sent: list[np.ndarray],
    gain: float,
    rng: np.random.Generator,
    *,
    noise: float = 1.0,
    margin: int = MARGIN,
    gap: float = 100_000.0,
) -> Runs:
    """Transmissions of symbols (n,) each, ``gap`` samples apart; the noise met is ``noise`` times the one assumed.

    ``margin`` symbols beside each lie within the samples.
    """

    def scatter(*shape: int) -> np.ndarray:
        return np.sqrt(noise) * (rng.normal(size=shape) + 1j * rng.normal(size=shape))

    count = np.array([len(one) for one in sent])
    offset = np.concatenate(([0], np.cumsum(count)))
    first = np.cumsum(count * PERIOD + gap) - count * PERIOD
    starts = np.concatenate([f + PERIOD * np.arange(n) for f, n in zip(first, count, strict=True)])
    before, after = scatter(len(sent), MARGIN), scatter(len(sent), MARGIN)
    before[:, : MARGIN - margin] = 0.0
    after[:, margin:] = 0.0
    size = int(offset[-1])
    return Runs(
        _NOWHERE,
        1.0,
        offset,
        starts,
        starts + PERIOD,
        np.concatenate(sent) * gain + scatter(size),
        np.full(size, float(gain)),
        np.ones(size, complex),
        np.ones(size),
        np.zeros(size),
        np.full(len(sent), 0.5),
        np.zeros(len(sent), bool),
        np.zeros(len(sent)),
        before,
        after,
    )
