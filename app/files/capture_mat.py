"""MATLAB's ``.mat`` of versions 5 to 7; version 7.3 is HDF5 and read as such.

The numeric variables are read here rather than by a library, because samples stay in the type they are
stored in and are mapped where they are not compressed, and because the file may be damaged or hostile:
no size in it is believed. Layout: "MAT-File Format" of The MathWorks, Level 5; from memory.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from app.errors import CaptureError
from app.files.capture_common import Head
from app.files.capture_named import check_size, read_named
from app.files.capture_options import ReadOptions, Watch
from app.model.capture import Capture

MAGIC = b"MATLAB 5.0 MAT-file"

_HEADER_BYTES = 128
_MATRIX, _COMPRESSED = 14, 15
_NUMBERS = {1: "i1", 2: "u1", 3: "i2", 4: "u2", 5: "i4", 6: "u4", 7: "f4", 9: "f8", 12: "i8", 13: "u8"}
_NUMERIC_CLASSES = range(6, 16)
_STRUCTURE = 2
_COMPLEX = 0x0800
_MOST_VARIABLES = 1000


def read_mat(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """The numeric variables of ``head`` as channels, time or single values, by name and shape.

    Raises
    ------
    app.errors.CaptureError : no numeric variables, damaged, or too large to be taken into memory.
    """
    content = np.memmap(head.path, np.uint8, "r")
    order: Literal["little", "big"] = "big" if head.start[126:128] == b"MI" else "little"
    variables: dict[str, NDArray[Any]] = {}
    try:
        for element in _elements(content, _HEADER_BYTES, order):
            watch.stop_if_asked()
            matrix = _inflated(head, element, order) if element.kind == _COMPRESSED else element
            if matrix.kind == _MATRIX and len(variables) < _MOST_VARIABLES:
                for name, values in _variable(matrix.data, order).items():
                    # fields of several structures may have the same names
                    short = name.rpartition(".")[2]
                    variables[name if short in variables else short] = values
    except (ValueError, zlib.error) as error:
        raise CaptureError(head.path, "", "the MATLAB file is damaged", "save it again") from error
    # whole numbers are stored as integers whatever they measure, so that the type says nothing of the unit
    return read_named(head, "mat", variables, options, watch, unit="")


@dataclass(frozen=True)
class _Element:
    kind: int
    data: NDArray[np.uint8]


def _elements(content: NDArray[np.uint8], at: int, order: Literal["little", "big"]) -> Iterator[_Element]:
    """The data elements in ``content`` from ``at`` on; ValueError where one runs over the end."""
    while at + 8 <= content.size:
        word = int.from_bytes(content[at : at + 4].tobytes(), order)
        if word >> 16:
            # up to four octets stand in the tag itself
            kind, size, begin, after = word & 0xFFFF, word >> 16, at + 4, at + 8
            fits = size <= 4
        else:
            kind, size = word, int.from_bytes(content[at + 4 : at + 8].tobytes(), order)
            begin = at + 8
            after = begin + (size if kind == _COMPRESSED else -(-size // 8) * 8)
            fits = begin + size <= content.size
        if not fits:
            raise ValueError("an element runs over the end")
        yield _Element(kind, content[begin : begin + size])
        at = after


def _inflated(head: Head, element: _Element, order: Literal["little", "big"]) -> _Element:
    unpacker = zlib.decompressobj()
    tag = unpacker.decompress(element.data[: 1 << 16].tobytes(), 8)
    size = int.from_bytes(tag[4:8], order)
    check_size(head, "compressed", size)
    plain = zlib.decompressobj().decompress(element.data.tobytes(), size + 8)
    if len(plain) < size + 8:
        raise ValueError("a compressed variable is cut short")
    return _Element(int.from_bytes(plain[:4], order), np.frombuffer(plain, np.uint8, size, 8))


def _variable(content: NDArray[np.uint8], order: Literal["little", "big"]) -> dict[str, NDArray[Any]]:
    """Name and values of a numeric variable, in the type and the memory they are stored in; else nothing."""
    parts = _elements(content, 0, order)
    flags, dimensions, name = (next(parts, _Element(0, content[:0])).data.tobytes() for _ in range(3))
    kind = int.from_bytes(flags[:4], order) & 0xFF
    if kind == _STRUCTURE:
        return _fields(name.decode("latin-1"), parts, order)
    if kind not in _NUMERIC_CLASSES:
        return {}
    return _values(name.decode("latin-1"), flags, dimensions, parts, order)


def _values(
    text: str, flags: bytes, dimensions: bytes, parts: Iterator[_Element], order: Literal["little", "big"]
) -> dict[str, NDArray[Any]]:
    shape = [int.from_bytes(dimensions[i : i + 4], order) for i in range(0, len(dimensions), 4)]
    is_complex = bool(int.from_bytes(flags[:4], order) & _COMPLEX)
    values = [_numbers(part, shape, order) for _, part in zip(range(1 + is_complex), parts, strict=False)]
    if not text or not values or any(array is None for array in values):
        return {}
    names = [f"{text} I", f"{text} Q"] if is_complex else [text]
    return {name: array for name, array in zip(names, values, strict=False) if array is not None}


def _fields(name: str, parts: Iterator[_Element], order: Literal["little", "big"]) -> dict[str, NDArray[Any]]:
    """The numeric fields of a single structure, as ``structure.field``; structures within it are left out."""
    empty = _Element(0, np.empty(0, np.uint8))
    length = int.from_bytes(next(parts, empty).data.tobytes()[:4], order)
    titles = next(parts, empty).data.tobytes()
    if not 0 < length <= 64:
        return {}
    names = [titles[i : i + length].split(b"\0")[0].decode("latin-1") for i in range(0, len(titles), length)]
    matrices = [part.data for part in parts if part.kind == _MATRIX]
    if len(matrices) != len(names) or len(names) > _MOST_VARIABLES:
        return {}
    out: dict[str, NDArray[Any]] = {}
    for title, content in zip(names, matrices, strict=True):
        inner = _named_variable(content, title, order)
        out.update({f"{name}.{key}": values for key, values in inner.items() if "." not in key})
    return out


def _named_variable(
    content: NDArray[np.uint8], title: str, order: Literal["little", "big"]
) -> dict[str, NDArray[Any]]:
    """The variable of a field, which has no name of its own."""
    parts = list(_elements(content, 0, order))
    if len(parts) < 4 or int.from_bytes(parts[0].data.tobytes()[:4], order) & 0xFF not in _NUMERIC_CLASSES:
        return {}
    return _values(title, parts[0].data.tobytes(), parts[1].data.tobytes(), iter(parts[3:]), order)


def _numbers(element: _Element, shape: list[int], order: Literal["little", "big"]) -> NDArray[Any] | None:
    if element.kind not in _NUMBERS:
        return None
    dtype = np.dtype(_NUMBERS[element.kind]).newbyteorder("<" if order == "little" else ">")
    if math.prod(shape) * dtype.itemsize != element.data.size:
        raise ValueError("shape and size of a variable differ")
    return element.data.view(dtype).reshape(shape, order="F")
