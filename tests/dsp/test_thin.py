"""Symbol periods from the instants of reversals alone, and what few or rare reversals leave open."""

from __future__ import annotations

import random
from dataclasses import asdict

import numpy as np
import pytest
from generators.lines import Line, Sent, add_burst, sigma_for
from generators.long_runs import long_but
from generators.scoring import score

from dsp.decoder import decode
from dsp.thin import Reversals, lasting, seldom_turns, weigh_periods

RATE_HZ = 1e6


def reversals(period: float, turning: float, bursts: int, symbols: int, std: float, draw: int) -> Reversals:
    """Edges of each burst that turn with the probability ``turning``, the instants off by ``std``."""
    rng = np.random.default_rng(draw)
    where, count = [], [0]
    for k in range(bursts):
        edges = np.flatnonzero(rng.random(symbols) < turning)
        start = rng.uniform(0.0, period) + 2.0 * k * symbols * period
        where.append(start + edges * period + rng.normal(0.0, std, edges.size))
        count.append(count[-1] + edges.size)
    return Reversals(np.concatenate(where), np.full(count[-1], std), np.array(count))


@pytest.mark.parametrize("draw", range(5))
@pytest.mark.parametrize(("turning", "symbols"), [(0.05, 600), (0.12, 250), (0.5, 60)])
def test_the_period_is_the_one_that_was_sent_however_seldom_it_turns(turning, symbols, draw):
    period = 20.0 + 3.7 * draw
    said = weigh_periods(
        reversals(period, turning, 3, symbols, 0.03 * period, draw), 2.0, 400.0 * period, 1.4 * period
    )
    assert said is not None
    assert said.period == pytest.approx(period, rel=0.005)
    assert said.probability > 0.99
    assert said.asked < 1e-3


def test_probabilities_of_few_reversals_are_honest():
    """Of those said to be right with some probability, so many are."""
    sure, right = [], []
    for draw in range(150):
        said = weigh_periods(reversals(25.0, 0.08, 2, 50, 1.2, draw), 5.0, 25.0 * 50, 25.0)
        if said is not None:
            sure.append(said.probability)
            right.append(abs(said.period / 25.0 - 1.0) < 0.02)
    sure, right = np.array(sure), np.array(right, dtype=float)
    assert len(sure) > 100
    assert 0.05 < np.mean(sure < 0.9) < 0.5
    spread = np.sqrt(np.sum(sure * (1.0 - sure)))
    assert abs(np.sum(right - sure)) < 3.3 * spread
    assert right[sure > 0.99].mean() > 0.95


def test_single_reversals_tell_nothing():
    lone = reversals(25.0, 0.5, 6, 40, 1.0, 1)
    first = lone.offset[:-1]
    alone = Reversals(lone.where[first], lone.std[first], np.arange(len(first) + 1))
    assert weigh_periods(alone, 5.0, 1000.0, 25.0) is None


def test_random_bits_turn_often_enough():
    rng = np.random.default_rng(3)
    seldom = [seldom_turns(int(rng.binomial(n, 0.5)), n) for n in rng.integers(8, 400, 400).tolist()]
    # 3 deviations to one side: 1.3 in 1000
    assert sum(seldom) <= 4
    assert seldom_turns(5, 245)
    assert not seldom_turns(3, 7)


def line_of(sent: list[str], *, draw: int, cycles: float, samples_a_cycle: float, esn0_db: float) -> Line:
    """Bursts of given symbols, sample by sample."""
    chance = random.Random(draw)
    carrier = RATE_HZ / samples_a_cycle
    symbol_rate = carrier / cycles
    now, bursts = (20.0 + chance.random()) / symbol_rate, []
    for symbols in sent:
        bursts.append(Sent(now, symbols, carrier, symbol_rate, 1.0, esn0_db))
        now += (len(symbols) + chance.uniform(8.0, 30.0)) / symbol_rate
    values = [0.0] * int((now + 20.0 / symbol_rate) * RATE_HZ)
    for burst in bursts:
        add_burst(values, RATE_HZ, burst, chance.random())
    sigma = sigma_for(esn0_db, 1.0, symbol_rate, RATE_HZ)
    noise = np.random.RandomState(draw).standard_normal(len(values)) * sigma
    return Line((np.array(values) + noise).astype(np.float32), RATE_HZ, tuple(bursts))


def turned_at(length: int, *places: int) -> str:
    signs = np.ones(length, dtype=int)
    for place in places:
        signs[place:] ^= 1
    return "".join(map(str, signs.tolist()))


def decoded(line: Line):
    return decode(line.values, line.rate_hz)


@pytest.mark.parametrize("draw", long_but(0, of=range(3)))
@pytest.mark.parametrize("cycles", [2.0, 4.0])
def test_bursts_with_one_reversal_each_leave_the_rate_open(cycles, draw):
    chance = random.Random(draw)
    sent = [turned_at(200, chance.randint(20, 180)) for _ in range(5)]
    line = line_of(sent, draw=draw, cycles=cycles, samples_a_cycle=5.3, esn0_db=14.0)
    result = decoded(line)
    assert result.bursts == ()
    assert result.signalling.kind == "undecided"
    assert result.refusal.code == "symbol-rate-ambiguous"
    assert "reversal" in result.refusal.text


