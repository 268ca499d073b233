"""Finding and fitting every phase-reversal transmission in a record."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.activity import Active
from dsp.burstfit import carry, settle
from dsp.discover import EXPLAINED, Model, climb_together, discover
from dsp.extract import Found, extract
from dsp.noise import NoiseFloor
from dsp.pool import Period, group_talkers, pooled_period
from dsp.quality import Fitness, fitness, quiet_noise
from dsp.results import DecodeSettings
from dsp.segment import Piece, cut, outside
from dsp.source import Record, Watch
from dsp.track import Run, run_of

_MODELS_AT_MOST = 24
# a likelihood gained by choosing among thousands of periods, starts and carriers
_SEARCH_NATS = 12.0
# Es/N0 (as a ratio) below which a link is not believed: one symbol in twelve would be wrong
_LEAST_ESN0 = 1.0


@dataclass(frozen=True, eq=False)
class Talker:
    """Transmissions that one transmitter may have sent, and what they share."""

    runs: tuple[Run, ...]
    fitness: Fitness
    period: Period
    carrier_hz: float | None
    carrier_std_hz: float | None


@dataclass(frozen=True, eq=False)
class Link:
    """All of one carrier and symbol period; ``rivals`` are other symbol periods with their odds."""

    model: Model
    talkers: tuple[Talker, ...]
    rivals: tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class Search:
    """The outcome: links, and the pieces of activity that no link explains, most telling first."""

    links: tuple[Link, ...]
    unexplained: tuple[Piece, ...]
    unmodulated: tuple[Piece, ...]

    @property
    def told(self) -> float:
        """How much was explained: symbols times the logarithm of one plus their Es/N0."""
        return sum(
            t.fitness.symbols * float(np.log1p(t.fitness.gain**2 / (2.0 * t.fitness.noise)))
            for link in self.links
            for t in link.talkers
        )


def find_links(
    record: Record, noise: NoiseFloor, active: list[Active], settings: DecodeSettings, watch: Watch
) -> Search:
    """Search octave by octave, the most energetic first, until nothing more is explained."""
    pieces: dict[int, list[Piece]] = {}
    for one in active:
        pieces.setdefault(one.octave, []).extend(cut(record, noise, one))
    links: list[Link] = []
    unmodulated: list[Piece] = []
    unexplained: list[Piece] = []
    covered: list[tuple[float, float]] = []
    rounds = 0
    while pieces and rounds < _MODELS_AT_MOST:
        rounds += 1
        # strength on the line, not over the floor: a harmonic or a skirt may stand where the line is quieter
        octave = max(pieces, key=lambda o: _strength(noise, pieces[o]))
        mine = pieces[octave]
        found = _one_link(
            record, noise, mine, settings, covered, watch.part(0.2 * (rounds - 1) / rounds, 0.9)
        )
        if found is None:
            unexplained.extend(mine)
            del pieces[octave]
            continue
        link = found.link
        if link is None:
            unmodulated.extend(mine)
            covered.extend((float(p.start), float(p.stop)) for p in mine)
            pieces = {
                o: [q for p in inside for q in outside(record, noise, p, covered)]
                for o, inside in pieces.items()
            }
            unexplained.extend(mine)
            pieces.pop(octave, None)
            pieces = {o: inside for o, inside in pieces.items() if inside}
            continue
        links.append(link)
        covered.extend(_samples(run) for talker in link.talkers for run in talker.runs)
        left = {
            o: [q for p in inside for q in outside(record, noise, p, covered)] for o, inside in pieces.items()
        }
        if left[octave] == mine:
            del left[octave]
        pieces = {o: [p for p in inside if _stands_out(p)] for o, inside in left.items()}
        pieces = {o: inside for o, inside in pieces.items() if inside}
    for rest in pieces.values():
        unexplained.extend(rest)
    unexplained.sort(key=lambda p: -p.nats)
    return Search(tuple(links), tuple(unexplained), tuple(unmodulated))


def _stands_out(piece: Piece) -> bool:
    """Whether what is left beside a link is more than the floor's own error there."""
    return piece.ratio > 3.0 or piece.nats > 150.0


