"""Whether what a model would have be reversals lies along an axis at all: a quick look before anything is fitted.

Reversals leave the phase on one line through zero, and its square at one point: of symbols in a row, the sum of squares is
nearly as long as the sum of lengths. Of noise it is as long as a random walk (circular: Picinbono, On circularity, 1994).
Short stretches are looked at, as phases differ from transmission to transmission, and carriers may wander.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dsp.correlate import Turned, turn_back
from dsp.fits import Flags
from dsp.source import Floats

# symbols that are looked at together: shorter than nearly all transmissions; and windows in a symbol's time
_TOGETHER, _PER_SYMBOL = 16, 2
# stretches that have one carrier, and the turns of the square over one of them that are tried for it
_OF_ONE = 8
_TURNS = np.arange(-4, 5) / 2.0
# such rows of stretches from which on chance is small beside what reversals show; and the share of all that they hold
_FEWEST, _MOSTLY = 2, 0.9
# length of the sum of squares over the sum of squared lengths: white noise has 0.335 with the best of the turns, two rows of
# it scatter by 0.025, and coloured noise has up to 0.39; symbols of 5 dB have 0.5 and more, if their carrier is right
_SHOWN = 0.43
# from one period to the next that is looked at: symbols an eighth longer or shorter show the same axis
_APART = 1.25


def may_reverse(parts: Sequence[Floats], omega: float, periods: Floats) -> Flags:
    """Of ``periods`` (p,) in samples, those (p,) of which the ``parts`` (n,) do not hold many symbols without any axis.

    ``omega`` is the carrier in radians a sample. Where something else is stronger within a symbol rate of it nothing can be
    seen either, and no fit would be believed.
    """
    out = np.ones(periods.size, dtype=np.bool_)
    turned: list[Turned] = []
    steps = np.floor(np.log(periods) / np.log(_APART)).astype(np.int64)
    for step in np.unique(steps).tolist():
        period = _APART ** (step + 0.5)
        long = [n for n, part in enumerate(parts) if part.size > (_FEWEST * _OF_ONE * _TOGETHER + 1) * period]
        if sum(parts[n].size for n in long) > _MOSTLY * sum(part.size for part in parts):
            turned = turned or [turn_back(part, omega) for part in parts]
            out[steps == step] = any(along_axis(turned[n], period) > _SHOWN for n in long)
    return out


def along_axis(turned: Turned, period: float) -> float:
    """Length of the sum of squares over the sum of squared lengths, 0 to 1."""
    step, row = period / _PER_SYMBOL, _TOGETHER * _PER_SYMBOL
    at = np.rint(np.arange(int((turned.length - period) / step)) * step).astype(np.int64)
    rows = at.size // (row * _OF_ONE)
    at = at[: rows * row * _OF_ONE]
    sums = turned.sums[at + round(period)] - turned.sums[at]
    square = (sums * sums).reshape(rows * _OF_ONE, row)
    turns = np.exp(-2j * np.pi * np.arange(row)[:, None] / row * _TURNS)
    lengths = np.abs(square @ turns).reshape(rows, _OF_ONE, _TURNS.size).sum(axis=1).max(axis=1)
    return float(lengths.sum() / max(float(np.abs(square).sum()), 1e-300))
