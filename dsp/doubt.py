"""How sure each symbol is when timing, phase and carrier are themselves only known to within their uncertainty.

With timing, phase and carrier given, symbols are independent: the log-odds of each sign are ``2 g y`` (Proakis, Digital
Communications, section 5.1). What the samples leave open is summed over (Bayes), each case with the likelihood of all
symbols in it. A sample beside an edge may belong to either symbol; one with much noise may turn a symbol over, and is
not trusted then.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import SymbolSums, cos_sin, log_cosh
from dsp.fits import Fits, groups_of
from dsp.source import Floats

# length of a symbol above which hardly a symbol is in doubt
_SURE_GAIN = 4.5
# steps over what is open, in standard uncertainties; of first edges the number of them and their half width (of weak
# symbols the likelihood over the first edge has several tops, which steps of a whole uncertainty miss)
_STEPS = (-2.0, -1.0, 0.0, 1.0, 2.0)
_COARSE = (-1.5, 0.0, 1.5)
_STARTS = 13
_WIDE = 3.0


def sign_odds(fits: Fits, *, hold_carrier: bool) -> Floats:
    """Log-odds of each symbol being positive, all transmissions' symbols one after the other (s,).

    ``hold_carrier`` says that carriers are known better than the transmissions show by themselves.
    """
    offset = np.concatenate(([0], np.cumsum(fits.count)))
    out = np.empty(int(offset[-1]))
    weak = fits.gain < _SURE_GAIN
    for some, settled in ((weak, False), (~weak, True)):
        rows_of = np.flatnonzero(some)
        for rows in groups_of(fits.count[rows_of]):
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
    # Cramer-Rao bounds in the middle of the transmission (Rife and Boorstyn 1974)
    phase = 1.0 / (gain * np.sqrt(count))
    turning = np.sqrt(12.0) * phase / (count * fits.period)
    inside = fits.inside()
    middle = fits.middle
    weight, odds = [], []
    for shift in np.linspace(-_WIDE, _WIDE, _STARTS):
        edges = fits.edges() + (shift * timing)[:, None]
        sums = fits.turned.sums_of(edges)
        off = 0.5 * (edges[:, 1:] + edges[:, :-1]) - middle[:, None]
        angle = fits.angles(edges)
        for by, turn in product(_STEPS, (0.0,) if hold_carrier else _COARSE):
            y, energy = _seen(fits, sums, angle + (by * phase)[:, None] + (turn * turning)[:, None] * off)
            nats = log_cosh(y) - energy
            weight.append(np.sum(nats, axis=1, where=inside, dtype=np.float64))
            odds.append(2.0 * y)
    share = np.array(weight)
    share = np.exp(share - share.max(axis=0))
    share /= share.sum(axis=0)
    return _mixed(share.astype(np.float32), np.array(odds))


def _seen(fits: Fits, sums: SymbolSums, angle: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """``g y`` and ``g^2 e / 2`` of each symbol for the carrier's ``angle`` (b, k) in its middle."""
    cos, sin = cos_sin(angle)
    gain = fits.gain[:, None]
    y = (sums.z.real.astype(np.float32) * cos + sums.z.imag.astype(np.float32) * sin) * (
        fits.normal() * gain
    ).astype(np.float32)
    energy = sums.length.astype(np.float32) + sums.double_re * (cos * cos - sin * sin)
    energy -= sums.double_im * (2.0 * sin * cos)
    return y, energy * (0.5 * gain * gain / fits.period[:, None]).astype(np.float32)


def _mixed(share: NDArray[np.float32], odds: NDArray[np.float32]) -> Floats:
    """Log-odds (b, k) of a mixture of log-odds (m, b, k) with shares (m, b), both tails kept."""
    each = share[:, :, None]
    positive = np.sum(each / (1.0 + np.exp(-np.clip(odds, -80.0, 80.0))), axis=0, dtype=np.float64)
    negative = np.sum(each / (1.0 + np.exp(np.clip(odds, -80.0, 80.0))), axis=0, dtype=np.float64)
    return np.log(np.maximum(positive, 1e-36)) - np.log(np.maximum(negative, 1e-36))
