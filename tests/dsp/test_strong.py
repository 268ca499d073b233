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


@pytest.mark.parametrize("sharp", [False, True])
@pytest.mark.parametrize(("cycles", "samples_per_cycle"), SHAPES)
def test_tables_say_the_same_for_every_period(cycles, samples_per_cycle, sharp):
    fits = made_strong(cycles, samples_per_cycle, 7)
    fits = replace(fits, turned=fits.turned.sharpened(sharp))
    timing = strong_timing(fits)
    period = float(fits.period[0])
    periods = period * (1.0 + np.linspace(-0.4, 0.4, 7) / max(LENGTHS))
    steps = 0.1 * fits.period[:, None] * np.linspace(-1.0, 1.0, 33)
    found = timing.over(periods, steps)
    assert found.shape == (7, len(fits), 33)
    due = np.array(
        [
            timing.nats((fits.middle - 0.5 * fits.count * p)[:, None] + steps, np.full(len(fits), p))
            for p in periods
        ]
    )
    off = np.abs(found - due) > 2e-3
    # an edge within a hundred thousandth of a sample may count on the sample's other side
    assert np.count_nonzero(off) <= (0.005 * off.size if sharp else 0)


@pytest.mark.parametrize("reach", [0.3, 1.7, 4.0, 30.0])
def test_ideal_points_add_up_alike_whether_few_or_many_are_passed(reach):
    """Few samples to a step are counted one by one, many looked up; both are what each timing by itself comes to."""
    fits = made_strong(6.5, 25.0, 10)
    fits = replace(fits, turned=fits.turned.sharpened(True))
    timing = strong_timing(fits)
    period = float(fits.period[0])
    periods = period + np.linspace(-0.02, 0.02, 5)
    steps = np.array([[1.0], [0.4], [0.7]]) * reach * np.linspace(-1.0, 1.0, 17) + 0.013
    found = timing.over(periods, steps)
    first = fits.middle - 0.5 * fits.count * periods[:, None]
    due = np.array(
        [timing.nats(a[:, None] + steps, np.full(3, p)) for a, p in zip(first, periods, strict=True)]
    )
    # no edge of these draws lies within a hundred thousandth of a sample
    np.testing.assert_allclose(found, due, rtol=0.0, atol=2e-3)


def test_tables_reach_beyond_both_ends_of_the_samples():
    fits = made_strong(6.5, 25.0, 8)
    length = fits.turned.length
    moved = replace(fits, start=np.array([-40.0, fits.start[1], length - 30.0 * fits.period[2]]))
    moved = replace(moved, centre=moved.middle)
    timing = strong_timing(moved)
    period = float(fits.period[0])
    steps = np.tile(np.linspace(-20.0, 20.0, 9), (len(fits), 1))
    (found,) = timing.over(np.array([period]), steps)
    np.testing.assert_allclose(found, timing.of_starts(moved.start[:, None] + steps), rtol=0.0, atol=2e-3)


def test_one_without_symbols_says_nothing():
    fits = made_strong(4.0, 10.0, 9)
    none = replace(fits, count=fits.count * np.array([1, 0, 1]))
    timing = strong_timing(none)
    steps = np.tile(np.linspace(-1.0, 1.0, 5), (len(fits), 1))
    assert np.all(timing.of_starts(none.start[:, None] + steps)[1] == 0.0)
    (found,) = timing.over(fits.period[:1], steps)
    np.testing.assert_allclose(found[1], 0.0, atol=1e-6)
    np.testing.assert_allclose(found[0], timing.of_starts(none.start[:, None] + steps)[0], atol=2e-3)
