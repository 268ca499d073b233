"""A second search for the symbol period of a transmission that is alone and weak, or has few reversals: over all of it, once
it is known where it is.

A lead is searched before amplitude, noise and ends are known, and only a few of many tops of its likelihood are
followed. Of a transmission that shares its period with no other one the rest are worth following, too: each is brought to
its maximum in the noise that was met, and the greatest of all decides (maximum likelihood, the bits averaged out;
`dsp.rate`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.correlate import Turned, turn_back
from dsp.detect import LONG
from dsp.extract import Found, Model
from dsp.fits import Fits, Ints, carry, join
from dsp.link import TOGETHER, Learned, few_and_weak, learn, pooled_model
from dsp.parting import FEWEST
from dsp.quality import fitness
from dsp.rate import Timings, period_grid, search_period
from dsp.refine import polish, rough_fits
from dsp.results import DecodeSettings
from dsp.runs import Runs, nats_in
from dsp.source import Floats, Record
from dsp.strip import Spans
from dsp.talkers import believable
from dsp.thin import FEW_FLIPS, seldom_turns
from dsp.weak import WeakTiming

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
# clearly different periods whose multiples are tried as well
_LEADERS, _MULTIPLES = 3, np.array([1, 2, 3])
# natural units below the best from which on a fit is out of the question, however wide it is: edges are told to a few
# hundredths of a symbol
_WEIGHED_NATS = 10.0
# first edges, and periods, over which the likelihood is taken: one in fifty of a symbol; where samples are ideal points it
# jumps from one to the next, and steps so much finer are right to a tenth of a natural unit
_MASS_STEPS, _MASS_STEPS_SHARP = 51, 201


def survey(samples: Floats, runs: Runs, carrier_hz: float, rate_hz: float) -> list[tuple[Model, float]]:
    """What the strongest of the ``runs`` may be, the likeliest first: models with their log-likelihood ratios.

    Timing is averaged out: the number is what a top of the usual width would reach. ``samples`` (n,) are those of the strip
    that the runs are found in; ``carrier_hz`` is known to within a fraction of the resolution of the transmission.
    """
    return [
        (_model(one.fit, rate_hz), one.nats)
        for one in _surveyed(samples, (0, samples.size), runs, carrier_hz, rate_hz)
    ]


@dataclass(frozen=True, eq=False)
class _Likely:
    """A single fit, to samples from number ``begin`` of a strip on, and its log-likelihood ratio with timing averaged out."""

    fit: Fits
    nats: float
    begin: int


def _surveyed(
    samples: Floats, bounds: tuple[int, int], runs: Runs, carrier_hz: float, rate_hz: float
) -> list[_Likely]:
    """The likeliest fits of all periods to what is around the strongest run, within ``bounds``, the likeliest first."""
    strongest = int(np.argmax(runs.nats))
    first, last = float(runs.first[strongest]), float(runs.last[strongest])
    span = last - first
    # and what may have been parted from it
    near = (runs.last > first - _ROOM * span) & (runs.first < last + _ROOM * span)
    first, last = float(runs.first[near].min()), float(runs.last[near].max())
    begin = max(bounds[0], int(first - _ROOM * span))
    part = samples[begin : min(bounds[1], int(last + _ROOM * span) + 1)]
    span = last - first
    shortest = max(2.0, span / _SYMBOLS_SOUGHT, _FEWEST_CYCLES * rate_hz / carrier_hz)
    longest = span / _LEAST_SYMBOLS
    if shortest >= longest:
        return []
    turned = turn_back(part, 2.0 * np.pi * carrier_hz / rate_hz)
    amplitude = float(runs.amplitude[strongest])
    periods = period_grid(shortest, longest, span, _STEP)
    options: list[Fits] = []
    # samples may be ideal points, and then those that fall on either side of an edge make tops of their own
    kinds = (turned, turned.sharpened(True))
    for kind in kinds:
        timings = search_period(kind, periods, runs.variance, amplitude)
        rough = rough_fits(timings, _tops(timings), kind, runs.variance, amplitude)
        if not len(rough):
            continue
        fits = polish(rough)
        close = fits.take(fits.nats > fits.nats.max(initial=0.0) - _CLOSE_NATS)
        options.extend((fits, _from_beside(close)))
    leaders = _leaders(_each(options))
    if leaders:
        options.extend(_multiples(leaders, kind) for kind in kinds)
    return _by_mass(_each(options), begin)


def _each(options: list[Fits]) -> list[Fits]:
    """Every fit by itself, the likeliest first."""
    rows = [fit.take(np.array([row])) for fit in options for row in range(len(fit))]
    return sorted((r for r in rows if int(r.count[0]) >= FEWEST), key=lambda fit: -float(fit.nats[0]))


def _leaders(fits: list[Fits]) -> list[Fits]:
    """The likeliest few single fits, of clearly different periods."""
    kept: list[Fits] = []
    for fit in fits:
        if len(kept) == _LEADERS or float(fit.nats[0]) < float(fits[0].nats[0]) - _CLOSE_NATS:
            break
        if all(_moves(other, fit) >= _APART for other in kept):
            kept.append(fit)
    return kept


def _multiples(leaders: list[Fits], kind: Turned) -> Fits:
    """Single fits in symbols as long, two and three times as long, with samples read as ``kind`` does: of strong symbols the
    tops are so narrow that steps from one period to the next may miss one of these."""
    several = join(leaders)
    rows = np.repeat(np.arange(len(several)), len(_MULTIPLES))
    many = np.tile(_MULTIPLES, len(several))
    longer = several.take(rows)
    longer = replace(longer, turned=kind, period=longer.period * many, count=longer.count // many)
    return polish(carry(longer.take(longer.count >= FEWEST), rounds=1))


def _by_mass(fits: list[Fits], begin: int) -> list[_Likely]:
    """The likeliest single fit of each of clearly different periods, by what all timings about it come to; ``fits`` are the
    likeliest first."""
    kept: list[list[Fits]] = []
    for fit in fits:
        if kept and float(fit.nats[0]) < float(kept[0][0].nats[0]) - _WEIGHED_NATS:
            break
        alike = [same for same in kept if _moves(same[0], fit) < _APART]
        if not alike:
            kept.append([fit])
        elif all(other.turned.sharp != fit.turned.sharp for other in alike[0]):
            alike[0].append(fit)
    if not kept:
        return []
    usual = _usual_room(kept[0][0])
    # edges may fall on samples in either way
    nats = [float(np.logaddexp.reduce([_mass(fit) for fit in same])) - usual for same in kept]
    likely = [_Likely(same[0], told, begin) for same, told in zip(kept, nats, strict=True)]
    return sorted(likely, key=lambda one: -one.nats)


def _moves(one: Fits, other: Fits) -> float:
    """Symbols by which edges of two single fits lie apart at the end of the longer, beginning together."""
    count = max(int(one.count[0]), int(other.count[0]))
    return abs(float(one.period[0] / other.period[0]) - 1.0) * count


def _mass(fit: Fits) -> float:
    """Logarithm of a single fit's likelihood ratio, summed up over first edges in samples and logarithms of the period.

    A top that is a little higher, and so narrow that hardly any edges reach it, is not the likelier one (MacKay 2003,
    chapter 28). Starts are equally likely in time, periods in their logarithm; carrier, phase and amplitude are told as
    well by either of two fits to the same samples.
    """
    steps = np.linspace(-_APART, _APART, _MASS_STEPS_SHARP if fit.turned.sharp else _MASS_STEPS)
    count, period = int(fit.count[0]), float(fit.period[0])
    (nats,) = WeakTiming(fit).over(period * (1.0 + steps / count), steps[None] * period).swapaxes(0, 1)
    top = float(nats.max())
    room = (2.0 * _APART) ** 2 * period / count
    return top + float(np.log(np.exp(nats - top).mean() * room))


def _usual_room(fit: Fits) -> float:
    """Logarithm of the room of a top of the usual width: of the energy ``E`` it is ``2 / E`` symbols wide in the start, and
    ``8 / (E n)`` in the logarithm of the period (`dsp.chance`)."""
    count, period = float(fit.count[0]), float(fit.period[0])
    energy = count * float(fit.gain[0]) ** 2
    return float(np.log(2.0 / energy * period * 8.0 / (energy * count)))


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
    if settings.symbol_rate_bd is not None or not (few_and_weak(runs) or _seldom_turns_alone(runs)):
        return learned, ()
    found = _surveyed(learned.strip.samples, _part_of(learned), runs, model.carrier_hz, record.rate_hz)
    if found:
        learned = _likelier(record, learned, found, settings, covered)
    return learned, _nearly_as_likely(found, learned)


def _seldom_turns_alone(runs: Runs) -> bool:
    """Whether transmissions that are few have few reversals, though no fewer than random bits make them: however strong,
    these leave more periods than are tried at first."""
    if not 0 < len(runs) < TOGETHER or int(runs.count.max()) > LONG:
        return False
    flips = fitness(runs).flips
    return flips <= FEW_FLIPS and not seldom_turns(flips, runs.symbols.size - len(runs))


def _part_of(learned: Learned) -> tuple[int, int]:
    """First sample of the part of the strip that holds the strongest run, and the one after its last."""
    strip, runs = learned.strip, learned.runs
    part = int(strip.part(runs.first[[int(np.argmax(runs.nats))]])[0])
    return int(strip.begins[part]), int(strip.ends[part])


def _likelier(
    record: Record, learned: Learned, found: list[_Likely], settings: DecodeSettings, covered: Spans
) -> Learned:
    """What was learned, or the likeliest that was ``found``, looked for once more or as it stands, if that is likelier."""
    runs = learned.runs
    told = nats_in(runs, runs.variance)
    others = [_as_found(record, learned, found[0])] if len(runs) > 1 or not _is_of(found[0], learned) else []
    if not _is_of(found[0], learned):
        others.append(
            learn(
                record, learned.strip, _model(found[0].fit, record.rate_hz), settings, covered, merges=False
            )
        )
        # what was weighed against it may have the higher top
        if len(runs) == 1 and any(_is_of(one, learned) for one in found):
            told -= _WEIGHED_NATS
    best = max(others, key=lambda one: nats_in(one.runs, runs.variance), default=learned)
    return best if best is not learned and nats_in(best.runs, runs.variance) > told else learned


def _is_of(one: _Likely, learned: Learned) -> bool:
    return _is_same(float(one.fit.period[0]), learned.model.period, learned.runs)


def _as_found(record: Record, learned: Learned, one: _Likely) -> Learned:
    """What a fit says is all that there is."""
    strip, fit = learned.strip, one.fit
    fits = replace(
        fit,
        turned=strip.turned(fit.turned.omega, fit.turned.sharp),
        phase=fit.phase - fit.turned.omega * one.begin,
        centre=fit.centre + one.begin,
        start=fit.start + one.begin,
        low=fit.low + one.begin,
        high=fit.high + one.begin,
    )
    nothing = np.zeros(0, dtype=np.int64)
    found, runs = believable(Found(fits, fits.take(nothing), nothing, learned.found.variance))
    model = _model(fit, record.rate_hz)
    if not len(runs):
        return Learned(strip, found, runs, model, None)
    return Learned(strip, found, runs, *pooled_model(record, model, found, runs, merges=False))


def _nearly_as_likely(found: list[_Likely], learned: Learned) -> tuple[tuple[float, float], ...]:
    """Clearly different periods with their odds, likeliest first."""
    out: list[tuple[float, float]] = []
    for one in found:
        odds = float(np.exp(one.nats - found[0].nats))
        known = [learned.model.period, *(period for period, _ in out)]
        period = float(one.fit.period[0])
        if odds >= _LEAST_ODDS and not any(_is_same(period, other, learned.runs) for other in known):
            out.append((period, odds))
    return tuple(out)


def _is_same(one: float, other: float, runs: Runs) -> bool:
    """Whether no edge of the runs lies elsewhere with the one period than with the other."""
    return abs(one / other - 1.0) * int(runs.count.max()) < _APART
