"""Linear prediction beyond an end, and what whitening makes of a carrier that a band-pass has cut out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, lfilter, sosfilt

from dsp.activity import whitened
from dsp.continued import continued, prediction_error
from dsp.noise import estimate_noise
from dsp.source import make_record


@pytest.mark.parametrize("draw", range(5))
def test_coefficients_are_those_that_made_the_samples(draw):
    taps = np.array([1.0, -1.6, 0.95])
    made = lfilter([1.0], taps, np.random.default_rng([1, draw]).standard_normal(20_500))[500:]
    # the covariance of a prediction of second order (Kay 1988, 7.6): (1 - a2^2) / n for either coefficient
    std = np.sqrt((1.0 - taps[2] ** 2) / 20_000)
    np.testing.assert_allclose(prediction_error(made, 2), taps, atol=4.5 * std)


@pytest.mark.parametrize("omega", [0.05, 0.31, 1.4, 2.9])
def test_a_tone_goes_on(omega):
    place = np.arange(5_000)
    tone = np.cos(omega * place + 0.4)
    after = continued(tone[:4_000] + 1e-6 * np.random.default_rng(2).standard_normal(4_000), 50)
    np.testing.assert_allclose(after, tone[4_000:4_050], atol=0.02)


@pytest.mark.parametrize("count", [1, 3, 4, 40, 1_000])
def test_what_follows_never_grows(count):
    walk = np.cumsum(np.random.default_rng([3, count]).standard_normal(count))
    after = continued(walk, 3_000)
    assert after.shape == (3_000,)
    assert np.isfinite(after).all()
    assert np.abs(after).max() <= 3.0 * np.abs(walk).max()
    assert not continued(np.zeros(count, dtype=np.float32), 7).any()


@pytest.mark.parametrize("draw", range(6))
def test_whitening_shows_nothing_at_the_ends_of_a_band_that_a_filter_cut_out(draw):
    """Where the band-pass lets nothing through the gain is 60 dB and more: any step made at an end would stand there."""
    rng = np.random.default_rng([4, draw])
    band = sosfilt(
        butter(4, [900.0, 2_600.0], "band", fs=22_050.0, output="sos"), rng.standard_normal(64_000)
    )
    # the filter has settled
    samples = (band[4_000:] * 8_000.0).astype(np.int16)
    record = make_record(samples, 22_050.0, 0.0, 1.0, 0.0, None)
    noise = estimate_noise(record)
    assert noise is not None
    assert float(noise.floor.max() / noise.floor.min()) > 1e3
    white = whitened(record, noise, 0, samples.size).astype(np.float64)
    power = np.abs(np.fft.rfft(white.reshape(-1, 2_000) * np.hanning(2_000), axis=1)[:, 2:60]) ** 2
    # below 660 Hz; some 40 independent values a frame, of mean one
    power = power.mean(axis=1) / power[2:-2].mean()
    assert max(power[0], power[-1]) < 3.0
