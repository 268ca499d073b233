"""Judging fits: noise met, phase reversal or not, and probabilities that must hold when counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import clopper_pearson
from generators.truths import capture, signs_of, true_fit

from dsp.burstfit import Region
from dsp.correlate import Turned
from dsp.quality import confidence, end_probabilities, fitness, quiet_noise
from dsp.track import Run, run_of

_NOWHERE = Turned(np.zeros(2, complex), 0.5)


def drawn(
    symbols: np.ndarray,
    gain: float,
    rng: np.random.Generator,
    *,
    noise: float = 1.0,
    margin: int = 8,
    place: int = 0,
) -> Run:
    """A run drawn from the decoder's own model; the noise met is ``noise`` times the one assumed.

    Runs of different ``place`` lie far apart.
    """

    def scatter(count: int) -> np.ndarray:
        return np.sqrt(noise) * (rng.normal(size=count) + 1j * rng.normal(size=count))

    count = len(symbols)
    return Run(
        Region(np.zeros(1), 100_000 * place, 1.0, False, False),
        np.arange(count + 1) * 10.0,
        symbols * gain + scatter(count),
        np.full(count, gain),
        np.ones(count, complex),
        np.ones(count),
        np.zeros(count),
        0.5,
        False,
        False,
        scatter(margin),
        scatter(margin),
        _NOWHERE,
    )


def signs(count: int, rng: np.random.Generator) -> np.ndarray:
    return rng.choice([-1.0, 1.0], count)


@pytest.mark.parametrize("noise", [0.3, 1.0, 4.0])
def test_noise_beside_the_runs_is_measured(noise):
    rng = np.random.default_rng(1)
    runs = [drawn(signs(20, rng), 8.0, rng, noise=noise, place=k) for k in range(60)]
    value, told = quiet_noise(runs)
    assert 60 * 12 <= told <= 60 * 16
    # the median of 840 exponentials: 1 / (ln 2 sqrt(n)) = 5 % of its value
    assert value == pytest.approx(noise, rel=0.2)


def test_a_neighbour_beside_a_run_is_not_noise():
    rng = np.random.default_rng(2)
    runs = [drawn(signs(20, rng), 8.0, rng, place=k) for k in range(20)]
    runs[3] = replace(runs[3], margin_after=runs[3].margin_after + 30.0)
    assert quiet_noise(runs)[0] < 1.4


def test_the_next_burst_in_a_margin_is_not_noise():
    """Bursts with five symbols of silence between them: of each margin only those are noise."""
    rng = np.random.default_rng(14)
    runs = []
    for k in range(12):
        run = drawn(signs(20, rng), 8.0, rng)
        after, before = run.margin_after.copy(), run.margin_before.copy()
        after[5:] += 8.0
        before[:3] += 8.0
        region = replace(run.region, origin=250 * k)
        runs.append(replace(run, region=region, margin_after=after, margin_before=before))
    assert quiet_noise(runs)[0] == pytest.approx(1.0, rel=0.45)


def test_no_margins_tell_nothing():
    rng = np.random.default_rng(3)
    assert quiet_noise([drawn(signs(20, rng), 8.0, rng, margin=0)]) == (1.0, 0)
    assert quiet_noise([]) == (1.0, 0)


@pytest.mark.parametrize("esn0_db", [6.0, 12.0, 25.0])
@pytest.mark.parametrize("noise", [0.5, 1.0])
def test_phase_reversal_is_recognised(esn0_db, noise):
    rng = np.random.default_rng(4)
    gain = np.sqrt(2.0 * 10.0 ** (esn0_db / 10.0) * noise)
    runs = [drawn(signs(60, rng), gain, rng, noise=noise, place=k) for k in range(10)]
    judged = fitness(runs)
    assert judged.symbols == 600
    assert judged.noise == pytest.approx(noise, rel=0.25)
    assert judged.gain == pytest.approx(gain)
    assert judged.excess < 4.0 * judged.excess_std
    assert judged.spread < 0.1
    assert judged.nats > 20.0
    assert judged.flips == sum(int(np.sum(np.diff(np.sign(r.symbols.real)) != 0)) for r in runs)


def test_other_signals_are_not_taken_for_phase_reversal():
    rng = np.random.default_rng(5)
    gain = np.sqrt(2.0 * 10**1.5)
    phases = np.exp(1j * rng.uniform(0, 2 * np.pi, 200))
    any_phase = fitness([drawn(phases, gain, rng)])
    assert any_phase.nats < 0.0
    assert any_phase.excess > 0.2
    quarters = fitness([drawn(1j ** rng.integers(0, 4, 200), gain, rng)])
    assert quarters.excess > 0.2
    lengths = signs(200, rng) * rng.choice([0.3, 1.4], 200)
    assert fitness([drawn(lengths, gain, rng)]).spread > 0.15


def test_a_real_fit_of_few_cycles_a_symbol_is_judged_as_well_as_one_of_many():
    for cycles in (1.0, 1.5, 12.0):
        made = capture((80,), 6, cycles=cycles, carrier_hz=61_003.0, esn0_db=14.0)
        judged = fitness([run_of(true_fit(made))])
        assert judged.noise == pytest.approx(1.0, rel=0.5)
        assert judged.excess < 0.02 + 4.0 * judged.excess_std
        assert judged.spread < 0.1
        assert judged.nats > 20.0


@pytest.mark.parametrize("noise", [1.0, 2.5])
def test_confidence_is_the_posterior_probability(noise):
    """Bayes with equal priors: p = f(y | sign) / (f(y | +) + f(y | -)), Gaussian of the noise met."""
    rng = np.random.default_rng(7)
    run = drawn(signs(200, rng), 1.7, rng, noise=noise)
    y = run.symbols.real
    right = np.exp(-((np.abs(y) - 1.7) ** 2) / (2.0 * noise))
    wrong = np.exp(-((np.abs(y) + 1.7) ** 2) / (2.0 * noise))
    np.testing.assert_allclose(confidence(run, noise), right / (right + wrong))
    assert confidence(run, noise).min() >= 0.5
    strong = drawn(signs(20, rng), 1e3, rng)
    assert np.all(confidence(strong, 1.0) == 1.0)


@pytest.mark.parametrize(("esn0_db", "rate"), [(0.0, 7.86496e-2), (4.0, 1.250082e-2), (6.0, 2.388291e-3)])
def test_of_the_symbols_reported_at_a_confidence_so_many_are_right(esn0_db, rate):
    """Error rates Q(sqrt(2 Es/N0)) as published, and the confidences add up to what is counted."""
    rng = np.random.default_rng(8)
    count = 40_000
    sent = signs(count, rng)
    run = drawn(sent, np.sqrt(2.0 * 10.0 ** (esn0_db / 10.0)), rng)
    right = np.sign(run.symbols.real) == sent
    low, high = clopper_pearson(int(np.sum(~right)), count, 0.999)
    assert low < rate < high
    sure = confidence(run, 1.0)
    for least, most in ((0.5, 0.8), (0.8, 0.95), (0.95, 0.999)):
        mine = (sure >= least) & (sure < most)
        low, high = clopper_pearson(int(np.sum(right[mine])), int(mine.sum()), 0.999)
        assert low < sure[mine].mean() < high


def naive_end(outside: np.ndarray, inside: np.ndarray, gain: float, noise: float) -> float:
    """Posterior of this end among six symbols more and five fewer, each equally likely before."""
    line = np.concatenate((outside[5::-1], inside[:6]))
    odds = []
    for first in range(12):
        sent = line[first:]
        on = -((sent - gain) ** 2) / (2 * noise), -((sent + gain) ** 2) / (2 * noise)
        nats = np.logaddexp(*on) - np.log(2.0) + sent**2 / (2 * noise)
        odds.append(float(np.sum(nats)))
    odds = np.exp(np.array(odds) - max(odds))
    return float(odds[6] / odds.sum())


def test_ends_have_their_posterior_probability():
    rng = np.random.default_rng(9)
    for gain in (1.5, 3.0, 5.0):
        run = drawn(signs(20, rng), gain, rng, noise=1.3)
        start, end = end_probabilities(run, 1.3)
        y = run.symbols.real
        assert start == pytest.approx(naive_end(run.margin_before.real[::-1], y, gain, 1.3))
        assert end == pytest.approx(naive_end(run.margin_after.real, y[::-1], gain, 1.3))


def test_of_ends_reported_at_a_probability_so_many_are_right():
    """Ends placed where they are likeliest, the true one being anywhere within six symbols."""
    rng = np.random.default_rng(10)
    gain, stated, hits = 2.8, [], []
    for _ in range(1_500):
        true = int(rng.integers(0, 12))
        line = rng.normal(size=26)
        line[true:] += gain * signs(26 - true, rng)
        nats = np.logaddexp(gain * line, -gain * line) - np.log(2.0) - gain**2 / 2.0
        best = int(np.argmax(np.cumsum(nats[::-1])[::-1][:12]))
        run = drawn(np.ones(26 - best), gain, rng, margin=0)
        # silence goes on beyond what the twelve places of the end could be in
        before = np.concatenate((rng.normal(size=8), line[:best]))
        run = replace(run, symbols=line[best:] + 0j, margin_before=before[-8:] + 0j)
        stated.append(end_probabilities(run, 1.0)[0])
        hits.append(best == true)
    # whole set, and the doubtful half of it
    doubtful = np.array(stated) < np.median(stated)
    for mine in (np.ones(len(hits), bool), doubtful):
        low, high = clopper_pearson(int(np.sum(np.array(hits)[mine])), int(mine.sum()), 0.999)
        assert low - 0.03 < float(np.mean(np.array(stated)[mine])) < high + 0.03


def test_missing_margins_leave_fewer_rivals():
    rng = np.random.default_rng(11)
    run = drawn(signs(20, rng), 8.0, rng, margin=0)
    start, end = end_probabilities(run, 1.0)
    assert 0.9 < start <= 1.0
    assert 0.9 < end <= 1.0


def test_huge_gains_do_not_overflow():
    rng = np.random.default_rng(12)
    run = drawn(signs(20, rng), 1e4, rng)
    assert end_probabilities(run, 1.0) == pytest.approx((1.0, 1.0))
    judged = fitness([run])
    assert all(np.isfinite([judged.noise, judged.excess, judged.spread, judged.nats]))


def test_polarity_is_all_the_same():
    rng = np.random.default_rng(13)
    run = drawn(signs_of("1101001011010"), 3.0, rng)
    other = replace(
        run, symbols=-run.symbols, margin_before=-run.margin_before, margin_after=-run.margin_after
    )
    assert fitness([other]) == fitness([run])
    assert end_probabilities(other, 1.0) == end_probabilities(run, 1.0)
    np.testing.assert_array_equal(confidence(other, 1.0), confidence(run, 1.0))
