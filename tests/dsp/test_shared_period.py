"""The symbol rate of a talker beside others whose clocks differ."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.decoder import decode
from dsp.period import Period
from dsp.shared_period import of_one_clock
from dsp.synth import BurstSpec, random_symbols, transmissions
from dsp.synth_line import noise
from dsp.talkers import Talker

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


@pytest.mark.parametrize("draw", [83000, 80020])
def test_a_talker_that_is_alone_has_its_rate_told_by_all_bursts(draw):
    """Its transmissions are found with a period off by four of its uncertainties, which is no clock of its own.

    All thirty bursts tell the rate to 7 and 9 parts per million, its strongest twelve, as far as flips bear them out, to
    31 and 91.
    """
    rng = np.random.default_rng(draw)
    rate, symbol_rate, cycles = 1e6, 1e6 / (6.5 * 3.0 * np.pi), 6.5
    now, sent = rng.uniform(15.0, 16.0) / symbol_rate, []
    for _ in range(30):
        text = random_symbols(int(rng.integers(24, 65)), rng)
        sent.append(
            BurstSpec(now, text, symbol_rate, cycles * symbol_rate, 1.0, rng.uniform(0.0, 2.0 * np.pi))
        )
        now = sent[-1].end_s + rng.uniform(5.0, 25.0) / symbol_rate
    count = int((now + 10.0 / symbol_rate) * rate)
    sigma = float(np.sqrt(rate / (4.0 * symbol_rate) / 10.0**1.4))
    samples = transmissions(sent, rate, count).samples + noise(count, sigma, rng)
    bursts = decode(samples.astype(np.float32), rate).bursts
    assert len(bursts) == len(sent)
    assert {burst.symbol_rate_std_bd < 1.4e-5 * symbol_rate for burst in bursts} == {True}
    assert all(abs(burst.symbol_rate_bd - symbol_rate) < 3.3 * burst.symbol_rate_std_bd for burst in bursts)


def with_periods(*periods: Period | None) -> list[Talker]:
    return [Talker(*[None] * 8, period=period) for period in periods]


SHARED = Period(50.0, 0.0005, True)


@pytest.mark.parametrize("own", [(50.001,), (50.002, 49.999)])
def test_periods_that_all_agree_with_the_shared_one_are_that(own):
    talkers = of_one_clock(with_periods(*(Period(value, 0.001, True) for value in own)), SHARED)
    assert [talker.period for talker in talkers] == [None] * len(own)


@pytest.mark.parametrize(
    "own",
    [
        # another clock
        (Period(50.01, 0.001, True),),
        # two clocks, of which the shared period is a mixture
        (Period(50.003, 0.001, True), Period(49.997, 0.001, True)),
        # of others the shared one is told without it
        (Period(50.001, 0.001, True), None),
        (None,),
        (),
    ],
)
def test_other_clocks_keep_their_periods(own):
    assert tuple(talker.period for talker in of_one_clock(with_periods(*own), SHARED)) == own
