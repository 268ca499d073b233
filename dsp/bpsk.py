"""Finding and fitting every phase-reversal transmission in a record."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from dsp.activity import Active, blocks_of, find_activity
from dsp.condition import Conditioner
from dsp.discover import EXPLAINED, discover
from dsp.extract import Found, Model, extract
from dsp.gate import WHOLE, spans_of
from dsp.merge import climb_together
from dsp.noise import NoiseFloor
from dsp.pool import Period, marginal, pooled_period
from dsp.quality import fitness
from dsp.results import DecodeSettings
from dsp.runs import Runs
from dsp.segment import Piece, cut, windows_of
from dsp.source import Floats, Record, Watch
from dsp.strip import Spans, Strip
from dsp.talkers import Talker, believable, talkers_of

_MODELS_AT_MOST = 24
# by how much two opposite phases must be likelier than any phases, and of few symbols each of them
_SEARCH_NATS = 12.0
_NATS_A_SYMBOL = 0.5
# Es/N0 (as a ratio) below which a link is not believed: one symbol in twelve would be wrong
_LEAST_ESN0 = 1.0
# blocks of a record that are looked at first, and stretches of activity of an octave
_BLOCKS_FIRST = 4
_STRETCHES = 8
# transmissions over which the symbol period is pooled
_BURSTS_FOR_PERIOD = 200
# samples that are worked on at a time
_STRIP = 1 << 20
_THREADS = 2


@dataclass(frozen=True, eq=False)
class Link:
    """All of one carrier and symbol period; ``rivals`` are other symbol periods with their odds.

    ``noise_scale`` is the noise met beside the transmissions over that of the floor.
    """

    model: Model
    period: Period
    talkers: tuple[Talker, ...]
    rivals: tuple[tuple[float, float], ...]
    noise_scale: float


@dataclass(frozen=True, eq=False)
class Search:
    """The outcome: links, and the pieces of activity that no link explains, most telling first.

    ``active`` is what a first look found, ``covered`` (n, 2) the samples that the links explain.
    """

    links: tuple[Link, ...]
    unexplained: tuple[Piece, ...]
    unmodulated: tuple[Piece, ...]
    active: tuple[Active, ...]
    covered: Spans

    @property
    def told(self) -> float:
        """How much was explained: symbols times the logarithm of one plus their Es/N0."""
        return sum(
            t.fitness.symbols * float(np.log1p(t.fitness.gain**2 / (2.0 * t.fitness.noise)))
            for link in self.links
            for t in link.talkers
        )


def find_links(record: Record, noise: NoiseFloor, settings: DecodeSettings, watch: Watch) -> Search:
    """Search octave by octave, the most energetic first, until nothing more is explained."""
    links: list[Link] = []
    unmodulated: list[Piece] = []
    unexplained: list[Piece] = []
    covered = np.zeros((0, 2))
    active = first_look(record, noise, watch.part(0.0, 0.1))
    seen = active
    failed: set[int] = set()
    for rounds in range(_MODELS_AT_MOST):
        pieces = _pieces_of(record, noise, [a for a in active if a.octave not in failed], bool(links))
        if not pieces:
            break
        # strength on the line, not over the floor: a harmonic or a skirt may stand where the line is quieter
        octave = max(pieces, key=lambda o: _strength(noise, pieces[o]))
        mine = pieces[octave]
        part = watch.part(0.1 + 0.9 * rounds / (rounds + 1), 0.1 + 0.9 * (rounds + 1) / (rounds + 2))
        found = _one_link(record, noise, mine, settings, covered, part)
        if found is None or found.link is None:
            unexplained.extend(mine)
            failed.add(octave)
        if found is None:
            continue
        if found.link is None:
            unmodulated.extend(mine)
            more = np.array([(float(p.start), float(p.stop)) for p in mine])
        else:
            links.append(found.link)
            more = np.concatenate([_samples(talker) for talker in found.link.talkers])
        covered = np.concatenate((covered, more))
        active = first_look(record, noise, part, covered)
    unexplained.sort(key=lambda p: -p.nats)
    return Search(tuple(links), tuple(unexplained), tuple(unmodulated), tuple(seen), covered)


def first_look(record: Record, noise: NoiseFloor, watch: Watch, covered: Spans | None = None) -> list[Active]:
    """What is active in a part of the record; more of it is looked at until something is found, at last all."""
    blocks = blocks_of(record)
    share = _BLOCKS_FIRST
    while True:
        step = max(1, len(blocks) // share)
        some = blocks[step // 2 :: step]
        active = find_activity(record, noise, watch, blocks=some, covered=covered)
        if active or step == 1 or covered is not None:
            return active
        share *= 4


def _pieces_of(
    record: Record, noise: NoiseFloor, active: list[Active], beside: bool
) -> dict[int, list[Piece]]:
    """The most telling transmissions of each octave; ``beside`` a link, only what surely stands out."""
    out: dict[int, list[Piece]] = {}
    for octave in sorted({a.octave for a in active}):
        mine = sorted((a for a in active if a.octave == octave), key=lambda a: -a.best.nats)[:_STRETCHES]
        windows = [w for a in mine for w in windows_of(record, a)][:_STRETCHES]
        pieces = [p for w in windows for p in cut(record, noise, w) if not beside or _stands_out(p)]
        if pieces:
            out[octave] = pieces
    return out


def _stands_out(piece: Piece) -> bool:
    """Whether what is left beside a link is more than the floor's own error there."""
    return piece.ratio > 3.0 or piece.nats > 150.0


