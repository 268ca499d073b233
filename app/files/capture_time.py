"""Sample rate, segments and warnings from a column of times, taken block by block.

The step is a least-squares slope over the whole column, so that times written with too few digits,
even with equal neighbours, still give the rate and its standard uncertainty. A lasting displacement of
the times by half a step or more (a gap, a jump, a record that starts anew) begins a new piece with its
own intercept; all pieces share the slope. Nothing is moved or filled in.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from app.files.capture_grid import SIDE, Digits, Times, robust_step, uneven
from app.files.capture_options import counted
from app.model.capture import Segment
from dsp.results import Notice

_ANCHOR_EVERY = 64
# limits within which sums of squares of a billion times stay finite and steps can be divided by
_SMALLEST, _LARGEST = 1e-100, 1e100
# fewer times than this are not judged before there are more
_ENOUGH = 1024


class TimeColumnError(ValueError):
    """The times make no axis; ``sample`` is where that shows."""

    def __init__(self, problem: str, sample: int) -> None:
        super().__init__(problem)
        self.sample = sample


@dataclass(frozen=True)
class TimeFit:
    """The time axis: ``segments`` cover all samples; ``step_s`` is the time between samples."""

    step_s: float
    step_std_s: float
    segments: tuple[Segment, ...]
    notices: tuple[Notice, ...]

    @property
    def rate_hz(self) -> float:
        return 1.0 / self.step_s

    @property
    def rate_std_hz(self) -> float:
        return self.step_std_s / self.step_s**2


@dataclass
class _Piece:
    """Sums over the residuals ``t - start - k * step`` of samples without a break between them."""

    first: int
    start: float
    count: int = 0
    sum_r: float = 0.0
    sum_kr: float = 0.0
    sum_rr: float = 0.0
    # grown in place: thousands of small arrays would keep the room between them from being used again
    anchor_k: array[float] = field(default_factory=lambda: array("d"))
    anchor_r: array[float] = field(default_factory=lambda: array("d"))

    def add(self, times: Times, step: float) -> None:
        k = np.arange(self.count, self.count + times.size, dtype=np.float64)
        r = times - self.start
        r -= k * step
        self.sum_r += float(r.sum())
        self.sum_kr += _product_sum(k, r)
        self.sum_rr += _product_sum(r, r)
        self.anchor_k.frombytes(k[::_ANCHOR_EVERY].tobytes())
        self.anchor_r.frombytes(r[::_ANCHOR_EVERY].tobytes())
        self.count += times.size

    @property
    def spread(self) -> float:
        """Sum of squares of the sample numbers about their mean."""
        return self.count * (self.count**2 - 1) / 12.0

    @property
    def lean(self) -> float:
        """Sum of products of sample numbers and residuals, about their means."""
        return self.sum_kr - (self.count - 1) / 2.0 * self.sum_r

    def intercept(self, slope: float) -> float:
        return self.sum_r / self.count - slope * (self.count - 1) / 2.0

    def worst(self, slope: float) -> float:
        """Largest distance of the kept residuals from the fitted line."""
        at = self.intercept(slope)
        k, r = np.frombuffer(self.anchor_k), np.frombuffer(self.anchor_r)
        return float(np.abs(r - at - slope * k).max(initial=0.0))


class TimeAxis:
    """Takes the column in blocks of any size by `add`, gives the answer by `fit`.

    ``unit_s`` is the unit of the column in seconds; ``what`` names the column in messages; ``written``
    are the significant digits and the decimals of the times, where they came as text.
    """

    def __init__(
        self, unit_s: float = 1.0, what: str = "time column", written: tuple[int, int] = (1, -30)
    ) -> None:
        self._unit_s = unit_s
        self._what = what
        self._digits = Digits(*written)
        self._step = 0.0
        self._quantum = 0.0
        self._coarse = False
        self._inflation = 1.0
        self._pieces: list[_Piece] = []
        # times not yet added, after up to SIDE that were and that show what came before
        self._buffer: Times = np.empty(0)
        self._behind = 0
        self._count = 0
        self._missing = _Tally()
        self._jitter = _Tally()

    def add(self, times: Times) -> None:
        """Take the next times, float64, in the unit of the column; NaN marks one that is missing.

        Raises
        ------
        TimeColumnError : the times do not advance, or a whole block of them is missing.
        """
        # one that is no number is not within the limits either
        if times.size and not (float(times.min()) >= -_LARGEST and float(times.max()) <= _LARGEST):
            times = self._filled(times)
            absurd = np.abs(times) > _LARGEST
            if absurd.any():
                at = self._count + self._buffer.size - self._behind + int(np.argmax(absurd))
                raise TimeColumnError(f"{self._what} stands a value beyond reason", at)
        self._buffer = np.concatenate([self._buffer, times])
        # the last ones wait until it is known what follows
        if self._buffer.size >= _ENOUGH:
            self._take(self._buffer.size - SIDE)

    def fit(self, row_of: Callable[[int], str] = "sample {}".format) -> TimeFit:
        """The rate over all that was added; ``row_of`` names the place of a sample.

        Raises
        ------
        TimeColumnError : fewer than two times, or times that do not advance.
        """
        if self._buffer.size < 2:
            raise TimeColumnError(f"{self._what} are fewer than two values", 0)
        self._take(self._buffer.size)
        return self._solved(row_of)

    def _filled(self, times: Times) -> Times:
        """``times`` with missing ones drawn between their neighbours, which the fit hardly notices."""
        missing = ~np.isfinite(times)
        if not missing.any():
            return times
        where = np.flatnonzero(missing)
        self._missing.note(where.size, self._count + self._buffer.size - self._behind + int(where[0]))
        known = np.flatnonzero(~missing)
        if known.size < 2:
            raise TimeColumnError(f"{self._what} the values are missing", self._missing.first)
        step = (times[known[-1]] - times[known[0]]) / (known[-1] - known[0])
        out = times.copy()
        out[where] = np.interp(where, known, times[known])
        out[: known[0]] = times[known[0]] - step * np.arange(known[0], 0, -1)
        out[known[-1] + 1 :] = times[known[-1]] + step * np.arange(1, times.size - known[-1])
        return out

    def _begin(self) -> None:
        times = self._buffer
        self._quantum = self._digits.quantum(times)
        self._step = robust_step(times, self._quantum)
        if not self._step > _SMALLEST:
            stalled = np.flatnonzero(np.diff(times) <= 0)
            raise TimeColumnError(
                f"{self._what} the values do not go up", int(stalled[0]) + 1 if stalled.size else 1
            )
        pieces = np.split(times, uneven(times, self._step, self._quantum).breaks)
        longest = max(pieces, key=len)
        if longest.size > 2:
            k = np.arange(longest.size, dtype=np.float64) - (longest.size - 1) / 2.0
            # a piece broken out of nonsense may be flat
            self._step = max(self._step / 2, _product_sum(k, longest) / _product_sum(k, k))
            self._inflation = _inflation(longest - longest.mean() - k * self._step)
        self._pieces = [_Piece(0, float(times[0]))]

    def _take(self, ready: int) -> None:
        """Add the times up to ``ready`` in the buffer to the pieces."""
        times = self._buffer
        self._digits.look(times)
        if self._step == 0.0:
            self._begin()
        self._quantum = max(self._quantum, self._digits.quantum(times))
        found = uneven(times, self._step, self._quantum, self._coarse)
        self._quantum, self._coarse = found.quantum, found.coarse
        new = [i for i in found.breaks.tolist() if self._behind <= i < ready]
        jitter = found.jitter[(found.jitter >= self._behind) & (found.jitter < ready)]
        origin = self._count - self._behind
        if jitter.size:
            self._jitter.note(jitter.size, origin + int(jitter[0]))
        at = self._behind
        for begin in new:
            self._pieces[-1].add(times[at:begin], self._step)
            self._pieces.append(_Piece(origin + begin, float(times[begin])))
            at = begin
        self._pieces[-1].add(times[at:ready], self._step)
        self._count = origin + ready
        keep = max(ready - SIDE, 0)
        self._buffer, self._behind = times[keep:].copy(), ready - keep

    def _solved(self, row_of: Callable[[int], str]) -> TimeFit:
        spread = sum(piece.spread for piece in self._pieces)
        slope = sum(piece.lean for piece in self._pieces) / spread if spread else 0.0
        step = self._step + slope
        if not step > _SMALLEST:
            raise TimeColumnError(f"{self._what} the values do not go up", 1)
        notices = [
            *self._break_notices(row_of),
            *self._uneven_notices(row_of),
            *self._drift_notice(slope, row_of),
        ]
        std = self._slope_std(slope, spread)
        segments = self._segments(slope, step)
        return TimeFit(step * self._unit_s, std * self._unit_s, segments, tuple(notices))

    def _uneven_notices(self, row_of: Callable[[int], str]) -> Iterator[Notice]:
        for code, tally, noun, how in (
            ("time-missing", self._missing, "missing value", ""),
            ("time-jitter", self._jitter, "step", " uneven by more than 2 %"),
        ):
            if tally.count:
                what = f"{counted(tally.count, noun)}{how} in the {self._what}"
                yield Notice(code, f"{what}, first at {row_of(tally.first)}", tally.count, tally.first)

    def _drift_notice(self, slope: float, row_of: Callable[[int], str]) -> Iterator[Notice]:
        step = self._step + slope
        worst, piece = max(((piece.worst(slope), piece) for piece in self._pieces), key=lambda pair: pair[0])
        if worst > step + self._quantum and not self._jitter.count:
            text = (
                f"the sample rate changes along the {self._what}: it leaves even spacing by up to "
                f"{worst / step:.3g} samples, in the part that begins at {row_of(piece.first)}"
            )
            yield Notice("time-drift", text, 1, piece.first)

    def _slope_std(self, slope: float, spread: float) -> float:
        """Standard uncertainty of the slope, from the residuals and from the rounding of the times.

        Where the step is a whole number of last digits the residuals are all zero and say nothing; then
        both ends may be off by half a digit (rectangular distribution, JCGM 100, 4.3.7).
        """
        count = sum(piece.count for piece in self._pieces)
        rounding = self._quantum / (math.sqrt(3.0) * max(piece.count for piece in self._pieces))
        free = count - len(self._pieces) - 1
        if free < 1 or not spread:
            return rounding
        squares = sum(piece.sum_rr - piece.sum_r**2 / piece.count for piece in self._pieces)
        variance = max(squares - slope**2 * spread, 0.0) / free
        if variance < 0.01 * self._quantum**2:
            return rounding
        return math.sqrt(variance * self._inflation / spread)

    def _segments(self, slope: float, step: float) -> tuple[Segment, ...]:
        """The pieces on one axis; one whose times go back is laid right behind the one before it."""
        segments: list[Segment] = []
        for piece in self._pieces:
            intercept = piece.intercept(slope)
            # the fitted start is better than the written one, except in the noise of float arithmetic
            start = piece.start + (intercept if abs(intercept) > 1e-6 * step else 0.0)
            start_s = start * self._unit_s
            if segments:
                before = segments[-1]
                end_s = before.start_s + (before.last - before.first) * step * self._unit_s
                start_s = max(start_s, end_s)
                if not start_s > before.start_s:
                    raise TimeColumnError(f"{self._what} stands a value beyond reason", before.first)
            segments.append(Segment(piece.first, piece.first + piece.count, start_s))
        return tuple(segments)

    def _break_notices(self, row_of: Callable[[int], str]) -> Iterator[Notice]:
        ahead, back = _Tally(), _Tally()
        for before, piece in pairwise(self._pieces):
            expected = before.start + before.count * self._step
            (ahead if piece.start > expected else back).note(1, piece.first)
        for code, tally, words in (
            ("time-gap", ahead, "jumps ahead"),
            ("time-restart", back, "goes back, which is taken as the start of another record,"),
        ):
            if tally.count:
                times = "" if tally.count == 1 else f" {tally.count} times, first"
                text = f"the {self._what} {words}{times} at {row_of(tally.first)}"
                yield Notice(code, text, tally.count, tally.first)


@dataclass
class _Tally:
    count: int = 0
    first: int = 0

    def note(self, count: int, first: int) -> None:
        if self.count == 0:
            self.first = first
        self.count += count


def _product_sum(a: Times, b: Times) -> float:
    """The dot product, without the threads of a linear algebra library, which cost more than they give."""
    return float(np.einsum("i,i->", a, b))


def _inflation(residuals: Times) -> float:
    """How much more the mean of many residuals varies than if they were independent; at least 1.

    Rounding residuals of a step close to a whole number of last digits follow each other slowly.
    """
    length = math.isqrt(residuals.size)
    variance = float(residuals.var())
    if length < 4 or variance == 0.0:
        return 1.0
    means = residuals[: length * length].reshape(length, length).mean(axis=1)
    return max(1.0, float(means.var()) * length / variance)
