"""Carrier and symbol period of transmissions of which nothing is known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.burstfit import Fit, Region, acquire, carry, settle, timing_nats
from dsp.carrier import squared_lines
from dsp.condition import Conditioner
from dsp.correlate import Turned, best_run, turn_back
from dsp.noise import NoiseFloor
from dsp.quality import fitness
from dsp.rate import Timing, period_grid, score_period
from dsp.results import DecodeSettings
from dsp.segment import Piece
from dsp.source import Floats, Record, Watch
from dsp.track import run_of

_SYMBOLS_AT_MOST = 64
_FOGGED_ESN0 = 40.0
# share of the energy seen that a model must explain to be more than a chance likeness
EXPLAINED = 0.55
_FEWEST_CYCLES = 0.8


@dataclass(frozen=True)
class Model:
    """What the bursts of a link share: carrier, symbol period in samples, how edges fall on samples.

    ``gain`` is the length of a weak talker's symbol, ``sqrt(2 Es/N0)``; ``unmodulated`` says it is a tone.
    """

    carrier_hz: float
    period: float
    sharp: bool = False
    noise_scale: float = 1.0
    unmodulated: bool = False
    gain: float = 4.0


def discover(
    record: Record, noise: NoiseFloor, pieces: list[Piece], settings: DecodeSettings, watch: Watch
) -> tuple[Model, float] | None:
    """The model that explains the most telling pieces best, with its score in nats; None if nothing does.

    Every lead proposes carriers and periods of its own; each proposal is then scored on all leads.
    """
    leads = _leads(pieces)
    regions = [_region(record, noise, piece, max(_centre(piece), record.rate_hz / 256.0)) for piece in leads]
    best: tuple[Model, float] | None = None
    promising = False
    earlier: list[Model] = []
    for i, piece in enumerate(leads):
        watch.at(i / len(leads))
        for model in _propose(record, noise, piece, settings):
            fits = [_fit(region, record.rate_hz, model) for region in regions]
            total = sum(max(0.0, fit.nats) for fit in fits if fit is not None)
            gains = [fit.gain for fit in fits if fit is not None]
            if gains and (best is None or total > best[1]):
                best = (replace(model, gain=min(gains)), total)
                if all(fit is not None and _clear(fit) for fit in fits):
                    # every lead is explained beyond doubt: other proposals can only say the same
                    return replace(model, gain=min(gains)), total
                promising = promising or _promising([fit for fit in fits if fit is not None])
            agreed = best is not None and any(_same(best[0], other) for other in earlier)
            if agreed and best is not None and _same(best[0], model) and promising:
                # two leads say the same on their own
                break
            earlier.append(model)
        else:
            if i >= 1 and not promising:
                return None
            continue
        break
    if best is None or best[1] <= 0.0:
        return None
    fits = [_fit(region, record.rate_hz, best[0]) for region in regions]
    kept = [fit for fit in fits if fit is not None]
    seen = max(1e-9, sum(_seen(piece, best[0].period) for piece in leads))
    tone = tone_nats(regions, record.rate_hz, best[0].carrier_hz)
    if tone > 0.85 * sum(fit.nats for fit in kept) and 2.0 * tone > EXPLAINED * seen:
        return replace(best[0], unmodulated=True), best[1]
    share = sum(fit.count * fit.gain**2 for fit in kept) / seen
    return best if share > EXPLAINED and _promising(kept) else None


def tone_nats(regions: list[Region], rate_hz: float, near_hz: float) -> float:
    """Log-likelihood ratio of one tone in each region against noise, frequency and extent free."""
    total = 0.0
    for region in regions:
        n = region.samples.size
        size = 1 << int(np.ceil(np.log2(2 * n)))
        spectrum = np.abs(np.fft.rfft(region.samples, size))
        hz = np.fft.rfftfreq(size, 1.0 / rate_hz)
        spectrum[(hz < 0.5 * near_hz) | (hz > 1.5 * near_hz)] = 0.0
        omega = 2.0 * np.pi * float(hz[int(np.argmax(spectrum))]) / rate_hz
        sums = turn_back(region.samples, omega).sums[:: max(1, n // 256)]
        # any stretch: the largest energy of a difference of running sums over its length
        step = max(1, n // 256)
        gap = np.abs(np.arange(sums.size)[:, None] - np.arange(sums.size)[None, :]) * step
        power = np.abs(sums[:, None] - sums[None, :]) ** 2
        total += float(np.max(power / np.maximum(gap, 1))) / region.variance
    return total


def _seen(piece: Piece, period: float) -> float:
    """A piece's energy, or that of as much of it as a fit to its middle can cover."""
    return piece.energy * min(1.0, _SYMBOLS_AT_MOST * period / (piece.stop - piece.start))


