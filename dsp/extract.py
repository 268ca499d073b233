"""All transmissions of a known carrier and period within pieces of a record."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d

from dsp.burstfit import Fit, Region, acquire, carry, reach, settle
from dsp.condition import Conditioner
from dsp.correlate import Turned, change_nats_unphased, log_bessel, on_runs, turn_back
from dsp.discover import Model
from dsp.noise import NoiseFloor
from dsp.segment import Piece
from dsp.source import Record, Watch
from dsp.track import WINDOW, Run, follow, run_of

# natural units of likelihood over silence, beyond what the best of many starts in noise reaches
ACCEPT_NATS = 24.0
_FEWEST = 5
_LONG = 96
_MARGIN_SYMBOLS = 10
# a stretch no longer than this is searched as a whole: what is known now finds what did not stand out
_WHOLE = 1 << 19
# symbols by which a transmission may reach beyond where its energy shows
_LOOSE = 4.0


@dataclass(frozen=True, eq=False)
class Found:
    """One transmission; ``fit`` is None if it was too long for a single one and was followed."""

    run: Run
    nats: float
    fit: Fit | None


@dataclass(frozen=True)
class _Part:
    """A span ``low`` to ``high`` around a run of symbols of the usual length, ``first`` to ``last``."""

    low: float
    first: float
    last: float
    high: float


def regions_of(
    record: Record, noise: NoiseFloor, pieces: list[Piece], model: Model
) -> list[tuple[Region, list[Piece]]]:
    """Conditioned regions around the pieces, joined where their margins meet; short stretches as a whole."""
    conditioner = Conditioner(
        record, noise, model.carrier_hz, record.rate_hz / model.period, model.noise_scale
    )
    margin = _MARGIN_SYMBOLS * model.period
    spans: list[tuple[float, float, list[Piece]]] = []
    for piece in sorted(pieces, key=lambda p: p.start):
        start, stop = piece.start - margin - piece.frame, piece.stop + margin + piece.frame
        stretch = record.stretch_at(piece.start)
        if len(stretch) <= _WHOLE:
            start, stop = float(stretch.first), float(stretch.last)
        last = record.stretch_at(piece.start).last
        if spans and start < spans[-1][1] and spans[-1][2][-1].start < last and piece.start < last:
            same = record.stretch_at(spans[-1][2][-1].start) is record.stretch_at(piece.start)
            if same:
                spans[-1] = (spans[-1][0], max(stop, spans[-1][1]), [*spans[-1][2], piece])
                continue
        spans.append((start, stop, [piece]))
    out = []
    for start, stop, inside in spans:
        stretch = record.stretch_at(inside[0].start)
        low, high = max(stretch.first, int(start)), min(stretch.last, int(stop) + 1)
        out.append((conditioner.region(low, high), inside))
    return out


def extract(
    record: Record,
    noise: NoiseFloor,
    pieces: list[Piece],
    model: Model,
    watch: Watch,
    covered: list[tuple[float, float]],
) -> list[Found]:
    """Every transmission found outside the ``covered`` samples of the record, in time order."""
    found: list[Found] = []
    regions = regions_of(record, noise, pieces, model)
    omega = 2.0 * np.pi * model.carrier_hz / record.rate_hz
    for i, (region, _) in enumerate(regions):
        watch.at(i / len(regions))
        found.extend(extract_region(region, omega, model, _free(region, covered)))
    return found


def _free(region: Region, covered: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The parts of a region that are not covered, in samples of the region."""
    free = []
    low, end = 0.0, float(region.samples.size)
    for begin, finish in sorted(covered):
        start, stop = begin - region.origin, finish - region.origin
        if stop <= low or start >= end:
            continue
        free.append((low, start))
        low = stop
    return [*free, (low, end)]


def extract_region(
    region: Region, omega: float, model: Model, spans: list[tuple[float, float]], accept: float = ACCEPT_NATS
) -> list[Found]:
    """Transmissions in parts of a region: the strongest first, then what is left on either side of it."""
    turned = turn_back(region.samples, omega)
    found: list[Found] = []
    todo: list[tuple[float, float]] = []
    for begin, end in spans:
        if end - begin < _FEWEST * model.period:
            continue
        for group in _groups(_parts(turned, region.variance, model, begin, end), model.period):
            found.extend(_members(region, turned, model, group, accept))
        inside = [f for f in found if begin - model.period <= float(f.run.edges[0]) < end]
        # what a strong neighbour leaves over its ends must not be taken for the strongest thing in between
        clear = model.period
        sides = ((float(f.run.edges[0]) - clear, float(f.run.edges[-1]) + clear) for f in inside)
        edges = [begin, *(e for pair in sides for e in pair), end]
        todo.extend(zip(edges[::2], edges[1::2], strict=True))
    while todo:
        begin, end = todo.pop()
        if end - begin < _FEWEST * model.period:
            continue
        one = _one(region, turned, model, begin, end)
        if one is None or not _worth(one, model, accept):
            continue
        found.append(one)
        first, last = float(one.run.edges[0]), float(one.run.edges[-1])
        # what is left must be less than what was looked at, or the same would be found again
        todo.append((begin, min(first - model.period, end - 2.0 * model.period)))
        todo.append((max(last + model.period, begin + 2.0 * model.period), end))
    return sorted(found, key=lambda f: float(f.run.edges[0]))


