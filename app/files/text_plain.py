"""Blocks of plain rows of numbers to arrays, at the speed of `numpy.fromstring`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from app.files.text_layout import Layout

Rows = NDArray[np.float64]

_UNCHANGED = bytes(range(256))


class PlainRows:
    """Whole blocks by `numpy.fromstring`, which knows numbers but no rows: the rows are checked here."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._columns = len(layout.data)
        first, last = layout.data[0], layout.data[-1]
        self._before, self._after = first, layout.columns - 1 - last
        blank = layout.delimiter == " "
        # a column of text between those of numbers needs every row looked at, as does a quoted decimal comma
        self._able = last - first + 1 == self._columns and layout.delimiter != layout.decimal
        self._able &= not blank or self._columns == layout.columns
        mapped = bytearray(_UNCHANGED)
        mapped[ord(",")] = ord("x")
        mapped[ord(layout.delimiter)] = ord(" " if blank else ",")
        if blank:
            mapped[ord("\t")] = ord(" ")
        if layout.decimal == ",":
            mapped[ord(",")] = ord(".")
        self._map = bytes(mapped)
        self._not_structure = bytes(set(range(256)) - set(b",\n"))

    def rows(self, block: bytes) -> Rows | None:
        """Array of shape (rows, columns), None if some row is not plain."""
        if not self._able:
            return None
        text = block
        if self._map != _UNCHANGED or b"\r" in block or b'"' in block:
            text = block.translate(self._map, b'\r"')
        if not text.endswith(b"\n"):
            text += b"\n"
        if self._layout.delimiter == " ":
            return self._blank_separated(text)
        return self._separated(text)

    def _separated(self, text: bytes) -> Rows | None:
        if self._before:
            text = (b"\n" + text).replace(b"\n" + b"," * self._before, b"\n")[1:]
        if self._after:
            text = text.replace(b" \n", b"\n").replace(b"," * self._after + b"\n", b"\n")
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
