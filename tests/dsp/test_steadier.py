"""What two phases leave of what is sent is noise, or they are not what is sent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dsp.decoder import decode
from dsp.source import Floats, make_record
from dsp.steadier import is_steadier
from dsp.tones import Tone, Tones

RATE_HZ = 1e6


def two_tones(symbol: float, index: float, sigma: float, rng: np.random.Generator, count: int) -> Floats:
    """The phase runs on from one to the other; ``index`` is their distance in symbol rates."""
    levels = rng.choice((-0.5, 0.5), int(count / symbol) + 1)[(np.arange(count) / symbol).astype(int)]
    phase = 2.0 * np.pi * np.cumsum(0.1921 + index * levels / symbol)
    return np.asarray(np.cos(phase) + sigma * rng.standard_normal(count))


@pytest.mark.parametrize(
    ("symbol", "index", "esn0_db", "count", "entropy"),
    [
        (40.0, 2.0, 9.0, 16_000, [0, 65]),
        (14.3, 1.0, 9.2, 5_720, [22, 67]),
    ],
)
def test_a_shifted_carrier_is_no_weak_reversals(
    symbol: float, index: float, esn0_db: float, count: int, entropy: list[int]
) -> None:
    sigma = float(np.sqrt(symbol / 4.0 / 10.0 ** (esn0_db / 10.0)))
    samples = two_tones(symbol, index, sigma, np.random.default_rng(entropy), count)
    assert decode(samples, RATE_HZ).bursts == ()


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


def test_lines_that_were_taken_off_are_a_part_of_what_is_sent_at_half_symbol_rates_only() -> None:
    """Steady tones that a carrier shifted by its symbol rate has, less all of it that is steady."""
    t = np.arange(20_000)
    turns = 2.0 * np.pi * 0.1921 * t
    signs = np.random.default_rng(64).choice((-1.0, 1.0), 335)[(t / 60.0).astype(int)]
    reversed_ = -np.sin(turns) * signs * np.sin(np.pi * t / 60.0)
    spans, amplitude = np.array([[0.0, 20_000.0]]), np.array([2.0 / np.pi])
    for halves, told in ((1.0, True), (1.2, False)):
        hz = [(0.1921 + side * 0.5 * halves / 60.0) * RATE_HZ for side in (-1.0, 1.0)]
        tones = tuple(Tone(2.0 * np.pi * at / RATE_HZ, 20_000, np.full(2, 0.5 + 0j)) for at in hz)
        steady = sum(0.5 * np.cos(tone.omega * t) for tone in tones)
        record = replace(make_record(reversed_ + steady, RATE_HZ), tones=(Tones(0, 20_000, tones),))
        assert is_steadier(record, spans, amplitude, 0.1921 * RATE_HZ, RATE_HZ / 60.0) is told


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
