"""The quick likelihood of strong transmissions' timing against the one that averages over every symbol."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, true_fits

from dsp.fits import timing_nats
from dsp.strong import STRONG_GAIN, are_strong, strong_timing

LENGTHS = (24, 37, 64)
SHAPES = [(1.0, 9.3), (2.37, 4.4), (6.5, 25.0), (12.71, 7.0), (48.0, 3.1)]


def made_strong(cycles, samples_per_cycle, draw, esn0_db=14.0):
    made = capture(
        LENGTHS,
        draw,
        carrier_hz=RATE_HZ / samples_per_cycle,
        cycles=cycles,
        esn0_db=esn0_db,
        lead_symbols=3.0,
    )
    return true_fits(made)


@pytest.mark.parametrize("sharp", [False, True])
@pytest.mark.parametrize(("cycles", "samples_per_cycle"), SHAPES)
def test_it_is_the_likelihood_near_the_top(cycles, samples_per_cycle, sharp):
    fits = made_strong(cycles, samples_per_cycle, 5)
    fits = replace(fits, turned=fits.turned.sharpened(sharp))
    assert are_strong(fits)
    # two deviations of the timing to either side
    reach = 4.0 / (1.0 + fits.gain**2) * fits.period
    starts = fits.start[:, None] + reach[:, None] * np.linspace(-1.0, 1.0, 15)
    for off in (-0.3, 0.0, 0.3):
        period = fits.period + off * reach / fits.count
        plain = timing_nats(fits, starts, period)
        quick = strong_timing(fits).nats(starts, period)
        weighty = plain > plain.max(axis=1, keepdims=True) - 10.0
        np.testing.assert_allclose(quick[weighty], plain[weighty], rtol=0.0, atol=0.15)


def test_weak_ones_are_not_taken_for_strong():
    fits = made_strong(4.0, 10.0, 6)
    weak = replace(fits, amplitude=fits.amplitude * np.array([1.0, 1.0, 0.9 * STRONG_GAIN / fits.gain[2]]))
    assert are_strong(fits)
    assert not are_strong(weak)
    assert not are_strong(fits.take(np.array([], dtype=int)))
