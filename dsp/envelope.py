"""Least and greatest sample of each column of a picture, fast at every zoom.

A pyramid of minima and maxima: the first level has one pair for every 512 samples, each further level
one for every four pairs below it, about 1 % of the samples' own memory. Columns lie on a grid that is
fixed to the samples (bin ``k`` of width ``w`` is the samples ``[k w, (k + 1) w)``), and the width depends
on the zoom alone; so a picture that is panned moves as a whole and no column ever changes.

Samples stay in their stored type. NaN is passed over: a column is NaN only where all its samples are.
Every range here is a half-open range of sample indices.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.errors import BadInputError
from dsp.extremes import bin_extremes, extremes_of_four
from dsp.source import SampleSource

# reductions of short bins take as long for each bin as for 256 of its samples: of these half the time of those
FIRST_BIN = 512
FACTOR = 4
BLOCK = 1 << 18  # samples: a block of float32 leaves room in a second-level cache of 2 MiB
_BLOCK_BYTES = 1 << 20
# samples built at a time: of an array, so many that what surrounds them hardly costs; of a computed channel fewer
LOT = 1 << 23
# so few that what is worked out of them stays in the cache, unless a filter reads far beyond each lot
COMPUTED_LOT, _LONGEST_COMPUTED = 1 << 18, 1 << 21
FINE_BELOW = FIRST_BIN  # samples a column: below, the samples are read
# entries from which a further level grows: the topmost ones need not with every lot
_WORTH_A_STEP = 128

_STARTS = np.arange(0, _BLOCK_BYTES, FIRST_BIN)

Stored = NDArray[Any]


@dataclass(frozen=True, eq=False)
class Columns:
    """Column ``k`` covers the samples ``[first + k * width, first + (k + 1) * width)``.

    ``low`` and ``high``, shape (columns,), have the stored type. The outermost columns may reach beyond the
    range that was asked for, and the last one is cut at the end of the samples.
    """

    first: int
    width: int
    low: Stored
    high: Stored

    def __len__(self) -> int:
        return int(self.low.shape[0])

    def middles(self) -> NDArray[np.float64]:
        """Sample index at the middle of each column; the index of the sample itself if the width is 1."""
        return self.first + (self.width - 1) / 2 + self.width * np.arange(len(self), dtype=np.float64)


class EnvelopePyramid:
    """Minima and maxima of one channel.

    It is usable from the start and while it grows: what needs levels that are not built yet is left out at
    the end. One thread may run `build` while another asks for columns: entries are written before they are
    counted, and counted entries never change.
    """

    def __init__(self, source: SampleSource) -> None:
        self._source = source
        self._samples = len(source)
        dtype = np.asarray(source[0:0]).dtype
        if dtype.kind not in "iufb":
            raise BadInputError(f"samples of type {dtype} have no order; real numbers are needed")
        self._lot = LOT if isinstance(source, np.ndarray) else _computed_lot(getattr(source, "reach", 0))
        self._low: list[Stored] = []
        self._high: list[Stored] = []
        self._counts: list[int] = []
        entries = -(-self._samples // FIRST_BIN)
        while entries:
            self._low.append(np.empty(entries, dtype.newbyteorder("=")))
            self._high.append(np.empty(entries, dtype.newbyteorder("=")))
            self._counts.append(0)
            if entries <= FACTOR:
                break
            entries = -(-entries // FACTOR)

    def __len__(self) -> int:
        return self._samples

    @property
    def built(self) -> int:
        """Samples, counted from the first, that the first level covers."""
        return min(self._counts[0] * FIRST_BIN, self._samples) if self._counts else 0

    @property
    def complete(self) -> bool:
        return self.built == self._samples

    @property
    def bins(self) -> int:
        """How many bins the first level has when it is complete."""
        return len(self._low[0]) if self._low else 0

    def first_level(self) -> tuple[Stored, Stored]:
        """Least and greatest sample of each bin built so far, shape (built bins,); not to be written to."""
        if not self._counts:
            return self._nothing()
        count = self._counts[0]
        return self._low[0][:count], self._high[0][:count]

    def take(self, low: Stored, high: Stored) -> None:
        """Begin with bins that were built earlier, shape (bins,), as `first_level` gave them.

        Raises
        ------
        BadInputError : something is built already, or the bins are of another type or too many.
        """
        if not self._counts or self._counts[0]:
            raise BadInputError("earlier bins are taken before anything is built")
        if low.shape != high.shape or low.ndim != 1 or low.size > self.bins:
            raise BadInputError(f"{low.shape} and {high.shape} bins are no part of {self.bins}")
        if low.dtype != self._low[0].dtype or high.dtype != self._high[0].dtype:
            raise BadInputError(f"bins of {low.dtype} are not of samples of {self._low[0].dtype}")
        # a bin that is cut at the end of the samples is the last one; before it lots begin where they always do
        count = low.size if low.size == self.bins else low.size // (LOT // FIRST_BIN) * (LOT // FIRST_BIN)
        self._append(0, low[:count], high[:count])
        self._grow_levels()

    def agrees(self, low: Stored, high: Stored, spots: int, rounding: float = 0.0) -> bool:
        """Whether bins that were built earlier are those of the samples, tried at ``spots`` places.

        ``rounding`` is what they may differ by, as a share of the range of all that was built.
        """
        if rounding:
            finite = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
            rounding *= float(np.ptp(finite)) if finite.size else 0.0
        for k in np.unique(np.linspace(0, low.size - 1, min(spots, low.size)).astype(np.int64)).tolist():
            values = np.asarray(self._source[k * FIRST_BIN : min((k + 1) * FIRST_BIN, self._samples)])
            found_low, found_high = bin_extremes(values, FIRST_BIN)
            pair = np.array([low[k], high[k]]), np.array([found_low[0], found_high[0]])
            if rounding:
                if not np.allclose(*pair, rtol=0.0, atol=rounding, equal_nan=True):
                    return False
            elif not np.array_equal(*pair, equal_nan=low.dtype.kind == "f"):
                return False
        return True

    def build(self, threads: int = 1) -> Generator[int, None, None]:
        """Go on building, lot by lot; each step yields the number of samples done.

        With more ``threads`` than one as many lots are worked on at a time. The generator must be used up or closed.
        """
        if threads < 2 or self._samples - self.built <= self._lot:
            for start in range(self.built, self._samples, self._lot):
                yield self._add(self._reduced(start, self._lot))
            return
        with ThreadPoolExecutor(threads, thread_name_prefix="envelope") as pool:
            waiting: deque[Future[int]] = deque()
            try:
                for start, length in self._shared(threads):
                    waiting.append(pool.submit(self._reduced, start, length))
                    if len(waiting) > 2 * threads:
                        yield self._add(waiting.popleft().result())
                while waiting:
                    yield self._add(waiting.popleft().result())
            finally:
                for one in waiting:
                    one.cancel()

    def _shared(self, threads: int) -> Iterator[tuple[int, int]]:
        """Start and length of each lot, the last long ones shorter, so that all threads end together."""
        at, length = self.built, self._lot
        while at < self._samples:
            if self._lot == LOT and self._samples - at <= 2 * threads * LOT:
                length = LOT // 4
            yield at, length
            at += length

    def _reduced(self, start: int, length: int) -> int:
        """Put the bins of one lot in their places, and give their number; they are not counted yet.

        An array is reduced in blocks that stay in the cache.
        """
        values = np.asarray(self._source[start : min(start + length, self._samples)])
        step = max(_BLOCK_BYTES // values.dtype.itemsize, BLOCK // 2)
        first, whole = start // FIRST_BIN, -(-values.size // FIRST_BIN)
        for at in range(0, values.size, step):
            low, high = bin_extremes(
                values[at : at + step], FIRST_BIN, _STARTS[: -(-min(step, values.size - at) // FIRST_BIN)]
            )
            here = slice(first + at // FIRST_BIN, first + at // FIRST_BIN + low.size)
            self._low[0][here], self._high[0][here] = low, high
        return whole

    def _add(self, bins: int) -> int:
        self._counts[0] += bins
        self._grow_levels()
        return self.built

    def _append(self, level: int, low: Stored, high: Stored) -> None:
        at = self._counts[level]
        self._low[level][at : at + len(low)] = low
        self._high[level][at : at + len(high)] = high
        self._counts[level] = at + len(low)

    def _grow_levels(self) -> None:
        for level in range(1, len(self._counts)):
            below = self._counts[level - 1]
            finished = below == len(self._low[level - 1])
            start = self._counts[level] * FACTOR
            stop = below if finished else below // FACTOR * FACTOR
            if stop - start >= _WORTH_A_STEP or (finished and stop > start):
                here = slice(start, stop)
                self._append(
                    level, *extremes_of_four(self._low[level - 1][here], self._high[level - 1][here])
                )

    def columns(self, start: int, stop: int, count: int) -> Columns:
        """Columns that cover ``[start, stop)``: at least ``count`` of them and fewer than twice as many.

        Fewer if there are fewer samples than ``count`` (the width is never under 1), if the range reaches
        beyond the samples, or if it is not built yet. Below 512 samples a column the samples are read.

        Raises
        ------
        BadInputError : ``count`` is not positive.
        """
        return self.columns_of_width(start, stop, column_width(stop - start, count))

    def columns_of_width(
        self, start: int, stop: int, width: int, within: tuple[int, int] | None = None
    ) -> Columns:
        """Columns of a ``width`` that `column_width` gave.

        Nothing outside ``within`` enters a column: the samples there belong to another segment.

        Raises
        ------
        BadInputError : the width is none that `column_width` gives.
        """
        low_edge, high_edge = within or (0, self._samples)
        start, stop = max(start, low_edge, 0), min(stop, high_edge, self._samples)
        if stop <= start:
            return Columns(start, width, *self._nothing())
        if width < FINE_BELOW:
            columns = self._from_samples(start, stop, width)
        else:
            columns = self._from_level(start, stop, width)
        return self._cut(columns, low_edge, high_edge)

    def _cut(self, columns: Columns, low_edge: int, high_edge: int) -> Columns:
        """Take again the outer columns that reach beyond the edges."""
        if not len(columns):
            return columns
        last = len(columns) - 1
        for at in {0, last}:
            a = columns.first + at * columns.width
            b = min(a + columns.width, self._samples)
            if a < low_edge or b > high_edge:
                columns.low[at], columns.high[at] = self.extremes(max(a, low_edge), min(b, high_edge))
        return columns

    def _nothing(self) -> tuple[Stored, Stored]:
        empty = np.asarray(self._source[0:0])
        return empty, empty

    def _from_samples(self, start: int, stop: int, width: int) -> Columns:
        first = start // width * width
        end = min(-(-stop // width) * width, self._samples)
        low, high = bin_extremes(np.asarray(self._source[first:end]), width)
        return Columns(first, width, low, high)

    def _from_level(self, start: int, stop: int, width: int) -> Columns:
        level, bin_width = 0, FIRST_BIN
        while level + 1 < len(self._counts) and 2 * bin_width * FACTOR <= width:
            level, bin_width = level + 1, bin_width * FACTOR
        merge, rest = divmod(width, bin_width)
        if rest:
            raise BadInputError(f"columns of {width} samples do not fit bins of {bin_width}")
        first, last = start // width, -(-stop // width)
        if self._counts[level] < len(self._low[level]):
            # whole columns only while the pyramid grows: one that is half known would change later
            last = min(last, self._counts[level] // merge)
        entries = slice(first * merge, max(first, last) * merge)
        low = bin_extremes(self._low[level][entries], merge)[0]
        high = bin_extremes(self._high[level][entries], merge)[1]
        if merge == 1:
            # outer columns may be taken again, and the bins are to stay
            low, high = low.copy(), high.copy()
        return Columns(first * width, width, low, high)

    def known_bins(self, start: int, stop: int) -> Columns:
        """Bins of the first level that cover ``[start, stop)``, as far as they are built; no sample is read."""
        first, last = max(start, 0) // FIRST_BIN, -(-min(stop, self._samples) // FIRST_BIN)
        low, high = (level[first : max(first, last)] for level in self.first_level())
        return Columns(first * FIRST_BIN, FIRST_BIN, low, high)

    def extremes(self, start: int, stop: int) -> tuple[float, float]:
        """Exact least and greatest sample of ``[start, stop)``; (nan, nan) if there is none.

        What is not built yet is read, so before the end of `build` this may take as long as it.
        """
        start, stop = max(start, 0), min(stop, self._samples)
        low, high = np.inf, -np.inf
        for part_low, part_high in self._pieces(start, stop):
            if part_low.size:
                low = min(low, float(np.fmin.reduce(part_low)), key=_nan_last)
                high = max(high, float(np.fmax.reduce(part_high)), key=_nan_first)
        return (np.nan, np.nan) if low > high else (low, high)

    def _pieces(self, start: int, stop: int) -> Iterator[tuple[Stored, Stored]]:
        """Whole bins from the levels, ragged ends from the samples."""
        inner_start = min(-(-start // FIRST_BIN) * FIRST_BIN, stop)
        inner_stop = max(inner_start, min(stop, self.built) // FIRST_BIN * FIRST_BIN)
        for a, b in ((start, inner_start), (inner_stop, stop)):
            for at in range(a, b, BLOCK):
                part = np.asarray(self._source[at : min(at + BLOCK, b)])
                yield part, part
        a, b = inner_start // FIRST_BIN, inner_stop // FIRST_BIN
        level = 0
        while level + 1 < len(self._counts) and b - a > 2 * FACTOR:
            up_a, up_b = -(-a // FACTOR), min(b // FACTOR, self._counts[level + 1])
            if up_b <= up_a:
                break
            for i, j in ((a, up_a * FACTOR), (up_b * FACTOR, b)):
                yield self._low[level][i:j], self._high[level][i:j]
            level, a, b = level + 1, up_a, up_b
        if self._counts:
            yield self._low[level][a:b], self._high[level][a:b]


def _computed_lot(reach: int) -> int:
    """Samples to work out at a time, where ``reach`` more on either side are read for it; a power of two."""
    return int(min(max(COMPUTED_LOT, 1 << (4 * reach).bit_length()), _LONGEST_COMPUTED))


def column_width(samples: float, count: int) -> int:
    """Samples in a column where ``count`` columns or a few more show ``samples`` samples.

    From 512 on it is a number of whole bins of one level of the pyramid, one to seven.

    Raises
    ------
    BadInputError : ``count`` is not positive.
    """
    if count < 1:
        raise BadInputError(f"{count} columns asked for; at least one is needed")
    width = max(1, int(samples / count))
    if width < FINE_BELOW:
        return width
    bin_width = FIRST_BIN
    while 2 * bin_width * FACTOR <= width:
        bin_width *= FACTOR
    return width // bin_width * bin_width


def touching(low: NDArray[np.float64], high: NDArray[np.float64]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Stretch columns, shape (columns,), so that each meets the one before it, as the line between them does.

    Only into the gap between neighbours: never beyond an extremum of either. NaN columns stay NaN and
    stretch none.
    """
    met_low, met_high = low.copy(), high.copy()
    np.fmin(low[1:], high[:-1], out=met_low[1:], where=~np.isnan(low[1:]))
    np.fmax(high[1:], low[:-1], out=met_high[1:], where=~np.isnan(high[1:]))
    return met_low, met_high


def _nan_last(value: float) -> float:
    return np.inf if np.isnan(value) else value


def _nan_first(value: float) -> float:
    return -np.inf if np.isnan(value) else value
