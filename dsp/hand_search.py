"""Symbol grids that may lie under a row of marks: every period that lines them up, weighed by its evidence.

The evidence of a grid is the likelihood of the marks' places within a symbol against marks at random: normal about an
edge or, one in twenty, anywhere, averaged over period, phase and scatter (MacKay 2003, chapters 22 and 28). Half a
period fits as well as the whole one but costs ``ln 2`` a mark, so that the longest common period comes first. Of
marks at random the evidence is 1 on average, so that it exceeds twenty at most once in twenty times (Markov).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dsp.source import Floats

WIDEST = 0.25
"""Standard uncertainty of a mark, in symbols, beyond which it tells nothing."""
_TIGHTEST, _LOOSEST = 1e-4, 0.2  # scatter: of the middle distance of marks, and of a symbol
_SIZES = 41
# Beforehand a size of the scatter is as likely as its power of a seventh, on a logarithmic scale. Evenly it would be
# Student's t, whose intervals hold the truth in 95 of 100 cases of normal scatter, but of a hand that is off by no more
# than a pixel or half a cycle, as likely by any part of it, in only 92 for two to four marks. With a seventh it is 97 and
# 95 of 100 for two marks, 96 and 93 for three, and all but Student's t from eight on.
_LARGER = 1 / 7
_WILD = 0.05
_INTERVAL_TO_SYMBOL = 32.0  # the shortest period tried is this part of the middle distance of marks
_TRIALS = 4_000_000  # marks times rates
_STEPS = 10.0  # rates tried to one turn between the first and the last mark
_PEAKS = (64, 256)  # fewest and most grids that are weighed; many marks leave few that matter
_PEAKS_BY_MARKS = 4096
_APART = 0.2  # of a turn between the first and the last mark; rates closer than that are the same grid


@dataclass(frozen=True, eq=False)
class Marks:
    """Marks in order, in seconds about ``middle_s``, no two alike; ``stds`` is None where the scatter is unknown."""

    times: Floats
    stds: Floats | None
    middle_s: float

    @property
    def span(self) -> float:
        """From the first to the last, in seconds."""
        return float(self.times[-1] - self.times[0])


@dataclass(frozen=True)
class Prior:
    """Rates from ``low`` to ``high`` are possible; where ``rate`` is known they are normal about it."""

    low: float
    high: float
    rate: float | None = None
    std: float = 0.0


@dataclass(frozen=True, eq=False)
class Modes:
    """Grids that line marks up, one a row, (c,) and (c, n), most telling first; ``nats`` is each one's evidence."""

    periods: Floats
    origins: Floats
    numbers: Floats
    nats: Floats


def open_prior(marks: Marks) -> Prior:
    """Rates that marks may have: not many fewer symbols than marks, not all too many between two of them."""
    low = 0.8 * math.ceil(0.75 * (marks.times.size - 1)) / marks.span
    high = _INTERVAL_TO_SYMBOL / float(np.median(np.diff(marks.times)))
    if marks.stds is not None:
        high = min(high, WIDEST / float(np.median(marks.stds)))
    return Prior(low, high)


def sizes_of(marks: Marks, prior: Prior) -> Floats:
    """(j,) sizes of the scatter of a mark in seconds, evenly on a logarithmic scale, the same for every grid: so a part of a
    period has to account for the same scatter as the whole."""
    least = _TIGHTEST * float(np.median(np.diff(marks.times)))
    return np.geomspace(least, max(_LOOSEST / prior.low, 10.0 * least), _SIZES)


def sizes_nats(sizes: Floats) -> Floats:
    """(j,) logarithm of the probability of each of these sizes beforehand."""
    from scipy.special import logsumexp

    told = _LARGER * np.log(sizes)
    out: Floats = told - logsumexp(told)
    return out


def find_modes(marks: Marks, prior: Prior, low: float, high: float) -> Modes:
    """Every grid with a rate between ``low`` and ``high``, which need not be all that the prior allows."""
    return _weighed(marks, _settled(marks, _peaks(marks, low, high)), prior)


def tame(residuals: Floats, widths: Floats) -> Floats:
    """Probability that a mark belongs to the grid; residuals and widths in symbols. Never quite zero."""
    density = _density(residuals, widths)
    out: Floats = np.maximum(density / (density + _WILD), 1e-9)
    return out


def told_nats(residuals: Floats, widths: Floats) -> Floats:
    """Logarithm of the likelihood of marks along the last axis, against marks at random."""
    out: Floats = np.log(_density(residuals, widths) + _WILD).sum(axis=-1)
    return out


def _density(residuals: Floats, widths: Floats) -> Floats:
    out: Floats = (1 - _WILD) * np.exp(-0.5 * (residuals / widths) ** 2) / (math.sqrt(2 * math.pi) * widths)
    return out


