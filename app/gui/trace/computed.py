"""Samples of a channel that is computed, so that drawing never waits for them.

Filtering what a screen shows takes many times a frame. So tiles of what was computed are remembered, those that
are wanted and missing are computed in a thread, and the trace is drawn from the envelope until they are there.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.source import SampleSource

TILE = 1 << 16  # samples
_MOST_BYTES = 64 << 20
_TILES_AT_ONCE = 8  # so that what a filter reads around them is read once for several


class ComputedSamples:
    """A source that remembers; ``arrivals`` counts the times that something wanted has come.

    Any thread may read it. The thread that computes what `has` found missing ends when there is nothing left.
    """

    def __init__(self, source: SampleSource) -> None:
        self._source = source
        self._lock = threading.Lock()
        self._tiles: OrderedDict[int, NDArray[Any]] = OrderedDict()
        self._wanted: tuple[int, int] | None = None
        self._thread: threading.Thread | None = None
        self.arrivals = 0

    def __len__(self) -> int:
        return len(self._source)

    def __getitem__(self, key: slice, /) -> NDArray[Any]:
        """From tiles if all are there, else computed now."""
        start, stop, _ = key.indices(len(self))
        known = self._known(start, stop)
        return np.asarray(self._source[start:stop]) if known is None else known

    def has(self, start: int, stop: int) -> bool:
        """Whether ``[start, stop)`` can be read at once; if not it is on its way, with what lies beside it."""
        start, stop = max(start, 0), min(stop, len(self))
        if stop <= start:
            return True
        first, last = start // TILE, -(-stop // TILE)
        with self._lock:
            missing = any(k not in self._tiles for k in range(first, last))
            if not missing:
                return True
            # a pan of half a view then finds everything there
            beside = (last - first + 1) // 2
            self._wanted = max(first - beside, 0), min(last + beside, -(-len(self) // TILE))
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="computed tiles", daemon=True)
                self._thread.start()
        return False

    def stop(self) -> None:
        """Give up what is on its way and wait for the thread."""
        with self._lock:
            self._wanted, thread = None, self._thread
        if thread is not None:
            thread.join()

    def _known(self, start: int, stop: int) -> NDArray[Any] | None:
        if stop <= start:
            return None
        first, last = start // TILE, -(-stop // TILE)
        with self._lock:
            if any(k not in self._tiles for k in range(first, last)):
                return None
            tiles = [self._tiles[k] for k in range(first, last)]
            for k in range(first, last):
                self._tiles.move_to_end(k)
        whole = tiles[0] if len(tiles) == 1 else np.concatenate(tiles)
        return whole[start - first * TILE : stop - first * TILE]

    def _next(self) -> tuple[int, int] | None:
        """Missing tiles side by side, those nearest to the middle of what is wanted first."""
        with self._lock:
            if self._wanted is not None:
                first, last = self._wanted
                missing = [k for k in range(first, last) if k not in self._tiles]
                if missing:
                    middle = (first + last) / 2
                    begin = min(missing, key=lambda k: abs(k + 0.5 - middle))
                    low, high = begin, begin + 1
                    while high - low < _TILES_AT_ONCE and (low - 1 in missing or high in missing):
                        low, high = (low - 1, high) if low - 1 in missing else (low, high + 1)
                    return low, high
            self._thread = self._wanted = None
            return None

    def _work(self) -> None:
        while (run := self._next()) is not None:
            low, high = run
            try:
                values = np.asarray(self._source[low * TILE : min(high * TILE, len(self))])
            except Exception:  # a file that can no longer be read; who reads it otherwise is told
                with self._lock:
                    self._thread = self._wanted = None
                return
            with self._lock:
                for k in range(low, high):
                    self._tiles[k] = values[(k - low) * TILE : (k - low + 1) * TILE].copy()
                while len(self._tiles) * TILE * values.dtype.itemsize > _MOST_BYTES:
                    self._tiles.popitem(last=False)
                self.arrivals += 1