@pytest.mark.parametrize(("cycles", "samples_a_cycle"), long_but(0, of=[(1.0, 5.6), (3.3, 6.4), (4.0, 3.1)]))
def test_a_long_burst_with_one_reversal_leaves_the_rate_open(cycles, samples_a_cycle):
    sent = [turned_at(3000, 1234)]
    line = line_of(sent, draw=4, cycles=cycles, samples_a_cycle=samples_a_cycle, esn0_db=14.0)
    result = decoded(line)
    assert result.bursts == ()
    assert result.refusal.code == "symbol-rate-ambiguous"
    # without it, it is a tone
    still = decoded(
        line_of(["1" * 3000], draw=4, cycles=cycles, samples_a_cycle=samples_a_cycle, esn0_db=14.0)
    )
    assert still.signalling.kind == "tone"


def test_bursts_of_any_phase_without_a_reversal_are_no_reversals():
    line = line_of(["1" * 200] * 5, draw=2, cycles=1.0, samples_a_cycle=5.5, esn0_db=14.0)
    result = decoded(line)
    assert result.bursts == ()
    assert result.refusal.code != "symbol-rate-ambiguous"


@pytest.mark.parametrize(
    ("cycles", "samples_a_cycle", "esn0_db", "draw"),
    long_but(1, of=[(3.3, 4.4, 14.0, 0), (2.0, 5.0, 14.0, 1), (4.0, 6.1, 10.0, 2)]),
)
def test_two_reversals_in_each_of_twenty_bursts_tell_the_rate(cycles, samples_a_cycle, esn0_db, draw):
    """Random bits would turn twelve times as often; longer symbols miss the reversals by little, and cost less."""
    chance = random.Random(draw)
    sent = [turned_at(48, chance.randint(3, 20), chance.randint(22, 45)) for _ in range(20)]
    line = line_of(sent, draw=draw, cycles=cycles, samples_a_cycle=samples_a_cycle, esn0_db=esn0_db)
    got = score(line.sent, asdict(decoded(line)))
    assert [p.right_rate for p in got.pairs] == [True] * 20
    assert (got.missed, got.extra, got.wrong_symbols) == ((), (), 0)


@pytest.mark.parametrize(
    ("cycles", "samples_a_cycle", "esn0_db", "draw"),
    [(3.3, 3.0, 9.0, 0), (8.5, 9.3, 10.0, 2), (4.0, 4.1, 14.0, 3)],
)
def test_a_long_burst_of_runs_up_to_sixteen_is_one_burst_of_its_rate(cycles, samples_a_cycle, esn0_db, draw):
    chance = random.Random(draw)
    sent = "".join(("1", "0")[k % 2] * chance.randint(1, 16) for k in range(350))
    line = line_of([sent], draw=draw, cycles=cycles, samples_a_cycle=samples_a_cycle, esn0_db=esn0_db)
    got = score(line.sent, asdict(decoded(line)))
    assert (len(got.pairs), got.missed, got.extra) == (1, (), ())
    assert got.pairs[0].right_rate


@pytest.mark.parametrize("grain", [2, 4, 5, 7])
def test_where_all_reversals_are_at_multiples_the_rate_sent_is_listed(grain):
    chance = random.Random(grain)
    sent = ["".join(chance.choice("01") * grain for _ in range(14)) for _ in range(8)]
    line = line_of(sent, draw=grain, cycles=2.0, samples_a_cycle=5.0, esn0_db=14.0)
    result = decoded(line)
    assert len(result.bursts) == 8
    for burst in result.bursts:
        rates = np.array([burst.symbol_rate_bd, *burst.symbol_rate_alternatives_bd])
        assert np.abs(rates / line.sent[0].symbol_rate_bd - 1.0).min() < 0.002


def test_changes_that_undo_each_other_within_a_cycle_are_none():
    assert lasting([10, 50, 53, 90], 8.0) == [10, 90]
    assert lasting([10, 50, 53, 56, 90], 8.0) == [10, 56, 90]
    assert lasting([10, 50, 90], 8.0) == [10, 50, 90]
    assert lasting([], 8.0) == []


@pytest.mark.parametrize("draw", [1, 3, 8, 11, 23])
def test_a_spike_within_a_symbol_is_no_reversal(draw):
    """One burst of few reversals, where the instants of all of them are asked which period they lie on."""
    rng = np.random.default_rng(60 + draw)
    symbols = "100010001110011000001101110000111000101001011011"
    rate_hz, symbol_rate = 97_000.0, 458.0
    sent = Sent(0.01, symbols, 18_929.0, symbol_rate, 1.0, 20.0)
    values = [0.0] * 12_000
    add_burst(values, rate_hz, sent, float(rng.random()))
    samples = np.array(values) + rng.normal(0.0, sigma_for(20.0, 1.0, symbol_rate, rate_hz), len(values))
    samples[round((sent.start_s + (31.0 + 0.2 * (draw % 5)) / symbol_rate) * rate_hz)] += (
        -10.0 if draw > 11 else 10.0
    )
    result = decode(samples.astype(np.float32), rate_hz)
    assert not score([sent], asdict(result)).complaints()
