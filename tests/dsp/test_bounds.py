"""The yardsticks of ``tests/benchmarks`` against published values and against themselves."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.bounds import (
    bpsk_error_rate,
    carrier_std_bound_hz,
    clopper_pearson,
    likeliest_flips_s,
    loss_db,
    matched_log_odds,
)

from dsp.synth import BurstSpec, random_symbols, transmissions
from dsp.synth_line import noise


@pytest.mark.parametrize(
    ("db", "rate"), [(0, 7.86496e-2), (4, 1.250082e-2), (8, 1.909078e-4), (9.6, 9.736176e-6)]
)
def test_error_rates_are_the_published_ones(db, rate):
    # Q(sqrt(2 Eb/N0)); 1e-5 at 9.5879 dB is the textbook point of BPSK
    assert bpsk_error_rate(db) == pytest.approx(rate, rel=1e-5)
    assert loss_db(rate, db) == pytest.approx(0, abs=1e-4)


def test_clopper_pearson_holds_its_ends():
    # closed forms: none of n gives 1 - 0.025^(1/n), all of n gives 0.025^(1/n)
    assert clopper_pearson(0, 10) == pytest.approx((0.0, 1 - 0.025**0.1))
    assert clopper_pearson(10, 10) == pytest.approx((0.025**0.1, 1.0))


def test_long_bursts_reach_the_closed_form_of_the_carrier_bound():
    # Rife and Boorstyn 1974: var(w) = 12 / (eta N (N^2 - 1)); N = 1000, 1 MHz, 10 dB: 5.51329 Hz
    burst = BurstSpec(0.0, "1" * 100, 100_000.0, 73_100.0)
    sigma = np.sqrt(0.5 / 10)
    assert carrier_std_bound_hz([burst], 1e6, sigma) == pytest.approx(5.51329, rel=2e-3)
    shared = carrier_std_bound_hz([burst] * 4, 1e6, sigma)
    assert shared == pytest.approx(carrier_std_bound_hz([burst], 1e6, sigma) / 2)


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


def test_brute_force_finds_flips_between_the_right_samples_without_noise():
    burst = BurstSpec(1.37e-4, "110100", 20_000.0, 170_000.0, phase_rad=0.4)
    samples = transmissions([burst], 1e6, 600).samples
    found = likeliest_flips_s(samples, 1e6, burst)
    assert np.max(np.abs(found - np.array(burst.flips_s))) <= 0.5e-6 + 1e-12