def _leads(pieces: list[Piece], most: int = 6) -> list[Piece]:
    """The most telling pieces; of long ones several parts, since a drifting carrier blurs the whole."""
    parts: list[Piece] = []
    for piece in sorted(pieces, key=lambda p: -p.nats)[:most]:
        length = piece.stop - piece.start
        window = _SYMBOLS_AT_MOST * piece.frame
        count = min(most, max(1, length // (2 * window)))
        if count == 1:
            parts.append(piece)
            continue
        for k in range(count):
            middle = piece.start + int((k + 0.5) * length / count)
            parts.append(replace(piece, start=middle - window // 2, stop=middle + window // 2))
    parts.sort(key=lambda p: -p.nats)
    return parts[:most]


def _clear(fit: Fit) -> bool:
    """Whether a fit leaves no room for another model: long, strong, and with nothing across the phase."""
    if fit.count < 8 or fit.gain < 5.0:
        return False
    judged = fitness([run_of(fit)])
    return judged.nats > 40.0 and judged.excess < 0.05 and judged.spread < 0.05 and judged.flips > 1


def _same(one: Model, other: Model) -> bool:
    """Whether two proposals differ by no more than a single transmission leaves open."""
    return abs(one.period / other.period - 1.0) < 3e-3 and abs(one.carrier_hz / other.carrier_hz - 1.0) < 3e-3


def _promising(fits: list[Fit]) -> bool:
    """Whether phase reversal is at least not contradicted by what lies across the phase."""
    if not fits:
        return False
    judged = fitness([run_of(fit) for fit in fits])
    return judged.nats > 0.0 and judged.excess < 0.2 + 4.0 * judged.excess_std and judged.spread < 0.6


def _centre(piece: Piece) -> float:
    return (piece.low_hz + piece.high_hz) / 2.0


def trimmed(piece: Piece, period: float, symbols: int = _SYMBOLS_AT_MOST) -> tuple[int, int]:
    """Start and stop of a piece with some margin, cut down to its middle if it is very long."""
    margin = int(2 * piece.frame + 2 * period)
    start, stop = piece.start - margin, piece.stop + margin
    most = int(symbols * period) + 2 * margin
    if stop - start > most:
        middle = (start + stop) // 2
        start, stop = middle - most // 2, middle + most // 2
    return max(0, start), stop


def _region(record: Record, noise: NoiseFloor, piece: Piece, carrier_hz: float) -> Region:
    """The piece with margins; its noise variance is the same for every model, so that scores compare."""
    conditioner = Conditioner(record, noise, carrier_hz, record.rate_hz / piece.frame)
    return conditioner.region(*trimmed(piece, piece.frame))


def _fit(region: Region, rate_hz: float, model: Model) -> Fit | None:
    turned = turn_back(region.samples, 2.0 * np.pi * model.carrier_hz / rate_hz)
    fit = acquire(region, turned, model.period, longest=_SYMBOLS_AT_MOST)
    if fit is None or fit.count < 4:
        return None
    fit = settle(fit, sharp=model.sharp)
    return fit if fit.count >= 4 else None


def _propose(record: Record, noise: NoiseFloor, piece: Piece, settings: DecodeSettings) -> list[Model]:
    rate = record.rate_hz
    centre = _centre(piece)
    half = (piece.high_hz - piece.low_hz) / 2.0
    region = _region(record, noise, piece, max(centre, rate / 256.0))
    if region.samples.size < 12:
        return []
    if settings.carrier_hz is not None:
        carriers = [settings.carrier_hz]
    else:
        widths = tuple(half * k for k in (0.25, 0.5, 1.0, 2.0))
        lines = squared_lines(region.samples, rate, centre, widths)
        least = max(10.0, 0.2 * lines[0].contrast) if lines else 10.0
        carriers = [line.freq_hz for line in lines if line.contrast > least][:2]
    out = []
    for carrier in carriers:
        fit = _period(region, rate, piece, carrier, settings)
        if fit is not None and fit.omega * fit.period / (2.0 * np.pi) > _FEWEST_CYCLES and fit.omega < np.pi:
            out.append(Model(fit.omega * rate / (2.0 * np.pi), fit.period, fit.turned.sharp))
    return out


def _period(
    region: Region, rate: float, piece: Piece, carrier_hz: float, settings: DecodeSettings
) -> Fit | None:
    """The best fit to a piece over all periods."""
    omega = 2.0 * np.pi * carrier_hz / rate
    turned = turn_back(region.samples, omega)
    true_variance = region.variance
    bins = max(2.0, (piece.high_hz - piece.low_hz) * piece.frame / rate)
    power = max(piece.ratio - 1.0, 0.05) * region.variance * bins * 2.0 / piece.frame
    amplitude = float(np.sqrt(2.0 * power))
    # on a very clean line the likelihood is so rugged that no grid finds its top: look through some fog first
    fog = amplitude * amplitude * piece.frame / (4.0 * _FOGGED_ESN0)
    region = replace(region, variance=max(true_variance, fog))
    if settings.symbol_rate_bd is not None:
        told = rate / settings.symbol_rate_bd
        periods: Floats = told * (1.0 + np.linspace(-0.02, 0.02, 41))
    else:
        # under one cycle a symbol a steady level looks like reversals at every zero crossing
        shortest = max(2.0, piece.frame / 6.0, _FEWEST_CYCLES * rate / carrier_hz)
        if shortest > 4.0 * piece.frame:
            return None
        periods = period_grid(
            shortest, 8.0 * piece.frame, min(region.samples.size, 2 * (piece.stop - piece.start))
        )
    fits: list[Fit] = []
    for sharp in (False, True) if piece.frame <= 16 else (False,):
        leads = _best_timings(turned.sharpened(sharp), periods, region.variance, amplitude)
        for t in leads:
            detuned = omega + 2.0 * np.pi * t.detune
            rough = Fit(
                region, turned.sharpened(sharp), detuned, 0.0, amplitude, t.period, t.start, t.count, t.nats
            )
            y = rough.turned_symbols()
            fits.append(polish(carry(replace(rough, phase=0.5 * float(np.angle(np.sum(y * y)))))))
    if not fits:
        return None
    best = max(fits, key=lambda f: f.nats)
    if settings.symbol_rate_bd is None:
        best = climb(best)
    if region.variance > true_variance:
        best = polish(replace(best, region=replace(region, variance=true_variance)), rounds=5)
    return best


def _best_timings(turned: Turned, periods: Floats, variance: float, amplitude: float) -> list[Timing]:
    """The best timings at clearly different periods, at most two of each octave.

    On a clean line a grid of periods is too coarse for the long ones, which lose to short ones that fit
    nearly as well anyhow: each octave keeps its own.
    """
    timings = [score_period(turned, float(p), variance, amplitude) for p in periods]
    kept: list[Timing] = []
    for t in sorted(timings, key=lambda t: -t.nats):
        if kept and (t.nats < 0.5 * kept[0].nats or len(kept) == 7):
            break
        octave = [o for o in kept if np.floor(np.log2(o.period)) == np.floor(np.log2(t.period))]
        if t.count >= 4 and len(octave) < 2 and all(abs(t.period / o.period - 1.0) > 0.02 for o in octave):
            kept.append(t)
    return kept


def polish(fit: Fit, rounds: int = 4) -> Fit:
    """Period and start together to the maximum of the likelihood, on grids that shrink.

    Over each grid the mean of the likelihood is taken, not its top: where several grid points put the same
    samples into each symbol they are equally good.
    """
    width = 0.3
    for _ in range(rounds):
        fit = settle(fit, rounds=1)
        if fit.count < 3:
            return fit
        steps = np.linspace(-1.0, 1.0, 13) * width
        periods = fit.period * (1.0 + steps / fit.count)
        # the middle of the transmission stays where it is
        starts = (fit.start + fit.count * (fit.period - periods) / 2.0)[:, None] + steps * 0.5 * fit.period
        nats = np.array([timing_nats(fit, starts[i], float(p)) for i, p in enumerate(periods)])
        weight = np.exp(nats - nats.max())
        weight /= weight.sum()
        fit = replace(
            fit,
            nats=float(nats.max()),
            period=float(weight.sum(axis=1) @ periods),
            start=float(np.sum(weight * starts)),
        )
        width /= 3.5
    return settle(fit, rounds=2)


def climb(fit: Fit) -> Fit:
    """Take several symbols for one as long as the likelihood grows: no flip need fall between them."""
    while True:
        options = [_best_merge(fit, many) for many in (2, 3, 5, 7)]
        kept = [m for m in options if m is not None and m.nats > fit.nats]
        if not kept:
            return fit
        fit = max(kept, key=lambda m: m.nats)


def climb_together(fits: list[Fit]) -> int:
    """How many symbols of the fits' period make one, judged over all of them; 1 if none do."""
    whole = 1
    while True:
        now = sum(f.nats for f in fits)
        best: tuple[float, int, list[Fit]] | None = None
        for many in (2, 3, 5, 7):
            merged = [_best_merge(f, many) for f in fits]
            kept = [m for m in merged if m is not None]
            total = sum(m.nats for m in kept)
            if len(kept) == len(fits) and total > now and (best is None or total > best[0]):
                best = (total, many, kept)
        if best is None:
            return whole
        whole *= best[1]
        fits = best[2]


def _best_merge(fit: Fit, many: int) -> Fit | None:
    if fit.count < 2 * many:
        return None
    options = [_merged(fit, many, shift) for shift in range(many)]
    kept = [m for m in options if m is not None]
    return max(kept, key=lambda m: m.nats) if kept else None


def _merged(fit: Fit, many: int, shift: int) -> Fit | None:
    start = fit.start - shift * fit.period
    count = -(-(fit.count + shift) // many)
    merged = replace(fit, period=fit.period * many, start=start, count=count)
    # noise per symbol changes with its length; the amplitude stays
    nats = merged.symbol_nats()
    value, first, last = best_run(nats[None, :])
    if last[0] - first[0] < 2:
        return None
    return replace(
        merged,
        start=start + int(first[0]) * merged.period,
        count=int(last[0] - first[0]),
        nats=float(value[0]),
    )
