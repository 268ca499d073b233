"""Captures of smooth pulses, made apart from `dsp.synth`: raised cosines as filters for no interference make them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from benchmarks.bounds import power, q

from dsp.synth import BurstSpec, random_symbols

RATE_HZ = 1e6
# symbols to either side of its middle that a pulse is made for
_TAIL = 6


def raised_cosine(place: np.ndarray, rolloff: float) -> np.ndarray:
    """``sinc(x) cos(pi r x) / (1 - (2 r x)^2)`` (Proakis, Digital Communications, section 9.2), ``place`` in symbols."""
    under = 1.0 - (2.0 * rolloff * place) ** 2
    edge = np.abs(under) < 1e-9
    whole = np.sinc(place) * np.cos(np.pi * rolloff * place) / np.where(edge, 1.0, under)
    return np.where(edge, np.pi / 4.0 * np.sinc(1.0 / (2.0 * rolloff)), whole)


def end_error_rate(esn0_db: float, rolloff: float) -> float:
    """Of the on-off decision at an end, with the energy ``1 - r / 4`` of a pulse; Es is that of an unbroken carrier."""
    return 3.0 * q(float(np.sqrt(power(esn0_db) * (1.0 - rolloff / 4.0) / 2.0)))


@dataclass(frozen=True, eq=False)
class Smooth:
    """Samples (n,) at `RATE_HZ`, the bursts in them, and the standard deviation of the white noise."""

    samples: np.ndarray
    bursts: tuple[BurstSpec, ...]
    sigma: float


def smooth_capture(
    lengths: tuple[int, ...],
    draw: int,
    rolloff: float,
    *,
    period_samples: float,
    cycles: float,
    esn0_db: float = 14.0,
    gap_symbols: float = 16.0,
) -> Smooth:
    """Bursts of one talker; ``symbol k`` has its middle half a symbol and ``k`` after the start."""
    rng = np.random.default_rng([draw, 77])
    at, placed = 30.0 * period_samples, []
    for length in lengths:
        placed.append((at, random_symbols(length, rng, longest_run=9)))
        at += (length + gap_symbols + rng.uniform(0.0, 20.0)) * period_samples
    samples = np.zeros(int(at + 10.0 * period_samples))
    bursts = []
    for start, text in placed:
        near = np.arange(int(start - 6 * period_samples), int(start + (len(text) + 6) * period_samples))
        place = (near - start) / period_samples - 0.5
        base = np.zeros(near.size)
        for k, symbol in enumerate(text):
            mine = np.abs(place - k) < _TAIL
            base[mine] += (1.0 if symbol == "1" else -1.0) * raised_cosine(place[mine] - k, rolloff)
        phase = rng.uniform(0.0, 2.0 * np.pi)
        samples[near] += base * np.sin(2.0 * np.pi * cycles / period_samples * (near - start) + phase)
        rate_bd = RATE_HZ / period_samples
        bursts.append(BurstSpec(start / RATE_HZ, text, rate_bd, cycles * rate_bd, 1.0, phase))
    sigma = float(np.sqrt(period_samples / 4.0 / power(esn0_db)))
    return Smooth(samples + rng.normal(0.0, sigma, samples.size), tuple(bursts), sigma)
