"""The floor and the steady lines of signals whose density is known."""

from __future__ import annotations

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, record_of

from dsp.noise import NoiseFloor, estimate_noise, suppression


def white(count: int, sigma: float, draw: int) -> np.ndarray:
    return np.random.default_rng(draw).normal(0.0, sigma, count)


def middle(noise: NoiseFloor) -> np.ndarray:
    """Frequencies well inside the band."""
    return np.linspace(0.05, 0.45, 81) * noise.rate_hz


@pytest.mark.parametrize("count", [600, 5_000, 60_000])
@pytest.mark.parametrize("rate_hz", [8_000.0, 50e6])
def test_white_noise_has_its_density_everywhere(count, rate_hz):
    """One-sided density of a white sequence: N0 = 2 sigma^2 / rate (Proakis)."""
    noise = estimate_noise(record_of(white(count, 0.03, 1), rate_hz))
    ratio = noise.density(middle(noise)) / (2.0 * 0.03**2 / rate_hz)
    assert 0.85 < ratio.mean() < 1.15
    assert 0.5 < ratio.min() < ratio.max() < 1.7
    assert np.all(noise.line_ratio(middle(noise)) == 1.0)


def test_density_goes_with_the_square_of_the_gain_and_not_with_the_level():
    samples = white(20_000, 1.0, 2)
    plain = estimate_noise(record_of(samples))
    louder = estimate_noise(record_of(samples * 1e3))
    lifted = estimate_noise(record_of(samples + 24.0))
    np.testing.assert_allclose(louder.density(middle(plain)), 1e6 * plain.density(middle(plain)), rtol=1e-6)
    np.testing.assert_allclose(lifted.density(middle(plain)), plain.density(middle(plain)), rtol=1e-6)


def test_floor_follows_the_colour_of_the_noise():
    """First-order autoregression: density 2 sigma^2 / rate / |1 - a exp(-j w)|^2 (any textbook)."""
    from scipy.signal import lfilter

    noise = estimate_noise(record_of(lfilter([1.0], [1.0, -0.8], white(80_000, 1.0, 3))))
    hz = middle(noise)
    due = 2.0 / RATE_HZ / np.abs(1.0 - 0.8 * np.exp(-2j * np.pi * hz / RATE_HZ)) ** 2
    assert np.all(np.abs(np.log(noise.density(hz) / due)) < 0.5)


@pytest.mark.parametrize("duty", [0.3, 0.6])
def test_bursts_do_not_raise_the_floor(duty):
    lengths = (40,) * 9
    made = capture(lengths, 4, esn0_db=18.0, gap_symbols=40.0 * (1.0 - duty) / duty)
    noise = estimate_noise(made.record)
    ratio = noise.density(np.linspace(120e3, 220e3, 51)) / (2.0 * made.sigma**2 / RATE_HZ)
    # as loud as a burst would be: 10 to 100 times the floor near the carrier
    assert 0.6 < ratio.mean() < 1.6


def test_strong_bursts_leave_no_hole_in_the_floor():
    made = capture((30, 30, 30), 2, esn0_db=30.0, gap_symbols=30.0)
    noise = estimate_noise(made.record)
    ratio = noise.density(np.linspace(100e3, 250e3, 76)) / (2.0 * made.sigma**2 / RATE_HZ)
    assert ratio.min() > 0.4
    assert ratio.max() < 2.5


def test_steady_tone_is_a_line_and_no_floor():
    count = 60_000
    samples = white(count, 1.0, 5) + 2.0 * np.sin(2 * np.pi * 0.1234 * np.arange(count))
    noise = estimate_noise(record_of(samples))
    hz = np.arange(0.02, 0.48, 0.0005) * RATE_HZ
    ratio = noise.line_ratio(hz)
    assert abs(hz[np.argmax(ratio)] - 123_400.0) < 1_000.0
    assert ratio.max() > 50.0
    assert np.all(ratio[np.abs(hz - 123_400.0) > 3_000.0] == 1.0)
    assert np.all(noise.density(hz) < 2.0 * 2.0 / RATE_HZ)


def test_harmonics_of_ripple_are_lines():
    count = 60_000
    turns = 0.0203 * np.arange(count)
    noise = estimate_noise(record_of(white(count, 0.01, 6) + np.where(turns % 1.0 < 0.4, 1.0, 0.0)))
    for order in (1, 2, 3, 4, 6):
        around = np.linspace(-800.0, 800.0, 33) + order * 20_300.0
        assert noise.line_ratio(around).max() > 8.0


def test_line_ratio_on_a_coarse_grid_loses_no_line():
    lines_hz = np.arange(0.0, 1001.0)
    lines = np.ones(1001)
    lines[[333, 334, 700]] = [20.0, 50.0, 7.0]
    floor_hz = np.array([0.0, 1000.0])
    noise = NoiseFloor(2000.0, floor_hz, np.ones(2), lines_hz, lines)
    for step in (0.25, 1.0, 7.0, 100.0):
        grid = np.arange(0.0, 1000.0 + step / 2, step)
        found = noise.line_ratio(grid)
        for k, hz in enumerate(grid):
            # every line within half a step of the grid counts; none that is two steps off
            near = lines[np.abs(lines_hz - hz) <= step / 2 - 1e-9].max(initial=1.0)
            far = lines[np.abs(lines_hz - hz) <= 2.0 * max(step, 1.0)].max(initial=1.0)
            assert near <= found[k] <= far


