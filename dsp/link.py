"""What a link is: the model of a lead, refined over some of its transmissions and judged."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.detect import LONG, WIDEST
from dsp.extract import Found, Model, extract
from dsp.fits import Fits, join
from dsp.merge import climb_together
from dsp.own_period import with_period
from dsp.period import Period, final_period, pooled_period
from dsp.points import TELLING_NATS, are_points
from dsp.pool import carrier_std
from dsp.quality import Fitness, fitness
from dsp.results import DecodeSettings
from dsp.runs import Runs, nats_in
from dsp.segment import Piece
from dsp.settling import settle
from dsp.source import Record
from dsp.strip import Spans, Strip
from dsp.talkers import Talker, believable
from dsp.thin import FEWEST_CYCLES
from dsp.two_tones import are_two_tones
from dsp.within import third_harmonic, uneven

# share of the energy seen that a model must explain to be more than a chance likeness
EXPLAINED = 0.55
# by how much two opposite phases must be likelier than any phases, and of few symbols each of them
_SEARCH_NATS = 12.0
_NATS_A_SYMBOL = 0.5
# Es/N0 (as a ratio) below which a link is not believed: one symbol in twelve would be wrong
_LEAST_ESN0 = 1.0
TOGETHER = 3
"""Transmissions that tell together what single ones leave to chance."""
# squared length of a symbol (Es/N0 of 12 dB) above which the likelihood over periods has one top by far
_WEAK_GAIN2 = 32.0
# transmissions that show by how much carriers differ
_MANY = 8
# half of normal deviates lie within 0.67 deviations; near the limit up to half of what was met are two transmissions
# taken for one, with a carrier that is off by what their phases differ
_STEADY = 1.8
# share of a symbol's power that smooth pulses and other modulations leave at the least, as ideal points never do
_SHAPELESS = 0.005
# noise met over the noise assumed that no floor's error explains
_FAR_OVER = 6.0
_OVER = 1.6
# power by which the halves of symbols may differ: smooth pulses come to 0.12 (measured, excess bandwidth 0.2 to 0.6),
# what is no reversal to more than 0.3
_UNEVEN = 0.2
# third harmonic that a sine has not even when it is clipped to half its height, and what is about one cycle a symbol
_SQUARE = 0.27
_ONE_CYCLE = 0.05
# cycles a symbol by which carriers of talkers lie far apart, and by which another carrier asks for another look
_FAR_APART, _MOVED = 0.25, 0.04
# a transmission whose carrier is in no doubt
_SURE_GAIN = 3.5
_SURE_SYMBOLS = 12
_FEWEST_SYMBOLS = 3
# symbols that one may have been taken for
_DIVISORS = range(2, 9)
# symbols' worth of samples in which a model is refined
_SYMBOLS_TO_LEARN = 2500.0
# difference of carriers that are the same
_SAME = 0.01

# times by which parts of long transmissions must say more of the symbol period than short ones do, before they are asked:
# such a part may reach across a pause, and then says something else
_FAR_MORE = 16.0


@dataclass(frozen=True, eq=False)
class Learned:
    """A model as a part of the record shows it: what was found in the ``strip``, and the pooled period."""

    strip: Strip
    found: Found
    runs: Runs
    model: Model
    period: Period | None


def spans_to_learn(record: Record, pieces: list[Piece], model: Model) -> tuple[list[tuple[int, int]], float]:
    """Spans of the record around the most telling pieces, and the energy of the pieces in them.

    A short record is taken as a whole.
    """
    most = int(max(_SYMBOLS_TO_LEARN * model.period, 1 << 16))
    if record.samples <= most:
        return [(s.first, s.last) for s in record.stretches], sum(p.energy for p in pieces)
    margin = int(10.0 * model.period)
    wanted: list[tuple[int, int, int]] = []
    energy = left = 0.0
    left = float(most)
    for piece in sorted(pieces, key=lambda p: -p.nats):
        length = piece.stop - piece.start
        if length > left and wanted:
            continue
        middle, take = (piece.start + piece.stop) // 2, min(length, int(left))
        room = margin + piece.frame if take == length else 0
        wanted.append((middle - take // 2 - room, middle + take // 2 + room, middle))
        energy += piece.energy * take / length
        left -= take
    spans: list[tuple[int, int]] = []
    for wish, stop, middle in sorted(wanted):
        stretch = record.stretch_at(middle)
        start, end = max(stretch.first, wish), min(stretch.last, stop)
        if spans and start < spans[-1][1] and spans[-1][0] >= stretch.first:
            spans[-1] = (spans[-1][0], max(end, spans[-1][1]))
        elif end > start:
            spans.append((start, end))
    return spans, energy


def likelier(
    record: Record, one: Learned, other: Model | None, settings: DecodeSettings, covered: Spans
) -> Learned:
    """What was learned from a model, or what is learned in the same samples from the ``other``, if that is likelier."""
    if other is None or other.unmodulated or abs(other.carrier_hz / one.model.carrier_hz - 1.0) > _SAME:
        return one
    again = learn(record, one.strip, other, settings, covered)
    return again if energy_told(again) > energy_told(one) else one


def learn(
    record: Record,
    strip: Strip,
    model: Model,
    settings: DecodeSettings,
    covered: Spans,
    *,
    merges: bool = True,
) -> Learned:
    """What a strip holds, and the model as all of that shows it; ``merges`` lets several symbols be taken for one."""
    omega = 2.0 * np.pi / record.rate_hz
    found, runs = believable(extract(strip, omega * model.carrier_hz, model, covered=covered))
    if not len(runs):
        return Learned(strip, found, runs, model, None)
    before = model
    model, period = pooled_model(
        record, model, found, runs, merges=merges and settings.symbol_rate_bd is None
    )
    moved = abs(model.carrier_hz - before.carrier_hz) * model.period / record.rate_hz > _MOVED
    final = strip.size == record.samples
    if model.phased or moved or not _alike(before, model, int(runs.count.max()), final=final):
        first, told, strip = found, runs, strip.with_variance(found.variance)
        found, runs = believable(extract(strip, omega * model.carrier_hz, model, covered=covered))
        if few_and_weak(told) and nats_in(runs, strip.variance) < nats_in(told, strip.variance):
            # how samples are shared out is told by chance of so few, and fits to points have many tops
            return Learned(strip, first, told, replace(model, sharp=before.sharp, points=False), period)
        # its strength in the noise that was met now
        model = replace(model, gain=model.gain * float(np.sqrt(first.variance / found.variance)))
        fits = found.fits
        if len(runs) and len(fits) and model.sharp and are_points(fits.turned, fits.gain, fits.period):
            # where an edge falls among the samples, the last digits of the period count
            last = final_period(fits, period)
            settled = replace(found, fits=settle(with_period(fits, last.value), points=True), runs=None)
            settled, at_points = believable(settled)
            # of edges on the wrong side of a sample, noise is left that tells of no pulse
            better = nats_in(at_points, strip.variance) > nats_in(runs, strip.variance)
            if model.points or (better and len(at_points) and _leaves_noise(fitness(at_points))):
                found, runs, period = settled, at_points, last
                model = replace(model, period=period.value, points=True)
    return Learned(strip, found, runs, model, period)


def few_and_weak(runs: Runs) -> bool:
    """Whether transmissions are so few, short and weak that chance may make another model likelier than the right one."""
    weak = len(runs) > 0 and float(np.median(runs.gain)) ** 2 < _WEAK_GAIN2
    return weak and len(runs) < TOGETHER and int(runs.count.max()) <= LONG


def _alike(one: Model, other: Model, symbols: int, *, final: bool) -> bool:
    """Whether fits with one model hold for the other: no edge moves by a thirtieth of a symbol.

    Nor by a fiftieth of a sample where single samples tell much. How they are shared out counts there, and in what is
    ``final``.
    """
    moved = abs(one.period / other.period - 1.0) * min(symbols, 96)
    told = 2.0 * other.gain**2 / other.period > TELLING_NATS
    most = 0.02 / other.period if other.points and told else 0.03
    return moved < min(0.03, most) and (one.sharp == other.sharp or not (final or told))


def pooled_model(
    record: Record, model: Model, found: Found, runs: Runs, *, merges: bool
) -> tuple[Model, Period]:
    fits = found.fits
    if len(fits):
        period = pooled_period(_telling(found), model.period, model.sharp)
        if merges:
            strongest = fits.take(np.argsort(-fits.nats)[:24])
            whole = climb_together(strongest)
            if whole > 1:
                period = pooled_period(fits, period.value * whole, period.sharp)
    else:
        weights = runs.count.astype(np.float64) ** 3
        value = float(np.sum(weights * runs.period) / weights.sum())
        # timing of either end to about 1 / (2 g^2) of a symbol, as of a change point
        gain = float(np.median(runs.gains))
        period = Period(
            value, value * max(1e-9, 0.7 / (1.0 + gain * gain)) / int(runs.count.max()), model.sharp
        )
    omega, spread = _carriers(runs, period.value)
    carrier = omega * record.rate_hz / (2.0 * np.pi)
    gain = float(np.median(runs.gains))
    better = replace(
        model,
        carrier_hz=carrier,
        period=period.value,
        sharp=period.sharp,
        gain=gain,
        spread=spread,
        steady=_steady(runs, omega),
        points=period.sharp and _leaves_noise(fitness(runs)),
    )
    return better, period


def _telling(found: Found) -> Fits:
    """What tells the symbol period: what one fit each covers, and parts of longer ones if those tell far more.

    The inverse of the period's variance grows with the third power of the symbols.
    """
    fits, windows = found.fits, found.windows
    short, long = (float(np.sum(some.count.astype(np.float64) ** 3)) for some in (fits, windows))
    # windows overlap by half
    return fits if long <= _FAR_MORE * short else join([fits, windows.take(np.arange(0, len(windows), 2))])


def _leaves_noise(judged: Fitness) -> bool:
    """Whether symbols are two opposite points but for noise, so that nothing of a pulse's or filter's shape is left."""
    over = (judged.noise - 1.0) / judged.gain**2
    return max(over, judged.excess, 0.5 * judged.spread) < _SHAPELESS


def _steady(runs: Runs, omega: float) -> bool:
    """Whether most carriers differ from ``omega`` (radians a sample) by no more than their uncertainty.

    The median, since weak ones may be off by a step of their resolution (Rife and Boorstyn 1974).
    """
    # several that were taken for one are followed as a long one is
    runs = runs.take(~runs.drift)
    if len(runs) < _MANY:
        return False
    off = np.abs(runs.omega - omega) / carrier_std(runs.gain, runs.count, runs.period)
    return float(np.median(off)) < _STEADY


def _carriers(runs: Runs, period: float) -> tuple[float, float | None]:
    """Middle of the carriers (radians a sample), and by how many cycles a symbol others may differ from it.

    A few outliers, as weak transmissions have, are left out. The second is None while few were met.
    """
    weight = runs.gain**2 * runs.count
    order = np.argsort(runs.omega)
    total = np.cumsum(weight[order])
    low, middle, high = (
        float(runs.omega[order[int(np.searchsorted(total, share * total[-1]))]]) for share in (0.1, 0.5, 0.9)
    )
    near = np.abs(runs.omega - middle) <= max(3.0 * (high - low), 1e-12)
    mean = float(np.sum((weight * runs.omega)[near]) / np.sum(weight[near]))
    if len(runs) < _MANY or bool(runs.drift.any()):
        return mean, None
    # what one carrier's own uncertainty makes of it, and as much again as the carriers met differ
    own = 1.5 / float(np.median(runs.count))
    # a talker that is weak but sure counts as much as a strong one
    sure = runs.omega[(runs.gain > _SURE_GAIN) & (runs.count >= _SURE_SYMBOLS)]
    high, low = float(sure.max(initial=high)), float(sure.min(initial=low))
    if (high - low) * period > 2.0 * np.pi * _FAR_APART:
        # in the middle, so that over a symbol the phase of none runs away
        mean = 0.5 * (high + low)
    widest = 2.0 * max(high - mean, mean - low) * period / (2.0 * np.pi)
    return mean, float(np.clip(own + widest, 0.02, WIDEST))


def energy_told(learned: Learned) -> float:
    """How much more likely than silence what was found is, in units that do not hang on the noise it is held against."""
    return float(np.sum(learned.runs.nats)) * learned.found.variance


def believed(learned: Learned, energy_seen: float, noise_told: float) -> Fitness | None:
    """How well the transmissions fit if they are phase reversal at all, else None.

    ``energy_seen`` is what they should explain, over the noise variance ``noise_told``.
    """
    runs = learned.runs
    if not len(learned.found) or learned.period is None or int(runs.count.max()) < _FEWEST_SYMBOLS:
        return None
    judged = fitness(runs)
    energy = float(np.sum(runs.gains**2)) * learned.found.variance / noise_told
    if energy < EXPLAINED * energy_seen or judged.gain**2 < 2.0 * _LEAST_ESN0 * judged.noise:
        return None
    # what is left beside weak symbols must be noise, as it is where nothing is sent
    if judged.noise > _FAR_OVER and judged.gain**2 < 25.0 * judged.noise:
        return None
    # and still more so beside symbols hardly above it: noise of its own colour, held against a flat floor, has such
    # (of few symbols the noise itself is known to ``sqrt(2 / n)`` only)
    over = _OVER + 3.0 * float(np.sqrt(2.0 / judged.symbols))
    if judged.noise > over and judged.gain**2 < 8.0 * judged.noise:
        return None
    # symbols of one talker differ in length by little more than noise makes them
    if judged.gain**2 < 12.0 * judged.noise and judged.spread > 0.12 + 4.5 * judged.excess_std:
        return None
    if (
        judged.nats < min(_SEARCH_NATS, _NATS_A_SYMBOL * judged.symbols)
        or judged.excess > 0.012 + _misplaced(judged, learned.model) + 4.0 * judged.excess_std
        or judged.spread > 0.4
        or uneven(runs, judged.noise)
        > _UNEVEN + 4.0 * float(np.sqrt(2.0 / judged.symbols)) * judged.noise / judged.gain**2
        or are_two_tones(runs)
    ):
        return None
    return judged


def hardly_above_noise(talkers: list[Talker]) -> bool:
    """Whether symbols of none of them are as strong as those of a link must be, in the noise met beside them."""
    return all(talker.fitness.gain**2 < 2.0 * _LEAST_ESN0 * talker.fitness.noise for talker in talkers)


def are_levels(learned: Learned, rate_hz: float) -> bool:
    """Whether what looks like reversals of one cycle a symbol is two levels that change in the middle of each symbol."""
    cycles = learned.model.carrier_hz * learned.model.period / rate_hz
    return abs(cycles - 1.0) < _ONE_CYCLE and third_harmonic(learned.runs, learned.strip.samples) > _SQUARE


def _misplaced(judged: Fitness, model: Model) -> float:
    """Share of the signal's power that flips at the wrong sample leave across the phase.

    A flip is off by some ``0.75 / g^2`` of a symbol on average (Hinkley 1970 gives the ``1 / g^2``). Of few samples a
    symbol each that falls into the wrong one adds twice its own share, half of it across, at every other edge.
    """
    return 0.75 * judged.noise / (judged.gain**2 * model.period) if model.sharp else 0.0


def rivals_of(model: Model, rate_hz: float) -> tuple[float, ...]:
    """Symbol periods that divide the chosen one.

    Symbols that are each sent two or more times look just like this; no samples can tell, and of random ones nobody would
    expect it. A carrier under one cycle a symbol is left out.
    """
    cycles = model.carrier_hz * model.period / rate_hz
    return tuple(model.period / many for many in _DIVISORS if cycles >= many * FEWEST_CYCLES)


def divided(record: Record, learned: Learned, many: int, covered: Spans) -> Learned:
    """The same with ``many`` symbols for each one that was found, as somebody who knows says."""
    period = learned.period
    if period is None or many == 1:
        return learned
    model = replace(learned.model, period=learned.model.period / many)
    omega = 2.0 * np.pi * model.carrier_hz / record.rate_hz
    strip = learned.strip.with_variance(learned.found.variance)
    found, runs = believable(extract(strip, omega, model, covered=covered))
    return Learned(
        strip, found, runs, model, replace(period, value=period.value / many, std=period.std / many)
    )
