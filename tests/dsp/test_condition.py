"""What is taken off parts of a record, and what is left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, flat_floor, record_of, sigma_for

from dsp.condition import Conditioner
from dsp.noise import estimate_noise
from dsp.source import make_record
from dsp.synth import transmissions
from dsp.synth_line import pwm_ripple, wander

CARRIER_HZ, SYMBOL_RATE = 173_011.0, 173_011.0 / 6.3


def conditioner(samples: np.ndarray, **changes: object) -> Conditioner:
    record = record_of(samples)
    return replace(Conditioner(record, estimate_noise(record), CARRIER_HZ, SYMBOL_RATE), **changes)


def burst_only(made) -> np.ndarray:
    return transmissions(made.bursts, RATE_HZ, len(made.samples)).samples


def share_left(found: np.ndarray, sent: np.ndarray) -> float:
    """How much of the burst's amplitude is still there: 1 if all."""
    return float(found @ sent / (sent @ sent))


def test_a_quiet_line_only_loses_its_level():
    made = capture((40, 40), 1)
    whole = conditioner(made.samples + 24.0, noise=flat_floor(made.sigma))
    strip = whole.strip([(0, len(made.samples))])
    # to the digits of single precision
    near = 2.0**-23 * float(np.abs(made.samples).max())
    np.testing.assert_allclose(strip.samples, made.samples - made.samples.mean(), rtol=0.0, atol=near)


