"""The likelihood of the timing of transmissions whose symbols may be in doubt: averaged over each symbol's sign.

Many periods and first edges are asked of the same few samples next to each edge. What a symbol's correlation takes
from them is therefore looked up: in a table for each edge, in single precision, counted from its first sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import cos_sin, log_cosh
from dsp.fits import Fits, timing_nats
from dsp.lookup import ROUNDING, table_values
from dsp.source import Floats

# elements of an array that stay in a core's cache
_PIECE = 1 << 14
# values of tables that are made at once, and how many times as often each is to be asked as it takes to be worth making
_TABLE = 1 << 20
_ASKED = 2.0
# edges times first edges of one transmission up to which all are looked up at once: more would take much memory
_AT_ONCE = 1 << 21


@dataclass(frozen=True, eq=False)
class WeakTiming:
    """Transmissions whose phase, carrier, amplitude and number of symbols are held."""

    fits: Fits

    def over(self, periods: Floats, steps: Floats) -> Floats:
        """Log-likelihood (p, b, s) of each of ``periods``, (p,) the same for all transmissions or (p, b).

        First edges lie ``steps`` (b, s) from where they are if each transmission's middle stays where it is.
        """
        fits = self.fits
        periods = np.broadcast_to(periods.T, (len(fits), len(periods))).T
        most = 0.5 * fits.count * np.ptp(periods, axis=0) + 2.0 * np.abs(steps).max(axis=1)
        samples = np.ceil(most).astype(np.int64) + 4
        # a longer window holds more than is asked of it
        looked_up = (samples * _ASKED < len(periods) * steps.shape[1]) & (fits.count > 0)
        looked_up &= fits.count * steps.shape[1] < _AT_ONCE
        out = np.empty((len(periods), *steps.shape))
        if not looked_up.all():
            rows = np.flatnonzero(~looked_up)
            out[:, rows] = _one_by_one(fits.take(rows), periods[:, rows], steps[rows])
        rows = np.flatnonzero(looked_up)
        size = samples[rows] * (fits.count[rows] + 1)
        part = np.cumsum(size) // _TABLE
        for some in np.split(rows, np.flatnonzero(np.diff(part)) + 1):
            if some.size:
                out[:, some] = _looked_up(fits.take(some), periods[:, some], steps[some])
        return out


def _one_by_one(fits: Fits, periods: Floats, steps: Floats) -> Floats:
    out = np.empty((len(periods), *steps.shape))
    # few short transmissions with many periods at once: calls would take longer than what they do
    together = max(1, _PIECE // max(1, fits.inside().size * steps.shape[1]))
    for a in range(0, len(periods), together):
        some = periods[a : a + together]
        many = fits.take(np.tile(np.arange(len(fits)), len(some)))
        first = (fits.middle - 0.5 * fits.count * some)[:, :, None] + steps
        nats = timing_nats(many, first.reshape(-1, steps.shape[1]), some.ravel())
        out[a : a + len(some)] = nats.reshape(first.shape)
    return out


def _looked_up(fits: Fits, periods: Floats, steps: Floats) -> Floats:
    sharp = fits.turned.sharp
    centre = 0.5 * (periods.min(axis=0) + periods.max(axis=0))
    moves = periods - centre
    # the edges (e,) of one transmission after those of the other
    edges = fits.count + 1
    offset = np.concatenate(([0], np.cumsum(edges)))
    row = np.repeat(np.arange(len(fits)), edges)
    lever = np.arange(offset[-1]) - offset[row] - 0.5 * fits.count[row]
    place = fits.middle[row] + lever * centre[row] + fits.turned.early
    wide = np.abs(lever) * (0.5 * np.ptp(moves, axis=0))[row] + np.abs(steps).max(axis=1)[row]
    low = np.floor(place - wide - 1.0)
    samples = int(np.max(np.ceil(place + wide) - low)) + 2
    table, between = _table(fits, row, low.astype(np.int64), samples)
    rest = place - low - ROUNDING if sharp else place - low
    out = np.empty((len(periods), *steps.shape))
    size = max(1, _PIECE * len(fits) // (row.size * steps.shape[1]))
    for a, b in pairwise([*range(0, len(fits), size), len(fits)]):
        part = slice(offset[a], offset[b])
        here = table[part.start * samples : part.stop * samples]
        base = (np.arange(part.stop - part.start, dtype=np.int32) * np.int32(samples))[:, None]
        near = steps[row[part]].astype(np.float32)
        apart = between[part.start : part.stop - 1, None]
        # the symbols of each transmission, without what lies between it and the next one
        ends = np.stack((offset[a:b], offset[a + 1 : b + 1] - 1), axis=1).ravel()[:-1] - part.start
        together = max(1, _PIECE // (base.size * steps.shape[1]))
        for i in range(0, len(moves), together):
            some = slice(i, i + together)
            at = rest[part] + lever[part] * moves[some, row[part]]
            values = table_values(here, base, at.astype(np.float32)[:, :, None] + near, sharp)
            y = values[:, 1:] - values[:, :-1]
            y += apart
            out[some, a:b] = np.add.reduceat(log_cosh(y), ends, axis=1, dtype=np.float64)[:, ::2]
    return out - _energy(fits, periods, steps)


def _table(
    fits: Fits, row: NDArray[np.integer[Any]], low: NDArray[np.int64], samples: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The running sum at ``samples`` next to each edge (e,) from ``low`` on, counted from the first of them, and what lies
    from those of one edge to those of the next (e - 1,).

    Samples are turned back by each transmission's own carrier, in units in which the likelihood of a symbol is the
    logarithm of its sum's hyperbolic cosine.
    """
    turned = fits.turned
    ends = np.append(np.flatnonzero(np.diff(row)) + 1, row.size)
    begins = np.concatenate(([0], ends[:-1]))
    scale = fits.amplitude / fits.variance
    sums: list[Floats] = []
    for i, (a, b) in enumerate(zip(begins.tolist(), ends.tolist(), strict=True)):
        first, last = (int(np.clip(at, 0, turned.length)) for at in (low[a], low[b - 1] + samples))
        at = np.arange(first, last)
        cos, sin = cos_sin(fits.phase[i] + fits.detune[i] * (at - fits.centre[i]))
        each = np.diff(turned.sums[first : last + 1]) * scale[i]
        along = np.concatenate(([0.0], np.cumsum(each.real * cos + each.imag * sin)))
        sums.append(along.take(low[a:b, None] + (np.arange(samples) - first), mode="clip"))
    told = np.concatenate(sums)
    between = told[1:, 0] - told[:-1, 0]
    told -= told[:, :1]
    return told.astype(np.float32).ravel(), between.astype(np.float32)


def _energy(fits: Fits, periods: Floats, steps: Floats) -> Floats:
    """Energy (p, b, s) of all symbols together, in natural units: half the square of a symbol's length for each."""
    turned = fits.turned
    each = (fits.amplitude**2 / (4.0 * fits.variance))[:, None, None]
    detune = fits.detune[:, None, None]
    turn = 2.0 * fits.phase[:, None, None] - 2.0 * detune * fits.centre[:, None, None]
    out = np.empty((len(periods), *steps.shape))
    middle = fits.middle[:, None] + steps
    together = max(1, _PIECE // middle.size)
    for i in range(0, len(periods), together):
        some = slice(i, i + together)
        half = (0.5 * fits.count * periods[some])[:, :, None]
        ends = np.stack((middle - half, middle + half), axis=-1)
        place, re, im = turned.upto(ends)
        cos, sin = cos_sin(turn + 2.0 * (detune * ends))
        out[some] = np.diff((place + re * cos - im * sin) * each, axis=-1)[..., 0]
    return out
