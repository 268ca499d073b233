"""Carrier and symbol period of transmissions of which nothing is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from dsp.correlate import turn_back
from dsp.extract import Found, Model, extract
from dsp.leads import PARTS_OF_A_LEAD, Leads, energy_seen, leads_of, sources_of, whole_pieces
from dsp.link import EXPLAINED
from dsp.noise import NoiseFloor
from dsp.on_off import OWN_NATS
from dsp.propose import RIVALS, are_same, come_close, propose
from dsp.quality import Fitness, fitness
from dsp.results import DecodeSettings
from dsp.runs import join, runs_of
from dsp.segment import Piece
from dsp.source import Record, Watch
from dsp.strip import Strip

_NOTHING_TOLD = DecodeSettings()
_UNWATCHED = Watch()
# share of the energy seen that a model explains that needs no comparing, and the noise it may leave
_CLEAR_SHARE = 0.75
_CLEAR_NOISE = 4.0
_FEWEST_SAMPLES = 16
# natural units of a fit to a lead that is worth counting: the choice among models is judged over all leads
_LEAD_NATS = 8.0


def discover(
    record: Record,
    noise: NoiseFloor,
    pieces: list[Piece],
    settings: DecodeSettings = _NOTHING_TOLD,
    watch: Watch = _UNWATCHED,
    in_vain: Callable[[], bool] | None = None,
) -> Model | None:
    """The model that explains the most telling pieces best; None if nothing does.

    Every lead proposes carriers and periods of its own; each proposal is then scored on all leads. Once the first leaves
    doubt it is asked whether all are ``in_vain``.
    """
    leads = leads_of(record, noise, pieces)
    if leads is None:
        return None
    rate = record.rate_hz
    best: tuple[Model, float, Found] | None = None
    promising = False
    earlier: list[Model] = []
    scored: list[tuple[Model, float, Found]] = []
    sources = sources_of(leads)
    whole = whole_pieces(record, noise, pieces)
    for i, (piece, lead) in enumerate(sources):
        watch.at(i / len(sources))
        for model in propose(piece, lead, rate, settings, whole):
            found = extract(
                leads.strip, 2.0 * np.pi * model.carrier_hz / rate, model, _LEAD_NATS, hold_noise=True
            )
            total = _told(found)
            judged = _judged(found)
            if judged is not None:
                scored.append((replace(model, gain=judged.gain), total, found))
            if judged is not None and (best is None or total > best[1]):
                best = scored[-1]
                promising = promising or _promising(judged)
                if _clear(judged, found, _energy(found) / energy_seen(leads)):
                    # every lead is explained beyond doubt: other proposals can only say the same
                    return best[0]
            # once parts of a lead have had their say, too
            agreed = best is not None and i > PARTS_OF_A_LEAD and any(are_same(best[0], o) for o in earlier)
            if agreed and best is not None and are_same(best[0], model) and promising:
                # two leads say the same
                break
            earlier.append(model)
        else:
            if i > PARTS_OF_A_LEAD and not promising:
                return None
            if i == 0 and in_vain is not None and in_vain():
                return None
            continue
        break
    if best is None or best[1] <= 0.0:
        return None
    return _believed(leads, _likeliest(leads, best, scored, rate), rate)


def _likeliest(
    leads: Leads, best: tuple[Model, float, Found], scored: list[tuple[Model, float, Found]], rate_hz: float
) -> tuple[Model, float, Found]:
    """The model of greatest likelihood at the noise that the best one so far leaves, if others come close to it.

    The floor under a single transmission holds a part of it: held against too much noise, models differ by less.
    """
    close: list[tuple[Model, float, Found]] = [best]
    for one in sorted(scored, key=lambda one: -one[1]):
        if come_close(one[1], best[1]) and not any(are_same(one[0], other[0]) for other in close):
            close.append(one)
    if len(close) == 1:
        return best

    def found_with(model: Model, strip: Strip, *, hold: bool) -> Found:
        return extract(strip, 2.0 * np.pi * model.carrier_hz / rate_hz, model, _LEAD_NATS, hold_noise=hold)

    strip = leads.strip.with_variance(found_with(best[0], leads.strip, hold=False).variance)
    return max(close[: 1 + RIVALS], key=lambda one: _told(found_with(one[0], strip, hold=True)))


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


def _promising(judged: Fitness) -> bool:
    """Whether phase reversal is at least not contradicted by what lies across the phase."""
    return judged.nats > 0.0 and judged.excess < 0.2 + 4.0 * judged.excess_std and judged.spread < 0.6
