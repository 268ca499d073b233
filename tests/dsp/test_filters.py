"""Filters by parts: against scipy over the whole, against closed forms, and what a decoder makes of filtered samples."""

from __future__ import annotations

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from dsp.decoder import decode
from dsp.errors import BadInputError
from dsp.filters import ac_coupling, band_pass, delayed, filtered_part, high_pass, low_pass

COUNT = 60_000
# a level, a wander and noise
SAMPLES = np.random.default_rng(1).standard_normal(COUNT).cumsum() * 0.01 + 24.0
FILTERS = {
    "low": low_pass(20e3, RATE_HZ),
    "high": high_pass(5e3, RATE_HZ),
    "band": band_pass(5e3, 30e3, RATE_HZ),
    "ac": ac_coupling(2e3, RATE_HZ),
}


def read(start, stop):
    assert 0 <= start <= stop <= COUNT
    return SAMPLES[start:stop]


def part(name, start, stop, within=(0, COUNT)):
    return filtered_part(read, start, stop, within, FILTERS[name])


@pytest.mark.parametrize("name", ["low", "high", "band"])
def test_the_whole_is_what_scipy_makes_of_it(name):
    expected = signal.sosfiltfilt(FILTERS[name].sos, SAMPLES, padlen=FILTERS[name].reach)
    np.testing.assert_allclose(part(name, 0, COUNT), expected, rtol=0, atol=1e-9)


def test_ac_coupling_is_that_of_one_capacitor():
    """A step of 1 V decays as exp(-2 pi f t) from where it stands (any textbook on the first-order high-pass)."""
    corner, step = 2e3, np.concatenate((np.zeros(100), np.ones(2000)))
    got = filtered_part(lambda a, b: step[a:b], 100, 2100, (0, 2100), ac_coupling(corner, RATE_HZ))
    ideal = np.exp(-2 * np.pi * corner * (np.arange(2000) + 0.5) / RATE_HZ)
    np.testing.assert_allclose(got, ideal, atol=0.01)


@pytest.mark.parametrize("name", FILTERS)
@given(start=st.integers(0, COUNT - 1), length=st.integers(1, 3000))
def test_no_seam_shows_wherever_a_part_begins(name, start, length):
    stop = min(COUNT, start + length)
    np.testing.assert_allclose(part(name, start, stop), whole(name)[start:stop], rtol=0, atol=1e-7)


def whole(name, known={}):  # noqa: B006 - kept from one example to the next
    if name not in known:
        known[name] = part(name, 0, COUNT)
    return known[name]


def test_nothing_beyond_a_stretch_is_read():
    start, stop = 10_000, 10_500
    seen = []

    def watched(a, b):
        seen.append((a, b))
        return SAMPLES[a:b]

    filtered_part(watched, start, stop, (start, stop), FILTERS["low"])
    delayed(watched, start, stop, (start, stop), 3.3)
    assert all(start <= a <= b <= stop for a, b in seen)


def test_a_tone_at_the_corner_is_left_half():
    """Forwards and backwards, a Butterworth filter's 3 dB become 6 dB."""
    tone = np.sin(2 * np.pi * 20e3 / RATE_HZ * np.arange(COUNT))
    got = filtered_part(lambda a, b: tone[a:b], 30_000, 31_000, (0, COUNT), FILTERS["low"])
    assert np.sqrt(2 * np.mean(got**2)) == pytest.approx(0.5, rel=0.01)


def test_missing_samples_stay_missing_and_spoil_no_others():
    holed = SAMPLES.copy()
    holed[30_000:30_010] = np.nan
    got = filtered_part(lambda a, b: holed[a:b], 29_000, 31_000, (0, COUNT), FILTERS["high"])
    assert np.flatnonzero(np.isnan(got)).tolist() == list(range(1000, 1010))


@pytest.mark.parametrize(
    "make",
    [
        lambda: low_pass(0.0, RATE_HZ),
        lambda: low_pass(RATE_HZ / 2, RATE_HZ),
        lambda: high_pass(-1.0, RATE_HZ),
        lambda: high_pass(float("nan"), RATE_HZ),
        lambda: high_pass(0.1, RATE_HZ),
        lambda: band_pass(20e3, 10e3, RATE_HZ),
        lambda: band_pass(10e3, 10e3, RATE_HZ),
    ],
)
def test_corners_that_make_no_filter(make):
    with pytest.raises(BadInputError):
        make()


@pytest.mark.parametrize("delay", [0.0, 3.0, -2.0, 0.37, -5.62, 12.5])
def test_a_delayed_tone_is_the_tone_later(delay):
    turns = 0.41  # of the sample rate: eight tenths of the half

    def tone(a, b):
        return np.sin(2 * np.pi * turns * np.arange(a, b) + 0.3)

    got = delayed(tone, 300, 400, (0, 1000), delay)
    expected = np.sin(2 * np.pi * turns * (np.arange(300, 400) - delay) + 0.3)
    np.testing.assert_allclose(got, expected, atol=1e-4)


def test_a_level_delayed_is_the_level_at_both_ends():
    got = delayed(lambda a, b: np.full(b - a, 24.0), 0, 500, (0, 500), 7.7)
    np.testing.assert_allclose(got, 24.0, atol=1e-9)


@pytest.mark.parametrize(
    "filter_",
    [
        band_pass(90e3, 260e3, RATE_HZ),
        high_pass(20e3, RATE_HZ),
        high_pass(60e3, RATE_HZ),
        low_pass(300e3, RATE_HZ),
    ],
    ids=["band", "high", "higher", "low"],
)
def test_filtered_samples_are_decoded_as_they_were(filter_):
    """What a filter takes away leaves no floor to stand out from; that is no activity."""
    made = capture((30, 44, 24, 36), 4)
    samples = filtered_part(
        lambda a, b: made.samples[a:b], 0, made.samples.size, (0, made.samples.size), filter_
    )
    found = decode(samples, RATE_HZ).bursts
    assert [b.symbols for b in found] == [b.relative_symbols for b in made.bursts]
