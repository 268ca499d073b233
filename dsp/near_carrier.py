"""What lies near a known carrier, so that its crossings can be told from those that noise makes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dsp.interpolate import Floats

STRONG_NOISE = 0.08
"""Of the amplitude: above it, noise makes crossings of its own or hides those of the carrier."""


@dataclass(frozen=True, eq=False)
class NearCarrier:
    """``noise_gain`` is what the standard deviation of white noise is multiplied by.

    ``widening`` of a period fitted to all crossings, and ``widening_rising`` of one fitted to the rising ones: the noise
    of neighbouring crossings is alike after the filter, so a straight line through many of them is more uncertain than
    independent ones would have it, by ``sqrt(1 + 2 sum rho_k)`` with the correlation ``rho_k`` of crossings ``k``
    apart (the variance of a mean of correlated values; G. E. P. Box, G. M. Jenkins, Time Series Analysis, from memory).
    """

    signal: Floats
    noise_gain: float
    widening: float
    widening_rising: float


def near_carrier(signal: Floats, cycle: float) -> NearCarrier:
    """``signal``, shape (samples,), through a cosine of the carrier under a Hann window of two cycles of ``cycle`` samples.

    The filter is symmetric, so it shifts no crossing; a level, and what is far slower than the carrier, does not pass.
    It averages over two cycles: jitter from cycle to cycle comes out smaller, and a flip is smeared over a cycle.
    """
    reach = max(math.ceil(cycle) - 1, 1)
    at = np.arange(-reach, reach + 1)
    window = 0.5 + 0.5 * np.cos(np.pi * at / cycle)
    turn = np.cos(2 * np.pi * at / cycle)
    kernel = window * turn
    kernel -= window * (kernel.sum() / window.sum())
    kernel /= float(kernel @ turn)
    filtered: Floats = np.convolve(signal, kernel, mode="same")
    return NearCarrier(
        filtered,
        float(np.sqrt(kernel @ kernel)),
        _widening(kernel, cycle / 2),
        _widening(kernel, cycle),
    )


def _widening(kernel: Floats, apart: float) -> float:
    """From the kernel's own correlation at multiples of ``apart`` samples; of crossings in the other direction its sign
    is turned over, as is their slope."""
    correlation = np.correlate(kernel, kernel, mode="full")
    middle = kernel.size - 1
    lags = np.arange(1, math.floor(middle / apart) + 1) * apart
    rho = np.abs(np.interp(lags, np.arange(middle + 1), correlation[middle:])) / correlation[middle]
    return math.sqrt(1 + 2 * float(rho.sum()))
