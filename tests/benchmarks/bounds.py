"""What theory allows: error rates, sampling intervals, Cramér-Rao bounds, brute-force references."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import special, stats

from dsp.synth import BurstSpec, waveform


def q(x: float) -> float:
    """Gaussian tail probability."""
    return float(0.5 * special.erfc(x / np.sqrt(2)))


def power(decibel: float) -> float:
    return float(10 ** (decibel / 10))


def bpsk_error_rate(esn0_db: float) -> float:
    """Q(sqrt(2 Es/N0)) (Proakis)."""
    return q(np.sqrt(2 * power(esn0_db)))


def differential_error_rate(esn0_db: float) -> float:
    """2 p (1 - p): coherent decisions, of which every one is in two changes (Proakis)."""
    p = bpsk_error_rate(esn0_db)
    return 2 * p * (1 - p)


def detection_error_rate(esn0_db: float) -> float:
    """exp(-Eb/N0) / 2: neighbours compared without a carrier, differential detection of DBPSK (Proakis)."""
    return 0.5 * float(np.exp(-power(esn0_db)))


def end_error_rate(esn0_db: float) -> float:
    """About 3 Q(sqrt(Es / 2 N0)) for each end: one symbol more, or not, of either sign."""
    return 3 * q(np.sqrt(power(esn0_db) / 2))


def loss_db(error_rate: float, esn0_db: float) -> float:
    """How much less Es/N0 an ideal coherent receiver would need for the same error rate."""
    if not 0 < error_rate < 0.5:
        return float("nan")
    x = stats.norm.isf(error_rate)
    return esn0_db - float(10 * np.log10(x * x / 2))


def differential_loss_db(error_rate: float, esn0_db: float) -> float:
    """`loss_db` of the decisions that make ``error_rate`` of the changes wrong."""
    if not 0 < error_rate < 0.5:
        return float("nan")
    return loss_db((1 - float(np.sqrt(1 - 2 * error_rate))) / 2, esn0_db)


def clopper_pearson(hits: int, trials: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a proportion (Clopper and Pearson 1934)."""
    tail = (1 - level) / 2
    low = float(stats.beta.ppf(tail, hits, trials - hits + 1)) if hits else 0.0
    high = float(stats.beta.isf(tail, hits + 1, trials - hits)) if hits < trials else 1.0
    return low, high


def poisson_interval(events: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of the mean number of rare events (Garwood 1936)."""
    tail = (1 - level) / 2
    low = float(stats.chi2.ppf(tail, 2 * events) / 2) if events else 0.0
    return low, float(stats.chi2.isf(tail, 2 * events + 2) / 2)


def mean_square_interval(mean_square: float, count: int, level: float = 0.95) -> tuple[float, float]:
    """Interval of the variance behind ``count`` independent Gaussian errors of known mean zero."""
    tail = (1 - level) / 2
    total = mean_square * count
    return float(total / stats.chi2.isf(tail, count)), float(total / stats.chi2.ppf(tail, count))


def carrier_std_bound_hz(bursts: Sequence[BurstSpec], rate_hz: float, sigma: float) -> float:
    """Cramér-Rao bound of a carrier that the bursts share, each with its own phase and amplitude.

    From the Fisher matrix of the very samples, the symbols and their edges being known; the closed form
    (Rife and Boorstyn 1974) is off by several per cent for short bursts.
    """
    return carrier_and_phase_bounds(bursts, rate_hz, sigma)[0]


def carrier_and_phase_bounds(
    bursts: Sequence[BurstSpec], rate_hz: float, sigma: float
) -> tuple[float, list[float]]:
    """Cramér-Rao bounds of a carrier that the bursts share, in hertz, and of each one's phase in radians.

    The phase is that of the carrier at the middle of the burst, where it is known best. Amplitude and phase
    of each burst and the frequency of all are unknown (exact real Fisher matrix, Kay 1993).
    """
    information, phases = 0.0, []
    for burst in bursts:
        fisher = _fisher(burst, rate_hz, sigma)
        own, coupling = fisher[:2, :2], fisher[:2, 2]
        information += fisher[2, 2] - coupling @ np.linalg.solve(own, coupling)
        phases.append((np.linalg.inv(own)[1, 1], np.linalg.solve(own, coupling)[1]))
    carrier = 1 / information
    return float(np.sqrt(carrier)), [float(np.sqrt(alone + c * c * carrier)) for alone, c in phases]


def _fisher(burst: BurstSpec, rate_hz: float, sigma: float) -> np.ndarray:
    """Information on amplitude, phase at the middle and frequency of one burst, shape (3, 3)."""
    first, last = (int(np.ceil(edge * rate_hz)) for edge in (burst.start_s, burst.end_s))
    times = np.arange(first, last) / rate_hz - burst.start_s
    value = waveform(burst, times)
    quarter = waveform(_quarter_turn(burst), times)
    from_middle = times - 0.5 * (burst.end_s - burst.start_s)
    slopes = np.stack((value / burst.amplitude, quarter, 2 * np.pi * from_middle * quarter))
    return slopes @ slopes.T / sigma**2


def _quarter_turn(burst: BurstSpec) -> BurstSpec:
    return replace(burst, phase_rad=burst.phase_rad + np.pi / 2)


def steady(burst: BurstSpec) -> BurstSpec:
    """The same burst, all symbols ``1``: the carrier that the symbols turn over."""
    return replace(burst, symbols="1" * len(burst.symbols))


def likeliest_flips_s(samples: np.ndarray, rate_hz: float, burst: BurstSpec) -> np.ndarray:
    """Each flip of the burst by brute force: the instant of greatest likelihood, all else being known.

    The samples between the middles of the two symbols are tried as the place of the flip, one by one.
    """
    period = 1 / burst.symbol_rate_bd
    out = []
    for flip in burst.flips_s:
        first, last = (int(np.ceil((flip + side * period / 2) * rate_hz)) for side in (-1, 1))
        times = np.arange(first, last) / rate_hz - burst.start_s
        before = int((flip - burst.start_s) / period - 0.5)
        sign = 1 if burst.symbols[before] == "1" else -1
        gain = sign * samples[first:last] * waveform(steady(burst), times)
        split = np.concatenate(([0.0], np.cumsum(gain)))
        out.append((first + int(np.argmax(split)) - 0.5) / rate_hz)
    return np.array(out)


def matched_log_odds(samples: np.ndarray, rate_hz: float, burst: BurstSpec, sigma: float) -> np.ndarray:
    """Log odds of each symbol being ``1`` for a receiver that knows everything but the symbols."""
    first, last = (int(np.ceil(edge * rate_hz)) for edge in (burst.start_s, burst.end_s))
    times = np.arange(first, last) / rate_hz - burst.start_s
    index = np.clip((times * burst.symbol_rate_bd).astype(int), 0, len(burst.symbols) - 1)
    gain = samples[first:last] * waveform(steady(burst), times)
    return 2 * np.bincount(index, gain, len(burst.symbols)) / sigma**2
