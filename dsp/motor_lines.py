"""Lines that turn with a motor, as they go on through a record: all of them stand at multiples of one phase.

The phase is a smooth curve through few instants; each line's amplitude and phase against it change slowly.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from dsp.tones import Complexes, Floats, Singles, Tone

# samples that are worked out at a time
_BLOCK = 1 << 16
# complex multiplications of one matrix product: so few that the library makes no threads of its own for them
_PRODUCTS, _PIECE = 1 << 16, 512
# samples of a stretch up to which what is taken off is remembered
_REMEMBERED = 1 << 24


@dataclass(frozen=True, eq=False)
class Turning:
    """Radians turned by sample n, counted from the first of a stretch: a cubic spline through ``at`` (k,), ``phase`` (k,)."""

    at: Floats
    phase: Floats

    @cached_property
    def _coefficients(self) -> Floats:
        from scipy.interpolate import CubicSpline

        return np.asarray(CubicSpline(self.at, self.phase).c)

    def of(self, n: Floats) -> Floats:
        """At places ``n`` (s,) in samples."""
        piece = np.clip(np.searchsorted(self.at, n, "right") - 1, 0, self.at.size - 2)
        u = n - self.at[piece]
        a, b, c, d = self._coefficients
        return np.asarray(((a[piece] * u + b[piece]) * u + c[piece]) * u + d[piece])

    def turn(self, start: int, stop: int, parts: int = 1) -> Complexes:
        """``exp(i phase / parts)`` over samples ``[start, stop)``."""
        phase = self.of(np.arange(start, stop, dtype=np.float64))
        return np.asarray(np.exp(1j * (np.remainder(phase, 2.0 * np.pi * parts) / parts)))


@dataclass(frozen=True, eq=False)
class MotorLines:
    """``Re(a(n) exp(i order turning(n)))`` in samples ``[first, last)`` of a record, summed over the lines.

    ``lines`` holds the order of each, in ``parts`` of one turn, with its a(n) as a tone of nearly no frequency.
    """

    first: int
    last: int
    turning: Turning
    parts: int
    lines: tuple[tuple[int, Tone], ...]
    _waves: dict[int, Singles] = field(default_factory=dict, repr=False)

    def take_off(self, values: Singles, start: int) -> None:
        """Subtract them in place from samples (n,) of the record, the first of which is number ``start``."""
        low, high = max(start, self.first), min(start + values.size, self.last)
        remember = self.last - self.first <= _REMEMBERED
        block = (low - self.first) // _BLOCK
        while self.first + block * _BLOCK < high:
            origin = self.first + block * _BLOCK
            wave = self._waves.get(block)
            if wave is None:
                wave = self._wave(block * _BLOCK, min((block + 1) * _BLOCK, self.last - self.first))
                if remember:
                    self._waves[block] = wave
            a, b = max(low, origin), min(high, origin + wave.size)
            values[a - start : b - start] -= wave[a - origin : b - origin]
            block += 1

    def _wave(self, start: int, stop: int) -> Singles:
        n = np.arange(start, stop, dtype=np.float64)
        base = self.turning.turn(start, stop, self.parts).astype(np.complex64)
        power, reached = np.ones_like(base), 0
        out = np.zeros(n.size, dtype=np.float32)
        for order, tone in self.lines:
            while reached < order:
                power, reached = power * base, reached + 1
            own = (tone.at(n) * np.exp(1j * tone.omega * n)).astype(np.complex64)
            out += own.real * power.real - own.imag * power.imag
        return out


def demodulated(
    values: Singles, base: NDArray[np.complex64], orders: list[int], window: NDArray[np.complex64], hop: int
) -> NDArray[np.complex64]:
    """Rows of samples (n,), each turned back by each order of ``base`` (n,), under windows (l, w): (orders, rows, w).

    ``orders`` rise; ``l`` is a multiple of ``hop``.
    """
    length = window.shape[0]
    rows = (values.size - length) // hop + 1
    overlap = length // hop - 1
    piece = min(hop, _PIECE)
    step = max(1, _PRODUCTS // (piece * window.shape[1]))
    out = np.zeros((len(orders), rows, window.shape[1]), dtype=np.complex64)
    back = np.conj(base)
    turned, reached = values.astype(np.complex64), 0
    for i, order in enumerate(orders):
        while reached < order:
            turned, reached = turned * back, reached + 1
        # rows overlap by whole hops: each hop is taken once under each part of the window
        parts = turned[: (rows + overlap) * hop].reshape(rows + overlap, hop)
        for k, begin in product(range(overlap + 1), range(0, hop, piece)):
            part = window[k * hop + begin : k * hop + min(begin + piece, hop)]
            for at in range(0, rows, step):
                end = min(at + step, rows)
                out[i, at:end] += parts[at + k : end + k, begin : begin + piece] @ part
    return out
