"""Where the strongest line of a record runs whose frequency wanders: its ridge in short spectra.

The ridge is the path over time and frequency that gathers most of the logarithm of the power (dynamic programming,
Viterbi 1967), found in spectra as long as suit its wander: in those its power stands out most.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.source import Record, Stretch
from dsp.tones import Floats

# lengths of spectra that are tried, as many as there may be of each, and how few
_LENGTHS = (256, 1024, 4096, 16384)
_LOOK = 1 << 18
_FEWEST = 12
# bins next to zero frequency that a level's leakage fills
_LEVEL_BINS = 3
# bins that a ridge may move by from frame to frame, and what a move by one costs in natural units of power
_MOVES = 2
_MOVE_COST = 0.7
# times the median of a frame's spectrum by which a line must stand out of it, nearly always: the largest of 128 to 8192
# exponential ordinates of noise are 8 to 14 times their median
_OUT = 30.0
_NEARLY_ALWAYS = 0.1
# bins to either side that hold a Hann line's main lobe, with some wander, and those that it is held against: a line has
# half of their power and more (0.6 to 1 in lines of motors drawn, 0.2 to 0.4 in transmissions, which fill all of them)
_LOBE, _AROUND, _NARROW = 2, 16, 0.5
# and by which it is followed as well as need be: the phase of one frame is known to a twelfth of a radian
_CLEAR, _CLEAR_BINS = 200.0, 6.0
_BLOCK = 1 << 18


@dataclass(frozen=True, eq=False)
class Ridge:
    """Cycles a sample (frames,) in frames of ``length`` samples every half of that; ``power`` is a density, ``beside`` what
    else there is within a few bins over that of the line."""

    length: int
    cycles: Floats
    power: Floats
    beside: Floats


def stands_out(record: Record) -> bool:
    """Whether something narrow is there in nearly every short spectrum: a cheap look at few places."""
    from dsp.spectra import low_quantile, spectra

    for length in (1024, 8192):
        found = spectra(record, length, 48)
        if found is None:
            continue
        power = found[0][:, _LEVEL_BINS:]
        ratio = power.max(axis=1) / np.maximum(np.median(power, axis=1), 1e-30)
        told = np.stack((ratio, _narrowness(power.astype(np.float64))), axis=1)
        out, narrow = low_quantile(told, _NEARLY_ALWAYS).tolist()
        if out > _OUT and narrow > _NARROW:
            return True
    return False


def _narrowness(power: Floats) -> Floats:
    """Share of the power around the highest bin of each spectrum (frames, bins) that lies within a line's main lobe."""
    sums = np.pad(np.cumsum(power, axis=1, dtype=np.float64), ((0, 0), (1, 0)))
    top, row = power.argmax(axis=1), np.arange(power.shape[0])

    def within(bins: int) -> Floats:
        low, high = np.maximum(top - bins, 0), np.minimum(top + bins + 1, power.shape[1])
        return np.asarray(sums[row, high] - sums[row, low])

    return within(_LOBE) / np.maximum(within(_AROUND), 1e-30)


def ridge_of(record: Record, stretch: Stretch) -> Ridge | None:
    """The strongest line's; None if none is there nearly always."""
    middle = (stretch.first + stretch.last) // 2
    look = Stretch(
        max(stretch.first, middle - _LOOK // 2), min(stretch.last, middle + _LOOK // 2), stretch.start_s
    )
    best, length = 0.0, 0
    for tried in _LENGTHS:
        if len(look) < (_FEWEST + 1) * tried // 2:
            break
        part = look if len(look) <= 64 * tried else Stretch(look.first, look.first + 64 * tried, 0.0)
        power = _spectra(record, part, tried)
        path, density = _path(power)
        out = density / np.maximum(np.median(power, axis=1), 1e-30)
        height, clear = float(np.quantile(density, 0.3)) / tried, float(np.quantile(out, _NEARLY_ALWAYS))
        if clear > _OUT and height > best:
            best, length = height, tried
            if clear > _CLEAR and float(np.median(path)) > _CLEAR_BINS:
                break
    if not length:
        return None
    power = _spectra(record, stretch, length)
    path, density = _path(power)
    if float(np.quantile(density / np.maximum(np.median(power, axis=1), 1e-30), _NEARLY_ALWAYS)) < _OUT:
        return None
    return Ridge(length, (path + _aside(power, path)) / length, density / length, _beside(power, path))


def _spectra(record: Record, stretch: Stretch, length: int) -> Floats:
    """Squared spectra (frames, bins) of a stretch, under a Hann window, every half of their length."""
    from scipy.fft import rfft

    hop = length // 2
    frames = (len(stretch) - length) // hop + 1
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    at_once = max(1, _BLOCK // hop)
    parts = []
    for row in range(0, frames, at_once):
        count = min(at_once, frames - row)
        start = stretch.first + row * hop
        values = record.read_centred(start, start + (count - 1) * hop + length)
        cut = np.lib.stride_tricks.sliding_window_view(values, length)[::hop]
        whole = rfft(cut * window, axis=1)
        parts.append(whole.real**2 + whole.imag**2)
    return np.concatenate(parts).astype(np.float64)


def _path(power: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Bins (frames,) of the best path, and the power there."""
    frames, bins = power.shape
    gain = np.log(np.maximum(power, float(power.max()) * 1e-12 + 1e-30))
    gain[:, :_LEVEL_BINS] = gain.min()
    gain[:, -2:] = gain.min()
    moves = np.arange(-_MOVES, _MOVES + 1)
    came = np.empty((frames, bins), dtype=np.int8)
    best = gain[0].copy()
    padded = np.full(bins + 2 * _MOVES, -np.inf)
    for k in range(1, frames):
        padded[_MOVES:-_MOVES] = best
        options = np.stack([padded[m + _MOVES : m + _MOVES + bins] - _MOVE_COST * abs(m) for m in moves])
        came[k] = np.argmax(options, axis=0)
        best = options[came[k], np.arange(bins)] + gain[k]
    path = np.empty(frames, dtype=np.int64)
    path[-1] = int(np.argmax(best))
    for k in range(frames - 1, 0, -1):
        path[k - 1] = path[k] + moves[came[k, path[k]]]
    return path, power[np.arange(frames), path]


def _aside(power: Floats, path: NDArray[np.int64]) -> Floats:
    """Parts of a bin by which the line stands beside its bin, by a parabola through the logarithms."""
    at = np.arange(path.size)
    left, middle, right = (np.log(np.maximum(power[at, path + k], 1e-30)) for k in (-1, 0, 1))
    bend = np.minimum(left - 2.0 * middle + right, -1e-9)
    return np.asarray(np.clip(0.5 * (left - right) / bend, -0.5, 0.5), dtype=np.float64)


def _beside(power: Floats, path: NDArray[np.int64]) -> Floats:
    """Mean power in the bins around the line's main lobe over that in its bin (frames,)."""
    aside = np.array([k for k in range(-_AROUND, _AROUND + 1) if abs(k) > _LOBE])
    bins = path[:, None] + aside
    there = (bins >= _LEVEL_BINS) & (bins < power.shape[1])
    around = np.take_along_axis(power, np.clip(bins, 0, power.shape[1] - 1), axis=1)
    mean = (around * there).sum(axis=1) / there.sum(axis=1)
    return np.asarray(mean / np.maximum(power[np.arange(path.size), path], 1e-300))
