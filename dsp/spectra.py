"""Squared spectra of frames spread over a record, and their low quantiles over time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.source import Floats, Record

# samples of frames that are worked on at a time, and of long frames how many: fewer are not transformed side by side
_PIECE, _SIDE_BY_SIDE = 1 << 16, 8

Spectra = tuple[NDArray[np.float32], float]
"""Squared spectra (frames, bins), and what one of them is in unit^2/Hz, one-sided."""


def frame_starts(record: Record, length: int, most: int) -> list[int]:
    """Starts of half-overlapping frames, thinned evenly if there are more than ``most``."""
    hop = max(1, length // 2)
    counts = np.array([max(0, (len(s) - length) // hop + 1) for s in record.stretches], dtype=np.int64)
    ends = np.cumsum(counts)
    total = int(ends[-1]) if ends.size else 0
    pick = np.linspace(0, total - 1, min(most, total)).astype(np.int64)
    which = np.searchsorted(ends, pick, "right")
    firsts = np.array([s.first for s in record.stretches], dtype=np.int64)
    return (firsts[which] + (pick - (ends - counts)[which]) * hop).tolist() if total else []


def spectra(record: Record, length: int, most: int) -> Spectra | None:
    """Hann-windowed spectra (frames, bins), squared, and what one of them is in unit^2/Hz, one-sided.

    None if fewer than four frames fit.
    """
    from scipy.fft import rfft

    starts = frame_starts(record, length, most)
    if len(starts) < 4:
        return None
    window = np.hanning(length + 1)[:-1]
    # level and slope off: what is slower than a frame belongs to longer frames
    ramp = (np.arange(length) - (length - 1) / 2.0).astype(np.float32)
    lever = ramp / np.float32(np.sum(ramp * ramp))
    power = np.empty((len(starts), length // 2 + 1), dtype=np.float32)
    # as many frames at a time as stay in the cache
    rows = max(_SIDE_BY_SIDE, _PIECE // length)
    scales = []
    for at in range(0, len(starts), rows):
        frames = record.read_frames(starts[at : at + rows], length)
        # not by matmul, whose threads are not worth their start and outlast it spinning
        slope = np.einsum("ij,j->i", frames, lever)
        frames -= slope[:, None] * ramp
        # by a power of two to about one, so that no square leaves single precision
        scales.append(2.0 ** -float(np.frexp(max(float(frames.max()), -float(frames.min()), 1e-30))[1]))
        frames *= (window * scales[-1]).astype(np.float32)
        spectrum = rfft(frames, axis=1)
        power[at : at + rows] = spectrum.real**2 + spectrum.imag**2
    scale = min(scales)
    for at, own in zip(range(0, len(starts), rows), scales, strict=True):
        if own != scale:
            power[at : at + rows] *= np.float32((scale / own) ** 2)
    return power, 2.0 / (record.rate_hz * float(np.sum(window**2)) * scale**2)


def low_quantile(values: Floats, share: float) -> Floats:
    """Quantile over the first axis, by way of rows that lie together in memory."""
    place = share * (values.shape[0] - 1)
    below = int(place)
    above = min(below + 1, values.shape[0] - 1)
    rows = np.ascontiguousarray(values.T)
    # of short rows quicker than parting them, since numpy sorts many values at a time
    rows.sort(axis=1)
    low, high = rows[:, below].astype(np.float64), rows[:, above].astype(np.float64)
    return np.asarray(low + (place - below) * (high - low))
