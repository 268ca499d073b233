"""The yardsticks of ``tests/benchmarks`` against published values and against themselves."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.bounds import (
    bpsk_error_rate,
    carrier_and_phase_bounds,
    carrier_std_bound_hz,
    clopper_pearson,
    detection_error_rate,
    differential_error_rate,
    differential_loss_db,
    likeliest_flips_s,
    loss_db,
    matched_log_odds,
    mean_square_interval,
    poisson_interval,
)
from benchmarks.calibration import is_calibrated
from benchmarks.joint import joint_losses
from benchmarks.likelihood import likeliest_period

from dsp.synth import BurstSpec, random_symbols, transmissions
from dsp.synth_line import noise


@pytest.mark.parametrize(
    ("db", "rate"), [(0, 7.86496e-2), (4, 1.250082e-2), (8, 1.909078e-4), (9.6, 9.736176e-6)]
)
def test_error_rates_are_the_published_ones(db, rate):
    # Q(sqrt(2 Eb/N0)); 1e-5 at 9.5879 dB is the textbook point of BPSK
    assert bpsk_error_rate(db) == pytest.approx(rate, rel=1e-5)
    assert loss_db(rate, db) == pytest.approx(0, abs=1e-4)


@pytest.mark.parametrize(
    ("db", "rate"), [(0, 1.449277e-1), (4, 2.46891e-2), (8, 3.817427e-4), (9.6, 1.947216e-5)]
)
def test_differentially_decoded_rates_are_the_published_ones(db, rate):
    # 2 p (1 - p); 1e-5 at 9.8926 dB
    assert differential_error_rate(db) == pytest.approx(rate, rel=1e-5)
    assert differential_loss_db(rate, db) == pytest.approx(0, abs=1e-4)
    assert differential_error_rate(9.8926) == pytest.approx(1e-5, rel=1e-3)


@pytest.mark.parametrize(("db", "rate"), [(9.6, 5.472141e-5), (10.3422, 1e-5), (7.9341, 1e-3)])
def test_rates_of_differential_detection_are_the_published_ones(db, rate):
    # DBPSK: exp(-Eb/N0) / 2; 1e-5 at 10.3422 dB, 0.75 dB beyond BPSK
    assert detection_error_rate(db) == pytest.approx(rate, rel=2e-4)


def test_a_general_library_has_the_same_theoretical_rates():
    """A library for teaching communications, by other hands; its argument is Eb/N0."""
    from sk_dsp_comm.digitalcom import mpsk_bep_thy

    for db in (-3.0, 0.0, 2.5, 5.0, 7.0, 9.6, 12.0):
        assert bpsk_error_rate(db) == pytest.approx(float(mpsk_bep_thy(db, 2)), rel=1e-9)
        p = float(mpsk_bep_thy(db, 2))
        assert differential_error_rate(db) == pytest.approx(2 * p * (1 - p), rel=1e-9)


def test_intervals_of_rare_events_and_of_variances():
    # none of a Poisson mean m has the probability exp(-m): 95 % two-sided leaves 2.5 %
    assert poisson_interval(0) == pytest.approx((0.0, -np.log(0.025)))
    # tables of the chi-square distribution, 10 degrees: 3.247 and 20.483
    assert mean_square_interval(1.0, 10) == pytest.approx((10 / 20.483, 10 / 3.247), rel=1e-3)


def test_clopper_pearson_holds_its_ends():
    # closed forms: none of n gives 1 - 0.025^(1/n), all of n gives 0.025^(1/n)
    assert clopper_pearson(0, 10) == pytest.approx((0.0, 1 - 0.025**0.1))
    assert clopper_pearson(10, 10) == pytest.approx((0.025**0.1, 1.0))


@pytest.mark.parametrize(
    ("hits", "trials", "level"), [(1, 30, 0.95), (13, 100, 0.95), (99, 100, 0.9), (250, 400, 0.999)]
)
def test_clopper_pearson_as_scipy_inverts_the_binomial_test(hits, trials, level):
    from scipy.stats import binom, binomtest

    low, high = clopper_pearson(hits, trials, level)
    exact = binomtest(hits, trials).proportion_ci(level, "exact")
    assert (low, high) == pytest.approx((exact.low, exact.high), rel=1e-9)
    # its definition: at either end so many or more, so few or fewer, have half of what is left out
    assert binom.sf(hits - 1, trials, low) == pytest.approx((1 - level) / 2, rel=1e-6)
    assert binom.cdf(hits, trials, high) == pytest.approx((1 - level) / 2, rel=1e-6)


def test_long_bursts_reach_the_closed_form_of_the_carrier_bound():
    # Rife and Boorstyn 1974: var(w) = 12 / (eta N (N^2 - 1)); N = 1000, 1 MHz, 10 dB: 5.51329 Hz
    burst = BurstSpec(0.0, "1" * 100, 100_000.0, 73_100.0)
    sigma = np.sqrt(0.5 / 10)
    assert carrier_std_bound_hz([burst], 1e6, sigma) == pytest.approx(5.51329, rel=2e-3)
    shared = carrier_std_bound_hz([burst] * 4, 1e6, sigma)
    assert shared == pytest.approx(carrier_std_bound_hz([burst], 1e6, sigma) / 2)


def test_the_phase_is_known_at_the_middle_as_the_closed_form_says():
    # Rife and Boorstyn 1974 (real tone, Kay 1993): 1 / sqrt(eta N) = 0.01 rad; N = 1000, 10 dB
    burst = BurstSpec(0.0, "1101" * 25, 100_000.0, 73_100.0, phase_rad=0.3)
    carrier, (alone,) = carrier_and_phase_bounds([burst], 1e6, np.sqrt(0.5 / 10))
    assert alone == pytest.approx(0.01, rel=2e-3)
    assert carrier == pytest.approx(5.51329, rel=2e-3)
    # a carrier that is shared helps a phase at the middle by next to nothing
    assert carrier_and_phase_bounds([burst] * 9, 1e6, np.sqrt(0.5 / 10))[1][4] == pytest.approx(alone, 1e-3)


def test_a_receiver_told_everything_errs_as_theory_says():
    rng = np.random.default_rng(12)
    wrong = count = 0
    sigma = np.sqrt(1e6 / (4 * 20_000.0) / 10**0.4)
    for _ in range(40):
        burst = BurstSpec(1e-5, random_symbols(200, rng), 20_000.0, 170_000.0, phase_rad=rng.uniform(0, 6))
        samples = transmissions([burst], 1e6, 10_100).samples + noise(10_100, sigma, rng)
        odds = matched_log_odds(samples, 1e6, burst, sigma)
        wrong += sum((o > 0) != (s == "1") for o, s in zip(odds, burst.symbols, strict=True))
        count += 200
    low, high = clopper_pearson(wrong, count, 0.999)
    assert low < bpsk_error_rate(4.0) < high


@pytest.mark.long
def test_a_receiver_that_finds_the_burst_loses_a_little_to_one_told_everything():
    """At 3 dB and 24 symbols some 6 to 12 % of log loss; at 12 dB neither errs, and a symbol told wrong costs much."""
    rng = np.random.default_rng(5)
    told, found = [], []
    sigma = np.sqrt(1e6 / (4 * 60_000.0) / 10**0.3)
    for _ in range(300):
        burst = BurstSpec(
            1e-4 + rng.uniform(0, 2e-5),
            random_symbols(24, rng),
            60_000.0,
            170_000.0,
            phase_rad=rng.uniform(0, 6),
        )
        samples = transmissions([burst], 1e6, 700).samples + noise(700, sigma, rng)
        signs = np.array([1 if s == "1" else -1 for s in burst.symbols])
        told.append(np.logaddexp(0, -signs * matched_log_odds(samples, 1e6, burst, sigma)))
        found.append(joint_losses(samples, 1e6, burst, sigma))
    ratio = np.mean(found) / np.mean(told)
    spread = np.std(np.subtract(found, told).mean(axis=1)) / np.mean(told) / np.sqrt(300)
    assert 1.03 < ratio < 1.2
    assert ratio - 1 > 2 * spread


def test_the_receiver_that_finds_the_burst_is_sure_of_it_without_noise():
    burst = BurstSpec(1.13e-4, "110100111010001011010", 60_000.0, 170_000.0, phase_rad=0.4)
    samples = transmissions([burst], 1e6, 700).samples
    assert np.max(joint_losses(samples, 1e6, burst, 0.3)) < 1e-6
    turned = BurstSpec(burst.start_s, "0" + burst.symbols[1:], 60_000.0, 170_000.0, phase_rad=0.4)
    losses = joint_losses(samples, 1e6, turned, 0.3)
    assert losses[0] > 10
    assert np.max(losses[1:]) < 1e-6


def test_brute_force_finds_flips_between_the_right_samples_without_noise():
    burst = BurstSpec(1.37e-4, "110100", 20_000.0, 170_000.0, phase_rad=0.4)
    samples = transmissions([burst], 1e6, 600).samples
    found = likeliest_flips_s(samples, 1e6, burst)
    assert np.max(np.abs(found - np.array(burst.flips_s))) <= 0.5e-6 + 1e-12


def test_brute_force_finds_the_period_as_well_as_samples_show_it():
    """Hardly any noise: what is left is that an edge may be anywhere between two samples."""
    rng = np.random.default_rng(31)
    errors = []
    for count in (1, 12):
        now, bursts = 2e-4, []
        for _ in range(count):
            bursts.append(
                BurstSpec(now, random_symbols(40, rng), 20_300.0, 171_000.0, phase_rad=rng.uniform(0, 6))
            )
            now = bursts[-1].end_s + rng.uniform(2e-4, 4e-4)
        samples = transmissions(bursts, 1e6, int(now * 1e6)).samples
        sigma = np.sqrt(1e6 / (4 * 20_300.0) / 10**4.0)
        best = likeliest_period(samples + noise(len(samples), sigma, rng), 1e6, bursts, sigma, 40.0)
        errors.append(abs(best.mean_s * 20_300.0 - 1))
    # a sample in forty symbols of 49 is 510 parts in a million
    assert errors[0] < 510e-6
    assert errors[1] < 100e-6


def test_brute_force_errs_less_with_more_energy_and_more_bursts():
    def rms(db: float, count: int) -> float:
        rng = np.random.default_rng(32)
        out = []
        for _ in range(12):
            now, bursts = 2e-4, []
            for _ in range(count):
                bursts.append(BurstSpec(now, random_symbols(30, rng), 20_300.0, 171_000.0))
                now = bursts[-1].end_s + rng.uniform(2e-4, 4e-4)
            sigma = np.sqrt(1e6 / (4 * 20_300.0) / 10 ** (db / 10))
            clean = transmissions(bursts, 1e6, int(now * 1e6)).samples
            best = likeliest_period(clean + noise(len(clean), sigma, rng), 1e6, bursts, sigma, db)
            out.append(best.mean_s * 20_300.0 - 1)
        return float(np.sqrt(np.mean(np.square(out))))

    lone = rms(8.0, 1)
    assert rms(16.0, 1) < 0.5 * lone
    assert rms(8.0, 6) < 0.75 * lone


def test_the_check_of_confidence_passes_the_ideal_receiver_and_fails_a_constant_and_a_boast():
    """Symbols of 2 to 9 dB in Gaussian noise; the posterior of equal priors is 1 / (1 + exp(-|log odds|))."""
    rng = np.random.default_rng(33)
    gain = np.sqrt(2 * 10 ** (rng.integers(2, 10, 400_000) / 10))
    odds = 2 * gain * (gain + rng.normal(size=len(gain)))
    wrong = (odds < 0).astype(float)
    said = 1 / (1 + np.exp(-np.abs(odds)))
    ideal = np.logaddexp(0, -odds)
    assert is_calibrated(said, wrong, ideal)
    assert not is_calibrated(np.full(len(said), 1 - wrong.mean()), wrong, ideal)
    assert not is_calibrated(1 / (1 + np.exp(-1.5 * np.abs(odds))), wrong, ideal)
    assert not is_calibrated(1 / (1 + np.exp(-0.6 * np.abs(odds))), wrong, ideal)
    # right on average, but blind to which symbols are doubtful
    assert not is_calibrated(rng.permutation(said), wrong, ideal)
