"""Boxes of time and frequency that hold more energy than noise does.

Samples are cut into Hann frames of several lengths (a frame as long as a symbol collects a symbol's energy with the
least noise), and energy is summed over boxes of frames and neighbouring bins. A box of ``k`` equivalent ordinates with
mean ratio ``r`` to the floor has the log-likelihood ratio ``k (r - 1 - ln r)`` against noise alone (exponential ordinates).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]

# frames that samples must hold to be looked at with them
FEWEST_FRAMES = 3
_TALLEST = 128
# samples that are transformed at a time, so many as stay in the cache; but no fewer frames than are worked on side by side
_PIECE, _SIDE_BY_SIDE = 1 << 15, 8
# equivalent independent ordinates of 2, 4, 8 neighbouring Hann bins (power correlation 4/9, 1/36)
_BINS_EQUIVALENT = {2: 1.385, 4: 2.36, 8: 4.40}
_OVERLAP_EQUIVALENT = 1.0 / (1.0 + 2.0 / 36.0)
# sums an octave that are quicker looked through row by row, however they lie in memory
_FEW = 2000
# samples of the cells in which it is seen whether there are any at all: bytes of one machine word
_CELL = 8


@dataclass(frozen=True, eq=False)
class _Size:
    """Boxes of so many bins and, by their number of frames, what a nat of them weighs and the energy they must hold.

    ``octaves`` (o,) are those of the boxes' middles, which begin at columns ``begins`` (o,).
    """

    wide: int
    weight: dict[int, float]
    limit: dict[int, float]
    octaves: Ints
    begins: Ints


@dataclass(frozen=True, eq=False)
class Look:
    """Spectra of one frame length: their window, what makes their bins those of a flat floor, and boxes of them."""

    frame: int
    window: Singles
    flat: Singles | None
    sizes: tuple[_Size, ...]


@dataclass(frozen=True, eq=False)
class Hits:
    """Rows of touching boxes over the threshold, as arrays (h,), of one frame length and one block.

    ``start`` and ``stop`` are those of a whole row, the others tell of the most telling box of each.
    """

    frame: int
    start: Ints
    stop: Ints
    box_start: Ints
    box_stop: Ints
    low_bin: Ints
    bins: Ints
    octave: Ints
    nats: NDArray[np.float64]


def look_of(frame: int, threshold_nats: float, flat: Singles | None) -> Look:
    """What to look for with one frame length; ``flat`` (bins,) are weights of the bins from the second on, if any."""
    window = np.hanning(frame + 1)[:-1].astype(np.float32)
    window /= np.float32(np.sqrt(np.sum(window.astype(np.float64) ** 2)))
    talls = [1 << k for k in range(1, _TALLEST.bit_length())]
    sizes = []
    for wide in (2, 4, 8) if frame <= 64 else (2, 4):
        weight = {tall: (1.0 + (tall - 1) * _OVERLAP_EQUIVALENT) * _BINS_EQUIVALENT[wide] for tall in talls}
        limit = {tall: ratio_of(threshold_nats / weight[tall]) * tall * wide for tall in talls}
        sizes.append(_Size(wide, weight, limit, *_octaves(frame, wide)))
    return Look(frame, window, flat, tuple(sizes))


def hits_in(white: Singles, origin: int, looks: list[Look], *, some_silent: bool) -> Iterator[Hits]:
    """Boxes over the threshold in whitened samples (n,), the first of which is number ``origin``.

    ``some_silent`` says that parts of them may be zero, and need no transform.
    """
    cells = _live_cells(white) if some_silent else None
    for look in looks:
        if look.frame * FEWEST_FRAMES <= white.size:
            live = None if cells is None else _live(cells, white.size, look.frame)
            yield from _boxes(_power(white, look, live), look, origin)


def _power(white: Singles, look: Look, live: Ints | None) -> Singles:
    """Squared spectra (frames, bins) from the second bin on, of half-overlapping frames; only ``live`` ones, if told."""
    from scipy.fft import rfft

    frame = look.frame
    frames = sliding_window_view(white, frame)[:: frame // 2]
    # the longer of the two axes lies along memory
    order: Literal["F", "C"] = "F" if frames.shape[0] > frame else "C"
    power = np.empty((frames.shape[0], frame // 2 - 2), dtype=np.float32, order=order)
    rows = max(_SIDE_BY_SIDE, _PIECE // frame)
    few = live is not None and 2 * live.size < frames.shape[0]
    if few:
        power[:] = 0.0
    for a in range(0, live.size if live is not None and few else frames.shape[0], rows):
        at = live[a : a + rows] if live is not None and few else slice(a, a + rows)
        # a Hann window lets what is left at zero frequency into the first bin as well
        spectrum = rfft(frames[at] * look.window, axis=1)[:, 2:-1]
        power[at] = spectrum.real**2 + spectrum.imag**2
    if look.flat is not None:
        power *= look.flat
    return power


def _live_cells(white: Singles) -> Flags:
    """Which cells of so many samples (n,) are not silent all along."""
    whole = white.size // _CELL * _CELL
    words = np.asarray(white[:whole] != 0.0).view(np.uint64)
    return np.not_equal(words, 0)


def _live(cells: Flags, samples: int, frame: int) -> Ints:
    """Numbers of the half-overlapping frames that are not silent all along; half of one is cells as a whole."""
    count = samples // (frame // 2)
    halves = np.asarray(cells[: count * (frame // 2 // _CELL)].reshape(count, -1).any(axis=1))
    return np.flatnonzero(halves[:-1] | halves[1:])


def _boxes(power: Singles, look: Look, origin: int) -> Iterator[Hits]:
    """Boxes of neighbouring frames and bins whose energy is over the threshold, the best of each octave."""
    hop = look.frame // 2
    tall, energy = 2, power[:-1] + power[1:]
    while energy.shape[0]:
        narrow, sums, top = 1, energy, float(energy.max(initial=0.0))
        for number, size in enumerate(look.sizes):
            # a box holds no more than as many narrower ones as fill it hold at the most
            if not any(top * (more.wide / narrow) > more.limit[tall] for more in look.sizes[number:]):
                break
            sums = _paired(sums, narrow)
            if not sums.shape[1]:
                break
            narrow, top = size.wide, float(sums.max())
            limit = np.float32(size.limit[tall])
            if not top > limit:
                continue
            step, length = (tall // 2) * hop, (tall + 1) * hop
            over = _over(sums, limit, length // step, size.begins)
            ratio = over.value.astype(np.float64) / (tall * size.wide)
            start, stop, box = (origin + row * step for row in (over.first, over.last, over.row))
            yield Hits(
                look.frame,
                start,
                stop + length,
                box,
                box + length,
                over.column * (size.wide // 2) + 2,
                np.full(box.size, size.wide),
                size.octaves[over.which],
                size.weight[tall] * (ratio - 1.0 - np.log(ratio)),
            )
        if 2 * tall > min(power.shape[0], _TALLEST) or energy.shape[0] < 3:
            break
        first = energy[:-2:2]
        tall, energy = 2 * tall, first + energy[2::2][: first.shape[0]]


def _paired(sums: Singles, narrow: int) -> Singles:
    """Sums over boxes twice as wide as ``narrow`` bins, each beginning half its width after the one before."""
    if narrow == 1:
        return np.asarray(sums[:, :-1] + sums[:, 1:])
    if sums.shape[1] < 3:
        return sums[:, :0]
    left = sums[:, :-2:2]
    return np.asarray(left + sums[:, 2::2][:, : left.shape[1]])


def _octaves(frame: int, wide: int) -> tuple[Ints, Ints]:
    """Octaves of the middles of boxes of so many bins, each beginning half its width after the one before; and with
    which box each begins."""
    middle = (np.arange(2, frame // 2 + 1 - wide, wide // 2) - 0.5 + wide / 2.0) * 2.0 / frame
    octaves = np.floor(-np.log2(np.minimum(middle, 1.0))).astype(np.int64)
    begins = np.flatnonzero(np.diff(octaves, prepend=-1))
    return octaves[begins], begins


@dataclass(frozen=True, eq=False)
class _Over:
    """Sums over a limit, as arrays (h,): the ``first`` and ``last`` row of those that touch, and where the largest is.

    ``which`` is the number of the octave.
    """

    first: Ints
    last: Ints
    row: Ints
    column: Ints
    which: Ints
    value: Singles


def _over(sums: Singles, limit: np.float32, reach: int, begins: Ints) -> _Over:
    """Where sums (r, c) are over the limit, which some must be, in each of the octaves that begin at columns ``begins``
    (o,); rows touch that are at most ``reach`` apart."""
    highest = _highest(sums, begins)
    which, rows = np.nonzero(highest > limit)
    value = highest[which, rows]
    apart = (rows[1:] - rows[:-1] > reach) | (which[1:] != which[:-1])
    first = np.concatenate(([0], np.flatnonzero(apart) + 1))
    most = np.maximum.reduceat(value, first)
    last = np.concatenate((first[1:], [rows.size])) - 1
    # the first of each that is as high as its highest
    at = np.flatnonzero(value == most.repeat(last - first + 1))
    best = at[at.searchsorted(first)]
    row, its = rows[best], which[best]
    line = sums[row]
    # the octave of others counts for nothing
    other = np.zeros(sums.shape[1], dtype=np.int64)
    other[begins[1:]] = 1
    line[other.cumsum() != its[:, None]] = -1.0
    return _Over(rows[first], rows[last], row, line.argmax(axis=1), its, most)


def _highest(sums: Singles, begins: Ints) -> Singles:
    """The largest of the sums (r, c) of each row in each octave (o, r)."""
    if sums.flags.c_contiguous or sums.size < _FEW * begins.size:
        return np.asarray(np.maximum.reduceat(sums, begins, axis=1).T)
    # column by column, as they lie in memory; for few sums the calls would take longer
    out = np.empty((begins.size, sums.shape[0]), dtype=np.float32)
    for row, a, b in zip(out, begins.tolist(), [*begins[1:].tolist(), sums.shape[1]], strict=True):
        sums[:, a:b].max(axis=1, out=row)
    return out


def ratio_of(nats: float) -> float:
    """The ratio of mean energy to the floor at which ``ratio - 1 - ln ratio`` reaches ``nats``."""
    # Newton's method from above, where the function is convex
    ratio = 2.0 + nats + math.sqrt(2.0 * nats)
    for _ in range(8):
        ratio -= (ratio - 1.0 - math.log(ratio) - nats) / (1.0 - 1.0 / ratio)
    return ratio
