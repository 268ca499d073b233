"""The symbol period that the transmissions of a link share, over all of them, and how they share out samples."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from dsp.correlate import Complexes
from dsp.fits import Fits, Ints, join
from dsp.flips import flip_times
from dsp.point_timing import are_ideal, point_period
from dsp.runs import runs_of
from dsp.settling import settle
from dsp.source import Floats
from dsp.strong import are_strong, strong_timing
from dsp.weak import WeakTiming

_BURSTS_AT_MOST = 64
_BURSTS_FIRST = 12
_BURSTS_NEARLY = 24
_STARTS = 17
# first edges where single samples tell much, and the natural units that one then tells
_STARTS_FINE = 41
_STARTS_PLAIN = 33
# the same of so few transmissions that finer steps cost little: these add a fortieth to the mean square error that noise
# leaves, steps of a third as many a fifth (30 transmissions at 14 dB, 6.5 cycles a symbol)
_STARTS_FEW, _FEW = 101, 64
_FINE_NATS = 2.0
# samples within which an edge lies when samples are ideal points, beside what is found when they are not
_EDGE_SAMPLES = 0.75
# samples by which a transmission may change its length with a period that is taken for the one it has
_SAME_SAMPLES = 0.05
# samples a symbol above which how those at its edges are shared out moves no transmission to speak of
_MANY_SAMPLES = 16.0
_PERIODS = 11
_PERIODS_ROUGH = 31
_ROUNDS_ROUGH = 4
# grids over the period at most
_ROUNDS_FIRST = 12
# symbols beside a transmission that are kept with it
_ROOM = 7.0
_FLIP_SHAPE_SAMPLES = 0.3
# difference of periods by which flips numbered by the one make a grid of the other
_SAME_GRID = 0.1
# below this length of a symbol the likelihood over the period has many tops, and a coarse grid is no first step
_ROUGH_GAIN = 6.0
# and above this it is seen how long symbols share out their samples, too
_SHARP_GAIN = 6.0


@dataclass(frozen=True)
class Period:
    """Symbol period in samples, its standard uncertainty, and whether a sample belongs to one symbol only."""

    value: float
    std: float
    sharp: bool


def final_period(fits: Fits, known: Period) -> Period:
    """The period over all of many transmissions, where it is known already to within a few of its uncertainties."""
    own = _soft(fits, known.value)
    if not len(own):
        return known
    width = 4.0 * max(known.std / known.value, 1e-8)
    few = own.take(np.argsort(-own.nats, kind="stable")[:_BURSTS_NEARLY])
    # what follows looks no farther than this leaves open, and of few that must be all of it
    last = len(own) == len(few)
    soft = _refine(few, known.value, width, _ROUNDS_FIRST, _all_starts(few), final=last)
    if len(own) > len(few):
        # by so much more than they leave open as all may differ from a few
        width = 3.0 * soft.period.std / soft.period.value
        # where samples are ideal points this is but where to look for them
        starts, final = _all_starts(own), not known.sharp
        soft = _refine(own, soft.period.value, width, _ROUNDS_FIRST, starts, final=final, rough=known.sharp)
    found = _sharpened(own, soft, final=True) if known.sharp else soft
    return _with_shape(found, own)


def _sharpened(fits: Fits, soft: _Refined, *, final: bool = False) -> _Refined:
    """The same with samples as ideal points, each of one symbol only, from where the other reading leaves it.

    Then the likelihood jumps wherever an edge passes a sample, and no coarse grid would find its top.
    """
    sharp = replace(fits, turned=fits.turned.sharpened(True))
    # what a sample by itself tells: 2 g^2 over the samples of a symbol
    told = float(np.median(2.0 * fits.gain**2 / fits.period))
    count = _STARTS_FINE if told > _FINE_NATS else _STARTS
    starts = _Starts(soft.starts.centre, soft.starts.reach + _EDGE_SAMPLES, count)
    shape = _FLIP_SHAPE_SAMPLES * float(np.sqrt(24.0 / fits.count.sum())) / float(fits.count.max())
    around = [(soft.period.value, 3.0 * float(np.hypot(soft.period.std, shape)))]
    if told > _FINE_NATS and (lined := flip_period(sharp)) is not None:
        # shared out in parts, samples pull the period to a whole number of them; flips by themselves do not
        around.append((lined.value, 4.0 * lined.std))
    low, high = min(value - by for value, by in around), max(value + by for value, by in around)
    middle = 0.5 * (low + high)
    exact = told > _FINE_NATS and are_strong(sharp)
    found = _refine(
        sharp, middle, 0.5 * (high - low) / middle, _ROUNDS_FIRST, starts, final=final and not exact
    )
    if not exact:
        return found
    value, std = point_period(_at(sharp, found), max(4.0 * found.period.std, 0.5 * (high - low)))
    return replace(found, period=replace(found.period, value=value, std=max(std, 1e-9 * value)))


def _at(fits: Fits, found: _Refined) -> Fits:
    """The transmissions with that period, their first edges where they then lie."""
    period = np.full(len(fits), found.period.value)
    return replace(fits, period=period, start=fits.middle - 0.5 * fits.count * period + found.starts.centre)


def _with_shape(found: _Refined, fits: Fits) -> Period:
    """Where samples are no ideal points, each flip is known no better than its unknown shape allows.

    Even where they are more like ideal points than like shares: then samples between two symbols are taken for those of
    one of them, and pull the period; the instants of the flips tell it without that.
    """
    period = found.period
    if period.sharp:
        at = _at(replace(fits, turned=fits.turned.sharpened(True)), found)
        lined = None if are_ideal(at) else flip_period(at)
        return period if lined is None else lined
    shape = _FLIP_SHAPE_SAMPLES * float(np.sqrt(24.0 / fits.count.sum())) / float(fits.count.max())
    return replace(period, std=float(np.hypot(period.std, shape)))


def compact(parts: list[Fits]) -> Fits | None:
    """Transmissions over different sums, each over just the samples that it needs; None of none.

    Sums of samples turned back from another first sample differ by a constant turn, which is put right.
    """
    rows = [part for part in parts if len(part)]
    if not rows:
        return None
    sums: list[Complexes] = []
    moved: list[Fits] = []
    at = 0
    for row in rows:
        part = row
        omega = part.turned.omega
        room = _ROOM * part.period
        first = np.maximum(0, np.floor(part.start - room)).astype(np.int64)
        last = np.minimum(part.turned.length, np.ceil(part.stop + room)).astype(np.int64)
        part = replace(part, low=np.maximum(part.low, first), high=np.minimum(part.high, last))
        shift = np.empty(len(part))
        for i, (a, b) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
            shift[i] = a - at
            sums.append(part.turned.sums[a : b + 1] * np.exp(1j * (omega * shift[i])))
            at += b + 1 - a
        moved.append(
            replace(
                part,
                phase=part.phase + omega * shift,
                **{name: getattr(part, name) - shift for name in ("centre", "start", "low", "high")},
            )
        )
    turned = replace(rows[0].turned, sums=np.concatenate(sums))
    return join([replace(part, turned=turned) for part in moved])


def pooled_period(fits: Fits, start: float, sharp: bool) -> Period:
    """The period by the likelihood of all fits together, each one's own timing averaged out.

    Where it lies roughly is seen from the flips; the strongest few transmissions (of weak ones more) then decide, and
    how samples are shared out as well.
    """
    best = fits.take(np.argsort(-fits.nats, kind="stable")[:_BURSTS_AT_MOST])
    weak = float(np.median(best.gain)) < _ROUGH_GAIN / 2.0
    few = best if weak else best.take(np.arange(min(len(best), _BURSTS_FIRST)))
    near = flip_period(few) if abs(start / float(few.period[0]) - 1.0) < 0.01 else None
    own = _settled(few, start if near is None else near.value, False)
    if not len(own):
        return Period(start, start * 0.01, sharp)
    # a good start is never farther off than the flips show
    width = 0.4 / float(own.count.max())
    if near is not None:
        width = min(width, max(5.0 * near.std, 0.3 / float(own.count.max())) / near.value)
    soft = _refine(own, float(own.period[0]), width, _ROUNDS_FIRST, _all_starts(own))
    strong = float(np.median(few.gain)) > _SHARP_GAIN
    if start >= 64.0 and not strong and not sharp:
        return _with_shape(soft, own)
    points = _sharpened(own, soft)
    return _with_shape(points if points.nats > soft.nats else soft, own)


def flip_period(fits: Fits) -> Period | None:
    """The period by weighted least squares over the instants of all flips; None of fewer than three, and of what makes
    no grid, since their numbers are those of the period that is known already.

    Each transmission has a first edge of its own. The scatter about the fit, where it is larger than the flips'
    own uncertainty, widens the result's.
    """
    runs = runs_of(fits)
    flips = flip_times(runs, 1.0)
    if flips.where.size < 3:
        return None
    owner = np.repeat(np.arange(len(runs)), np.diff(flips.offset))
    number = np.rint((flips.where - runs.first[owner]) / fits.period[owner])
    std = np.sqrt(((flips.high - flips.low) / 3.92) ** 2 + 0.1)
    found = period_through(flips.where, number, owner, std, sharp=fits.turned.sharp)
    known = float(np.median(fits.period))
    return found if found is not None and abs(found.value / known - 1.0) < _SAME_GRID else None


def period_through(
    place: Floats, number: Floats, owner: Ints, std: Floats, *, sharp: bool = False
) -> Period | None:
    """Straight lines of one slope through numbered flips (f,), each transmission's with a first edge of its own.

    Weighted least squares; the scatter about the lines, where it is larger than ``std`` (f,), widens the result's.
    """
    weight = 1.0 / (std * std)
    total = np.maximum(np.bincount(owner, weight), 1e-300)

    def centred(values: Floats) -> Floats:
        return np.asarray(values - (np.bincount(owner, weight * values) / total)[owner])

    k, t = centred(number), centred(place)
    information = float(np.sum(weight * k * k))
    free = place.size - np.unique(owner).size - 1
    if information <= 0.0 or free < 1:
        return None
    value = float(np.sum(weight * k * t)) / information
    scatter = float(np.sum(weight * (t - value * k) ** 2)) / free
    return Period(value, float(np.sqrt(max(1.0, scatter) / information)), sharp)


def _soft(fits: Fits, period: float) -> Fits:
    """The transmissions at their likeliest timing with that period, a sample being of both symbols that share it."""
    off = float(np.max(fits.count * np.abs(fits.period - period), initial=0.0))
    if are_strong(fits) and period > _MANY_SAMPLES and off < _SAME_SAMPLES:
        # they have been found with this very period; what is strong and long moves by less than is looked through
        return replace(fits, turned=fits.turned.sharpened(False)).take(fits.count >= 3)
    return _settled(fits, period, False)


def _settled(fits: Fits, period: float, sharp: bool) -> Fits:
    middle = fits.middle
    rough = replace(
        fits,
        turned=fits.turned.sharpened(sharp),
        period=np.full(len(fits), period),
        start=middle - 0.5 * fits.count * period,
    )
    own = settle(rough, width=0.05)
    return own.take(own.count >= 3)


@dataclass(frozen=True, eq=False)
class _Refined:
    """A period, its log-likelihood, and where the first edges of the transmissions then lie."""

    nats: float
    period: Period
    starts: _Starts


def _refine(
    fits: Fits,
    period: float,
    width: float,
    rounds: int,
    starts: _Starts,
    *,
    final: bool = False,
    rough: bool = False,
) -> _Refined:
    """Mean and spread of the likelihood over periods, from ``width`` (a ratio) on either side downwards.

    Over the period the likelihood is as rough as a random walk. On a coarse grid it is therefore tempered,
    just so much that several points share the weight; the grid then shrinks until no tempering is needed. The
    grid of first edges shrinks with it to where each transmission's own can be. ``final`` averages over all the tops that
    are left, as weak transmissions always do but for a ``rough`` period.
    """
    sharp = fits.turned.sharp
    likelihood = _likelihood(fits)
    top, std = 0.0, width * period
    for _ in range(rounds):
        periods = period * (1.0 + np.linspace(-width, width, _PERIODS))
        each = likelihood(periods, starts)
        nats = _averaged_starts(each).sum(axis=1)
        top = float(nats.max())
        temper = 1.0
        weight = _weights(nats, temper)
        while 1.0 / float(np.sum(weight**2)) < 3.0:
            temper *= 1.5
            weight = _weights(nats, temper)
        period = float(weight @ periods)
        std = float(np.sqrt(weight @ (periods - period) ** 2))
        starts = starts.narrowed(each, weight, temper)
        if temper == 1.0:
            break
        width = min(2.5 * std / period, _SAME_GRID)
    if final or (not rough and float(np.median(fits.gain)) < _ROUGH_GAIN):
        period, std, starts = _averaged(fits, likelihood, period, std, starts)
    return _Refined(top, Period(period, max(std, 1e-9 * period), sharp), starts)


@dataclass(frozen=True, eq=False)
class _Starts:
    """Grids of first edges, ``reach`` (b,) samples to either side of ``centre`` (b,), which is counted from each
    transmission's own."""

    centre: Floats
    reach: Floats
    count: int = _STARTS

    @property
    def steps(self) -> Floats:
        return np.asarray(self.centre[:, None] + self.reach[:, None] * np.linspace(-1.0, 1.0, self.count))

    def narrowed(self, nats: Floats, of_period: Floats, temper: float) -> _Starts:
        """To where the likelihoods ``nats`` (p, b, s) of these, so much tempered, leave any weight.

        Over all periods by their weights ``of_period`` (p,): with another period another first edge is likely, and where
        only that of the likeliest were kept, the others would lose.
        """
        each = np.exp((nats - nats.max(axis=2, keepdims=True)) / temper)
        each /= each.sum(axis=2, keepdims=True)
        weight = np.tensordot(of_period, each, 1)
        steps = self.steps
        centre = np.sum(weight * steps, axis=1)
        spread = np.sqrt(np.sum(weight * (steps - centre[:, None]) ** 2, axis=1))
        apart = 2.0 * self.reach / (self.count - 1)
        return _Starts(centre, np.minimum(self.reach, 4.0 * spread + 2.0 * apart), self.count)


