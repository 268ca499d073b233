"""A tone at the carrier: a part of what is sent if all of that has its phase, and a disturbance if not."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest
from generators.scoring import score
from generators.truths import RATE_HZ, capture

from dsp import decode
from dsp import synth_line as line


@pytest.mark.parametrize("draw", range(4))
@pytest.mark.parametrize("height", [0.8, 4.0])
def test_a_tone_right_at_the_carrier_harms_nothing(draw: int, height: float) -> None:
    made = capture(tuple(np.random.default_rng(draw).integers(24, 65, 8)), draw, cycles=8.0, gap_symbols=20.0)
    tone = line.tone(len(made.samples), RATE_HZ, made.bursts[0].carrier_hz, height, 0.7)
    assert score(made.bursts, asdict(decode(made.samples + tone, RATE_HZ))).complaints() == []


@pytest.mark.parametrize("draw", range(4))
@pytest.mark.parametrize("depth", [0.75, 0.95])
def test_a_carrier_keyed_about_the_height_it_rests_at_is_no_reversal(draw: int, depth: float) -> None:
    rng = np.random.default_rng(draw)
    period = 150
    rests = [np.zeros(int(rng.integers(20, 60))) for _ in range(6)]
    parts = [np.concatenate((rest, 2.0 * rng.integers(0, 2, 40) - 1.0)) for rest in rests]
    keyed = np.repeat(np.concatenate((*parts, np.zeros(30))), period)
    carrier = np.cos(2.0 * np.pi * 0.0413 * np.arange(keyed.size) + rng.uniform(0.0, 6.28))
    samples = (1.0 + depth * keyed) * carrier + line.noise(keyed.size, 0.8, rng)
    found = decode(samples, RATE_HZ)
    assert not found.bursts
    assert found.signalling.kind != "bpsk"
