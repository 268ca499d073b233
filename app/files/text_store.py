"""Columns of samples that grow block by block, without a second copy of them at the end."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.files.text_cells import written_digits

SampleType = type[np.float32] | type[np.float64]

_SINGLE_DIGITS = 7


def column_type(cells: Sequence[str]) -> SampleType:
    """The type for numbers written like ``cells``.

    A float32 holds 24 bits, 7.2 decimal digits: the rounding of a number of up to 7 digits is below
    half of its last digit, and half the memory is saved. Anything finer needs a float64.
    """
    digits = max((written_digits(cell)[0] for cell in cells), default=0)
    return np.float32 if digits <= _SINGLE_DIGITS else np.float64


class ColumnStore:
    """One array a column; room is taken in advance from the share of the file read so far."""

    def __init__(self, types: Sequence[SampleType]) -> None:
        self._columns: list[NDArray[Any]] = [np.empty(0, kind) for kind in types]
        self._length = 0

    def add(self, values: NDArray[np.float64], chosen: Sequence[int], fraction: float) -> None:
        """Append columns ``chosen`` of ``values``, shape (rows, columns), after which ``fraction`` is read."""
        end = self._length + len(values)
        if self._columns and end > len(self._columns[0]):
            room = max(end, int(1.02 * end / max(fraction, 1e-6)) + 16 if fraction < 1.0 else end)
            for i, column in enumerate(self._columns):
                if self._length:
                    # the system moves pages instead of copying them, so there are never two of a column
                    column.resize(room, refcheck=False)
                else:
                    self._columns[i] = np.empty(room, column.dtype)
        for i, column in zip(chosen, self._columns, strict=True):
            column[self._length : end] = values[:, i]
        self._length = end

    def finished(self) -> list[NDArray[Any]]:
        """The columns, without the room that was not needed."""
        for column in self._columns:
            column.resize(self._length, refcheck=False)
        return self._columns
