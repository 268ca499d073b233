"""The symbol rate of a talker beside others whose clocks differ."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.decoder import decode
from dsp.synth import BurstSpec, random_symbols, transmissions

RATE_HZ = 1.25e6
CARRIERS_HZ = (203_710.0, 203_548.0, 203_984.0)
AMPLITUDES = (0.8, 0.46, 0.27)
CYCLES = 6.5


@pytest.mark.parametrize("draw", [1, 3, 5, 8])
def test_no_talkers_rate_is_drawn_towards_that_of_others(draw):
    """Three talkers that count the cycles of their own carriers, 0.08 % and 0.13 % apart."""
    rng = np.random.default_rng(draw)
    now, sent = 1e-3, []
    for _ in range(45):
        talker = int(rng.choice(3, p=[0.5, 0.25, 0.25]))
        carrier = CARRIERS_HZ[talker]
        text = random_symbols(32 if talker == 0 else 44, rng, longest_run=8)
        sent.append(
            BurstSpec(now, text, carrier / CYCLES, carrier, AMPLITUDES[talker], rng.uniform(0.0, 6.0))
        )
        now = sent[-1].end_s + rng.uniform(4.0, 30.0) * CYCLES / CARRIERS_HZ[0]
    count = int((now + 1e-3) * RATE_HZ)
    samples = transmissions(sent, RATE_HZ, count).samples + rng.normal(0.0, 0.13, count)
    bursts = decode(samples.astype(np.float32), RATE_HZ).bursts
    assert len(bursts) == len(sent)
    for burst in bursts:
        true = min(CARRIERS_HZ, key=lambda carrier: abs(carrier - burst.carrier_hz)) / CYCLES
        assert abs(burst.symbol_rate_bd - true) < 3.3 * burst.symbol_rate_std_bd
