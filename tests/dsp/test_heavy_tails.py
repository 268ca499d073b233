"""Noise whose samples are no normal ones, a converter's last digit above all: what it makes by chance is nothing sent."""

from __future__ import annotations

import numpy as np
import pytest
from generators.quiet import RATE_HZ, flat_with_last_digit
from generators.truths import Capture, capture, strip_from, true_fits

from dsp import decode
from dsp.fits import scored
from dsp.heavy_tails import nats_in_tails, sum_nats
from dsp.runs import runs_of

NOWHERE = np.zeros((0, 2))


@pytest.mark.parametrize("length", [15, 40])
def test_sums_are_no_likelier_than_is_said(length: int) -> None:
    """Chernoff 1952; the nats of a normal distribution of the same variance are far too many there."""
    rng = np.random.default_rng(length)
    values = np.round(0.3 * rng.standard_normal(1_000_000))
    weights = np.cos(1.3 * np.arange(length))
    sums = np.convolve(values, weights[::-1], "valid")
    power = float(weights @ weights) * float(values.var())
    for share in (1e-2, 1e-3, 1e-4):
        told = float(np.quantile(sums, 1.0 - share))
        nats = sum_nats(weights, told, values[:8192])
        assert share < np.exp(-nats) < 20.0 * share
    # normal sums would be beyond the last of these in a part of that
    assert np.exp(-(told**2) / (2.0 * power)) < 0.3 * np.exp(-nats)


def test_of_normal_samples_the_bound_is_that_of_the_normal_distribution() -> None:
    values = np.random.default_rng(3).standard_normal(8192)
    weights = np.cos(0.7 * np.arange(300))
    told = 5.0 * float(np.sqrt(weights @ weights))
    assert sum_nats(weights, told, values) == pytest.approx(12.5, rel=0.03)


def coarse(made: Capture, step: float) -> Capture:
    return Capture(step * np.round(made.samples / step), made.bursts, made.sigma)


def test_transmissions_in_normal_noise_lose_nothing() -> None:
    made = capture((24, 40, 32), 5, esn0_db=9.0, gap_symbols=60.0)
    runs = runs_of(scored(true_fits(made)))
    assert (runs.nats > 50.0).all()
    np.testing.assert_array_equal(nats_in_tails(strip_from(made), runs, NOWHERE), runs.nats)


def test_what_a_last_digit_shows_is_worth_less() -> None:
    made = capture((24, 24), 5, esn0_db=4.0, gap_symbols=200.0, cycles=2.0)
    rough = coarse(made, 3.5 * made.sigma)
    runs = runs_of(scored(true_fits(rough)))
    told = nats_in_tails(strip_from(rough), runs, NOWHERE)
    assert (told < 0.9 * runs.nats).all()
    assert (told > 0.2 * runs.nats).all()


def test_a_last_digit_sends_nothing() -> None:
    """A draw of which single samples that stand together were taken for symbols."""
    found = decode(flat_with_last_digit(np.random.RandomState(31)), RATE_HZ)
    assert not found.bursts
    assert found.signalling.kind != "bpsk"


def test_single_spikes_send_nothing() -> None:
    rng = np.random.default_rng(40)
    samples = rng.standard_normal(60_000) + np.where(rng.random(60_000) < 0.002, 30.0, 0.0) * rng.choice(
        [-1, 1], 60_000
    )
    assert not decode(samples, RATE_HZ).bursts
