"""What the bursts of a link share, over all of them: symbol period, sample sharing, talkers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.burstfit import Fit, settle, timing_nats
from dsp.source import Floats

_BURSTS_AT_MOST = 40
_BURSTS_FIRST = 8
_FLIP_SHAPE_SAMPLES = 0.3
# below this length of a symbol the likelihood over the period has many tops
_ROUGH_GAIN = 6.0


@dataclass(frozen=True)
class Period:
    """Symbol period in samples, its standard uncertainty, and whether a sample belongs to one symbol only."""

    value: float
    std: float
    sharp: bool


def pooled_period(fits: list[Fit], start: float, sharp: bool) -> Period:
    """The period by the likelihood of all fits together, each one's own timing averaged out.

    The strongest few decide how samples are shared out and where the period lies roughly; more of them then
    refine it.
    """
    best = sorted(fits, key=lambda f: -f.nats)[:_BURSTS_AT_MOST]
    options: list[tuple[float, Period]] = []
    for mode in (False, True) if start < 64.0 else (sharp,):
        own = _settled(best[:_BURSTS_FIRST], start, mode)
        if own:
            options.append(_refine(own, start, mode, 0.4 / max(f.count for f in own)))
    if not options:
        return Period(start, start * 0.01, sharp)
    found = max(options, key=lambda option: option[0])[1]
    if len(best) > _BURSTS_FIRST:
        own = _settled(best, found.value, found.sharp)
        if own:
            wide = max(6.0 * found.std / found.value, 0.2 / max(f.count for f in own))
            found = _refine(own, found.value, found.sharp, wide)[1]
    if found.sharp:
        return found
    # where samples are no ideal points, each flip is known no better than its unknown shape allows
    symbols = sum(f.count for f in best)
    longest = max(f.count for f in best)
    shape = _FLIP_SHAPE_SAMPLES * float(np.sqrt(24.0 / symbols)) / longest
    return replace(found, std=float(np.hypot(found.std, shape)))


def _settled(fits: list[Fit], period: float, sharp: bool) -> list[Fit]:
    own = [settle(replace(f, period=period), rounds=1, sharp=sharp) for f in fits]
    return [f for f in own if f.count >= 3]


def _refine(fits: list[Fit], period: float, sharp: bool, width: float) -> tuple[float, Period]:
    """Mean and spread of the likelihood over periods, from ``width`` (a ratio) on either side downwards.

    Over the period the likelihood is as rough as a random walk. On a coarse grid it is therefore tempered,
    just so much that several points share the weight; the grid then shrinks until no tempering is needed.
    """
    top, std = 0.0, width * period
    for _ in range(12):
        periods = period * (1.0 + np.linspace(-width, width, 17))
        nats = np.sum([_marginal(f, periods) for f in fits], axis=0)
        top = float(nats.max())
        temper = 1.0
        weight = _weights(nats, temper)
        while 1.0 / float(np.sum(weight**2)) < 4.0:
            temper *= 1.5
            weight = _weights(nats, temper)
        period = float(weight @ periods)
        std = float(np.sqrt(weight @ (periods - period) ** 2))
        if temper == 1.0:
            break
        width = 2.2 * std / period
    gain = float(np.median([f.gain for f in fits]))
    if gain < _ROUGH_GAIN:
        period, std = _averaged(fits, period, std, gain)
    return top, Period(period, max(std, 1e-9 * period), sharp)


def _averaged(fits: list[Fit], period: float, std: float, gain: float) -> tuple[float, float]:
    """Mean and spread over a grid fine enough to hold the many tops that a weak likelihood has.

    A flip is known to about ``1.5 / g^2`` of a symbol (Hinkley 1970 gives the ``1 / g^2``).
    """
    flips = 0.5 * sum(f.count for f in fits)
    symbols = float(np.mean([f.count for f in fits]))
    due = period * 1.5 / (gain * gain) * float(np.sqrt(12.0 / flips)) / symbols
    periods = period + np.linspace(-3.5, 3.5, 41) * max(due, std)
    nats = np.sum([_marginal(f, periods) for f in fits[:24]], axis=0)
    weight = _weights(nats, 1.0)
    mean = float(weight @ periods)
    return mean, max(float(np.sqrt(weight @ (periods - mean) ** 2)), 0.5 * due)


def _weights(nats: Floats, temper: float) -> Floats:
    weight = np.exp((nats - nats.max()) / temper)
    return np.asarray(weight / weight.sum())


def _marginal(fit: Fit, periods: Floats) -> Floats:
    """Log-likelihood of each period with the first edge averaged out.

    Along the first edge the likelihood is a random walk: the grid must be fine enough to average over it.
    """
    reach = min(0.5, 4.0 / (1.0 + fit.gain**2)) * fit.period
    if fit.turned.sharp:
        reach = max(reach, 1.5)
    steps = np.linspace(-reach, reach, 121)
    out = np.empty(periods.size)
    for i, period in enumerate(periods.tolist()):
        starts = fit.start + fit.count * (fit.period - period) / 2.0 + steps
        nats = timing_nats(fit, starts, period)
        top = float(nats.max())
        out[i] = top + np.log(np.mean(np.exp(nats - top)))
    return out


def carrier_std(gain: float, count: int, period: float) -> float:
    """Standard uncertainty of a burst's carrier in radians a sample.

    Cramer-Rao bound of a tone of unknown phase (Rife and Boorstyn 1974): ``12 / (2 S)`` over the squared
    length, ``S = N g^2 / 2`` being the energy over the noise density.
    """
    return float(np.sqrt(12.0 / max(count * gain * gain, 1e-9)) / (max(count, 1) * period))


def amplitude_std(amplitude: float, gain: float, count: int) -> float:
    return amplitude / max(1e-9, gain * float(np.sqrt(max(count, 1))))


def group_talkers(amplitude: Floats, amplitude_u: Floats, carrier: Floats, carrier_u: Floats) -> list[int]:
    """Number the talkers: bursts whose amplitude and carrier agree within their uncertainty are one's.

    All arrays have shape (bursts,). Agglomerative: the two closest groups are joined while they agree
    within three standard uncertainties (amplitudes within 4 % count as equal: lines load unevenly).
    """
    logs = np.log(np.maximum(amplitude, 1e-300))
    logs_u = np.hypot(amplitude_u / np.maximum(amplitude, 1e-300), 0.04)
    carrier_u = np.hypot(carrier_u, 1e-5 * np.abs(carrier))
    centres: list[list[float]] = []
    members: list[list[int]] = []
    for i in np.argsort(logs).tolist():
        best, best_distance = -1, 18.0
        for j, (log_c, log_u, car_c, car_u, weight) in enumerate(centres):
            distance = (logs[i] - log_c) ** 2 / (logs_u[i] ** 2 + log_u**2 / weight)
            distance += (carrier[i] - car_c) ** 2 / (carrier_u[i] ** 2 + car_u**2 / weight)
            if distance < best_distance:
                best, best_distance = j, distance
        if best < 0:
            centres.append([float(logs[i]), float(logs_u[i]), float(carrier[i]), float(carrier_u[i]), 1.0])
            members.append([i])
        else:
            members[best].append(i)
            inside = members[best]
            w = 1.0 / carrier_u[inside] ** 2
            centres[best] = [
                float(np.mean(logs[inside])),
                float(np.mean(logs_u[inside])),
                float(np.sum(w * carrier[inside]) / np.sum(w)),
                float(np.mean(carrier_u[inside])),
                float(len(inside)),
            ]
    order = sorted(range(len(members)), key=lambda j: min(members[j]))
    out = [0] * logs.size
    for number, j in enumerate(order):
        for i in members[j]:
            out[i] = number
    return out
