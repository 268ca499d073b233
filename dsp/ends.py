"""How many symbols each transmission has: its two ends are on-off decisions, each with its probability.

Each symbol further out or in multiplies the odds by its own likelihood ratio of being sent at all. Where a
talker's transmissions share few lengths, those found at the others are a prior for each (a Dirichlet process,
Ferguson 1973); whether that predicts the lengths better than all lengths being alike is itself decided from
them, each predicted from the others.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.end_noise import ALIKE, EndNoise
from dsp.fits import Fits, Ints
from dsp.runs import Runs
from dsp.source import Floats

# symbols by which an end may move either way
AWAY = 6
# natural units by which shared lengths must predict better before they are used
_SHARED_NATS = 6.0
# transmissions on either side of the lengths of all others, where those differ by as much
_APART, _WIDE = 3, 12
# samples a symbol that are few, samples by which edges may lie off, and places tried among them
_FEW_SAMPLES = 12.0
_BESIDE, _PLACES = 0.25, 21
_AS_IS: Floats = np.ones(1)
_ZERO: Floats = np.zeros(1)
# natural logarithm of the odds of what cannot be
_NEVER = -1e3
# and of another transmission beginning at just this symbol, with this timing and phase: one in fifty, one of some twenty
_ANOTHER_NATS = 7.0


@dataclass(frozen=True, eq=False)
class Ends:
    """Probabilities (b,) that first and last symbol are just these; ``shared`` is a length most have, or None."""

    start_probability: Floats
    end_probability: Floats
    shared: int | None = None


def decide_ends(
    fits: Fits,
    levels: tuple[Floats, Floats] = (_AS_IS, _AS_IS),
    known: tuple[Floats, Floats] | None = None,
    noise: EndNoise = ALIKE,
) -> tuple[Fits, Ends]:
    """First and last symbol of one talker's transmissions, with what they share, and how sure each is.

    ``levels`` are the amplitudes (b,) at the starts and at the ends, over that of each transmission. ``known`` are the
    log-odds (b, 13) of six symbols fewer to six more at either end, where symbols are no rectangles. ``noise`` is that of
    symbols and of silence, where they differ.
    """
    # rows: how many symbols more (+) or fewer (-) there are at the start and at the end
    shifts = _shifts(fits) if known is None else _ZERO
    if len(shifts) == 1:
        told = [_both_nats(_end_nats(fits, levels, noise) if known is None else known)]
        both = told[0]
    else:
        moved = [replace(fits, start=fits.start + shift) for shift in shifts]
        told = [_both_nats(_end_nats(some, levels, noise)) + _own_nats(some, noise) for some in moved]
        both = np.logaddexp.reduce(told) - np.log(len(told))
    steps = np.arange(-AWAY, AWAY + 1)
    length = fits.count[:, None, None] + steps[:, None] + steps[None, :]
    both = np.where(length >= 2, both, -np.inf)
    prior, shared = _length_prior(both, length)
    both = both + prior
    weight = np.exp(both - both.max(axis=(1, 2), keepdims=True))
    weight /= weight.sum(axis=(1, 2), keepdims=True)
    best = weight.reshape(len(fits), -1).argmax(axis=1)
    more, after = steps[best // steps.size], steps[best % steps.size]
    row = np.arange(len(fits))
    ends = Ends(
        weight.sum(axis=2)[row, best // steps.size], weight.sum(axis=1)[row, best % steps.size], shared
    )
    start = fits.start
    if len(told) > 1:
        # one symbol more or fewer may say where among the samples the edges are
        at = [nats.reshape(len(fits), -1)[row, best] for nats in told]
        start = start + shifts[np.argmax(at, axis=0)]
    return replace(fits, start=start - more * fits.period, count=fits.count + more + after), ends


def _shifts(fits: Fits) -> Floats:
    """Places of the edges (s,) beside the one that was found, in samples, over which its likelihood is averaged.

    Where each of few samples belongs to one symbol only, an edge on the wrong side of one makes the symbol beside it
    look silent.
    """
    few = fits.turned.sharp and float(np.median(fits.period)) < _FEW_SAMPLES
    return np.linspace(-_BESIDE, _BESIDE, _PLACES) if few else np.zeros(1)


def _both_nats(told: tuple[Floats, Floats]) -> Floats:
    """Log-likelihood (b, 13, 13) of each number of symbols more or fewer at the start and at the end."""
    starts, ends = told
    return np.asarray(starts[:, :, None] + ends[:, None, :])


def _own_nats(fits: Fits, noise: EndNoise) -> Floats:
    """Log-likelihood (b, 1, 1) of the symbols as they are counted."""
    nats = noise.nats_between(fits, fits.edges())
    return np.asarray(np.sum(nats, axis=1, where=fits.inside())[:, None, None])


def _end_nats(fits: Fits, levels: tuple[Floats, Floats], noise: EndNoise) -> tuple[Floats, Floats]:
    """Log-odds (b, 13) of each number of symbols more or fewer at the start and at the end."""
    # six symbols on either side of both ends, those of the starts and then those of the ends
    k = np.arange(-AWAY, AWAY + 1)
    last = fits.start + fits.count * fits.period
    edges = np.concatenate((fits.start, last))[:, None] + k * np.tile(fits.period, 2)[:, None]
    both = fits.take(np.tile(np.arange(len(fits)), 2))
    both = replace(both, amplitude=np.concatenate([fits.amplitude * level for level in levels]))
    nats = noise.nats_between(both, edges)
    room = 0.6 * both.period[:, None]
    nats[(edges[:, :-1] < both.low[:, None] - room) | (edges[:, 1:] > both.high[:, None] + room)] = _NEVER
    starts, ends = nats[: len(fits)], nats[len(fits) :]
    return outward_sums(starts[:, ::-1]), outward_sums(ends)


def outward_sums(nats: Floats) -> Floats:
    """Log-odds (b, 13) of six symbols fewer to six more, by those (b, 12) of each symbol, the outermost last.

    Beyond an end there is silence, or after a symbol of it another transmission, where that is likelier: that its symbols
    are sent does not say that those of the pause before it are.
    """
    gained = np.cumsum(nats[:, AWAY:], axis=1)
    lost = -np.cumsum(nats[:, AWAY - 1 :: -1], axis=1)
    sums = np.concatenate((lost[:, ::-1], np.zeros((len(nats), 1)), gained), axis=1)
    # where none can lie is no part of another one either; one symbol of silence at least comes before it
    outer = np.where(nats[:, :AWAY:-1] > 0.5 * _NEVER, nats[:, :AWAY:-1], 0.0)
    another = np.maximum.accumulate(np.cumsum(outer, axis=1), axis=1)[:, ::-1] - _ANOTHER_NATS
    sums[:, :AWAY] += np.maximum(another[:, :1], 0.0)
    sums[:, AWAY : 2 * AWAY - 1] += np.maximum(another, 0.0)
    return sums


def _length_prior(both: Floats, length: Ints) -> tuple[Floats, int | None]:
    """Logarithm of the prior of each (start, end) pair, and the commonest length if lengths are shared."""
    count = both.shape[0]
    if count < 4:
        return np.zeros((1, 1, 1)), None
    # all lengths that the ends leave open, and those among them that are likely at all
    low, high = int(length.min()), int(length.max())
    size = high - low + 1
    index = length - low
    top = both.max(axis=(1, 2))
    place = index + size * np.arange(count)[:, None, None]
    like = np.bincount(place.ravel(), np.exp(both - top[:, None, None]).ravel(), count * size)
    like = like.reshape(count, size)
    best = like.argmax(axis=1)
    lengths = np.arange(size)
    ordered = np.sort(best)
    # the range that explains them best: one transmission cut in two must not widen it
    pairs = [
        (ordered[k], ordered[-1 - j]) for k in range(_APART + 1) for j in range(_APART + 1) if k + j < count
    ]
    ranges = [
        _even(lengths, a, b, count) for a, b in pairs if b - a >= _WIDE or (a, b) == (ordered[0], ordered[-1])
    ]
    even = max(ranges, key=lambda each: float(np.sum(np.log(like @ each))))
    share = like * even
    share /= share.sum(axis=1, keepdims=True)
    # each one's lengths predicted from the others' own, and one imagined one of any length
    others = (share.sum(axis=0)[None, :] - share + even[None, :]) / count
    gained = np.sum(np.log(np.sum(like * others, axis=1)) - np.log(like @ even))
    if gained < _SHARED_NATS:
        return np.zeros((1, 1, 1)), None
    for _ in range(8):
        others = (share.sum(axis=0)[None, :] - share + even[None, :]) / count
        share = like * others
        share /= share.sum(axis=1, keepdims=True)
    prior = np.log(np.take_along_axis(others, index.reshape(count, -1), axis=1)).reshape(both.shape)
    # a pair of ends has the prior of its length, shared by the pairs that give it
    return prior, low + int(np.argmax(share.sum(axis=0)))


def _even(lengths: Ints, low: int, high: int, count: int) -> Floats:
    """Probability of each length if all from ``low`` to ``high`` are alike, and as one more of any length says."""
    inside = ((lengths >= low) & (lengths <= high)) / float(high - low + 1)
    return np.asarray((inside * count + 1.0 / lengths.size) / (count + 1.0))


def run_ends(runs: Runs, low: Floats | None = None, high: Floats | None = None) -> Ends:
    """The probabilities of runs that were followed, whose ends are decided already.

    What lies beyond ``low`` or ``high`` (b,), but for half a symbol, is another's and no more of these: else the first
    symbols of one that follows after a pause of few would make it likelier that these go on than that they end.
    """

    def probability(nats: Floats) -> Floats:
        weight = np.exp(np.clip(nats[:, 1:], -700.0, 700.0))
        return np.asarray(weight[:, AWAY - 1] / np.sum(weight, axis=1))

    starts, ends = run_nats(runs, low, high)
    return Ends(probability(starts), probability(ends))


def run_nats(
    runs: Runs, low: Floats | None = None, high: Floats | None = None, noise: EndNoise = ALIKE
) -> tuple[Floats, Floats]:
    """Log-odds (b, 13) of six symbols fewer to six more at the starts and at the ends of runs that were followed.

    None lies beyond ``low`` or ``high`` (b,) but for half a symbol.
    """
    first, last = runs.offset[:-1, None], runs.offset[1:, None] - 1
    k = np.arange(AWAY)
    out = np.stack((runs.before[:, ::-1], runs.after)).real[:, :, :AWAY]
    told = []
    for outer, step, beside in ((first, 1, out[0]), (last, -1, out[1])):
        # outwards, those that are counted first
        inner = np.clip(outer + step * k[::-1], 0, runs.symbols.size - 1)
        line = np.concatenate((runs.symbols.real[inner], beside), axis=1)
        told.append(noise.nats(line, np.ones(line.shape), runs.gains[outer]))
    if low is not None and high is not None:
        beyond = (k + 0.4) * runs.period[:, None]
        told[0][:, AWAY:][runs.first[:, None] - beyond < low[:, None]] = _NEVER
        told[1][:, AWAY:][runs.last[:, None] + beyond > high[:, None]] = _NEVER
    return outward_sums(told[0]), outward_sums(told[1])
