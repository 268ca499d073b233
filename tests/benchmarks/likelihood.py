"""Symbol period and start by brute force: the greatest likelihood on a grid, for want of a bound.

Edges of rectangular symbols are change points (Hinkley 1970): there is no Cramér-Rao bound, so what the
decoder says is held against the estimator that tries every period and every place. It is told the carrier,
the phase, the amplitude, the noise and the number of symbols; the symbols are averaged out (``log cosh``,
equally likely signs), and so is where each burst lies. With the best place for every burst instead, all
periods that leave the same samples between the same edges are equally likely, and one of them would be
picked by chance: averaging is the stricter yardstick.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dsp.synth import BurstSpec, waveform


@dataclass(frozen=True, eq=False)
class Surface:
    """Log-likelihood of shape (periods, middles); both axes in seconds."""

    periods_s: np.ndarray
    middles_s: np.ndarray
    nats: np.ndarray


@dataclass(frozen=True)
class Estimates:
    """Period of greatest likelihood, and the mean of the posterior, which has the least mean square error."""

    likeliest_s: float
    mean_s: float


def surface(
    samples: np.ndarray,
    rate_hz: float,
    burst: BurstSpec,
    sigma: float,
    periods_s: np.ndarray,
    shifts_s: np.ndarray,
) -> Surface:
    """Every period of ``periods_s`` with the middle of the burst at each of ``shifts_s`` from the true one.

    Period and middle are all but independent, period and start are not.
    """
    count = len(burst.symbols)
    true_period = 1 / burst.symbol_rate_bd
    true_middle = 0.5 * (burst.start_s + burst.end_s)
    middles = true_middle + shifts_s
    reach = 0.5 * count * periods_s.max() + true_period
    first = max(0, int((true_middle - reach) * rate_hz))
    last = min(len(samples), int((true_middle + reach) * rate_hz) + 1)
    endless = _endless(burst, np.arange(first, last) / rate_hz)
    gain = np.concatenate(([0.0], np.cumsum(samples[first:last] * endless))) / sigma**2
    energy = np.concatenate(([0.0], np.cumsum(endless**2))) / sigma**2
    nats = np.empty((len(periods_s), len(middles)))
    for row, period in enumerate(periods_s):
        edges = middles[:, None] + (np.arange(count + 1) - 0.5 * count) * period
        # a sample on the very edge belongs to the symbol that begins there
        at = np.clip(np.ceil(edges * rate_hz - 1e-9).astype(np.int64) - first, 0, len(gain) - 1)
        each = np.abs(np.diff(gain[at], axis=1))
        log_cosh = each + np.log1p(np.exp(-2 * each)) - np.log(2)
        nats[row] = log_cosh.sum(axis=1) - 0.5 * (energy[at[:, -1]] - energy[at[:, 0]])
    return Surface(periods_s, middles, nats)


def _endless(burst: BurstSpec, times_s: np.ndarray) -> np.ndarray:
    """The carrier of the burst, unkeyed and without ends."""
    lead = 2 / burst.symbol_rate_bd
    longer = BurstSpec(
        burst.start_s - lead,
        "1" * (len(burst.symbols) + 4),
        burst.symbol_rate_bd,
        burst.carrier_hz,
        burst.amplitude,
        burst.phase_rad - 2 * np.pi * burst.carrier_hz * lead,
    )
    inside = np.clip(times_s - longer.start_s, 0, longer.end_s - longer.start_s - 1e-12)
    return waveform(longer, inside)


def edge_std_s(esn0_db: float, symbol_rate_bd: float, rate_hz: float) -> float:
    """Roughly what one edge can be known to, only to size the grid: noise, and the step of the samples."""
    noise = 0.35 / symbol_rate_bd / 10 ** (esn0_db / 10)
    return float(np.hypot(noise, 0.3 / rate_hz))


def likeliest_period(
    samples: np.ndarray, rate_hz: float, bursts: Sequence[BurstSpec], sigma: float, esn0_db: float
) -> Estimates:
    """The period that all bursts share, each with a place of its own.

    Every period and place within eight expected deviations of the truth is tried; then what is left of them is
    tried in finer steps, until what is left does not get narrower. The grid is offset at random: edges that
    all fit at once on the truth and nowhere else would favour it.
    """
    rate = bursts[0].symbol_rate_bd
    edge = edge_std_s(esn0_db, rate, rate_hz)
    # a straight line through the edges, half of which are flips
    lever = np.sqrt(sum(len(b.symbols) ** 3 / 24 for b in bursts))
    middle, reach = 1 / rate, 8 * edge / lever
    places = [(0.0, min(8 * edge, 0.5 / rate))] * len(bursts)
    rng = np.random.default_rng(len(samples))
    for _ in range(4):
        axis = _axis(middle, reach, 128, rng)
        found = [
            surface(samples, rate_hz, b, sigma, axis, _axis(*place, 256, rng))
            for b, place in zip(bursts, places, strict=True)
        ]
        total = np.sum([np.logaddexp.reduce(s.nats, axis=1) for s in found], axis=0)
        mean, std = _moments(axis, total)
        best = Estimates(float(axis[np.argmax(total)]), mean)
        if 6 * std > 0.6 * reach:
            break
        middle, reach = mean, 6 * std
        places = [_place(s, total, 0.5 * (b.start_s + b.end_s)) for s, b in zip(found, bursts, strict=True)]
    return best


def _axis(middle: float, reach: float, count: int, rng: np.random.Generator) -> np.ndarray:
    return middle + reach * (2 * (np.arange(count) + rng.uniform()) / count - 1)


def _moments(axis: np.ndarray, nats: np.ndarray) -> tuple[float, float]:
    """Mean and deviation of a posterior on a grid; never below the step of the grid."""
    weight = np.exp(nats - nats.max())
    weight /= weight.sum()
    mean = float(weight @ axis)
    return mean, float(max(np.sqrt(weight @ (axis - mean) ** 2), axis[1] - axis[0]))


def _place(found: Surface, total: np.ndarray, true_middle_s: float) -> tuple[float, float]:
    """Where a burst lies and six deviations of that, the period being as likely as all bursts say."""
    alone = np.logaddexp.reduce(found.nats, axis=1)
    joint = found.nats + (total - alone)[:, None]
    mean, std = _moments(found.middles_s, np.logaddexp.reduce(joint, axis=0))
    return mean - true_middle_s, 6 * std
