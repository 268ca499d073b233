"""How sure each symbol is when timing, phase and carrier are themselves only known to within their uncertainty.

With timing, phase and carrier given, symbols are independent: the log-odds of each sign are ``2 g y`` (Proakis, Digital
Communications, section 5.1). What the samples leave open is summed over (Bayes), each case with the likelihood of all
symbols in it. A sample beside an edge may belong to either symbol; one with much noise may turn a symbol over, and is
not trusted then. Over the first edge the likelihood of weak transmissions is no bell but a walk with many tops, one step
for each sample that changes sides (Hinkley 1970): of few first edges, one that happens to stand on a top would be
believed far too much.
"""

from __future__ import annotations

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
# exponent up to which single precision holds, and a chance that is as good as none
_MOST = np.float32(80.0)
_LEAST = 1e-36


def sign_odds(fits: Fits, *, hold_carrier: bool) -> Floats:
    """Log-odds of each symbol being positive, all transmissions' symbols one after the other (s,).

    ``hold_carrier`` says that carriers are known better than the transmissions show by themselves.
    """
    offset = np.concatenate(([0], np.cumsum(fits.count)))
    out = np.empty(int(offset[-1]))
    weak = fits.gain < _SURE_GAIN
    for some, settled in ((weak, False), (~weak, True)):
        rows_of = np.flatnonzero(some)
        for rows in groups_of(fits.count[rows_of], _TOGETHER if settled else _ELEMENTS):
            mine = rows_of[rows]
            part = fits.take(mine)
            odds = _at(part) if settled else _over_all(part, hold_carrier)
            inside = part.inside()
            into = (offset[mine, None] + np.arange(inside.shape[1]))[inside]
            out[into] = odds[inside]
    return out


def _at(fits: Fits) -> Floats:
    """The log-odds (b, k) with everything as it was fitted."""
    sums = fits.turned.sums_of(fits.edges())
    cos, sin = cos_sin(fits.angles(fits.edges()))
    y = (sums.z.real * cos + sums.z.imag * sin) * fits.normal()
    return np.asarray(2.0 * fits.gain[:, None] * y)


def _over_all(fits: Fits, hold_carrier: bool) -> Floats:
    """The log-odds (b, k) over all that timing, phase and carrier may be."""
    gain, count = fits.gain, np.maximum(fits.count, 1)
    # flips are half of all edges, each found to about 1 / g^2 of a symbol (Hinkley 1970), and to a sample at best
    timing = fits.period / (gain * gain * np.sqrt(0.5 * count)) + 0.3
    reach = np.minimum(_WIDE * timing, 0.5 * fits.period)
    # Cramer-Rao bounds in the middle of the transmission (Rife and Boorstyn 1974)
    phase = 1.0 / (gain * np.sqrt(count))
    turning = np.sqrt(12.0) * phase / (count * fits.period)
    edges, inside = fits.edges()[:, None], fits.inside()
    # middles of equal parts of what is within reach, as many at a time as stay in the cache
    shifts = np.linspace(-1.0, 1.0, 2 * _STARTS + 1)[1::2] * reach[:, None]
    wide = max(1, _TOGETHER // max(1, _PHASES.size * inside.size))
    # of each symbol the chance of the sign that it is not fitted with, so that small ones keep their digits
    signs = np.where(_at(fits) < 0.0, np.float32(-1.0), np.float32(1.0))
    weight, wrong = [], []
    for first in range(0, _STARTS, wide):
        moved = edges + shifts[:, first : first + wide, None]
        sums = fits.turned.sums_of(moved)
        off = 0.5 * (moved[..., 1:] + moved[..., :-1]) - fits.middle[:, None, None]
        for turn in (0.0,) if hold_carrier else _TURNINGS:
            y, energy = _seen(fits, sums, off, turn * turning, phase[:, None] * _PHASES)
            y *= signs[:, None]
            right = np.exp(np.minimum(y + y, _MOST)) + np.float32(1.0)
            # ln cosh y - g^2 e / 2, but for what all have in common
            nats = np.log(right) - y - energy
            weight.append(np.sum(nats, axis=2, where=inside[:, None], dtype=np.float64))
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
