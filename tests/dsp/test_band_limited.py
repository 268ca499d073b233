"""The band-limited curve against the waveform that was sampled and against scipy's resampling."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import resample_poly

from dsp.errors import BadInputError
from dsp.interpolate import BAND_LIMITED_REACH, band_limited


@pytest.mark.parametrize("share", [0.02, 0.3, 0.77, 0.9])
@pytest.mark.parametrize("steps", [2, 5, 64])
def test_a_tone_comes_out_as_it_was_before_sampling(share, steps):
    """``share`` of half the sample rate; the reference is the tone itself at the finer times."""
    places = np.arange(399 * steps + 1) / steps
    tone = np.sin(np.pi * share * places + 0.4)
    curve = band_limited(tone[::steps], steps)
    inside = slice(BAND_LIMITED_REACH * steps, -BAND_LIMITED_REACH * steps)
    assert curve.shape == tone.shape
    assert np.abs(curve - tone)[inside].max() < 2e-4  # 80 dB would be 1e-4 of the peak


def test_samples_stay_to_the_last_digit():
    values = np.random.default_rng(1).normal(size=100)
    np.testing.assert_array_equal(band_limited(values, 7)[::7], values)


def test_agrees_with_scipy_resampling():
    rng = np.random.default_rng(2)
    values = np.convolve(rng.normal(size=400), np.hanning(9), mode="same")
    other = resample_poly(values, 4, 1, window=("kaiser", 8.0))[: 4 * 399 + 1]
    inside = slice(400, -400)
    assert np.abs(band_limited(values, 4) - other)[inside].max() < 5e-3 * np.abs(values).max()


def test_shows_the_peak_between_two_samples():
    """Four samples a cycle, none at the peak: straight lines lose 3 dB."""
    tone = np.sin(np.pi / 2 * np.arange(200) + np.pi / 4)
    assert np.abs(tone).max() == pytest.approx(np.sqrt(0.5))
    assert np.abs(band_limited(tone, 8)[400:-400]).max() == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("count", [2, 3, 31, 33, 65])
def test_a_level_stays_a_level_however_short(count):
    np.testing.assert_allclose(band_limited(np.full(count, 2.5), 16), 2.5, rtol=1e-12)
    assert band_limited(np.full(count, 2.5), 16).shape == ((count - 1) * 16 + 1,)


def test_nothing_is_made_up_next_to_nan():
    values = np.sin(np.arange(200.0))
    values[100] = np.nan
    curve = band_limited(values, 4)
    assert np.isnan(curve[99 * 4 + 1 : 101 * 4]).all()
    near = slice(90 * 4, 99 * 4 + 1)
    straight = np.interp(
        np.arange(90 * 4, 99 * 4 + 1) / 4, np.arange(200), np.where(np.isnan(values), 0, values)
    )
    np.testing.assert_allclose(curve[near], straight, atol=1e-12)
    assert np.isfinite(np.delete(curve, np.arange(99 * 4 + 1, 101 * 4))).all()


def test_refuses_no_points():
    with pytest.raises(BadInputError):
        band_limited(np.zeros(4), 0)
    with pytest.raises(BadInputError):
        band_limited(np.zeros((2, 2)), 2)
