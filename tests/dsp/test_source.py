"""Reading stored samples in physical units, times across segments, progress and cancel, bad arguments."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.errors import BadInputError, CancelledError, DspError
from dsp.source import Watch, make_record


class OnlySlices:
    """A source that can do nothing but what the protocol asks, and notes what it was asked for."""

    def __init__(self, values: np.ndarray) -> None:
        self.values, self.asked = values, []

    def __len__(self) -> int:
        return len(self.values)

    def __getitem__(self, key: slice) -> np.ndarray:
        assert isinstance(key, slice)
        assert key.step is None
        self.asked.append((key.start, key.stop))
        return self.values[key]


def record(values, *, rate_hz=1000.0, start_s=0.0, scale=1.0, offset=0.0, segments=None):
    return make_record(values, rate_hz, start_s, scale, offset, segments)


@pytest.mark.parametrize("dtype", ["i1", "u1", "i2", ">i2", "i4", "f4", "f8", "?"])
def test_samples_come_in_units_whatever_they_are_stored_as(dtype):
    stored = np.array([0, 1, 1, 0, 100, 3]).astype(dtype)
    read = record(stored, scale=0.25, offset=24.0).read(1, 5)
    assert read.dtype == np.float64
    assert read.tolist() == [0.25 * float(v) + 24.0 for v in stored[1:5]]
    assert stored.dtype == np.dtype(dtype)


def test_only_the_asked_slice_is_read():
    source = OnlySlices(np.arange(100, dtype=np.int16))
    assert record(source).read(40, 43).tolist() == [40.0, 41.0, 42.0]
    assert source.asked == [(40, 43)]


def test_a_read_never_changes_what_is_stored():
    stored = np.array([1.0, np.nan, np.inf, -2.0])
    read = record(stored, scale=2.0, offset=1.0).read(0, 4)
    read += 100.0
    np.testing.assert_array_equal(stored, [1.0, np.nan, np.inf, -2.0])


def test_what_is_not_finite_reads_as_zero():
    stored = np.array([1.0, np.nan, np.inf, -np.inf, 5.0], np.float32)
    assert record(stored, scale=2.0).read(0, 5).tolist() == [2.0, 0.0, 0.0, 0.0, 10.0]


def test_codes_beyond_float32_keep_their_last_digit():
    # 2^24 + 1 is the first whole number that single precision cannot hold
    stored = np.array([2**24 + 1, -(2**24) - 1], np.int32)
    assert record(stored).read(0, 2).tolist() == [16777217.0, -16777217.0]


def digits(values: np.ndarray) -> float:
    """What single precision may be off by: the mean is taken off in another order."""
    return 2.0**-21 * float(np.abs(values).max() + 1.0)


@pytest.mark.parametrize("dtype", ["i1", "u1", "i2", ">i2", "i4", "f4", "f8", "?"])
def test_frames_and_spans_are_as_read_one_by_one(dtype):
    rng = np.random.default_rng(1)
    stored = rng.integers(0, 100, 3_000).astype(dtype)
    for source in (stored, OnlySlices(stored)):
        whole = record(source, scale=0.5, offset=7.0)
        starts = [0, 100, 101, 2_744]
        frames = whole.read_frames(starts, 256)
        assert frames.dtype == np.float32
        each = np.stack([whole.read_centred(start, start + 256) for start in starts])
        np.testing.assert_allclose(frames, each, rtol=0.0, atol=digits(stored.astype(float)))
        spans = [(1_000, 1_100), (1_400, 1_401), (1_900, 2_000)]
        around = whole.read_centred(1_000, 2_000)
        for (start, stop), part in zip(spans, whole.read_spans(spans, 1_000, 2_000), strict=True):
            near = around[start - 1_000 : stop - 1_000]
            np.testing.assert_allclose(part, near, rtol=0.0, atol=digits(stored.astype(float)))


def test_full_scale_bytes_have_their_level_taken_off():
    # as many as are summed in 32 bits, all at the top of the range
    stored = np.full((1 << 23) - 1, 255, np.uint8)
    (part,) = record(stored).read_spans([(5, 9)], 0, len(stored))
    assert part.tolist() == [0.0] * 4


def test_plain_list_is_a_source():
    assert record([1, 2, 3]).read(0, 2).tolist() == [1.0, 2.0]


def test_times_follow_each_segment():
    parts = ((0, 10, -1.0), (10, 30, 5.0), (40, 50, 100.0))
    lined = record(np.zeros(50), rate_hz=10.0, segments=parts)
    assert [lined.time_s(x) for x in (0, 9.5, 10, 12.5, 40, 49)] == pytest.approx(
        [-1.0, -0.05, 5.0, 5.25, 100.0, 100.9]
    )
    assert [len(s) for s in lined.stretches] == [10, 20, 10]
    assert lined.samples == 40


def test_one_stretch_unless_told_and_empty_segments_are_passed_over():
    plain = record(np.zeros(7), start_s=-2.5)
    assert [(s.first, s.last, s.start_s) for s in plain.stretches] == [(0, 7, -2.5)]
    assert plain.time_s(3.5) == pytest.approx(-2.5 + 3.5e-3)
    parted = record(np.zeros(7), segments=((0, 3, 0.0), (3, 3, 1.0), (4, 7, 2.0)))
    assert [(s.first, s.last) for s in parted.stretches] == [(0, 3), (4, 7)]


BAD = {
    "rate zero": {"rate_hz": 0.0},
    "rate negative": {"rate_hz": -1.0},
    "rate not a number": {"rate_hz": float("nan")},
    "rate infinite": {"rate_hz": float("inf")},
    "scale zero": {"scale": 0.0},
    "scale not a number": {"scale": float("nan")},
    "offset infinite": {"offset": float("inf")},
    "beyond the end": {"segments": ((0, 11, 0.0),)},
    "before the start": {"segments": ((-1, 5, 0.0),)},
    "reversed": {"segments": ((5, 4, 0.0),)},
    "no time": {"segments": ((0, 4, float("nan")),)},
}


@pytest.mark.parametrize("case", BAD)
def test_bad_arguments_are_refused(case):
    with pytest.raises(BadInputError) as caught:
        record(np.zeros(10), **BAD[case])
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize(
    "values", [np.zeros((4, 2)), np.zeros(4, complex), np.array(["1"]), np.zeros(4, "M8[s]"), np.array(1.0)]
)
def test_samples_that_are_no_row_of_real_numbers_are_refused(values):
    with pytest.raises(BadInputError):
        record(values)


def test_progress_of_nested_parts_is_that_of_the_whole():
    heard: list[float] = []
    whole = Watch(heard.append)
    part = whole.part(0.2, 0.6).part(0.5, 1.0)
    for fraction in (0.0, 0.5, 1.0):
        part.at(fraction)
    assert heard == pytest.approx([0.4, 0.5, 0.6])


def test_progress_stays_between_nothing_and_all():
    heard: list[float] = []
    watch = Watch(heard.append)
    watch.at(-0.5)
    watch.at(1.5)
    assert heard == [0.0, 1.0]


def test_cancel_is_heard_in_every_part_with_and_without_progress():
    for progress in (None, lambda _: None):
        watch = Watch(progress, lambda: True).part(0.1, 0.2).part(0.0, 0.5)
        with pytest.raises(CancelledError) as caught:
            watch.at(0.5)
        assert isinstance(caught.value, DspError)
    Watch(None, lambda: False).at(0.5)


@pytest.mark.parametrize("dtype", ["i1", "u1", "i2", "?"])
@pytest.mark.parametrize("extreme", ["least", "most"])
def test_the_level_of_spans_is_that_of_all_around_them_even_at_the_ends_of_the_scale(dtype, extreme):
    kind = np.dtype(dtype)
    ends = (0, 1) if kind.kind == "b" else (np.iinfo(kind).min, np.iinfo(kind).max)
    stored = np.full(100_003, ends[extreme == "most"], kind)
    stored[:3] = ends[extreme == "least"]
    level = float(stored.astype(np.float64).mean())
    first, last = record(stored).read_spans([(0, 3), (50_000, 50_002)], 0, stored.size)
    np.testing.assert_allclose(first, float(stored[0]) - level, rtol=1e-6)
    np.testing.assert_allclose(last, float(stored[50_000]) - level, rtol=1e-3)
