"""Channels and time axis out of numeric arrays, whatever container they came in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import CaptureError
from app.files.capture_attributes import Said
from app.files.capture_checks import BLOCK, check_channels
from app.files.capture_common import Head, finish, make_channels, told_rate
from app.files.capture_grid import median
from app.files.capture_options import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, ReadOptions, Watch
from app.files.capture_time import TimeAxis, TimeColumnError
from app.files.text_keys import TIME
from app.files.text_units import find_unit, split_header
from app.model.capture import Capture
from dsp.results import Notice

TIME_NAMES = frozenset({"t", "time", "times", "timestamp", "time_s", "t_s", "seconds"})
MOST_CHANNELS = 1024
# nothing beyond is a time, and differences of such numbers may overflow
_LATEST = 1e100


@dataclass(frozen=True)
class Stated:
    """What a container says of its samples beside them, unchecked; None where nothing.

    A ``unit`` of None is taken from the type of the samples.
    """

    interval_s: float | None = None
    rate_hz: float | None = None
    start_s: float | None = None
    unit: str | None = None
    of_each: tuple[Said, ...] = ()
    """What is said of each column, of all or of none."""


_NOTHING = Stated()


def columns_of(head: Head, array: NDArray[Any]) -> tuple[list[str], list[NDArray[Any]]]:
    """Names (empty if there are none) and one-dimensional views of the columns of ``array``.

    Fields of a structured array are columns; of two dimensions the shorter one counts the columns;
    a complex column is two, real and imaginary part.

    Raises
    ------
    app.errors.CaptureError : three dimensions and more, too many columns, or no real numbers.
    """
    if array.dtype.names is not None:
        names = list(array.dtype.names)
        columns = [array[name] for name in names]
    else:
        array = array.reshape(-1) if array.ndim == 0 else array
        if array.ndim == 2 and array.shape[0] < array.shape[1]:
            array = array.T
        wide = array.ndim == 2
        columns = [array[:, i] for i in range(min(array.shape[1], MOST_CHANNELS + 1))] if wide else [array]
        names = [""] * len(columns)
    if len(columns) > MOST_CHANNELS:
        raise CaptureError(
            head.path, "", f"an array of shape {array.shape} has too many columns", "save one row a sample"
        )
    for column in columns:
        if column.ndim != 1 or column.dtype.kind not in "biufc":
            raise CaptureError(
                head.path,
                "",
                f"an array of shape {column.shape} and type {column.dtype} is no set of channels",
                "save one or two dimensions of plain numbers",
            )
    split = [part for name, column in zip(names, columns, strict=True) for part in _real(name, column)]
    return [name for name, _ in split], [column for _, column in split]


def _real(name: str, column: NDArray[Any]) -> list[tuple[str, NDArray[Any]]]:
    if column.dtype.kind == "b":
        return [(name, column.view(np.uint8))]
    if column.dtype.kind != "c":
        return [(name, column)]
    return [(f"{name} {part}".strip(), view) for part, view in (("I", column.real), ("Q", column.imag))]


def read_columns(
    head: Head,
    kind: str,
    names: Sequence[str],
    columns: Sequence[NDArray[Any]],
    options: ReadOptions,
    watch: Watch,
    warnings: Sequence[Notice] = (),
    stated: Stated = _NOTHING,
) -> Capture:
    """A capture of ``columns``; one of them may hold the times, by its name or because it counts evenly up.

    Raises
    ------
    app.errors.CaptureError : no rate told and no column of times.
    """
    known = options.rate_hz or stated.rate_hz or stated.interval_s
    # columns of one array that are only numbered have no names that would say more
    plain = [""] * len(names) if not known and _are_numbered(names) else names
    at = _time_column(plain, columns)
    if at is None:
        rate_hz = (
            options.rate_hz or _stated_rate(head, stated) or told_rate(head, options, f"the {kind} file")
        )
        channels = make_channels(columns, options, names=names, unit=stated.unit, of_each=stated.of_each)
        return finish(head, kind, rate_hz, channels, watch, warnings, stated.start_s or 0.0)
    axis = TimeAxis(_time_unit_s(names[at], stated.of_each[at] if stated.of_each else Said()))
    try:
        for first in range(0, len(columns[at]), BLOCK):
            watch.step(first / len(columns[at]))
            axis.add(columns[at][first : first + BLOCK].astype(np.float64))
        fit = axis.fit()
    except TimeColumnError as error:
        raise CaptureError(
            head.path, f"sample {error.sample}", f"in the {error}", "save the times again"
        ) from error
    others = [i for i in range(len(columns)) if i != at]
    channels = make_channels(
        [columns[i] for i in others],
        options,
        names=[names[i] for i in others],
        unit=stated.unit,
        of_each=[stated.of_each[i] for i in others] if stated.of_each else (),
    )
    notices = (*warnings, *fit.notices, *check_channels(channels, watch))
    told = options.rate_hz
    return Capture(
        head.path.name,
        kind,
        told or fit.rate_hz,
        fit.segments[0].start_s,
        channels,
        fit.segments,
        rate_std_hz=None if told else fit.rate_std_hz,
        path=head.path,
        warnings=notices,
    )


def _are_numbered(names: Sequence[str]) -> bool:
    """Whether the names are those that the columns of one array get, ``data 1``, ``data 2`` and so on."""
    stem, _, number = names[0].rpartition(" ") if names else ("", "", "")
    return number == "1" and all(name == f"{stem} {i + 1}" for i, name in enumerate(names))


def _time_unit_s(name: str, told: Said) -> float:
    """Unit of a column of times in seconds, from its attributes or its name, as of ``time_us``."""
    for unit in (find_unit(told.unit or ""), split_header(name)[1]):
        if unit is not None and unit.time:
            return unit.factor
    return 1.0


def _stated_rate(head: Head, stated: Stated) -> float | None:
    """The rate that the file states, from the interval where there is one."""
    rate_hz = stated.rate_hz
    if stated.interval_s is not None:
        rate_hz = 1.0 / stated.interval_s if stated.interval_s else 0.0
    if rate_hz is not None and not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        problem = f"it states a sample rate of {rate_hz:g} Hz"
        raise CaptureError(head.path, "", problem, "give the rate with --rate")
    return rate_hz


def _time_column(names: Sequence[str], columns: Sequence[NDArray[Any]]) -> int | None:
    """The column of times: so named, or the first of several floats, if it counts evenly up."""
    if len(columns) < 2:
        return None
    for i, name in enumerate(names):
        # a field of a table carries the name of that in front
        if {name.strip().lower(), name.strip().lower().rpartition(" ")[2]} & TIME_NAMES:
            return i
        plain, unit = split_header(name)
        if unit is not None and unit.time and TIME.fullmatch(plain):
            return i
    first = columns[0]
    if first.dtype.kind != "f" or len(first) < 8 or any(names):
        return None
    times = first[:BLOCK].astype(np.float64)
    if not np.isfinite(times).all() or np.abs(times).max() > _LATEST:
        return None
    steps = np.diff(times)
    even = median(steps)
    return 0 if even > 0 and np.abs(steps - even).max() < 0.5 * even else None
