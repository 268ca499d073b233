"""Blocks of plain rows of numbers to arrays, at the speed of `numpy.fromstring`.

That function knows numbers but no rows, so the shape of the rows is checked here first.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from app.files.text_layout import Layout

Rows = NDArray[np.float64]

_QUOTED_COMMA = re.compile(rb'"([^",\n]*),([^",\n]*)"')
_UNCHANGED = bytes(range(256))


class PlainRows:
    """Reads blocks in one layout, as long as every row in them is plain."""

    def __init__(self, layout: Layout) -> None:
        first, last = layout.data[0], layout.data[-1]
        self._blank = layout.delimiter == " "
        self._cells = layout.columns
        self._columns = len(layout.data)
        self._before, self._after = first, layout.columns - 1 - last
        self._pick = _picker(layout.data)
        # only quotes tell a decimal comma from a comma between cells
        self._quoted = layout.delimiter == layout.decimal
        self._map = _mapping(layout)
        self._not_structure = bytes(set(range(256)) - set(b",\n"))

    def rows(self, block: bytes) -> Rows | None:
        """Array of shape (rows, columns), None if some row is not plain."""
        text = _QUOTED_COMMA.sub(rb"\1.\2", block) if self._quoted else block
        if self._map != _UNCHANGED or b"\r" in block or b'"' in block:
            text = text.translate(self._map, b'\r"')
        if not text.endswith(b"\n"):
            text += b"\n"
        values = self._blank_separated(text) if self._blank else self._separated(self._stripped(text))
        if values is None and self._columns < self._cells:
            picked = self._picked(text)
            values = None if picked is None else self._separated(picked)
        return values

    def _picked(self, text: bytes) -> bytes | None:
        """The data cells alone, separated by commas, where columns of text stand beside or between them.

        None if a row has not all of its cells.
        """
        separator = None if self._blank else b","
        rows = [line.split(separator) for line in text[:-1].split(b"\n")]
        if any(len(row) != self._cells for row in rows):
            return None
        return b"\n".join([b",".join(self._pick(row)) for row in rows]) + b"\n"

    def _stripped(self, text: bytes) -> bytes:
        """Without the empty cells before and after those of the data."""
        if self._before:
            text = (b"\n" + text).replace(b"\n" + b"," * self._before, b"\n")[1:]
        if self._after:
            text = text.replace(b" \n", b"\n").replace(b"," * self._after + b"\n", b"\n")
        return text

    def _separated(self, text: bytes) -> Rows | None:
        structure = text.translate(None, self._not_structure)
        count = structure.count(b"\n")
        if structure != (b"," * (self._columns - 1) + b"\n") * count:
            return None
        # with a comma between blanks as separator, a cell is one number and no cell can be empty
        return self._parsed(text[:-1].replace(b"\n", b","), " , ", count)

    def _blank_separated(self, text: bytes) -> Rows | None:
        codes = np.frombuffer(text, np.uint8)
        line_end = codes == ord("\n")
        gap = line_end | (codes == ord(" "))
        begins = np.flatnonzero(~gap & np.concatenate([[True], gap[:-1]]))
        ends = np.flatnonzero(line_end)
        if begins.size != ends.size * self._columns:
            return None
        cells = begins.reshape(ends.size, self._columns)
        if (cells[:, -1] > ends).any() or (cells[1:, 0] < ends[:-1]).any():
            return None
        return self._parsed(text.replace(b"\n", b" "), " ", ends.size)

    def _parsed(self, text: bytes, separator: str, count: int) -> Rows | None:
        if not text.strip():
            return None
        try:
            values = np.fromstring(text, np.float64, sep=separator)
        except ValueError:
            return None
        if values.size != count * self._columns:
            return None
        return values.reshape(count, self._columns)


def _mapping(layout: Layout) -> bytes:
    """Table for `bytes.translate`: comma between cells, point in numbers, and nothing else as either."""
    mapped = bytearray(_UNCHANGED)
    mapped[ord(",")] = ord("x")
    mapped[ord(layout.delimiter)] = ord(" " if layout.delimiter == " " else ",")
    if layout.delimiter == " ":
        mapped[ord("\t")] = ord(" ")
    if layout.decimal == "," and layout.delimiter != ",":
        mapped[ord(",")] = ord(".")
    return bytes(mapped)


def _picker(columns: Sequence[int]) -> Callable[[Sequence[bytes]], Sequence[bytes]]:
    if len(columns) == 1:
        only = columns[0]
        return lambda row: (row[only],)
    return itemgetter(*columns)
