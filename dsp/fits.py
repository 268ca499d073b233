"""Fitting many phase-reversal transmissions at once: timing, carrier, phase, amplitude, first and last symbol.

Everything is maximum likelihood with the bits averaged out. For symbol ``k`` with in-phase correlation
``y`` of unit noise and length ``g`` the log-likelihood ratio against silence is
``ln cosh(g y) - g^2 e / 2``, ``e`` being the symbol's energy relative to its mean (Proakis, Digital
Communications, section 5.1). Transmissions are rows of padded arrays, so that the cost is that of the
arithmetic; rows of like length are worked on together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import SymbolSums, Turned, cos_sin, log_cosh
from dsp.on_off import change_nats, strongest_runs
from dsp.source import Floats
from dsp.strong import unevenness

Ints = NDArray[np.integer[Any]]
Flags = NDArray[np.bool_]

# symbols by which either end of a transmission may be moved at once
BESIDE = 6
# elements of a padded array that stay in a core's cache
_GROUP = 1 << 15
_FEW = 1 << 12
_NEVER = -1e9
_DIP = -4.0


@dataclass(frozen=True, eq=False)
class Fits:
    """Transmissions over one row of running sums; every array has shape (b,), positions are samples of it.

    Carrier ``i`` is ``amplitude cos(omega m + phase + detune (m - centre))``, ``omega`` that of ``turned``.
    Symbol ``k`` covers ``start + k period`` to ``start + (k + 1) period`` and must lie within ``low`` to
    ``high``, but for half a symbol. ``variance`` is the noise variance of a sample, ``nats`` the
    log-likelihood ratio against silence.
    """

    turned: Turned
    variance: float
    detune: Floats
    phase: Floats
    centre: Floats
    amplitude: Floats
    period: Floats
    start: Floats
    count: Ints
    low: Floats
    high: Floats
    nats: Floats

    def __len__(self) -> int:
        return int(self.start.size)

    @property
    def stop(self) -> Floats:
        return np.asarray(self.start + self.count * self.period)

    @property
    def middle(self) -> Floats:
        return self.start + 0.5 * self.count * self.period

    @property
    def gain(self) -> Floats:
        """``sqrt(2 Es/N0)`` of each."""
        return np.asarray(self.amplitude * np.sqrt(self.period / (2.0 * self.variance)))

    @property
    def omega(self) -> Floats:
        """Carrier in radians a sample."""
        return self.turned.omega + self.detune

    def take(self, rows: Ints | Flags) -> Fits:
        """The transmissions of these rows."""
        return Fits(self.turned, self.variance, *(getattr(self, name)[rows] for name in _EACH))

    def edges(self, before: int = 0, after: int = 0) -> Floats:
        """Edges of the symbols (b, k + 1) with more on either side; rows are as long as the longest."""
        most = int(self.count.max(initial=0))
        return np.asarray(self.start[:, None] + np.arange(-before, most + after + 1) * self.period[:, None])

    def inside(self) -> Flags:
        """Which symbols (b, k) of `edges` are sent."""
        return np.asarray(np.arange(int(self.count.max(initial=0))) < self.count[:, None])

    def angles(self, edges: Floats) -> Floats:
        """Phase of each carrier against the turned one in the middle of each symbol."""
        if not self.detune.any():
            return np.asarray(self.phase[:, None])
        angles = edges[:, :-1] + edges[:, 1:]
        angles *= 0.5 * self.detune[:, None]
        angles += (self.phase - self.detune * self.centre)[:, None]
        return np.asarray(angles)

    def normal(self) -> Floats:
        """What makes the noise of a symbol's correlation one in each component (b, 1)."""
        return np.asarray((1.0 / np.sqrt(self.variance * self.period / 2.0))[:, None])

    def symbol_nats(self, before: int = 0, after: int = 0) -> Floats:
        """Log-likelihood ratio of each symbol being sent at all (b, k), whether counted or not."""
        return self.nats_between(self.edges(before, after))

    def nats_between(self, edges: Floats, sums: SymbolSums | None = None) -> Floats:
        """The same of whatever lies between neighbouring ``edges`` (b, k + 1), whose ``sums`` may be known already."""
        return _nats(self, edges, sums).astype(np.float64)

    def sums(self, beside: int = 0) -> SymbolSums:
        """What likelihoods ask of the symbols (b, k), with so many more on either side."""
        return self.turned.sums_of(self.edges(beside, beside))


# arrays with one value for each transmission, in the order in which they are given
_EACH = tuple(f.name for f in fields(Fits)[2:])


def join(parts: list[Fits]) -> Fits:
    """One after the other; all must be over the same sums."""
    first = parts[0]
    each = (np.concatenate([getattr(p, name) for p in parts]) for name in _EACH)
    return first if len(parts) == 1 else Fits(first.turned, first.variance, *each)


