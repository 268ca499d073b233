"""The carrier from the squared signal, and the band that is squared."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture

from dsp.carrier import baseband, squared_lines


@pytest.mark.parametrize("count", [2_000, 2_039, 8_192])
def test_band_is_the_analytic_signal_moved_to_zero(count):
    """A cos(w m + p) has the analytic signal A exp(j (w m + p))."""
    hz, phase, amplitude = 61_234.5, 0.7, 3.0
    samples = amplitude * np.cos(2 * np.pi * hz / RATE_HZ * np.arange(count) + phase)
    band, rate, zero_hz = baseband(samples, RATE_HZ, 60e3, 20e3)
    assert abs(zero_hz - 60e3) < RATE_HZ / count
    assert 2.0 * 20e3 <= rate <= 6.0 * 20e3
    times = np.arange(band.size) / rate
    due = amplitude * np.exp(1j * (2 * np.pi * (hz - zero_hz) * times + phase))
    inner = slice(band.size // 5, -band.size // 5)
    np.testing.assert_allclose(band[inner], due[inner], atol=0.05 * amplitude)


def test_band_covers_the_samples_and_nothing_more():
    band, rate, _ = baseband(np.ones(5_000), RATE_HZ, 100e3, 30e3)
    assert (band.size - 1) / rate < 5_000 / RATE_HZ <= band.size / rate


def test_what_lies_outside_the_band_is_gone():
    place = np.arange(4_096)
    far = 100.0 * np.cos(2 * np.pi * 0.25 * place) + 24.0
    band, _, _ = baseband(far, RATE_HZ, 60e3, 20e3)
    assert np.abs(band).max() < 1e-6


@pytest.mark.parametrize("cycles", [1.0, 1.5, 6.3, 24.0])
def test_the_best_line_is_the_carrier(cycles):
    found = 0
    for draw in range(6):
        made = capture((48,), 40 + draw, carrier_hz=83_456.0, cycles=cycles, esn0_db=14.0, lead_symbols=3.0)
        symbol_rate = 83_456.0 / cycles
        widths = (symbol_rate / 2, symbol_rate, 2 * symbol_rate)
        lines = squared_lines(made.samples, RATE_HZ, 83_456.0, widths)
        assert lines
        # within the resolution of the whole burst
        found += abs(lines[0].freq_hz - 83_456.0) < 0.25 * symbol_rate / 48
    assert found >= 5


def test_reversals_do_not_move_the_line_of_a_clean_signal():
    made = capture((64,), 3, esn0_db=60.0, carrier_hz=120_321.0, cycles=8.0, lead_symbols=1.0)
    best = squared_lines(made.samples, RATE_HZ, 120e3, (15e3, 30e3))[0]
    assert best.freq_hz == pytest.approx(120_321.0, abs=0.02 * 15_040 / 64)
    assert best.contrast > 1e3


@pytest.mark.parametrize("centre_hz", [105e3, 140e3])
def test_the_centre_need_not_be_the_carrier(centre_hz):
    made = capture((64,), 6, esn0_db=25.0, carrier_hz=120_321.0, cycles=8.0, lead_symbols=1.0)
    best = squared_lines(made.samples, RATE_HZ, centre_hz, (40e3,))[0]
    assert best.freq_hz == pytest.approx(120_321.0, abs=0.1 * 15_040 / 64)


def test_lines_are_distinct_and_best_first():
    made = capture((48,), 4, esn0_db=8.0)
    for most in (1, 2, 3):
        lines = squared_lines(made.samples, RATE_HZ, 173e3, (10e3, 20e3, 40e3), most)
        assert 1 <= len(lines) <= most
        contrasts = [line.contrast for line in lines]
        assert contrasts == sorted(contrasts, reverse=True)
        hz = sorted(line.freq_hz for line in lines)
        assert all(b - a > 0.4 * RATE_HZ / len(made.samples) for a, b in pairwise(hz))
        assert all(0.0 < h < RATE_HZ / 2 for h in hz)


def test_gain_changes_nothing():
    made = capture((40,), 5)
    plain = squared_lines(made.samples, RATE_HZ, 173e3, (27e3,))
    for gain in (1e-6, 1e6):
        scaled = squared_lines(made.samples * gain, RATE_HZ, 173e3, (27e3,))
        assert [line.freq_hz for line in scaled] == pytest.approx([line.freq_hz for line in plain])
        assert [line.contrast for line in scaled] == pytest.approx([line.contrast for line in plain])


def test_nothing_comes_of_nothing():
    assert squared_lines(np.zeros(1_000), RATE_HZ, 100e3, (20e3,)) == []


@pytest.mark.parametrize("centre_hz", [130e3, 370e3])
def test_noise_in_a_band_that_ends_at_zero_or_half_the_rate_has_no_lines(centre_hz: float) -> None:
    """The square of the band fills but half of what is looked at; the highest of a thousand exponential bins is 7 + 5."""
    for draw in range(20):
        samples = np.random.default_rng([draw, 31]).standard_normal(600)
        lines = squared_lines(samples, RATE_HZ, centre_hz, (250e3, 125e3, 60e3))
        assert max(line.contrast for line in lines) < 100.0