_Likelihood = Callable[[Floats, _Starts], Floats]
"""Log-likelihood (p, b, s) of periods (p,) and first edges, over transmissions that stay what they are."""


def _all_starts(fits: Fits, count: int = _STARTS) -> _Starts:
    reach = np.minimum(0.5, 4.0 / (1.0 + fits.gain**2)) * fits.period
    return _Starts(np.zeros(len(fits)), np.maximum(reach, 1.5) if fits.turned.sharp else reach, count)


def _averaged(
    fits: Fits, likelihood: _Likelihood, period: float, std: float, starts: _Starts
) -> tuple[float, float, _Starts]:
    """Mean and spread over grids fine enough to hold the many tops that a weak likelihood has.

    A flip is known to about ``1.5 / g^2`` of a symbol (Hinkley 1970 gives the ``1 / g^2``).
    """
    flips = 0.5 * float(fits.count.sum())
    symbols = float(np.mean(fits.count))
    gain = float(np.median(fits.gain))
    due = period * 1.5 / (gain * gain) * float(np.sqrt(12.0 / flips)) / symbols
    # of symbols hardly above the noise there would be periods of nothing and less among them
    reach = min(3.5 * max(due, std), 0.5 * period)
    starts = replace(starts, count=_STARTS_FEW if len(fits) <= _FEW else _STARTS_PLAIN)
    for _ in range(_ROUNDS_ROUGH):
        periods = period + np.linspace(-reach, reach, _PERIODS_ROUGH)
        each = likelihood(periods, starts)
        weight = _weights(_averaged_starts(each).sum(axis=1), 1.0)
        period = float(weight @ periods)
        std = float(np.sqrt(weight @ (periods - period) ** 2))
        step = float(periods[1] - periods[0])
        if std > 2.0 * step:
            break
        # what lies between two points of a grid is not known better than by their distance
        reach = min(max(4.0 * std, 3.0 * step), 0.5 * period)
        starts = starts.narrowed(each, weight, 1.0)
    return period, std, starts


def _weights(nats: Floats, temper: float) -> Floats:
    weight = np.exp((nats - nats.max()) / temper)
    return np.asarray(weight / weight.sum())


def marginal(
    fits: Fits, periods: Floats, starts: _Starts | None = None, likelihood: _Likelihood | None = None
) -> Floats:
    """Log-likelihood (p, b) of each period for each transmission, its first edge averaged out over ``starts``.

    Along the first edge the likelihood is a random walk: the grid must be fine enough to average over it.
    """
    likelihood = likelihood or _likelihood(fits)
    return _averaged_starts(likelihood(periods, starts or _all_starts(fits, _STARTS_PLAIN)))


def _likelihood(fits: Fits) -> _Likelihood:
    if are_strong(fits):
        timing = strong_timing(fits)
        return lambda periods, starts: timing.over(periods, starts.steps)
    weak = WeakTiming(fits)
    return lambda periods, starts: weak.over(periods, starts.steps)


def _averaged_starts(nats: Floats) -> Floats:
    top = nats.max(axis=2)
    return np.asarray(top + np.log(np.mean(np.exp(nats - top[:, :, None]), axis=2)))
