"""How sure each symbol is when timing, phase, carrier and period are themselves only known to within their uncertainty.

With timing, phase and carrier given, symbols are independent: the log-odds of each sign are ``2 g y`` (Proakis, Digital
Communications, section 5.1). What the samples leave open is summed over (Bayes), each case with the likelihood of all
symbols in it. A sample beside an edge may belong to either symbol; one with much noise may turn a symbol over, and is
not trusted then. Over the first edge the likelihood of weak transmissions is no bell but a walk with many tops, one step
for each sample that changes sides (Hinkley 1970): of few first edges, one that happens to stand on a top would be
believed far too much.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from dsp.correlate import SymbolSums, cos_sin
from dsp.fits import Fits, groups_of
from dsp.source import Floats

# length of a symbol above which hardly a symbol is in doubt
_SURE_GAIN = 4.5
# elements of an array that stay in a core's cache, and what a case of it has at most, there being several phases
_TOGETHER = 1 << 15
_ELEMENTS = 1 << 12
# what is tried, in standard uncertainties: first edges (how many, and half as far as they reach), phases, carriers
_STARTS = 81
_WIDE = 5.0
_PHASES = np.linspace(-2.4, 2.4, 4)
_TURNINGS = (-1.5, 0.0, 1.5)
# symbol periods, and first edges with them: tried where so few transmissions tell the period that what is left open of it
# moves the ends of one by this part of what its first edge is open by
_PERIOD = 2.5
_STARTS_THEN = 41
_LOOSE = 0.4
# exponent up to which single precision holds, and a chance that is as good as none
_MOST = np.float32(80.0)
_LEAST = 1e-36


def sign_odds(fits: Fits, along: Floats, *, hold_carrier: bool) -> Floats:
    """Log-odds of each symbol being positive, all transmissions' symbols one after the other (s,).

    ``along`` (s,) are their correlations along the phase, the noise in them being one. ``hold_carrier`` says that
    carriers are known better than the transmissions show by themselves.
    """
    # with everything as it was fitted
    out = 2.0 * np.repeat(fits.gain, fits.count) * along
    offset = np.concatenate(([0], np.cumsum(fits.count)))
    weak = np.flatnonzero(fits.gain < _SURE_GAIN)
    own = _period_std(fits)
    # what all of them leave open of the one period they have
    shared = float(np.sum(own**-2.0)) ** -0.5 if own.size else 0.0
    for rows in groups_of(fits.count[weak], _ELEMENTS):
        mine = weak[rows]
        part = fits.take(mine)
        inside = part.inside()
        into = (offset[mine, None] + np.arange(inside.shape[1]))[inside]
        out[into] = _over_all(part, hold_carrier, shared)[inside]
    return out


def _at(fits: Fits) -> Floats:
    """The log-odds (b, k) with everything as it was fitted."""
    sums = fits.turned.sums_of(fits.edges())
    cos, sin = cos_sin(fits.angles(fits.edges()))
    y = (sums.z.real * cos + sums.z.imag * sin) * fits.normal()
    return np.asarray(2.0 * fits.gain[:, None] * y)


def _timing_std(fits: Fits) -> Floats:
    """Roughly what is open of each first edge (b,): half of all edges are flips, each found to about ``1 / g^2`` of a
    symbol (Hinkley 1970), and to a sample at best."""
    return np.asarray(fits.period / (fits.gain**2 * np.sqrt(0.5 * np.maximum(fits.count, 1))) + 0.3)


def _period_std(fits: Fits) -> Floats:
    """The same of the symbol period (b,) as each shows it by itself: the slope of a line through its flips."""
    return np.asarray(np.sqrt(12.0) * _timing_std(fits) / np.maximum(fits.count, 1))


def _over_all(fits: Fits, hold_carrier: bool, period_std: float) -> Floats:
    """The log-odds (b, k) over all that timing, phase, carrier and period may be, the period to ``period_std``."""
    gain, count = fits.gain, np.maximum(fits.count, 1)
    timing = _timing_std(fits)
    moves = float(np.max(0.5 * count * period_std / timing))
    starts, periods = _STARTS, 1
    if moves > _LOOSE:
        # ends move by as much from one to the next as first edges do
        starts = _STARTS_THEN
        periods += 2 * int(np.ceil(_PERIOD * moves * starts / (2.0 * _WIDE)))
    # what the others say of the period: this one says its part by its likelihood
    others = np.maximum(0.0, period_std**-2.0 - _period_std(fits) ** -2.0)
    reach = np.minimum(_WIDE * timing, 0.5 * fits.period)
    # Cramer-Rao bounds in the middle of the transmission (Rife and Boorstyn 1974)
    phase = 1.0 / (gain * np.sqrt(count))
    turning = np.sqrt(12.0) * phase / (count * fits.period)
    edges, inside = fits.edges()[:, None], fits.inside()
    from_middle = np.arange(edges.shape[2]) - 0.5 * fits.count[:, None, None]
    # middles of equal parts of what is within reach, as many at a time as stay in the cache
    shifts = np.linspace(-1.0, 1.0, 2 * starts + 1)[1::2] * reach[:, None]
    wide = max(1, _TOGETHER // max(1, _PHASES.size * inside.size))
    # of each symbol the chance of the sign that it is not fitted with, so that small ones keep their digits
    signs = np.where(_at(fits) < 0.0, np.float32(-1.0), np.float32(1.0))
    weight, wrong = [], []
    steps = np.linspace(-_PERIOD, _PERIOD, periods) * period_std if periods > 1 else (0.0,)
    for step, first in product(steps, range(0, starts, wide)):
        moved = edges + step * from_middle + shifts[:, first : first + wide, None]
        sums = fits.turned.sums_of(moved)
        off = 0.5 * (moved[..., 1:] + moved[..., :-1]) - fits.middle[:, None, None]
        for turn in (0.0,) if hold_carrier else _TURNINGS:
            y, energy = _seen(fits, sums, off, turn * turning, phase[:, None] * _PHASES)
            y *= signs[:, None]
            right = np.exp(np.minimum(y + y, _MOST)) + np.float32(1.0)
            # ln cosh y - g^2 e / 2, but for what all have in common
            nats = np.sum(np.log(right) - y - energy, axis=2, where=inside[:, None], dtype=np.float64)
            weight.append(nats - (0.5 * step * step * others)[:, None])
            wrong.append(np.reciprocal(right, out=right))
    nats = np.concatenate(weight, axis=1)
    share = np.exp(nats - nats.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    doubt = np.matmul(share[:, None].astype(np.float32), np.concatenate(wrong, axis=1))[:, 0]
    doubt = np.clip(doubt.astype(np.float64), _LEAST, 1.0 - 1e-7)
    return np.asarray(signs * (np.log1p(-doubt) - np.log(doubt)))


def _seen(fits: Fits, sums: SymbolSums, off: Floats, turning: Floats, turns: Floats) -> tuple[Floats, Floats]:
    """``g y`` and ``g^2 e / 2`` (b, s p, k) of symbols with these ``sums`` (b, s, k).

    Their middles lie ``off`` (b, s, k) from that of the transmission, whose carrier is ``turning`` (b,) faster and
    has one of the phases ``turns`` (b, p) more there than it was fitted with.
    """
    phase = fits.phase + fits.detune * (fits.middle - fits.centre)
    cos, sin = cos_sin(phase[:, None, None] + (fits.detune + turning)[:, None, None] * off)
    scale = (fits.normal() * fits.gain[:, None]).astype(np.float32)[:, :, None]
    re, im = sums.z.real.astype(np.float32) * scale, sums.z.imag.astype(np.float32) * scale
    along, across = re * cos + im * sin, im * cos - re * sin
    cos2, sin2 = cos * cos - sin * sin, np.float32(2.0) * sin * cos
    # a symbol's energy turns with twice the angle
    here, beside = (
        sums.double_re * cos2 - sums.double_im * sin2,
        sums.double_re * sin2 + sums.double_im * cos2,
    )
    half = (0.5 * fits.gain**2 / fits.period).astype(np.float32)[:, None, None, None]
    cos, sin = (part[:, None, :, None] for part in cos_sin(turns))
    y = along[:, :, None] * cos + across[:, :, None] * sin
    energy = here[:, :, None] * (half * (cos * cos - sin * sin))
    energy -= beside[:, :, None] * (half * (np.float32(2.0) * sin * cos))
    energy += sums.length.astype(np.float32)[:, :, None] * half
    shape = (len(fits), -1, off.shape[2])
    return y.reshape(shape), energy.reshape(shape)
