"""All transmissions of a known carrier and period within pieces of a record."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.burstfit import Fit, Region, acquire, carry, reach, settle
from dsp.condition import Conditioner
from dsp.discover import Model
from dsp.noise import NoiseFloor
from dsp.segment import Piece
from dsp.source import Record, Watch
from dsp.track import WINDOW, Run, follow, run_of

# natural units of likelihood over silence, beyond what the best of many starts in noise reaches
ACCEPT_NATS = 18.0
_FEWEST = 5
_LONG = 96
_MARGIN_SYMBOLS = 10


@dataclass(frozen=True, eq=False)
class Found:
    """One transmission; ``fit`` is None if it was too long for a single one and was followed."""

    run: Run
    nats: float
    fit: Fit | None


def regions_of(
    record: Record, noise: NoiseFloor, pieces: list[Piece], model: Model
) -> list[tuple[Region, list[Piece]]]:
    """Conditioned regions around the pieces, joined where their margins meet."""
    conditioner = Conditioner(record, noise, model.carrier_hz, record.rate_hz / model.period, model.noise_scale)
    margin = _MARGIN_SYMBOLS * model.period
    spans: list[tuple[float, float, list[Piece]]] = []
    for piece in sorted(pieces, key=lambda p: p.start):
        start, stop = piece.start - margin - piece.frame, piece.stop + margin + piece.frame
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
    for start, stop in sorted(covered):
        start, stop = start - region.origin, stop - region.origin
        if stop <= low or start >= end:
            continue
        free.append((low, start))
        low = stop
    return [*free, (low, end)]


def extract_region(
    region: Region, omega: float, model: Model, spans: list[tuple[float, float]], accept: float = ACCEPT_NATS
) -> list[Found]:
    """Transmissions in parts of a region: the strongest first, then what is left on either side of it."""
    found: list[Found] = []
    todo = list(spans)
    while todo:
        begin, end = todo.pop()
        if end - begin < _FEWEST * model.period:
            continue
        one = _one(region, omega, model, begin, end)
        if one is None or one.run.count < _FEWEST or one.nats < accept:
            continue
        found.append(one)
        first, last = float(one.run.edges[0]), float(one.run.edges[-1])
        # what is left must be less than what was looked at, or the same would be found again
        todo.append((begin, min(first, end - 2.0 * model.period)))
        todo.append((max(last, begin + 2.0 * model.period), end))
    return sorted(found, key=lambda f: float(f.run.edges[0]))


def _one(region: Region, omega: float, model: Model, begin: float, end: float) -> Found | None:
    fit = acquire(region, omega, model.period, span=(begin, end), longest=_LONG)
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
