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
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import Turned, change_nats, cos_sin, log_cosh, strongest_runs
from dsp.point_timing import likeliest_step
from dsp.points import REACH_SAMPLES, are_points, likeliest_start
from dsp.source import Floats
from dsp.strong import STRONG_GAIN, are_strong, strong_timing, unevenness

Ints = NDArray[np.integer[Any]]
Flags = NDArray[np.bool_]

# elements of a padded array that stay in a core's cache
_GROUP = 1 << 15
_FEW = 1 << 12
_NEVER = -1e9
_DIP = -4.0
# symbols by which a first edge may be off for all signs to be right even so
_SIGNS_SURE = 0.15
# samples a symbol from which on its sign does not depend on where an edge falls among them
_MANY_SAMPLES = 24.0
# samples a symbol above which one of them on the wrong side of an edge changes no strong symbol's sign
_SIGNS_HOLD = 6.0
# symbols by which edges may move for the symbols to be surely the same
_NEAR = 0.1


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
        changed: dict[str, Any] = {f.name: getattr(self, f.name)[rows] for f in fields(self)[2:]}
        return replace(self, **changed)

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
        mids = (edges[:, :-1] + edges[:, 1:]) * 0.5
        return np.asarray(self.phase[:, None] + self.detune[:, None] * (mids - self.centre[:, None]))

    def normal(self) -> Floats:
        """What makes the noise of a symbol's correlation one in each component (b, 1)."""
        return np.asarray((1.0 / np.sqrt(self.variance * self.period / 2.0))[:, None])

    def symbol_nats(self, before: int = 0, after: int = 0) -> Floats:
        """Log-likelihood ratio of each symbol being sent at all (b, k), whether counted or not."""
        return self.nats_between(self.edges(before, after))

    def nats_between(self, edges: Floats) -> Floats:
        """The same of whatever lies between neighbouring ``edges`` (b, k + 1)."""
        return _nats(self, edges).astype(np.float64)


def join(parts: list[Fits]) -> Fits:
    """One after the other; all must be over the same sums."""
    first = parts[0]
    changed: dict[str, Any] = {
        f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(first)[2:]
    }
    return replace(first, **changed)


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


def _nats(fits: Fits, edges: Floats) -> Floats:
    """``ln cosh(g y) - g^2 e / 2`` of the symbols between ``edges`` (b, k + 1), in single precision."""
    sums = fits.turned.sums_of(edges)
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


def carry(fits: Fits, *, hold_carrier: bool = False, rounds: int = 4) -> Fits:
    """Phase, carrier and amplitude given the timing: expectation-maximisation over the bits."""
    edges, inside = fits.edges(), fits.inside()
    wanted = inside.astype(np.float32)
    period = fits.period.astype(np.float32)[:, None]
    middle = fits.middle
    steps = np.arange(inside.shape[1], dtype=np.float32) + np.float32(0.5)
    off = (steps - (0.5 * fits.count).astype(np.float32)[:, None]) * period * wanted
    spread = np.maximum(_sum(off * off), 1e-9)
    sums = fits.turned.sums_of(edges)
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
        d_middle = np.clip(_sum(pull) / (gain * count), -0.5, 0.5)
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


def scored(fits: Fits) -> Fits:
    """With the likelihood of its symbols."""
    nats = _nats(fits, fits.edges())
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
    return _mean_start(fits, width, steps, lambda starts: timing_nats(fits, starts))


def _mean_start(fits: Fits, width: Floats, steps: int, likelihood: Callable[[Floats], Floats]) -> Fits:
    starts = fits.start[:, None] + width[:, None] * np.linspace(-1.0, 1.0, 2 * steps + 1)
    nats = likelihood(starts)
    top = nats.max(axis=1)
    weight = np.exp(nats - top[:, None])
    start = np.sum(weight * starts, axis=1) / weight.sum(axis=1)
    return replace(fits, start=start, nats=top)


def _retimed_strong(fits: Fits, reached: float, fine: float) -> Fits:
    """`retime` to within ever less, the symbols being in no doubt, and so phase and carrier as they are."""
    timing = strong_timing(fits)
    while True:
        width = np.maximum(reached * fits.period, 0.3)
        fits = _mean_start(fits, width, 2, timing.of_starts)
        # within half a sample the sum runs straight
        if reached < 2.0 * fine or float(width.max()) < 0.5:
            return fits
        reached /= 2.5


