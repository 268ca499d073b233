"""The envelope against a naive twin that looks at every sample."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.envelope import BLOCK, COMPUTED_LOT, FIRST_BIN, LOT, EnvelopePyramid, column_width, touching
from dsp.errors import BadInputError

TYPES = [np.int8, np.int16, np.int32, np.uint8, np.float32, np.float64, np.dtype(">i2")]


def samples(dtype, count, seed=1):
    rng = np.random.default_rng(seed)
    dtype = np.dtype(dtype)
    if dtype.kind == "f":
        return rng.normal(size=count).astype(dtype)
    info = np.iinfo(dtype)
    return rng.integers(max(info.min, -30000), min(info.max, 30000), count, endpoint=True).astype(dtype)


def built(values):
    pyramid = EnvelopePyramid(values)
    for _ in pyramid.build():
        pass
    return pyramid


def naive(values, first, width, count, edges):
    """Least and greatest of each column, one at a time, NaN passed over."""
    low, high = [], []
    for k in range(count):
        a, b = first + k * width, first + (k + 1) * width
        part = np.asarray(values[max(a, edges[0]) : min(b, edges[1])], float)
        part = part[~np.isnan(part)]
        low.append(part.min() if part.size else np.nan)
        high.append(part.max() if part.size else np.nan)
    return np.array(low), np.array(high)


def assert_same(columns, values, edges=None):
    edges = edges or (0, len(values))
    low, high = naive(values, columns.first, columns.width, len(columns), edges)
    np.testing.assert_array_equal(columns.low.astype(float), low)
    np.testing.assert_array_equal(columns.high.astype(float), high)


@pytest.mark.parametrize("dtype", TYPES)
@pytest.mark.parametrize("count", [1, 255, 256, 257, 511, 512, 513, 5000, 40_001])
def test_columns_equal_naive_twin_at_every_zoom(dtype, count):
    values = samples(dtype, count)
    pyramid = built(values)
    rng = np.random.default_rng(count)
    for columns_wanted in (1, 3, 7, 20, 400):
        a, b = sorted(rng.integers(0, count, 2, endpoint=True))
        columns = pyramid.columns(int(a), int(b), columns_wanted)
        if b > a:
            assert columns.first <= a
            assert columns.first + len(columns) * columns.width >= b
            assert columns.first % columns.width == 0
        assert columns.low.dtype == values.dtype.newbyteorder("=") or columns.width < 512
        assert_same(columns, values)


def test_large_capture_uses_every_level_and_stays_exact():
    values = samples(np.int16, 3 * BLOCK + 12_345)
    pyramid = built(values)
    whole = pyramid.columns(0, len(values), 10)
    assert 10 <= len(whole) <= 15
    assert whole.width % 1024 == 0
    assert_same(whole, values)


def test_number_of_columns_is_at_least_what_was_asked_and_below_twice():
    pyramid = built(np.zeros(700_000, np.int16))
    for span in (1_600, 3_199, 10_000, 51_200, 163_839, 409_600, 699_000):
        for count in (37, 160):
            columns = pyramid.columns(0, span, count)
            assert count <= len(columns) <= 2 * count + 1


def test_columns_do_not_change_while_panning():
    values = samples(np.float32, 300_000)
    pyramid = built(values)
    for span in (900, 70_000, 200_000):
        seen = {}
        for start in range(0, 60_000, 997):
            columns = pyramid.columns(start, start + span, 100)
            for k in range(len(columns)):
                at = columns.first + k * columns.width
                pair = (columns.width, columns.low[k], columns.high[k])
                assert seen.setdefault(at, pair) == pair


def test_width_stays_the_same_where_the_view_reaches_beyond_the_samples():
    pyramid = built(samples(np.int16, 100_000))
    inside = pyramid.columns(20_000, 80_000, 50)
    assert pyramid.columns(-30_000, 30_000, 50).width == inside.width
    assert pyramid.columns(70_000, 130_000, 50).width == inside.width


@pytest.mark.parametrize("at", [0, 255, 256, 511, 512, 77_777, 262_143, 262_144, 399_999])
def test_a_glitch_of_one_sample_is_seen_at_every_zoom(at):
    values = np.zeros(400_000, np.int16)
    values[at] = 1000
    pyramid = built(values)
    span = 8
    while span < 2 * len(values):
        start = at - span // 2
        columns = pyramid.columns(start, start + span, 100)
        assert columns.high.max() == 1000, span
        hit = int(np.argmax(columns.high))
        assert columns.first + hit * columns.width <= at < columns.first + (hit + 1) * columns.width
        span *= 2


def test_nan_does_not_blank_a_column():
    values = samples(np.float32, 50_000)
    values[::7] = np.nan
    values[20_000:30_000] = np.nan
    pyramid = built(values)
    for count in (4, 40, 400):
        columns = pyramid.columns(0, len(values), count)
        assert_same(columns, values)
    fine = pyramid.columns(0, len(values), 400)
    middle = fine.middles()
    blank = np.isnan(fine.low)
    assert blank[(middle > 20_200) & (middle < 29_800)].all()
    assert not blank[(middle < 19_800) | (middle > 30_200)].any()


def test_infinity_is_kept():
    values = np.zeros(10_000)
    values[1234] = np.inf
    assert built(values).columns(0, 10_000, 5).high.max() == np.inf


def test_segments_do_not_run_into_each_other():
    values = np.concatenate([np.full(3_333, 5, np.int16), np.full(6_667, -5, np.int16)])
    pyramid = built(values)
    for width in (2, 100, 512, 1024, 1536):
        left = pyramid.columns_of_width(0, 10_000, width, within=(0, 3_333))
        right = pyramid.columns_of_width(0, 10_000, width, within=(3_333, 10_000))
        assert (left.low == 5).all()
        assert (right.high == -5).all()
        assert_same(left, values, (0, 3_333))
        assert_same(right, values, (3_333, 10_000))
    whole = pyramid.columns_of_width(0, 10_000, 1024)
    assert (whole.low[3], whole.high[3]) == (-5, 5)


def test_cutting_at_an_edge_leaves_the_pyramid_and_the_samples_alone():
    values = samples(np.int16, 50_000)
    before = values.copy()
    pyramid = built(values)
    for width in (1, 2, 512, 2048):
        pyramid.columns_of_width(0, 50_000, width, within=(1_001, 48_999))
        assert_same(pyramid.columns_of_width(0, 50_000, width), before)
    np.testing.assert_array_equal(values, before)


def test_extremes_equal_naive_twin():
    values = samples(np.float64, 100_000)
    values[500:800] = np.nan
    pyramid = built(values)
    rng = np.random.default_rng(5)
    for _ in range(60):
        a, b = (int(v) for v in np.sort(rng.integers(0, len(values), 2)))
        part = values[a:b]
        expected = (np.nanmin(part), np.nanmax(part)) if np.isfinite(part).any() else (np.nan, np.nan)
        np.testing.assert_array_equal(pyramid.extremes(a, b), expected)
    assert np.isnan(pyramid.extremes(550, 560)).all()
    assert np.isnan(pyramid.extremes(7, 7)).all()


def test_usable_while_it_grows():
    values = samples(np.int16, 4 * LOT)
    pyramid = EnvelopePyramid(values)
    assert (pyramid.built, pyramid.complete) == (0, False)
    assert len(pyramid.columns(0, len(values), 20)) == 0
    assert_same(pyramid.columns(1000, 9000, 20), values)
    counts = []
    for done in pyramid.build():
        assert pyramid.built == done
        columns = pyramid.columns(0, len(values), 64)
        assert_same(columns, values)
        counts.append(len(columns))
        assert pyramid.extremes(10, done - 10) == (values[10 : done - 10].min(), values[10 : done - 10].max())
    assert counts == sorted(counts)
    assert counts[0] < counts[-1]
    assert pyramid.complete


def test_columns_may_be_asked_for_from_another_thread():
    values = samples(np.int16, 5 * LOT)
    pyramid = EnvelopePyramid(values)
    worker = threading.Thread(target=lambda: [None for _ in pyramid.build()])
    worker.start()
    low, high = values.min(), values.max()
    while worker.is_alive():
        columns = pyramid.columns(0, len(values), 128)
        if len(columns):
            assert columns.low.min() >= low
            assert columns.high.max() <= high
    worker.join()
    assert_same(pyramid.columns(0, len(values), 32), values)


def test_reads_only_slices_of_a_lazy_source():
    class Lazy:
        def __init__(self, values):
            self.values = values
            self.longest = 0

        def __len__(self):
            return len(self.values)

        def __getitem__(self, key):
            assert isinstance(key, slice)
            part = self.values[key]
            self.longest = max(self.longest, len(part))
            return part

    values = samples(np.float32, 3 * COMPUTED_LOT)
    source = Lazy(values)
    pyramid = built(source)
    assert_same(pyramid.columns(0, len(values), 30), values)
    assert source.longest <= COMPUTED_LOT


def test_empty_samples_give_no_columns():
    pyramid = built(np.zeros(0))
    assert pyramid.complete
    assert len(pyramid.columns(0, 10, 5)) == 0
    assert np.isnan(pyramid.extremes(0, 10)).all()


def test_refuses_what_it_cannot_order_or_count():
    with pytest.raises(BadInputError, match="complex"):
        EnvelopePyramid(np.zeros(3, complex))
    with pytest.raises(BadInputError, match="0 columns"):
        built(np.zeros(3)).columns(0, 3, 0)
    with pytest.raises(BadInputError, match="do not fit"):
        built(np.zeros(3000)).columns_of_width(0, 3000, 700)


def test_middles_are_sample_indices():
    pyramid = built(np.arange(100_000))
    single = pyramid.columns(10, 15, 5)
    np.testing.assert_array_equal(single.middles(), [10, 11, 12, 13, 14])
    wide = pyramid.columns(0, 100_000, 10)
    np.testing.assert_array_equal(wide.middles()[:9], (wide.low[:9] + wide.high[:9]) / 2)


def test_touching_closes_gaps_and_goes_no_further():
    low = np.array([0.0, 5.0, 1.0, np.nan, 7.0])
    high = np.array([1.0, 6.0, 2.0, np.nan, 8.0])
    met_low, met_high = touching(low, high)
    np.testing.assert_array_equal(met_low, [0, 1, 1, np.nan, 7])
    np.testing.assert_array_equal(met_high, [1, 6, 5, np.nan, 8])


@pytest.mark.parametrize(("span", "count"), [(1e9, 1600), (819_199, 1600), (819_200, 1600), (12, 1600)])
def test_column_width_is_never_wider_than_a_column(span, count):
    width = column_width(span, count)
    assert 1 <= width <= max(1, span / count)
    assert width > span / count / 2 or width == 1


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_range_and_width_equals_the_naive_twin(data):
    """Ranges, types, edges and zooms that nobody thought of."""
    count = data.draw(st.integers(1, 30_000), "samples")
    values = samples(data.draw(st.sampled_from(TYPES), "type"), count, data.draw(st.integers(0, 9), "seed"))
    pyramid = built(values)
    a = data.draw(st.integers(0, count - 1), "start")
    b = data.draw(st.integers(a + 1, count), "stop")
    edges = data.draw(st.sampled_from([(0, count), (a, b), (a // 2, count)]), "within")
    width = column_width(b - a, data.draw(st.integers(1, 60), "columns"))
    columns = pyramid.columns_of_width(a, b, width, within=edges)
    assert columns.first % width == 0
    assert columns.first <= a < b <= columns.first + len(columns) * width
    assert_same(columns, values, edges)
    assert pyramid.extremes(a, b) == (values[a:b].min(), values[a:b].max())


@pytest.mark.parametrize("threads", [2, 3])
@pytest.mark.parametrize("count", [LOT - 1, LOT + 1, 4 * LOT + 77_777])
def test_several_threads_build_the_same(threads, count):
    values = samples(np.int8, count)
    pyramid = EnvelopePyramid(values)
    done = list(pyramid.build(threads))
    assert done == sorted(done)
    assert done[-1] == count
    low, high = pyramid.first_level()
    one_low, one_high = built(values).first_level()
    np.testing.assert_array_equal(low, one_low)
    np.testing.assert_array_equal(high, one_high)
    for columns in (3, 40, 300):
        assert_same(pyramid.columns(0, count, columns), values)


def test_building_given_up_half_way_goes_on_where_it_was():
    values = samples(np.int16, 8 * LOT + 5)
    pyramid = EnvelopePyramid(values)
    steps = pyramid.build(2)
    first = next(steps)
    steps.close()
    assert first == pyramid.built < len(values)
    assert_same(pyramid.columns(0, len(values), 100), values)
    *_, last = pyramid.build(2)
    assert last == len(values)
    assert_same(pyramid.columns(0, len(values), 100), values)


def test_an_error_of_the_source_comes_out_of_the_threads():
    class Broken:
        def __len__(self):
            return 6 * COMPUTED_LOT

        def __getitem__(self, key):
            if key.start >= 3 * COMPUTED_LOT:
                raise OSError("the disk is gone")
            return np.zeros((key.stop or 0) - (key.start or 0), np.int8)

    with pytest.raises(OSError, match="disk"):
        list(EnvelopePyramid(Broken()).build(2))


@pytest.mark.parametrize("share", [0.0, 0.3, 0.77, 1.0])
def test_goes_on_from_bins_that_were_built_earlier(share):
    values = samples(np.int16, 3 * LOT + 1000)
    low, high = built(values).first_level()
    count = int(share * len(low))
    pyramid = EnvelopePyramid(values)
    pyramid.take(low[:count].copy(), high[:count].copy())
    assert pyramid.built <= min(count * FIRST_BIN, len(values))
    assert pyramid.built > min(count * FIRST_BIN, len(values)) - LOT
    for _ in pyramid.build():
        pass
    for columns in (2, 30, 700):
        assert_same(pyramid.columns(0, len(values), columns), values)


def test_takes_no_bins_of_something_else():
    values = samples(np.int16, LOT)
    low, high = built(values).first_level()
    for wrong in ((low[:-1], high), (low.astype(np.int32), high), (np.tile(low, 2), np.tile(high, 2))):
        with pytest.raises(BadInputError):
            EnvelopePyramid(values).take(*wrong)
    with pytest.raises(BadInputError, match="before"):
        built(values).take(low, high)