def _strength(noise: NoiseFloor, pieces: list[Piece]) -> float:
    """Energy of pieces in the unit of the samples."""
    middles = np.array([(p.low_hz + p.high_hz) / 2.0 for p in pieces])
    return float(np.sum(noise.density(middles) * np.array([p.energy for p in pieces])))


def _samples(talker: Talker) -> Spans:
    """Samples (b, 2) of the record that each transmission of a talker covers."""
    runs = talker.runs
    shift = talker.strip.shift(0.5 * (runs.first + runs.last))
    return np.stack((runs.first + shift, runs.last + shift), axis=1)


@dataclass(frozen=True, eq=False)
class _Outcome:
    """A link, or (None) an unmodulated carrier."""

    link: Link | None


def _one_link(
    record: Record,
    noise: NoiseFloor,
    pieces: list[Piece],
    settings: DecodeSettings,
    covered: Spans,
    watch: Watch,
) -> _Outcome | None:
    """The link that explains these pieces, outside the samples ``covered``; None if nothing does."""
    model = discover(record, noise, pieces, settings, watch.part(0.0, 0.4))
    if model is None:
        return None
    if model.unmodulated:
        return _Outcome(None)
    conditioner = Conditioner(record, noise, model.carrier_hz, record.rate_hz / model.period)
    strip = conditioner.strip(_around(record, pieces, model))
    found, runs, model, period = _learned(record, strip, model, settings, covered)
    if not len(found) or period is None:
        return None
    judged = fitness(runs)
    energy = float(np.sum(runs.gains**2)) * found.variance / strip.variance
    if energy < EXPLAINED * sum(p.energy for p in pieces) or int(runs.count.max()) < 8:
        return None
    if judged.gain**2 < 2.0 * _LEAST_ESN0 * judged.noise:
        return None
    # symbols of one talker differ in length by little more than noise makes them
    spread_std = judged.noise * float(np.sqrt(2.0 / judged.symbols)) / judged.gain**2
    if judged.gain**2 < 12.0 * judged.noise and judged.spread > 0.12 + 3.0 * spread_std:
        return None
    if (
        judged.nats < min(_SEARCH_NATS, _NATS_A_SYMBOL * judged.symbols)
        or judged.excess > 0.12 + 3.0 * judged.excess_std
        or judged.spread > 0.4
    ):
        return None
    if judged.flips < max(1, 0.02 * judged.symbols):
        return _Outcome(None)
    # two flips make one interval, which any rate divides; nothing but flips may be two tones
    if judged.flips < 3 or (judged.symbols >= 10 and judged.flips >= 0.97 * (judged.symbols - len(runs))):
        return None
    rivals = _rivals(found)
    scale = found.variance / strip.variance * judged.noise
    if record.samples > WHOLE:
        spans = spans_of(record, noise, model, found.variance / strip.variance, watch.part(0.5, 0.7))
        talkers, model, period = _everywhere(
            record, conditioner, spans, found, model, period, settings, covered, watch.part(0.7, 1.0)
        )
    else:
        talkers = talkers_of(strip, found)
    return _Outcome(Link(model, period, tuple(talkers), rivals, scale)) if talkers else None


def _around(record: Record, pieces: list[Piece], model: Model) -> list[tuple[int, int]]:
    """Spans of the record around pieces, joined where they meet; a short record as a whole."""
    if record.samples <= WHOLE:
        return [(s.first, s.last) for s in record.stretches]
    margin = 10.0 * model.period
    spans: list[tuple[int, int]] = []
    for piece in sorted(pieces, key=lambda p: p.start):
        stretch = record.stretch_at(piece.start)
        start = max(stretch.first, int(piece.start - margin - piece.frame))
        stop = min(stretch.last, int(piece.stop + margin + piece.frame))
        if spans and start < spans[-1][1] and spans[-1][0] >= stretch.first:
            spans[-1] = (spans[-1][0], max(stop, spans[-1][1]))
        else:
            spans.append((start, stop))
    return spans