def walled(fits: Fits, first: Floats, last: Floats) -> Fits:
    """Fits that reach no further than where the one before ends and the next one begins, of those and of others that begin
    at ``first`` (m,) and end at ``last`` (m,).

    After a pause of a few symbols another transmission may have the same timing and nearly the same phase.
    """
    first, last = np.sort(np.concatenate((fits.start, first))), np.sort(np.concatenate((fits.stop, last)))
    next_one = np.append(first, np.inf)[np.searchsorted(first, fits.middle)]
    before = np.insert(last, 0, -np.inf)[np.searchsorted(last, fits.middle)]
    # what both claim is shared
    high = np.where(next_one < fits.stop, 0.5 * (next_one + fits.stop), next_one)
    low = np.where(before > fits.start, 0.5 * (before + fits.start), before)
    return replace(fits, low=np.maximum(fits.low, low), high=np.minimum(fits.high, high))


def in_groups(fits: Fits, work: Callable[[Fits], Fits]) -> Fits:
    """Do the work on rows of like length together, and give them back in their order."""
    if not len(fits):
        return fits
    parts, order = [], []
    for rows in groups_of(fits.count):
        parts.append(work(fits.take(rows)))
        order.append(rows)
    back = np.argsort(np.concatenate(order), kind="stable")
    return join(parts).take(back)


