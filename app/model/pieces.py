"""Stretches of samples one after the other, as if they were one row; nothing is copied before a slice is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.model.capture import Samples


class JoinedSamples:
    """The samples ``[begin, end)`` of each of ``pieces`` of ``source``, end to end; read by slices of step 1."""

    ndim = 1

    def __init__(self, source: Samples, pieces: Sequence[tuple[int, int]]) -> None:
        self._source = source
        self._pieces = tuple(pieces)
        self._ends = tuple(accumulate(end - begin for begin, end in pieces))
        self.dtype = source.dtype
        self.shape = (self._ends[-1] if self._ends else 0,)
        self.nbytes = self.shape[0] * self.dtype.itemsize

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: slice, /) -> NDArray[Any]:
        start, stop, step = key.indices(len(self))
        if step != 1:
            raise ValueError("joined samples are read by slices of step 1")
        parts = []
        for (begin, end), last in zip(self._pieces, self._ends, strict=True):
            first = last - (end - begin)
            a, b = max(start, first), min(stop, last)
            if a < b:
                parts.append(np.asarray(self._source[begin + a - first : begin + b - first]))
        if len(parts) == 1:
            return parts[0]
        return np.concatenate(parts) if parts else np.asarray(self._source[0:0])

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        whole = self[:]
        return whole if dtype is None else whole.astype(dtype)
