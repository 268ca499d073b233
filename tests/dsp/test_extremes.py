"""Minima and maxima of bins against numpy's own, which pass over NaN one bin at a time."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from dsp.extremes import bin_extremes, extremes_of_four

FLOATS = ("<f2", "<f4", "<f8", ">f2", ">f4", ">f8", "longdouble")
INTEGERS = ("i1", "u1", "<i2", ">i2", "<u2", ">u4", "<i4", "<i8", ">u8", "?")


def expected(values: np.ndarray, width: int) -> tuple[list[object], list[object]]:
    parts = [values[at : at + width] for at in range(0, values.size, width)]
    return [np.fmin.reduce(part) for part in parts], [np.fmax.reduce(part) for part in parts]


def check(values: np.ndarray, width: int) -> None:
    low, high = bin_extremes(values, width)
    least, greatest = expected(values, width)
    np.testing.assert_array_equal(low, least)
    np.testing.assert_array_equal(high, greatest)
    assert low.dtype == high.dtype == values.dtype.newbyteorder("=")


def patterns(dtype: str, count: int, seed: int) -> np.ndarray:
    """Samples of any bits: of floats each NaN of either sign, infinities, numbers below the normal ones, both zeros."""
    rng = np.random.default_rng(seed)
    return rng.integers(0, 256, count * np.dtype(dtype).itemsize, np.uint8).view(dtype)


@pytest.mark.parametrize("dtype", [*FLOATS[:-1], *INTEGERS[:-1]])
@pytest.mark.parametrize("width", [2, 3, 64, 256])
def test_any_bits_at_all_come_out_as_with_a_reduction_of_each_bin(dtype: str, width: int) -> None:
    for seed, count in enumerate((1, width - 1, width, width + 1, 5 * width + 7)):
        check(patterns(dtype, count, seed), width)


@pytest.mark.parametrize("dtype", [*FLOATS, *INTEGERS])
@pytest.mark.parametrize("level", [-80.0, -1.0, 0.0, 1.0, 80.0])
def test_every_type_at_levels_of_both_signs(dtype: str, level: float) -> None:
    values = np.random.default_rng(1).normal(level, 20.0, 2000)
    if np.dtype(dtype).kind in "ub":
        values = np.abs(values)
    check(np.asarray(values.astype(dtype)), 256)


@pytest.mark.parametrize("dtype", ["i1", "<i2", ">i2", "<f4", ">f4", "<f8"])
@pytest.mark.parametrize("step", [2, 3, 8, -1])
def test_samples_that_lie_apart_in_memory(dtype: str, step: int) -> None:
    check(np.random.default_rng(2).normal(0.0, 30.0, 9001).astype(dtype)[::step], 256)


@settings(deadline=None)
@given(arrays(np.float32, st.integers(1, 40), elements=st.floats(width=32)), st.integers(2, 9))
def test_floats_of_every_kind_in_every_order(values: np.ndarray, width: int) -> None:
    check(values, width)


def test_of_a_bin_without_a_number_nothing_is_known() -> None:
    low, high = bin_extremes(np.array([np.nan, -np.nan, 1.0, np.nan, -2.0, -3.0], np.float32), 2)
    np.testing.assert_array_equal(low, [np.nan, 1.0, -3.0])
    np.testing.assert_array_equal(high, [np.nan, 1.0, -2.0])


@pytest.mark.parametrize("count", [1, 3, 4, 5, 8, 4002])
def test_each_four_entries(count: int) -> None:
    values = np.random.default_rng(3).normal(0.0, 1.0, count)
    values[::7] = np.nan
    low, high = extremes_of_four(values, values)
    least, greatest = expected(values, 4)
    np.testing.assert_array_equal(low, least)
    np.testing.assert_array_equal(high, greatest)
