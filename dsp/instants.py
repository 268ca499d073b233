"""The symbol period of a link by the instants of its reversals, and of the ends where reversals are few."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.fits import Ints
from dsp.link import TOGETHER, Learned, energy_told, few_and_weak, learn
from dsp.quality import fitness
from dsp.results import DecodeSettings
from dsp.runs import Runs
from dsp.source import Floats, Record
from dsp.strip import Spans
from dsp.thin import (
    FEWEST_CYCLES,
    SURE,
    Reversals,
    Weighed,
    carrier_cell,
    mean_instant,
    reversals_of,
    seldom_turns,
    weigh_periods,
)

# times that a period is put right by what the reversals say
_ROUNDS = 3
# reversals beyond the first of each transmission that leave no doubt, and the probability of a period ruled out
_NO_DOUBT = 24
_RULED_OUT = 1e-3
# reversals that make but one interval, and so many that bits are believed to be random; the probability that a period must
# have with the former, and with up to the latter (of 24 random symbols one in 770 has no more)
_INTERVAL, _MORE = 2, 4
_WITH_ONE, _WITH_MORE = 0.75, 0.5
# natural units by which samples must tell that a transmission, known to be there, is on inside an end and off beyond
_END_NATS = 3.0
# share of a transmission by which its ends may have been cut wrongly
_AWAY = 0.25


def by_reversals(
    record: Record, learned: Learned, settings: DecodeSettings, covered: Spans
) -> tuple[Learned, bool]:
    """The same with the symbol period that the instants of its reversals say, and whether they leave it open.

    Only where reversals are fewer than random bits make them, or few: then a period that is far too long may explain
    the samples nearly as well, and costs less.
    """
    first = learned
    for _ in range(_ROUNDS):
        runs, model = learned.runs, learned.model
        if not len(runs):
            return learned, False
        edges, flips = runs.symbols.size - len(runs), fitness(runs).flips
        seldom = seldom_turns(flips, edges)
        # of weak symbols most reversals are not seen by themselves, and all periods have been weighed (`dsp.survey`)
        if not seldom and (flips > len(runs) + _NO_DOUBT or few_and_weak(runs)):
            return learned, _is_open(record, learned, flips)
        reversals = reversals_of(runs)
        said = _said(record, learned, reversals)
        if said is None and seldom:
            said = _said(record, learned, with_ends(reversals, learned))
        # random bits say more than the instants of the reversals alone: only what is ruled out goes then
        if said is None and not seldom:
            return learned, _is_open(record, learned, flips)
        if said is not None and said.asked >= (SURE if seldom else _RULED_OUT):
            return learned, flips < _INTERVAL
        if said is None or said.probability < SURE:
            break
        scale = learned.found.variance / learned.strip.variance
        gain = model.gain * float(np.sqrt(said.period / model.period * scale))
        better = replace(model, period=said.period, gain=gain, spread=None)
        learned = learn(record, learned.strip, better, settings, covered, merges=False)
        if not seldom and energy_told(learned) < energy_told(first):
            # a wrong symbol has put a reversal where there is none
            return first, False
    return first, True


def _is_open(record: Record, learned: Learned, flips: int) -> bool:
    """Whether so many reversals leave the period open that random bits make the likeliest.

    It must fit those of few transmissions, and the instants of the ends, whatever the bits are like; where symbols are so
    weak that not all of them are seen by themselves, these say nothing. Two reversals make one interval, which any period
    divides: they need the ends.
    """
    runs = learned.runs
    if flips < _INTERVAL or flips > _MORE or len(runs) >= TOGETHER:
        return flips <= _INTERVAL
    reversals = reversals_of(runs)
    seen = reversals.where.size == flips
    said = _said(record, learned, with_ends(reversals, learned)) if seen else None
    if said is None:
        return flips == _INTERVAL
    return said.asked < (_WITH_ONE if flips == _INTERVAL else _WITH_MORE)


def _said(record: Record, learned: Learned, reversals: Reversals) -> Weighed | None:
    """What instants say of the period."""
    shortest = max(2.0, FEWEST_CYCLES * record.rate_hz / learned.model.carrier_hz)
    longest = float(np.max(learned.runs.last - learned.runs.first))
    return weigh_periods(reversals, shortest, longest, learned.model.period)


def with_ends(reversals: Reversals, learned: Learned) -> Reversals:
    """The instants of transmissions with two reversals at least, and those of their ends, as far as samples show them: of
    rectangular symbols these are instants like reversals, if less certain.

    One reversal makes two intervals, which have a common measure nearly always.
    """
    runs, strip = learned.runs, learned.strip
    part = strip.part(0.5 * (runs.first + runs.last))
    borders = np.concatenate(([-np.inf], 0.5 * (runs.last[:-1] + runs.first[1:]), [np.inf]))
    where: list[Floats] = []
    std: list[Floats] = []
    count, whole = [0], 0
    for i in range(len(runs)):
        mine = slice(int(reversals.offset[i]), int(reversals.offset[i + 1]))
        inner = reversals.where[mine]
        if inner.size < _INTERVAL:
            continue
        reach = max(float(runs.period[i]), _AWAY * float(runs.last[i] - runs.first[i]))
        low = max(float(strip.begins[part[i]]), float(borders[i]), float(runs.first[i]) - reach)
        high = min(float(strip.ends[part[i]]), float(borders[i + 1]), float(runs.last[i]) + reach)
        ends = (_end(runs, i, float(inner[0]), low), _end(runs, i, float(inner[-1]), high))
        known = [end for end in ends if end is not None]
        instants = np.concatenate((inner, [at for at, _ in known]))
        order = np.argsort(instants)
        where.append(instants[order])
        std.append(np.concatenate((reversals.std[mine], [spread for _, spread in known]))[order])
        count.append(instants.size)
        whole += len(known) == 2
    if not where:
        return Reversals(np.zeros(0), np.zeros(0), np.zeros(1, dtype=np.int64), whole)
    return Reversals(np.concatenate(where), np.concatenate(std), np.cumsum(count), whole)


def _end(runs: Runs, i: int, inside: float, outside: float) -> tuple[float, float] | None:
    """Mean and standard deviation of the instant at which a transmission ends, between a reversal ``inside`` and a place
    ``outside``; None if samples do not show it."""
    turned, outwards = runs.turned, 1 if outside > inside else -1
    cell = carrier_cell(float(runs.omega[i]))
    edges: Ints = np.arange(int(np.ceil(inside)), int(outside) + outwards, outwards * cell)
    if edges.size < 3 or edges.min() < 0 or edges.max() > turned.length:
        return None
    at = slice(int(runs.offset[i]), int(runs.offset[i + 1]))
    mids = 0.5 * (edges[1:] + edges[:-1])
    turn = np.exp(-1j * np.interp(mids, 0.5 * (runs.starts[at] + runs.stops[at]), runs.angles[at]))
    along = outwards * np.real(np.diff(turned.sums[edges]) * turn)
    # how much of that a carrier of amplitude 1 has
    length, re, im = turned.spans_of(edges.astype(np.float64) - turned.early)
    energy = 0.5 * outwards * (length + np.real((re + 1j * im) * turn**-2))
    amplitude = float(runs.amplitude[i])
    end = float(runs.last[i] if outwards > 0 else runs.first[i])
    nearest = along[: max(1, int(0.5 * abs(end - inside) / cell))]
    sign = 1.0 if float(nearest.sum()) > 0.0 else -1.0
    nats = (amplitude * sign * along - 0.5 * amplitude**2 * energy) / runs.variance
    total = np.concatenate(([0.0], np.cumsum(nats)))
    if float(total.max()) < _END_NATS:
        return None
    # what goes on as far as was looked has no end there
    if float(total[-1]) > float(total.max()) - _END_NATS:
        return None
    return mean_instant(total - total.max(), edges)