def _learned(
    record: Record, strip: Strip, model: Model, settings: DecodeSettings, covered: Spans
) -> tuple[Found, Runs, Model, Period | None]:
    """What a strip holds, and the model as all of that shows it."""
    omega = 2.0 * np.pi / record.rate_hz
    period: Period | None = None
    found, runs = believable(extract(strip, omega * model.carrier_hz, model, covered=covered))
    for _ in range(2):
        if not len(runs):
            break
        before = model
        model, period = _pooled_model(record, model, found, runs, settings, period)
        if _alike(before, model, int(runs.count.max())):
            break
        strip = strip.with_variance(found.variance)
        found, runs = believable(extract(strip, omega * model.carrier_hz, model, covered=covered))
    return found, runs, model, period


def _alike(one: Model, other: Model, symbols: int) -> bool:
    """Whether fits with one model hold for the other: no edge moves by a thirtieth of a symbol."""
    return one.sharp == other.sharp and abs(one.period / other.period - 1.0) * min(symbols, 96) < 0.03


def _pooled_model(
    record: Record, model: Model, found: Found, runs: Runs, settings: DecodeSettings, known: Period | None
) -> tuple[Model, Period]:
    fits = found.fits
    if len(fits) and known is not None:
        period = pooled_period(fits, model.period, model.sharp, known.std)
    elif len(fits):
        period = pooled_period(fits, model.period, model.sharp)
        if settings.symbol_rate_bd is None:
            strongest = fits.take(np.argsort(-fits.nats)[:24])
            whole = climb_together([strongest.take(np.array([i])) for i in range(len(strongest))])
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
    weight = runs.gain**2 * runs.count
    omega = float(np.sum(weight * runs.omega) / weight.sum())
    carrier = omega * record.rate_hz / (2.0 * np.pi)
    gain = float(np.median(runs.gains))
    return replace(model, carrier_hz=carrier, period=period.value, sharp=period.sharp, gain=gain), period


def _everywhere(
    record: Record,
    conditioner: Conditioner,
    spans: list[tuple[int, int]],
    known: Found,
    model: Model,
    period: Period,
    settings: DecodeSettings,
    covered: Spans,
    watch: Watch,
) -> tuple[list[Talker], Model, Period]:
    """All talkers of a link over all spans, a strip at a time, and the model as all of them show it."""
    lots = list(_strips(spans))
    first = conditioner.strip(lots[0]).with_variance(known.variance)
    found, runs, better, period_there = _learned(record, first, model, settings, covered)
    if period_there is not None and len(runs) >= len(known):
        model, period = better, period_there
    omega = 2.0 * np.pi * model.carrier_hz / record.rate_hz
    periods = period.grid()
    quota = -(-_BURSTS_FOR_PERIOD // len(lots))

    def work(number: int) -> tuple[list[Talker], Floats]:
        if number == 0 and better is model:
            here, strip = found, first
        else:
            strip = conditioner.strip(lots[number]).with_variance(known.variance)
            here, _ = believable(extract(strip, omega, model, covered=covered))
        nats = np.zeros(periods.size)
        if len(lots) > 1 and len(here.fits):
            best = here.fits.take(np.argsort(-here.fits.nats, kind="stable")[:quota])
            nats = marginal(best, periods).sum(axis=1)
        return [t.released() for t in talkers_of(strip, here)], nats

    out: list[Talker] = []
    total = np.zeros(periods.size)
    with ThreadPoolExecutor(_THREADS) as pool:
        for i, (talkers, nats) in enumerate(pool.map(work, range(len(lots)))):
            watch.at(i / len(lots))
            out.extend(talkers)
            total += nats
    return out, model, period.weighed(periods, total) if len(lots) > 1 else period


def _strips(spans: list[tuple[int, int]]) -> Iterator[list[tuple[int, int]]]:
    """Spans in lots of about as many samples as are worked on at a time."""
    lot: list[tuple[int, int]] = []
    size = 0
    for span in spans:
        lot.append(span)
        size += span[1] - span[0]
        if size >= _STRIP:
            yield lot
            lot, size = [], 0
    if lot:
        yield lot


def _rivals(found: Found) -> tuple[tuple[float, float], ...]:
    """Symbol periods that divide the chosen one, with their odds against it, if those are worth a word."""
    fits = found.fits
    if not len(fits):
        return ()
    symbols = int(fits.count.sum()) + int(found.windows.count.sum()) // 2
    out = []
    for many in (2, 3, 4):
        if symbols * (many - 1) * np.log(2.0) > 25.0:
            continue
        finer = replace(fits, period=fits.period / many, count=fits.count * many)
        nats = float(np.sum(np.where(finer.inside(), finer.symbol_nats(), 0.0)))
        nats -= float(np.sum(np.where(fits.inside(), fits.symbol_nats(), 0.0)))
        odds = float(np.exp(min(0.0, nats)))
        if odds > 1e-3:
            out.append((float(fits.period[0]) / many, odds))
    return tuple(out)
