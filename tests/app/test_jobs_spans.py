"""From spans of time to samples."""

from __future__ import annotations

import numpy as np
import pytest
from generators.decodes import capture
from hypothesis import given
from hypothesis import strategies as st

from app.errors import CancelledError, UsageError
from app.jobs.spans import overlapping, select, skip_unusable
from app.model.capture import Segment
from dsp.results import Notice

LINE = capture(np.zeros(1000, np.int16), start_s=-0.0002)


@pytest.mark.parametrize(
    ("span_s", "first", "last"),
    [
        (None, 0, 1000),
        ((None, None), 0, 1000),
        ((0.0, None), 200, 1000),
        ((None, 0.0), 0, 200),
        ((0.0001, 0.0003), 300, 500),
        ((0.00010001, 0.0003), 301, 500),
        ((0.0001, 0.00030001), 300, 501),
        ((-0.0002, 0.0008), 0, 1000),
    ],
)
def test_a_span_is_half_open(span_s, first, last):
    chosen = select(LINE, span_s)
    assert (chosen.first, chosen.last) == (first, last)
    assert chosen.segments[0].start_s == pytest.approx(-0.0002 + first / 1e6, abs=1e-12)


@given(st.integers(0, 999), st.integers(1, 1000), st.sampled_from([1e6, 44_100.0, 2.5e9, 0.3]))
def test_limits_on_samples_choose_just_these(first, length, rate_hz):
    last = min(first + length, 1000)
    line = capture(np.zeros(1000, np.int8), rate_hz=rate_hz, start_s=-7.25)
    chosen = select(line, (-7.25 + first / rate_hz, -7.25 + last / rate_hz))
    assert (chosen.first, chosen.last) == (first, last)


@pytest.mark.parametrize(
    ("span_s", "reason"),
    [
        ((0.0003, 0.0001), "ends before it starts"),
        ((0.0003, 0.0003), "ends before it starts"),
        ((0.0, 0.1), "reaches outside line.npy, which runs -200 µs to 800 µs"),
        ((-0.1, 0.0), "reaches outside"),
        ((0.1, None), "100 ms to the end reaches outside"),
        ((None, -0.1), "the start to -100 ms reaches outside"),
        ((0.0001002, 0.0001004), "holds no sample"),
    ],
)
def test_a_span_that_cannot_be_is_refused(span_s, reason):
    with pytest.raises(UsageError, match=reason):
        select(LINE, span_s)


def test_segments_are_cut_and_what_lies_between_is_nothing():
    line = capture(np.zeros(300), segments=(Segment(0, 100, 0.0), Segment(100, 300, 0.01)))
    chosen = select(line, (0.00005, 0.0101))
    assert [(s.first, s.last) for s in chosen.segments] == [(50, 100), (100, 200)]
    assert [s.start_s for s in chosen.segments] == pytest.approx([0.00005, 0.01])
    assert chosen.samples == 150
    with pytest.raises(UsageError, match="holds no sample"):
        select(line, (0.002, 0.003))


def test_samples_that_are_no_numbers_split_a_segment():
    values = np.ones(600_000, np.float32)
    values[300_000] = np.nan
    values[300_004] = np.inf
    values[400_000:400_050] = -np.inf
    line = capture(values)
    segments, (notice,) = skip_unusable(values, line, select(line))
    assert [(s.first, s.last) for s in segments] == [(0, 300_000), (300_005, 400_000), (400_050, 600_000)]
    assert segments[2].start_s == pytest.approx(0.40005)
    assert (notice.count, notice.first_sample) == (52, 300_000)
    assert "in 3 stretches" in notice.text


def test_a_run_over_the_edge_of_a_block_is_one():
    values = np.ones(1 << 19, np.float64)
    edge = 1 << 18
    values[edge - 3 : edge + 3] = np.nan
    line = capture(values)
    segments, (notice,) = skip_unusable(values, line, select(line))
    assert [(s.first, s.last) for s in segments] == [(0, edge - 3), (edge + 3, 1 << 19)]
    assert "stretches" not in notice.text


def test_finite_samples_stay_as_they_are_and_nothing_is_left_of_none():
    line = capture(np.ones(100))
    chosen = select(line)
    assert skip_unusable(line.channels[0].stored, line, chosen) == (chosen.segments, ())
    empty = np.full(100, np.nan)
    segments, notices = skip_unusable(empty, line, chosen)
    assert segments == ()
    assert notices[0].count == 100


def test_looking_for_them_can_be_cancelled():
    line = capture(np.ones(100))
    with pytest.raises(CancelledError):
        skip_unusable(line.channels[0].stored, line, select(line), lambda: True)


def test_notices_of_other_places_are_left_out():
    notices = (
        Notice("a", "whole", 1, None),
        Notice("b", "before", 1, 10),
        Notice("c", "begins before", 5, 10),
        Notice("d", "inside", 1, 350),
        Notice("e", "behind", 3, 500),
    )
    kept = overlapping(notices, select(LINE, (0.0001, 0.0003)))
    assert [notice.code for notice in kept] == ["a", "c", "d"]