def reach(fits: Fits, more: int = 6) -> Fits:
    """First and last symbol: the run of symbols that is likelier sent than not."""
    nats = fits.symbol_nats(more, more)
    edges = fits.edges(more, more)
    period = fits.period[:, None]
    outside = (edges[:, :-1] < fits.low[:, None] - 0.6 * period) | (
        edges[:, 1:] > fits.high[:, None] + 0.6 * period
    )
    beyond = np.arange(-more, nats.shape[1] - more) >= (fits.count + more)[:, None]
    told = nats.copy()
    nats /= unevenness(nats, fits, more)[:, None]
    # one short symbol of a strong transmission between others is no silence
    lone = (nats[:, 1:-1] < _DIP) & (nats[:, :-2] > 0.0) & (nats[:, 2:] > 0.0) & (fits.gain > 4.5)[:, None]
    nats[:, 1:-1][lone] = _DIP
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


def _at_points(fits: Fits, *, ends: bool) -> Fits:
    """The likeliest first edge among sample points, with a symbol more at either end where that is then likelier.

    An edge that lies on the wrong side of a sample costs the symbol beside it so much that it looks like silence.
    """

    def timed(rows: Fits) -> Fits:
        if are_strong(rows) and float(rows.period.min()) > _SIGNS_HOLD:
            return scored(replace(rows, start=likeliest_step(rows, REACH_SAMPLES)))
        most = int(rows.count.max(initial=0))
        return scored(
            replace(rows, start=likeliest_start(rows.start, rows.period, most, partial(timing_nats, rows)))
        )

    best = timed(fits)
    rows = np.arange(len(fits))
    for before in (1, 0) if ends else ():
        more = timed(replace(best, start=best.start - before * best.period, count=best.count + 1))
        inside = (more.start > more.low - 0.6 * more.period) & (more.stop < more.high + 0.6 * more.period)
        best = join([best, more]).take(np.where((more.nats > best.nats) & inside, rows + len(fits), rows))
    return best


def settle(
    fits: Fits, *, hold_carrier: bool = False, ends: bool = True, width: float = 0.09, points: bool = False
) -> Fits:
    """Bring rough fits to the maximum of the likelihood, the period held.

    Start, ends, phase, amplitude and (unless held) carrier are improved in turn, the first edge within
    ``width`` symbols at first. ``ends`` False keeps the number of symbols; ``points`` tries every place among samples
    that are ideal points.
    """

    def work(rows: Fits) -> Fits:
        rows = carry(rows, hold_carrier=hold_carrier, rounds=3)
        fine = _finest(rows)
        strong = (rows.gain > STRONG_GAIN) & (rows.period > _MANY_SAMPLES) & (width < _SIGNS_SURE)
        parts = [
            way(rows.take(np.flatnonzero(mine)), width, fine, hold_carrier=hold_carrier, ends=ends)
            for mine, way in ((strong, _timed_strong), (~strong, _timed))
            if mine.any()
        ]
        parts = [finished(part) for part in parts]
        if len(parts) == 1:
            return parts[0]
        order = np.concatenate((np.flatnonzero(strong), np.flatnonzero(~strong)))
        return join(parts).take(np.argsort(order, kind="stable"))

    def finished(rows: Fits) -> Fits:
        if ends:
            rows = reach(rows)
        if points and are_points(rows.turned, rows.gain, rows.period):
            rows = _at_points(rows, ends=ends)
        return scored(carry(rows, hold_carrier=hold_carrier, rounds=1))

    return in_groups(fits, work)


def _finest(rows: Fits) -> float:
    """Symbols to within which timing is looked for: the likelihood falls by up to 2 g^2 for each that a flip is off."""
    gain = float(np.median(rows.gain))
    return max(0.02 / (1.0 + gain * gain), 0.15 / float(rows.period.max()))


def _timed(rows: Fits, width: float, fine: float, *, hold_carrier: bool, ends: bool) -> Fits:
    """Start, ends and carrier in turn, the first edge within ever less."""
    turn = 0
    while True:
        rows = retime(rows, np.maximum(width * rows.period, 0.3))
        if ends and turn < 2:
            rows = reach(rows)
        rows = carry(rows, hold_carrier=hold_carrier, rounds=2)
        if width < 2.0 * fine:
            return rows
        width /= 2.5
        turn += 1
        if (turn == 2 or not ends) and are_strong(rows):
            rows = _retimed_strong(rows, width, fine)
            return carry(rows, hold_carrier=hold_carrier, rounds=2)


def _timed_strong(rows: Fits, width: float, fine: float, *, hold_carrier: bool, ends: bool) -> Fits:
    """The same where symbols are in no doubt and long, so that their signs need not be told anew at each step."""
    if ends:
        rows = reach(rows)
    rows = _retimed_strong(rows, width, fine)
    return carry(rows, hold_carrier=hold_carrier, rounds=2)
