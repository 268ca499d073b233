"""The likelihood of the timing of strong transmissions, whose symbols are in no doubt.

For ``x = g y`` well away from zero ``ln cosh x`` is ``|x| - ln 2``, to within ``exp(-2 |x|)``. The sum over the
symbols of a transmission then telescopes: running sums are asked only where the phase turns over and at the two
ends, in place of at every edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import Complexes, cos_sin
from dsp.lookup import ROUNDING, table_values
from dsp.source import Floats

if TYPE_CHECKING:
    from dsp.fits import Fits

# symbols of this length are wrong once in 3e5: Q(4.5)
STRONG_GAIN = 4.5
# elements of an array that stay in a core's cache
_PIECE = 1 << 14
# part of a sample below which two places are the same, as in `Turned.at`
_SAME_PLACE = 1e-9
# samples passed for each step up to which that is quicker than to look each step up (measured: equal at 0.3)
_PASSED = 0.3


@dataclass(frozen=True, eq=False)
class StrongTiming:
    """What the likelihood of each transmission's timing asks, its symbols being what they are at its own timing.

    Of the edges (e,), those of one transmission after those of the other, ``where`` counts from the first one's; the
    running sum there times ``counts`` adds to ``own`` (b,) of the transmission ``row``, which begin at ``offset`` (b,).
    """

    fits: Fits
    row: NDArray[np.integer[Any]]
    offset: NDArray[np.integer[Any]]
    where: NDArray[np.integer[Any]]
    counts: Complexes
    own: Floats

    def nats(self, starts: Floats, period: Floats) -> Floats:
        """Log-likelihood (b, s) of first edges ``starts`` (b, s) and a ``period`` (b,), everything else held."""
        values = self.fits.turned.at(starts[self.row] + (self.where * period[self.row])[:, None])
        total = np.add.reduceat(_real(values, self.counts[:, None]), self.offset, axis=0)
        return np.asarray(total + self.own[:, None] - self._energy(starts, period))

    def _energy(self, starts: Floats, period: Floats) -> Floats:
        """Energy (b, s) of all symbols together, in natural units: half the square of a symbol's length for each."""
        length = self.fits.count * period
        place, re, im = self.fits.turned.spans_of(np.stack((starts, starts + length[:, None]), axis=-1))
        cos, sin, each = self._turns
        return np.asarray((place[..., 0] + re[..., 0] * cos - im[..., 0] * sin) * each)

    @cached_property
    def _turns(self) -> tuple[Floats, Floats, Floats]:
        return _doubled(self.fits)

    def of_starts(self, starts: Floats) -> Floats:
        """The same at the transmissions' own periods."""
        return self.nats(starts, self.fits.period)

    def over(self, periods: Floats, steps: Floats) -> Floats:
        """Log-likelihood (p, b, s) of each of ``periods`` (p,), the same for all transmissions.

        First edges lie ``steps`` (b, s), two or more and evenly spaced, from where they are if each transmission's middle
        stays where it is.
        """
        centre = 0.5 * (float(periods.min()) + float(periods.max()))
        lever = self.where - 0.5 * self.fits.count[self.row]
        place = self.fits.middle[self.row] + lever * centre + self.fits.turned.early
        moves = periods - centre
        passed = (steps[:, -1] - steps[:, 0])[self.row] + np.abs(lever) * float(np.ptp(moves))
        few = self.fits.turned.sharp and float(passed.mean()) < _PASSED * steps.shape[1]
        return (self._passed if few else self._looked_up)(place, lever, moves, steps) + self.own[:, None]

    def _looked_up(self, place: Floats, lever: Floats, moves: Floats, steps: Floats) -> Floats:
        """What edges (e,) at ``place``, and ``moves`` (p,) times ``lever`` and the steps farther on, add (p, b, s).

        Each edge's part is taken from a table of the samples that it passes.
        """
        count = len(self.fits)
        wide = np.abs(lever) * (0.5 * float(np.ptp(moves))) + np.abs(steps).max(axis=1)[self.row]
        low = np.floor(place - wide - 1.0)
        samples = int(np.max(np.ceil(place + wide) - low)) + 2
        told = self._told(np.arange(lever.size), low.astype(np.int64)[:, None] + np.arange(samples))
        # a table holds what is added from its first sample on, which fits into single precision
        begin = np.add.reduceat(told[:, 0], self.offset)
        told -= told[:, :1]
        table = told.astype(np.float32).ravel()
        sharp = self.fits.turned.sharp
        rest = place - low - ROUNDING if sharp else place - low
        out = np.empty((moves.size, *steps.shape))
        bounds = [*range(0, count, max(1, _PIECE * count // (lever.size * steps.shape[1]))), count]
        for a, b in pairwise(bounds):
            edges = slice(self.offset[a], self.offset[b] if b < count else lever.size)
            offset, near = self.offset[a:b] - self.offset[a], steps[self.row[edges]].astype(np.float32)
            here = table[edges.start * samples : edges.stop * samples]
            base = (np.arange(edges.stop - edges.start, dtype=np.int32) * np.int32(samples))[:, None]
            for i, move in enumerate(moves.tolist()):
                moved = (rest[edges] + lever[edges] * move).astype(np.float32)[:, None] + near
                out[i, a:b] = np.add.reduceat(table_values(here, base, moved, sharp), offset, axis=0)
        return out + begin[:, None]

    def _passed(self, place: Floats, lever: Floats, moves: Floats, steps: Floats) -> Floats:
        """The same of ideal points: each adds what it does from the step on at which an edge has passed it.

        An edge passes few samples, however fine the steps: that is quicker than to look up where it stands at each.
        """
        count, place = steps.shape[1], place - _SAME_PLACE
        wide = np.abs(lever) * (0.5 * float(np.ptp(moves)))
        low = np.ceil(place + steps[self.row, 0] - wide).astype(np.int64)
        high = np.ceil(place + steps[self.row, -1] + wide).astype(np.int64)
        always = np.add.reduceat(self._told(np.arange(place.size), low[:, None])[:, 0], self.offset)
        # the samples that each edge may pass, those of one after those of the other
        edge = np.repeat(np.arange(place.size), high - low)
        sample = np.arange(edge.size) + (low - (np.cumsum(high - low) - (high - low)))[edge]
        told = self._told(edge, sample[:, None] + np.arange(2))
        adds, row = told[:, 1] - told[:, 0], self.row[edge]
        # the step from which on it is passed, as a real number whose whole part counts
        apart = ((steps[:, -1] - steps[:, 0]) / (count - 1))[row]
        first, lever = (sample - place[edge] - steps[row, 0]) / apart + 1.0, lever[edge] / apart
        # one more for what no step passes
        base = row * (count + 1)
        out = np.empty((moves.size, *steps.shape))
        for i, move in enumerate(moves.tolist()):
            at = first - lever * move
            np.minimum(np.maximum(at, 0.0, out=at), float(count), out=at)
            number = at.astype(np.int64)
            number += base
            added = np.bincount(number, adds, len(self.fits) * (count + 1)).reshape(-1, count + 1)
            np.cumsum(added[:, :-1], axis=1, out=out[i])
        return out + always[:, None]

    def _told(self, edge: NDArray[np.int64], at: NDArray[np.int64]) -> Floats:
        """What edges (e,) add that stand right before samples ``at`` (e, j)."""
        turned = self.fits.turned
        at = np.clip(at, 0, turned.length)
        told = _real(turned.sums.take(at), self.counts[edge, None])
        where, row = self.where[edge], self.row[edge]
        for end, sign in ((where == 0, 1.0), (where == self.fits.count[row], -1.0)):
            told[end] += sign * self._energies(row[end], at[end])
        return told

    def _energies(self, row: NDArray[np.integer[Any]], at: NDArray[np.int64]) -> Floats:
        """Energy (r, j) of transmissions' carriers up to samples ``at`` (r, j), in natural units as in `_energy`."""
        fits = self.fits.take(row)
        re, im = fits.turned.doubles(at)
        cos, sin, each = _doubled(fits)
        return np.asarray((at + re * cos - im * sin) * each)


def _real(values: Complexes, counts: Complexes) -> Floats:
    """Real part of the product."""
    out = values.real * counts.real
    out -= values.imag * counts.imag
    return np.asarray(out)


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
    # each has one edge at least, of no weight if it has no symbol
    turns[:, 0] = True
    row, where = np.nonzero(turns)
    counts = weight[row, where] - weight[row, where + 1]
    offset = np.searchsorted(row, np.arange(len(fits)))
    own -= np.add.reduceat(_real(running[row, where], counts), offset)
    return StrongTiming(fits, row, offset, where, counts, own)


def _doubled(fits: Fits) -> tuple[Floats, Floats, Floats]:
    """Cosine and sine of twice each carrier's angle, and a sample's energy but for them, all (b, 1)."""
    angle = 2.0 * (fits.phase + fits.detune * (fits.middle - fits.centre))[:, None]
    return np.cos(angle), np.sin(angle), 0.5 * (fits.gain**2 / fits.period)[:, None]
