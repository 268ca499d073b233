"""Steady lines: what stands at one frequency all through a record, as supply ripple and its harmonics do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.source import Floats, Record
from dsp.spectra import Spectra, low_quantile, spectra

# spectra at most, and samples that they may have together
_FRAMES_AT_MOST = 300
_SAMPLES_AT_MOST = 1_000_000
_LINE_RATIO = 8.0
# a Hann main lobe is four bins wide; a strong line shows some of its skirt
_LINE_BINS = 7
# spectra so many times shorter in which lines are looked for as well, of no fewer samples than this
_SHORTER = (8, 64)
_SHORTEST = 256


def line_lengths(longest: int) -> list[int]:
    """Lengths of spectra in which lines are looked for, the longest first, of a stretch of ``longest`` samples."""
    length = 1 << int(np.clip(np.log2(max(longest / 10.0, 256.0)), 8, 16))
    return [length, *(length // part for part in _SHORTER if length // part >= _SHORTEST)]


@dataclass(frozen=True, eq=False)
class Steady:
    """Of spectra of one length (bins,): low quantile and mean over time as density; how many there are, 0 of too few."""

    hz: Floats
    low: Floats
    mean: Floats
    count: int


def steady_of(record: Record, length: int, known: Spectra | None = None) -> Steady:
    """Of spectra over all of a record, which may be ``known``."""
    most = min(max(8, _SAMPLES_AT_MOST // length), _FRAMES_AT_MOST)
    found = spectra(record, length, most) if known is None else known
    hz = np.fft.rfftfreq(length, 1.0 / record.rate_hz)
    if found is None:
        return Steady(hz, np.ones_like(hz), np.ones_like(hz), 0)
    power, unit = found
    low = (low_quantile(power, 0.3) / -np.log(0.7) + float(power.max()) * 1e-24) * unit + 1e-300
    low = np.maximum(low, 2.0 * record.rounding / record.rate_hz)
    return Steady(hz, low, unit * power.mean(axis=0, dtype=np.float64), len(power))


def steady_lines(lengths: list[Steady], floor_hz: Floats, floor: Floats) -> tuple[Floats, Floats]:
    """Narrow lines that stand still through the record, as ratio over what surrounds them.

    Those of a motor wander with its speed: in shorter spectra they are narrow, too.
    """
    hz = lengths[0].hz
    lines = _lines_of(lengths[0], floor_hz, floor)
    for shorter in lengths[1:]:
        wide = _lines_of(shorter, floor_hz, floor)
        bins = np.minimum(np.rint(hz / shorter.hz[1]).astype(np.int64), wide.size - 1)
        # what is narrow in longer spectra is known better from there
        known = np.bincount(bins, lines > 1.0, wide.size) > 0.0
        for a, b in bands(wide > 1.0):
            if known[a:b].any():
                wide[a:b] = 1.0
        lines = np.maximum(lines, wide[bins])
    return hz, lines


def bands(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and one beyond the last of each run of true ``flags`` (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _lines_of(long: Steady, floor_hz: Floats, floor: Floats) -> Floats:
    """Lines in spectra of one length, as ratio over what surrounds them."""
    from scipy.ndimage import maximum_filter1d, median_filter

    hz, low = long.hz, long.low
    if not long.count:
        return np.ones_like(hz)
    around = np.exp(median_filter(np.log(low), 41, mode="nearest"))
    # next to zero frequency there is nothing to the left to compare with: what the floor says counts
    around[:24] = np.minimum(around[:24], np.interp(hz[:24], floor_hz, floor))
    ratio = low / around
    ratio[:2] = ratio[2]
    narrow = ratio > _LINE_RATIO
    if long.count < 12:
        narrow[:] = False
    # the power of a steady line hardly changes, so that its lower quantiles lie far above those of the
    # exponential ordinates of anything modulated; one that changes is still known by having no skirts
    steady = low > 1.6 * long.mean
    for a, b in bands(narrow):
        peak = a + int(np.argmax(low[a:b]))
        beside = np.concatenate((low[max(0, peak - 10) : max(0, peak - 4)], low[peak + 5 : peak + 11]))
        isolated = long.count >= 64 and beside.size > 0 and float(beside.max()) < 0.04 * float(low[peak])
        if not steady[peak] and (b - a > _LINE_BINS or not isolated):
            narrow[a:b] = False
    ratio = np.where(narrow, ratio, 1.0)
    return np.asarray(maximum_filter1d(ratio, 3))
