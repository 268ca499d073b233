"""Steady tones as they go on through a record: switching ripple and its harmonics, taken off sample by sample.

A tone that stands inside the band of a transmission cannot be filtered away without filtering the transmission; what
is known of it from long before and after can be subtracted. Its amplitude and phase may change slowly: they are
straight lines between instants evenly spaced.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Singles = NDArray[np.float32]

# samples that one table of turns serves
_TABLE = 1 << 11
# rows of it at once, so that they stay in the cache
_ROWS = 64
# samples of a stretch up to which what is taken off is remembered, and of a part of it
_REMEMBERED, _BLOCK = 1 << 24, 1 << 16


@dataclass(frozen=True, eq=False)
class Tone:
    """``Re(a(n) exp(i omega n))``, n counted in samples from the first of its stretch.

    ``amplitudes`` (k,) are a(n) at n = 0, ``every``, 2 ``every`` and so on, to or beyond the end of the stretch.
    """

    omega: float
    every: int
    amplitudes: Complexes

    def at(self, samples: Floats) -> Complexes:
        """a(n) at each of ``samples`` (s,)."""
        place = samples / self.every
        left = np.clip(np.floor(place).astype(np.int64), 0, self.amplitudes.size - 2)
        part = place - left
        return np.asarray(self.amplitudes[left] * (1.0 - part) + self.amplitudes[left + 1] * part)


@dataclass(frozen=True, eq=False)
class Tones:
    """All that was found in the stretch of samples ``[first, last)`` of a record."""

    first: int
    last: int
    tones: tuple[Tone, ...]

    def take_off(self, values: Singles, start: int) -> None:
        """Subtract them in place from samples (n,) of the record, the first of which is number ``start``.

        Samples outside the stretch stay as they are.
        """
        low, high = max(start, self.first), min(start + values.size, self.last)
        if high <= low or not self.tones:
            return
        table = self._table
        row = (low - self.first) // _TABLE
        end = -((self.first - high) // _TABLE)
        while row < end:
            rows = np.arange(row, min(row + _ROWS, end))
            origin = self.first + int(rows[0]) * _TABLE
            sums = (self._weights(rows) @ table).reshape(-1)
            a, b = max(low, origin), min(high, origin + sums.size)
            values[a - start : b - start] -= sums[a - origin : b - origin]
            row += _ROWS

    @cached_property
    def _table(self) -> Singles:
        """Turns of each tone along a row, and the same times the part of the row gone by: (4 t, row)."""
        n = np.arange(_TABLE)
        turns = np.exp(1j * np.outer([tone.omega for tone in self.tones], n))
        part = n / _TABLE
        return np.concatenate(
            (turns.real, -turns.imag, turns.real * part, -turns.imag * part), dtype=np.float32
        )

    def _weights(self, rows: NDArray[np.int64]) -> Singles:
        """What each row (r,) of samples has of the table's: (r, 4 t)."""
        n = (rows * _TABLE).astype(np.float64)
        first = np.stack([tone.at(n) * np.exp(1j * tone.omega * n) for tone in self.tones], axis=1)
        last = np.stack([tone.at(n + _TABLE) * np.exp(1j * tone.omega * n) for tone in self.tones], axis=1)
        climb = last - first
        return np.concatenate((first.real, first.imag, climb.real, climb.imag), axis=1, dtype=np.float32)


@dataclass(frozen=True, eq=False)
class Wave:
    """So many tones, the harmonics of a wave, that what they are together is remembered once it is worked out."""

    harmonics: Tones
    _parts: dict[int, Singles] = field(default_factory=dict, repr=False)

    def take_off(self, values: Singles, start: int) -> None:
        """Subtract them in place from samples (n,) of the record, the first of which is number ``start``."""
        first, last = self.harmonics.first, self.harmonics.last
        if last - first > _REMEMBERED:
            self.harmonics.take_off(values, start)
            return
        low, high = max(start, first), min(start + values.size, last)
        for block in range((low - first) // _BLOCK, -((first - high) // _BLOCK)):
            origin = first + block * _BLOCK
            part = self._parts.get(block)
            if part is None:
                part = np.zeros(min(_BLOCK, last - origin), dtype=np.float32)
                self.harmonics.take_off(part, origin)
                self._parts[block] = part
            a, b = max(low, origin), min(high, origin + part.size)
            values[a - start : b - start] += part[a - origin : b - origin]
