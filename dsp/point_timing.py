"""The symbol period of strong transmissions whose samples are ideal points, with the first edges averaged out exactly.

Moving an edge changes nothing until it passes a sample, and then by what that one sample tells (a change point among
samples, Hinkley 1970). Over the first edge the likelihood is therefore a staircase, which is integrated step by step:
where single samples tell much the steps that count are narrower than any grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.fits import Fits, Flags, Ints
from dsp.source import Floats

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

    ``place`` is the sample, ``number`` the symbols from the first edge to the one that passes it, ``nats`` what the
    log-likelihood gains once it has; 0 for samples that fill up the row. ``middle``, ``count`` (b,) as in `Fits`.
    """

    place: Ints
    number: Ints
    nats: Floats
    middle: Floats
    count: Ints


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
        nats = np.array([_integrated(steps, period) for period in periods.tolist()])
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


def _samples(fits: Fits, place: Ints) -> tuple[Floats, Floats]:
    """Samples at ``place`` (b, ...) times the carrier's cosine, and that cosine; both 0 outside the stretch."""
    inside = (place >= 0) & (place < fits.turned.length)
    at = np.where(inside, place, 0)
    row = (-1, *([1] * (place.ndim - 1)))
    angle = fits.phase.reshape(row) + fits.detune.reshape(row) * (at - fits.centre.reshape(row))
    value = fits.turned.sums[at + 1] - fits.turned.sums[at]
    cos = np.cos(fits.turned.omega * at + angle)
    return np.where(inside, (value * np.exp(-1j * angle)).real, 0.0), np.where(inside, cos, 0.0)


def _steps(fits: Fits) -> _Steps:
    edges, signs = fits.edges(), _signs(fits)
    before, after = signs[:, :-1], signs[:, 1:]
    place = np.floor(edges).astype(np.int64)[..., None] + np.arange(-_BEFORE, _WINDOW - _BEFORE)
    product, cos = _samples(fits, place)
    amplitude = fits.amplitude[:, None, None]
    told, energy = amplitude * product / fits.variance, amplitude**2 * cos**2 / (2.0 * fits.variance)
    change = (before - after)[..., None] * told - (np.abs(before) - np.abs(after))[..., None] * energy
    rows = len(fits)
    number = np.broadcast_to(np.arange(edges.shape[1])[:, None], place.shape[1:])
    return _Steps(
        place.reshape(rows, -1),
        np.broadcast_to(number.reshape(1, -1), (rows, number.size)),
        change.reshape(rows, -1),
        fits.middle,
        fits.count,
    )


def _integrated(steps: _Steps, period: float) -> float:
    """Log-likelihood of a period over all transmissions, each one's first edge averaged out, but for a constant."""
    first = (steps.middle - 0.5 * steps.count * period)[:, None]
    # where the first edge stands when an edge passes each sample
    when = np.clip(steps.place - (first + steps.number * period), -_REACH, _REACH)
    order = np.argsort(when, axis=1)
    when = np.take_along_axis(when, order, axis=1)
    nats = np.cumsum(np.take_along_axis(steps.nats, order, axis=1), axis=1)
    nats = np.pad(nats, ((0, 0), (1, 0)))
    wide = np.diff(when, axis=1, prepend=-_REACH, append=_REACH)
    top = np.max(np.where(wide > 0.0, nats, -np.inf), axis=1)
    return float(np.sum(top + np.log(np.sum(wide * np.exp(np.minimum(nats - top[:, None], 0.0)), axis=1))))


def _weight(nats: Floats) -> Floats:
    weight = np.exp(nats - nats.max())
    return np.asarray(weight / weight.sum())


def _misfit(fits: Fits) -> tuple[Floats, Ints, float]:
    """Mean square by which samples differ from what is sent: next to reversals of each transmission that has any, with
    the number of those samples, and in the middle of symbols of all.

    Each reversal may be a sample earlier or later than its edge says, whichever fits best.
    """
    edges, signs = fits.edges(), _signs(fits)
    turned = signs[:, :-1] * signs[:, 1:] < 0.0
    near = np.ceil(edges - 1e-9).astype(np.int64)[..., None] + np.arange(-2, 2)
    before, good = _squared(fits, near, signs[:, :-1, None])
    after, _ = _squared(fits, near, signs[:, 1:, None])
    each = np.stack(
        [np.concatenate((before[..., :cut], after[..., cut:]), axis=-1).sum(axis=-1) for cut in (1, 2, 3)]
    ).min(axis=0)
    total = np.sum(each, axis=1, where=turned)
    count = np.sum(good, axis=(1, 2), where=turned[..., None])
    middle = np.rint(0.5 * (edges[:, 1:] + edges[:, :-1])).astype(np.int64)
    within, known = _squared(fits, middle, signs[:, 1:-1])
    known &= fits.inside()
    some = count > 0
    noise = float(np.sum(within, where=known)) / max(1, int(np.count_nonzero(known)))
    return total[some] / count[some], count[some], noise


def _squared(fits: Fits, place: Ints, sign: Floats) -> tuple[Floats, Flags]:
    """Squared distance of samples from a carrier of that ``sign``, and which are away from its zeros; 0 of others."""
    product, cos = _samples(fits, place)
    good = np.abs(cos) > _AWAY
    value = product / np.where(good, cos, 1.0)
    amplitude = fits.amplitude.reshape(-1, *([1] * (place.ndim - 1)))
    return np.where(good, (value - sign * amplitude * cos) ** 2, 0.0), good
