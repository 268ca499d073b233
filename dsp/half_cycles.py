"""Where a carrier passes its middle level half cycle by half cycle, those included at which it turns back.

A carrier that is turned over at a zero crossing touches its level there and goes back the way it came: no crossing, and
yet the very place that somebody looks for who marks flips by eye.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dsp.interpolate import Floats, Values, find_crossings, middle_level

_LEAST_GAPS = 3  # between crossings, to know how long half a cycle is
_LONG = 1.5  # half cycles: from here on something is missing between two crossings
_LEFT = 0.8  # of the carrier's power after averaging
_MOST_WIDTH = 129  # samples
_MOST = 8  # half cycles; a longer gap is silence
_LOBE = 0.15  # of a middling lobe: what is lower is no lobe of the carrier; beside a flip on a slow line few are full
_DIP = 0.5  # of the lower of the lobes beside it: how near to its level a carrier comes that turns back
_DIP_SPARSE, _MOST_DIP = (
    1.5,
    0.8,
)  # times what half a sample from the turn leaves, where samples are few; at most


@dataclass(frozen=True, eq=False)
class HalfCycles:
    """Places in ascending order, both arrays of shape (places,).

    ``positions`` are float sample indices; ``turned`` tells where the waveform turns back instead of crossing.
    """

    positions: Floats
    turned: NDArray[np.bool_]

    def __len__(self) -> int:
        return int(self.positions.shape[0])


def find_half_cycles(
    values: Values, *, level: float = 0.0, hysteresis: float = 0.0, noise: float = 0.0
) -> HalfCycles:
    """Crossings of ``level`` by ``values``, shape (samples,), as `find_crossings` has them, and turns between them.

    Two crossings n half cycles apart (n from 2 to 8) have n - 1 places between them at which the waveform came near its
    level and went back, having been higher before and after; on a slow line, where the carrier is low all about a
    flip, that counts of the lobes on both sides of a gap of two half cycles. With even half cycles they divide the gap into
    equal parts: of one turn, half a cycle after the crossing before it and half a cycle before the one after it, the
    mean of both is midway, however long half a cycle is. Half a cycle is the median of the gaps that are not
    much longer than the lower quartile, since many gaps may be long.

    Where white noise of standard deviation ``noise`` would make crossings of its own, each sample is replaced by the mean
    of an odd number of samples about it: as many as bring the noise to half of the hysteresis, as long as four fifths of
    the carrier's power are left. That shifts no crossing of a sine.

    Raises
    ------
    BadInputError : as `find_crossings`.
    """
    signal = _smoothed(values, noise, hysteresis)
    found = find_crossings(signal, level=level, hysteresis=hysteresis).positions
    gaps = np.diff(found)
    if gaps.size < _LEAST_GAPS:
        return HalfCycles(found, np.zeros(found.size, np.bool_))
    half = _half(gaps)
    # averaging fills the dip at a turn
    heights = np.abs(np.asarray(values, np.float64) - level)
    lobes = np.array([_height(heights, a, b) for a, b in pairwise(found.tolist())])
    known = lobes[np.isfinite(lobes)]
    least = _LOBE * float(np.median(known)) if known.size else np.inf
    turns: list[float] = []
    for i in np.flatnonzero((gaps > _LONG * half) & (gaps < (_MOST + 0.5) * half)).tolist():
        parts = round(gaps[i] / half)
        beside = min(lobes[i - 1], lobes[i + 1]) if parts == 2 and 0 < i < lobes.size - 1 else 0.0
        beside = beside if np.isfinite(beside) else 0.0
        turns += _turns(heights, float(found[i]), float(found[i + 1]), parts, least, float(beside))
    positions = np.concatenate([found, turns])
    order = np.argsort(positions, kind="stable")
    return HalfCycles(positions[order], order >= found.size)


def _half(gaps: Floats) -> float:
    """Half a cycle, from the gaps between crossings, shape (gaps,)."""
    return float(np.median(gaps[gaps <= _LONG * np.quantile(gaps, 0.25)]))


def _smoothed(values: Values, noise: float, hysteresis: float) -> Floats:
    """The mean of as many samples about each as noise and hysteresis ask for and the carrier allows."""
    signal = np.asarray(values)
    if not (signal.ndim == 1 and hysteresis > 0 and noise > hysteresis / 2):
        return signal
    power = float(np.nanvar(signal)) - noise**2
    width = min(int(np.ceil((2 * noise / hysteresis) ** 2)) | 1, _MOST_WIDTH)
    while width > 1:
        if signal.size > width:
            padded = np.pad(signal.astype(np.float64), width // 2, mode="edge")
            averaged = np.convolve(padded, np.full(width, 1 / width), "valid")
            if 0 < _LEFT * power <= float(np.nanvar(averaged)) - noise**2 / width:
                return averaged
        width = (width // 2) | 1 if width > 3 else 1
    return signal


def swing_level(values: Values, *, hysteresis: float = 0.0) -> float:
    """Level about which a carrier with flips swings: the mean of ``values``, shape (samples,), over even cycles alone.

    Over all cycles, as `middle_level` takes it, half a cycle too many or too few at every flip would shift the mean.
    A cycle is even where both of its half cycles are no longer than one and a half times the usual one. Without at
    least two of them it is `middle_level`.
    """
    rough = middle_level(values)
    found = find_crossings(values, level=rough, hysteresis=hysteresis).positions
    gaps = np.diff(found)
    if gaps.size < _LEAST_GAPS:
        return rough
    even = gaps <= _LONG * _half(gaps)
    starts = np.flatnonzero(even[:-1] & even[1:])
    first = np.ceil(found[starts]).astype(int)
    last = np.ceil(found[starts + 2]).astype(int)
    signal = np.asarray(values, np.float64) - rough
    sums = np.concatenate([[0.0], np.cumsum(np.nan_to_num(signal))])
    known = np.concatenate([[0], np.cumsum(np.isfinite(signal))])
    whole = known[last] - known[first] == last - first
    if int(whole.sum()) < _LEAST_GAPS - 1:
        return rough
    first, last = first[whole], last[whole]
    return rough + float((sums[last] - sums[first]).sum() / (last - first).sum())


def _turns(
    heights: Floats, start: float, stop: float, parts: int, least: float, beside: float
) -> list[float]:
    """Places that part the gap from ``start`` to ``stop`` evenly, as far as the waveform turns back at them.

    ``beside`` is the lower of the lobes on both sides of the gap, where they count.
    """
    step = (stop - start) / parts
    places = [start + k * step for k in range(1, parts)]
    lobes = [_height(heights, start + k * step, start + (k + 1) * step) for k in range(parts)]
    turned = []
    # the sample nearest to a turn is up to half a sample interval from it
    dip = max(_DIP, min(_DIP_SPARSE * float(np.sin(np.pi * min(0.5, 0.5 / step))), _MOST_DIP))
    for place, (before, after) in zip(places, pairwise(lobes), strict=True):
        lower = max(min(before, after), beside)
        first, last = int(np.ceil(place - step / 4)), int(np.floor(place + step / 4)) + 1
        near = heights[first : max(last, first + 1)]
        # NaN compares false: nothing is said about what was not recorded
        if lower >= least and float(near.min()) <= dip * lower:
            turned.append(place)
    return turned


def _height(heights: Floats, start: float, stop: float) -> float:
    """Greatest height between two places; that of the nearest sample where none lies between them."""
    first, last = int(np.ceil(start)), int(np.floor(stop)) + 1
    return float(heights[first : max(last, first + 1)].max())
