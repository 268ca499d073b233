"""Flips by hand and automatic ones that differ by more than their uncertainties are named; no window is needed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from app.gui.comparing import CompareRequest, Comparison, compare
from app.model.corrections import corrected
from app.model.items import FlipMark
from dsp.decoder import decode
from dsp.results import Burst
from dsp.synth import BurstSpec, transmissions

RATE_HZ = 1e6
SYMBOLS = "1101001110110001011001001011100101001101"


def burst() -> Burst:
    """One of 40 symbols at 20 dB, of 8.3 cycles and 104 samples each."""
    sent = BurstSpec(2e-3, SYMBOLS, 9600.0, 9600.0 * 8.3, 1.0, 0.4)
    made = transmissions([sent], RATE_HZ, 9000)
    sigma = np.sqrt(RATE_HZ / (4 * 9600.0) / 100.0)
    noisy = made.samples + np.random.default_rng(8).normal(0, sigma, 9000)
    (found,) = decode(noisy.astype(np.float32), RATE_HZ).bursts
    return found


def compared(found: Burst, times_s: list[float]) -> Comparison:
    marks = tuple(FlipMark(i + 1, 0, time_s) for i, time_s in enumerate(times_s))
    return compare(CompareRequest((corrected(found, marks),), marks, None, None, False))


def test_one_flip_far_from_the_automatic_one_is_apart():
    found = burst()
    edges = [round((t - found.first_symbol_s) * found.symbol_rate_bd) for t in found.flips_s]
    hand = [2e-3 + edge / 9600.0 for edge in edges]
    # of 95 % intervals of two dozen flips, more than five miss less than once in a thousand times
    assert compared(found, hand).apart <= 5
    hand[5] += 0.2 / 9600.0
    shown = compared(found, hand)
    assert shown.count("agreed") == len(edges)
    assert hand[5] in [flip.time_s for flip in shown.flips if flip.apart]
    assert shown.apart <= 6
    # three alone make no grid, and one of the burst's rate: those that are right are not apart
    assert compared(found, hand[:3]).apart == 0
    # nothing is said where the automatic ones have no interval
    assert compared(replace(found, flips_interval_s=()), hand).apart == 0