def _strength(noise: NoiseFloor, pieces: list[Piece]) -> float:
    """Energy of pieces in the unit of the samples."""
    middles = np.array([(p.low_hz + p.high_hz) / 2.0 for p in pieces])
    return float(np.sum(noise.density(middles) * np.array([p.energy for p in pieces])))


def _samples(run: Run) -> tuple[float, float]:
    return run.region.origin + float(run.edges[0]), run.region.origin + float(run.edges[-1])


@dataclass(frozen=True, eq=False)
class _Outcome:
    """A link, or (None) an unmodulated carrier."""

    link: Link | None


def _one_link(
    record: Record,
    noise: NoiseFloor,
    pieces: list[Piece],
    settings: DecodeSettings,
    covered: list[tuple[float, float]],
    watch: Watch,
) -> _Outcome | None:
    """The link that explains these pieces; None if nothing does."""
    proposal = discover(record, noise, pieces, settings, watch.part(0.0, 0.4))
    if proposal is None:
        return None
    model = proposal[0]
    if model.unmodulated:
        return _Outcome(None)
    for attempt in range(3):
        founds = extract(
            record, noise, pieces, model, watch.part(0.4 + 0.1 * attempt, 0.5 + 0.1 * attempt), covered
        )
        founds = [f for f in founds if _plausible(f)]
        if not founds:
            return None
        before = model.noise_scale
        model, period = _pooled_model(record, model, founds, settings)
        if 0.5 < model.noise_scale / before < 2.0:
            break
    founds = extract(record, noise, pieces, model, watch.part(0.7, 1.0), covered)
    founds = [f for f in founds if _plausible(f)]
    if not founds:
        return None
    judged = fitness([f.run for f in founds])
    energy = sum(float(np.sum(f.run.gains**2)) for f in founds) * model.noise_scale
    if energy < EXPLAINED * sum(p.energy for p in pieces) or max(f.run.count for f in founds) < 8:
        return None
    if judged.gain**2 < 2.0 * _LEAST_ESN0 * judged.noise:
        return None
    if judged.nats < _SEARCH_NATS or judged.excess > 0.12 + 3.0 * judged.excess_std or judged.spread > 0.4:
        return None
    if judged.flips < max(1, 0.02 * judged.symbols):
        return _Outcome(None)
    # two flips make one interval, which any rate divides; nothing but flips may be two tones
    if judged.flips < 3 or (judged.symbols >= 10 and judged.flips >= 0.97 * (judged.symbols - len(founds))):
        return None
    return _Outcome(Link(model, _talkers(record, founds, period), _rivals(founds)))


def _plausible(found: Found) -> bool:
    """Whether one run alone could be phase reversal."""
    judged = fitness([found.run])
    return judged.nats > -2.0 and judged.excess < 0.15 + 3.0 * judged.excess_std and judged.spread < 0.6


def _pooled_model(
    record: Record, model: Model, founds: list[Found], settings: DecodeSettings
) -> tuple[Model, Period]:
    fits = [f.fit for f in founds if f.fit is not None]
    if fits:
        period = pooled_period(fits, model.period, model.sharp)
        settled = [settle(replace(f, period=period.value), rounds=1, sharp=period.sharp) for f in fits]
        whole = climb_together([f for f in settled if f.count >= 4]) if settings.symbol_rate_bd is None else 1
        if whole > 1:
            period = pooled_period(fits, period.value * whole, period.sharp)
    else:
        weights = np.array([float(f.run.count) ** 3 for f in founds])
        periods = np.array([f.run.period for f in founds])
        value = float(np.sum(weights * periods) / weights.sum())
        longest = max(founds, key=lambda f: f.run.count).run
        # timing of either end to about 1 / (2 g^2) of a symbol, as of a change point
        gain = float(np.median(longest.gains))
        period = Period(value, value * max(1e-9, 0.7 / (1.0 + gain * gain)) / longest.count, model.sharp)
    weight = np.array([float(np.sum(f.run.gains**2)) for f in founds])
    omega = float(np.sum(weight * np.array([f.run.omega for f in founds])) / weight.sum())
    carrier = omega * record.rate_hz / (2.0 * np.pi)
    scale = model.noise_scale * _met_noise([f.run for f in founds])
    # the weaker talkers' gain: scored with it the strong ones are no less clear
    gains = [float(np.median(f.run.gains)) for f in founds]
    gain = float(np.quantile(gains, 0.1) / np.sqrt(scale / model.noise_scale))
    return Model(carrier, period.value, period.sharp, scale, gain=gain), period


