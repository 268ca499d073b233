"""The symbol period of strong transmissions whose samples are ideal points, with the first edges averaged out exactly.

Moving an edge changes nothing until it passes a sample, and then by what that one sample tells (a change point among
samples, Hinkley 1970). Over the first edge the likelihood is therefore a staircase, which is integrated step by step:
where single samples tell much the steps that count are narrower than any grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dsp.correlate import cos_sin
from dsp.source import Floats

if TYPE_CHECKING:
    from dsp.fits import Fits, Flags, Ints

# samples around each edge that it may pass, from so many before it on
_BEFORE = 2
_WINDOW = 6
# samples by which first edges may be off to either side
_REACH = 1.5
_PERIODS = 41
_ROUNDS = 12
# periods that must share the weight before a grid is as fine as it has to be
_SHARING = 4.0
# how much more than in the middle of symbols samples beside reversals differ from either symbol where they lie between
# the two: in deviations of chance, and at least (ideal points, of which some edge is off, reach 1.2)
_BEYOND_CHANCE = 4.0
_BETWEEN = 1.3
# the carrier's cosine below which a sample is too small to tell one symbol from the other
_AWAY = 0.3


@dataclass(frozen=True, eq=False)
class _Steps:
    """Of each transmission, samples that an edge may pass, every array of shape (b, s).

    ``place`` is the sample, from the middle of the transmission on, ``before`` the symbols from the edge that passes it to
    the middle, ``nats`` what the log-likelihood gains once it has; 0 for samples that fill up the row. ``passed`` (b,) is
    what it has gained by others already.
    """

    place: Floats
    before: Floats
    nats: Floats
    passed: Floats

    def when(self, period: Floats | float) -> Floats:
        """Where the first edge stands when an edge passes each sample, from where it stands if the middle stays."""
        each = np.broadcast_to(period, self.passed.shape)
        return np.asarray(self.place + self.before * each[:, None])

    def within(self, low: float, high: float, reach: float) -> _Steps:
        """The same with those that are passed, for a period from ``low`` to ``high``, within ``reach`` of the first edge."""
        one, other = self.when(low), self.when(high)
        late, early = np.minimum(one, other) >= reach, np.maximum(one, other) <= -reach
        kept = ~(late | early)
        most = int(kept.sum(axis=1).max(initial=0))
        # packed to the left in the order they are passed in, so that little of it changes from period to period
        order = np.argsort(np.where(kept, 0.5 * (one + other), np.inf), axis=1)[:, :most]
        place, before, nats = (
            np.take_along_axis(each, order, axis=1)
            for each in (self.place, self.before, np.where(kept, self.nats, 0.0))
        )
        passed = self.passed + np.sum(np.where(early, self.nats, 0.0), axis=1)
        return _Steps(place, before, nats, passed)


def point_period(fits: Fits, half_width: float) -> tuple[float, float]:
    """Mean and standard deviation of the symbol period in samples, within ``half_width`` of that of ``fits``.

    The fits' edges must be right to a sample, and their symbols beyond doubt. The weight of far tops is brought down
    to a grid by tempering, as long as fewer than a few of its points share the weight.
    """
    steps = _steps(fits)
    middle, half = float(fits.period[0]), half_width
    std = half
    for _ in range(_ROUNDS):
        periods = middle + half * np.linspace(-1.0, 1.0, _PERIODS)
        some = steps.within(float(periods[0]), float(periods[-1]), _REACH)
        nats = np.array([_integrated(some, period) for period in periods.tolist()])
        temper, weight = 1.0, _weight(nats)
        while 1.0 / float(np.sum(weight**2)) < _SHARING:
            temper *= 1.5
            weight = _weight(nats / temper)
        middle = float(weight @ periods)
        std = float(np.sqrt(weight @ (periods - middle) ** 2))
        if temper == 1.0:
            break
        # a grid never grows: steps that are no grid of any period would carry it away
        half = min(4.0 * std, half)
    return middle, std


def are_ideal(fits: Fits) -> bool:
    """Whether the samples next to reversals belong wholly to one symbol or the other, but for noise.

    Behind every filter they do not: then they lie between the two. Samples in the middle of symbols tell the noise; the
    median over transmissions counts, since some may have a clock of their own.
    """
    each, count, noise = _misfit(fits)
    if not each.size or not noise > 0.0:
        return True
    most = max(_BETWEEN, 1.0 + _BEYOND_CHANCE * float(np.sqrt(2.0 / count.sum())))
    return float(np.median(each)) < most * noise


def _signs(fits: Fits) -> Floats:
    """The sign of each symbol (b, k + 2), with a silent one (0) before and after each transmission."""
    edges = fits.edges()
    y = fits.turned.between(edges) * np.exp(-1j * fits.angles(edges))
    signs = np.where(fits.inside(), np.where(y.real > 0.0, 1.0, -1.0), 0.0)
    return np.pad(signs, ((0, 0), (1, 1)))


def _samples(fits: Fits, place: Ints, row: Ints) -> tuple[Floats, Floats]:
    """Samples at ``place`` times the carrier's cosine, and that cosine, both of its shape; 0 outside the stretch.

    ``row``, the transmission each is of, has as many axes.
    """
    inside = (place >= 0) & (place < fits.turned.length)
    at = np.where(inside, place, 0)
    angle = fits.phase[row] + fits.detune[row] * (at - fits.centre[row])
    value = fits.turned.sums[at + 1] - fits.turned.sums[at]
    along, across = cos_sin(angle)
    cos, _ = cos_sin(fits.turned.omega * at + angle)
    product = value.real * along + value.imag * across
    return np.where(inside, product, 0.0), np.where(inside, cos.astype(np.float64), 0.0)


def _steps(fits: Fits, first: int = -_BEFORE, last: int = _WINDOW - _BEFORE, early: float = 0.0) -> _Steps:
    """Samples from ``first`` to ``last`` (half-open) about each edge, moved ``early`` samples, that changes something."""
    edges, signs = fits.edges(), _signs(fits)
    # of each transmission only reversals and ends, packed to the left
    changes = signs[:, 1:] != signs[:, :-1]
    most = int(changes.sum(axis=1).max(initial=0))
    number = np.argsort(~changes, axis=1, kind="stable")[:, :most]
    row = np.arange(len(fits))[:, None]
    before, after = signs[row, number], signs[row, number + 1]
    place = np.floor(edges[row, number] - early).astype(np.int64)[..., None] + np.arange(first, last)
    product, cos = _samples(fits, place, row[..., None])
    amplitude = fits.amplitude[:, None, None]
    told, energy = amplitude * product / fits.variance, amplitude**2 * cos**2 / (2.0 * fits.variance)
    change = (before - after)[..., None] * told - (np.abs(before) - np.abs(after))[..., None] * energy
    rows = len(fits)
    before_middle = np.broadcast_to((0.5 * fits.count[:, None] - number)[..., None], place.shape)
    return _Steps(
        (place - fits.middle[:, None, None]).reshape(rows, -1),
        before_middle.reshape(rows, -1),
        change.reshape(rows, -1),
        np.zeros(rows),
    )


def _staircase(steps: _Steps, period: Floats | float, reach: float) -> tuple[Floats, Floats, Floats]:
    """The log-likelihood over the first edge: how wide each step is, its height, and where it begins, all (b, s + 1).

    Places are counted from where the first edge stands if the middle stays, from ``-reach`` to ``reach`` samples.
    """
    when = np.clip(steps.when(period), -reach, reach)
    order = np.argsort(when, axis=1, kind="stable")
    when = np.take_along_axis(when, order, axis=1)
    nats = np.cumsum(np.column_stack((steps.passed, np.take_along_axis(steps.nats, order, axis=1))), axis=1)
    ends = np.full((len(when), 1), reach)
    bounds = np.concatenate((-ends, when, ends), axis=1)
    return np.diff(bounds, axis=1), nats, bounds[:, :-1]


def _integrated(steps: _Steps, period: float) -> float:
    """Log-likelihood of a period over all transmissions, each one's first edge averaged out, but for a constant."""
    wide, nats, _ = _staircase(steps, period, _REACH)
    top = np.max(np.where(wide > 0.0, nats, -np.inf), axis=1)
    return float(np.sum(top + np.log(np.sum(wide * np.exp(np.minimum(nats - top[:, None], 0.0)), axis=1))))


