"""Carrier and symbol period of transmissions of which nothing is known."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from dsp.candidates import OWN_NATS
from dsp.carrier import CarrierLine, busiest_hz, squared_lines
from dsp.correlate import turn_back
from dsp.extract import Found, Model, extract
from dsp.leads import PARTS_OF_A_LEAD, Leads, centre_hz, energy_seen, leads_of, sources_of
from dsp.link import EXPLAINED
from dsp.merge import climb
from dsp.noise import NoiseFloor
from dsp.quality import Fitness, fitness
from dsp.rate import period_grid, search_period
from dsp.refine import first_fits, polish
from dsp.results import DecodeSettings
from dsp.runs import join, runs_of
from dsp.segment import Piece
from dsp.source import Floats, Record, Watch
from dsp.strip import Strip

_NOTHING_TOLD = DecodeSettings()
_UNWATCHED = Watch()
# share of the energy seen that a model explains that needs no comparing, and the noise it may leave
_CLEAR_SHARE = 0.75
_CLEAR_NOISE = 4.0
# energy over the noise density that tells a period well
_TELLING_ENERGY = 500.0
# but so much of a lead is always looked at
_TELLING_SHARE = 0.45
# symbols that a short piece may have
_SYMBOLS_SOUGHT = 80.0
# and symbol rates, as symbols in the piece, whose bandwidth is tried
_SYMBOLS_IN_BAND = (6.0, 12.0, 24.0, 48.0, 96.0)
_FOGGED_ESN0 = 40.0
_FEWEST_CYCLES = 0.9
_FEWEST_SAMPLES = 16
# natural units of a fit to a lead that is worth counting: the choice among models is judged over all leads
_LEAD_NATS = 8.0


def discover(
    record: Record,
    noise: NoiseFloor,
    pieces: list[Piece],
    settings: DecodeSettings = _NOTHING_TOLD,
    watch: Watch = _UNWATCHED,
) -> Model | None:
    """The model that explains the most telling pieces best; None if nothing does.

    Every lead proposes carriers and periods of its own; each proposal is then scored on all leads.
    """
    leads = leads_of(record, noise, pieces)
    if leads is None:
        return None
    rate = record.rate_hz
    best: tuple[Model, float, Found] | None = None
    promising = False
    earlier: list[Model] = []
    sources = sources_of(leads)
    for i, (piece, lead) in enumerate(sources):
        watch.at(i / len(sources))
        for model in _propose(piece, lead, rate, settings):
            found = extract(
                leads.strip, 2.0 * np.pi * model.carrier_hz / rate, model, _LEAD_NATS, hold_noise=True
            )
            total = _told(found)
            judged = _judged(found)
            if judged is not None and (best is None or total > best[1]):
                best = (replace(model, gain=judged.gain), total, found)
                promising = promising or _promising(judged)
                if _clear(judged, found, _energy(found) / energy_seen(leads)):
                    # every lead is explained beyond doubt: other proposals can only say the same
                    return best[0]
            # once parts of a lead have had their say, too
            agreed = best is not None and i > PARTS_OF_A_LEAD and any(_same(best[0], o) for o in earlier)
            if agreed and best is not None and _same(best[0], model) and promising:
                # two leads say the same
                break
            earlier.append(model)
        else:
            if i > PARTS_OF_A_LEAD and not promising:
                return None
            continue
        break
    return _believed(leads, best, rate) if best is not None and best[1] > 0.0 else None


def _believed(leads: Leads, best: tuple[Model, float, Found], rate_hz: float) -> Model | None:
    """The best model if it explains what was seen, and better than a tone does."""
    model, total, found = best
    seen = energy_seen(leads)
    tone = tone_nats(leads, rate_hz, model.carrier_hz)
    if tone > 0.85 * total and 2.0 * tone > EXPLAINED * seen:
        return replace(model, unmodulated=True)
    judged = _judged(found)
    share = _energy(found) / seen
    return model if judged is not None and share > EXPLAINED and _promising(judged) else None


def _told(found: Found) -> float:
    """Log-likelihood ratio of all symbols against silence, less what noise would gain by as many transmissions."""
    whole = float(np.sum(found.fits.nats)) + 0.5 * float(np.sum(found.windows.nats))
    return whole - OWN_NATS * (len(found) - 1)


def _energy(found: Found) -> float:
    """Energy over the noise density that the transmissions explain: windows overlap by half."""
    scale = found.variance / found.fits.variance if found.fits.variance else 1.0
    short = float(np.sum(found.fits.count * found.fits.gain**2))
    return scale * (short + 0.5 * float(np.sum(found.windows.count * found.windows.gain**2)))


def _judged(found: Found) -> Fitness | None:
    parts = [runs_of(f) for f in (found.fits, found.windows) if len(f)]
    return fitness(join(parts)) if parts else None


def tone_nats(leads: Leads, rate_hz: float, near_hz: float) -> float:
    """Log-likelihood ratio of one tone in each lead against noise, frequency and extent free."""
    total = 0.0
    for number in range(len(leads.pieces)):
        samples = leads.part(number).samples
        n = samples.size
        if n < _FEWEST_SAMPLES:
            continue
        size = 1 << int(np.ceil(np.log2(2 * n)))
        spectrum = np.abs(np.fft.rfft(samples, size))
        hz = np.fft.rfftfreq(size, 1.0 / rate_hz)
        spectrum[(hz < 0.5 * near_hz) | (hz > 1.5 * near_hz)] = 0.0
        omega = 2.0 * np.pi * float(hz[int(np.argmax(spectrum))]) / rate_hz
        step = max(1, n // 256)
        sums = turn_back(samples, omega).sums[::step]
        # any stretch: the largest energy of a difference of running sums over its length
        gap = np.abs(np.arange(sums.size)[:, None] - np.arange(sums.size)[None, :]) * step
        power = np.abs(sums[:, None] - sums[None, :]) ** 2
        total += float(np.max(power / np.maximum(gap, 1))) / leads.strip.variance
    return total


def _clear(judged: Fitness, found: Found, share: float) -> bool:
    """Whether fits leave no room for another model: strong, nothing across the phase, little unexplained, and
    reversals in each."""
    gain = float(np.median(np.concatenate((found.fits.gain, found.windows.gain))))
    return (
        gain * gain > 25.0 * judged.noise
        and judged.noise < _CLEAR_NOISE
        and share > _CLEAR_SHARE
        and judged.nats > 40.0 * len(found)
        and judged.excess < 0.05
        and judged.spread < 0.05
        and judged.flips > 3 * len(found)
    )


def _same(one: Model, other: Model) -> bool:
    """Whether two proposals differ by no more than a single transmission leaves open."""
    return abs(one.period / other.period - 1.0) < 3e-3 and abs(one.carrier_hz / other.carrier_hz - 1.0) < 3e-3


def _promising(judged: Fitness) -> bool:
    """Whether phase reversal is at least not contradicted by what lies across the phase."""
    return judged.nats > 0.0 and judged.excess < 0.2 + 4.0 * judged.excess_std and judged.spread < 0.6


def _propose(piece: Piece, lead: Strip, rate_hz: float, settings: DecodeSettings) -> Iterator[Model]:
    """Models that fit a lead: with what was told, and as it says on its own."""
    if lead.size < _FEWEST_SAMPLES:
        return
    lines = _lines(lead, piece, rate_hz)
    least = max(10.0, 0.15 * lines[0].contrast) if lines else 10.0
    carriers = [line.freq_hz for line in lines if line.contrast > least][:3]
    # what was told is tried first, and what the samples say by themselves as well: it may be wrong
    told = settings.carrier_hz
    if told is not None and piece.low_hz - told < piece.high_hz - piece.low_hz > told - piece.high_hz:
        carriers = [told, *carriers]
    if settings.symbol_rate_bd is not None:
        for carrier in carriers:
            model = _period(lead, rate_hz, piece, carrier, settings)
            if model is not None:
                yield model
    for carrier in carriers:
        model = _period(lead, rate_hz, piece, carrier, _NOTHING_TOLD)
        if model is not None:
            yield model


def _lines(lead: Strip, piece: Piece, rate_hz: float) -> list[CarrierLine]:
    """Lines of the squared lead, band-limited to whatever symbol rates the piece may have.

    Too wide a band lets in noise, which squaring multiplies; the right one is that of the unknown symbol rate.
    """
    half = (piece.high_hz - piece.low_hz) / 2.0
    spans = [(centre_hz(piece), tuple(half * k for k in (0.25, 0.5, 1.0, 2.0)))]
    duration_s = (piece.stop - piece.start) / rate_hz
    spans += [
        (busiest_hz(lead.samples, rate_hz, piece.low_hz, piece.high_hz, width), (width,))
        for width in (symbols / duration_s for symbols in _SYMBOLS_IN_BAND)
        if 2.0 * width < half
    ]
    lines = [
        line for centre, widths in spans for line in squared_lines(lead.samples, rate_hz, centre, widths)
    ]
    lines.sort(key=lambda line: -line.contrast)
    kept: list[CarrierLine] = []
    for line in lines:
        if all(abs(line.freq_hz - other.freq_hz) > 0.5 / duration_s for other in kept):
            kept.append(line)
    return kept


def _telling_part(lead: Strip, piece: Piece) -> Strip:
    """As much of a strong lead as tells the period well, where most energy is: the search grows with its square."""
    share = max(
        _TELLING_SHARE, (piece.stop - piece.start) * _TELLING_ENERGY / max(piece.energy, 1.0) / lead.size
    )
    length = int(max(16 * piece.frame, share * lead.size))
    if length + 4 * piece.frame >= lead.size:
        return lead
    sums = np.concatenate(([0.0], np.cumsum(lead.samples.astype(np.float64) ** 2)))
    first = int(np.argmax(sums[length:] - sums[:-length]))
    start, stop = max(0, first - 2 * piece.frame), min(lead.size, first + length + 2 * piece.frame)
    return replace(lead, samples=lead.samples[start:stop], size=stop - start)


def _period(
    lead: Strip, rate_hz: float, piece: Piece, carrier_hz: float, settings: DecodeSettings
) -> Model | None:
    """The best fit to a lead over all periods."""
    lead = _telling_part(lead, piece)
    omega = 2.0 * np.pi * carrier_hz / rate_hz
    turned = turn_back(lead.samples, omega)
    bins = max(2.0, (piece.high_hz - piece.low_hz) * piece.frame / rate_hz)
    power = max(piece.ratio - 1.0, 0.05) * lead.variance * bins * 2.0 / piece.frame
    amplitude = float(np.sqrt(2.0 * power))
    # on a very clean line the likelihood is so rugged that no grid finds its top: look through some fog first
    fog = amplitude * amplitude * piece.frame / (4.0 * _FOGGED_ESN0)
    variance = max(lead.variance, fog)
    if settings.symbol_rate_bd is not None:
        periods: Floats = rate_hz / settings.symbol_rate_bd * (1.0 + np.linspace(-0.02, 0.02, 41))
    else:
        # under one cycle a symbol a steady level looks like reversals at every zero crossing
        span = min(lead.samples.size, 2 * (piece.stop - piece.start))
        # a short piece may have been found with frames much longer than its symbols
        least = min(piece.frame / 5.0, (piece.stop - piece.start) / _SYMBOLS_SOUGHT)
        shortest = max(2.0, least, _FEWEST_CYCLES * rate_hz / carrier_hz)
        if shortest > 4.0 * piece.frame:
            return None
        periods = period_grid(shortest, 8.0 * piece.frame, span)
    rough = first_fits(search_period(turned, periods, variance, amplitude), turned, variance, amplitude)
    if not len(rough):
        return None
    options = [polish(rough)]
    if piece.frame <= 16:
        options.append(polish(replace(rough, turned=turned.sharpened(True))))
    bests = [fits.take(np.array([int(np.argmax(fits.nats))])) for fits in options if len(fits)]
    if not bests:
        return None
    best = max(bests, key=lambda fits: float(fits.nats[0]))
    if settings.symbol_rate_bd is None:
        best = climb(best)
    if variance > lead.variance:
        best = polish(replace(best, variance=lead.variance), rounds=5)
    if not len(best):
        return None
    found_omega, period = float(best.omega[0]), float(best.period[0])
    if int(best.count[0]) < 4 or not 0.0 < found_omega < np.pi:
        return None
    if found_omega * period / (2.0 * np.pi) <= _FEWEST_CYCLES:
        return None
    return Model(found_omega * rate_hz / (2.0 * np.pi), period, best.turned.sharp)