def _met_noise(runs: list[Run]) -> float:
    """Noise beside the transmissions (or, where there is none beside, within) in units of the assumed one."""
    quiet, told = quiet_noise(runs)
    if told >= 24:
        return float(np.clip(quiet, 1e-3, 1.5))
    return float(np.clip(fitness(runs).noise, 1e-3, 1.5))


def _talkers(record: Record, founds: list[Found], period: Period) -> tuple[Talker, ...]:
    """Group the runs by transmitter, and let each group share its carrier if it has one."""
    runs = [f.run for f in founds]
    to_hz = record.rate_hz / (2.0 * np.pi)
    amplitude = np.array([_amplitude(run) for run in runs])
    gain = np.array([float(np.sqrt(np.mean(run.gains**2))) for run in runs])
    count = np.array([run.count for run in runs])
    carrier = np.array([run.omega for run in runs])
    amplitude_u = amplitude / (gain * np.sqrt(count))
    carrier_u = np.sqrt(12.0 / (count * gain**2)) / (count * period.value)
    groups = group_talkers(amplitude, amplitude_u, carrier, carrier_u)
    out = []
    for number in range(max(groups) + 1):
        mine = [i for i, g in enumerate(groups) if g == number]
        w = 1.0 / carrier_u[mine] ** 2
        mean = float(np.sum(w * carrier[mine]) / np.sum(w))
        agree = float(np.sum(w * (carrier[mine] - mean) ** 2))
        short = all(founds[i].fit is not None for i in mine)
        # 99.9 % point of chi-square, Wilson-Hilferty
        k = max(1, len(mine) - 1)
        limit = k * (1.0 - 2.0 / (9.0 * k) + 3.09 * np.sqrt(2.0 / (9.0 * k))) ** 3
        shared = short and (len(mine) == 1 or agree < limit)
        if shared and len(mine) > 1:
            group = [_held(founds[i], mean) for i in mine]
        else:
            group = [runs[i] for i in mine]
        out.append(
            Talker(
                tuple(group),
                fitness(group),
                period,
                mean * to_hz if shared and len(mine) > 1 else None,
                float(1.0 / np.sqrt(np.sum(w))) * to_hz if shared and len(mine) > 1 else None,
            )
        )
    return tuple(out)


def _held(found: Found, omega: float) -> Run:
    """The run fitted again with the carrier that the talker's bursts share."""
    fit = found.fit
    if fit is None:
        return found.run
    middle = (fit.start + fit.stop) / 2.0
    fit = replace(fit, omega=omega, phase=fit.phase + (fit.omega - omega) * middle)
    span = (fit.start - 1.5 * fit.period, fit.stop + 1.5 * fit.period)
    return run_of(settle(carry(fit, hold_carrier=True), rounds=2, hold_carrier=True, span=span))


def _amplitude(run: Run) -> float:
    gain = float(np.mean(run.gains))
    return gain * float(np.sqrt(2.0 * run.region.variance / run.period))


def _rivals(founds: list[Found]) -> tuple[tuple[float, float], ...]:
    """Symbol periods that divide the chosen one, with their odds against it, if those are worth a word."""
    fits = [f.fit for f in founds if f.fit is not None]
    if not fits:
        return ()
    symbols = sum(f.run.count for f in founds)
    out = []
    for many in (2, 3, 4):
        if symbols * (many - 1) * np.log(2.0) > 25.0:
            continue
        nats = 0.0
        for fit in fits:
            finer = replace(fit, period=fit.period / many, count=fit.count * many)
            nats += float(np.sum(finer.symbol_nats()) - np.sum(fit.symbol_nats()))
        odds = float(np.exp(min(0.0, nats)))
        if odds > 1e-3:
            out.append((fits[0].period / many, odds))
    return tuple(out)
