"""The likelihood of the timing of strong transmissions, whose symbols are in no doubt.

For ``x = g y`` well away from zero ``ln cosh x`` is ``|x| - ln 2``, to within ``exp(-2 |x|)``. The sum over the
symbols of a transmission then telescopes: running sums are asked only where the phase turns over and at the two
ends, in place of at every edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import Complexes, cos_sin
from dsp.source import Floats

if TYPE_CHECKING:
    from dsp.fits import Fits

# symbols of this length are wrong once in 3e5: Q(4.5)
STRONG_GAIN = 4.5
# elements of an array that stay in a core's cache
_PIECE = 1 << 14


@dataclass(frozen=True, eq=False)
class StrongTiming:
    """What the likelihood of each transmission's timing asks, its symbols being what they are at its own timing.

    Of edges ``where`` (b, k), counted from the first, the running sum times ``counts`` (b, k) adds to ``own`` (b,).
    """

    fits: Fits
    where: NDArray[np.integer[Any]]
    counts: Complexes
    own: Floats

    def nats(self, starts: Floats, period: Floats) -> Floats:
        """Log-likelihood (b, s) of first edges ``starts`` (b, s) and a ``period`` (b,), everything else held."""
        steps = self.where * period[:, None]
        out = np.empty(starts.shape)
        wide = max(1, _PIECE // max(1, steps.size))
        for column in range(0, starts.shape[1], wide):
            part = starts[:, column : column + wide]
            values = self.fits.turned.at(part[:, :, None] + steps[:, None, :])
            out[:, column : column + wide] = _total(values, self.counts)
        return np.asarray(out + self.own[:, None] - _energy(self.fits, starts, period))

    def of_starts(self, starts: Floats) -> Floats:
        """The same at the transmissions' own periods."""
        return self.nats(starts, self.fits.period)


def are_strong(fits: Fits) -> bool:
    return len(fits) > 0 and float(fits.gain.min()) > STRONG_GAIN


def unevenness(nats: Floats, fits: Fits, before: int) -> Floats:
    """How much more the lengths of a strong transmission's symbols vary than noise makes them, at least 1 (b,).

    ``nats`` (b, k) are the symbols' log-likelihood ratios against silence, ``before`` of them ahead of the first.
    Smooth or filtered pulses differ in length by what their neighbours are: a short one is no silence then. The
    median is taken, which a few silent symbols do not change.
    """
    if not (fits.gain > STRONG_GAIN).any():
        return np.ones(len(fits))
    place = np.arange(-before, nats.shape[1] - before)
    gain = fits.gain[:, None]
    # where g y is large, ln cosh(g y) - g^2 / 2 gives y
    off = (np.abs(nats + np.log(2.0) - 0.5 * gain * gain) / gain).astype(np.float32)
    off[(place < 0) | (place >= fits.count[:, None])] = np.inf
    off.sort(axis=1)
    median = np.take_along_axis(off, (np.maximum(fits.count, 1) // 2)[:, None], axis=1)[:, 0]
    spread = median.astype(np.float64) / 0.6745
    return np.where((fits.gain > STRONG_GAIN) & (spread > 1.0), spread**2, 1.0)


def strong_timing(fits: Fits) -> StrongTiming:
    """The symbols of transmissions, where each one's own timing is right to within a part of a symbol.

    A carrier's turning between neighbouring symbols is passed over where they are the same.
    """
    edges, inside = fits.edges(), fits.inside()
    running = fits.turned.at(edges)
    cos, sin = cos_sin(fits.angles(edges))
    turn = (cos - np.complex64(1j) * sin) * (fits.normal() * fits.gain[:, None])
    along = ((running[:, 1:] - running[:, :-1]) * turn).real
    own = np.sum(np.abs(along) - np.log(2.0), axis=1, where=inside)
    # with nothing on either side: the ends count as turns
    sign = np.zeros((len(fits), inside.shape[1] + 2), dtype=np.int8)
    sign[:, 1:-1] = np.where(along < 0.0, -1, 1) * inside
    weight = np.zeros(sign.shape, dtype=np.complex128)
    np.multiply(sign[:, 1:-1], turn, out=weight[:, 1:-1])
    turns = sign[:, 1:] != sign[:, :-1]
    where = np.argsort(~turns, axis=1, kind="stable")[:, : int(turns.sum(axis=1).max(initial=0))]
    counts = np.take_along_axis(np.where(turns, weight[:, :-1] - weight[:, 1:], 0.0), where, axis=1)
    own -= _total(np.take_along_axis(running, where, axis=1)[:, None, :], counts)[:, 0]
    return StrongTiming(fits, where, counts, own)


def _total(values: Complexes, counts: Complexes) -> Floats:
    """Real part of the sum over the last axis of ``values`` (b, s, k) times ``counts`` (b, k)."""
    return np.asarray(np.matmul(values, counts[:, :, None])[:, :, 0].real)


def _energy(fits: Fits, starts: Floats, period: Floats) -> Floats:
    """Energy (b, s) of all symbols together, in natural units: half the square of a symbol's length for each."""
    length = fits.count * period
    ends = np.stack((starts, starts + length[:, None]), axis=-1)
    sums = fits.turned.sums_of(ends)
    angle = 2.0 * (fits.phase + fits.detune * (fits.middle - fits.centre))[:, None]
    energy = (
        sums.length[..., 0] + sums.double_re[..., 0] * np.cos(angle) - sums.double_im[..., 0] * np.sin(angle)
    )
    return np.asarray(0.5 * (fits.gain**2 / fits.period)[:, None] * energy)
