"""A second search for the symbol period of a weak transmission that is alone: over all of it, once it is known where it is.

A lead is searched before amplitude, noise and ends are known, and only a few of many tops of its likelihood are
followed. Of a transmission that shares its period with no other one the rest are worth following, too: each is brought to
its maximum in the noise that was met, and the greatest of all decides (maximum likelihood, the bits averaged out;
`dsp.rate`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.correlate import turn_back
from dsp.extract import Model
from dsp.fits import Fits, Ints, carry
from dsp.link import Learned, few_and_weak, learn
from dsp.parting import FEWEST
from dsp.rate import Timings, period_grid, search_period
from dsp.refine import polish, rough_fits
from dsp.results import DecodeSettings
from dsp.runs import Runs, nats_in
from dsp.source import Floats, Record
from dsp.strip import Spans

# symbols by which edges move from one period of the grid to the next: half of what a lead is searched with, since of tops
# that are natural units apart the higher one must not be missed
_STEP = 0.125
# how many tops are followed; of 600 bursts at the limit more found no more
_TOPS = 16
# symbols by which edges differ at the least between two tops
_APART = 0.5
# odds below which a period is ruled out: what is left are nineteen chances in twenty
_LEAST_ODDS = 0.05
# length that is looked at on either side, in that of what was found: that may be half of what was sent
_ROOM = 0.5
# symbols that what was found may have at the most, and symbols that the longest ones may be
_SYMBOLS_SOUGHT = 80.0
_LEAST_SYMBOLS = 4.0
_FEWEST_CYCLES = 0.9
# natural units below the best to which others are brought to their maximum once more, and from which carriers: in half of
# the resolution
_CLOSE_NATS = 5.0
_BESIDE = (-0.2, 0.0, 0.2)


def survey(samples: Floats, runs: Runs, carrier_hz: float, rate_hz: float) -> list[tuple[Model, float]]:
    """What the strongest of the ``runs`` may be, the likeliest first: models with their log-likelihood ratios.

    ``samples`` (n,) are those of the strip that the runs are found in; ``carrier_hz`` is known to within a fraction of
    the resolution of the transmission.
    """
    strongest = int(np.argmax(runs.nats))
    first, last = float(runs.first[strongest]), float(runs.last[strongest])
    span = last - first
    room = _ROOM * span
    part = samples[max(0, int(first - room)) : int(last + room) + 1]
    shortest = max(2.0, span / _SYMBOLS_SOUGHT, _FEWEST_CYCLES * rate_hz / carrier_hz)
    longest = span / _LEAST_SYMBOLS
    if shortest >= longest:
        return []
    turned = turn_back(part, 2.0 * np.pi * carrier_hz / rate_hz)
    amplitude = float(runs.amplitude[strongest])
    timings = search_period(turned, period_grid(shortest, longest, span, _STEP), runs.variance, amplitude)
    rough = rough_fits(timings, _tops(timings), turned, runs.variance, amplitude)
    if not len(rough):
        return []
    soft = polish(rough)
    close = soft.take(soft.nats > soft.nats.max(initial=0.0) - _CLOSE_NATS)
    # samples may be ideal points, and then there are many tops next to each other
    options = [soft, _from_beside(close), _from_beside(replace(close, turned=turned.sharpened(True)))]
    fits = [fit.take(np.array([row])) for fit in options for row in range(len(fit))]
    fits.sort(key=lambda fit: -float(fit.nats[0]))
    return [(_model(fit, rate_hz), float(fit.nats[0])) for fit in fits if int(fit.count[0]) >= FEWEST]


def _from_beside(fits: Fits) -> Fits:
    """Each brought to its maximum from carriers beside its own: what is a top of all else may have a higher one beside it."""
    rows = np.repeat(np.arange(len(fits)), len(_BESIDE))
    others = fits.take(rows)
    beside = np.tile(_BESIDE, len(fits)) * np.pi / (others.count * others.period)
    return polish(carry(replace(others, detune=others.detune + beside), rounds=1))


def _model(fit: Fits, rate_hz: float) -> Model:
    carrier_hz = float(fit.omega[0]) * rate_hz / (2.0 * np.pi)
    return Model(carrier_hz, float(fit.period[0]), fit.turned.sharp, gain=float(fit.gain[0]))


def _tops(timings: Timings) -> Ints:
    """The likeliest periods that are clearly different, likeliest first."""
    kept: list[int] = []
    for i in np.argsort(-timings.nats, kind="stable").tolist():
        if len(kept) == _TOPS:
            break
        moved = np.abs(timings.period[kept] / timings.period[i] - 1.0) * np.maximum(
            timings.count[kept], timings.count[i]
        )
        if timings.count[i] >= FEWEST and not np.any(moved < _APART):
            kept.append(i)
    return np.array(kept, dtype=np.int64)


def surveyed(
    record: Record, learned: Learned, settings: DecodeSettings, covered: Spans
) -> tuple[Learned, tuple[tuple[float, float], ...]]:
    """What was learned, or what is learned in the same samples with the likeliest of all periods, if that is likelier.

    And other periods that are nearly as likely, each with its odds against the likeliest.
    """
    runs, model = learned.runs, learned.model
    if settings.symbol_rate_bd is not None or not few_and_weak(runs):
        return learned, ()
    found = survey(learned.strip.samples, runs, model.carrier_hz, record.rate_hz)
    if found and not _is_same(found[0][0].period, model.period, runs):
        again = learn(record, learned.strip, found[0][0], settings, covered, merges=False)
        if nats_in(again.runs, runs.variance) > nats_in(runs, runs.variance):
            learned = again
    return learned, _nearly_as_likely(found, learned)


def _nearly_as_likely(found: list[tuple[Model, float]], learned: Learned) -> tuple[tuple[float, float], ...]:
    """Clearly different periods with their odds, likeliest first."""
    out: list[tuple[float, float]] = []
    for model, nats in found:
        odds = float(np.exp(nats - found[0][1]))
        known = [learned.model.period, *(period for period, _ in out)]
        if odds >= _LEAST_ODDS and not any(_is_same(model.period, one, learned.runs) for one in known):
            out.append((model.period, odds))
    return tuple(out)


def _is_same(one: float, other: float, runs: Runs) -> bool:
    """Whether no edge of the runs lies elsewhere with the one period than with the other."""
    return abs(one / other - 1.0) * int(runs.count.max()) < _APART
