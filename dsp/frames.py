"""Energy of Hann frames in a few neighbouring bins, by the sums that define a spectrum (Harris 1978, on windows).

Where only the bins of one band are asked, a product with a small matrix takes a third of the time of a transform.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

# multiplications of one matrix product that the library does in the thread that asks for it: threads of its own get
# in each other's way where this runs in two
_PRODUCT = 1 << 17
# terms of a bin's sum for each sample from which on a transform is quicker
_MANY_TERMS = 20
# samples of a frame up to which the level of single bytes costs none of its digits
_LONG = 512
# samples that are transformed at a time, so many as stay in the cache
_PIECE = 1 << 16


def frame_energy(
    samples: NDArray[np.float32] | NDArray[np.integer[Any]],
    frame: int,
    hop: int,
    weights: NDArray[np.float32],
) -> NDArray[np.float32]:
    """Weighted energy (frames,) of Hann frames, one every ``hop`` samples, that lie within ``samples`` (n,).

    ``weights`` (frame // 2 + 1,) are those of a frame's bins, 0 outside a band. A level of whole numbers is left out,
    which only the lowest two bins would see.
    """
    from scipy.fft import rfft

    bins = np.flatnonzero(weights)
    window = np.hanning(frame + 1)[:-1]
    frames = sliding_window_view(samples, frame)[::hop]
    energy = np.empty(frames.shape[0], dtype=np.float32)
    many = 2 * bins.size > _MANY_TERMS
    rows = max(1, _PIECE // frame if many else _PRODUCT // (2 * bins.size * frame))
    terms = np.zeros((0, 0), dtype=np.float32) if many else _terms(window, bins, weights)
    # a large level would cost digits of the sums
    level = None
    if samples.dtype.kind in "iu" and (samples.dtype.itemsize > 1 or frame > _LONG):
        level = np.float32(frames[:: max(1, energy.size // 64)].mean())
    for a in range(0, energy.size, rows):
        values = frames[a : a + rows].astype(np.float32)
        if level is not None:
            values -= level
        if many:
            values *= window.astype(np.float32)
            spectrum = rfft(values, axis=1)[:, bins]
            power = spectrum.real**2 + spectrum.imag**2
            np.einsum("ij,j->i", power, weights[bins], out=energy[a : a + rows])
        else:
            sums = values @ terms
            np.einsum("ij,ij->i", sums, sums, out=energy[a : a + rows])
    return energy


def _terms(
    window: NDArray[np.float64], bins: NDArray[np.int64], weights: NDArray[np.float32]
) -> NDArray[np.float32]:
    """What each sample of a frame is multiplied by for the cosines and the sines of its bins (frame, 2 bins)."""
    weighted = window * np.sqrt(weights[bins, None].astype(np.float64))
    turns = np.outer(bins, np.arange(window.size)) * (2.0 * np.pi / window.size)
    return np.concatenate((weighted * np.cos(turns), weighted * np.sin(turns))).T.astype(np.float32)