def _worth(one: Found, model: Model, accept: float) -> bool:
    """Whether a run is likelier than the best that noise offers among all that is tried.

    What is much weaker than the link's usual transmissions needs more evidence.
    """
    weak = float(np.median(one.run.gains)) < 0.6 * model.gain
    return one.run.count >= _FEWEST and one.nats >= (2.0 * accept if weak else accept)


def _groups(parts: list[_Part], period: float) -> list[list[_Part]]:
    """Parts that follow each other within six symbols, together."""
    groups: list[list[_Part]] = []
    for part in parts:
        if groups and part.first - groups[-1][-1].last < 6.0 * period:
            groups[-1].append(part)
        else:
            groups.append([part])
    return groups


def _members(region: Region, turned: Turned, model: Model, group: list[_Part], accept: float) -> list[Found]:
    """One transmission over a whole group if the symbols in between were sent, else one for each part.

    Lengths alone cannot tell: smooth pulses are short wherever the phase turns at every symbol.
    """
    if len(group) > 1:
        one = _one(region, turned, model, group[0].low, group[-1].high)
        if one is not None and _worth(one, model, accept):
            slack = 4.0 * model.period
            if one.run.edges[0] < group[0].first + slack and one.run.edges[-1] > group[-1].last - slack:
                return [one]
    ones = [_one(region, turned, model, part.low, part.high) for part in group]
    return [one for one in ones if one is not None and _worth(one, model, accept)]


def _parts(turned: Turned, variance: float, model: Model, begin: float, end: float) -> list[_Part]:
    """Where symbols of the usual length are on, carrier phase unknown: spans around single transmissions.

    Symbol timing is taken from whichever of eight grids collects most energy over the next few symbols.
    """
    phases, near = 8, 9
    count = int((end - begin) / model.period) - 1
    if count < _FEWEST:
        return []
    starts = begin + np.arange(phases) / phases * model.period
    edges = starts[:, None] + np.arange(count + 1)[None, :] * model.period
    length = np.abs(turned.between(edges)) / np.sqrt(variance * model.period / 2.0)
    local = uniform_filter1d(length**2, near, axis=1, mode="nearest")
    best = np.argmax(local, axis=0)
    picked = length[best, np.arange(count)]
    gain = max(1.5, model.gain)
    cycles = turned.omega * model.period / (2.0 * np.pi)
    runs = on_runs(log_bessel(gain * picked) - gain * gain / 2.0, change_nats_unphased(gain, cycles))
    spans = []
    for i, (a, b) in enumerate(runs):
        before = runs[i - 1][1] if i else a - 2 * _LOOSE
        after = runs[i + 1][0] if i + 1 < len(runs) else b + 2 * _LOOSE
        low = a - min(_LOOSE, (a - before) / 2.0)
        high = b + 1 + min(_LOOSE, max(0.0, after - b - 1) / 2.0)
        spans.append(
            _Part(
                max(begin, begin + low * model.period),
                begin + a * model.period,
                begin + (b + 1) * model.period,
                min(end, begin + high * model.period),
            )
        )
    return spans


def _one(region: Region, turned: Turned, model: Model, begin: float, end: float) -> Found | None:
    fit = acquire(region, turned, model.period, span=(begin, end), longest=_LONG)
    if fit is None or fit.count < _FEWEST:
        return None
    fit = settle(fit, sharp=model.sharp, span=(begin, end))
    if fit.count < _FEWEST:
        return None
    if fit.count < _LONG - 12:
        for _ in range(4):
            before = fit.count
            fit = reach(fit, span=(begin, end))
            if fit.count <= before:
                break
            fit = carry(fit)
    if fit.count < _LONG - 12:
        return Found(run_of(fit), fit.nats, fit)
    middle = fit.start + (fit.count - WINDOW) // 2 * fit.period
    run, nats = follow(replace(fit, start=middle, count=WINDOW), begin, end)
    return Found(run, nats, None)
