"""Pooling over bursts, the instrument's tolerance, and the sentence."""

from __future__ import annotations

import math

import numpy as np
import pytest
from generators.decodes import burst, keyed, refused

from app.model.summary import pool, sentence, summarise
from app.model.tolerance import Tolerance


def test_inverse_variance_mean_of_two_known_values():
    # by hand: weights 1 and 1/4, mean (10 + 11/4) / (5/4) = 10.2, std sqrt(4/5), chi-squared 0.2 below 1
    pooled = pool([(10.0, 1.0), (11.0, 2.0)])
    assert pooled.value == pytest.approx(10.2)
    assert pooled.std == pytest.approx(math.sqrt(0.8))
    assert pooled.count == 2


def test_the_same_estimate_shared_by_bursts_counts_once():
    pooled = pool([(10.0, 1.0)] * 20)
    assert (pooled.value, pooled.std, pooled.count) == (10.0, 1.0, 1)


def test_scatter_beyond_the_claims_widens_by_the_birge_ratio():
    # by hand: mean 5, chi-squared 2 * 25 = 50 over one degree of freedom, 1/sqrt(2) * sqrt(50) = 5
    pooled = pool([(0.0, 1.0), (10.0, 1.0)])
    assert pooled.birge_ratio == pytest.approx(math.sqrt(50))
    assert pooled.std == pytest.approx(5.0)


def test_pooled_uncertainty_is_right_on_average():
    rng = np.random.default_rng(7)
    stds = rng.uniform(0.5, 3.0, 12)
    errors = []
    for _ in range(400):
        pooled = pool([*zip((4e5 + stds * rng.normal(size=12)).tolist(), stds.tolist(), strict=True)])
        errors.append((pooled.value - 4e5) / pooled.std)
    assert 0.85 < np.std(errors) < 1.05


@pytest.mark.parametrize(
    ("pairs", "value", "std"),
    [
        ([], None, None),
        ([(None, None)], None, None),
        ([(math.nan, 1.0)], None, None),
        ([(3.0, None)], 3.0, None),
        ([(1.0, None), (3.0, None)], 2.0, 1.0),
        ([(3.0, None), (4.0, 0.5)], 4.0, 0.5),
    ],
)
def test_what_is_missing_is_not_made_up(pairs, value, std):
    pooled = pool(pairs)
    assert (pooled and pooled.value) == value
    assert (pooled and pooled.std) == std


def test_tolerance_is_a_rectangular_distribution_and_added_after_pooling():
    # JCGM 100:2008 4.3.7: half width a, standard uncertainty a / sqrt(3)
    tolerance = Tolerance(timebase_ppm=30.0, gain_percent=3.0)
    assert tolerance.time_std(1e6, 0.0) == pytest.approx(30 / math.sqrt(3))
    assert tolerance.gain_std(2.0, 0.0) == pytest.approx(0.06 / math.sqrt(3))
    assert tolerance.time_std(1e6, None) is None
    many = keyed(*(burst(carrier_hz=1e6 + 0.001 * i, carrier_std_hz=1.0) for i in range(100)))
    pooled = summarise(many, "V", tolerance).carrier_hz
    assert pooled.std == pytest.approx(math.hypot(0.1, 30 / math.sqrt(3)))


def test_one_sentence_names_kind_carrier_rate_talkers_and_lengths_with_uncertainties():
    text = sentence(summarise(keyed(), "V"))
    assert text == (
        "The line is keyed by half turns of a carrier (bpsk, probability 0.97): carrier 203.7102(35) kHz, "
        "symbol rate 10.00050(25) kBd, 20.3700(6) carrier cycles per symbol, 1 burst by one talker, each "
        "length right with probability 0.931: talker 0 amplitude 800.0(20) mV, "
        "1 burst of 4 symbols (399.980(10) µs)."
    )


def test_talkers_with_carriers_of_their_own_are_told_apart():
    decode = keyed(
        burst(talker=0, carrier_hz=203_710.0, amplitude=0.8),
        burst(talker=0, carrier_hz=203_710.0, amplitude=0.8, symbols="101101"),
        burst(talker=1, carrier_hz=203_984.0, amplitude=0.27, symbols="101101"),
    )
    text = sentence(summarise(decode, "V"))
    assert text.endswith(
        "symbol rate 10.00050(25) kBd, 20.3700(4) carrier cycles per symbol, 3 bursts by 2 talkers, each "
        "length right with probability 0.931: "
        "talker 0 amplitude 800.0(20) mV, carrier 203.7100(35) kHz, 2 bursts of 4 or 6 symbols "
        "(399.980(10) µs or 599.970(15) µs); "
        "talker 1 amplitude 270.0(20) mV, carrier 203.9840(35) kHz, 1 burst of 6 symbols (599.970(15) µs)."
    )


def test_a_refusal_is_told_with_its_reason():
    text = sentence(summarise(refused(), "V"))
    assert text.startswith("The line is without any transmission (none, probability 0.999)")
    assert text.endswith("no bits are given: no transmission stands out.")
