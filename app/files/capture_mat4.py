"""MATLAB's ``.mat`` of version 4: plain matrices one behind the other, mapped as they are stored.

The format has no mark by which to know it; a file is taken for one if every field of its first header makes sense
and what that claims fits into the file. Layout: "MAT-File Format" of The MathWorks, Level 4; from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import CaptureError
from app.files.capture_common import Head
from app.files.capture_named import read_named
from app.files.capture_options import ReadOptions, Watch
from app.model.capture import Capture

_HEADER = 20
_NUMBERS = ("f8", "f4", "i4", "i2", "u2", "u1")
_FULL = 0
_LONGEST_NAME = 256
_MOST_VARIABLES = 1000


def is_mat4(head: Head) -> bool:
    """Whether the opening bytes are the header of a matrix that fits into the file."""
    first = _header(head.start, 0, head.size)
    if first is None:
        return False
    name = head.start[_HEADER : _HEADER + first.name_bytes]
    return _name(name) is not None


def read_mat4(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """The full numeric matrices of ``head`` as channels, times or single values, by name and shape.

    Raises
    ------
    app.errors.CaptureError : cut short or damaged, or without numbers.
    """
    content = np.memmap(head.path, np.uint8, "r")
    variables: dict[str, NDArray[Any]] = {}
    for name, values in _variables(head, content, watch):
        variables.setdefault(name, values)
        if len(variables) >= _MOST_VARIABLES:
            break
    return read_named(head, "mat", variables, options, watch, unit="")


class _Header:
    """One matrix: ``dtype`` None for what is no full matrix of numbers."""

    def __init__(self, order: str, code: int, rows: int, columns: int, parts: int, name_bytes: int) -> None:
        number, kind = code // 10 % 10, code % 10
        self.dtype = np.dtype(order + _NUMBERS[number])
        self.is_full = kind == _FULL
        self.shape = (rows, columns)
        self.parts = parts
        self.name_bytes = name_bytes

    @property
    def nbytes(self) -> int:
        """Of one part, real or imaginary."""
        return self.shape[0] * self.shape[1] * self.dtype.itemsize


def _header(start: bytes, at: int, size: int) -> _Header | None:
    """The header at ``at``, None if it is none or claims more than there is."""
    if len(start) < _HEADER:
        return None
    for order, machine in (("<", 0), (">", 1)):
        code, rows, columns, imaginary, name_bytes = struct.unpack(f"{order}5i", start[:_HEADER])
        fits = 0 <= code < 5000 and code // 1000 == machine and code // 100 % 10 == 0
        if not fits or code // 10 % 10 >= len(_NUMBERS) or code % 10 > 2:
            continue
        if rows < 0 or columns < 0 or imaginary not in (0, 1) or not 1 < name_bytes <= _LONGEST_NAME:
            continue
        header = _Header(order, code, rows, columns, 1 + imaginary, name_bytes)
        if at + _HEADER + name_bytes + header.parts * header.nbytes <= size:
            return header
    return None


def _name(raw: bytes) -> str | None:
    text, _, rest = raw.partition(b"\0")
    name = text.decode("latin-1")
    return name if name.isidentifier() and name.isascii() and not rest.strip(b"\0") else None


def _variables(head: Head, content: NDArray[np.uint8], watch: Watch) -> Iterator[tuple[str, NDArray[Any]]]:
    at = 0
    while at < content.size:
        watch.stop_if_asked()
        header = _header(content[at : at + _HEADER].tobytes(), at, content.size)
        begin = at + _HEADER
        name = None if header is None else _name(content[begin : begin + header.name_bytes].tobytes())
        if header is None or name is None:
            problem = f"the MATLAB file is damaged or cut off at byte {at}"
            raise CaptureError(head.path, "", problem, "save it again")
        begin += header.name_bytes
        at = begin + header.parts * header.nbytes
        if not header.is_full or not header.nbytes:
            continue
        for part, suffix in zip(range(header.parts), ("", " Q"), strict=False):
            first = begin + part * header.nbytes
            raw = content[first : first + header.nbytes]
            # a matrix begins anywhere; one that is not aligned can be viewed all the same
            values = np.ndarray(header.shape, header.dtype, raw, order="F")
            yield (f"{name} I" if header.parts == 2 and not suffix else name + suffix), values