def likeliest_step(fits: Fits, reach: float) -> Floats:
    """The likeliest first edge (b,) within ``reach`` (under a sample) of that of each of ``fits``, the period held.

    Its symbols must be beyond doubt. It is the middle of the highest step of the staircase.
    """
    steps = _steps(fits, 1, 3, reach)
    wide, nats, begin = _staircase(steps, fits.period, reach)
    best = np.argmax(np.where(wide > 0.0, nats, -np.inf), axis=1)
    row = np.arange(len(fits))
    return np.asarray(fits.start + begin[row, best] + 0.5 * wide[row, best])


def _weight(nats: Floats) -> Floats:
    weight = np.exp(nats - nats.max())
    return np.asarray(weight / weight.sum())


def _misfit(fits: Fits) -> tuple[Floats, Ints, float]:
    """Mean square by which samples differ from what is sent: next to reversals of each transmission that has any, with
    the number of those samples, and in the middle of symbols of all.

    Each reversal may be a sample earlier or later than its edge says, whichever fits best.
    """
    edges, signs = fits.edges(), _signs(fits)
    row, number = np.nonzero(signs[:, :-1] * signs[:, 1:] < 0.0)
    near = np.ceil(edges[row, number] - 1e-9).astype(np.int64)[:, None] + np.arange(-2, 2)
    samples = _samples(fits, near, row[:, None])
    before, good = _squared(fits, samples, signs[row, number], row)
    after, _ = _squared(fits, samples, signs[row, number + 1], row)
    each = np.stack([before[:, :cut].sum(axis=1) + after[:, cut:].sum(axis=1) for cut in (1, 2, 3)]).min(
        axis=0
    )
    total = np.bincount(row, each, len(fits))
    count = np.bincount(row, good.sum(axis=1), len(fits)).astype(np.int64)
    row, number = np.nonzero(fits.inside())
    middle = np.rint(0.5 * (edges[row, number + 1] + edges[row, number])).astype(np.int64)[:, None]
    within, known = _squared(fits, _samples(fits, middle, row[:, None]), signs[row, number + 1], row)
    some = count > 0
    noise = float(np.sum(within)) / max(1, int(np.count_nonzero(known)))
    return total[some] / count[some], count[some], noise


def _squared(fits: Fits, samples: tuple[Floats, Floats], sign: Floats, row: Ints) -> tuple[Floats, Flags]:
    """Squared distance (e, j) of `_samples` of transmissions ``row`` (e,) from a carrier of that ``sign`` (e,), and which
    are away from its zeros; 0 of others."""
    product, cos = samples
    good = np.abs(cos) > _AWAY
    value = product / np.where(good, cos, 1.0)
    return np.where(good, (value - (sign * fits.amplitude[row])[:, None] * cos) ** 2, 0.0), good
