"""Half cycles of a weak carrier by the phase of its square, against the flips that were made."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.carrier_nearby import nearby_carrier_hz
from dsp.carrier_phase import tracked_half_cycles

PERIOD = 6.1  # samples a cycle
CYCLES = 6  # a symbol


def keyed(seed: int, over_noise: float, ripple: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Samples of a keyed carrier of amplitude one in noise, and the samples at which it is turned over."""
    rng = np.random.default_rng(seed)
    signs = rng.choice([-1.0, 1.0], 30)
    at = np.arange(int(30 * CYCLES * PERIOD))
    phase = at / PERIOD
    wave = signs[np.minimum((phase // CYCLES).astype(int), 29)] * np.sin(2 * np.pi * phase)
    wave += ripple * np.sign(np.sin(2 * np.pi * at / 171.3))
    return wave + rng.normal(size=at.size) / over_noise, (
        np.flatnonzero(np.diff(signs)) + 1
    ) * CYCLES * PERIOD


@pytest.mark.parametrize(("over_noise", "ripple"), [(3.0, 0.0), (2.0, 0.0), (2.0, 2.5)])
def test_flips_of_a_weak_carrier_are_met_and_told(over_noise, ripple):
    met = told = flips = 0
    for seed in range(10):
        values, edges = keyed(seed, over_noise, ripple)
        found = tracked_half_cycles(values, 1.005 / PERIOD)
        assert found is not None
        near = np.abs(found.positions[:, None] - edges) < PERIOD / 8
        met += int(near.any(axis=0).sum())
        told += int((near & found.turned[:, None]).any(axis=0).sum())
        flips += edges.size
    assert met > 0.97 * flips
    assert told > 0.8 * flips


def test_a_carrier_without_flips_turns_nowhere():
    at = np.arange(800)
    found = tracked_half_cycles(np.cos(2 * np.pi * at / PERIOD), 1 / PERIOD)
    assert found is not None
    assert not found.turned.any()
    inner = found.positions[(found.positions > 20) & (found.positions < 780)]
    # a cosine passes zero a quarter of a cycle after each half
    np.testing.assert_allclose(np.remainder(inner / PERIOD - 0.25 + 0.1, 0.5), 0.1, atol=2e-3)


def test_noise_alone_has_few_places_and_nothing_is_made_of_too_little():
    rng = np.random.default_rng(5)
    found = tracked_half_cycles(rng.normal(size=4000), 1 / PERIOD)
    assert found is not None
    assert len(found) < 0.5 * 2 * 4000 / PERIOD
    assert tracked_half_cycles(rng.normal(size=20), 1 / PERIOD) is None
    assert tracked_half_cycles(np.full(800, np.nan), 1 / PERIOD) is None
    assert tracked_half_cycles(rng.normal(size=800), 0.45) is None


def test_the_carrier_of_a_burst_is_found_without_a_decode():
    rng = np.random.default_rng(7)
    values = rng.normal(size=16_384) / 2.5
    values[5000 : 5000 + 1098] += keyed(3, 1e9)[0]
    found = nearby_carrier_hz(values, 1e6)
    assert found == pytest.approx(1e6 / PERIOD, rel=0.005)
    assert nearby_carrier_hz(rng.normal(size=16_384), 1e6) is None
    assert nearby_carrier_hz(np.zeros(16_384), 1e6) is None
    assert nearby_carrier_hz(rng.normal(size=100), 1e6) is None