def _peaks(marks: Marks, low: float, high: float) -> Floats:
    """(c,) rates at which the marks' places within a symbol agree best: peaks of the mean resultant length of their
    directions (Mardia and Jupp 2000, section 2.3)."""
    # of marks a billionth of their span apart the rates up to theirs are too many to try
    most = max(3, _TRIALS // marks.times.size)
    high = min(high, low + (most - 1) / (marks.span * _STEPS))
    count = max(3, math.ceil((high - low) * marks.span * _STEPS) + 1)
    rates = np.linspace(low, high, count)
    length = _lengths(marks.times, rates)
    padded = np.concatenate(([-1.0], length, [-1.0]))
    tops = np.flatnonzero((length >= padded[:-2]) & (length >= padded[2:]))
    peaks = min(max(_PEAKS[0], _PEAKS_BY_MARKS // marks.times.size), _PEAKS[1])
    out: Floats = rates[tops[np.argsort(-length[tops])[:peaks]]]
    return out


def _lengths(times: Floats, rates: Floats) -> Floats:
    """(c,) mean resultant lengths at evenly spaced rates (c,), from coarse steps times fine ones: few exponentials."""
    fine = math.ceil(math.sqrt(rates.size))
    step = 2j * np.pi * (rates[1] - rates[0]) * times
    turned = np.exp(np.arange(fine)[:, None] * step)
    block = max(1, 1_000_000 // times.size) * fine
    out = [
        np.abs(np.exp(2j * np.pi * np.outer(rates[at : at + block : fine], times)) @ turned.T).ravel()
        for at in range(0, rates.size, block)
    ]
    length: Floats = np.concatenate(out)[: rates.size] / times.size
    return length


def _settled(marks: Marks, rates: Floats) -> Modes:
    """Each rate's grid by expectation and maximisation: marks weighed by not being wild, then least squares."""
    t = marks.times
    periods = 1.0 / rates
    phases = np.angle(np.exp(2j * np.pi * np.outer(rates, t)).mean(axis=1)) / (2 * np.pi)
    origins = phases * periods
    scatter = np.full(rates.size, 0.1)
    for _ in range(6):
        numbers = np.rint((t - origins[:, None]) / periods[:, None])
        residuals = (t - origins[:, None]) / periods[:, None] - numbers
        widths = scatter[:, None] if marks.stds is None else marks.stds / periods[:, None]
        weights = tame(residuals, widths)
        precise = weights / widths**2
        periods, origins = _lines(t, numbers, precise, periods)
        squares = (weights * residuals**2).sum(axis=1) / np.maximum(weights.sum(axis=1), 1e-9)
        scatter = np.clip(np.sqrt(squares), _TIGHTEST, _LOOSEST)
    numbers = np.rint((t - origins[:, None]) / periods[:, None])
    return Modes(periods, origins, numbers, np.zeros(rates.size))


def _lines(t: Floats, numbers: Floats, weights: Floats, before: Floats) -> tuple[Floats, Floats]:
    """Straight lines of the times over their numbers; the period stays where all numbers are the same."""
    total = weights.sum(axis=1, keepdims=True)
    k_mean = (weights * numbers).sum(axis=1, keepdims=True) / total
    t_mean = (weights * t).sum(axis=1, keepdims=True) / total
    spread = (weights * (numbers - k_mean) ** 2).sum(axis=1)
    slope = (weights * (numbers - k_mean) * (t - t_mean)).sum(axis=1) / np.where(spread > 0, spread, 1.0)
    periods = np.where((spread > 0) & (slope > 0), slope, before)
    return periods, t_mean[:, 0] - periods * k_mean[:, 0]


def _weighed(marks: Marks, modes: Modes, prior: Prior) -> Modes:
    """Evidence of each grid, the same grid once only, most telling first."""
    rates = 1.0 / modes.periods
    nats = np.empty(rates.size)
    block = max(1, 200_000 // (marks.times.size * _SIZES))
    for at in range(0, rates.size, block):
        part = slice(at, at + block)
        nats[part] = _evidence(marks, modes.periods[part], modes.origins[part], modes.numbers[part], prior)
    kept: list[int] = []
    fresh = np.ones(rates.size, bool)
    for c in np.argsort(-nats).tolist():
        if fresh[c]:
            kept.append(c)
            fresh &= np.abs(rates - rates[c]) * marks.span > _APART
    rows = np.array(kept, np.int64)
    return Modes(modes.periods[rows], modes.origins[rows], modes.numbers[rows], nats[rows])


def _evidence(marks: Marks, periods: Floats, origins: Floats, numbers: Floats, prior: Prior) -> Floats:
    """Of grids (c,) with numbers (c, n), averaged over the scatter."""
    from scipy.special import logsumexp

    rates = 1.0 / periods
    residuals = ((marks.times - origins[:, None]) * rates[:, None] - numbers)[:, None, :]
    sizes = sizes_of(marks, prior)
    stds = sizes[:, None] if marks.stds is None else marks.stds[None, :]
    widths = stds * rates[:, None, None]
    precise = tame(residuals, widths) / widths**2
    told = told_nats(residuals, widths) + _room(marks.times, precise, rates[:, None], prior)
    if marks.stds is None:
        told = np.where(widths[:, :, 0] <= WIDEST, told + sizes_nats(sizes), -np.inf)
    out: Floats = logsumexp(told, axis=1)
    return out


def _room(times: Floats, precise: Floats, rates: Floats, prior: Prior) -> Floats:
    """Logarithm of the part of all phases and rates that fits about as well; ``precise`` is (c, scatters, n)."""
    total = precise.sum(axis=-1)
    mean = (precise @ times) / total
    spread = np.maximum(precise @ times**2 - mean**2 * total, 1e-300)
    phase_room = np.minimum(np.sqrt(2 * np.pi / total), 1.0)
    rate_width = 1.0 / np.sqrt(spread)
    if prior.rate is None:
        # all rates are equally likely beforehand on a logarithmic scale
        share = math.sqrt(2 * math.pi) * rate_width / (rates * math.log(prior.high / prior.low))
        open_room: Floats = np.log(phase_room) + np.log(np.minimum(share, 1.0))
        return open_room
    both = np.hypot(rate_width, prior.std)
    off = (rates - prior.rate) / both
    room: Floats = np.log(phase_room) + np.log(rate_width / both) - 0.5 * off**2
    return room
