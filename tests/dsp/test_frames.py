"""Energies of frames are those of numpy's transform, whichever way they are worked out."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.frames import frame_energy


def transformed(samples: np.ndarray, frame: int, hop: int, weights: np.ndarray) -> np.ndarray:
    """The same by the definition: Hann window, transform, weighted sum of squares."""
    starts = range(0, samples.size - frame + 1, hop)
    frames = np.array([samples[a : a + frame].astype(np.float64) for a in starts])
    spectrum = np.fft.rfft(frames * np.hanning(frame + 1)[:-1], axis=1)
    return (np.abs(spectrum) ** 2) @ weights.astype(np.float64)


@pytest.mark.parametrize(("frame", "hop"), [(16, 8), (64, 128), (256, 128), (4096, 8192)])
@pytest.mark.parametrize("bins", [1, 3, 40])
def test_energies_are_those_of_a_transform(frame, hop, bins):
    rng = np.random.default_rng(frame + bins)
    samples = rng.normal(size=5 * frame + 77).astype(np.float32)
    weights = np.zeros(frame // 2 + 1, np.float32)
    weights[2 : min(2 + bins, frame // 2)] = rng.uniform(0.5, 2.0, min(bins, frame // 2 - 2))
    found = frame_energy(samples, frame, hop, weights)
    np.testing.assert_allclose(found, transformed(samples, frame, hop, weights), rtol=2e-5)


@pytest.mark.parametrize(
    ("dtype", "level"), [(np.int8, 90), (np.uint8, 200), (np.int16, 25_000), (np.uint16, 60_000)]
)
@pytest.mark.parametrize("frame", [64, 16_384])
def test_a_large_level_of_whole_numbers_costs_no_digits(dtype, level, frame):
    noise = np.random.default_rng(1).normal(0.0, 3.0, 4 * frame)
    samples = (level + np.rint(noise)).astype(dtype)
    weights = np.zeros(frame // 2 + 1, np.float32)
    weights[4:7] = 1.0
    found = frame_energy(samples, frame, frame, weights)
    np.testing.assert_allclose(found, transformed(samples, frame, frame, weights), rtol=1e-4)
