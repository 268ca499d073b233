"""What the transmissions of a link share, over all of them: symbol period, sample sharing, talkers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.fits import Fits, settle, timing_nats
from dsp.source import Floats

_BURSTS_AT_MOST = 128
_BURSTS_FIRST = 12
_STARTS = 21
_PERIODS = 13
# grids over the period with all transmissions, and with the first few
_ROUNDS_ALL = 2
_ROUNDS_FIRST = 12
_FLIP_SHAPE_SAMPLES = 0.3
# below this length of a symbol the likelihood over the period has many tops
_ROUGH_GAIN = 6.0


@dataclass(frozen=True)
class Period:
    """Symbol period in samples, its standard uncertainty, and whether a sample belongs to one symbol only."""

    value: float
    std: float
    sharp: bool

    def grid(self) -> Floats:
        """Periods around this one over which more transmissions can be pooled."""
        return self.value + self.std * np.linspace(-4.0, 4.0, 17)

    def weighed(self, periods: Floats, nats: Floats) -> Period:
        """Mean and spread over ``periods`` (p,) of the log-likelihoods ``nats`` (p,) of many transmissions."""
        weight = _weights(nats, 1.0)
        mean = float(weight @ periods)
        std = float(np.sqrt(weight @ (periods - mean) ** 2))
        # between neighbours of the grid nothing is known
        return replace(self, value=mean, std=max(std, 0.3 * float(periods[1] - periods[0])))


def pooled_period(fits: Fits, start: float, sharp: bool, std: float | None = None) -> Period:
    """The period by the likelihood of all fits together, each one's own timing averaged out.

    The strongest few decide how samples are shared out and where the period lies roughly, unless that is known to
    ``std`` already; more of them then refine it.
    """
    best = fits.take(np.argsort(-fits.nats, kind="stable")[:_BURSTS_AT_MOST])
    if std is None:
        few = best.take(np.arange(min(len(best), _BURSTS_FIRST)))
        options: list[tuple[float, Period]] = []
        for mode in (False, True) if start < 64.0 else (sharp,):
            own = _settled(few, start, mode)
            if len(own):
                options.append(_refine(own, start, mode, 0.4 / float(own.count.max()), _ROUNDS_FIRST))
        if not options:
            return Period(start, start * 0.01, sharp)
        found = max(options, key=lambda option: option[0])[1]
    else:
        found = Period(start, std, sharp)
    if len(best) > _BURSTS_FIRST or std is not None:
        own = _settled(best, found.value, found.sharp)
        if len(own):
            found = _refine(own, found.value, found.sharp, 3.5 * found.std / found.value, _ROUNDS_ALL)[1]
    if found.sharp:
        return found
    # where samples are no ideal points, each flip is known no better than its unknown shape allows
    shape = _FLIP_SHAPE_SAMPLES * float(np.sqrt(24.0 / best.count.sum())) / float(best.count.max())
    return replace(found, std=float(np.hypot(found.std, shape)))


def _settled(fits: Fits, period: float, sharp: bool) -> Fits:
    middle = fits.middle
    rough = replace(
        fits,
        turned=fits.turned.sharpened(sharp),
        period=np.full(len(fits), period),
        start=middle - 0.5 * fits.count * period,
    )
    own = settle(rough, width=0.1)
    return own.take(own.count >= 3)


def _refine(fits: Fits, period: float, sharp: bool, width: float, rounds: int) -> tuple[float, Period]:
    """Mean and spread of the likelihood over periods, from ``width`` (a ratio) on either side downwards.

    Over the period the likelihood is as rough as a random walk. On a coarse grid it is therefore tempered,
    just so much that several points share the weight; the grid then shrinks until no tempering is needed.
    """
    top, std = 0.0, width * period
    for _ in range(rounds):
        periods = period * (1.0 + np.linspace(-width, width, _PERIODS))
        nats = marginal(fits, periods).sum(axis=1)
        top = float(nats.max())
        temper = 1.0
        weight = _weights(nats, temper)
        while 1.0 / float(np.sum(weight**2)) < 3.0:
            temper *= 1.5
            weight = _weights(nats, temper)
        period = float(weight @ periods)
        std = float(np.sqrt(weight @ (periods - period) ** 2))
        if temper == 1.0:
            break
        width = 2.2 * std / period
    gain = float(np.median(fits.gain))
    if gain < _ROUGH_GAIN:
        period, std = _averaged(fits, period, std, gain)
    return top, Period(period, max(std, 1e-9 * period), sharp)


def _averaged(fits: Fits, period: float, std: float, gain: float) -> tuple[float, float]:
    """Mean and spread over a grid fine enough to hold the many tops that a weak likelihood has.

    A flip is known to about ``1.5 / g^2`` of a symbol (Hinkley 1970 gives the ``1 / g^2``).
    """
    flips = 0.5 * float(fits.count.sum())
    symbols = float(np.mean(fits.count))
    due = period * 1.5 / (gain * gain) * float(np.sqrt(12.0 / flips)) / symbols
    periods = period + np.linspace(-3.5, 3.5, 31) * max(due, std)
    nats = marginal(fits, periods).sum(axis=1)
    weight = _weights(nats, 1.0)
    mean = float(weight @ periods)
    return mean, max(float(np.sqrt(weight @ (periods - mean) ** 2)), 0.5 * due)


def _weights(nats: Floats, temper: float) -> Floats:
    weight = np.exp((nats - nats.max()) / temper)
    return np.asarray(weight / weight.sum())


def marginal(fits: Fits, periods: Floats) -> Floats:
    """Log-likelihood (p, b) of each period for each transmission, its first edge averaged out.

    Along the first edge the likelihood is a random walk: the grid must be fine enough to average over it.
    """
    reach = np.minimum(0.5, 4.0 / (1.0 + fits.gain**2)) * fits.period
    if fits.turned.sharp:
        reach = np.maximum(reach, 1.5)
    steps = reach[:, None] * np.linspace(-1.0, 1.0, _STARTS)
    middle = fits.middle
    out = np.empty((periods.size, len(fits)))
    for i, period in enumerate(periods.tolist()):
        starts = (middle - 0.5 * fits.count * period)[:, None] + steps
        nats = timing_nats(fits, starts, np.full(len(fits), period))
        top = nats.max(axis=1)
        out[i] = top + np.log(np.mean(np.exp(nats - top[:, None]), axis=1))
    return out


def carrier_std(gain: Floats, count: Floats, period: Floats) -> Floats:
    """Standard uncertainty of carriers in radians a sample.

    Cramer-Rao bound of a tone of unknown phase (Rife and Boorstyn 1974): ``12 / (2 S)`` over the squared
    length, ``S = N g^2 / 2`` being the energy over the noise density.
    """
    count = np.maximum(count, 1)
    return np.asarray(np.sqrt(12.0 / np.maximum(count * gain * gain, 1e-9)) / (count * period))


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
