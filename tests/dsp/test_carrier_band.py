"""The filter that frees a carrier of noise and of a moving level, without moving its crossings and flips."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from dsp.carrier_band import in_carrier_band
from dsp.half_cycles import find_half_cycles
from dsp.interpolate import find_crossings

PERIOD = 6.13  # samples a cycle


def keyed(
    rng: np.random.Generator, symbols: int, cycles: int, period: float
) -> tuple[np.ndarray, np.ndarray]:
    """A carrier turned over at zero crossings, shape (samples,), and the places of its flips."""
    signs = rng.choice([-1.0, 1.0], symbols)
    phase = np.arange(round(symbols * cycles * period)) / period
    wave = signs[np.minimum((phase // cycles).astype(int), symbols - 1)] * np.sin(2 * np.pi * phase)
    return wave, (np.flatnonzero(np.diff(signs)) + 1) * cycles * period


@pytest.mark.parametrize("carrier", [None, 1 / PERIOD])
def test_crossings_of_a_sine_stay_where_they_are(carrier):
    at = np.arange(2000)
    values = 24.0 + np.sin(2 * np.pi * at / PERIOD + 0.3)
    band = in_carrier_band(values, 0.0, carrier=carrier)
    found = find_crossings(band.values, hysteresis=0.2).positions[5:-5]
    true = (np.arange(700) - 0.3 / np.pi) * PERIOD / 2
    assert found.size > 600
    assert np.abs(found[:, None] - true).min(axis=1).max() < 0.02 * PERIOD
    assert band.amplitude == pytest.approx(1.0, rel=0.02)
    assert band.period == pytest.approx(PERIOD, rel=0.005)


def test_the_noise_that_is_left_is_what_is_left_of_noise():
    # a carrier so weak that only noise counts; gain and level by scipy's response of what comes of an impulse
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 0.5, 1 << 16)
    band = in_carrier_band(noise, 0.49, carrier=1 / PERIOD)
    assert np.std(band.values) / 0.5 == pytest.approx(band.noise / 0.49, rel=0.02)
    impulse = np.zeros(401)
    impulse[200] = 1.0
    taps = in_carrier_band(impulse, 0.0, carrier=1 / PERIOD).values
    _, gain = signal.freqz(taps - taps[0], worN=[0.0, 2 * np.pi / PERIOD])
    assert abs(gain[0]) < 1e-9
    assert abs(gain[1]) == pytest.approx(1.0, rel=1e-6)
    assert 0.49 * np.sqrt(np.sum((taps - taps[0]) ** 2)) == pytest.approx(band.noise, rel=1e-6)


def test_signals_without_a_carrier_are_left_alone():
    rng = np.random.default_rng(5)
    noisy = 0.3 * rng.normal(size=4000)
    levels = np.repeat(rng.choice([0.0, 1.0], 200), 20)
    assert in_carrier_band(levels + noisy, 0.3) is None
    assert in_carrier_band(np.full(4000, 7.0), 0.0) is None
    assert in_carrier_band(noisy, 0.3) is None
    missing = np.sin(np.arange(4000.0))
    missing[77] = np.nan
    assert in_carrier_band(missing, 0.0, carrier=1 / (2 * np.pi)) is None


@pytest.mark.parametrize("ripple", [0.0, 3.0])
def test_flips_of_a_weak_carrier_are_met_on_a_moving_level(ripple):
    rng = np.random.default_rng(7)
    met = bare = total = 0
    for _ in range(6):
        wave, flips = keyed(rng, 60, 5, PERIOD)
        at = np.arange(wave.size)
        values = wave + ripple * signal.sawtooth(2 * np.pi * at / 170) + rng.normal(0, 1 / 3, wave.size)
        band = in_carrier_band(values, 1 / 3, carrier=1 / PERIOD)
        found = find_half_cycles(band.values, hysteresis=0.2, noise=band.noise).positions
        plain = find_half_cycles(values, hysteresis=0.2, noise=1 / 3).positions
        near = PERIOD / 8
        met += sum(np.abs(found - flip).min() < near for flip in flips)
        bare += sum(np.abs(plain - flip).min() < near for flip in flips)
        total += flips.size
    assert met / total > 0.9
    if ripple:
        assert bare / total < 0.6
