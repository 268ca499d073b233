"""NumPy's ``.npy``: one array, mapped, never unpickled."""

from __future__ import annotations

import ast
import math
import operator
from typing import IO, Any, Literal

import numpy as np
from numpy.typing import NDArray

from app.errors import CaptureError
from app.files.capture_arrays import columns_of, read_columns
from app.files.capture_common import Head
from app.files.capture_options import ReadOptions, Watch
from app.model.capture import Capture
from dsp.results import Notice

MAGIC = b"\x93NUMPY"
_LONGEST_HEADER = 64 << 10

# a type that numpy no longer wants to know is a warning, or an error where those are errors
_DAMAGED = (
    *(ValueError, SyntaxError, TypeError, KeyError, IndexError, MemoryError, RecursionError),
    DeprecationWarning,
)


def read_npy(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """Map the array in ``head``: one channel, or channels along its shorter side.

    Raises
    ------
    app.errors.CaptureError : no array of real numbers, or a damaged file.
    """
    array, warnings = _mapped(head)
    names, columns = columns_of(head, array)
    return read_columns(head, "npy", names, columns, options, watch, warnings)


def _mapped(head: Head) -> tuple[NDArray[Any], list[Notice]]:
    with head.path.open("rb") as file:
        shape, fortran, dtype = read_header(head, file)
        start = file.tell()
    if dtype.hasobject:
        raise CaptureError(
            head.path,
            "byte 0",
            "the array holds Python objects, which are never loaded",
            "save it as plain numbers",
        )
    if dtype.itemsize == 0 or any(side < 1 for side in shape) or not shape:
        raise CaptureError(head.path, "byte 0", "the array is empty", "save an array that holds samples")
    shape, warnings = _within_file(head, shape, fortran, dtype, head.size - start)
    order: Literal["F", "C"] = "F" if fortran else "C"
    return np.memmap(head.path, dtype, "r", start, shape, order), warnings


def read_header(head: Head, file: IO[bytes]) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    """Shape, order and type, as NEP 1 lays them down: a Python dictionary written out as text.

    Raises
    ------
    app.errors.CaptureError : no such header.
    """
    try:
        if file.read(len(MAGIC)) != MAGIC:
            raise ValueError("magic")
        wide = file.read(2)[0] > 1
        length = int.from_bytes(file.read(4 if wide else 2), "little")
        if not 0 < length <= _LONGEST_HEADER:
            raise ValueError("length of the header")
        said = ast.literal_eval(file.read(length).decode("utf-8" if wide else "latin-1").strip())
        shape = tuple(operator.index(side) for side in said["shape"])
        return shape, bool(said["fortran_order"]), np.lib.format.descr_to_dtype(said["descr"])
    except _DAMAGED as error:
        raise CaptureError(
            head.path, "byte 0", "the array header is damaged", "save the array again"
        ) from error


def _within_file(
    head: Head, shape: tuple[int, ...], fortran: bool, dtype: np.dtype[Any], available: int
) -> tuple[tuple[int, ...], list[Notice]]:
    """The shape that the file really holds, and a notice where that is less than the header claims."""
    claimed = math.prod(shape)
    if claimed * dtype.itemsize <= available:
        return shape, []
    row = 1 if fortran and len(shape) == 1 else math.prod(shape[1:])
    rows = available // (dtype.itemsize * row)
    if rows == 0 or (fortran and len(shape) > 1):
        raise CaptureError(
            head.path,
            "byte 0",
            f"the header claims {claimed} numbers, the file has room for {available // dtype.itemsize}",
            "copy or save the file again",
        )
    text = f"the header claims {shape[0]} rows, the file ends after {rows}"
    return (rows, *shape[1:]), [Notice("truncated", text, 1, rows - 1)]
