"""Levels that change abruptly under a transmission: what they are taken for, and what is left of them."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.scoring import score
from scipy import signal

from dsp import synth_line as line
from dsp.decoder import decode
from dsp.jumps import without_jumps
from dsp.look import looked_at
from dsp.source import make_record
from dsp.synth import BurstSpec, Samples, amplitude_for, random_symbols, transmissions

RATE_HZ = 1e6
CARRIER_HZ = 72e3
SYMBOL_RATE_BD = 12e3
SIGMA = 0.2


def _bursts(rng: np.random.Generator, count: int = 1) -> list[BurstSpec]:
    amplitude = amplitude_for(18.0, SIGMA, RATE_HZ, SYMBOL_RATE_BD)
    now, out = 20.0 / SYMBOL_RATE_BD, []
    for _ in range(count):
        symbols = random_symbols(40, rng, longest_run=8)
        out.append(BurstSpec(now, symbols, SYMBOL_RATE_BD, CARRIER_HZ, amplitude, rng.uniform(0.0, 6.28)))
        now = out[-1].end_s + rng.uniform(10.0, 40.0) / SYMBOL_RATE_BD
    return out


def _noisy(bursts: list[BurstSpec], rng: np.random.Generator) -> Samples:
    count = int((bursts[-1].end_s + 20.0 / SYMBOL_RATE_BD) * RATE_HZ)
    return transmissions(bursts, RATE_HZ, count).samples + line.noise(count, SIGMA, rng)


@pytest.mark.parametrize("seed", long_but(0, 2, of=range(4)))
@pytest.mark.parametrize("shape", ["square", "irregular", "saw", "slow edges"])
def test_a_burst_under_a_switching_load_eight_times_its_height(seed: int, shape: str) -> None:
    rng = np.random.default_rng([seed, 71])
    bursts = _bursts(rng)
    samples = _noisy(bursts, rng)
    height = 8.0 * bursts[0].amplitude
    n = np.arange(samples.size)
    period = rng.uniform(0.03, 0.3) * samples.size
    place = n / period + rng.uniform()
    if shape == "saw":
        ripple = signal.sawtooth(2.0 * np.pi * place)
    elif shape == "irregular":
        edges = np.sort(rng.uniform(0, samples.size, 14))
        ripple = 2.0 * (np.searchsorted(edges, n) % 2) - 1.0
    else:
        ripple = np.where(place % 1.0 < 0.4, 1.0, -1.0)
    if shape == "slow edges":
        kept = np.exp(-1.0 / 40.0)
        ripple = signal.lfilter([1.0 - kept], [1.0, -kept], ripple)
    assert score(bursts, asdict(decode(samples + 24.0 + height * ripple, RATE_HZ))).complaints() == []


def test_reversals_and_noise_are_no_jumps() -> None:
    rng = np.random.default_rng(72)
    for cycles in (1.0, 1.5, 6.0):
        # the lowest carrier there may be, of the most samples a cycle
        burst = BurstSpec(1e-3, random_symbols(60, rng), 1e4 / cycles, 1e4, 1.0, 0.3)
        clean = transmissions([burst], RATE_HZ, int((burst.end_s + 1e-3) * RATE_HZ)).samples
        record = looked_at(make_record(clean + line.noise(clean.size, 0.05, rng), RATE_HZ))
        assert without_jumps(record) is record
    record = looked_at(make_record(line.noise(1_000_000, 1.0, rng), RATE_HZ))
    assert without_jumps(record) is record


def test_the_level_between_jumps_is_taken_off_whatever_part_is_read() -> None:
    rng = np.random.default_rng(73)
    edges = [4000, 9000, 9700, 30_000]
    level = np.cumsum(np.bincount(edges, [5.0, -3.0, 4.0, -6.0], 40_000))
    samples = level + line.noise(level.size, 0.1, rng)
    record = without_jumps(looked_at(make_record(samples, RATE_HZ)))
    (stays,) = record.known
    whole = samples.astype(np.float32)
    stays.take_off(whole, 0)
    assert np.abs(np.convolve(whole, np.ones(50) / 50.0, "valid")).max() < 0.1
    part = samples[8000:31_000].astype(np.float32)
    stays.take_off(part, 8000)
    assert part == pytest.approx(whole[8000:31_000], abs=1e-5)


def test_two_levels_that_are_what_is_sent_stay_two_levels() -> None:
    rng = np.random.default_rng(74)
    count = 54_000
    levels = np.ones(count)
    now = 0.0
    while now < count - 1000:
        now += 58.0 * rng.exponential(6.0)
        for bit in (0, *rng.integers(0, 2, 8).tolist()):
            levels[int(now) : int(now + 58.0)] = bit
            now += 58.0
    found = decode(levels + line.noise(count, 0.08, rng), RATE_HZ)
    assert found.bursts == ()
    assert found.signalling.kind in ("baseband", "dominant-recessive")


@pytest.mark.parametrize("count", [0, 1, 3, 60, 270])
def test_too_few_samples_have_no_jumps(count: int) -> None:
    rng = np.random.default_rng(count)
    record = make_record(line.noise(count, 1.0, rng), RATE_HZ)
    assert without_jumps(record) is record
