"""Squared spectra are those of the definition, however loud one part of a record is beside another."""

from __future__ import annotations

import numpy as np
import pytest
from generators.truths import RATE_HZ, record_of

from dsp.spectra import frame_starts, spectra


@pytest.mark.parametrize(("length", "most"), [(64, 300), (4096, 97), (16_384, 40)])
@pytest.mark.parametrize("times", [1.0, 1e-6, 3e4])
def test_they_are_densities_of_frames_less_level_and_slope(length, most, times):
    rng = np.random.default_rng(length)
    samples = rng.normal(size=400_000) + 3.0
    samples[200_000:] *= times
    record = record_of(samples)
    found = spectra(record, length, most)
    assert found is not None
    power, unit = found
    starts = frame_starts(record, length, most)
    assert power.shape == (len(starts), length // 2 + 1)
    window = np.hanning(length + 1)[:-1]
    ramp = np.arange(length) - (length - 1) / 2.0
    for row in range(0, len(starts), 7):
        frame = samples[starts[row] : starts[row] + length]
        frame = frame - frame.mean()
        frame -= float(frame @ ramp) / float(ramp @ ramp) * ramp
        due = np.abs(np.fft.rfft(frame * window)) ** 2 * 2.0 / (RATE_HZ * np.sum(window**2))
        # single precision, of the largest of a frame's bins
        np.testing.assert_allclose(power[row] * unit, due, rtol=1e-4, atol=1e-6 * float(due.max()))
