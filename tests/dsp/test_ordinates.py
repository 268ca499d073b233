"""Independent ordinates against the scatter of averages of noise that was made to have its colour."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.ordinates import coloured_ordinates, equal_ordinates, reach_of


@pytest.mark.parametrize("bins", [33, 129, 513])
def test_of_a_flat_floor_are_those_of_the_power_correlations_of_a_hann_window(bins):
    """Between neighbours 4/9, two apart 1/36 (Welch 1967; Harris 1978)."""
    flat = coloured_ordinates(bins, np.linspace(0.0, 1.0, 900), np.full(900, 3e-9))
    np.testing.assert_allclose(flat, equal_ordinates(bins), rtol=1e-6)


@pytest.mark.parametrize("narrow", [0.002, 0.01])
def test_of_a_narrow_band_are_as_few_as_averages_scatter(narrow):
    """A bin of 256 samples is 0.004 of the rate wide; squared mean over variance of 4096 frames, known to 5 % or so."""
    rng, count = np.random.default_rng(1), 1 << 20
    hz = np.fft.rfftfreq(count)

    def density(at):
        return 1e-4 + 1.0 / (1.0 + ((at - 0.1) / narrow) ** 4)

    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * np.sqrt(density(hz)))
    frames = noise.reshape(-1, 256) * np.hanning(257)[:-1]
    power = np.abs(np.fft.rfft(frames, axis=1)) ** 2
    grid = np.linspace(0.0, 0.5, 2049)
    told = coloured_ordinates(129, grid, density(grid))
    reach = reach_of(129)
    for at in (10, 20, 24, 26, 28, 34, 60):
        mean = power[:, at - reach[at] : at + reach[at] + 1].mean(axis=1)
        assert told[at] == pytest.approx(mean.mean() ** 2 / mean.var(), rel=0.2)
    if narrow < 0.004:
        assert told[26] < 0.6 * equal_ordinates(129)[26]


def test_of_a_floor_however_deep_are_never_less_than_one():
    grid = np.linspace(0.0, 0.5, 2049)
    told = coloured_ordinates(513, grid, np.where(np.abs(grid - 0.2) < 0.001, 1.0, 1e-30))
    assert np.all(np.isfinite(told))
    assert np.all(told >= 1.0)
