"""What bursts share: the period and its uncertainty, the talkers, published values of the bounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import capture, true_fit
from scipy import stats

from dsp.pool import amplitude_std, carrier_std, group_talkers, pooled_period


@pytest.mark.parametrize(
    ("samples", "rate_hz", "snr_db", "std_hz"),
    [
        (1_000, 1e6, 10.0, 5.51329),
        (1_000, 1e6, 20.0, 1.74346),
        (1_024, 1e6, 0.0, 16.8252),
        (10_000, 10e6, 20.0, 0.551329),
    ],
)
def test_carrier_uncertainty_is_the_cramer_rao_bound(samples, rate_hz, snr_db, std_hz):
    """Rife and Boorstyn 1974: var w = 12 / (eta N (N^2 - 1)), worked with eta = 10^(SNR/10)."""
    count = 20
    period = samples / count
    gain = np.sqrt(10.0 ** (snr_db / 10.0) * period)
    assert carrier_std(gain, count, period) * rate_hz / (2 * np.pi) == pytest.approx(std_hz, rel=1e-4)


def test_amplitude_uncertainty_is_the_cramer_rao_bound():
    # var A = 2 s^2 / N: at 10 dB over 1000 samples 1 % (Kay's form, from memory)
    assert amplitude_std(3.0, np.sqrt(10.0 * 50.0), 20) == pytest.approx(0.03)


def trial(draw: int, lengths: tuple[int, ...]) -> tuple[float, float]:
    """Relative error of the pooled period, and its stated relative uncertainty."""
    made = capture(lengths, draw, esn0_db=14.0, carrier_hz=173_011.0 + 37.0 * draw)
    fits = [true_fit(made, k, sharp=False) for k in range(len(lengths))]
    true = fits[0].period
    pooled = pooled_period(fits, true * (1.0 + 0.2 / max(lengths)), False)
    return pooled.value / true - 1.0, pooled.std / true


def test_period_errs_as_it_says():
    """Of 18 captures the squares of error over uncertainty add up to chi-square of 18 degrees of freedom."""
    tried = np.array([trial(draw, (30, 40)) for draw in range(18)])
    z = tried[:, 0] / tried[:, 1]
    low, high = stats.chi2.ppf([0.0005, 0.9995], 18) / 18
    assert low < np.mean(z**2) < high
    assert np.max(np.abs(tried[:, 0])) < 0.05 / 40


def test_period_errs_as_it_says_where_flips_fall_between_samples_of_a_band_limited_signal():
    """As above, the samples taken half a sample later of the signal that goes through the samples.

    No sample belongs to one symbol alone any more, which is so behind every filter before a converter.
    """
    z = []
    for draw in range(10):
        made = capture((30, 40), draw, esn0_db=22.0, carrier_hz=173_011.0 + 37.0 * draw)
        turn = np.exp(-1j * np.pi * np.fft.rfftfreq(made.samples.size))
        later = replace(made, samples=np.fft.irfft(np.fft.rfft(made.samples) * turn, made.samples.size))
        fits = [true_fit(later, k, sharp=False) for k in range(2)]
        fits = [replace(f, start=f.start + 0.5, phase=f.phase - 0.5 * f.omega) for f in fits]
        pooled = pooled_period(fits, fits[0].period, False)
        z.append((pooled.value - fits[0].period) / pooled.std)
    low, high = stats.chi2.ppf([0.0005, 0.9995], 10) / 10
    assert low < np.mean(np.square(z)) < high, np.round(z, 1)


def test_more_and_longer_bursts_tell_the_period_better():
    few = np.mean([trial(draw, (30,))[1] for draw in range(2)])
    many = np.mean([trial(draw, (30, 30, 30, 30))[1] for draw in range(2)])
    longer = np.mean([trial(draw, (90,))[1] for draw in range(2)])
    assert many < 0.75 * few
    assert longer < 0.6 * few


def partition(groups: list[int]) -> set[frozenset[int]]:
    return {frozenset(np.flatnonzero(np.array(groups) == g).tolist()) for g in set(groups)}


def talkers(amplitude, carrier, amplitude_u=0.01, carrier_u=1e-6):
    amplitude, carrier = np.array(amplitude, float), np.array(carrier, float)
    return group_talkers(
        amplitude, amplitude_u * amplitude, carrier, np.full(len(carrier), carrier_u * carrier.mean())
    )


def test_one_burst_is_one_talker():
    assert talkers([2.0], [1.0]) == [0]


def test_amplitudes_tell_talkers():
    assert talkers([1.0, 0.5, 1.01, 0.49, 0.2], [1.0] * 5) == [0, 1, 0, 1, 2]


def test_carriers_tell_talkers_of_one_amplitude():
    # a tenth of a per cent apart, against 10^-5 that counts as equal
    assert talkers([1.0, 1.0, 1.0, 1.0], [1.0, 1.001, 1.0, 1.001]) == [0, 1, 0, 1]


def test_what_is_uncertain_tells_nothing():
    assert talkers([1.0, 1.3, 0.9], [1.0] * 3, amplitude_u=0.3) == [0, 0, 0]
    assert talkers([1.0] * 3, [1.0, 1.01, 0.99], carrier_u=0.02) == [0, 0, 0]


def test_order_and_gain_do_not_matter():
    rng = np.random.default_rng(1)
    amplitude = np.repeat([1.0, 0.6, 0.25], [5, 4, 3]) * rng.normal(1.0, 0.01, 12)
    carrier = np.repeat([1.0, 1.0005, 1.0], [5, 4, 3]) * rng.normal(1.0, 1e-6, 12)
    groups = talkers(amplitude, carrier)
    assert partition(groups) == {frozenset(range(5)), frozenset(range(5, 9)), frozenset(range(9, 12))}
    assert talkers(amplitude * 1e-6, carrier) == groups
    order = rng.permutation(12)
    shuffled = talkers(amplitude[order], carrier[order])
    assert {frozenset(order[list(g)].tolist()) for g in partition(shuffled)} == partition(groups)
    # numbered as they first speak
    seen = list(dict.fromkeys(shuffled))
    assert seen == sorted(seen)


def test_bursts_of_one_talker_stay_together():
    """Three standard uncertainties: of 40 captures of 8 bursts hardly one is split."""
    rng = np.random.default_rng(2)
    split = 0
    for _ in range(40):
        groups = talkers(rng.normal(1.0, 0.02, 8), rng.normal(1.0, 2e-6, 8), 0.02, 2e-6)
        split += max(groups) > 0
    assert split <= 3