def groups_of(count: Ints, elements: int = _GROUP) -> Iterator[Ints]:
    """Rows of like length, so many that a padded array of them has no more than so many ``elements``."""
    order = np.argsort(count, kind="stable")
    at = 0
    while at < order.size:
        # as many as fit with the longest of them as the common length
        lengths = count[order[at : at + elements // 16]] + 16
        sizes = np.arange(1, lengths.size + 1) * lengths
        # a few rows are worth no calls of their own, however unlike they are
        together = (sizes <= elements) & ((lengths <= 1.3 * lengths[0] + 8) | (sizes <= _FEW))
        size = max(1, lengths.size if together.all() else int(np.argmin(together)))
        yield order[at : at + size]
        at += size


def _nats(fits: Fits, edges: Floats, sums: SymbolSums | None = None) -> Floats:
    """``ln cosh(g y) - g^2 e / 2`` of the symbols between ``edges`` (b, k + 1), in single precision.

    ``sums`` are theirs, where they are known already.
    """
    sums = fits.turned.sums_of(edges) if sums is None else sums
    cos, sin = cos_sin(fits.angles(edges))
    gain = fits.gain[:, None]
    scale = (fits.normal() * gain).astype(np.float32)
    y = sums.z.real.astype(np.float32) * cos
    y += sums.z.imag.astype(np.float32) * sin
    y *= scale
    nats = log_cosh(y)
    # twice the angle, for the part of the energy that turns with the phase
    energy = sums.length.astype(np.float32)
    energy += sums.double_re * (cos * cos - sin * sin)
    energy -= sums.double_im * (2.0 * sin * cos)
    energy *= (0.5 * gain * gain / fits.period[:, None]).astype(np.float32)
    nats -= energy
    return nats


def carry(fits: Fits, *, hold_carrier: bool = False, rounds: int = 4, sums: SymbolSums | None = None) -> Fits:
    """Phase, carrier and amplitude given the timing: expectation-maximisation over the bits.

    ``sums`` are those of the symbols (`Fits.sums`), where they are known already.
    """
    inside = fits.inside()
    wanted = inside.astype(np.float32)
    period = fits.period.astype(np.float32)[:, None]
    middle = fits.middle
    steps = np.arange(inside.shape[1], dtype=np.float32) + np.float32(0.5)
    off = (steps - (0.5 * fits.count).astype(np.float32)[:, None]) * period * wanted
    spread = np.maximum(_sum(off * off), 1e-9)
    sums = fits.sums() if sums is None else sums
    normal = fits.normal().astype(np.float32)
    z_re = sums.z.real.astype(np.float32) * normal
    z_im = sums.z.imag.astype(np.float32) * normal
    length = sums.length.astype(np.float32)
    count = np.maximum(fits.count, 1)
    detune = fits.detune
    # the phase is carried in the middle, where it does not depend on the carrier
    phase = fits.phase + detune * (middle - fits.centre)
    gain = np.maximum(fits.gain, 0.3)
    free = (fits.count >= 3) & (not hold_carrier)
    turning = not hold_carrier or bool(detune.any())
    for _ in range(rounds):
        angle = phase.astype(np.float32)[:, None]
        if turning:
            angle = angle + detune.astype(np.float32)[:, None] * off
        cos, sin = np.cos(angle), np.sin(angle)
        re = z_re * cos + z_im * sin
        im = z_im * cos - z_re * sin
        cos2, sin2 = cos * cos - sin * sin, np.float32(2.0) * sin * cos
        energy = (length + sums.double_re * cos2 - sums.double_im * sin2) / period
        # the derivative of a symbol's energy with the phase, for carriers of a few cycles a symbol
        slope = (sums.double_re * sin2 + sums.double_im * cos2) * (np.float32(-2.0) / period)
        of_gain = gain.astype(np.float32)[:, None]
        soft = np.tanh(of_gain * re)
        pull = (soft * im - slope * (np.float32(0.5) * of_gain)) * wanted
        d_middle = np.minimum(np.maximum(_sum(pull) / (gain * count), -0.5), 0.5)
        if not hold_carrier:
            detune = detune + np.where(free, _sum(pull * off) / (gain * spread), 0.0)
        phase = phase + d_middle
        gain = np.maximum(0.3, _sum(soft * re * wanted) / np.maximum(_sum(energy * wanted), 1e-9))
    return replace(
        fits,
        detune=detune,
        phase=np.remainder(phase + np.pi, 2.0 * np.pi) - np.pi,
        centre=middle,
        amplitude=gain * np.sqrt(2.0 * fits.variance / fits.period),
    )


def _sum(values: NDArray[np.float32]) -> Floats:
    """Sum of each row, in double precision."""
    return np.asarray(values.sum(axis=1, dtype=np.float64))


def scored(fits: Fits, sums: SymbolSums | None = None) -> Fits:
    """With the likelihood of its symbols, whose ``sums`` may be known already."""
    nats = _nats(fits, fits.edges(), sums)
    return replace(fits, nats=np.sum(nats, axis=1, where=fits.inside(), dtype=np.float64))


def timing_nats(fits: Fits, starts: Floats, period: Floats | None = None) -> Floats:
    """Log-likelihood (b, s) of each transmission for first edges ``starts`` (b, s), all else held."""
    if period is not None:
        fits = replace(fits, period=period)
    inside = fits.inside()
    steps = np.arange(inside.shape[1] + 1) * fits.period[:, None]
    out = np.empty(starts.shape)
    # as many columns at a time as stay in the cache
    wide = max(1, _GROUP // max(1, inside.size))
    for column in range(0, starts.shape[1], wide):
        part = starts[:, column : column + wide]
        times = part.shape[1]
        rows = np.repeat(np.arange(len(fits)), times)
        many = fits.take(rows) if times > 1 else fits
        nats = _nats(many, part.reshape(-1, 1) + (steps[rows] if times > 1 else steps))
        sums = np.sum(nats, axis=1, where=inside[rows] if times > 1 else inside, dtype=np.float64)
        out[:, column : column + wide] = sums.reshape(len(fits), times)
    return out


def retime(fits: Fits, width: Floats, steps: int = 2) -> Fits:
    """The first edge within ``+- width`` (b,) samples: its mean over the likelihood, on a grid."""
    return mean_start(fits, width, steps, lambda starts: timing_nats(fits, starts))


def mean_start(fits: Fits, width: Floats, steps: int, likelihood: Callable[[Floats], Floats]) -> Fits:
    """The first edge's mean over a ``likelihood`` of starts (b, s), on a grid within ``+- width`` (b,) samples."""
    starts = fits.start[:, None] + width[:, None] * np.linspace(-1.0, 1.0, 2 * steps + 1)
    nats = likelihood(starts)
    top = nats.max(axis=1)
    weight = np.exp(nats - top[:, None])
    start = np.sum(weight * starts, axis=1) / weight.sum(axis=1)
    return replace(fits, start=start, nats=top)


def bridge_lone(nats: Floats, gain: Floats) -> None:
    """Let no lone short symbol of a strong transmission, between others, speak for a silence as long as itself.

    ``nats`` (b, k) of the symbols, of length ``gain`` (b,), are changed in place. With few samples a symbol, those on the
    wrong side of its two edges make it look silent.
    """
    lone = (nats[:, 1:-1] < _DIP) & (nats[:, :-2] > 0.0) & (nats[:, 2:] > 0.0) & (gain > 4.5)[:, None]
    nats[:, 1:-1][lone] = _DIP


def reach(fits: Fits, more: int = BESIDE, sums: SymbolSums | None = None) -> Fits:
    """First and last symbol: the run of symbols that is likelier sent than not.

    ``sums`` are those of the symbols and ``more`` on either side, where they are known already.
    """
    edges = fits.edges(more, more)
    nats = fits.nats_between(edges, sums)
    period = fits.period[:, None]
    outside = (edges[:, :-1] < fits.low[:, None] - 0.6 * period) | (
        edges[:, 1:] > fits.high[:, None] + 0.6 * period
    )
    beyond = np.arange(-more, nats.shape[1] - more) >= (fits.count + more)[:, None]
    told = nats.copy()
    nats /= unevenness(nats, fits, more)[:, None]
    bridge_lone(nats, fits.gain)
    nats[outside | beyond] = _NEVER
    first, last, _ = strongest_runs(nats, change_nats(fits.gain))
    found = last > first
    column = np.arange(nats.shape[1])
    value = np.sum(told, axis=1, where=(column >= first[:, None]) & (column < last[:, None]))
    return replace(
        fits,
        start=np.where(found, fits.start + (first - more) * fits.period, fits.start),
        count=np.where(found, last - first, 0),
        nats=np.where(found, value, 0.0),
    )
