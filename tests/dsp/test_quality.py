"""Judging fits: noise met, phase reversal or not, and probabilities that must hold when counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import clopper_pearson
from generators.draws import PERIOD, drawn, signs
from generators.truths import capture, signs_of, true_fits

from dsp.quality import confidence, fitness, plausible, quiet_noise
from dsp.runs import join, runs_of


@pytest.mark.parametrize("noise", [0.3, 1.0, 4.0])
def test_noise_beside_the_runs_is_measured(noise):
    rng = np.random.default_rng(1)
    runs = drawn([signs(20, rng) for _ in range(60)], 8.0, rng, noise=noise)
    value, told = quiet_noise(runs)
    assert 60 * 12 <= told <= 60 * 16
    # the median of 840 exponentials: 1 / (ln 2 sqrt(n)) = 5 % of its value
    assert value == pytest.approx(noise, rel=0.2)


def test_a_neighbour_beside_a_run_is_not_noise():
    rng = np.random.default_rng(2)
    runs = drawn([signs(20, rng) for _ in range(20)], 8.0, rng)
    runs.after[3] += 30.0
    assert quiet_noise(runs)[0] < 1.4


def test_the_next_burst_in_a_margin_is_not_noise():
    """Bursts with five symbols of silence between them: of each margin only those are noise."""
    rng = np.random.default_rng(14)
    runs = drawn([signs(20, rng) for _ in range(12)], 8.0, rng, gap=5.0 * PERIOD)
    runs.after[:, 5:] += 8.0
    runs.before[:, :3] += 8.0
    assert quiet_noise(runs)[0] == pytest.approx(1.0, rel=0.45)


def test_no_margins_tell_nothing():
    rng = np.random.default_rng(3)
    runs = drawn([signs(20, rng)], 8.0, rng, margin=0)
    assert quiet_noise(runs) == (1.0, 0)
    assert quiet_noise(runs.take(np.zeros(1, bool))) == (1.0, 0)


@pytest.mark.parametrize("esn0_db", [6.0, 12.0, 25.0])
@pytest.mark.parametrize("noise", [0.5, 1.0])
def test_phase_reversal_is_recognised(esn0_db, noise):
    rng = np.random.default_rng(4)
    gain = np.sqrt(2.0 * 10.0 ** (esn0_db / 10.0) * noise)
    runs = drawn([signs(60, rng) for _ in range(10)], gain, rng, noise=noise)
    judged = fitness(runs)
    assert judged.symbols == 600
    assert judged.noise == pytest.approx(noise, rel=0.25)
    assert judged.gain == pytest.approx(gain)
    assert judged.excess < 4.0 * judged.excess_std
    assert judged.spread < 0.1
    assert judged.nats > 20.0
    y = np.sign(runs.symbols.real).reshape(10, 60)
    assert judged.flips == int(np.sum(y[:, 1:] != y[:, :-1]))
    assert plausible(runs).all()


def test_other_signals_are_not_taken_for_phase_reversal():
    rng = np.random.default_rng(5)
    gain = np.sqrt(2.0 * 10**1.5)
    phases = np.exp(1j * rng.uniform(0, 2 * np.pi, 200))
    any_phase = fitness(drawn([phases], gain, rng))
    assert any_phase.nats < 0.0
    assert any_phase.excess > 0.2
    quarters = fitness(drawn([1j ** rng.integers(0, 4, 200)], gain, rng))
    assert quarters.excess > 0.2
    lengths = signs(200, rng) * rng.choice([0.3, 1.4], 200)
    assert fitness(drawn([lengths], gain, rng)).spread > 0.15


def test_each_run_is_judged_by_itself():
    """Random phases among reversals, the order of the runs mattering nothing."""
    rng = np.random.default_rng(15)
    gain = np.sqrt(2.0 * 10**1.5)
    sent = [signs(60, rng), np.exp(1j * rng.uniform(0, 2 * np.pi, 80)), signs(9, rng), signs(200, rng)]
    runs = drawn(sent, gain, rng)
    assert plausible(runs).tolist() == [True, False, True, True]
    for order in ([3, 2, 1, 0], [1], [2, 1]):
        found = plausible(runs.take(np.array(order)))
        assert found.tolist() == [i != 1 for i in order]


@pytest.mark.parametrize(("count", "esn0_db"), [(6, 8.0), (12, 6.0), (40, 4.0), (40, 30.0)])
def test_reversals_are_hardly_ever_implausible(count, esn0_db):
    """Two hundred runs: three standard uncertainties, and what a short run cannot tell is let pass."""
    rng = np.random.default_rng(16)
    runs = drawn([signs(count, rng) for _ in range(200)], np.sqrt(2.0 * 10.0 ** (esn0_db / 10.0)), rng)
    assert np.mean(plausible(runs)) > 0.96


def test_a_real_fit_of_few_cycles_a_symbol_is_judged_as_well_as_one_of_many():
    for cycles in (1.0, 1.5, 12.0):
        made = capture((80,), 6, cycles=cycles, carrier_hz=61_003.0, esn0_db=14.0)
        judged = fitness(runs_of(true_fits(made)))
        assert judged.noise == pytest.approx(1.0, rel=0.5)
        assert judged.excess < 0.02 + 4.0 * judged.excess_std
        assert judged.spread < 0.1
        assert judged.nats > 20.0


@pytest.mark.parametrize("noise", [1.0, 2.5])
def test_confidence_is_the_posterior_probability(noise):
    """Bayes with equal priors: p = f(y | sign) / (f(y | +) + f(y | -)), Gaussian of the noise met."""
    rng = np.random.default_rng(7)
    run = drawn([signs(200, rng)], 1.7, rng, noise=noise)
    y = run.symbols.real
    right = np.exp(-((np.abs(y) - 1.7) ** 2) / (2.0 * noise))
    wrong = np.exp(-((np.abs(y) + 1.7) ** 2) / (2.0 * noise))
    np.testing.assert_allclose(confidence(run, noise), right / (right + wrong))
    assert confidence(run, noise).min() >= 0.5
    strong = drawn([signs(20, rng)], 1e3, rng)
    assert np.all(confidence(strong, 1.0) == 1.0)


@pytest.mark.parametrize(("esn0_db", "rate"), [(0.0, 7.86496e-2), (4.0, 1.250082e-2), (6.0, 2.388291e-3)])
def test_of_the_symbols_reported_at_a_confidence_so_many_are_right(esn0_db, rate):
    """Error rates Q(sqrt(2 Es/N0)) as published, and the confidences add up to what is counted."""
    rng = np.random.default_rng(8)
    count = 40_000
    sent = signs(count, rng)
    run = drawn([sent], np.sqrt(2.0 * 10.0 ** (esn0_db / 10.0)), rng)
    right = np.sign(run.symbols.real) == sent
    low, high = clopper_pearson(int(np.sum(~right)), count, 0.999)
    assert low < rate < high
    sure = confidence(run, 1.0)
    for least, most in ((0.5, 0.8), (0.8, 0.95), (0.95, 0.999)):
        mine = (sure >= least) & (sure < most)
        low, high = clopper_pearson(int(np.sum(right[mine])), int(mine.sum()), 0.999)
        assert low < sure[mine].mean() < high


def test_huge_gains_do_not_overflow():
    rng = np.random.default_rng(12)
    judged = fitness(drawn([signs(20, rng)], 1e4, rng))
    assert all(np.isfinite([judged.noise, judged.excess, judged.spread, judged.nats]))


def test_polarity_and_order_are_all_the_same():
    rng = np.random.default_rng(13)
    runs = drawn([signs_of("1101001011010"), signs_of("0110010")], 3.0, rng)
    other = replace(runs, symbols=-runs.symbols, before=-runs.before, after=-runs.after)
    assert fitness(other) == fitness(runs)
    np.testing.assert_array_equal(confidence(other, 1.0), confidence(runs, 1.0))
    turned = join([runs.take(np.array([1])), runs.take(np.array([0]))])
    np.testing.assert_array_equal(turned.symbols, runs.symbols)
    assert fitness(turned) == fitness(runs)
