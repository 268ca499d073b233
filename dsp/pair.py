"""What two channels share: with which gain and delay of the second it cancels in their difference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.errors import BadInputError
from dsp.source import Floats

__all__ = ["PairFit", "fit_pair"]

_SEGMENT = 1 << 12
_GROUPS = 8
_FEWEST = 64


@dataclass(frozen=True)
class PairFit:
    """``a(t)`` and ``gain * b(t - delay)`` share most.

    ``delay_samples`` is in samples. Standard uncertainties are from the scatter between parts of the record; None of a
    record too short for that. ``shared_db`` is the power of what is shared over that of what is not.
    """

    gain: float
    delay_samples: float
    gain_std: float | None
    delay_std_samples: float | None
    shared_db: float


def fit_pair(a: Floats, b: Floats) -> PairFit:
    """Gain and delay of ``b`` for which the part common to both, shape (n,) each, cancels in ``a - gain b``.

    The delay is where the cross-correlation of the two, band-limited, is largest (Knapp and Carter 1976, unweighted).
    The gain is that of the principal axis of their scatter (orthogonal regression; Golub and Van Loan, Matrix
    Computations, section 6.3): what is opposite in the two is not taken for a loss of gain, as it is by plain
    least squares.

    Raises
    ------
    BadInputError : fewer than 64 samples, different lengths, or a channel without any change.
    """
    if a.shape != b.shape or a.ndim != 1 or a.size < _FEWEST:
        raise BadInputError("two channels of at least 64 samples and one length are needed")
    power_a, power_b, cross, size = _spectra(a, b)
    if not (power_a.sum() > 0.0 and power_b.sum() > 0.0):
        raise BadInputError("one of the two channels does not change: they share nothing")
    gain, delay, shared = _solved(power_a.sum(axis=0), power_b.sum(axis=0), cross.sum(axis=0), size)
    gain_std = delay_std = None
    groups = np.array_split(np.arange(len(cross)), _GROUPS)
    if len(cross) >= 2 * _GROUPS:
        each = [
            _solved(
                power_a[rows].sum(axis=0), power_b[rows].sum(axis=0), cross[rows].sum(axis=0), size, delay
            )
            for rows in groups
        ]
        gain_std = float(np.std([one[0] for one in each], ddof=1) / np.sqrt(_GROUPS))
        delay_std = float(np.std([one[1] for one in each], ddof=1) / np.sqrt(_GROUPS))
    return PairFit(gain, delay, gain_std, delay_std, shared)


def _spectra(a: Floats, b: Floats) -> tuple[Floats, Floats, np.ndarray, int]:
    """Power and cross spectra of half-overlapping Hann segments (segments, bins), and the length of a segment."""
    from scipy.fft import rfft

    size = min(_SEGMENT, 1 << int(np.log2(a.size)))
    starts = range(0, a.size - size + 1, size // 2)
    window = np.hanning(size + 1)[:-1]
    one = np.array([rfft((a[s : s + size] - a[s : s + size].mean()) * window) for s in starts])
    two = np.array([rfft((b[s : s + size] - b[s : s + size].mean()) * window) for s in starts])
    # what is left of the level is no signal
    one[:, :2] = two[:, :2] = 0.0
    return np.abs(one) ** 2, np.abs(two) ** 2, one * np.conj(two), size


def _solved(
    power_a: Floats, power_b: Floats, cross: np.ndarray, size: int, near: float | None = None
) -> tuple[float, float, float]:
    """Gain, delay in samples and the share in dB; ``near`` is where the delay is known to be."""
    from scipy.fft import irfft
    from scipy.optimize import minimize_scalar

    omega = 2.0 * np.pi * np.arange(cross.size) / size

    def together(delay: float) -> float:
        return float(np.sum((cross * np.exp(1j * omega * delay)).real))

    if near is None:
        lags = irfft(cross, size)
        near = float(np.argmax(np.abs(lags)))
        near -= size if near > size / 2 else 0.0
    sign = 1.0 if together(near) >= 0.0 else -1.0
    best = minimize_scalar(
        lambda delay: -sign * together(delay),
        bounds=(near - 1.0, near + 1.0),
        method="bounded",
        options={"xatol": 1e-6},
    )
    delay = float(best.x)
    common = together(delay)
    total_a, total_b = float(power_a.sum()), float(power_b.sum())
    root = float(np.hypot(total_a - total_b, 2.0 * common))
    gain = (total_a - total_b + root) / (2.0 * common)
    largest, least = 0.5 * (total_a + total_b + root), 0.5 * (total_a + total_b - root)
    return gain, delay, 10.0 * float(np.log10(largest / max(least, 1e-30 * largest)))
