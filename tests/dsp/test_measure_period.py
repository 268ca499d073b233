"""Period, jitter and transitions against closed forms and by Monte Carlo."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import erf

from dsp.measure_period import cycle_times, read_period
from dsp.measure_timing import carrier_readings
from dsp.transition import find_transition


def test_even_instants_have_their_period_exactly():
    found = read_period(3.0 + np.arange(51) * 20e-6)
    assert found is not None
    assert found.period.value == pytest.approx(20e-6, rel=1e-12)
    assert found.frequency.value == pytest.approx(50e3, rel=1e-12)
    assert found.periods == 50
    assert found.jitter.value < 1e-14
    assert np.abs(found.deviations_s).max() < 1e-14


def test_the_stated_uncertainties_are_those_of_many_trials():
    """Monte Carlo: the scatter of 3000 results against the mean of the uncertainties stated with them."""
    rng = np.random.default_rng(7)
    period, jitter, count = 1e-3, 5e-6, 41
    results = [read_period(np.arange(count) * period + rng.normal(0, jitter, count)) for _ in range(3000)]
    periods = np.array([one.period.value for one in results])
    stated = np.array([one.period.std for one in results])
    assert np.std(periods) == pytest.approx(float(np.sqrt(np.mean(stated**2))), rel=0.05)
    # the closed form of the module's docstring, N = 40
    assert np.std(periods) == pytest.approx(jitter / math.sqrt(40 * 41 * 42 / 12), rel=0.05)
    assert np.mean(periods) == pytest.approx(period, abs=4 * np.std(periods) / math.sqrt(3000))
    jitters = np.array([one.jitter.value for one in results])
    assert float(np.sqrt(np.mean(jitters**2))) == pytest.approx(jitter, rel=0.02)
    assert np.std(jitters) == pytest.approx(np.mean([one.jitter.std for one in results]), rel=0.06)
    single = np.array([one.period_jitter.value for one in results])
    assert float(np.sqrt(np.mean(single**2))) == pytest.approx(jitter * math.sqrt(2), rel=0.02)


def test_missing_instants_and_half_steps_are_counted_not_measured():
    number = np.array([0, 1, 2, 5, 6, 6.5, 7.5, 8.5, 11.5])
    found = read_period(1.0 + number * 1e-4, halves=True)
    assert found is not None
    assert found.period.value == pytest.approx(1e-4)
    assert found.periods == 11.5
    assert list(found.steps) == pytest.approx(list(np.diff(number)))
    symbols = read_period(number[:5] * 1e-4, about_s=1.04e-4)
    assert symbols is not None
    assert symbols.periods == 6


def test_one_instant_off_the_grid_is_left_out():
    times = np.arange(30) * 1e-4
    found = read_period(np.sort(np.append(times, 12.5e-4)), about_s=1e-4)
    assert found is not None
    assert found.left_out == 1
    assert found.period.value == pytest.approx(1e-4)


@pytest.mark.parametrize("times", [[], [1.0, 2.0], [1.0, 1.0, 2.0], [3.0, 2.0, 1.0]])
def test_too_few_or_unordered_instants_have_no_period(times):
    assert read_period(np.array(times)) is None


def test_instants_without_a_period_have_none():
    rng = np.random.default_rng(1)
    times = np.sort(rng.uniform(0, 1, 60))
    found = read_period(times, about_s=0.05)
    assert found is None or found.left_out > 0


def test_cycles_of_a_noisy_carrier_with_ripple_by_monte_carlo():
    """Crossings interpolated between samples: the truth lies within the stated uncertainty as often as it should."""
    rng = np.random.default_rng(3)
    rate, carrier = 5e6, 203.7e3
    times = np.arange(1300) / rate
    pulls = []
    for _ in range(300):
        wave = np.sin(2 * np.pi * carrier * times + rng.uniform(0, 6)) + 0.3 * np.sin(2 * np.pi * 300 * times)
        noise = 0.03
        got = cycle_times(wave + rng.normal(0, noise, times.size) + 24, rate, noise=noise, carrier_hz=carrier)
        found = read_period(got.times_s, halves=True, least_std_s=got.std_s, widening=got.widening)
        assert found is not None
        assert found.periods >= 51
        pulls.append((found.frequency.value - carrier) / found.frequency.std)
    assert np.mean(pulls) == pytest.approx(0, abs=0.25)
    assert 0.75 < np.std(pulls) < 1.15


@pytest.mark.parametrize("keyed", [False, True])
def test_a_carrier_in_strong_noise_is_read_as_surely_as_is_stated(keyed):
    """Monte Carlo at six samples a cycle and noise of a sixth of the amplitude, with and without flips."""
    rng = np.random.default_rng(4)
    rate, carrier, noise = 1.25e6, 203.7e3, 0.14
    times = np.arange(round(50.5 / carrier * rate)) / rate
    pulls, cycle_pulls = [], []
    for _ in range(300):
        turned = np.where((times * carrier / 8).astype(int) % 3 == 1, -1.0, 1.0) if keyed else 1.0
        sent = 0.8 * turned * np.sin(2 * np.pi * carrier * times + rng.uniform(0, 6))
        values = 24 + sent + rng.normal(0, noise, times.size)
        found = carrier_readings(values, rate, noise=noise, carrier_hz=carrier * 1.0001)
        assert found is not None
        assert found.whole_cycles >= 48
        pulls.append((found.frequency.value - carrier) / found.frequency.std)
        got = cycle_times(values, rate, noise=noise, carrier_hz=carrier * 1.0001)
        assert got.averaged
        period = read_period(
            got.times_s, about_s=1 / carrier, halves=True, least_std_s=got.std_s, widening=got.widening
        )
        assert period is not None
        cycle_pulls.append((period.frequency.value - carrier) / period.frequency.std)
    for one in (pulls, cycle_pulls):
        assert np.mean(one) == pytest.approx(0, abs=0.25)
        assert 0.6 < np.std(one) < 1.2


def wave(shape, rate: float, length_s: float, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    times = np.arange(round(length_s * rate)) / rate - length_s / 2
    rng = np.random.default_rng(seed)
    return 2.0 + 5.0 * shape(times) + rng.normal(0, noise, times.size)


TAU = 1e-6
SHAPES = {
    # IEEE Std 181-2011 levels, closed forms of the 10 % to 90 % duration worked out by hand
    "single pole": (lambda t: np.where(t < 0, 0.0, 1 - np.exp(-np.maximum(t, 0) / TAU)), math.log(9) * TAU),
    "Gaussian edge": (lambda t: 0.5 * (1 + erf(t / TAU / math.sqrt(2))), 2.563103 * TAU),
    "ramp": (lambda t: np.clip(t / TAU + 0.5, 0, 1), 0.8 * TAU),
}


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("falling", [False, True])
def test_transition_durations_are_the_closed_forms(name, falling):
    shape, wanted = SHAPES[name]
    values = wave(shape, 200e6, 60e-6)
    found = find_transition(9.0 - values if falling else values, 200e6, unit="V", noise=1e-4)
    assert found is not None
    assert found.duration.value == pytest.approx(wanted, rel=0.005)
    assert (found.low.value, found.high.value) == pytest.approx((2.0, 7.0), abs=0.02)
    assert found.rising is not falling


def test_transition_uncertainty_is_not_too_small_by_monte_carlo():
    shape, wanted = SHAPES["Gaussian edge"]
    found = [
        find_transition(wave(shape, 50e6, 40e-6, 0.02, seed), 50e6, unit="V", noise=0.02)
        for seed in range(200)
    ]
    durations = np.array([one.duration.value for one in found])
    stated = np.array([one.duration.std for one in found])
    assert np.mean(durations) == pytest.approx(wanted, rel=0.01)
    assert np.std(durations) < 1.1 * float(np.mean(stated))
    assert np.std(durations) > 0.3 * float(np.mean(stated))


def test_no_transition_where_there_are_two_or_none():
    up = wave(SHAPES["ramp"][0], 50e6, 20e-6)
    assert find_transition(np.concatenate([up, up[::-1]]), 50e6, unit="V", noise=0.01) is None
    assert find_transition(np.full(100, 3.0), 50e6, unit="V", noise=0.01) is None


def test_nothing_is_counted_across_a_long_silence():
    number = np.concatenate([np.arange(20), 60.3 + np.arange(20)])
    assert read_period(number * 1e-4, about_s=1e-4, longest=5) is None
    kept = read_period(np.arange(20) * 1e-4, about_s=1e-4, longest=5)
    assert kept is not None
