"""What two phases leave of what is sent is noise, or they are not what is sent."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.decoder import decode
from dsp.source import Floats, make_record
from dsp.steadier import is_steadier

RATE_HZ = 1e6


def four_phases_by_turns(rng: np.random.Generator) -> Floats:
    """Two axes that are reversed by turns, so that the phase never makes half a turn at once."""
    t = np.arange(60_429)
    one, other = (rng.choice((-1.0, 1.0), 5_600) for _ in range(2))
    turns = 2.0 * np.pi * 0.34 * t
    x = one[(t / 10.98).astype(int)] * np.cos(turns) + other[(t / 10.98 + 0.5).astype(int)] * np.sin(turns)
    return np.asarray(x / np.sqrt(2.0) + 0.43 * rng.standard_normal(t.size))


def two_tones(symbol: float, index: float, sigma: float, rng: np.random.Generator, count: int) -> Floats:
    """The phase runs on from one to the other; ``index`` is their distance in symbol rates."""
    levels = rng.choice((-0.5, 0.5), int(count / symbol) + 1)[(np.arange(count) / symbol).astype(int)]
    phase = 2.0 * np.pi * np.cumsum(0.1921 + index * levels / symbol)
    return np.asarray(np.cos(phase) + sigma * rng.standard_normal(count))


def test_four_phases_by_turns_are_no_weak_reversals() -> None:
    for draw in range(3):
        assert decode(four_phases_by_turns(np.random.default_rng([draw, 61])), RATE_HZ).bursts == ()


@pytest.mark.parametrize("esn0_db", [3.0, 5.0, 8.0])
@pytest.mark.parametrize("symbol", [14.3, 120.0])
def test_reversals_in_noise_leave_noise(esn0_db: float, symbol: float) -> None:
    """With the amplitude they have or ten percent less, in 40 draws each."""
    count = int(300 * symbol)
    t = np.arange(count)
    for draw in range(40):
        rng = np.random.default_rng([draw, 62])
        signs = rng.choice((-1.0, 1.0), 301)[(t / symbol).astype(int)]
        samples = signs * np.cos(2.0 * np.pi * 0.17 * t)
        samples += np.sqrt(symbol / 4.0 / 10.0 ** (esn0_db / 10.0)) * rng.standard_normal(count)
        record = make_record(samples, RATE_HZ)
        spans = np.array([[0.0, float(count)]])
        for amplitude in (1.0, 0.9):
            assert not is_steadier(record, spans, np.array([amplitude]), 0.17 * RATE_HZ, RATE_HZ / symbol)


@pytest.mark.parametrize("index", [0.5, 1.0, 2.0])
def test_half_of_a_shifted_carrier_leaves_the_other_half(index: float) -> None:
    """Taken for two phases on one axis it has half its power there."""
    for draw in range(20):
        rng = np.random.default_rng([draw, 63])
        record = make_record(two_tones(60.0, index, 1.0, rng, 20_000), RATE_HZ)
        spans = np.array([[0.0, 20_000.0]])
        assert is_steadier(record, spans, np.array([0.5]), 0.1921 * RATE_HZ, RATE_HZ / 60.0)


def test_too_little_tells_nothing() -> None:
    record = make_record(np.cos(0.8 * np.arange(300.0)), RATE_HZ)
    assert not is_steadier(
        record, np.array([[0.0, 300.0]]), np.array([0.1]), 0.8 / 2.0 / np.pi * RATE_HZ, 1e4
    )
