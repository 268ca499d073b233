"""What only looks like reversals: other kinds of keying seen at a side lobe, and levels that change in mid-symbol."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.scoring import score

from dsp import synth_line as line
from dsp.decoder import decode
from dsp.synth import BurstSpec, manchester, random_symbols, transmissions

RATE_HZ = 1e6
COUNT = 60_000


@pytest.mark.parametrize("seed", long_but(0, of=range(3)))
@pytest.mark.parametrize("samples_a_bit", [11.3, 23.0, 85.4])
def test_biphase_levels_are_no_reversals_of_one_cycle_a_symbol(seed: int, samples_a_bit: float) -> None:
    rng = np.random.default_rng([seed, 81])
    bits = random_symbols(int(COUNT / samples_a_bit), rng)
    spec = BurstSpec(0.0, manchester(bits), 2.0 * RATE_HZ / samples_a_bit, modulation="baseband")
    clean = transmissions([spec], RATE_HZ, COUNT).samples
    found = decode(clean + line.noise(COUNT, 0.15, rng), RATE_HZ)
    assert found.bursts == ()
    assert found.signalling.kind == "baseband"


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("depth", [0.5, 0.7])
def test_clipped_reversals_of_one_cycle_a_symbol_are_reversals(seed: int, depth: float) -> None:
    rng = np.random.default_rng([seed, 82])
    now, sent = 1e-3, []
    for _ in range(3):
        spec = BurstSpec(now, random_symbols(50, rng, longest_run=9), 25e3, 25e3, 1.0, rng.uniform(0.0, 6.28))
        sent.append(spec)
        now = spec.end_s + 0.6e-3
    samples = transmissions(sent, RATE_HZ, int(now * RATE_HZ)).samples + line.noise(
        int(now * RATE_HZ), 0.1, rng
    )
    found = decode(line.clip(samples, -depth, depth), RATE_HZ)
    assert score(sent, asdict(found)).complaints() == []


@pytest.mark.parametrize("levels", [2, 4])
@pytest.mark.parametrize("seed", long_but(0, of=range(3)))
def test_amplitude_keying_all_the_time_is_not_seen_as_reversals_beside_its_carrier(
    seed: int, levels: int
) -> None:
    rng = np.random.default_rng([seed, levels, 83])
    symbols = rng.integers(0, levels, COUNT // 90 + 1)
    strength = (symbols + (levels > 2)) / (levels - 1 + (levels > 2))
    carrier = np.cos(2.0 * np.pi * 0.081 * np.arange(COUNT))
    samples = carrier * strength[np.arange(COUNT) // 90] + line.noise(COUNT, 0.12, rng)
    found = decode(samples, RATE_HZ)
    assert found.bursts == ()
    assert found.signalling.kind in ("ook", "ask", "undecided")


def test_four_phases_all_the_time_are_not_seen_as_two_of_half_the_rate() -> None:
    for seed in range(3):
        rng = np.random.default_rng([seed, 84])
        phases = 0.5 * np.pi * rng.integers(0, 4, COUNT // 67 + 1)
        turns = 2.0 * np.pi * 0.078 * np.arange(COUNT) + phases[np.arange(COUNT) // 67]
        found = decode(np.cos(turns) + line.noise(COUNT, 0.22, rng), RATE_HZ)
        assert found.bursts == ()
        assert found.signalling.kind in ("qpsk", "undecided")
