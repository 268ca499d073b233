"""Transmissions that meet: without a pause in another phase, and of another symbol rate on the same carrier."""

from __future__ import annotations

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, model_of, sigma_for, strip_from

from dsp import synth_line as line
from dsp.decoder import decode
from dsp.extract import extract
from dsp.results import Burst
from dsp.synth import BurstSpec, random_symbols, transmissions
from dsp.talkers import believable


def _agree(found: Burst, sent: BurstSpec) -> bool:
    return found.symbols == sent.relative_symbols


def _decoded(sent: list[BurstSpec], esn0_db: float, rng: np.random.Generator) -> tuple[Burst, ...]:
    rate_bd = max(burst.symbol_rate_bd for burst in sent)
    count = int((sent[-1].end_s + 30.0 / rate_bd) * RATE_HZ)
    noise = line.noise(count, sigma_for(esn0_db, rate_bd), rng)
    return decode(transmissions(sent, RATE_HZ, count).samples + noise, RATE_HZ).bursts


@pytest.mark.parametrize("draw", range(4))
def test_what_follows_at_once_in_another_phase_is_another_transmission(draw: int) -> None:
    rng = np.random.default_rng([1, draw])
    rate_bd, carrier_hz = 1e6 / 31.7, 3.4e6 / 31.7
    now, sent = 40.0 / rate_bd, []
    for pair in range(4):
        turn = np.radians(rng.uniform(60.0, 120.0)) * (1.0 if pair % 2 else -1.0)
        phase = rng.uniform(0.0, 6.28)
        first = BurstSpec(
            now, random_symbols(int(rng.integers(26, 50)), rng), rate_bd, carrier_hz, 1.0, phase
        )
        phase += 2.0 * np.pi * carrier_hz * (first.end_s - first.start_s) + turn
        second = BurstSpec(
            first.end_s, random_symbols(int(rng.integers(26, 50)), rng), rate_bd, carrier_hz, 1.0, phase
        )
        sent += [first, second]
        now = second.end_s + rng.uniform(10.0, 30.0) / rate_bd
    found = _decoded(sent, 16.0, rng)
    assert [len(burst.symbols) for burst in found] == [len(burst.symbols) for burst in sent]
    assert all(_agree(*pair) for pair in zip(found, sent, strict=True))


def _has_two_rates(draw: int) -> bool:
    rng = np.random.default_rng([2, draw])
    carrier_hz, now, sent = 131e3, 1e-3, []
    for k in range(12):
        rate_bd = (26e3, 17.6e3)[k % 2]
        text = random_symbols(int(rng.integers(36, 60)), rng)
        sent.append(BurstSpec(now, text, rate_bd, carrier_hz, 1.0, rng.uniform(0.0, 6.28)))
        now = sent[-1].end_s + rng.uniform(12.0, 40.0) / rate_bd
    told = [burst.symbol_rate_bd for burst in _decoded(sent, 16.0, rng) if len(burst.symbols) > 12]
    return told == pytest.approx([burst.symbol_rate_bd for burst in sent], rel=3e-3)


def test_two_symbol_rates_on_one_carrier_are_two_links() -> None:
    """Of 24 draws 1 has a burst in two parts; where all on a carrier were of one link, none of 24 was right."""
    assert sum(map(_has_two_rates, range(8))) >= 7


def test_a_long_transmission_tells_its_carrier_as_well_as_its_length_lets_it() -> None:
    """Rife and Boorstyn 1974: ``12 / (g^2 n^3)`` is the variance in radians a symbol, ``g^2 = 2 Es/N0``."""
    off = []
    for draw in range(12):
        made = capture((700,), 300 + draw, esn0_db=12.0)
        model = model_of(made)
        found = extract(strip_from(made), 2.0 * np.pi * model.carrier_hz / RATE_HZ, model)
        _, runs = believable(found)
        assert runs.count.tolist() == pytest.approx([700], abs=1)
        std = np.sqrt(12.0 / (2.0 * 10.0**1.2 * 700.0**3)) / model.period
        off.append((runs.omega[0] - 2.0 * np.pi * made.bursts[0].carrier_hz / RATE_HZ) / std)
    # of twelve squared normal deviates the mean is below 2.4 in 996 of 1000 (chi-square), and twice that leaves room for
    # what windows lose
    assert float(np.mean(np.square(off))) < 4.8
