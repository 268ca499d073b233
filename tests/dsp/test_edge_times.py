"""Uncertainty of a burst's edges, held against what comes out of many noisy bursts of known truth."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from generators.decodes import BURST
from generators.long_runs import long_but

from dsp import synth
from dsp.decoder import decode
from dsp.edge_times import edge_times, interval_std
from dsp.results import Burst

RATE_HZ = 1e6


def found(
    seed: int, esn0_db: float, rate_bd: float, pulse: str, symbols: int
) -> list[tuple[Burst, synth.BurstSpec]]:
    """Eight bursts at random places, as decoded, with what was sent; those whose ends are right to the symbol."""
    chance = np.random.default_rng(seed)
    amplitude = synth.amplitude_for(esn0_db, 1.0, RATE_HZ, rate_bd)
    specs, at_s = [], 0.002
    for _ in range(8):
        start_s = at_s + chance.uniform(0, 1e-4)
        text = synth.random_symbols(symbols, chance)
        phase = chance.uniform(0, 2 * math.pi)
        specs.append(synth.BurstSpec(start_s, text, rate_bd, 203e3, amplitude, phase_rad=phase, pulse=pulse))
        at_s = start_s + symbols / rate_bd + 4e-4
    count = int((at_s + 0.002) * RATE_HZ)
    samples = synth.transmissions(specs, RATE_HZ, count).samples + chance.normal(0, 1.0, count)
    out = []
    for burst in decode(samples, RATE_HZ).bursts:
        spec = min(specs, key=lambda one: abs(one.start_s - burst.start_s))
        if max(abs(spec.start_s - burst.start_s), abs(spec.end_s - burst.end_s)) < 0.3 / rate_bd:
            out.append((burst, spec))
    return out


@pytest.mark.parametrize(
    ("esn0_db", "rate_bd", "pulse", "symbols", "most"),
    long_but(
        0,
        1,
        3,
        4,
        5,
        of=[
            (25.0, 31_337.0, "rectangular", 32, 1.1),
            (11.0, 31_337.0, "rectangular", 32, 1.1),
            (14.0, 31_111.0, "rectangular", 200, 1.3),
            # a whole number of samples a symbol: all flips lie alike between samples, and nothing averages out
            (25.0, 31_250.0, "rectangular", 32, 1.2),
            (16.0, 31_250.0, "rectangular", 12, 1.2),
            # edges that are rounded are not what the decoder expects
            (18.0, 31_337.0, "soft", 32, 1.9),
        ],
    ),
)
def test_errors_are_as_large_as_they_are_said_to_be(
    esn0_db: float, rate_bd: float, pulse: str, symbols: int, most: float
) -> None:
    starts, ends, gaps = [], [], []
    for seed in range(5):
        pairs = found(seed, esn0_db, rate_bd, pulse, symbols)
        for burst, spec in pairs:
            known = edge_times(burst, 1 / RATE_HZ)
            assert known is not None
            starts.append((burst.start_s - spec.start_s) / known.start_std_s)
            ends.append((burst.end_s - spec.end_s) / known.end_std_s)
        for (one, sent), (other, next_sent) in pairwise(pairs):
            std_s = interval_std(one, other, 1 / RATE_HZ)
            assert std_s is not None
            error_s = other.start_s - one.end_s - (next_sent.start_s - sent.end_s)
            gaps.append(error_s / std_s)
    assert len(starts) > 30
    for ratios in (starts, ends, gaps):
        assert 0.25 < math.sqrt(np.mean(np.square(ratios))) < most
        assert np.mean(np.abs(ratios) < 2) > (0.75 if pulse == "soft" else 0.9)


def test_without_flips_an_edge_is_known_to_half_a_symbol() -> None:
    known = edge_times(replace(BURST, flips_s=(), flips_interval_s=(), symbol_rate_std_bd=None), 1e-6)
    assert known is not None
    assert known.start_std_s == known.end_std_s == pytest.approx(0.5 / BURST.symbol_rate_bd / math.sqrt(3))


def test_without_a_symbol_rate_nothing_is_said() -> None:
    bare = replace(BURST, symbol_rate_bd=None)
    assert edge_times(bare, 1e-6) is None
    assert interval_std(BURST, bare, 1e-6) is None


def test_the_symbol_period_counts_with_the_distance_from_the_flips() -> None:
    start_s, period_s = BURST.start_s, 1e-4
    at = [start_s + k * period_s for k in (1, 3)]
    burst = replace(
        BURST,
        end_s=start_s + 10 * period_s,
        symbol_rate_bd=1 / period_s,
        symbol_rate_std_bd=1e-3 / period_s,
        flips_s=tuple(at),
        flips_interval_s=tuple((t - 1.96e-7, t + 1.96e-7) for t in at),
    )
    known = edge_times(burst, 1e-12)
    assert known is not None
    assert known.reach_start_s == pytest.approx(2 * 1e-3 * period_s)
    assert known.reach_end_s == pytest.approx(8 * 1e-3 * period_s)
    assert known.grid_s == pytest.approx(1e-7 / math.sqrt(2), rel=1e-3)
