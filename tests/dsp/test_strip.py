"""Parts of a record put one after the other, and the way back to the record."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.correlate import turn_back
from dsp.strip import Strip, strip_of

# samples 100 to 140, 200 to 230 and 1000 to 1100 of a record
LENGTHS, ORIGINS = (40, 30, 100), (100, 200, 1_000)


def three_parts() -> Strip:
    begins = np.concatenate(([0], np.cumsum(LENGTHS)))[:-1]
    samples = np.concatenate(
        [np.arange(o, o + n, dtype=float) for o, n in zip(ORIGINS, LENGTHS, strict=True)]
    )
    flags = np.array([True, False, False])
    return Strip(samples, begins, np.array(ORIGINS), flags, flags[::-1], 2.0, samples.size)


def test_every_sample_maps_back_to_the_record():
    """The samples' values are their numbers in the record."""
    strip = three_parts()
    place = np.arange(strip.size)
    np.testing.assert_array_equal(place + strip.shift(place), strip.samples)
    assert strip.part(place).tolist() == [0] * 40 + [1] * 30 + [2] * 100
    assert strip.ends.tolist() == [40, 70, 170]


@pytest.mark.parametrize(
    ("position", "part", "record"),
    [(-0.4, 0, 99.6), (39.9, 0, 139.9), (40.0, 1, 200.0), (69.5, 1, 229.5), (170.4, 2, 1_100.4)],
)
def test_fractions_and_ends_belong_to_the_part_they_are_in(position, part, record):
    strip = three_parts()
    assert strip.part(np.array([position])).tolist() == [part]
    assert position + strip.shift(np.array([position]))[0] == pytest.approx(record)


def test_spans_of_the_record_come_cut_to_what_is_there():
    """Against a mask of single samples."""
    strip = three_parts()
    rng = np.random.default_rng(1)
    starts = rng.uniform(50, 1_150, 60)
    spans = np.stack((starts, starts + rng.exponential(40, 60)), axis=1)
    for chosen in (spans, spans[:1], spans[:0], np.array([(0.0, 5_000.0)]), np.array([(140.0, 200.0)])):
        found = strip.within(chosen)
        assert found.shape[1] == 2
        assert np.all(found[:, 1] > found[:, 0])
        due = np.zeros(strip.size, bool)
        for a, b in chosen:
            due |= (strip.samples >= a) & (strip.samples < b)
        have = np.zeros(strip.size, bool)
        place = np.arange(strip.size)
        for a, b in found:
            have |= (place >= a) & (place < b)
        np.testing.assert_array_equal(have, due)


def test_one_part_as_a_strip():
    samples = np.random.default_rng(2).normal(size=50)
    strip = strip_of(samples, 3.0, 700)
    assert (strip.size, strip.begins.tolist(), strip.origins.tolist()) == (50, [0], [700])
    assert (strip.at_first.tolist(), strip.at_last.tolist()) == ([True], [True])
    assert strip.shift(np.array([12.0])).tolist() == [700]
    cut = strip_of(samples, 3.0, 700, whole=False)
    assert (cut.at_first.tolist(), cut.at_last.tolist()) == ([False], [False])
    other = strip.with_variance(5.0)
    assert (strip.variance, other.variance) == (3.0, 5.0)
    assert other.samples is strip.samples
    for sharp in (False, True):
        turned = strip.turned(0.7, sharp)
        np.testing.assert_array_equal(turned.sums, turn_back(samples, 0.7).sums)
        assert turned.sharp == sharp
