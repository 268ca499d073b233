"""Least and greatest of each so many samples, of every type as fast as memory gives them.

Where numpy's own reduction is slow for a type, what is reduced is another view of the same bits: samples that lie
apart or have the other byte order are copied together first, and floats of up to 32 bits are compared as integers.
NaN is passed over: a result is NaN only where all its samples are.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["bin_extremes", "extremes_of_four"]

Stored = NDArray[Any]

# signed and unsigned integers as wide as a float; of 64 bits the floats' own comparison is as fast
_AS_INTEGERS: dict[int, tuple[type[np.signedinteger[Any]], type[np.unsignedinteger[Any]]]] = {
    2: (np.int16, np.uint16),
    4: (np.int32, np.uint32),
}


def bin_extremes(values: Stored, width: int, starts: NDArray[np.intp] | None = None) -> tuple[Stored, Stored]:
    """Minima and maxima (bins,) of the samples ``[k width, (k + 1) width)`` of ``values`` (n,); the last may be of fewer.

    In the stored type, in the machine's byte order unless the width is 1. ``starts`` is where the bins begin, if that
    is at hand. Without ``out=``: with it, reduceat keeps every other thread of the interpreter standing.
    """
    if width == 1 or values.size == 0:
        return values, values
    if not (values.flags.c_contiguous and values.dtype.isnative):
        values = values.astype(values.dtype.newbyteorder("="), order="C")
    if starts is None:
        starts = np.arange(0, values.size, width)
    if values.dtype.kind != "f":
        return np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts)
    if values.dtype.itemsize in _AS_INTEGERS:
        low, high = _floats_as_integers(values, starts)
    else:
        low, high = np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts)
    if _some_nan(low) or _some_nan(high):
        for k in np.flatnonzero(np.isnan(low) | np.isnan(high)).tolist():
            # passing over NaN is several times slower
            part = values[k * width : (k + 1) * width]
            low[k], high[k] = np.fmin.reduce(part), np.fmax.reduce(part)
    return low, high


def _floats_as_integers(values: Stored, starts: NDArray[np.intp]) -> tuple[Stored, Stored]:
    """Minima and maxima, of which one at least is NaN where there is any.

    IEEE Std 754 floats of one sign have the order of their bits: read as integers the positive ones rise, the negative
    ones fall, and what is beyond infinity is NaN. Reductions of integers take half the time of those of floats.
    """
    signed, unsigned = _AS_INTEGERS[values.dtype.itemsize]
    least = np.minimum.reduceat(values.view(signed), starts)
    greatest = np.maximum.reduceat(values.view(signed), starts)
    below = least < 0
    if not below.any():
        return least.view(values.dtype), greatest.view(values.dtype)
    only_below = greatest < 0
    lowest = greatest
    if not np.array_equal(below, only_below):
        # where there are both signs, the lowest is the one of the greatest bits
        lowest = np.maximum.reduceat(values.view(unsigned), starts).view(signed)
    low = np.where(below, lowest, least)
    high = np.where(only_below, least, greatest)
    return low.view(values.dtype), high.view(values.dtype)


def extremes_of_four(low: Stored, high: Stored) -> tuple[Stored, Stored]:
    """Of each four entries of ``low`` and ``high`` (bins,), the last of fewer."""
    return _by_four(low, np.minimum, np.fmin), _by_four(high, np.maximum, np.fmax)


def _by_four(values: Stored, least: np.ufunc, least_known: np.ufunc) -> Stored:
    """Strides are several times as fast as short bins."""
    whole = values.size // 4 * 4
    one, two, three, four = (values[k:whole:4] for k in range(4))
    found: Stored = least(least(one, two), least(three, four))
    if values.dtype.kind == "f" and _some_nan(found):
        # what passes over NaN takes several times as long
        least = least_known
        found = least(least(one, two), least(three, four))
    if whole == values.size:
        return found
    return np.append(found, least_known.reduce(values[whole:]))


def _some_nan(values: Stored) -> bool:
    """A minimum is NaN where one entry is."""
    return bool(values.size) and bool(np.isnan(np.minimum.reduce(values)))
