"""The time axis of a table: from a column of times, from sample numbers and a rate, or from a rate alone."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.errors import CaptureError
from app.files.capture_options import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, ReadOptions
from app.files.capture_time import TimeAxis, TimeColumnError, TimeFit
from app.files.text_rows import RowReader
from app.files.text_table import Table
from app.model.capture import Segment
from dsp.results import Notice

_DAY_S = 86400.0
_MOST_CLOCK_S = 1e12
_LATEST_S = 1e15


@dataclass(frozen=True)
class Axis:
    """``rate_std_hz`` is None where the rate was told or stated."""

    rate_hz: float
    rate_std_hz: float | None
    segments: tuple[Segment, ...]
    notices: tuple[Notice, ...]


class TextAxis:
    """Takes the rows as they are read; `fit` gives the axis.

    A rate told by the user goes before the column of times, that before what the preamble states.
    """

    def __init__(self, table: Table, options: ReadOptions) -> None:
        roles, facts = table.roles, table.facts
        self._head = table.head
        self._facts = facts
        self._told_hz = options.rate_hz
        self._column = roles.time if roles.time is not None else roles.index
        self._by_count = roles.time is None
        self._rate_hz = options.rate_hz or 0.0
        self._times: TimeAxis | None = None
        at = table.layout.data[self._column] if self._column is not None else None
        self._base = 0 if self._by_count else dict(table.style.bases).get(at if at is not None else -1, 0)
        self._is_clock = at in table.style.clocks
        self._finer = roles.finer
        self._days, self._last_clock = 0, -math.inf
        self._record = roles.record
        self._last_record: float | None = None
        self._edges: list[int] = []
        if self._by_count:
            self._rate_hz = self._checked(options.rate_hz or facts.stated_rate_hz or 0.0)
        if self._column is not None:
            unit_s = self._unit_s = 1.0 / self._rate_hz if self._by_count else roles.time_unit_s
            what = "column of sample numbers" if self._by_count else "time column"
            self._times = TimeAxis(unit_s, what, table.time_digits)

    def add(self, values: NDArray[np.float64], reader: RowReader) -> None:
        """Take the rows just read, shape (rows, data columns)."""
        if not len(values):
            return
        self._note_records(values, reader)
        if self._times is None:
            return
        try:
            self._times.add(self._unwrapped(self._written(values)))
        except TimeColumnError as error:
            raise self._bad_times(error, reader) from error

    def _written(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """The times in the rows, with fractions that have a column of their own."""
        times: NDArray[np.float64] = values[:, self._column]
        if self._finer is None:
            return times
        part, unit_s = self._finer
        if self._base == 0 and np.isfinite(times[0]) and abs(times[0]) < _LATEST_S:
            # of many seconds and their millionths a float has not digits enough
            self._base = int(times[0])
        return times - self._base + values[:, part] * unit_s

    def _unwrapped(self, times: NDArray[np.float64]) -> NDArray[np.float64]:
        """Clock times going on after midnight."""
        if not self._is_clock:
            return times
        # no clock shows what is missing or beyond a few days
        known = np.flatnonzero(np.abs(times) < _MOST_CLOCK_S)
        if not known.size:
            return times
        clock = times[known]
        back = np.diff(clock, prepend=max(self._last_clock, float(clock[0]) - _DAY_S)) < -0.5 * _DAY_S
        self._last_clock = float(clock[-1])
        if not self._days and not back.any():
            return times
        days = self._days + np.cumsum(back)
        self._days = int(days[-1])
        out = times.copy()
        out[known] += days * _DAY_S
        return out

    def fit(self, reader: RowReader) -> Axis:
        """The axis of all rows.

        Raises
        ------
        app.errors.CaptureError : times that make no axis; names the row.
        """
        axis = self._fitted(reader)
        starts = [part.start_s for part in axis.segments]
        if abs(starts[0]) <= _LATEST_S and all(a < b for a, b in pairwise(starts)):
            return axis
        # so far from zero that samples cannot be told apart, or beyond reason
        text = f"the start of {starts[0]:.6g} s is too far off to tell times by; times count from 0"
        segments = tuple(Segment(s.first, s.last, s.first / axis.rate_hz) for s in axis.segments)
        return replace(axis, segments=segments, notices=(*axis.notices, Notice("start-left-out", text)))

    def _fitted(self, reader: RowReader) -> Axis:
        if self._times is None:
            return self._counted(reader)
        try:
            fit = self._times.fit(reader.row_of)
        except TimeColumnError as error:
            raise self._bad_times(error, reader) from error
        if self._base:
            by_s = self._base * self._unit_s
            moved = tuple(replace(part, start_s=part.start_s + by_s) for part in fit.segments)
            fit = replace(fit, segments=moved)
        if self._by_count:
            return self._counted_by(fit, reader)
        fitted_hz, std_hz = self._checked(fit.rate_hz), fit.rate_std_hz
        notices = list(fit.notices)
        for code, other_hz, who in (
            ("rate-told", self._told_hz, "the rate told"),
            ("rate-stated", self._facts.stated_rate_hz, "the rate stated in the file"),
        ):
            if other_hz and abs(other_hz - fitted_hz) > max(1e-3 * fitted_hz, 5 * std_hz):
                text = f"{who} is {other_hz:.6g} Hz, the time column gives {fitted_hz:.6g} Hz"
                notices.append(Notice(code, text))
        if self._told_hz is not None:
            return Axis(self._told_hz, None, fit.segments, tuple(notices))
        return Axis(fitted_hz, std_hz, fit.segments, tuple(notices))

    def _counted_by(self, fit: TimeFit, reader: RowReader) -> Axis:
        """By sample numbers; where they go up by more than one, the rate stated is that of all, a told one that of these."""
        every = max(1, round(1.0 / (fit.rate_hz * self._unit_s)))
        notices = (*self._derived(), *fit.notices)
        if every == 1:
            return Axis(self._rate_hz, None, self._numbered(fit.segments, reader), notices)
        if self._told_hz is not None:
            apart = tuple(replace(part, start_s=part.start_s / every) for part in fit.segments)
            return Axis(self._rate_hz, None, apart, notices)
        text = (
            f"the sample numbers go up by {every}, so every {every}th sample is here, "
            f"at {self._rate_hz / every:.9g} Hz; the file states {self._rate_hz:.9g} Hz"
        )
        return Axis(self._rate_hz / every, None, fit.segments, (*notices, Notice("every-nth", text)))

    def _note_records(self, values: NDArray[np.float64], reader: RowReader) -> None:
        """Remember the samples with which the number of the record changes."""
        if self._record is None:
            return
        numbers = values[:, self._record]
        before = numbers[0] if self._last_record is None else self._last_record
        changes = np.flatnonzero(np.diff(numbers, prepend=before) != 0)
        self._edges += (changes + reader.samples - len(values)).tolist()
        self._last_record = float(numbers[-1])

    def _numbered(self, segments: tuple[Segment, ...], reader: RowReader) -> tuple[Segment, ...]:
        """Counting begins with the first sample, unless it begins before a trigger or in the middle."""
        first_s = segments[0].start_s
        if self._facts.start_s is not None or round(first_s * self._rate_hz) in (0, 1):
            first_s = self._facts.first_time_s(self._rate_hz, reader.samples)
        return _shifted(segments, first_s)

    def _counted(self, reader: RowReader) -> Axis:
        """No column says when: samples follow each other, records are laid end to end if no start is stated."""
        start_s = self._facts.first_time_s(self._rate_hz, reader.samples)
        edges = sorted({0, *reader.records, *self._edges, reader.samples})
        starts = [reader.facts_before(edge).start_s for edge in edges[1:-1]]
        if starts and None not in starts:
            times = [start_s, *(start for start in starts if start is not None)]
            parts = list(zip(times, pairwise(edges), strict=True))
            apart = pairwise(parts)
            if all(t + (b - a) / self._rate_hz <= u + 1e-9 * abs(u) for (t, (a, b)), (u, _) in apart):
                records = tuple(Segment(a, b, t) for t, (a, b) in parts)
                return Axis(self._rate_hz, None, records, tuple(self._derived()))
        segments = tuple(
            Segment(first, last, start_s + first / self._rate_hz) for first, last in pairwise(edges)
        )
        notices = self._derived()
        if len(segments) > 1:
            second = reader.row_of(segments[1].first)
            text = (
                f"{len(segments)} records of unknown times are laid end to end, the second begins at {second}"
            )
            notices.append(Notice("records", text, len(segments) - 1, segments[1].first))
        return Axis(self._rate_hz, None, segments, tuple(notices))

    def _derived(self) -> list[Notice]:
        often = self._facts.decimation or 1.0
        if self._told_hz is None and often > 1.0:
            text = (
                f"the file states that every {often:g}th sample was kept; {self._rate_hz:.9g} Hz is taken as the rate "
                "of those, not of all; give it with --rate if it is otherwise"
            )
            return [Notice("decimation-stated", text)]
        if self._told_hz is not None or not self._facts.derived:
            return []
        text = f"the rate of {self._rate_hz:.9g} Hz is worked out from {self._facts.derived}, which the file states"
        return [Notice("rate-derived", text)]

    def _checked(self, rate_hz: float) -> float:
        if LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
            return rate_hz
        raise CaptureError(
            self._head.path,
            "the sample interval",
            f"it gives a rate of {rate_hz:g} Hz",
            "give the rate with --rate",
        )

    def _bad_times(self, error: TimeColumnError, reader: RowReader) -> CaptureError:
        remedy = "remove that column and give the rate with --rate"
        return CaptureError(self._head.path, reader.row_of(error.sample), f"in the {error}", remedy)


def _shifted(segments: tuple[Segment, ...], start_s: float) -> tuple[Segment, ...]:
    """The same segments with the first at ``start_s``."""
    by = start_s - segments[0].start_s
    return tuple(replace(segment, start_s=segment.start_s + by) for segment in segments)
