"""One transmission fitted: its likelihood from single samples, its ends, and the Cramer-Rao bounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import bpsk_error_rate, clopper_pearson
from generators.truths import RATE_HZ, capture, region_of, same_or_opposite, signs_of, true_fit

from dsp.burstfit import acquire, carry, reach, settle, timing_nats
from dsp.correlate import turn_back

SHAPES = [(1.0, 9.3), (2.37, 4.4), (6.5, 25.0), (12.71, 7.0), (48.0, 3.1)]


def naive_nats(fit, start: float) -> float:
    """ln of the mean over both signs of p(samples | sign) / p(samples | silence), symbol by symbol."""
    total = 0.0
    x, v, a = fit.region.samples, fit.region.variance, fit.amplitude
    for k in range(fit.count):
        low, high = start + k * fit.period, start + (k + 1) * fit.period
        m = np.arange(max(0, int(np.ceil(low))), min(len(x), int(np.ceil(high))))
        wave = a * np.cos(fit.omega * m + fit.phase)
        plus = float(np.sum(x[m] ** 2 - (x[m] - wave) ** 2)) / (2.0 * v)
        minus = float(np.sum(x[m] ** 2 - (x[m] + wave) ** 2)) / (2.0 * v)
        total += float(np.logaddexp(plus, minus)) - np.log(2.0)
    return total


@pytest.mark.parametrize(("cycles", "samples_per_cycle"), SHAPES)
def test_likelihood_is_that_of_the_samples(cycles, samples_per_cycle):
    made = capture((12,), 1, carrier_hz=RATE_HZ / samples_per_cycle, cycles=cycles, lead_symbols=3.0)
    fit = true_fit(made)
    starts = fit.start + np.array([-0.4, 0.0, 0.3]) * fit.period
    plain = [naive_nats(fit, s) for s in starts]
    np.testing.assert_allclose(timing_nats(fit, starts), plain, rtol=1e-9)
    assert float(np.sum(fit.symbol_nats())) == pytest.approx(naive_nats(fit, fit.start))
    assert timing_nats(fit, np.array([fit.start]))[0] == pytest.approx(naive_nats(fit, fit.start))


def test_symbols_have_the_length_of_their_energy_and_unit_noise():
    """Length sqrt(2 Es/N0), noise of variance 1 in each component (Proakis, section 5.1)."""
    made = capture((400,), 2, esn0_db=13.0)
    fit = true_fit(made)
    y = fit.turned_symbols()
    assert fit.gain == pytest.approx(np.sqrt(2.0 * 10**1.3))
    assert np.abs(y.real).mean() == pytest.approx(fit.gain, abs=4.0 / np.sqrt(400))
    # chi-square of 400 degrees of freedom: 1 +- 4 sqrt(2/400)
    assert np.var(np.abs(y.real)) == pytest.approx(1.0, abs=0.28)
    assert np.mean(y.imag**2) == pytest.approx(1.0, abs=0.28)


def test_margins_come_with_the_symbols():
    fit = true_fit(capture((20,), 3))
    assert fit.edges(2, 3).size == 20 + 2 + 3 + 1
    np.testing.assert_allclose(fit.edges(2, 3)[2:-3], fit.edges())
    np.testing.assert_allclose(fit.turned_symbols(2, 3)[2:-3], fit.turned_symbols())
    np.testing.assert_allclose(fit.energies(4, 4)[4:-4], fit.energies())
    assert fit.stop == pytest.approx(fit.edges()[-1])


@pytest.mark.parametrize(("cycles", "samples_per_cycle"), SHAPES)
def test_a_burst_is_acquired_and_settled(cycles, samples_per_cycle):
    for draw in range(4, 8):
        carrier_hz = RATE_HZ / samples_per_cycle
        made = capture((37,), draw, carrier_hz=carrier_hz, cycles=cycles, esn0_db=15.0, lead_symbols=12.0)
        burst, truth = made.bursts[0], true_fit(made)
        # the carrier told is off by a third of the burst's resolution
        omega = truth.omega + 2 * np.pi * 0.3 / (37 * truth.period)
        rough = acquire(region_of(made), turn_back(made.samples, omega), truth.period)
        fit = settle(rough)
        assert fit.count == 37
        # half a sample, since a flip may be anywhere between two, and a small part of a symbol
        assert fit.start == pytest.approx(truth.start, abs=0.5 + 0.05 * truth.period)
        assert same_or_opposite(fit.turned_symbols().real, burst.symbols)
        # amplitude: standard deviation A / (g sqrt(n)), and 5 % for edges that cut samples
        assert fit.amplitude == pytest.approx(1.0, abs=4.0 / (truth.gain * np.sqrt(37)) + 0.05)


def test_the_strongest_of_several_is_acquired():
    made = capture((24, 24, 24), 9, amplitudes=(1.0, 1.6, 1.0), gap_symbols=20.0)
    truth = true_fit(made, 1)
    fit = acquire(region_of(made), truth.turned.sharpened(False), truth.period)
    assert fit.start == pytest.approx(truth.start, abs=truth.period)
    assert abs(fit.count - 24) <= 1


def test_acquiring_stays_within_its_span_and_its_length():
    made = capture((24, 60), 10, gap_symbols=20.0)
    first, second = true_fit(made, 0), true_fit(made, 1)
    region, turned = region_of(made), first.turned.sharpened(False)
    fit = acquire(region, turned, first.period, span=(0.0, second.start - first.period))
    assert fit.stop <= second.start
    assert abs(fit.count - 24) <= 1
    assert acquire(region, turned, first.period, longest=30).count == 30


def test_silence_is_not_acquired():
    made = capture((24,), 11)
    quiet = replace(region_of(made), samples=np.zeros(4_000))
    assert acquire(quiet, turn_back(quiet.samples, 1.0), 36.0) is None


@pytest.mark.parametrize(("before", "after"), [(0, 0), (3, 2), (-4, -5), (5, -5)])
def test_ends_are_found_from_too_few_or_too_many_symbols(before, after):
    made = capture((40,), 12, esn0_db=14.0)
    truth = true_fit(made)
    off = replace(truth, start=truth.start - before * truth.period, count=40 + before + after)
    fit = reach(off)
    assert fit.count == 40
    assert fit.start == pytest.approx(truth.start)
    assert fit.nats == pytest.approx(float(np.sum(truth.symbol_nats())))


def test_ends_keep_to_the_span():
    made = capture((40,), 13, esn0_db=14.0)
    truth = true_fit(made)
    low, high = truth.start + 4.0 * truth.period, truth.stop - 6.0 * truth.period
    inner = replace(truth, start=truth.start + 10.0 * truth.period, count=20)
    fit = reach(inner, span=(low, high))
    assert fit.start == pytest.approx(low)
    assert fit.stop == pytest.approx(high)


def test_two_silent_symbols_end_a_transmission():
    made = capture((30, 30), 14, esn0_db=16.0, gap_symbols=2.0)
    first, second = true_fit(made, 0), true_fit(made, 1)
    # the gap is two symbols and a part: the grid of the first burst sees two of them empty
    fit = reach(replace(first, count=26))
    assert fit.count == 30
    assert fit.stop < second.start


def many_carried(count: int, esn0_db: float, trials: int, cycles: float = 8.0) -> np.ndarray:
    """Frequency, middle phase and amplitude errors (trials, 3) of a carrier fitted with known timing."""
    rng = np.random.default_rng(15)
    made = capture((count,), 15, carrier_hz=160e3, cycles=cycles, esn0_db=300.0, lead_symbols=1.0)
    clean = true_fit(made)
    variance = clean.amplitude**2 * clean.period / 4.0 / 10.0 ** (esn0_db / 10.0)
    middle = clean.start + count * clean.period / 2.0
    out = []
    for _ in range(trials):
        noisy = made.samples + rng.normal(0.0, np.sqrt(variance), made.samples.size)
        region = replace(clean.region, samples=noisy, variance=variance)
        start = replace(
            clean,
            region=region,
            turned=turn_back(noisy, clean.omega, True),
            omega=clean.omega + rng.normal(0.0, 0.02) / clean.period,
        )
        # the same phase in the middle, where the two frequencies are meant to agree
        start = replace(start, phase=clean.phase + (clean.omega - start.omega) * middle)
        fit = carry(start, rounds=8)
        phase = fit.phase - clean.phase + (fit.omega - clean.omega) * middle
        phase = np.angle(np.exp(2j * phase)) / 2.0
        out.append((fit.omega - clean.omega, phase, fit.amplitude - 1.0))
    return np.array(out)


def test_carrier_phase_and_amplitude_reach_the_cramer_rao_bounds():
    """Rife and Boorstyn 1974, for N samples with eta = A^2 / (2 s^2) (equations from memory):
    var w = 12 / (eta N (N^2 - 1)), var p = 1 / (eta N) in the middle, var A = 2 s^2 / N.
    """
    trials = 150
    errors = many_carried(50, 12.0, trials)
    n = 50 * 50.0
    eta = 2.0 * 10**1.2 / 50.0
    bounds = np.sqrt([12.0 / (eta * n * (n * n - 1.0)), 1.0 / (eta * n), 1.0 / (eta * n)])
    spread = errors.std(axis=0, ddof=1) / bounds
    # the root of chi-square over its 149 degrees of freedom: 1 +- 3.3 / sqrt(2 * 149) in 999 of 1000
    assert np.all(np.abs(spread - 1.0) < 0.2), spread
    assert np.all(np.abs(errors.mean(axis=0)) < 4.0 * bounds / np.sqrt(trials))


@pytest.mark.parametrize("cycles", [0.9, 1.37, 2.2])
def test_few_cycles_a_symbol_bend_neither_phase_nor_amplitude(cycles):
    """What is left of a cycle at the ends changes energy and leaks across the phase; the fit must know."""
    for draw in range(6):
        made = capture((8,), 400 + draw, carrier_hz=31_007.0, cycles=cycles, esn0_db=45.0, lead_symbols=2.0)
        truth = true_fit(made)
        fit = carry(replace(truth, phase=truth.phase + 0.1, amplitude=1.1), rounds=12)
        middle = truth.start + 4 * truth.period
        phase = fit.phase - truth.phase + (fit.omega - truth.omega) * middle
        bound = 1.0 / (truth.gain * np.sqrt(8))
        assert abs(np.angle(np.exp(2j * phase)) / 2.0) < 5.0 * bound
        assert abs(fit.amplitude - 1.0) < 5.0 * bound


@pytest.mark.parametrize(("esn0_db", "rate"), [(2.0, 3.750613e-2), (4.0, 1.250082e-2)])
def test_a_perfect_fit_errs_as_often_as_theory_says(esn0_db, rate):
    """Q(sqrt(2 Es/N0)), published values."""
    made = capture((6_000,), 18, esn0_db=esn0_db, carrier_hz=300e3, cycles=6.0, lead_symbols=1.0)
    wrong = np.sign(true_fit(made).turned_symbols().real) != signs_of(made.bursts[0].symbols)
    low, high = clopper_pearson(int(wrong.sum()), 6_000, 0.999)
    assert low < rate < high


def test_settled_fits_lose_little_against_theory():
    """Bursts of 60 symbols, told nothing but the period and about the carrier: half a decibel at most."""
    wrong = total = 0
    for draw in range(60):
        made = capture((60,), 300 + draw, esn0_db=5.0, cycles=4.0, lead_symbols=8.0)
        truth = true_fit(made)
        off = turn_back(made.samples, truth.omega + 2 * np.pi * 0.2 / (60 * truth.period))
        fit = settle(acquire(region_of(made), off, truth.period))
        # the burst's own symbols are compared, wherever the fit's ends are
        first = round((truth.start - fit.start) / fit.period)
        y = replace(fit, start=fit.start + first * fit.period, count=60).turned_symbols().real
        differ = int(np.sum(np.sign(y) != signs_of(made.bursts[0].symbols)))
        wrong += min(differ, 60 - differ)
        total += 60
    low, high = clopper_pearson(wrong, total, 0.999)
    assert low < bpsk_error_rate(4.5)
    assert high > bpsk_error_rate(5.0)


def test_a_held_carrier_is_held():
    made = capture((30,), 16)
    truth = true_fit(made)
    off = replace(truth, omega=truth.omega + 1e-5)
    assert carry(off, hold_carrier=True).omega == off.omega
    assert settle(off, hold_carrier=True).omega == off.omega
    assert carry(off).omega != off.omega


def test_gain_of_samples_and_noise_together_changes_nothing():
    made = capture((30,), 17)
    truth = true_fit(made, sharp=False)
    plain = settle(acquire(region_of(made), truth.turned, truth.period))
    for k in (1e-6, 1e6):
        region = replace(truth.region, samples=made.samples * k, variance=made.sigma**2 * k * k)
        scaled = settle(acquire(region, turn_back(region.samples, truth.omega), truth.period))
        found, due = ((f.count, f.start, f.omega, f.nats) for f in (scaled, plain))
        assert found == pytest.approx(due)
        assert scaled.amplitude == pytest.approx(plain.amplitude * k)