def test_level_ripple_and_wander_go_and_the_burst_stays():
    made = capture((40, 40, 40), 2, esn0_db=18.0, gap_symbols=60.0, lead_symbols=150.0)
    rng = np.random.default_rng(2)
    count = len(made.samples)
    clean = burst_only(made)
    dirt = 24.0 + pwm_ripple(count, RATE_HZ, 21_300.0, 0.5, corner_hz=20e3) + wander(count, 1.0, rng)
    strip = conditioner(made.samples + dirt).strip([(0, count)])
    assert share_left(strip.samples, clean) == pytest.approx(1.0, abs=0.15)
    rest = (strip.samples - clean)[clean == 0.0]
    assert abs(rest.mean()) < 0.5
    line = np.exp(-2j * np.pi * 21_300.0 / RATE_HZ * np.arange(count))[clean == 0.0]
    before = abs(np.mean((made.samples + dirt - dirt.mean())[clean == 0.0] * line))
    assert abs(np.mean(rest * line)) < 0.1 * before
    # what a symbol meets is the noise that was there without the dirt
    period = round(RATE_HZ / SYMBOL_RATE)
    met = rest[: rest.size // period * period].reshape(-1, period)
    carrier = np.exp(-2j * np.pi * CARRIER_HZ / RATE_HZ * np.arange(period))
    assert np.mean(np.abs(met @ carrier) ** 2) / period == pytest.approx(made.sigma**2, rel=0.35)


def test_variance_is_that_of_the_noise_near_the_carrier():
    made = capture((40, 40), 3, gap_symbols=40.0)
    whole = conditioner(made.samples)
    assert whole.reference == pytest.approx(2.0 * made.sigma**2 / RATE_HZ, rel=0.6)
    assert whole.variance == pytest.approx(whole.reference * RATE_HZ / 2.0)
    assert replace(whole, noise_scale=0.5).variance == pytest.approx(whole.variance / 2.0)
    known = replace(whole, noise=flat_floor(made.sigma))
    assert known.variance == pytest.approx(made.sigma**2)
    assert known.strip([(100, 200)]).variance == known.variance


@pytest.mark.parametrize("carrier_hz", [100.0, 499_000.0])
def test_reference_at_the_ends_of_the_band_is_a_number(carrier_hz):
    made = capture((40,), 4)
    value = conditioner(made.samples, carrier_hz=carrier_hz).reference
    assert np.isfinite(value)
    assert value > 0.0


def test_parts_are_cut_to_their_stretch():
    made = capture((40, 40), 5)
    count = len(made.samples)
    edge = count // 2
    loud = made.samples.copy()
    loud[edge:] = 1e9
    record = make_record(loud, RATE_HZ, 0.0, 1.0, 0.0, ((0, edge, 0.0), (edge, count, 5.0)))
    one = Conditioner(record, flat_floor(made.sigma), CARRIER_HZ, SYMBOL_RATE)
    whole = one.strip([(-500, edge + 500)])
    assert (whole.origins.tolist(), whole.samples.size) == ([0], edge)
    assert (whole.at_first.tolist(), whole.at_last.tolist()) == ([True], [True])
    # nothing of the other segment is in it
    assert np.abs(whole.samples).max() < 10.0
    part = one.strip([(100, 900)])
    assert (part.origins.tolist(), part.samples.size) == ([100], 800)
    assert (part.at_first.tolist(), part.at_last.tolist()) == ([False], [False])


@pytest.mark.parametrize("spans", [[(0, 900), (900, 1_500)], [(100, 300), (400, 450), (3_000, 4_000)]])
def test_several_parts_come_one_after_the_other(spans):
    """Each as the only part there is; every sample known by its number in the record."""
    made = capture((40, 40, 40), 9)
    whole = conditioner(made.samples)
    strip = whole.strip(spans)
    assert strip.size == strip.samples.size == sum(b - a for a, b in spans)
    place = np.arange(strip.size)
    numbers = np.concatenate([np.arange(a, b) for a, b in spans])
    np.testing.assert_array_equal(place + strip.shift(place), numbers)
    for (a, b), begin, end in zip(spans, strip.begins, strip.ends, strict=True):
        alone = whole.strip([(a, b)])
        near = strip.samples[begin:end] - alone.samples
        # what surrounds a part decides on its mean alone
        assert np.abs(near - near.mean()).max() < 1e-5
    assert strip.at_first.tolist() == [a == 0 for a, _ in spans]
    assert not strip.at_last.any()


def test_parts_of_several_segments_each_on_its_own_level():
    made = capture((40, 40), 10)
    count, edge = len(made.samples), 2_000
    lifted = made.samples.copy()
    lifted[edge:] += 50.0
    record = make_record(lifted, RATE_HZ, 0.0, 1.0, 0.0, ((0, edge, 0.0), (edge, count, 5.0)))
    one = Conditioner(record, flat_floor(made.sigma), CARRIER_HZ, SYMBOL_RATE)
    strip = one.strip([(0, edge), (edge, count)])
    assert strip.begins.tolist() == strip.origins.tolist() == [0, edge]
    assert (strip.at_first.tolist(), strip.at_last.tolist()) == ([True, True], [True, True])
    for part in (strip.samples[:edge], strip.samples[edge:]):
        assert abs(part.mean()) < 1e-4
    due = made.samples[edge:] - made.samples[edge:].mean()
    np.testing.assert_allclose(strip.samples[edge:], due, atol=1e-5)


def test_a_part_is_the_same_as_in_the_whole():
    made = capture((40, 40), 6)
    whole = conditioner(made.samples)
    np.testing.assert_allclose(
        whole.strip([(1_000, 2_000)]).samples,
        whole.strip([(0, len(made.samples))]).samples[1_000:2_000],
        atol=1e-9,
    )


def test_gain_scales_the_samples_and_the_variance():
    made = capture((40, 40), 7)
    plain = conditioner(made.samples).strip([(500, 1_500)])
    for k in (1e-6, 1e6):
        scaled = conditioner(made.samples * k).strip([(500, 1_500)])
        np.testing.assert_allclose(scaled.samples, plain.samples * k, rtol=1e-6, atol=1e-9 * k)
        assert scaled.variance == pytest.approx(plain.variance * k * k)


def test_a_carrier_on_a_ripple_line_keeps_its_symbols():
    """The ripple's eighth harmonic lies on the carrier: it is weighted down, not the burst with it."""
    made = capture((60, 60), 8, esn0_db=18.0, lead_symbols=150.0)
    count = len(made.samples)
    clean = burst_only(made)
    sigma = sigma_for(18.0, SYMBOL_RATE)
    line = 3.0 * sigma * np.cos(2 * np.pi * CARRIER_HZ / RATE_HZ * np.arange(count))
    strip = conditioner(made.samples + line).strip([(0, count)])
    assert share_left(strip.samples, clean) > 0.8
    around = np.exp(-2j * np.pi * CARRIER_HZ / RATE_HZ * np.arange(count))
    quiet = clean == 0.0
    before = abs(np.mean((made.samples + line)[quiet] * around[quiet]))
    assert abs(np.mean(strip.samples[quiet] * around[quiet])) < 0.5 * before
