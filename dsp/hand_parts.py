"""Marks by hand of several transmissions told apart: each has a symbol grid of its own."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from dsp.hand import fit_grid
from dsp.results import Refusal
from dsp.source import Floats

# the widest silences at which marks are parted, and the evidence that takes: by chance at most once in twenty times
_GAPS = 3
_CHANCE = math.log(20.0 * _GAPS)
_FEWEST = 3


def parted(times_s: ArrayLike) -> list[slice]:
    """Where marks (n,), in order of time in seconds, are parted so that each part has a symbol grid of its own.

    One of the widest silences is a border if two grids, each with a rate and a phase of its own, are likelier than one
    grid under all marks by a factor of twenty, the evidence of either being averaged over all that is open in it
    (MacKay 2003, chapter 28). Two transmissions of one talker differ in phase, those of two talkers in rate as well.

    Raises
    ------
    dsp.errors.BadInputError : as `dsp.hand.fit_grid`.
    """
    times = np.asarray(times_s, np.float64)
    return _parted(times, 0, times.size, _nats(times))


def _parted(times: Floats, first: int, last: int, whole: float) -> list[slice]:
    gaps = np.diff(times[first:last])
    wide = [int(i) for i in np.argsort(-gaps)[:_GAPS] if _FEWEST <= i + 1 <= gaps.size + 1 - _FEWEST]
    found = [
        (_nats(times[first : first + i + 1]), _nats(times[first + i + 1 : last]), first + i + 1) for i in wide
    ]
    best = max(found, key=lambda one: one[0] + one[1], default=None)
    if best is None or best[0] + best[1] <= whole + _CHANCE:
        return [slice(first, last)]
    before, after, border = best
    return [*_parted(times, first, border, before), *_parted(times, border, last, after)]


def _nats(times: Floats) -> float:
    """Evidence of a symbol grid against marks at random; none where there is no grid."""
    fit = fit_grid(times)
    return 0.0 if isinstance(fit, Refusal) else fit.nats