def test_suppression_takes_away_what_stands_above_the_reference():
    noise = NoiseFloor(
        2000.0,
        np.array([0.0, 500.0, 1000.0]),
        np.array([4.0, 4.0, 0.25]),
        np.arange(0.0, 1001.0),
        np.where(np.arange(1001) == 100, 9.0, 1.0),
    )
    gain = suppression(noise, np.arange(0.0, 1001.0), 2.0)
    assert gain[300] == pytest.approx(2.0 / 4.0)
    assert gain[100] == pytest.approx(2.0 / 36.0)
    assert gain[1000] == 1.0
    assert gain.min() > 0.0


def test_flattened_is_the_lowest_level_everywhere_or_nothing():
    hz = np.linspace(0.0, 1000.0, 101)
    assert NoiseFloor(2000.0, hz, np.ones(101), hz, np.ones(101)).flattened() is None
    # what chance makes of a flat floor is taken off as well: the lone transmission in a short capture raises it no more
    white_floor = estimate_noise(record_of(white(30_000, 1.0, 7)))
    lower = white_floor.flattened()
    assert lower is None or np.all(lower.floor <= white_floor.floor)
    assert lower is None or np.median(lower.floor / white_floor.floor) > 0.8
    hz = np.linspace(0.0, 1000.0, 101)
    hump = 1.0 + 9.0 * (np.abs(hz - 500.0) < 200.0)
    flat = NoiseFloor(2000.0, hz, hump, hz, np.ones(101)).flattened()
    assert flat is not None
    np.testing.assert_allclose(flat.density(hz), 1.0)


def test_a_jump_between_segments_is_not_noise():
    samples = white(20_000, 1.0, 8)
    samples[9_000:] += 1000.0
    parts = ((0, 9_000, 0.0), (9_000, 20_000, 1.0))
    noise = estimate_noise(record_of(samples, RATE_HZ, parts))
    ratio = noise.density(middle(noise)) / (2.0 / RATE_HZ)
    assert 0.8 < ratio.mean() < 1.25


def test_too_few_samples_have_no_floor():
    assert estimate_noise(record_of(white(127, 1.0, 9))) is None
    assert estimate_noise(record_of(np.zeros(0))) is None
    short = estimate_noise(record_of(white(128, 1.0, 9)))
    assert short is not None
    assert 0.3 < np.mean(short.density(middle(short))) / (2.0 / RATE_HZ) < 3.0
    parts = ((0, 100, 0.0), (100, 200, 1.0), (200, 300, 2.0))
    assert estimate_noise(record_of(white(300, 1.0, 9), RATE_HZ, parts)) is None


@pytest.mark.parametrize("level", [0.0, 24.0, -1e9])
def test_samples_all_alike_have_a_floor_that_is_a_number(level):
    noise = estimate_noise(record_of(np.full(4_000, level)))
    assert noise is not None
    assert np.all(np.isfinite(noise.density(middle(noise))))
    assert np.all(noise.density(middle(noise)) >= 0.0)


@pytest.mark.parametrize(
    ("rise", "line", "even", "gentle"),
    [(1.3, 1.0, True, True), (1.4, 1.0, False, True), (17.0, 1.0, False, False), (1.0, 9.0, False, False)],
)
def test_even_is_a_floor_without_colour_or_lines_and_gentle_one_of_little_colour(rise, line, even, gentle):
    hz = np.linspace(0.0, 1000.0, 101)
    lines = np.where(hz == 300.0, line, 1.0)
    # what the ends show is not the floor
    floor = np.where((hz < 20.0) | (hz > 980.0), 70.0, np.where(hz > 500.0, rise, 1.0))
    noise = NoiseFloor(2000.0, hz, floor, hz, lines)
    assert (noise.even, noise.gentle) == (even, gentle)


def test_the_floor_of_a_long_quiet_line_is_even():
    assert estimate_noise(record_of(white(600_000, 1.0, 10))).even


@pytest.mark.parametrize("wide", [0.003, 0.006, 0.02])
def test_of_a_narrow_band_of_noise_between_bursts_the_floor_is_the_noise(wide):
    """As wide as a bin of 64 to 512 samples: in such frames all bins around rise and fall together."""
    from scipy.signal import butter, sosfilt, sosfreqz

    rng = np.random.default_rng([21, int(1e3 * wide)])
    count, carrier, period = 400_000, 0.07, int(1.2 / wide)
    on = np.arange(count) // int(60 / wide) % 3 == 0
    symbols = np.repeat(rng.choice([-1.0, 1.0], count // period + 1), period)[:count]
    sent = 10.0 / np.sqrt(period) * on * symbols * np.cos(2.0 * np.pi * carrier * np.arange(count))
    band = butter(3, [2.0 * carrier - wide, 2.0 * carrier + wide], "band", output="sos")
    noise = estimate_noise(record_of(sosfilt(band, sent + rng.standard_normal(count)), 1.0))
    inside = np.linspace(carrier - 0.4 * wide, carrier + 0.4 * wide, 21)
    due = 2.0 * np.abs(sosfreqz(band, 2.0 * np.pi * inside)[1]) ** 2
    assert abs(10.0 * np.log10(noise.density(inside) / due).mean()) < 2.0
