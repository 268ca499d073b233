"""Gain and delay with which what two channels share cancels."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.errors import BadInputError
from dsp.filters import delayed
from dsp.pair import fit_pair

COUNT = 100_000


def pair(gain, delay, draw=0, *, opposite=0.5, noise=0.02, count=COUNT):
    """What both share is some ten times what they have opposite: ``b`` has it ``1 / gain`` times and earlier."""
    rng = np.random.default_rng(draw)
    common = 10.0 * np.convolve(rng.standard_normal(count), np.ones(20) / 20, "same")
    signal = np.sin(0.31 * np.arange(count)) * (np.arange(count) // 200 % 3 > 0)
    earlier = delayed(lambda a, b: common[a:b], 0, count, (0, count), -delay)
    a = 24.0 + common + opposite * signal + noise * rng.standard_normal(count)
    b = 12.0 + (earlier - opposite * signal) / gain + noise * rng.standard_normal(count)
    return a, b, common


@pytest.mark.parametrize(
    ("gain", "delay"), [(1.0, 0.0), (0.93, 2.37), (1.2, -5.5), (-0.8, 0.4), (1.0, 300.25)]
)
def test_what_is_shared_cancels(gain, delay):
    a, b, common = pair(gain, delay)
    fit = fit_pair(a, b)
    assert fit.gain == pytest.approx(gain, rel=0.01)
    assert fit.delay_samples == pytest.approx(delay, abs=0.05)
    left = a - fit.gain * delayed(lambda i, j: b[i:j], 0, COUNT, (0, COUNT), fit.delay_samples)
    inner = slice(1000, -1000)
    share = np.dot(left[inner] - left[inner].mean(), common[inner]) / np.dot(common[inner], common[inner])
    # a match of one percent is what ten times more common mode than signal needs
    assert abs(share) < 0.01


def test_what_is_opposite_does_not_bias_the_gain():
    """Plain least squares would be off by twice the square of the ratio of the two (errors in variables)."""
    a, b, _ = pair(1.0, 0.0, 3, opposite=1.5)
    plain = np.dot(a - a.mean(), b - b.mean()) / np.dot(b - b.mean(), b - b.mean())
    assert plain < 0.8
    assert fit_pair(a, b).gain == pytest.approx(1.0, rel=5e-3)


def test_the_uncertainty_is_that_of_repeated_fits():
    fits = [fit_pair(*pair(0.97, 1.3, draw, opposite=0.0, noise=0.5)[:2]) for draw in range(40)]
    for value, std in (("gain", "gain_std"), ("delay_samples", "delay_std_samples")):
        seen = np.std([getattr(f, value) for f in fits], ddof=1)
        said = np.sqrt(np.mean([getattr(f, std) ** 2 for f in fits]))
        # chi distribution with 39 degrees of freedom, and what each says from 7: within a half at 99.9 %
        assert 0.6 < said / seen < 1.6


def test_of_a_short_record_no_uncertainty_is_made_up():
    a, b, _ = pair(1.0, 0.0, count=3000)
    assert fit_pair(a, b).gain_std is None


@pytest.mark.parametrize(
    ("a", "b"),
    [
        (np.zeros(10), np.zeros(10)),
        (np.zeros(1000), np.zeros(999)),
        (np.full(1000, 24.0), np.sin(np.arange(1000.0))),
    ],
)
def test_channels_that_cannot_be_paired(a, b):
    with pytest.raises(BadInputError):
        fit_pair(a, b)
