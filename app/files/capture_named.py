"""A capture out of named arrays and numbers, as containers of several variables hold them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from numpy.typing import NDArray

from app.errors import CaptureError
from app.files.capture_arrays import Stated, columns_of, read_columns
from app.files.capture_attributes import Said, said
from app.files.capture_common import Head
from app.files.capture_options import ReadOptions, Watch
from app.files.text_keys import stated_as
from app.model.capture import Capture
from dsp.results import Notice

# Most memory that samples which cannot be mapped may take; a header can claim anything.
MOST_BYTES = 2 << 30
_NONE: Mapping[str, Mapping[str, Any]] = MappingProxyType({})


def read_named(
    head: Head,
    kind: str,
    variables: Mapping[str, NDArray[Any]],
    options: ReadOptions,
    watch: Watch,
    unit: str | None = None,
    attributes: Mapping[str, Mapping[str, Any]] = _NONE,
) -> Capture:
    """The longest arrays of equal length are the channels, one of them perhaps the times.

    A single number whose name says so is the sample rate, the interval or the start. ``attributes`` are what is said
    of variables beside their values.

    Raises
    ------
    app.errors.CaptureError : no numeric arrays, or nothing to place them in time by.
    """
    names: list[str] = []
    columns: list[NDArray[Any]] = []
    of_each: list[Said] = []
    stated = {}
    for name, array in variables.items():
        if array.size == 1 and array.dtype.kind in "iuf":
            what, factor = stated_as(name)
            stated[what] = float(array.reshape(-1)[0]) * factor
        elif array.size > 1 and array.ndim <= 2 and (array.dtype.kind in "biufc" or array.dtype.names):
            flat = array.reshape(-1) if 1 in array.shape else array
            parts, found = columns_of(head, flat)
            alone = sum(array.size > 1 for array in variables.values()) == 1
            names += [
                part if part and alone else _joined(name, part, len(found), i) for i, part in enumerate(parts)
            ]
            columns += found
            of_each += [said(attributes.get(name, {}), i, len(found)) for i in range(len(found))]
    if not columns:
        raise CaptureError(
            head.path,
            "",
            f"the {kind} file holds no arrays of numbers",
            "save the samples as arrays of numbers",
        )
    length = _usual_length(columns)
    chosen = [i for i, column in enumerate(columns) if len(column) == length]
    left_out = [names[i] for i, column in enumerate(columns) if len(column) != length]
    warnings = []
    if left_out:
        text = f"arrays of another length than {length} are left out: {', '.join(left_out[:5])}"
        warnings.append(Notice("left-out", text, len(left_out)))
    return read_columns(
        head,
        kind,
        [names[i] for i in chosen],
        [columns[i] for i in chosen],
        options,
        watch,
        warnings,
        Stated(
            stated.get("interval"),
            stated.get("rate"),
            stated.get("start"),
            unit,
            tuple(_numbered(of_each[i], of_each) for i in chosen),
        ),
    )


def _numbered(one: Said, of_each: Sequence[Said]) -> Said:
    """Without a name that stands for several columns, which are told apart by their own."""
    return replace(one, name="") if sum(one.name == other.name for other in of_each) > 1 else one


def _joined(name: str, part: str, count: int, index: int) -> str:
    if part:
        return f"{name} {part}"
    return name if count == 1 else f"{name} {index + 1}"


def _usual_length(columns: Sequence[NDArray[Any]]) -> int:
    """The length that holds the most numbers in all."""
    totals = Counter[int]()
    for column in columns:
        totals[len(column)] += len(column)
    return max(totals, key=lambda length: (totals[length], length))


def check_size(head: Head, name: str, nbytes: int) -> None:
    """Refuse an array that would not fit into memory, before any of it is taken.

    Raises
    ------
    app.errors.CaptureError : more than `MOST_BYTES`.
    """
    if nbytes > MOST_BYTES:
        raise CaptureError(
            head.path,
            f"array '{name}'",
            f"it claims {nbytes} bytes and cannot be mapped",
            "save it uncompressed and in one piece, or cut it down",
        )
